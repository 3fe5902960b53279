"""What is named first where wire, card and points contradict one another."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from calibration.card import PRINT_UNVERIFIED_U, PRINT_VERIFIED_U
from calibration.without_card import two_points
from tests.visionwire.test_budget import DISTANCE_MM, FOCAL_PX, SIZE_PX, card_plane, wire_px
from visionwire import budget, causes, cues

WIRE_U = 0.05


def by_card(print_u: float = PRINT_UNVERIFIED_U, away: float = 1.0) -> budget.Ruler:
    """Return the ruler of a card, seen from so many times as far away as the plain one is."""
    plane = dataclasses.replace(card_plane(), scale_relative_u=print_u)
    return budget.beside(plane, away * FOCAL_PX, SIZE_PX)


def by_points(inches: float = 2.0) -> budget.Ruler:
    line_px = wire_px(0.0)
    plane = two_points(tuple(line_px[0]), tuple(line_px[-1]), inches * budget.MM_PER_IN)
    return budget.beside(plane, FOCAL_PX, SIZE_PX)


def order(ruler: budget.Ruler, told_in: float, looks_in: float) -> list[str]:
    return [one.what for one in causes.of_wire(ruler, told_in, math.log(looks_in / told_in), WIRE_U)]


@pytest.mark.parametrize(("told_in", "true_in"), [(0.041, 0.032), (0.032, 0.041), (0.032, 0.020), (0.020, 0.032)])
def test_a_size_that_fits_comes_before_a_card_that_would_lie_inches_off(told_in: float, true_in: float) -> None:
    assert order(by_card(), told_in, 1.02 * true_in)[0] == "size"
    said = causes.in_words(causes.of_wire(by_card(), told_in, math.log(1.02 * true_in / told_in), WIRE_U))
    assert f"the wire's size ({true_in:.3f} in would fit)" in said
    assert "print" not in said, "no printer is off by a quarter"


def test_the_size_told_is_no_other_size_in_millimetres() -> None:
    (first, *_) = causes.of_wire(by_card(), 0.8 / 25.4, math.log(1.1), WIRE_U)
    assert first.what != "size"


def test_a_print_a_twentieth_small_is_named_first_seen_from_arms_length_and_with_its_share() -> None:
    far, off = by_card(away=4.0), -math.log(0.95)
    assert causes.below_in(far, off) == pytest.approx(1.6, abs=0.1)
    (first, *_) = causes.of_wire(far, 0.032, off, WIRE_U)
    assert first.what == "print" and "95 % of the length printed" in first.said
    measured = by_card(PRINT_VERIFIED_U, away=4.0)
    assert "print" not in order(measured, 0.032, 0.032 / 0.95), "a rule told what it measures"


@pytest.mark.parametrize(("below_mm", "where"), [(20.0, "0.8 in below"), (-15.0, "0.6 in above")])
def test_the_height_of_the_card_is_that_of_similar_triangles(below_mm: float, where: str) -> None:
    ruler = by_card(PRINT_VERIFIED_U)
    thicker = (DISTANCE_MM - budget.HEIGHT_MM) / (DISTANCE_MM - below_mm)
    assert causes.below_in(ruler, math.log(thicker)) == pytest.approx(below_mm / budget.MM_PER_IN)
    (first, *_) = causes.of_wire(ruler, 0.032, math.log(thicker), WIRE_U / 2)
    assert first.what == "height" and where in first.said


def test_of_two_points_no_card_is_blamed_and_a_run_that_points_at_the_camera_is_told_in_degrees() -> None:
    thicker = 1 / math.cos(math.radians(30))
    named = causes.of_wire(by_points(), 0.032, math.log(thicker), WIRE_U)
    assert {one.what for one in named} == {"size", "distance", "aslant"}
    said = causes.in_words(named)
    assert "by 30 degrees" in said and f"it would be {2 / thicker:.2f} in" in said
    assert "aslant" not in order(by_points(), 0.032, 0.028), "what points at the camera looks short, not long"


def test_a_distance_in_mm_comes_first_and_what_it_would_be_with_it() -> None:
    (first, *_) = causes.of_distance(50.8, by_card(), math.log(2.0 / 50.8))
    assert first.what == "distance" and "it would be 2.00 in: inches, unless it says mm" in first.said


def test_a_distance_a_fifth_off_comes_before_a_card_that_would_lie_over_the_wire() -> None:
    named = [one.what for one in causes.of_distance(2.4, by_card(PRINT_VERIFIED_U), math.log(2.0 / 2.4))]
    assert named == ["distance", "aslant", "height"]


def test_what_could_hardly_be_is_left_out() -> None:
    few = [causes.Cause("a", "this", 0.5), causes.Cause("b", "that", 1.5), causes.Cause("c", "the moon", 9.0)]
    assert causes.in_words(few) == "first this, then that"
    assert causes.in_words(few[:1]) == "this"


@pytest.mark.parametrize("factor", [1e-3, 0.3, 3.0, 1e3])
def test_whatever_the_factor_a_figure_that_was_typed_may_be_off_by_it(factor: float) -> None:
    off = math.log(factor)
    assert causes.in_words(causes.of_distance(1.0, by_card(), off)).startswith("the distance between the two points")
    assert causes.in_words(causes.of_wire(by_card(), 0.032, off, WIRE_U)).startswith("the wire's size")


def test_points_and_card_that_differ_say_why_in_that_order() -> None:
    flag = cues.against_card(by_points(2.4), by_card())
    assert flag is not None
    offs = np.log([float(by_card().along_in(by_points().plane.points_px)[-1]) / 2.4])
    assert causes.in_words(causes.of_distance(2.4, by_card(), float(offs[0]))) in flag.sentence
    assert flag.sentence.endswith("or leave out --scale to measure by the card")
