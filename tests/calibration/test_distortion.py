"""The lens and the bow told by a printed card, against OpenCV's own projection and radial distortion."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from calibration import distortion as room
from calibration import load_card
from calibration.bow import BOW_U_MM
from calibration.distortion import Bends, bends_of
from calibration.lens import DISTORTION_U, Lens, unknown_lens
from calibration.plane import CORNER_FLOOR_PX, Plane, fit_plane
from calibration.pose import bends_relative_u
from calibration.sight import find_card
from tests.calibration.scenes import Array, photograph

SIZE = (1600, 1200)
HALF_DIAGONAL_PX = 1000.0
FOCAL_PX = 1250.0
CAMERA = np.array([[FOCAL_PX, 0, (SIZE[0] - 1) / 2], [0, FOCAL_PX, (SIZE[1] - 1) / 2], [0, 0, 1]])
#: Ways a card lies in the picture, all of it in view: turned and tilted, radians, and the place of its middle, mm.
VIEWS = [((0.2, -0.1, 0.3), (-20.0, -25.0, 150.0)), ((-0.3, 0.1, 0.4), (5.0, -18.0, 110.0))]
SQUARE_ON, ASLANT = ((0.02, 0.01, 0.3), (-10.0, -12.0, 150.0)), ((0.1, 0.3, 0.0), (-10.0, -5.0, 160.0))
MIDDLE_MM = np.array([40.0, 20.0, 0.0])  # of the chart, and near that of the others


def seen(points_mm: Array, view: tuple[tuple[float, ...], tuple[float, ...]], k1: float = 0.0) -> Array:
    """Project (N, 2) or (N, 3) mm with cv2.projectPoints (OpenCV, calib3d) and its first radial coefficient."""
    points = np.ascontiguousarray(np.column_stack([points_mm, np.zeros(len(points_mm))])[:, :3])
    turn, shift = (np.array(one) for one in view)
    shift = shift - cv2.Rodrigues(turn)[0] @ MIDDLE_MM
    return cv2.projectPoints(points, turn, shift, CAMERA, np.array([k1, 0, 0, 0, 0.0]))[0].reshape(-1, 2)


def fitted(points_mm: Array, points_px: Array, bends: Bends) -> Plane:
    plane = fit_plane(points_mm, points_px, lens=bends.lens, bow=bends.bow)
    return dataclasses.replace(plane, bends_spread=bends.spread)


def heights_mm(points_mm: Array, bows_mm: Array) -> Array:
    """Return how far a card stands up at (N, 2) points whose ends, sides and corners stand up so far."""
    off = (points_mm - points_mm.mean(0)) / np.abs(points_mm - points_mm.mean(0)).max(0)
    return np.asarray(np.column_stack([off**2, off.prod(1)]) @ bows_mm)


def told(points_px: Array, mm: Array, noise_px: float = 0.0, seed: int = 0) -> Bends:
    noise = noise_px * np.random.default_rng(seed).normal(size=points_px.shape)
    return bends_of(mm, points_px + noise, mm, CORNER_FLOOR_PX, FOCAL_PX, SIZE)


@pytest.mark.parametrize("distortion", [-0.08, -0.01, 0.0, 0.03, 0.09])
def test_bent_is_the_way_back(distortion: float) -> None:
    lens = Lens((np.array(SIZE) - 1) / 2, HALF_DIAGONAL_PX, distortion)
    points_px = np.random.default_rng(1).uniform(0, SIZE, (50, 2))
    assert lens.straight(lens.bent(points_px)) == pytest.approx(points_px, abs=1e-6)
    assert lens.bent(lens.straight(points_px)) == pytest.approx(points_px, abs=1e-6)


@pytest.mark.parametrize("distortion", [-0.05, -0.02, 0.05])
def test_what_lies_far_outside_the_picture_stays_within_reach(distortion: float) -> None:
    """A long card seen in part goes on far beyond the picture, where a lens that pulls in has no image of it."""
    lens = Lens((np.array(SIZE) - 1) / 2, HALF_DIAGONAL_PX, distortion)
    bent_px = lens.bent(np.array([[9000.0, 600.0], [20000.0, -3000.0]]))
    assert np.isfinite(bent_px).all() and np.abs(bent_px).max() < 20000
    assert (bent_px[:, 0] > SIZE[0]).all()


def test_a_corner_of_the_picture_moves_by_the_distortion() -> None:
    lens = Lens((np.array(SIZE) - 1) / 2, unknown_lens(SIZE).half_diagonal_px, 0.02)
    corner_px = np.array([-0.5, -0.5])  # of its first pixel, the farthest that the picture goes
    assert np.linalg.norm(lens.straight(corner_px) - lens.centre_px) == pytest.approx(1.02 * lens.half_diagonal_px)


@pytest.mark.parametrize("point_px", [(800.0, 600.0), (200.0, 1100.0)])
def test_the_enlargement_is_that_of_a_small_square(point_px: tuple[float, float]) -> None:
    lens = Lens((np.array(SIZE) - 1) / 2, HALF_DIAGONAL_PX, 0.05)
    square_px = np.array(point_px) + np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    area = cv2.contourArea(lens.straight(square_px).astype(np.float32))
    assert lens.enlargement(np.array(point_px)) == pytest.approx(np.sqrt(area), rel=2e-3)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("k1", [-0.06, -0.02, 0.02, 0.05])
def test_opencvs_distortion_is_told_and_lengths_beside_the_card_come_out_true(
    k1: float, view: tuple[tuple[float, ...], tuple[float, ...]]
) -> None:
    mm = load_card("chart").corners_mm()
    points_px = seen(mm, view, k1)
    assert ((points_px > 0) & (points_px < SIZE)).all()
    lens = told(points_px, mm, noise_px=0.05).lens
    # Seen with k1 r^2 in focal lengths; straight is the way back, whose first term is its opposite.
    true = -k1 * (HALF_DIAGONAL_PX / FOCAL_PX) ** 2
    assert lens.distortion_u < DISTORTION_U / 2
    assert lens.distortion == pytest.approx(true, abs=3 * lens.distortion_u + 0.1 * abs(true))
    wire_mm = np.array([[20.0, 62.0], [45.0, 64.0], [70.0, 62.0]])
    true_mm = np.linalg.norm(np.diff(wire_mm, axis=0), axis=1).sum()
    off = [fit_plane(mm, points_px, lens=one).length_mm(seen(wire_mm, view, k1)) / true_mm - 1 for one in (None, lens)]
    assert abs(off[0]) > 0.001
    assert abs(off[1]) < abs(off[0]) / 2


@pytest.mark.parametrize("name", ["pocket", "chart"])
def test_what_is_stated_is_how_far_it_scatters(name: str) -> None:
    """Lenses as they are expected, corners with noise: the errors over what is stated have a spread of about one."""
    rng, mm, off = np.random.default_rng(3), load_card(name).corners_mm(), []
    for seed in range(60):
        k1 = rng.normal(0, DISTORTION_U) * (FOCAL_PX / HALF_DIAGONAL_PX) ** 2
        lens = told(seen(mm, VIEWS[seed % 2], k1), mm, CORNER_FLOOR_PX, seed).lens
        off.append((lens.distortion + k1 * (HALF_DIAGONAL_PX / FOCAL_PX) ** 2) / lens.distortion_u)
    # Flat cards: the bow that is allowed for makes it a little less.
    assert 0.5 < np.std(off) < 1.2


@pytest.mark.parametrize("view", [*VIEWS, SQUARE_ON, ASLANT])
@pytest.mark.parametrize("name", ["pocket", "chart"])
def test_beside_a_card_that_bows_under_a_lens_that_bends_lengths_are_as_good_as_stated(
    name: str, view: tuple[tuple[float, ...], tuple[float, ...]]
) -> None:
    """Cards and lenses twice as bad as expected, of a phone's usual focal length that nobody told."""
    rng, mm = np.random.default_rng(5), load_card(name).corners_mm()
    low, high = mm.min(0), mm.max(0)
    wire_mm = np.column_stack([np.linspace(low[0], high[0], 9), np.full(9, high[1] + 15)])
    off, taken_flat = [], []
    for _ in range(16):
        k1 = rng.choice([-1, 1]) * 2 * DISTORTION_U * (FOCAL_PX / HALF_DIAGONAL_PX) ** 2
        bowed = np.column_stack([mm, -heights_mm(mm, 2 * BOW_U_MM * rng.choice([-1, 1], 3))])
        points_px = seen(bowed, view, k1) + CORNER_FLOOR_PX * rng.normal(size=mm.shape)
        wire_px = seen(wire_mm, view, k1)
        bends = bends_of(mm, points_px, mm, CORNER_FLOOR_PX, None, SIZE)
        plane = fitted(mm, points_px, bends)
        flat = fit_plane(mm, points_px)
        u = np.hypot(bends_relative_u(plane, wire_px, SIZE), plane.corner_relative_u(wire_px))
        off.append((plane.length_mm(wire_px) / (wire_mm[-1, 0] - wire_mm[0, 0]) - 1) / u)
        taken_flat.append((flat.length_mm(wire_px) / (wire_mm[-1, 0] - wire_mm[0, 0]) - 1) / u)
    assert np.sqrt(np.mean(np.square(off))) < 2.0
    assert np.sqrt(np.mean(np.square(off))) < np.sqrt(np.mean(np.square(taken_flat)))


