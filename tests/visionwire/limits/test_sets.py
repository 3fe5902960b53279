"""Limit sets: what comes with visionwire, and what a set of one's own must say."""

from __future__ import annotations

import hashlib
import re
from importlib import resources
from pathlib import Path

import pytest

from visionwire.errors import ExitCode, LimitsError
from visionwire.limits import Count, density_band, known_limits, limits_toml, load_limits, twists_allowed

OWN = """
format = "visionwire.limits/1"
name = "own"
title = "a set of one's own"
judge_worst_inch = true
[decision]
conforming_at_least = 0.9
nonconforming_at_most = 0.1
source = "shop order 12"
status = "published"
[[density]]
wire_up_to_in = 0.026
low = 9
high = 12
source = "shop order 12"
status = "published"
[[density]]
wire_over_in = 0.026
low = 7
source = "shop order 12"
status = "common practice"
"""


def own(tmp_path: Path, text: str = OWN) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_common_set_is_six_to_eight_and_three_to_six() -> None:
    limits = load_limits("common")
    band = density_band(limits)
    # 6 to 8 twists per inch: FAA AC 43.13-1B (1998) ch. 7, as a second source reports it, and common practice.
    assert (band.low, band.high) == (6, 8) and band == density_band(limits, 0.041)
    # 3 to 6 twists: NAVEDTRA 14014 (Airman), TM 1-1500-204-23-6.
    assert limits.pigtail is not None and (limits.pigtail.low, limits.pigtail.high) == (3, 6)
    assert (limits.decision.conforming_at_least, limits.decision.nonconforming_at_most) == (0.95, 0.05)
    assert not limits.judge_worst_inch


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (3, 6, "3 to 6 twists"),
        (3, 3, "3 twists"),
        (1, 1, "1 twist"),
        (5, None, "at least 5 twists"),
        (1, None, "at least 1 twist"),
        (None, 6, "at most 6 twists"),
        (0, 1, "0 to 1 twist"),
    ],
)
def test_how_many_twists_are_allowed_is_said_in_words(low: int | None, high: int | None, said: str) -> None:
    assert twists_allowed(Count(low, high, "shop order 12", "published")) == said


def test_the_bands_by_diameter() -> None:
    limits = load_limits("by-diameter")
    # Document 13773-001, 20-50, page 2 (2000): .020 10-13, .032 6-12; pigtail at least 5 twists.
    assert (density_band(limits, 0.020).low, density_band(limits, 0.020).high) == (10, 13)
    assert (density_band(limits, 0.032).low, density_band(limits, 0.032).high) == (6, 12)
    assert limits.pigtail is not None and (limits.pigtail.low, limits.pigtail.high) == (5, None)
    with pytest.raises(LimitsError, match=r"by wire diameter; give the wire with --wire DIAMETER_IN"):
        density_band(limits)
    with pytest.raises(LimitsError, match=r"no band for wire of 0\.041 in .* check --wire"):
        density_band(limits, 0.041)


@pytest.mark.parametrize("name", known_limits())
def test_every_set_says_who_says_so_and_carries_its_hash(name: str) -> None:
    limits = load_limits(name)
    assert limits.name == name
    figures = [*limits.density, limits.decision, *([limits.pigtail] if limits.pigtail else [])]
    assert all(len(figure.source) > 10 for figure in figures)
    data = resources.files("visionwire.limits").joinpath(f"{name}.toml").read_bytes()
    assert limits.sha256 == hashlib.sha256(data).hexdigest()


def test_a_set_of_ones_own(tmp_path: Path) -> None:
    limits = load_limits(own(tmp_path))
    assert limits == load_limits(str(own(tmp_path)))
    assert limits.pigtail is None and limits.judge_worst_inch
    assert density_band(limits, 0.026).low == 9  # up to and with its bound
    thick = density_band(limits, 0.0261)
    assert (thick.low, thick.high, thick.status) == (7, None, "common practice")


