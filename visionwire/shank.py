"""The strip along a turnbuckle's long axis: laid onto the axis, with what is known of the camera that saw it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Strip: columns and rows to a wire diameter, and how far it reaches to either side, diameters.
COLUMNS_PER_D, ROWS_PER_D, HALF_WIDTH_D = 16, 8, 4.8
STEP_D = 1 / COLUMNS_PER_D
#: Focal length where the photograph does not say it, in widths of the picture.
USUAL_FOCAL = 1.3
#: How far, diameters, the points given may lie off the axis (one standard deviation), and how far is tried.
OFF_AXIS_D, TRIED_OFF_D = 0.5, 1.5


@dataclass(frozen=True, eq=False)
class Frame:
    """A strip along the axis, and how the camera saw it.

    Attributes
    ----------
    values : (rows, columns) float array
        Luminance; column along the axis, row across.
    across_d : (rows,) float array
        The rows' offsets from the axis, wire diameters.
    start_px, along : (2,) float arrays
        Where the axis begins in the picture, and its direction.
    d_px, focal_px : float
        The wire's diameter, and the focal length.
    centre_px : (2,) float array
        The middle of the picture.
    """

    values: Floats
    across_d: Floats
    start_px: Floats
    along: Floats
    d_px: float
    focal_px: float
    centre_px: Floats

    def at_px(self, x_d: Floats | float) -> Floats:
        """Return the point on the axis that lies so many diameters from its start."""
        return np.asarray(self.start_px + np.multiply.outer(x_d, self.along) * self.d_px)

    def oblique(self, x_d: Floats | float) -> Floats:
        """Return how much further along the axis than in the middle of the picture the camera looks back."""
        return np.asarray((self.at_px(x_d) - self.centre_px) @ self.along / self.focal_px)

    def shear(self, x_d: float) -> float:
        """Return by how much the plane across the axis leans in the picture there, per offset across."""
        ray = (self.at_px(x_d) - self.centre_px) / self.focal_px
        across = np.cross(np.array([*ray, 1.0]), np.array([*self.along, 0.0]))
        seen = across[:2] - across[2] * ray
        return float(seen @ self.along / (seen @ np.array([-self.along[1], self.along[0]])))


def frame_of(luminance: Picture, start_px: Floats, end_px: Floats, d_px: float, focal_px: float | None) -> Frame:
    """Cut the strip along the axis that lies near two points.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    start_px, end_px : (2,) float arrays
        Two points near the axis.
    d_px : float
        Wire diameter, px.
    focal_px : float or None
        Focal length; `USUAL_FOCAL` widths of the picture where it is not known.
    """
    height, width = luminance.shape
    start, end = on_axis(luminance, start_px, end_px, d_px)
    values, across_d = _strip(luminance, start, end, d_px, HALF_WIDTH_D)
    along = (end - start) / np.hypot(*(end - start))
    focal = USUAL_FOCAL * max(width, height) if focal_px is None else focal_px
    return Frame(values, across_d, start, along, d_px, focal, np.array([(width - 1) / 2, (height - 1) / 2]))


def on_axis(luminance: Picture, start_px: Floats, end_px: Floats, d_px: float) -> tuple[Floats, Floats]:
    """Return the two points given, moved across onto the axis: outlines lie as far from it on either side.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    start_px, end_px : (2,) float arrays
        Two points near the axis.
    d_px : float
        Wire diameter, px.
    """
    values, across = _strip(luminance, start_px, end_px, d_px, HALF_WIDTH_D + TRIED_OFF_D)
    steep = np.abs(ndimage.gaussian_filter1d(values, max(0.1 * ROWS_PER_D, 1.2 * ROWS_PER_D / d_px), axis=0, order=1))
    steep = ndimage.uniform_filter1d(steep, COLUMNS_PER_D, axis=1)[:, ::COLUMNS_PER_D]
    # No column shouts, whatever lies beside the part.
    steep = np.minimum(steep / (np.percentile(steep, 95, axis=0) + 0.2), 1.5)
    steep -= steep.mean(0)
    offsets = np.arange(-TRIED_OFF_D, TRIED_OFF_D + 1e-9, 0.5 / ROWS_PER_D)
    reach = np.arange(0.0, HALF_WIDTH_D - 0.1, 1 / ROWS_PER_D)
    middle = (len(across) - 1) / 2
    alike = np.empty((len(offsets), steep.shape[1]))
    for i, offset in enumerate(offsets):
        rows = middle + (offset + reach) * ROWS_PER_D, middle + (offset - reach) * ROWS_PER_D
        up, down = (_rows(steep, row) for row in rows)
        alike[i] = (up * down).mean(0)
    alike = ndimage.gaussian_filter1d(alike, 0.15 * ROWS_PER_D, axis=0)
    x = np.linspace(-1.0, 1.0, alike.shape[1])
    ends = offsets[::2]
    first, last = np.meshgrid(ends, ends, indexing="ij")
    line = (first[..., None] * (1 - x) + last[..., None] * (1 + x)) / 2
    index = np.round((line - offsets[0]) * 2 * ROWS_PER_D).astype(int)
    score = alike[index, np.arange(len(x))].sum(-1)
    # A hand is not far off: what lies further must be much more alike.
    score -= alike.std() * np.sqrt(len(x)) * (first**2 + last**2) / (2 * OFF_AXIS_D**2)
    best = np.unravel_index(int(score.argmax()), score.shape)
    along = (end_px - start_px) / np.hypot(*(end_px - start_px))
    normal = np.array([-along[1], along[0]])
    return start_px + ends[best[0]] * d_px * normal, end_px + ends[best[1]] * d_px * normal


def _strip(luminance: Picture, start_px: Floats, end_px: Floats, d_px: float, half_d: float) -> tuple[Floats, Floats]:
    """Return the picture (rows, columns) along a straight line, and the rows' offsets in diameters."""
    step_px = STEP_D * d_px
    if step_px > 1:
        luminance = np.asarray(cv2.GaussianBlur(luminance, (0, 0), 0.4 * step_px), np.float32)
    length_px = float(np.hypot(*(end_px - start_px)))
    along = (end_px - start_px) / length_px
    columns = np.arange(0.0, length_px, step_px)
    across_d = np.arange(-half_d, half_d + 1e-9, 1 / ROWS_PER_D)
    off = across_d[:, None] * d_px
    x = (start_px[0] + columns * along[0] - off * along[1]).astype(np.float32)
    y = (start_px[1] + columns * along[1] + off * along[0]).astype(np.float32)
    values = cv2.remap(luminance, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, float), across_d


def _rows(values: Floats, at: Floats) -> Floats:
    """Return rows of an array at broken indices, by linear interpolation."""
    low = np.clip(np.floor(at).astype(int), 0, len(values) - 2)
    share = np.clip(at - low, 0.0, 1.0)[:, None]
    return np.asarray(values[low] * (1 - share) + values[low + 1] * share)
