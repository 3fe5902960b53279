"""What the sheet draws: the pictures and positions behind a reading.

The reading is what is kept; the evidence is what a person looks at to believe
it, and is made anew from the photograph when wanted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class SectionEvidence:
    """Behind one run or the pigtail.

    Attributes
    ----------
    name : str
        "run 1", "run 2", ..., "pigtail"; the same as ``Check.section``.
    spine_px : (N, 2) float array
        Centre line in the photograph, from start to end.
    ticks_px : (T, 2, 2) float array
        One short line across the wire at every twist: both of its ends (x, y).
    strip : (h, w, 3) uint8 array
        The straightened picture, RGB; its columns run along the spine.
    strip_ticks : (T,) float array
        The strip column of every tick.
    strip_ends : (float, float)
        Strip columns of the section's two ends (the strip may show a little more).
    strip_px_per_in : float
        Columns of the strip per inch of wire.
    """

    name: str
    spine_px: NDArray[np.float64]
    ticks_px: NDArray[np.float64]
    strip: NDArray[np.uint8]
    strip_ticks: NDArray[np.float64]
    strip_ends: tuple[float, float]
    strip_px_per_in: float


@dataclass(frozen=True, eq=False)
class Evidence:
    """Behind one reading: the upright picture, the card as found, the sections, single wire's line and corners.

    ``axes_px`` (K, 2) are the axes of the heads that a run's pull was held against, ``pigtail_px`` (2,) the middle of a
    pigtail that is seen and not measured, ``doubtful_px`` the middles (2,) of what may be runs and is not read.
    """

    pixels: NDArray[np.uint8]
    card_outline_px: NDArray[np.float64] | None
    card_points_px: NDArray[np.float64] | None
    sections: tuple[SectionEvidence, ...]
    pattern_px: NDArray[np.float64] | None = None
    corners_px: NDArray[np.float64] | None = None
    axes_px: NDArray[np.float64] | None = None
    pigtail_px: NDArray[np.float64] | None = None
    doubtful_px: tuple[NDArray[np.float64], ...] = ()
