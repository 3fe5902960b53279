"""The geometry of two wires twisted about each other, seen from the side.

Two wires of diameter d wind about a common axis. With p the spacing of the
crossings (one twist, 180 degrees) and ``theta = pi x / p``, the strand centre lines
are ``y = +-(d/2) sin(theta)`` and ``z = +-(d/2) cos(theta)``, z towards the viewer. From it
follow the outline, ``d (1 + |sin theta|)`` wide, and the slope of the strand on the
axis, ``tan a = pi d / (2 p)``. The pattern repeats once per twist, whatever the two
strands look like. All lengths here are in wire diameters.

In a picture that the wire crosses from left to right, with y downwards, this pair's
front strand descends: lay Z (ISO 2: seen upright, its strands slope as the middle of
a Z). Lay S is the same picture upside down, which is also the picture run backwards
with every slope reversed.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def visible_slope(theta: Floats, across_d: Floats, spacing_d: float) -> Floats:
    """Return dy/dx of the strand that is seen at each place of the pair.

    Parameters
    ----------
    theta : (n,) float array
        Position along the axis, radians; pi is one twist, 0 a crossing.
    across_d : (rows,) float array
        Offset from the axis, in wire diameters.
    spacing_d : float
        Spacing of the crossings, in wire diameters.

    Returns
    -------
    (rows, n) float array
        NaN beside the pair. The strand in front at theta = 0 rises with x.
    """
    slope = np.full((len(across_d), len(theta)), np.nan)
    nearest = np.full(slope.shape, -np.inf)
    for strand in (1.0, -1.0):
        below_edge = 0.25 - (across_d[:, None] - strand * 0.5 * np.sin(theta)) ** 2
        height = strand * 0.5 * np.cos(theta) + np.sqrt(np.maximum(below_edge, 0.0))
        height = np.where(below_edge > 0.0, height, -np.inf)
        own_slope = strand * 0.5 * np.pi / spacing_d * np.cos(theta)
        slope = np.where(height > nearest, own_slope, slope)
        nearest = np.maximum(nearest, height)
    return slope


@lru_cache(maxsize=512)
def orientation_harmonics(
    across_d: tuple[float, ...], spacing_d: float, lay: str, harmonics: int
) -> NDArray[np.complex128]:
    """Return what a pair's edges and highlights point along, as a Fourier series in phase.

    Edges and highlights of a wire run along it, so the double-angle orientation
    of the picture's gradient, ``(2 gx gy, gx^2 - gy^2) / (gx^2 + gy^2)``, is given by
    the slope of the visible strand alone: no lamp, colour or shade enters.

    Returns
    -------
    (2, rows, harmonics + 1) complex array
        Coefficients of exp(i k phase), phase = 2 theta, one cycle a twist; zero
        beside the pair.
    """
    theta = np.arange(64) / 64 * np.pi
    slope = visible_slope(theta, np.array(across_d), spacing_d)
    # The gradient is normal to the strand: (gx, gy) ~ (-slope, 1).
    along = np.nan_to_num(np.stack([-2 * slope, slope**2 - 1]) / (1 + slope**2))
    series = np.fft.fft(along, axis=2)[:, :, : harmonics + 1] / 64
    if lay == "S":
        series = np.conj(series) * np.array([-1.0, 1.0])[:, None, None]
    return series


def repeating(across_d: Iterable[float], spacing_d: float, lay: str) -> NDArray[np.complex128]:
    """Return the first two harmonics of `orientation_harmonics`, (2, rows, 2).

    What does not repeat proves nothing: edges along the wire are true of any rod, oblique ones of any scratch.
    """
    return orientation_harmonics(tuple(float(v) for v in across_d), float(spacing_d), lay, 2)[:, :, 1:]
