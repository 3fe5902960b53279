"""A reading held against its plan."""

from __future__ import annotations

import dataclasses

import pytest

from tests.visionwire.plan.made import COMMON, plan
from visionwire.plan import Fastener, held_against
from visionwire.reading import Reading, Series


def seen(reading: Reading, span_in: float, twists: float) -> Reading:
    run = dataclasses.replace(reading.runs[0], span_in=span_in, span_in_u95=0.05, twists=twists, twists_u95=0.2)
    return dataclasses.replace(reading, runs=(run,), series=Series(1, 2, span_in, None, None))


def test_a_safety_as_planned_conforms(reading: Reading) -> None:
    planned = plan(Fastener(0, 0), Fastener(2.73, 0))
    held = held_against(seen(reading, 2.73, 18.6), planned, COMMON)
    assert {check.rule for check in held.checks} >= {"runs-as-planned", "span-as-planned", "twists-as-planned"}
    assert held.call == "conforming"
    assert held.confidence <= reading.confidence + 1e-9
    assert (held.advice, held.flags) == (reading.advice, reading.flags)


@pytest.mark.parametrize(
    ("span_in", "twists", "rule", "advice"),
    [
        (4.0, 18.6, "span-as-planned", "4.00 ± 0.05 in, and the plan has 2.73, give or take 0.25; check that the plan"),
        (
            2.73,
            30.0,
            "twists-as-planned",
            "30.0 ± 0.2 twists, and the plan allows 16 to 20; check that the plan is of this safety and count them on",
        ),
    ],
)
def test_a_safety_that_is_another_does_not(
    reading: Reading, span_in: float, twists: float, rule: str, advice: str
) -> None:
    held = held_against(seen(reading, span_in, twists), plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert held.call == "nonconforming"
    assert next(check for check in held.checks if check.rule == rule).call == "nonconforming"
    (said,) = held.advice[len(reading.advice) :]
    assert advice in said and held.flags == (*reading.flags, rule.replace("-as-", "-not-as-"))


@pytest.mark.parametrize(
    ("twists", "said"),
    [
        (12.0, "the wire is under-twisted: twist it on while its ends are still free, else cut it out"),
        (30.0, "the wire is over-twisted, and is never untwisted: cut it out and twist new wire as planned"),
    ],
)
def test_only_wire_with_too_many_twists_has_to_be_cut_out(reading: Reading, twists: float, said: str) -> None:
    held = held_against(seen(reading, 2.73, twists), plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    (advice,) = (one for one in held.advice if one.startswith("run 1 has"))
    assert f"; if it is so, {said}" in advice


def test_of_a_run_cut_off_a_plan_neither_makes_a_call_nor_shakes_one(reading: Reading) -> None:
    part = dataclasses.replace(seen(reading, 2.73, 18.6), call="undecided", confidence=0.5, flags=("run-cut-off",))
    first = dataclasses.replace(part.checks[0], call="undecided")
    run = dataclasses.replace(part.runs[0], flags=("run-cut-off",))
    part = dataclasses.replace(part, runs=(run,), checks=(first, *part.checks[1:]))
    for planned_in in (2.73, 5.5):  # the rest of a run that is too short so far may lie beyond the picture
        held = held_against(part, plan(Fastener(0, 0), Fastener(planned_in, 0)), COMMON)
        assert (held.call, held.confidence) == ("undecided", 0.5)
        assert held.flags == part.flags
    other = held_against(part, plan(Fastener(0, 0), Fastener(1.5, 0)), COMMON)
    assert other.call == "nonconforming" and other.confidence > 0.9


def test_twists_that_may_be_as_planned_are_not_said_to_be_others(reading: Reading) -> None:
    (run,) = seen(reading, 2.73, 20.0).runs
    unsure = dataclasses.replace(reading, runs=(dataclasses.replace(run, twists_u95=2.4),))
    held = held_against(unsure, plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert next(check for check in held.checks if check.rule == "twists-as-planned").call == "undecided"
    assert "twists-not-as-planned" not in held.flags and not any("cut it out" in one for one in held.advice)


def test_wire_of_another_size_than_planned_is_named(reading: Reading) -> None:
    (run,) = seen(reading, 2.73, 18.6).runs
    thin = dataclasses.replace(run, wire_diameter_in=0.02, wire_diameter_in_u95=0.001)
    held = held_against(dataclasses.replace(reading, runs=(thin,)), plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert "looks 0.020 ± 0.001 in thick, and the plan has 0.032" in held.advice[-1]


@pytest.mark.parametrize("flag", ["find-in-doubt", "pigtail-looks-short"])
def test_what_keeps_a_reading_from_conforming_a_plan_that_agrees_does_not_lift(reading: Reading, flag: str) -> None:
    kept = dataclasses.replace(seen(reading, 2.73, 18.6), call="undecided", flags=(flag,))
    assert held_against(kept, plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON).call == "undecided"


def test_in_doubt_of_the_scale_a_length_that_conforms_makes_no_call_of_the_whole(reading: Reading) -> None:
    span = dataclasses.replace(reading.checks[0], rule="span", unit="in", value=2.73, low=None, call="conforming")
    flags = ("wire-not-as-given",)
    doubted = dataclasses.replace(seen(reading, 2.73, 18.6), call="undecided", flags=flags, checks=(span,))
    held = held_against(doubted, plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert held.call == "undecided" and held.checks[0].call == "conforming"
    more = held_against(several(doubted, 2.73, 2.0), plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert more.call == "nonconforming", "runs are counted whatever the scale"


def test_runs_out_of_the_picture_prove_nothing_and_runs_too_many_do(reading: Reading) -> None:
    more = held_against(several(reading, 2.73, 2.0), plan(Fastener(0, 0), Fastener(2.73, 0)), COMMON)
    assert more.call == "nonconforming" and "in view is 2, and that of the plan 1" in more.advice[-1]
    planned = plan(Fastener(0, 0), Fastener(2.73, 0), Fastener(4.5, 0.5))
    held = held_against(seen(reading, 2.73, 18.6), planned, COMMON)
    assert held.call == "undecided" and "show the whole safety in one picture" in held.advice[-1]
    (check,) = [check for check in held.checks if check.rule == "runs-as-planned"]
    assert (check.value, check.low) == (1.0, 2.0)


def several(reading: Reading, *spans_in: float) -> Reading:
    runs = tuple(
        dataclasses.replace(reading.runs[0], span_in=span, span_in_u95=0.05, twists=7 * (span - 0.125), twists_u95=0.2)
        for span in spans_in
    )
    series = Series(len(runs), len(runs) + 1, max(spans_in), None, None)
    return dataclasses.replace(reading, runs=runs, series=series)


def test_two_wires_that_share_a_head_may_look_like_one(reading: Reading) -> None:
    planned = plan(*(Fastener(5.0 * k, 0) for k in range(4)))
    assert len(planned.series) == 2
    assert held_against(several(reading, 5, 5, 5), planned, COMMON).call == "conforming"


def test_of_two_wires_the_one_that_fits_is_taken(reading: Reading) -> None:
    planned = plan(*(Fastener(x, 0) for x in (0, 5, 10, 14.2, 18.4)))
    for spans in ((5, 5), (4.2, 4.2)):
        assert held_against(several(reading, *spans), planned, COMMON).call == "conforming"


def test_a_plan_of_single_wire_asks_nothing_of_a_reading(reading: Reading) -> None:
    corners = [Fastener(0, 0), Fastener(1, 0), Fastener(1, 1)]
    planned = plan(*corners, hole_in=0.05, single=True, closed_pattern=True)
    assert held_against(reading, planned, COMMON) == reading
