"""Pigtails that are hard to count, and those that are seen and cannot be, on painted safeties."""

from __future__ import annotations

import dataclasses
import re

import cv2
import numpy as np
import pytest

from fixtures.quick import make_scene
from fixtures.truth import Truth
from tests.visionwire.drawn import even, picture
from visionwire import budget, doubt, judge, parts, pigtail, scan, section
from visionwire.limits import load_limits
from visionwire.measure import measure, measure_with_evidence
from visionwire.photo import read_photo
from visionwire.reading import Reading
from visionwire.sheet.answer import answer_lines
from visionwire.sheet.count import PIGTAIL
from visionwire.sheet.html import sheet_html

ONE_TWIST = 1.2


def painted(seed: int) -> tuple[np.ndarray, Truth]:
    return make_scene(np.random.default_rng([5150, seed]), tail_twists=ONE_TWIST, card="chart", tpi=8.0)


def read(rgb: np.ndarray, wire_in: float) -> Reading:
    result = measure(cv2.imencode(".png", rgb[:, :, ::-1])[1].tobytes(), wire=wire_in)
    assert isinstance(result, Reading)
    return result


@pytest.fixture
def network_cannot_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pigtail, "CANNOT_COUNT_U", 0.0)


@pytest.mark.parametrize("seed", [1, 3, 4, 11])
def test_a_pigtail_of_one_twist_is_counted_by_a_network_and_says_so(seed: int) -> None:
    rgb, truth = painted(seed)
    data = cv2.imencode(".png", rgb[:, :, ::-1])[1].tobytes()
    result, evidence = measure_with_evidence(
        read_photo(data, "one.png"), limits=load_limits("common"), wire_in=truth["wire"]["d_in"]
    )
    assert isinstance(result, Reading) and evidence is not None and result.pigtail is not None
    counted = result.pigtail
    assert abs(counted.twists - truth["pigtail"]["twists"]) < min(counted.twists_u95, 0.7)
    assert counted.twists_u95 > judge.COVERAGE_95 * parts.LEAST_COUNTED_U
    assert counted.flags[-1] == "pigtail-not-measured" and not set(doubt.NOT_COUNTED) & set(result.flags)
    told = next(check for check in result.checks if check.rule == "pigtail-twists")
    assert told.call == ("undecided" if "pigtail-cut-off" in counted.flags else "nonconforming")
    ends = np.array(truth["pigtail"]["spine_px"])[[0, -1]]
    apart = [np.linalg.norm(ends - point, axis=1).min() for point in (counted.spine_px[0], counted.spine_px[-1])]
    assert max(apart) < 3 * truth["wire"]["d_px"]
    assert evidence.sections[-1].name == PIGTAIL


@pytest.mark.parametrize(("told_u", "share"), [(0.05, 0.7), (0.3, 0.5), (5.0, 0.0)])
def test_of_phase_and_network_the_surer_counts_more_and_both_are_surer_than_one(told_u: float, share: float) -> None:
    tail = measured_tail(4.2)
    alone, alone_u, _ = parts.told_of(tail)
    assert alone == tail.twists
    count, u, flags = parts.told_of(dataclasses.replace(tail, counted=(alone + 0.4, told_u)))
    assert not flags and count == pytest.approx(alone + 0.4 * share, abs=0.06)
    assert u < min(alone_u, np.hypot(told_u, parts.LEAST_COUNTED_U))


@pytest.mark.parametrize("guard_band", [0.0, 1.0])
def test_of_words_that_contradict_one_another_nothing_is_called(guard_band: float) -> None:
    tail = measured_tail(4.7)
    count, u, flags = parts.told_of(dataclasses.replace(tail, counted=(1.7, 0.4)))
    assert [one.code for one in flags] == [doubt.TOLD_TWICE]
    assert f"{tail.twists:.1f} twists and a trained network 1.7" in flags[0].sentence
    assert count == tail.twists and count - judge.COVERAGE_95 * u < 1.7
    common = load_limits("common")
    limits = dataclasses.replace(common, decision=dataclasses.replace(common.decision, guard_band=guard_band))
    ruler = budget.of_wire(0.032, 12.0, 0.5, np.array([200.0, 150.0]), (700, 300))
    for told, call in (((tail.twists, 0.3), "conforming"), ((1.7, 0.4), "undecided")):
        read = parts.pigtail_of(dataclasses.replace(tail, counted=told), ruler, limits)
        assert read.pigtail.call == read.checks[0].call == call


def test_of_a_pigtail_that_a_network_alone_counted_no_hand_is_said() -> None:
    ruler = budget.of_wire(0.032, 12.0, 0.5, np.array([200.0, 150.0]), (700, 300))
    tail = dataclasses.replace(measured_tail(4.2), counted=(4.2, 0.3))
    for measured, lay in ((True, "Z"), (False, None)):
        one = dataclasses.replace(tail, measured=measured)
        assert parts.pigtail_of(one, ruler, load_limits("common")).pigtail.lay == lay


