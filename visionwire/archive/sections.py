"""The table of sections: one row a run or pigtail of each photograph, from the whole records."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from visionwire.archive.ledger import Ledger, in_use
from visionwire.archive.ticks import sections_of

FILE = ("path", "copy_of", "technician", "station", "aircraft", "taken", "call")
#: As `visionwire.reading` has them, but for the call, and for the inches, of which the density is enough.
MEASURED = (
    "probability_conforming",
    "twists",
    "twists_u95",
    "length_in",
    "twists_per_inch",
    "twists_per_inch_u95",
    "least_in_any_inch",
    "most_in_any_inch",
    "evenness",
    "lay",
    "bow_in",
    "span_in",
    "span_in_u95",
    "gap_start_in",
    "gap_start_in_u95",
    "gap_end_in",
    "gap_end_in_u95",
    "wire_diameter_in",
    "wire_diameter_in_u95",
    "copper_probability",
)
COLUMNS = [*FILE, "section", "section_call", *MEASURED, "flags"]
QUESTION = f"""SELECT {", ".join(f"a.{name}" for name in FILE)}, c.record FROM archive a
    JOIN records c ON c.sha256 = a.sha256 AND c.settings = {in_use("c.sha256")}
    WHERE a.state = 'reading' ORDER BY a.path"""


def section_rows(ledger: Ledger) -> Iterator[tuple[Any, ...]]:
    """Yield the rows, by path and in the order of the reading, as they are asked for."""
    for *told, text in ledger.ask(QUESTION):
        record = json.loads(text)
        for name, section in sections_of(record).items():
            measured = [_figure(section.get(column)) for column in MEASURED]
            yield (*told, name, section.get("call"), *measured, ", ".join(section.get("flags", [])) or None)


def _figure(value: Any) -> Any:
    return value["twists_per_inch"] if isinstance(value, dict) else value
