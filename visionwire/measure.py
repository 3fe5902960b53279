"""The whole way in one page: a photograph in, a reading or a refusal out.

scale -> where twisted wire may be -> spine -> strip -> twist -> safety -> budget -> judge -> reading
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real
from pathlib import Path
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Card, find_card
from calibration.plane import Plane
from visionwire import (
    assemble,
    budget,
    gates,
    octave,
    parts,
    pattern,
    pigtail,
    quality,
    routing,
    safety,
    scale,
    scan,
    turnbuckle,
    width,
    wraps,
)
from visionwire.budget import Ruler
from visionwire.evidence import Evidence
from visionwire.helix import THICKEST_IN, THINNEST_IN
from visionwire.limits import LimitSet, density_band, load_limits
from visionwire.photo import Photo, from_array, open_photo, read_photo
from visionwire.reading import Point, Reading, Refusal, Tightens
from visionwire.section import Section

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
Method = Literal["double", "single", "wraps"]

LEAST_APART_PX = 20.0
#: Of single wire what looks like a twist is looked at so far: a pattern that begins and ends at it may prove it.
LEAST_BELIEF_SINGLE = 0.3
#: The least of twists that the longest section must show: a run's, or those of a pigtail alone. Unaided a run has as
#: many as `safety.FEWEST_RUN_TWISTS`: fewer are a pigtail whose run was missed.
FEWEST_TWISTS: dict[Method, float] = {"double": 3.0, "single": 1.5}
#: The least that one wrap of a turnbuckle must span.
LEAST_PX_PER_WRAP = 6.0


@dataclass(frozen=True, eq=False)
class _Told:
    """What was said beside the photograph, and what else in view contradicts the scale that was."""

    wire_in: float | None
    hints: Floats | None
    limits: LimitSet
    finders: tuple[scan.Finder, ...]
    method: Method
    tightens: Tightens | None
    heads: Sequence[Point]
    height_mm: float | None
    differs: quality.Flag | None


def measure(
    photo: Photo | str | Path | bytes | NDArray[np.uint8],
    limits: LimitSet | str | Path = "common",
    wire: float | None = None,
    *,
    card: Card | None = None,
    start: Point | None = None,
    end: Point | None = None,
    two_points: tuple[float, float, float, float, float] | None = None,
    finders: tuple[scan.Finder, ...] = scan.BOTH,
    method: Method = "double",
    tightens: Tightens | None = None,
    heads: Sequence[Point] = (),
    height_mm: float | None = None,
) -> Reading | Refusal:
    """Read one photograph.

    Parameters
    ----------
    photo : Photo, path, bytes or (H, W, 3) uint8 array
        The picture; an array is taken as upright RGB.
    limits : LimitSet, name or path
        What is allowed.
    wire : float, optional
        Wire diameter, inches.
    card : Card, optional
        The card to look for; any known one unless given.
    start, end : (x, y), optional
        The two ends of one run, px of the upright picture.
    two_points : (x1, y1, x2, y2, inches), optional
        Two points, px, and the distance between them.
    finders : tuple of {"learned", "classical"}
        Who looks for the wire.
    method : {"double", "single", "wraps"}
        How the safety is made; of single wire the twisted end is read, as a pigtail, and the closed pattern traced;
        "wraps" are those of a turnbuckle, on whose long axis ``start`` and ``end`` lie.
    tightens : {"clockwise", "counter-clockwise"}, optional
        Which way the fasteners tighten, looked at from above; then the reading says whether the runs pull that way.
    heads : sequence of (x, y)
        The middles of heads as seen, px; where none is given for an end of a run, one is looked for.
    height_mm : float, optional
        How far the wire's axis lies over the card's face, negative below it, to a millimetre; 0 to 4 unless given.

    Returns
    -------
    Reading or Refusal
        A refusal is false in a condition.

    Raises
    ------
    PhotoError
        If the picture cannot be read.
    LimitsError
        If the limit set cannot be used, or has no band for the wire.
    ValueError
        If only one of ``start`` and ``end`` is given, they lie outside the picture or too close, the two points lie too
        close, ``wire`` is no diameter of lock wire, ``height_mm`` no height over a card or given with two points,
        ``card``, ``finders`` or ``method`` is none that there is, or ``tightens`` is neither way or given with another
        method.
    """
    limit_set = limits if isinstance(limits, LimitSet) else load_limits(limits)
    if isinstance(photo, np.ndarray):
        opened = from_array(photo)
    elif isinstance(photo, bytes):
        opened = read_photo(photo, "bytes")
    else:
        opened = photo if isinstance(photo, Photo) else open_photo(photo)
    return measure_with_evidence(
        opened,
        limits=limit_set,
        wire_in=wire,
        card=card,
        start=start,
        end=end,
        two_points=two_points,
        finders=finders,
        method=method,
        tightens=tightens,
        heads=heads,
        height_mm=height_mm,
    )[0]


def measure_with_evidence(
    photo: Photo,
    *,
    limits: LimitSet,
    wire_in: float | None = None,
    card: Card | None = None,
    start: Point | None = None,
    end: Point | None = None,
    two_points: tuple[float, float, float, float, float] | None = None,
    finders: tuple[scan.Finder, ...] = scan.BOTH,
    method: Method = "double",
    tightens: Tightens | None = None,
    heads: Sequence[Point] = (),
    height_mm: float | None = None,
) -> tuple[Reading | Refusal, Evidence | None]:
    """Read one photograph and keep what a sheet draws; parameters as in `measure`."""
    hints = _hints(photo, start, end)
    _require_known(wire_in, card, finders, method)
    _require_height(height_mm, two_points)
    _require_routable(tightens, heads, method)
    if method == "wraps" and hints is None:  # before what the picture lacks: whatever it shows, it is not read so
        return dataclasses.replace(quality.refuse("turnbuckle-not-pointed"), photo=photo.info), None
    if method == "double":
        density_band(limits, wire_in)  # a set without a band for this wire says so before the picture is looked at
    gray = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    plane, cell_px = scale.plane_of(photo, gray, card, two_points)
    if plane is None and card is not None and (other := find_card(gray, None, photo.focal_px)) is not None:
        refusal = quality.refuse("other-card", asked=card.name, seen=other.card.name)
        return dataclasses.replace(refusal, photo=photo.info), None
    problem = scale.problem(plane, cell_px, wire_in, photo.size_px)  # false when it is one: a refusal is
    if problem is None:
        problem = scale.height_problem(photo, plane, height_mm)
    differs = None if two_points is None or plane is None else scale.against_card(photo, gray, card, plane)
    result = (
        _way(photo, gray, plane, _Told(wire_in, hints, limits, finders, method, tightens, heads, height_mm, differs))
        if problem is None
        else problem
    )
    options = {"--start": hints is not None, "--scale": two_points is not None, "--head": len(heads) > 0}
    given = [option for option, is_told in options.items() if is_told]
    if isinstance(result, Refusal):
        refused = quality.heeding(result, given)
        if refused.code == "no-twisted-wire":
            refused = gates.with_likely_cause(refused, gray.astype(np.float32), plane, scale.usual_twist_px(plane))
        slip = None if differs is None else differs.sentence
        needless_wire_in = None if plane is None else wire_in
        by_points = None if two_points is None or plane is None else scale.px_per_in(plane)
        refused = quality.with_slips(refused, needless_wire_in, by_points, slip, method == "double")
        return dataclasses.replace(refused, photo=photo.info), None
    read, evidence = result
    if height_mm is not None:
        told = {**read.made_by["parameters"], "height_mm": height_mm}
        read = dataclasses.replace(read, made_by={**read.made_by, "parameters": told})
        read = quality.noted(read, [quality.flag("height-without-card")] if plane is None else [])
    return quality.heeding(read, given), evidence


def _way(photo: Photo, gray: NDArray[np.uint8], plane: Plane | None, told: _Told) -> tuple[Reading, Evidence] | Refusal:
    luminance = gray.astype(np.float32)
    if told.method == "wraps":
        return _wrapped(photo, luminance, plane, told)
    problem = scale.size_problem(luminance.shape, plane, told.wire_in, told.hints)
    if problem is not None:
        return problem
    least_belief = LEAST_BELIEF_SINGLE if told.method == "single" else None
    found = width.sections(luminance, plane, told.wire_in, told.hints, told.finders, least_belief)
    found = [octave.mended(photo.pixels, one) for one in found]
    fewest = (
        FEWEST_TWISTS[told.method] if told.hints is not None or told.method == "single" else safety.FEWEST_RUN_TWISTS
    )
    sections = scan.readable(found, told.hints, fewest)
    if isinstance(sections, Refusal):
        return _too_far(found[0], plane, photo.size_px) if sections.code == "twist-too-small" else sections
    ruler = scale.ruler_of(photo, plane, luminance, sections[0], told.wire_in, told.height_mm)
    if isinstance(ruler, Refusal):
        return ruler
    card_px = None if plane is None or plane.outline_px is None else plane.outline_px.mean(0)
    px_per_in = ruler.px_per_in(sections[0].spine_px.mean(0))
    traced = None
    if told.method == "single":
        single = _single(luminance, sections, ruler, px_per_in, told.wire_in, told.finders)
        if isinstance(single, Refusal):
            return single
        whole, traced = single
    else:
        pointed_at = None if told.hints is None else sections[0]
        whole = safety.join(sections + scan.small_tails(found), px_per_in, card_px, pointed_at)
        if any(run not in sections for run in whole.runs):  # what is small may be a pigtail, and no run
            whole = safety.join(sections, px_per_in, card_px, pointed_at)
        if not whole.runs:
            return quality.refuse("run-unclear" if safety.pigtail_alone(sections) else "no-twisted-wire")
        if whole.pigtail is None and "learned" in told.finders:
            whole = pigtail.beside(luminance, whole, px_per_in)
    read, evidence = assemble.reading(photo, luminance, told.limits, told.wire_in, ruler, whole, traced, told.differs)
    if told.tightens is not None:
        read = routing.added(read, luminance, whole.runs, ruler, told.tightens, told.heads)
        evidence = dataclasses.replace(evidence, axes_px=routing.axes_px(read))
    return read, evidence


def _too_far(first: Section, plane: Plane | None, size: tuple[int, int]) -> Refusal:
    """Return the refusal of too small a twist with a distance at which all stays in view and no other retake is due."""
    wanted = (first.px_per_twist, scan.LEAST_PX_PER_TWIST, parts.FULL_PX_PER_TWIST)
    percent, fits = gates.nearer(*wanted, gates.with_card_px(first.spine_px, plane), size)
    refusal = quality.refuse("twist-too-small", px_per_twist=wanted[0], needed_px=wanted[1], percent=percent)
    return refusal if fits or plane is None or plane.outline_px is None else scale.with_card_closer(refusal)


def _single(
    luminance: Picture,
    sections: list[Section],
    ruler: Ruler,
    px_per_in: float,
    wire_in: float | None,
    finders: tuple[scan.Finder, ...],
) -> tuple[safety.Safety, pattern.Traced | None] | Refusal:
    """Return the twisted end of single wire and its pattern, where that can be traced."""
    tails = [one for one in safety.twisted_ends(sections, px_per_in) if one.twists >= FEWEST_TWISTS["single"]]
    ringed = None
    if tails and "learned" in finders:
        diameter_px = tails[0].strip.diameter_px if wire_in is None else wire_in * px_per_in
        ringed = pattern.with_twisted_end(luminance, tails, diameter_px, px_per_in, ruler.plane.outline_px)
    # Where no pattern tells the twisted end, that and what else is there must be believed by themselves.
    least = scan.LEAST_BELIEF_BESIDE if ringed is None else scan.LEAST_BELIEF
    if any(one.belief > least and safety.length_px(one) > safety.LONGEST_PIGTAIL_IN * px_per_in for one in sections):
        return quality.refuse("run-in-single")
    if ringed is not None:
        return safety.Safety((), ringed[0]), ringed[1]
    if not tails or tails[0].belief < scan.LEAST_BELIEF:
        return quality.refuse("no-twisted-end")
    return safety.Safety((), tails[0]), None


def _wrapped(photo: Photo, luminance: Picture, plane: Plane | None, told: _Told) -> tuple[Reading, Evidence] | Refusal:
    """Return the reading of a turnbuckle's wraps between the two points given."""
    wire_in, hints = told.wire_in, told.hints
    assert hints is not None  # asked for before
    ruler = None if plane is None else budget.beside(plane, photo.focal_px, photo.size_px, told.height_mm)
    diameter_px = None if ruler is None or wire_in is None else wire_in * ruler.px_per_in(hints.mean(0))
    if diameter_px is not None and diameter_px < LEAST_PX_PER_WRAP:
        wanted = (diameter_px, LEAST_PX_PER_WRAP, LEAST_PX_PER_WRAP)
        percent, _ = gates.nearer(*wanted, gates.with_card_px(hints, plane), photo.size_px)
        return quality.refuse("wraps-too-small", spacing_px=diameter_px, needed_px=LEAST_PX_PER_WRAP, percent=percent)
    if diameter_px is not None and diameter_px > scale.WIDEST_WIRE * min(luminance.shape):
        return quality.refuse("scale-implausible", diameter_px=diameter_px)
    coils = wraps.find(luminance, hints[0], hints[1], diameter_px, photo.focal_px)
    if coils is None:
        return quality.refuse("no-wraps")
    if ruler is None:
        if wire_in is None:
            return quality.refuse("no-scale")
        spacing_px = float(np.mean([coil.spacing_px for coil in coils]))
        seen_px = spacing_px / wraps.USUAL_SPACING_D
        ruler = budget.of_wire(wire_in, seen_px, wraps.USUAL_SPACING_U * seen_px, hints.mean(0), photo.size_px)
    read, evidence = turnbuckle.reading(photo, told.limits, wire_in, ruler, coils)
    # Turns are counted whatever the scale.
    return quality.noted(read, [] if told.differs is None else [told.differs]), evidence


