"""Which way the wire pulls: whether a run turns each head towards tightening.

Looked at from above, the wire leaves a head through a hole in its side and goes straight on to the other head. Its pull
turns the head about its axis by the torque r x F, r from the axis to the hole and F along the wire away from the
head. r x F does not change when the hole slides along the line of the wire, so only the *arm* matters: how far that
line passes beside the axis, and on which side. Stand on the axis and face the other head. A wire on your left drags the
head's left side forward, and the head turns clockwise; on your right, counter-clockwise; under your feet, not at all.

Both heads are asked so, each facing the other. Between two right-hand threads, which tighten clockwise, the wire
therefore crosses the line of centres, as the slanted stroke of a Z lying on its side does::

      .--o._             A faces right, up the page is its left: the wire is on its left, clockwise.
     ( A  ) ``--..__
      `--'          ``--..__ .--.
                            ( B  )   B faces left, down the page is its left: on its left too, clockwise.
                             `o-'

A wire along the same side of both, like a belt, turns one of them loose; the drawing mirrored tightens two left-hand
threads. In pixels, whose y runs down, with p on the wire, c the axis and u the unit vector along the wire away from
the head, the arm is (p - c)_x u_y - (p - c)_y u_x, above 0 for clockwise as seen.

The axis is wanted at the height of the wire; what is seen of a head is its top, nearer to the camera. Where a card
tells how the camera stands, the one is put over the other.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration import camera_mm
from visionwire import quality
from visionwire.budget import MM_PER_IN, Ruler
from visionwire.reading import Point, Pull, Reading, Routing, Tightens
from visionwire.section import Section

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: The crop in which a head is looked for: its scale, and how far it reaches from the end of the twist, mm.
CROP_PX_PER_MM, CROP_REACH_MM = 4.0, 19.0
_SIDE = 2 * round(CROP_REACH_MM * CROP_PX_PER_MM) + 1
#: The crop and the largest outline beside it, so that nothing comes round from the other edge.
_PADDED = 192
#: Half the width across flats of a hexagon, or the radius of a round head: small screws to half-inch bolts.
RADII_MM = np.arange(3.2, 7.3, 0.3)
HEXAGONS_DEG = (0, 10, 20, 30, 40, 50)
OUTLINE_POINTS = 72
#: Log odds that one unit of likeness to an outline is worth, and the least likeness of a head: of painted heads nearly
#: all are over it, and nothing that was looked at in the middle of runs, where no head is, came over 0.3.
ODDS_OF_LIKENESS, LEAST_LIKENESS = 25.0, 0.38
#: The wire leaves through the side, not along a tangent: the most of the arm, in radii.
LONGEST_ARM = 0.93
#: From the hole to the first twist, mm, where the hole is not seen, and how softly either is held.
MOST_GAP_MM, GAP_U_MM, HOLE_U_MM = 3.2, 0.5, 0.8
#: Of a head the top is seen, so high over the hole, mm: half a head, common practice, no source.
TOP_OVER_HOLE_MM = 2.2
#: One standard deviation of the axis against the wire's line, mm: with the camera's stand known, and without.
AXIS_U_MM, AXIS_U_UNKNOWN_STAND_MM = 0.5, 0.8
#: A head that is pointed at stands no farther than that from the end of the twist that it is taken for.
FARTHEST_HEAD_MM = 14.0
#: The line of the wire is that of so much of the run beside the head, mm.
LINE_MM = 10.0
#: What is less sure is not said.
LEAST_PROBABILITY = 0.9


@dataclass(frozen=True, eq=False)
class Leaving:
    """How the wire leaves a head: (2,) ``at_px`` on it, the unit vector (2,) ``along`` it from the head, px per mm."""

    at_px: Floats
    along: Floats
    px_per_mm: float


@dataclass(frozen=True, eq=False)
class Turn:
    """How a head is turned: the probability of clockwise as seen; (2,) ``axis_px`` is its axis at the wire's height."""

    clockwise: float
    axis_px: Floats


