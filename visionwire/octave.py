"""Whether a section has twice the twists that its grey picture shows.

Strands of two colours may be alike in grey to what lies behind one of them: then only
the other is seen, once in two twists, and nothing in grey tells. Along the direction of
colour that parts wire from ground best both strands stand out.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from visionwire import section
from visionwire.section import Section
from visionwire.strip import pixels_along

Floats = NDArray[np.float64]

#: Rows of the strip that lie on the pair, and beside it, in wire diameters from the spine.
WIRE_D, GROUND_D = 0.5, 1.0
#: Of the picture so much about the section is looked at.
MARGIN_D = 3.0
#: Standard deviation of colour across the pair over that of brightness: of bare metal it is under 0.1 as a rule.
LEAST_COLOUR = 0.15
#: Variance added to every colour, of the mean one and in levels^2: where colours hardly vary they tell nothing.
RIDGE_SHARE, RIDGE = 0.02, 2.0
#: In colour a section has so many times the twists that it has in grey, and the pattern is in step so far. Of 455
#: painted and rendered runs 23 showed every second twist in grey; these found 19, and doubled no other.
LEAST_TIMES, MOST_TIMES, LEAST_GAIN = 1.75, 2.12, 0.035
#: From here the phase in colour is the nearer one: 14 counts were off by 0.08 twist (median), twice those in grey by
#: 0.26; of the 5 fainter ones twice the count in grey was nearer each time.
CLEAR_GAIN = 0.1


def mended(pixels: NDArray[np.uint8], one: Section) -> Section:
    """Return the section with twice the twists where colour shows that grey shows every second one alone.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 array
        The upright picture, RGB.
    one : Section
        As found in its grey picture.
    """
    colours = pixels_along(pixels, one.strip)[:, one.first : one.last + 1]
    across_d = np.abs(one.strip.across_d)
    if _colour(colours[across_d < GROUND_D]) < LEAST_COLOUR:
        return one
    wire, ground = (colours[rows].reshape(-1, 3) for rows in (across_d < WIRE_D, across_d > GROUND_D))
    seen = _seen_along(pixels, one, _parting(wire, ground))
    if not LEAST_TIMES < seen.twists / one.twists < MOST_TIMES or seen.gain < LEAST_GAIN:
        return one
    return _doubled(one, seen)


def _seen_along(pixels: NDArray[np.uint8], one: Section, direction: Floats) -> Section:
    """Return the section measured anew on how far each pixel lies along a direction of colour."""
    margin = MARGIN_D * one.strip.diameter_px
    left, top = np.maximum(np.floor(one.spine_px.min(0) - margin), 0).astype(int)
    right, bottom = np.ceil(one.spine_px.max(0) + margin).astype(int)
    part = pixels[top : bottom + 1, left : right + 1].astype(np.float32) @ direction.astype(np.float32)
    return section.whole(part, one.spine_px - np.array([left, top]), one.strip.diameter_px)


def _colour(colours: Floats) -> float:
    """Return how much colours (rows, columns, 3) vary beside their brightness."""
    off = colours - colours.mean((0, 1))
    bright = off.mean(2, keepdims=True)
    return float(np.sqrt(((off - bright) ** 2).sum(2).mean() / max((3 * bright**2).mean(), 1e-9)))


def _parting(wire: Floats, ground: Floats) -> Floats:
    """Return the unit direction (3,) of colour that parts two sets best (Fisher, Ann. Eugenics 7 (1936) 179)."""
    within = np.cov(wire.T) + np.cov(ground.T)
    within += (RIDGE_SHARE * np.trace(within) / 3 + RIDGE) * np.eye(3)
    direction = np.linalg.solve(within, wire.mean(0) - ground.mean(0))
    return np.asarray(direction / np.linalg.norm(direction), float)


def _doubled(one: Section, seen: Section) -> Section:
    """Return the section with the phase seen in colour, or where that is faint with its own doubled and set by it."""
    twist, columns = one.twist, np.arange(len(one.twist.phase))
    # Both go from end to end of the same spine, on columns that differ a little.
    there = np.interp(columns, [one.first, one.last], [seen.first, seen.last])
    phase = np.interp(there, np.arange(len(seen.twist.phase)), seen.twist.phase)
    if seen.gain >= CLEAR_GAIN:
        factor = seen.twist.phase_factor[np.round(there).astype(int)]
    else:
        offset = float(np.angle(np.exp(1j * (2 * twist.phase - phase)).mean()))
        phase, factor = 2 * twist.phase - offset, 2 * twist.phase_factor
    doubled = dataclasses.replace(twist, phase=phase, phase_factor=factor)
    # Its ends lie as far off as before, which is twice as many twists; and in grey a network counts half as many too.
    return dataclasses.replace(one, twist=doubled, end_u_twists=2 * one.end_u_twists, counted=None)
