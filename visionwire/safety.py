"""Sections joined into a safety: which are runs, which is the pigtail."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.section import Section, joined

Floats = NDArray[np.float64]

FEWEST_RUN_TWISTS = 4.0
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


def join(sections: list[Section], px_per_in: float) -> Safety:
    """Tell runs from the pigtail.

    Parameters
    ----------
    sections : list of Section
        Likeliest first, none on another.
    px_per_in : float
        Scale near them.
    """
    if not sections:
        return Safety((), None)
    longest = max(length_px(section) for section in sections)
    tails = [
        section
        for section in sections
        if length_px(section) < 0.6 * longest
        and length_px(section) < LONGEST_PIGTAIL_IN * px_per_in
        and section.twists < 14
    ]
    runs = [section for section in sections if section not in tails and section.twists >= FEWEST_RUN_TWISTS]
    near = [tail for tail in tails if _gap_px(tail, runs) < FARTHEST_PIGTAIL_IN * px_per_in]
    pigtail = max(near, key=weight, default=None)
    middle_px = [run.spine_px.mean(0) for run in runs]
    if len(runs) > 1:
        spread = np.array(middle_px) - np.mean(middle_px, axis=0)
        axis = np.linalg.svd(spread)[2][0]
        order = np.argsort(spread @ (axis * (np.sign(axis[np.abs(axis).argmax()]) or 1)))
        runs = [runs[index] for index in order]
    return Safety(tuple(runs), pigtail)


def length_px(section: Section) -> float:
    """Return a section's length in the picture."""
    return float(np.hypot(*np.diff(section.spine_px, axis=0).T).sum())


def _gap_px(tail: Section, runs: list[Section]) -> float:
    ends = [point for run in runs for point in (run.spine_px[0], run.spine_px[-1])]
    own = (tail.spine_px[0], tail.spine_px[-1])
    return min((float(np.hypot(*(a - b))) for a in ends for b in own), default=np.inf)


def _covered(section: Section, other: Section) -> float:
    """Return the share of a section that lies within a wire's width of another."""
    own, theirs = section.spine_px[::8], other.spine_px[::4]
    apart = np.linalg.norm(own[:, None] - theirs[None], axis=2).min(1)
    return float((apart < 1.5 * section.strip.diameter_px).mean())
