"""The night's work: every file hashed, every new content read, every row written as soon as it is known."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import multiprocessing
import os
import re
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from visionwire.archive import files, work
from visionwire.archive.cluster import on_cluster
from visionwire.archive.decisions import replaced_files
from visionwire.archive.ledger import Entry, Job, Ledger, LimitsUsed
from visionwire.archive.settings import Settings
from visionwire.archive.urls import is_url

ROWS_AT_ONCE = 200
GIGABYTE = 1 << 30
#: The settings of some pictures alone.
WIRES_TOLD = "the wire that --metadata tells"


@dataclass(frozen=True)
class Progress:
    """How far the work is.

    Attributes
    ----------
    done, total : int
        Pictures done and to do in this run.
    states : dict
        What came of them; of what the reading ended is no state "unreadable" here (`work.ENDED`).
    seconds : float
        Time spent.
    kept : int
        Pictures of the ledger that had been read before, by the same settings.
    anew : int
        Pictures that had been read by other settings alone.
    differs : dict
        The settings that are not those of the last run, and how that had them (`Ledger.differing`); `WIRES_TOLD` too.
    by_last : int
        Pictures of the ledger that had been read by the settings of the last run.
    changed : int
        Files of which the table told something else than what an earlier run had recorded.
    replaced : tuple of str
        Files that hold something else than when they were read before.
    decided : int
        Of how many of these a person had decided on what they held.
    """

    done: int
    total: int
    states: dict[str, int]
    seconds: float
    kept: int
    anew: int
    differs: dict[str, str | None]
    by_last: int = 0
    changed: int = 0
    replaced: tuple[str, ...] = ()
    decided: int = 0


def run(
    places: list[str],
    ledger: Ledger,
    settings: Settings,
    *,
    pattern: re.Pattern[str] | None = None,
    table: files.Table | None = None,
    jobs: int = 1,
    limit_s: float = 120.0,
    memory_gb: float = 4.0,
    cluster: Any = None,
    tell: Callable[[Progress], None] = lambda progress: None,
) -> dict[str, int]:
    """Bring a ledger up to date with some files.

    Stopped at any moment and started again it goes on where it was; the ledger ends the same.

    Parameters
    ----------
    places : list of str
        The photographs, by path or URL (`files.listed`).
    ledger : Ledger
        What is brought up to date.
    settings : Settings
        By what they are read; where the table told a photograph's wire, by that.
    pattern, table
        What a path, and a table by name or path, say of a file (`files.from_path`, `files.from_table`).
    jobs : int
        Worker processes.
    limit_s, memory_gb : float
        What one picture may take; a worker that takes more is ended and the picture recorded as unreadable, until a
        run that allows more. Where its process died, of whatever, the next run tries it again. One by URL may take as
        many seconds again to arrive; if it does not, the next run tries that again too.
    cluster : distributed.Client, optional
        Of a dask scheduler whose workers reach the same paths and URLs (`cluster.connected`); they read in place of
        ``jobs`` processes here.
    tell : callable
        Called before the first picture and after every one.

    Returns
    -------
    dict
        How many of the files are in which state: "reading", "refusal", "unreadable".
    """
    key = settings.sha256
    limits = settings.limits
    differs, (by_last, _) = ledger.differing(key, settings.told), ledger.kept_and_anew()
    read_by = LimitsUsed(limits.name, limits.sha256, settings.limits_file)
    ledger.use(key, limits.second_person, read_by, settings.told)
    changed, rewired, replaced = _entered(places, ledger, settings, pattern, table)
    if rewired:
        differs[WIRES_TOLD] = None
    began, states = time.monotonic(), dict.fromkeys(work.COUNTED, 0)
    allowed = {work.SHORT_OF_TIME: limit_s, work.SHORT_OF_MEMORY: memory_gb}
    ledger.use_own(lambda wire_in: settings.of_wire(wire_in).sha256)
    ledger.forget_ended(allowed | {work.DIED: math.inf})
    todo = ledger.waiting()
    jobs_of = {job[0]: job for job in todo}
    kept, anew = ledger.kept_and_anew()
    decided = len(replaced_files(ledger).keys() & set(replaced))

    def say(done: int) -> None:
        """Tell how far the work is."""
        told = {one: count for one, count in states.items() if count}
        seconds = time.monotonic() - began
        tell(Progress(done, len(todo), told, seconds, kept, anew, differs, by_last, changed, replaced, decided))

    say(0)
    entries = (
        _entries(todo, settings, jobs, limit_s, memory_gb) if cluster is None else on_cluster(todo, settings, cluster)
    )
    with contextlib.closing(entries):  # whatever stops this, no worker is left
        for done, entry in enumerate(entries, 1):
            _, path, wire_in = jobs_of[entry.sha256]
            if entry.code in work.OF_THE_FILE:
                ledger.forget_content(path, entry.message or "")
            else:
                # A cluster's workers allow what they have: what ended there is read again by the next run.
                kept_entry = _with_allowance(entry, allowed) if cluster is None else entry
                ledger.put_entry(kept_entry, settings.of_wire(wire_in).sha256)
            states[work.ENDED.get(entry.code or "", entry.state)] += 1
            say(done)
    return ledger.states()


def _entered(
    places: list[str],
    ledger: Ledger,
    settings: Settings,
    pattern: re.Pattern[str] | None,
    table: files.Table | None,
) -> tuple[int, bool, tuple[str, ...]]:
    """Hash every file and write it into the ledger, with what its path and the table say.

    Returns of how many the table changed what was told, whether of any the wire, and which hold something else than
    before.
    """
    changed, rewired, other = 0, False, []
    for start in range(0, len(places), ROWS_AT_ONCE):
        some = places[start : start + ROWS_AT_ONCE]
        if table is not None:  # asked before it is written over
            told = ledger.told_of(some)
            changed += sum(table.changes(place, before) for place, before in told.items())
            rewired |= any(table.changes_wire(place, before, settings.wire_in) for place, before in told.items())
        other += ledger.put_files([_row(place, pattern, table) for place in some])
    if table is not None:
        ledger.take_back_wires([place for place in places if table.takes_back_wire(place)])
    return changed, rewired, tuple(other)


def _row(place: str, pattern: re.Pattern[str] | None, table: files.Table | None) -> tuple[object, ...]:
    sha256, size, problem = files.sha256_of(place)
    told = {**files.from_path(place, pattern), **({} if table is None else table.of(place))}
    wire_in = None if table is None else table.wire_in(place)
    return (place, sha256, size, problem, *(told.get(field) for field in files.FIELDS), wire_in)


def _with_allowance(entry: Entry, allowed: dict[str, float]) -> Entry:
    """Return the entry with what it was allowed, where it ended for want of that: a later run may allow more."""
    if entry.code not in allowed:
        return entry
    return dataclasses.replace(entry, record={**entry.record, "allowed": allowed[entry.code]})


@dataclass
class _Worker:
    process: BaseProcess
    pipe: Connection
    limit_s: float
    memory_gb: float
    job: Job | None = None
    arrived: bool = False
    until: float = 0.0


def _entries(
    todo: list[Job], settings: Settings, jobs: int, limit_s: float, memory_gb: float
) -> Generator[Entry, None, None]:
    """Yield what comes of every photograph, in whatever order workers finish."""
    # Workers inherit it and load numpy anew: threads of their linear algebra would stand in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    context = multiprocessing.get_context("spawn")
    rest = list(reversed(todo))

    def hire() -> _Worker:
        here, there = context.Pipe()
        process = context.Process(target=work.serve, args=(there, settings, int(memory_gb * GIGABYTE)), daemon=True)
        process.start()
        there.close()
        return _Worker(process, here, limit_s, memory_gb)

    def give(worker: _Worker) -> None:
        worker.job, worker.arrived = rest.pop(), False
        worker.until = time.monotonic() + limit_s
        worker.pipe.send(worker.job)

    workers: list[_Worker] = []
    try:
        workers.extend(hire() for _ in range(min(jobs, len(todo))))
        for worker in workers:
            give(worker)
        while busy := [worker for worker in workers if worker.job is not None]:
            soonest = max(0.0, min(worker.until for worker in busy) - time.monotonic())
            ready = set(wait([worker.pipe for worker in busy], soonest))
            for index, worker in enumerate(workers):
                if worker.job is None:
                    continue
                entry = _answer(worker, worker.pipe in ready)
                if entry is None:
                    continue
                yield entry
                if not worker.process.is_alive() or worker.pipe.closed:
                    workers[index] = worker = hire()
                worker.job = None
                if rest:
                    give(worker)
    finally:
        for worker in workers:
            worker.process.kill()
            worker.process.join()


def _answer(worker: _Worker, ready: bool) -> Entry | None:
    """Return what a worker says, or what is to be said of its job where it died or took too long; None goes on."""
    assert worker.job is not None
    sha256, place, _ = worker.job
    if ready:
        try:
            entry = worker.pipe.recv()
            if entry is None:
                worker.arrived, worker.until = True, time.monotonic() + worker.limit_s
                return None
            assert isinstance(entry, Entry)
            return entry
        except (EOFError, OSError):
            _end(worker)
            why = f"most often for want of memory ({worker.memory_gb:g} GB now)"
            advice = "run it again, with more by --memory where this stays"
            return work.unreadable(sha256, work.DIED, f"reading it ended unexpectedly, {why}; {advice}")
    if time.monotonic() > worker.until:
        _end(worker)
        if not worker.arrived and is_url(place):
            return work.unreadable(sha256, "not-reached", "the file took too long to arrive; check the way to it")
        return work.unreadable(sha256, work.SHORT_OF_TIME, "reading it took too long; give more with --limit")
    return None


def _end(worker: _Worker) -> None:
    worker.process.kill()
    worker.process.join()
    worker.pipe.close()
