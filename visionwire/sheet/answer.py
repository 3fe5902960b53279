"""The terminal answer: a few lines that a tired inspector understands."""

from __future__ import annotations

from visionwire.errors import one_line
from visionwire.limits import LimitSet
from visionwire.reading import Check, Reading, Refusal
from visionwire.sheet.verdict import (
    because,
    call_words,
    confidence_words,
    flags_of,
    inside_anyhow,
    next_step,
    provisos,
    said_once,
    uneven_words,
)
from visionwire.sheet.words import (
    ROUTING_NOT_ASKED,
    SHOWN,
    density_check,
    hand_words,
    pigtail_missing_words,
    plus_minus,
    routing_words,
    run_words,
    shown_limits,
    single_words,
    value_words,
    wraps_check,
)


def answer_lines(result: Reading | Refusal, limits: LimitSet | None = None, name: str | None = None) -> list[str]:
    """Say in words what one photograph said.

    Parameters
    ----------
    result : Reading or Refusal
        What came of the photograph.
    limits : LimitSet, optional
        What it was held against; what of that is shown and not judged is said where it lies outside.
    name : str, optional
        What to call the photograph; its own name unless given.

    Returns
    -------
    list of str
        The call first, then what it rests on, then what to do.
    """
    shown = one_line(name or (result.photo.name if result.photo else "photograph"))
    if isinstance(result, Refusal):
        return [
            f"{shown}: NO READING",
            f"  what is wrong: {one_line(result.message)}",
            f"  what to do: {one_line(result.advice)}",
        ]
    sure = confidence_words(result, None if limits is None else limits.decision)
    uneven = uneven_words(result)
    head, *rest = call_words(result).split("; ")  # the first words are what a tired inspector reads
    lines = [f"{shown}: {'; '.join([head.upper(), *rest, *filter(None, [uneven])])} ({sure})"]
    for number, run in enumerate(result.runs, start=1):
        section = f"run {number}"
        lines.append(f"  {section}: {run_words(run)}{_judged(result, density_check(result, section))}")
    if "single-wire" in result.flags:
        lines.append(f"  {single_words(result)}")
    for number, one in enumerate(result.wraps, start=1):
        section = f"wraps {number}"
        turns = f"{plus_minus(one.turns, one.turns_u95, 1)} turns, {hand_words(one)}"
        lines.append(f"  {section}: {turns}{_judged(result, wraps_check(result, section))}")
    if result.pigtail is None and not result.wraps:
        lines.append(f"  pigtail: {pigtail_missing_words(result)}")
    elif result.pigtail is not None:
        check = next((c for c in result.checks if c.rule == "pigtail-twists"), None)
        twists = plus_minus(result.pigtail.twists, result.pigtail.twists_u95, 1)
        lines.append(f"  pigtail: {twists} twists{_judged(result, check)}")
    lines += [f"  {line}" for line in further_lines(result, limits)]
    return lines + [f"  do: {one_line(advice)}" for advice in said_once((*result.advice, *next_step(result)))]


def further_lines(reading: Reading, limits: LimitSet | None = None) -> list[str]:
    """Say what an answer holds beside its figures: routing, what else does not conform, the plan, what lies outside.

    Parameters
    ----------
    reading : Reading
        What the photograph said.
    limits : LimitSet, optional
        What it was held against.
    """
    lines = []
    if reading.runs and reading.routing is None:
        lines.append(f"routing: {ROUTING_NOT_ASKED}")
    elif reading.runs:
        lines += [f"routing of run {n}: {routing_words(reading, n)}" for n in range(1, len(reading.runs) + 1)]
    # Of the rest a tired inspector needs to see what does not conform, or does in spite of doubt; the sheet has all.
    others = [check for check in reading.checks if check.rule not in ("density", "pigtail-twists", "wraps")]
    lines += [
        _other(reading, check)
        for check in others
        if check.call != "conforming" or inside_anyhow(check, flags_of(reading, check))
    ]
    planned = [check for check in others if check.rule.endswith("as-planned")]
    if planned and all(check.call == "conforming" for check in planned):
        lines.append("plan: number of runs, spans and twists agree")
    outside = [] if limits is None else [row for row in shown_limits(reading, limits) if row.outside]
    return lines + [f"{row.what}: {row.value}, outside {row.allowed}: {SHOWN}" for row in outside]


def _judged(reading: Reading, check: Check | None) -> str:
    if check is None:
        return ", no limit given"
    return f", {because(check, flags_of(reading, check))}: {check.call.upper()}{provisos(reading, check)}"


def _other(reading: Reading, check: Check) -> str:
    return f"{check.section}, {check.rule.replace('-', ' ')}: {value_words(check)}{_judged(reading, check)}"
