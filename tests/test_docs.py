"""The README keeps its promises: its commands, its table of refusals, its options, and the fixed top level."""

from __future__ import annotations

import re
from pathlib import Path

from typer.testing import CliRunner

from visionwire.cli import app
from visionwire.quality import CODES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "visionwire",
    "calibration",
    "tests",
    "fixtures",
    "notebooks",
}


def test_the_first_two_blocks_do_the_job_and_the_tests() -> None:
    first, second = re.findall(r"^```sh\n(.*?)^```", README, re.S | re.M)[:2]
    assert "visionwire check" in first and "--sheet" in first and "fixtures/pictures/demo.jpg" in first
    assert "pytest" in second
    assert all(block.count("\n") == 1 for block in (first, second)), "each is one command"


def test_every_refusal_is_explained_in_its_own_words() -> None:
    for code, entry in CODES.items():
        if entry.kind != "refusal":
            assert f"| `{code}` |" not in README
            continue
        words = [re.sub(r"{[^}]*}", "…", text) for text in (entry.message, entry.advice)]
        assert f"| `{code}` | {words[0]} | {words[1]} |" in README


def test_every_option_named_exists() -> None:
    helped = CliRunner().invoke(app, ["check", "--help"]).output + CliRunner().invoke(app, ["card", "--help"]).output
    options = set(re.findall(r"`[^`\n]*?(--[a-z]+)", README)) - {"--accuracy"}
    assert options
    assert {option for option in options if option not in helped} == set()


def test_nothing_else_lies_at_the_top() -> None:
    built = {"sheets", "build", "dist"}
    there = {entry.name for entry in ROOT.iterdir() if not entry.name.startswith(".") and entry.suffix != ".egg-info"}
    assert there - TOP - built == set()


def test_the_cautions_are_there() -> None:
    for words in ("eye protection", "cut ends", "manual and licensed practice govern", "cannot prove torque"):
        assert words in README
