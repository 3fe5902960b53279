"""The geometry of the pair, by pencil and against a drawing made of balls."""

from __future__ import annotations

import numpy as np
import pytest

from tests.visionwire.drawn import even, pair_seen
from visionwire.pair import orientation_harmonics, visible_slope


def test_slope_at_a_crossing_is_half_pi_over_the_spacing() -> None:
    # tan a = pi d / (2 p), from the derivative of y = (d/2) sin(pi x / p) at 0.
    for spacing in (1.7, 3.0, 8.0):
        slope = visible_slope(np.array([0.0]), np.array([0.0]), spacing)[0, 0]
        assert slope == pytest.approx(np.pi / (2 * spacing))


def test_between_crossings_two_strands_lie_side_by_side_level() -> None:
    slope = visible_slope(np.array([np.pi / 2]), np.array([-0.5, 0.5]), 4.0)
    assert slope[:, 0] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_the_pattern_repeats_once_a_twist_whichever_strand_is_in_front() -> None:
    theta, across = np.linspace(0.05, 3.0, 60), np.linspace(-1.2, 1.2, 25)
    one, next_ = visible_slope(theta, across, 4.0), visible_slope(theta + np.pi, across, 4.0)
    np.testing.assert_allclose(one, next_, atol=1e-12)


def test_the_outline_is_one_wire_wide_at_a_crossing_and_two_between() -> None:
    theta, across = np.linspace(0, np.pi, 50), np.linspace(-1.2, 1.2, 121)
    seen = ~np.isnan(visible_slope(theta, across, 4.0))
    half_width = 0.5 * (1 + np.abs(np.sin(theta)))
    outermost = np.where(seen, np.abs(across)[:, None], 0).max(0)
    assert outermost == pytest.approx(half_width, abs=0.021)


@pytest.mark.parametrize("spacing_d", [6.0, 12.0])
def test_outline_against_a_drawing(spacing_d: float) -> None:
    # A slanting strand is a little wider across than d: by 1 / cos a, 3 % at six diameters.
    across, along = np.meshgrid(np.linspace(-1.2, 1.2, 481), np.linspace(0, 2 * spacing_d, 49), indexing="ij")
    drawn = ~np.isnan(pair_seen(along, across, even(spacing_d)))
    seen = ~np.isnan(visible_slope(np.pi * along[0] / spacing_d, across[:, 0], spacing_d))
    assert drawn.sum(0) * 0.0025 == pytest.approx(seen.sum(0) * 0.0025, abs=0.02)


def test_the_front_strand_of_a_right_handed_screw_slopes_as_the_middle_of_a_z() -> None:
    # A right-handed helix about z: (cos t, sin t, c t). Held upright and seen from -y (x to the right, z up), the
    # front half is where sin t < 0, and there x rises with z: "/", the middle of a Z. ISO 2:1973 defines S and Z so.
    t = np.linspace(-np.pi, 0, 9)[1:-1]
    x, z = np.cos(t), 0.3 * t
    assert np.all(np.diff(x) / np.diff(z) > 0)
    # Turned by 90 degrees clockwise (up becomes right, right becomes down), it descends from left to right:
    # with y downwards, dy/dx > 0, which is what the harmonics of Z are made of.
    theta, across = np.array([0.0]), np.array([0.0])
    assert visible_slope(theta, across, 3.0)[0, 0] > 0
    z_series = orientation_harmonics((0.0,), 3.0, "Z", 2)
    s_series = orientation_harmonics((0.0,), 3.0, "S", 2)
    at_crossing_z = (z_series[0, 0, 0] + 2 * z_series[0, 0, 1:].sum()).real
    at_crossing_s = (s_series[0, 0, 0] + 2 * s_series[0, 0, 1:].sum()).real
    # An edge that descends has a gradient (-s, 1): 2 gx gy < 0.
    assert at_crossing_z < 0 < at_crossing_s


def test_s_is_z_upside_down() -> None:
    across = tuple(np.linspace(-1, 1, 9))
    z, s = (orientation_harmonics(across, 4.0, lay, 3) for lay in "ZS")
    # Flipped top to bottom, rows reverse and the sine of the double angle changes sign.
    np.testing.assert_allclose(s, z[:, ::-1] * np.array([-1.0, 1.0])[:, None, None], atol=1e-9)
