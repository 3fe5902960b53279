"""What people decided on photographs: only added to, each decision chained to the one before it by its hash.

A decision is on a content, and on the reading of it that was in use then; the table is ``dispositions``.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from visionwire.archive.ledger import Ledger, in_use
from visionwire.archive.schema import person_of

NO_HASH = "0" * 64


@dataclass(frozen=True)
class Decision:
    """A person's decision, as it was made; ``path`` is the file that it named, if that is known."""

    number: int
    decision: str
    decided_by: str
    decided_at: str
    path: str | None


def decide(
    ledger: Ledger,
    sha256: str,
    decision: str,
    reason: str,
    decided_by: str,
    decided_at: str,
    path: str | None = None,
) -> None:
    """Add a person's decision on the reading in use; every one is chained to the one before by its hash.

    ``path`` is the file that it named, where it did not name the content itself.
    """
    with ledger.writing() as base:
        last = base.execute("SELECT number, hash FROM dispositions ORDER BY number DESC LIMIT 1").fetchone()
        number, previous = (1, NO_HASH) if last is None else (last[0] + 1, last[1])
        words = (number, sha256, decision, reason, decided_by, decided_at, previous)
        read_by = base.execute(
            "SELECT m.settings, COALESCE(r.state, 'waiting')"
            f" FROM (SELECT d.sha256, {in_use('d.sha256')} AS settings FROM (SELECT ? AS sha256) d) m"
            " LEFT JOIN readings r USING (sha256, settings) WHERE m.settings IS NOT NULL",
            (sha256,),
        ).fetchone() or (None, None)
        row = (*words, _hash(words, (*read_by, path)), *read_by, path)
        base.execute("INSERT INTO dispositions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
        base.execute("INSERT OR IGNORE INTO people VALUES (?, ?)", (decided_by, person_of(decided_by)))


def decided_before(ledger: Ledger, sha256: str) -> tuple[str, str, str, str | None] | None:
    """Return the latest decision, whether it stands or not, who made it, what on, and the file it named if known."""
    rows = ledger.ask(
        "SELECT d.decision, d.decided_by, l.decided_on, d.path FROM decided l JOIN dispositions d USING (number)"
        " WHERE l.sha256 = ?",
        sha256,
    )
    return next(rows, None)


def open_decision(ledger: Ledger, sha256: str) -> str | None:
    """Return the latest decision and what keeps it from standing, pending or contested; None where it stands."""
    for (found,) in ledger.ask("SELECT open_decision FROM decided WHERE sha256 = ?", sha256):
        return None if found is None else str(found)
    return None


def replaced_files(ledger: Ledger) -> dict[str, Decision]:
    """Return the files that hold something else than when a person decided on them, and that decision, by path.

    One of which a person has decided since on what it holds now is none of them.
    """
    rows = ledger.ask(
        "SELECT r.path, number, d.decision, d.decided_by, d.decided_at, d.path"
        " FROM replaced r JOIN dispositions d USING (number) ORDER BY r.path"
    )
    return {path: Decision(*row) for path, *row in rows}


def lost_decisions(ledger: Ledger) -> list[Decision]:
    """Return the decisions on contents that no file holds any more; of one that named no file, one that held it."""
    rows = ledger.ask(
        "SELECT d.number, d.decision, d.decided_by, d.decided_at,"
        " COALESCE(d.path, (SELECT MIN(e.path) FROM earlier e WHERE e.sha256 = d.sha256))"
        " FROM dispositions d WHERE NOT EXISTS (SELECT 1 FROM files f WHERE f.sha256 = d.sha256) ORDER BY d.number"
    )
    return [Decision(*row) for row in rows]


def broken_links(ledger: Ledger) -> list[int]:
    """Return the numbers of decisions that were changed, taken out or put in afterwards."""
    rows = list(ledger.ask("SELECT * FROM dispositions ORDER BY number"))
    people = dict(ledger.ask("SELECT name, person FROM people"))
    broken, previous = [], NO_HASH
    for place, row in enumerate(rows, 1):
        same = row[6] == previous and row[7] == _hash(row[:7], row[8:])
        if row[0] != place or not same or people.get(row[4]) != person_of(row[4]):
            broken.append(row[0])
        previous = row[7]
    return broken


def _hash(words: tuple[Any, ...], more: tuple[Any, ...]) -> str:
    """Return the hash of a decision; one made before it was written down what it was made on goes without that.

    ``more`` is what read it, what came of that, and the path that it named, marked as such: none passes for another.
    """
    *read_by, path = more
    known = [one for one in read_by if one is not None] + ([] if path is None else [{"path": path}])
    return hashlib.sha256(json.dumps([*words, *known]).encode()).hexdigest()