@pytest.mark.parametrize(("name", "seen_mm"), [("lane", 45.0), ("pocket", 40.0)])
def test_what_is_seen_of_a_flat_card_tells_lengths_beside_it(name: str, seen_mm: float) -> None:
    """Of a card partly covered few corners show, and its bow is that of the whole."""
    corners_mm = load_card(name).corners_mm()
    mm = corners_mm[(corners_mm[:, 0] < seen_mm) & (corners_mm[:, 1] < seen_mm)]
    assert 6 <= len(mm) < len(corners_mm) / 2
    wire_mm = np.array([[5.0, 50.0], [45.0, 50.0]])
    off, stated = [], []
    for seed in range(24):
        points_px = seen(mm, SQUARE_ON) + 0.05 * np.random.default_rng(seed).normal(size=mm.shape)
        plane = fitted(mm, points_px, bends_of(mm, points_px, corners_mm, CORNER_FLOOR_PX, None, SIZE))
        wire_px = seen(wire_mm, SQUARE_ON)
        off.append(plane.length_mm(wire_px) / 40 - 1)
        stated.append(np.hypot(bends_relative_u(plane, wire_px, SIZE), plane.corner_relative_u(wire_px)))
    assert np.sqrt(np.mean(np.square(off))) < 0.003
    assert np.median(stated) < 0.012


