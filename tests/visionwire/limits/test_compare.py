"""Limit sets beside their documents, beside each other, and a user's own file with its lines named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from visionwire.cli import app
from visionwire.errors import ExitCode, LimitsError
from visionwire.limits import density_band, known_limits, load_limits

GOOD = """format = "visionwire.limits/1"
name = "mine"
title = "a set of my own"
[decision]
conforming_at_least = 0.95
nonconforming_at_most = 0.05
source = "a desk"
status = "common practice"
[[density]]
low = 6
high = 8
source = "a desk"
status = "common practice"
[gap]
high = 0.125
judged = true
source = "a desk"
status = "common practice"
"""


@pytest.mark.parametrize(
    ("name", "wire_in", "low", "high"),
    [
        ("common", 0.032, 6, 8),  # FAA AC 43.13-1B (1998), chapter 7, as reported
        ("by-diameter", 0.020, 10, 13),  # document 13773-001 (2000), 20-50, page 2
        ("by-diameter", 0.032, 6, 12),
        ("two-bands", 0.020, 9, 12),  # a transport aircraft's manual, 70-20-01
        ("two-bands", 0.032, 7, 10),
        ("five-bands", 0.0185, 11, 14),  # a transport aircraft's manual, 20-10-44
        ("five-bands", 0.025, 9, 12),
        ("five-bands", 0.041, 7, 10),
        ("five-bands", 0.051, 5, 8),
        ("five-bands", 0.070, 4, 7),
        ("wide-bands", 0.020, 8, 14),  # a table of unidentified origin, reported
        ("wide-bands", 0.041, 6, 11),
        ("wide-bands", 0.060, 4, 8),
        ("metric", 0.0315, 3 * 2.54, 4 * 2.54),  # a light engine's manual, 11.8.1: 3 to 4 twists per 10 mm
    ],
)
def test_bands_are_those_of_the_documents(name: str, wire_in: float, low: float, high: float) -> None:
    band = density_band(load_limits(name), wire_in)
    assert (band.low, band.high) == (pytest.approx(low), pytest.approx(high))
    assert band.source


def test_two_sets_side_by_side_with_a_star_where_they_differ() -> None:
    lines = CliRunner().invoke(app, ["limits", "common", "by-diameter"]).stdout.splitlines()
    (pigtail,) = [line for line in lines if "pigtail, twists" in line]
    assert pigtail.startswith("*") and "3 to 6" in pigtail and "at least 5" in pigtail
    (span,) = [line for line in lines if "span" in line]
    assert span.startswith(" ") and span.count("at most 6") == 2


def test_the_order_is_that_of_one_set_whichever_is_named_first() -> None:
    for one, other in (("by-diameter", "five-bands"), ("five-bands", "common"), ("metric", "two-bands")):
        keys = []
        for names in ((one, other), (other, one)):
            lines = CliRunner().invoke(app, ["limits", *names]).stdout.splitlines()
            keys.append([re.split(r" {2,}", line[2:])[0] for line in lines[1:-2]])
        assert keys[0] == keys[1] and len(keys[0]) == len(set(keys[0]))
        wires = [place for place, key in enumerate(keys[0]) if key.startswith("twists per inch")]
        assert wires == list(range(len(wires)))


def test_a_set_beside_itself_differs_nowhere() -> None:
    for name in known_limits():
        lines = CliRunner().invoke(app, ["limits", name, name]).stdout.splitlines()
        assert not [line for line in lines[:-1] if line.startswith("*")]


def test_three_are_too_many() -> None:
    result = CliRunner().invoke(app, ["limits", "common", "metric", "two-bands"])
    assert result.exit_code == ExitCode.USAGE and "no more than two" in result.stderr


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        ("high = 8", "high = 5", "line 10: density[1].low is 6 and high is 5"),
        ("judged = true", 'judged = "yes"', "line 16: gap.judged is 'yes'"),
        ("judged = true", "jugded = true", "line 16: gap.jugded is no key"),
        ("nonconforming_at_most = 0.05\n", "", "line 5: decision.conforming_at_least"),
        ('title = "a set of my own"', "title = 7", "title is missing or not a text"),
        ("[gap]", "[gap", "mend that line"),
        ("[gap]", "[gpa]", "line 14: gpa is no key"),
        ("[[density]]", "[density]", "line 9: density"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(tmp_path: Path, good: str, bad: str, said: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    assert load_limits(path).gap is not None
    path.write_text(GOOD.replace(good, bad))
    with pytest.raises(LimitsError) as caught:
        load_limits(path)
    assert said in str(caught.value)


def test_a_guard_band_in_place_of_the_two_probabilities(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    text = GOOD.replace("conforming_at_least = 0.95\nnonconforming_at_most = 0.05\n", "guard_band = 1.0\n")
    path.write_text(text)
    assert load_limits(path).decision.guard_band == 1.0
    assert "inside its limits by 1 of its 95 % uncertainty" in CliRunner().invoke(app, ["limits", str(path)]).stdout
    risk = CliRunner().invoke(app, ["limits", str(path), "--risk", "7.2,0.4,0.1"]).stdout
    assert risk.startswith("mine: of 10 000 runs of such a process ") and risk.count("\n") == 1, "and nothing else"
    path.write_text(GOOD.replace("conforming_at_least", "guard_band = 1.0\nconforming_at_least"))
    with pytest.raises(LimitsError, match="beside guard_band"):
        load_limits(path)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["common", "--risk", "7,0"], "--risk is '7,0'; it must be MEAN,DEVIATION,U"),
        (["common", "metric", "--risk", "a,b,c"], "--risk is 'a,b,c'"),
        (["common", "--risk", "7,0.3,0.1", "--wire", "thin"], "--wire is 'thin'; it must be a diameter in inches"),
        (["common", "--risk", "7,0.3,0.1", "--wire", "32"], "for 32 thousandths give --wire 0.032"),
        (["by-diameter", "--risk", "7,0.3,0.1"], "give the wire with --wire"),
        (["--risk", "7,0.3,0.1"], "--risk is of a limit set; name one"),
        (["by-diameter", "--wire", "0.032"], "--wire is of use only with --risk"),
    ],
)
def test_what_is_wrong_is_said_before_anything_is_printed(words: list[str], sentence: str) -> None:
    wrong = CliRunner().invoke(app, ["limits", *words])
    assert wrong.exit_code == ExitCode.USAGE and wrong.stdout == ""
    assert sentence in wrong.stderr and wrong.stderr.count("\n") == 1


def test_a_set_is_printed_as_the_file_that_is_read(tmp_path: Path) -> None:
    for name in known_limits():
        own = tmp_path / "mine.toml"
        own.write_bytes(CliRunner().invoke(app, ["limits", name, "--toml"]).stdout_bytes)
        assert load_limits(own) == load_limits(name)
        again = CliRunner().invoke(app, ["limits", str(own), "--toml"])
        assert again.exit_code == 0 and again.stdout_bytes == own.read_bytes()


@pytest.mark.parametrize(
    "words", [["--toml"], ["common", "wide-bands", "--toml"], ["common", "--risk", "7,1,1", "--toml"]]
)
def test_only_one_set_is_printed_as_a_file(words: list[str]) -> None:
    result = CliRunner().invoke(app, ["limits", *words])
    assert result.exit_code == ExitCode.USAGE and "--toml is of one limit set" in result.stderr


def test_what_could_not_be_read_again_is_not_printed(tmp_path: Path) -> None:
    own = tmp_path / "mine.toml"
    own.write_text(GOOD.replace("high = 8", "high = 5"))
    result = CliRunner().invoke(app, ["limits", str(own), "--toml"])
    assert result.exit_code == ExitCode.FILE and result.stdout == "" and str(own) in result.stderr
