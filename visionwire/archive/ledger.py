"""The ledger: one SQLite file in WAL mode, written by one process, readable by any client.

``files`` has one row a file, ``own`` the settings of a content whose wire a table told, ``readings`` one a content and
settings, ``records`` the whole of each reading, ``dispositions`` what people decided, which is only ever added to,
``earlier`` what a file held before; the views ``archive`` (a row a file) and ``contents`` (a row a content) join them.
A photograph's content is known by its SHA-256.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from visionwire.archive import files
from visionwire.archive.figures import figures_of, more_of
from visionwire.archive.schema import FUNCTIONS, MIGRATIONS
from visionwire.errors import ArchiveError

#: Few enough to stay in a core's cache while they are added up: a fifth faster than ten times as many.
ROWS_AT_ONCE = 1000
#: What SQLite may hold of the file at a time: enough to sort a million rows without going over them often.
CACHE_KIB = 65_536
#: The settings of a run that did not write down what they are.
UNTOLD = "what it is read by"
PUT_FILE = """
    INSERT INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (path) DO UPDATE SET
        sha256 = excluded.sha256, bytes = excluded.bytes, problem = excluded.problem,
        technician = COALESCE(excluded.technician, technician), station = COALESCE(excluded.station, station),
        aircraft = COALESCE(excluded.aircraft, aircraft), taken = COALESCE(excluded.taken, taken),
        wire_in = COALESCE(excluded.wire_in, wire_in)
"""
#: What files held when they were last read or decided on, by path; what was hashed and no more says nothing.
HELD = """
    SELECT f.path, CASE
        WHEN f.sha256 IS NULL
            THEN (SELECT e.sha256 FROM earlier e WHERE e.path = f.path ORDER BY e.number DESC LIMIT 1)
        WHEN EXISTS (SELECT 1 FROM readings r WHERE r.sha256 = f.sha256)
            OR EXISTS (SELECT 1 FROM dispositions d WHERE d.sha256 = f.sha256) THEN f.sha256 END
    FROM files f WHERE f.path IN (SELECT value FROM json_each(?))
"""
KEEP_EARLIER = """
    INSERT OR REPLACE INTO earlier (path, sha256, decisions) SELECT ?, ?, COALESCE(MAX(number), 0) FROM dispositions
