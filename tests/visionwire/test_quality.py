"""The registry of codes: each has its kind, a sentence that can be filled and something to do."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

from visionwire.codes import CODES, NAMES, name_of
from visionwire.quality import flag, heeding, noted, refuse
from visionwire.reading import Reading

PACKAGE = Path(__file__).parents[2] / "visionwire"


def figures(code: str) -> dict[str, float]:
    """Return a figure for every name in the sentences of a code."""
    entry = CODES[code]
    texts = entry.message + entry.advice
    return {name: 7.25 for _, name, _, _ in string.Formatter().parse(texts) if name}


@pytest.mark.parametrize("code", CODES)
def test_every_code_has_sentences_that_can_be_filled(code: str) -> None:
    if CODES[code].kind == "refusal":
        refusal = refuse(code, **figures(code))
        said = [refusal.message, refusal.advice]
        assert refusal.code == code
        assert not refusal
    else:
        raised = flag(code, **figures(code))
        assert raised.code == code
        said = raised.sentence.split("; ", 1)
    assert len(said) == 2
    for sentence in said:
        assert len(sentence) > 15
        assert not re.search(r"[{}]|\bnan\b|\.$", sentence)


@pytest.mark.parametrize("code", CODES)
def test_codes_are_lower_case_words_joined_by_hyphens(code: str) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)


def test_every_name_is_of_a_code_that_is_given_and_no_two_codes_share_one() -> None:
    given = "\n".join(path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py") if path.name != "codes.py")
    assert {code for code in NAMES if code not in CODES and f'"{code}"' not in given} == set()
    names = [name_of(code) for code in {*CODES, *NAMES}]
    assert len(set(names)) == len(names) and not any(sign in name for name in names for sign in "_,;.")


def test_a_figure_forgotten_is_an_error_and_not_a_hole_in_the_sentence() -> None:
    with pytest.raises(KeyError, match="px_per_twist"):
        refuse("twist-too-small", needed_px=12.0, percent=50.0)


def test_a_flag_is_no_refusal_and_a_refusal_no_flag() -> None:
    with pytest.raises(ValueError, match="'no-scale' is a refusal, not a flag"):
        flag("no-scale")
    with pytest.raises(ValueError, match="'card-tilted' is a flag, not a refusal"):
        refuse("card-tilted", tilt_deg=30.0)


def test_a_code_nobody_registered_is_an_error() -> None:
    with pytest.raises(KeyError):
        refuse("bad-weather")


def test_every_code_that_the_package_raises_is_registered() -> None:
    raised = set()
    for file in PACKAGE.rglob("*.py"):
        raised |= set(re.findall(r"""(?:flag|refuse)\(\s*"([a-z0-9-]+)\"""", file.read_text()))
    assert raised, "no code is raised anywhere"
    assert raised <= set(CODES)


def test_the_sentences_carry_the_figures() -> None:
    refusal = refuse("twist-too-small", px_per_twist=8.4, needed_px=12.0, percent=70.0)
    assert refusal.message == "one twist spans 8.4 px; at least 12 are needed"
    assert refusal.advice == "move to about 70 % of the distance"


def test_advice_to_give_what_was_given_gives_way_to_other_advice(reading: Reading) -> None:
    for code, entry in CODES.items():
        if entry.given is None:
            continue
        option, instead = entry.given
        if entry.kind == "refusal":
            said = [heeding(refuse(code, **figures(code)), given).advice for given in ([], [option])]
            assert said == [entry.advice, instead]
            continue
        raised = noted(reading, [flag(code, **figures(code))])
        assert heeding(raised, []) == raised
        heeded = heeding(raised, [option])
        assert heeded.advice[-1] == raised.advice[-1].replace(entry.advice, instead) != raised.advice[-1]
        assert heeded.advice[:-1] == raised.advice[:-1]
