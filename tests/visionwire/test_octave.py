"""Strands of two colours, one as bright as the ground: twice the twists that grey shows, and nothing else doubled."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.visionwire.drawn import LAMP, SECOND_LAMP, even, picture
from visionwire import octave, section
from visionwire.section import Section

START, END, DIAMETER_PX = (100.0, 150.0), (600.0, 150.0), 10.0
LINE = np.array([START, END])
TWISTS = 12.5
WHITE = (1.0, 1.0, 1.0)
#: As bright in grey as the ground behind it.
RED, GROUND = (1.6, 0.12, 0.12), 62.0


def _photo(strands: tuple[tuple[float, ...], tuple[float, ...]]) -> NDArray[np.uint8]:
    channels = [
        picture(START, END, DIAMETER_PX, even(4.0), lamps=(LAMP, SECOND_LAMP), shades=shades, ground=GROUND, seed=k)
        for k, shades in enumerate(zip(*strands, strict=True))
    ]
    return np.round(np.dstack(channels)).astype(np.uint8)


def _in_grey(pixels: NDArray[np.uint8]) -> Section:
    return section.whole(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32), LINE, DIAMETER_PX)


def test_a_strand_that_is_lost_in_grey_is_counted_by_its_colour() -> None:
    pixels = _photo((WHITE, RED))
    grey = _in_grey(pixels)
    assert grey.twists == pytest.approx(TWISTS / 2, abs=0.4)  # what is to be mended
    mended = octave.mended(pixels, dataclasses.replace(grey, end_u_twists=0.25))
    assert mended.end_u_twists * mended.px_per_twist == pytest.approx(0.25 * grey.px_per_twist, rel=0.05)
    assert mended.twists == pytest.approx(TWISTS, abs=0.3)
    assert mended.twists_u < 0.3
    crossings = np.interp(2 * np.pi * np.arange(1, 12), mended.twist.phase, mended.spine_px[:, 0])
    assert crossings == pytest.approx(START[0] + 40 * np.arange(1, 12), abs=8)  # a fifth of a twist


@pytest.mark.parametrize(
    "strands", [(WHITE, WHITE), (RED, RED), (WHITE, (0.7, 0.7, 0.7)), ((0.9, 0.4, 0.2), (0.4, 0.6, 1.0))]
)
def test_twist_that_grey_shows_is_left_as_it_is(strands: tuple[tuple[float, ...], tuple[float, ...]]) -> None:
    pixels = _photo(strands)
    grey = _in_grey(pixels)
    assert octave.mended(pixels, grey).twists == grey.twists == pytest.approx(TWISTS, abs=0.3)
