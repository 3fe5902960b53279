"""What twisted sections a picture holds, and which of them to believe."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import belief, ends, find, learned, quality, safety, section, spine, tally
from visionwire.budget import MM_PER_IN
from visionwire.reading import Refusal
from visionwire.section import Section
from visionwire.strip import arc_length

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Where the wire is not named: between the common .020 and .041 in.
USUAL_WIRE_IN = 0.030
#: Of a usual wire's diameter, where none is named: a count holds from half to one and a half times the true one.
SHARES_TRIED = (0.6, 1.0, 1.7, 2.9)
MOST_CANDIDATES = 9
MOST_COVERED = 0.7
#: A section that fits less well is looked at again on the other finder's line, which may lie better.
CLEAR_GAIN = 0.25
#: And a run whose pattern is lost on the way is left for another line where that fits so many times as well.
CLEARER = 1.25
#: Of a line's places at which the network must see some twist, else the classical finder's line is not followed.
LEAST_GLIMPSED, GLIMPSE = 0.1, 0.1
#: Of a run, and of a pigtail beside one.
LEAST_PX_PER_TWIST, LEAST_PX_PER_TWIST_TAIL = 12.0, 9.0

LEAST_GAIN = 0.03
#: Of .041 in wire 14 twists per inch have their crossings 1.74 diameters apart; closer ones are springs and knurls.
CLOSEST_D = 1.7
#: Of a stretch that may be a pigtail, in wire diameters, and how far its crossings lie apart against the others'.
SHORTEST_TAIL_D, LONGEST_TAIL_D, MOST_UNLIKE = 4.0, 65.0, 1.8
#: What has fewer twists may be a pigtail followed badly, and lies on another where so much of either is covered.
LARGEST_TAIL_TWISTS, LEAST_ON_TAIL = 8.0, 0.4
#: How far a stretch must be believed, further where its crossings show only once a run's spacing is known, and by how
#: much of belief, or of twists, what lies on it must beat it to stay.
LEAST_BELIEF_TAIL, LEAST_BELIEF_TAIL_AS_RUN, SURER_BY, LONGER_BY_TWISTS = 0.3, 0.7, 0.03, 0.5
#: A picture is read where one section is believed so far, further where no network looked; then its other sections
#: need less.
LEAST_BELIEF, LEAST_BELIEF_ALONE, LEAST_BELIEF_BESIDE, LEAST_BELIEF_JOINED = 0.8, 0.92, 0.5, 0.2
MOST_ON_CARD = 0.2
#: What the network marks so is a pigtail, though none could be measured: in 17 pictures it marked five that were there,
#: and nothing else (looked at once, no command is kept).
SURELY_TWISTED, SURELY_ENDS = 0.8, 0.6
#: To where it is seen as faintly as this the same must be counted, within so many twists.
FAINTEST_TAIL, ALIKE_TWISTS = 0.15, 0.5
#: Of such a pigtail, what the network counts with a larger deviation, or less of, is not counted, nor what has
#: its crossings farther apart, in wire diameters: the networks learned from none.
CANNOT_COUNT_U, FEWEST_COUNTED, LOOSEST_COUNTED_D = 0.45, 0.5, 8.5
#: Between ends that were given: the least belief, and the least evidence of what would not be read unaided. Of 153
#: look-alikes (seed 78000, by which the odds were fitted too) 4 are measured, believed to 0.67 at most; of 300 runs
#: (seed 91000, from the 1100th on) 274, 15 of them over 6 % off (measured once, by the odds before the windows' network
#: looked; no command is kept).
LEAST_HINTED_BELIEF, LEAST_HINTED_EVIDENCE = 0.3, 0.13

Finder = Literal["learned", "classical"]
BOTH: tuple[Finder, ...] = ("learned", "classical")


def sections(
    luminance: Picture,
    diameter_px: float,
    plane: Plane | None,
    hints: Floats | None,
    finders: tuple[Finder, ...] = BOTH,
    least_belief: float | None = None,
) -> list[Section]:
    """Return the sections that are believed to be twisted wire, the hinted one first, then the likeliest.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    diameter_px : float
        Wire diameter in the picture, known or guessed; half to one and a half times the true one works.
    plane : Plane or None
        Where the card lies nothing is looked for.
    hints : (2, 2) float array or None
        Ends of one run, px.
    finders : tuple of {"learned", "classical"}
        Who looks.
    least_belief : float, optional
        How far the likeliest must be believed for any to count, unless ends are given; by who looks where left out.
    """
    seen = learned.maps(luminance, diameter_px) if "learned" in finders else None
    ribbons = [] if seen is None else [learned.ribbon(seen, diameter_px)]
    if "classical" in finders:
        ribbons.append(find.ribbon(luminance, diameter_px))
    views = [] if seen is None else [seen]
    hinted = [] if hints is None else _between(luminance, ribbons, hints, diameter_px)
    if hints is not None and (not hinted or _on_card(plane, hinted[0])):
        return []
    free = candidates(luminance, diameter_px, plane, ribbons, seen, hinted)
    if seen is not None and any(belief.missed(luminance, seen, one) for one in hinted + free):
        views.append(learned.maps(luminance, belief.THICKER * diameter_px))
    hinted = [belief.believed(luminance, views, one) for one in hinted]
    parts = [
        one for one in (belief.believed(luminance, views, one) for one in free) if one.belief > LEAST_BELIEF_JOINED
    ]
    parts = [_as_its_likeliest_part(one, parts) for one in parts]
    joined = safety.joined_up(luminance, safety.without_overlap(parts, hinted))
    free = [one if one in parts else _believed_anew(luminance, views, one) for one in joined]
    least = least_belief or (LEAST_BELIEF_ALONE if seen is None else LEAST_BELIEF)
    sure = bool(hinted) or any(one.belief > least for one in free)
    kept = [one for one in free if sure and one.belief > min(least, LEAST_BELIEF_BESIDE)]
    if seen is None:
        return hinted + kept
    followed = _with_tails_seen(luminance, seen, hinted + kept, diameter_px)
    ended = [
        (ends.taken_in if one in hinted else ends.placed)(luminance, belief.view(luminance, views, one), one)
        for one in followed
    ]
    laid = [_laid_anew(luminance, ribbons, one, diameter_px) for one in ended]
    return [_with_holes(seen, one, diameter_px) for one in _with_tallies(luminance, seen, laid)]


def candidates(
    luminance: Picture,
    diameter_px: float,
    plane: Plane | None,
    ribbons: list[find.Ribbon],
    seen: learned.Maps | None,
    taken: list[Section],
) -> list[Section]:
    """Return the sections along what the finders point at, whether they are twisted pairs or not.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    diameter_px : float
        Wire diameter, px.
    plane : Plane or None
        Where the card lies nothing is looked for.
    ribbons : list of Ribbon
        What the finders see; where one has found a section the next is not followed again.
    seen : Maps or None
        Where the network sees no twist at all, no line is followed.
    taken : list of Section
        Sections known before.
    """
    found: list[Section] = []
    for ribbon in ribbons:
        for line in find.candidates(ribbon, _card_mask(plane, ribbon), MOST_CANDIDATES):
            known = taken + [one for one in found if one.gain > CLEAR_GAIN]

            def wanted(spine_px: Floats, known: list[Section] = known) -> bool:
                return safety.covered(spine_px, known, diameter_px) < MOST_COVERED and not _unseen(seen, spine_px)

            if wanted(line):
                found += [one for one in section.within(luminance, line, diameter_px, wanted) if _may_be_pair(one)]
    return found


def _as_its_likeliest_part(one: Section, others: list[Section]) -> Section:
    """Return a section believed no less than a shorter one on it that it goes on from, in step and more clearly.

    Where a highlight or blur hides the middle of a run from the networks, they see its end alone.
    """

    def is_part(other: Section) -> bool:
        return (
            other.belief > one.belief
            and other.twists < one.twists
            and other.twist.lay == one.twist.lay
            and other.gain < one.gain
            and safety.covered(other.spine_px, [one], one.strip.diameter_px) > MOST_COVERED
            and section.goes_on(one, other)
        )

    return dataclasses.replace(
        one, belief=max((other.belief for other in others if is_part(other)), default=one.belief)
    )


def _laid_anew(luminance: Picture, ribbons: list[find.Ribbon], one: Section, diameter_px: float) -> Section:
    """Return a run, or, its pattern lost on the way, what lies between its ends along a finder's line, if clear.

    A walk may leave the wire for its shadow or a scratch, and come back to it.
    """
    if one.twists < safety.FEWEST_RUN_TWISTS or not section.lost(one):
        return one
    start, end = one.spine_px[[0, -1]]
    ways = [section.whole(luminance, spine.between(ribbon, start, end), diameter_px) for ribbon in ribbons]
    best = max(ways, key=lambda way: way.gain)
    if section.lost(best) or best.gain < CLEARER * one.gain:
        return one
    return dataclasses.replace(one, strip=best.strip, twist=best.twist, first=best.first, last=best.last)


def _believed_anew(luminance: Picture, views: list[learned.Maps], one: Section) -> Section:
    """Return a joined section believed by its own figures, and no less than the likelier of what it was joined of."""
    again = belief.believed(luminance, views, one)
    return dataclasses.replace(again, belief=max(again.belief, one.belief))


def _with_tails_seen(luminance: Picture, seen: learned.Maps, found: list[Section], diameter_px: float) -> list[Section]:
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


def seen_lines(seen: learned.Maps, diameter_px: float, faintest: float = learned.SEEN) -> list[Floats]:
    """Return lines (N, 2), px, from end to end of what the network sees as twisted, however long; as `stretches`."""
    return [
        spine.smooth_line(stretch, diameter_px / 4, section.SMOOTHING_D * diameter_px)
        for stretch in learned.stretches(seen, diameter_px, faintest)
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


def _with_tallies(luminance: Picture, seen: learned.Maps, found: list[Section]) -> list[Section]:
    """Return the sections, of what may be a pigtail beside a run the twists counted by a network too.

    Not between ends that were given: it counts to where the twist ends.
    """

    def told(one: Section) -> Section:
        diameter_px = one.strip.diameter_px
        runs = [other for other in found if other is not one and other.twists >= safety.FEWEST_RUN_TWISTS]
        fits = tally.SHORTEST_D < safety.length_px(one) / diameter_px < tally.LONGEST_D
        given = one.end_u_twists == 0 or one.taken_in
        if not runs or one.twists > safety.MOST_PIGTAIL_TWISTS or given or not fits:
            return one
        usual_px = max(runs, key=lambda run: run.twists).px_per_twist
        said = tally.counted(luminance, seen, one.spine_px, diameter_px, usual_px)
        return dataclasses.replace(one, counted=(said.twists, said.u))

    return [told(one) for one in found]


def _with_holes(seen: learned.Maps, one: Section, diameter_px: float) -> Section:
    """Return the section with the holes that the network sees beyond its ends."""
    holes = []
    for spine_px in (one.spine_px[::-1], one.spine_px):
        back = min(len(spine_px) - 1, max(1, round(one.px_per_twist / (one.strip.step_d * one.strip.diameter_px))))
        ahead = spine_px[-1] - spine_px[-1 - back]
        ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
        holes.append(learned.hole_beyond(seen, spine_px[-1], ahead, diameter_px))
    return dataclasses.replace(one, holes_px=(holes[0], holes[1]))


def _unseen(seen: learned.Maps | None, line_px: Floats) -> bool:
    """Whether the network sees no twist anywhere along a line."""
    if seen is None:
        return False
    return float((learned.along(seen.twisted, seen.scale, line_px) > GLIMPSE).mean()) < LEAST_GLIMPSED


def with_pigtail_seen(luminance: Picture, whole: safety.Safety, px_per_in: float) -> safety.Safety:
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
    seen = learned.maps(luminance, diameter_px)
    line = next((line for line in seen_lines(seen, diameter_px) if _is_pigtail(seen, line, whole, px_per_in)), None)
    if line is None:
        return whole
    pigtail = _counted_alone(luminance, seen, line, diameter_px, safety.nearest_run(whole, line).px_per_twist)
    if pigtail is None:
        return dataclasses.replace(whole, pigtail_line_px=line)
    return dataclasses.replace(whole, pigtail=pigtail)


def _counted_alone(
    luminance: Picture, seen: learned.Maps, line: Floats, diameter_px: float, usual_px: float
) -> Section | None:
    """Return the pigtail on a line that is surely seen, as a network alone counts it; None where it cannot.

    Half of one that is loose may be seen but faintly: what is counted must be the same to where it is.
    """
    middle = safety.middle_px(line)
    faint_lines = seen_lines(seen, diameter_px, FAINTEST_TAIL)
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


def _is_pigtail(seen: learned.Maps, line: Floats, whole: safety.Safety, px_per_in: float) -> bool:
    """Whether a line is surely seen as twisted, with its end, beside the runs and near one."""
    ends_px = np.array([one.spine_px[at] for one in whole.runs[: whole.first_runs] for at in (0, -1)])
    marks = [learned.along(of, seen.scale, line) for of in (seen.twisted, seen.ends)]
    away_px = np.linalg.norm(ends_px[:, None] - line[[0, -1]], axis=2).min()
    return bool(
        marks[0].mean() > SURELY_TWISTED
        and marks[1].max() > SURELY_ENDS
        and float(arc_length(line)[-1]) < safety.LONGEST_PIGTAIL_IN * px_per_in
        and away_px < safety.FARTHEST_PIGTAIL_IN * px_per_in
        and safety.covered(line, list(whole.runs), whole.runs[0].strip.diameter_px) < safety.MOST_OVERLAP
    )


def readable(sections_: list[Section], hints: Floats | None, fewest_twists: float) -> list[Section] | Refusal:
    """Return the sections that can be measured, or why none can; the longest must have so many twists."""
    if not sections_:
        return quality.refuse("no-twisted-wire" if hints is None else "not-twisted")
    first = sections_[0]
    if hints is not None:
        if first.belief < LEAST_HINTED_BELIEF:
            return quality.refuse("not-twisted")
        if first.belief < LEAST_BELIEF and _evidence(first) < LEAST_HINTED_EVIDENCE:
            return quality.refuse("twist-unclear")
    kept = [one for one in sections_ if one.px_per_twist >= LEAST_PX_PER_TWIST]
    mains = kept if hints is None else [one for one in kept if one is first]
    if not mains:
        percent = 100 * first.px_per_twist / LEAST_PX_PER_TWIST
        return quality.refuse(
            "twist-too-small", px_per_twist=first.px_per_twist, needed_px=LEAST_PX_PER_TWIST, percent=percent
        )
    most = max(one.twists for one in mains)
    if most < fewest_twists:
        if fewest_twists >= safety.FEWEST_RUN_TWISTS and safety.pigtail_alone(mains):
            return quality.refuse("run-unclear")
        return quality.refuse("too-few-twists", twists=most, needed=fewest_twists)
    return kept


def small_tails(sections_: list[Section]) -> list[Section]:
    """Return the sections that are smaller than a run may be, and large enough for a pigtail beside one."""
    return [
        one
        for one in sections_
        if LEAST_PX_PER_TWIST_TAIL <= one.px_per_twist < LEAST_PX_PER_TWIST
        and one.twists < (safety.MOST_PIGTAIL_TWISTS if safety.cut_ends(one) == 1 else safety.FEWEST_RUN_TWISTS)
    ]


def diameter_px(shape: tuple[int, int], plane: Plane, wire_in: float | None, hints: Floats | None) -> float:
    """Return the wire's diameter in the picture as the scale has it; a common wire where none is named."""
    height, width = shape
    middle = np.array([width / 2, height / 2]) if hints is None else hints.mean(0)
    return plane.px_per_mm(middle) * MM_PER_IN * (wire_in or USUAL_WIRE_IN)


