"""Shares with intervals, control charts and changes, beside published figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from visionwire.archive import statistics


@pytest.mark.parametrize(("hits", "count"), [(0, 3), (3, 3), (5, 12), (97, 100)])
def test_intervals_are_those_of_clopper_and_pearson(hits: int, count: int) -> None:
    """Beside SciPy's own exact interval of a binomial test."""
    exact = stats.binomtest(hits, count).proportion_ci(0.95, "exact")
    assert statistics.share_interval(hits, count) == pytest.approx((exact.low, exact.high))


def test_three_photographs_judge_nobody() -> None:
    (group,) = statistics.grouped({("T. One", "conforming"): 3})
    assert group.share == 1.0 and group.low < 0.3
    (other,) = statistics.grouped({(None, "undecided"): 1})
    assert other.name == statistics.NOT_SAID and other.share is None


def test_a_table_does_not_grow_with_the_archive_and_loses_nothing() -> None:
    counts = {(f"tail {k:03d}", "conforming"): 1 + k % 100 for k in range(300)}
    groups = statistics.grouped(counts)
    assert len(groups) == statistics.MOST_GROUPS + 1
    assert sum(group.count for group in groups) == sum(counts.values())
    assert groups[-1].name == f"{300 - statistics.MOST_GROUPS} others"
    assert min(group.count for group in groups[:-1]) >= 86  # the largest are named
    months = statistics.grouped(
        {(f"20{year:02d}-{month:02d}", "conforming"): 1 for year in range(10) for month in (1, 7)}
    )
    assert len(months) == 20 and months[-1].name == "2009-07"
    many = statistics.grouped({(f"{year}-01", "conforming"): 1 for year in range(1900, 2000)}, latest=True)
    assert (many[0].name, many[0].count, many[-1].name) == ("60 earlier", 60, "1999-01")


def test_individuals_and_moving_range_chart() -> None:
    """The worked example of ten flow rates, NIST/SEMATECH e-Handbook, 6.3.2.2.

    itl.nist.gov/div898/handbook/pmc/section3/pmc322.htm: mean 50.81, mean moving range 1.8778, limits 50.81 +- 3 x
    1.8778 / 1.128, printed as 55.8041 and 45.8159.
    """
    chart = statistics.control_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert chart is not None
    assert chart.centre == pytest.approx(50.81)
    assert (chart.high, chart.low) == (pytest.approx(55.8041, abs=2e-3), pytest.approx(45.8159, abs=2e-3))
    assert not len(chart.beyond)


def test_what_stands_out_and_what_drifts_is_pointed_at() -> None:
    steady = [7.0 + 0.1 * (-1) ** k for k in range(20)]
    chart = statistics.control_chart([*steady, 9.0, *steady])
    assert chart is not None and chart.beyond.tolist() == [20]
    shifted = statistics.control_chart(
        [7.0 + 0.02 * (k % 3) for k in range(12)] + [7.06 + 0.02 * (k % 3) for k in range(12)]
    )
    # The mean is 7.05: the first twelve lie under it, the rest over it, so the eighth and later of each.
    assert shifted is not None and shifted.one_sided.tolist() == [*range(7, 12), *range(19, 24)]
    assert statistics.control_chart([7.0] * 4) is None


def test_the_change_of_a_course_is_welchs() -> None:
    """Beside SciPy's own test of two means that scatter differently."""
    rng = np.random.default_rng(6)
    values = np.concatenate([rng.normal(2, 1, 9), rng.normal(1, 0.3, 8)])
    found = statistics.change(values)
    beside = stats.ttest_ind(values[9:], values[:9], equal_var=False).confidence_interval(0.95)
    assert found is not None
    assert (found.by - found.by_u95, found.by + found.by_u95) == (pytest.approx(beside.low), pytest.approx(beside.high))
    assert statistics.change(values[:5]) is None and statistics.change(np.full(8, 7.0)) == statistics.Change(
        7.0, 7.0, 0.0
    )


def test_resembling_is_that_of_every_pair() -> None:
    rng = np.random.default_rng(2)
    marks = rng.integers(0, 1 << 63, 400, dtype=np.uint64)
    for k in range(1, 400, 2):  # every second one differs from some earlier one in 0 to 6 bits
        bits = rng.choice(64, int(rng.integers(0, 7)), replace=False)
        marks[k] = marks[rng.integers(k)] ^ np.bitwise_or.reduce(np.uint64(1) << bits.astype(np.uint64), initial=0)
    every = [
        any(int(marks[k] ^ earlier).bit_count() <= statistics.RESEMBLING_BITS for earlier in marks[:k])
        for k in range(400)
    ]
    assert 50 < sum(every) < 350
    assert statistics.saved_again(marks).tolist() == every
    assert statistics.saved_again(np.zeros(0, np.uint64)).tolist() == []