def test_a_pigtail_of_more_twists_than_its_run_is_counted_by_both_and_what_is_pointed_at_by_none() -> None:
    rgb, truth = make_scene(np.random.default_rng([5150, 2]), tail_twists=8.0, length_in=0.95, tpi=6.0, card="chart")
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    run, tail = truth["runs"][0], truth["pigtail"]
    assert run["twists"] < tail["twists"]
    for hints in (None, np.array(run["spine_px"])[[0, -1]]):
        found = scan.sections(grey, truth["wire"]["d_px"], None, hints)
        by_twists = sorted(found, key=lambda one: one.twists)
        assert len(found) == 2 and by_twists[1].counted is not None
        assert by_twists[1].counted[0] == pytest.approx(tail["twists"], abs=0.7)
        assert hints is None or by_twists[0].counted is None


def measured_tail(twists: float) -> section.Section:
    """Return a drawn section of so many twists, its ends as uncertain as those that are found."""
    grey = picture((60.0, 150.0), (60.0 + 12.0 * 4.0 * twists, 150.0), 12.0, even(4.0))
    line = np.array([[60.0, 150.0], [60.0 + 12.0 * 4.0 * twists, 150.0]])
    return dataclasses.replace(section.whole(grey, line, 12.0), end_u_twists=0.2)


@pytest.mark.usefixtures("network_cannot_tell")
@pytest.mark.parametrize("seed", [3, 4])
def test_a_pigtail_of_one_twist_that_cannot_be_counted_is_pointed_at_and_left_to_the_eye(seed: int) -> None:
    rgb, truth = painted(seed)
    data = cv2.imencode(".png", rgb[:, :, ::-1])[1].tobytes()
    result, evidence = measure_with_evidence(
        read_photo(data, "one.png"), limits=load_limits("common"), wire_in=truth["wire"]["d_in"]
    )
    assert isinstance(result, Reading) and evidence is not None and evidence.pigtail_px is not None
    assert result.pigtail is None and "pigtail-looks-short" in result.flags and "pigtail-not-seen" not in result.flags
    away_px = np.linalg.norm(np.array(truth["pigtail"]["spine_px"]) - evidence.pigtail_px, axis=1).min()
    assert away_px < 1.5 * truth["wire"]["d_px"]
    x, y = evidence.pigtail_px
    said = next(advice for advice in result.advice if f"{x:.0f}, {y:.0f}" in advice)
    assert re.search(r"as long as (1 twist|2 twists) of the run beside it", said)
    assert "  pigtail: seen, not counted, not judged" in answer_lines(result)
    assert "seen, not counted, not judged" in sheet_html(result, evidence, load_limits("common"))


@pytest.mark.usefixtures("network_cannot_tell")
def test_what_looks_short_keeps_a_safety_from_being_called_conforming_where_limits_ask_for_more() -> None:
    rgb, truth = painted(3)
    photo = read_photo(cv2.imencode(".png", rgb[:, :, ::-1])[1].tobytes(), "one.png")
    common = load_limits("common")
    wide = dataclasses.replace(common, density=(dataclasses.replace(common.density[0], low=2.0, high=16.0),))
    wire_in = truth["wire"]["d_in"]
    for low, code, call in ((3, "pigtail-looks-short", "undecided"), (2, "pigtail-not-counted", "conforming")):
        limits = dataclasses.replace(wide, pigtail=dataclasses.replace(wide.pigtail, low=low))
        result, _ = measure_with_evidence(photo, limits=limits, wire_in=wire_in)
        assert isinstance(result, Reading) and code in result.flags and result.call == call
    assert not set(doubt.NOT_COUNTED).issubset(result.flags)


def test_where_there_is_none_nothing_is_pointed_at() -> None:
    rgb, truth = painted(3)
    x, y = np.mean(truth["pigtail"]["spine_px"], axis=0).astype(int)
    reach = int(6 * truth["wire"]["d_px"])
    place = np.s_[max(y - reach, 0) : y + reach, max(x - reach, 0) : x + reach]
    rgb[place] = np.median(rgb[place], axis=(0, 1)).astype(np.uint8)
    result = read(rgb, truth["wire"]["d_in"])
    assert "pigtail-not-seen" in result.flags and "pigtail-not-counted" not in result.flags
    assert "  pigtail: not seen, not judged" in answer_lines(result)


@pytest.mark.usefixtures("network_cannot_tell")
def test_a_pigtail_of_a_few_tight_twists_is_measured_at_the_spacing_of_its_run(monkeypatch: pytest.MonkeyPatch) -> None:
    rgb, truth = make_scene(np.random.default_rng([91000, 127, 0]))
    counted = read(rgb, truth["wire"]["d_in"]).pigtail
    assert counted is not None and counted.twists == pytest.approx(truth["pigtail"]["twists"], abs=0.5)
    monkeypatch.setattr(pigtail, "LEAST_BELIEF_TAIL_AS_RUN", 1.0)
    assert read(rgb, truth["wire"]["d_in"]).pigtail is None, "by itself it looks like one long twist"
