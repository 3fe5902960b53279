"""What a ledger's row holds of a reading, beside the whole of it in its record."""

from __future__ import annotations

import json
from typing import Any

from visionwire import judge
from visionwire.reading import DensityAt

#: What `more_of` returns, by name.
MORE = (
    "runs",
    "lay",
    "length_in",
    "wire_diameter_in",
    "least_in_any_inch",
    "most_in_any_inch",
    "evenness",
    "inch_outside",
    "flags",
)

Record = dict[str, Any]


def figures_of(record: Record) -> tuple[Any, ...]:
    """Return a reading's call, its confidence, the least probability of a check, and the figures that are judged."""
    run, pigtail = _first_run(record), record.get("pigtail") or {}
    return (
        record.get("call"),
        record.get("confidence"),
        min((check["probability_conforming"] for check in record.get("checks", [])), default=None),
        run.get("twists_per_inch"),
        run.get("twists_per_inch_u95"),
        pigtail.get("twists"),
        pigtail.get("twists_u95"),
        (record.get("scale") or {}).get("source"),
        (record.get("photo") or {}).get("taken"),
    )


def more_of(record: Record) -> tuple[Any, ...]:
    """Return what an analyst asks for next: how many runs, the first one's figures, and what is flagged."""
    run = _first_run(record)
    return (
        len(record["runs"]) if "runs" in record else None,
        run.get("lay"),
        run.get("length_in"),
        run.get("wire_diameter_in"),
        (run.get("least_in_any_inch") or {}).get("twists_per_inch"),
        (run.get("most_in_any_inch") or {}).get("twists_per_inch"),
        run.get("evenness"),
        ", ".join(inch_outside(record)) or None,
        ", ".join(record.get("flags", [])) or None,
    )


def more_as_json(record: str) -> str:
    """Return the same as JSON by name, for ledgers made before these were columns; of an odd record nothing."""
    try:
        return json.dumps(dict(zip(MORE, more_of(json.loads(record)), strict=True)))
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        return "{}"  # one record that cannot be told must not keep a ledger shut


def inch_outside(record: Record) -> list[str]:
    """Return the runs whose mean conforms and of which some inch surely does not."""
    return [
        check["section"]
        for check in record.get("checks", [])
        if check.get("rule") == "density" and check["call"] == "conforming" and _outside(check, record)
    ]


def _outside(check: Record, record: Record) -> bool:
    run = run_of(record, check["section"])
    told = (run.get("least_in_any_inch"), run.get("most_in_any_inch"))
    least, most = (None if one is None else DensityAt(one["twists_per_inch"], one["u95"], 0.0) for one in told)
    return judge.inch_outside(least, most, check["low"], check["high"])


def run_of(record: Record, section: str) -> Record:
    """Return the run that a check calls "run 1", "run 2" and so on."""
    run: Record = record["runs"][int(section.removeprefix("run ")) - 1]
    return run


def _first_run(record: Record) -> Record:
    runs: list[Record] = record.get("runs") or [{}]
    return runs[0]
