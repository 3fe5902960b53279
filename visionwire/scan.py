"""What twisted sections a picture holds, and which of them to believe."""

from __future__ import annotations

import dataclasses
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.plane import Plane
from visionwire import belief, ends, find, learned, pigtail, quality, safety, section, spine
from visionwire.budget import MM_PER_IN
from visionwire.reading import Refusal
from visionwire.section import Section

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
#: A picture is read where one section is believed so far, further where no network looked; then its other sections
#: need less.
LEAST_BELIEF, LEAST_BELIEF_ALONE, LEAST_BELIEF_BESIDE, LEAST_BELIEF_JOINED = 0.8, 0.92, 0.5, 0.2
MOST_ON_CARD = 0.2
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
    followed = pigtail.with_seen(luminance, seen, hinted + kept, diameter_px)
    ended = [
        (ends.taken_in if one in hinted else ends.placed)(luminance, belief.view(luminance, views, one), one)
        for one in followed
    ]
    laid = [_laid_anew(luminance, ribbons, one, diameter_px) for one in ended]
    return [_with_holes(seen, one, diameter_px) for one in pigtail.with_tallies(luminance, seen, laid)]


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
        and one.twists < (section.MOST_PIGTAIL_TWISTS if safety.cut_ends(one) == 1 else safety.FEWEST_RUN_TWISTS)
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
