"""The closed pattern of single wire, on maps drawn here and on painted scenes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fixtures.pattern import make_pattern
from visionwire import pattern
from visionwire.learned import Maps
from visionwire.measure import measure
from visionwire.reading import Reading

PX_PER_IN, DIAMETER_PX = 300.0, 9.0
SQUARE = np.array([[200.0, 200.0], [500.0, 200.0], [500.0, 500.0], [200.0, 500.0]])
TAIL = np.linspace([150.0, 195.0], [60.0, 100.0], 40)


def seen(corners_px: np.ndarray, without: int | None = None, head_px: float = 40.0) -> Maps:
    """What the network would see of a pattern (n, 2) , its heads hiding the wire; the last side ends at the twist."""
    plain = np.zeros((350, 350), np.float32)
    targets = [*corners_px[1:], TAIL[0]]
    for number, (a, b) in enumerate(zip(corners_px, targets, strict=True)):
        way = (b - a) / np.hypot(*(b - a))
        home = 0.0 if number == len(corners_px) - 1 else head_px
        if number != without:
            line = np.round(np.array([a + head_px * way, b - home * way]) / 2).astype(np.int32)
            cv2.polylines(plain, [line.reshape(-1, 1, 2)], False, 1.0, 4, cv2.LINE_AA)
    nothing = np.zeros_like(plain)
    return Maps(nothing, nothing, plain, nothing, nothing, 0.5)


@pytest.mark.parametrize("tail_px", [TAIL, TAIL[::-1]])
@pytest.mark.parametrize("count", [3, 4])
def test_corners_lie_at_the_heads(count: int, tail_px: np.ndarray) -> None:
    corners = SQUARE if count == 4 else SQUARE[[0, 1, 3]]
    traced = pattern.trace(seen(corners), tail_px, DIAMETER_PX, PX_PER_IN)
    assert traced is not None and len(traced.corners_px) == count
    apart = np.linalg.norm(traced.corners_px[:, None] - corners[None], axis=2)
    assert apart.min(1).max() < 0.13 * PX_PER_IN and len(set(apart.argmin(1))) == count
    assert np.allclose(traced.spine_px[[0, -1]], TAIL[0])


def test_a_ring_that_does_not_close_is_not_guessed() -> None:
    assert pattern.trace(seen(SQUARE, without=2), TAIL, DIAMETER_PX, PX_PER_IN) is None
    assert pattern.trace(seen(SQUARE), TAIL - 300.0, DIAMETER_PX, PX_PER_IN) is None


def test_a_break_in_a_straight_side_is_no_fastener() -> None:
    maps = seen(SQUARE)
    maps.plain[:, 170:182] = 0  # 24 px of the photograph, where the heads hide 80
    traced = pattern.trace(maps, TAIL, DIAMETER_PX, PX_PER_IN)
    assert traced is not None and len(traced.corners_px) == 4


def test_wire_on_the_card_is_its_print() -> None:
    card = np.array([[150.0, 150.0], [600.0, 150.0], [600.0, 600.0], [150.0, 600.0]])
    assert pattern.trace(seen(SQUARE), TAIL, DIAMETER_PX, PX_PER_IN, card) is None


def test_segments_are_those_drawn() -> None:
    way = np.linspace(0, 1, 80)[:, None]
    first, second = np.array([[10.0, 10.0], [90.0, 20.0]]), np.array([[10.0, 60.0], [40.0, 110.0]])
    points = np.vstack([line[0] + way * (line[1] - line[0]) for line in (first, second)])
    found = pattern.segments(points + np.random.default_rng(1).normal(0, 0.1, points.shape), 0.8, 5.0, 20.0)
    assert len(found) == 2
    for line, ends in zip((first, second), found, strict=True):
        ends = ends if np.hypot(*(ends[0] - line[0])) < 5 else ends[::-1]
        assert ends == pytest.approx(line, abs=0.8)


@pytest.mark.parametrize(("shape", "corners"), [("triangle", 3), ("long circle", 6)])
def test_a_painted_pattern_is_read(shape: str, corners: int) -> None:
    easy = {"card": "chart", "blur_over_p": 0.0, "motion_over_p": 0.0, "material": "bright", "surface": "painted"}
    pixels, truth = make_pattern(
        np.random.default_rng(5), shape=shape, wire_in=0.032, tail_twists=4.0, side_in=1.0, tilt_deg=8.0, **easy
    )
    result = measure(pixels, wire=0.032, method="single")
    assert isinstance(result, Reading) and result.pattern is not None and result.pigtail is not None
    assert "pattern-not-traced" not in result.flags and result.runs == ()
    assert result.pattern.corners == truth["pattern"]["corners"] == corners
    assert abs(result.pattern.length_in - truth["pattern"]["length_in"]) < result.pattern.length_in_u95
    found, true = np.array(result.pattern.corners_px), np.array(truth["pattern"]["corners_px"])
    assert np.linalg.norm(found[:, None] - true[None], axis=2).min(1).max() < 0.15 * result.scale.px_per_inch
    assert round(result.pigtail.twists) == 4
