"""A reading put together: judged runs, pigtail, flags, and what a sheet draws."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from calibration.lens import DISTORTION_U
from calibration.plane import Plane
from visionwire import __version__, doubt, judge, layout, parts, quality, safety, sharpness
from visionwire.budget import Ruler
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.layout import Laid
from visionwire.limits import LimitSet
from visionwire.pattern import Traced
from visionwire.photo import Photo
from visionwire.reading import Call, Check, Pigtail, Reading, Run, Scale, Series
from visionwire.section import Section
from visionwire.strip import picture_strip

Floats = NDArray[np.float64]

NOTED_TILT_DEG = 25.0
NOTED_RESIDUAL_PX = 1.0
#: Twice what is expected of a lens.
NOTED_DISTORTION = 2 * DISTORTION_U
#: Of the least count allowed, in twists: what is seen of a pigtail and is shorter by more makes it doubtful. As
#: seen, those of 52 painted safeties were 0.7 ± 1.0 twists shorter than they are (once, no command is kept).
LOOKS_SHORTER = 1.0
#: What is believed to be wire less than that is measured where it was pointed at, and not called.
LEAST_CALLED = 0.5


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
    given = parts.Given(photo, luminance, limits, wire_in, ruler)
    card_blur = sharpness.on_card(luminance, ruler.plane)
    alone = len(whole.runs) == 1
    read = [parts.run_of(given, one, number, alone, card_blur) for number, one in enumerate(whole.runs, 1)]
    runs = [one.run for one in read]
    tail = None if whole.pigtail is None else parts.pigtail_of(whole.pigtail, ruler, limits)
    pigtail = None if tail is None else tail.pigtail
    of_one = [one.laid for one in read[: whole.first_runs]]
    series, series_check = _series(of_one, pigtail, wire_in or _first_wire_in(runs), limits)
    fits = series_check is None or series_check.call == "conforming"
    series_checks = [series_check] if series_check is not None and fits else []
    checks = [check for one in read for check in one.checks] + series_checks + ([] if tail is None else tail.checks)
    flags = [] if differs is None else [differs]
    flags += scale_flags(ruler.plane) + [flag for one in read for flag in one.flags]
    flags += ([] if tail is None else tail.flags) + _safety_flags(whole, traced, None if fits else series, limits)
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
    if call == "conforming" and any(one.code in doubt.NOT_READ for one in flags):
        call = "undecided"
        flags.sort(key=lambda one: one.code not in doubt.NOT_READ)  # why nothing is called comes first
    cut_off = [f"run {number}" for number, run in enumerate(runs, 1) if "run-cut-off" in run.flags]
    cut_off += ["pigtail"] if pigtail is not None and "pigtail-cut-off" in pigtail.flags else []
    flags = doubt.near_a_limit(checks, flags, ruler.plane.source, ruler.height_told, cut_off) + flags
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
        pattern=None if traced is None else parts.pattern_of(traced, ruler),
    )
    lengths_in = [run.length_in for run in runs] + ([] if pigtail is None else [pigtail.length_in])
    return result, _evidence(photo, ruler, whole, traced, lengths_in)


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
    for one in whole.doubtful:
        x, y = (float(value) for value in safety.middle_px(one.spine_px))
        flags.append(quality.flag("run-in-doubt", x=x, y=y, belief=math.floor(100 * one.belief)))
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
        return "undecided", confidence, [quality.flag("find-in-doubt", belief=math.floor(100 * belief))]
    return call, confidence, []


def _sure(checks: list[Check], belief: float, limits: LimitSet) -> bool:
    """Whether what conforms does so with the probability asked for, that of the find being wire counted in."""
    by_value = limits.decision.guard_band is not None
    least = 1.0 if by_value else min(check.probability_conforming for check in checks)
    return belief * least >= limits.decision.conforming_at_least


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


def _first_wire_in(runs: list[Run]) -> float | None:
    return next((run.wire_diameter_in for run in runs if run.wire_diameter_in is not None), None)


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
        doubtful_px=tuple(safety.middle_px(one.spine_px) for one in whole.doubtful),
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
