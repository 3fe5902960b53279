"""The safety as it is laid: gaps to the holes, spans, how many fasteners in series, how much wire."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.budget import Ruler
from visionwire.density import Density
from visionwire.helix import strand_in

Floats = NDArray[np.float64]

#: Where the network marks a hole, against pictures with truth: half the gaps between given ends were within 0.01 in.
HOLE_U_D = 0.6
#: Of a gap that is not seen: common practice, no source, up to an eighth of an inch, evenly spread.
UNSEEN_GAP_IN, UNSEEN_GAP_U_IN = 0.0625, 0.125 / np.sqrt(12.0)
#: From one mouth of the hole round the head to the other, no source: a quarter-inch bolt's head, give or take its half.
ROUND_HEAD_IN, ROUND_HEAD_U_IN = 0.6, 0.3


@dataclass(frozen=True)
class Measured:
    """A length and one standard deviation, inches."""

    value: float
    u: float


@dataclass(frozen=True, eq=False)
class Laid:
    """One run between its holes.

    Attributes
    ----------
    density : Density
    gap_start, gap_end : Measured or None
        From the hole to the first twist and from the last to the hole; None where no hole is seen. Where the head hides
        the hole it counts from where the strand leaves the head.
    span : Measured
        Along the wire from hole to hole.
    """

    density: Density
    gap_start: Measured | None
    gap_end: Measured | None
    span: Measured


def laid(density: Density, ruler: Ruler) -> Laid:
    """Measure what lies between a run and its two holes."""
    start, end = (_gap(density, ruler, at) for at in (0, 1))
    end_u = density.section.end_u_twists / density.twists_per_inch
    parts = [Measured(density.length_in, density.length_in * density.relative_length_u)]
    for gap in (start, end):
        # From hole to hole it does not matter where between them the twist ends; it does where a hole is not seen.
        if gap is None:
            parts.append(Measured(UNSEEN_GAP_IN, float(np.hypot(UNSEEN_GAP_U_IN, end_u))))
        else:
            parts.append(Measured(gap.value, float(np.sqrt(max(gap.u**2 - end_u**2, 0.0)))))
    return Laid(density, start, end, _sum(parts))


def _gap(density: Density, ruler: Ruler, at: int) -> Measured | None:
    one = density.section
    hole_px = one.holes_px[at]
    if hole_px is None:
        return None
    end_px = one.spine_px[-at]
    gap_in = float(np.linalg.norm(np.diff(ruler.to_in(np.array([end_px, hole_px])), axis=0)))
    diameter_in = one.strip.diameter_px / ruler.px_per_in(end_px)
    return Measured(gap_in, float(np.hypot(HOLE_U_D * diameter_in, one.end_u_twists / density.twists_per_inch)))


def wire_used(runs: Sequence[Laid], tail_in: float, tail_twists: float, wire_in: float) -> Measured:
    """Return how much wire a safety took, both strands, what goes round the heads guessed.

    Parameters
    ----------
    runs : sequence of Laid
        Its runs.
    tail_in, tail_twists : float
        Length and twists of the pigtail; 0 where none is seen.
    wire_in : float
        Wire diameter.
    """
    parts = []
    for one in runs:
        twisted = strand_in(one.density.length_in, one.density.twists_per_inch, wire_in)
        straight = one.span.value - one.density.length_in
        parts.append(Measured(2 * (twisted + straight), 2 * one.span.u))
    if tail_in > 0:
        parts.append(Measured(2 * strand_in(tail_in, tail_twists / tail_in, wire_in), 0.1 * tail_in))
    heads = len(runs) + 1
    return _sum([*parts, Measured(heads * ROUND_HEAD_IN, heads * ROUND_HEAD_U_IN)])


def _sum(parts: Sequence[Measured]) -> Measured:
    return Measured(sum(part.value for part in parts), float(np.sqrt(sum(part.u**2 for part in parts))))
