"""The network's maps: what it is shown, what it sees on drawn pairs, and that its file is the one described."""

from __future__ import annotations

import hashlib
from importlib import resources

import cv2
import numpy as np
import pytest

from tests.visionwire.drawn import even, picture
from visionwire import find, learned

START, END = (100.0, 150.0), (600.0, 170.0)
MOST_BYTES = 1_500_000


def _line(count: int = 200) -> np.ndarray:
    return np.linspace(START, END, count)


@pytest.mark.parametrize("spacing_d", [2.5, 4.0, 6.0])
@pytest.mark.parametrize("diameter_px", [6.0, 13.0])
def test_a_drawn_pair_is_seen_along_its_length_and_nothing_beside_it(spacing_d: float, diameter_px: float) -> None:
    seen = learned.maps(picture(START, END, diameter_px, even(spacing_d)), diameter_px)
    inner = _line()[20:-20]
    assert (learned.along(seen.spine, seen.scale, inner) > 0.5).mean() > 0.9
    beside = inner + np.array([0.0, 5 * diameter_px])
    assert learned.along(seen.twisted, seen.scale, beside).max() < 0.2


def test_the_mean_of_several_looks_lies_where_one_look_does(monkeypatch: pytest.MonkeyPatch) -> None:
    grey = picture(START, END, 8.0, even(4.0))[:, :-37]  # of no size that turns into itself
    one, several = learned.maps(grey, 8.0), learned.averaged(learned.looks(grey, 8.0))
    assert several.scale == one.scale and several.twisted.shape == one.twisted.shape
    inner = _line()[20:-40]
    assert (learned.along(several.spine, several.scale, inner) > 0.5).mean() > 0.9
    assert learned.along(several.twisted, several.scale, inner + np.array([0.0, 40.0])).max() < 0.2
    monkeypatch.setattr(learned, "LOOKS", ((1.0, 0), (1.0, 2)))
    upside_down = learned.maps(np.ascontiguousarray(grey[::-1, ::-1]), 8.0).twisted[::-1, ::-1]
    mean = (one.twisted + cv2.resize(np.ascontiguousarray(upside_down), one.twisted.shape[::-1])) / 2
    assert not np.allclose(one.twisted, mean, atol=1e-3)
    assert learned.averaged(learned.looks(grey, 8.0)).twisted == pytest.approx(mean, abs=1e-6)


def test_bare_ground_and_a_plain_bar_are_no_twisted_wire() -> None:
    grey = np.random.default_rng(0).normal(90, 3, (300, 700)).astype(np.float32)
    assert learned.maps(grey, 7.0).twisted.max() < 0.3
    cv2.line(grey, (50, 100), (650, 130), 220.0, 8, cv2.LINE_AA)
    seen = learned.maps(grey, 7.0)
    bar = np.linspace((50.0, 100.0), (650.0, 130.0), 300)
    assert (learned.along(seen.twisted, seen.scale, bar) > 0.5).mean() < 0.02


def test_the_walks_on_its_ribbon_follow_the_pair() -> None:
    seen = learned.maps(picture(START, END, 8.0, even(4.0)), 8.0)
    lines = find.candidates(learned.ribbon(seen, 8.0))
    assert len(lines) == 1
    off = np.abs(lines[0][:, 1] - np.interp(lines[0][:, 0], [START[0], END[0]], [START[1], END[1]]))
    assert off.max() < 4.0
    assert np.ptp(lines[0][:, 0]) > 0.9 * (END[0] - START[0])


def test_brightness_and_contrast_do_not_matter() -> None:
    grey = picture(START, END, 8.0, even(4.0))
    level = learned.evened(grey)[20:-20, 20:-20]
    other = learned.evened(0.5 * grey + 40)[20:-20, 20:-20]
    # All that tells them apart is the floor under the deviation.
    assert np.corrcoef(level.ravel(), other.ravel())[0, 1] > 0.98
    assert abs(float(level.mean())) < 0.1


