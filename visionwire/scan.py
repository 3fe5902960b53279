"""What twisted sections a picture holds, and which of them to believe."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import find, quality, safety, section, spine
from visionwire.budget import MM_PER_IN
from visionwire.reading import Refusal
from visionwire.section import Section

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Where the wire is not named: between the common .020 and .041 in.
USUAL_WIRE_IN = 0.030
#: Of a usual wire's diameter, where none is named: a count holds from half to one and a half times the true one.
SHARES_TRIED = (0.6, 1.0, 1.7, 2.9)
MOST_CANDIDATES = 9
LEAST_PX_PER_TWIST = 12.0
FEWEST_TWISTS = 3.0

# Thresholds set on rendered and painted scenes, look-alikes among them (`python -m tests.benchmarks.report`).
LEAST_GAIN = 0.1
#: Crossings closer than this would be over 16 twists per inch of .032 wire; springs and knurls are.
CLOSEST_D = 1.95
LEAST_RUN_WEIGHT, LARGEST_RUN_NULL, LEAST_RUN_GEOMETRY = 1.0, 0.65, 0.22
#: Nothing beside it looks like a pair: then half the geometry will do.
SMALL_RUN_NULL, LEAST_GEOMETRY_ALONE = 0.35, 0.1
LEAST_TAIL_WEIGHT, LARGEST_TAIL_NULL, LEAST_TAIL_GEOMETRY = 0.6, 0.78, 0.33
LEAST_HINTED_WEIGHT, LEAST_HINTED_GEOMETRY, LEAST_HINTED_EVIDENCE = 0.6, -0.05, 0.13


def sections(
    luminance: Picture, diameter_px: float, plane: Plane | None, hints: Floats | None
) -> tuple[list[Section], list[Section]]:
    """Return the sections that may be runs, the hinted one first, and shorter ones that may be a pigtail.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    diameter_px : float
        Wire diameter in the picture, known or guessed; half to one and a half times the true one works.
    plane : Plane or None
        Where the card lies nothing is looked for.
    hints : (2, 2) float array or None
        Ends of one run, px.
    """
    ribbon = find.ribbon(luminance, diameter_px)
    forbidden = None if plane is None else _card_mask(plane, ribbon)
    hinted = [] if hints is None else _between(luminance, ribbon, hints, diameter_px)
    if hints is not None and not hinted:
        return [], []
    lines = find.candidates(ribbon, forbidden, MOST_CANDIDATES)
    free = [one for line in lines for one in section.within(luminance, line, diameter_px) if _may_be_pair(one)]
    free = safety.joined_up(luminance, safety.without_overlap(free, hinted))
    nulls = [section.beside(luminance, one) / max(one.score, 1e-6) for one in free]
    runs = [one for one, null in zip(free, nulls, strict=True) if _is_run(one, null)]
    tails = [one for one, null in zip(free, nulls, strict=True) if one not in runs and _is_tail(one, null)]
    return hinted + runs, tails


def problem(runs: list[Section], hints: Floats | None) -> Refusal | None:
    """Return why what was found cannot be read, or None."""
    if not runs:
        return quality.refuse("no-twisted-wire" if hints is None else "not-twisted")
    main = runs[0]
    if hints is not None:
        if safety.weight(main) < LEAST_HINTED_WEIGHT or main.twist.geometry < LEAST_HINTED_GEOMETRY:
            return quality.refuse("not-twisted")
        if main.gain * safety.weight(main) < LEAST_HINTED_EVIDENCE:
            return quality.refuse("twist-unclear")
    if main.px_per_twist < LEAST_PX_PER_TWIST:
        percent = 100 * main.px_per_twist / LEAST_PX_PER_TWIST
        return quality.refuse(
            "twist-too-small", px_per_twist=main.px_per_twist, needed_px=LEAST_PX_PER_TWIST, percent=percent
        )
    if main.twists < FEWEST_TWISTS:
        return quality.refuse("too-few-twists", twists=main.twists, needed=FEWEST_TWISTS)
    return None


def diameter_px(shape: tuple[int, int], plane: Plane, wire_in: float | None, hints: Floats | None) -> float:
    """Return the wire's diameter in the picture as the scale has it; a common wire where none is named."""
    height, width = shape
    middle = np.array([width / 2, height / 2]) if hints is None else hints.mean(0)
    return plane.px_per_mm(middle) * MM_PER_IN * (wire_in or USUAL_WIRE_IN)


def likeliest_diameter_px(luminance: Picture, hints: Floats, usual_px: float) -> float:
    """Return the diameter, of some around a usual one, for which the line between the hints looks most like a pair."""
    best_px, most = usual_px, -np.inf
    for diameter_px in (share * usual_px for share in SHARES_TRIED):
        for one in _between(luminance, find.ribbon(luminance, diameter_px), hints, diameter_px):
            evidence = one.gain * safety.weight(one)
            if evidence > most:
                best_px, most = diameter_px, evidence
    return best_px


def _between(luminance: Picture, ribbon: find.Ribbon, hints: Floats, diameter_px: float) -> list[Section]:
    if float(np.hypot(*(hints[1] - hints[0]))) < 2 * section.SHORTEST_D * diameter_px:
        return []  # too short for a twist to show
    return [section.whole(luminance, spine.between(ribbon, *hints), diameter_px)]


def _may_be_pair(one: Section) -> bool:
    closest_px = CLOSEST_D * one.strip.diameter_px
    return safety.weight(one) > LEAST_TAIL_WEIGHT and one.gain > LEAST_GAIN and one.px_per_twist > closest_px


def _is_run(one: Section, null: float) -> bool:
    if safety.weight(one) < LEAST_RUN_WEIGHT or null > LARGEST_RUN_NULL:
        return False
    least = LEAST_GEOMETRY_ALONE if null < SMALL_RUN_NULL else LEAST_RUN_GEOMETRY
    return one.twist.geometry > least


def _is_tail(one: Section, null: float) -> bool:
    return null < LARGEST_TAIL_NULL and one.twist.geometry > LEAST_TAIL_GEOMETRY


def _card_mask(plane: Plane, ribbon: find.Ribbon) -> NDArray[np.bool_] | None:
    if plane.outline_px is None:
        return None
    mask = np.zeros(ribbon.strength.shape, np.uint8)
    outline = np.round(find.to_maps(plane.outline_px, ribbon.scale)).astype(np.int32)
    cv2.fillPoly(mask, [outline.reshape(-1, 1, 2)], 1)
    edge = int(2 * ribbon.diameter) | 1
    return cv2.dilate(mask, np.ones((edge, edge), np.uint8)).astype(bool)
