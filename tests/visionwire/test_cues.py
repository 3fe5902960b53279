"""Cues put together by least squares, and told apart where they disagree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.visionwire.test_budget import CENTRE_PX, FOCAL_PX, SIZE_PX, card_plane, wire_px
from visionwire import budget, cues
from visionwire.outline import Diameter
from visionwire.quality import Flag

WIRE_IN = 0.032


def ruler_and_line() -> tuple[budget.Ruler, np.ndarray]:
    return budget.beside(card_plane(), FOCAL_PX, SIZE_PX), wire_px(budget.HEIGHT_MM)


def seen(looks_in: float, u: float = 0.06) -> Diameter:
    """Return a wire that looks so thick by the card."""
    ruler, line = ruler_and_line()
    px = looks_in * ruler.px_per_in(line.mean(0))
    return Diameter(px, u * px)


def flag_of(looks_in: float, u: float = 0.06) -> Flag | None:
    ruler, line = ruler_and_line()
    return cues.fused(ruler, seen(looks_in, u), WIRE_IN, line)[1]


def test_independent_cues_join_to_their_weighted_mean() -> None:
    """Against numpy's weighted average and scipy's chi-squared distribution."""
    said, u = np.array([0.01, -0.02, 0.05]), np.array([0.01, 0.03, 0.06])
    joined = cues.join(said, np.diag(u**2))
    assert joined.mean == pytest.approx(np.average(said, weights=u**-2))
    left = (((said - joined.mean) / u) ** 2).sum()
    assert joined.chi_squared == pytest.approx(left)
    assert joined.probability == pytest.approx(stats.chi2.sf(left, 2))


def test_an_error_in_common_is_not_averaged_away() -> None:
    together = np.diag([0.01**2, 0.01**2]) + 0.05**2
    weights = cues.join(np.zeros(2), together).weights
    assert weights @ together @ weights == pytest.approx(0.01**2 / 2 + 0.05**2)


def test_chi_squared_of_true_cues_is_what_it_should_be() -> None:
    rng = np.random.default_rng(5)
    covariance = np.diag([0.01, 0.06, 0.23]) ** 2
    covariance[1:, 1:] += 0.02**2
    said = rng.multivariate_normal(np.zeros(3), covariance, 4000)
    probabilities = np.array([cues.join(one, covariance).probability for one in said])
    assert stats.kstest(probabilities, "uniform").pvalue > 0.001


def test_cues_that_agree_narrow_the_scale_and_move_it_little() -> None:
    ruler, line = ruler_and_line()
    together, flag = cues.fused(ruler, seen(1.05 * WIRE_IN), WIRE_IN, line)
    assert flag is None
    assert together.relative_u(line) < ruler.relative_u(line)
    assert 0.99 < together.along_in(line)[-1] / ruler.along_in(line)[-1] < 1.0  # thicker: more pixels an inch


def test_a_wire_that_looks_too_thin_is_another_one() -> None:
    flag = flag_of(0.020)
    assert flag is not None and flag.code == "wire-not-as-given"
    assert "check the wire's size (0.020 in would fit)" in flag.sentence
    assert flag.factor == pytest.approx(0.032 / 0.020)


def test_a_card_a_little_below_a_wire_that_no_common_size_fits_is_named_first() -> None:
    # Similar triangles: the card 24 mm below the wire, and the camera 176 mm over that, make it look so much thicker.
    thicker = (200 - budget.HEIGHT_MM) / (200 - 24)
    flag = flag_of(thicker * WIRE_IN, 0.02)
    assert flag is not None and flag.code == "card-below-wire"
    assert "check first the card's height (it would lie 0.9 in below the wire; lay it level with it)" in flag.sentence


def test_cues_that_disagree_widen_the_reading_to_the_other_word() -> None:
    ruler, line = ruler_and_line()
    wider, flag = cues.fused(ruler, seen(0.020), WIRE_IN, line)
    assert flag is not None
    assert wider.along_in(line)[-1] == ruler.along_in(line)[-1]
    assert 2 * wider.relative_u(line) > np.log(0.032 / 0.020)


def test_without_a_size_the_wire_says_nothing() -> None:
    ruler, line = ruler_and_line()
    assert cues.fused(ruler, seen(0.020), None, line) == (ruler, None)
    assert cues.fused(ruler, None, WIRE_IN, line) == (ruler, None)


def test_where_the_wire_is_the_ruler_each_run_has_its_own() -> None:
    ruler = budget.of_wire(WIRE_IN, 8.0, 0.48, CENTRE_PX, SIZE_PX)
    own, flag = cues.fused(ruler, Diameter(10.0, 0.6), WIRE_IN, wire_px(2.0))
    assert flag is None and own.px_per_in(CENTRE_PX) == pytest.approx(10.0 / WIRE_IN)
    assert cues.fused(ruler, None, WIRE_IN, wire_px(2.0)) == (ruler, None)
