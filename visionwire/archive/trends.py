"""What the rows of a ledger say together: shares with intervals, control charts, agreement, what to look at first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Row = dict[str, Any]
Floats = NDArray[np.float64]

#: Of individuals and moving ranges of two: 3 / d2 and D4, d2 = 1.128 (NIST/SEMATECH e-Handbook, 6.3.2.2; from memory).
MOVING_RANGE_TO_LIMIT, LARGEST_RANGE = 2.660, 3.267
#: So many in a row on one side of the centre are no chance (the same, 6.3.2; from memory).
ONE_SIDED_RUN = 8
#: Of 64 bits, as many may differ between a picture and the same saved again.
RESEMBLING_BITS = 3
NOT_SAID = "not said"
CALLS = ("conforming", "undecided", "nonconforming")


@dataclass(frozen=True)
class Group:
    """Readings that share a month, a technician or a station: how many of each call, and the share conforming.

    ``low`` and ``high`` bound that share, of those called either way, at 95 %.
    """

    name: str
    count: int
    calls: dict[str, int]
    share: float | None
    low: float
    high: float


@dataclass(frozen=True)
class ControlChart:
    """Individuals in their order, with centre and limits, and the places that a rule points at."""

    values: tuple[float, ...]
    names: tuple[str, ...]
    centre: float
    low: float
    high: float
    beyond: tuple[int, ...]
    one_sided: tuple[int, ...]


def share_interval(hits: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Clopper & Pearson, Biometrika 26 (1934) 404); 0 to 1 of nothing."""
    if count == 0:
        return 0.0, 1.0
    low = float(stats.beta.ppf(0.025, hits, count - hits + 1)) if hits > 0 else 0.0
    high = float(stats.beta.ppf(0.975, hits + 1, count - hits)) if hits < count else 1.0
    return low, high


def grouped(rows: Sequence[Row], key: Callable[[Row], str | None]) -> list[Group]:
    """Return the groups of the readings by a key, by name; those without one under ``NOT_SAID``."""
    names: dict[str, list[Row]] = {}
    for row in rows:
        if row["state"] == "reading":
            names.setdefault(key(row) or NOT_SAID, []).append(row)
    groups = []
    for name, members in sorted(names.items()):
        calls = {call: sum(row["call"] == call for row in members) for call in CALLS}
        called = calls["conforming"] + calls["nonconforming"]
        low, high = share_interval(calls["conforming"], called)
        share = calls["conforming"] / called if called else None
        groups.append(Group(name, len(members), calls, share, low, high))
    return groups


def month(row: Row) -> str | None:
    """Return the month that a photograph was taken in."""
    return None if not row["taken"] else str(row["taken"])[:7]


def control_chart(values: Sequence[float], names: Sequence[str]) -> ControlChart | None:
    """Return the individuals and moving-range chart of values in their order; None of fewer than five."""
    if len(values) < 5:
        return None
    at = np.array(values, float)
    ranges = np.abs(np.diff(at))
    # Ranges beyond their own limit would widen the limits that should show them: left out, once.
    ranges = ranges[ranges <= LARGEST_RANGE * ranges.mean()]
    centre, reach = float(at.mean()), float(MOVING_RANGE_TO_LIMIT * ranges.mean())
    beyond = tuple(int(k) for k in np.flatnonzero(np.abs(at - centre) > reach))
    side, runs, length = np.sign(at - centre), [], 0
    for k in range(len(at)):
        length = length + 1 if k and side[k] == side[k - 1] and side[k] != 0 else 1
        if length >= ONE_SIDED_RUN:
            runs.append(k)
    return ControlChart(tuple(values), tuple(names), centre, centre - reach, centre + reach, beyond, tuple(runs))


def agreement(rows: Sequence[Row]) -> dict[tuple[str, str], int]:
    """Return how often each call met each decision of a person."""
    table: dict[tuple[str, str], int] = {}
    for row in rows:
        if row["state"] == "reading" and row["decision"]:
            pair = (str(row["call"]), str(row["decision"]))
            table[pair] = table.get(pair, 0) + 1
    return table


def to_look_at(rows: Sequence[Row], most: int) -> list[Row]:
    """Return the readings not decided on yet: nonconforming ones by their probability, then the most doubtful."""
    open_ = [row for row in rows if row["state"] == "reading" and not row["decision"] and not row["copy_of"]]

    def rank(row: Row) -> tuple[int, float, str]:
        """Return a row's place in the order."""
        p = 0.5 if row["probability"] is None else float(row["probability"])
        rest = {"nonconforming": p, "undecided": abs(p - 0.5), "conforming": 1 - abs(p - 0.5)}
        return 2 - CALLS.index(row["call"]), rest[row["call"]], row["path"]

    return sorted(open_, key=rank)[:most]


def resembling(rows: Sequence[Row]) -> dict[str, str]:
    """Return, by path, the first earlier photograph that looks the same but is another file: one saved again."""
    known = [(row["path"], row["sha256"], int(row["fingerprint"], 16)) for row in rows if row["fingerprint"]]
    marks = np.array([mark for _, _, mark in known], np.uint64)
    found = {}
    for k, (path, sha256, mark) in enumerate(known):
        bits = np.bitwise_count(marks[:k] ^ np.uint64(mark))
        for earlier in np.flatnonzero(bits <= RESEMBLING_BITS):
            if known[earlier][1] != sha256:
                found[path] = known[earlier][0]
                break
    return found
