"""Sections joined into a safety: which are runs, which is the pigtail."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.section import Section, joined

Floats = NDArray[np.float64]

FEWEST_RUN_TWISTS = 4.0
MOST_PIGTAIL_TWISTS = 10.0
#: common practice, no source: a pigtail is a quarter to five eighths of an inch; twice the longest is surely none.
LONGEST_PIGTAIL_IN = 1.25
#: Between a run's end and the pigtail lies one fastener's head.
FARTHEST_PIGTAIL_IN = 1.2


@dataclass(frozen=True, eq=False)
class Safety:
    """The sections of one safety, runs in the order along the wire."""

    runs: tuple[Section, ...]
    pigtail: Section | None


def without_overlap(sections: list[Section], taken: list[Section]) -> list[Section]:
    """Return the sections that lie neither on a likelier one nor on one of ``taken``, likeliest first."""
    kept: list[Section] = []
    for section in sorted(sections, key=lambda one: -weight(one)):
        if all(_covered(section, other) < 0.3 for other in taken + kept):
            kept.append(section)
    return kept


def joined_up(luminance: NDArray[np.float32], sections: list[Section]) -> list[Section]:
    """Return the sections, halves of one joined, likeliest first."""
    rest = list(sections)
    for one, other in itertools.combinations(sections, 2):
        if any(half not in rest for half in (one, other)):
            continue
        both = joined(luminance, one, other)
        if both is not None:
            rest = [both, *(section for section in rest if section not in (one, other))]
            return joined_up(luminance, without_overlap(rest, []))
    return rest


def weight(section: Section) -> float:
    """Return how surely a section is a twisted pair: its likeness, growing with the root of its length."""
    return section.score * float(np.sqrt(max(section.twists, 0.0)))


def join(runs: list[Section], tails: list[Section], px_per_in: float, hinted: bool = False) -> Safety:
    """Tell runs from the pigtail.

    Parameters
    ----------
    runs : list of Section
        What surely is twisted wire, likeliest first, none on another; a short one may turn out to be the pigtail.
    tails : list of Section
        What may be a pigtail only.
    px_per_in : float
        Scale near them.
    hinted : bool
        Whether the first run lies between ends that the user gave: then it is a run, whatever its length.
    """
    longest = max(runs, key=length_px)
    main = runs[0] if hinted else longest
    short = [
        one
        for one in [*runs, *tails]
        if one is not main
        and length_px(one) < min(LONGEST_PIGTAIL_IN * px_per_in, length_px(longest))
        and one.twists < MOST_PIGTAIL_TWISTS
        and 0.55 < one.px_per_twist / main.px_per_twist < 1.8
        and _gap_px(one, runs) < FARTHEST_PIGTAIL_IN * px_per_in
    ]
    pigtail = min(short, key=length_px, default=None)
    kept = [one for one in runs if one is not pigtail and (one is main or one.twists >= FEWEST_RUN_TWISTS)]
    return Safety(tuple(_in_order(kept)), pigtail)


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
    return float(np.hypot(*np.diff(section.spine_px, axis=0).T).sum())


def _gap_px(tail: Section, runs: list[Section]) -> float:
    ends = [point for run in runs if run is not tail for point in (run.spine_px[0], run.spine_px[-1])]
    own = (tail.spine_px[0], tail.spine_px[-1])
    return min((float(np.hypot(*(a - b))) for a in ends for b in own), default=np.inf)


def _covered(section: Section, other: Section) -> float:
    """Return the share of a section that lies within a wire's width of another."""
    own, theirs = section.spine_px[::8], other.spine_px[::4]
    apart = np.linalg.norm(own[:, None] - theirs[None], axis=2).min(1)
    return float((apart < 1.5 * section.strip.diameter_px).mean())
