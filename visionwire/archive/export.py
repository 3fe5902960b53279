"""A ledger's rows as CSV for Excel, JSON Lines, or Parquet: units in the header, missing left empty."""

from __future__ import annotations

import contextlib
import csv
import itertools
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from visionwire.errors import ArchiveError, OutputError, install

ROWS_AT_ONCE = 20_000
WHOLE = ("bytes", "runs")
UNITS = {
    "bytes": "bytes",
    "confidence": "1",
    "probability": "1",
    "twists_per_inch": "1/in",
    "twists_per_inch_u95": "1/in",
    "least_in_any_inch": "1/in",
    "most_in_any_inch": "1/in",
    "pigtail_twists": "twists",
    "pigtail_twists_u95": "twists",
    "probability_conforming": "1",
    "copper_probability": "1",
    "twists": "twists",
    "twists_u95": "twists",
    **{
        f"{name}_in{end}": "in"
        for name in ("length", "wire", "wire_diameter", "bow", "span", "gap_start", "gap_end")
        for end in ("", "_u95")
    },
}


def to_csv(path: Path, columns: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    """Write a CSV in UTF-8 with a mark that Excel knows it by, units in square brackets in the header."""
    with _said(path), path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([f"{name} [{UNITS[name]}]" if name in UNITS else name for name in columns])
        writer.writerows([_safe(value) for value in row] for row in rows)


def to_jsonl(path: Path, columns: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    """Write one JSON object a line."""
    with _said(path), path.open("w", encoding="utf-8") as file:
        for row in rows:
            file.write(json.dumps(dict(zip(columns, row, strict=True)), allow_nan=False) + "\n")


def to_parquet(path: Path, columns: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    """Write Parquet, units in the metadata of its fields; needs the extra ``parquet``."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise ArchiveError(f"Parquet needs the extra parquet; run {install('parquet')}") from error
    schema = pa.schema(
        pa.field(
            name,
            pa.int64() if name in WHOLE else pa.float64() if name in UNITS else pa.string(),
            metadata={"unit": UNITS[name]} if name in UNITS else None,
        )
        for name in columns
    )
    rest = iter(rows)
    with _said(path), parquet.ParquetWriter(path, schema) as writer:
        while some := list(itertools.islice(rest, ROWS_AT_ONCE)):
            held = [pa.array(column, kind) for column, kind in zip(zip(*some, strict=True), schema.types, strict=True)]
            writer.write_table(pa.table(held, schema=schema))


def _safe(value: Any) -> Any:
    """Return a text that no spreadsheet takes for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value


@contextlib.contextmanager
def _said(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}); give another place") from error
