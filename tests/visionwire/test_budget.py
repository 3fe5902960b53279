"""The ruler: lengths at the wire's height, and a budget that grows where it must."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration import camera_mm
from calibration.lens import DISTORTION_U
from calibration.plane import Plane, fit_plane
from calibration.without_card import two_points
from visionwire import budget

SIZE_PX = (1600, 1200)
FOCAL_PX = 1600.0
CENTRE_PX = (np.array(SIZE_PX) - 1) / 2
PX_PER_MM, DISTANCE_MM = 8.0, 200.0  # a camera 200 mm above, looking straight down


def seen_mm(points_mm: np.ndarray) -> np.ndarray:
    """Return (N, 3) points, mm, z towards the camera, as the pinhole camera sees them, px."""
    away = DISTANCE_MM - points_mm[:, 2]
    return CENTRE_PX + FOCAL_PX * points_mm[:, :2] / away[:, None]


def card_plane() -> Plane:
    """Return the plane of a 80 x 40 mm grid that lies at height 0 beside the wire."""
    x, y = np.meshgrid(np.linspace(-40, 40, 9), np.linspace(20, 60, 5))
    points_mm = np.column_stack([x.ravel(), y.ravel()])
    px = seen_mm(np.column_stack([points_mm, np.zeros(len(points_mm))]))
    return fit_plane(points_mm, px, scale_relative_u=0.001)


def wire_px(height_mm: float, length_in: float = 2.0) -> np.ndarray:
    x = np.linspace(-length_in / 2, length_in / 2, 81) * 25.4
    return seen_mm(np.column_stack([x, np.zeros(81), np.full(81, height_mm)]))


@pytest.mark.parametrize("height_mm", [0.0, 1.0, 2.5, 4.0])
def test_a_length_at_a_known_height_is_true(height_mm: float) -> None:
    ruler = budget.Ruler(card_plane(), height_mm, 0.0, FOCAL_PX, SIZE_PX)
    along_in = ruler.along_in(wire_px(height_mm))
    assert along_in[0] == 0
    assert along_in[-1] == pytest.approx(2.0, rel=1e-4)


@pytest.mark.parametrize("height_mm", [0.0, 0.5, 2.0, 3.5, 4.0])
def test_any_height_of_a_bolt_head_lies_within_two_standard_deviations(height_mm: float) -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    points_px = wire_px(height_mm)
    error = ruler.along_in(points_px)[-1] / 2.0 - 1
    assert abs(error) <= 2 * ruler.relative_u(points_px)


@pytest.mark.parametrize("height_mm", [-6.0, 0.0, 9.0])
def test_a_height_that_was_told_is_taken_and_surer_by_half(height_mm: float) -> None:
    told = budget.beside(card_plane(), FOCAL_PX, SIZE_PX, height_mm)
    points_px = wire_px(height_mm)
    assert told.along_in(points_px)[-1] == pytest.approx(2.0, rel=1e-4)
    usual = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    assert told.terms(points_px)["height"] < 0.62 * usual.terms(points_px)["height"]
    assert budget.beside(two_points((0, 0), (1000, 0), 254.0), None, SIZE_PX, height_mm).height_mm == 0, "on the wire"


@pytest.mark.parametrize("height_mm", [0.0, 30.0])
def test_a_height_that_was_told_counts_as_far_as_the_focal_length_is_known(height_mm: float) -> None:
    """Seen square on, a card tells no focal length; then a distance is known to 0.4, and so are 12 of 30 mm not."""
    for focal_px, distance_u in ((FOCAL_PX, 0.03), (None, 0.4)):
        ruler = budget.beside(card_plane(), focal_px, SIZE_PX, height_mm)
        to_wire_mm = camera_mm(ruler.plane, *ruler.camera)[2] - height_mm
        term_mm = ruler.terms(wire_px(height_mm))["height"] * to_wire_mm
        assert term_mm == pytest.approx(np.hypot(budget.TOLD_HEIGHT_U_MM, distance_u * height_mm), rel=0.01)


def test_twice_the_distance_halves_what_the_height_costs() -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    height = ruler.terms(wire_px(0.0))["height"]
    assert height == pytest.approx(budget.HEIGHT_U_MM / (DISTANCE_MM - budget.HEIGHT_MM), rel=1e-3)


def test_the_whole_is_the_root_of_the_squares_of_its_parts() -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    points_px = wire_px(2.0)
    terms = ruler.terms(points_px)
    assert {"corners", "print", "height", "slope", "spine", "lens"} <= set(terms)
    assert all(term > 0 for term in terms.values())
    assert ruler.relative_u(points_px) ** 2 == pytest.approx(sum(term**2 for term in terms.values()))


def test_the_lens_term_is_what_a_lens_of_one_deviation_bends() -> None:
    """Against OpenCV's own radial distortion of a camera, of one deviation of what is not known of a lens."""
    plane, (width, height) = card_plane(), SIZE_PX
    matrix = np.array([[FOCAL_PX, 0, (width - 1) / 2], [0, FOCAL_PX, (height - 1) / 2], [0, 0, 1.0]])
    k1 = DISTORTION_U * (FOCAL_PX / (np.hypot(width, height) / 2)) ** 2

    def bent(points_px: np.ndarray) -> np.ndarray:
        rays = np.column_stack([(points_px - matrix[:2, 2]) / FOCAL_PX, np.ones(len(points_px))])
        seen, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0, 0.0]))
        return seen[:, 0]

    line_px = wire_px(0.0)
    other = fit_plane(plane.points_mm, bent(plane.points_px))
    error = other.length_mm(bent(line_px)) / plane.length_mm(line_px) - 1
    lens = budget.beside(plane, FOCAL_PX, SIZE_PX).terms(line_px)["lens"]
    assert abs(error) > 1e-4
    assert lens == pytest.approx(abs(error), rel=0.02)  # the polyline may be thinned


def test_scale_at_a_point_is_that_of_the_wires_height() -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX)
    assert ruler.px_per_in(CENTRE_PX) == pytest.approx(FOCAL_PX / (DISTANCE_MM - budget.HEIGHT_MM) * 25.4, rel=1e-3)


def test_two_points_lie_on_the_wire_itself() -> None:
    plane = two_points((100, 100), (900, 100), 4 * 25.4)
    ruler = budget.beside(plane, None, SIZE_PX)
    line = np.array([[100.0, 300.0], [300.0, 300.0]])
    assert ruler.height_mm == 0
    assert ruler.along_in(line)[-1] == pytest.approx(1.0)
    assert set(ruler.terms(line)) >= {"points", "spine"}
    assert "height" not in ruler.terms(line)
    assert ruler.relative_u(line) >= plane.relative_u


def test_a_tilted_run_reads_high_by_one_over_the_cosine() -> None:
    # trade geometry: 5, 10, 20 degrees out of the plane shorten the picture by 0.4, 1.5, 6.0 %.
    ruler = budget.Ruler(card_plane(), 0.0, 0.0, 1e6, SIZE_PX)
    for tilt_deg in (5.0, 10.0, 20.0):
        x = np.linspace(-0.5, 0.5, 41) * 25.4
        flat = CENTRE_PX + PX_PER_MM * np.column_stack([x * np.cos(np.radians(tilt_deg)), np.zeros(41)])
        assert 1 / ruler.along_in(flat)[-1] == pytest.approx(1 / np.cos(np.radians(tilt_deg)), rel=1e-3)
