"""Decisions of people: only added, known by their person and their reading, and by two where two are asked for."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import (
    DEMO,
    NOW,
    RUN,
    SETTINGS,
    Made,
    all_rows,
    folder_of,
    in_this_process,
    reading,
)
from visionwire.archive import Ledger, listed, run, trends
from visionwire.archive.decisions import broken_links, decide, decided_before, open_decision
from visionwire.archive.ledger import Entry
from visionwire.archive.page import trends_html
from visionwire.archive.schema import MIGRATIONS, person_of
from visionwire.cli import app
from visionwire.errors import ArchiveError, ExitCode
from visionwire.limits import load_limits


def test_decisions_are_only_added_and_a_change_is_found(tmp_path: Path) -> None:
    book = Ledger(tmp_path / "a.db")
    for decision in ("accept", "reject", "accept"):
        decide(book, "f" * 64, decision, "looked at with a glass", "A. Person", "2031-05-06T07:08:09+00:00", "a.jpg")
    assert broken_links(book) == []
    book.base.execute("UPDATE dispositions SET path = 'b.jpg' WHERE number = 1")
    assert broken_links(book) == [1]
    book.base.execute("UPDATE dispositions SET decision = 'accept' WHERE number = 2")
    assert 2 in broken_links(book)
    book.base.execute("DELETE FROM dispositions WHERE number = 2")
    assert broken_links(book) != []


def test_where_two_people_are_asked_for_one_is_not_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder = folder_of(tmp_path / "photos", 1)
    both = dataclasses.replace(SETTINGS, limits=dataclasses.replace(SETTINGS.limits, second_person=True))
    book = Ledger(tmp_path / "a.db")
    run(listed([str(folder / "00.png")]), book, both)
    columns, ((_, sha256, *_),) = all_rows(book)

    def stands() -> object:
        return all_rows(book)[1][0][columns.index("decision")]

    for decision, by, then in (
        ("accept", "A", None),
        ("accept", "A", None),
        ("reject", "B", None),
        ("accept", "B", "accept"),
    ):
        decide(book, sha256, decision, "looked at", by, "2031-05-06T07:08:09+00:00")
        assert stands() == then


def test_the_rows_say_who_decided_when_and_why(made: Made) -> None:
    book = made({"a": reading(), "b": reading()})
    for by, reason in (("A. Person", "seen"), ("B. Person", "counted with a glass")):
        decide(book, "a", "reject", reason, by, NOW)
    columns, rows = book.rows()
    names = ("path", "decision", "decided_by", "decided_at", "decision_reason")
    told = [tuple(row[columns.index(name)] for name in names) for row in rows]
    assert told == [("a", "reject", "B. Person", NOW, "counted with a glass"), ("b", None, None, None, None)]


def test_what_a_decision_was_made_on_does_not_pass_for_the_path_that_it_named(made: Made) -> None:
    book = made({"a": reading()})
    book.use("s", second_person=False)
    decide(book, "a", "accept", "seen", "A. Person", NOW)
    assert broken_links(book) == []
    book.base.execute("UPDATE dispositions SET settings = NULL, state = settings, path = state")
    assert broken_links(book) == [1]


def test_a_decision_of_an_old_ledger_still_holds_and_counts_for_the_one_reading_there_is(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    base.executescript(f"{MIGRATIONS[0]} {MIGRATIONS[1]} PRAGMA user_version = 2;")
    words = [1, "a", "accept", "seen", "A. Person", NOW, "0" * 64]
    digest = hashlib.sha256(json.dumps(words).encode()).hexdigest()
    base.execute("INSERT INTO dispositions VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*words, digest))
    base.commit()
    base.close()
    book = Ledger(path)
    assert broken_links(book) == []
    book.put_files([("a", "a", 1, "", None, None, None, None, None)])
    for settings, on in (("s", "this reading"), ("t", trends.EARLIER)):
        book.use(settings)
        book.put_entry(Entry("a", "reading", None, None, None, reading()["record"]), settings)
        assert decided_before(book, "a") == ("accept", "A. Person", on, None)


def test_a_decision_on_an_earlier_reading_is_kept_and_named(made: Made) -> None:
    book = made({"a": reading("nonconforming", 0.01), "b": reading("nonconforming", 0.02)})
    for path in ("a", "b"):
        decide(book, path, "accept", "seen", "A. Person", NOW)
    assert trends.trends_of(book, 5).earlier == 0 and not trends.trends_of(book, 5).work
    book.use("t")
    for path, p in (("a", 0.001), ("b", 0.002)):
        book.put_entry(Entry(path, "reading", None, None, None, reading("nonconforming", p)["record"]), "t")
    found = trends.trends_of(book, 5)
    assert found.earlier == 2 and found.agreement == {("nonconforming", "accept, on an earlier reading"): 2}
    assert [(row["path"], row["decision"], row["decided_on"]) for row in found.work] == [
        ("a", "accept", trends.EARLIER),
        ("b", "accept", trends.EARLIER),
    ]
    page = trends_html("a.db", found, load_limits("common"), book, "common", ())
    assert "accept, decided on an earlier reading" in page and "whether it still holds" in page
    shown = CliRunner().invoke(app, ["trends", str(book.path)]).stdout
    assert "decisions made on an earlier reading: 2" in shown and "a (accept, decided on an earlier reading)" in shown
    words = ["--decision", "reject", "--by", "B. Person", "--reason", "counted"]
    said = CliRunner().invoke(app, ["review", str(book.path), "a", *words]).stdout
    assert "accept by A. Person, is kept; it was made on an earlier reading" in said
    found = trends.trends_of(book, 5)
    assert found.earlier == 1 and [row["path"] for row in found.work] == ["b"]
    assert broken_links(book) == [] and list(book.ask("SELECT COUNT(*) FROM dispositions")) == [(3,)]
    book.use("s")
    assert decided_before(book, "b") == ("accept", "A. Person", "this reading", None)
    book.base.execute("UPDATE dispositions SET settings = 't' WHERE number = 2")
    assert broken_links(book) == [2]


def test_what_could_not_be_read_when_it_was_decided_on_is_another_reading_once_it_can(made: Made) -> None:
    book = made({"a": {"state": "unreadable", "code": "took-too-long"}})
    decide(book, "a", "retake", "it ended", "A. Person", NOW)
    assert decided_before(book, "a") == ("retake", "A. Person", "this reading", None)
    book.forget_ended({"took-too-long": 1.0})
    book.put_entry(Entry("a", "reading", None, None, None, reading()["record"]), "s")
    assert decided_before(book, "a") == ("retake", "A. Person", trends.EARLIER, None)


def test_a_decision_older_than_such_notes_is_on_an_earlier_reading_once_there_is_another(made: Made) -> None:
    book = made({"a": {"state": "unreadable", "code": "took-too-long"}})
    decide(book, "a", "reject", "it ended", "A. Person", NOW)
    book.base.execute("UPDATE dispositions SET settings = NULL, state = NULL")
    assert decided_before(book, "a") == ("reject", "A. Person", "this reading", None)
    book.forget_ended({"took-too-long": 1.0})
    book.put_entry(Entry("a", "reading", None, None, None, reading()["record"]), "s")
    assert decided_before(book, "a") == ("reject", "A. Person", trends.EARLIER, None)


def test_both_people_must_have_seen_the_reading_in_use(made: Made) -> None:
    book = made({"a": reading()})
    book.use("s", second_person=True)
    decide(book, "a", "accept", "seen", "A. Person", NOW)
    book.use("t", second_person=True)
    book.put_entry(Entry("a", "reading", None, None, None, reading()["record"]), "t")
    decide(book, "a", "accept", "seen", "B. Person", NOW)
    assert decided_before(book, "a") == ("accept", "B. Person", trends.EARLIER, None)
    decide(book, "a", "accept", "seen again", "A. Person", NOW)
    assert decided_before(book, "a") == ("accept", "A. Person", "this reading", None)


def test_one_who_decides_on_what_was_read_anew_is_told_that_one_more_has_to(made: Made) -> None:
    book = made({"a": reading()})
    book.use("s", second_person=True)
    decide(book, "a", "accept", "seen", "A. Person", NOW)
    book.use("t", second_person=True)
    book.put_entry(Entry("a", "refusal", "blurred", "no", None, {}), "t")
    assert "a second person has to say accept of this one too" in review(book.path, "a", "accept", "B. Person")
    assert [row["path"] for row in trends.trends_of(book, 5).work] == ["a"], "refused now, and not yet seen by two"


def review(ledger: Path, photo: str, decision: str, by: str) -> str:
    words = ["review", str(ledger), photo, "--decision", decision, "--by", by, "--reason", "looked at it"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.stderr
    return done.stdout


def test_a_decision_that_waits_for_a_second_person_is_said_counted_and_first_on_the_list(made: Made) -> None:
    book = made({"a": reading(), "b": reading("nonconforming", 0.01), "r": {"state": "refusal", "code": "no-scale"}})
    book.use("s", second_person=True)
    said = review(book.path, "a", "reject", "A. Person")
    assert "does not stand yet, as one person alone said so; it stands once a second person says reject too" in said
    assert "does not stand yet" in review(book.path, "a", "reject", " a  PERSON")
    assert "does not stand yet" in review(book.path, "r", "retake", "A. Person")
    found = trends.trends_of(book, 5)
    assert (found.pending, found.contested) == (2, 0)
    assert found.agreement == {("conforming", "reject, pending"): 1}
    assert [row["path"] for row in found.work] == ["a", "r", "b"]
    shown = CliRunner().invoke(app, ["trends", str(book.path)]).stdout
    assert "2 pending, 0 contested" in shown and "a (reject, pending, decided on this reading)" in shown
    page = trends_html("a.db", found, load_limits("common"), book, "common", ())
    assert "2 pending, 0 contested" in page and "; reject, pending, decided on this reading" in page
    assert "does not stand" not in review(book.path, "a", "reject", "B. Person")
    assert [row["path"] for row in trends.trends_of(book, 5).work] == ["r", "b"]
    assert broken_links(book) == []


def test_one_who_says_otherwise_after_two_puts_the_photograph_back_on_the_list(made: Made) -> None:
    book = made({"a": reading()})
    book.use("s", second_person=True)
    for by in ("A. Person", "B. Person"):
        review(book.path, "a", "accept", by)
    assert not trends.trends_of(book, 5).work
    said = review(book.path, "a", "reject", "C. Person")
    assert "as another person decided otherwise" in said and "accept by B. Person, is kept" in said
    found = trends.trends_of(book, 5)
    assert (found.pending, found.contested) == (0, 1) and len(found.work) == 1
    columns, rows = book.rows()
    row = dict(zip(columns, next(rows), strict=True))
    assert (row["decision"], row["open_decision"]) == (None, "reject, contested")
    # B's own accept is taken back by B's reject: two now say reject, and A's accept alone is no second of C's.
    assert "does not stand" not in review(book.path, "a", "reject", "B. Person")
    assert trends.trends_of(book, 5).agreement == {("conforming", "reject"): 1}


def test_who_changes_their_mind_is_not_the_second_person_of_what_they_said_before(made: Made) -> None:
    book = made({"a": reading()})
    book.use("s", second_person=True)
    for decision, by, still in (("accept", "A", "pending"), ("reject", "A", "pending"), ("accept", "B", "contested")):
        decide(book, "a", decision, "seen", by, NOW)
        assert open_decision(book, "a") == f"{decision}, {still}"


def test_the_page_shows_a_picture_that_was_refused_and_waits_for_a_second_person(made: Made) -> None:
    sha256 = hashlib.sha256(DEMO.read_bytes()).hexdigest()
    book = made({str(DEMO): {"sha256": sha256, "state": "refusal", "code": "no-scale", "message": "lay a card"}})
    book.use("s", second_person=True)
    decide(book, sha256, "retake", "no card", "A. Person", NOW)
    page = trends_html("a.db", trends.trends_of(book, 5), load_limits("common"), book, "common", ())
    assert "<strong>not read</strong>, lay a card; retake, pending" in page and "data:image/jpeg" in page


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("A. Person", "a person", True),
        ("A.  Person ", "A.Person", True),
        ("J. Straße", "j strasse", True),
        ("J.P. Person", "JP Person", True),
        ("O'Person-Other", "OPerson Other", True),
        ("José", "Jose", True),
        ("A. Person", "B. Person", False),
    ],
)
def test_a_person_is_the_same_however_the_name_is_written(one: str, other: str, same: bool) -> None:
    assert (person_of(one) == person_of(other)) is same


@pytest.mark.parametrize(
    ("photo", "near"),
    [
        ("A.jpg", ", which has bay1/a.jpg, bay2/a.jpg"),
        ("elsewhere/c.jpg", ", which has bay1/c.jpg"),
        ("jpg", ""),
        ("d%.jpg", ""),
        ("/", ""),
    ],
)
def test_of_a_photograph_that_is_not_there_those_of_its_name_are_said(made: Made, photo: str, near: str) -> None:
    book = made({path: reading() for path in ("bay1/a.jpg", "bay2/a.jpg", "bay2/aa.jpg", "bay1/c.jpg", "d1.jpg")})
    words = ["review", str(book.path), photo, "--decision", "accept", "--by", "A. Person", "--reason", "seen"]
    off = CliRunner().invoke(app, words)
    assert off.exit_code == ExitCode.USAGE
    assert off.stderr == (
        f"visionwire: {photo} is not in {book.path}{near}; give its path or its SHA-256 as visionwire trends --csv "
        "has it\n"
    )


def test_what_is_no_picture_is_not_accepted(made: Made) -> None:
    codes = {"empty.jpg": "unreadable", "large.jpg": "too-large"}
    book = made({path: {"state": "unreadable", "code": code} for path, code in codes.items()})
    words = ["review", str(book.path), "empty.jpg", "--by", "A. Person", "--reason", "seen", "--decision"]
    off = CliRunner().invoke(app, [*words, "accept"])
    assert off.exit_code == ExitCode.USAGE and decided_before(book, "empty.jpg") is None
    assert "empty.jpg is no picture that can be read, so nothing is in it to accept; say retake or reject" in off.stderr
    for decision in ("retake", "reject"):
        assert CliRunner().invoke(app, [*words, decision]).exit_code == 0
    review(book.path, "large.jpg", "accept", "A. Person")
    assert (decided_before(book, "large.jpg") or ("",))[0] == "accept", "it may be looked at, if not read"


def test_a_ledger_that_may_not_be_written_says_what_to_change(made: Made) -> None:
    book = made({"a": reading()})
    book.base.execute("PRAGMA query_only = 1")  # the superuser may write anything
    with pytest.raises(ArchiveError, match=r"a\.db or its folder cannot be written .*; change their perm"):
        decide(book, "a", "accept", "seen", "A. Person", NOW)


def test_a_name_of_nothing_but_dots_is_nobody(made: Made) -> None:
    words = ["review", str(made({"a": reading()}).path), "a", "--decision", "accept", "--by", " . ", "--reason", "x"]
    off = CliRunner().invoke(app, words)
    assert off.exit_code == ExitCode.USAGE and "--by and --reason must say something" in off.stderr


def test_decisions_of_an_old_ledger_know_their_people_and_a_person_changed_afterwards_is_found(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    base.executescript(f"{''.join(MIGRATIONS[:3])} PRAGMA user_version = 3;")
    previous, rows = "0" * 64, []
    for number, by in enumerate(("A. Person", "a person"), 1):
        words = [number, "a", "accept", "seen", by, NOW, previous]
        previous = hashlib.sha256(json.dumps([*words, "s", "waiting"]).encode()).hexdigest()
        rows.append((*words, previous, "s", "waiting"))
    base.executemany(f"INSERT INTO dispositions VALUES ({', '.join('?' * 10)})", rows)
    base.commit()
    base.close()
    book = Ledger(path)
    book.use("s", second_person=True)
    assert list(book.ask("SELECT * FROM dispositions")) == [(*row, None) for row in rows] and broken_links(book) == []
    assert open_decision(book, "a") == "accept, pending"
    book.base.execute("UPDATE people SET person = 'someone else' WHERE name = 'a person'")
    assert open_decision(book, "a") is None and broken_links(book) == [2]
