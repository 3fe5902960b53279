"""The closed pattern of single wire, traced from its twisted end round the fasteners and back.

Single wire is taut, so that between two fasteners it lies straight, and a fastener's head hides it. The network's mark
of plain wire therefore shows bars with gaps between them; what is looked for is a ring of bars that begins and ends at
the twist. Each gap with a bend is a fastener; in its middle, half way through the drilled hole, lies the corner.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire import find, learned
from visionwire.find import Ribbon, ridge
from visionwire.section import Section
from visionwire.strip import arc_length

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Where the network's mark of plain wire counts; where no ring closes the fainter is tried.
MARKED = (0.3, 0.12)
MOST_WALKS = 40
#: A bar is this straight, in wire diameters; a part of it this long without a mark parts it.
STRAIGHT_D, MISSING_D = 1.2, 2.0
#: Common practice, no source: sides of a closed pattern are longer, and the heads in it smaller than this.
SHORTEST_BAR_IN, LARGEST_GAP_IN = 0.16, 0.55
#: From the twist to where the wire leaves the head beside it, and to the wire that comes home; what lies nearer to the
#: twist with both of its ends is a leg of that, no side.
FARTHEST_ROOT_IN, LEGS_IN = 0.6, 0.4
FEWEST_FASTENERS, MOST_FASTENERS = 3, 12
#: A gap with a smaller bend is glare or shadow on a straight side, unless it is as long as those of the heads.
LEAST_BEND_DEG, MOST_BEND_DEG, MOST_INTO_HOLE_DEG = 18.0, 150.0, 100.0
LIKE_OTHER_GAPS = (0.6, 1.6)
#: A bar's ends may follow a head's rim: its line is that of its middle, and what leaves it by so much is cut off.
MIDDLE, RIM_D = 0.15, 0.5
#: Of the ring, what must be seen as wire.
LEAST_SEEN = 0.5
MOST_TRIED = 200_000


@dataclass(frozen=True, eq=False)
class Traced:
    """A closed pattern of single wire.

    Attributes
    ----------
    corners_px : (n, 2) float array
        The fasteners in the order along the wire, the one at the twisted end first.
    spine_px : (N, 2) float array
        Centre line of the wire from the twist, round the pattern, and back to the twist.
    seen : float
        Share of that line on which the wire is in view.
    """

    corners_px: Floats
    spine_px: Floats
    seen: float


def around(luminance: Picture, tail: Section, px_per_in: float, card_px: Floats | None) -> Traced | None:
    """Trace the pattern that a picture (H, W) shows round its twisted end; see `trace`."""
    diameter_px = tail.strip.diameter_px
    return trace(learned.maps(luminance, diameter_px), tail.spine_px, diameter_px, px_per_in, card_px)


def trace(
    seen: learned.Maps,
    tail_px: Floats,
    diameter_px: float,
    px_per_in: float,
    card_px: Floats | None = None,
) -> Traced | None:
    """Trace the pattern that begins and ends at a twisted end.

    Parameters
    ----------
    seen : Maps
        What the network sees.
    tail_px : (N, 2) float array
        Centre line of the twisted end, px.
    diameter_px : float
        Wire diameter.
    px_per_in : float
        Scale near it.
    card_px : (K, 2) float array, optional
        Outline of the card, on which no wire is looked for.

    Returns
    -------
    Traced or None
        None where no ring of wire closes at either end of the twist.
    """
    for marked in MARKED:
        bars = straight_bars(seen, diameter_px, px_per_in, marked, card_px, tail_px)
        rings = [ring for root in (tail_px[0], tail_px[-1]) for ring in [_ring(bars, root, px_per_in)] if ring]
        if rings:
            return max(rings, key=lambda ring: ring.seen)
    return None


def straight_bars(
    seen: learned.Maps,
    diameter_px: float,
    px_per_in: float,
    marked: float,
    card_px: Floats | None,
    tail_px: Floats,
) -> list[Floats]:
    """Return the straight pieces (N, 2) of plain wire that the network marks, px, longest first.

    Parameters
    ----------
    seen : Maps
        What the network sees.
    diameter_px, px_per_in : float
        Wire diameter and scale.
    marked : float
        From where on a mark counts, 0 to 1.
    card_px : (K, 2) float array or None
        Outline of the card.
    tail_px : (N, 2) float array
        Centre line of the twisted end, which is no plain wire.
    """
    diameter = diameter_px * seen.scale
    strength = np.where(seen.plain > marked, seen.plain, 0).astype(np.float32)
    _, direction = ridge(np.asarray(cv2.GaussianBlur(seen.plain, (0, 0), max(0.8, 0.5 * diameter)), np.float32))
    forbidden = np.zeros(strength.shape, np.uint8)
    if card_px is not None:
        outline = np.round(find.to_maps(card_px, seen.scale)).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(forbidden, [outline], 1)
        edge = int(2 * diameter) | 1
        forbidden = np.asarray(cv2.dilate(forbidden, np.ones((edge, edge), np.uint8)), np.uint8)
    tail = np.round(find.to_maps(tail_px, seen.scale)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(forbidden, [tail], False, 1, max(1, round(1.2 * diameter)))
    ribbon = Ribbon(strength, np.ones_like(strength), direction, seen.scale, diameter)
    bars = []
    for walk in find.candidates(ribbon, forbidden.astype(bool), MOST_WALKS):
        shown = learned.along(seen.plain, seen.scale, walk) > marked
        for piece in _unbroken(walk, shown, MISSING_D * diameter_px):
            cut = [_without_rim(bar, RIM_D * diameter_px) for bar in _straight(piece, STRAIGHT_D * diameter_px)]
            bars += [bar for bar in cut if _length(bar) > SHORTEST_BAR_IN * px_per_in]
    return sorted(bars, key=_length, reverse=True)


def _unbroken(walk: Floats, shown: NDArray[np.bool_], most_px: float) -> list[Floats]:
    """Return the parts of a walk (N, 2) that are shown, across no longer break than that."""
    at = np.flatnonzero(shown)
    if len(at) < 2:
        return []
    along = arc_length(walk)[at]
    return [walk[part[0] : part[-1] + 1] for part in np.split(at, np.flatnonzero(np.diff(along) > most_px) + 1)]


def _straight(line: Floats, within_px: float) -> list[Floats]:
    """Cut a line (N, 2) where it stands off its chord, until every part lies within some px of its own."""
    if len(line) < 3:
        return [line] if len(line) == 2 else []
    chord = line[-1] - line[0]
    away = line - line[0]
    off = np.abs(chord[0] * away[:, 1] - chord[1] * away[:, 0]) / max(float(np.hypot(*chord)), 1e-9)
    worst = int(off.argmax())
    if off[worst] <= within_px or worst in (0, len(line) - 1):
        return [line]
    return _straight(line[: worst + 1], within_px) + _straight(line[worst:], within_px)


def _without_rim(bar: Floats, within_px: float) -> Floats:
    """Cut off a bar's ends where they leave the line of its middle, (N, 2)."""
    spare = int(MIDDLE * len(bar))
    middle = bar[spare : len(bar) - spare]
    if len(middle) < 4:
        return bar
    centre = middle.mean(0)
    across = np.linalg.svd(middle - centre)[2][1]
    near = np.flatnonzero(np.abs((bar - centre) @ across) < within_px)
    return bar[near[0] : near[-1] + 1] if len(near) else bar