def _hints(photo: Photo, start: Point | None, end: Point | None) -> Floats | None:
    if (start is None) != (end is None):
        raise ValueError("start and end must be given together; give both ends of the run or neither")
    if start is None or end is None:
        return None
    hints = np.array([start, end], float)
    width, height = photo.size_px
    inside = np.isfinite(hints) & (hints >= 0) & (hints <= np.array([width, height]) - 1)
    if not inside.all():
        raise ValueError(f"start {start} and end {end} must lie inside the picture, which is {width} x {height} px")
    if float(np.hypot(*(hints[1] - hints[0]))) < LEAST_APART_PX:
        raise ValueError(
            f"start {start} and end {end} lie closer than {LEAST_APART_PX:g} px; give both ends of the run"
        )
    return hints


def _require_height(height_mm: object, two_points: object) -> None:
    if height_mm is not None and two_points is not None:
        raise ValueError("height_mm is of a card, and two_points are taken in its place; give one of them")
    low, high = budget.LEAST_HEIGHT_MM, budget.MOST_HEIGHT_MM
    if height_mm is not None and not (isinstance(height_mm, Real) and low <= float(height_mm) <= high):
        raise ValueError(
            f"height_mm is {height_mm!r}; it must be a number of millimetres, {low:g} to {high:g}, such as 0"
        )


