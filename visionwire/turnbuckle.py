"""The reading of a safetied turnbuckle put together: judged wraps, flags, and what a sheet draws."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from visionwire import doubt, judge, quality
from visionwire.assemble import made_by, scale_flags, scale_of
from visionwire.budget import Ruler
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.limits import LimitSet
from visionwire.parts import lay_on_part
from visionwire.photo import Photo
from visionwire.reading import Check, Reading, Series, Wraps
from visionwire.strip import picture_strip, straighten
from visionwire.wraps import Coil

Floats = NDArray[np.float64]


def reading(
    photo: Photo, limits: LimitSet, wire_in: float | None, ruler: Ruler, coils: tuple[Coil, Coil]
) -> tuple[Reading, Evidence]:
    """Judge the wraps at both ends by the limits and return the reading with its evidence."""
    flags = [*scale_flags(ruler.plane), quality.flag("threads-not-counted")]
    wraps, checks = [], []
    for number, coil in enumerate(coils, 1):
        check = judge.check_wraps(f"wraps {number}", coil.turns, coil.turns_u, limits)
        own = [] if coil.hand else [quality.flag("wraps-hand-unclear", end=number)]
        flags += own
        wraps.append(_wraps(coil, check, ("threads-not-counted", *(one.code for one in own)), ruler))
        checks += [] if check is None else [check]
    if wraps[0].hand is not None and wraps[0].hand == wraps[1].hand:
        flags.append(quality.flag("wraps-same-hand"))
        wraps = [dataclasses.replace(one, flags=(*one.flags, "wraps-same-hand")) for one in wraps]
    call, confidence = judge.overall(checks)
    flags = doubt.near_a_limit(checks, flags, ruler.plane.source, ruler.height_told) + flags
    whole = np.vstack([coil.axis_px for coil in coils])
    result = Reading(
        photo=photo.info,
        scale=scale_of(ruler, whole),
        runs=(),
        pigtail=None,
        series=Series(0, 0, 0.0, None, None),
        checks=tuple(checks),
        call=call,
        confidence=confidence,
        advice=tuple(dict.fromkeys(one.sentence for one in flags)),
        flags=tuple(dict.fromkeys(one.code for one in flags)),
        made_by=made_by(limits, wire_in),
        wraps=tuple(wraps),
    )
    return result, _evidence(photo, ruler, coils)


def _wraps(coil: Coil, check: Check | None, flags: tuple[str, ...], ruler: Ruler) -> Wraps:
    return Wraps(
        turns=coil.turns,
        turns_u95=judge.COVERAGE_95 * coil.turns_u,
        hand=None if coil.hand is None else lay_on_part(coil.hand, ruler.plane),
        threads_showing=None,
        axis_px=tuple((round(float(x), 2), round(float(y), 2)) for x, y in coil.axis_px),
        probability_conforming=None if check is None else check.probability_conforming,
        call="undecided" if check is None else check.call,
        flags=flags,
    )


def _evidence(photo: Photo, ruler: Ruler, coils: tuple[Coil, Coil]) -> Evidence:
    plane = ruler.plane
    return Evidence(
        pixels=photo.pixels,
        card_outline_px=plane.outline_px,
        card_points_px=plane.points_px if plane.source in ("card", "id1") else np.zeros((0, 2)),
        sections=tuple(_section(photo, f"wraps {number}", coil, ruler) for number, coil in enumerate(coils, 1)),
    )


def _section(photo: Photo, name: str, coil: Coil, ruler: Ruler) -> SectionEvidence:
    along = coil.axis_px[1] - coil.axis_px[0]
    length_px = float(np.hypot(*along))
    along = along / length_px
    margin_px = 2 * coil.spacing_px
    ends = coil.axis_px + np.outer([-margin_px, margin_px], along)
    # The strip is as wide as the wraps and a little more, in the units of a strip of wire.
    strip = straighten(np.zeros((2, 2), np.float32), ends, (coil.radius_px + coil.spacing_px) / 2)
    picture = picture_strip(photo.pixels, strip)
    per_px = picture.shape[1] / (length_px + 2 * margin_px)
    middles = coil.ticks_px.mean(1)
    return SectionEvidence(
        name=name,
        spine_px=coil.axis_px[0] + np.linspace(0.0, length_px, 40)[:, None] * along,
        ticks_px=coil.ticks_px,
        strip=picture,
        strip_ticks=((middles - ends[0]) @ along) * per_px,
        strip_ends=(margin_px * per_px, (margin_px + length_px) * per_px),
        strip_px_per_in=per_px * ruler.px_per_in(coil.axis_px.mean(0)),
    )
