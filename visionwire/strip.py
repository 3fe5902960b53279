"""The straightened strip: the picture resampled along and across the spine.

Columns run along the spine, rows across it. All lengths of a strip are in wire
diameters ``d``, so that everything downstream is free of scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

COLUMNS_PER_DIAMETER = 8
ROWS = 25
HALF_WIDTH_D = 1.2

Floats = NDArray[np.float64]


def smooth(rows: Floats, columns: float) -> Floats:
    """Smooth every row of a (rows, columns) array by a Gaussian of that many columns, edges mirrored."""
    return np.asarray(ndimage.gaussian_filter1d(rows, columns, axis=1, mode="mirror", truncate=3.0), float)


@dataclass(frozen=True, eq=False)
class Strip:
    """A straightened picture.

    Attributes
    ----------
    values : (rows, columns) float array
        Luminance.
    across_d : (rows,) float array
        Offset of every row from the spine, in wire diameters; positive to the
        right of the direction of travel as the picture is seen (y grows downwards).
    centre_px, normal_px : (columns, 2) float arrays
        Where each column crosses the spine, and the unit normal there.
    step_d : float
        Distance of neighbouring columns, in wire diameters.
    diameter_px : float
        The wire diameter that the strip was made for.
    """

    values: Floats
    across_d: Floats
    centre_px: Floats
    normal_px: Floats
    step_d: float
    diameter_px: float

    @property
    def row_step_d(self) -> float:
        """Distance of neighbouring rows, in wire diameters."""
        return float(self.across_d[1] - self.across_d[0])


def arc_length(points: Floats) -> Floats:
    """Return the distance (N,) of each of (N, 2) points from the first, along the polyline."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def frame(spine_px: Floats, step_px: float, smooth_px: float) -> tuple[Floats, Floats]:
    """Return evenly spaced points on a polyline and the unit normals there.

    Parameters
    ----------
    spine_px : (N, 2) float array
        Polyline, (x, y).
    step_px : float
        Wanted distance of neighbouring points; rounded so that both ends are hit.
    smooth_px : float
        Standard deviation of the Gaussian that smooths the direction.

    Returns
    -------
    centre_px, normal_px : (M, 2) float arrays

    Raises
    ------
    ValueError
        If the polyline is shorter than one and a half steps.
    """
    along = arc_length(spine_px)
    columns = round(along[-1] / step_px) + 1
    if columns < 3:
        raise ValueError(f"spine_px is {along[-1]:.1f} px long; at least {2 * step_px:.1f} px are needed")
    at = np.linspace(0.0, along[-1], columns)
    centre = np.column_stack([np.interp(at, along, spine_px[:, k]) for k in (0, 1)])
    tangent = np.gradient(centre, axis=0)
    tangent = smooth(tangent.T, max(smooth_px / step_px, 0.5)).T
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return centre, np.column_stack([-tangent[:, 1], tangent[:, 0]])


def straighten(
    luminance: NDArray[np.float32],
    spine_px: Floats,
    diameter_px: float,
    *,
    half_width_d: float = HALF_WIDTH_D,
    rows: int = ROWS,
) -> Strip:
    """Resample a picture along a spine.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    spine_px : (N, 2) float array
        Centre line, (x, y).
    diameter_px : float
        Wire diameter in the picture.
    half_width_d : float
        How far the strip reaches to either side, in wire diameters.
    rows : int
        How many rows that is.

    Raises
    ------
    ValueError
        If the spine is too short for a strip.
    """
    centre, normal = frame(spine_px, diameter_px / COLUMNS_PER_DIAMETER, diameter_px)
    across = np.linspace(-half_width_d, half_width_d, rows)
    x = (centre[:, 0] + across[:, None] * diameter_px * normal[:, 0]).astype(np.float32)
    y = (centre[:, 1] + across[:, None] * diameter_px * normal[:, 1]).astype(np.float32)
    values = _remap(luminance, x, y)
    step_px = float(np.hypot(*np.diff(centre, axis=0).T).mean())
    return Strip(values.astype(float), across, centre, normal, step_px / diameter_px, diameter_px)


def pixels_along(pixels: NDArray[np.uint8], strip: Strip) -> Floats:
    """Return the colours (rows, columns, 3) of an upright RGB picture where a strip has its values."""
    across_px = strip.across_d[:, None] * strip.diameter_px
    x = (strip.centre_px[:, 0] + across_px * strip.normal_px[:, 0]).astype(np.float32)
    y = (strip.centre_px[:, 1] + across_px * strip.normal_px[:, 1]).astype(np.float32)
    return _remap(pixels, x, y).astype(float)


def _remap(picture: NDArray[Any], x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[Any]:
    # OpenCV maps at most 32767 columns at a time, which no strip reaches.
    return cv2.remap(picture, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def picture_strip(
    pixels: NDArray[np.uint8], strip: Strip, half_width_d: float = 2.0, px_per_d: int = 16
) -> NDArray[np.uint8]:
    """Return the straightened colour picture on the columns of a strip, for people to look at."""
    rows = int(2 * half_width_d * px_per_d) + 1
    across_px = np.linspace(-half_width_d, half_width_d, rows)[:, None] * strip.diameter_px
    x = (strip.centre_px[:, 0] + across_px * strip.normal_px[:, 0]).astype(np.float32)
    y = (strip.centre_px[:, 1] + across_px * strip.normal_px[:, 1]).astype(np.float32)
    wide = _remap(pixels, x, y)
    size = (wide.shape[1] * px_per_d // COLUMNS_PER_DIAMETER, rows)
    return np.asarray(cv2.resize(wide, size, interpolation=cv2.INTER_CUBIC), np.uint8)
