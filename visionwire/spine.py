"""The centre line of a twisted wire."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import route_through_array

from visionwire import pair
from visionwire.find import Ribbon, to_maps, to_photograph
from visionwire.strip import Strip, arc_length, straighten
from visionwire.twist import Twist, orientations

Floats = NDArray[np.float64]

#: How far a slack run may swing out beyond its ends, and what is left around ends where a path is avoided.
LOOP_D, KEPT_D = 40.0, 6.0


def between(ribbon: Ribbon, start_px: Floats, end_px: Floats, avoid_px: Floats | None = None) -> Floats:
    """Return the path (N, 2) from start to end that stays on the ribbon: a minimal path.

    The path may leave the box around both ends by half their distance; where another path (M, 2) is to be avoided, also
    far enough for a slack run to loop.
    """
    ends = to_maps(np.array([start_px, end_px], float), ribbon.scale)
    reach = 0.5 * float(np.linalg.norm(ends[1] - ends[0])) + (4 if avoid_px is None else LOOP_D) * ribbon.diameter
    height, width = ribbon.strength.shape
    low = np.maximum(np.floor(ends.min(0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(ends.max(0) + reach) + 1, [width, height]).astype(int)
    part = ribbon.strength[low[1] : high[1], low[0] : high[0]].copy()
    if avoid_px is not None:
        avoided = to_maps(avoid_px, ribbon.scale)
        far = np.linalg.norm(avoided[:, None] - ends[None], axis=2).min(1) > KEPT_D * ribbon.diameter
        for point in np.round(avoided[far] - low).astype(int):
            cv2.circle(part, (int(point[0]), int(point[1])), round(ribbon.diameter), 0.0, -1)
    first, last = (np.clip(np.round(end - low), 0, high - low - 1).astype(int)[::-1] for end in ends)
    typical = float(np.quantile(part, 0.97)) + 1e-6
    cost = 1 / (0.03 + np.minimum(part / typical, 1.5) ** 2)
    path, _ = route_through_array(cost, first, last, fully_connected=True, geometric=True)
    points = np.array(path, float)[:, ::-1] + low
    points[0], points[-1] = ends
    return to_photograph(points, ribbon.scale)


def smooth_line(points_px: Floats, step_px: float, sigma_px: float) -> Floats:
    """Return the polyline resampled at even steps and smoothed by a Gaussian, its two ends kept."""
    along = arc_length(points_px)
    keep = np.concatenate([[True], np.diff(along) > 0])
    at = np.linspace(0, along[-1], max(int(along[-1] / step_px), 4) + 1)
    even = np.column_stack([np.interp(at, along[keep], points_px[keep, k]) for k in (0, 1)])
    # Mirroring the line through its own ends keeps them where they are.
    pad = min(len(even) - 1, int(4 * sigma_px / step_px) + 1)
    longer = np.vstack([2 * even[0] - even[pad:0:-1], even, 2 * even[-1] - even[-2 : -pad - 2 : -1]])
    return np.asarray(ndimage.gaussian_filter1d(longer, sigma_px / step_px, axis=0)[pad : pad + len(even)], float)


def recentre(luminance: NDArray[np.float32], strip: Strip, twist: Twist) -> Floats:
    """Return the centre line (N, 2) moved to the middle of the pair.

    The pair's own geometry, drawn at the phase found, is slid across the strip;
    where it fits best over about a twist and a half is the middle. Highlights
    and shadows to one side pull it less than they pull a ridge.
    """
    line = strip.centre_px[:: max(1, len(strip.centre_px) // 4000)]
    wide = straighten(luminance, line, strip.diameter_px, half_width_d=2.0, rows=41)
    phase = np.interp(np.linspace(0, 1, wide.values.shape[1]), np.linspace(0, 1, len(twist.phase)), twist.phase)
    fit = _fit_across(wide, phase, twist)
    shifts_d = np.arange(-8, 9) * wide.row_step_d
    best = fit.argmax(0)
    inner = np.clip(best, 1, len(shifts_d) - 2)
    columns = np.arange(fit.shape[1])
    left, middle, right = fit[inner - 1, columns], fit[inner, columns], fit[inner + 1, columns]
    bend = left - 2 * middle + right
    peak = np.clip(np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0), -1, 1)
    shift = (shifts_d[inner] + peak * wide.row_step_d) * strip.diameter_px
    spacing = 2 * np.pi / np.maximum(np.gradient(phase).mean(), 1e-6)
    shift = ndimage.gaussian_filter1d(
        ndimage.median_filter(shift, int(spacing) | 1, mode="nearest"), spacing, mode="nearest"
    )
    return np.asarray(wide.centre_px + shift[:, None] * wide.normal_px, float)


def _fit_across(wide: Strip, phase: Floats, twist: Twist) -> Floats:
    """Return the fit of the drawn pair at every shift of whole rows, (17, columns), smoothed along."""
    orientation = orientations(wide)
    inside = np.abs(wide.across_d) < 1.05
    across = tuple(float(v) for v in wide.across_d[inside])
    spacing_columns = 2 * np.pi * len(phase) / (phase[-1] - phase[0])
    series = pair.orientation_harmonics(across, spacing_columns * wide.step_d, twist.lay, 3)
    waves = np.exp(1j * np.arange(4)[:, None] * phase) * np.where(np.arange(4) > 0, 2, 1)[:, None]
    drawn = np.einsum("crk,kx->crx", series, waves).real
    first = int(np.argmax(inside))
    fits = [(drawn * orientation[:, first + move : first + move + len(across)]).sum((0, 1)) for move in range(-8, 9)]
    return np.asarray(ndimage.gaussian_filter1d(np.array(fits), spacing_columns, axis=1, mode="nearest"), float)