def of_runs(
    luminance: Picture,
    runs: Sequence[Section],
    ruler: Ruler,
    tightens: Tightens,
    heads_px: Sequence[Point] = (),
) -> tuple[tuple[Routing, ...], list[quality.Flag]]:
    """Say of every run whether it pulls towards tightening at either head.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    runs : sequence of Section
        Its runs; the answer has one entry for each.
    ruler : Ruler
        How px become inches, and how the camera stands over the card.
    tightens : {"clockwise", "counter-clockwise"}
        Which way the fasteners tighten, looked at from above.
    heads_px : sequence of (x, y)
        Middles of heads as seen, px; where none is given for an end of a run, a head is looked for there.

    Returns
    -------
    tuple of Routing, list of Flag
    """
    clockwise = (tightens == "clockwise") != ruler.plane.mirrored  # as seen
    said, flags = [], _unused(runs, ruler, heads_px)
    for number, run in enumerate(runs, 1):
        turns = [_turn(luminance, run, at, ruler, heads_px) for at in (0, -1)]
        tightening = [None if one is None else one.clockwise if clockwise else 1 - one.clockwise for one in turns]
        pulls = [_pull(one) for one in tightening]
        said.append(
            Routing(
                start_pulls=pulls[0],
                end_pulls=pulls[1],
                probability=_both(tightening) if all(pulls) else None,
                start_tightens_probability=tightening[0],
                end_tightens_probability=tightening[1],
                start_axis_px=_point(turns[0]),
                end_axis_px=_point(turns[1]),
            )
        )
        if "loosens" in pulls:
            flags.append(quality.flag("routing-loosens", run=number))
        if None in pulls:
            flags.append(quality.flag("routing-not-judged", run=number))
    return tuple(said), flags


def added(
    reading: Reading,
    luminance: Picture,
    runs: Sequence[Section],
    ruler: Ruler,
    tightens: Tightens,
    heads_px: Sequence[Point] = (),
) -> Reading:
    """Return a reading that also says which way its runs pull; call and confidence stay as they are."""
    said, flags = of_runs(luminance, runs, ruler, tightens, heads_px)
    return quality.noted(dataclasses.replace(reading, routing=said), flags)


def axes_px(reading: Reading) -> Floats:
    """Return the axes (K, 2) of the heads that a reading's routing was held against."""
    axes = [axis for one in reading.routing or () for axis in (one.start_axis_px, one.end_axis_px)]
    return np.array([axis for axis in axes if axis is not None], float).reshape(-1, 2)


def leaving(run: Section, at: int, ruler: Ruler) -> Leaving:
    """Return how a run leaves the head at its start (``at`` = 0) or end (-1)."""
    line_px = run.spine_px if at == 0 else run.spine_px[::-1]
    px_per_mm = ruler.px_per_in(line_px[0]) / MM_PER_IN
    away_mm = np.linalg.norm(line_px - line_px[0], axis=1) / px_per_mm
    along = line_px[int(np.searchsorted(np.maximum.accumulate(away_mm), LINE_MM)) :][:1]
    chord = (along[0] if len(along) else line_px[-1]) - line_px[0]
    return Leaving(line_px[0], chord / max(float(np.hypot(*chord)), 1e-9), px_per_mm)


def arm_mm(axis_px: Floats, wire: Leaving) -> float:
    """Return how far the line of the wire passes beside a head's axis, mm: above 0 it pulls clockwise as seen."""
    (x, y), (along_x, along_y) = wire.at_px - axis_px, wire.along
    return float(x * along_y - y * along_x) / wire.px_per_mm


