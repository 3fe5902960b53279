"""How well what was stated agrees with what is true: pure functions on arrays, with their sources."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from visionwire.judge import COVERAGE_95

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BINS = 10


@dataclass(frozen=True)
class Share:
    """So many of so many, and the 95 % bounds of the share that this comes from."""

    held: int
    of: int

    @property
    def share(self) -> float:
        """The share itself."""
        return self.held / self.of

    @property
    def bounds(self) -> tuple[float, float]:
        """Clopper and Pearson's exact bounds of the share."""
        return clopper_pearson(self.held, self.of)

    def __str__(self) -> str:
        if not self.of:
            return f"{0:5d}"
        low, high = self.bounds
        return f"{self.of:5d} {100 * self.share:6.1f} ({100 * low:5.1f} to {100 * high:5.1f})"


def clopper_pearson(held: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """Return the exact bounds of a share (Clopper and Pearson 1934, Biometrika 26, 404-413), by beta quantiles."""
    tail = (1 - level) / 2
    low = 0.0 if held == 0 else float(beta.ppf(tail, held, of - held + 1))
    high = 1.0 if held == of else float(beta.ppf(1 - tail, held + 1, of - held))
    return low, high


def share_of(mask: NDArray[Any]) -> Share:
    """Return how many of a mask hold."""
    return Share(int(mask.sum()), len(mask))


def conformal_factor(scores: Floats, level: float = 0.95) -> float:
    """Return what standard deviations are to be multiplied with so that intervals of that level hold the truth.

    Split conformal prediction (Vovk, Gammerman and Shafer 2005; Lei et al. 2018, "Distribution-free predictive
    inference for regression"; the rank from memory) with the error over its stated deviation as the score: the score
    of rank ceil((n + 1) level) of n, over 1.96. Too few scores for that rank give infinity.
    """
    ordered = np.sort(scores)
    rank = int(np.ceil((len(ordered) + 1) * level - 1e-9))
    return float(ordered[rank - 1]) / COVERAGE_95 if rank <= len(ordered) else float("inf")


@dataclass(frozen=True)
class Bin:
    """Probabilities of nearly the same size: their mean, and how often what they are of was true."""

    mean: float
    true: Share


def reliability(probability: Floats, true: Mask, bins: int = BINS) -> list[Bin]:
    """Return the bins of equal width that hold any of the (N,) probabilities."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    return [Bin(float(probability[place == one].mean()), share_of(true[place == one])) for one in np.unique(place)]


def calibration_error(probability: Floats, true: Mask, bins: int = BINS) -> float:
    """Return the expected calibration error (Guo et al. 2017): |mean probability - share true| over the bins."""
    found = reliability(probability, true, bins)
    return sum(one.true.of * abs(one.mean - one.true.share) for one in found) / len(probability)


def brier(probability: Floats, true: Mask) -> float:
    """Return the mean square of probability less truth (Brier 1950)."""
    return float(np.mean((probability - true) ** 2))


def risk_coverage(confidence: Floats, wrong: Mask) -> tuple[Floats, Floats]:
    """Return the shares (N,) of the most confident and the error rate among each; equal confidences count alike."""
    order = np.argsort(-confidence, kind="stable")
    _, group = np.unique(confidence[order], return_inverse=True)
    alike = np.bincount(group, wrong[order]) / np.bincount(group)
    many = np.arange(1, len(order) + 1)
    return many / len(order), np.cumsum(alike[group]) / many
