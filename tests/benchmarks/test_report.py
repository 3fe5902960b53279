"""The report runs on one picture and works its figures out from readings; nothing here is timed."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import report
from visionwire.reading import Reading

DEMO = report.PICTURES / "demo.json"


@pytest.fixture(scope="module")
def demo() -> report.PictureResult:
    return report.read_picture(DEMO, hinted=True)


def test_a_picture_is_matched_with_its_truth(demo: report.PictureResult) -> None:
    assert isinstance(demo.answer, Reading)
    (run,) = demo.runs
    assert run.got is demo.answer.runs[0]
    assert run.error == run.got.twists_per_inch - json.loads(DEMO.read_text())["runs"][0]["mean_tpi"]
    assert demo.seconds > 0


def test_figures_follow_the_readings(demo: report.PictureResult) -> None:
    (run,) = demo.runs
    assert run.got is not None
    figures = report.summarise([demo])
    assert figures["pictures"] == figures["runs in view"] == figures["runs found"] == 1
    assert figures["bias, median, %"] == pytest.approx(100 * run.relative_error)
    assert figures["wire diameter, |error|, median, %"] == pytest.approx(
        100 * abs(demo.answer.runs[0].wire_diameter_in / 0.032 - 1)
    )
    # Read from its other end a run has its gaps the other way round, and the same errors.
    turned = replace(
        run.got, spine_px=run.got.spine_px[::-1], gap_start_in=run.true["gap_end_mm"] / 25.4, gap_end_in=0.1
    )
    assert replace(run, got=turned).gap_errors_in == pytest.approx([abs(0.1 - run.true["gap_start_mm"] / 25.4), 0.0])
    doubled = replace(run.got, twists_per_inch=2 * run.true["mean_tpi"], twists_per_inch_u95=0.1, lay=None)
    wrong = report.summarise([replace(demo, runs=(replace(run, got=doubled),))])
    assert wrong["bias, median, %"] == pytest.approx(100)
    assert wrong["off by a factor"] == 1
    assert wrong["lay right, %"] == 0
    assert wrong["95 % interval holds the truth, %"] == 0


def test_ends_read_too_far_out_are_told_from_those_too_far_in(demo: report.PictureResult) -> None:
    (run,) = demo.runs
    assert run.got is not None
    line = np.array(run.true["spine_px"])
    step = (line[0] - line[4]) / np.hypot(*(line[0] - line[4])) * run.true["px_per_twist"]
    for out in (0.5, -0.5):
        got = replace(run.got, spine_px=tuple(map(tuple, np.vstack([line[0] + out * step, line[1:]])[::-1])))
        figures = report.summarise([replace(demo, runs=(replace(run, got=got),))])
        assert figures["ends of runs, bias, median, twists"] == pytest.approx(
            out / 2, abs=0.01
        )  # of this and a true one
        assert figures["ends of runs, |error|, 90th percentile, twists"] == pytest.approx(0.45, abs=0.01)
    assert abs(report.summarise([demo])["cut ends, bias, median, twists"]) < 0.3


def test_a_run_elsewhere_is_a_wrong_find(demo: report.PictureResult) -> None:
    assert isinstance(demo.answer, Reading)
    run = demo.answer.runs[0]
    moved = replace(run, spine_px=tuple((x, y + 400.0) for x, y in run.spine_px))
    answer = replace(demo.answer, runs=(moved,))
    result = report.compare("moved", demo.truth, answer, demo.truth["runs"], 1.0)
    assert result.runs[0].got is None
    assert result.wrong_finds == 1
    conforming = [replace(check, call="conforming") for check in answer.checks if check.rule == "density"]
    false = replace(result, answer=replace(answer, checks=tuple(conforming)))
    assert false.false_accepts == len(conforming) == 1


def test_refusals_count_as_not_found(demo: report.PictureResult) -> None:
    no_card = report.measure(np.zeros((40, 40, 3), np.uint8))
    figures = report.summarise([report.compare("blank", demo.truth, no_card, demo.truth["runs"], 1.0)])  # type: ignore[arg-type]
    assert figures["refused"] == 1
    assert figures["runs found"] == 0
    assert "bias, median, %" not in figures


def test_accuracy_is_printed_for_any_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for kind in (".json", ".jpg"):
        shutil.copy(DEMO.with_suffix(kind), tmp_path)
    report.print_accuracy(tmp_path, hinted=True)
    printed = capsys.readouterr().out
    assert "demo" in printed
    assert "bias, median, %" in printed
    assert "nan" not in printed


def test_speed_is_printed_at_the_size_stated(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(report, "SPEED_SIZE_PX", (800, 600))
    assert report.size_px(report.twelve_megapixels(DEMO)) == (800, 600)
    report.print_speed([DEMO], rounds=1)
    row = capsys.readouterr().out.splitlines()[-1].split()
    decode_s, reading_s, ratio, peak_mb = map(float, row[1:])
    assert reading_s > decode_s > 0
    assert ratio == pytest.approx(reading_s / decode_s, rel=0.2)
    assert peak_mb > 50
