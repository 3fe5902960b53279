"""The twists of a pigtail as a small network counts them.

It is shown the line of a pigtail straightened, with what lies beyond its ends, and says for every place how much of a
twist it holds, and how far their sum may be off. Of one twist or two, where there is too little for a phase to be
fitted to, that is all there is; of more it is a second word beside the phase, and its errors are others. It learned
from painted pigtails and the finder's crops (``fixtures/tally.py``).
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.learned import Maps
from visionwire.section import MOST_CHANGE, Section, on_arc
from visionwire.strip import arc_length, frame, straighten
from visionwire.twist import estimate
from visionwire.windows import MIDDLE_SPACING, evened, straightened

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: The window: so many columns to a wire diameter, so many in all, and how far it is filled beyond the line's ends.
COLUMNS_A_D, COLUMNS, BEYOND_D = 4, 224, 6.0
#: The picture; twisted, ends and plain wire as the finder sees them; the spacing of the runs.
CHANNELS = 5
#: The network answers for so many columns at once.
COLUMNS_AN_ANSWER = 2
ANSWERS = COLUMNS // COLUMNS_AN_ANSWER
#: Lines shorter or longer than this, in wire diameters, are not shown.
SHORTEST_D, LONGEST_D = 2.0, COLUMNS / COLUMNS_A_D - 2 * BEYOND_D
#: Each value of the picture is the mean of so many squared, so that none is skipped.
FINE = 3
#: A line's own twists lie between where its first share of all is counted and its last: beyond, the count fades out.
INNER: tuple[float, float] = (0.15, 0.85)
#: What goes on beyond a line's ends turns as so many diameters of it do.
ARC_D = 8.0


@dataclass(frozen=True, eq=False)
class Tally:
    """What is counted along a line.

    ``along`` (ANSWERS + 1,) are the twists up to each place, from 0 to ``twists``; ``line_px`` (ANSWERS + 1, 2) are
    those places in the photograph; ``u`` is the standard deviation of ``twists``.
    """

    along: Floats
    line_px: Floats
    u: float

    @property
    def twists(self) -> float:
        """Number of twists."""
        return float(self.along[-1])


def window(
    luminance: Picture, seen: Maps, line_px: Floats, diameter_px: float, usual_px: float, offset_d: float = 0.0
) -> tuple[Picture, Floats]:
    """Return what the network is shown of a line.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    seen : Maps
        What the finder sees.
    line_px : (N, 2) float array
        At most ``LONGEST_D`` wire diameters long.
    diameter_px : float
        Wire diameter.
    usual_px : float
        How far the crossings of the runs lie apart.
    offset_d : float
        How far from the window's middle that of the line is put.

    Returns
    -------
    shown : (CHANNELS, ROWS, COLUMNS) float32 array
        Nothing farther beyond the line than ``BEYOND_D``.
    middle_px : (COLUMNS, 2) float array
        The middle row, in the photograph.

    Raises
    ------
    ValueError
        If the line is too short for a strip.
    """
    step_px = diameter_px / COLUMNS_A_D
    line, _ = frame(line_px, step_px, diameter_px)
    count = int((BEYOND_D + 1) * COLUMNS_A_D)
    behind, ahead = (on_arc(way, step_px, count, ARC_D * COLUMNS_A_D) for way in (line[::-1], line))
    whole = np.vstack([behind[::-1], line, ahead])
    path = frame(whole, step_px, diameter_px)
    along = arc_length(path[0])
    middle = along[-1] / 2 - offset_d * diameter_px
    columns_px = ((np.arange(COLUMNS * FINE) + 0.5) / FINE - COLUMNS / 2) * step_px + middle
    maps = (seen.twisted, seen.ends, seen.plain)
    picture, marks, middle_px = straightened(luminance, maps, seen.scale, path, columns_px, diameter_px, FINE)
    margin = (along[-1] - arc_length(line)[-1]) / 2 - BEYOND_D * diameter_px
    inside = (columns_px > margin) & (columns_px < along[-1] - margin)
    filled = inside.reshape(COLUMNS, FINE).all(1)
    spacings = np.full(picture.shape, np.log(usual_px / diameter_px) - MIDDLE_SPACING)
    shown = np.stack([evened(picture, filled), *marks, spacings])
    return np.where(filled, shown, 0).astype(np.float32), middle_px


def counted(luminance: Picture, seen: Maps, line_px: Floats, diameter_px: float, usual_px: float) -> Tally:
    """Return the twists that the network counts along a line; parameters as of `window`.

    Raises
    ------
    ValueError
        If the line is too short for a strip.
    """
    shown, middle_px = window(luminance, seen, line_px, diameter_px, usual_px)
    network = _network()
    network.setInput(shown[None])
    *twists, u = np.asarray(network.forward(), float).ravel()
    return Tally(np.concatenate([[0.0], np.cumsum(twists)]), edges(middle_px), float(u))


def edges(middle_px: Floats) -> Floats:
    """Return the edges (ANSWERS + 1, 2) between what the network answers for, of a window's middle row (COLUMNS, 2)."""
    at = np.arange(0, COLUMNS + 1, COLUMNS_AN_ANSWER) - 0.5
    return np.column_stack([np.interp(at, np.arange(COLUMNS), middle_px[:, k]) for k in (0, 1)])


def section_of(luminance: Picture, told: Tally, diameter_px: float) -> Section | None:
    """Return the section that a tally tells of, its twists evenly spread; None where it is too short for a strip.

    Where the crossings lie on it is told by the pattern in its middle; its hand is a guess.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    told : Tally
        What was counted, of half a twist at least.
    diameter_px : float
        Wire diameter.
    """
    at_px = arc_length(told.line_px)
    shares = told.along / told.twists
    first, last = (float(np.interp(share, shares, at_px)) for share in INNER)
    spare = (last - first) / (INNER[1] - INNER[0]) * INNER[0]
    inside = np.linspace(max(first - spare, 0), min(last + spare, at_px[-1]), len(at_px))
    line = np.column_stack([np.interp(inside, at_px, told.line_px[:, k]) for k in (0, 1)])
    spacing_d = float(inside[-1] - inside[0]) / told.twists / diameter_px
    try:
        strip = straighten(luminance, line, diameter_px)
        seen = estimate(strip, spacings_d=(spacing_d / MOST_CHANGE, spacing_d * MOST_CHANGE))
    except ValueError:  # shorter than a strip
        return None
    columns = len(seen.phase)
    away = (np.arange(columns) - (columns - 1) / 2) / (columns - 1)
    phase = seen.phase[columns // 2] + 2 * np.pi * told.twists * away
    twist = dataclasses.replace(seen, phase=phase, phase_factor=np.zeros((columns, 1)))
    counted = (told.twists, told.u)
    return Section(strip, twist, 0, columns - 1, told.u / np.sqrt(2), counted=counted, measured=False)


@functools.cache
def _network() -> cv2.dnn.Net:
    weights = resources.files("visionwire.model").joinpath("tally.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))
