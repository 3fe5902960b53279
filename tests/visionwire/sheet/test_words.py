"""How figures and calls are written."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from visionwire.limits import load_limits
from visionwire.reading import Check, Reading
from visionwire.sheet.html import sheet_html
from visionwire.sheet.verdict import (
    because,
    flags_of,
)
from visionwire.sheet.words import (
    limits_words,
    percent,
    plus_minus,
    value_words,
)


def why(reading: Reading, one: Check) -> str:
    return because(one, flags_of(reading, one))


def check(value: float, low: float | None, high: float | None, call: str) -> Check:
    return Check("density", "run 1", value, 0.1, "twists per inch", low, high, 0.5, call, "a manual")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "u95", "decimals", "text"),
    [
        (7.7965, 0.0624, 2, "7.80 ± 0.06"),
        (7.7965, 0.0062, 2, "7.796 ± 0.006"),  # one figure of the uncertainty is always there
        (16.076, 0.11, 1, "16.1 ± 0.1"),
        (0.03231, 0.0014, 4, "0.0323 ± 0.0014"),
        (7.0, 0.0, 2, "7.00 ± 0.00"),
    ],
)
def test_plus_minus_by_hand(value: float, u95: float, decimals: int, text: str) -> None:
    assert plus_minus(value, u95, decimals) == text


@given(st.floats(0.1, 50), st.floats(1e-5, 5), st.integers(0, 4))
def test_what_is_written_is_the_value_to_within_its_uncertainty(value: float, u95: float, decimals: int) -> None:
    written, uncertainty = (float(part) for part in plus_minus(value, u95, decimals).split(" ± "))
    assert abs(written - value) <= 0.5000001 * 10.0 ** -max(decimals, -math.floor(math.log10(u95)))
    assert uncertainty > 0


@pytest.mark.parametrize(
    ("probability", "text"), [(1.0, "over 99 %"), (0.9607, "96 %"), (0.5, "50 %"), (0.01, "1 %"), (0.0, "under 1 %")]
)
def test_a_probability_is_never_a_certainty(probability: float, text: str) -> None:
    assert percent(probability) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(6.0, 8.0, "6 to 8"), (5, None, "at least 5"), (None, 0.703, "at most 0.703"), (None, None, "no limit")],
)
def test_limits_in_words(low: float | None, high: float | None, text: str) -> None:
    assert limits_words(low, high) == text


@pytest.mark.parametrize(
    ("value", "low", "high", "call", "text"),
    [
        (7.0, 6.0, 8.0, "conforming", "allowed 6 to 8"),
        (9.0, 6.0, 8.0, "nonconforming", "allowed 6 to 8, too high"),
        (5.0, 6.0, 8.0, "nonconforming", "allowed 6 to 8, too low"),
        (4.0, 5.0, None, "nonconforming", "allowed at least 5, too low"),
        (8.0, 6.0, 8.0, "undecided", "allowed 6 to 8, a limit lies within the uncertainty"),
    ],
)
def test_where_the_value_lies(
    reading: Reading, value: float, low: float | None, high: float | None, call: str, text: str
) -> None:
    assert why(reading, check(value, low, high, call)) == text


def test_what_is_undecided_says_its_true_reason(reading: Reading) -> None:
    run, tail = reading.runs[0], reading.pigtail
    assert tail is not None
    undecided = dataclasses.replace(check(7.0, 6.0, 8.0, "undecided"), section="run 1")
    count = dataclasses.replace(undecided, rule="pigtail-twists", section="pigtail", value=1.9, u95=0.5, low=3, high=6)
    cut_run = dataclasses.replace(reading, runs=(dataclasses.replace(run, flags=("run-cut-off",)),))
    assert why(cut_run, undecided) == "allowed 6 to 8, it ends at the picture's edge"
    assert "edge" not in why(cut_run, count), "that is of the run"
    cut_tail = dataclasses.replace(reading, pigtail=dataclasses.replace(tail, flags=("pigtail-cut-off",)))
    assert why(cut_tail, count).endswith("to the nearest whole, it ends at the picture's edge")
    assert "edge" not in why(cut_tail, undecided)
    no_wire = dataclasses.replace(reading, flags=("perhaps-no-wire",))
    assert why(no_wire, undecided).endswith("it may be no twisted wire")
    # A limit of a whole count reaches half a twist beyond the number.
    assert "within" not in why(reading, count)
    assert why(reading, dataclasses.replace(count, u95=0.7)).endswith("a limit lies within the uncertainty")


def planned(rule: str, unit: str, value: float, low: float, high: float, call: str) -> Check:
    return dataclasses.replace(check(value, low, high, call), rule=rule, unit=unit)


def test_what_a_plan_asks_for_is_said_as_planned_and_whole(reading: Reading) -> None:
    runs = planned("runs-as-planned", "runs", 1.0, 2.0, 2.0, "undecided")
    assert (value_words(runs), why(reading, runs)) == ("1 run", "planned 2, of which a part may be out of view")
    twists = planned("twists-as-planned", "twists", 10.0, 8.5, 11.5, "conforming")
    assert why(reading, twists) == "planned 9 to 11"
    span = planned("span-as-planned", "in", 1.6, 1.35312, 1.85312, "conforming")
    assert why(reading, span) == "allowed 1.353 to 1.853"


def test_a_value_carries_its_unit() -> None:
    assert value_words(check(7.25, 6.0, 8.0, "conforming")) == "7.25 ± 0.10 twists per inch"


def test_a_sheet_says_what_its_probabilities_mean(reading: Reading) -> None:
    text = " ".join(sheet_html(reading, None, load_limits("common")).split())
    (confidence,) = re.findall(r"Confidence: ([^<]*)", text)
    assert "given these limits and the uncertainty of the reading" in confidence
    assert all(unseen in confidence for unseen in ("torque", "tension", "alloy", "reuse"))
    (probability,) = re.findall(r"Probability that it conforms: ([^<]*)", text)
    assert "the true value lies within" in probability
