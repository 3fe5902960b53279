"""Sections joined into a safety: which are runs, which is the pigtail."""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.section import MOST_PIGTAIL_TWISTS, Section, joined
from visionwire.strip import arc_length

Floats = NDArray[np.float64]

FEWEST_RUN_TWISTS = 4.0
#: Of any run, and of one beside a likelier: of 92 true ones of these each was believed to 0.86 at least, and of three
#: that were none two to less (rendered, and painted series; read once, no command is kept).
LEAST_RUN_BELIEF, LEAST_RUN_BELIEF_BESIDE = 0.7, 0.85
MOST_OVERLAP = 0.3
REFLECTED_D, LEAST_REFLECTED = 8.0, 0.8
#: common practice, no source: a pigtail is a quarter to five eighths of an inch; twice the longest is surely none.
LONGEST_PIGTAIL_IN = 1.25
#: GA: at most 0.703 in. Where the pigtail is hidden, a series' shortest run is not taken for it.
LONGEST_ALLOWED_IN, LIKE_OTHER_RUNS = 0.72, 0.7
#: Between a run's end and the pigtail lies one fastener's head.
FARTHEST_PIGTAIL_IN = 1.2
#: Between the runs of one safety lies one fastener's head too, at times a large one.
FARTHEST_APART_IN = 1.5
#: Belief that the longest pigtail gives away against the shortest: runs are the longer ones.
SHORTER_LIKELIER = 0.5
#: In the kept pictures every pigtail is seen to be cut at its far end, by 0.84 at least, and no run, by 0.05 at most.
SURELY_CUT = 0.8
#: Which outweighs any belief and length.
CUT_LIKELIER = 1.0


@dataclass(frozen=True, eq=False)
class Safety:
    """The sections of the safeties in a picture.

    Attributes
    ----------
    runs : tuple of Section
        The one pointed at, then those of its safety in the order along the wire, then those of the others.
    pigtail : Section or None
        That of the safety looked at first.
    count : int
        How many safeties there are.
    first_runs : int
        How many of the runs, the first ones, are of the safety looked at first.
    pigtail_line_px : (N, 2) float array or None
        Where there is no pigtail that can be measured: along what is surely seen of one beside the runs.
    doubtful : tuple of Section
        What may be a run beside surer ones, and is not read for one.
    """

    runs: tuple[Section, ...]
    pigtail: Section | None
    count: int = 1
    first_runs: int = 0
    pigtail_line_px: Floats | None = None
    doubtful: tuple[Section, ...] = ()


def without_overlap(sections: list[Section], taken: list[Section]) -> list[Section]:
    """Return the sections that lie neither on a likelier one nor on one of ``taken``, likeliest first.

    What runs beside a likelier one all along is its shadow, or its image in a polished surface.
    """
    kept: list[Section] = []
    for section in sorted(sections, key=_likely, reverse=True):
        diameter_px = section.strip.diameter_px
        as_long = [one for one in taken + kept if one.length_d < 2 * section.length_d]
        likeness = covered(section.spine_px, as_long, diameter_px, REFLECTED_D)
        if covered(section.spine_px, taken + kept, diameter_px) < MOST_OVERLAP and likeness < LEAST_REFLECTED:
            kept.append(section)
    return kept


def joined_up(luminance: NDArray[np.float32], sections: list[Section]) -> list[Section]:
    """Return the sections, halves of one joined and believed as the likelier half, likeliest first."""
    rest = list(sections)
    for one, other in itertools.combinations(sections, 2):
        both = joined(luminance, one, other)
        if both is not None:
            both = dataclasses.replace(both, belief=max(one.belief, other.belief))
            rest = [both, *(section for section in rest if section not in (one, other))]
            return joined_up(luminance, without_overlap(rest, []))
    return rest


def weight(section: Section) -> float:
    """Return how surely a section is a twisted pair: its likeness, growing with the root of its length."""
    return section.score * float(np.sqrt(max(section.twists, 0.0)))


