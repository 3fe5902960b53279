"""Without a scale: at which widths of wire a picture is looked at, and at which again."""

from __future__ import annotations

import dataclasses
import json

import cv2
import numpy as np
import pytest

from tests.visionwire.drawn import even, picture
from tests.visionwire.test_measure import PICTURES
from visionwire import outline, scan, section, width
from visionwire.measure import measure
from visionwire.outline import Diameter
from visionwire.photo import open_photo
from visionwire.reading import Reading
from visionwire.section import Section

SIDE_PX, DIAMETER_PX = 700, 10.0
USUAL, SMALLER, LARGER = (share * SIDE_PX for share in width.WIDTHS_TRIED)


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    return picture((150, 150), (550, 150), DIAMETER_PX, even(4.0))


@pytest.fixture(scope="module")
def pair(grey: np.ndarray) -> Section:
    return section.whole(grey, np.array([[150.0, 150.0], [550.0, 150.0]]), DIAMETER_PX)


def looked_at(
    monkeypatch: pytest.MonkeyPatch,
    grey: np.ndarray,
    shown: dict[float, list[Section]],
    seen_px: float | None,
    glanced_px: float | None = None,
) -> tuple[list[Section], list[float]]:
    """Return what comes of scans that show so much at each width, the outline ``seen_px``, and the widths looked at."""
    widths: list[float] = []

    def scanned(luminance: np.ndarray, diameter_px: float, *more: object) -> list[Section]:
        widths.append(diameter_px)
        return next((found for width, found in shown.items() if width == pytest.approx(diameter_px)), [])

    monkeypatch.setattr(scan, "sections", scanned)
    monkeypatch.setattr(width, "_glanced_px", lambda *words: glanced_px)
    seen = None if seen_px is None else Diameter(seen_px, 0.1)
    monkeypatch.setattr(outline, "wire_diameter_px", lambda *words: seen)
    return width._of_unknown_scale(grey, None, scan.BOTH, None), widths


def test_one_look_is_enough_where_it_shows_the_wire_at_its_width(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section
) -> None:
    found, widths = looked_at(monkeypatch, grey, {USUAL: [pair]}, 1.1 * DIAMETER_PX)
    assert found == [pair] and widths == pytest.approx([USUAL])


@pytest.mark.parametrize("hints", [None, np.array([[155.0, 150.0], [545.0, 150.0]])])
def test_a_glance_tells_the_width_of_wire_that_is_twice_the_usual(grey: np.ndarray, hints: np.ndarray | None) -> None:
    assert width._glanced_px(grey, USUAL, hints) == pytest.approx(DIAMETER_PX, rel=0.1)
    assert width._glanced_px(np.full_like(grey, 90), USUAL, None) is None


@pytest.mark.parametrize(
    "glanced_px, looked_at_px", [(17.0, [17.0]), (1.1 * USUAL, [USUAL]), (9.0, [9.0, USUAL, 17.0])]
)
def test_where_a_glance_tells_the_width_one_look_is_enough(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section, glanced_px: float, looked_at_px: list[float]
) -> None:
    """At 9 px nothing is found: then all is as without a glance."""
    seen_px = 1.1 * DIAMETER_PX if len(looked_at_px) == 1 else 17.0
    found, widths = looked_at(monkeypatch, grey, {USUAL: [pair], 17.0: [pair]}, seen_px, glanced_px)
    assert found == [pair] and widths == pytest.approx(looked_at_px)


def test_wire_of_another_width_is_looked_at_again_at_its_own(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section
) -> None:
    doubtful = dataclasses.replace(pair, belief=0.85)
    found, widths = looked_at(monkeypatch, grey, {USUAL: [doubtful], 17.0: [pair]}, 17.0)
    assert found == [pair] and widths == pytest.approx([USUAL, 17.0])


@pytest.mark.parametrize("belief, seen_px", [(0.85, None), (0.5, DIAMETER_PX)])
def test_where_no_wire_is_shown_that_could_be_the_ruler_every_width_is_looked_at(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section, belief: float, seen_px: float | None
) -> None:
    shown = {USUAL: [dataclasses.replace(pair, belief=belief)], LARGER: [pair]}
    found, widths = looked_at(monkeypatch, grey, shown, seen_px)
    assert found == [pair] and widths == pytest.approx([USUAL, SMALLER, LARGER])


def test_a_pigtail_seen_whole_at_one_width_is_kept_where_the_other_shows_a_part(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section
) -> None:
    elsewhere = dataclasses.replace(pair.strip, centre_px=np.add(pair.strip.centre_px, (0.0, 300.0)))
    run = dataclasses.replace(pair, strip=elsewhere)
    part = dataclasses.replace(pair, last=pair.last // 3, belief=0.85)
    pigtail = dataclasses.replace(pair, last=pair.last // 2, belief=0.85)
    found, _ = looked_at(monkeypatch, grey, {USUAL: [pigtail], 17.0: [run, part]}, 17.0)
    assert found == [run, pigtail]
    twice = dataclasses.replace(pigtail.twist, phase=2 * pigtail.twist.phase)  # at another octave it is no more of it
    found, _ = looked_at(
        monkeypatch, grey, {USUAL: [dataclasses.replace(pigtail, twist=twice)], 17.0: [run, part]}, 17.0
    )
    assert found == [run, part]


def test_runs_at_other_distances_are_each_measured_by_their_own_wire() -> None:
    """The same run twice, once enlarged: by one ruler for both, one of them would be 40 % off."""
    truth = json.loads((PICTURES / "flange.json").read_text())
    spine_px = np.array(truth["runs"][0]["spine_px"])
    (left, top), (right, bottom) = (spine_px.min(0) - 90).clip(0).astype(int), (spine_px.max(0) + 90).astype(int)
    far = open_photo(PICTURES / "flange.jpg").pixels[top:bottom, left:right]
    near = cv2.resize(far, None, fx=1.4, fy=1.4, interpolation=cv2.INTER_CUBIC)
    both = np.vstack([cv2.copyMakeBorder(far, 0, 0, 0, near.shape[1] - far.shape[1], cv2.BORDER_REPLICATE), near])
    read = measure(both, wire=truth["wire"]["d_in"])
    assert isinstance(read, Reading) and len(read.runs) == 2
    for run in read.runs:
        assert run.twists_per_inch == pytest.approx(truth["runs"][0]["mean_tpi"], rel=0.1)
