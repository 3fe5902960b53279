"""A reading held against its plan: number of runs, spans, twists, wire size."""

from __future__ import annotations

import dataclasses

from visionwire import doubt, judge, quality
from visionwire.codes import OVER_TWISTED, UNDER_TWISTED
from visionwire.helix import COMMON_SIZES_IN
from visionwire.limits import LimitSet
from visionwire.plan.make import Plan, PlannedSpan
from visionwire.reading import Check, Reading, Run

#: The plan's span goes from hole to hole straight; the wire may leave either on another side of its head.
SPAN_PLAY_IN = 0.25


def held_against(reading: Reading, plan: Plan, limits: LimitSet) -> Reading:
    """Return the reading with checks of what the plan asks for, advice where one fails, and the call that all earn.

    The photograph's first safety is taken for the series of the plan that its spans fit best, in its order or the other
    way round, or for all series end to end: those that share a head look like one. With fewer runs in view nothing
    is proven. Of single wire nothing is planned that a reading has.
    """
    if plan.method == "single":
        return reading
    runs = reading.runs[: reading.series.runs]
    offered = [one.spans for one in plan.series]
    if len(offered) > 1:
        offered.append(tuple(span for spans in offered for span in spans))
    ways = [way for spans in offered if len(spans) == len(runs) for way in (spans, spans[::-1])]
    fewer = len(runs) < max(len(spans) for spans in offered)  # the picture may show a part of it only
    nearest = float(min((len(spans) for spans in offered), key=lambda count: abs(count - len(runs))))
    flags = [] if ways else [quality.flag("runs-not-as-planned", runs=len(runs), planned=nearest)]
    checks = [
        Check(
            rule="runs-as-planned",
            section="whole",
            value=float(len(runs)),
            u95=0.0,
            unit="runs",
            low=nearest,
            high=nearest,
            probability_conforming=1.0 if ways else 0.5 if fewer else 0.0,
            call="conforming" if ways else "undecided" if fewer else "nonconforming",
            source="the plan",
        )
    ]
    if ways:
        planned = min(ways, key=lambda way: sum(abs(a.span_in - b.span_in) for a, b in zip(runs, way, strict=True)))
        for number, (run, span) in enumerate(zip(runs, planned, strict=True), 1):
            of_run = _of_run(f"run {number}", run, span, plan, limits)
            if any(code in reading.flags for code in doubt.SCALE_IN_DOUBT):
                of_run = doubt.of_scale_in_doubt(of_run)
            checks += of_run
            flags += [_flag(check, number, span, plan) for check in of_run if check.call == "nonconforming"]
    every = (*reading.checks, *checks)
    _, before = judge.overall(reading.checks)
    # What the reading had beside its checks (that it is wire at all) still counts; the 0.5 of an undecided one that the
    # picture's edge cuts off, or whose scale is in doubt, says nothing of that.
    even = any(code in reading.flags for code in doubt.EVEN_CHANCE)
    told = before > 0 and not (even and reading.call == "undecided")
    belief = min(reading.confidence / before, 1.0) if told else 1.0
    call, confidence = judge.overall(every, belief)
    if call == "conforming" and any(code in reading.flags for code in doubt.WITHHELD):
        call = "undecided"
    if call == "undecided" and even:
        confidence = 0.5
    if call == "undecided" and reading.call == "conforming":
        flags += doubt.near_a_limit(checks, flags, reading.scale.source, "height_mm" in reading.made_by["parameters"])
    return quality.noted(dataclasses.replace(reading, checks=every, call=call, confidence=confidence), flags)


def _flag(check: Check, number: int, span: PlannedSpan, plan: Plan) -> quality.Flag:
    """Return which number of a run does not fit its plan and what to do about that one."""
    seen = {"run": number, "value": check.value, "u95": check.u95}
    if check.rule == "twists-as-planned":
        low, high = span.twists_low or 0, span.twists_high or 0
        mend = UNDER_TWISTED if check.value < low else OVER_TWISTED
        return quality.flag("twists-not-as-planned", **seen, low=low, high=high, mend=mend)
    if check.rule == "span-as-planned":
        return quality.flag("span-not-as-planned", **seen, planned=span.span_in, play=SPAN_PLAY_IN)
    return quality.flag("wire-not-as-planned", **seen, planned=plan.wire_in)


def _of_run(name: str, run: Run, span: PlannedSpan, plan: Plan, limits: LimitSet) -> list[Check]:
    between = (span.span_in - SPAN_PLAY_IN, span.span_in + SPAN_PLAY_IN)
    checks = [_check("span-as-planned", name, run.span_in, run.span_in_u95, "in", between, limits)]
    if span.twists_low is not None and span.twists_high is not None:
        twists = (span.twists_low - 0.5, span.twists_high + 0.5)
        checks.append(_check("twists-as-planned", name, run.twists, run.twists_u95, "twists", twists, limits))
    if "run-cut-off" in run.flags:
        checks = [judge.of_a_part(check) for check in checks]
    if run.wire_diameter_in is not None and run.wire_diameter_in_u95 is not None:
        between = _neighbours(plan.wire_in)
        checks.append(
            _check("wire-as-planned", name, run.wire_diameter_in, run.wire_diameter_in_u95, "in", between, limits)
        )
    return checks


def _neighbours(wire_in: float) -> tuple[float, float]:
    """Return the common sizes beside this one: an outline tells no nearer than that."""
    thinner = [size for size in COMMON_SIZES_IN if size < wire_in - 1e-9]
    thicker = [size for size in COMMON_SIZES_IN if size > wire_in + 1e-9]
    return (thinner[-1] if thinner else 0.5 * wire_in, thicker[0] if thicker else 1.5 * wire_in)


def _check(
    rule: str, section: str, value: float, u95: float, unit: str, between: tuple[float, float], limits: LimitSet
) -> Check:
    low, high = between
    probability = judge.probability_conforming(value, u95 / judge.COVERAGE_95, low, high)
    call = judge.call_of_value(value, u95 / judge.COVERAGE_95, low, high, limits.decision)
    return Check(rule, section, value, u95, unit, low, high, probability, call, "the plan")
