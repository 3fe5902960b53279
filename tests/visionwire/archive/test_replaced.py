"""Files that hold something else than before, or are gone: said by each command, and no decision is lost by it."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from tests.visionwire.archive.small import NOW, RUN, Made, folder_of, in_this_process, reading
from visionwire.archive import Ledger, trends
from visionwire.archive.decisions import decide, lost_decisions, replaced_files
from visionwire.archive.files import gone
from visionwire.archive.page import trends_html
from visionwire.archive.schema import MIGRATIONS
from visionwire.cli import app
from visionwire.errors import ExitCode
from visionwire.limits import load_limits


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder of three small pictures, ``00.png`` to ``02.png``, and read in this process."""
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder = folder_of(tmp_path / "photos", 3)
    for name in ("copy.png", "broken.jpg"):
        (folder / name).unlink()
    return folder


def of(folder: Path, command: str, *words: str) -> Result:
    ledger = str(folder.parent / "a.db")
    first = [str(folder), "--ledger", ledger] if command == "archive" else [ledger]
    return CliRunner().invoke(app, [command, *first, *words])


def review(folder: Path, photo: Path, decision: str, by: str = "A. Person") -> None:
    assert of(folder, "review", str(photo), "--decision", decision, "--by", by, "--reason", "seen").exit_code == 0


def put(book: Ledger, *files: tuple[str, str | None]) -> list[str]:
    """Write what files hold."""
    return book.put_files([(path, sha256, 1, "", *[None] * 5) for path, sha256 in files])


def test_a_replaced_picture_that_was_decided_on_is_said_listed_first_and_verified(folder: Path, tmp_path: Path) -> None:
    photo, page = folder / "01.png", tmp_path / "t.html"
    assert "other content" not in of(folder, "archive").stdout
    review(folder, photo, "reject")
    before = shutil.copy(photo, tmp_path / "before.png")
    photo.write_bytes((folder / "00.png").read_bytes() + b"\0")
    said = of(folder, "archive").stdout
    assert f"  1 file has other content than when it was read before: {photo}; what was read of the earlier" in said
    assert "  a person had decided on it: first on the list of visionwire trends\n" in said
    assert "other content" not in of(folder, "archive").stdout, "said once, as it is known now"
    shown = of(folder, "trends", "--html", str(page)).stdout
    assert "  1 file has other content than when a person decided on it: look at it again" in shown
    at = shown.splitlines().index("to look at first:")
    assert shown.splitlines()[at + 2] == f"  refusal: {photo}"
    assert "the file has other content than when A. Person decided on it (reject, 20" in shown.splitlines()[at + 3]
    html = page.read_text()
    assert "1 file has other content than when a person decided on it" in html
    assert ">Decision</th>" not in html, "no table without rows"
    assert "than when A. Person decided on it (reject, 20" in html.partition("To look at first")[2]
    held = of(folder, "verify")
    assert held.exit_code == ExitCode.NONCONFORMING
    assert f"decision 1 (reject by A. Person): what it was made on, once {photo}, is in no file of the" in held.stdout
    assert "3 files and 1 decision of people, 1 of them not as it was" in held.stdout
    review(folder, photo, "accept", "B. Person")
    shown = of(folder, "trends").stdout
    assert "other content" not in shown and "to look at" not in shown
    assert of(folder, "verify").exit_code == ExitCode.NONCONFORMING
    shutil.copy(before, folder / "as it was.png")
    of(folder, "archive")
    held = of(folder, "verify")
    assert held.exit_code == 0 and "4 files and 2 decisions of people, all unchanged" in held.stdout


def test_a_file_that_becomes_a_copy_of_one_accepted_waits_for_its_own_decision(folder: Path) -> None:
    of(folder, "archive")
    review(folder, folder / "02.png", "reject")
    review(folder, folder / "00.png", "accept")
    shutil.copy(folder / "00.png", folder / "02.png")
    said = of(folder, "archive").stdout
    assert "  0 photographs read now, 2 kept from before\n  1 file has other content than" in said
    book = Ledger(folder.parent / "a.db")
    found = trends.trends_of(book, 5)
    assert [(row["path"], row["decision"]) for row in found.work] == [(str(folder / "02.png"), "accept")]
    assert found.replaced == 1 and found.to_look_at == {"refusal": 1} and found.copies == 1
    review(folder, folder / "02.png", "reject")
    assert trends.trends_of(book, 5).replaced == 0


def test_of_copies_the_one_that_a_decision_named_is_said(folder: Path) -> None:
    photo, copy = folder / "01.png", folder / "00 as sent.png"
    shutil.copy(photo, copy)
    of(folder, "archive")
    review(folder, photo, "reject")
    again = of(folder, "review", str(copy), "--decision", "reject", "--by", "B. Person", "--reason", "seen").stdout
    assert f"reject by A. Person, is kept; it was made on this reading of its copy {photo}\n" in again
    review(folder, photo, "retake")
    before = copy.read_bytes()
    copy.write_bytes((folder / "00.png").read_bytes() + b"\0")
    of(folder, "archive")
    shown = of(folder, "trends").stdout
    assert f"the file has other content than when A. Person decided on its copy {photo} (retake, 20" in shown
    copy.write_bytes(before)
    photo.unlink()
    of(folder, "archive")
    photo.write_bytes(before + b"\0")
    copy.write_bytes(before + b"\0")
    of(folder, "archive")
    lost = of(folder, "verify").stdout
    assert f"decision 1 (reject by A. Person): what it was made on, once {photo}, is in no file" in lost
    assert f"decision 2 (reject by B. Person): what it was made on, once {copy}, is in no file" in lost


