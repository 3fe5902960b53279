"""What the rows of a ledger say together: counts, courses, agreement, what to look at first.

All of it comes of one way through the ledger, in the order taken, that holds a few numbers a photograph and no row.
"""

from __future__ import annotations

import heapq
import itertools
import json
from array import array
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from visionwire.archive import work
from visionwire.archive.decisions import replaced_files
from visionwire.archive.ledger import ROWS_AT_ONCE, Ledger
from visionwire.archive.reasons import advice_of, call_of, decided_before_words, reason_of, to_do
from visionwire.archive.statistics import RESEMBLING_BITS, Bools, Floats, Group, grouped, saved_again

Row = dict[str, Any]

#: Of a chart with no more points than that each is named.
MOST_NAMED = 24
#: Of photographs that look like another saved again, as many are named.
FEW_PAIRS = 5
#: Stands for a code where a file could not even be opened.
NOT_OPENED = "not-opened"
#: What a decision was made on where the photograph was read anew since, as the view `decided` has it.
EARLIER = "an earlier reading"
#: How a decision ends there that does not stand where two people must say the same.
PENDING, CONTESTED = ", pending", ", contested"
#: The part of the advice of what has no scale that tells one wire for every photograph.
WIRE_OF_ALL = "the wire with --wire DIAMETER_IN or "
FIELDS = ("month", "station", "technician", "aircraft")

#: What waits for one more person, read or not, then nonconforming ones, the surest first, then undecided and
#: conforming ones, each the most doubtful first, between them what was decided on and is refused now, what is within
#: limits by its mean alone, and of what no pigtail was counted; None: nothing to look at, as what people decided on it
#: stands.
RANK = f"""CASE WHEN open_decision LIKE '%{CONTESTED}' THEN -2 WHEN open_decision IS NOT NULL THEN -1
    WHEN decided_on = 'this reading' THEN NULL
    WHEN state = 'refusal' AND decided_on = '{EARLIER}' THEN 3
    WHEN state <> 'reading' THEN NULL
    WHEN call = 'nonconforming' THEN COALESCE(MAX(probability, 1 - confidence), 0.5)
    WHEN call = 'undecided' THEN 2 + ABS(COALESCE(confidence, 0.5) - 0.5)
    WHEN inch_outside IS NOT NULL THEN 3.5
    WHEN pigtail_twists IS NULL THEN 4 + COALESCE(confidence, 0.5) / 2
    ELSE 5 + COALESCE(confidence, 0.5) END"""
#: Of what is alike by that: how far its least sure check lies from a limit in its own uncertainty, for the probability
#: of conforming leaves an even chance with that distance.
NEARNESS = "COALESCE(ABS(probability - 0.5), 1)"
#: That order in words.
ORDER = (
    "open decisions first; then what is nonconforming, the surest first; then what is undecided, uneven, conforming "
    "with no pigtail counted, and conforming, the least sure first"
)
#: What is sorted is kept narrow; the rest of the few that are listed is asked for afterwards.
QUESTION = f"""SELECT state, code, files, call, COALESCE(decision, open_decision), decided_on,
    twists_per_inch, pigtail_twists, fingerprint, SUBSTR(taken, 1, 7), station, technician, aircraft, path, {RANK},
    {NEARNESS} FROM contents WHERE ?1 IS NULL OR technician = ?1 ORDER BY taken, path"""


@dataclass(frozen=True, eq=False)
class Trends:
    """What a ledger says.

    Attributes
    ----------
    files, copies : int
        How many files, and how many of them are copies of another.
    states, reasons, calls : dict
        Files by state; files that were not read by code; photographs by call.
    as_seen : int
        How many photographs are called conforming as far as seen, with no pigtail counted.
    groups : dict
        Groups of readings by "month", "station", "technician", "aircraft".
    densities, pigtails : (N,) float array
        Twists per inch and twists of the pigtail in the order taken, of the readings that have them.
    undated : int
        How many of these densities, the first ones, have no date: they come in the order of their path.
    names : tuple of str
        Paths of the last `MOST_NAMED` densities.
    agreement : dict
        How often each call met each decision of a person; one made on an earlier reading is named so, and so is one
        that does not stand yet.
    pending, contested : int
        How many photographs wait for a second person to say the same, or were decided otherwise by another.
    earlier : int
        How many photographs have been read anew since a person decided on them.
    replaced : int
        How many files hold something else than when a person decided on them, and nobody on that yet.
    resembling : int
        How many photographs look like an earlier one saved again.
    pairs : tuple of (str, str)
        Paths of the first `FEW_PAIRS` of these, each with the one that it looks like.
    decisions : dict
        Photographs by the latest decision of a person on them, standing or not.
    to_look_at : dict
        Photographs that are open, by call, or state where there is none: all of which ``work`` lists the first.
    work : list of dict
        What to look at first (`ORDER`), files that were replaced before all else; ``reason`` says why, ``replaced``
        which decision was made on what such a file held, ``advice`` is of what keeps a reading undecided.
    not_read : list of dict
        What was not read, no longer than the work list: first what may be read yet (`work.ENDED`); ``files`` says how
        many files have the same content.
    technician : str or None
        Of whom alone all this is.
    """

    files: int
    copies: int
    states: dict[str, int]
    reasons: dict[str, int]
    calls: dict[str, int]
    as_seen: int
    groups: dict[str, list[Group]]
    densities: Floats
    pigtails: Floats
    undated: int
    names: tuple[str, ...]
    agreement: dict[tuple[str, str], int]
    pending: int
    contested: int
    earlier: int
    replaced: int
    resembling: int
    pairs: tuple[tuple[str, str], ...]
    decisions: dict[str, int]
    to_look_at: dict[str, int]
    work: list[Row]
    not_read: list[Row]
    technician: str | None = None

    def not_read_by_reason(self) -> dict[tuple[str, str], list[Row]]:
        """Return what was not read by message and code, so that what many share is said once."""
        alike: dict[tuple[str, str], list[Row]] = {}
        for row in self.not_read:
            alike.setdefault((row["message"], row["code"]), []).append(row)
        return alike


