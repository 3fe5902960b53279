"""Shares with intervals, control charts, agreement and the order of the work list, beside published figures."""

from __future__ import annotations

from typing import Any

import pytest
from scipy import stats

from visionwire.archive import trends


def row(path: str, call: str = "conforming", p: float = 0.99, **more: Any) -> trends.Row:
    known = {"state": "reading", "decision": None, "copy_of": None, "taken": None, "fingerprint": None, "sha256": path}
    return {"path": path, "call": call, "probability": p, "technician": None, **known, **more}


@pytest.mark.parametrize(("hits", "count"), [(0, 3), (3, 3), (5, 12), (97, 100)])
def test_intervals_are_those_of_clopper_and_pearson(hits: int, count: int) -> None:
    """Beside SciPy's own exact interval of a binomial test."""
    exact = stats.binomtest(hits, count).proportion_ci(0.95, "exact")
    assert trends.share_interval(hits, count) == pytest.approx((exact.low, exact.high))


def test_three_photographs_judge_nobody() -> None:
    (group,) = trends.grouped([row(f"{k}", technician="T. One") for k in range(3)], lambda one: one["technician"])
    assert group.share == 1.0 and group.low < 0.3
    (other,) = trends.grouped([row("a", "undecided")], lambda one: one["technician"])
    assert other.name == trends.NOT_SAID and other.share is None


def test_individuals_and_moving_range_chart() -> None:
    """The worked example of flow rates, NIST/SEMATECH e-Handbook, 6.3.2.2 (from memory): 49.6 ... 49.1.

    Mean 50.81, mean moving range 1.8778, limits 50.81 +- 2.66 x 1.8778.
    """
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = trends.control_chart(flow, [""] * 10)
    assert chart is not None
    assert chart.centre == pytest.approx(50.81)
    assert (chart.high, chart.low) == (pytest.approx(55.8041, abs=2e-3), pytest.approx(45.8159, abs=2e-3))
    assert chart.beyond == ()


def test_what_stands_out_and_what_drifts_is_pointed_at() -> None:
    steady = [7.0 + 0.1 * (-1) ** k for k in range(20)]
    chart = trends.control_chart([*steady, 9.0, *steady], [""] * 41)
    assert chart is not None and chart.beyond == (20,)
    shifted = trends.control_chart(
        [7.0 + 0.02 * (k % 3) for k in range(12)] + [7.06 + 0.02 * (k % 3) for k in range(12)], [""] * 24
    )
    assert shifted is not None and shifted.one_sided
    assert trends.control_chart([7.0] * 4, [""] * 4) is None


def test_the_worst_comes_first_then_the_doubtful() -> None:
    rows = [
        row("sure"),
        row("doubtful", "undecided", 0.5),
        row("bad", "nonconforming", 0.03),
        row("worse", "nonconforming", 0.001),
        row("less doubtful", "undecided", 0.9),
        row("done", "nonconforming", 0.0, decision="reject"),
        row("a copy", "nonconforming", 0.0, copy_of="worse"),
    ]
    assert [one["path"] for one in trends.to_look_at(rows, 5)] == ["worse", "bad", "doubtful", "less doubtful", "sure"]


def test_calls_beside_decisions() -> None:
    rows = [row("a", decision="accept"), row("b", decision="reject"), row("c", decision="accept"), row("d")]
    assert trends.agreement(rows) == {("conforming", "accept"): 2, ("conforming", "reject"): 1}


def test_pictures_saved_again_are_found() -> None:
    marks = {"a": "00000000000000ff", "b": "00000000000000fb", "c": "ff000000000000ff", "d": "00000000000000ff"}
    rows = [row(path, fingerprint=mark, sha256=path if path != "d" else "a") for path, mark in marks.items()]
    assert trends.resembling(rows) == {"b": "a", "d": "b"}
