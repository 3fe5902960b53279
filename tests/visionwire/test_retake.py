"""Told how to retake a picture: doing as told makes one that can be read, and nothing given is asked for again."""

from __future__ import annotations

import re
from typing import Any

import cv2
import numpy as np
import pytest

from tests.visionwire.test_measure import DEMO, END, SIZE_PX, START, TWO_POINTS, scene
from visionwire.measure import measure
from visionwire.parts import FULL_TWISTS
from visionwire.photo import open_photo
from visionwire.reading import Reading, Refusal
from visionwire.sheet.answer import answer_lines


def test_without_scale_it_says_what_would_give_one() -> None:
    answer = measure(scene())
    assert isinstance(answer, Refusal)
    assert answer.code == "no-scale"
    assert not answer
    assert "card" in answer.advice and "--wire" in answer.advice
    assert answer.photo is not None and answer.photo.width_px == SIZE_PX[0]


def test_a_picture_taken_too_far_away_says_how_much_nearer() -> None:
    small = cv2.resize(scene(), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    start, end = (0.25 * START[0], 0.25 * START[1]), (0.25 * END[0], 0.25 * END[1])
    answer = measure(small, two_points=(*start, *end, TWO_POINTS[4]), start=start, end=end)
    assert isinstance(answer, Refusal)
    assert answer.code == "twist-too-small"
    assert "at least 12" in answer.message


def from_afar(pixels: np.ndarray, share: float) -> np.ndarray:
    """Return a picture as from farther away: all in its middle, with ground about it."""
    small = cv2.resize(pixels, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    down, right = (whole - part for whole, part in zip(pixels.shape[:2], small.shape[:2], strict=True))
    sides = (down // 2, down - down // 2, right // 2, right - right // 2)
    return cv2.copyMakeBorder(small, *sides, cv2.BORDER_CONSTANT, value=(90, 90, 90))


def told_share(advice: str) -> float:
    (percent,) = re.findall(r"move to about (\d+) % of the distance", advice)
    return float(percent) / 100


@pytest.mark.parametrize("share", [0.2, 0.35])
def test_moved_as_near_as_told_nothing_is_too_small_and_the_card_is_in_view(share: float) -> None:
    pixels = open_photo(DEMO).pixels
    far = measure(from_afar(pixels, share))
    assert isinstance(far, Refusal) and far.code == "card-too-small"
    nearer = measure(from_afar(pixels, share / told_share(far.advice)))
    assert isinstance(nearer, Reading) and nearer.scale.source == "card" and "small-twist" not in nearer.flags


def test_moved_as_near_as_told_the_twist_has_full_trust() -> None:
    def seen(share: float) -> Any:
        middle = (np.array(SIZE_PX) - 1) / 2
        start, end = (tuple((np.array(point) - middle) * share + middle) for point in (START, END))
        return measure(from_afar(scene(), share), two_points=(*start, *end, TWO_POINTS[4]), start=start, end=end)

    far = seen(0.2)
    assert isinstance(far, Refusal) and far.code == "twist-too-small"
    nearer = seen(0.2 / told_share(far.advice))
    assert isinstance(nearer, Reading) and "small-twist" not in nearer.flags


def test_where_the_card_leaves_no_room_to_move_it_says_what_else_to_do() -> None:
    small = cv2.resize(open_photo(DEMO).pixels, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
    answer = measure(small)
    assert isinstance(answer, Refusal) and "or give the picture as the phone took it" in answer.advice


def test_where_blur_hides_the_wire_the_refusal_says_so() -> None:
    half = cv2.resize(open_photo(DEMO).pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    answer = measure(cv2.GaussianBlur(half, (0, 0), 3.0), wire=0.032)
    assert isinstance(answer, Refusal) and answer.code == "no-twisted-wire"
    assert "likely because it is blurred (by 2." in answer.message and answer.advice.startswith("hold the phone still")


def test_what_was_given_is_not_advised() -> None:
    tiny = measure(np.zeros((10, 900, 3), np.uint8), two_points=(0, 0, 0, 30, 1.0), start=(0, 5), end=(800, 5))
    assert isinstance(tiny, Refusal) and tiny.code == "no-twisted-wire" and "--start" not in tiny.advice
    wide = {"two_points": (100.0, 100.0, 1400.0, 100.0, 0.001)}
    assert "check the distance between the two points" in measure(DEMO, **wide).advice  # type: ignore[operator, arg-type]
    other = measure(DEMO, wire=0.08)
    assert isinstance(other, Refusal) and "see that the wire is 0.08 in thick, or leave out --wire" in other.advice


def test_a_scale_so_wrong_that_no_wire_is_found_is_to_be_checked() -> None:
    gross = {"two_points": (100.0, 100.0, 500.0, 100.0, 4.0)}
    answer = measure(DEMO.with_name("no_card.jpg"), **gross)  # type: ignore[arg-type]
    assert isinstance(answer, Refusal) and answer.code == "no-twisted-wire"
    assert "check the two points and the distance given too" in answer.advice
    assert "(by them an inch spans 100.0 px)" in answer.advice


def test_what_may_be_no_double_twist_is_said_to_be_so_unless_it_was_asked_about_single_wire() -> None:
    alike = DEMO.parent / "negatives" / "plain_wire.jpg"
    for method, says in (("double", True), ("single", False)):
        answer = measure(alike, method=method)  # type: ignore[arg-type]
        assert isinstance(answer, Refusal) and answer.code == "no-twisted-wire"
        assert answer.advice.endswith("it may be no double twist at all (single wire: --method single)") == says


def test_what_is_said_of_a_run_names_it_where_there_are_several() -> None:
    several = measure(DEMO.with_name("flange_two_spans.jpg"))
    assert isinstance(several, Reading) and len(several.runs) == 2 and "few-twists" in several.flags
    few = [(number, run.twists) for number, run in enumerate(several.runs, 1) if run.twists < FULL_TWISTS]
    named = [f"run {number} shows {twists:.1f} twists; {FULL_TWISTS:g} give" for number, twists in few]
    assert named and all(any(one.startswith(name) for one in several.advice) for name in named)
    alone = measure(DEMO.with_name("uneven.jpg"))
    assert isinstance(alone, Reading) and any(one.startswith("the twist of the run is uneven") for one in alone.advice)


def test_what_the_edge_cuts_off_is_undecided_for_that() -> None:
    pixels = open_photo(DEMO.with_name("low_sun.jpg")).pixels
    answer = measure(pixels[:1176])  # its pigtail ends at row 1186
    assert isinstance(answer, Reading) and "pigtail-cut-off" in answer.flags
    (line,) = [line for line in answer_lines(answer) if line.startswith("  pigtail")]
    assert line.endswith("to the nearest whole, it ends at the picture's edge: UNDECIDED")


def test_a_distance_in_mm_taken_for_inches_is_named() -> None:
    answer = measure(DEMO, two_points=(300.0, 155.0, 1006.0, 259.0, 50.8))
    assert isinstance(answer, Refusal)
    assert "lie 50.800 in apart, and by the card pocket in view 2.0" in answer.advice


def test_what_is_undecided_says_why_and_what_to_do() -> None:
    answer = measure(DEMO.with_name("slack.jpg"))
    assert isinstance(answer, Reading) and answer.call == "undecided"
    assert answer.flags[0] == "near-a-limit" and answer.advice[0].startswith("of run 1 a limit lies within the ±")


def test_where_the_wire_given_is_the_cause_that_comes_first() -> None:
    answer = measure(DEMO, wire=0.045)
    assert isinstance(answer, Reading) and answer.call == "undecided"
    assert "near-a-limit" not in answer.flags and {"wire-not-as-given", "card-below-wire"} & set(answer.flags)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"wire": "0.8mm"}, "wire is '0.8mm'; it must be a number of inches"),
        ({"wire": 0.2}, "wire is 0.2; it must be a number of inches, 0.005 to 0.1"),
        ({"card": "pocket"}, "such as calibration.load_card('pocket')"),
        ({"finders": "edges"}, "finders is 'edges'; it must be a tuple of some of"),
        ({"finders": ("edges",)}, "it must be a tuple of some of"),
        ({"finders": (["learned"],)}, "it must be a tuple of some of"),
        ({"method": "triple"}, "method is 'triple'; it must be one of double, single, wraps"),
    ],
)
def test_words_that_python_does_not_know_are_refused(given: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=re.escape(says)):
        measure(DEMO, **given)


def test_a_run_cut_by_the_edge_is_never_called_conforming_and_says_why() -> None:
    pixels = open_photo(DEMO).pixels
    whole = measure(pixels)
    assert isinstance(whole, Reading) and whole.call == "conforming" and "run-cut-off" not in whole.flags
    part = measure(pixels[:, round((whole.runs[0].start_px[0] + whole.runs[0].end_px[0]) / 2) :])
    assert isinstance(part, Reading) and "run-cut-off" in part.flags
    advice = part.advice[0]
    assert "edge" in advice and "whole run" in advice
    # What is in view conforms, as the whole does; but nobody has seen the rest.
    density = next(check for check in part.checks if check.rule == "density")
    assert density.probability_conforming > 0.95
    assert density.call == part.runs[0].call == part.call == "undecided" and part.confidence == 0.5


def test_a_run_that_leaves_the_picture_at_a_slant_is_cut_off_too() -> None:
    part = measure(open_photo(DEMO).pixels[200:], wire=0.032)  # the run falls from 155 px to 260
    assert isinstance(part, Reading) and "run-cut-off" in part.flags
    assert part.runs[0].twists < 9 and part.call == "undecided"


def test_a_pigtail_cut_by_the_edge_is_not_called_short() -> None:
    pixels = open_photo(DEMO).pixels
    whole = measure(pixels)
    assert isinstance(whole, Reading) and whole.pigtail is not None and "pigtail-cut-off" not in whole.flags
    # It runs upwards, from 187 px to 32: cut off here, two and a half twists are left.
    part = measure(pixels[90:])
    assert isinstance(part, Reading) and part.pigtail is not None
    assert "pigtail-cut-off" in part.flags and part.pigtail.twists < whole.pigtail.twists - 1
    assert part.pigtail.call == part.call == "undecided"
