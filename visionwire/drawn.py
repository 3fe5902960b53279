"""The phase of a twist as the drawn pair tells it.

Harmonics whose shape is free (``phase.refine``) fit all that repeats, but over two to six twists they also fit a phase
that wanders off at its ends, or one with a twist more or less. The shape of what edges and highlights point along is
known (``pair``): held against that alone, the phase has nothing but its own course left to fit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from visionwire import pair
from visionwire.phase import HARMONICS, Fit, match
from visionwire.strip import Strip

Floats = NDArray[np.float64]

#: Counts tried of few twists, over the one found, but not fewer than one.
COUNTS_TRIED, FEWEST = np.exp(np.linspace(-0.45, 0.45, 37)), 1.0
#: How much faster than on average they are at the start, and slower at the end.
BENDS_TRIED = np.linspace(-0.35, 0.35, 7)
TURNS_TRIED = 48
#: The pattern may wander: of few twists less than that, for there are few values to tell it by.
ROUGHNESS, ROUGHNESS_OF_FEW = 0.1, 1.0


def near(orientation: Floats, strip: Strip, lay: str, phase: Floats) -> Fit:
    """Return the fit of the drawn pair nearest to a phase.

    Parameters
    ----------
    orientation : (2, rows, columns) float array
        The gradient's double-angle orientation on the strip.
    strip : Strip
        Where it was taken.
    lay : "S" or "Z"
        The hand.
    phase : (columns,) float array
        Radians, within about a third of a cycle, zero at a crossing.
    """
    return _matched(orientation, strip, lay, phase, ROUGHNESS)


def of_few(orientation: Floats, strip: Strip, lay: str, twists: float) -> Fit:
    """Return the fit of the drawn pair to a strip of about so many twists.

    Parameters
    ----------
    orientation, strip, lay
        As of `near`.
    twists : float
        Right to half as many again; fewer than one are never found.
    """
    columns = orientation.shape[2]
    along = np.linspace(0.0, 1.0, columns)
    bent = along + BENDS_TRIED[:, None] * along * (1 - along)
    turns = np.exp(-2j * np.pi * np.arange(TURNS_TRIED) / TURNS_TRIED)
    counts = np.unique(np.maximum(twists * COUNTS_TRIED, FEWEST))
    length_d = columns * strip.step_d
    best, start = -np.inf, 2 * np.pi * twists * along
    for count in counts:
        series = pair.repeating(strip.across_d, length_d / count, lay)
        seen = np.einsum("crk,crn->kn", np.conj(series), orientation)
        phases = 2 * np.pi * count * bent
        first, second = ((seen[k] * np.exp(-1j * (k + 1) * phases)).sum(1)[:, None] for k in (0, 1))
        likeness = (first * turns + second * turns**2).real / np.linalg.norm(series)
        bend, turn = np.unravel_index(int(likeness.argmax()), likeness.shape)
        if likeness[bend, turn] > best:
            best, start = float(likeness[bend, turn]), phases[bend] + 2 * np.pi * turn / TURNS_TRIED
    return _matched(orientation, strip, lay, start, ROUGHNESS_OF_FEW)


def _matched(orientation: Floats, strip: Strip, lay: str, phase: Floats, roughness: float) -> Fit:
    columns = orientation.shape[2]
    spacing_d = 2 * np.pi * columns * strip.step_d / float(phase[-1] - phase[0])
    orders = pair.repeating(strip.across_d, spacing_d, lay).reshape(-1, 2).T
    drawn = np.zeros((1 + 2 * HARMONICS, orders.shape[1]))
    drawn[1:3], drawn[1 + HARMONICS : 3 + HARMONICS] = 2 * orders.real, -2 * orders.imag
    return match(orientation.reshape(-1, columns), drawn, phase, roughness)