def join(
    sections: list[Section], px_per_in: float, near_px: Floats | None = None, pointed_at: Section | None = None
) -> Safety:
    """Group sections into safeties, and tell runs from the pigtail.

    Parameters
    ----------
    sections : list of Section
        What is twisted wire, none on another.
    px_per_in : float
        Scale near them.
    near_px : (2,) float array, optional
        The safety nearest to this point comes first: the card lies beside it.
    pointed_at : Section, optional
        The one between ends that the user gave: a run, whatever its length, and its safety comes first.
    """
    parts = [_parts(group, px_per_in, pointed_at) for group in _groups(sections, px_per_in)]
    found = [run for part in parts for run in part.runs]
    own = [run for run in found if run is pointed_at or not _is_shadow(run, found)]
    first = (pointed_at, max(own, key=_likely, default=None))
    read = [run for run in own if run in first or run.belief > LEAST_RUN_BELIEF_BESIDE]
    doubtful = tuple(run for run in own if run not in read)
    parts = [dataclasses.replace(part, runs=tuple(run for run in part.runs if run in read)) for part in parts]

    def far(part: Safety) -> float:
        """Return how far down the list a safety comes."""
        if pointed_at is not None:
            return float(pointed_at not in part.runs)
        places = np.vstack([run.spine_px for run in part.runs])
        if near_px is None:
            return -float(len(places))
        return float(np.linalg.norm(places - near_px, axis=1).min())

    parts = sorted((part for part in parts if part.runs), key=far)
    runs = tuple(sorted((run for part in parts for run in part.runs), key=lambda run: run is not pointed_at))
    if not parts:
        return Safety((), None, 0)
    return Safety(runs, parts[0].pigtail, len(parts), len(parts[0].runs), doubtful=doubtful)


def _likely(one: Section) -> float:
    """Return a figure that is the larger the likelier a section is twisted wire, and the more of it there is."""
    return float(one.belief**2 * one.length_d * one.gain**0.5)


def _is_shadow(one: Section, runs: list[Section]) -> bool:
    """Whether what is taken for a run lies all along beside a likelier one: part of that one's shadow, or image."""
    likelier = [run for run in runs if _likely(run) > _likely(one)]
    return covered(one.spine_px, likelier, one.strip.diameter_px, REFLECTED_D) > LEAST_REFLECTED


def pigtail_alone(sections: list[Section]) -> bool:
    """Whether what is surely wire among sections, none of them a run, ends cut: a pigtail whose run is not seen."""
    return any(cut_ends(one) == 1 and one.belief > LEAST_RUN_BELIEF for one in sections)


def twisted_ends(sections: list[Section], px_per_in: float) -> list[Section]:
    """Return the sections as short as a pigtail, likeliest first: one may be the twisted end of single wire."""
    short = [one for one in sections if length_px(one) < LONGEST_PIGTAIL_IN * px_per_in]
    return sorted(short, key=lambda one: -one.belief)


def _groups(sections: list[Section], px_per_in: float) -> list[list[Section]]:
    """Return sections grouped: those of a group have an end within a fastener's reach of another's."""
    groups: list[list[Section]] = []
    for section in sections:
        near = [group for group in groups if _gap_px(section, group) < FARTHEST_APART_IN * px_per_in]
        groups = [group for group in groups if group not in near] + [[section, *itertools.chain(*near)]]
    return groups


def _parts(sections: list[Section], px_per_in: float, pointed_at: Section | None) -> Safety:
    """Tell the runs of one safety from its pigtail."""
    sure = _sure(sections)
    uncut = [one for one in sure if cut_ends(one) != 1]
    longest = max(uncut or sure or sections, key=length_px)
    main = pointed_at if pointed_at in sections and pointed_at is not None else longest
    short = [
        one
        for one in sections
        if one is not main
        and any(0.4 < one.px_per_twist / run.px_per_twist < 1.8 for run in [main, *uncut] if run is not one)
        and _gap_px(one, sections) < FARTHEST_PIGTAIL_IN * px_per_in
        and (cut_ends(one) == 1 or _short_enough(one, sections, length_px(longest), px_per_in))
    ]
    pigtail = max(short, key=lambda one: _pigtail_likelihood(one, px_per_in), default=None)
    # One wire is cut once: of several that are seen to be, the others were misread, or are another's pigtail.
    reach_px = FARTHEST_PIGTAIL_IN * px_per_in
    misread = [
        one
        for one in sure
        if pigtail is not None
        and cut_ends(pigtail) > 0
        and cut_ends(one) == 1
        and (one is main or length_px(one) > LONGEST_PIGTAIL_IN * px_per_in or _between_others(one, sections, reach_px))
    ]
    runs = [one for one in sections if one is pointed_at or (one is not pigtail and one in uncut + misread)]
    return Safety(tuple(_in_order(runs)), pigtail)


def _sure(sections: list[Section]) -> list[Section]:
    """Return the sections that are believed, and long enough, to be runs."""
    return [one for one in sections if one.belief > LEAST_RUN_BELIEF and one.twists >= FEWEST_RUN_TWISTS]


