"""The pigtail as the finder sees it: followed from end to end, and its twists counted by a network too.

A walk may leave a pigtail by the strand that goes on round the head, or come to it over the head; and one of a single
twist, or one that is tight or blurred, no phase fits.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire import belief, learned, safety, section, spine, tally
from visionwire.section import Section
from visionwire.strip import arc_length

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Of a stretch that may be a pigtail, in wire diameters, and how far its crossings lie apart against the others'.
SHORTEST_TAIL_D, LONGEST_TAIL_D, MOST_UNLIKE = 4.0, 65.0, 1.8
#: What has fewer twists may be a pigtail followed badly, and lies on another where so much of either is covered.
LARGEST_TAIL_TWISTS, LEAST_ON_TAIL = 8.0, 0.4
#: How far a stretch must be believed, further where its crossings show only once a run's spacing is known, and by how
#: much of belief, or of twists, what lies on it must beat it to stay.
LEAST_BELIEF_TAIL, LEAST_BELIEF_TAIL_AS_RUN, SURER_BY, LONGER_BY_TWISTS = 0.3, 0.7, 0.03, 0.5
#: To where it is seen as faintly as this the same must be counted, within so many twists.
FAINTEST_TAIL, ALIKE_TWISTS = 0.15, 0.5
#: Of such a pigtail, what the network counts with a larger deviation, or less of, is not counted, nor what has
#: its crossings farther apart, in wire diameters: the networks learned from none.
CANNOT_COUNT_U, FEWEST_COUNTED, LOOSEST_COUNTED_D = 0.65, 0.5, 8.5


@dataclass(frozen=True)
class LeastMarks:
    """The least marks of a pigtail: from which on a stretch is seen, of twist on average of it, and of an end on it."""

    stretch: float
    twisted: float
    ends: float


#: What is a pigtail though none could be measured, by the mean of several looks and by one. So the mean marked in 80
#: pictures 47 that were there and two that were not, and one look in 17 others five and none (beside true runs, once,
#: no command is kept).
ON_AVERAGE, AT_ONE_LOOK = LeastMarks(0.35, 0.5, 0.4), LeastMarks(0.5, 0.8, 0.6)


def with_seen(luminance: Picture, seen: learned.Maps, found: list[Section], diameter_px: float) -> list[Section]:
    """Return the sections, the short ones among them followed anew from end to end of what the network sees.

    A walk may leave a pigtail by the strand that goes on round the head, or come to it over the head.
    """
    if not found:
        return []
    longest = max(found, key=lambda one: one.twists)
    usual_px = {one.px_per_twist for one in found if one is longest or one.twists > LARGEST_TAIL_TWISTS}
    known = [one for one in found if one is found[0] or one.twists > section.FEWEST_TWISTS]
    no_tails = [one for one in known if one is found[0] or one.twists >= LARGEST_TAIL_TWISTS]
    for line in tail_lines(seen, diameter_px):
        if safety.covered(line, no_tails, diameter_px) > safety.MOST_OVERLAP:
            continue
        tail = _tail_along(luminance, seen, line, diameter_px, usual_px)
        if tail is None:
            continue
        same = [one for one in known if one not in no_tails and _overlap(one, tail)]
        others = [one for one in known if one not in same]
        better = any(one.belief > tail.belief + SURER_BY or one.twists > tail.twists + LONGER_BY_TWISTS for one in same)
        if better or safety.covered(line, others, diameter_px) > safety.MOST_OVERLAP:
            continue
        if same or all(one.twists > LARGEST_TAIL_TWISTS for one in others[1:]):  # a second one would be no pigtail
            known = [*others, dataclasses.replace(tail, end_u_twists=section.FOUND_END_U_TWISTS)]
    return known


def tail_lines(seen: learned.Maps, diameter_px: float) -> list[Floats]:
    """Return lines (N, 2), px, from end to end of what the network sees as twisted and may be as long as a pigtail."""
    return [
        line
        for line in seen_lines(seen, diameter_px)
        if SHORTEST_TAIL_D < float(arc_length(line)[-1]) / diameter_px < LONGEST_TAIL_D
    ]


def seen_lines(
    seen: learned.Maps, diameter_px: float, faintest: float = learned.SEEN, least_mark: float = learned.SEEN
) -> list[Floats]:
    """Return lines (N, 2), px, from end to end of what the network sees as twisted, however long; as `stretches`."""
    return [
        spine.smooth_line(stretch, diameter_px / 4, section.SMOOTHING_D * diameter_px)
        for stretch in learned.stretches(seen, diameter_px, faintest, least_mark)
    ]


def tails(
    luminance: Picture, line: Floats, diameter_px: float, usual_px: set[float]
) -> Iterator[tuple[Section, float]]:
    """Yield what a line (N, 2) shows by itself and at the runs' spacings, px, and how far each must be believed.

    A few tight twists may be taken for one long one, until it is known how tight the wire is twisted.
    """
    length_px = float(arc_length(line)[-1])
    fitting_px = [px for px in sorted(usual_px) if px * section.FEWEST_TWISTS < section.MOST_CHANGE * length_px]
    for px, least in [(None, LEAST_BELIEF_TAIL), *((px, LEAST_BELIEF_TAIL_AS_RUN) for px in fitting_px)]:
        try:
            yield section.whole(luminance, line, diameter_px, px), least
        except ValueError:  # a line that doubles back is smoothed to less than a strip
            return


def _tail_along(
    luminance: Picture, seen: learned.Maps, line: Floats, diameter_px: float, usual_px: set[float]
) -> Section | None:
    """Return what lies along a line where that may be a pigtail of runs whose crossings lie so far apart."""
    for one, least in tails(luminance, line, diameter_px, usual_px):
        tail = belief.believed(luminance, [seen], one)
        alike = any(1 / MOST_UNLIKE < tail.px_per_twist / px < MOST_UNLIKE for px in usual_px)
        if tail.twists >= section.FEWEST_TWISTS and alike and tail.belief > least:
            return tail
    return None


def _overlap(one: Section, other: Section) -> bool:
    diameter_px = one.strip.diameter_px
    shares = safety.covered(one.spine_px, [other], diameter_px), safety.covered(other.spine_px, [one], diameter_px)
    return max(shares) > LEAST_ON_TAIL


def with_tallies(luminance: Picture, seen: learned.Maps, found: list[Section]) -> list[Section]:
    """Return the sections, of what may be a pigtail beside a run the twists counted by a network too.

    Not between ends that were given: it counts to where the twist ends.
    """
    return [_counted_too(luminance, seen, one, found) for one in found]


def _counted_too(luminance: Picture, seen: learned.Maps, one: Section, found: list[Section]) -> Section:
    diameter_px = one.strip.diameter_px
    runs = [other for other in found if other is not one and other.twists >= safety.FEWEST_RUN_TWISTS]
    fits = tally.SHORTEST_D < safety.length_px(one) / diameter_px < tally.LONGEST_D
    given = one.end_u_twists == 0 or one.taken_in
    if not runs or one.twists > section.MOST_PIGTAIL_TWISTS or given or not fits:
        return one
    usual_px = max(runs, key=lambda run: run.twists).px_per_twist
    said = tally.counted(luminance, seen, one.spine_px, diameter_px, usual_px)
    return dataclasses.replace(one, counted=(said.twists, said.u))


def beside(luminance: Picture, whole: safety.Safety, px_per_in: float) -> safety.Safety:
    """Return a safety without a pigtail with the one that the network surely sees beside its runs, if it sees any.

    Of one of one twist, or one that is tight, blurred or foreshortened, it sees that there is one. Where its twists can
    be counted that is the pigtail, else the line along which it is seen is told.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    whole : Safety
        At the ends of whose first runs to look.
    px_per_in : float
        Scale near them.
    """
    diameter_px = whole.runs[0].strip.diameter_px
    looks = learned.looks(luminance, diameter_px)
    for seen, least in ((learned.averaged(looks), ON_AVERAGE), (looks[0], AT_ONE_LOOK)):
        for line in seen_lines(seen, diameter_px, faintest=least.stretch, least_mark=least.stretch):
            if _is_pigtail(seen, line, least, whole, px_per_in):
                usual_px = safety.nearest_run(whole, line).px_per_twist
                counted = _counted_alone(luminance, seen, line, least.stretch, diameter_px, usual_px)
                if counted is None:
                    return dataclasses.replace(whole, pigtail_line_px=line)
                return dataclasses.replace(whole, pigtail=counted)
    return whole


def _counted_alone(
    luminance: Picture, seen: learned.Maps, line: Floats, least_mark: float, diameter_px: float, usual_px: float
) -> Section | None:
    """Return the pigtail on a line that is surely seen, as a network alone counts it; None where it cannot.

    Half of one that is loose may be seen but faintly: what is counted must be the same to where it is.
    """
    middle = safety.middle_px(line)
    faint_lines = seen_lines(seen, diameter_px, FAINTEST_TAIL, least_mark)
    longer = min(faint_lines, key=lambda one: float(np.linalg.norm(one - middle, axis=1).min()))
    lengths_d = [float(arc_length(one)[-1]) / diameter_px for one in (line, longer)]
    if not all(tally.SHORTEST_D < length_d < tally.LONGEST_D for length_d in lengths_d):
        return None
    told = [tally.counted(luminance, seen, one, diameter_px, usual_px) for one in (line, longer)]
    said = min(told, key=lambda one: one.u)
    if said.u > CANNOT_COUNT_U or said.twists < FEWEST_COUNTED or abs(told[0].twists - told[1].twists) > ALIKE_TWISTS:
        return None
    pigtail = tally.section_of(luminance, said, diameter_px)
    loose = pigtail is not None and pigtail.px_per_twist > LOOSEST_COUNTED_D * diameter_px
    return None if loose else pigtail


def _is_pigtail(seen: learned.Maps, line: Floats, least: LeastMarks, whole: safety.Safety, px_per_in: float) -> bool:
    """Whether a line is surely seen as twisted, with its end, beside the runs and near one."""
    ends_px = np.array([one.spine_px[at] for one in whole.runs[: whole.first_runs] for at in (0, -1)])
    marks = [learned.along(of, seen.scale, line) for of in (seen.twisted, seen.ends)]
    away_px = np.linalg.norm(ends_px[:, None] - line[[0, -1]], axis=2).min()
    return bool(
        marks[0].mean() > least.twisted
        and marks[1].max() > least.ends
        and float(arc_length(line)[-1]) < safety.LONGEST_PIGTAIL_IN * px_per_in
        and away_px < safety.FARTHEST_PIGTAIL_IN * px_per_in
        and safety.covered(line, list(whole.runs), whole.runs[0].strip.diameter_px) < safety.MOST_OVERLAP
    )
