"""The draws against first-order propagation by a general library, and against what only draws can show."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat, umath

from calibration import camera_mm
from tests.visionwire.test_budget import FOCAL_PX, SIZE_PX, card_plane, wire_px
from visionwire import budget, montecarlo


@pytest.mark.parametrize("length_in", [1.0, 2.0, 4.0])
def test_where_all_is_small_the_draws_spread_as_first_order_says(length_in: float) -> None:
    """``uncertainties`` propagates the same model by its derivatives (JCGM 100:2008, 5.1.2)."""
    ruler, points_px = budget.beside(card_plane(), FOCAL_PX, SIZE_PX), wire_px(2.0, length_in)
    terms = ruler.terms(points_px)
    camera_height = float(camera_mm(ruler.plane, *ruler.camera)[2])
    height = ufloat(ruler.height_mm, ruler.height_u_mm)
    length = length_in * (1 - height / camera_height) / (1 - ruler.height_mm / camera_height)
    for name in ("corners", "print", "lens", "slope", "spine"):
        length = length * umath.exp(ufloat(0, terms[name]))
    density = ufloat(1, 0.005) * length_in / length
    drawn = montecarlo.relative_densities(ruler, points_px, 0.005, 0.0)
    assert drawn.std() == pytest.approx(density.std_dev, rel=0.03)
    assert drawn.mean() == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize("height_mm", [-20.0, 10.0, 45.0])
def test_of_a_height_that_was_told_the_budget_states_what_the_draws_show(height_mm: float) -> None:
    """A length goes as the distance to the wire, which a card far below it leaves small."""
    ruler, points_px = budget.beside(card_plane(), FOCAL_PX, SIZE_PX, height_mm), wire_px(height_mm)
    drawn = montecarlo.relative_densities(ruler, points_px, 0.0, 0.0)
    assert drawn.std() == pytest.approx(ruler.relative_u(points_px), rel=0.03)


def test_a_height_spread_evenly_has_no_tails() -> None:
    """95 % of an even distribution lies within 1.65 of its standard deviations: 0.95 x sqrt(3)."""
    plane = card_plane()
    ruler = budget.Ruler(plane, 20.0, 10.0, FOCAL_PX, SIZE_PX)
    drawn = montecarlo.relative_densities(ruler, wire_px(20.0), 0.0, 0.0)
    assert montecarlo.interval_u(drawn) / drawn.std() == pytest.approx(0.95 * np.sqrt(3) / 1.96, rel=0.03)


def test_the_interval_of_a_normal_distribution_is_its_standard_deviation() -> None:
    drawn = np.random.default_rng(2).normal(7.0, 0.3, 200_000)
    assert montecarlo.interval_u(drawn) == pytest.approx(0.3, rel=0.01)


def test_the_same_run_is_drawn_the_same() -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    one, other = (montecarlo.relative_densities(ruler, wire_px(2.0), 0.01, 0.01) for _ in range(2))
    assert np.array_equal(one, other)
