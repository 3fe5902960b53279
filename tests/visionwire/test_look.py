"""Colour, kinks and breaks: on drawn pairs whose paint and places are known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calibration.plane import fit_plane
from tests.visionwire.drawn import even, picture
from visionwire import look
from visionwire.section import Section, whole

START, END, DIAMETER = (60.0, 90.0), (620.0, 90.0), 9.0
CARD = np.array([[100.0, 180.0], [400.0, 180.0], [400.0, 280.0], [100.0, 280.0]])


def section() -> tuple[np.ndarray, Section]:
    grey = picture(START, END, DIAMETER, even(4.0))
    return grey, whole(grey, np.linspace(START, END, 200), DIAMETER)


def painted(grey: np.ndarray, wire: tuple[float, float, float], lamp: tuple[float, float, float]) -> np.ndarray:
    """Return the picture in colour: the wire's own, a white card, all under one lamp (linear light)."""
    light = (np.clip(grey, 0, 255) / 255) ** 2.2
    colour = light[..., None] * np.array(wire)
    colour[180:280, 100:400] = 0.6
    return np.asarray(255 * np.clip(colour * np.array(lamp), 0, 1) ** (1 / 2.2), np.uint8)


@pytest.mark.parametrize("lamp", [(1.0, 1.0, 1.0), (1.0, 0.85, 0.65), (0.8, 0.95, 1.0)])
def test_copper_is_told_from_steel_under_any_lamp(lamp: tuple[float, float, float]) -> None:
    grey, one = section()
    plane = dataclasses.replace(fit_plane(CARD / 4, CARD), source="card", outline_px=CARD)
    # Linear reflectances of copper and of steel, from memory: (0.96, 0.64, 0.54) darkened by tarnish, and grey.
    copper = look.copper_probability(painted(grey, (0.80, 0.48, 0.36), lamp), one, plane)
    steel = look.copper_probability(painted(grey, (0.62, 0.60, 0.58), lamp), one, plane)
    assert copper is not None and copper > 0.9
    assert steel is not None and steel < 0.05


def test_without_a_card_nothing_says_what_white_is() -> None:
    grey, one = section()
    plane = dataclasses.replace(fit_plane(CARD / 4, CARD), source="two-points", outline_px=None)
    assert look.copper_probability(painted(grey, (0.8, 0.48, 0.36), (1, 1, 1)), one, plane) is None


def test_a_clean_straight_run_has_nothing_to_look_at() -> None:
    assert look.look_here(section()[1]) == []


def test_a_place_painted_over_is_pointed_at() -> None:
    grey, _ = section()
    grey = grey.copy()
    grey[70:110, 300:350] = np.random.default_rng(3).normal(120, 40, (40, 50))
    places = look.look_here(whole(grey, np.linspace(START, END, 200), DIAMETER))
    assert len(places) == 1
    assert places[0][0] == pytest.approx((325 - START[0]) / (END[0] - START[0]), abs=0.06)
    assert "breaks off" in places[0][1]


def test_a_kink_is_pointed_at_where_it_is_and_a_bow_is_not() -> None:
    _, one = section()
    columns = len(one.strip.centre_px)
    bend = np.maximum(np.arange(columns) - columns // 2, 0) * one.strip.step_d * DIAMETER
    kinked = one.strip.centre_px + np.column_stack([np.zeros(columns), 0.7 * bend])
    moved = dataclasses.replace(one, strip=dataclasses.replace(one.strip, centre_px=kinked))
    (at, what), *rest = look.look_here(moved)
    assert what == "kink" and not rest
    assert at == pytest.approx(0.45, abs=0.08)  # of the length: the bent half is the longer one
    x = np.linspace(-1, 1, columns)
    bowed = one.strip.centre_px + np.column_stack([np.zeros(columns), 60 * (1 - x**2)])
    assert look.look_here(dataclasses.replace(one, strip=dataclasses.replace(one.strip, centre_px=bowed))) == []
