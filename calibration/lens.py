"""What a lens does to straight lines: one radial term about the picture's centre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: What a lens leaves in a picture, at its corners, relative to the distance from the centre; one standard deviation.
#: Common practice, no source: phones correct their main camera to a percent, and their wide one less well.
DISTORTION_U = 0.015
#: Newton steps that bring a bent point to a thousandth of a pixel, for any lens that a camera is sold with.
STEPS = 6


@dataclass(frozen=True, eq=False)
class Lens:
    """A radial distortion: what is seen r half diagonals from the centre lies ``1 + distortion r**2`` times as far out.

    Attributes
    ----------
    centre_px : (2,) float array
        The picture's centre.
    half_diagonal_px : float
        From there to a corner.
    distortion : float
        How much farther out a corner of the picture belongs; above zero where straight lines bulge (a barrel).
    distortion_u : float
        Its standard deviation.
    """

    centre_px: Array
    half_diagonal_px: float
    distortion: float = 0.0
    distortion_u: float = DISTORTION_U

    def straight(self, points_px: ArrayLike) -> Array:
        """Return (N, 2) points as a lens without distortion would show them, px."""
        off, square = self._off(points_px)
        return np.asarray(self.centre_px + off * (1 + self.distortion * square))

    def bent(self, points_px: ArrayLike) -> Array:
        """Return (N, 2) points of a picture without distortion as this lens shows them, px."""
        off, square = self._off(points_px)
        true, farthest = np.sqrt(square), np.inf
        if self.distortion < 0:  # no farther does this lens reach: what lies beyond is shown at its rim
            farthest = 0.99 / np.sqrt(-3 * self.distortion)
        wanted = np.minimum(true, farthest * (1 + self.distortion * farthest**2) if np.isfinite(farthest) else np.inf)
        radius = np.minimum(wanted, farthest)
        for _ in range(STEPS):
            miss = radius * (1 + self.distortion * radius**2) - wanted
            radius = np.clip(radius - miss / (1 + 3 * self.distortion * radius**2), 0, farthest)
        return np.asarray(self.centre_px + off * np.where(true > 0, radius / np.maximum(true, 1e-12), 1.0))

    def enlargement(self, point_px: ArrayLike) -> float:
        """Return how much larger what is seen at one point is once straight: the root of the Jacobian's determinant."""
        square = float(self._off(point_px)[1][0, 0])
        both = (1 + self.distortion * square) * (1 + 3 * self.distortion * square)
        return float(np.sqrt(max(both, 1e-6)))

    def pull_px(self, points_px: ArrayLike) -> Array:
        """Return (N, 2) px by which a distortion of one moves points."""
        off, square = self._off(points_px)
        return np.asarray(off * square)

    def _off(self, points_px: ArrayLike) -> tuple[Array, Array]:
        off = np.asarray(points_px, float).reshape(-1, 2) - self.centre_px
        return off, (off**2).sum(1, keepdims=True) / self.half_diagonal_px**2


def unknown_lens(image_size: tuple[int, int]) -> Lens:
    """Return the lens of a picture of which nothing is known."""
    size = np.array(image_size, float)
    return Lens((size - 1) / 2, float(np.hypot(*size)) / 2)
