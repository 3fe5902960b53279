"""Why a reading is to be looked at, in words: which section, its figure, and what is wrong with it."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from visionwire import doubt, quality
from visionwire.archive.decisions import Decision
from visionwire.archive.figures import inch_outside, run_of
from visionwire.reading import Check
from visionwire.sheet.verdict import OF_EVERY_SECTION, because, mean_words, probability_words, see_words, whole_words
from visionwire.sheet.words import RULE_WORDS, limits_words, value_words

#: Rules that a figure with its unit names by itself.
SPEAKS_FOR_ITSELF = ("density", "pigtail-twists")
#: What `visionwire check` is told of one picture, and a marked picture that is spoken of without saying how it is had.
OF_ONE_PICTURE = re.compile(r"(?<!PHOTO )--(?:scale|start|head|sheet) (?=[A-Z])|(?<=say so with )--card-below (?=0)")
UNSHOWN = re.compile(r"the marked picture(?! \()")
FIELDS = {field.name for field in dataclasses.fields(Check)}


def section_of(record: dict[str, Any]) -> str | None:
    """Return the section that a person should see first ("run 1", ..., "pigtail"); None where none is named.

    That is the one of the check least likely to conform, unless all conform and it is the whole that is in doubt. Of a
    conforming reading it is the run that is within limits by its mean alone, if there is one.
    """
    if outside := _by_mean_alone(record):
        return outside[0]
    worst = _worst(record)
    return None if worst is None or _doubted_as_a_whole(record, worst) else str(worst["section"])


def reason_of(record: dict[str, Any]) -> str | None:
    """Return what is to be said of that section in one sentence."""
    if outside := _by_mean_alone(record):
        return _uneven(record, outside[0])
    worst = _worst(record)
    if worst is None:
        return None
    if _doubted_as_a_whole(record, worst):
        return whole_words(record.get("flags", []))
    told: dict[str, Any] = {name: worst.get(name) for name in FIELDS}
    check = Check(**told)
    what = "" if check.rule in SPEAKS_FOR_ITSELF else f", {RULE_WORDS.get(check.rule, check.rule)}"
    flags = _flags(record, check.section)
    probability = probability_words(check, flags)
    said = f"{check.section}{what}: {value_words(check)}, {because(check, flags)}"
    return f"{said}{f'; {probability}' if probability else ''}{_as_seen(record)}{_by_wire(record)}"


def call_of(row: dict[str, Any]) -> str | None:
    """Return the call of a row of the view ``archive`` as `visionwire check` says it: by its mean if it is uneven."""
    if row["call"] != "conforming" or row["inch_outside"] is None:
        return None if row["call"] is None else str(row["call"])
    return f"{row['call']}{mean_words(row['runs'])}; {see_words(row['inch_outside'].split(', '))}"


def advice_of(record: dict[str, Any]) -> str | None:
    """Return what keeps an undecided reading from being called, and what to do; None where nothing says it."""
    if record.get("call") != "undecided" or not set(doubt.STOPPING) & set(record.get("flags", [])):
        return None
    said: list[str] = record.get("advice", [])
    stops = (one for one in said if any(quality.raised(code, one) for code in doubt.STOPPING))
    # An earlier version may have said it in other words; it came first as a rule.
    first = next(stops, next(iter(said), None))
    return None if first is None else to_do(first)


def to_do(advice: str) -> str:
    """Return advice with the command that takes them before options that point into one picture: an archive has none.

    Of a list there is no marked picture yet either, and trends makes none.
    """
    shown = UNSHOWN.sub(r"\g<0> (--sheet DIR)", advice)
    return OF_ONE_PICTURE.sub(r"visionwire check PHOTO \g<0>", shown)


def decided_before_words(path: str, decided: Decision | None) -> str | None:
    """Return in one sentence that a file holds something else than when a person decided on it; None of no decision."""
    if decided is None:
        return None
    what = "it" if decided.path in (None, path) else f"its copy {decided.path}"
    return (
        f"the file has other content than when {decided.decided_by} decided on {what} ({decided.decision}, "
        f"{decided.decided_at[:10]}): that decision is kept with the earlier content, and this one waits for its own"
    )


def _as_seen(record: dict[str, Any]) -> str:
    """Say of what conforms that its pigtail was not counted, where none was."""
    alone = record.get("call") == "conforming" and record.get("pigtail") is None and not record.get("wraps")
    return "; no pigtail was counted" if alone else ""


def _by_wire(record: dict[str, Any]) -> str:
    """Say by which wire, where that was the scale: a diameter told wrongly moves every length with it."""
    if (record.get("scale") or {}).get("source") != "wire":
        return ""
    return f"; the scale is the wire's, told as {record['made_by']['parameters']['wire_in']:.3g} in"


def _flags(record: dict[str, Any], section: str) -> list[str]:
    """Return the flags of a section, and of the whole reading those that are of every section."""
    if section.startswith("run "):
        own = run_of(record, section).get("flags", [])
    else:
        own = (record.get(section) or {}).get("flags", [])
    return [*own, *(flag for flag in record.get("flags", []) if flag in OF_EVERY_SECTION)]


def _by_mean_alone(record: dict[str, Any]) -> list[str]:
    return inch_outside(record) if record.get("call") == "conforming" else []


def _doubted_as_a_whole(record: dict[str, Any], worst: dict[str, Any]) -> bool:
    return record.get("call") == "undecided" and worst.get("call") == "conforming"


def _worst(record: dict[str, Any]) -> dict[str, Any] | None:
    """Return the check least likely to conform; of what is undecided, of the checks that are, if any."""
    checks = record.get("checks", [])
    if record.get("call") == "undecided":
        checks = [check for check in checks if check["call"] != "conforming"] or checks
    return min(checks, key=lambda check: check["probability_conforming"], default=None)


def _uneven(record: dict[str, Any], section: str) -> str:
    run = run_of(record, section)
    check = next(one for one in record["checks"] if one["section"] == section and one["rule"] == "density")
    least, most = (run[name]["twists_per_inch"] for name in ("least_in_any_inch", "most_in_any_inch"))
    return (
        f"{section}: mean {run['twists_per_inch']:.2f} twists per inch, allowed "
        f"{limits_words(check['low'], check['high'])}, but uneven: {least:.1f} in its least inch, "
        f"{most:.1f} in its most"
    )
