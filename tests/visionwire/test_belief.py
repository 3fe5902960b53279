"""What belief is shown of a section, and what it makes of pairs and of what only repeats like one."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from fixtures.finder.belief import candidates
from tests.visionwire.drawn import even, picture
from visionwire import belief, learned, section, windows
from visionwire.photo import open_photo
from visionwire.section import Section

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
DIAMETER_PX, SPACING_D, START = 10.0, 4.0, (80.0, 150.0)
Picture = NDArray[np.float32]


def drawn(twists: float) -> tuple[Picture, Section]:
    """Return a drawn pair of so many twists and its section, measured from end to end."""
    end = START[0] + twists * SPACING_D * DIAMETER_PX, START[1]
    grey = picture(START, end, DIAMETER_PX, even(SPACING_D), size_px=(int(end[0]) + 80, 300))
    return grey, section.whole(grey, np.array([START, end]), DIAMETER_PX)


def shown(grey: Picture, one: Section) -> Picture:
    """Return the windows of a section as the finder sees the picture."""
    return belief.windows(grey, learned.maps(grey, DIAMETER_PX), one)


@pytest.mark.parametrize(("twists", "count"), [(2.0, 1), (2.7, 1), (6.0, 3), (40.0, belief.MOST_WINDOWS)])
def test_a_longer_section_has_more_windows_up_to_a_bound(twists: float, count: int) -> None:
    found = shown(*drawn(twists))
    assert found.shape == (count, belief.CHANNELS, windows.ROWS, belief.COLUMNS)
    inside = found[:, 3].mean((1, 2)) * belief.TWISTS
    spare = max(twists + 2 * belief.MARGIN_TWISTS - belief.TWISTS, 0)
    assert inside[0] == pytest.approx(min(twists, belief.TWISTS - belief.MARGIN_TWISTS * (spare > 0)), abs=0.15)
    assert found[0, 4, 0, 0] == pytest.approx(np.log(SPACING_D) - windows.MIDDLE_SPACING, abs=0.08)


def test_turn_lies_under_turn_and_a_mirrored_pair_looks_the_same() -> None:
    grey, one = drawn(12.0)
    inner = shown(grey, one)[2, 0]
    a_twist_on = np.roll(inner, -belief.COLUMNS_A_TWIST, axis=1)[:, : -belief.COLUMNS_A_TWIST]
    assert np.corrcoef(inner[:, : -belief.COLUMNS_A_TWIST].ravel(), a_twist_on.ravel())[0, 1] > 0.9
    half_a_twist_on = np.roll(inner, -belief.COLUMNS_A_TWIST // 2, axis=1)[:, : -belief.COLUMNS_A_TWIST]
    assert np.corrcoef(inner[:, : -belief.COLUMNS_A_TWIST].ravel(), half_a_twist_on.ravel())[0, 1] < 0.7
    flipped = np.ascontiguousarray(grey[::-1])
    mirrored = section.whole(flipped, one.spine_px * [1, -1] + [0, len(grey) - 1], DIAMETER_PX)
    assert {one.twist.lay, mirrored.twist.lay} == {"S", "Z"}
    assert np.corrcoef(shown(flipped, mirrored)[2, 0].ravel(), inner.ravel())[0, 1] > 0.9


@pytest.mark.parametrize(("said", "doubt", "sure"), [([3.0, -9.0, 3.5], 2.0, 1.0), ([-9.0, 1.5], -1.25, 0.0)])
def test_of_the_windows_the_usual_one_counts_up_to_where_it_is_sure_and_beyond(
    monkeypatch: pytest.MonkeyPatch, said: list[float], doubt: float, sure: float
) -> None:
    class Stub:
        def setInput(self, shown: Picture) -> None:  # noqa: N802  OpenCV's name
            assert shown.shape[1:] == (belief.CHANNELS, windows.ROWS, belief.COLUMNS)

        def forward(self) -> Picture:
            return np.array(said, np.float32)

    monkeypatch.setattr(belief, "_network", Stub)
    grey, one = drawn(6.0)
    seen = learned.maps(grey, DIAMETER_PX)
    figures = belief.proof(grey, seen, one)
    assert figures[-2:] == pytest.approx([doubt, sure])
    assert len(figures) == len(belief.SEEN_ODDS)
    assert belief.proof(grey, None, one) == pytest.approx(figures[: belief.ALONE])


def test_kept_runs_are_told_from_what_is_found_in_kept_look_alikes() -> None:
    """Pictures of a renderer that the network has not learned from."""
    pairs, others = [], []
    for path in sorted(PICTURES.glob("*.json")):
        truth = json.loads(path.read_text())
        grey = cv2.cvtColor(open_photo(path.with_suffix(".jpg")).pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
        diameter_px = float(truth["wire"]["d_px"])
        run = section.whole(grey, np.array(truth["runs"][0]["spine_px"]), diameter_px)
        pairs.append(np.median(belief.window_odds(grey, learned.maps(grey, diameter_px), run)))
    for path in sorted((PICTURES / "negatives").glob("*.json")):
        found = candidates(
            open_photo(path.with_suffix(".jpg")).pixels, json.loads(path.read_text()), (0.02, 0.032, 0.041)
        )
        others += [np.median(belief.window_odds(one.luminance, one.seen, one.section)) for one in found]
    assert len(pairs) > 20 and len(others) > 5
    assert np.mean(np.array(pairs) > 1.0) > 0.9, np.round(pairs, 1)
    assert np.mean(np.array(others) < -1.0) > 0.8, np.round(others, 1)
