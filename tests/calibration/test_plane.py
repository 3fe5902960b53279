"""Pixels and millimetres against a camera whose numbers are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration import (
    Plane,
    fit_plane,
    focal_from_plane,
    height_bias,
    load_card,
    pose,
    to_plane_at,
    two_points,
    with_pose,
)
from calibration.plane import project
from calibration.pose import bends_relative_u, focal_from_35mm
from tests.calibration.scenes import Array, look

CHART = load_card("chart")
SIZE = (1600, 1200)


def plane_of(homography: Array, noise_px: float = 0.0, seed: int = 0) -> Plane:
    rng = np.random.default_rng(seed)
    mm = CHART.corners_mm()
    px = project(homography, mm) + noise_px * rng.normal(size=mm.shape)
    return fit_plane(mm, px, corner_u_px=max(noise_px, 1e-6), scale_relative_u=0.0)


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 35), st.floats(0, 360), st.floats(0, 360), st.floats(6, 30))
def test_there_and_back(tilt_deg: float, towards_deg: float, turn_deg: float, px_per_mm: float) -> None:
    homography, *_ = look(CHART, px_per_mm, tilt_deg, towards_deg, turn_deg)
    plane = plane_of(homography)
    at_px = np.array([[300.0, 200.0], [900.0, 700.0]])
    assert plane.to_px(plane.to_mm(at_px)) == pytest.approx(at_px, abs=1e-6)
    assert plane.to_mm(project(homography, [[12.0, 34.0]])) == pytest.approx(np.array([[12.0, 34.0]]), abs=1e-5)
    assert not plane.mirrored


def test_local_scale_square_on() -> None:
    homography, *_ = look(CHART, 12.5)
    assert plane_of(homography).px_per_mm((100, 100)) == pytest.approx(12.5)
    assert plane_of(homography).length_mm([[0, 0], [30, 40], [30, 90]]) == pytest.approx(8.0)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 30.0])
def test_pose_and_height(tilt_deg: float) -> None:
    homography, camera, rotation, shift = look(CHART, 10, tilt_deg, towards_deg=40, turn_deg=130, aim_px=(150, -90))
    plane = plane_of(homography)
    found_rotation, found_shift = pose(plane, camera[0, 0], SIZE)
    assert found_rotation == pytest.approx(rotation, abs=1e-5)
    assert found_shift == pytest.approx(shift, abs=1e-3)
    # Three points 3 mm above the card's face (z is into the card), projected by the camera itself.
    above = np.array([[10.0, -5.0, -3.0], [40.0, -7.0, -3.0], [70.0, 1.0, -3.0]])
    seen = (camera @ (rotation @ above.T + shift[:, None])).T
    seen = seen[:, :2] / seen[:, 2:]
    assert to_plane_at(plane, seen, 3.0, camera[0, 0], SIZE) == pytest.approx(above[:, :2], abs=1e-4)
    true_mm = np.linalg.norm(np.diff(above, axis=0), axis=1).sum()
    assert plane.length_mm(seen) * height_bias(plane, 3.0, camera[0, 0], SIZE) == pytest.approx(true_mm, rel=1e-5)


def test_height_by_pencil_square_on() -> None:
    # 10 px/mm with f = 1250 px is 125 mm away: 2 mm nearer reads 2 / 125 too long.
    homography, *_ = look(CHART, 10)
    assert height_bias(plane_of(homography), 2.0, 1250, SIZE) == pytest.approx(1 - 2 / 125)


def test_mirrored_pictures_have_the_same_pose() -> None:
    homography, camera, *_ = look(CHART, 10, 20, towards_deg=30, turn_deg=75)
    straight = with_pose(plane_of(homography), camera[0, 0], SIZE)
    mirrored = plane_of(np.array([[-1.0, 0, SIZE[0] - 1], [0, 1, 0], [0, 0, 1]]) @ homography)
    assert mirrored.mirrored
    mirrored = with_pose(mirrored, camera[0, 0], SIZE)
    assert mirrored.tilt_deg == pytest.approx(straight.tilt_deg)
    assert mirrored.tilt_deg == pytest.approx(20, abs=1e-3)
    assert mirrored.distance_mm == pytest.approx(125)


@pytest.mark.parametrize("focal_px", [1000.0, 1250.0, 2400.0])
def test_focal_length_from_a_tilted_card(focal_px: float) -> None:
    homography, *_ = look(CHART, 12, 28, towards_deg=35, turn_deg=15, focal_px=focal_px)
    found, relative_u = focal_from_plane(plane_of(homography, 0.05, seed=3), SIZE)
    assert relative_u < 0.08
    assert abs(np.log(found / focal_px)) < 3 * relative_u


def test_focal_length_square_on_is_only_a_habit() -> None:
    homography, *_ = look(CHART, 12, focal_px=2000)
    found, relative_u = focal_from_plane(plane_of(homography, 0.05), SIZE)
    assert relative_u > 0.2
    assert abs(np.log(found / 2000)) < 3 * relative_u


def test_equivalent_focal_length() -> None:
    # 43.27 mm on the diagonal of a 3-4-5 picture, 2000 px long.
    assert focal_from_35mm(43.27, (1600, 1200)) == pytest.approx(2000)


@pytest.mark.parametrize("away_mm", [0.0, 60.0])
def test_stated_uncertainty_covers_what_noise_does(away_mm: float) -> None:
    homography, *_ = look(CHART, 10, 15, towards_deg=60)
    line_mm = np.array([[10.0, 20 - away_mm], [40.0, 22 - away_mm], [70.0, 20 - away_mm]])
    line_px, true_mm = project(homography, line_mm), np.linalg.norm(np.diff(line_mm, axis=0), axis=1).sum()
    off = [plane_of(homography, 0.3, seed).length_mm(line_px) / true_mm - 1 for seed in range(300)]
    stated = np.median([plane_of(homography, 0.3, seed).corner_relative_u(line_px) for seed in range(20)])
    # 300 draws know their own spread to 4 %; stated may lie 15 % off.
    assert np.std(off) == pytest.approx(stated, rel=0.15)


def test_uncertainty_grows_away_from_the_card() -> None:
    homography, *_ = look(CHART, 10)
    plane = plane_of(homography, 0.2)
    us = [plane.corner_relative_u(project(homography, [[10, 20 - d], [70, 20 - d]])) for d in (0, 40, 80)]
    assert us[0] < us[1] < us[2]


def test_lens_costs_nothing_on_the_card_and_more_beyond_it() -> None:
    homography, *_ = look(CHART, 10)
    plane = plane_of(homography)
    near, far = (project(homography, [[10, 20 - d], [70, 20 - d]]) for d in (0, 60))
    assert bends_relative_u(plane, near, SIZE) < bends_relative_u(plane, far, SIZE)


def test_a_pose_is_solved_once_and_no_caller_can_spoil_it(monkeypatch: pytest.MonkeyPatch) -> None:
    solve, solved = cv2.solvePnPGeneric, []
    monkeypatch.setattr(cv2, "solvePnPGeneric", lambda *words, **more: solved.append(1) or solve(*words, **more))
    homography, *_ = look(CHART, 10, 20)
    plane = plane_of(homography)
    rotation, shift = pose(plane, None, SIZE)
    kept = rotation.copy(), shift.copy()
    rotation[:], shift[:] = 0, 0
    assert [np.array_equal(*pair) for pair in zip(pose(plane, None, SIZE), kept, strict=True)] == [True, True]
    assert len(solved) == 1
    with_pose(plane, 1250.0, SIZE)  # another camera is another pose
    assert len(solved) == 2


def test_too_few_points_and_points_on_a_line() -> None:
    with pytest.raises(ValueError, match="at least 4"):
        fit_plane([[0, 0], [1, 0], [1, 1]], [[0, 0], [1, 0], [1, 1]])
    line = [[0, 0], [1, 1], [2, 2], [3, 3]]
    with pytest.raises(ValueError, match="on a line"):
        fit_plane(line, line)


def test_two_points_by_pencil() -> None:
    plane = two_points((100, 100), (400, 500), 50.0)
    assert plane.source == "two-points"
    assert plane.px_per_mm((0, 0)) == pytest.approx(10.0)
    assert plane.length_mm([[0, 0], [0, 254]]) == pytest.approx(25.4)
    # sqrt(2) * 2 px of 500 px and the unknown tilt.
    assert plane.relative_u == pytest.approx(np.hypot(np.sqrt(2) * 2 / 500, 0.015))
    # f = 1000 px at 10 px/mm is 100 mm away.
    assert height_bias(plane, 1.0, 1000, SIZE) == pytest.approx(0.99)
    assert with_pose(plane, 1000, SIZE).distance_mm == pytest.approx(100)
    assert with_pose(plane, 1000, SIZE).tilt_deg is None
    with pytest.raises(ValueError, match="above zero"):
        two_points((0, 0), (100, 0), 0)
    with pytest.raises(ValueError, match="at least 20"):
        two_points((0, 0), (5, 0), 10)