def likeliest_diameter_px(luminance: Picture, hints: Floats, usual_px: float) -> float:
    """Return the diameter, of some around a usual one, for which the line between the hints looks most like a pair."""
    best_px, most = usual_px, -np.inf
    for diameter_px in (share * usual_px for share in SHARES_TRIED):
        for one in _between(luminance, [find.ribbon(luminance, diameter_px)], hints, diameter_px):
            if _shown(one) > most:
                best_px, most = diameter_px, _shown(one)
    return best_px


def _between(luminance: Picture, ribbons: list[find.Ribbon], hints: Floats, diameter_px: float) -> list[Section]:
    if float(np.hypot(*(hints[1] - hints[0]))) < 2 * section.SHORTEST_D * diameter_px:
        return []  # too short for a twist to show
    start, end = hints
    ways = [section.whole(luminance, spine.between(ribbon, start, end), diameter_px) for ribbon in ribbons]
    shortest = max(ways, key=_shown)
    if _evidence(shortest) > LEAST_HINTED_EVIDENCE:
        return [shortest]
    # A slack run may cross itself: then the way that was meant is the other one.
    other = section.whole(luminance, spine.between(ribbons[-1], start, end, shortest.spine_px), diameter_px)
    return [max(shortest, other, key=_shown)]


def _evidence(one: Section) -> float:
    return one.gain * safety.weight(one)


