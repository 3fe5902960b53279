"""Probability of conformity against figures from outside.

JCGM 106:2012, "Evaluation of measurement data - The role of measurement uncertainty in conformity
assessment", section 7: for a normal state of knowledge ``p = Phi((TU - y) / u) - Phi((TL - y) / u)``.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from visionwire.judge import probability_conforming


def test_the_documents_example_of_a_two_sided_tolerance() -> None:
    # Inputs of an example of JCGM 106:2012 quoted from memory (12.5 to 16.3, measured 13.6, u 1.8);
    # the result is worked out from them by the formula above.
    assert probability_conforming(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.663, abs=5e-4)


# Worked out by the formula of section 7 apart from visionwire, for the band of 6 to 8 twists per inch.
BAND_6_TO_8 = [
    (7.0, 0.30, 0.999142),
    (7.5, 0.35, 0.923427),
    (7.8, 0.10, 0.977250),
    (7.9, 0.10, 0.841345),
    (8.05, 0.10, 0.308538),
    (5.95, 0.05, 0.158655),
]


@pytest.mark.parametrize(("value", "u", "probability"), BAND_6_TO_8)
def test_band_of_six_to_eight(value: float, u: float, probability: float) -> None:
    assert probability_conforming(value, u, 6, 8) == pytest.approx(probability, abs=1e-6)


@pytest.mark.parametrize("value", [4.0, 5.9, 6.0, 7.3, 8.2, 12.0])
@pytest.mark.parametrize("u", [0.01, 0.2, 3.0])
def test_against_the_standard_librarys_normal_distribution(value: float, u: float) -> None:
    known = NormalDist(value, u)
    assert probability_conforming(value, u, 6, 8) == pytest.approx(known.cdf(8) - known.cdf(6), abs=1e-12)
    assert probability_conforming(value, u, None, 8) == pytest.approx(known.cdf(8), abs=1e-12)
    assert probability_conforming(value, u, 6, None) == pytest.approx(1 - known.cdf(6), abs=1e-12)


@pytest.mark.parametrize(
    ("guard_band_in_u95", "false_accept_at_most"), [(0.0, 0.5), (0.83, 0.05), (1.0, 0.025), (1.5, 0.0016), (3.0, 1e-6)]
)
def test_guard_bands(guard_band_in_u95: float, false_accept_at_most: float) -> None:
    """ILAC-G8:09/2019 as a second source reports it: guard band in U (k = 2), risk of a false accept under that."""
    u = 0.1
    value = 8.0 - guard_band_in_u95 * 2 * u
    risk = 1 - probability_conforming(value, u, None, 8)
    assert risk <= false_accept_at_most + 1e-12
    if guard_band_in_u95 < 1.5:  # from there on the figures are bounds, not values
        assert math.isclose(risk, false_accept_at_most, rel_tol=0.1)