@dataclass
class _Sums:
    """What is added up on the way through; files that were ``replaced`` are listed by themselves."""

    replaced: frozenset[str] = frozenset()
    states: Counter[tuple[str, str | None, int]] = field(default_factory=Counter)
    decisions: Counter[tuple[str | None, str | None, str | None]] = field(default_factory=Counter)
    groups: list[Counter[tuple[str | None, str | None]]] = field(default_factory=lambda: [Counter() for _ in FIELDS])
    densities: array[float] = field(default_factory=lambda: array("d"))
    pigtails: array[float] = field(default_factory=lambda: array("d"))
    undated: int = 0
    as_seen: int = 0
    names: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_NAMED))
    to_look_at: Counter[str] = field(default_factory=Counter)
    marks: bytearray = field(default_factory=bytearray)
    work: list[tuple[float, float, str]] = field(default_factory=list)
    not_read: list[tuple[bool, str, int]] = field(default_factory=list)

    def add(self, rows: list[tuple[Any, ...]], most: int) -> None:
        """Add some rows of the question."""
        state, code, files, call, decision, decided_on, density, pigtail, mark, *fields, path, rank, nearness = zip(
            *rows, strict=True
        )
        if self.replaced:
            rank = tuple(None if one in self.replaced else place for one, place in zip(path, rank, strict=True))
        self.states.update(zip(state, code, files, strict=True))
        self.decisions.update(zip(call, decision, decided_on, strict=True))
        for sums, names in zip(self.groups, fields, strict=True):
            sums.update(zip(names, call, strict=True))
        self.densities.extend([one for one in density if one is not None])
        # In this order what has no date comes first.
        self.undated += sum(one is not None and month is None for one, month in zip(density, fields[0], strict=True))
        self.names.extend([one for one, value in zip(path, density, strict=True) if value is not None])
        self.to_look_at.update(
            [one or was for one, was, place in zip(call, state, rank, strict=True) if place is not None]
        )
        self.pigtails.extend([one for one in pigtail if one is not None])
        self.as_seen += sum(one == "conforming" and tail is None for one, tail in zip(call, pigtail, strict=True))
        self.marks += bytes.fromhex("".join([one for one in mark if one is not None]))
        worst = self.work[-1][0] if len(self.work) == most > 0 else np.inf
        first = [one for one in zip(rank, nearness, path, strict=True) if one[0] is not None and one[0] <= worst]
        self.work = heapq.nsmallest(most, [*self.work, *first])
        left_out = [
            (one not in work.ENDED, *where)
            for was, one, *where in zip(state, code, path, files, strict=True)
            if was not in ("reading", "waiting")
        ]
        self.not_read = heapq.nsmallest(most, [*self.not_read, *left_out])


