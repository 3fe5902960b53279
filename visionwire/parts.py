"""The parts of a reading, each measured, judged and flagged by itself: runs, the pigtail, a closed pattern."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import cues, doubt, gates, judge, layout, look, outline, quality, safety, sharpness
from visionwire.budget import Ruler
from visionwire.density import Density, density_of
from visionwire.layout import Laid, Measured
from visionwire.limits import LimitSet
from visionwire.pattern import Traced
from visionwire.photo import Photo
from visionwire.reading import Check, LookHere, Pattern, Pigtail, Point, Run, Term
from visionwire.section import Section
from visionwire.strip import COLUMNS_PER_DIAMETER
from visionwire.twist import Lay

Floats = NDArray[np.float64]

OTHER_LAY: dict[Lay, Lay] = {"S": "Z", "Z": "S"}
FULL_PX_PER_TWIST = 25.0
#: Of a closed pattern's length, a fastener: where in its head the wire bends is not seen.
PATTERN_U_IN = 0.045
FULL_TWISTS = 10.0
#: Of a pigtail's count: with 1, its intervals held the truth in 94 % of 505 painted scenes of bare wire. With what
#: loose twist adds, 0.88 of the deviation would do overall (`python -m tests.benchmarks.coverage --from` prints it),
#: but not under blur.
PIGTAIL_WIDENED = 1.1
#: Crossings farther apart than this, in wire diameters, are beyond what the finder learned from: it sees such a pigtail
#: end early. With the count's deviation growing by this power of it, 94 % of the intervals would have held the truth on
#: 125 such painted scenes, the even ones of seed 91000, where 82 % had; on 132 odd ones 95 %, where 88 % had.
LOOSE_PIGTAIL_D = 7.0
#: Added to what the network states of its count, in twists, which painted pigtails flatter.
LEAST_COUNTED_U = 0.2
#: Phase and network differ beyond chance where by more than so many standard deviations of that.
MOST_APART = 2.5


@dataclass(frozen=True, eq=False)
class Given:
    """What every part of a reading is made by."""

    photo: Photo
    luminance: NDArray[np.float32]
    limits: LimitSet
    wire_in: float | None
    ruler: Ruler


@dataclass(frozen=True, eq=False)
class RunRead:
    """One run, how it lies between its holes, its checks, and what is to be said of it."""

    run: Run
    laid: Laid
    checks: list[Check]
    flags: list[quality.Flag]


@dataclass(frozen=True, eq=False)
class PigtailRead:
    """The pigtail, its checks, and what is to be said of it."""

    pigtail: Pigtail
    checks: list[Check]
    flags: list[quality.Flag]


def run_of(given: Given, one: Section, number: int, alone: bool, card_blur: sharpness.Blur | None) -> RunRead:
    """Measure one run, hold it against the limits, and note what a person should know of it."""
    ruler, plane = given.ruler, given.ruler.plane
    seen = outline.wire_diameter_px(given.luminance, one)
    run_ruler, disagreement = cues.fused(ruler, seen, given.wire_in, one.spine_px)
    density = density_of(one, run_ruler)
    as_laid = layout.laid(density, run_ruler)
    checks = _run_checks(as_laid, f"run {number}", given.limits, given.wire_in)
    wire = _wire_in(seen, one, ruler)
    flags = _run_flags(as_laid, ruler, "the run" if alone else f"run {number}")
    flags += [] if disagreement is None else [disagreement]
    if gates.run_cut_off(one, ruler.image_size):
        checks = [judge.of_a_part(check) for check in checks]
        flags.insert(0, quality.flag("run-cut-off", run=number))  # why nothing is called comes first
    flags += gates.run_flags(given.luminance, plane, one, card_blur)
    if one.doubted:
        flags.append(quality.flag("finders-disagree"))
    if wire is None and plane.source != "wire":
        flags.append(quality.flag("wire-diameter-not-measured"))
    places = _look_here(one, density.length_in)
    flags += [quality.flag("look-here", run=number, at_in=place.at_in, what=place.what) for place in places]
    copper = look.copper_probability(given.photo.pixels, one, plane)
    run = _run(as_laid, wire, copper, places, checks[0], flags, lay_on_part(one.twist.lay, plane))
    return RunRead(run, as_laid, checks, flags)


def _run_checks(as_laid: Laid, name: str, limits: LimitSet, wire_in: float | None) -> list[Check]:
    """Return the run's checks, that of its mean density first."""
    density = as_laid.density
    checks: list[Check | None] = [
        judge.check_density(name, density.twists_per_inch, density.twists_per_inch_u, limits, wire_in)
    ]
    extremes = density.extremes()
    if limits.judge_worst_inch and extremes is not None:
        checks += [
            judge.check_density(name, at.twists_per_inch, at.u95 / judge.COVERAGE_95, limits, wire_in, rule)
            for rule, at in zip(("least-in-any-inch", "most-in-any-inch"), extremes, strict=True)
        ]
    lengths = [
        ("span", as_laid.span, limits.span),
        ("bow", Measured(density.bow_in, density.relative_length_u * density.bow_in), limits.bow),
        ("gap-start", as_laid.gap_start, limits.gap),
        ("gap-end", as_laid.gap_end, limits.gap),
    ]
    checks += [
        judge.check_length(rule, name, length.value, length.u, limit, limits)
        for rule, length, limit in lengths
        if length is not None
    ]
    return [check for check in checks if check is not None]


