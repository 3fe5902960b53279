"""Killed, out of disk: what is written stays, and gone on with it ends as if nothing had happened."""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.visionwire.archive.small import DEMO, RUN, SETTINGS, bring_up_to_date, dump, folder_of, in_this_process
from visionwire.archive import Ledger, Settings, listed, run, work
from visionwire.archive.ledger import Job
from visionwire.errors import ArchiveError

KILLS = 60


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a child as the machine would die")
def test_killed_at_random_it_ends_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = folder_of(tmp_path / "photos", 12)
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    began = time.monotonic()
    bring_up_to_date(folder, tmp_path / "whole.db")
    whole_s = time.monotonic() - began
    chance, killed, ended = random.Random(3), 0, 0
    ledger = tmp_path / "killed.db"
    while killed < KILLS:
        child = os.fork()
        if child == 0:
            bring_up_to_date(folder, ledger)
            os._exit(0)
        time.sleep(chance.uniform(0, 1.2 * whole_s / 6))
        os.kill(child, signal.SIGKILL)
        dead = os.WIFSIGNALED(os.waitpid(child, 0)[1])
        killed, ended = killed + dead, ended + (not dead)
        if not dead:  # it came to its end: begin another ledger, so that every kill falls into real work
            assert dump(ledger) == dump(tmp_path / "whole.db")
            for leftover in tmp_path.glob("killed.db*"):
                leftover.unlink()
    bring_up_to_date(folder, ledger)
    assert dump(ledger) == dump(tmp_path / "whole.db")


def test_killed_while_what_had_ended_is_read_again_it_ends_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_of(tmp_path / "photos", 4)
    ledgers = [tmp_path / "whole.db", tmp_path / "killed.db"]

    def ended(todo: list[Job], *_: object) -> object:
        yield from (work.unreadable(sha256, "took-too-long", "it ended") for sha256, *_ in todo)

    def broken_off(todo: list[Job], settings: Settings, *_: object) -> object:
        yield from in_this_process(todo[:2], settings)  # type: ignore[misc]
        raise KeyboardInterrupt

    def again(ledger: Path) -> None:
        book = Ledger(ledger)
        run(listed([str(folder)]), book, SETTINGS, limit_s=240.0)
        book.close()

    monkeypatch.setattr(RUN, "_entries", ended)
    for ledger in ledgers:
        bring_up_to_date(folder, ledger)
    monkeypatch.setattr(RUN, "_entries", broken_off)
    with pytest.raises(KeyboardInterrupt):
        again(ledgers[1])
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    for ledger in ledgers:
        again(ledger)
    assert dump(ledgers[0]) == dump(ledgers[1])
    assert not [row for row in dump(ledgers[0]) if "took-too-long" in row]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to see which workers there are")
def test_ended_by_the_machine_it_says_what_is_kept_and_leaves_no_worker(tmp_path: Path) -> None:
    folder, ledger = tmp_path / "photos", tmp_path / "a.db"
    folder.mkdir()
    for k in range(40):
        (folder / f"{k}.jpg").write_bytes(DEMO.read_bytes() + bytes([k]))
    words = ["archive", str(folder), "--ledger", str(ledger), "--jobs", "2"]
    code = f"from visionwire.cli import app; app({words!r})"
    begun = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 100
        while not ledger.exists() or not [row for row in dump(ledger) if row.startswith("readings")]:
            assert begun.poll() is None and time.monotonic() < until
            time.sleep(0.1)
        workers = Path(f"/proc/{begun.pid}/task/{begun.pid}/children").read_text().split()
        begun.send_signal(signal.SIGTERM)
        said, complaint = begun.communicate(timeout=30)
    finally:
        begun.kill()
    kept = len([row for row in dump(ledger) if row.startswith("readings")])
    assert begun.returncode == 143 and said == "" and len(workers) >= 2 and 0 < kept < 40
    counted = re.fullmatch(
        r"stopped: (\d+) photographs? read now and kept, \d+ left; the same command goes on where it was\n", complaint
    )
    # What it was writing as it was stopped is kept and perhaps not counted.
    assert counted is not None and int(counted[1]) in (kept - 1, kept)
    until = time.monotonic() + 10
    while left := [one for one in workers if Path(f"/proc/{one}").exists()]:
        assert time.monotonic() < until, left
        time.sleep(0.1)


def test_a_full_disk_is_said_loses_nothing_and_it_goes_on_with_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_of(tmp_path / "photos", 40)
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    bring_up_to_date(folder, tmp_path / "whole.db")
    book = Ledger(tmp_path / "full.db")
    ((pages,),) = book.ask("PRAGMA page_count")
    list(book.ask(f"PRAGMA max_page_count = {pages + 8}"))  # SQLite then answers as of a disk without room
    with pytest.raises(ArchiveError, match=r"cannot be used \(database or disk is full\); what it holds is kept"):
        run(listed([str(folder)]), book, SETTINGS)
    book.close()
    kept = {row for row in dump(tmp_path / "full.db") if row.startswith("readings")}
    assert 0 < len(kept) < 41
    bring_up_to_date(folder, tmp_path / "full.db")
    assert kept < set(dump(tmp_path / "full.db"))
    assert dump(tmp_path / "full.db") == dump(tmp_path / "whole.db")
