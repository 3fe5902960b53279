"""The page of an archive and its charts."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import NOW, Made, reading
from visionwire.archive import Ledger, statistics, trends
from visionwire.archive.decisions import decide
from visionwire.archive.page import MOST_POINTS, STEPS, trends_html
from visionwire.cli import app
from visionwire.limits import load_limits


def chart_of(page: str) -> str:
    (chart,) = re.findall(r'<svg[^>]*aria-label="individuals in their order".*?</svg>', page, re.DOTALL)
    return str(chart)


def page_of(book: Ledger) -> str:
    return trends_html("a.db", trends.trends_of(book, 0), load_limits("common"), book, "common", ())


def test_an_order_that_no_date_tells_has_its_true_name_and_no_control_limits(made: Made) -> None:
    course = [9.5, 9.0, 8.9, 8.4, 7.2, 7.0, 7.1, 6.9]
    undated = {f"{k}.jpg": reading(density=one) for k, one in enumerate(course)}
    page = page_of(made(undated))
    assert "Twists per inch in the order of their path" in page and "order taken" not in page
    assert "8 of 8 photographs have no date, so this order" in page and "--metadata" in page
    assert "<p>Control limits need 5 photographs with a date, a trend needs 6.</p>" in page and "are there" not in page
    assert "Individuals chart" not in page and "Twisting has" not in page
    dated = {path: one | {"taken": f"2031-05-0{1 + k}"} for k, (path, one) in enumerate(undated.items())}
    page = page_of(made(dated | {"lost.jpg": reading(density=99.0)}, "dated.db"))
    assert "Twists per inch in the order taken" in page and "1 of 9 photographs has no date and is left out" in page
    assert "Individuals chart" in page and ">limit 8<" in page and ">limit 6<" in page and ">lost<" not in page
    assert page.index(')">0<') < page.index(')">7<'), "each point has its photograph's name"
    assert "by 1.95 twists per inch on average in the first half and by 0.10 in the second" in page
    assert "Twisting has improved: off the middle of the limits, 7, by 1.95 twists per inch" in page
    unsure = {f"{k}.jpg": reading(density=one, taken=f"2031-05-{k + 1:02d}") for k, one in enumerate((9.6, 5.6) * 4)}
    page = page_of(made(unsure, "unsure.db"))
    assert "<p>No change can be told yet: off the middle" in page and "which may be chance." in page
    few = page_of(made(dict(list(dated.items())[:4]) | {f"u{k}": reading() for k in range(6)}, "few.db"))
    assert "6 of 10 photographs have no date, so this order" in few, "four dates make no control limits"
    assert "in the order of their path, those without a date first" in few and ">0<" in chart_of(few), "all are shown"


@pytest.mark.parametrize("count", range(1, 7))
def test_a_few_pieces_are_shown_and_how_many_a_trend_needs_is_said(made: Made, count: int) -> None:
    photos = {f"p{k}.jpg": reading(density=9.0 - k / 2, taken=f"2031-05-0{k + 1}") for k in range(count)}
    page = page_of(made(photos))
    assert "Twists per inch in the order taken" in page
    assert [f">p{k}<" in chart_of(page) for k in range(count)] == [True] * count and ">limit 8<" in chart_of(page)
    control = " control limits need 5," if count < 5 else ""
    there = f"<p>{count} photograph{' with a date is' if count == 1 else 's with a date are'} there;"
    assert (f"{there}{control} a trend needs 6.</p>" in page) is (count < 6)
    assert ("Individuals chart" in page) is (count >= 5) and ("off the middle of the limits" in page) is (count >= 6)


def test_points_are_named_where_they_are_few_however_many_have_no_date(made: Made) -> None:
    undated = {f"u{k}.jpg": reading(density=7.0) for k in range(10)}
    dated = {f"d{k}.jpg": reading(density=7 + k % 2) | {"taken": f"2031-05-{10 + k}"} for k in range(20)}
    page = page_of(made(undated | dated))
    assert ">d0<" in page and ">d19<" in page and ">u9<" not in page


@pytest.mark.parametrize("count", [8, 400])
def test_photographs_are_joined_by_a_line_only_in_the_order_of_time(made: Made, count: int) -> None:
    undated = {f"{k:03d}.jpg": reading(density=7 + k % 3) for k in range(count)}
    dated = {
        path: one | {"taken": f"2031-05-01T09:{k // 60:02d}:{k % 60:02d}"}
        for k, (path, one) in enumerate(undated.items())
    }
    few = dict(list(dated.items())[:4]) | dict(list(undated.items())[4:])
    charts = 2 if count > MOST_POINTS else 1
    pages = {name: page_of(made(photos, name)) for name, photos in (("u", undated), ("d", dated), ("f", few))}
    assert {name: page.count("<polyline") for name, page in pages.items()} == {"u": 0, "d": charts, "f": 0}
    points = min(count, MOST_POINTS)
    assert chart_of(pages["u"]).count('class="dot"') == points and "<polygon" not in pages["u"]
    assert pages["u"].count('class="dot"') == points + STEPS * (charts - 1)


def test_the_page_names_the_first_few_that_look_like_another(made: Made) -> None:
    same = {f"like {k}": reading(mark="0123456789abcdef", technician="T. One") for k in range(9)}
    other = {"a": reading(mark="0123456789abcdef", technician="T. Other")}
    book = made(same | other | {"b": reading(), "c": {"state": "unreadable", "code": "blurred"}})
    found = trends.trends_of(book, 0, "T. One")
    assert found.pairs == tuple((f"like {k}", "like 0") for k in range(1, 6)) and found.resembling == 8
    page = trends_html("a.db", found, load_limits("common"), book, "common", ())
    assert "like 1 like like 0, " in page and "like 5 like like 0 and 3 more." in page
    assert "<h1>Safety wire, trends of T. One</h1>" in page


def test_one_of_a_kind_is_said_so(made: Made) -> None:
    book = made({"a.jpg": reading()})
    assert "1 of 1 photograph has no date, so this order" in page_of(book)
    decide(book, "a.jpg", "accept", "seen", "A. Person", NOW)
    book.use("other")
    assert (
        "1 of the photographs was read anew, by other settings or with more time, after the latest decision on it"
        in (page_of(book).replace("\n", " "))
    )
    shown = CliRunner().invoke(app, ["trends", str(book.path)]).stdout
    assert "decisions made on an earlier reading: 1; look at it again with" in shown
    crowd = {f"{k}.jpg": reading(aircraft=f"tail {k}") for k in range(statistics.MOST_GROUPS + 1)}
    assert "<td>1 other</td>" in page_of(made(crowd, "crowd.db"))


def test_the_page_does_not_grow_with_the_archive(made: Made) -> None:
    rng = np.random.default_rng(4)
    sizes = []
    for count in (1000, 4000):
        photos = {
            f"{k:05d}": reading(density=float(rng.normal(7, 0.5)), aircraft=f"tail {k}", technician=f"T. {k % 90}")
            for k in range(count)
        }
        book = made(photos, f"{count}.db")
        page = trends_html("a.db", trends.trends_of(book, 5), load_limits("common"), book, "common", ())
        assert f"All {count:,}".replace(",", " ") in page and f"{count - statistics.MOST_GROUPS} others" in page
        sizes.append(len(page))
        book.close()
    assert sizes[1] < 1.05 * sizes[0] < 100_000


@pytest.mark.parametrize("middle", [7.0, 7.8, 6.9, 20.0])
def test_control_limits_are_thin_dashed_and_named_and_run_into_no_limit_of_the_set(made: Made, middle: float) -> None:
    photos = {
        f"{k:02d}": reading(density=middle + 0.1 * (-1) ** k, taken=f"2031-03-{k + 1:02d}T09:40") for k in range(20)
    }
    photos |= {"r": {"state": "unreadable", "code": "took-too-long"}}
    book = made(photos)
    found = trends.trends_of(book, 0)
    page = trends_html("a.db", found, load_limits("common"), book, "common", ["one ended"])
    chart = chart_of(page)
    limits = statistics.control_chart(found.densities)
    off = 1 if middle == 7.8 else 0  # 8.3: the chart ends at 8.24
    assert limits is not None and 'class="limit"' not in chart and chart.count('class="control"') == 2 - off
    assert all(
        "stroke-dasharray" in one and "stroke-width" not in one for one in re.findall("<path[^>]*control.*?>", chart)
    )
    heights = [float(one) for one in re.findall(r'y="([\d.]+)"[^>]*>(?:control )?limit', chart)]
    assert len(heights) == 4 and min(np.diff(sorted(heights))) > 11 and chart.count(">control limit ") == 2
    assert re.search(r"\.reasons \{ margin: \d", page) and '<table class="reasons">' in page, (
        "else it touches sentences"
    )
    assert "heavy lines 2.66" not in page and "dashed the control\nlimits" in page


def test_control_limits_far_off_do_not_squeeze_the_chart_and_are_said_at_its_edge(made: Made) -> None:
    course = (9.6, 5.6, 9.0, 6.4, 8.2, 7.1, 7.3)
    photos = {f"{k}": reading(density=one, taken=f"2031-05-0{k + 1}") for k, one in enumerate(course)}
    chart = chart_of(page_of(made(photos)))
    assert ">control limit 13.4 above<" in chart and ">control limit 1.8 below<" in chart and ">mean 7.6<" in chart
    assert 'class="control"' not in chart
    assert re.findall(r'text-anchor="end">([\d.]+)<', chart) == ["6", "7", "8", "9", "10"]
    tall = [float(one) for one in re.findall(r'cy="([\d.]+)"', chart)]
    assert max(tall) - min(tall) > 100, "the points take most of the height"


@pytest.mark.parametrize(("middle", "spread"), [(7.0, 1.0), (9.3, 0.1), (25.0, 8.0)])
def test_no_bar_of_a_distribution_holds_what_lies_on_both_sides_of_a_limit(
    made: Made, middle: float, spread: float
) -> None:
    densities = np.abs(np.random.default_rng(3).normal(middle, spread, 60))
    book = made({f"{k}": reading(density=float(one)) for k, one in enumerate(densities)})
    found, common = trends.trends_of(book, 0), load_limits("common")
    for low, high in ((6.0, 8.0), (6.0, None), (None, 8.0), (7.0, 7.0)):
        limits = dataclasses.replace(common, density=(dataclasses.replace(common.density[0], low=low, high=high),))
        page = trends_html("a.db", found, limits, book, "common", ())
        chart = re.findall(r'<svg[^>]*aria-label="distribution.*?</svg>', page, re.DOTALL)[0]
        bars = re.findall(r'<rect[^>]* x="([\d.]+)"[^>]* width="([\d.]+)" height="([\d.]+)"', chart)
        left, width, height = np.array(bars, float).T
        posts = [float(one) for one in re.findall(r'<path class="limit"[^>]*d="M([\d.]+)', chart)]
        asked = [one for one in (low, high) if one is not None]
        assert len(posts) == len(asked) and 20 <= len(bars) <= 50
        for post, limit in zip(posts, asked, strict=True):
            assert np.all((left > post) | (left + width < post)), "no bar straddles it"
            assert height[left > post].sum() / height.sum() == pytest.approx(np.mean(densities >= limit), abs=0.01)


def test_the_page_says_what_a_confidence_is_and_what_a_probability(made: Made) -> None:
    book = made({"a.jpg": reading(confidence=0.97)})
    page = trends_html("a.db", trends.trends_of(book, 1), load_limits("common"), book, "common", ())
    assert "confidence 97 %" in page and "within limits with probability" in page
    assert "Confidence: how likely the call" in page and "Probability: how likely the one figure" in page
    assert "Confidence: " not in page_of(book), "where no photograph is listed"