def _pigtail_likelihood(one: Section, px_per_in: float) -> float:
    """Return a figure that is the larger the likelier a section is the pigtail."""
    share = length_px(one) / (LONGEST_PIGTAIL_IN * px_per_in)
    return one.belief - SHORTER_LIKELIER * share + CUT_LIKELIER * (cut_ends(one) > 0)


def cut_ends(one: Section) -> int:
    """Return how many ends of a section the wire was seen to be cut at: none of a run, one of a pigtail.

    Two of a practice piece that lies loose, but of rope and chain too.
    """
    return 0 if one.cut is None else sum(cut > SURELY_CUT for cut in one.cut)


def _short_enough(one: Section, sections: list[Section], longest_run_px: float, px_per_in: float) -> bool:
    """Whether a section that was not seen to end cut may be a pigtail by its length and place."""
    surely_run = one.cut is not None and max(one.cut) < 1 - SURELY_CUT and one.twists >= FEWEST_RUN_TWISTS
    return (
        not surely_run
        and length_px(one) < min(LONGEST_PIGTAIL_IN * px_per_in, longest_run_px)
        and one.twists < MOST_PIGTAIL_TWISTS
        and not _as_long_as_runs(one, sections, px_per_in)
        and not _between_others(one, sections, FARTHEST_PIGTAIL_IN * px_per_in)
    )


def _as_long_as_runs(one: Section, sections: list[Section], px_per_in: float) -> bool:
    """Whether a section of a series is longer than limits allow of a pigtail, and about as long as the rest."""
    others = [length_px(other) for other in _sure(sections) if other is not one]
    long = length_px(one) > LONGEST_ALLOWED_IN * px_per_in
    return len(others) > 1 and long and length_px(one) > LIKE_OTHER_RUNS * min(others)


def _between_others(one: Section, sections: list[Section], reach_px: float) -> bool:
    """Whether a section goes on at both of its ends, into two other ones: then it is a run, however short."""
    others = [other for other in sections if other is not one and other.belief > LEAST_RUN_BELIEF]
    beyond = []
    for end in (one.spine_px[0], one.spine_px[-1]):
        apart = [min(float(np.hypot(*(end - other.spine_px[at]))) for at in (0, -1)) for other in others]
        nearest = int(np.argmin(apart)) if apart else -1
        if nearest < 0 or apart[nearest] > reach_px:
            return False
        beyond.append(nearest)
    return beyond[0] != beyond[1]


def _in_order(runs: list[Section]) -> list[Section]:
    """Return runs by their place along the line that they lie on, left or top first."""
    if len(runs) < 2:
        return runs
    spread = np.array([run.spine_px.mean(0) for run in runs])
    spread = spread - spread.mean(0)
    axis = np.linalg.svd(spread)[2][0]
    axis = axis * (np.sign(axis[np.abs(axis).argmax()]) or 1.0)
    return [runs[index] for index in np.argsort(spread @ axis)]


def length_px(section: Section) -> float:
    """Return a section's length in the picture."""
    return float(arc_length(section.spine_px)[-1])


def middle_px(line_px: Floats) -> Floats:
    """Return the point (2,) half-way along a line (N, 2)."""
    return np.asarray(line_px[len(line_px) // 2])


def nearest_run(whole: Safety, line_px: Floats) -> Section:
    """Return the run of the first safety that ends nearest to a line (N, 2)."""
    return min(whole.runs[: whole.first_runs], key=lambda run: _apart_px(line_px, run.spine_px))


def twists_of_run(whole: Safety, line_px: Floats) -> float:
    """Return how many twists of the run nearest to it a line (N, 2) is as long as."""
    return float(arc_length(line_px)[-1]) / nearest_run(whole, line_px).px_per_twist


def _gap_px(tail: Section, runs: list[Section]) -> float:
    return min((_apart_px(tail.spine_px, run.spine_px) for run in runs if run is not tail), default=np.inf)


def _apart_px(one_px: Floats, other_px: Floats) -> float:
    """Return how far the nearest ends of two lines lie apart."""
    return float(np.linalg.norm(one_px[[0, -1], None] - other_px[None, [0, -1]], axis=2).min())


def covered(line_px: Floats, sections: list[Section], diameter_px: float, within_d: float = 1.5) -> float:
    """Return the share of a line that lies within some wire diameters of sections."""
    if not sections:
        return 0.0
    own = line_px[:: max(1, len(line_px) // 60)]
    theirs = np.vstack([one.spine_px[::4] for one in sections])
    apart = np.linalg.norm(own[:, None] - theirs[None], axis=2).min(1)
    return float((apart < within_d * diameter_px).mean())
