"""One twisted section: from a candidate line to spine, strip and twist, and where it begins and ends."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.spine import recentre, smooth_line
from visionwire.strip import Strip, arc_length, smooth, straighten
from visionwire.twist import ANY_SPACING_D, QUICK, STIFFNESSES, Twist, estimate, likeness

Floats = NDArray[np.float64]

SMOOTHING_D = 1.5
RECENTRINGS = 2
#: A local likeness under this, or under the given share of the section's own, is off the wire.
LEAST_LIKENESS = 0.1
LEAST_ROUGH_GAIN = 0.04
LEAST_SHARE = 0.4
SHORTEST_D = 4.0
MARGIN_D = 10.0
FEWEST_TWISTS = 1.5
#: What has more twists is no pigtail.
MOST_PIGTAIL_TWISTS = 10.0
GROWTH_TWISTS = 2.0
#: Of ends found, against pictures with truth: half were within half a twist.
FOUND_END_U_TWISTS = 0.6
MOST_GROWTHS = 3
LARGEST_GAP_TWISTS = 4.0
#: Twists in view, and the share of its own fit below which a section ends.
FIT_SHARES = ((4.0, 10.0), (0.35, 0.15))
#: Over so many twists the pattern may be against that of a section, so far, before it is two, each of so many at least.
BREAK_TWISTS, BREAK_FIT, FEWEST_BESIDE_BREAK = 3.0, -0.1, 4.0
BESIDE_D = 2.4
#: What goes on from a spine turns as so many of its last twists do.
ARC_TWISTS = 2.5
#: Of the spacing of the crossings in a section against that in a part of it: of two that differ more one is wrong.
MOST_OUT_OF_STEP = 1.1
#: The mean fit over a twist under which the pattern is lost there, and not merely faint.
LOST_FIT = -0.05
#: So near to its ends a section may fit badly wherever it ends.
END_TWISTS = 1.5
#: Of a spacing that is known, over the section: under two, so that crossings are neither halved nor doubled.
MOST_CHANGE = 1.5


@dataclass(frozen=True, eq=False)
class Section:
    """A stretch of twisted pair on its strip, columns ``first`` to ``last``.

    ``end_u_twists`` is one standard deviation of where either end lies, in twists: 0 between ends that were given.
    ``belief`` is the probability that it is a twisted pair at all, rightly followed. ``doubted`` says
    that only one of the two finders takes it for one. ``line_px`` (N, 2) is the line that it was found on, which may go
    on beyond its ends. ``holes_px`` are the holes beyond its start and its end, (2,) each, where they are seen.
    ``cut`` are the probabilities that the wire was cut at its start and at its end; None where nobody looked.
    ``taken_in`` says that an end which was given lay beyond the twist. ``counted`` are the twists as a network counts
    them (``tally``), and the standard deviation of that; None where it was not asked. ``measured`` is False where that
    alone tells of them.
    """

    strip: Strip
    twist: Twist
    first: int
    last: int
    end_u_twists: float = 0.0
    belief: float = 1.0
    doubted: bool = False
    line_px: Floats | None = None
    holes_px: tuple[Floats | None, Floats | None] = (None, None)
    cut: tuple[float, float] | None = None
    taken_in: bool = False
    counted: tuple[float, float] | None = None
    measured: bool = True

    @property
    def spine_px(self) -> Floats:
        """Centre line in the photograph, (N, 2)."""
        return self.strip.centre_px[self.first : self.last + 1]

    @property
    def twists(self) -> float:
        """Number of twists."""
        return self.twist.twists(self.first, self.last)

    @property
    def twists_u(self) -> float:
        """Standard deviation of ``twists`` between the two ends as placed."""
        return self.twist.twists_u(self.first, self.last)

    @property
    def count_u(self) -> float:
        """Standard deviation of ``twists`` as a count of all there are: where the ends lie counts too."""
        return float(np.hypot(self.twists_u, np.sqrt(2) * self.end_u_twists))

    @property
    def px_per_twist(self) -> float:
        """Mean distance of the crossings, px."""
        return self.length_d * self.strip.diameter_px / max(self.twists, 1e-6)

    @property
    def length_d(self) -> float:
        """Length in the picture, in the wire diameters that the strip was made for."""
        return (self.last - self.first) * self.strip.step_d

    @property
    def score(self) -> float:
        """Mean likeness to a twisted pair: 1 for a drawing of one, about 0.1 by chance."""
        return float(self.twist.local_score[self.first : self.last + 1].mean())

    @property
    def gain(self) -> float:
        """Mean log likelihood ratio of a column: the pattern in step against out of step."""
        return float(self.twist.local_fit[self.first : self.last + 1].mean())


def whole(
    luminance: NDArray[np.float32], line_px: Floats, diameter_px: float, spacing_px: float | None = None
) -> Section:
    """Measure a line from end to end as one section, its crossings about ``spacing_px`` apart where that is known.

    Raises
    ------
    ValueError
        If the line is shorter than three wire diameters.
    """
    line = smooth_line(line_px, diameter_px / 4, SMOOTHING_D * diameter_px)
    spacings_d = ANY_SPACING_D
    if spacing_px is not None:
        spacings_d = spacing_px / diameter_px / MOST_CHANGE, spacing_px / diameter_px * MOST_CHANGE
    strip, twist = _centred(luminance, line, diameter_px, spacings_d=spacings_d)
    return Section(strip, twist, 0, strip.values.shape[1] - 1)


def within(
    luminance: NDArray[np.float32],
    line_px: Floats,
    diameter_px: float,
    wanted: Callable[[Floats], bool] = lambda spine_px: True,
) -> list[Section]:
    """Return the twisted sections along a candidate line, longest first.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    line_px : (N, 2) float array
        Where to look.
    diameter_px : float
        Wire diameter, px.
    wanted : callable
        Whether a rough section's spine (M, 2) is worth measuring: most of the time goes there.
    """
    line = smooth_line(line_px, diameter_px / 4, SMOOTHING_D * diameter_px)
    strip = straighten(luminance, line, diameter_px)
    if strip.values.shape[1] * strip.step_d < SHORTEST_D:
        return []
    found = []
    for first, last in _stretches(likeness(strip)[1], strip.step_d):
        if (last - first) * strip.step_d < SHORTEST_D:
            continue
        margin = int(MARGIN_D / strip.step_d)
        part = straighten(luminance, strip.centre_px[max(first - margin, 0) : last + margin + 1], diameter_px)
        rough = _trimmed(part, estimate(part, QUICK))
        if rough.length_d < SHORTEST_D or rough.score < LEAST_LIKENESS or rough.gain < LEAST_ROUGH_GAIN:
            continue
        if not wanted(rough.spine_px):
            continue
        parts = _parted(luminance, _grown(luminance, rough))
        found += [dataclasses.replace(one, line_px=line) for one in parts if one.twists >= FEWEST_TWISTS]
    return sorted(found, key=lambda one: -one.twists)


def _grown(luminance: NDArray[np.float32], rough: Section) -> Section:
    """Measure a section anew with some line to either side, until its ends lie inside that."""
    line_px, first, last = rough.strip.centre_px, rough.first, rough.last
    for _ in range(MOST_GROWTHS):
        margin = max(1, int(GROWTH_TWISTS * rough.px_per_twist / (rough.strip.step_d * rough.strip.diameter_px)))
        low, high = max(first - margin, 0), min(last + margin, len(line_px) - 1)
        section = _trimmed(*_centred(luminance, line_px[low : high + 1], rough.strip.diameter_px, 1, QUICK))
        new_first, new_last = (_nearest(line_px, section.spine_px[end]) for end in (0, -1))
        grew = (low > 0 and new_first < first - margin / 2) or (
            high < len(line_px) - 1 and new_last > last + margin / 2
        )
        first, last = new_first, new_last
        if not grew or last - first < margin:
            break
    return section if section.length_d < SHORTEST_D else _as_found(luminance, section)


def _parted(luminance: NDArray[np.float32], one: Section) -> list[Section]:
    """Return a section, or its parts where the pattern between them is against its own over some twists.

    So a head's edge and a strand over it may be taken for the pair, and two spans for one run.
    """
    twist_columns = one.px_per_twist / (one.strip.step_d * one.strip.diameter_px)
    if one.twists < 2 * (FEWEST_BESIDE_BREAK + BREAK_TWISTS):
        return [one]
    fit = smooth(one.twist.local_fit[None, one.first : one.last + 1], BREAK_TWISTS / 3 * twist_columns)[0]
    half = round(BREAK_TWISTS * twist_columns / 2)
    beside = round(FEWEST_BESIDE_BREAK * twist_columns) + half
    worst = beside + int(fit[beside:-beside].argmin())
    if fit[worst] > BREAK_FIT:
        return [one]
    parts = []
    for line in (one.spine_px[: worst - half], one.spine_px[worst + half :]):
        part = _trimmed(*_centred(luminance, line, one.strip.diameter_px))
        if part.length_d >= SHORTEST_D:
            parts += _parted(luminance, _as_found(luminance, part))
    return parts


def _as_found(luminance: NDArray[np.float32], trimmed: Section) -> Section:
    """Return a section measured anew without what lay beyond its ends, which would bend the phase there."""
    final = whole(luminance, trimmed.spine_px, trimmed.strip.diameter_px)
    return dataclasses.replace(final, end_u_twists=FOUND_END_U_TWISTS)


def with_ends_moved(luminance: NDArray[np.float32], one: Section, outward_px: Floats) -> Section:
    """Return a section measured anew, its start and end moved out along it by so many px each, or in where negative."""
    line_px, step_px = one.spine_px, one.strip.step_d * one.strip.diameter_px
    for out_px in outward_px:
        line_px = line_px[::-1]  # start last, then end last
        count = round(float(out_px) / step_px)
        if count <= 0:
            line_px = line_px[: max(len(line_px) + count, 2)]
            continue
        line_px = np.vstack([line_px, beyond(one, line_px, step_px, count)])
    if len(line_px) * one.strip.step_d < SHORTEST_D:
        return one  # of less nothing can be measured
    moved = whole(luminance, line_px, one.strip.diameter_px, one.px_per_twist)
    return dataclasses.replace(one, strip=moved.strip, twist=moved.twist, first=moved.first, last=moved.last)


def beyond(one: Section, spine_px: Floats, step_px: float, count: int) -> Floats:
    """Return points (count, 2) that go on from a section's last: along the line it was found on, then straight.

    Where it was found on none they turn as its last few twists do.

    Parameters
    ----------
    spine_px : (N, 2) float array
        The section's spine, turned so that what is wanted goes on from its end; two points at least.
    step_px : float
        How far the points lie apart.
    count : int
        How many are wanted.
    """
    if one.line_px is None:
        return on_arc(spine_px, step_px, count, ARC_TWISTS * one.px_per_twist / step_px)
    ahead = spine_px[-1] - spine_px[-1 - min(len(spine_px) - 1, round(one.px_per_twist / step_px))]
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
    at = _nearest(one.line_px, spine_px[-1])
    before = _nearest(one.line_px, spine_px[-1] - one.px_per_twist * ahead)
    rest = one.line_px[at + 1 :] if at > before else one.line_px[: max(at, 0)][::-1]
    # The line may lie a little beside the spine: it is taken over from where the spine ends.
    path = np.vstack([spine_px[-1:], rest + (spine_px[-1] - one.line_px[at])])
    along = arc_length(path)
    wanted = np.arange(1, count + 1) * step_px
    inside = np.column_stack([np.interp(wanted, along, path[:, k]) for k in (0, 1)])
    last = path[-1] - path[-min(len(path), 5)] if len(path) > 4 else ahead
    last = last / max(float(np.linalg.norm(last)), 1e-9)
    return np.asarray(inside + np.maximum(wanted - along[-1], 0)[:, None] * last)


def on_arc(spine_px: Floats, step_px: float, count: int, columns: float) -> Floats:
    """Return points (count, 2) that go on from a line's last, turning as its last so many columns do.

    Parameters
    ----------
    spine_px : (N, 2) float array
        The line, its points about ``step_px`` apart.
    step_px : float
        How far the points lie apart.
    count : int
        How many are wanted.
    columns : float
        Of the line, how many of its last steps tell how it turns.
    """
    steps = np.diff(spine_px[-max(int(columns), 2) :], axis=0)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    before, ahead = np.arange(-len(steps), 0) + 0.5, np.arange(count) + 0.5
    turn, last = np.polyfit(before, heading, 1) if len(steps) > 1 else (0.0, heading[-1])
    on = last + turn * ahead
    return np.asarray(spine_px[-1] + step_px * np.cumsum(np.stack([np.cos(on), np.sin(on)], -1), 0))


def joined(luminance: NDArray[np.float32], one: Section, other: Section) -> Section | None:
    """Return the section that two of one hand and direction are the halves of, or None.

    Between them lies at most a few twists that a highlight, a shadow or a bend hid; the pattern must run on in step
    across the gap.
    """
    if one.twist.lay != other.twist.lay or not 0.6 < one.px_per_twist / other.px_per_twist < 1.6:
        return None
    first, second = _facing(one.spine_px, other.spine_px)
    gap = second[0] - first[-1]
    gap_px = float(np.hypot(*gap))
    diameter_px = one.strip.diameter_px
    if gap_px > max(LARGEST_GAP_TWISTS * max(one.px_per_twist, other.px_per_twist), 4 * diameter_px):
        return None
    if gap_px > 2 * diameter_px and not all(_along(half, gap) for half in (first, second)):
        return None
    whole_ = _trimmed(*_centred(luminance, np.vstack([first, second]), diameter_px))
    columns = [_nearest(whole_.strip.centre_px, point) for point in (first[-1], second[0])]
    across = whole_.twist.local_fit[min(columns) : max(columns) + 1]
    if across.mean() <= 0 or whole_.length_d < 0.9 * (one.length_d + other.length_d):
        return None
    return _as_found(luminance, whole_)


def goes_on(one: Section, part: Section) -> bool:
    """Whether a section shows the twists of a shorter one that lies on it, and beyond that goes on in step."""
    step_px = one.strip.step_d * one.strip.diameter_px
    first, last = sorted(_nearest(one.strip.centre_px, point) for point in part.spine_px[[0, -1]])
    spacing_px = (last - first) * step_px / max(abs(one.twist.twists(first, last)), 1e-6)
    fit = smooth(one.twist.local_fit[None], max(one.px_per_twist / step_px / 3, 1.0))[0]
    spare = round(END_TWISTS * one.px_per_twist / step_px)
    beyond_fit = np.concatenate([fit[one.first + spare : first], fit[last + 1 : one.last + 1 - spare]])
    alike = 1 / MOST_OUT_OF_STEP < spacing_px / part.px_per_twist < MOST_OUT_OF_STEP
    return alike and len(beyond_fit) > 0 and bool(beyond_fit.min() > 0)


def lost(one: Section) -> bool:
    """Whether the pattern of a section is out of step over some twist: its line left the wire, or its phase slipped."""
    columns = one.px_per_twist / (one.strip.step_d * one.strip.diameter_px)
    spare = round(END_TWISTS * columns)
    fit = smooth(one.twist.local_fit[None], columns)[0, one.first + spare : one.last + 1 - spare]
    return len(fit) > 0 and bool(fit.min() < LOST_FIT)


def _facing(one: Floats, other: Floats) -> tuple[Floats, Floats]:
    """Return both lines turned so that the first ends where the second begins."""
    turns = [(a, b) for a in (one, one[::-1]) for b in (other, other[::-1])]
    return min(turns, key=lambda pair_: float(np.hypot(*(pair_[1][0] - pair_[0][-1]))))


def _along(line_px: Floats, gap: Floats) -> bool:
    direction = line_px[-1] - line_px[0]
    return float(direction @ gap) > 0.8 * float(np.linalg.norm(direction) * np.linalg.norm(gap))


def _nearest(line_px: Floats, point: Floats) -> int:
    return int(np.hypot(*(line_px - point).T).argmin())


def beside(luminance: NDArray[np.float32], section: Section) -> float:
    """Return the larger of the likenesses of the two strips that lie beside a section: its own null.

    Braid, springs, knurls and gratings look like a pair on either side too; a wire does not.
    """
    normal = section.strip.normal_px[section.first : section.last + 1]
    scores = []
    for side in (-1, 1):
        line = section.spine_px + side * BESIDE_D * section.strip.diameter_px * normal
        try:
            scores.append(float(likeness(straighten(luminance, line, section.strip.diameter_px))[1].mean()))
        except ValueError:
            continue
    return max(scores, default=0.0)


def _centred(
    luminance: NDArray[np.float32],
    line_px: Floats,
    diameter_px: float,
    recentrings: int = RECENTRINGS,
    stiffnesses: tuple[float, ...] = STIFFNESSES,
    spacings_d: tuple[float, float] = ANY_SPACING_D,
) -> tuple[Strip, Twist]:
    strip = straighten(luminance, line_px, diameter_px)
    for _ in range(recentrings):
        strip = straighten(luminance, recentre(luminance, strip, estimate(strip, QUICK, spacings_d)), diameter_px)
    return strip, estimate(strip, stiffnesses, spacings_d)


def _trimmed(strip: Strip, twist: Twist) -> Section:
    """Cut off what does not run in step: keep the stretch with the largest sum of fit above a share of its own."""
    twist_columns = 2 * np.pi * len(twist.phase) / (twist.phase[-1] - twist.phase[0])
    fit = smooth(twist.local_fit[None], max(twist_columns / 4, 1.0))[0]
    # A short section has little of its own to hold chance fits beside it against.
    share = float(np.interp(abs(twist.twists()), *FIT_SHARES))
    floor = share * max(float(np.quantile(fit, 0.7)), 0.0)
    gain = fit - floor
    typical = float(np.median(twist.local_score[gain > 0])) if (gain > 0).any() else 0.0
    unlike = twist.local_score < LEAST_SHARE * typical
    return Section(strip, twist, *_best_stretch(np.where(unlike, np.minimum(gain, -floor), gain)))


def _stretches(local_score: Floats, step_d: float) -> list[tuple[int, int]]:
    """Return first and last columns of the stretches that look like the pair, longest first."""
    level = smooth(local_score[None], 1.0 / step_d)[0]
    floor = max(LEAST_LIKENESS, LEAST_SHARE * float(np.quantile(level, 0.8)))
    inside = np.concatenate([[False], level > floor, [False]])
    edges = np.flatnonzero(inside[1:] != inside[:-1])
    pairs = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return sorted(pairs, key=lambda ends: ends[0] - ends[1])


def _best_stretch(gain: Floats) -> tuple[int, int]:
    """Return first and last column of the stretch with the largest sum (Bentley, Comm. ACM 27 (1984) 865)."""
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    end = int((total - lowest).argmax())
    start = int(total[: end + 1].argmin())
    return start, max(end - 1, start)
