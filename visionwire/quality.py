"""Flags and refusals raised: the sentences of their codes filled with the figures measured."""

from __future__ import annotations

import dataclasses
import re
import string
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from visionwire.codes import CAUSES, CODES
from visionwire.reading import Reading, Refusal

Said = TypeVar("Said", Reading, Refusal)


@dataclass(frozen=True)
class Flag:
    """A flag raised, with its sentence filled in; ``factor`` is by how much lengths are off by it, if they are."""

    code: str
    sentence: str
    factor: float = 1.0


def flag(code: str, **figures: float | str) -> Flag:
    """Raise the flag of that code, its sentences filled with the figures measured."""
    entry = CODES[code]
    if entry.kind != "flag":
        raise ValueError(f"code {code!r} is a refusal, not a flag")
    return Flag(code, f"{entry.message.format(**figures)}; {entry.advice.format(**figures)}")


def raised(code: str, sentence: str) -> bool:
    """Say whether a sentence is that of a flag of that code, whatever figures fill it."""
    parts = string.Formatter().parse(f"{CODES[code].message}; ")
    pattern = "".join(re.escape(text) + ("" if name is None else ".+?") for text, name, *_ in parts)
    return re.match(pattern, sentence) is not None


def refuse(code: str, **figures: float | str) -> Refusal:
    """Make the refusal of that code, its sentences filled with the figures measured."""
    entry = CODES[code]
    if entry.kind != "refusal":
        raise ValueError(f"code {code!r} is a flag, not a refusal")
    return Refusal(code, entry.message.format(**figures), entry.advice.format(**figures))


def because(refusal: Refusal, cause: str, **figures: float) -> Refusal:
    """Return the refusal with its likely cause, one of `CAUSES`, named, and what to do about that first."""
    why, first = CAUSES[cause]
    return dataclasses.replace(
        refusal, message=f"{refusal.message}, {why.format(**figures)}", advice=f"{first}{refusal.advice}"
    )


def with_slips(
    refusal: Refusal,
    needless_wire_in: float | None,
    px_per_in_by_points: float | None,
    slip: str | None,
    perhaps_single: bool = False,
) -> Refusal:
    """Return the refusal with what was perhaps given wrongly, or not given, beside what is advised.

    Parameters
    ----------
    refusal : Refusal
        Why there is no reading.
    needless_wire_in : float or None
        The wire's diameter where it was given and something else gives the scale.
    px_per_in_by_points : float or None
        What an inch spans by two points, where these give the scale.
    slip : str or None
        What is surely wrong with those points; that alone is then advised.
    perhaps_single : bool
        Whether the picture was not asked about single wire, which it may show.
    """
    if slip is not None:
        return dataclasses.replace(refusal, advice=slip)
    missed, also = refusal.code == "no-twisted-wire", ""
    if missed and needless_wire_in is not None:
        also += f"; see that the wire is {needless_wire_in:g} in thick, or leave out --wire"
    if px_per_in_by_points is not None and (missed or refusal.code == "twist-too-small"):
        also += (
            "; check the two points and the distance given too, which is in inches "
            f"(by them an inch spans {px_per_in_by_points:.1f} px)"
        )
    if missed and perhaps_single:
        also += "; it may be no double twist at all (single wire: --method single)"
    return dataclasses.replace(refusal, advice=refusal.advice + also)


def noted(reading: Reading, flags: Sequence[Flag]) -> Reading:
    """Return a reading with flags added, each once; its call and confidence stay as they are."""
    return dataclasses.replace(
        reading,
        advice=tuple(dict.fromkeys((*reading.advice, *(one.sentence for one in flags)))),
        flags=tuple(dict.fromkeys((*reading.flags, *(one.code for one in flags)))),
    )


def heeding(result: Said, given: Sequence[str]) -> Said:
    """Return what was said with no advice to give an option that was given."""
    instead = {code: entry.given[1] for code, entry in CODES.items() if entry.given and entry.given[0] in given}
    if isinstance(result, Refusal):
        return dataclasses.replace(result, advice=instead.get(result.code, result.advice))
    advice = result.advice
    for code in (code for code in result.flags if code in instead):
        advice = tuple(one.replace(f"; {CODES[code].advice}", f"; {instead[code]}") for one in advice)
    return dataclasses.replace(result, advice=advice)
