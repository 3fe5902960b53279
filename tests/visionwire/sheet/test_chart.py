"""Charts: positions read back from the SVG agree with the figures."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from visionwire.reading import DensityAt, Reading
from visionwire.sheet.chart import call_mark, gauge_svg, nice_ticks, profile_svg


def numbers(path: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?\d+\.?\d*", path)]


def by_class(svg: str, name: str) -> list[ElementTree.Element]:
    return [element for element in ElementTree.fromstring(svg).iter() if element.get("class") == name]


def texts(svg: str) -> dict[str, ElementTree.Element]:
    return {element.text or "": element for element in ElementTree.fromstring(svg).iter("text")}


def test_the_curve_goes_through_the_profile(reading: Reading) -> None:
    run = reading.runs[0]
    svg = profile_svg(run, reading.checks[0])
    xy = np.array(numbers(by_class(svg, "curve")[0].get("d", ""))).reshape(-1, 2)
    limits = {float(t.split()[1]): float(e.get("y", "")) - 4 for t, e in texts(svg).items() if t.startswith("limit ")}
    # the two limits calibrate the axis, the curve is then read off it
    per_px = (8.0 - 6.0) / (limits[8.0] - limits[6.0])
    density = 6.0 + (xy[:, 1] - limits[6.0]) * per_px
    np.testing.assert_allclose(density, [p.twists_per_inch for p in run.profile], atol=0.01)
    across = np.diff(xy[:, 0])
    np.testing.assert_allclose(across, across.mean(), atol=0.11)  # the profile is even along the run


def test_the_ribbon_is_as_wide_as_the_uncertainty(reading: Reading) -> None:
    run = reading.runs[0]
    svg = profile_svg(run, reading.checks[0])
    ribbon = np.array(numbers(by_class(svg, "ribbon")[0].get("d", ""))).reshape(-1, 2)
    curve = np.array(numbers(by_class(svg, "curve")[0].get("d", ""))).reshape(-1, 2)
    upper = ribbon[: len(run.profile)]
    px_per_unit = (curve[0, 1] - curve[-1, 1]) / (run.profile[-1].twists_per_inch - run.profile[0].twists_per_inch)
    np.testing.assert_allclose((curve[:, 1] - upper[:, 1]) / px_per_unit, [p.u95 for p in run.profile], atol=0.01)


def test_least_and_most_inch_are_an_inch_wide(reading: Reading) -> None:
    run = reading.runs[0]
    svg = profile_svg(run, reading.checks[0])
    axis = {float(t): float(e.get("x", "")) for t, e in texts(svg).items() if re.fullmatch(r"[0-2](\.5)?", t)}
    per_in = axis[2.0] - axis[1.0]
    bars = [numbers(bar.get("d", "")) for bar in by_class(svg, "inch")]
    assert len(bars) == 2
    for (x1, _, x2, *_), window in zip(bars, (run.least_in_any_inch, run.most_in_any_inch), strict=True):
        assert window is not None
        assert x2 - x1 == pytest.approx(per_in, abs=0.2)
        assert (x1 + x2) / 2 == pytest.approx(axis[1.0] + (window.at_in - 1.0) * per_in, abs=0.2)
    assert "least inch 7.11" in texts(svg) and "most inch 8.86" in texts(svg)


def test_an_inch_that_is_the_whole_run_has_no_bar(reading: Reading) -> None:
    run = reading.runs[0]
    whole = DensityAt(run.twists_per_inch, run.twists_per_inch_u95, run.length_in / 2)
    svg = profile_svg(dataclasses.replace(run, most_in_any_inch=whole), reading.checks[0])
    assert len(by_class(svg, "inch")) == 1 and not any("most inch" in text for text in texts(svg))


def test_no_band_without_limits(reading: Reading) -> None:
    svg = profile_svg(reading.runs[0], None)
    assert not by_class(svg, "band") and not by_class(svg, "limit")
    assert "twists per inch" in texts(svg) and "inches from the start of the run" in texts(svg)


def test_no_chart_without_a_profile(reading: Reading) -> None:
    assert profile_svg(dataclasses.replace(reading.runs[0], profile=()), None) == ""


def test_one_sided_limits(reading: Reading) -> None:
    check = dataclasses.replace(reading.checks[0], high=None)
    assert len(by_class(profile_svg(reading.runs[0], check), "limit")) == 1
    assert len(by_class(gauge_svg(check), "limit")) == 1


def test_the_gauge_shows_the_interval_against_the_posts(reading: Reading) -> None:
    check = reading.checks[0]
    svg = gauge_svg(check)
    low, high = (numbers(post.get("d", ""))[2] for post in by_class(svg, "limit"))
    begin, _, end, *_ = numbers(by_class(svg, "interval")[0].get("d", ""))
    per_unit = (high - low) / (8.0 - 6.0)
    assert (begin - low) / per_unit + 6.0 == pytest.approx(check.value - check.u95, abs=0.005)
    assert (end - low) / per_unit + 6.0 == pytest.approx(check.value + check.u95, abs=0.005)


def test_posts_of_a_pigtail_stand_where_the_nearest_whole_twist_is_allowed(reading: Reading) -> None:
    check = dataclasses.replace(
        reading.checks[0], rule="pigtail-twists", section="pigtail", value=2.7, u95=0.5, unit="twists", low=3, high=6
    )
    svg = gauge_svg(check)
    low, high = (numbers(post.get("d", ""))[2] for post in by_class(svg, "limit"))
    begin, _, end, *_ = numbers(by_class(svg, "interval")[0].get("d", ""))
    per_twist = (end - begin) / 1.0
    assert (high - low) / per_twist == pytest.approx(4.0, abs=0.02)
    assert low + 0.2 * per_twist == pytest.approx((begin + end) / 2, abs=0.2), "2.7 lies 0.2 over 2.5"


def test_the_shapes_of_the_calls_differ_without_colour() -> None:
    posts = (15.0, 29.0)
    spans = {}
    for call in ("conforming", "undecided", "nonconforming"):
        begin, _, end = numbers(by_class(call_mark(call), "bar")[0].get("d", ""))  # type: ignore[arg-type]
        spans[call] = (begin, end)
    assert posts[0] < spans["conforming"][0] and spans["conforming"][1] < posts[1]
    assert spans["undecided"][0] < posts[1] < spans["undecided"][1]
    assert spans["nonconforming"][0] > posts[1]


@pytest.mark.parametrize(
    ("low", "high", "most", "ticks"),
    [(0.0, 2.1, 10, [0, 0.5, 1, 1.5, 2]), (5.6, 8.4, 7, [6, 6.5, 7, 7.5, 8]), (0.0, 24.0, 10, [0, 5, 10, 15, 20])],
)
def test_ticks_are_round(low: float, high: float, most: int, ticks: list[float]) -> None:
    assert nice_ticks(low, high, most) == pytest.approx(ticks)


def test_shapes_keep_their_look_where_no_style_sheet_is_known(reading: Reading) -> None:
    check = reading.checks[0]
    for svg in (profile_svg(reading.runs[0], check), gauge_svg(check), call_mark("undecided")):
        shapes = [e for e in ElementTree.fromstring(svg).iter() if e.tag in ("path", "rect", "circle")]
        assert shapes
        assert [e.get("class") for e in shapes if e.get("fill") is None] == []  # SVG fills with black unless told
        assert all(e.get("stroke") for e in shapes if e.get("fill") == "none")
