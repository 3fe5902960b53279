"""What may be told, printed or laid wrongly where wire, card and points contradict one another, the likeliest first.

Each cause would have to be off by some amount to explain the contradiction alone. That amount, over one that is usual
for such a slip, is its strain; what asks for the least is named first, with its figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration import camera_mm
from calibration.card import PRINT_VERIFIED_U
from visionwire.budget import LEAST_HEIGHT_MM, MM_PER_IN, Ruler
from visionwire.helix import COMMON_SIZES_IN

#: What is usual (common practice, no source). A print that is fitted to its page comes out by up to a sixteenth small;
#: a bench lies an inch below a safety, and what a card can lie on rises half an inch over one; a point is put, or a
#: rule read, a fifth off; a run that joins heads of unequal height rises by this much, degrees.
PRINT_OFF, BELOW_OFF_IN, ABOVE_OFF_IN, DISTANCE_OFF, ASLANT_OFF_DEG = 0.06, 1.0, 0.5, 0.2, 25.0
#: Distances told in another unit are off by these factors: mm for inches, and cm.
UNIT_SLIPS = (25.4, 1 / 25.4, 2.54, 1 / 2.54)
#: What asks for more than that many times the usual is not named; a figure that was typed may be off by anything, and
#: asks for no more.
MOST_STRAIN = 2.0
#: Of the logarithm of a wire's diameter: sizes nearer than that to the one told are that one, as 0.8 mm is .032 in.
LEAST_OTHER = 0.03


@dataclass(frozen=True)
class Cause:
    """What may be off, in words with the figure that would explain all, and how unusual that would be."""

    what: str
    said: str
    strain: float


def of_wire(ruler: Ruler, wire_in: float, off: float, off_u: float) -> list[Cause]:
    """Return why a wire may look otherwise than told, the likeliest first.

    Parameters
    ----------
    ruler : Ruler
        By card or two points.
    wire_in : float
        The diameter told.
    off, off_u : float
        Logarithm of the diameter seen over that told, and its standard deviation.
    """
    causes = [_size(wire_in, off, off_u)]
    if ruler.plane.source == "two-points":
        line_px = ruler.plane.points_px
        causes.append(_distance(float(ruler.along_in(line_px)[-1]), -off))
        causes += _aslant(-off)
    else:
        causes += _of_card(ruler, off)
    return sorted(causes, key=lambda one: one.strain)


def of_distance(given_in: float, by_card: Ruler, off: float) -> list[Cause]:
    """Return why two points may lie otherwise apart than told by a card in view, the likeliest first.

    Parameters
    ----------
    given_in : float
        The distance told.
    by_card : Ruler
        That of the card.
    off : float
        Logarithm of the distance by the card over that told.
    """
    causes = [_distance(given_in, off), *_aslant(off), *_of_card(by_card, off)]
    return sorted(causes, key=lambda one: one.strain)


def in_words(causes: Sequence[Cause]) -> str:
    """Say what to look at first, and then; what could hardly be is left out."""
    said = [one.said for one in causes if one.strain <= MOST_STRAIN]
    return said[0] if len(said) == 1 else f"first {', then '.join(said)}"


def below_in(ruler: Ruler, off: float) -> float | None:
    """Return how far below the wire a card would have to lie, in, negative for above; None where nothing tells.

    Seen so much larger, the plane of the wire would be so much nearer to the camera than the ruler has it: similar
    triangles.
    """
    if ruler.height_u_mm == 0:
        return None
    camera_height_mm = float(camera_mm(ruler.plane, *ruler.camera)[2])
    return ((camera_height_mm - ruler.height_mm) * -math.expm1(-off) + ruler.height_mm) / MM_PER_IN


def _size(wire_in: float, off: float, off_u: float) -> Cause:
    seen_in = wire_in * math.exp(off)
    others = [size for size in COMMON_SIZES_IN if abs(math.log(size / wire_in)) > LEAST_OTHER]
    nearest = min(others, key=lambda size: abs(math.log(size / seen_in)))
    strain = abs(math.log(nearest / seen_in)) / off_u
    fits = f"{nearest:.3f} in would fit" if strain <= MOST_STRAIN else f"{seen_in:.3f} in would fit, no common size"
    return Cause("size", f"the wire's size ({fits})", min(strain, MOST_STRAIN))


def _of_card(ruler: Ruler, off: float) -> list[Cause]:
    """Return what may be wrong with a card by which lengths come out by ``off`` too long."""
    causes = []
    if ruler.plane.source == "card" and ruler.plane.scale_relative_u > PRINT_VERIFIED_U:
        share = 100 * math.exp(-off)
        said = f"the card's print (its bar would be {share:.0f} % of the length printed beside it, by a rule)"
        causes.append(Cause("print", said, abs(off) / PRINT_OFF))
    depth_in = below_in(ruler, off)
    if depth_in is not None:
        side = f"{'below' if depth_in > 0 else 'above'} the wire"
        said = f"the card's height (it would lie {abs(depth_in):.1f} in {side}; lay it level with it)"
        depth_mm = depth_in * MM_PER_IN
        if ruler.height_told and LEAST_HEIGHT_MM <= depth_mm <= ruler.most_height_mm:
            said = f"the card's height (--card-below {round(depth_mm):d} would fit, not {ruler.height_mm:g})"
        lower_in = depth_in - ruler.height_mm / MM_PER_IN
        causes.append(Cause("height", said, abs(lower_in) / (BELOW_OFF_IN if lower_in > 0 else ABOVE_OFF_IN)))
    return causes


def _distance(given_in: float, off: float) -> Cause:
    """Return that a distance was told wrongly, which is ``off`` longer, by its logarithm."""
    slips = [abs(off - math.log(slip)) for slip in UNIT_SLIPS]
    said = f"the distance between the two points (it would be {given_in * math.exp(off):.2f} in"
    if min(slips) < DISTANCE_OFF:
        return Cause("distance", f"{said}: inches, unless it says mm)", min(slips) / DISTANCE_OFF)
    return Cause("distance", f"{said})", min(abs(off) / DISTANCE_OFF, MOST_STRAIN))


def _aslant(off: float) -> list[Cause]:
    """Return that the two points lie at unequal heights: so seen, they are nearer to one another than they are."""
    if off >= 0:
        return []
    degrees = math.degrees(math.acos(math.exp(off)))
    said = f"whether the run points at the camera (the line between the two points would, by {degrees:.0f} degrees)"
    return [Cause("aslant", said, degrees / ASLANT_OFF_DEG)]
