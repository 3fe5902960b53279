"""The same work on the workers of a dask scheduler (extra ``cluster``)."""

from __future__ import annotations

import itertools
from collections.abc import Generator
from typing import Any

from visionwire.archive import files, work
from visionwire.archive.ledger import Entry, Job
from visionwire.archive.settings import Settings
from visionwire.errors import ArchiveError, install

#: Pictures handed out for every worker thread at once: enough that none waits, few enough to hold.
AHEAD = 4
RETRIES = 3
CONNECT_S = 10


def connected(address: str) -> Any:
    """Return a client of a dask scheduler, which closes as a context.

    Parameters
    ----------
    address : str
        Such as ``tcp://host:8786``.

    Raises
    ------
    ArchiveError
        If dask is missing or no scheduler answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise ArchiveError(f"--cluster needs the extra cluster; run {install('cluster')}") from error
    try:
        return Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        raise ArchiveError(f"no scheduler answers at {address} ({error}); check the address and its port") from error


def on_cluster(todo: list[Job], settings: Settings, client: Any) -> Generator[Entry, None, None]:
    """Yield what comes of every photograph, read by the workers of a scheduler.

    A picture whose worker dies is read again by another, `RETRIES` times.

    Parameters
    ----------
    todo : list of Job
        The photographs, by paths or URLs that are the workers' too, for they open them.
    settings : Settings
        By what they are read.
    client : distributed.Client
        Of the scheduler (`connected`).
    """
    from distributed import as_completed

    rest = iter(todo)
    jobs: dict[Any, str] = {}

    def submit(count: int) -> list[Any]:
        """Hand out so many more."""
        futures = []
        for sha256, path, wire_in in itertools.islice(rest, count):
            by = settings.of_wire(wire_in)
            future = client.submit(work.read, sha256, files.absolute(path), by, pure=False, retries=RETRIES)
            jobs[future] = sha256
            futures.append(future)
        return futures

    threads = max(1, sum(client.nthreads().values()))
    done = as_completed(submit(AHEAD * threads))
    for future in done:
        sha256 = jobs.pop(future)
        try:
            yield future.result()
        except Exception as error:  # whatever a worker died of, the others go on
            words = " ".join(f"{type(error).__name__}: {error}".split())
            yield work.unreadable(sha256, "worker-died", f"reading it ended its workers ({words}); look at the file")
        done.update(submit(1))
