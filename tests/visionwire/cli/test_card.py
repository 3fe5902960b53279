"""``visionwire card``: files on disk and one sentence for what goes wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from calibration import known_cards
from visionwire.cli.card import card
from visionwire.errors import InputError, OutputError, UsageError

app = typer.Typer()
app.command()(card)
RUNNER = CliRunner()


@pytest.mark.parametrize(("suffix", "begins"), [(".svg", b"<?xml"), (".pdf", b"%PDF-"), (".png", b"\x89PNG")])
def test_format_by_suffix(tmp_path: Path, suffix: str, begins: bytes) -> None:
    out = tmp_path / f"lane{suffix}"
    dpi = ["--dpi", "150"] if suffix == ".png" else []
    result = RUNNER.invoke(app, ["lane", "--out", str(out), *dpi])
    assert result.exit_code == 0
    assert out.read_bytes().startswith(begins)
    assert result.stdout == f"{out}\n"
    assert "it must read 100.0 mm" in result.stderr


def test_a_card_corrected_once_is_corrected_further_and_not_anew(tmp_path: Path) -> None:
    result = RUNNER.invoke(app, ["pocket", "--measured", "79.2", "--out", str(tmp_path / "pocket.svg")])
    assert "--measured 79.2 x R / 80" in result.stderr


def test_without_a_name_every_card_is_listed() -> None:
    listed = RUNNER.invoke(app, []).stdout
    assert [line.split()[0] for line in listed.splitlines()] == list(known_cards())


@pytest.mark.parametrize(
    ("words", "error", "says"),
    [
        (["ruler"], UsageError, "no card 'ruler'"),
        (["lane", "--out", "lane.bmp"], UsageError, "not as 'lane.bmp'"),
        (["lane", "--out", "none/there/lane.pdf"], OutputError, "cannot be written"),
        (["lane", "--measured", "3.9"], UsageError, "--measured: 3.9 mm cannot be what a rule reads on the bar"),
        (["lane", "--out", "lane.png", "--dpi", "7"], UsageError, "dpi is 7"),
        (["none.toml"], InputError, "cannot be read"),
        (["--out", "a.pdf"], UsageError, "no card was named; name one of chart, lane, pocket"),
        (["--measured", "79.8"], UsageError, "no card was named"),
        (["--dpi", "300"], UsageError, "no card was named"),
        (["lane", "--dpi", "300"], UsageError, "--dpi is of a .png, and lane.pdf is none"),
    ],
)
def test_one_sentence_for_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], error: type[Exception], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    raised = RUNNER.invoke(app, words).exception
    assert isinstance(raised, error)
    assert says in str(raised)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("wrong", "meant"), [("3.94", "3.94 in give 100.1"), ("9.9", "9.9 cm give 99"), ("500", "")])
def test_a_bar_read_in_cm_or_inches_is_told_in_mm_and_no_other_is_guessed(
    tmp_path: Path, wrong: str, meant: str
) -> None:
    out = str(tmp_path / "lane.svg")
    sentence = str(RUNNER.invoke(app, ["lane", "--measured", wrong, "--out", out]).exception)
    assert sentence.endswith(f"read it again in mm, and for {meant}" if meant else "read it again in mm")
    if meant:
        assert RUNNER.invoke(app, ["lane", "--measured", meant.split()[-1], "--out", out]).exit_code == 0
