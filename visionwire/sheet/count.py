"""How a section is counted on a sheet: from which end, and where its whole twists and its crossings lie.

A person who counts by eye counts crossings, one to a twist. The reading counts twists from where the section begins,
and that is hardly ever at a crossing: of 4.7 twists one sees four crossings or five. So both are drawn: ticks at the
whole twists, which agree with the figure, and points at the crossings, which agree with the eye.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.evidence import Evidence, SectionEvidence
from visionwire.reading import Reading
from visionwire.strip import arc_length

Floats = NDArray[np.float64]

PIGTAIL = "pigtail"
_FEW = 10  # of fewer ticks each has its number, of more every fifth
_WRITTEN = 0.05  # twists are written to a tenth: 4.97 are 5.0, and have a fifth tick, at the end


@dataclass(frozen=True, eq=False)
class Count:
    """How one section is counted.

    Attributes
    ----------
    twists : float
        From its start to its end; of a turnbuckle's wraps the passages seen.
    columns : (K,) float array
        Columns of the strip where the ticks 1, 2, ..., K stand.
    lines_px : (K, 2, 2) float array
        The same ticks as lines across the wire in the photograph.
    crossings : (T,) float array
        Columns of the strip at the crossings, for the points; none of wraps, whose ticks stand at what one counts.
    crossings_px : (T, 2, 2) float array
        The same as lines across the wire in the photograph.
    """

    twists: float
    columns: Floats
    lines_px: Floats
    crossings: Floats
    crossings_px: Floats

    def numbered(self, number: int) -> bool:
        """Say whether the tick of that number, counted from 1, has it written beside it."""
        return len(self.columns) < _FEW or number % 5 == 0


def twists_of(reading: Reading) -> dict[str, float]:
    """Return the twists of the runs and the pigtail of a reading by the names that its checks have for them."""
    known = {f"run {number}": run.twists for number, run in enumerate(reading.runs, start=1)}
    return known if reading.pigtail is None else {**known, PIGTAIL: reading.pigtail.twists}


def is_of_wraps(section: SectionEvidence) -> bool:
    """Say whether a section is wire round a turnbuckle's shank."""
    return section.name.startswith("wraps")


def as_counted(evidence: Evidence) -> Evidence:
    """Turn every section as it is counted: the pigtail from the head to the cut end, the others as the picture runs.

    The pigtail's head is at that end which lies nearer to an end of a run or, of single wire, to its line; where
    neither is read it is not known, and the pigtail stays as it is.
    """
    heads = _heads(evidence)
    return dataclasses.replace(
        evidence, sections=tuple(_turned(one) if _is_backward(one, heads) else one for one in evidence.sections)
    )


def head_known(evidence: Evidence) -> bool:
    """Say whether the pigtail's head is known, and so whether it is counted from there."""
    return len(_heads(evidence)) > 0


def _heads(evidence: Evidence) -> Floats:
    runs = [one.spine_px[[0, -1]] for one in evidence.sections if one.name != PIGTAIL]
    if evidence.pattern_px is not None:
        runs.append(evidence.pattern_px)
    return np.concatenate(runs) if runs else np.zeros((0, 2))


def _is_backward(section: SectionEvidence, heads: Floats) -> bool:
    start, end = section.spine_px[[0, -1]]
    if section.name != PIGTAIL:
        return is_of_wraps(section) and bool(end[0] < start[0])
    if len(heads) == 0:
        return False
    from_start, from_end = (np.hypot(*(heads - one).T).min() for one in (start, end))
    return bool(from_end < from_start)


def _turned(section: SectionEvidence) -> SectionEvidence:
    """Return a section from its other end; its strip is turned half way round, for mirrored the lay would change."""
    last = section.strip.shape[1] - 1.0
    return dataclasses.replace(
        section,
        spine_px=section.spine_px[::-1],
        ticks_px=section.ticks_px[::-1, ::-1],
        strip=np.ascontiguousarray(section.strip[::-1, ::-1]),
        strip_ticks=last - section.strip_ticks[::-1],
        strip_ends=(last - section.strip_ends[1], last - section.strip_ends[0]),
    )


def counts(evidence: Evidence, twists: Mapping[str, float]) -> dict[str, Count]:
    """Count every section, its twists as the reading has them where it does."""
    return {section.name: count(section, twists.get(section.name)) for section in evidence.sections}


def count(section: SectionEvidence, twists: float | None = None) -> Count:
    """Say where a section's ticks and points stand.

    Parameters
    ----------
    section : SectionEvidence
        The section, turned as it is counted.
    twists : float or None
        Its twists as the reading has them; else they are told by its crossings.
    """
    if is_of_wraps(section):
        none = np.zeros(0), np.zeros((0, 2, 2))
        return Count(float(len(section.strip_ticks)), section.strip_ticks, section.ticks_px, *none)
    columns, turns = _turns(section, twists)
    whole = np.arange(1, math.floor(turns[-1] + _WRITTEN) + 1, dtype=float)
    at = np.interp(whole, turns, columns)
    return Count(float(turns[-1]), at, _across(section, at), section.strip_ticks, section.ticks_px)


def _turns(section: SectionEvidence, twists: float | None) -> tuple[Floats, Floats]:
    """Return columns of the strip and the twists from the section's start to each of them.

    From crossing to crossing is one twist. What lies before the first and after the last is told by the spacing there,
    and made to sum to what is left of the twists measured.
    """
    (start, end), crossings = section.strip_ends, section.strip_ticks
    seen = len(crossings) - 1
    if seen < 1:
        return np.array([start, end]), np.array([0.0, float(len(crossings)) if twists is None else twists])
    before = max(crossings[0] - start, 0.0) / (crossings[1] - crossings[0])
    after = max(end - crossings[-1], 0.0) / (crossings[-1] - crossings[-2])
    if twists is not None and twists > seen and before + after > 0:
        share = (twists - seen) / (before + after)
        before, after = share * before, share * after
    turns = np.r_[0.0, before + np.arange(seen + 1), before + seen + after]
    if twists is not None:
        turns *= twists / turns[-1]  # a pigtail may be told fewer than lie between its crossings
    return np.r_[start, crossings, end], turns


def half_tick_px(section: SectionEvidence) -> float:
    """Return half the length of a section's ticks in the photograph, px; where no crossing is seen, one that shows."""
    if len(section.ticks_px) == 0:
        return 8.0
    return float(np.median(np.hypot(*(section.ticks_px[:, 1] - section.ticks_px[:, 0]).T))) / 2


def _across(section: SectionEvidence, columns: Floats) -> Floats:
    """Return lines across the wire in the photograph at columns of the strip, as long as those at its crossings."""
    spine, (start, end) = section.spine_px, section.strip_ends
    along = arc_length(spine)
    half_px = half_tick_px(section)
    places = (columns - start) / (end - start) * along[-1]
    step = 0.02 * along[-1]

    def at(place: Floats) -> Floats:
        return np.stack([np.interp(place, along, spine[:, 0]), np.interp(place, along, spine[:, 1])], axis=1)

    way = at(places + step) - at(places - step)
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.hypot(*way.T)[:, None]
    centre = at(places)
    return np.stack([centre - half_px * normal, centre + half_px * normal], axis=1)