@pytest.mark.parametrize("view", [*VIEWS, SQUARE_ON, ASLANT])
def test_more_rounds_change_nothing(
    view: tuple[tuple[float, ...], tuple[float, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    mm = load_card("chart").corners_mm()
    points_px = seen(np.column_stack([mm, -heights_mm(mm, np.array([0.4, -0.4, 0.4]))]), view, 0.03)
    wire_px = seen(np.array([[20.0, 62.0], [70.0, 62.0]]), view, 0.03)
    lengths_mm = []
    for rounds in (room.ROUNDS, 8):
        monkeypatch.setattr(room, "ROUNDS", rounds)
        bends = bends_of(mm, points_px, mm, CORNER_FLOOR_PX, None, SIZE)
        lengths_mm.append(fit_plane(mm, points_px, lens=bends.lens, bow=bends.bow).length_mm(wire_px))
    assert lengths_mm[0] == pytest.approx(lengths_mm[1], rel=0.0025)


def test_heights_are_told_and_what_is_shown_lies_where_opencv_projects_it() -> None:
    mm, heights = load_card("pocket").corners_mm(), np.array([0.5, -0.3, 0.2])
    points_px = seen(np.column_stack([mm, -heights_mm(mm, heights)]), ASLANT)
    bow = told(points_px, mm, CORNER_FLOOR_PX).bow
    flat_px = seen(mm, ASLANT)
    assert np.abs(points_px - flat_px).max() > 1.5
    assert dataclasses.replace(bow, heights_mm=heights).shown(mm) == pytest.approx(
        fit_plane(mm, flat_px).to_mm(points_px), abs=0.01
    )
    # What shifts a card as a whole is the homography's to take up.
    assert bow.heights_mm[[0, 2]] == pytest.approx(heights[[0, 2]], abs=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_a_bowed_card_is_not_taken_for_a_lens(seed: int) -> None:
    mm = load_card("pocket").corners_mm()
    bows = np.random.default_rng(seed).normal(0, BOW_U_MM, 3)
    lens = told(seen(np.column_stack([mm, -heights_mm(mm, bows)]), VIEWS[0]), mm, 0.05, seed).lens
    assert abs(lens.distortion) < 2.5 * lens.distortion_u


def test_a_card_seen_through_a_wide_lens_is_found_whole() -> None:
    scene = photograph(load_card("pocket"), 12.0, tilt_deg=15, turn_deg=20, aim_px=(250.0, 150.0))
    lens = Lens((np.array(scene.size) - 1) / 2, float(np.hypot(*scene.size)) / 2, 0.06)
    rows, columns = np.indices(scene.gray.shape)
    to = lens.straight(np.column_stack([columns.ravel(), rows.ravel()])).astype(np.float32)
    maps = (to[:, k].reshape(scene.gray.shape) for k in (0, 1))
    bent = cv2.remap(scene.gray, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    plain, sight = find_card(scene.gray), find_card(bent)
    assert plain is not None and plain.plane.lens is not None
    assert sight is not None and sight.plane.lens is not None
    assert sight.corner_ids == plain.corner_ids
    assert abs(plain.plane.lens.distortion) < 2.5 * plain.plane.lens.distortion_u
    assert sight.plane.lens.distortion == pytest.approx(0.06, abs=3 * sight.plane.lens.distortion_u)
    assert sight.plane.outline_px is not None and plain.plane.outline_px is not None
    assert sight.plane.outline_px == pytest.approx(lens.bent(plain.plane.outline_px), abs=1.5)
