"""What the rows of a ledger say together, beside the rows themselves."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import NOW, Made, reading, uneven
from visionwire.archive import Ledger, statistics, trends
from visionwire.archive.decisions import decide
from visionwire.archive.figures import more_as_json
from visionwire.archive.schema import MIGRATIONS, person_of
from visionwire.cli import app
from visionwire.errors import ExitCode


def test_a_ledger_of_the_schema_before_has_the_new_columns_filled_from_its_records(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    base.create_function("person_of", 1, person_of)
    base.executescript(f"{''.join(MIGRATIONS[:5])} PRAGMA user_version = 5;")
    base.execute("INSERT INTO meta VALUES ('settings', 's')")
    for name, one in (("a", uneven()), ("b", reading())):
        base.execute("INSERT INTO files VALUES (?, ?, 1, '', NULL, NULL, NULL, NULL)", (name, name))
        figures = ("reading", None, None, "conforming", 0.9, 0.99, 7.0, 0.2, 4.4, 0.5, "card", None, None)
        base.execute(f"INSERT INTO readings VALUES ({', '.join('?' * 15)})", (name, "s", *figures))
        base.execute("INSERT INTO records VALUES (?, 's', ?, '{}')", (name, json.dumps(one["record"])))
    base.commit()
    base.close()
    work = trends.trends_of(Ledger(path), 5).work
    assert [(row["path"], row["inch_outside"], row["least_in_any_inch"]) for row in work] == [
        ("a", "run 1", 4.7),
        ("b", None, pytest.approx(6.9)),
    ]


def test_the_terminal_says_how_many_more_are_open_and_what_shows_them_and_what_people_decided(made: Made) -> None:
    photos = {f"{k:02d}": reading("nonconforming", 0.01, 9.0, technician="T. One") for k in range(12)}
    book = made({**photos, "u": reading("undecided", 0.5), "c": reading(), "d": reading()})
    decide(book, "d", "accept", "seen", "A. Person", NOW)
    shown = CliRunner().invoke(app, ["trends", str(book.path), "--most", "11"]).stdout
    row = "  nonconforming, confidence 99 %: "
    assert shown.count(row) == 11 and f"{row}00, T. One\n    run 1: 9.00 ±" in shown
    assert "  and 3 more (1 conforming, 1 nonconforming, 1 undecided); --most 14 shows them\n" in shown
    assert "  decisions of people on 1 photograph: 1 accept\n" in shown
    assert " more (" not in CliRunner().invoke(app, ["trends", str(book.path), "--most", "14"]).stdout


def test_the_trends_of_one_technician_are_of_that_one_alone(made: Made) -> None:
    photos = {f"{k:02d}": reading(density=7.0 + k, technician=("T. One", "T. Other")[k % 2]) for k in range(10)}
    gone = {f"gone {who}": {"sha256": None, "technician": who} for who in ("T. One", "T. Other")}
    book = made(photos | gone | {"r": {"state": "refusal", "code": "no-scale", "technician": "T. Other"}})
    found = trends.trends_of(book, 20, "T. One")
    assert found.files == 6 and found.densities.tolist() == [7.0, 9.0, 11.0, 13.0, 15.0]
    assert [row["path"] for row in found.not_read] == ["gone T. One"] and found.reasons == {"not-opened": 1}
    assert {row["technician"] for row in found.work} == {"T. One"}
    shown = CliRunner().invoke(app, ["trends", str(book.path), "--technician", "T. One"])
    assert shown.stdout.startswith(f"{book.path}, technician T. One: 6 files, 5 readings, 1 unreadable; ")
    off = CliRunner().invoke(app, ["trends", str(book.path), "--technician", "Nobody"])
    assert off.exit_code == ExitCode.USAGE and "no photograph in" in off.stderr and off.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("who", "known", "said"),
    [
        (
            "t. otherr",
            ("T. One", "T. Other"),
            "is by 't. otherr' (did you mean T. Other?); --csv writes who made which",
        ),
        ("Zoë", ("T. One",), "is by 'Zoë'; --csv writes who made which"),
        ("T. One", (None,), "is by 'T. One'; it names no technician: visionwire archive with --pattern or --metadata"),
    ],
)
def test_of_a_name_that_made_nothing_the_nearest_is_guessed(
    made: Made, who: str, known: tuple[str | None, ...], said: str
) -> None:
    book = made({f"{k}": reading(technician=name) for k, name in enumerate(known)})
    off = CliRunner().invoke(app, ["trends", str(book.path), "--technician", who])
    assert off.exit_code == ExitCode.USAGE and off.stderr.count("\n") == 1
    assert off.stderr.startswith(f"visionwire: no photograph in {book.path} {said}")


def test_the_table_of_sections_has_a_row_for_every_run_and_the_pigtail(made: Made, tmp_path: Path) -> None:
    one = reading(technician="T. One")
    one["record"]["runs"].append({"twists_per_inch": 6.5, "call": "undecided", "flags": ["few-twists", "near-a-limit"]})
    book, table = made({"a": one, "r": {"state": "refusal", "code": "no-scale"}}), tmp_path / "s.csv"
    assert CliRunner().invoke(app, ["trends", str(book.path), "--sections", str(table)]).exit_code == 0
    rows = list(csv.DictReader(table.read_text(encoding="utf-8-sig").splitlines()))
    assert [(row["path"], row["technician"], row["section"]) for row in rows] == [
        ("a", "T. One", name) for name in ("run 1", "run 2", "pigtail")
    ]
    assert [row["twists_per_inch [1/in]"] for row in rows] == ["7.0", "6.5", ""]
    assert (rows[0]["most_in_any_inch [1/in]"], rows[1]["most_in_any_inch [1/in]"]) == ("7.1", "")
    assert (rows[1]["section_call"], rows[1]["flags"]) == ("undecided", "few-twists, near-a-limit")
    assert rows[2]["twists [twists]"] == "4.4"


def test_an_odd_record_keeps_no_ledger_shut() -> None:
    """Migrations ask it of every record; of what cannot be told the columns stay empty."""
    told = json.loads(more_as_json(json.dumps(reading(density=9.0)["record"])))
    assert (told["runs"], told["most_in_any_inch"]) == (1, 9.1)
    for odd in (
        "[]",
        "no JSON",
        json.dumps({"runs": [{"least_in_any_inch": 4.7}]}),
        json.dumps({"checks": [{}], "runs": 3}),
    ):
        assert more_as_json(odd) == "{}", odd


def test_figures_are_those_of_the_rows(made: Made) -> None:
    """Beside the view of files, counted by hand."""
    rng = np.random.default_rng(8)
    calls = ("conforming", "undecided", "nonconforming")
    photos: dict[str, dict[str, Any]] = {}
    for k in range(300):
        path = f"{rng.integers(1 << 40):012x}"
        told = {
            "technician": f"T. {k % 5}",
            "station": f"bay {k % 3}" if k % 7 else None,
            "taken": f"20{30 + k % 4}-02",
        }
        if k % 10 == 9:
            photos[path] = {"sha256": None} if k % 20 == 9 else {"state": "refusal", "code": "no-scale", **told}
        elif k % 10 == 8:
            photos[path] = {"sha256": next(one for one in photos if photos[one].get("sha256", one)), **told}
        else:
            photos[path] = reading(calls[k % 3], float(rng.random()), float(rng.normal(7, 1)), **told)
    book = made(photos)
    for path in list(photos)[:40]:
        if "record" in photos[path]:
            decide(book, path, "accept", "seen", "A. Person", "2031-05-06T07:08:09+00:00")
    columns, values = book.rows()
    rows = [dict(zip(columns, row, strict=True)) for row in values]
    first = sorted(
        (row for row in rows if row["state"] == "reading" and not row["copy_of"]),
        key=lambda row: (row["taken"] or "", row["path"]),
    )
    found = trends.trends_of(book, 5)
    assert found.files == len(rows) == 300
    assert found.copies == sum(row["copy_of"] is not None for row in rows) == 30
    assert found.states == Counter(row["state"] for row in rows) == book.states()
    assert found.reasons == {"no-scale": 15, "not-opened": 15}
    assert found.densities.tolist() == [row["twists_per_inch"] for row in first]
    assert found.calls == Counter(row["call"] for row in first)
    assert found.agreement == Counter((row["call"], row["decision"]) for row in first if row["decision"])
    for name in ("station", "technician"):
        counts = Counter(row[name] or statistics.NOT_SAID for row in first)
        assert {group.name: group.count for group in found.groups[name]} == counts
    assert [group.name for group in found.groups["month"]] == ["2030-02", "2031-02", "2032-02", "2033-02"]


def test_what_is_written_meanwhile_is_left_out(made: Made) -> None:
    book = made({"a": reading()})
    other = Ledger(book.path)
    with book.at_one_moment():
        before = list(book.ask("SELECT path FROM files"))
        other.put_files([("b", "b", 1, "", None, None, None, None, None)])
        assert list(book.ask("SELECT path FROM files")) == before == [("a",)]
    assert book.states() == {"reading": 1, "waiting": 1}
    other.close()


def test_pictures_saved_again_are_found(made: Made) -> None:
    marks = {"a": "00000000000000ff", "b": "00000000000000fb", "c": "ff000000000000ff", "d": "00000000000000ff"}
    photos = {path: reading(mark=mark, sha256="a" if path == "d" else path) for path, mark in marks.items()}
    found = trends.trends_of(made(photos), 0)
    assert (found.copies, found.resembling) == (1, 1)  # d is a's copy, b resembles it
    assert found.pairs == (("b", "a"),)


def test_a_ledger_of_the_first_schema_is_brought_up_with_all_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    base.executescript(f"{MIGRATIONS[0]} PRAGMA user_version = 1;")
    base.execute("INSERT INTO meta VALUES ('settings', 's'), ('second_person', 'no')")
    for name in ("b", "a"):
        base.execute("INSERT INTO files VALUES (?, ?, 1, '', 'T. One', NULL, NULL, '2031-02-03')", (name, name * 64))
        figures = ("reading", None, None, "conforming", 0.9, 0.99, 7.0, 0.2, 4.4, 0.5, "card", None, "ff")
        base.execute(
            f"INSERT INTO readings VALUES ({', '.join('?' * 16)})", (name * 64, "s", *figures, f'{{"is": "{name}"}}')
        )
    base.commit()
    cursor = base.execute("SELECT * FROM archive ORDER BY path")
    held, before = [column[0] for column in cursor.description], cursor.fetchall()
    base.close()
    book = Ledger(path)
    columns, rows = book.rows()
    assert [tuple(row[columns.index(name)] for name in held) for row in rows] == before and len(before) == 2
    assert book.record("b" * 64) == ({"is": "b"}, {})
    assert book.base.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    assert {row[0] for row in book.ask("SELECT name FROM sqlite_master WHERE type = 'table'")} == {
        *("meta", "files", "own", "readings", "records", "dispositions", "people", "earlier")
    }


def test_trends_go_through_sorted_tables_and_not_through_records(made: Made) -> None:
    """A million rows in seconds hang on it: no table is looked up in random order, no record is read."""
    book = made({"a": reading()})
    plan = " | ".join(row[-1] for row in book.ask(f"EXPLAIN QUERY PLAN {trends.QUESTION}", None))
    assert "USING COVERING INDEX files_by_content" in plan and "records" not in plan
    assert "SCAN r" not in plan and "SEARCH r USING PRIMARY KEY" in plan


@pytest.mark.parametrize("kind", ["html", "csv", "jsonl", "parquet", "sections"])
def test_nothing_is_written_over_the_ledger_nor_twice_into_one_file(made: Made, tmp_path: Path, kind: str) -> None:
    book = made({"a": reading()})
    decide(book, "a", "accept", "seen", "A. Person", NOW)
    (tmp_path / "also.db").symlink_to(book.path)
    (tmp_path / "hard.db").hardlink_to(book.path)
    for place in ("a.db", "also.db", "hard.db", "a.db-wal"):
        off = CliRunner().invoke(app, ["trends", str(book.path), f"--{kind}", str(tmp_path / place)])
        assert off.exit_code == ExitCode.USAGE and off.stderr.count("\n") == 1 and "is the ledger itself" in off.stderr
    other = "csv" if kind != "csv" else "html"
    off = CliRunner().invoke(app, ["trends", str(book.path), f"--{kind}", "x", f"--{other}", "./x"])
    assert off.exit_code == ExitCode.USAGE and "named twice to be written" in off.stderr
    book.close()
    held = CliRunner().invoke(app, ["verify", str(book.path)])
    assert "1 decision of people" in held.stdout
