"""The closed pattern of single wire, traced from its twisted end round the fasteners and back.

Single wire is taut, so that between two fasteners it lies straight, and a fastener's head hides it. The network's mark
of plain wire therefore shows bars with gaps between them; what is looked for is a ring of bars that begins and ends at
the twist. Each gap with a bend is a fastener; in its middle, half way through the drilled hole, lies the corner.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.filters import apply_hysteresis_threshold
from skimage.morphology import skeletonize

from visionwire import find, learned
from visionwire.section import Section
from visionwire.strip import arc_length

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Where the network's mark of plain wire counts; where no ring closes the fainter is tried.
MARKED = (0.3, 0.12)
#: A bar is this straight, in wire diameters; a longer break parts it; a mark goes on where it is that much fainter.
STRAIGHT_D, MISSING_D, FAINTEST = 0.4, 2.0, 0.3
#: Pairs of points drawn for each bar, how many of their lines are followed, how far apart they are, in shortest bars.
DRAWS, TRIED_EXACTLY, FARTHEST_PAIR, MOST_BARS = 600, 12, 6.0, 30
#: Common practice, no source: sides of a closed pattern are longer, and the heads in it smaller than this.
SHORTEST_BAR_IN, LARGEST_GAP_IN = 0.18, 0.55
#: From the twist to where the wire leaves the head beside it, and to the wire that comes home; what lies nearer to the
#: twist with both of its ends is a leg of that, no side.
FARTHEST_ROOT_IN, FARTHEST_HOME_IN, LEGS_IN = 0.6, 0.3, 0.27
FEWEST_FASTENERS, MOST_FASTENERS = 3, 12
#: A gap with a smaller bend is glare or shadow on a straight side, unless it is as long as those of the heads.
LEAST_BEND_DEG, MOST_BEND_DEG, MOST_INTO_HOLE_DEG = 18.0, 150.0, 125.0
LIKE_OTHER_GAPS, LIKE_OTHER_BARS = (0.6, 1.6), 0.35
#: A bar may go on so far along a head's rim.
OVERSHOT_IN = 0.2
#: Of the ring, what must be seen as wire.
LEAST_SEEN = 0.5
MOST_TRIED = 200_000
#: Of 56 painted patterns, none of the seed measured: a ring was never traced from what was no twist.
BELIEF_AT_RING = 0.97


@dataclass(frozen=True, eq=False)
class Bar:
    """A straight piece of plain wire: its two ends (2, 2), px, and the network's mean mark along it."""

    ends: Floats
    mark: float


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
    mark : float
        The network's mean mark of plain wire along that line.
    """

    corners_px: Floats
    spine_px: Floats
    seen: float
    mark: float


def with_twisted_end(
    luminance: Picture, tails: list[Section], diameter_px: float, px_per_in: float, card_px: Floats | None
) -> tuple[Section, Traced] | None:
    """Return the first of some sections at which a pattern begins and ends, and that pattern; see `trace`."""
    seen = learned.maps(luminance, diameter_px)
    for tail in tails:
        traced = trace(seen, tail.spine_px, diameter_px, px_per_in, card_px)
        if traced is not None:
            # What looks like a twist at the one place where a ring of wire closes is one.
            return dataclasses.replace(tail, belief=max(tail.belief, BELIEF_AT_RING)), traced
    return None


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
            return max(rings, key=lambda ring: ring.mark)
    return None


def straight_bars(
    seen: learned.Maps,
    diameter_px: float,
    px_per_in: float,
    marked: float,
    card_px: Floats | None,
    tail_px: Floats,
) -> list[Bar]:
    """Return the straight pieces of plain wire that the network marks, the longest first.

    Parameters
    ----------
    seen : Maps
        What the network sees.
    diameter_px, px_per_in : float
        Wire diameter and scale.
    marked : float
        From where on a mark counts, 0 to 1; it goes on where it is fainter.
    card_px : (K, 2) float array or None
        Outline of the card.
    tail_px : (N, 2) float array
        Centre line of the twisted end, which is no plain wire.
    """
    diameter = diameter_px * seen.scale
    forbidden = np.zeros(seen.plain.shape, np.uint8)
    if card_px is not None:
        outline = np.round(find.to_maps(card_px, seen.scale)).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(forbidden, [outline], 1)
        edge = int(2 * diameter) | 1
        forbidden = np.asarray(cv2.dilate(forbidden, np.ones((edge, edge), np.uint8)), np.uint8)
    tail = np.round(find.to_maps(tail_px, seen.scale)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(forbidden, [tail], False, 1, max(1, round(1.2 * diameter)))
    plain = np.where(forbidden > 0, 0, cv2.GaussianBlur(seen.plain, (0, 0), max(0.6, 0.25 * diameter)))
    middle = skeletonize(apply_hysteresis_threshold(plain, FAINTEST * marked, marked))
    rows, columns = np.nonzero(middle)
    points = np.column_stack([columns, rows]).astype(float)
    shortest = SHORTEST_BAR_IN * px_per_in * seen.scale
    ends = segments(points, max(STRAIGHT_D * diameter, 0.8), MISSING_D * diameter, shortest)
    lines = [find.to_photograph(end, seen.scale) for end in ends]
    return [Bar(line, float(learned.along(seen.plain, seen.scale, _even(line)).mean())) for line in lines]


def segments(points: Floats, within: float, most_gap: float, shortest: float) -> list[Floats]:
    """Return the straight segments (2, 2) that points lie on, the longest first.

    Lines through pairs of points drawn at random (Fischler and Bolles 1981, from memory), the longest unbroken one
    taken and its points with it, and again; the draws are the same at every call.

    Parameters
    ----------
    points : (N, 2) float array
        Such as the pixels of a skeleton.
    within : float
        How far off its line a point may lie.
    most_gap : float
        The longest break in a segment.
    shortest : float
        The shortest segment.
    """
    rng = np.random.default_rng(0)
    found: list[Floats] = []
    left = points
    while len(left) >= shortest and len(found) < MOST_BARS:
        first, second = rng.integers(len(left), size=(2, DRAWS))
        apart = np.hypot(*(left[first] - left[second]).T)
        usable = (apart > 0.5 * shortest) & (apart < FARTHEST_PAIR * shortest)
        if not usable.any():
            break
        first, ways = first[usable], (left[second] - left[first])[usable] / apart[usable, None]
        across = np.column_stack([-ways[:, 1], ways[:, 0]])
        near = np.abs(across @ left.T - np.sum(across * left[first], axis=1)[:, None]) < within
        likeliest = np.argsort(-near.sum(1))[:TRIED_EXACTLY]
        runs = [_run(left, left[first[k]], ways[k], within, most_gap) for k in likeliest]
        best = max(runs, key=lambda run: float(np.ptp(run[1])))
        for _ in range(2):  # the line of its points in place of that of a pair
            middle = left[best[0]].mean(0)
            best = _run(left, middle, np.linalg.svd(left[best[0]] - middle)[2][0], within, most_gap)
        _, along, start, way = best
        if float(np.ptp(along)) < shortest:
            break
        found.append(np.array([start + along.min() * way, start + along.max() * way]))
        beside = np.abs((left - start) @ np.array([-way[1], way[0]])) < 2.5 * within
        inside = ((left - start) @ way > along.min() - within) & ((left - start) @ way < along.max() + within)
        left = left[~(beside & inside)]
    return sorted(found, key=lambda ends: -float(np.hypot(*(ends[1] - ends[0]))))


def _run(
    points: Floats, start: Floats, way: Floats, within: float, most_gap: float
) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    """Return the longest unbroken run of points near a line: which, their places along it, and the line again."""
    away = points - start
    near = np.flatnonzero(np.abs(away @ np.array([-way[1], way[0]])) < within)
    along = away[near] @ way
    order = np.argsort(along)
    parts = np.split(order, np.flatnonzero(np.diff(along[order]) > most_gap) + 1)
    longest = max(parts, key=lambda part: float(np.ptp(along[part])) if len(part) else 0.0)
    return near[longest], along[longest], start, way


def _even(line: Floats) -> Floats:
    share = np.linspace(0, 1, max(2, round(_length(line))))[:, None]
    return np.asarray(line[0] + share * (line[1] - line[0]), float)


# -- the ring -----------------------------------------------------------------------------------


def _ring(bars: list[Bar], root: Floats, px_per_in: float) -> Traced | None:
    """Return the ring of bars, from the root back to it, of which the most is seen."""
    best: Traced | None = None
    for chain in _chains(bars, root, px_per_in):
        ring = _traced(chain, root)
        if ring is not None and ring.seen > LEAST_SEEN and (best is None or ring.mark > best.mark):
            best = ring
    return best


def _chains(bars: list[Bar], root: Floats, px_per_in: float) -> Iterator[list[Bar]]:
    """Yield the ways from the root over bars, each at most once, back to it; every bar turned along the way."""
    near_px = LEGS_IN * px_per_in
    sides = [bar for bar in bars if np.hypot(*(bar.ends - root).T).max() > near_px]
    both = [turned for bar in sides for turned in (bar, Bar(bar.ends[::-1], bar.mark))]
    starts, ends = (np.array([bar.ends[at] for bar in both]).reshape(-1, 2) for at in (0, 1))
    headings = ends - starts
    reach = FARTHEST_ROOT_IN * px_per_in
    first = np.flatnonzero(np.hypot(*(starts - root).T) < reach)
    last = np.hypot(*(ends - root).T) < FARTHEST_HOME_IN * px_per_in
    after = [
        [
            int(k)
            for k in np.flatnonzero(np.hypot(*(starts - ends[i]).T) < LARGEST_GAP_IN * px_per_in)
            if k // 2 != i // 2 and _may_follow(headings[i], starts[k] - ends[i], headings[k], OVERSHOT_IN * px_per_in)
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


def _may_follow(before: Floats, gap: Floats, after: Floats, overshot_px: float) -> bool:
    """Whether a wire may go on so: bend at most so far, and not turn back in the gap, unless that is short."""
    if _angle_deg(before, after) > MOST_BEND_DEG:
        return False
    if np.hypot(*gap) < overshot_px:
        return True
    return max(_angle_deg(before, gap), _angle_deg(gap, after)) < MOST_INTO_HOLE_DEG


def _traced(bars: list[Bar], root: Floats) -> Traced | None:
    """Return what a chain of bars makes, or None where it has too few or too many corners."""
    # The wire that comes home lies at the twist; the other end goes through the head beside it first.
    chain = [bar.ends for bar in bars]
    if np.hypot(*(chain[0][0] - root)) < np.hypot(*(chain[-1][-1] - root)):
        chain = [bar[::-1] for bar in chain[::-1]]
    sizes = [_length(bar) for bar in chain]
    if min(sizes) < LIKE_OTHER_BARS * float(np.median(sizes)):
        return None  # it goes along the rim of a head
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
    length = _length(line)
    mark = sum(bar.mark * _length(bar.ends) for bar in bars) / length
    if not FEWEST_FASTENERS <= len(corners) <= MOST_FASTENERS or _crosses_itself(np.array(corners)):
        return None
    return Traced(np.array(corners), line, sum(map(_length, chain)) / length, mark)


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
