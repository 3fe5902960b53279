"""Without a scale: at which widths of wire a picture is looked at, and at which again."""

from __future__ import annotations

import dataclasses
import importlib

import numpy as np
import pytest

from tests.visionwire.drawn import even, picture
from visionwire import outline, section
from visionwire.outline import Diameter
from visionwire.section import Section

measuring = importlib.import_module("visionwire.measure")
SIDE_PX, DIAMETER_PX = 700, 10.0
USUAL, SMALLER, LARGER = (share * SIDE_PX for share in measuring.WIDTHS_TRIED)


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    return picture((150, 150), (550, 150), DIAMETER_PX, even(4.0))


@pytest.fixture(scope="module")
def pair(grey: np.ndarray) -> Section:
    return section.whole(grey, np.array([[150.0, 150.0], [550.0, 150.0]]), DIAMETER_PX)


def looked_at(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, shown: dict[float, list[Section]], seen_px: float | None
) -> tuple[list[Section], list[float]]:
    """Return what comes of scans that show so much at each width, the outline ``seen_px``, and the widths looked at."""
    widths: list[float] = []

    def scanned(luminance: np.ndarray, diameter_px: float, *more: object) -> list[Section]:
        widths.append(diameter_px)
        return next((found for width, found in shown.items() if width == pytest.approx(diameter_px)), [])

    monkeypatch.setattr(measuring.scan, "sections", scanned)
    seen = None if seen_px is None else Diameter(seen_px, 0.1)
    monkeypatch.setattr(outline, "wire_diameter_px", lambda *words: seen)
    return measuring._of_unknown_scale(grey, None, measuring.scan.BOTH, None), widths


def test_one_look_is_enough_where_it_shows_the_wire_at_its_width(
    monkeypatch: pytest.MonkeyPatch, grey: np.ndarray, pair: Section
) -> None:
    found, widths = looked_at(monkeypatch, grey, {USUAL: [pair]}, 1.1 * DIAMETER_PX)
    assert found == [pair] and widths == pytest.approx([USUAL])


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