def test_what_was_replaced_comes_before_all_else_and_each_once(made: Made) -> None:
    photos: dict[str, dict[str, Any]] = {
        "bad": reading("nonconforming", 0.001),
        "sure": reading(technician="T. One"),
        "surer": reading(p=0.999),
    }
    book = made(photos)
    for path in ("sure", "surer"):
        decide(book, path, "reject", "seen", "A. Person", NOW)
    assert put(book, ("sure", "bad"), ("surer", "new"), ("bad", "bad")) == ["sure", "surer"]
    for most in (0, 1, 2, 3, 9):
        found = trends.trends_of(book, most)
        assert [row["path"] for row in found.work] == ["sure", "surer", "bad"][:most]
        assert found.to_look_at == {"nonconforming": 2, "waiting": 1}
    assert [row["replaced"] is None for row in trends.trends_of(book, 9).work] == [False, False, True]
    (own,) = trends.trends_of(book, 9, "T. One").work
    assert own["path"] == "sure" and trends.trends_of(book, 9, "Nobody").replaced == 0
    page = trends_html("a.db", trends.trends_of(book, 9), load_limits("common"), book, "common", ())
    assert "2 files have other content than when a person decided on them" in page


def test_what_a_file_held_is_known_however_often_it_changed_or_could_not_be_had(made: Made) -> None:
    book = made({"f": reading(sha256="a"), "b": reading(), "c": reading()})
    decide(book, "a", "reject", "seen", "A. Person", NOW)
    assert put(book, ("f", None)) == [] and not replaced_files(book), "of what cannot be had nothing is known"
    assert put(book, ("f", "a")) == [] and not replaced_files(book)
    put(book, ("f", None))
    assert put(book, ("f", "b")) == ["f"], "also by way of nothing"
    assert [one.decision for one in replaced_files(book).values()] == ["reject"]
    decide(book, "b", "accept", "seen", "B. Person", NOW)
    assert not replaced_files(book)
    assert put(book, ("f", "c")) == ["f"] and [one.decision for one in replaced_files(book).values()] == ["accept"]
    assert put(book, ("f", "a")) == ["f"] and [one.decision for one in replaced_files(book).values()] == ["accept"], (
        "the decision on what it held first is older than the one it was replaced after"
    )
    decide(book, "a", "reject", "seen again", "A. Person", NOW)
    assert not replaced_files(book) and not lost_decisions(book)
    book.forget_content("f", "the file changed")
    assert [one.number for one in lost_decisions(book)] == [1, 3]
    assert put(book, ("f", "c")) == ["f"] and replaced_files(book)["f"].decision == "reject"


def test_what_was_hashed_and_never_read_was_not_read_before(made: Made) -> None:
    book = made({"f": {}})
    assert put(book, ("f", "b")) == [] and put(book, ("f", None)) == [] and put(book, ("f", "c")) == []
    decide(book, "c", "retake", "it waits too long", "A. Person", NOW)
    assert put(book, ("f", "d")) == ["f"] and list(replaced_files(book)) == ["f"]


def test_a_decision_of_an_older_ledger_whose_picture_was_replaced_long_ago_is_named(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    for name in ("person_of", "more_as_json"):
        base.create_function(name, 1, str)
    base.executescript(f"{''.join(MIGRATIONS[:7])} PRAGMA user_version = 7;")
    base.commit()
    base.close()
    old = sqlite3.connect(path)
    assert not old.execute("SELECT 1 FROM sqlite_master WHERE name = 'earlier'").fetchall()
    old.close()
    book = Ledger(path)
    book.use("s")
    decide(book, "a", "reject", "seen", "A. Person", NOW)
    put(book, ("f", None))
    held = CliRunner().invoke(app, ["verify", str(path)])
    assert held.exit_code == ExitCode.NONCONFORMING
    assert "decision 1 (reject by A. Person): what it was made on is in no file of the ledger any more" in held.stdout
    assert CliRunner().invoke(app, ["trends", str(path)]).exit_code == 0


def test_a_picture_that_is_gone_from_a_folder_that_is_walked_is_said_to_be_so(folder: Path, tmp_path: Path) -> None:
    (other := folder_of(tmp_path / "photos 2", 1) / "copy.png").rename(tmp_path / "photos 2" / "moved.png")
    ledger = str(tmp_path / "a.db")
    words = ["archive", str(folder), str(other.parent), "--ledger", ledger]
    assert "no longer there" not in CliRunner().invoke(app, words).stdout
    (folder / "02.png").unlink()
    (tmp_path / "photos 2" / "moved.png").unlink()
    assert f"  1 file of the ledger is no longer there: {folder / '02.png'}\n" in of(folder, "archive").stdout
    (folder / "01.png").unlink()
    said = f"  2 files of the ledger are no longer there: {folder / '01.png'}, {folder / '02.png'}\n"
    assert said in of(folder, "archive").stdout
    one = CliRunner().invoke(app, ["archive", str(folder / "00.png"), "--ledger", ledger])
    assert one.exit_code == 0 and "no longer there" not in one.stdout, "no folder was walked"


def test_only_what_a_folder_would_show_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "odd.raw").touch()
    known = [
        *("in/gone.jpg", "in/odd.raw", "in/b.jpg", "gone.jpg", "../gone.jpg", "/gone.jpg"),
        *("https://host/gone.jpg", "zip://in/gone.jpg::file:///a.zip"),
    ]
    assert gone(known, ["in"], ["in/b.jpg"]) == ["in/gone.jpg"]
    assert gone(known, ["."], ["in/b.jpg"]) == ["gone.jpg", "in/gone.jpg"]
    assert gone(known, ["in/*.jpg", "@in", "https://host/", "in/odd.raw"], []) == []
