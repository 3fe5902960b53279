"""Candidates: a pair in view is among them, wherever and however it lies; bare ground gives none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.visionwire.drawn import even, picture
from visionwire.find import candidates, ribbon, to_maps, to_photograph

DIAMETER_PX = 10.0


def covered(lines: list[np.ndarray], start: tuple[float, float], end: tuple[float, float]) -> float:
    """Return the largest share of the true line that one candidate lies on, within a diameter."""
    true = np.linspace(start, end, 80)
    return max(
        (float((np.linalg.norm(true[:, None] - line[None], axis=2).min(1) < DIAMETER_PX).mean()) for line in lines),
        default=0.0,
    )


def test_maps_and_photograph_share_pixel_centres() -> None:
    # Halved, the pixel 0 covers pixels 0 and 1, whose middle is 0.5.
    assert to_photograph(np.array([[0.0, 1.0]]), 0.5) == pytest.approx(np.array([[0.5, 2.5]]))
    points = np.array([[3.2, 7.9], [100.0, 0.0]])
    assert to_maps(to_photograph(points, 0.37), 0.37) == pytest.approx(points)


def test_a_drawn_dot_lands_where_the_maps_say() -> None:
    grey = np.zeros((120, 160), np.float32)
    grey[60:64, 80:84] = 255
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    row, column = np.unravel_index(small.argmax(), small.shape)
    assert to_photograph(np.array([[column, row]], float), 0.25)[0] == pytest.approx([81.5, 61.5])


def test_the_ribbon_is_strong_on_the_pair_and_runs_along_it() -> None:
    grey = picture((60, 240), (600, 60), DIAMETER_PX, even(4.0))
    maps = ribbon(grey, DIAMETER_PX)
    on = np.round(to_maps(np.linspace((120, 220), (540, 80), 50), maps.scale)).astype(int)
    strength, direction = maps.strength[on[:, 1], on[:, 0]], maps.direction[on[:, 1], on[:, 0]]
    assert np.median(strength) > 5 * np.median(np.abs(maps.strength))
    true = np.arctan2(-180, 540)
    assert np.median(np.abs(np.sin(direction - true))) < 0.2


@pytest.mark.parametrize("lay", ["S", "Z"])
@pytest.mark.parametrize(
    ("start", "end"), [((60, 150), (620, 150)), ((350, 20), (350, 280)), ((80, 40), (600, 260)), ((80, 260), (600, 40))]
)
def test_a_pair_is_found_at_any_angle(start: tuple[float, float], end: tuple[float, float], lay: str) -> None:
    grey = picture(start, end, DIAMETER_PX, even(4.0), lay=lay)
    assert covered(candidates(ribbon(grey, DIAMETER_PX)), start, end) > 0.85


@pytest.mark.parametrize("wrong", [0.6, 1.0, 1.6])
@pytest.mark.parametrize("spacing_d", [2.2, 4.0, 7.0])
def test_a_pair_is_found_with_the_diameter_roughly_known(spacing_d: float, wrong: float) -> None:
    start, end = (60.0, 180.0), (620.0, 130.0)
    grey = picture(start, end, DIAMETER_PX, even(spacing_d))
    assert covered(candidates(ribbon(grey, wrong * DIAMETER_PX)), start, end) > 0.8


def test_a_pair_is_found_whether_darker_or_brighter_than_its_ground() -> None:
    start, end = (60.0, 180.0), (620.0, 130.0)
    for ground in (10.0, 120.0, 230.0):
        grey = picture(start, end, DIAMETER_PX, even(4.0), ground=ground)
        assert covered(candidates(ribbon(grey, DIAMETER_PX)), start, end) > 0.85


def test_nothing_is_walked_where_it_is_forbidden() -> None:
    start, end = (60.0, 180.0), (620.0, 130.0)
    maps = ribbon(picture(start, end, DIAMETER_PX, even(4.0)), DIAMETER_PX)
    assert covered(candidates(maps, np.ones(maps.strength.shape, bool)), start, end) == 0
    half = np.zeros(maps.strength.shape, bool)
    half[:, half.shape[1] // 2 :] = True
    for line in candidates(maps, half):
        assert line[:, 0].max() < 350 + 3 * DIAMETER_PX


def test_no_more_than_asked_for_and_likeliest_first() -> None:
    grey = np.minimum(
        picture((60, 90), (620, 90), DIAMETER_PX, even(4.0)) + picture((60, 220), (620, 220), 10.0, even(4.0)) - 60, 255
    ).astype(np.float32)
    maps = ribbon(grey, DIAMETER_PX)
    assert covered(candidates(maps), (60, 90), (620, 90)) > 0.85
    assert covered(candidates(maps), (60, 220), (620, 220)) > 0.85
    assert len(candidates(maps, most=1)) == 1


def test_a_blank_picture_has_no_candidate() -> None:
    assert candidates(ribbon(np.full((300, 400), 90, np.float32), DIAMETER_PX)) == []
