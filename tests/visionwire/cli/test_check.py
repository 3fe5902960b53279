"""``visionwire check``: options, exit status, streams; the measuring itself is replaced."""

from __future__ import annotations

import dataclasses
import html
import json
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner, Result

from calibration import load_card, without_card
from calibration.card import PRINT_VERIFIED_U
from tests.benchmarks.report import PICTURES
from visionwire.cli import app
from visionwire.cli.options import LEAST_APART_PX
from visionwire.errors import ExitCode
from visionwire.evidence import Evidence
from visionwire.limits import known_limits, load_limits
from visionwire.reading import Reading, Refusal, Routing

WIDTH_PX, HEIGHT_PX = 64, 48


class FakeMeasure:
    """Answers by the photograph's name, and keeps what it was asked."""

    def __init__(self, reading_of: Callable[..., Reading], evidence: Evidence) -> None:
        self.reading_of, self.evidence = reading_of, evidence
        self.asked: list[dict[str, Any]] = []

    def __call__(self, photo: Any, **words: Any) -> tuple[Reading | Refusal, Evidence | None]:
        self.asked.append(words)
        call = Path(photo.name).stem.split("_")[0]
        if call == "odd":
            raise ZeroDivisionError("nobody\nthought of this")
        if call == "refused":
            return Refusal("no-twisted-wire", "no twisted pair was found", "fill the frame", photo.info), None
        return dataclasses.replace(self.reading_of(photo.name, call), photo=photo.info), self.evidence


@pytest.fixture
def measure(monkeypatch: pytest.MonkeyPatch, reading_of: Callable[..., Reading], evidence: Evidence) -> FakeMeasure:
    fake = FakeMeasure(reading_of, evidence)
    module = ModuleType("visionwire.measure")
    module.measure_with_evidence = module.measure = fake  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "visionwire.measure", module)
    return fake


@pytest.fixture
def photo(tmp_path: Path) -> Callable[[str], str]:
    def make(name: str) -> str:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if name.startswith("broken"):
            path.write_bytes(b"this is no picture")
        else:
            cv2.imwrite(str(path), np.full((HEIGHT_PX, WIDTH_PX, 3), 90, np.uint8))
        return str(path)

    return make


def run(*words: str) -> Result:
    return CliRunner().invoke(app, ["check", *words])


@pytest.mark.parametrize(
    ("names", "status"),
    [
        (["conforming.png"], 0),
        (["nonconforming.png"], 1),
        (["undecided.png"], 3),
        (["refused.png"], 3),
        (["broken.png"], 4),
        (["conforming.png", "undecided.png"], 3),
        (["undecided.png", "nonconforming.png", "conforming.png"], 1),
        (["broken.png", "nonconforming.png", "refused.png"], 4),
    ],
)
def test_the_gravest_photograph_decides_the_exit_status(
    measure: FakeMeasure, photo: Callable[[str], str], names: list[str], status: int
) -> None:
    assert run(*map(photo, names)).exit_code == status


def test_the_answer_is_on_stdout_and_the_caution_once_on_stderr(
    measure: FakeMeasure, photo: Callable[[str], str]
) -> None:
    result = run(photo("conforming_1.png"), photo("nonconforming.png"))
    assert "conforming_1.png: CONFORMING " in result.stdout and "(confidence 96 %)" in result.stdout
    assert "nonconforming.png: NONCONFORMING" in result.stdout
    assert result.stderr.count("eye protection") == 1 and "\x1b" not in result.stdout


