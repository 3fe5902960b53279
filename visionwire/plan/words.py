"""A plan in words."""

from __future__ import annotations

import string

from visionwire.budget import MM_PER_IN
from visionwire.counts import counted
from visionwire.plan.make import Plan, PlannedSpan
from visionwire.plan.wish import Fastener

LAY = "lay S: with the wire held upright, its strands slope like the middle of the letter S; lay Z: like that of Z"


def plan_lines(plan: Plan, unit: str = "in") -> list[str]:
    """Return the plan as lines for a terminal; places and spans also in the ``unit`` that they were given in."""
    names = letters(plan)
    hole_mm = f" ({plan.hole_in * MM_PER_IN:.2f} mm)" if unit == "mm" else ""
    lines = [f"{plan.method} method, {plan.wire_in:.3f} in wire, {plan.material}; holes {plan.hole_in:.4g} in{hole_mm}"]
    for number, series in enumerate(plan.series, 1):
        low, high = (f"{length:.0f}" for length in series.cut_by_thumb_in)
        lines.append(
            f"wire {number}: cut {series.cut_in:.0f} in, heads, pigtail and two inches for the pliers counted in; "
            f"the rule of thumb, 2.5 to 3 times the span, gives {low if low == high else f'{low} to {high}'}"
            f"{', too short here' if series.cut_by_thumb_in[1] < series.cut_in else ''}"
        )
        for place, span in enumerate(series.spans, 1):
            ends = " to ".join(place_words(one, names, unit) for one in (span.start, span.end))
            span_mm = f" ({span.span_in * MM_PER_IN:.1f} mm)" if unit == "mm" else ""
            lines.append(f"  span {place}, {ends}: {span.span_in:.2f} in{span_mm}")
            lines += [f"    {words}" for words in span_words(span)]
        lines.append(f"  pigtail: {series.pigtail}")
    if any(span.lay for series in plan.series for span in series.spans):
        lines.append(f"  {LAY}")
    lines.append("why")
    for ruling in plan.rulings:
        lines += [f"  {ruling.question}: {ruling.answer}", f"    {ruling.rule} ({ruling.source})"]
    lines += [f"limits: {plan.limits}, sha256 {plan.limits_sha256}", "cautions"]
    return lines + [f"  {caution}" for caution in plan.cautions]


def span_words(span: PlannedSpan) -> list[str]:
    """Return what to do on one span."""
    leaves, arrives = ("either side" if side == "either" else f"the {side}" for side in (span.leaves, span.arrives))
    words = [f"leaves on {leaves}, arrives on {arrives}, seen along the way from above"]
    over = "" if span.twisted_in is None else f" over the {span.twisted_in:.2f} in that are twisted"
    if span.twists_to_aim_at is not None:
        twists = counted(span.twists_to_aim_at, "twist")
        words.append(
            f"{twists}{over}, {span.twists_low} to {span.twists_high} allowed, lay {span.lay}; "
            f"takes {span.strand_in:.2f} in of each strand"
        )
    return words


def letters(plan: Plan) -> dict[Fastener, str]:
    """Return a letter for every fastener, in the order along the wire: A to Z, then AA and on."""
    met = dict.fromkeys(one for series in plan.series for span in series.spans for one in (span.start, span.end))
    alphabet = string.ascii_uppercase
    return {one: alphabet[k % 26] * (k // 26 + 1) for k, one in enumerate(met)}


def place_words(fastener: Fastener, names: dict[Fastener, str], unit: str = "in") -> str:
    """Return a fastener in words: its letter, what it is, where it stands in inches, and in mm if given so."""
    thread = ", left-hand thread" if fastener.thread == "left" else ""
    kind = fastener.role.replace("-", " ")
    mm = f" ({fastener.x_in * MM_PER_IN:.4g},{fastener.y_in * MM_PER_IN:.4g} mm)" if unit == "mm" else ""
    return f"{kind} {names[fastener]} at {fastener.x_in:.3g},{fastener.y_in:.3g} in{mm}{thread}"
