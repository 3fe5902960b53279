"""Blur and movement known beforehand, on a card drawn from its geometry and on edges drawn by hand."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import Plane, fit_plane, load_card
from calibration.card import Card
from calibration.plane import project
from tests.visionwire.blurs import gaussian, smear
from visionwire import sharpness

Floats = NDArray[np.float64]

CARD = load_card("chart")
#: A pixel is a square, 1/12 px^2 each way, and four samples a side draw an edge.
PIXEL_PX2 = 1 / 12


def drawn(card: Card, kernel: Floats, noise: float = 0.0, turn_deg: float = 17.0) -> tuple[NDArray[np.float32], Plane]:
    """Return a picture of a card, blurred by a kernel in linear light, and the plane it lies on."""
    side, fine = 16, 4
    art = np.full((int(card.height_mm * side), int(card.width_mm * side)), 0.8, np.float32)
    for x, y in card.black_squares_mm():
        art[int(y * side) : int((y + card.square_mm) * side), int(x * side) : int((x + card.square_mm) * side)] = 0.03
    for four in card.markers_mm().values():
        low, high = (four[[0, 2]] * side).astype(int)
        art[low[1] : high[1], low[0] : high[0]] = 0.03
    turn, scale = np.radians(turn_deg), 8.0
    to_px = np.array(
        [
            [scale * np.cos(turn), -scale * np.sin(turn), 220.0],
            [scale * np.sin(turn), scale * np.cos(turn), 40.0],
            [2e-4, 1e-4, 1.0],
        ]
    )
    shape = (600, 860)
    # Pixel centres at integers, in the fine picture too.
    from_art = np.array([[1 / side, 0, 0.5 / side], [0, 1 / side, 0.5 / side], [0, 0, 1]])
    to_fine = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    seen = cv2.warpPerspective(
        art, to_fine @ to_px @ from_art, (fine * shape[1], fine * shape[0]), flags=cv2.INTER_LINEAR, borderValue=0.3
    )
    linear = cv2.resize(seen, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    linear = cv2.filter2D(linear, -1, kernel.astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    coded = 255 * np.clip(linear, 0, 1) ** (1 / 2.2) + noise * np.random.default_rng(1).standard_normal(shape)
    plane = fit_plane(card.corners_mm(), project(to_px, card.corners_mm()), card=card.name)
    return np.clip(np.round(coded), 0, 255).astype(np.float32), plane


@pytest.mark.parametrize("sigma_px", [0.6, 1.0, 1.8, 3.0])
@pytest.mark.parametrize("noise", [0.0, 5.0])
def test_the_blur_of_a_card_is_the_one_it_was_drawn_with(sigma_px: float, noise: float) -> None:
    blur = sharpness.on_card(*drawn(CARD, gaussian(sigma_px**2 * np.eye(2)), noise))
    assert blur is not None
    assert blur.sigma_px == pytest.approx(np.sqrt(sigma_px**2 + PIXEL_PX2), rel=0.08)
    assert blur.smear_px2 < max(3 * blur.smear_u_px2, 0.15 * sigma_px**2)


@pytest.mark.parametrize("angle_deg", [0, 25, 50, 75, 100, 125, 150])
@pytest.mark.parametrize("length_px", [3.0, 7.0])
def test_a_movement_is_told_with_its_length_and_direction(angle_deg: float, length_px: float) -> None:
    still = gaussian(0.6 * np.eye(2))
    kernel = np.asarray(cv2.filter2D(np.pad(smear(length_px, angle_deg), 6), -1, still), float)
    blur = sharpness.on_card(*drawn(CARD, kernel, 2.0))
    assert blur is not None
    towards = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    assert abs(blur.direction @ towards) > np.cos(np.radians(6))
    # A Gaussian stands for the even movement, and comes out up to a fifth longer.
    assert 0.9 * length_px < blur.smear_px < 1.25 * length_px
    assert blur.still_px == pytest.approx(np.sqrt(0.6 + PIXEL_PX2), rel=0.2)
    assert blur.smear_px2 > 3 * blur.smear_u_px2


@pytest.mark.parametrize("name", ["lane", "pocket"])
def test_other_cards_tell_it_too(name: str) -> None:
    card = load_card(name)
    turn = 0.0 if name == "pocket" else 20.0
    blur = sharpness.on_card(*drawn(card, gaussian(np.array([[2.0, 0.5], [0.5, 1.0]])), turn_deg=turn))
    assert blur is not None
    assert blur.covariance_px2 == pytest.approx(np.array([[2.0, 0.5], [0.5, 1.0]]) + PIXEL_PX2 * np.eye(2), abs=0.2)


def test_brightness_makes_no_difference() -> None:
    picture, plane = drawn(CARD, gaussian(1.44 * np.eye(2)))
    bright, dark = (sharpness.on_card(share * picture, plane) for share in (1.0, 0.5))
    assert bright is not None
    assert dark is not None
    assert dark.sigma_px == pytest.approx(bright.sigma_px, rel=0.01)


def test_a_transposed_picture_has_the_transposed_blur() -> None:
    form = np.array([[3.0, 0.8], [0.8, 1.0]])
    picture, plane = drawn(CARD, gaussian(form))
    turned = fit_plane(plane.points_mm[:, ::-1], plane.points_px[:, ::-1], card="chart")
    one = sharpness.on_card(picture, plane)
    other = sharpness.on_card(np.ascontiguousarray(picture.T), turned)
    assert one is not None
    assert other is not None
    assert other.covariance_px2 == pytest.approx(one.covariance_px2[::-1, ::-1], abs=1e-3)


def test_where_no_corners_are_seen_nothing_is_told() -> None:
    picture, plane = drawn(CARD, gaussian(np.eye(2)))
    rng = np.random.default_rng(2)
    assert sharpness.on_card(np.full_like(picture, 90.0), plane) is None
    assert sharpness.on_card(rng.uniform(0, 255, picture.shape).astype(np.float32), plane) is None
    points = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 30.0], [0.0, 30.0]])
    assert sharpness.on_card(picture, fit_plane(points, 5 * points, source="id1")) is None


def bars(sigma_px: float) -> NDArray[np.float32]:
    """Return a picture of dark bars of many slants, blurred."""
    y, x = np.mgrid[0:240, 0:600].astype(float)
    seen = np.full(x.shape, 170.0)
    for k, centre in enumerate(range(60, 560, 70)):
        slant = np.tan(np.radians(8 * (k - 3)))
        seen[np.abs(x - centre - slant * (y - 120)) < 14] = 60.0
    return cv2.GaussianBlur(seen, (0, 0), sigma_px).astype(np.float32)


@pytest.mark.parametrize("sigma_px", [0.7, 1.3, 2.2])
def test_edges_near_the_wire_tell_the_blur_without_a_card(sigma_px: float) -> None:
    line = np.column_stack([np.linspace(20, 580, 200), np.full(200, 120.0)])
    found = sharpness.near_line(bars(sigma_px), line, 8.0, 30.0)
    assert found == pytest.approx(sigma_px, rel=0.15, abs=0.15)


def test_edges_of_a_large_picture_are_told_in_its_own_pixels() -> None:
    large = np.asarray(cv2.resize(bars(1.3), None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC), np.float32)
    line = np.column_stack([np.linspace(80, 2320, 400), np.full(400, 480.0)])
    assert sharpness.near_line(large, line, 32.0, 120.0) == pytest.approx(4 * 1.3, rel=0.2)


def test_without_edges_nothing_is_told() -> None:
    line = np.column_stack([np.linspace(20, 580, 200), np.full(200, 120.0)])
    assert sharpness.near_line(np.full((240, 600), 90.0, np.float32), line, 8.0, 30.0) is None
