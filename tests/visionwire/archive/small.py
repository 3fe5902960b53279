"""Small folders to read into a ledger, in this process, all that it then holds, and readings made up by hand."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from visionwire.archive import Ledger, Settings, listed, run, work
from visionwire.limits import load_limits

RUN = import_module("visionwire.archive.run")
SETTINGS = Settings(load_limits("common"), 0.032)
DEMO = Path(__file__).parents[3] / "fixtures" / "pictures" / "demo.jpg"
NOW = "2031-05-06T07:08:09+00:00"

Made = Callable[..., Ledger]


def folder_of(path: Path, pictures: int) -> Path:
    """Make small pictures without wire, a copy, one that is no picture."""
    path.mkdir(parents=True)
    rng = np.random.default_rng(5)
    for k in range(pictures):
        Image.fromarray(rng.integers(0, 255, (48, 48, 3), np.uint8)).save(path / f"{k:02d}.png")
    shutil.copy(path / "00.png", path / "copy.png")
    (path / "broken.jpg").write_bytes(b"\xff\xd8 this is no picture")
    return path


def dump(path: Path) -> list[str]:
    """Return every row of every table, sorted, so that two ledgers can be held side by side."""
    base = sqlite3.connect(path)
    tables = [row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return sorted(f"{table} {row}" for table in tables for row in base.execute(f"SELECT * FROM {table}"))


def in_this_process(todo: object, settings: Settings, *_: object) -> object:
    """Stand in for the workers: what the ledger and the order of work must bear is the same."""
    for sha256, path, wire_in in todo:  # type: ignore[attr-defined]
        yield work.read(sha256, path, settings.of_wire(wire_in))


def all_rows(book: Ledger) -> tuple[list[str], list[tuple[object, ...]]]:
    columns, rows = book.rows()
    return columns, list(rows)


def bring_up_to_date(folder: Path, ledger: Path) -> None:
    book = Ledger(ledger)
    run(listed([str(folder)]), book, SETTINGS)
    book.close()


def reading(
    call: str = "conforming", p: float = 0.99, density: float = 7.0, confidence: float | None = None, **more: Any
) -> dict[str, Any]:
    """Return as much of a reading as a ledger looks at, and what else is told of its file."""
    record = {
        "call": call,
        "confidence": max(p, 1 - p) if confidence is None else confidence,
        "checks": [check("run 1", density, p, call, 6.0, 8.0)],
        "runs": [
            {
                "twists_per_inch": density,
                "twists_per_inch_u95": 0.2,
                "least_in_any_inch": {"twists_per_inch": density - 0.1, "u95": 0.3, "at_in": 0.5},
                "most_in_any_inch": {"twists_per_inch": density + 0.1, "u95": 0.3, "at_in": 1.5},
            }
        ],
        "pigtail": {"twists": 4.4, "twists_u95": 0.5},
    }
    return {"record": record, "state": "reading", **more}


def check(section: str, value: float, p: float, call: str, low: float | None, high: float | None) -> dict[str, Any]:
    """Return a check of a mean density, as a record has it."""
    limits = {"unit": "twists per inch", "low": low, "high": high, "source": "a book"}
    said = {"rule": "density", "section": section, "probability_conforming": p, "call": call}
    return {**said, "value": value, "u95": 0.2, **limits}


def uneven(density: float = 7.0, least: float = 4.7, most: float = 9.9, call: str = "conforming") -> dict[str, Any]:
    """Return a reading whose least and most in any inch differ."""
    one = reading(call, density=density)
    one["record"]["runs"][0]["least_in_any_inch"]["twists_per_inch"] = least
    one["record"]["runs"][0]["most_in_any_inch"]["twists_per_inch"] = most
    return one
