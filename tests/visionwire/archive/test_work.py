"""The order of the work list, and what it says of each; what was not read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import Made, check, reading, uneven
from visionwire.archive import trends
from visionwire.archive.reasons import reason_of, section_of
from visionwire.cli import app


def test_the_worst_comes_first_then_the_doubtful(made: Made) -> None:
    book = made(
        {
            "sure": reading(),
            "doubtful": reading("undecided", 0.5),
            "bad": reading("nonconforming", 0.03),
            "worse": reading("nonconforming", 0.001),
            "less doubtful": reading("undecided", 0.9),
            "cut off": reading("undecided", 0.99, confidence=0.51),
            "hardly sure": reading(p=0.96),
            "done": reading("nonconforming", 0.0),
            "z, a copy": reading("nonconforming", 0.0, sha256="worse"),
            "refused": {"state": "refusal", "code": "no-scale"},
            "waiting": {},
        }
    )
    book.decide("done", "reject", "seen", "A. Person", "2031-05-06T07:08:09+00:00")
    order = ["worse", "bad", "doubtful", "cut off", "less doubtful", "hardly sure", "sure"]
    for most in (0, 1, 3, 7, 9):
        assert [one["path"] for one in trends.trends_of(book, most).work] == order[:most]


def test_the_work_list_says_why_a_call_is_open_and_what_to_do(made: Made) -> None:
    cut = reading("undecided", 0.99, confidence=0.5)
    cut["record"]["advice"] = ["count it on the marked picture (--sheet DIR)", "and more"]
    plain, sure = reading("undecided", 0.5), reading("nonconforming", 0.01)
    sure["record"]["advice"] = ["the card is tilted"]
    found = trends.trends_of(made({"cut": cut, "plain": plain, "sure": sure}), 5)
    advice = {row["path"]: row["advice"] for row in found.work}
    assert advice == {
        "cut": "count it on the marked picture (visionwire check PHOTO --sheet DIR)",
        "plain": None,
        "sure": None,
    }


def test_a_run_within_limits_by_its_mean_alone_comes_before_all_that_conforms_and_says_so(made: Made) -> None:
    photos = {
        "sure": reading(p=0.96),
        "uneven": uneven(),
        "crowded": uneven(7.9, 7.5, 8.4),
        "open": reading("undecided"),
    }
    book = made(photos | {"near": uneven(7.9, 7.5, 8.2)})  # within the inch's own uncertainty of the limit
    work = trends.trends_of(book, 5).work
    assert [row["path"] for row in work] == ["open", "crowded", "uneven", "sure", "near"]
    assert [row["inch_outside"] for row in work] == [None, "run 1", "run 1", None, None]
    assert work[2]["reason"] == (
        "run 1: mean 7.00 twists per inch, allowed 6 to 8, but uneven: 4.7 in its least inch, 9.9 in its most"
    )
    assert work[2]["call"] == "conforming", "the call stays as it is"
    assert (work[2]["least_in_any_inch"], work[2]["most_in_any_inch"], work[2]["runs"]) == (4.7, 9.9, 1)


def test_the_reason_is_the_worst_check_in_words_and_figures() -> None:
    record = reading("nonconforming", 0.001, 9.07)["record"]
    sentence = "run 1: 9.07 ± 0.20 twists per inch, allowed 6 to 8, too high; within limits with probability under 1 %"
    assert reason_of(record) == sentence
    span = check("run 1", 6.5, 0.0001, "nonconforming", None, 6.0) | {"rule": "span", "unit": "in"}
    assert (reason_of(record | {"checks": [span]}) or "").startswith("run 1, span from hole to hole: 6.50 ± 0.20 in, ")
    assert reason_of(record | {"checks": []}) is None
    doubted = reading()["record"] | {"call": "undecided", "flags": ["find-in-doubt"]}
    assert reason_of(doubted) == "all within limits, but too little sure that what was read is the wire"
    assert section_of(doubted) is None and section_of(record) == "run 1"
    by_wire = record | {"scale": {"source": "wire"}, "made_by": {"parameters": {"wire_in": 0.041}}}
    assert reason_of(by_wire) == f"{sentence}; the scale is the wire's, told as 0.041 in"
    by_wire["made_by"] = {"parameters": {"wire_in": 0.8 / 25.4}}
    assert (reason_of(by_wire) or "").endswith("told as 0.0315 in"), "told in mm"


@pytest.mark.parametrize("flag", ["perhaps-no-wire", "scale-not-as-card"])
def test_of_what_a_flag_keeps_from_being_called_no_probability_is_said(flag: str) -> None:
    record = reading("undecided", 0.5, 6.1)["record"]
    assert "; within limits with probability 50 %" in (reason_of(record) or "")
    assert "within limits" not in (reason_of(record | {"flags": [flag]}) or "")


def test_the_work_list_is_the_same_however_rows_come(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    calls = ("conforming", "undecided", "nonconforming")
    photos = {f"{k:03d}": reading(calls[k % 3], round(float(rng.random()), 1)) for k in range(200)}
    book = made(photos)
    whole = trends.trends_of(book, 20).work
    monkeypatch.setattr(trends, "ROWS_AT_ONCE", 7)
    assert trends.trends_of(book, 20).work == whole
    assert [one["call"] for one in whole] == ["nonconforming"] * 20


def test_what_was_not_read_is_named_with_its_reason_and_what_to_do(made: Made, tmp_path: Path) -> None:
    photos = {f"{k:02d}": {"state": "refusal", "code": "no-scale", "message": "no card; lay one"} for k in range(14)}
    photos["z"] = {"state": "unreadable", "code": "took-too-long", "message": "too long; give more with --limit"}
    photos["z, a copy"] = {"sha256": "z"}
    book = made({**photos, "gone": {"sha256": None}, "a": reading(), "waiting": {}})
    book.put_files([("gone", None, 0, "the file cannot be read; check it", *[None] * 5)])
    found = trends.trends_of(book, 3)
    assert [(row["path"], row["files"]) for row in found.not_read] == [("z", 2), ("00", 1), ("01", 1)]
    assert trends.trends_of(book, 0).not_read == []
    page = tmp_path / "t.html"
    done = CliRunner().invoke(app, ["trends", str(book.path), "--html", str(page), "--most", "3"])
    lines = done.stdout.splitlines()
    at = lines.index("not read: 17 files")
    assert lines[at + 1 : at + 4] == [
        "  2 files ended for want of time: visionwire archive with a larger --limit reads them again; 14 files show no "
        "card and their wire is not known: run visionwire archive again with --wire 0.032, or with a column wire_in in "
        "--metadata",
        "  z (2 files of this content): took-too-long, too long; give more with --limit",
        "  00: no-scale, no card; lay one",
    ]
    assert lines[-1].startswith("  and 13 more;")
    html = page.read_text()
    assert "2 files ended for want of time" in html and "no card; lay one" in html and "And 13 more" in html
    most = CliRunner().invoke(app, ["trends", str(book.path), "--most", "40"]).stdout
    assert "  13: no-scale" in most and "more" not in most.partition("not read")[2].replace("give more", "")
    everything = trends.trends_of(book, 40).not_read
    assert [row["path"] for row in everything][-2:] == ["13", "gone"]
    assert everything[-1]["message"] == "the file cannot be read; check it"


def test_the_list_of_what_was_not_read_is_the_same_however_rows_come(
    made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    codes = ("no-scale", "worker-died", "blurred")
    book = made({f"{k * 37 % 100:02d}": {"state": "refusal", "code": codes[k % 3]} for k in range(100)})
    whole = trends.trends_of(book, 7).not_read
    monkeypatch.setattr(trends, "ROWS_AT_ONCE", 7)
    assert trends.trends_of(book, 7).not_read == whole
    died = sorted(f"{k * 37 % 100:02d}" for k in range(100) if k % 3 == 1)
    assert [row["path"] for row in whole] == died[:7]
