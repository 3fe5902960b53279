"""The ledger: one SQLite file in WAL mode, written by one process, readable by any client.

``files`` has one row a file, ``readings`` one a content and settings, ``dispositions`` what people decided, which is
only ever added to; the view ``archive`` joins them. A photograph's content is known by its SHA-256.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from visionwire.errors import ArchiveError

#: Each entry takes the schema one version further; the first makes it.
MIGRATIONS = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
    CREATE TABLE files (
        path TEXT PRIMARY KEY, sha256 TEXT, bytes INTEGER NOT NULL, problem TEXT NOT NULL,
        technician TEXT, station TEXT, aircraft TEXT, taken TEXT
    );
    CREATE TABLE readings (
        sha256 TEXT NOT NULL, settings TEXT NOT NULL, state TEXT NOT NULL, code TEXT, message TEXT, call TEXT,
        confidence REAL, probability REAL, twists_per_inch REAL, twists_per_inch_u95 REAL, pigtail_twists REAL,
        pigtail_twists_u95 REAL, scale TEXT, taken TEXT, fingerprint TEXT, record TEXT NOT NULL,
        PRIMARY KEY (sha256, settings)
    );
    CREATE TABLE dispositions (
        number INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, decision TEXT NOT NULL, reason TEXT NOT NULL,
        decided_by TEXT NOT NULL, decided_at TEXT NOT NULL, previous TEXT NOT NULL, hash TEXT NOT NULL
    );
    CREATE INDEX files_by_content ON files (sha256);
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists, r.pigtail_twists_u95, r.scale,
            f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint,
            (SELECT d.decision FROM dispositions d WHERE d.sha256 = f.sha256
                AND ((SELECT value FROM meta WHERE key = 'second_person') = 'no' OR EXISTS (
                    SELECT 1 FROM dispositions e WHERE e.sha256 = d.sha256 AND e.decision = d.decision
                        AND e.decided_by <> d.decided_by))
                ORDER BY d.number DESC LIMIT 1) AS decision
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings');
    """,
)
NO_HASH = "0" * 64


@dataclass(frozen=True)
class Entry:
    """What came of one photograph: ``state`` is "reading", "refusal" or "unreadable"."""

    sha256: str
    state: str
    code: str | None
    message: str | None
    fingerprint: str | None
    record: dict[str, Any]


class Ledger:
    """An open ledger.

    Parameters
    ----------
    path : Path
        Made where it does not exist.

    Raises
    ------
    ArchiveError
        If the file is no ledger, is newer than this visionwire, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with self._said():
            self.base = sqlite3.connect(path, isolation_level=None)
            self.base.execute("PRAGMA journal_mode = WAL")
            self.base.execute("PRAGMA synchronous = FULL")  # a reading said to be kept outlives a power cut
            version = self.base.execute("PRAGMA user_version").fetchone()[0]
            if version > len(MIGRATIONS):
                raise ArchiveError(f"the ledger {path} was made by a newer visionwire; update this one")
            for number, script in enumerate(MIGRATIONS[version:], version + 1):
                self.base.executescript(f"BEGIN; {script} PRAGMA user_version = {number}; COMMIT;")

    def close(self) -> None:
        """Close the file."""
        self.base.close()

    def use(self, settings: str, second_person: bool = False) -> None:
        """Say by which settings the archive is read from now on, and whether a decision needs two people."""
        words = [("settings", settings), ("second_person", "yes" if second_person else "no")]
        with self._said(), self._whole():
            self.base.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", words)

    def put_files(self, rows: list[tuple[Any, ...]]) -> None:
        """Write the rows of files, all or none."""
        with self._said(), self._whole():
            self.base.executemany("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)

    def known(self, paths: list[str]) -> dict[str, tuple[str | None, int]]:
        """Return content and size of the files known of some paths."""
        with self._said():
            rows = self.base.execute("SELECT path, sha256, bytes FROM files").fetchall()
        wanted = set(paths)
        return {path: (sha256, size) for path, sha256, size in rows if path in wanted}

    def waiting(self, settings: str) -> list[tuple[str, str]]:
        """Return (content, path) of what is not read by these settings, each content once, at its first path."""
        with self._said():
            return self.base.execute(
                "SELECT f.sha256, MIN(f.path) FROM files f"
                " LEFT JOIN readings r ON r.sha256 = f.sha256 AND r.settings = ?"
                " WHERE f.sha256 IS NOT NULL AND r.sha256 IS NULL GROUP BY f.sha256 ORDER BY MIN(f.path)",
                (settings,),
            ).fetchall()

    def put_entry(self, entry: Entry, settings: str) -> None:
        """Write what came of one photograph; one that is there is kept."""
        record = entry.record
        runs = record.get("runs") or [{}]
        worst = min((check["probability_conforming"] for check in record.get("checks", [])), default=None)
        pigtail = record.get("pigtail") or {}
        row = (
            entry.sha256,
            settings,
            entry.state,
            entry.code,
            entry.message,
            record.get("call"),
            record.get("confidence"),
            worst,
            runs[0].get("twists_per_inch"),
            runs[0].get("twists_per_inch_u95"),
            pigtail.get("twists"),
            pigtail.get("twists_u95"),
            (record.get("scale") or {}).get("source"),
            (record.get("photo") or {}).get("taken"),
            entry.fingerprint,
            json.dumps(record, sort_keys=True, allow_nan=False),
        )
        with self._said():
            self.base.execute(f"INSERT OR IGNORE INTO readings VALUES ({', '.join('?' * len(row))})", row)

    def rows(self) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Return the columns of the view ``archive`` and its rows, by path."""
        with self._said():
            cursor = self.base.execute("SELECT * FROM archive ORDER BY path")
            return [column[0] for column in cursor.description], cursor.fetchall()

    def record(self, sha256: str) -> dict[str, Any] | None:
        """Return the whole reading or refusal of a content by the settings in use."""
        with self._said():
            row = self.base.execute(
                "SELECT record FROM readings WHERE sha256 = ?"
                " AND settings = (SELECT value FROM meta WHERE key = 'settings')",
                (sha256,),
            ).fetchone()
        return None if row is None else dict(json.loads(row[0]))

    def decide(self, sha256: str, decision: str, reason: str, decided_by: str, decided_at: str) -> None:
        """Add a person's decision; every one is chained to the one before by its hash."""
        with self._said(), self._whole():
            last = self.base.execute("SELECT number, hash FROM dispositions ORDER BY number DESC LIMIT 1").fetchone()
            number, previous = (1, NO_HASH) if last is None else (last[0] + 1, last[1])
            words = (number, sha256, decision, reason, decided_by, decided_at, previous)
            self.base.execute("INSERT INTO dispositions VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*words, _hash(words)))

    def broken_links(self) -> list[int]:
        """Return the numbers of decisions that were changed, taken out or put in afterwards."""
        with self._said():
            rows = self.base.execute("SELECT * FROM dispositions ORDER BY number").fetchall()
        broken, previous = [], NO_HASH
        for place, row in enumerate(rows, 1):
            if row[0] != place or row[6] != previous or row[7] != _hash(row[:7]):
                broken.append(row[0])
            previous = row[7]
        return broken

    @contextlib.contextmanager
    def _whole(self) -> Iterator[None]:
        self.base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self.base.execute("ROLLBACK")
            raise
        self.base.execute("COMMIT")

    @contextlib.contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise ArchiveError(
                f"the ledger {self.path} cannot be used ({error}); what it holds is kept, so mend that and run it again"
            ) from error


def _hash(words: tuple[Any, ...]) -> str:
    return hashlib.sha256(json.dumps(words).encode()).hexdigest()
