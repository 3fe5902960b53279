"""The terminal answer."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest

from visionwire.reading import Check, Reading, Refusal
from visionwire.sheet.answer import answer_lines


def test_a_reading_in_five_lines(reading: Reading) -> None:
    assert answer_lines(reading) == [
        "bracket.jpg: CONFORMING (confidence 96 %)",
        "  run 1: 7.25 ± 0.08 twists per inch, allowed 6 to 8: CONFORMING",
        "  pigtail: 4.2 ± 0.4 twists, allowed 3 to 6: CONFORMING",
        "  do: a hole that the wire enters is not seen: check the gap by eye",
    ]


@pytest.mark.parametrize("call", ["conforming", "nonconforming", "undecided"])
def test_the_call_is_a_word_and_comes_first(reading_of: Callable[..., Reading], call: str) -> None:
    first = answer_lines(reading_of("a.jpg", call))[0]
    side = " in the likelier side" if call == "undecided" else ""
    assert first == f"a.jpg: {call.upper()} (confidence 96 %{side})"


def test_no_limits_and_no_pigtail(reading: Reading) -> None:
    lines = answer_lines(dataclasses.replace(reading, checks=(), pigtail=None))
    assert lines[1] == "  run 1: 7.25 ± 0.08 twists per inch, no limit given"
    assert lines[2] == "  pigtail: not seen, not judged"
    assert not any("allowed" in line for line in lines)


def test_further_checks_are_said_too(reading: Reading) -> None:
    least = Check("least-in-any-inch", "run 1", 5.11, 0.22, "twists per inch", 6, 8, 0.0, "nonconforming", "a manual")
    lines = answer_lines(dataclasses.replace(reading, checks=(*reading.checks, least)))
    assert "  run 1, least in any inch: 5.11 ± 0.22 twists per inch, allowed 6 to 8, too low: NONCONFORMING" in lines


def test_a_refusal_says_what_is_wrong_and_what_to_do(refusal: Refusal) -> None:
    assert answer_lines(refusal) == [
        "threads.jpg: NO READING",
        "  what is wrong: no twisted pair was found",
        "  what to do: fill the frame with the safety",
    ]


def test_a_hostile_name_stays_on_its_line(reading_of: Callable[..., Reading]) -> None:
    first = answer_lines(reading_of("a\nCONFORMING\x1b[2J.jpg"))[0]
    assert "\n" not in first and "\x1b" not in first
