"""A reading put together: judged runs, pigtail, flags, and what a sheet draws."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from calibration.lens import DISTORTION_U
from calibration.plane import Plane
from visionwire import __version__, cues, doubt, gates, judge, layout, look, outline, quality, safety, sharpness
from visionwire.budget import Ruler
from visionwire.density import Density, density_of
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.layout import Laid, Measured
from visionwire.limits import LimitSet
from visionwire.pattern import Traced
from visionwire.photo import Photo
from visionwire.reading import Call, Check, LookHere, Pattern, Pigtail, Point, Reading, Run, Scale, Series, Term
from visionwire.section import Section
from visionwire.strip import COLUMNS_PER_DIAMETER, picture_strip
from visionwire.twist import Lay

Floats = NDArray[np.float64]

OTHER_LAY: dict[Lay, Lay] = {"S": "Z", "Z": "S"}
FULL_PX_PER_TWIST = 25.0
#: Of a closed pattern's length, a fastener: where in its head the wire bends is not seen.
PATTERN_U_IN = 0.045
FULL_TWISTS = 10.0
NOTED_TILT_DEG = 25.0
NOTED_RESIDUAL_PX = 1.0
#: Twice what is expected of a lens.
NOTED_DISTORTION = 2 * DISTORTION_U
#: Of a pigtail's count: with 1, its intervals held the truth in 94 % of 505 painted scenes of bare wire. With what
#: loose twist adds, 0.88 of the deviation would do overall (`python -m tests.benchmarks.coverage --from` prints it),
#: but not under blur.
PIGTAIL_WIDENED = 1.1
#: Crossings farther apart than this, in wire diameters, are beyond what the finder learned from: it sees such a pigtail
#: end early. With the count's deviation growing by this power of it, 94 % of the intervals would have held the truth on
#: 125 such painted scenes, the even ones of seed 91000, where 82 % had; on 132 odd ones 95 %, where 88 % had.
LOOSE_PIGTAIL_D = 7.0
#: Of the least count allowed, in twists: what is seen of a pigtail and is shorter by more makes it doubtful. As
#: seen, those of 52 painted safeties were 0.7 ± 1.0 twists shorter than they are (once, no command is kept).
LOOKS_SHORTER = 1.0
#: What is believed to be wire less than that is measured where it was pointed at, and not called.
LEAST_CALLED = 0.5


@dataclass(frozen=True, eq=False)
class _Given:
    """What every part of a reading is made by."""

    photo: Photo
    luminance: NDArray[np.float32]
    limits: LimitSet
    wire_in: float | None
    ruler: Ruler


@dataclass(frozen=True, eq=False)
class _RunRead:
    """One run, how it lies between its holes, its checks, and what is to be said of it."""

    run: Run
    laid: Laid
    checks: list[Check]
    flags: list[quality.Flag]


def reading(
    photo: Photo,
    luminance: NDArray[np.float32],
    limits: LimitSet,
    wire_in: float | None,
    ruler: Ruler,
    whole: safety.Safety,
    traced: Traced | None = None,
    differs: quality.Flag | None = None,
) -> tuple[Reading, Evidence]:
    """Judge a safety by the limits and return the reading with its evidence.

    ``differs`` says what else in view contradicts the scale.
    """
    given = _Given(photo, luminance, limits, wire_in, ruler)
    card_blur = sharpness.on_card(luminance, ruler.plane)
    alone = len(whole.runs) == 1
    read = [_read_run(given, one, number, alone, card_blur) for number, one in enumerate(whole.runs, 1)]
    runs = [one.run for one in read]
    pigtail, tail_checks = (None, []) if whole.pigtail is None else _pigtail(whole.pigtail, ruler, limits)
    tail_flags = [] if pigtail is None else [quality.flag(code) for code in pigtail.flags]
    of_one = [one.laid for one in read[: whole.first_runs]]
    series, series_check = _series(of_one, pigtail, wire_in or _first_wire_in(runs), limits)
    fits = series_check is None or series_check.call == "conforming"
    series_checks = [series_check] if series_check is not None and fits else []
    checks = [check for one in read for check in one.checks] + series_checks + tail_checks
    flags = [] if differs is None else [differs]
    flags += scale_flags(ruler.plane) + [flag for one in read for flag in one.flags]
    flags += tail_flags + _safety_flags(whole, traced, None if fits else series, limits)
    if any(one.belief < LEAST_CALLED for one in whole.runs):
        flags.append(quality.flag("perhaps-no-wire"))
        runs = [dataclasses.replace(run, call="undecided") for run in runs]
        checks = [dataclasses.replace(check, call="undecided") for check in checks]
    judged = checks
    if (factor := doubt.factor_of_doubt(flags)) is not None:
        flags.sort(key=lambda one: one.code not in doubt.SCALE_IN_DOUBT)  # why nothing is called comes first
        runs = [dataclasses.replace(run, call="undecided") for run in runs]
        judged = doubt.of_scale_in_doubt(checks)  # a length inside its limit all the same makes no call of the whole
        checks = doubt.of_scale_in_doubt(doubt.series_in_doubt(checks, series, factor, limits), factor)
    sections = whole.runs or tuple(one for one in (whole.pigtail,) if one is not None)
    call, confidence, doubts = _called(judged, min(one.belief for one in sections), limits)
    flags += doubts
    if call == "conforming" and any(one.code == "pigtail-looks-short" for one in flags):
        call = "undecided"
        flags.sort(key=lambda one: one.code != "pigtail-looks-short")  # why nothing is called comes first
    flags = doubt.near_a_limit(checks, flags) + flags
    if call == "undecided" and any(one.code in doubt.EVEN_CHANCE for one in flags):
        confidence = 0.5  # nothing is known of what lies beyond the picture, or of the scale
    result = Reading(
        photo=photo.info,
        scale=scale_of(ruler, sections[0].spine_px),
        runs=tuple(runs),
        pigtail=pigtail,
        series=series,
        checks=tuple(checks),
        call=call,
        confidence=confidence,
        advice=tuple(dict.fromkeys(one.sentence for one in flags)),
        flags=tuple(dict.fromkeys(one.code for one in flags)),
        made_by=made_by(limits, wire_in),
        pattern=None if traced is None else _pattern(traced, ruler),
    )
    lengths_in = [run.length_in for run in runs] + ([] if pigtail is None else [pigtail.length_in])
    return result, _evidence(photo, ruler, whole, traced, lengths_in)


def _read_run(given: _Given, one: Section, number: int, alone: bool, card_blur: sharpness.Blur | None) -> _RunRead:
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
    return _RunRead(run, as_laid, checks, flags)


def _safety_flags(
    whole: safety.Safety, traced: Traced | None, too_long: Series | None, limits: LimitSet
) -> list[quality.Flag]:
    """Return what is to be said of the safety as a whole."""
    flags = []
    if not whole.runs:
        flags.append(quality.flag("single-wire"))
        if traced is None:
            flags.append(quality.flag("pattern-not-traced"))
    if too_long is not None:
        # Two wires may end at one head, which a picture does not tell from one that goes on.
        flags.append(quality.flag("long-series", fasteners=too_long.fasteners))
    if whole.count > 1:
        flags.append(quality.flag("several-safeties", count=whole.count))
    sections = [*whole.runs, *([] if whole.pigtail is None else [whole.pigtail])]
    if any(one.taken_in for one in sections):
        flags.append(quality.flag("end-beyond-twist"))
    if whole.pigtail_line_px is not None:
        flags.append(_not_counted(whole, whole.pigtail_line_px, limits))
    elif whole.pigtail is None:
        flags.append(quality.flag("pigtail-not-seen"))
    return flags


def _not_counted(whole: safety.Safety, line_px: Floats, limits: LimitSet) -> quality.Flag:
    """Return what is to be said of a pigtail that is seen along a line, and was not counted."""
    twists = safety.twists_of_run(whole, line_px)
    x, y = (float(value) for value in safety.middle_px(line_px))
    said: dict[str, float | str] = {"x": x, "y": y, "twists": "1 twist" if twists < 1.5 else f"{twists:.0f} twists"}
    least = None if limits.pigtail is None else limits.pigtail.low
    if least is not None and twists < least - LOOKS_SHORTER:
        return quality.flag("pigtail-looks-short", **said, least=least)
    return quality.flag("pigtail-not-counted", **said)


def _called(checks: list[Check], belief: float, limits: LimitSet) -> tuple[Call, float, list[quality.Flag]]:
    """Return the call of the whole, its confidence, and what keeps it from being called."""
    call, confidence = judge.overall(checks, belief)
    if call == "conforming" and not _sure(checks, belief, limits):
        return "undecided", confidence, [quality.flag("find-in-doubt", belief=100 * belief)]
    return call, confidence, []


def _sure(checks: list[Check], belief: float, limits: LimitSet) -> bool:
    """Whether what conforms does so with the probability asked for, that of the find being wire counted in."""
    by_value = limits.decision.guard_band is not None
    least = 1.0 if by_value else min(check.probability_conforming for check in checks)
    return belief * least >= limits.decision.conforming_at_least


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


def _series(
    laid: list[Laid], pigtail: Pigtail | None, wire_in: float | None, limits: LimitSet
) -> tuple[Series, Check | None]:
    """Return the runs of the safety looked at first as one series, and its check."""
    fasteners = len(laid) + 1 if laid else 0
    longest = max((one.span.value for one in laid), default=0.0)
    if wire_in is None or not laid:
        return Series(len(laid), fasteners, longest, None, None), judge.check_series(fasteners, longest, None, limits)
    tail = (0.0, 0.0) if pigtail is None else (pigtail.length_in, pigtail.twists)
    used = layout.wire_used(laid, *tail, wire_in)
    check = judge.check_series(fasteners, longest, (used.value, used.u), limits)
    return Series(len(laid), fasteners, longest, used.value, judge.COVERAGE_95 * used.u), check


def _pattern(traced: Traced, ruler: Ruler) -> Pattern:
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


def _first_wire_in(runs: list[Run]) -> float | None:
    return next((run.wire_diameter_in for run in runs if run.wire_diameter_in is not None), None)


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


def _pigtail(tail: Section, ruler: Ruler, limits: LimitSet) -> tuple[Pigtail, list[Check]]:
    looser = max(1.0, tail.px_per_twist / tail.strip.diameter_px / LOOSE_PIGTAIL_D)
    count_u = PIGTAIL_WIDENED * looser**1.5 * tail.count_u
    check = judge.check_pigtail(tail.twists, count_u, limits)
    length_in = float(ruler.along_in(tail.spine_px)[-1])
    length_u = (
        float(np.hypot(ruler.relative_u(tail.spine_px), np.sqrt(2) * tail.end_u_twists / tail.twists)) * length_in
    )
    length = judge.check_length("pigtail-length", "pigtail", length_in, length_u, limits.pigtail_length, limits)
    checks = [one for one in (check, length) if one is not None]
    cut_off = gates.pigtail_cut_off(tail, ruler.image_size)
    if cut_off:
        checks = [judge.of_a_part(one) for one in checks]
    pigtail = Pigtail(
        twists=tail.twists,
        twists_u95=judge.COVERAGE_95 * count_u,
        count_probabilities=judge.count_probabilities(tail.twists, count_u),
        length_in=length_in,
        lay=lay_on_part(tail.twist.lay, ruler.plane),
        spine_px=_line(tail.spine_px, COLUMNS_PER_DIAMETER),
        probability_conforming=None if check is None else checks[0].probability_conforming,
        call="undecided" if check is None else checks[0].call,
        flags=("pigtail-cut-off",) if cut_off else (),
    )
    return pigtail, checks


def _line(points: Floats, every: int) -> tuple[Point, ...]:
    return tuple(_point(point) for point in [*points[:-1:every], points[-1]])


def _point(point: Floats) -> Point:
    return round(float(point[0]), 2), round(float(point[1]), 2)


def scale_of(ruler: Ruler, points_px: Floats) -> Scale:
    """Return where the scale came from, and how good it is along (N, 2) points."""
    plane = ruler.plane
    return Scale(
        source=plane.source,
        card=plane.card,
        px_per_inch=ruler.px_per_in(points_px.mean(0)),
        relative_u=ruler.relative_u(points_px),
        tilt_deg=plane.tilt_deg,
        residual_px=plane.residual_px,
    )


def scale_flags(plane: Plane) -> list[quality.Flag]:
    """Return what is to be said of the scale."""
    flags = []
    if plane.source in ("id1", "two-points", "wire"):
        flags.append(quality.flag(f"scale-from-{plane.source}"))
    if plane.mirrored:
        flags.append(quality.flag("picture-mirrored"))
    if plane.tilt_deg is not None and plane.tilt_deg > NOTED_TILT_DEG:
        flags.append(quality.flag("card-tilted", tilt_deg=plane.tilt_deg))
    off_flat_px = plane.off_flat_px()
    if off_flat_px is not None and off_flat_px > NOTED_RESIDUAL_PX:
        flags.append(quality.flag("card-bent", residual_px=off_flat_px))
    elif plane.lens is not None and abs(plane.lens.distortion) > NOTED_DISTORTION:  # such a card may pass for one
        way = "near" if plane.lens.distortion > 0 else "far from"
        flags.append(quality.flag("lens-bends", percent=100 * abs(plane.lens.distortion), way=way))
    return flags


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
    extremes = density.extremes()
    if extremes is not None and density.evenness() is not None:
        least, most = (one.twists_per_inch for one in extremes)
        flags.append(quality.flag("uneven-twist", run=name, least=least, most=most))
    if density.length_in < 1.0:
        flags.append(quality.flag("shorter-than-an-inch"))
    return flags


def made_by(limits: LimitSet, wire_in: float | None) -> dict[str, Any]:
    """Return what the reading was made by."""
    return {
        "visionwire": __version__,
        "numpy": np.__version__,
        "opencv": cv2.__version__,
        "scipy": scipy.__version__,
        "limits": limits.name,
        "parameters": {"wire_in": wire_in, "limits_sha256": limits.sha256},
    }


# -- what a sheet draws -------------------------------------------------------------------------


def _evidence(
    photo: Photo, ruler: Ruler, whole: safety.Safety, traced: Traced | None, lengths_in: list[float]
) -> Evidence:
    named = [(f"run {number}", one) for number, one in enumerate(whole.runs, 1)]
    if whole.pigtail is not None:
        named.append(("pigtail", whole.pigtail))
    plane = ruler.plane
    return Evidence(
        pixels=photo.pixels,
        card_outline_px=plane.outline_px,
        card_points_px=plane.points_px if plane.source in ("card", "id1") else np.zeros((0, 2)),
        sections=tuple(
            _section_evidence(photo, name, one, length_in)
            for (name, one), length_in in zip(named, lengths_in, strict=True)
        ),
        pattern_px=None if traced is None else traced.spine_px,
        corners_px=None if traced is None else traced.corners_px,
        pigtail_px=None if whole.pigtail_line_px is None else safety.middle_px(whole.pigtail_line_px),
    )


def _section_evidence(photo: Photo, name: str, one: Section, length_in: float) -> SectionEvidence:
    inner = slice(one.first, one.last + 1)
    columns = np.arange(len(one.twist.phase))[inner]
    phase = one.twist.phase[inner] / (2 * np.pi)
    crossings = np.arange(np.ceil(phase[0]), np.floor(phase[-1]) + 1)
    at = np.interp(crossings, phase, columns)
    nearest = np.round(at).astype(int)
    reach = 1.3 * one.strip.diameter_px * one.strip.normal_px[nearest]
    strip = picture_strip(photo.pixels, one.strip)
    zoom = strip.shape[1] / len(one.twist.phase)
    return SectionEvidence(
        name=name,
        spine_px=one.spine_px,
        ticks_px=np.stack([one.strip.centre_px[nearest] - reach, one.strip.centre_px[nearest] + reach], axis=1),
        strip=strip,
        strip_ticks=at * zoom,
        strip_ends=(one.first * zoom, one.last * zoom),
        strip_px_per_in=(one.last - one.first) * zoom / length_in,
    )
