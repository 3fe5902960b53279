"""How much wire twisting takes up.

The strands of a pair of wire ``d`` wind about their axis at half a diameter, half a turn a twist: over an inch with
``n`` twists each goes round by ``n pi d / 2`` (trade arithmetic; the picture's geometry is in ``pair``).
"""

from __future__ import annotations

import math

#: Common practice, no source: what is sold for lock wire in inches.
COMMON_SIZES_IN = (0.020, 0.025, 0.032, 0.041, 0.047, 0.051)
#: No lock wire is thinner or thicker; what is said to be is a slip (common practice, no source).
THINNEST_IN, THICKEST_IN = 0.005, 0.1
#: Full turns closer than this, in wire diameters, do not exist: two touching strands lock up there
#: (Bohr & Olsen, EPL 93 (2011) 60004).
LOCK_UP_PITCH_D = 2.70


def strand_in(length_in: float, twists_per_inch: float, wire_in: float) -> float:
    """Return the length of each strand in a twisted stretch, inches.

    Parameters
    ----------
    length_in : float
        Along the axis.
    twists_per_inch : float
        Half-turns of the pair per inch.
    wire_in : float
        Wire diameter.
    """
    return length_in * math.hypot(1.0, 0.5 * math.pi * twists_per_inch * wire_in)


def most_twists_per_inch(wire_in: float) -> float:
    """Return the density at which two touching strands lock up, twists per inch."""
    return 2.0 / (LOCK_UP_PITCH_D * wire_in)
