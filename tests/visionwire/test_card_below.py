"""How far the card lies below the wire, told: what that changes, and what cannot be."""

from __future__ import annotations

import math

import pytest

from tests.benchmarks.report import PICTURES
from tests.visionwire.test_budget import FOCAL_PX, SIZE_PX, card_plane
from visionwire import budget, causes
from visionwire.measure import measure
from visionwire.reading import Reading, Refusal

DEMO = PICTURES / "demo.jpg"


def read_demo(height_mm: float | None) -> Reading:
    answer = measure(DEMO, height_mm=height_mm)  # no wire named, which would tell the scale too
    assert isinstance(answer, Reading)
    return answer


def test_lengths_go_as_the_distance_to_the_wire_and_the_record_says_what_was_told() -> None:
    usual, level, below = (read_demo(height_mm) for height_mm in (None, 0.0, 4.0))
    lengths = [one.runs[0].length_in for one in (level, usual, below)]
    assert lengths[0] - lengths[1] == pytest.approx(lengths[1] - lengths[2], rel=0.02), "2 mm either way"
    assert lengths[2] / lengths[0] == pytest.approx(1 - 4.0 / 114, abs=0.002), "the card is seen from 114 mm"
    assert level.runs[0].twists_per_inch_u95 < usual.runs[0].twists_per_inch_u95
    told = [one.made_by["parameters"].get("height_mm") for one in (usual, level, below)]
    assert told == [None, 0.0, 4.0]


@pytest.mark.parametrize("height_mm", [100.0, 60.0])
def test_a_height_near_the_camera_is_a_slip_and_refused(height_mm: float) -> None:
    answer = measure(DEMO, wire=0.032, height_mm=height_mm)
    assert isinstance(answer, Refusal) and answer.code == "height-implausible"
    assert f"told to lie {height_mm:g} mm over the card's face" in answer.message and "--card-below" in answer.advice


def test_a_card_that_stands_over_the_wire_is_no_slip() -> None:
    over = read_demo(-20.0)
    assert over.runs[0].length_in > read_demo(None).runs[0].length_in


def test_without_a_card_it_is_said_that_a_height_is_of_no_use() -> None:
    plain, told = (measure(PICTURES / "no_card.jpg", wire=0.032, height_mm=height_mm) for height_mm in (None, 3.0))
    assert isinstance(plain, Reading) and isinstance(told, Reading)
    assert told.runs == plain.runs and told.flags == (*plain.flags, "height-without-card")


@pytest.mark.parametrize("height_mm", [-30.0, 101.0, float("nan")])
def test_no_height_is_a_wrong_call(height_mm: float) -> None:
    with pytest.raises(ValueError, match=r"height_mm is .* must be a number of millimetres"):
        measure(DEMO, height_mm=height_mm)


def test_a_height_beside_two_points_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="height_mm is of a card"):
        measure(DEMO, two_points=(100.0, 300.0, 900.0, 320.0, 2.5), height_mm=0.0)


@pytest.mark.parametrize(("thicker", "lower"), [(1.05, True), (0.95, False)])
def test_where_the_wire_looks_otherwise_the_height_told_is_named_as_such(thicker: float, lower: bool) -> None:
    ruler = budget.beside(card_plane(), FOCAL_PX, SIZE_PX, 25.0)
    below_in = causes.below_in(ruler, math.log(thicker))
    assert below_in is not None and (below_in * budget.MM_PER_IN > 25.0) is lower
    (height,) = [one for one in causes.of_wire(ruler, 0.032, math.log(thicker), 0.05) if one.what == "height"]
    assert f"(--card-below {below_in * budget.MM_PER_IN:.0f} would fit, not 25)" in height.said
    usual_in = causes.BELOW_OFF_IN if lower else causes.ABOVE_OFF_IN
    assert height.strain == pytest.approx(abs(below_in - 25.0 / budget.MM_PER_IN) / usual_in)
