"""Planes, poses and corners against OpenCV's own camera model."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration import camera_mm, find_card, fit_plane, load_card, to_plane_at, with_pose
from calibration.plane import project
from tests.calibration.scenes import photograph

CAMERA = np.array([[1400.0, 0, 799.5], [0, 1400.0, 599.5], [0, 0, 1]])
SIZE = (1600, 1200)
TURNS = [(0.1, -0.2, 0.3), (-0.5, 0.1, 2.0), (0.02, 0.03, -1.2), (0.3, 0.45, 0.0)]


def seen(points_mm: np.ndarray, turn: tuple[float, float, float], height_mm: float = 0.0) -> np.ndarray:
    """Project with cv2.projectPoints (OpenCV, calib3d); z runs into the card, so above it is negative."""
    points = np.column_stack([points_mm, np.full(len(points_mm), -height_mm)])
    shift = np.array([-30.0, -15.0, 180.0])
    return cv2.projectPoints(points, np.array(turn), shift, CAMERA, None)[0].reshape(-1, 2)


@pytest.mark.parametrize("turn", TURNS)
def test_plane_against_project_points(turn: tuple[float, float, float]) -> None:
    chart = load_card("chart")
    plane = fit_plane(chart.corners_mm(), seen(chart.corners_mm(), turn))
    other_mm = np.array([[-20.0, 60.0], [55.0, -12.0], [90.0, 20.0]])
    assert plane.to_px(other_mm) == pytest.approx(seen(other_mm, turn), abs=1e-3)
    assert plane.to_mm(seen(other_mm, turn)) == pytest.approx(other_mm, abs=1e-4)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("height_mm", [-1.0, 2.0, 6.0])
def test_heights_against_project_points(turn: tuple[float, float, float], height_mm: float) -> None:
    chart = load_card("chart")
    plane = fit_plane(chart.corners_mm(), seen(chart.corners_mm(), turn))
    wire_mm = np.array([[5.0, -10.0], [30.0, -12.0], [70.0, -9.0]])
    found = to_plane_at(plane, seen(wire_mm, turn, height_mm), height_mm, CAMERA[0, 0], SIZE)
    assert found == pytest.approx(wire_mm, abs=1e-3)


@pytest.mark.parametrize("turn", TURNS)
def test_pose_against_opencv(turn: tuple[float, float, float]) -> None:
    chart = load_card("chart")
    plane = with_pose(fit_plane(chart.corners_mm(), seen(chart.corners_mm(), turn)), CAMERA[0, 0], SIZE)
    rotation, shift = cv2.Rodrigues(np.array(turn))[0], np.array([-30.0, -15.0, 180.0])
    centre = rotation @ np.array([40.0, 20.0, 0.0]) + shift
    tilt_deg = np.degrees(np.arccos(rotation[:, 2] @ centre / np.linalg.norm(centre)))
    assert plane.tilt_deg == pytest.approx(tilt_deg, abs=0.01)
    assert plane.distance_mm == pytest.approx(centre[2], abs=0.01)
    camera = -rotation.T @ shift
    assert camera_mm(plane, CAMERA[0, 0], SIZE) == pytest.approx([camera[0], camera[1], -camera[2]], abs=0.02)


def test_corners_against_opencvs_board_detector() -> None:
    """OpenCV's detector sees the same corners; up to half a pixel in x and y that some versions add."""
    chart = load_card("chart")
    scene = photograph(chart, 12.0, size=(1200, 900), focal_px=1000, tilt_deg=10, turn_deg=25)
    board = cv2.aruco.CharucoBoard((7, 3), 10.0, 7.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100))
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(scene.gray)
    sight = find_card(scene.gray)
    assert sight is not None
    assert sight.corner_ids == tuple(ids.ravel().tolist())
    theirs = corners.reshape(-1, 2) - sight.plane.points_px
    shift_px = np.round(2 * theirs.mean(0)) / 2
    assert shift_px.tolist() in ([0.0, 0.0], [0.5, 0.5])
    assert theirs == pytest.approx(np.tile(shift_px, (12, 1)), abs=0.15)
    ours = sight.plane.points_px - project(scene.image_from_plane, sight.plane.points_mm)
    # The picture itself is drawn with steps of 1/32 px of the artwork (OpenCV's warp), about 0.03 px here.
    assert np.abs(ours.mean(0)).max() < 0.05
