"""The twists of pigtails as a network counts them, on pictures of another renderer, and what it must not depend on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from visionwire import learned, tally, windows
from visionwire.strip import arc_length

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
Picture = NDArray[np.float32]
Line = NDArray[np.float64]


def pigtails() -> Iterator[tuple[Picture, Line, float, float, float]]:
    """Yield kept pictures, the line of a pigtail in plain view, the wire's diameter, the run's spacing, the twists."""
    for path in sorted(PICTURES.glob("*.json")):
        truth = json.loads(path.read_text())
        grey = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE)
        line, diameter_px = np.array(truth["pigtail"]["spine_px"]), float(truth["wire"]["d_px"])
        assert grey is not None
        shown = tally.SHORTEST_D < arc_length(line)[-1] / diameter_px < tally.LONGEST_D
        if shown and np.mean(truth["pigtail"]["visible_per_sample"]) > 0.95:
            usual_px = truth["runs"][0]["px_per_twist"]
            yield grey.astype(np.float32), line, diameter_px, usual_px, truth["pigtail"]["twists"]


@pytest.fixture(scope="module")
def told() -> list[tuple[Picture, learned.Maps, Line, float, float, float, tally.Tally]]:
    """Return every pigtail with what is counted along its true line."""
    found = []
    for grey, line, diameter_px, usual_px, twists in pigtails():
        seen = learned.maps(grey, diameter_px)
        said = tally.counted(grey, seen, line, diameter_px, usual_px)
        found.append((grey, seen, line, diameter_px, usual_px, twists, said))
    return found


def test_pigtails_of_another_renderer_are_counted_and_the_deviation_is_true(told: list) -> None:
    off = np.array([said.twists - twists for *_, twists, said in told])
    u = np.array([said.u for *_, said in told])
    assert len(off) > 15 and np.median(np.abs(off)) < 0.25 and np.mean(np.abs(off) < 0.5) > 0.8
    assert np.mean(np.abs(off) < 1.96 * np.hypot(u, 0.2)) > 0.9


def test_the_count_is_the_same_from_either_end_and_of_a_mirrored_picture(told: list) -> None:
    for grey, seen, line, diameter_px, usual_px, _, said in told[::4]:
        back = tally.counted(grey, seen, line[::-1], diameter_px, usual_px)
        assert back.twists == pytest.approx(said.twists, abs=max(0.35, said.u))
        mirrored = np.ascontiguousarray(grey[:, ::-1])
        across = np.column_stack([grey.shape[1] - 1 - line[:, 0], line[:, 1]])
        other = tally.counted(mirrored, learned.maps(mirrored, diameter_px), across, diameter_px, usual_px)
        assert other.twists == pytest.approx(said.twists, abs=max(0.5, 2 * said.u))


def test_a_line_that_stops_short_is_counted_to_the_ends(told: list) -> None:
    off = []
    for grey, seen, line, diameter_px, usual_px, twists, said in told:
        along = arc_length(line)
        if said.u > 0.35 or along[-1] < 8 * diameter_px:
            continue
        inner = line[(along > 2 * diameter_px) & (along < along[-1] - 2 * diameter_px)]
        short = tally.counted(grey, seen, inner, diameter_px, usual_px)
        off.append(short.twists - twists)
        places = np.linalg.norm(short.line_px[:, None] - line[[0, -1]][None], axis=2).min(0)
        assert places.max() < 1.5 * diameter_px, "the window reaches beyond both true ends"
    assert len(off) > 8 and np.median(np.abs(off)) < 0.3


def test_bare_ground_has_no_twist() -> None:
    rng = np.random.default_rng(3)
    grey = (90 + 8 * cv2.GaussianBlur(rng.normal(size=(400, 500)), (0, 0), 3)).astype(np.float32)
    line = np.column_stack([np.linspace(150.0, 300.0, 60), np.full(60, 200.0)])
    said = tally.counted(grey, learned.maps(grey, 10.0), line, 10.0, 40.0)
    assert said.twists < 0.5 or said.u > 0.5


def test_a_window_is_empty_beyond_what_it_may_show() -> None:
    grey = np.tile(np.arange(500, dtype=np.float32) % 40, (300, 1))
    line = np.column_stack([np.linspace(200.0, 300.0, 60), np.full(60, 150.0)])
    shown, middle_px = tally.window(grey, learned.maps(grey, 10.0), line, 10.0, 40.0)
    assert shown.shape == (tally.CHANNELS, windows.ROWS, tally.COLUMNS)
    filled = np.flatnonzero(np.abs(shown).sum((0, 1)))
    reach = middle_px[filled[[0, -1]], 0]
    assert reach == pytest.approx([200 - 10 * tally.BEYOND_D, 300 + 10 * tally.BEYOND_D], abs=5)
    assert len(tally.edges(middle_px)) == tally.ANSWERS + 1


def test_a_section_is_made_of_what_was_counted(told: list) -> None:
    for grey, _, line, diameter_px, _, _, said in told[:6]:
        one = tally.section_of(grey, said, diameter_px)
        assert one is not None and not one.measured and one.counted == (said.twists, said.u)
        assert one.twists == pytest.approx(said.twists) and one.count_u >= said.u
        ends = [np.linalg.norm(line[[0, -1]] - point, axis=1).min() for point in one.spine_px[[0, -1]]]
        assert max(ends) < 2.5 * diameter_px
    short = tally.Tally(np.array([0.0, 0.3, 0.6]), np.array([[50.0, 50.0], [55.0, 50.0], [60.0, 50.0]]), 0.2)
    assert tally.section_of(np.zeros((100, 100), np.float32), short, 10.0) is None
