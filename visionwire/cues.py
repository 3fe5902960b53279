"""The cues of scale held against one another, and put together.

Two things in one picture tell how many pixels an inch has: the card (or two points), and the wire's outline, where its
diameter was given. They are put together by generalised least squares, and the chi-squared of what is left says whether
both can be true. A third, the slope of the strands times the spacing of the crossings, was tried and left out: it errs
too often by a factor (DEVELOPERS.md).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from visionwire import causes, quality
from visionwire.budget import MM_PER_IN, WIRE_U, Ruler, of_wire
from visionwire.outline import Diameter

Floats = NDArray[np.float64]

#: Cues that would lie so far apart by chance less often than this do not agree: two scales, and the wire against one.
#: Of painted scenes read by a card 0.4 % are doubted whose wire was told rightly, and 73 and 92 % of those told of the
#: next thicker or thinner size (`python -m tests.benchmarks.coverage --from notebooks/coverage.csv` prints it); with
#: 0.001 for the wire too it was 0.2, 47 and 65 % (worked out once).
LEAST_PROBABILITY, LEAST_PROBABILITY_WIRE = 0.001, 0.01


@dataclass(frozen=True)
class Joined:
    """Cues put together: mean, weights (n,), chi-squared and the probability of one as large where all are true."""

    mean: float
    weights: Floats
    chi_squared: float
    probability: float


def join(logs: Floats, covariance: Floats) -> Joined:
    """Put together what several cues say of one quantity, by generalised least squares.

    ``mean = w . x``, ``w = C^-1 1 / (1 . C^-1 1)``, and ``(x - mean) C^-1 (x - mean)`` is a chi-squared of
    n - 1 degrees of freedom (Aitken 1935; the same in Cox, Metrologia 39 (2002) 589, procedure A, where C is diagonal;
    both from memory).

    Parameters
    ----------
    logs : (n,) float array
        What each says.
    covariance : (n, n) float array
        Of their errors.
    """
    sums = np.linalg.solve(covariance, np.ones(len(logs)))
    weights = sums / sums.sum()
    mean = float(weights @ logs)
    left = logs - mean
    chi_squared = float(left @ np.linalg.solve(covariance, left))
    probability = float(chdtrc(len(logs) - 1, chi_squared)) if len(logs) > 1 else 1.0
    return Joined(mean, weights, chi_squared, probability)


def fused(
    ruler: Ruler, seen: Diameter | None, wire_in: float | None, spine_px: Floats
) -> tuple[Ruler, quality.Flag | None]:
    """Return the ruler with all that the wire says of the scale in it, and what is to be said where they disagree.

    Where both agree, the outline narrows the scale a little. Where they do not, the ruler's own is kept, and widened as
    if any scale between it and the wire's were as likely (``difference / sqrt(3)``).
    Where the wire is the ruler, each run is measured by its own: seen aslant, runs lie at different distances.

    Parameters
    ----------
    ruler : Ruler
        By card, two points, or another run's wire.
    seen : Diameter or None
        The wire as it is seen; None where it cannot be told.
    wire_in : float or None
        The wire's diameter, in, where it was given; without it the wire says nothing.
    spine_px : (N, 2) float array
        The run.
    """
    if seen is None or wire_in is None:
        return ruler, None
    if ruler.plane.source == "wire":
        return of_wire(wire_in, seen.px, seen.u_px, spine_px.mean(0), ruler.image_size), None
    own_u, outline_u = ruler.relative_u(spine_px), seen.u_px / seen.px
    off = math.log(seen.px / (wire_in * ruler.px_per_in(spine_px.mean(0))))
    joined = join(np.array([0.0, off]), np.diag([own_u**2, outline_u**2 + WIRE_U**2]))
    if joined.probability < LEAST_PROBABILITY_WIRE:
        wider = dataclasses.replace(ruler, others={"cues": abs(off) / math.sqrt(3)})
        flag = _flag(ruler, wire_in, off, math.hypot(own_u, outline_u, WIRE_U))
        return wider, dataclasses.replace(flag, factor=math.exp(abs(off)))
    share = float(joined.weights[0])
    others = {"outline": (1 - share) * outline_u, "wire-size": (1 - share) * WIRE_U}
    return dataclasses.replace(ruler, enlarged=math.exp(-joined.mean), share=share, others=others), None


def against_card(own: Ruler, by_card: Ruler) -> quality.Flag | None:
    """Return what is to be said where a card in view makes another length of two points given than what was told.

    Parameters
    ----------
    own, by_card : Ruler
        That of the two points, and that of the card.
    """
    line_px = own.plane.points_px
    given_in, card_in = (float(ruler.along_in(line_px)[-1]) for ruler in (own, by_card))
    variances = [ruler.relative_u(line_px) ** 2 for ruler in (own, by_card)]
    off = math.log(card_in / given_in)
    if join(np.array([0.0, off]), np.diag(variances)).probability >= LEAST_PROBABILITY:
        return None
    figures: dict[str, float | str] = {"card": by_card.plane.card or "", "given_in": given_in, "card_in": card_in}
    figures["causes"] = causes.in_words(causes.of_distance(given_in, by_card, off))
    flag = quality.flag("scale-not-as-card", **figures)
    return dataclasses.replace(flag, factor=math.exp(abs(off)))


def _flag(ruler: Ruler, wire_in: float, off: float, off_u: float) -> quality.Flag:
    """Return what is to be said of a wire that looks otherwise than told, the likeliest cause first."""
    likeliest = causes.of_wire(ruler, wire_in, off, off_u)
    figures: dict[str, float | str] = {"seen_in": wire_in * math.exp(off), "given_in": wire_in}
    figures["causes"] = causes.in_words(likeliest)
    depth_in = causes.below_in(ruler, off)
    if likeliest[0].what == "height" and depth_in is not None and depth_in * MM_PER_IN > ruler.height_mm:
        return quality.flag("card-below-wire", **figures)
    return quality.flag("wire-not-as-given", **figures)
