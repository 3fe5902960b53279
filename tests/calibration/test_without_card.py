"""A plain ID-1 card told from what only looks like one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration import find_id1
from calibration.lens import Lens, unknown_lens
from calibration.plane import fit_plane, project
from tests.calibration.scenes import Array, plastic

CORNERS_MM = np.array([[0, 0], [85.60, 0], [85.60, 53.98], [0, 53.98]])
LINE_MM = np.array([[-15.0, 65.0], [60.0, 70.0]])  # beside the card


def off_px(found_px: Array, homography: Array) -> float:
    """Root mean square distance of the four corners; a card turned by 180 degrees is the same card."""
    true_px = project(homography, CORNERS_MM)
    return min(float(np.sqrt(((found_px - np.roll(true_px, k, axis=0)) ** 2).sum(1).mean())) for k in (0, 2))


def test_most_cards_are_found_and_none_is_wrong() -> None:
    found, ratios = 0, []
    for seed in range(10):
        picture, homography = plastic(seed, tilt_deg=(seed * 7) % 33)
        plane = find_id1(picture)
        if plane is None:
            continue
        found += 1
        assert plane.source == "id1"
        assert plane.card is None
        assert off_px(plane.points_px, homography) < 1.0
        line_px = project(homography, LINE_MM)
        off = plane.length_mm(line_px) / np.linalg.norm(LINE_MM[1] - LINE_MM[0]) - 1
        relative_u = np.hypot(plane.corner_relative_u(line_px), plane.scale_relative_u)
        ratios.append(off / relative_u)
        assert 0.003 <= relative_u < 0.02
    assert found >= 6
    assert max(np.abs(ratios)) < 2


@pytest.mark.parametrize("distortion", [-0.02, 0.02, 0.04])
def test_a_lens_is_told_by_the_sides_and_taken_out(distortion: float) -> None:
    """Pictures bent by remapping (OpenCV): beside the card lengths are nearer the truth than by its corners alone."""
    off: list[tuple[float, float]] = []
    for seed in range(8):
        straight, homography = plastic(seed, tilt_deg=(seed * 5) % 20, shadow_mm=0.5)
        known = unknown_lens((straight.shape[1], straight.shape[0]))
        lens = Lens(known.centre_px, known.half_diagonal_px, distortion)
        x, y = np.meshgrid(np.arange(straight.shape[1]), np.arange(straight.shape[0]))
        at = lens.straight(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32).reshape(*x.shape, 2)
        plane = find_id1(
            cv2.remap(straight, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE).astype(np.uint8)
        )
        if plane is None:
            continue
        assert plane.lens is not None
        assert plane.lens.distortion == pytest.approx(distortion, abs=max(0.006, 3 * plane.lens.distortion_u))
        line_px = lens.bent(project(homography, LINE_MM))
        by_corners = fit_plane(plane.points_mm, plane.points_px)
        off.append(
            tuple(
                abs(one.length_mm(line_px) / float(np.linalg.norm(LINE_MM[1] - LINE_MM[0])) - 1)
                for one in (plane, by_corners)
            )
        )
    assert len(off) >= 3
    told, alone = np.median(off, axis=0)
    assert told < 0.6 * alone


def test_a_card_at_12_megapixels() -> None:
    picture, homography = plastic(5, size=(4032, 3024), focal_px=3100, px_per_mm=24, blur_px=2)
    plane = find_id1(picture)
    assert plane is not None
    assert off_px(plane.points_px, homography) < 1.5


def test_a_grey_picture_will_do() -> None:
    picture, homography = plastic(6)
    plane = find_id1(picture.mean(2).astype(np.uint8))
    assert plane is not None
    assert off_px(plane.points_px, homography) < 1.0


@pytest.mark.parametrize(
    "shape",
    [
        {"radius_mm": 0.01},  # sharp corners: a label, a plate
        {"radius_mm": 1.0},
        {"radius_mm": 9.0},
        {"height_mm": 42.8},  # two to one
        {"height_mm": 59.0},
    ],
    ids=str,
)
def test_other_rectangles_are_refused(shape: dict[str, float]) -> None:
    assert [find_id1(plastic(seed, tilt_deg=(seed * 7) % 33, **shape)[0]) for seed in range(3)] == [None] * 3


@pytest.mark.parametrize("shape", [(1, 1, 3), (3, 9000, 3), (9000, 3, 3), (20, 5000)])
def test_pictures_of_almost_nothing(shape: tuple[int, ...]) -> None:
    assert find_id1(np.full(shape, 90, np.uint8)) is None


def test_nothing_there() -> None:
    rng = np.random.default_rng(1)
    assert find_id1(np.full((600, 800, 3), 90, np.uint8)) is None
    assert find_id1(rng.integers(0, 256, (600, 800, 3)).astype(np.uint8)) is None
