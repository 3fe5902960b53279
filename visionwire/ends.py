"""Where a twisted section ends, read by a small network off the strip that runs on beyond it.

Where the pattern no longer runs in step is a little before the end, and where the finder no longer sees it a little
beyond: between, the strands part, are cut, or vanish in a hole. The network is shown both, the straightened picture and
what the finder makes of the same place, from some twists before the end to some beyond. It learned from painted
safeties (``fixtures/ends.py``).
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks
from scipy.special import expit, softmax

from visionwire import section
from visionwire.learned import Maps, along
from visionwire.section import MOST_CHANGE, Section
from visionwire.windows import MIDDLE_SPACING, carried_on, evened, straightened

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: The window: so many twists before the end as it is placed and beyond it, in columns.
BEFORE, BEYOND, COLUMNS_A_TWIST = 3.0, 2.5, 16
COLUMNS = int((BEFORE + BEYOND) * COLUMNS_A_TWIST)
#: Where the columns lie, twists beyond the end as it is placed; and the answers, one for two columns.
COLUMNS_AT: Floats = (np.arange(COLUMNS) + 0.5) / COLUMNS_A_TWIST - BEFORE
ANSWERS_AT: Floats = COLUMNS_AT.reshape(-1, 2).mean(1)
#: The picture; twisted, ends and plain wire as the finder sees them; the spacing.
CHANNELS = 5
#: Each value of the picture is the mean of so many squared, so that none is skipped.
FINE = 3
#: The spacing is that of the last so many twists: twist is often packed towards an end.
LOCAL_TWISTS = 3.0

#: An end is read at most so often, and no more once it moves by less than so many twists.
READINGS, SETTLED_TWISTS = 5, 0.3
#: It moves out by so many twists at a time: on the way the line is put on the wire anew.
MOST_OUT_TWISTS = 1.0
#: What the network says with a larger deviation than this, in twists, is left aside.
CANNOT_TELL_U = 0.4
#: An end that was given, or that lies at the picture's edge, is left where it is unless it lies so many twists beyond
#: where the twist is seen to end.
BEYOND_TWISTS = 0.5
#: Where it cannot tell an end it is asked from so far out too, or in, and believed where answers lie so near together.
FARTHER_OUT_TWISTS, FARTHER_IN_TWISTS, ALIKE_TWISTS = (1.0, 2.0), (-1.0, -2.0, -3.0), 0.6
#: Added to its own deviation, which painted safeties flatter: rendered ends were off by 0.07 to 0.17, root mean square.
LEAST_U_TWISTS = 0.16
#: Of the mean of other words: against pictures with truth, where the words agree.
LEAST_WORDS_U_TWISTS = 0.26
#: A pigtail may be followed on past the head, along the strands round it. Where the finder marks an end so far within,
#: it is asked for from so many twists to either side, and lies there where it is told so near to the mark.
MARKED_WITHIN, WITHIN_TWISTS = 0.45, 1.0
ASKED_FROM_TWISTS, NEAR_MARK_TWISTS = (-0.5, 0.0, 0.5), 0.5
#: The finder sees twist where its mark is over this, and an end where that mark is.
ON_SECTION, LEAST_MARK = 0.5, 0.3
#: So near to the picture's edge, in wire diameters, a wire may be cut by that.
EDGE_D, UNKNOWN = 1.0, 0.5


@dataclass(frozen=True)
class End:
    """What is read of one end of a section.

    ``outward_px`` is how far beyond where it was placed it lies, negative where before; ``u_twists`` the standard
    deviation of that, in twists; ``cut`` the probability that the wire was cut there, as at a pigtail's far end.
    """

    outward_px: float
    u_twists: float
    cut: float


def placed(luminance: Picture, seen: Maps, one: Section) -> Section:
    """Return a section with its ends where they are read to be, looked at again from there while they move.

    An end that the network cannot tell is asked for from elsewhere; where that tells nothing it is put by other words,
    once.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    seen : Maps
        What the finder sees.
    one : Section
        The section, its ends where it stops to run in step.

    Returns
    -------
    Section
        Measured anew, with the deviation of its ends and the probabilities that they are cut.
    """
    u = [one.end_u_twists, one.end_u_twists]
    for reading in range(READINGS):
        outward_px, cut = [0.0, 0.0], [0.0, 0.0]
        for at, at_start in enumerate((True, False)):
            end = _told(luminance, seen, one, at_start)
            if end is None:
                cut[at] = UNKNOWN  # it stays there: what the picture's edge cuts looks like a cut end
                continue
            cut[at] = end.cut
            if end.u_twists < CANNOT_TELL_U:
                outward_px[at] = min(end.outward_px, MOST_OUT_TWISTS * spacing_px(one, at_start))
                u[at] = float(np.hypot(LEAST_U_TWISTS, end.u_twists))
            elif reading == 0:
                outward_px[at], u_words = _end_by_words(seen, one, at_start)
                u[at] = max(u_words, end.u_twists)  # words may agree where there is nothing to tell
        moved = section.with_ends_moved(luminance, one, np.array(outward_px))
        slipped = not 1 / MOST_CHANGE < moved.px_per_twist / one.px_per_twist < MOST_CHANGE
        if moved is one or slipped:
            break  # what was measured before is nearer
        one = dataclasses.replace(moved, end_u_twists=float(np.sqrt(np.mean(np.square(u)))))
        if np.abs(outward_px).max() < SETTLED_TWISTS * one.px_per_twist:
            break
    # What was read as cut from farther in stays so where it came out to the edge; of a run that may be cut by it.
    at_edge = [_at_edge(luminance, one, at_start) for at_start in (True, False)]
    first, last = (max(cut[at], UNKNOWN) if at_edge[at] else cut[at] for at in (0, 1))
    return _without_way_on(luminance, seen, dataclasses.replace(one, cut=(first, last)))


def _without_way_on(luminance: Picture, seen: Maps, one: Section) -> Section:
    """Return a section that is cut at one end without what it was followed along beyond its other, if anything."""
    if one.cut is None or one.twists > section.MOST_PIGTAIL_TWISTS or sum(cut > UNKNOWN for cut in one.cut) != 1:
        return one
    at_start = one.cut[1] > one.cut[0]
    spacing = spacing_px(one, at_start)
    for place_px in _marks_within(seen, one, at_start):
        twists_out = tuple(twists - place_px / spacing for twists in ASKED_FROM_TWISTS)
        end = _from_elsewhere(luminance, seen, one, at_start, twists_out)
        if end is not None and abs(end.outward_px + place_px) < NEAR_MARK_TWISTS * spacing:
            there = section.with_ends_moved(luminance, one, _outward(end.outward_px, at_start))
            u = np.array([np.hypot(LEAST_U_TWISTS, end.u_twists), one.end_u_twists])
            cut = (end.cut, one.cut[1]) if at_start else (one.cut[0], end.cut)
            return dataclasses.replace(there, cut=cut, end_u_twists=float(np.sqrt(np.mean(np.square(u)))))
    return one


def _marks_within(seen: Maps, one: Section, at_start: bool) -> list[float]:
    """Return how far in from an end the finder marks others within a section, px, the farthest first."""
    spine_px = one.spine_px if at_start else one.spine_px[::-1]
    step_px = one.strip.step_d * one.strip.diameter_px
    mark = along(seen.ends, seen.scale, spine_px)
    margin = int(WITHIN_TWISTS * one.px_per_twist / step_px)
    peaks, _ = find_peaks(mark, height=MARKED_WITHIN, distance=max(margin, 1))
    return [float(at * step_px) for at in peaks[::-1] if margin < at < len(mark) - margin]


def _told(luminance: Picture, seen: Maps, one: Section, at_start: bool) -> End | None:
    """Return what is read of an end, from elsewhere where it cannot be told; None where the picture's edge cuts it."""
    if _at_edge(luminance, one, at_start):
        inside = _from_elsewhere(luminance, seen, one, at_start, FARTHER_IN_TWISTS)
        return inside if inside and inside.outward_px < -BEYOND_TWISTS * spacing_px(one, at_start) else None
    end = read(luminance, seen, one, at_start)
    if end.u_twists < CANNOT_TELL_U:
        return end
    others = (_from_elsewhere(luminance, seen, one, at_start, out) for out in (FARTHER_IN_TWISTS, FARTHER_OUT_TWISTS))
    return next((other for other in others if other is not None), end)  # the first end, for twist has no gaps


