"""The truth of which way a wire pulls is geometry, and the figures follow the readings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.benchmarks.routing import HeadResult, results, summarise, true_arm_mm

DEMO = Path(__file__).parents[2] / "fixtures" / "pictures" / "demo.json"


def test_the_true_arm_by_pencil() -> None:
    # From above, y upwards: the wire runs to the right, 2 mm over the first axis and 3 mm under the second.
    truth = {"bolts": [{"center_mm": [0.0, 0.0, 5.0]}, {"center_mm": [60.0, 5.0, 5.0]}]}
    run = {"bolts": [0, 1], "spine_3d_mm": [[x, 2.0, 4.0] for x in range(5, 56)]}
    assert true_arm_mm(truth, run, 0) == pytest.approx(2.0)
    assert true_arm_mm(truth, run, -1) == pytest.approx(3.0)
    along_one_side = {**run, "spine_3d_mm": [[x, 7.0, 4.0] for x in range(5, 56)]}
    assert true_arm_mm(truth, along_one_side, 0) == pytest.approx(7.0)
    assert true_arm_mm(truth, along_one_side, -1) == pytest.approx(-2.0)


def test_figures_follow_the_results() -> None:
    right = HeadResult("a", 2.0, 0.97, True, 0.1)
    wrong = HeadResult("a", -2.0, 0.95, True, 0.4)
    none = HeadResult("b", 2.0, None, False, None)
    figures = summarise([right, wrong, none])
    assert figures["heads at the ends of runs read"] == 3 and figures["heads found"] == 2
    assert figures["sides said"] == 2 and figures["sides said wrongly"] == 1
    assert figures["likelier side right, % of found"] == 50
    assert figures["axis within 0.15 radius, % of found"] == 50
    assert figures["of those said, pulling loose"] == 1
    assert summarise([none])["sides said"] == 0


def test_a_photograph_has_both_of_its_heads() -> None:
    heads = results(DEMO, given=False)
    assert heads is not None and len(heads) == len(json.loads(DEMO.read_text())["bolts"])
    assert all(one.said and one.right and one.true_arm_mm > 0 for one in heads)
