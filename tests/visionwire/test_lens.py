"""A picture through a wide lens says what the same picture says without it."""

from __future__ import annotations

import dataclasses
from functools import cache

import cv2
import numpy as np
import pytest

from calibration import find_card
from calibration.bow import Bow
from calibration.lens import Lens, unknown_lens
from tests.visionwire.test_measure import DEMO
from visionwire.assemble import scale_flags
from visionwire.measure import measure
from visionwire.photo import open_photo
from visionwire.reading import Reading

DISTORTION = 0.06


@cache
def read(distortion: float) -> Reading:
    """Return the reading of the demo photograph, bent as a lens of that distortion shows it."""
    pixels = open_photo(DEMO).pixels
    height, width = pixels.shape[:2]
    known = unknown_lens((width, height))
    lens = Lens(known.centre_px, known.half_diagonal_px, distortion)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    at = lens.straight(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32).reshape(height, width, 2)
    bent = cv2.remap(pixels, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    answer = measure(np.asarray(bent, np.uint8), wire=0.032)
    assert isinstance(answer, Reading)
    return answer


@pytest.mark.parametrize("distortion", [-DISTORTION, DISTORTION])
def test_the_density_is_that_of_the_straight_picture(distortion: float) -> None:
    straight, bent = read(0.0).runs[0], read(distortion).runs[0]
    assert bent.twists_per_inch == pytest.approx(straight.twists_per_inch, rel=0.008)
    assert bent.twists_per_inch_u95 < 1.1 * straight.twists_per_inch_u95


def test_of_a_bent_card_no_lens_is_said() -> None:
    sight = find_card(cv2.cvtColor(open_photo(DEMO).pixels, cv2.COLOR_RGB2GRAY))
    assert sight is not None and sight.plane.lens is not None
    known, points_mm = sight.plane, sight.plane.points_mm
    lens = dataclasses.replace(known.lens, distortion=DISTORTION)
    curl = Bow(
        points_mm.mean(0), np.ptp(points_mm, axis=0) / 2, np.array([40.0, 90.0, 150.0]), np.array([3.0, 0.0, 0.0])
    )
    seen_px = (lens.bent(known.straight_px(shown_mm)) for shown_mm in (points_mm, curl.shown(points_mm)))
    wide, bent = (dataclasses.replace(known, lens=lens, points_px=points_px) for points_px in seen_px)
    assert [[flag.code for flag in scale_flags(one)] for one in (wide, bent)] == [["lens-bends"], ["card-bent"]]


def test_what_the_lens_bends_is_said_with_its_measure() -> None:
    assert "lens-bends" not in read(0.0).flags
    for distortion, way in ((DISTORTION, "near its middle"), (-DISTORTION, "far from its middle")):
        bent = read(distortion)
        (said,) = [bent.advice[k] for k, flag in enumerate(bent.flags) if flag == "lens-bends"]
        assert way in said and "6 %" in said
