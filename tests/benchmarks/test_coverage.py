"""Rows are made once each, from readings."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.benchmarks import coverage, report
from visionwire.measure import measure

SCENES = ("demo", "short_fine")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of one scene without hints and one that is read with its ends given."""
    folder = tmp_path_factory.mktemp("scenes")
    for number, name in enumerate(SCENES, 1):
        shutil.copy(report.PICTURES / f"{name}.jpg", folder)
        shutil.copy(report.PICTURES / f"{name}.json", folder / f"{name}_{number:04}.json")
    return folder


# -- rows ---------------------------------------------------------------------------------------


def test_rows_are_made_once_and_a_run_that_broke_off_goes_on(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    assert coverage.make_rows([folder], path, 1) == 2
    whole = path.read_text()
    first, second = coverage.read_rows(path)
    assert (first["scene"], second["scene"]) == (f"{folder.name}/demo_0001", f"{folder.name}/short_fine_0002")
    assert (first["ends_given"], second["ends_given"]) == ("0", "1")

    lines = whole.splitlines(keepends=True)
    kept = lines[1].replace(",Z,", ",kept,", 1)
    path.write_text(lines[0] + kept + lines[2][: len(lines[2]) // 2])  # the second row was cut short
    assert coverage.make_rows([folder], path, 1) == 1
    assert path.read_text() == lines[0] + kept + lines[2]
    assert coverage.make_rows([folder], path, 1) == 0


def test_a_row_says_what_the_reading_and_the_truth_say(folder: Path) -> None:
    row = coverage.row_of(folder / "demo_0001.json")
    truth = json.loads((folder / "demo_0001.json").read_text())
    result = report.compare("demo", truth, measure(folder / "demo.jpg", wire=0.032), truth["runs"], 0.0)
    (run,) = result.runs
    assert run.got is not None
    assert float(row["true_tpi"]) == pytest.approx(truth["runs"][0]["mean_tpi"], rel=1e-4)
    assert float(row["tpi"]) == pytest.approx(run.got.twists_per_inch, rel=1e-4)
    assert float(row["u"]) == pytest.approx(run.got.twists_per_inch_u95 / 1.959964, rel=1e-4)
    terms = {name.removeprefix("term_"): float(row[name]) for name in row if name.startswith("term_")}
    budget = {one.term: one.twists_per_inch_u / run.got.twists_per_inch for one in run.got.budget}
    assert terms == pytest.approx(budget, rel=1e-4)
    assert (row["source"], row["lay"], row["wrong_finds"], row["not_runs"]) == ("card", "Z", "0", "0")
    assert row["runs_conform"] == "1"
    assert row["pigtail"] == "true"


def test_a_picture_that_breaks_the_reader_is_a_row_too(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise IndexError("no such column")

    monkeypatch.setattr(coverage, "measure", broken)
    row = coverage.row_of(folder / "demo_0001.json")
    assert row["code"] == "error-IndexError"
    assert "no such column" in capsys.readouterr().err


def test_a_refusal_leaves_what_was_not_read_empty(folder: Path, tmp_path: Path) -> None:
    for file in folder.glob("demo*"):
        shutil.copy(file, tmp_path)
    cv2.imwrite(str(tmp_path / "demo.jpg"), np.zeros((400, 600, 3), np.uint8))
    path = tmp_path / "rows.csv"
    coverage.write_rows(path, [coverage.row_of(tmp_path / "demo_0001.json")])
    (row,) = coverage.read_rows(path)
    assert row["code"] == "no-twisted-wire"
    assert (row["call"], row["tpi"], row["true_tpi"]) == ("", "", "7")
