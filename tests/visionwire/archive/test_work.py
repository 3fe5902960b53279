"""The order of the work list, and what it says of each; what was not read."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.visionwire.archive.small import (
    RUN,
    Made,
    bring_up_to_date,
    check,
    folder_of,
    in_this_process,
    reading,
    uneven,
)
from visionwire import doubt, quality
from visionwire.archive import Ledger, trends
from visionwire.archive.decisions import decide
from visionwire.archive.reasons import reason_of, section_of, to_do
from visionwire.cli import app
from visionwire.cli.archive import archive
from visionwire.codes import CODES


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
    decide(book, "done", "reject", "seen", "A. Person", "2031-05-06T07:08:09+00:00")
    order = ["worse", "bad", "doubtful", "cut off", "less doubtful", "hardly sure", "sure"]
    for most in (0, 1, 3, 7, 9):
        assert [one["path"] for one in trends.trends_of(book, most).work] == order[:most]


def test_of_what_surely_does_not_conform_the_surest_call_comes_first(made: Made) -> None:
    photos = {name: reading("nonconforming", 0.0, confidence=sure) for name, sure in (("a", 0.95), ("b", 0.999))}
    assert [row["path"] for row in trends.trends_of(made(photos), 2).work] == ["b", "a"]


def test_what_is_alike_is_sorted_by_how_near_a_limit_lies_and_all_that_is_sorted_by_is_said(
    made: Made, tmp_path: Path
) -> None:
    photos = {name: reading("undecided", p, confidence=0.5) for name, p in (("a", 0.99), ("b", 0.6), ("c", 0.45))}
    photos |= {"d": reading("undecided", 0.3), "e": reading("undecided", 0.6, confidence=0.5)}
    book, page = made(photos), tmp_path / "t.html"
    assert [row["path"] for row in trends.trends_of(book, 9).work] == ["c", "b", "e", "a", "d"]
    shown = CliRunner().invoke(app, ["trends", str(book.path), "--html", str(page)]).stdout
    assert "  undecided: c\n" in shown, "no call, so no confidence in one"
    assert f"to look at first:\n  (in this order: {trends.ORDER})\n" in shown
    assert "undecided</strong>; 7.00 twists" in page.read_text()
    assert f"In this order: {trends.ORDER}." in page.read_text()


def test_the_work_list_says_why_a_call_is_open_and_what_to_do(made: Made) -> None:
    cut = reading("undecided", 0.99, confidence=0.5)
    cut["record"] |= {
        "advice": ["count it on the marked picture (--sheet DIR)", "and more"],
        "flags": ["near-a-limit"],  # in the words of an earlier version
    }
    plain, sure = reading("undecided", 0.5), reading("nonconforming", 0.01)
    sure["record"] |= {"advice": ["the card is tilted"], "flags": ["card-tilted", "run-cut-off"]}
    plain["record"] |= {"advice": ["the card is tilted"], "flags": ["card-tilted"]}
    found = trends.trends_of(made({"cut": cut, "plain": plain, "sure": sure}), 5)
    advice = {row["path"]: row["advice"] for row in found.work}
    assert advice == {
        "cut": "count it on the marked picture (visionwire check PHOTO --sheet DIR)",
        "plain": None,
        "sure": None,
    }


def test_the_advice_shown_is_that_of_what_keeps_the_call_from_being_given(made: Made) -> None:
    flags = [
        quality.flag("scale-from-wire"),
        quality.flag("few-twists", run="run 1", twists=8.0, needed=10.0),
        quality.flag("few-twists", run="run 2", twists=7.0, needed=10.0),
        quality.flag("run-cut-off", run=2),
        quality.flag("find-in-doubt", belief=91.0),
    ]
    one = reading("undecided", 0.99, confidence=0.5)
    one["record"] |= {"advice": [flag.sentence for flag in flags], "flags": [flag.code for flag in flags]}
    (row,) = trends.trends_of(made({"a": one}), 1).work
    assert row["advice"] == flags[3].sentence


def test_advice_for_an_archive_names_what_an_archive_has_or_the_command_that_has_it() -> None:
    pointed = ("not-twisted", "turnbuckle-not-pointed", "no-wraps", "scale-not-as-card")  # of points told alone
    options = {f"--{name}" for name in inspect.signature(archive).parameters}
    of_check = re.compile(r"visionwire check PHOTO( --\w+ [A-Z,]+)+")
    said = {code: to_do(entry.advice) for code, entry in CODES.items() if code not in pointed}
    for code, advice in said.items():
        assert set(re.findall(r"--\w+", of_check.sub("", advice))) <= options, (code, advice)
        assert to_do(advice) == advice, "once is enough"
    assert (
        "the wire with --wire DIAMETER_IN or a known distance with visionwire check PHOTO --scale" in said["no-scale"]
    )
    assert "look at the marked picture (visionwire check PHOTO --sheet DIR) to see" in said["finders-disagree"]
    assert said["find-in-doubt"].count("visionwire check PHOTO") == 2
    assert to_do("(say so with --card-below 0)") == "(say so with visionwire check PHOTO --card-below 0)"
    assert to_do("(--card-below 0 would fit, not 5)") == "(--card-below 0 would fit, not 5)", "that is of all pictures"


def test_what_is_not_read_is_said_so_in_the_lists_and_in_the_rows(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    fresh = tmp_path / "fresh.db"
    bring_up_to_date(folder_of(tmp_path / "photos", 1), fresh)
    old = {"state": "refusal", "code": "no-scale", "message": f"no card; {CODES['no-scale'].advice}"}
    ledgers = {
        fresh: "with visionwire check PHOTO --start X,Y",
        made({"a": old}).path: "with visionwire check PHOTO --scale",
    }
    for ledger, words in ledgers.items():
        page = tmp_path / "t.html"
        shown = CliRunner().invoke(app, ["trends", str(ledger), "--html", str(page)]).stdout
        assert words in shown and words in page.read_text()
        assert shown.count("--wire") == page.read_text().count("--wire") == ("no card" in shown), "said of all at once"
    assert "with visionwire check PHOTO --start X,Y" in "".join(map(str, Ledger(fresh).rows()[1]))


def test_a_sentence_is_known_by_its_code_and_by_no_other() -> None:
    filled = {code: entry.message for code, entry in CODES.items() if entry.kind == "flag"}
    for code, message in filled.items():
        numbers = dict.fromkeys(re.findall(r"{(\w+):", message), 3.0)
        words = dict.fromkeys(re.findall(r"{(\w+)}", message), "run 1")
        filled[code] = f"{message.format(**numbers, **words)}; do this"
    for code, sentence in filled.items():
        assert [one for one in filled if quality.raised(one, sentence)] == [code]
    assert set(doubt.STOPPING) <= set(filled)


def test_a_run_within_limits_by_its_mean_alone_comes_before_all_that_conforms_and_says_so(
    made: Made, tmp_path: Path
) -> None:
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
    by_mean, page = "conforming by its mean; the twist is uneven, see run 1", tmp_path / "t.html"
    assert [row["called"] for row in work] == ["undecided", by_mean, by_mean, "conforming", "conforming"]
    shown = CliRunner().invoke(app, ["trends", str(book.path), "--html", str(page)]).stdout
    assert f"  {by_mean}, confidence 99 %: uneven\n" in shown and f"<strong>{by_mean}</strong>" in page.read_text()


def test_what_conforms_as_far_as_seen_comes_before_what_does_and_is_counted_apart(made: Made, tmp_path: Path) -> None:
    unseen = reading(p=0.999)
    unseen["record"]["pigtail"] = None
    book = made({"sure": reading(p=0.999), "hardly": reading(p=0.96), "unseen": unseen, "uneven": uneven()})
    found = trends.trends_of(book, 4)
    assert [row["path"] for row in found.work] == ["uneven", "unseen", "hardly", "sure"]
    assert [row["reason"].endswith("; no pigtail was counted") for row in found.work] == [False, True, False, False]
    assert found.as_seen == 1 and found.calls == {"conforming": 4}
    page = tmp_path / "t.html"
    shown = CliRunner().invoke(app, ["trends", str(book.path), "--html", str(page)]).stdout
    assert "; calls: 4 conforming (1 with no pigtail counted)\n" in shown
    assert "1 of 4 called conforming is that as far as seen: no pigtail was counted." in page.read_text()
    whole = CliRunner().invoke(app, ["trends", str(made({"sure": reading()}, "b.db").path)]).stdout
    assert "calls: 1 conforming\n" in whole


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
    assert lines[at + 1 : at + 8] == [
        "  2 files ended for want of time: visionwire archive with a larger --limit reads them again",
        "  in 14 files no card was found and their wire is not known: tell it in a column wire_in of --metadata and "
        "run visionwire archive again (--wire would tell it for every photograph)",
        "  too long; give more with --limit (took-too-long):",
        "    z (2 files of this content)",
        "  no card; lay one (no-scale):",
        "    00",
        "    01",
    ]
    assert lines[-1].startswith("  and 13 more;")
    html = page.read_text()
    assert '<td><span title="no-scale">no scale</span></td><td class="n">14</td>' in html
    assert "2 files ended for want of time" in html and "And 13 more" in html
    assert html.count("no card; lay one") == 1 and "<td>00<br>01</td>" in html
    most = CliRunner().invoke(app, ["trends", str(book.path), "--most", "40"]).stdout
    assert most.count("no card; lay one (no-scale)") == 1 and "\n    13\n" in most
    assert "more" not in most.partition("not read")[2].replace("give more", "")
    everything = trends.trends_of(book, 40).not_read
    assert [row["path"] for row in everything][-2:] == ["13", "gone"]
    assert everything[-1]["message"] == "the file cannot be read; check it"


def test_a_line_break_in_a_name_fakes_no_line_of_the_lists(made: Made) -> None:
    name = "a\n  conforming: b"
    lost = {"state": "refusal", "code": "no-scale", "message": "no card; lay one"}
    book = made({name: reading("nonconforming") | {"technician": name}, f"c{name}": lost})
    said = CliRunner().invoke(app, ["trends", str(book.path)]).stdout
    assert "\n  conforming: b" not in said and said.count("a\\n  conforming: b") == 3
    said = (
        CliRunner()
        .invoke(app, ["review", str(book.path), name, "--decision", "reject", "--reason", "loose", "--by", name])
        .stdout
    )
    assert "\n  conforming: b" not in said and said.count("a\\n  conforming: b") == 2


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