def find_head(
    luminance: Picture, wire: Leaving, shift_mm: Floats, axis_u_mm: float, gap_mm: float | None = None
) -> Turn | None:
    """Look for the head that a wire leaves, and say which way the wire turns it.

    Every outline, round or six-sided, of every size and place is held against the direction of the picture's edges.
    The probability is that of the sides among all of them, each by its likeness and by whether the wire would leave
    through its side there.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    wire : Leaving
        Where the wire is beside the head, and which way it goes.
    shift_mm : (2,) array
        From the top of a head to its axis at the height of the wire, as seen, mm.
    axis_u_mm : float
        Standard deviation of the axis.
    gap_mm : float, optional
        From the hole to the first twist, where the hole is seen.

    Returns
    -------
    Turn or None
        None where nothing looks like a head.
    """
    likenesses = _likenesses(luminance, wire)
    rows, columns = np.mgrid[0:_SIDE, 0:_SIDE]
    middle = (_SIDE - 1) / 2
    top_mm = np.stack([columns - middle, rows - middle], axis=-1) / CROP_PX_PER_MM  # from the wire's end
    axis_mm = top_mm + shift_mm
    arm = -(axis_mm[..., 0] * wire.along[1] - axis_mm[..., 1] * wire.along[0])
    log_odds = np.full(likenesses.shape, -np.inf)
    for index, radius in enumerate(RADII_MM):
        reach = 1.05 * radius  # between a hexagon's flat and its corner
        inside = np.abs(arm) < LONGEST_ARM * reach
        gap = -(axis_mm @ wire.along) - np.sqrt(np.maximum(reach**2 - arm**2, 0.0))
        off = np.maximum(np.maximum(-gap, gap - MOST_GAP_MM), 0.0) / GAP_U_MM
        if gap_mm is not None:
            off = (gap - gap_mm) / HOLE_U_MM
        log_odds[index][inside] = (ODDS_OF_LIKENESS * likenesses[index] - 0.5 * off**2)[inside]
    best = np.unravel_index(int(log_odds.argmax()), log_odds.shape)
    if likenesses[best] < LEAST_LIKENESS:
        return None
    weights = np.exp(log_odds - log_odds[best])
    clockwise = float((weights * ndtr(arm / axis_u_mm)).sum() / weights.sum())
    return Turn(clockwise, wire.at_px + axis_mm[best[1:]] * wire.px_per_mm)


def _unused(runs: Sequence[Section], ruler: Ruler, heads_px: Sequence[Point]) -> list[quality.Flag]:
    """Return a flag where a head given stands near no end of any run."""
    wires = [leaving(run, at, ruler) for run in runs for at in (0, -1)]
    used = [any(_near(np.asarray(head, float), wire) for wire in wires) for head in heads_px]
    return [] if all(used) else [quality.flag("head-not-used")]


def _near(head_px: Floats, wire: Leaving) -> bool:
    return float(np.hypot(*(head_px - wire.at_px))) < FARTHEST_HEAD_MM * wire.px_per_mm


def _turn(luminance: Picture, run: Section, at: int, ruler: Ruler, heads_px: Sequence[Point]) -> Turn | None:
    wire = leaving(run, at, ruler)
    shift_mm, axis_u_mm = top_to_axis_mm(wire, ruler)
    given = [np.asarray(head, float) for head in heads_px]
    near = min(given, key=lambda head: float(np.hypot(*(head - wire.at_px))), default=None)
    if near is not None and _near(near, wire):
        axis_px = near + shift_mm * wire.px_per_mm
        return Turn(float(ndtr(arm_mm(axis_px, wire) / axis_u_mm)), axis_px)
    hole_px = run.holes_px[at]
    gap_mm = None if hole_px is None else float((wire.at_px - hole_px) @ wire.along) / wire.px_per_mm
    return find_head(luminance, wire, shift_mm, axis_u_mm, gap_mm)


def top_to_axis_mm(wire: Leaving, ruler: Ruler) -> tuple[Floats, float]:
    """Return how far a head's axis at the wire's height is seen from the middle of its top, and what that is good to.

    A point h over the plane is seen at the plane's point C + (X - C) C_z / (C_z - h), with C the camera.
    """
    if ruler.plane.source not in ("card", "id1"):
        return np.zeros(2), AXIS_U_UNKNOWN_STAND_MM
    camera = camera_mm(ruler.plane, *ruler.camera)
    top_mm, wire_mm = ruler.height_mm + TOP_OVER_HOLE_MM, ruler.height_mm
    seen_mm = ruler.plane.to_mm(wire.at_px[None])[0]
    beside_mm = (seen_mm - camera[:2]) * (camera[2] - top_mm) / camera[2]
    below_mm = camera[:2] + beside_mm * camera[2] / (camera[2] - wire_mm)
    shift_px = ruler.plane.to_px(below_mm[None])[0] - wire.at_px
    return np.asarray(shift_px / wire.px_per_mm, float), AXIS_U_MM


