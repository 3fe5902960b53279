from __future__ import annotations

import numpy as np
import pytest

from tests.visionwire.drawn import even, picture, swaying
from visionwire import drawn
from visionwire.strip import Strip, straighten
from visionwire.twist import estimate, orientations

START, DIAMETER_PX = (40.0, 60.0), 12.0


def strip_of(spacing_d: float, twists: float, lay: str = "Z", noise: float = 6.0, offset: float = 0.2) -> Strip:
    end = (START[0] + twists * spacing_d * DIAMETER_PX, START[1])
    size_px = (int(end[0]) + 40, 120)
    grey = picture(START, end, DIAMETER_PX, even(spacing_d, offset), size_px=size_px, noise=noise, lay=lay)
    return straighten(grey, np.array([START, end]), DIAMETER_PX)


@pytest.mark.parametrize("lay", ["S", "Z"])
@pytest.mark.parametrize("twists", [2.0, 3.3, 4.5, 6.0])
@pytest.mark.parametrize("guess", [0.7, 1.0, 1.4])
def test_few_twists_are_counted_from_a_wrong_count(lay: str, twists: float, guess: float) -> None:
    strip = strip_of(4.0, twists, lay)
    fit = drawn.of_few(orientations(strip), strip, lay, guess * twists)
    assert np.ptp(fit.phase) / (2 * np.pi) == pytest.approx(twists, abs=0.1)


def test_the_phase_is_whole_at_the_crossings() -> None:
    strip = strip_of(5.0, 4.0, offset=0.25)
    fit = drawn.of_few(orientations(strip), strip, "Z", 4.0)
    middle = len(fit.phase) // 2  # two twists from the start, a quarter after a crossing
    assert (fit.phase[middle] / (2 * np.pi)) % 1 == pytest.approx(0.25, abs=0.06)


def test_few_twists_whose_crossings_lie_near_are_left_to_free_harmonics() -> None:
    assert estimate(strip_of(1.75, 5.0, noise=40.0)).twists() == pytest.approx(5.0, abs=0.06)


def test_uneven_twist_is_followed_from_a_phase_nearby() -> None:
    end = (START[0] + 48 * DIAMETER_PX, START[1])
    at = swaying(4.0, 0.2, 40.0)
    grey = picture(START, end, DIAMETER_PX, at, size_px=(int(end[0]) + 40, 120), noise=6.0)
    strip = straighten(grey, np.array([START, end]), DIAMETER_PX)
    true = 2 * np.pi * at(np.arange(strip.values.shape[1]) * strip.step_d)
    fit = drawn.near(orientations(strip), strip, "Z", true + 0.8 * np.sin(true / 40))
    assert np.abs(fit.phase - true).max() < 0.5
