"""The README keeps its promises: commands, answer, refusals, options, formats; and nothing else lies at the top."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from typer.testing import CliRunner

from visionwire.cli import app
from visionwire.codes import CODES
from visionwire.errors import ExitCode
from visionwire.quality import with_slips
from visionwire.reading import READING_FORMAT, REFUSAL_FORMAT, Reading, Refusal

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PACKAGE = (ROOT / "visionwire" / "README.md").read_text(encoding="utf-8")
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
LARGEST_PICTURE_BYTES = 400_000
NUMBER = r"\d+(?:\.\d+)?"


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.S | re.M)


def helped(command: str) -> set[str]:
    """Return the options that a command's help names."""
    result = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200"})
    assert result.exit_code == 0
    return set(re.findall(r"--[a-z]+(?:-[a-z]+)*", result.output)) - {"--help"}


def named(text: str) -> set[str]:
    """Return the options that a text names in code within a line."""
    lines = re.sub(r"^```.*?^```", "", text, flags=re.S | re.M).splitlines()
    spans = [span for line in lines for span in re.findall(r"`([^`]*)`", line)]
    return {
        option for span in spans if "benchmarks" not in span for option in re.findall(r"--[a-z]+(?:-[a-z]+)*", span)
    }


def test_the_first_two_blocks_do_the_job_and_the_tests() -> None:
    first, second = blocks("sh")[:2]
    assert "visionwire check" in first and "--sheet" in first and "fixtures/pictures/demo.jpg" in first
    assert "pytest" in second
    assert all(block.count("\n") == 1 for block in (first, second)), "each is one command"


def test_the_answer_shown_is_the_answer_given(tmp_path: Path) -> None:
    photo = ROOT / "fixtures" / "pictures" / "demo.jpg"
    result = CliRunner().invoke(app, ["check", "--sheet", str(tmp_path / "sheets"), str(photo)])
    given = result.stdout.replace(f"{tmp_path}/", "")
    (shown,) = blocks("text")
    assert re.sub(NUMBER, "#", given) == re.sub(NUMBER, "#", shown)
    # Another processor or OpenCV may read a little differently; the words must not.
    figures = [[float(figure) for figure in re.findall(NUMBER, text)] for text in (given, shown)]
    assert figures[0] == pytest.approx(figures[1], rel=0.15)


def test_every_refusal_is_explained_in_its_own_words() -> None:
    for code, entry in CODES.items():
        if entry.kind != "refusal":
            assert f"| `{code}` |" not in README
            continue
        words = [re.sub(r"{[^}]*}", "…", text) for text in (entry.message, entry.advice)]
        printed = with_slips(Refusal(code, *words), None, None, None, perhaps_single=True)  # as of a plain call
        assert f"| `{code}` | {printed.message} | {printed.advice} |" in README


def test_every_refusal_explained_is_given_somewhere() -> None:
    rooms = [path for path in (ROOT / "visionwire").rglob("*.py") if path.name != "codes.py"]
    given = "\n".join(path.read_text(encoding="utf-8") for path in rooms)
    idle = {code for code, entry in CODES.items() if entry.kind == "refusal" and f'"{code}"' not in given}
    assert idle == set()


def test_every_option_named_exists_and_every_option_of_check_is_named() -> None:
    known = set().union(
        *(helped(command) for command in ("check", "card", "limits", "plan", "archive", "trends", "review"))
    )
    assert named(README) - known == {"--help"}
    assert helped("check") - named(README) == set()
    assert named(PACKAGE) - known == set()


def test_every_field_of_a_reading_is_named() -> None:
    told = set(re.findall(r"`(\w+)`", PACKAGE.split("## From Python")[0]))
    assert {one.name for result in (Reading, Refusal) for one in fields(result)} - told == set()


def test_exit_statuses_are_all_there() -> None:
    table = README.split("| exit status of `check` |")[1].split("\n\n")[0]
    assert [int(status) for status in re.findall(r"^\| (\d) \|", table, re.M)] == sorted(ExitCode)


@pytest.mark.parametrize("words", [READING_FORMAT, REFUSAL_FORMAT, "180 degrees", "100 %"])
def test_what_a_reader_must_know_is_named(words: str) -> None:
    assert words in README


@pytest.mark.parametrize(
    "words", ["eye protection", "cut ends", "manual and licensed practice govern", "cannot prove torque"]
)
def test_the_cautions_are_there(words: str) -> None:
    assert words in README


def test_pictures_and_notebooks_named_are_there() -> None:
    pictures = [ROOT / name for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)]
    assert pictures
    assert all(0 < picture.stat().st_size < LARGEST_PICTURE_BYTES for picture in pictures)
    listed = set(re.findall(r"^\| `(\w+\.py)`", (ROOT / "notebooks" / "README.md").read_text(encoding="utf-8"), re.M))
    assert listed == {path.name for path in (ROOT / "notebooks").glob("*.py")}


def test_every_room_is_on_the_contributors_list() -> None:
    house = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## How the twist")[0]
    rooms = [path for path in (ROOT / "visionwire").iterdir() if not path.name.startswith(("_", ".", "py."))]
    names = {path.name if path.suffix else f"{path.name}/" for path in rooms}
    assert {name for name in names if f"`{name}`" not in house} == set()


def test_nothing_else_lies_at_the_top() -> None:
    built = {"sheets", "build", "dist"}
    there = {entry.name for entry in ROOT.iterdir() if not entry.name.startswith(".") and entry.suffix != ".egg-info"}
    assert there - TOP - built == set()