def trends_of(ledger: Ledger, most: int, technician: str | None = None) -> Trends:
    """Return what a ledger says, of one technician alone if so asked, with a work list of at most ``most``."""
    with ledger.at_one_moment():
        decided = replaced_files(ledger)
        replaced = [row for row in ledger.rows_of(list(decided)) if technician in (None, row["technician"])]
        sums = _Sums(frozenset(row["path"] for row in replaced))
        sums.to_look_at.update(row["call"] or row["state"] for row in replaced)
        rows = ledger.ask(QUESTION, technician)
        while some := list(itertools.islice(rows, ROWS_AT_ONCE)):
            sums.add(some, most)
        unopened = "FROM files WHERE sha256 IS NULL AND (?1 IS NULL OR technician = ?1)"
        ((unhashed,),) = ledger.ask(f"SELECT COUNT(*) {unopened}", technician)
        marks = np.frombuffer(sums.marks, ">u8").astype(np.uint64)
        again = saved_again(marks)
        pairs = _pairs(ledger, marks, again, technician)
        not_opened = ledger.ask(f"SELECT 1, path, 1 {unopened} ORDER BY path LIMIT ?2", technician, most)
        not_read = {path: files for _, path, files in heapq.nsmallest(most, [*sums.not_read, *not_opened])}
        first = [*replaced, *ledger.rows_of([path for *_, path in sums.work])][:most]
        to_look_at = [
            {
                **_told(row),
                **_why(ledger, row),
                "called": call_of(row),
                "replaced": decided_before_words(row["path"], decided.get(row["path"])),
            }
            for row in first
        ]
        without = [
            {**_told(row), "files": not_read[row["path"]], "code": row["code"] or NOT_OPENED}
            for row in ledger.rows_of(list(not_read))
        ]
    return Trends(
        **_of_files(sums.states, unhashed),
        **_of_decisions(sums.decisions),
        as_seen=sums.as_seen,
        groups={name: grouped(counts, name == "month") for name, counts in zip(FIELDS, sums.groups, strict=True)},
        densities=np.array(sums.densities),
        pigtails=np.array(sums.pigtails),
        undated=sums.undated,
        names=tuple(sums.names),
        replaced=len(replaced),
        resembling=int(again.sum()),
        pairs=pairs,
        to_look_at=dict(sorted(sums.to_look_at.items())),
        work=to_look_at,
        not_read=without,
        technician=technician,
    )


def _of_files(counts: Counter[tuple[str, str | None, int]], unhashed: int) -> dict[str, Any]:
    """Return what `Trends` says of files, from contents by state, code and how many files have them."""
    states: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for (state, code, files), count in counts.items():
        states[state] += files * count
        if state not in ("reading", "waiting"):
            reasons[code or ""] += files * count
    if unhashed:
        states["unreadable"] += unhashed
        reasons[NOT_OPENED] += unhashed
    return {
        "files": states.total(),
        "copies": sum((files - 1) * count for (_, _, files), count in counts.items()),
        "states": dict(sorted(states.items())),
        "reasons": dict(sorted(reasons.items(), key=lambda pair: (-pair[1], pair[0]))),
    }


def _of_decisions(counts: Counter[tuple[str | None, str | None, str | None]]) -> dict[str, Any]:
    """Return what `Trends` says of calls and of decisions, from contents by call, decision and what that was on."""
    calls: Counter[str] = Counter()
    decisions: Counter[str] = Counter()
    agreement, earlier, pending, contested = {}, 0, 0, 0
    for (call, decision, decided_on), count in counts.items():
        earlier += count if decided_on == EARLIER else 0
        if call is not None:
            calls[call] += count
        if decision is None:
            continue
        decisions[decision] += count
        pending += count if decision.endswith(PENDING) else 0
        contested += count if decision.endswith(CONTESTED) else 0
        if call is not None:
            agreement[call, decision if decided_on != EARLIER else f"{decision}, on {EARLIER}"] = count
    return {
        "calls": dict(sorted(calls.items())),
        "decisions": dict(sorted(decisions.items())),
        "agreement": dict(sorted(agreement.items())),
        "pending": pending,
        "contested": contested,
        "earlier": earlier,
    }


def _pairs(
    ledger: Ledger, marks: NDArray[np.uint64], again: Bools, technician: str | None
) -> tuple[tuple[str, str], ...]:
    """Return the paths of the first few that look like an earlier one, each with that, from the places of their marks.

    Paths are asked for by fingerprint, in the order of the marks: to hold the path of every mark would take much more.
    """
    pairs = []
    for place in np.flatnonzero(again)[:FEW_PAIRS].tolist():
        alike = np.bitwise_count(marks[:place] ^ marks[place]) <= RESEMBLING_BITS
        pairs.append((place, int(np.argmax(alike))))
    if not pairs:
        return ()
    places = {place for pair in pairs for place in pair}
    wanted = np.unique(marks[list(places)])
    rows = ledger.ask(
        "SELECT path FROM contents WHERE fingerprint IN (SELECT value FROM json_each(?1))"
        " AND (?2 IS NULL OR technician = ?2) ORDER BY taken, path",
        json.dumps([f"{int(mark):016x}" for mark in wanted]),
        technician,
    )
    there = np.flatnonzero(np.isin(marks, wanted)).tolist()
    paths = {place: path for place, (path,) in zip(there, rows, strict=True) if place in places}
    return tuple((paths[one], paths[other]) for one, other in pairs)


def _told(row: Row) -> Row:
    """Return a row whose message was perhaps written as `visionwire check` has it, as ledgers had it once.

    How an archive is told a wire is said of all files together, and not again of each (`WIRE_OF_ALL`).
    """
    return row if row["message"] is None else {**row, "message": to_do(row["message"]).replace(WIRE_OF_ALL, "")}


def _why(ledger: Ledger, row: Row) -> dict[str, str | None]:
    """Return why a photograph is to be looked at, and what to do where it is undecided, each in one sentence."""
    kept = ledger.record(row["sha256"]) if row["call"] is not None else None
    if kept is None:
        return {"reason": None, "advice": None}
    return {"reason": reason_of(kept[0]), "advice": advice_of(kept[0])}
