"""The notebooks run, every cell, and say what they claim."""

from __future__ import annotations

from pathlib import Path

import jupytext
import matplotlib
import matplotlib.pyplot as plt
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.py"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_cell_runs(path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    matplotlib.use("Agg")
    monkeypatch.chdir(path.parent)
    space: dict[str, object] = {"__name__": "__main__"}
    try:
        for cell in jupytext.read(path).cells:
            if cell.cell_type == "code":
                exec(compile(cell.source, str(path), "exec"), space)
        assert plt.get_fignums(), "a notebook shows pictures"
    finally:
        plt.close("all")
    assert "twists per inch" in capsys.readouterr().out
