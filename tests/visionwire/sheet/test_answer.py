"""The terminal answer."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest
from scipy.stats import norm

from visionwire.judge import check_density, overall
from visionwire.limits import load_limits
from visionwire.quality import flag
from visionwire.reading import Check, Pull, Reading, Refusal, Routing
from visionwire.sheet.answer import answer_lines
from visionwire.sheet.html import sheet_html
from visionwire.sheet.verdict import because, by_mean_words, confidence_words, said_once, uneven_words


def test_a_reading_in_five_lines(reading: Reading) -> None:
    assert answer_lines(reading) == [
        "bracket.jpg: CONFORMING BY ITS MEAN; the twist is uneven, see run 1 (confidence 96 %)",
        "  run 1: 7.25 ± 0.08 twists per inch, allowed 6 to 8: CONFORMING by its mean; some inch of it is outside",
        "  pigtail: 4.2 ± 0.4 twists, allowed 3 to 6, to the nearest whole: CONFORMING",
        "  routing: not judged; to check it, add --tightens clockwise (right-hand threads)",
        "  do: no hole is seen at either end of the run: check the gap by eye",
    ]


@pytest.mark.parametrize("call", ["conforming", "nonconforming"])
def test_the_call_is_a_word_and_comes_first(reading_of: Callable[..., Reading], call: str) -> None:
    first = answer_lines(reading_of("a.jpg", call))[0]
    assert first.startswith(f"a.jpg: {call.upper()} ") and first.endswith(" (confidence 96 %)")


def undecided_of(reading: Reading, probability: float, flags: tuple[str, ...] = (), rule: str = "density") -> Reading:
    """Return a reading not called for its first check, or for its flags."""
    stopped = dataclasses.replace(
        reading.checks[0], call="undecided", probability_conforming=probability, rule=rule, unit="in"
    )
    runs = tuple(dataclasses.replace(run, flags=flags) for run in reading.runs)
    checks = (stopped, *reading.checks[1:])
    return dataclasses.replace(reading, call="undecided", confidence=0.5, checks=checks, runs=runs, flags=flags)


@pytest.mark.parametrize(
    ("probability", "rule", "said"),
    [
        (0.63, "density", "run 1 too near a limit: within with 63 %, 95 % asked"),
        (0.9496, "density", "run 1 too near a limit: within with just under 95 %, 95 % asked"),
        (0.2, "density", "run 1 too near a limit: outside with 80 %, 95 % asked"),
        (0.72, "span", "run 1, span from hole to hole, too near a limit: within with 72 %, 95 % asked"),
    ],
)
def test_where_a_limit_stops_the_call_its_probability_is_said(
    reading: Reading, probability: float, rule: str, said: str
) -> None:
    undecided = undecided_of(reading, probability, rule=rule)
    assert answer_lines(undecided, load_limits("common"))[0] == f"bracket.jpg: UNDECIDED ({said})"
    assert confidence_words(undecided) == said.split(", 95 %")[0].replace("just under ", ""), (
        "nobody said what is asked"
    )


def test_what_a_guard_band_asks_for_is_no_probability(reading: Reading) -> None:
    decision = dataclasses.replace(load_limits("common").decision, guard_band=1.0)
    said = confidence_words(undecided_of(reading, 0.96), decision)
    assert said == "run 1 too near a limit: within with 96 %, but nearer than the guard band"


def test_the_probability_said_is_that_of_what_was_measured(reading: Reading) -> None:
    check = check_density("run 1", 6.1, 0.2, load_limits("common"))
    undecided = dataclasses.replace(reading, call="undecided", confidence=overall([check])[1], checks=(check,))
    within = norm.cdf((8 - 6.1) / 0.2) - norm.cdf((6 - 6.1) / 0.2)
    assert confidence_words(undecided) == f"run 1 too near a limit: within with {100 * within:.0f} %"


@pytest.mark.parametrize(
    ("flag", "said"),
    [
        ("run-cut-off", "run 1 not called: it ends at the picture's edge"),
        ("perhaps-no-wire", "run 1 not called: it may be no twisted wire"),
        ("wire-not-as-given", "run 1 not called: its scale is in doubt"),
    ],
)
def test_where_a_flag_keeps_it_from_being_called_that_is_said_and_no_percentage(
    reading: Reading, flag: str, said: str
) -> None:
    assert confidence_words(undecided_of(reading, 0.99, (flag,)), load_limits("common").decision) == said


def test_of_a_contradicted_distance_no_section_is_called_and_each_says_why(reading: Reading) -> None:
    undecided = undecided_of(reading, 0.99)
    of_whole = dataclasses.replace(undecided, flags=("scale-not-as-card",))
    assert confidence_words(of_whole) == "run 1 not called: its scale is in doubt"
    assert "its scale is in doubt: UNDECIDED" in answer_lines(of_whole)[1]


def test_a_length_inside_its_limit_by_any_scale_says_so(reading: Reading) -> None:
    span = Check("span", "run 1", 2.0, 0.6, "in", None, 6.0, 0.99, "conforming", "a manual")
    assert because(span, ()) == "allowed at most 6"
    doubted = undecided_of(reading, 0.9, ("wire-not-as-given",))
    said = "  run 1, span: 2.00 ± 0.60 in, allowed at most 6, inside even were the scale 1.5 times off: CONFORMING"
    assert said in answer_lines(dataclasses.replace(doubted, checks=(*doubted.checks, span)))
    assert not any(
        "span" in line for line in answer_lines(dataclasses.replace(reading, checks=(*reading.checks, span)))
    )


@pytest.mark.parametrize(
    ("flag", "why"),
    [
        ("find-in-doubt", "too little sure that what was read is the wire"),
        ("pigtail-looks-short", "a pigtail that could not be counted looks too short"),
    ],
)
def test_where_every_check_conforms_it_is_said_what_keeps_the_whole(reading: Reading, flag: str, why: str) -> None:
    undecided = dataclasses.replace(reading, call="undecided", confidence=0.5, flags=(flag,))
    assert confidence_words(undecided) == f"all within limits, but {why}"
    doubted = ", if what was read is the wire at all"
    for line in answer_lines(undecided)[1:3]:
        assert "CONFORMING" in line and line.endswith(doubted) == (flag == "find-in-doubt")
    assert (doubted in sheet_html(undecided, None, load_limits("common"))) == (flag == "find-in-doubt")


@pytest.mark.parametrize(
    ("fails", "belief", "said"),
    [
        (0.999, 0.89, "confidence 89 %; the doubt is whether what was read is the wire at all"),
        (0.96, 0.98, "confidence 94 %"),  # the limit is as near as the doubt
        (0.999, 0.97, "confidence 97 %"),
    ],
)
def test_where_the_doubt_is_whether_it_is_wire_that_is_said_beside_the_confidence(
    reading: Reading, fails: float, belief: float, said: str
) -> None:
    off = dataclasses.replace(reading.checks[0], call="nonconforming", probability_conforming=1 - fails)
    call, confidence = overall([off], belief)
    assert confidence_words(dataclasses.replace(reading, call=call, confidence=confidence, checks=(off,))) == said


def test_without_a_limit_there_is_nothing_to_be_sure_of(reading: Reading) -> None:
    call, confidence = overall([])
    unjudged = dataclasses.replace(reading, call=call, confidence=confidence, checks=())
    assert confidence_words(unjudged) == "nothing that was measured has a limit"


def test_no_limits_and_no_pigtail(reading: Reading) -> None:
    lines = answer_lines(dataclasses.replace(reading, checks=(), pigtail=None))
    assert lines[1] == "  run 1: 7.25 ± 0.08 twists per inch, no limit given"
    assert lines[2] == "  pigtail: not seen, not judged"
    assert not any("allowed" in line for line in lines)


def test_further_checks_are_said_too(reading: Reading) -> None:
    least = Check("least-in-any-inch", "run 1", 5.11, 0.22, "twists per inch", 6, 8, 0.0, "nonconforming", "a manual")
    lines = answer_lines(dataclasses.replace(reading, checks=(*reading.checks, least)))
    assert "  run 1, least in any inch: 5.11 ± 0.22 twists per inch, allowed 6 to 8, too low: NONCONFORMING" in lines


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        (0.97, 0.96, "pulls toward tightening at both heads, 93 %"),
        (0.03, 0.02, "pulls toward loosening at both heads, 95 %"),
        (0.97, 0.04, "pulls toward tightening at its start, 97 %; pulls toward loosening at its end, 96 %"),
        (None, 0.96, "not judged at its start; pulls toward tightening at its end, 96 %"),
        (0.7, None, "not judged at its start; not judged at its end"),
    ],
)
def test_routing_is_said_where_it_was_asked(
    reading: Reading, start: float | None, end: float | None, words: str
) -> None:
    def pull(tightens: float | None) -> Pull | None:
        return None if tightens is None or 0.1 < tightens < 0.9 else "tightens" if tightens > 0.5 else "loosens"

    both = None if pull(start) is None or pull(end) is None else max(start, 1 - start) * max(end, 1 - end)  # type: ignore
    routing = Routing(pull(start), pull(end), both, start, end, None, None)
    lines = answer_lines(dataclasses.replace(reading, routing=(routing,)))
    assert lines[3] == f"  routing of run 1: {words}"
    plain = answer_lines(reading)[0]
    said = plain.replace("CONFORMING BY ITS MEAN", "THE WIRE PULLS LOOSE; twist and pigtail conforming by its mean")
    assert lines[0] == (said if "loosening" in words else plain), "the danger comes first, and no call is otherwise"


@pytest.mark.parametrize(
    ("call", "pigtail", "said"),
    [
        ("conforming", False, "THE WIRE PULLS LOOSE; twist conforming by its mean, as far as seen; "),
        ("nonconforming", True, "NONCONFORMING, AND THE WIRE PULLS LOOSE ("),
        ("undecided", True, "THE WIRE PULLS LOOSE; twist and pigtail undecided ("),
    ],
)
def test_the_first_words_are_of_what_is_wrong(
    reading_of: Callable[..., Reading], call: str, pigtail: bool, said: str
) -> None:
    made = reading_of("a.jpg", call)
    routing = (Routing("tightens", "loosens", 0.9, 0.95, 0.05, None, None),)
    loose = dataclasses.replace(made, routing=routing, pigtail=made.pigtail if pigtail else None)
    assert answer_lines(loose)[0].startswith(f"a.jpg: {said}")


def test_a_refusal_says_what_is_wrong_and_what_to_do(refusal: Refusal) -> None:
    assert answer_lines(refusal) == [
        "threads.jpg: NO READING",
        "  what is wrong: no twisted pair was found",
        "  what to do: fill the frame with the safety",
    ]


def test_a_hostile_name_stays_on_its_line(reading_of: Callable[..., Reading]) -> None:
    first = answer_lines(reading_of("a\nCONFORMING\x1b[2J.jpg"))[0]
    assert "\n" not in first and "\x1b" not in first


def test_what_is_shown_and_not_judged_is_said_where_it_lies_outside(reading: Reading) -> None:
    limits = load_limits("common")
    assert limits.pigtail_length is not None and not limits.pigtail_length.judged
    assert reading.pigtail is not None and limits.pigtail_length.high is not None
    for longer, said in ((0.1, True), (-0.1, False)):
        pigtail = dataclasses.replace(reading.pigtail, length_in=limits.pigtail_length.high + longer)
        lines = answer_lines(dataclasses.replace(reading, pigtail=pigtail), limits)
        assert any("pigtail, length:" in line and "outside" in line for line in lines) == said


def test_an_uneven_run_conforms_by_its_mean_alone_and_an_even_one_without_a_word(reading: Reading) -> None:
    (run,) = reading.runs
    assert run.most_in_any_inch is not None
    even = dataclasses.replace(run, most_in_any_inch=dataclasses.replace(run.most_in_any_inch, twists_per_inch=8.1))
    assert by_mean_words(reading, "run 1") == "by its mean; some inch of it is outside"
    within = dataclasses.replace(reading, runs=(even,))  # 8.1, known to 0.23, may lie within 8
    assert answer_lines(within)[1].endswith("CONFORMING") and by_mean_words(within, "run 1") == ""
    assert answer_lines(within)[0] == "bracket.jpg: CONFORMING (confidence 96 %)"
    two = dataclasses.replace(reading, runs=(even, run), checks=(*reading.checks, second(reading.checks[0])))
    assert answer_lines(two)[0].startswith("bracket.jpg: CONFORMING BY THE MEAN; the twist is uneven, see run 2 (")
    assert by_mean_words(two, "run 1") == "" and by_mean_words(two, "run 2").startswith("by its mean")
    unseen = answer_lines(dataclasses.replace(reading, pigtail=None))[0]
    assert "CONFORMING BY ITS MEAN, AS FAR AS SEEN; the twist is uneven, see run 1 (" in unseen
    assert uneven_words(dataclasses.replace(reading, call="nonconforming")) == "", "that is said louder already"


def test_what_is_likelier_a_fault_comes_before_what_no_figure_could_settle(reading: Reading) -> None:
    cut = dataclasses.replace(reading.checks[1], call="undecided", probability_conforming=0.5)
    pigtail = dataclasses.replace(reading.pigtail, flags=("pigtail-cut-off",))  # type: ignore[type-var]
    for probability, said in (
        (0.07, "run 1 too near a limit: outside with 93 %; pigtail not called: it ends at the picture's edge"),
        (0.93, "pigtail not called: it ends at the picture's edge; run 1 too near a limit: within with 93 %"),
    ):
        first = dataclasses.replace(reading.checks[0], call="undecided", probability_conforming=probability)
        open_ = dataclasses.replace(reading, call="undecided", checks=(first, cut), pigtail=pigtail)
        assert confidence_words(open_) == said, "both are named"


@pytest.mark.parametrize(("density", "cut"), [(8.9, True), (5.1, False)])
def test_a_call_of_nonconforming_says_what_follows(reading: Reading, density: float, cut: bool) -> None:
    off = dataclasses.replace(reading.checks[0], call="nonconforming", value=density)
    said = answer_lines(dataclasses.replace(reading, call="nonconforming", checks=(off, *reading.checks[1:])))[-1]
    assert "have a person look at it against the aircraft's own manual" in said
    assert ("cannot be untwisted" in said) is cut
    assert "a person" not in answer_lines(reading)[-1]


def second(check: Check) -> Check:
    return dataclasses.replace(check, section="run 2")


def test_advice_that_several_sections_share_is_said_once(reading: Reading) -> None:
    runs = [flag("few-twists", run=f"run {number}", twists=6.0 + number, needed=10.0) for number in (1, 2)]
    holes = [flag("hole-not-located", run=f"run {number}", where="before the first twist") for number in (1, 2)]
    several = dataclasses.replace(reading, advice=tuple(one.sentence for one in (runs[0], *holes, runs[1])))
    lines = [line.removeprefix("  do: ") for line in answer_lines(several) if line.startswith("  do: ")]
    assert lines == [
        "run 1 shows 7.0 twists, and run 2 shows 8.0 twists; 10 give full trust; if there is more of it, show the "
        "whole run between the two fasteners",
        "no hole is seen before the first twist of run 1, and no hole is seen before the first twist of run 2; check "
        "the gap there from hole to twist by eye against the manual: it is not measured",
    ]


def test_sentences_that_share_no_advice_stay_as_they_are() -> None:
    blurred = "the picture is blurred; hold the phone still (the blur is 2.9 px; under 2.2 px would do)"
    moved = "the phone moved; use its timer (it is smeared by 3.1 px; under 2.2 px would do)"
    assert said_once((blurred, moved, blurred, "look at it")) == (blurred, moved, "look at it")
    assert said_once(("look at it", "it is odd; look at it")) == ("it is odd; look at it",)
    unlike = ("run 1 is 7; 10 would do; show more", "run 2 is 5; 12 would do; show more")
    assert said_once(unlike) == unlike
    assert said_once(f"{name} is odd; look" for name in "abc") == ("a is odd, b is odd, and c is odd; look",)