def _from_elsewhere(
    luminance: Picture, seen: Maps, one: Section, at_start: bool, twists_out: tuple[float, ...]
) -> End | None:
    """Return the end as it is read from so many twists farther out each, or None where no two of these have it alike.

    A walk may have gone on along a leg, or stopped short, by more than what is shown of an end.
    """
    spacing, told = spacing_px(one, at_start), []
    for twists in twists_out:
        moved = section.with_ends_moved(luminance, one, _outward(twists * spacing, at_start))
        if moved is one or moved.twists < section.FEWEST_TWISTS:
            continue
        end = read(luminance, seen, moved, at_start)
        if end.u_twists < CANNOT_TELL_U:
            told.append(dataclasses.replace(end, outward_px=end.outward_px + twists * spacing))
    near_px = ALIKE_TWISTS * spacing
    alike = [end for end in told if sum(abs(end.outward_px - other.outward_px) < near_px for other in told) > 1]
    if not alike:
        return None
    best = min(alike, key=lambda end: end.u_twists)
    spread = float(np.std([end.outward_px for end in alike])) / spacing
    return dataclasses.replace(best, u_twists=float(np.hypot(best.u_twists, spread)))


def _outward(px: float, at_start: bool) -> Floats:
    """Return by how much a section's start and its end move out where one of them does by so many px."""
    return np.array([px, 0.0] if at_start else [0.0, px])