def _likenesses(luminance: Picture, wire: Leaving) -> Floats:
    """Return the likeness (R, N, N) of every radius and place to a head's outline, the likeliest shape of each.

    A likeness is the mean over the outline of cos 2 (direction of the edge - direction of the outline), an edge weak
    against the crop's own texture counting less.
    """
    edges = np.asarray(np.fft.rfft2(_edges(luminance, wire), s=(_PADDED, _PADDED)), np.complex64)
    return np.array(
        [
            np.max(
                [np.fft.irfft2((edges * shape).sum(0), s=(_PADDED, _PADDED))[:_SIDE, :_SIDE] for shape in shapes],
                axis=0,
            )
            for shapes in _outlines()
        ]
    )


def _edges(luminance: Picture, wire: Leaving) -> Floats:
    """Return the double-angle direction (2, N, N) of the edges about the wire's end, by their strength from 0 to 1."""
    step_px = wire.px_per_mm / CROP_PX_PER_MM
    corner_px = wire.at_px - (_SIDE - 1) / 2 * step_px
    matrix = np.array([[step_px, 0.0, corner_px[0]], [0.0, step_px, corner_px[1]]])
    calm = cv2.GaussianBlur(luminance, (0, 0), max(0.45 * step_px, 0.6))
    crop = cv2.warpAffine(
        calm, matrix, (_SIDE, _SIDE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    gx, gy = (cv2.Sobel(crop, cv2.CV_32F, *order, ksize=3).astype(np.float64) for order in ((1, 0), (0, 1)))
    squared = gx**2 + gy**2
    strength = np.sqrt(squared)
    weight = strength / (strength + 2 * np.median(strength) + 1e-3) / (squared + 1e-6)
    return np.asarray(np.stack([weight * (gx**2 - gy**2), weight * 2 * gx * gy]), float)


@cache
def _outlines() -> tuple[tuple[NDArray[np.complex64], ...], ...]:
    """Return the conjugate spectra (2, N, N / 2 + 1) of the outlines, a tuple for each radius."""
    shapes = (None, *HEXAGONS_DEG)
    return tuple(tuple(_outline(float(radius), shape) for shape in shapes) for radius in RADII_MM)


def _outline(radius_mm: float, turned_deg: float | None) -> NDArray[np.complex64]:
    angle = np.linspace(0.0, 2 * np.pi, OUTLINE_POINTS, endpoint=False)
    off = np.zeros(OUTLINE_POINTS)  # of a hexagon, from the middle of the flat
    if turned_deg is not None:
        off = (angle - np.radians(turned_deg) + np.pi / 6) % (np.pi / 3) - np.pi / 6
    reach = radius_mm * CROP_PX_PER_MM / np.cos(off)
    column, row = (np.round(reach * part).astype(int) % _PADDED for part in (np.cos(angle), np.sin(angle)))
    drawn = np.zeros((2, _PADDED, _PADDED))
    np.add.at(drawn[0], (row, column), np.cos(2 * (angle - off)) / OUTLINE_POINTS)
    np.add.at(drawn[1], (row, column), np.sin(2 * (angle - off)) / OUTLINE_POINTS)
    return np.asarray(np.conj(np.fft.rfft2(drawn)), np.complex64)


def _pull(tightening: float | None) -> Pull | None:
    if tightening is None or LEAST_PROBABILITY > tightening > 1 - LEAST_PROBABILITY:
        return None
    return "tightens" if tightening > 0.5 else "loosens"


def _both(tightening: Sequence[float | None]) -> float:
    """Return the probability that what is said of both heads is right."""
    return float(np.prod([max(one, 1 - one) for one in tightening if one is not None]))


def _point(turn: Turn | None) -> Point | None:
    return None if turn is None else (round(float(turn.axis_px[0]), 2), round(float(turn.axis_px[1]), 2))
