"""The archive's benchmark runs on a few rows and files; nothing here is timed."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from tests.benchmarks import ledger
from visionwire.archive import Ledger
from visionwire.archive.statistics import CALLS
from visionwire.archive.trends import trends_of


def test_invented_rows_are_as_many_and_as_large_as_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger.print_rows(tmp_path, 3000)
    printed = capsys.readouterr().out
    assert "3000 invented rows" in printed and "trends --html" in printed
    book = Ledger(tmp_path / "invented.db")
    found = trends_of(book, 5)
    assert found.files == 3000
    assert 30 < found.copies < 100 and found.resembling > 0
    assert set(found.states) == {"reading", "refusal", "unreadable"} and set(found.calls) == set(CALLS)
    assert found.agreement and len(found.work) == 5
    sizes = [size for (size,) in book.ask("SELECT LENGTH(record) FROM records")]
    assert max(sizes) > 4000
    book.close()


def test_a_process_that_fails_is_not_a_figure(tmp_path: Path) -> None:
    sqlite3.connect(tmp_path / "a.db").close()
    with pytest.raises(SystemExit, match="ended with 4"):
        ledger.trends_of_rows(tmp_path / "none.db")


def test_damaged_files_are_of_every_kind_and_all_become_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ledger.damage(tmp_path / "more", 50) == dict.fromkeys(ledger.KINDS, 10)
    contents = {path.read_bytes() for path in (tmp_path / "more").iterdir()}
    assert len(contents) >= 37  # the empty ones are one, and a good picture renamed may come again
    ledger.print_damaged(tmp_path, 10, 1)
    printed = capsys.readouterr().out
    assert "10 damaged files, 10 rows" in printed and "0 of them not foreseen" in printed


def test_rates_are_of_the_pictures_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger.print_workers(tmp_path, 1)
    assert capsys.readouterr().out.startswith("1 pictures: one worker ")