def taken_in(luminance: Picture, seen: Maps, one: Section) -> Section:
    """Return a section between ends that were given, one that surely lies beyond the twist taken in to where that ends.

    Given ends are rarely put so near that a leg or a head is not measured with the twist. An end within it is left:
    a part of a run may be meant.

    Parameters
    ----------
    luminance, seen
        As in `placed`.
    one : Section
        The section from one given end to the other.
    """
    u = [0.0, 0.0]
    for _ in range(READINGS):
        outward_px = [0.0, 0.0]
        for at, at_start in enumerate((True, False)):
            end = read(luminance, seen, one, at_start)
            if end.u_twists < CANNOT_TELL_U and end.outward_px < -BEYOND_TWISTS * spacing_px(one, at_start):
                outward_px[at], u[at] = end.outward_px, float(np.hypot(LEAST_U_TWISTS, end.u_twists))
        moved = section.with_ends_moved(luminance, one, np.array(outward_px)) if any(outward_px) else one
        if moved is one:
            break
        one = dataclasses.replace(moved, end_u_twists=float(np.sqrt(np.mean(np.square(u)))), taken_in=True)
    return one


def _at_edge(luminance: Picture, one: Section, at_start: bool) -> bool:
    """Whether an end lies at the picture's edge: of what is beyond that nothing is known."""
    x, y = one.spine_px[0 if at_start else -1]
    height, width = luminance.shape
    return bool(min(x, y, width - 1 - x, height - 1 - y) < EDGE_D * one.strip.diameter_px)


