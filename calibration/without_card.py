"""Scale where no printed card lies: a plain ID-1 card, or two points a known distance apart.

The outline finder itself is in ``calibration.id1``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration.id1 import find_id1
from calibration.plane import Plane

__all__ = ["find_id1", "two_points"]

#: A length between two points seen at an unknown tilt t reads 1/cos t off against one square to the tilt. With t
#: up to 15 degrees in an honest try, evenly spread, the mean of 1/cos t - 1 is 1.2 % and its root mean square 1.5 %.
UNKNOWN_TILT_U = 0.015
#: Two points closer than this, px, give no scale worth having.
LEAST_APART_PX = 20.0


def two_points(p_px: ArrayLike, q_px: ArrayLike, distance_mm: float, reading_u_px: float = 2.0) -> Plane:
    """Return the plane that two points a known distance apart give: one scale, seen square on.

    Parameters
    ----------
    p_px, q_px : (x, y)
        The two points, px.
    distance_mm : float
        Between them, mm.
    reading_u_px : float
        Standard deviation with which either was pointed at, px.

    Returns
    -------
    Plane
        Origin at ``p_px``, x and y along the picture's. Its ``relative_u`` holds the reading of
        both points and a tilt that nobody knows.

    Raises
    ------
    ValueError
        When the distance is not above zero or the points lie closer than ``LEAST_APART_PX``.
    """
    p, q = np.asarray(p_px, float), np.asarray(q_px, float)
    apart_px = float(np.hypot(*(q - p)))
    if not distance_mm > 0 or not np.isfinite(distance_mm):
        raise ValueError(f"distance_mm is {distance_mm:g}; it must be above zero")
    if not apart_px >= LEAST_APART_PX:
        raise ValueError(f"p_px and q_px lie {apart_px:.1f} px apart; at least {LEAST_APART_PX:g} are needed")
    px_per_mm = apart_px / distance_mm
    reading_u = np.sqrt(2) * reading_u_px / apart_px
    return Plane(
        image_from_plane=np.array([[px_per_mm, 0, p[0]], [0, px_per_mm, p[1]], [0, 0, 1]]),
        source="two-points",
        card=None,
        points_px=np.stack([p, q]),
        points_mm=np.stack([np.zeros(2), (q - p) / px_per_mm]),
        outline_px=None,
        residual_px=None,
        corner_u_px=reading_u_px,
        scale_relative_u=UNKNOWN_TILT_U,
        relative_u=float(np.hypot(reading_u, UNKNOWN_TILT_U)),
    )
