"""The order along the wire, and on which side of each head it leaves and arrives."""

from __future__ import annotations

import itertools
import math
from typing import Literal

from visionwire.plan.wish import Fastener

Side = Literal["left", "right", "either"]

#: So many points are tried in every order; more are put in order by the shortest way found from either end.
MOST_TRIED = 8


def in_order(fasteners: tuple[Fastener, ...], closed: bool = False) -> tuple[Fastener, ...]:
    """Return fasteners in the order of the shortest way through all of them.

    Anchors that cannot turn, up to two, come first or last. Whatever the order given, the same comes back: of ways as
    short, the one that begins farthest left, then lowest. A closed way comes back to where it began.
    """
    first = tuple(sorted(fasteners, key=lambda one: (one.x_in, one.y_in)))
    if len(first) <= MOST_TRIED:
        ways = list(itertools.permutations(first))
    else:
        ways = [_improved(_nearest_next(first, start)) for start in first] + _anchored(first)
    if closed:
        ways = [(*way, way[0]) for way in ways]
    else:
        ways = [way for way in ways if all(one.turns for one in way[1:-1])] or ways
    return min(ways, key=lambda way: (round(_length(way), 9), [(one.x_in, one.y_in) for one in way]))


def _anchored(fasteners: tuple[Fastener, ...]) -> list[tuple[Fastener, ...]]:
    """Return ways through what turns with an anchor at either end, of one or two anchors."""
    anchors = [one for one in fasteners if not one.turns]
    rest = tuple(one for one in fasteners if one.turns)
    if not 0 < len(anchors) <= 2:
        return []
    ways: list[tuple[Fastener, ...]] = []
    for start in rest:
        inner = _improved(_nearest_next(rest, start))
        ways += [(anchors[0], *way, *anchors[1:]) for way in (inner, inner[::-1])]
    return ways + [way[::-1] for way in ways]


def distance_in(one: Fastener, other: Fastener) -> float:
    """Return the distance of two fasteners."""
    return math.hypot(other.x_in - one.x_in, other.y_in - one.y_in)


def sides(one: Fastener, other: Fastener) -> tuple[Side, Side]:
    """Return where the wire leaves one fastener and arrives at the next, seen along the way from above.

    The pull on a right-hand thread must turn it clockwise. A pull along u at r from the axis turns it by r x u; with y
    upwards clockwise is negative, so r lies to the left of u: the wire leaves on the left, and arrives, where the pull
    is the other way, on the right. Left-hand threads are the other way round. What cannot turn takes either.
    """
    return _side(one, "left"), _side(other, "right")


def _side(fastener: Fastener, of_right_hand: Literal["left", "right"]) -> Side:
    if not fastener.turns:
        return "either"
    if fastener.thread == "right":
        return of_right_hand
    return "left" if of_right_hand == "right" else "right"


def _length(way: tuple[Fastener, ...]) -> float:
    return sum(distance_in(a, b) for a, b in itertools.pairwise(way))


def _nearest_next(fasteners: tuple[Fastener, ...], start: Fastener) -> tuple[Fastener, ...]:
    way, rest = [start], [one for one in fasteners if one is not start]
    while rest:
        way.append(min(rest, key=lambda one: (distance_in(way[-1], one), one.x_in, one.y_in)))
        rest.remove(way[-1])
    return tuple(way)


def _improved(way: tuple[Fastener, ...]) -> tuple[Fastener, ...]:
    """Turn stretches round as long as that shortens the way (2-opt; Croes, Operations Research 6 (1958) 791)."""
    better = True
    while better:
        better = False
        for i, j in itertools.combinations(range(len(way) + 1), 2):
            other = way[:i] + way[i:j][::-1] + way[j:]
            if _length(other) < _length(way) - 1e-12:
                way, better = other, True
    return way
