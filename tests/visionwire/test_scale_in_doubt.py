"""Single wire by its twisted end, and scales that something in the picture contradicts."""

from __future__ import annotations

import dataclasses
import json

import cv2
import numpy as np
import pytest

from tests.benchmarks.report import PICTURES
from visionwire.archive.reasons import reason_of
from visionwire.limits import load_limits
from visionwire.measure import measure
from visionwire.photo import open_photo
from visionwire.reading import Reading
from visionwire.sheet.verdict import confidence_words

DEMO = PICTURES / "demo.jpg"


def without_its_run() -> np.ndarray:
    """Return the demo with its run painted over by its ground: its pigtail is all the twisted wire there is."""
    pixels = open_photo(DEMO).pixels.copy()
    line = np.round(json.loads(DEMO.with_suffix(".json").read_text())["runs"][0]["spine_px"]).astype(np.int32)
    ground = pixels[line[len(line) // 2][1] - 40, line[len(line) // 2][0]]
    cv2.polylines(pixels, [line.reshape(-1, 1, 2)], False, tuple(int(v) for v in ground), 40)
    return pixels


def px_per_in_of_demo() -> float:
    answer = measure(DEMO)
    assert isinstance(answer, Reading)
    return answer.scale.px_per_inch


def test_a_distance_that_a_card_in_view_gainsays_is_taken_and_said() -> None:
    known = json.loads(DEMO.with_suffix(".json").read_text())["runs"][0]
    start, end = known["spine_px"][0], known["spine_px"][-1]
    true_in = float(np.sum(np.linalg.norm(np.diff(known["spine_px"], axis=0), axis=1))) / px_per_in_of_demo()
    for share, differs in ((1.0, False), (1.2, True)):
        answer = measure(DEMO, two_points=(*start, *end, share * true_in), start=tuple(start), end=tuple(end))
        assert isinstance(answer, Reading) and answer.scale.source == "two-points"
        assert ("scale-not-as-card" in answer.flags) is differs
        calls = {check.rule: check.call for check in answer.checks}
        assert (calls["density"] == "undecided") is differs
        assert calls["span"] == "conforming", "two inches of six, whatever the scale"
        assert not differs or (answer.call == "undecided" and "--scale was taken" in answer.advice[0])
    assert "by the card pocket in view" in answer.advice[0] and "leave out --scale" in answer.advice[0]


def test_of_a_wire_a_third_thinner_than_told_nothing_is_called() -> None:
    answer = measure(PICTURES / "short_fine.jpg", wire=0.032)
    assert isinstance(answer, Reading)
    assert {"wire-not-as-given", "card-below-wire"} & set(answer.flags)
    assert answer.call == "undecided" and answer.runs[0].call == "undecided"
    assert "0.032 given" in answer.advice[0]
    calls = {check.rule: check.call for check in answer.checks}
    assert (calls["density"], calls["span"]) == ("undecided", "conforming"), "an inch of six, off by half as much again"
    unknown = json.loads(json.dumps(answer.to_dict()))
    assert "its scale is in doubt" in (reason_of(unknown) or ""), "of what is undecided, and not of what conforms"


def test_of_single_wire_the_twisted_end_is_read() -> None:
    known = json.loads(DEMO.with_suffix(".json").read_text())
    result = measure(without_its_run(), wire=0.032, method="single")
    assert isinstance(result, Reading)
    assert result.runs == () and result.pigtail is not None and "single-wire" in result.flags
    assert result.pigtail.twists == pytest.approx(known["pigtail"]["count"], abs=0.6)
    assert result.series.fasteners == 0
    assert {check.rule for check in result.checks} == {"pigtail-twists"}


def test_a_length_inside_its_limit_by_any_scale_calls_no_whole_conforming() -> None:
    common = load_limits("common")
    assert common.pigtail_length is not None
    judged = dataclasses.replace(common.pigtail_length, low=0.05, high=5.0, judged=True)
    limits = dataclasses.replace(common, pigtail_length=judged)
    told = (300.0, 155.0, 1006.0, 259.0, 2.4)  # two inches
    result = measure(without_its_run(), limits, two_points=told, method="single")
    assert isinstance(result, Reading) and "scale-not-as-card" in result.flags
    assert [check.call for check in result.checks] == ["conforming", "conforming"]
    assert result.call == "undecided"
    assert confidence_words(result) == "all within limits, but its scale is in doubt"
