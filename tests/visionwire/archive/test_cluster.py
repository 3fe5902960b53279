"""An archive read by the workers of a scheduler, each a process of its own, one of them killed on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import SETTINGS, dump, folder_of
from visionwire.archive import Ledger, Progress, listed, run
from visionwire.archive.cluster import connected
from visionwire.cli import app
from visionwire.errors import ExitCode

distributed = pytest.importorskip("distributed")
PICTURES = 40


def started(words: list[str]) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + words[0], *words[1:]],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )


@pytest.fixture
def processes(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    contact = tmp_path / "scheduler.json"
    scheduler = started(["dask_scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(contact)])
    words = ["dask_worker", "--scheduler-file", str(contact), "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    until = time.monotonic() + 60
    while not contact.exists() and time.monotonic() < until:
        time.sleep(0.1)
    workers = [started(words) for _ in range(2)]
    address = json.loads(contact.read_text())["address"]
    with distributed.Client(address) as client:
        client.wait_for_workers(2, timeout=60)
    yield address, workers
    for process in (*workers, scheduler):
        process.kill()
        process.wait()


@pytest.mark.filterwarnings("ignore")
def test_a_worker_killed_on_the_way_changes_nothing(
    tmp_path: Path, processes: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    address, workers = processes
    folder = folder_of(tmp_path / "photos", PICTURES)
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    book = Ledger(here)
    run(listed([str(folder)]), book, SETTINGS, jobs=1)
    book.close()

    def kill_one(progress: Progress) -> None:
        if progress.done == 3:
            os.kill(workers[0].pid, signal.SIGKILL)

    book = Ledger(there)
    with connected(address) as client:
        counts = run(listed([str(folder)]), book, SETTINGS, cluster=client, tell=kill_one)
    book.close()
    assert sum(counts.values()) == PICTURES + 2
    assert dump(there) == dump(here)


@pytest.mark.filterwarnings("ignore")
def test_workers_elsewhere_open_urls_themselves(
    tmp_path: Path, processes: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    pytest.importorskip("fsspec")
    folder = folder_of(tmp_path / "photos", 3)
    with zipfile.ZipFile(tmp_path / "photos.zip", "w") as file:
        for one in folder.iterdir():
            file.write(one, one.name)
    word = f"zip://::{(tmp_path / 'photos.zip').as_uri()}"
    book = Ledger(tmp_path / "a.db")
    with connected(processes[0]) as client:
        assert run(listed([word]), book, SETTINGS, cluster=client) == {"refusal": 4, "unreadable": 1}


def test_no_scheduler_is_said_and_no_ledger_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from visionwire.archive import cluster

    monkeypatch.setattr(cluster, "CONNECT_S", 0.5)
    folder, ledger = folder_of(tmp_path / "photos", 1), tmp_path / "a.db"
    words = ["archive", str(folder), "--ledger", str(ledger), "--cluster"]
    for address in ("tcp://127.0.0.1:9", "nowhere"):
        off = CliRunner().invoke(app, [*words, address])
        assert off.exit_code == ExitCode.FILE and off.stderr.count("\n") == 1 and off.stdout == ""
        assert f"no scheduler answers at {address} (" in off.stderr and not ledger.exists()
