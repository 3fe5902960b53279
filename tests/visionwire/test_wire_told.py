"""A wire told a percent or two off, as 0.8 mm is for .032 in, is read as the same wire."""

from __future__ import annotations

import json

import pytest

from tests.benchmarks.report import PICTURES
from visionwire import section
from visionwire.measure import measure
from visionwire.reading import Reading


def read(name: str, wire_in: float) -> Reading:
    result = measure(PICTURES / f"{name}.jpg", wire=wire_in)
    assert isinstance(result, Reading)
    return result


@pytest.mark.parametrize(("name", "wire_in"), [("hub", 0.0317), ("hub", 0.8 / 25.4), ("demo", 0.8 / 25.4)])
def test_a_wire_told_a_little_off_is_read_alike(name: str, wire_in: float) -> None:
    truth = json.loads((PICTURES / f"{name}.json").read_text())
    result = read(name, wire_in)
    (run,), tail = result.runs, result.pigtail
    assert run.twists_per_inch == pytest.approx(truth["runs"][0]["mean_tpi"], abs=run.twists_per_inch_u95)
    assert tail is not None and tail.twists == pytest.approx(truth["pigtail"]["count"], abs=0.5)


def test_a_run_whose_line_leaves_the_wire_is_laid_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(section, "LOST_FIT", -9.0)
    (run,) = read("hub", 0.0317).runs
    assert run.twists_per_inch - 8.6 > 2 * run.twists_per_inch_u95, "left where it was, two twists are counted too many"
