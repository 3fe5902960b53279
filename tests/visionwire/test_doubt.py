"""What keeps a check from being called, and what is said of it."""

from __future__ import annotations

import dataclasses

import pytest

from visionwire.doubt import SCALE_OFF, factor_of_doubt, near_a_limit, of_scale_in_doubt, series_in_doubt
from visionwire.limits import load_limits
from visionwire.quality import Flag, flag
from visionwire.reading import Check, Series


@pytest.mark.parametrize(
    ("unit", "source", "told", "advice"),
    [
        (
            "twists per inch",
            "card",
            False,
            "from nearer, with the card held level with the wire (say so with --card-below 0)",
        ),
        ("in", "id1", False, "from nearer, with the card held level with the wire (say so with --card-below 0)"),
        ("twists per inch", "card", True, "from nearer"),
        ("twists per inch", "wire", False, "with a printed card beside the wire"),
        ("twists per inch", "two-points", False, "with a printed card beside the wire"),
        ("twists", "wire", False, "from nearer"),
        ("twists", "card", False, "from nearer"),
    ],
)
def test_near_a_limit_nobody_is_sent_for_a_card_that_is_not_there_or_not_needed(
    unit: str, source: str, told: bool, advice: str
) -> None:
    check = Check("density", "run 1", 6.1, 0.4, unit, 6.0, 8.0, 0.7, "undecided", "common")
    (said,) = near_a_limit([check], [], source, told)
    assert said.sentence.endswith(f"or take another picture {advice}")


@pytest.mark.parametrize(
    ("unit", "source", "by_hand"),
    [
        ("twists per inch", "card", "count it by eye"),
        ("twists per inch", "wire", "measure their length with a rule on the part"),
        ("twists", "wire", "count it by eye"),
        ("in", "card", "measure it by hand"),
    ],
)
def test_near_a_limit_nobody_counts_by_eye_what_only_the_scale_leaves_open(
    unit: str, source: str, by_hand: str
) -> None:
    check = Check("density", "run 1", 6.1, 0.4, unit, 6.0, 8.0, 0.7, "undecided", "common")
    (said,) = near_a_limit([check], [], source, False)
    assert by_hand in said.sentence


@pytest.mark.parametrize(("rule", "named"), [("density", "run 1"), ("twists-as-planned", "run 1, twists as planned,")])
def test_near_a_limit_it_is_named_which_figure_of_a_run_is_not_called(rule: str, named: str) -> None:
    called = Check("density", "run 1", 7.0, 0.2, "twists per inch", 6.0, 8.0, 0.999, "conforming", "common")
    check = Check(rule, "run 1", 11.8, 0.7, "twists", 9.0, 12.0, 0.7, "undecided", "plan")
    (said,) = near_a_limit([called, check], [], "card", False)
    assert said.sentence.startswith(f"of {named} a limit lies")


@pytest.mark.parametrize(
    ("code", "cut_off", "named"),
    [
        ("pigtail-cut-off", ("pigtail",), "run 1"),
        ("run-cut-off", ("run 1",), "the pigtail"),
        ("wire-not-as-given", (), "the pigtail"),
        ("pigtail-told-twice", (), "run 1"),
        ("perhaps-no-wire", (), None),
        ("pigtail-cut-off", ("run 1", "pigtail"), None),
    ],
)
def test_a_flag_that_says_why_one_section_is_not_called_hides_no_other(
    code: str, cut_off: tuple[str, ...], named: str | None
) -> None:
    checks = [
        Check("density", "run 1", 6.6, 0.9, "twists per inch", 6.0, 8.0, 0.93, "undecided", "common"),
        Check("pigtail-twists", "pigtail", 6.2, 0.5, "twists", 3, 6, 0.9, "undecided", "common"),
    ]
    said = [one.sentence for one in near_a_limit(checks, [Flag(code, "why")], "card", False, cut_off)]
    assert bool(said) == (named is not None) and all(one.startswith(f"of {named} a limit") for one in said)


def length(value: float, low: float | None, high: float | None, call: str = "conforming", unit: str = "in") -> Check:
    return Check("span", "run 1", value, 0.1, unit, low, high, 0.99, call, "common")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("check", "factor", "call"),
    [
        (length(3.0, None, 6.0), 1.5, "conforming"),
        (length(4.1, None, 6.0), 1.5, "undecided"),
        (length(3.0, None, 6.0), 2.1, "undecided"),
        (length(3.0, 2.1, 6.0), 1.5, "undecided"),
        (length(3.0, 1.9, 6.0), 1.5, "conforming"),
        (length(3.0, None, 6.0, "undecided"), 1.5, "undecided"),
        (length(9.1, None, 6.0, "nonconforming"), 1.5, "undecided"),
        (length(7.0, 1.0, 80.0, unit="twists per inch"), 1.5, "undecided"),
        (length(3.0, None, 60.0, unit="fasteners"), 1.5, "undecided"),
        (length(4.0, 3.0, 6.0, "nonconforming", unit="twists"), 1.5, "nonconforming"),
    ],
)
def test_in_doubt_of_the_scale_a_length_inside_its_limit_all_the_same_is_said_to_be(
    check: Check, factor: float, call: str
) -> None:
    assert of_scale_in_doubt([check], factor)[0].call == call
    if check.unit != "twists":
        assert of_scale_in_doubt([check])[0].call == "undecided", "of a factor that is not known nothing is"


def test_the_factor_of_the_doubt_is_the_largest_seen_and_never_small() -> None:
    def contradicted(factor: float) -> Flag:
        given = flag("wire-not-as-given", seen_in=0.04, given_in=0.032, causes="the wire's size")
        return dataclasses.replace(given, factor=factor)

    assert factor_of_doubt([flag("scale-from-wire")]) is None
    assert factor_of_doubt([contradicted(1.1)]) == SCALE_OFF
    assert factor_of_doubt([contradicted(1.1), contradicted(25.4)]) == 25.4


@pytest.mark.parametrize(("longest_span_in", "call"), [(2.6, "conforming"), (2.7, "undecided")])
def test_the_wire_of_a_series_is_judged_only_where_off_by_the_factor_it_would_be_too(
    longest_span_in: float, call: str
) -> None:
    wire = dataclasses.replace(length(12.0, None, 24.0), rule="wire-in-series", section="whole")
    series = Series(3, 4, longest_span_in, 12.0, 1.0)
    checks = series_in_doubt([wire, length(3.0, None, 6.0)], series, 1.5, load_limits("common"))
    assert [check.call for check in checks] == [call, "conforming"]