def _require_known(wire_in: object, card: object, finders: object, method: object) -> None:
    """Raise what a reader of a notebook can mend at once, where words of the command were taken for those of Python."""
    if wire_in is not None and not (isinstance(wire_in, Real) and THINNEST_IN <= float(wire_in) <= THICKEST_IN):
        raise ValueError(
            f"wire is {wire_in!r}; it must be a number of inches, {THINNEST_IN:g} to {THICKEST_IN:g}, such as 0.032"
        )
    if not isinstance(card, Card | None):
        raise ValueError(f"card is {card!r}; it must be a Card, such as calibration.load_card('pocket')")
    if not isinstance(finders, tuple) or not finders or any(one not in scan.BOTH for one in finders):
        raise ValueError(f"finders is {finders!r}; it must be a tuple of some of {scan.BOTH}")
    if method not in get_args(Method):
        raise ValueError(f"method is {method!r}; it must be one of {', '.join(get_args(Method))}")


def _require_routable(tightens: Tightens | None, heads: Sequence[Point], method: Method) -> None:
    if tightens not in (None, "clockwise", "counter-clockwise"):
        raise ValueError(f"tightens is {tightens!r}; it must be clockwise or counter-clockwise")
    if tightens is not None and method != "double":
        raise ValueError(f"tightens is of use with method double, not {method}; leave it out")
    if tightens is None and len(heads):
        raise ValueError("heads are of use only with tightens; say clockwise for right-hand threads")