def pattern_of(traced: Traced, ruler: Ruler) -> Pattern:
    """Return the closed pattern of single wire, measured."""
    length_in = float(ruler.along_in(traced.spine_px)[-1])
    # A scale is good for the way out; the way back repeats its errors.
    away = np.linalg.norm(traced.spine_px - traced.spine_px[0], axis=1)
    relative_u = ruler.relative_u(traced.spine_px[: int(away.argmax()) + 1])
    laid_u_in = PATTERN_U_IN * np.sqrt(len(traced.corners_px))
    return Pattern(
        corners=len(traced.corners_px),
        length_in=length_in,
        length_in_u95=judge.COVERAGE_95 * float(np.hypot(relative_u * length_in, laid_u_in)),
        corners_px=_line(traced.corners_px, 1),
        spine_px=_line(traced.spine_px, 1),
    )


def lay_on_part(seen: Lay, plane: Plane) -> Lay:
    """Return the hand on the part by that in the picture: a front camera shows the other one."""
    return OTHER_LAY[seen] if plane.mirrored else seen


def _look_here(one: Section, length_in: float) -> tuple[LookHere, ...]:
    return tuple(
        LookHere(share * length_in, _point(look.at_share(one, share)), what) for share, what in look.look_here(one)
    )


def _run(
    as_laid: Laid,
    wire: tuple[float, float] | None,
    copper: float | None,
    places: tuple[LookHere, ...],
    check: Check,
    flags: list[quality.Flag],
    lay: Lay,
) -> Run:
    density = as_laid.density
    extremes = density.extremes()
    spine_px = density.section.spine_px
    return Run(
        twists=density.twists,
        twists_u95=judge.COVERAGE_95 * density.section.count_u,
        length_in=density.length_in,
        twists_per_inch=density.twists_per_inch,
        twists_per_inch_u95=judge.COVERAGE_95 * density.twists_per_inch_u,
        least_in_any_inch=extremes[0] if extremes else None,
        most_in_any_inch=extremes[1] if extremes else None,
        profile=density.profile(),
        lay=lay,
        bow_in=density.bow_in,
        gap_start_in=None if as_laid.gap_start is None else as_laid.gap_start.value,
        gap_start_in_u95=None if as_laid.gap_start is None else judge.COVERAGE_95 * as_laid.gap_start.u,
        gap_end_in=None if as_laid.gap_end is None else as_laid.gap_end.value,
        gap_end_in_u95=None if as_laid.gap_end is None else judge.COVERAGE_95 * as_laid.gap_end.u,
        span_in=as_laid.span.value,
        span_in_u95=judge.COVERAGE_95 * as_laid.span.u,
        evenness=density.evenness(),
        wire_diameter_in=None if wire is None else wire[0],
        wire_diameter_in_u95=None if wire is None else judge.COVERAGE_95 * wire[1],
        budget=_budget(density),
        copper_probability=copper,
        look_here=places,
        start_px=_point(spine_px[0]),
        end_px=_point(spine_px[-1]),
        spine_px=_line(spine_px, 2 * COLUMNS_PER_DIAMETER),
        probability_conforming=check.probability_conforming,
        call=check.call,
        flags=tuple(dict.fromkeys(one.code for one in flags)),
    )


def _budget(density: Density) -> tuple[Term, ...]:
    """Return the terms of the density's uncertainty, the largest first."""
    terms = sorted(density.terms.items(), key=lambda term: -term[1])
    variance = sum(u**2 for _, u in terms)
    return tuple(Term(name, u * density.twists_per_inch, u**2 / variance) for name, u in terms)


def _wire_in(seen: outline.Diameter | None, one: Section, ruler: Ruler) -> tuple[float, float] | None:
    """Return the wire's diameter and its standard deviation; None where it is the ruler, or does not stand out."""
    if seen is None or ruler.plane.source == "wire":
        return None
    diameter_in = seen.px / ruler.px_per_in(one.spine_px.mean(0))
    return diameter_in, diameter_in * float(np.hypot(seen.u_px / seen.px, ruler.relative_u(one.spine_px)))


