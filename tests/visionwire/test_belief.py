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
from visionwire import belief, learned, section
from visionwire.photo import open_photo
from visionwire.section import Section

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
DIAMETER_PX, SPACING_D, START = 10.0, 4.0, (80.0, 150.0)
Picture = NDArray[np.float32]


def drawn(twists: float, lay: str = "Z") -> tuple[Picture, Section]:
    """Return a drawn pair of so many twists and its section, measured from end to end."""
    end = START[0] + twists * SPACING_D * DIAMETER_PX, START[1]
    grey = picture(START, end, DIAMETER_PX, even(SPACING_D), size_px=(int(end[0]) + 80, 300), lay=lay)
    return grey, section.whole(grey, np.array([START, end]), DIAMETER_PX)


def shown(grey: Picture, one: Section) -> Picture:
    """Return the windows of a section as the finder sees the picture."""
    return belief.windows(grey, learned.maps(grey, DIAMETER_PX), one)


@pytest.mark.parametrize(("twists", "windows"), [(2.0, 1), (2.7, 1), (6.0, 3), (40.0, belief.MOST_WINDOWS)])
def test_a_longer_section_has_more_windows_up_to_a_bound(twists: float, windows: int) -> None:
    found = shown(*drawn(twists))
    assert found.shape == (windows, belief.CHANNELS, belief.ROWS, belief.COLUMNS)
    inside = found[:, 3].mean((1, 2)) * belief.TWISTS
    spare = max(twists + 2 * belief.MARGIN_TWISTS - belief.TWISTS, 0)
    assert inside[0] == pytest.approx(min(twists, belief.TWISTS - belief.MARGIN_TWISTS * (spare > 0)), abs=0.15)
    assert found[0, 4, 0, 0] == pytest.approx(np.log(SPACING_D) - belief.MIDDLE_SPACING, abs=0.08)


def test_turn_lies_under_turn_and_a_mirrored_pair_looks_the_same() -> None:
    grey, one = drawn(12.0)
    windows = shown(grey, one)
    inner = windows[2, 0]
    a_twist_on = np.roll(inner, -belief.COLUMNS_A_TWIST, axis=1)[:, : -belief.COLUMNS_A_TWIST]
    assert np.corrcoef(inner[:, : -belief.COLUMNS_A_TWIST].ravel(), a_twist_on.ravel())[0, 1] > 0.9
    half_a_twist_on = np.roll(inner, -belief.COLUMNS_A_TWIST // 2, axis=1)[:, : -belief.COLUMNS_A_TWIST]
    assert np.corrcoef(inner[:, : -belief.COLUMNS_A_TWIST].ravel(), half_a_twist_on.ravel())[0, 1] < 0.7
    flipped = np.ascontiguousarray(grey[::-1])
    mirrored = section.whole(flipped, one.spine_px * [1, -1] + [0, len(grey) - 1], DIAMETER_PX)
    assert {one.twist.lay, mirrored.twist.lay} == {"S", "Z"}
    assert np.corrcoef(shown(flipped, mirrored)[2, 0].ravel(), inner.ravel())[0, 1] > 0.9


def test_kept_runs_are_told_from_what_is_found_in_kept_look_alikes() -> None:
    """Pictures of a renderer that the network has not learned from."""
    pairs, others = [], []
    for path in sorted(PICTURES.glob("*.json")):
        truth = json.loads(path.read_text())
        grey = cv2.cvtColor(pixels(path), cv2.COLOR_RGB2GRAY).astype(np.float32)
        diameter_px = float(truth["wire"]["d_px"])
        run = section.whole(grey, np.array(truth["runs"][0]["spine_px"]), diameter_px)
        pairs.append(belief.window_odds(grey, learned.maps(grey, diameter_px), run).mean())
    for path in sorted((PICTURES / "negatives").glob("*.json")):
        found = candidates(pixels(path), json.loads(path.read_text()), (0.02, 0.032, 0.041))
        others += [belief.window_odds(one.luminance, one.seen, one.section).mean() for one in found]
    assert len(pairs) > 20 and len(others) > 5
    assert np.mean(np.array(pairs) > 1.0) > 0.9, np.round(pairs, 1)
    assert np.mean(np.array(others) < -1.0) > 0.8, np.round(others, 1)


def pixels(truth_path: Path) -> NDArray[np.uint8]:
    """Return the picture (H, W, 3) beside a record of its truth."""
    return open_photo(truth_path.with_suffix(".jpg")).pixels