FIRST_LINE = 'write format = "visionwire.limits/1" as the first line of the file'
WRONG = [
    ('format = "visionwire.limits/1"', 'format = "limits"', f"format is 'limits'; {FIRST_LINE}"),
    ('format = "visionwire.limits/1"', "format = 1", f"format is 1; {FIRST_LINE}"),
    ('format = "visionwire.limits/1"', "", f"format is missing; {FIRST_LINE}"),
    ('name = "own"', "", 'name is missing or not a text; write name = "..."'),
    ("judge_worst_inch = true", 'judge_worst_inch = "yes"', "judge_worst_inch is 'yes'; write true or false"),
    ("judge_worst_inch = true", "judge_worst_inches = true", "judge_worst_inches is no key that visionwire knows"),
    ("low = 9", "low = 13", "density[1].low is 13 and high is 12"),
    ("low = 9", 'low = "9"', "density[1].low is '9'; write a number of 0 or more"),
    ("low = 9", "low = nan", "density[1].low is nan; write a number of 0 or more"),
    ("low = 9", "low = true", "density[1].low is True; write a number of 0 or more"),
    ("low = 9\nhigh = 12", "", "density[1].low and high are both missing; give at least one of them"),
    ('"shop order 12"\nstatus = "common', '""\nstatus = "common', "density[2].source is missing"),
    ('"common practice"', '"hearsay"', "density[2].status is 'hearsay'; write one of published, reported, common"),
    ("wire_over_in = 0.026", "wire_over_in = 0.02", "density has two rows for wire just over 0.02 in"),
    (
        "wire_over_in = 0.026",
        "wire_over_in = 0.03\nwire_up_to_in = 0.03",
        "density[2].wire_over_in is 0.03 and wire_up",
    ),
    ("nonconforming_at_most = 0.1", "nonconforming_at_most = 0.9", "decision.conforming_at_least is 0.9 and nonconf"),
    ("[decision]", "[decisions]", "decision is not a table; write it as [decision]"),
    ("[[density]]", "[[densities]]", "density is missing; give at least one [[density]] row"),
    ("low = 9", "low = ", "is not TOML: Invalid value (at line 13, column 7); mend that line"),
    ("low = 9", "low = " + "[" * 10_000, "is not TOML: "),
    ("low = 9", "low = 9\nbreadth = 3", "density[1].breadth is no key that visionwire knows"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), WRONG)
def test_a_wrong_line_is_named(tmp_path: Path, right: str, wrong: str, words: str) -> None:
    assert right in OWN
    path = own(tmp_path, OWN.replace(right, wrong))
    with pytest.raises(LimitsError, match=re.escape(words)) as caught:
        load_limits(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)
    assert caught.value.exit_code == ExitCode.FILE


@pytest.mark.parametrize("pigtail", ["low = 2.5", "low = 5\nhigh = 4"])
def test_a_wrong_pigtail_is_named(tmp_path: Path, pigtail: str) -> None:
    path = own(tmp_path, f'{OWN}[pigtail]\n{pigtail}\nsource = "shop order 12"\nstatus = "published"\n')
    with pytest.raises(LimitsError, match=r"pigtail\.low is"):
        load_limits(path)


def test_sets_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(
        LimitsError, match=r"no limit set is named 'comon'; did you mean common\? there are by-diameter"
    ):
        load_limits("comon")
    with pytest.raises(
        LimitsError, match=r"missing\.toml cannot be read \(No such file or directory\); check its path"
    ):
        load_limits(str(tmp_path / "missing.toml"))
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LimitsError, match=r"bytes\.toml is not a text file in UTF-8"):
        load_limits(tmp_path / "bytes.toml")


def test_a_file_as_some_editors_save_it_is_read(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(OWN, encoding="utf-8-sig")
    assert load_limits(mine).density == load_limits(own(tmp_path, OWN)).density


def test_a_file_must_not_bear_the_name_of_a_set_that_comes_with_visionwire(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_bytes(limits_toml("common"))
    assert load_limits(mine) == load_limits("common")
    changed = limits_toml("common").replace(b"low = 6.0", b"low = 6.5", 1)
    assert changed != limits_toml("common")
    mine.write_bytes(changed)
    with pytest.raises(LimitsError, match="says name = 'common', which is a set that comes with visionwire"):
        load_limits(mine)
    mine.write_bytes(changed.replace(b'name = "common"', b'name = "mine"', 1))
    assert load_limits(mine).name == "mine"
