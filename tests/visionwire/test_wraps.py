"""Wraps of turnbuckles, counted on small painted scenes and on bands drawn by their equation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fixtures.lookalikes import make_negative
from fixtures.turnbuckle import make_scene
from fixtures.turnbuckle_parts import EndRecipe
from visionwire import measure, shank, wraps
from visionwire.judge import check_wraps
from visionwire.limits import load_limits
from visionwire.reading import Reading, Refusal

PLAIN: dict[str, Any] = {
    "blur_over_d": 0.05,
    "motion_over_d": 0.0,
    "noise": 0.4,
    "jpeg_quality": 92,
    "tilt_deg": 6.0,
    "surface": "painted",
    "material": "bright",
    "width_px": 1000,
    "height_px": 750,
    "wire_in": 0.040,
    "shank_mm": 4.5,
    "card": "none",
}


def end(turns: float, lay: str, leg_deg: float = 20.0) -> EndRecipe:
    return EndRecipe(turns, lay, 1.1, 0.0, 2.0, leg_deg, False, "eye")  # type: ignore[arg-type]


def scene(first: EndRecipe, second: EndRecipe, seed: int = 4, **more: Any) -> tuple[Any, Any]:
    return make_scene(np.random.default_rng(seed), ends=(first, second), **{**PLAIN, **more})


def read(rgb: Any, truth: Any, **more: Any) -> Reading | Refusal:
    pointed = {"start": tuple(truth["turnbuckle"]["start_px"]), "end": tuple(truth["turnbuckle"]["end_px"])}
    return measure(rgb, wire=truth["wire"]["d_in"], method="wraps", **{**pointed, **more})


@pytest.mark.parametrize("seed", [4, 9, 12])
def test_turns_and_hands_of_both_ends_are_read(seed: int) -> None:
    rgb, truth = scene(end(6.0, "S"), end(4.5, "Z"), seed)
    result = read(rgb, truth)
    assert isinstance(result, Reading)
    for one, true in zip(result.wraps, truth["wraps"], strict=True):
        assert one.turns == pytest.approx(true["turns"], abs=max(0.6, one.turns_u95))
        assert one.turns_u95 < 1.2
        assert one.hand in (true["hand"], None)
        assert one.threads_showing is None and "threads-not-counted" in one.flags
    assert {one.hand for one in result.wraps} != {None}
    assert result.runs == () and result.pigtail is None
    assert [check.rule for check in result.checks] == ["wraps", "wraps"]


def test_the_end_pointed_at_first_comes_first() -> None:
    rgb, truth = scene(end(7.5, "S"), end(3.0, "Z"))
    there = read(rgb, truth)
    back = read(rgb, truth, start=tuple(truth["turnbuckle"]["end_px"]), end=tuple(truth["turnbuckle"]["start_px"]))
    assert isinstance(there, Reading) and isinstance(back, Reading)
    assert there.wraps[0].turns > there.wraps[1].turns + 3
    assert back.wraps[1].turns == pytest.approx(there.wraps[0].turns, abs=0.5)


def test_too_few_turns_do_not_conform_and_enough_do() -> None:
    rgb, truth = scene(end(7.0, "S"), end(2.5, "Z"))
    result = read(rgb, truth)
    assert isinstance(result, Reading)
    assert [one.call for one in result.wraps] == ["conforming", "nonconforming"]
    assert result.call == "nonconforming"


def test_one_hand_at_both_ends_is_said() -> None:
    rgb, truth = scene(end(6.0, "Z"), end(6.0, "Z"), 9)
    result = read(rgb, truth)
    assert isinstance(result, Reading)
    assert [one.hand for one in result.wraps] == ["Z", "Z"]
    assert "wraps-same-hand" in result.flags


def test_a_mirrored_picture_shows_the_other_hands() -> None:
    rgb, truth = scene(end(6.0, "Z"), end(6.0, "Z"), 9)
    last = rgb.shape[1] - 1
    start, stop = ((last - x, y) for x, y in (truth["turnbuckle"][name] for name in ("start_px", "end_px")))
    result = read(np.ascontiguousarray(rgb[:, ::-1]), truth, start=start, end=stop)
    assert isinstance(result, Reading)
    assert [one.hand for one in result.wraps] == ["S", "S"]


def test_without_points_it_says_to_point() -> None:
    rgb, truth = scene(end(5.0, "S"), end(5.0, "Z"))
    result = measure(rgb, wire=truth["wire"]["d_in"], method="wraps")
    assert isinstance(result, Refusal)
    assert result.code == "turnbuckle-not-pointed"
    assert "--start" in result.advice and "--end" in result.advice


def test_the_points_are_asked_for_before_a_scale() -> None:
    result = measure(np.full((300, 600, 3), 128, np.uint8), method="wraps")
    assert isinstance(result, Refusal) and result.code == "turnbuckle-not-pointed"


def test_where_nothing_is_wrapped_nothing_is_counted() -> None:
    noise = np.random.default_rng(2).normal(128, 12, (300, 600, 3)).clip(0, 255).astype(np.uint8)
    result = measure(noise, wire=0.040, method="wraps", start=(40.0, 150.0), end=(560.0, 150.0))
    assert isinstance(result, Refusal) and result.code == "no-wraps"


def test_the_axis_is_found_beside_the_points_given() -> None:
    rgb, truth = scene(end(6.0, "S"), end(6.0, "Z"))
    gray = rgb.mean(2).astype(np.float32)
    ends = np.array([truth["turnbuckle"][name] for name in ("start_px", "end_px")])
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    normal, d_px = np.array([-along[1], along[0]]), truth["wire"]["d_px"]
    off = 0.6 * d_px * normal
    moved = shank.on_axis(gray, ends[0] + off, ends[1] - off, d_px)
    assert np.abs((np.array(moved) - ends) @ normal).max() < 0.25 * d_px


@pytest.mark.parametrize(("start", "stop"), [(-3.1, 2.0), (-2.75, 2.4), (-3.0, 1.1)])
@pytest.mark.parametrize("sign", [1, -1])
def test_turns_follow_from_where_the_bands_reach(start: float, stop: float, sign: int) -> None:
    turn = sign * wraps.ANGLES / (2 * np.pi)
    rng = np.random.default_rng(1)
    left = np.ceil(start - turn) + 0.3 - 0.42 + rng.normal(0, 0.04, len(turn))
    right = np.floor(stop - turn) + 0.3 + 0.42 + rng.normal(0, 0.04, len(turn))
    count, u, _ = wraps._turns(left, right, sign, 0.85)
    assert abs(count - (stop - start)) < max(3 * u, 0.12)
    assert u < 0.35


def test_four_turns_are_the_least() -> None:
    limits = load_limits("common")
    calls = [check_wraps("wraps 1", turns, 0.2, limits).call for turns in (3.0, 4.0, 5.0)]  # type: ignore[union-attr]
    assert calls == ["nonconforming", "undecided", "conforming"]


@pytest.mark.parametrize("kind", ["thread", "spring", "knurl"])
def test_what_goes_on_from_end_to_end_is_no_wraps(kind: str) -> None:
    rgb, truth = make_negative(np.random.default_rng([5, 0]), kind, width_px=960, height_px=720)
    axis = np.clip(np.array(truth["contains"][0]["axis_px"]), 0, [959, 719])
    result = measure(rgb, wire=0.040, method="wraps", start=tuple(axis[0]), end=tuple(axis[-1]))
    assert isinstance(result, Refusal) and result.code == "no-wraps"