def _end_by_words(seen: Maps, one: Section, at_start: bool) -> tuple[float, float]:
    """Return how far beyond where it ends in step a section ends, px, and the standard deviation of that, twists.

    The mean of where it ends in step, which is a little early, where the finder sees it end, a little late, and of the
    finder's mark of an end, where it makes one. It is nearer than any of them, the nearer the closer they lie.
    """
    spine_px = one.spine_px[::-1] if at_start else one.spine_px
    step_px = one.strip.step_d * one.strip.diameter_px
    reach = min(round(one.px_per_twist / step_px), len(spine_px) - 1)
    line_px = np.vstack([spine_px[-reach:], section.beyond(one, spine_px, step_px, reach)])
    off = along(seen.twisted, seen.scale, line_px) < ON_SECTION
    mark = along(seen.ends, seen.scale, line_px)
    said = [reach, int(off.argmax()) if off.any() else len(off)]
    if mark.max() > LEAST_MARK:
        said.append(int(mark.argmax()))
    return (float(np.mean(said)) - reach) * step_px, float(np.hypot(LEAST_WORDS_U_TWISTS, np.std(said) / reach))


def read(luminance: Picture, seen: Maps, one: Section, at_start: bool) -> End:
    """Return what the network reads of one end of a section.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    seen : Maps
        What the finder sees.
    one : Section
        The section, its end within two twists of where it lies.
    at_start : bool
        Which of its ends.
    """
    shown, _ = window(luminance, seen, one, at_start)
    network = _network()
    network.setInput(shown[None])
    said = np.asarray(network.forward(), float).ravel()
    probability = softmax(said[:-1])
    mean = float(probability @ ANSWERS_AT)
    u = float(np.sqrt(probability @ (ANSWERS_AT - mean) ** 2))
    return End(mean * spacing_px(one, at_start), u, float(expit(said[-1])))


def window(luminance: Picture, seen: Maps, one: Section, at_start: bool) -> tuple[Picture, Floats]:
    """Return what the network is shown of one end.

    Parameters
    ----------
    luminance, seen, one, at_start
        As in `read`.

    Returns
    -------
    shown : (CHANNELS, ROWS, COLUMNS) float32 array
        Every pair as one of S twist.
    line_px : (COLUMNS, 2) float array
        The middle row, in the photograph.
    """
    diameter_px, spacing = one.strip.diameter_px, spacing_px(one, at_start)
    line, normal, end_px = _line(one, at_start, spacing)
    if one.twist.lay == "Z":
        normal = -normal
    columns_px = ((np.arange(COLUMNS * FINE) + 0.5) / (COLUMNS_A_TWIST * FINE) - BEFORE) * spacing + end_px
    maps = (seen.twisted, seen.ends, seen.plain)
    picture, marks, middle_px = straightened(luminance, maps, seen.scale, (line, normal), columns_px, diameter_px, FINE)
    evened_ = evened(picture, slice(int(BEFORE * COLUMNS_A_TWIST)))
    spacings = np.full(picture.shape, np.log(spacing / diameter_px) - MIDDLE_SPACING)
    return np.stack([evened_, *marks, spacings]).astype(np.float32), middle_px


def spacing_px(one: Section, at_start: bool) -> float:
    """Return the mean distance of the crossings over the last twists before an end, px."""
    phase = one.twist.phase[one.first : one.last + 1] / (2 * np.pi)
    away = np.abs(phase - phase[0 if at_start else -1])
    near = away <= LOCAL_TWISTS
    columns = max(int(near.sum()) - 1, 1)
    return columns * one.strip.step_d * one.strip.diameter_px / max(float(away[near].max()), 0.5)


def _line(one: Section, at_start: bool, spacing: float) -> tuple[Floats, Floats, float]:
    """Return a line (N, 2) through a section's end and on, the normals to it, and where on it that end is."""
    spine_px = one.spine_px[::-1] if at_start else one.spine_px
    step_px = one.strip.step_d * one.strip.diameter_px
    before, after = (int((twists + 1) * spacing / step_px) + 2 for twists in (BEFORE, BEYOND))
    line, normal, at_px = carried_on(one, spine_px, before, after)
    return line, normal, float(at_px[before + len(spine_px) - 1])


@functools.cache
def _network() -> cv2.dnn.Net:
    weights = resources.files("visionwire.model").joinpath("ends.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))