def test_a_broken_photograph_does_not_lose_the_others(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    result = run(photo("broken.png"), photo("conforming.png"))
    assert result.exit_code == 4
    assert "broken.png" in result.stderr and "Traceback" not in result.stderr
    assert "conforming.png: CONFORMING" in result.stdout


@pytest.mark.parametrize("as_json", [[], ["--json"]])
def test_what_nobody_thought_of_in_one_photograph_does_not_lose_the_others(
    measure: FakeMeasure, photo: Callable[[str], str], as_json: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("VISIONWIRE_DEBUG", raising=False)
    names = ["conforming_1.png", "odd.png", "conforming_2.png"]
    result = run(*map(photo, names), *as_json)
    assert result.exit_code == 4 and len(measure.asked) == 3
    assert all(name in result.stdout for name in names[::2])
    (sentence,) = [line for line in result.stderr.splitlines() if line.startswith("visionwire: ")]
    assert "odd.png: this should not have happened (ZeroDivisionError: nobody thought of this)" in sentence
    assert "Traceback" not in result.stderr
    if as_json:
        records = [json.loads(line) for line in result.stdout.splitlines()]
        assert [record["photo"]["name"] for record in records] == names
        assert records[1]["code"] == "unreadable" and records[1]["advice"].startswith("run it again")


def test_a_sheet_that_goes_wrong_does_not_lose_the_others(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(*_: Any) -> str:
        raise ZeroDivisionError

    monkeypatch.setattr("visionwire.sheet.html.refusal_html", wrong)
    result = run(photo("refused.png"), photo("conforming.png"), "--sheet", str(tmp_path / "s"))
    assert result.exit_code == 4 and "refused.png: this should not have happened" in result.stderr
    assert "refused.png: NO READING" in result.stdout and "conforming.png: CONFORMING" in result.stdout
    assert [path.name for path in (tmp_path / "s").iterdir()] == ["conforming.png.html"]


def test_a_library_that_is_missing_is_said_once(
    measure: FakeMeasure, photo: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(FakeMeasure, "__call__", lambda *_, **__: __import__("no_such_library"))
    result = run(photo("conforming_1.png"), photo("conforming_2.png"))
    assert result.exit_code == 4 and result.stderr.count("\n") == 1 and "no_such_library" in result.stderr


def test_json_is_one_object_for_one_photograph(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    result = run("--json", photo("conforming.png"))
    record = json.loads(result.stdout)
    assert record["format"] == "visionwire.reading/1" and record["call"] == "conforming"
    assert result.stdout.count("\n") == 1 and result.stderr == ""


def test_json_gives_every_photograph_its_line(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    names = ["conforming.png", "broken.png", "refused.png", "undecided.png"]
    result = run("--json", *map(photo, names))
    records = [json.loads(line) for line in result.stdout.splitlines()]
    assert [record["photo"]["name"] for record in records] == names
    assert [record.get("code") for record in records] == [None, "unreadable", "no-twisted-wire", None]
    assert result.exit_code == 4


def test_the_unreadable_photograph_in_json(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    record = json.loads(run("--json", photo("broken.png")).stdout)
    assert set(record) == {"format", "photo", "code", "message", "advice"}
    assert record["format"] == "visionwire.refusal/1" and "broken.png is no picture" in record["message"]
    assert record["advice"].startswith("give JPEG, PNG") and ";" not in record["message"]
    assert record["photo"] == dict.fromkeys(("sha256", "width_px", "height_px", "taken"), None) | {"name": "broken.png"}


def test_a_reader_that_leaves_while_sheets_are_written_is_no_error(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: Any, **__: Any) -> None:
        raise BrokenPipeError

    monkeypatch.setattr(import_module("visionwire.cli.check"), "_write_sheet", gone)
    monkeypatch.setattr("os.dup2", lambda *_: None)
    result = run(photo("conforming.png"), "--sheet", str(tmp_path / "sheets"))
    assert result.exit_code == 128 + 13 and "should not have happened" not in result.stderr


def test_options_reach_the_measuring(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    picture = photo("conforming.png")
    words = ["--wire", "0.032", "--card", "pocket", "--limits", "common", "--method", "double"]
    words += ["--tightens", "counter-clockwise", "--head", "3,4", "--head", "50,20.5"]
    run(picture, *words, "--start", "1,2", "--end", "60.5,40", "--scale", "0,0,30,40,1.5")
    (asked,) = measure.asked
    assert asked["wire_in"] == 0.032 and asked["card"].name == "pocket" and asked["limits"].name == "common"
    assert asked["start"] == (1.0, 2.0) and asked["end"] == (60.5, 40.0)
    assert asked["two_points"] == (0.0, 0.0, 30.0, 40.0, 1.5)
    assert asked["tightens"] == "counter-clockwise" and asked["heads"] == ((3.0, 4.0), (50.0, 20.5))


def test_a_bar_that_was_measured_makes_the_card_so_large_and_surer(
    measure: FakeMeasure, photo: Callable[[str], str]
) -> None:
    assert run(photo("conforming.png"), "--card", "pocket", "--bar", "79.2").exit_code == ExitCode.CONFORMING
    assert run(photo("conforming.png"), "--card", "pocket", "--bar", "79.2mm").exit_code == ExitCode.CONFORMING
    card, (asked, with_sign) = load_card("pocket"), measure.asked
    assert with_sign["card"] == asked["card"]
    assert asked["card"].square_mm == pytest.approx(card.square_mm * 79.2 / 80)
    assert asked["card"].print_relative_u == PRINT_VERIFIED_U < card.print_relative_u


@pytest.mark.parametrize(
    ("words", "height_mm"),
    [
        (["--card-below", "0"], 0.0),
        (["--card-below", "-2.5"], -2.5),
        (["--card-below", "25.4 mm"], 25.4),
        (["--card-below", "1in"], 25.4),
        ([], None),
    ],
)
def test_how_far_the_card_lies_below_the_wire_is_told(
    measure: FakeMeasure, photo: Callable[[str], str], words: list[str], height_mm: float | None
) -> None:
    assert run(photo("conforming.png"), *words).exit_code == ExitCode.CONFORMING
    (asked,) = measure.asked
    assert asked["height_mm"] == height_mm


def test_a_distance_is_in_inches_or_says_mm(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    run(photo("conforming.png"), "--scale", "0,0,30,40,50.8mm")
    assert measure.asked[0]["two_points"] == pytest.approx((0.0, 0.0, 30.0, 40.0, 2.0))


@pytest.mark.parametrize("words", ["0.0315", ".0315in", '.0315"', "0.8001mm", "0.8001 MM"])
def test_a_diameter_is_in_inches_or_says_mm(measure: FakeMeasure, photo: Callable[[str], str], words: str) -> None:
    run(photo("conforming.png"), "--wire", words)
    assert measure.asked[0]["wire_in"] == pytest.approx(0.0315)


@pytest.mark.parametrize(
    ("said", "way"), [("cw", "clockwise"), ("ccw", "counter-clockwise"), ("acw", "counter-clockwise")]
)
def test_a_way_round_may_be_said_in_short(
    measure: FakeMeasure, photo: Callable[[str], str], said: str, way: str
) -> None:
    run(photo("conforming.png"), "--tightens", said)
    assert measure.asked[0]["tightens"] == way


def test_nothing_given_is_none(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    run(photo("conforming.png"))
    (asked,) = measure.asked
    assert [asked[word] for word in ("wire_in", "card", "start", "end", "two_points", "tightens")] == [None] * 6
    assert asked["limits"].name == "common"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--wire", "0"], "it must be 0.005 to 0.1 in; a diameter is above zero\n"),
        (["--wire", "-0.032"], "a diameter is above zero, so leave out the minus: --wire 0.032\n"),
        (["--wire", "-0.8mm"], "a diameter is above zero, so leave out the minus: --wire 0.8mm\n"),
        (["--wire", "0.001"], "the nearest that works is 0.005"),
        (["--wire", "32"], "for 32 thousandths give --wire 0.032"),
        (["--wire", "0.8"], "for 0.8 mm give --wire 0.8mm"),
        (["--wire", "0.20"], "for 0.020 in give --wire 0.020"),
        (["--wire", "0.5"], "for 0.050 in give --wire 0.050, for 0.5 mm give --wire 0.5mm"),
        (["--wire", "0.032mm"], "--wire is 0.032mm; it must be 0.005 to 0.1 in; for 0.032 in leave out mm"),
        (["--wire", "900"], "the nearest that works is 0.1"),
        (["--wire", "32in"], "the nearest that works is 0.1"),
        (["--wire", "nan"], "a diameter in inches, such as 0.032"),
        (["--wire", "0.8cm"], "--wire is '0.8cm'; it must be a diameter in inches, such as 0.032, or 0.8mm"),
        (["--start", "3,4"], "--start was given without --end"),
        (["--end", "3,4"], "--end was given without --start"),
        (["--start", "3", "--end", "5,6"], "two numbers X,Y in pixels"),
        (["--start", "10"], "--start is '10'; it must be two numbers X,Y in pixels with a comma between, such as"),
        (["--start", "3,4", "--end", "3,23.5"], "less than 20 px apart; give the two ends of one run"),
        (["--start", "-5,70", "--end", "5,6"], "the nearest point inside is 0,47"),
        (["--start", "5,6", "--end", "640,20"], "the nearest point inside is 63,20"),
        (["--scale", "1,2,3,4"], "X,Y,X,Y,INCHES"),
        (["--scale", "1,2,x,40,5"], "--scale is '1,2,x,40,5'; it must be X,Y,X,Y,INCHES"),
        (["--scale", "1,2,30,40,5cm"], "--scale is '1,2,30,40,5cm'; it must be X,Y,X,Y,INCHES"),
        (["--scale", "1,2,30,40"], "or in mm with its sign, such as 100,200,900,220,63.5mm"),
        (["--scale", "1,2,30,40,0"], "above 0"),
        (["--scale", "1,2,30,40,-2"], "above 0"),
        (["--scale", "1,2,20,2,3"], "less than 20 px apart; give two that lie far apart"),
        (["--scale", "1,2,100,40,3"], "the nearest point inside is 63,40"),
        (["--method", "triple"], "--method is 'triple'; it must be one of double, single, wraps"),
        (["--method", "singel"], "--method is 'singel' (did you mean single?); it must be one of"),
        (["--finder", "Learnt"], "(did you mean learned?)"),
        (["--tightens", "left"], "one of clockwise, counter-clockwise"),
        (["--tightens", "anti-clockwise"], "(did you mean anticlockwise?)"),
        (["--tightens", "counterclockwise"], "(did you mean counter-clockwise?)"),
        (["--tightens", "clockwise", "--method", "wraps"], "not of --method wraps"),
        (["--head", "3,4"], "add --tightens clockwise for right-hand threads"),
        (["--tightens", "clockwise", "--head", "3"], "two numbers X,Y in pixels"),
        (["--tightens", "clockwise", "--head", "3,4", "--head", "5,90"], "point 2 of --head 5,90 lies outside"),
        (["--card", "no-such-card"], "--card:"),
        (["--bar", "79.8"], "--card pocket --bar 79.8"),
        (["--card", "pocket", "--bar", "8 cm"], "near 80"),
        (["--card-below", "level"], "how many mm the card's face lies below the wire"),
        (["--card-below", "300"], "-25 to 100, 0 where it is held level with it"),
        (["--card-below", "0", "--scale", "1,2,60,40,3"], "leave one of them out"),
        (["--card", "pocket", "--bar", "8"], "read it again in mm, and for 8 cm give 80\n"),
        (["--limits", "comon"], "did you mean common?"),
        (["--limits", "by-diameter"], "give the wire with --wire DIAMETER_IN"),
        (["--limits", "by-diameter", "--wire", "0.041"], "has no band for wire of 0.041 in"),
    ],
)
def test_a_word_that_is_off_is_one_sentence(
    measure: FakeMeasure, photo: Callable[[str], str], words: list[str], sentence: str
) -> None:
    result = run(photo("conforming.png"), *words)
    assert result.exit_code == ExitCode.USAGE
    assert sentence in result.stderr and result.stderr.count("\n") == 1
    assert result.stdout == "" and measure.asked == []


def test_points_that_the_command_lets_pass_do_for_the_measuring() -> None:
    assert LEAST_APART_PX == import_module("visionwire.measure").LEAST_APART_PX == without_card.LEAST_APART_PX


def test_points_are_of_one_picture(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    result = run(photo("conforming_1.png"), photo("conforming_2.png"), "--start", "1,2", "--end", "3,40")
    assert result.exit_code == 2 and "give one photograph" in result.stderr


def test_sheets_one_a_photograph_even_of_one_name(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    folder = tmp_path / "new" / "sheets"
    names = ["a/conforming.png", "b/conforming.png", "refused.png", "broken.png"]
    result = run(*map(photo, names), "--sheet", str(folder))
    assert sorted(path.name for path in folder.iterdir()) == [
        "conforming.png-2.html",
        "conforming.png.html",
        "refused.png.html",
    ]
    assert result.stdout.count("sheet: ") == 3
    assert "Conforming" in (folder / "conforming.png.html").read_text("utf-8")
    assert "No reading" in (folder / "refused.png.html").read_text("utf-8")


def test_a_sheet_of_another_photograph_is_never_replaced(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    folder = tmp_path / "s"
    one, other = photo("a/conforming.png"), photo("b/conforming.png")
    cv2.imwrite(other, np.full((HEIGHT_PX, WIDTH_PX, 3), 91, np.uint8))
    for path, name in ((one, "conforming.png.html"), (other, "conforming.png-2.html"), (one, "conforming.png.html")):
        assert run(path, "--sheet", str(folder)).stdout.endswith(f"sheet: {folder / name}\n")
    assert len(list(folder.iterdir())) == 2
    assert f"{other}, SHA-256" in (folder / "conforming.png-2.html").read_text("utf-8")


def test_to_make_the_sheet_is_not_advised_where_it_is_made(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path, reading_of: Callable[..., Reading]
) -> None:
    advice = ("count on the marked picture (--sheet DIR)",)
    measure.reading_of = lambda *words: dataclasses.replace(reading_of(*words), advice=advice)
    path = photo("undecided.png")
    assert "  do: count on the marked picture (--sheet DIR)\n" in run(path).stdout
    assert "  do: count on the marked picture\n" in run(path, "--sheet", str(tmp_path / "s")).stdout


@pytest.mark.parametrize("name", ["conforming", "refused"])
def test_a_sheet_says_what_was_asked(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path, name: str
) -> None:
    path, sheet = photo(f"{name}.png"), tmp_path / "s" / f"{name}.png.html"
    for asked, words in (
        ((), "none given"),
        (("--method", "double", "--limits", "common", "--wire", "0.8mm"), "--wire 0.8mm"),
        (("--tightens", "cw", "--head", "3,4", "--head", "5,6"), "--tightens cw --head 3,4 --head 5,6"),
    ):
        run(path, "--sheet", str(tmp_path / "s"), *asked)
        assert f'Options</dt><dd class="code">{words}</dd>' in sheet.read_text("utf-8")


def test_several_photographs_end_with_their_totals(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    names = ["conforming_1", "nonconforming", "refused", "conforming_2", "broken", "undecided", "odd"]
    said = run(*(photo(f"{name}.png") for name in names)).stdout.splitlines()[-1]
    assert said == "7 photographs: 2 conforming, 1 nonconforming, 1 undecided, 3 without a reading"
    assert run(photo("conforming_1.png"), photo("conforming_2.png")).stdout.endswith("\n2 photographs: 2 conforming\n")
    reading_of = measure.reading_of
    measure.reading_of = lambda *words: dataclasses.replace(reading_of(*words), pigtail=None)
    seen = run(photo("conforming_1.png"), photo("nonconforming.png"))
    assert seen.stdout.endswith("\n2 photographs: 1 conforming as far as seen, 1 nonconforming\n")
    assert seen.exit_code == 1 and run(photo("conforming_1.png")).exit_code == 0
    assert "photographs:" not in run(photo("conforming.png")).output
    assert "photographs:" not in run("--json", photo("conforming.png"), photo("refused.png")).output


@pytest.mark.parametrize("as_json", [[], ["--json"]])
def test_of_what_pulls_loose_a_person_must_look(
    measure: FakeMeasure, photo: Callable[[str], str], as_json: list[str]
) -> None:
    reading_of = measure.reading_of
    routing = (Routing("loosens", "loosens", 0.93, 0.03, 0.04, None, None),)
    measure.reading_of = lambda *words: dataclasses.replace(reading_of(*words), routing=routing)
    names = [photo(f"{name}.png") for name in ("conforming", "nonconforming")]
    assert run(names[0], *as_json).exit_code == ExitCode.UNDECIDED
    both = run(*names, *as_json)
    assert both.exit_code == ExitCode.NONCONFORMING
    if not as_json:
        assert both.stdout.endswith("\n2 photographs: 1 pulling loose, 1 nonconforming\n")


def test_photographs_of_one_name_are_told_apart_by_their_paths(
    measure: FakeMeasure, photo: Callable[[str], str]
) -> None:
    paths = [photo(name) for name in ("x/conforming.png", "y/conforming.png", "y/refused.png")]
    said = [line.partition(": ")[0] for line in run(*paths).stdout.splitlines() if not line.startswith(" ")]
    assert said[:-1] == [paths[0], paths[1], "refused.png"]
    assert run(paths[0]).stdout.startswith("conforming.png: ")


def test_with_json_the_sheet_is_told_on_stderr(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    result = run("--json", photo("conforming.png"), "--sheet", str(tmp_path / "s"))
    assert json.loads(result.stdout)["call"] == "conforming" and "sheet: " in result.stderr
    assert result.stdout == run("--json", photo("conforming.png")).stdout, "what is made beside it changes no answer"


def test_a_folder_that_cannot_be_made(measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    result = run(photo("conforming.png"), "--sheet", str(tmp_path / "file"))
    assert result.exit_code == 4 and "cannot be made" in result.stderr and measure.asked == []


def test_a_sheet_that_cannot_be_written_does_not_lose_the_answers(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    too_long = f"conforming_{'1' * 240}.png"  # with .html
    result = run(photo(too_long), photo("conforming_2.png"), "--sheet", str(tmp_path / "s"))
    assert result.exit_code == 4 and "cannot be written" in result.stderr
    assert result.stdout.count(": CONFORMING BY ITS MEAN; the twist is uneven, see run 1 (confidence") == 2
    assert (tmp_path / "s" / "conforming_2.png.html").is_file()


def test_no_photograph_is_usage() -> None:
    assert run().exit_code == 2


def plan_of(folder: Path, wire: str) -> str:
    plan = folder / f"{wire}.json"
    plan.write_text(
        CliRunner().invoke(app, ["plan", "0,0", "2.1,0", "--hole", "0.060", "--wire", wire, "--json"]).stdout
    )
    return str(plan)


@pytest.mark.parametrize(
    ("words", "wire_in"), [([], None), (["--wire", "0.8mm"], 0.8 / 25.4), (["--wire", "0.041"], "refused")]
)
def test_a_wire_that_is_told_is_the_plans(
    measure: FakeMeasure,
    photo: Callable[[str], str],
    tmp_path: Path,
    words: list[str],
    wire_in: float | str | None,
) -> None:
    result = run(photo("conforming.png"), "--plan", plan_of(tmp_path, "0.032"), *words)
    if wire_in == "refused":
        assert result.exit_code == ExitCode.USAGE
        assert "--wire is 0.041 in, and the plan is of wire of 0.032 in; leave out --wire" in result.stderr
    else:
        assert measure.asked[0]["wire_in"] == wire_in, "where a card tells the scale the picture tells the wire"


def test_a_plans_wire_is_the_ruler_where_nothing_else_is(tmp_path: Path) -> None:
    photo, plan = PICTURES / "no_card.jpg", plan_of(tmp_path, "0.032")
    alone, planned, told = (
        CliRunner().invoke(app, ["check", str(photo), "--json", *words]).stdout
        for words in ([], ["--plan", plan], ["--plan", plan, "--wire", "0.032"])
    )
    assert json.loads(alone)["code"] == "no-scale"
    assert json.loads(planned) == json.loads(told) and json.loads(told)["scale"]["source"] == "wire"


def failed_by_common(measure: FakeMeasure, value: float, wire_in: float | None) -> None:
    """Have photographs called nonconforming read so dense, by the default's limits."""
    made = measure.reading_of

    def reading_of(name: str, call: str) -> Reading:
        reading = made(name, call)
        first = dataclasses.replace(reading.checks[0], value=value)
        made_by = {**reading.made_by, "parameters": {"wire_in": wire_in}}
        return dataclasses.replace(reading, checks=(first, *reading.checks[1:]), made_by=made_by)

    measure.reading_of = reading_of


@pytest.mark.parametrize("wire_in", [0.020, 0.032, 0.020 * 1.01])
def test_where_the_default_fails_what_other_sets_allow_all_of_them_are_named(
    measure: FakeMeasure, photo: Callable[[str], str], wire_in: float, tmp_path: Path
) -> None:
    failed_by_common(measure, 9.5, wire_in)
    sheets = tmp_path / "sheets"
    said = run(photo("nonconforming.png"), "--sheet", str(sheets)).stdout
    (line,) = [line for line in said.splitlines() if "no limit set was named" in line]
    for name in known_limits():
        bands = [band for band in load_limits(name).density if band.covers(wire_in)]
        for band in bands:
            assert (f"{name} {band.low:g} to {band.high:g}" in line) == (name != "common")
    assert "so common was taken" in line and "manual" in line and "--limits" in line
    sheet = html.unescape((sheets / "nonconforming.png.html").read_text("utf-8"))
    assert line.removeprefix("  do: ") in sheet
    assert "no limit set was named" not in run(photo("nonconforming.png"), "--json").stdout, "a record names its set"


def test_of_several_photographs_it_is_said_once_that_no_set_was_named(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    failed_by_common(measure, 9.5, 0.020)
    paths = [photo(f"{name}.png") for name in ("nonconforming_1", "nonconforming_2", "conforming")]
    result = run(*paths, "--sheet", str(tmp_path / "s"))
    *_, advice, totals = result.stdout.splitlines()
    assert advice.startswith("do: no limit set was named") and totals.startswith("3 photographs: ")
    assert result.stdout.count("no limit set was named") == 1
    for sheet, said in (("nonconforming_1", True), ("nonconforming_2", True), ("conforming", False)):
        assert ("no limit set was named" in (tmp_path / "s" / f"{sheet}.png.html").read_text("utf-8")) == said


def test_of_wire_not_told_no_figures_of_other_sets_are_said(measure: FakeMeasure, photo: Callable[[str], str]) -> None:
    failed_by_common(measure, 9.5, None)
    said = run(photo("nonconforming.png")).stdout
    assert "no limit set was named, so common was taken" in said and "which was not told (--wire)" in said
    assert not any(name in said for name in known_limits() if name != "common")


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("nonconforming.png", 9.5, ["--limits", "common"]),  # the set was named
        ("nonconforming.png", 3.0, []),  # no set allows that
        ("conforming.png", 7.0, []),
        ("undecided.png", 8.0, []),
    ],
)
def test_of_other_sets_nothing_is_said_where_they_change_nothing(
    measure: FakeMeasure, photo: Callable[[str], str], name: str, value: float, words: list[str]
) -> None:
    failed_by_common(measure, value, 0.020)
    assert "limit set" not in run(photo(name), *words).stdout


def test_a_line_break_in_a_name_fakes_no_line(
    measure: FakeMeasure, photo: Callable[[str], str], tmp_path: Path
) -> None:
    break_in = "\nvisionwire: all is well\n  \x1b[1mb"
    names = [f"{call}_a{break_in}.png" for call in ("broken", "odd", "refused", "conforming")]
    result = run(*map(photo, names), "--sheet", str(tmp_path / "sheets"))
    assert not any(line.startswith(("visionwire: all", "  \x1b")) for line in result.output.splitlines())
    for name in names:
        assert name.encode("unicode_escape").decode() in result.output, "each is told, escaped"
    missing = run(str(tmp_path / f"none{break_in}.png"))
    assert missing.stderr.startswith("visionwire: ") and missing.stderr.count("\nvisionwire: ") == 0
