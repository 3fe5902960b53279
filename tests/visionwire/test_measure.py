"""The whole way: pictures with truth in, honest readings out; refusals where there is nothing to read."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calibration import find_card
from calibration.card import load_card
from fixtures.quick import make_scene
from tests.benchmarks.report import PICTURES, PictureResult, read_picture
from tests.visionwire.drawn import even, picture, rgb
from visionwire import safety
from visionwire.codes import CODES
from visionwire.errors import LimitsError, PhotoError
from visionwire.limits import load_limits
from visionwire.measure import measure, measure_with_evidence
from visionwire.photo import from_array, open_photo
from visionwire.reading import Reading, Refusal
from visionwire.scan import BOTH
from visionwire.section import Section
from visionwire.sheet.html import sheet_html
from visionwire.sheet.markup import overview

DEMO = PICTURES / "demo.jpg"
TRUTHS = sorted(PICTURES.glob("*.json"))
NEGATIVES = sorted((PICTURES / "negatives").glob("*.json"))
LOW, HIGH = 6.0, 8.0


def truth(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text()))


def outside_the_limits(path: Path) -> bool:
    return any(not LOW <= run["mean_tpi"] <= HIGH for run in truth(path)["runs"])


#: Every other picture, so that the suite stays quick; `python -m tests.benchmarks.report` reads them all, both ways.
HINTED = TRUTHS[::2]
#: Where nothing is pointed at, what must never happen is a false "conforming": the pictures that could show one.
COULD_BE_FALSELY_ACCEPTED = [path for path in TRUTHS if outside_the_limits(path)]
#: Some of the rest, so that good ones are read too.
OTHERS = [path for path in TRUTHS if not outside_the_limits(path)][1::4]


@cache
def hinted(path: Path) -> PictureResult:
    return read_picture(path, hinted=True)


@cache
def unhinted(path: Path) -> PictureResult:
    return read_picture(path, hinted=False)


@pytest.mark.parametrize("name", ["bench_plate", "copper_weave"])  # .041 and .020 in
def test_wire_thicker_or_thinner_than_usual_is_read_without_being_named(name: str) -> None:
    result = read_picture(PICTURES / f"{name}.json", hinted=False, named=False)
    (run,) = result.runs
    assert run.got is not None
    assert run.covered
    assert run.lay_right
    assert result.pigtail is not None
    assert result.pigtail.twists == pytest.approx(result.truth["pigtail"]["count"], abs=0.7)


def test_what_may_be_another_run_is_pointed_at_and_keeps_a_safety_from_being_called_conforming(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sure = measure(PICTURES / "three_heads.jpg")
    join = safety.join

    def second_doubted(sections: list[Section], *rest: Any) -> safety.Safety:
        by_length = sorted(sections, key=safety.length_px)
        return join([replace(one, belief=0.8) if one is by_length[-2] else one for one in sections], *rest)

    monkeypatch.setattr(safety, "join", second_doubted)
    common = load_limits("common")
    result, evidence = measure_with_evidence(open_photo(PICTURES / "three_heads.jpg"), limits=common)
    assert isinstance(sure, Reading) and isinstance(result, Reading)
    assert (len(sure.runs), sure.call) == (2, "conforming") and "run-in-doubt" not in sure.flags
    assert (len(result.runs), result.call) == (1, "undecided") and "run-in-doubt" in result.flags
    (unread,) = (run for run in sure.runs if run.start_px != result.runs[0].start_px)
    x, y = (float(value) for value in re.findall(r"seen at (\d+), (\d+), only 80 %", " ".join(result.advice))[0])
    assert np.hypot(*(np.array(unread.spine_px) - (x, y)).T).min() < 10
    assert evidence is not None and np.hypot(*(evidence.doubtful_px[0] - (x, y))) < 1
    marked = 'Ring marked "run?": what may be another run is seen there, and not read.'
    assert marked in sheet_html(result, evidence, common)
    assert marked not in sheet_html(result, replace(evidence, doubtful_px=()), common)
    ringed, plain = (overview(one) for one in (evidence, replace(evidence, doubtful_px=())))
    assert ringed.shape != plain.shape or (ringed != plain).any()


# -- pictures with truth, the ends of a run given ------------------------------------------------


def test_there_are_pictures_to_read() -> None:
    assert len(TRUTHS) >= 24
    assert len(NEGATIVES) >= 4
    assert len(COULD_BE_FALSELY_ACCEPTED) >= 6


@pytest.mark.parametrize("path", HINTED, ids=lambda path: path.stem)
def test_hinted_reading_is_near_the_truth_and_of_its_hand_or_refused(path: Path) -> None:
    result = hinted(path)
    if isinstance(result.answer, Refusal):
        assert result.answer.code in CODES
        return
    run = result.runs[0]
    assert run.got is not None, "the run between the ends given is not in the reading"
    assert not run.gross
    assert abs(run.relative_error) < 0.05 or run.covered
    assert run.got.lay in (run.true["lay"], None)


def test_hinted_readings_are_seldom_refused() -> None:
    refused = [path.stem for path in HINTED if isinstance(hinted(path).answer, Refusal)]
    assert len(refused) <= 0.15 * len(HINTED), refused


def test_hinted_intervals_hold_the_truth() -> None:
    found = [run for run in (hinted(path).runs[0] for path in HINTED) if run.got is not None]
    # Of 95 % intervals of so few pictures, at least 85 % must hold the truth.
    assert np.mean([run.covered for run in found]) >= 0.85


def test_hinted_intervals_say_something() -> None:
    # An interval as wide as the band would always hold the truth and never decide.
    runs = [hinted(path).runs[0].got for path in HINTED]
    assert np.median([run.twists_per_inch_u95 / run.twists_per_inch for run in runs if run is not None]) < 0.06


def test_hinted_density_is_not_biased() -> None:
    errors = [run.relative_error for run in (hinted(path).runs[0] for path in HINTED) if run.got is not None]
    assert abs(np.median(errors)) < 0.01
    assert np.median(np.abs(errors)) < 0.02


def test_hinted_calls_are_right() -> None:
    assert [path.stem for path in HINTED if hinted(path).false_accepts] == []


# -- pictures with truth, nothing pointed at -----------------------------------------------------


@pytest.mark.parametrize("path", COULD_BE_FALSELY_ACCEPTED, ids=lambda path: path.stem)
def test_no_density_outside_the_limits_is_called_conforming(path: Path) -> None:
    result = unhinted(path)
    assert result.false_accepts == 0
    if isinstance(result.answer, Reading) and result.answer.call == "conforming":
        measured = {id(run.got) for run in result.runs if run.got is not None and LOW <= run.true["mean_tpi"] <= HIGH}
        assert measured >= {id(run) for run in result.answer.runs}


@pytest.mark.parametrize("path", OTHERS, ids=lambda path: path.stem)
def test_unhinted_reading_is_near_the_truth_or_refused(path: Path) -> None:
    result = unhinted(path)
    if isinstance(result.answer, Refusal):
        assert result.answer.code in CODES
        return
    for run in result.runs:
        assert run.got is None or not run.gross
        assert run.got is None or run.got.lay in (run.true["lay"], None)


def test_a_pigtail_of_few_twists_is_counted_from_end_to_end() -> None:
    path = PICTURES / "low_sun.json"
    tail = unhinted(path).pigtail
    assert tail is not None
    assert tail.twists == pytest.approx(truth(path)["pigtail"]["count"], abs=tail.twists_u95)


def test_of_a_loosely_twisted_pigtail_the_count_is_stated_as_less_sure() -> None:
    wanted = {"card": "chart", "tpi": 4.0, "wire_in": 0.025, "px_per_mm": 11.0, "width_px": 1280, "lamps": 2}
    looks = {"material": "dull", "surface": "painted", "tilt_deg": 8.0, "length_in": 2.5}
    pixels, truth = make_scene(np.random.default_rng(14), **wanted, **looks)
    loose, usual = measure(pixels, wire=0.025), measure(DEMO)
    assert isinstance(loose, Reading) and isinstance(usual, Reading)
    assert loose.pigtail is not None and usual.pigtail is not None
    assert abs(loose.pigtail.twists - truth["pigtail"]["twists"]) < loose.pigtail.twists_u95
    # Its crossings lie ten diameters apart, those of the other four.
    assert loose.pigtail.twists_u95 > 1.5 * usual.pigtail.twists_u95


@pytest.mark.parametrize("path", NEGATIVES, ids=lambda path: path.stem)
def test_look_alikes_are_never_accepted(path: Path) -> None:
    answer = unhinted(path).answer
    assert isinstance(answer, Refusal), f"{len(answer.runs)} runs read off a picture without twisted wire"


# -- the reading itself --------------------------------------------------------------------------

START, END, SIZE_PX = (40.0, 100.0), (420.0, 92.0), (460, 180)
DIAMETER_PX, SPACING_D = 10.0, 4.0
LENGTH_PX = float(np.hypot(END[0] - START[0], END[1] - START[1]))
PX_PER_IN = 312.5  # .032 in wire of 10 px
TWO_POINTS = (*START, *END, LENGTH_PX / PX_PER_IN)
DENSITY = PX_PER_IN / (DIAMETER_PX * SPACING_D)


def scene(**how: Any) -> np.ndarray:
    return rgb(picture(START, END, DIAMETER_PX, even(SPACING_D), size_px=SIZE_PX, **how))


@pytest.fixture(scope="module")
def read() -> Reading:
    reading = measure(scene(), wire=0.032, two_points=TWO_POINTS, start=START, end=END)
    assert isinstance(reading, Reading)
    return reading


def test_a_drawn_pair_is_read(read: Reading) -> None:
    (run,) = read.runs
    assert run.twists == pytest.approx(LENGTH_PX / (DIAMETER_PX * SPACING_D), abs=0.25)
    assert run.twists_per_inch == pytest.approx(DENSITY, abs=run.twists_per_inch_u95)
    assert run.lay == "Z"
    assert run.bow_in < 0.02
    assert read.scale.source == "two-points"
    assert read.scale.px_per_inch == pytest.approx(PX_PER_IN, rel=1e-3)


def test_a_reading_says_what_it_stands_on(read: Reading) -> None:
    (run,) = read.runs
    assert run.length_in * run.twists_per_inch == pytest.approx(run.twists)
    assert run.spine_px[0] == run.start_px and run.spine_px[-1] == run.end_px
    assert set(read.flags) <= set(CODES)
    assert len(read.advice) == len(set(read.advice)) > 0
    assert read.made_by["limits"] == "common"
    assert read.made_by["parameters"]["wire_in"] == 0.032
    text = json.dumps(read.to_dict(), allow_nan=False)
    assert json.loads(text)["format"] == "visionwire.reading/1"


def test_the_call_follows_from_the_checks(read: Reading) -> None:
    check = next(check for check in read.checks if check.rule == "density")
    assert check.value == read.runs[0].twists_per_inch
    assert check.probability_conforming == read.runs[0].probability_conforming
    assert 0.0 <= read.confidence <= 1.0


def test_a_blank_plate_between_two_points_given_is_refused() -> None:
    rng = np.random.default_rng(2)
    for plate in (np.full(SIZE_PX[::-1], 90.0), rng.normal(90, 6, SIZE_PX[::-1])):
        answer = measure(rgb(plate.astype(np.float32)), two_points=TWO_POINTS, start=START, end=END)
        assert isinstance(answer, Refusal)
        assert answer.code in ("not-twisted", "twist-unclear")


def test_ends_given_beside_the_wire_are_refused_or_led_to_it() -> None:
    # The path between two ends keeps to ribbons, so a wire nearby draws it; what is read then must be that wire's.
    answer = measure(scene(), two_points=TWO_POINTS, start=(40, 30), end=(420, 30))
    if isinstance(answer, Refusal):
        assert answer.code in ("not-twisted", "twist-unclear")
    else:
        assert answer.runs[0].twists_per_inch == pytest.approx(DENSITY, abs=answer.runs[0].twists_per_inch_u95)


@pytest.mark.parametrize("end", [(40.0, 100.0), (46.0, 100.0), (72.0, 99.5)])
def test_ends_too_near_each_other_are_refused_or_named(end: tuple[float, float]) -> None:
    try:
        answer = measure(scene(), two_points=TWO_POINTS, start=START, end=end)
    except ValueError as error:
        assert "start" in str(error) and "end" in str(error)
    else:
        assert isinstance(answer, Refusal)
        assert answer.code in ("not-twisted", "too-few-twists")


@pytest.mark.parametrize("start", [(-100.0, 100.0), (40.0, 4000.0), (float("nan"), 5.0)])
def test_ends_outside_the_picture_are_refused_or_named(start: tuple[float, float]) -> None:
    try:
        answer = measure(scene(), two_points=TWO_POINTS, start=start, end=END)
    except ValueError as error:
        assert "start" in str(error)
    else:
        assert isinstance(answer, Refusal)


@pytest.mark.parametrize("given", [{"start": START}, {"end": END}])
def test_one_end_alone_is_a_wrong_call(given: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="start and end must be given together"):
        measure(scene(), two_points=TWO_POINTS, **given)


@pytest.mark.parametrize("wire", [0.0, -0.032, float("nan"), float("inf")])
def test_a_wire_of_no_diameter_is_a_wrong_call(wire: float) -> None:
    with pytest.raises(ValueError, match="wire"):
        measure(scene(), wire=wire, two_points=TWO_POINTS)


def test_a_card_that_was_not_asked_for_is_named() -> None:
    answer = measure(PICTURES / "demo.jpg", card=load_card("lane"))
    assert isinstance(answer, Refusal) and answer.code == "other-card"
    assert "the card lane was not found, and the card pocket is in view" in answer.message
    assert "--card pocket" in answer.advice and answer.photo is not None


@pytest.mark.parametrize("shape", [(1, 1), (3, 3), (10, 900), (900, 10)])
def test_pictures_of_almost_nothing_are_refused(shape: tuple[int, int]) -> None:
    answer = measure(np.zeros((*shape, 3), np.uint8), two_points=(0, 0, 0, 30, 1.0))
    assert isinstance(answer, Refusal)
    assert answer.code == "no-twisted-wire"


# -- one door, many keys -------------------------------------------------------------------------


def test_array_bytes_path_and_photo_read_the_same(tmp_path: Path, read: Reading) -> None:
    pixels = scene()
    path = tmp_path / "bracket.png"
    data = cv2.imencode(".png", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR))[1].tobytes()
    path.write_bytes(data)
    for given in (data, path, str(path), from_array(pixels)):
        same = measure(given, wire=0.032, two_points=TWO_POINTS, start=START, end=END)  # type: ignore[arg-type]
        assert isinstance(same, Reading)
        assert same.runs == read.runs
        assert same.checks == read.checks
    assert measure(path, two_points=TWO_POINTS, start=START, end=END).photo.name == "bracket.png"  # type: ignore[union-attr]


def test_what_is_no_picture_is_an_error_of_its_own(tmp_path: Path) -> None:
    with pytest.raises(PhotoError):
        measure(b"not a picture")
    with pytest.raises(PhotoError):
        measure(tmp_path / "missing.jpg")
    with pytest.raises(ValueError, match="uint8"):
        measure(np.zeros((20, 20, 3)))  # type: ignore[arg-type]


def test_limits_by_name_or_whole_and_unknown_ones_are_refused() -> None:
    how: dict[str, Any] = {"wire": 0.032, "two_points": TWO_POINTS, "start": START, "end": END}
    by_name, whole = (measure(scene(), limits, **how) for limits in ("by-diameter", load_limits("by-diameter")))
    assert isinstance(by_name, Reading) and isinstance(whole, Reading)
    assert by_name.checks == whole.checks
    assert by_name.checks[0].high == 12.0
    with pytest.raises(LimitsError):
        measure(scene(), "no-such-limits", **how)


@pytest.mark.parametrize(("wire", "says"), [(None, "give the wire"), (0.041, "no band for wire of 0.041 in")])
def test_limits_without_a_band_for_the_wire_say_so_before_the_picture_is_looked_at(
    monkeypatch: pytest.MonkeyPatch, wire: float | None, says: str
) -> None:
    monkeypatch.setattr("visionwire.scale.find_card", _must_not_be_reached)
    with pytest.raises(LimitsError, match=says):
        measure(scene(), "by-diameter", wire=wire)
    with pytest.raises(AssertionError, match="looked for"):
        measure(scene(), "by-diameter", wire=wire, method="single")  # no run, no band


# -- symmetries ----------------------------------------------------------------------------------


def test_turned_flipped_and_brightened(read: Reading) -> None:
    pixels = scene()
    height, width = pixels.shape[:2]

    def points(move: Any) -> dict[str, Any]:
        start, end = move(*START), move(*END)
        return {"start": start, "end": end, "two_points": (*start, *end, TWO_POINTS[4])}

    cases = [
        (np.rot90(pixels), points(lambda x, y: (y, width - 1 - x)), "Z"),
        (pixels[::-1, ::-1], points(lambda x, y: (width - 1 - x, height - 1 - y)), "Z"),
        (pixels[:, ::-1], points(lambda x, y: (width - 1 - x, y)), "S"),
        (pixels[::-1], points(lambda x, y: (x, height - 1 - y)), "S"),
        (np.clip(0.5 * pixels + 60, 0, 255).astype(np.uint8), points(lambda x, y: (x, y)), "Z"),
    ]
    for seen, how, lay in cases:
        answer = measure(np.ascontiguousarray(seen), wire=0.032, **how)
        assert isinstance(answer, Reading)
        assert answer.runs[0].lay == lay
        assert answer.runs[0].twists == pytest.approx(read.runs[0].twists, abs=0.1)


def test_the_same_picture_reads_the_same_twice(read: Reading) -> None:
    again = measure(scene(), wire=0.032, two_points=TWO_POINTS, start=START, end=END)
    assert isinstance(again, Reading)
    assert again.to_dict() == {**read.to_dict()}


def test_a_pair_is_found_with_nothing_pointed_at() -> None:
    answer = measure(scene(lay="S"), two_points=TWO_POINTS)
    assert isinstance(answer, Reading)
    (run,) = answer.runs
    assert run.lay == "S"
    assert run.twists_per_inch == pytest.approx(DENSITY, rel=0.03)
    assert {run.start_px[0] < 100, run.end_px[0] < 100} == {True, False}


def test_a_card_seen_from_too_flat_or_too_far_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    # A refusal is false in a condition: it must still end the way, and before anything is looked for.
    seen = find_card(cv2.cvtColor(open_photo(PICTURES / "demo.jpg").pixels, cv2.COLOR_RGB2GRAY))
    assert seen is not None
    monkeypatch.setattr("visionwire.scan.sections", _must_not_be_reached)
    tilted = replace(seen, plane=replace(seen.plane, tilt_deg=60.0))
    for sight, code in ((tilted, "card-too-tilted"), (replace(seen, cell_px=2.0), "card-too-small")):
        monkeypatch.setattr("visionwire.scale.find_card", lambda *_, sight=sight: sight)
        answer = measure(PICTURES / "demo.jpg")
        assert isinstance(answer, Refusal)
        assert answer.code == code


def _must_not_be_reached(*_: Any, **__: Any) -> Any:
    raise AssertionError("looked for what cannot be used")


def test_a_front_cameras_picture_gives_the_lay_of_the_part_and_says_so() -> None:
    plain = open_photo(PICTURES / "demo.jpg").pixels
    straight, mirrored = measure(plain), measure(np.ascontiguousarray(plain[:, ::-1]))
    assert isinstance(straight, Reading) and isinstance(mirrored, Reading)
    assert mirrored.runs[0].lay == straight.runs[0].lay
    assert "picture-mirrored" in mirrored.flags
    assert "picture-mirrored" not in straight.flags


@pytest.mark.parametrize(
    ("two_points", "code"),
    [
        ((100.0, 100.0, 1400.0, 100.0, 0.001), "scale-implausible"),
        ((100.0, 100.0, 130.0, 100.0, 300.0), "twist-too-small"),
    ],
)
def test_a_distance_in_the_wrong_unit_is_refused(
    two_points: tuple[float, float, float, float, float], code: str
) -> None:
    answer = measure(PICTURES / "demo.jpg", two_points=two_points)
    assert isinstance(answer, Refusal)
    assert answer.code == code


def test_either_finder_alone_reads_the_demo() -> None:
    for finder in BOTH:
        answer = measure(PICTURES / "demo.jpg", finders=(finder,))
        assert isinstance(answer, Reading)
        assert answer.runs[0].twists_per_inch == pytest.approx(7.0, rel=0.03)


# -- pointed at what is no wire ------------------------------------------------------------------

HOSE = PICTURES / "negatives" / "hose.jpg"


def test_a_hose_pointed_at_is_never_called() -> None:
    result = measure(HOSE, wire=0.032, start=(38, 1066), end=(1264, 1066))
    assert isinstance(result, Refusal) or (result.call == "undecided" and "perhaps-no-wire" in result.flags)
    if isinstance(result, Reading):
        assert {run.call for run in result.runs} == {"undecided"}


@pytest.mark.parametrize("ends", [((300, 900), (800, 900)), ((180, 650), (1250, 640))])
def test_the_card_pointed_at_is_no_wire(ends: tuple[tuple[float, float], tuple[float, float]]) -> None:
    result = measure(DEMO, wire=0.032, start=ends[0], end=ends[1])
    assert isinstance(result, Refusal) and result.code == "not-twisted"


def test_double_twist_is_not_read_as_single_wire() -> None:
    result = measure(DEMO, wire=0.032, method="single")
    assert isinstance(result, Refusal) and result.code == "run-in-single"
