"""The centre line: on the wire, smooth, in the middle of the pair."""

from __future__ import annotations

import numpy as np
import pytest

from tests.visionwire.drawn import LAMP, even, picture
from visionwire.find import ribbon
from visionwire.spine import between, recentre, smooth_line
from visionwire.strip import straighten
from visionwire.twist import estimate

START, END, DIAMETER_PX = (60.0, 200.0), (640.0, 90.0), 12.0
LINE = np.array([START, END])


def aside_px(points: np.ndarray) -> np.ndarray:
    """Return the signed distance of points from the true line."""
    unit = (LINE[1] - LINE[0]) / np.linalg.norm(LINE[1] - LINE[0])
    return (points - LINE[0]) @ np.array([-unit[1], unit[0]])


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    return picture(START, END, DIAMETER_PX, even(4.0))


def test_the_path_between_two_ends_stays_on_the_wire(grey: np.ndarray) -> None:
    path = between(ribbon(grey, DIAMETER_PX), LINE[0], LINE[1])
    assert path[0] == pytest.approx(START)
    assert path[-1] == pytest.approx(END)
    assert np.abs(aside_px(path)).max() < DIAMETER_PX


def test_the_path_works_at_the_pictures_very_edge(grey: np.ndarray) -> None:
    path = between(ribbon(grey, DIAMETER_PX), np.array([0.0, 0.0]), np.array([699.0, 299.0]))
    assert path[[0, -1]].ravel() == pytest.approx([0, 0, 699, 299])


def test_smoothing_a_straight_line_leaves_it_and_its_ends() -> None:
    line = smooth_line(np.array([[0.0, 0.0], [30.0, 40.0]]), step_px=1.0, sigma_px=6.0)
    assert line[[0, -1]].ravel() == pytest.approx([0, 0, 30, 40])
    assert line[:, 1] == pytest.approx(line[:, 0] * 4 / 3)


def test_smoothing_takes_the_length_out_of_a_zig_zag() -> None:
    x = np.arange(0.0, 200.0, 2.0)
    jagged = np.column_stack([x, np.where(np.arange(100) % 2, 1.0, -1.0)])
    smooth = smooth_line(jagged, 1.0, 8.0)
    assert np.hypot(*np.diff(jagged, axis=0).T).sum() > 1.3 * 198
    inner = smooth[20:-20]
    assert np.hypot(*np.diff(inner, axis=0).T).sum() == pytest.approx(np.ptp(inner[:, 0]), rel=1e-3)


def test_smoothing_allows_repeated_points() -> None:
    line = smooth_line(np.array([[0.0, 0.0], [0.0, 0.0], [50.0, 0.0], [50.0, 0.0]]), 1.0, 3.0)
    assert np.all(np.isfinite(line))
    assert np.all(np.diff(line[:, 0]) > 0)


@pytest.mark.parametrize("lay", ["S", "Z"])
@pytest.mark.parametrize("lamp", [LAMP, (0.1, 0.9, 0.4), (0.9, -0.1, 0.4)])
def test_from_either_side_the_line_moves_to_one_that_runs_inside_the_wire(
    lamp: tuple[float, float, float], lay: str
) -> None:
    # A single lamp pulls the line to its side, as a constant offset: that costs no length.
    grey = picture(START, END, DIAMETER_PX, even(3.5), lamps=(lamp,), lay=lay)
    unit = (LINE[1] - LINE[0]) / np.linalg.norm(LINE[1] - LINE[0])
    ended = []
    for off_d in (-0.4, 0.0, 0.4):
        strip = straighten(grey, LINE + off_d * DIAMETER_PX * np.array([-unit[1], unit[0]]), DIAMETER_PX)
        for _ in range(3):
            strip = straighten(grey, recentre(grey, strip, estimate(strip)), DIAMETER_PX)
        inner = strip.centre_px[40:-40]
        ended.append(aside_px(inner).mean() / DIAMETER_PX)
        # A zig-zag would lengthen the run: (pi e / p)^2 with e the amplitude.
        length = np.hypot(*np.diff(inner, axis=0).T).sum()
        assert length == pytest.approx(np.linalg.norm(inner[-1] - inner[0]), rel=2e-3)
    assert np.ptp(ended) < 0.1
    assert np.abs(ended).max() < 0.4
