"""Arithmetic of what a ledger holds: shares with intervals, control charts, the change of a course, pictures alike."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Of individuals and moving ranges of two: 3 / d2 and D4, d2 = 1.128 (NIST/SEMATECH e-Handbook, 6.3.2.2:
#: itl.nist.gov/div898/handbook/pmc/section3/pmc322.htm; D4 from memory).
MOVING_RANGE_TO_LIMIT, LARGEST_RANGE = 2.660, 3.267
FEWEST_IN_A_CHART = 5
#: So many in a row on one side of the centre are no chance (the same, 6.3.2; from memory).
ONE_SIDED_RUN = 8
#: Fewer values in either half of a course tell no change.
FEWEST_IN_A_HALF = 3
#: Of 64 bits, as many may differ between a picture and the same saved again.
RESEMBLING_BITS = 3
#: A table names as many groups; what is left goes into one line, so that a page does not grow with its archive.
MOST_GROUPS = 40
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


@dataclass(frozen=True, eq=False)
class ControlChart:
    """Individuals in their order, with centre and limits, and the places that a rule points at.

    ``one_sided`` are the eighth and later in a row on one side of the centre.
    """

    values: Floats
    centre: float
    low: float
    high: float
    beyond: NDArray[np.intp]
    one_sided: NDArray[np.intp]


def share_interval(hits: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Clopper & Pearson, Biometrika 26 (1934) 404); 0 to 1 of nothing."""
    if count == 0:
        return 0.0, 1.0
    low = float(special.betaincinv(hits, count - hits + 1, 0.025)) if hits > 0 else 0.0
    high = float(special.betaincinv(hits + 1, count - hits, 0.975)) if hits < count else 1.0
    return low, high


def grouped(counts: Mapping[tuple[str | None, str | None], int], latest: bool = False) -> list[Group]:
    """Return groups by name from how often each name met each call; what has no name is under `NOT_SAID`.

    What has no call is no reading and left out.

    Of more than `MOST_GROUPS` the largest are kept, or the last by name where ``latest``, and the rest put together.
    """
    names: dict[str, Counter[str]] = {}
    for (name, call), count in counts.items():
        if call is not None:
            names.setdefault(name or NOT_SAID, Counter())[call] += count
    order = sorted(names, reverse=True) if latest else sorted(names, key=lambda name: (-names[name].total(), name))
    kept, rest = order[:MOST_GROUPS], order[MOST_GROUPS:]
    groups = [_group(name, names[name]) for name in sorted(kept)]
    if rest:
        together: Counter[str] = Counter()
        for name in rest:
            together.update(names[name])
        other = _group(f"{len(rest)} {'earlier' if latest else 'other' if len(rest) == 1 else 'others'}", together)
        groups = [other, *groups] if latest else [*groups, other]
    return groups


def _group(name: str, counts: Counter[str]) -> Group:
    calls = {call: counts[call] for call in CALLS}
    called = calls["conforming"] + calls["nonconforming"]
    low, high = share_interval(calls["conforming"], called)
    return Group(name, counts.total(), calls, calls["conforming"] / called if called else None, low, high)


def control_chart(values: Iterable[float]) -> ControlChart | None:
    """Return the individuals and moving-range chart of values in their order; None of fewer than five."""
    at = np.array(values, float)
    if len(at) < FEWEST_IN_A_CHART:
        return None
    ranges = np.abs(np.diff(at))
    # Ranges beyond their own limit would widen the limits that should show them: left out, once.
    ranges = ranges[ranges <= LARGEST_RANGE * ranges.mean()]
    centre, reach = float(at.mean()), float(MOVING_RANGE_TO_LIMIT * ranges.mean())
    side, places = np.sign(at - centre), np.arange(len(at))
    begins = np.ones(len(at), bool)
    begins[1:] = (side[1:] != side[:-1]) | (side[1:] == 0)
    in_a_row = places - np.maximum.accumulate(np.where(begins, places, 0)) + 1
    return ControlChart(
        at,
        centre,
        centre - reach,
        centre + reach,
        beyond=np.flatnonzero(np.abs(at - centre) > reach),
        one_sided=np.flatnonzero(in_a_row >= ONE_SIDED_RUN),
    )


@dataclass(frozen=True)
class Change:
    """How far the second half of a course lies from its first: two means, and their difference with its 95 % one."""

    first: float
    second: float
    by_u95: float

    @property
    def by(self) -> float:
        """How much is more in the second half."""
        return self.second - self.first

    @property
    def is_told(self) -> bool:
        """Whether it is more than chance, at 95 %."""
        return abs(self.by) > self.by_u95


def change(values: Floats) -> Change | None:
    """Return how the second half of a course differs from its first; None where either is too short.

    The interval is Welch's (Biometrika 34 (1947) 28), for the halves may scatter differently.
    """
    halves = np.array_split(np.asarray(values, float), 2)
    counts = [len(half) for half in halves]
    if min(counts) < FEWEST_IN_A_HALF:
        return None
    first, second = (float(half.mean()) for half in halves)
    of_means = [float(half.var(ddof=1)) / len(half) for half in halves]
    if sum(of_means) == 0:
        return Change(first, second, 0.0)
    freedom = sum(of_means) ** 2 / sum(one**2 / (count - 1) for one, count in zip(of_means, counts, strict=True))
    return Change(first, second, float(special.stdtrit(freedom, 0.975)) * sum(of_means) ** 0.5)


def saved_again(marks: NDArray[np.uint64]) -> Bools:
    """Return of each of some fingerprints, in their order, whether an earlier one is like it to `RESEMBLING_BITS` bits.

    Two marks that differ in at most three of their bits agree in two of five parts of them whole, wherever the bits
    fall: for each of the ten pairs of parts the marks are sorted by these, and only equal ones are held side by side.
    """
    distinct, first = np.unique(marks, return_index=True)
    again = np.ones(len(marks), bool)
    again[first] = False
    edges = np.linspace(0, 64, RESEMBLING_BITS + 3).round().astype(int)
    parts = [np.uint64((1 << int(high)) - (1 << int(low))) for low, high in itertools.pairwise(edges)]
    for one, other in itertools.combinations(parts, 2):
        order = np.argsort(distinct & (one | other), kind="stable")
        by_part, place = distinct[order], first[order]
        key = by_part & (one | other)
        left = np.arange(len(order) - 1)
        for apart in range(1, len(order)):
            left = left[left + apart < len(order)]
            left = left[key[left] == key[left + apart]]
            if not len(left):
                break
            alike = left[np.bitwise_count(by_part[left] ^ by_part[left + apart]) <= RESEMBLING_BITS]
            again[np.maximum(place[alike], place[alike + apart])] = True
    return again
