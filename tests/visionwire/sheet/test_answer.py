"""The terminal answer."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from visionwire.judge import overall
from visionwire.limits import load_limits
from visionwire.reading import Check, Pull, Reading, Refusal, Routing
from visionwire.sheet.answer import answer_lines
from visionwire.sheet.words import by_mean_words, confidence_words


def test_a_reading_in_five_lines(reading: Reading) -> None:
    assert answer_lines(reading) == [
        "bracket.jpg: CONFORMING (confidence 96 %)",
        "  run 1: 7.25 ± 0.08 twists per inch, allowed 6 to 8: CONFORMING by its mean; some inch of it is outside",
        "  pigtail: 4.2 ± 0.4 twists, allowed 3 to 6, to the nearest whole: CONFORMING",
        "  routing: not judged; to check it, add --tightens clockwise (right-hand threads)",
        "  do: no hole is seen at either end of the run: check the gap by eye",
    ]


@pytest.mark.parametrize("call", ["conforming", "nonconforming", "undecided"])
def test_the_call_is_a_word_and_comes_first(reading_of: Callable[..., Reading], call: str) -> None:
    first = answer_lines(reading_of("a.jpg", call))[0]
    side = " that it conforms" if call == "undecided" else ""
    assert first == f"a.jpg: {call.upper()} (confidence 96 %{side})"


@pytest.mark.parametrize(
    ("probability", "confidence", "side"),
    [
        (0.99, 0.97, " that it conforms"),
        (0.9, 0.68, " that it conforms"),
        (0.9, 0.6, " that it conforms"),
        (0.3, 0.72, " that it does not conform"),
        (0.42, 0.58, " that it does not conform"),
        (0.7, 0.66, " that it conforms"),  # believed to 0.94; that it does not, to 0.49, would be flagged
        (0.7, 0.64, " for the likelier side"),  # believed to 0.91 it conforms, to 0.51 it does not
    ],
)
def test_undecided_says_which_side_is_likelier(
    reading: Reading, probability: float, confidence: float, side: str
) -> None:
    checks = (dataclasses.replace(reading.checks[0], probability_conforming=probability),)
    undecided = dataclasses.replace(reading, call="undecided", confidence=confidence, checks=checks)
    assert confidence_words(undecided) == f"confidence {100 * confidence:.0f} %{side}"


def test_the_side_named_is_the_likelier_however_sure_the_find(reading: Reading) -> None:
    for belief in np.linspace(0.01, 1, 100):
        for kept in np.linspace(0.06, 0.94, 89):
            check = dataclasses.replace(reading.checks[0], probability_conforming=float(kept), call="undecided")
            call, confidence = overall([check], float(belief))
            flags = ("perhaps-no-wire",) if belief < 0.5 else ()
            undecided = dataclasses.replace(reading, call=call, confidence=confidence, checks=(check,), flags=flags)
            said = confidence_words(undecided)
            if confidence >= 0.67:
                assert "that it" in said, "a side is named where one is twice as likely as the other"
            unsaid = said.endswith(("as likely the one as the other", "for the likelier side"))
            assert unsaid or said.endswith("that it conforms") == (belief * kept > 0.5), (belief, kept)
            assert "as likely" not in said or confidence < 0.55


def test_of_what_is_cut_off_neither_side_is_likelier(reading: Reading) -> None:
    undecided = dataclasses.replace(reading, call="undecided", confidence=0.5)
    assert confidence_words(undecided) == "confidence 50 %: about as likely the one as the other"


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
    assert lines[0].replace(", BUT THE WIRE PULLS LOOSE", "") == plain, "it has no part in the call"
    assert ("BUT THE WIRE PULLS LOOSE" in lines[0]) == ("loosening" in words)


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
    assert "by its mean" in answer_lines(reading)[1] and "by its mean" not in answer_lines(reading)[0]
    assert by_mean_words(reading) == "by its mean; some inch of it is outside"
    within = dataclasses.replace(reading, runs=(even,))  # 8.1, known to 0.23, may lie within 8
    assert answer_lines(within)[1].endswith("CONFORMING") and by_mean_words(within) == ""
    two = dataclasses.replace(reading, runs=(even, run), checks=(*reading.checks, second(reading.checks[0])))
    assert by_mean_words(two) == "by the mean; some inch of run 2 is outside"
    assert by_mean_words(two, "run 1") == "" and by_mean_words(two, "run 2").startswith("by its mean")
    assert by_mean_words(dataclasses.replace(reading, call="nonconforming")) == "", "that is said louder already"


def second(check: Check) -> Check:
    return dataclasses.replace(check, section="run 2")
