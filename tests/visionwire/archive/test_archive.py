"""The archive: every file one row, whatever happens; nothing read twice, nothing lost, nothing written over."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import shutil
import signal
import sqlite3
import struct
from importlib import resources
from multiprocessing import Pipe
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from tests.visionwire.archive.small import (
    DEMO,
    RUN,
    SETTINGS,
    all_rows,
    bring_up_to_date,
    dump,
    folder_of,
    in_this_process,
)
from visionwire.archive import Ledger, Settings, export, listed, run, work
from visionwire.archive.ledger import Entry, Job, LimitsUsed
from visionwire.archive.schema import MIGRATIONS
from visionwire.cli import app
from visionwire.errors import ArchiveError, ExitCode
from visionwire.limits import load_limits


def test_every_file_is_one_row_and_a_copy_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = folder_of(tmp_path / "photos", 3)
    read: list[str] = []

    def counting(todo: list[Job], settings: Settings, *_: object) -> object:
        read.extend(path for _, path, _ in todo)
        return in_this_process(todo, settings)

    monkeypatch.setattr(RUN, "_entries", counting)
    book = Ledger(tmp_path / "a.db")
    counts = run(listed([str(folder)]), book, SETTINGS)
    columns, rows = all_rows(book)
    by_name = {Path(row[0]).name: dict(zip(columns, row, strict=True)) for row in rows}
    assert len(rows) == 5 and sum(counts.values()) == 5
    assert len(read) == 4
    assert by_name["copy.png"]["copy_of"] == str(folder / "00.png")
    assert by_name["copy.png"]["code"] == by_name["00.png"]["code"]
    assert by_name["broken.jpg"]["state"] == "unreadable"
    assert "No such" not in str(by_name["broken.jpg"]["message"])
    read.clear()
    run(listed([str(folder)]), book, SETTINGS)
    assert read == []
    run(listed([str(folder)]), book, Settings(load_limits("common"), 0.041))
    assert len(read) == 4


def test_workers_read_a_real_picture_and_what_hangs_or_hogs_is_ended(tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    shutil.copy(DEMO, folder / "demo.jpg")
    shutil.copy(DEMO, folder / "again.jpg")
    (folder / "empty.png").write_bytes(b"")
    states = {}
    for name, limit_s, memory_gb in (("good", 120.0, 8.0), ("slow", 0.05, 8.0), ("greedy", 120.0, 0.2)):
        book = Ledger(tmp_path / f"{name}.db")
        run(listed([str(folder)]), book, SETTINGS, jobs=2, limit_s=limit_s, memory_gb=memory_gb)
        columns, rows = all_rows(book)
        states[name] = {Path(row[0]).name: (row[columns.index("state")], row[columns.index("code")]) for row in rows}
        book.close()
    assert states["good"] == {
        "again.jpg": ("reading", None),
        "demo.jpg": ("reading", None),
        "empty.png": ("unreadable", "unreadable"),
    }
    assert states["slow"]["demo.jpg"] == ("unreadable", "took-too-long")
    assert states["greedy"]["demo.jpg"][1] in ("worker-died", "too-large")


@pytest.mark.parametrize(
    ("code", "more"),
    [("took-too-long", {"limit_s": 240.0}), ("too-large", {"memory_gb": 8.0}), ("worker-died", {"memory_gb": 8.0})],
)
def test_what_ended_for_want_of_time_or_memory_is_read_again_with_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, more: dict[str, float]
) -> None:
    folder = folder_of(tmp_path / "photos", 2)
    read: list[list[str]] = []

    def ending(todo: list[Job], *_: object) -> object:
        read.append([Path(path).name for _, path, _ in todo])
        for sha256, path, _ in todo:
            done = len(read) > 2 or path.endswith("01.png")
            yield work.read(sha256, path, SETTINGS) if done else work.unreadable(sha256, code, "it ended")

    monkeypatch.setattr(RUN, "_entries", ending)
    book = Ledger(tmp_path / "a.db")
    paths = [str(folder / name) for name in ("00.png", "01.png")]
    run(paths, book, SETTINGS)
    run(paths, book, SETTINGS, limit_s=60.0, memory_gb=2.0)
    assert book.states() == {"refusal": 1, "unreadable": 1}
    run(paths, book, SETTINGS, **more)
    again = ["00.png"] if code == "worker-died" else []  # of what it died is not known: every run tries again
    assert read == [["00.png", "01.png"], again, ["00.png"]]
    assert book.states() == {"refusal": 2}
    bring_up_to_date(folder, tmp_path / "plain.db")
    read_once = [row for row in dump(tmp_path / "plain.db") if row.startswith(("readings", "records"))]
    assert {row for row in dump(tmp_path / "a.db") if row.startswith(("readings", "records"))} <= set(read_once)


def test_a_worker_that_died_is_not_said_to_have_wanted_memory_for_sure() -> None:
    here, there = Pipe()
    there.close()
    dead = SimpleNamespace(kill=lambda: None, join=lambda: None)
    worker = RUN._Worker(dead, here, 120.0, 4.0, job=("a" * 64, "a.jpg", None))
    assert RUN._answer(worker, True).message == (
        "reading it ended unexpectedly, most often for want of memory (4 GB now); run it again, with more by --memory "
        "where this stays"
    )


def damaged(path: Path, count: int) -> Path:
    """Make files that are cut short, flipped, misnamed, empty, or claim to be enormous."""
    path.mkdir()
    good = DEMO.read_bytes()
    small = io.BytesIO()
    Image.fromarray(np.full((64, 80, 3), 90, np.uint8)).save(small, "PNG")
    header = small.getvalue()[:16]
    bomb = header + struct.pack(">II", 60_000, 60_000) + small.getvalue()[24:]
    rng = np.random.default_rng(11)
    for k in range(count):
        kind = k % 5
        if kind == 0:
            data = good[: int(rng.integers(1, len(good) // 2))]
        elif kind == 1:
            data = bytearray(good[:40_000])
            for at in rng.integers(0, len(data), 40):
                data[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            data = rng.bytes(int(rng.integers(1, 3000)))
        else:
            data = b"" if kind == 3 else bomb
        (path / f"{k:04d}{('.jpg', '.jpg', '.png', '.tif', '.png')[kind]}").write_bytes(bytes(data))
    return path


def test_damaged_files_are_rows_like_any_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder = damaged(tmp_path / "damaged", 200)
    book = Ledger(tmp_path / "a.db")
    counts = run(listed([str(folder)]), book, SETTINGS)
    assert sum(counts.values()) == 200
    assert counts["unreadable"] >= 155  # of those with flipped bits some still open
    columns, rows = all_rows(book)
    said = {row[columns.index("message")] for row in rows if row[columns.index("state")] == "unreadable"}
    assert not [sentence for sentence in said if "should not have happened" in sentence]


def test_a_file_that_cannot_be_opened_keeps_its_row(tmp_path: Path) -> None:
    book = Ledger(tmp_path / "a.db")
    counts = run([str(tmp_path / "gone.jpg")], book, SETTINGS)
    assert counts == {"unreadable": 1}
    columns, rows = all_rows(book)
    assert "is not there, as if it was moved or deleted; check its path" in rows[0][columns.index("message")]


def test_a_reading_is_never_written_over(tmp_path: Path) -> None:
    book = Ledger(tmp_path / "a.db")
    book.use("s")
    for call in ("conforming", "nonconforming"):
        book.put_entry(Entry("a" * 64, "reading", None, None, None, {"call": call}), "s")
    assert book.record("a" * 64) == ({"call": "conforming"}, {})


def test_a_newer_ledger_and_no_ledger_are_said(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    Ledger(path).close()
    base = sqlite3.connect(path)
    base.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    base.commit()
    base.close()
    with pytest.raises(ArchiveError, match="newer visionwire"):
        Ledger(path)
    other = tmp_path / "b.db"
    other.write_text("this is no database, whatever it is, and it goes on for a while" * 40)
    with pytest.raises(ArchiveError, match=r"is a folder; give the name of a ledger in it, such as .*photos\.db$"):
        Ledger(tmp_path)
    with pytest.raises(ArchiveError, match=r"there is no folder .*none for the ledger .*b\.db; make it, or give"):
        Ledger(tmp_path / "none" / "b.db")
    (tmp_path / "empty").write_bytes(b"")
    for words in (["trends"], ["verify"], ["review", "a", "--decision", "accept", "--by", "A", "--reason", "seen"]):
        off = CliRunner().invoke(app, [words[0], str(tmp_path / "empty"), *words[1:]])
        assert off.exit_code == ExitCode.FILE and "is empty and no ledger; give the file" in off.stderr
    assert (tmp_path / "empty").read_bytes() == b"", "it is not made one"
    with pytest.raises(ArchiveError, match=r"b\.db is not a ledger; give the file that visionwire archive wrote"):
        Ledger(other)


def test_which_way_fasteners_tighten_is_a_setting_of_an_archive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    ledger = tmp_path / "a.db"
    words = ["archive", str(DEMO), "--ledger", str(ledger), "--wire", "0.032"]
    for more in ([], ["--tightens", "clockwise"]):
        assert CliRunner().invoke(app, [*words, *more]).exit_code == 0
        book = Ledger(ledger)
        ((sha256,),) = book.ask("SELECT sha256 FROM files")
        kept = book.record(sha256)
        book.close()
        assert kept is not None and (kept[0]["routing"] is not None) is bool(more)
    ways = [SETTINGS, *(dataclasses.replace(SETTINGS, tightens=way) for way in ("clockwise", "counter-clockwise"))]
    assert len({one.sha256 for one in ways}) == 3
    off = CliRunner().invoke(app, [*words, "--tightens", "left"])
    assert off.exit_code == ExitCode.USAGE and "one of clockwise, counter-clockwise" in off.stderr


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--method", "wraps"], "--method wraps is pointed at picture by picture, which an archive cannot do"),
        (["--method", "singel"], "did you mean single?"),
        (["--limit", "0"], "--limit is 0 seconds; it must be a number above 0, such as 120"),
        (["--limit", "nan"], "--limit is nan seconds; it must be"),
        (["--memory", "-1"], "--memory is -1 GB; it must be a number above 0, such as 4"),
    ],
)
def test_what_an_archive_cannot_be_read_by_is_refused_before_a_ledger_is_made(
    tmp_path: Path, words: list[str], sentence: str
) -> None:
    ledger = tmp_path / "a.db"
    off = CliRunner().invoke(app, ["archive", str(DEMO), "--ledger", str(ledger), *words])
    assert off.exit_code == ExitCode.USAGE and off.stderr.count("\n") == 1 and sentence in off.stderr
    assert not ledger.exists()


def test_the_same_picture_saved_again_looks_the_same() -> None:
    pixels = np.asarray(Image.open(DEMO).convert("RGB"))
    small = np.asarray(Image.fromarray(pixels).resize((500, 375)))
    marks = [int(work.fingerprint(one), 16) for one in (pixels, small, pixels[::-1].copy())]
    assert (marks[0] ^ marks[1]).bit_count() <= 3 < (marks[0] ^ marks[2]).bit_count()


def test_every_export_holds_the_same_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    monkeypatch.setattr(export, "ROWS_AT_ONCE", 2)
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    book = Ledger(tmp_path / "a.db")
    run(listed([str(folder_of(tmp_path / "photos", 3))]), book, SETTINGS)
    columns, rows = all_rows(book)
    export.to_parquet(tmp_path / "a.parquet", *book.rows())
    export.to_jsonl(tmp_path / "a.jsonl", *book.rows())
    table = parquet.read_table(tmp_path / "a.parquet")
    assert table.schema.field("twists_per_inch").metadata == {b"unit": b"1/in"}
    lines = [json.loads(line) for line in (tmp_path / "a.jsonl").read_text().splitlines()]
    assert table.to_pylist() == lines == [dict(zip(columns, row, strict=True)) for row in rows]


def test_a_ledger_of_other_readings_is_read_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    before = SETTINGS.sha256
    monkeypatch.setattr("visionwire.archive.settings.READINGS", -1)
    assert SETTINGS.sha256 != before


def test_a_run_says_what_it_read_what_it_kept_and_which_settings_differ(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder, ledger = folder_of(tmp_path / "photos", 3), tmp_path / "a.db"

    def lines(*words: str) -> list[str]:
        done = CliRunner().invoke(app, ["archive", str(folder), "--ledger", str(ledger), *words])
        assert done.exit_code == 0, done.stderr
        said = done.stdout.partition(f"{ledger}: ")[2].splitlines()[1:]
        return [line for line in said if "wire is not known: tell" not in line]

    kept = "  0 photographs read now, 4 kept from before"  # five files, of which one is a copy
    anew = "  3 photographs read now, 1 unreadable, 0 kept from before"
    assert lines() == [anew]
    assert lines() == [kept]
    assert lines("--wire", "0.032") == [anew, "  --wire differs from the last run: 4 read anew"]
    wire = "--wire and --tightens differ from the last run: 4 read anew"
    assert lines("--wire", "0.041", "--tightens", "clockwise") == [anew, f"  {wire}"]
    back = "--wire and --tightens differ from the last run: 0 read anew"
    level = "--wire, --tightens and --card-below differ from the last run: 4 read anew"
    assert lines("--wire", "0.032", "--card-below", "0") == [anew, f"  {level}"]
    back = "--card-below differs from the last run: 0 read anew"
    assert lines("--wire", "0.032") == [kept, f"  {back}"]
    base = sqlite3.connect(ledger)
    base.execute("DELETE FROM meta WHERE key = 'settings_told'")  # as in ledgers made before it was written down
    base.commit()
    base.close()
    assert lines() == [kept, "  what it is read by differs from the last run: 0 read anew"]


def test_before_pictures_are_read_anew_it_says_how_many_for_which_setting_and_what_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, ledger, own, table = folder_of(tmp_path / "photos", 3), *(tmp_path / one for one in ("a.db", "o.toml", "t"))
    common = (resources.files("visionwire.limits") / "common.toml").read_text(encoding="utf-8")
    own.write_text(common.replace('name = "common"', 'name = "own"'), encoding="utf-8")

    def stopped_at_once(todo: list[Job], *_: object) -> object:
        yield from ()
        raise KeyboardInterrupt

    def said(*words: str, reads: bool = True) -> str:
        monkeypatch.setattr(RUN, "_entries", in_this_process if reads else stopped_at_once)
        done = CliRunner().invoke(app, ["archive", str(folder), "--ledger", str(ledger), *words])
        assert done.exit_code == (0 if reads else 130), done.stderr
        before = done.stdout.partition(f"{ledger}: ")[0].splitlines(keepends=True)
        return "".join(line for line in before if not line.startswith("--metadata: "))

    def anew(count: str, last: str, why: str = "for --wire differs from the last run") -> str:
        return f"{count} read anew, {why}; to go on with its readings, stop this and {last}\n"

    assert said("--wire", "0.032") == said("--wire", "0.032") == "", "nothing is read anew"
    slip = said("--wire", "0.041", reads=False)
    assert slip == anew("4 photographs are", "give --wire 0.032")
    assert said("--wire", "0.032") == "", "as it says, that goes on"
    assert said("--wire", "0.041", reads=False) == slip
    left = "4 photographs are read anew, by the settings of the last run, which left no reading of them\n"
    assert said("--wire", "0.041", reads=False) == left
    assert said(reads=False) == "4 photographs are read anew, for --wire differs from the last run\n", "it has none"
    assert said("--wire", "0.8mm") and said("--wire", "0.8mm") == ""
    low, level = ["--wire", "0.8mm", "--card-below", "3"], ["--wire", "0.8mm", "--card-below", "0"]
    below = "for --card-below differs from the last run"
    assert said(*low) == anew("4 photographs are", "leave out --card-below", below)
    assert said(*level) == anew("4 photographs are", "give --card-below 3", below)
    assert said("--wire", "0.8mm") == "", "those readings are there"
    words = ["--tightens", "clockwise", "--finder", "learned", "--limits", str(own)]
    four = "for --limits, --wire, --finder and --tightens differ from the last run"
    before = f"give --limits common, give --wire {0.8 / 25.4}, give --finder both and leave out --tightens"
    assert said(*words) == anew("4 photographs are", before, four)
    own.write_text(own.read_text() + "# changed\n", encoding="utf-8")
    limits = "for --limits differs from the last run"
    assert said(*words) == anew("4 photographs are", f"give --limits {own} as it was then", limits)
    table.write_text("photo,wire_in\n01.png,0.032\n")
    wires = "give a --metadata that tells the wires as they were (none takes one back)"
    told = "for the wire that --metadata tells differs from the last run"
    assert said(*words, "--metadata", str(table)) == anew("1 photograph is", wires, told)
    assert said(*words, "--metadata", str(table)) == ""
    table.write_text("photo,wire_in\n01.png,none\n")
    assert said(*words, "--metadata", str(table)) == ""
    monkeypatch.setattr("visionwire.archive.settings.READINGS", -1)
    version = "for the version of visionwire differs from the last run"
    assert said(*words) == anew("4 photographs are", "use the version that made them", version)


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_stopped_it_says_what_is_kept_and_how_to_go_on(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
    number: signal.Signals,
    status: int,
) -> None:
    folder, before = folder_of(tmp_path / "photos", 3), signal.getsignal(signal.SIGTERM)

    def broken_off(todo: list[Job], settings: Settings, *_: object) -> object:
        yield from in_this_process(todo[:2], settings)  # type: ignore[misc]
        signal.raise_signal(number)

    # Started in the background of a shell a process does not heed SIGINT.
    heeded = signal.signal(signal.SIGINT, signal.default_int_handler)
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, heeded))
    monkeypatch.setattr(RUN, "_entries", broken_off)
    words = ["archive", str(folder), "--ledger", str(tmp_path / "a.db")]
    stopped = CliRunner().invoke(app, words)
    assert stopped.exit_code == status and stopped.stdout == ""
    assert signal.getsignal(signal.SIGTERM) == before
    assert stopped.stderr == "stopped: 2 photographs read now and kept, 2 left; the same command goes on where it was\n"
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    assert "  1 photograph read now, 1 unreadable, 2 kept from before" in CliRunner().invoke(app, words).stdout


def test_the_commands_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder = folder_of(tmp_path / "bay 1", 2)
    shutil.copy(DEMO, folder / "demo.jpg")
    ledger, page, table = (str(tmp_path / name) for name in ("a.db", "t.html", "t.csv"))
    runner = CliRunner()
    done = runner.invoke(
        app, ["archive", str(folder), "--ledger", ledger, "--wire", "0.032", "--pattern", "{station}/*"]
    )
    assert done.exit_code == 0 and "5 files" in done.stdout
    shown = runner.invoke(app, ["trends", ledger, "--html", page, "--csv", table])
    assert shown.exit_code == 0 and "1 conforming" in shown.stdout
    assert re.search(
        r"(run 1|pigtail): \S+ ± \S+ twists.*, allowed .*; within limits with probability over", shown.stdout
    )
    assert " 100 %" not in shown.stdout
    once = "5 files, 1 reading, 3 refusals, 1 unreadable; 1 of them a copy, counted once among photographs and calls"
    assert f"{once}\n  3 photographs read now, 1 unreadable, 0 kept" in done.stdout, "four contents of five files"
    assert f"{once}; calls:" in shown.stdout
    html = Path(page).read_text()
    assert "bay 1" in html and "eye protection" in html
    assert "://" not in html.replace("http://www.w3.org", "")  # the letters alone may stand in a picture's base64
    assert Path(table).read_bytes().startswith(b"\xef\xbb\xbf")
    assert "twists_per_inch [1/in]" in Path(table).read_text(encoding="utf-8-sig").splitlines()[0]
    demo = str(folder / "demo.jpg")
    words = ["review", ledger, demo, "--decision", "accept", "--by", "A. Person", "--reason", "as drawn"]
    assert runner.invoke(app, words).exit_code == 0
    held = runner.invoke(app, ["verify", ledger])
    assert held.exit_code == 0 and held.stdout == f"{ledger}: 5 files and 1 decision of people, all unchanged\n"
    Path(demo).write_bytes(Path(demo).read_bytes() + b"\0")
    changed = runner.invoke(app, ["verify", ledger])
    assert changed.exit_code == ExitCode.NONCONFORMING and "another than the one" in changed.stdout
    assert runner.invoke(app, ["trends", str(tmp_path / "none.db")]).exit_code == ExitCode.FILE


@pytest.mark.parametrize(
    ("code", "want", "again"),
    [
        ("took-too-long", "ended for want of time", "with a larger --limit reads them again"),
        ("too-large", "ended for want of memory", "with a larger --memory reads them again"),
        ("worker-died", "ended unexpectedly", "reads them again, where that does not help with a larger --memory"),
    ],
)
def test_the_last_words_say_what_reads_again_what_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, want: str, again: str
) -> None:
    def ending(todo: list[Job], *_: object) -> object:
        yield from (work.unreadable(sha256, code, "it ended") for sha256, *_ in todo)

    monkeypatch.setattr(RUN, "_entries", ending)
    folder = folder_of(tmp_path / "photos", 1)
    ledger, page = tmp_path / "a.db", tmp_path / "t.html"
    done = CliRunner().invoke(app, ["archive", str(folder), "--ledger", str(ledger)])
    assert f"3 files {want}" in done.stdout and f"visionwire archive {again}" in done.stdout
    first, second, *_ = done.stdout.splitlines()
    assert first.startswith(f"{ledger}: 3 files, 3 {want}"), "they may be read yet, so they are not called unreadable"
    assert second == f"  0 photographs read now, 2 {want}, 0 kept from before"
    shown = CliRunner().invoke(app, ["trends", str(ledger), "--html", str(page)]).stdout
    assert (
        f"{ledger}: 3 files, 3 {want}; " in shown
        and "; calls: none\n" in shown
        and f"3 files: 3 {want};" in page.read_text()
    )


def test_what_ended_is_counted_apart_from_what_is_no_picture_and_an_empty_file_is_no_photograph_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_of(tmp_path / "photos", 3)
    (folder / "empty.png").write_bytes(b"")

    def ending(todo: list[Job], settings: Settings, *_: object) -> object:
        for sha256, path, wire_in in todo:
            late = path.endswith("01.png")
            yield (
                work.unreadable(sha256, "took-too-long", "it ended")
                if late
                else work.read(sha256, path, settings.of_wire(wire_in))
            )

    monkeypatch.setattr(RUN, "_entries", ending)
    done = CliRunner().invoke(app, ["archive", str(folder), "--ledger", str(tmp_path / "a.db")])
    first, second, *_ = done.stdout.splitlines()
    assert ": 6 files, 3 refusals, 1 ended for want of time, 2 unreadable; 1 of them a copy, counted" in first
    assert second == "  2 photographs read now, 1 ended for want of time, 2 unreadable, 0 kept from before"


def test_trends_stands_under_the_limit_set_that_the_archive_was_read_by(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    own, ledger, page = tmp_path / "own.toml", str(tmp_path / "a.db"), tmp_path / "t.html"
    common = (resources.files("visionwire.limits") / "common.toml").read_text(encoding="utf-8")
    own.write_text(common.replace('name = "common"', 'name = "own"'), encoding="utf-8")
    monkeypatch.chdir(tmp_path)  # the set is found again from elsewhere
    assert CliRunner().invoke(app, ["archive", str(DEMO), "--ledger", ledger, "--limits", "own.toml"]).exit_code == 0
    monkeypatch.chdir(Path(__file__).parent)

    def shown(*words: str) -> Result:
        return CliRunner().invoke(app, ["trends", ledger, "--html", str(page), *words])

    assert "limits: own: " in shown().stdout and "own: " in page.read_text()
    assert "no limits are drawn" not in page.read_text()
    page.unlink()
    off = shown("--limits", "common")
    assert off.exit_code == ExitCode.USAGE and off.stderr.count("\n") == 1 and not page.exists()
    assert "was read by the limit set own, and common is another" in off.stderr
    copy = shutil.copy(own, tmp_path / "copy.toml")
    own.write_text(own.read_text() + "# changed\n", encoding="utf-8")
    assert "own.toml is not as it was: no limits are drawn" in shown().stdout
    assert "no limits are drawn" in page.read_text()
    own.unlink()
    assert shown().exit_code == 0
    assert "no limits are drawn" not in shown("--limits", str(copy)).stdout


def test_an_older_ledger_says_by_its_readings_which_limits_they_were_made_by(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    base = sqlite3.connect(path)
    base.create_function("person_of", 1, str)
    base.executescript(f"{''.join(MIGRATIONS[:4])} PRAGMA user_version = 4;")
    base.execute("INSERT INTO meta VALUES ('settings', 's'), ('second_person', 'no')")
    for settings, name in (("r", "gse"), ("s", "common")):
        record = json.dumps({"made_by": {"limits": name, "parameters": {"limits_sha256": name[::-1]}}})
        base.execute(f"INSERT INTO readings VALUES ('a', '{settings}', 'reading', {', '.join(['NULL'] * 12)})")
        base.execute("INSERT INTO records VALUES ('a', ?, ?, '{}')", (settings, record))
    base.commit()
    base.close()
    book = Ledger(path)
    assert book.read_by() == LimitsUsed("common", "nommoc")
    book.use("t")
    assert book.read_by() is None


def test_a_ledger_without_files_is_said_without_a_comma_that_leads_nowhere(tmp_path: Path) -> None:
    ledger = tmp_path / "e.db"
    Ledger(ledger).close()
    page = tmp_path / "t.html"
    shown = CliRunner().invoke(app, ["trends", str(ledger), "--html", str(page)])
    assert shown.exit_code == 0 and f"{ledger}: 0 files\n" in shown.stdout
    assert ">0 files;" in page.read_text()
    held = CliRunner().invoke(app, ["verify", str(ledger)])
    assert held.exit_code == 0 and held.stdout.startswith(f"{ledger}: 0 files and 0 decisions of people; ")