def test_values_along_a_line_are_those_of_its_places() -> None:
    ramp = np.repeat(np.arange(60, dtype=np.float32)[None], 40, axis=0)
    points = np.column_stack([np.linspace(4, 100, 7), np.full(7, 30.0)])
    assert learned.along(ramp, 0.5, points) == pytest.approx(points[:, 0] * 0.5 - 0.25 + 1)


@pytest.mark.parametrize("shape", [(17, 33), (31, 400), (301, 203)])
def test_any_size_of_picture_gives_maps_that_cover_it(shape: tuple[int, int]) -> None:
    seen = learned.maps(np.zeros(shape, np.float32), 6.5)
    assert seen.spine.shape == tuple(-(-side // 2) for side in shape)


def test_the_weights_are_small_and_the_ones_that_the_card_describes() -> None:
    weights = learned.weights()
    assert len(weights) < MOST_BYTES
    card = resources.files("visionwire.model").joinpath("README.md").read_text(encoding="utf-8")
    assert hashlib.sha256(weights).hexdigest() in card


def _marked(at: tuple[float, float], level: float = 0.8) -> learned.Maps:
    y, x = np.mgrid[:150, :350]
    mark = (level * np.exp(-0.5 * (((x - at[0] / 2) ** 2 + (y - at[1] / 2) ** 2) / 4))).astype(np.float32)
    blank = np.zeros_like(mark)
    return learned.Maps(blank, blank, blank, blank, mark, 0.5)


def test_a_hole_is_where_its_mark_is_ahead_of_the_end_and_nowhere_else() -> None:
    end, ahead = np.array([600.0, 170.0]), np.array([1.0, 0.0])
    seen = learned.hole_beyond(_marked((624.0, 176.0)), end, ahead, 8.0)
    assert seen == pytest.approx([624.5, 176.5], abs=1.0)
    for elsewhere in ((570.0, 170.0), (604.0, 200.0), (670.0, 170.0)):
        assert learned.hole_beyond(_marked(elsewhere), end, ahead, 8.0) is None
    assert learned.hole_beyond(_marked((624.0, 176.0), 0.2), end, ahead, 8.0) is None
    assert learned.hole_beyond(_marked((624.0, 176.0)), np.array([5000.0, 5000.0]), ahead, 8.0) is None


def test_a_stretch_runs_from_end_to_end_of_what_is_seen_round_a_bend_and_specks_are_none() -> None:
    angle = np.linspace(0, np.pi, 200)
    bend = np.column_stack([175 + 60 * np.cos(angle), 100 - 60 * np.sin(angle)])  # px of the maps
    twisted = np.zeros((150, 350), np.float32)
    cv2.polylines(twisted, [np.round(bend).astype(np.int32).reshape(-1, 1, 2)], False, 1.0, 7)
    spine = np.asarray(cv2.GaussianBlur(twisted, (0, 0), 3.0), np.float32)
    cv2.circle(twisted, (30, 30), 2, 1.0, -1)
    blank = np.zeros_like(twisted)
    (line,) = learned.stretches(learned.Maps(twisted, spine, blank, blank, blank, 0.5), 8.0)
    along = find.to_maps(line, 0.5)
    assert np.abs(np.hypot(*(along - [175, 100]).T) - 60).max() < 4.5  # it stays within the band
    ends = sorted(float(along[k, 0]) for k in (0, -1))
    assert ends == pytest.approx([115, 235], abs=5)


def test_a_stretch_is_seen_from_as_strong_a_mark_on_as_is_said() -> None:
    twisted = np.zeros((150, 350), np.float32)
    cv2.line(twisted, (50, 70), (250, 70), 0.4, 7)
    seen = learned.Maps(twisted, twisted, *(np.zeros_like(twisted),) * 3, 0.5)
    assert learned.stretches(seen, 8.0) == learned.stretches(seen, 8.0, 0.3) == []
    assert len(learned.stretches(seen, 8.0, 0.3, 0.35)) == 1


def test_what_is_not_seen_as_twisted_has_no_stretch() -> None:
    blank = np.zeros((150, 350), np.float32)
    assert learned.stretches(learned.Maps(blank, blank, blank, blank, blank, 0.5), 8.0) == []