def pigtail_of(tail: Section, ruler: Ruler, limits: LimitSet) -> PigtailRead:
    """Return the pigtail, counted and judged."""
    twists, count_u, flags = told_of(tail)
    check = judge.check_pigtail(twists, count_u, limits)
    length_in = float(ruler.along_in(tail.spine_px)[-1])
    length_u = (
        float(np.hypot(ruler.relative_u(tail.spine_px), np.sqrt(2) * tail.end_u_twists / tail.twists)) * length_in
    )
    length = judge.check_length("pigtail-length", "pigtail", length_in, length_u, limits.pigtail_length, limits)
    checks = [one for one in (check, length) if one is not None]
    if check is not None and any(one.code == doubt.TOLD_TWICE for one in flags):
        checks[0] = dataclasses.replace(check, call="undecided")
    if gates.pigtail_cut_off(tail, ruler.image_size):
        checks = [judge.of_a_part(one) for one in checks]
        flags = [quality.flag("pigtail-cut-off"), *flags]
    pigtail = Pigtail(
        twists=twists,
        twists_u95=judge.COVERAGE_95 * count_u,
        count_probabilities=judge.count_probabilities(twists, count_u),
        length_in=length_in,
        lay=lay_on_part(tail.twist.lay, ruler.plane) if tail.measured else None,  # the network knows none
        spine_px=_line(tail.spine_px, COLUMNS_PER_DIAMETER),
        probability_conforming=None if check is None else checks[0].probability_conforming,
        call="undecided" if check is None else checks[0].call,
        flags=tuple(one.code for one in flags),
    )
    return PigtailRead(pigtail, checks, flags)


def told_of(tail: Section) -> tuple[float, float, list[quality.Flag]]:
    """Return the twists of a pigtail, their standard deviation, and what is to be said of them.

    The mean of what the phase and a network tell, each weighted by the inverse of its variance: their errors are hardly
    the same. Where they differ beyond chance one of them is wrong, and either may be.
    """
    looser = max(1.0, tail.px_per_twist / tail.strip.diameter_px / LOOSE_PIGTAIL_D) ** 1.5
    own_u = float(looser * PIGTAIL_WIDENED * tail.count_u)
    if tail.counted is None:
        return tail.twists, own_u, []
    told, told_u = tail.counted[0], float(looser * np.hypot(tail.counted[1], LEAST_COUNTED_U))
    x, y = (float(value) for value in safety.middle_px(tail.spine_px))
    if not tail.measured:
        return told, told_u, [quality.flag("pigtail-not-measured", x=x, y=y)]
    apart = abs(told - tail.twists)
    if apart > MOST_APART * np.hypot(own_u, told_u):
        flag = quality.flag(doubt.TOLD_TWICE, x=x, y=y, phase=tail.twists, network=told)
        return tail.twists, float(np.hypot(own_u, apart)), [flag]
    weights = np.array([own_u, told_u]) ** -2.0
    return float(weights @ [tail.twists, told] / weights.sum()), float(weights.sum() ** -0.5), []


def _line(points: Floats, every: int) -> tuple[Point, ...]:
    return tuple(_point(point) for point in [*points[:-1:every], points[-1]])


def _point(point: Floats) -> Point:
    return round(float(point[0]), 2), round(float(point[1]), 2)


def _run_flags(as_laid: Laid, ruler: Ruler, name: str) -> list[quality.Flag]:
    density = as_laid.density
    one, flags = density.section, []
    ends = (("before the first twist", as_laid.gap_start), ("after the last twist", as_laid.gap_end))
    unseen = [where for where, gap in ends if gap is None]
    if unseen:
        where = "at either end" if len(unseen) == 2 else unseen[0]
        flags.append(quality.flag("hole-not-located", run=name, where=where))
    if one.px_per_twist < FULL_PX_PER_TWIST:
        full = (one.px_per_twist, FULL_PX_PER_TWIST, FULL_PX_PER_TWIST)
        percent, fits = gates.nearer(*full, gates.with_card_px(one.spine_px, ruler.plane), ruler.image_size)
        card = "" if fits or ruler.plane.outline_px is None else gates.CARD_CLOSER
        figures = {"px_per_twist": one.px_per_twist, "needed_px": FULL_PX_PER_TWIST, "percent": percent}
        flags.append(quality.flag("small-twist", run=name, card=card, **figures))
    if density.twists < FULL_TWISTS:
        flags.append(quality.flag("few-twists", run=name, twists=density.twists, needed=FULL_TWISTS))
    crowded = density.crowded()
    if crowded is not None:
        least, most = (one.twists_per_inch for one in crowded)
        flags.append(quality.flag("uneven-twist", run=name, least=least, most=most))
    if density.length_in < 1.0:
        flags.append(quality.flag("shorter-than-an-inch"))
    return flags
