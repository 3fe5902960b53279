"""The strip: even steps, unit normals, values where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from visionwire.strip import arc_length, frame, picture_strip, smooth, straighten

LINE = np.array([[20.0, 50.0], [180.0, 50.0]])


def ramp(height: int = 100, width: int = 200) -> np.ndarray:
    y, x = np.mgrid[0:height, 0:width]
    return (x + 1000 * y).astype(np.float32)


def test_arc_length_by_hand() -> None:
    assert arc_length(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 10.0]])).tolist() == [0.0, 5.0, 11.0]


def test_a_frame_hits_both_ends_in_even_steps() -> None:
    centre, normal = frame(np.array([[0.0, 0.0], [3.0, 4.0], [6.0, 8.0]]), step_px=1.0, smooth_px=1.0)
    assert centre[0] == pytest.approx([0, 0])
    assert centre[-1] == pytest.approx([6, 8])
    assert np.hypot(*np.diff(centre, axis=0).T) == pytest.approx(np.ones(10))
    assert normal == pytest.approx(np.tile([-0.8, 0.6], (11, 1)))


def test_the_normal_points_to_the_right_of_travel_as_seen() -> None:
    # Travelling to the right in a picture whose y grows downwards, right is down.
    _, normal = frame(LINE, 2.0, 4.0)
    assert normal == pytest.approx(np.tile([0.0, 1.0], (len(normal), 1)))


def test_normals_of_an_arc_point_at_its_centre_and_are_of_length_one() -> None:
    angle = np.linspace(0, np.pi, 400)
    arc = 100 + 60 * np.column_stack([np.cos(angle), np.sin(angle)])
    centre, normal = frame(arc, 1.0, 3.0)
    inward = (100 - centre) / 60
    inside = slice(15, -15)
    assert np.linalg.norm(normal, axis=1) == pytest.approx(np.ones(len(normal)))
    assert (normal * inward).sum(1)[inside] == pytest.approx(np.ones(len(normal))[inside], abs=1e-3)


def test_a_line_shorter_than_two_steps_is_refused_with_both_lengths() -> None:
    with pytest.raises(ValueError, match=r"1\.0 px long; at least 4\.0 px"):
        frame(np.array([[0.0, 0.0], [1.0, 0.0]]), 2.0, 1.0)


def test_each_value_is_the_picture_where_the_strip_says_it_looked() -> None:
    strip = straighten(ramp(), LINE, diameter_px=8.0)
    for row in (0, 12, 24):
        at = strip.centre_px + strip.across_d[row] * strip.diameter_px * strip.normal_px
        assert strip.values[row, 3:-3] == pytest.approx((at[:, 0] + 1000 * at[:, 1])[3:-3], rel=2e-3)


def test_lengths_are_in_wire_diameters() -> None:
    strip = straighten(ramp(), LINE, diameter_px=8.0)
    columns = strip.values.shape[1]
    assert (columns - 1) * strip.step_d == pytest.approx(160 / 8)
    assert strip.across_d[-1] - strip.across_d[0] == pytest.approx(strip.row_step_d * (len(strip.across_d) - 1))
    assert strip.across_d[[0, -1]] == pytest.approx([-1.2, 1.2])


def test_a_strip_run_backwards_is_the_strip_turned_by_half() -> None:
    rng = np.random.default_rng(1)
    picture = rng.uniform(0, 255, (100, 200)).astype(np.float32)
    ahead, back = straighten(picture, LINE, 8.0), straighten(picture, LINE[::-1], 8.0)
    assert back.values == pytest.approx(ahead.values[::-1, ::-1], abs=0.5)


def test_a_picture_twice_as_large_gives_the_same_strip() -> None:
    y, x = np.mgrid[0:100, 0:200].astype(float)
    y2, x2 = np.mgrid[0:200, 0:400].astype(float)

    def hills(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return (100 + 50 * np.sin(x / 9) * np.cos(y / 7)).astype(np.float32)

    small, large = straighten(hills(x, y), LINE, 8.0), straighten(hills(x2 / 2, y2 / 2), 2 * LINE, 16.0)
    assert large.step_d == pytest.approx(small.step_d)
    assert large.values == pytest.approx(small.values, abs=1.0)


def test_smoothing_keeps_a_constant_and_the_total() -> None:
    assert smooth(np.full((2, 30), 7.0), 4.0) == pytest.approx(np.full((2, 30), 7.0))
    spike = np.zeros((1, 101))
    spike[0, 50] = 1.0
    assert smooth(spike, 4.0).sum() == pytest.approx(1.0)


def test_the_strip_for_people_is_upright_and_in_colour() -> None:
    pixels = np.zeros((100, 200, 3), np.uint8)
    pixels[:50] = (200, 0, 0)  # left of travel
    pixels[50:] = (0, 0, 200)
    strip = straighten(ramp(), LINE, 8.0)
    wide = picture_strip(pixels, strip)
    assert wide.dtype == np.uint8
    assert wide.shape[1] == 2 * strip.values.shape[1]
    assert tuple(wide[3, 40]) == (200, 0, 0)
    assert tuple(wide[-3, 40]) == (0, 0, 200)