def _on_card(plane: Plane | None, one: Section) -> bool:
    """Whether a section lies on the card, whose print repeats too."""
    if plane is None or plane.outline_px is None:
        return False
    corners = plane.outline_px.astype(np.float32).reshape(-1, 1, 2)
    on = [cv2.pointPolygonTest(corners, (float(x), float(y)), False) > 0 for x, y in one.spine_px[::8]]
    return float(np.mean(on)) > MOST_ON_CARD


def _shown(one: Section) -> float:
    return _evidence(one) * max(one.twist.geometry, 0.0)


def _may_be_pair(one: Section) -> bool:
    return one.gain > LEAST_GAIN and one.px_per_twist > CLOSEST_D * one.strip.diameter_px


def _card_mask(plane: Plane | None, ribbon: find.Ribbon) -> NDArray[np.bool_] | None:
    if plane is None or plane.outline_px is None:
        return None
    mask = np.zeros(ribbon.strength.shape, np.uint8)
    corners = np.round(find.to_maps(plane.outline_px, ribbon.scale)).astype(np.int32)
    cv2.fillPoly(mask, [corners.reshape(-1, 1, 2)], 1)
    edge = int(2 * ribbon.diameter) | 1
    return cv2.dilate(mask, np.ones((edge, edge), np.uint8)).astype(bool)