"""

#: A photograph to be read: its content, a path or URL of it, and its wire's diameter where a table told that, in.
Job = tuple[str, str, float | None]


@dataclass(frozen=True)
class Entry:
    """What came of one photograph: ``state`` is "reading", "refusal" or "unreadable".

    ``ticks`` are places of the twists by section (`visionwire.archive.ticks`).
    """

    sha256: str
    state: str
    code: str | None
    message: str | None
    fingerprint: str | None
    record: dict[str, Any]
    ticks: dict[str, list[float]] = field(default_factory=dict)


@dataclass(frozen=True)
class LimitsUsed:
    """The limit set that the readings in use were made by; ``file`` is where it was, if it came from a file."""

    name: str
    sha256: str
    file: str | None = None


class Ledger:
    """An open ledger.

    Parameters
    ----------
    path : Path
        Made where it does not exist.

    Raises
    ------
    ArchiveError
        If the file is no ledger, is newer than this visionwire, has no folder to be made in, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if path.is_dir():
            raise ArchiveError(f"{path} is a folder; give the name of a ledger in it, such as {path / 'photos.db'}")
        if not path.parent.is_dir():
            raise ArchiveError(f"there is no folder {path.parent} for the ledger {path}; make it, or give another name")
        with self._said():
            self.base = sqlite3.connect(path, isolation_level=None)
            self.base.execute("PRAGMA journal_mode = WAL")
            self.base.execute(f"PRAGMA cache_size = {-CACHE_KIB}")
            self.base.execute("PRAGMA synchronous = FULL")  # a reading said to be kept outlives a power cut
            version = self.base.execute("PRAGMA user_version").fetchone()[0]
            if version > len(MIGRATIONS):
                raise ArchiveError(f"the ledger {path} was made by a newer visionwire; update this one")
            for name, function in FUNCTIONS.items():
                self.base.create_function(name, 1, function, deterministic=True)
            for number, script in enumerate(MIGRATIONS[version:], version + 1):
                self.base.executescript(f"BEGIN; {script} PRAGMA user_version = {number}; COMMIT;")

    def close(self) -> None:
        """Close the file."""
        self.base.close()

    def use(
        self,
        settings: str,
        second_person: bool = False,
        limits: LimitsUsed | None = None,
        told: dict[str, str] | None = None,
    ) -> None:
        """Say by which settings the archive is read from now on, and whether a decision needs two people.

        ``told`` are these settings in words.
        """
        words = [("settings", settings), ("second_person", "yes" if second_person else "no")]
        if limits is not None:
            words += [("limits", limits.name), ("limits_sha256", limits.sha256)]
            words += [] if limits.file is None else [("limits_file", limits.file)]
        words += [] if told is None else [("settings_told", _json(told))]
        with self.writing() as base:
            base.execute("DELETE FROM meta WHERE key IN ('limits', 'limits_sha256', 'limits_file', 'settings_told')")
            base.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", words)

    def read_by(self) -> LimitsUsed | None:
        """Return the limit set of the readings in use; None where the ledger does not say."""
        told = dict(self.ask("SELECT key, value FROM meta"))
        if not told.keys() >= {"limits", "limits_sha256"}:
            return None
        return LimitsUsed(told["limits"], told["limits_sha256"], told.get("limits_file"))

    def differing(self, settings: str, told: dict[str, str]) -> dict[str, str | None]:
        """Return how the last run had the settings that are not as it had them; of none where there was no run.

        Of a ledger that does not say how, `UNTOLD` is None.
        """
        last = dict(self.ask("SELECT key, value FROM meta WHERE key IN ('settings', 'settings_told')"))
        if last.get("settings", settings) == settings:
            return {}
        before = json.loads(last.get("settings_told", "{}"))
        # Ledgers made before this was written down have the hash alone.
        names = dict.fromkeys([*told, *before]) if before else {}
        differs = {name: before.get(name) for name in names if before.get(name) != told.get(name)}
        return differs or {UNTOLD: None}

    def use_own(self, settings_of: Callable[[float], str]) -> None:
        """Say by which settings contents are read whose wire was told; ``settings_of`` gives those of a diameter, in.

        Of copies told otherwise the thickest counts.
        """
        told = "SELECT sha256, MAX(wire_in) FROM files WHERE sha256 IS NOT NULL AND wire_in IS NOT NULL GROUP BY sha256"
        wires = dict(self.ask(told))
        settings = {wire_in: settings_of(wire_in) for wire_in in set(wires.values())}
        with self.writing() as base:
            base.execute("DELETE FROM own")
            rows = [(sha256, settings[wire_in]) for sha256, wire_in in wires.items()]
            base.executemany("INSERT INTO own VALUES (?, ?)", rows)

    def kept_and_anew(self) -> tuple[int, int]:
        """Return how many contents are read by the settings in use, and how many by others and not by these."""
        ((kept, anew),) = self.ask(
            "SELECT COALESCE(SUM(mine), 0), COALESCE(SUM(NOT mine), 0) FROM ("
            f" SELECT MAX(r.settings = {in_use('r.sha256')}) AS mine FROM readings r"
            " WHERE r.sha256 IN (SELECT sha256 FROM files) GROUP BY r.sha256)"
        )
        return kept, anew

    def told_of(self, paths: list[str]) -> dict[str, dict[str, Any]]:
        """Return what was told, by column, of those of some paths that the ledger has."""
        names = (*files.FIELDS, files.WIRE)
        question = f"SELECT path, {', '.join(names)} FROM files WHERE path IN (SELECT value FROM json_each(?))"
        return {path: dict(zip(names, told, strict=True)) for path, *told in self.ask(question, json.dumps(paths))}

    def put_files(self, rows: list[tuple[Any, ...]]) -> list[str]:
        """Write the rows of files, all or none; what was told of a file before stays where nothing new is told.

        Returns the paths of files that hold something else than when they were read before.
        """
        with self.writing() as base:
            other = self._keep_earlier({path: sha256 for path, sha256, *_ in rows})
            base.executemany(PUT_FILE, rows)
        return other

    def _keep_earlier(self, now: dict[str, str | None]) -> list[str]:
        """Keep what files held before that hold something else now, by path, or are gone; return the former."""
        held = self.base.execute(HELD, (json.dumps(list(now)),)).fetchall()
        moved = [(path, before) for path, before in held if before not in (None, now[path])]
        self.base.executemany(KEEP_EARLIER, moved)
        self.base.executemany("DELETE FROM earlier WHERE path = ? AND sha256 = ?", list(now.items()))
        return [path for path, _ in moved if now[path] is not None]

    def take_back_wires(self, paths: list[str]) -> None:
        """Forget the wires that were told of some files."""
        with self.writing() as base:
            base.executemany("UPDATE files SET wire_in = NULL WHERE path = ?", [(path,) for path in paths])

    def waiting(self) -> list[Job]:
        """Return what is not read by the settings in use, each content once, at its first path."""
        with self._said():
            return self.base.execute(
                "SELECT f.sha256, MIN(f.path), MAX(f.wire_in) FROM files f"
                f" LEFT JOIN readings r ON r.sha256 = f.sha256 AND r.settings = {in_use('f.sha256')}"
                " WHERE f.sha256 IS NOT NULL AND r.sha256 IS NULL GROUP BY f.sha256 ORDER BY MIN(f.path)"
            ).fetchall()

    def forget_ended(self, allowed: dict[str, float]) -> None:
        """Take out what ended, by its code, for want of something of which more is allowed now: it waits again."""
        question = (
            "SELECT r.sha256, r.settings, r.code, c.record FROM readings r JOIN records c USING (sha256, settings)"
            f" WHERE settings = {in_use('r.sha256')} AND r.code IN ({', '.join('?' * len(allowed))})"
        )
        ended = [
            (sha256, settings)
            for sha256, settings, code, record in self.ask(question, *allowed)
            # What it was allowed is not known of ledgers made before it was written down.
            if json.loads(record).get("allowed", 0.0) < allowed[code]
        ]
        # A decision that does not say what it was made on was made on this: set aside, it is still seen to be another.
        aside = (
            "UPDATE OR REPLACE readings SET settings = settings || ' ended' WHERE sha256 = ? AND settings = ?"
            " AND EXISTS (SELECT 1 FROM dispositions d WHERE d.sha256 = readings.sha256 AND d.settings IS NULL)"
        )
        with self.writing() as base:
            base.executemany(aside, ended)
            base.executemany("DELETE FROM readings WHERE sha256 = ? AND settings = ?", ended)
            base.executemany("DELETE FROM records WHERE sha256 = ? AND settings = ?", ended)

    def forget_content(self, path: str, problem: str) -> None:
        """Write why a file could not be read when it was to be; the next run hashes it anew."""
        with self.writing() as base:
            self._keep_earlier({path: None})
            base.execute("UPDATE files SET sha256 = NULL, bytes = 0, problem = ? WHERE path = ?", (problem, path))

    def put_entry(self, entry: Entry, settings: str) -> None:
        """Write what came of one photograph; one that is there is kept."""
        self.put_entries([entry], settings)

    def put_entries(self, entries: list[Entry], settings: str) -> None:
        """Write what came of some photographs, all or none; those that are there are kept."""
        rows = [(entry.sha256, settings, *_figures(entry)) for entry in entries]
        places = ", ".join("?" * (len(rows[0]) if rows else 0))
        records = [(one.sha256, settings, _json(one.record), _json(one.ticks)) for one in entries]
        with self.writing() as base:
            base.executemany(f"INSERT OR IGNORE INTO readings VALUES ({places})", rows)
            base.executemany("INSERT OR IGNORE INTO records VALUES (?, ?, ?, ?)", records)

    def rows(self) -> tuple[list[str], Iterator[tuple[Any, ...]]]:
        """Return the columns of the view ``archive`` and its rows, by path, as they are asked for."""
        with self._said():
            cursor = self.base.execute("SELECT * FROM archive ORDER BY path")
            return [column[0] for column in cursor.description], self._fetched(cursor)

    def rows_of(self, paths: list[str]) -> list[dict[str, Any]]:
        """Return the rows of the view ``archive`` of paths that the ledger has, in their order."""
        if not paths:
            return []
        with self._said():
            # All at once: what is decided is put together for every question anew.
            cursor = self.base.execute(
                "SELECT * FROM archive WHERE path IN (SELECT value FROM json_each(?))", (json.dumps(paths),)
            )
            columns = [column[0] for column in cursor.description]
            rows = {row["path"]: row for row in (dict(zip(columns, one, strict=True)) for one in cursor)}
        return [rows[path] for path in paths]

    def ask(self, question: str, *values: Any) -> Iterator[tuple[Any, ...]]:
        """Return what an SQL question yields, as it is asked for."""
        with self._said():
            return self._fetched(self.base.execute(question, values))

    def states(self) -> dict[str, int]:
        """Return how many files are in each state."""
        counts = dict(self.ask("SELECT state, SUM(files) FROM contents GROUP BY state ORDER BY state"))
        ((unhashed,),) = self.ask("SELECT COUNT(*) FROM files WHERE sha256 IS NULL")
        if unhashed:
            counts["unreadable"] = counts.get("unreadable", 0) + unhashed
        return counts

    def reasons(self) -> dict[str, int]:
        """Return how many files were opened and not read, by code."""
        return dict(self.ask("SELECT code, SUM(files) FROM contents WHERE code IS NOT NULL GROUP BY code"))

    def copies(self) -> int:
        """Return how many files are copies of another."""
        ((copies,),) = self.ask("SELECT COUNT(sha256) - COUNT(DISTINCT sha256) FROM files")
        return int(copies)

    def contents_of(self, photo: str) -> set[str]:
        """Return the contents that a path or a SHA-256 names."""
        rows = self.ask("SELECT DISTINCT sha256 FROM files WHERE path = ? OR sha256 = ?", photo, photo)
        return {sha256 for (sha256,) in rows if sha256 is not None}

    def of_that_name(self, name: str) -> list[str]:
        """Return the paths that end with a name of a file, whether in capitals or not."""
        rows = self.ask(
            "SELECT path FROM files WHERE SUBSTR(path, -LENGTH(?1)) = ?1 COLLATE NOCASE ORDER BY path", name
        )
        return [path for (path,) in rows if files.name_of(path).lower() == name.lower()]

    def record(self, sha256: str) -> tuple[dict[str, Any], dict[str, list[float]]] | None:
        """Return the whole reading or refusal of a content by the settings in use, and its ticks."""
        rows = self.ask(
            f"SELECT record, ticks FROM records c WHERE sha256 = ? AND settings = {in_use('c.sha256')}", sha256
        )
        found = next(rows, None)
        return None if found is None else (json.loads(found[0]), json.loads(found[1]))

    @contextlib.contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """Let all questions inside see the ledger as it is now, whatever is written meanwhile."""
        with self._said():
            self.base.execute("BEGIN")
        try:
            yield
        finally:
            self.base.execute("ROLLBACK")

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Let what is written inside be written whole or not at all."""
        with self._said():
            self.base.execute("BEGIN IMMEDIATE")
            try:
                yield self.base
                self.base.execute("COMMIT")
            except BaseException:
                if self.base.in_transaction:  # a full disk ends it by itself
                    self.base.execute("ROLLBACK")
                raise

    def _fetched(self, cursor: sqlite3.Cursor) -> Iterator[tuple[Any, ...]]:
        with self._said():
            while rows := cursor.fetchmany(ROWS_AT_ONCE):
                yield from rows

    @contextlib.contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except UnicodeEncodeError as error:
            raise ArchiveError(f"{error.object} is not text in UTF-8, which a ledger keeps; write it anew") from error
        except sqlite3.Error as error:
            kind = getattr(error, "sqlite_errorcode", 0) & 0xFF  # without what SQLite tells beyond it
            if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
                raise ArchiveError(
                    f"the ledger {self.path} or its folder cannot be written ({error}), which looking at it takes too; "
                    "change their permissions, or copy it into a folder of your own"
                ) from error
            if kind == sqlite3.SQLITE_NOTADB:
                raise ArchiveError(
                    f"{self.path} is not a ledger; give the file that visionwire archive wrote, or a new name"
                ) from error
            raise ArchiveError(
                f"the ledger {self.path} cannot be used ({error}); what it holds is kept, so mend that and run it again"
            ) from error


def in_use(sha256: str) -> str:
    """Return the SQL that yields by which settings a content, named by a column, is read."""
    own = f"SELECT o.settings FROM own o WHERE o.sha256 = {sha256}"
    return f"COALESCE(({own}), (SELECT value FROM meta WHERE key = 'settings'))"


def _figures(entry: Entry) -> tuple[Any, ...]:
    """Return the columns of a reading after its key."""
    said = (entry.state, entry.code, entry.message)
    return (*said, *figures_of(entry.record), entry.fingerprint, *more_of(entry.record))


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, allow_nan=False)