# -- the ring -----------------------------------------------------------------------------------


def _ring(bars: list[Floats], root: Floats, px_per_in: float) -> Traced | None:
    """Return the ring of bars, from the root back to it, of which the most is seen."""
    best: Traced | None = None
    for chain in _chains(bars, root, px_per_in):
        ring = _traced(chain, root)
        if ring is not None and ring.seen > LEAST_SEEN and (best is None or ring.seen > best.seen):
            best = ring
    return best


def _chains(bars: list[Floats], root: Floats, px_per_in: float) -> Iterator[list[Floats]]:
    """Yield the ways from the root over bars, each at most once, back to it; every bar turned along the way."""
    near_px = LEGS_IN * px_per_in
    sides = [bar for bar in bars if max(np.hypot(*(bar[0] - root)), np.hypot(*(bar[-1] - root))) > near_px]
    both = [turned for bar in sides for turned in (bar, bar[::-1])]
    starts, ends = (np.array([bar[at] for bar in both]).reshape(-1, 2) for at in (0, -1))
    headings = np.array([_heading(bar) for bar in both]).reshape(-1, 2)
    reach = FARTHEST_ROOT_IN * px_per_in
    first = np.flatnonzero(np.hypot(*(starts - root).T) < reach)
    last = np.hypot(*(ends - root).T) < reach
    after = [
        [
            int(k)
            for k in np.flatnonzero(np.hypot(*(starts - ends[i]).T) < LARGEST_GAP_IN * px_per_in)
            if k // 2 != i // 2 and _may_follow(headings[i], starts[k] - ends[i], headings[k])
        ]
        for i in range(len(both))
    ]
    stack = [[int(k)] for k in first]
    tried = 0
    while stack and tried < MOST_TRIED:
        way = stack.pop()
        tried += 1
        if len(way) >= FEWEST_FASTENERS and last[way[-1]]:
            yield [both[k] for k in way]
        used = {k // 2 for k in way}
        if len(way) < 2 * MOST_FASTENERS:
            stack += [[*way, k] for k in after[way[-1]] if k // 2 not in used]


def _may_follow(before: Floats, gap: Floats, after: Floats) -> bool:
    """Whether a wire may go on so: bend at most so far, and not turn back in the gap."""
    if _angle_deg(before, after) > MOST_BEND_DEG:
        return False
    return max(_angle_deg(before, gap), _angle_deg(gap, after)) < MOST_INTO_HOLE_DEG


def _traced(chain: list[Floats], root: Floats) -> Traced | None:
    """Return what a chain of bars makes, or None where it has too few or too many corners."""
    # The wire that comes home lies at the twist; the other end goes through the head beside it first.
    if np.hypot(*(chain[0][0] - root)) < np.hypot(*(chain[-1][-1] - root)):
        chain = [bar[::-1] for bar in chain[::-1]]
    pairs = list(itertools.pairwise(chain))
    bends = [_angle_deg(_heading(one), _heading(other)) for one, other in pairs]
    lengths = [float(np.hypot(*(other[0] - one[-1]))) for one, other in pairs]
    bent = [length for length, bend in zip(lengths, bends, strict=True) if bend > LEAST_BEND_DEG]
    usual = float(np.median(bent)) if bent else 0.0
    corners = [(root + chain[0][0]) / 2]
    pieces = [root[None], chain[0]]
    for (one, other), length, bend in zip(pairs, lengths, bends, strict=True):
        alike = LIKE_OTHER_GAPS[0] * usual < length < LIKE_OTHER_GAPS[1] * usual
        if bend > LEAST_BEND_DEG or alike:
            corners.append((one[-1] + other[0]) / 2)
        if bend > LEAST_BEND_DEG and length > LIKE_OTHER_GAPS[1] * usual:
            # Part of a side is not marked: then the corner lies where the sides meet.
            corners[-1] = _meeting(one, other)
            pieces.append(corners[-1][None])
        pieces.append(other)
    line = np.vstack([*pieces, root[None]])
    if not FEWEST_FASTENERS <= len(corners) <= MOST_FASTENERS or _crosses_itself(np.array(corners)):
        return None
    return Traced(np.array(corners), line, sum(map(_length, chain)) / _length(line))


def _meeting(one: Floats, other: Floats) -> Floats:
    """Return where the lines of two bars meet, (2,)."""
    ways = np.column_stack([_heading(one), -_heading(other)])
    share = np.linalg.solve(ways, other[0] - one[0])[0]
    return np.asarray(one[0] + share * _heading(one), float)


def _crosses_itself(corners: Floats) -> bool:
    """Whether two sides of a polygon (n, 2) that share no corner cross."""
    count = len(corners)
    sides = [(corners[k], corners[(k + 1) % count]) for k in range(count)]
    return any(
        _cross(*sides[i], *sides[k])
        for i in range(count)
        for k in range(i + 2, count)
        if not (i == 0 and k == count - 1)
    )


def _cross(a: Floats, b: Floats, c: Floats, d: Floats) -> bool:
    def side(p: Floats, q: Floats, r: Floats) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def _heading(bar: Floats) -> Floats:
    return np.asarray(bar[-1] - bar[0], float)


def _angle_deg(one: Floats, other: Floats) -> float:
    size = max(float(np.hypot(*one) * np.hypot(*other)), 1e-9)
    return float(np.degrees(np.arccos(np.clip(one @ other / size, -1, 1))))


def _length(line: Floats) -> float:
    return float(arc_length(line)[-1])
