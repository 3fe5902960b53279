"""Judging: probabilities, calls, counts and the call of the whole."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import norm

from visionwire.judge import (
    COVERAGE_95,
    call_for,
    call_of_value,
    check_density,
    check_length,
    check_pigtail,
    check_series,
    count_probabilities,
    count_probability_conforming,
    overall,
    probability_conforming,
    risks,
)
from visionwire.limits import load_limits
from visionwire.reading import Check

COMMON = load_limits("common")
values, spreads = st.floats(-20, 40), st.floats(1e-6, 20)


def simulated(value: float, u: float, low: float, high: float) -> float:
    """Return the share of normal draws within the limits: the definition, by Monte Carlo."""
    draws = np.random.default_rng(1).normal(value, u, 400_000)
    return float(np.mean((low <= draws) & (draws <= high)))


@pytest.mark.parametrize(("value", "u"), [(7, 1.0), (6.2, 0.4), (8.4, 0.3), (5.0, 2.5)])
def test_probability_is_the_share_of_normal_draws_inside(value: float, u: float) -> None:
    assert probability_conforming(value, u, 6, 8) == pytest.approx(simulated(value, u, 6, 8), abs=0.003)


@given(values, spreads)
def test_two_sides_are_what_one_side_each_leaves(value: float, u: float) -> None:
    both = probability_conforming(value, u, 6, 8)
    below, above = 1 - probability_conforming(value, u, 6, None), 1 - probability_conforming(value, u, None, 8)
    assert 0 <= both <= 1 and both == pytest.approx(1 - below - above, abs=1e-9)


@given(values, spreads)
def test_it_does_not_matter_which_side_is_up(value: float, u: float) -> None:
    mirrored = probability_conforming(-value, u, -8, -6)
    assert probability_conforming(value, u, 6, 8) == pytest.approx(mirrored, abs=1e-9)


def test_a_value_known_exactly_is_in_or_out() -> None:
    assert [probability_conforming(value, 0, 6, 8) for value in (5.99, 6, 8, 8.01)] == [0, 1, 1, 0]


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1), (math.inf, 1), (7, -0.1), (7, math.nan), (7, math.inf)])
def test_what_is_no_number_is_a_bad_argument(value: float, u: float) -> None:
    with pytest.raises(ValueError, match=r"^(value|u) is"):
        probability_conforming(value, u, 6, 8)


def test_no_limit_at_all_is_a_bad_argument() -> None:
    with pytest.raises(ValueError, match="give at least one limit"):
        probability_conforming(7, 1, None, None)


@pytest.mark.parametrize(
    ("probability", "call"),
    [(1, "conforming"), (0.95, "conforming"), (0.9499, "undecided"), (0.0501, "undecided"), (0.05, "nonconforming")],
)
def test_the_thresholds_of_the_set_make_the_call(probability: float, call: str) -> None:
    assert call_for(probability, COMMON.decision) == call


def test_other_thresholds_make_another_call() -> None:
    strict = replace(COMMON.decision, conforming_at_least=0.999)
    assert call_for(0.99, COMMON.decision) == "conforming" and call_for(0.99, strict) == "undecided"


def test_counts_share_the_probability() -> None:
    # By pencil: 4.5 lies halfway between 4 and 5; u = 0.1 leaves nothing for 3 and 6.
    assert count_probabilities(4.5, 0.1) == pytest.approx({"4": 0.5, "5": 0.5})
    assert count_probabilities(4.5, 0) == {"5": 1.0} and count_probabilities(4.2, 0) == {"4": 1.0}
    # One standard deviation to either side holds 68.27 % of a normal distribution.
    assert count_probabilities(4, 0.5)["4"] == pytest.approx(0.6827, abs=1e-4)
    assert set(count_probabilities(0.1, 0.4)) == {"0", "1"}  # no count below none


@given(st.floats(0, 60), st.floats(0.01, 3))
def test_the_counts_add_up(twists: float, u: float) -> None:
    shown = count_probabilities(twists, u)
    assert min(shown.values()) >= 0.001 and 0.98 < sum(shown.values()) <= 1 + 1e-9
    assert [int(count) for count in shown] == sorted(int(count) for count in shown)
    inside = sum(mass for count, mass in shown.items() if 3 <= int(count) <= 6)
    assert count_probability_conforming(twists, u, 3, 6) == pytest.approx(inside, abs=0.005)


def test_a_count_within_limits_takes_in_both_of_them() -> None:
    assert count_probability_conforming(3, 0.1, 3, 6) > 0.999 and count_probability_conforming(6, 0.1, 3, 6) > 0.999
    assert count_probability_conforming(2.5, 0.1, 3, 6) == pytest.approx(0.5)
    assert count_probability_conforming(6.5, 0.1, None, 6) == pytest.approx(0.5)
    assert count_probability_conforming(1.0, 0.4, 0, None) == 1.0


def test_a_density_is_held_against_its_band() -> None:
    check = check_density("run 2", 7.9, 0.1, COMMON)
    assert (check.rule, check.section, check.low, check.high, check.call) == ("density", "run 2", 6, 8, "undecided")
    assert check.u95 == pytest.approx(0.196, abs=1e-4)  # 1.96 standard deviations hold 95 %
    assert "AC 43.13-1B" in check.source and "(reported)" in check.source
    assert check_density("run 1", 3.5, 0.05, COMMON).call == "nonconforming"
    assert check_density("run 1", 11, 0.2, load_limits("by-diameter"), 0.020).call == "conforming"
    assert check_density("run 1", 11, 0.2, load_limits("by-diameter"), 0.032, "most-in-any-inch").rule.startswith(
        "most"
    )


def test_a_pigtail_is_held_against_its_count() -> None:
    checks = [check_pigtail(twists, 0.15, COMMON) for twists in (4.1, 2.45, 7.6)]
    assert [check.call for check in checks if check] == ["conforming", "undecided", "nonconforming"]
    assert check_pigtail(4.1, 0.15, replace(COMMON, pigtail=None)) is None


def checks_of(*probabilities: float) -> list[Check]:
    model: Any = check_density("run 1", 7, 0.3, COMMON)
    return [replace(model, probability_conforming=p, call=call_for(p, COMMON.decision)) for p in probabilities]


@pytest.mark.parametrize(
    ("probabilities", "call", "confidence"),
    [
        ((0.99,), "conforming", 0.99),
        ((0.99, 0.97), "conforming", 0.99 * 0.97),
        ((0.01,), "nonconforming", 0.99),
        ((0.01, 0.99), "nonconforming", 1 - 0.01 * 0.99),
        ((0.04, 0.5), "nonconforming", 1 - 0.04 * 0.5),
        ((0.7,), "undecided", 0.7),
        ((0.2, 0.99), "undecided", 1 - 0.2 * 0.99),
        ((), "undecided", 0.5),
    ],
)
def test_the_checks_make_the_call_of_the_whole(probabilities: tuple[float], call: str, confidence: float) -> None:
    assert overall(checks_of(*probabilities)) == (call, pytest.approx(confidence))


def test_doubt_in_the_find_counts_against_conforming_and_never_leaves_less_than_even_odds() -> None:
    assert overall(checks_of(0.99), 0.9)[1] == pytest.approx(0.99 * 0.9)
    assert overall(checks_of(0.01), 0.9)[1] == pytest.approx(0.99 * 0.9)
    assert overall(checks_of(0.52), 0.9) == ("undecided", pytest.approx(1 - 0.52 * 0.9))


def test_confidence_is_how_often_the_call_is_right() -> None:
    """Play many safeties, measure each with noise, and count how often a call of some confidence was right.

    The true values come from a wide flat range, so that the measurement alone tells of them, as the
    formula has it.
    """
    rng = np.random.default_rng(7)
    confidences, right = [], []
    for _ in range(6000):
        true_density, true_twists = rng.uniform(3, 11), rng.uniform(0, 9)
        density = check_density("run 1", true_density + rng.normal(0, 0.4), 0.4, COMMON)
        pigtail = check_pigtail(true_twists + rng.normal(0, 0.4), 0.4, COMMON)
        assert pigtail is not None
        call, confidence = overall([density, pigtail])
        conforms = 6 <= true_density <= 8 and 2.5 <= true_twists < 6.5
        likelier = conforms == (density.probability_conforming * pigtail.probability_conforming > 0.5)
        confidences.append(confidence)
        right.append({"conforming": conforms, "nonconforming": not conforms, "undecided": likelier}[call])
    stated, was_right = np.array(confidences), np.array(right)
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 0.99), (0.99, 1.01)):
        some = (low <= stated) & (stated < high)
        spread = 3.5 * math.sqrt(0.25 / some.sum())
        assert some.sum() > 100 and abs(was_right[some].mean() - stated[some].mean()) < spread


def test_lengths_are_judged_where_the_set_says_so_and_shown_where_not() -> None:
    limits = load_limits("common")
    assert limits.span is not None and limits.span.high == 6.0
    short = check_length("span", "run 1", 5.0, 0.1, limits.span, limits)
    long = check_length("span", "run 1", 6.4, 0.1, limits.span, limits)
    assert short is not None and short.call == "conforming"
    assert long is not None and long.call == "nonconforming" and long.unit == "in"
    assert check_length("gap-start", "run 1", 0.3, 0.02, limits.gap, limits) is None
    assert check_length("bow", "run 1", 0.3, 0.02, limits.bow, limits) is None


@pytest.mark.parametrize(
    ("fasteners", "longest_span_in", "wire_in", "rule", "call"),
    # Document 13773-001 (2000), 20-50: three where they stand widely apart, else what 24 in of wire reaches.
    [
        (3, 5.0, 40.0, "fasteners-in-series", "conforming"),
        (4, 5.0, 40.0, "fasteners-in-series", "nonconforming"),
        (5, 1.5, 18.0, "wire-in-series", "conforming"),
        (5, 1.5, 30.0, "wire-in-series", "nonconforming"),
    ],
)
def test_series_by_spacing(fasteners: int, longest_span_in: float, wire_in: float, rule: str, call: str) -> None:
    check = check_series(fasteners, longest_span_in, (wire_in, 1.0), load_limits("common"))
    assert check is not None
    assert (check.rule, check.call) == (rule, call)


def test_two_fasteners_are_no_series() -> None:
    assert check_series(2, 7.0, (60.0, 1.0), load_limits("common")) is None


def test_without_the_wires_size_only_their_number_can_be_held() -> None:
    assert check_series(4, 5.0, None, COMMON) is not None
    assert check_series(4, 2.0, None, COMMON) is None


@pytest.mark.parametrize(
    ("value", "call"),
    [(7.0, "conforming"), (6.25, "conforming"), (6.15, "undecided"), (5.85, "undecided"), (5.75, "nonconforming")],
)
def test_guard_bands_go_by_the_value(value: float, call: str) -> None:
    """ILAC-G8:09/2019: a guard band of one expanded uncertainty, 0.2 here, inside and outside the limits."""
    rule = replace(COMMON.decision, guard_band=1.0)
    assert call_of_value(value, 0.2 / COVERAGE_95, 6.0, 8.0, rule) == call


def test_simple_acceptance_leaves_nothing_undecided() -> None:
    rule = replace(COMMON.decision, guard_band=0.0)
    assert [call_of_value(v, 0.3, 6.0, 8.0, rule) for v in (5.99, 6.01, 8.01)] == [
        "nonconforming",
        "conforming",
        "nonconforming",
    ]


@pytest.mark.parametrize(
    ("mean", "deviation", "u", "guard_band"),
    [
        (7.0, 1.0, 0.1, None),
        (7.0, 1.0, 0.02, None),
        (7.0, 1.0, 0.01, 1.0),
        (7.9, 0.3, 0.2, 0.0),
        (7.2, 0.4, 0.12, None),
    ],
)
def test_risks_are_those_of_a_fine_integral(mean: float, deviation: float, u: float, guard_band: float | None) -> None:
    """JCGM 106:2012, clause 9: the joint density of true and seen, integrated by SciPy's own quadrature."""
    rule = replace(COMMON.decision, guard_band=guard_band)
    grid = np.arange(5, 9, u / 2000)
    calls = np.array([call_of_value(float(v), u, 6.0, 8.0, rule) for v in grid])

    def edges(call: str) -> tuple[float, float]:
        said = grid[calls == call]
        return float(said.min()), float(said.max())

    accept = edges("conforming")
    inner = grid[(calls != "nonconforming")]
    reject = float(inner.min()), float(inner.max())

    def accepted(true: float) -> float:
        return float(ndtr((accept[1] - true) / u) - ndtr((accept[0] - true) / u))

    def rejected(true: float) -> float:
        return float(1 - ndtr((reject[1] - true) / u) + ndtr((reject[0] - true) / u))

    def over(share: Callable[[float], float], low: float, high: float) -> float:
        near = [p for p in (6 - 4 * u, 6, 6 + 4 * u, 8 - 4 * u, 8, 8 + 4 * u) if low < p < high]
        return float(quad(lambda t: norm.pdf(t, mean, deviation) * share(t), low, high, points=near, limit=400)[0])

    low, high = mean - 8 * deviation, mean + 8 * deviation
    consumer, producer = risks(mean, deviation, u, 6.0, 8.0, rule)
    assert consumer == pytest.approx(over(accepted, low, 6.0) + over(accepted, 8.0, high), rel=0.01)
    assert producer == pytest.approx(over(rejected, 6.0, 8.0), rel=0.01)
    with pytest.raises(ValueError, match="above 0"):
        risks(mean, 0.0, u, 6.0, 8.0, rule)
