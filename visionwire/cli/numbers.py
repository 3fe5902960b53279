"""Numbers and choices in the words of a command: read, or refused in one sentence."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import TypeVar

from visionwire import lengths
from visionwire.errors import UsageError

Chosen = TypeVar("Chosen")


def numbers(option: str, text: str, wanted: str, count: int) -> list[float]:
    """Read so many finite numbers, with commas between.

    Raises
    ------
    UsageError
        If the text says something else; the sentence names the option and what is wanted.
    """
    read = lengths.floats(text)
    if len(read) != count:
        raise UsageError(f"{option} is {text!r}; it must be {wanted}")
    return read


def hole_diameter_in(text: str) -> float:
    """Read what --hole says: inches whatever unit the places have, or mm where it says so; errors as in `lengths`."""
    return lengths.length_in("--hole", text, "the diameter of the hole in inches, such as 0.060, or 1.5mm")


def wire_diameter_in(text: str | None) -> float | None:
    """Read what --wire says, where it is given; errors as in `lengths`."""
    return None if text is None else lengths.wire_diameter_in("--wire", text)


def one_of(option: str, word: str, known: Mapping[str, Chosen]) -> Chosen:
    """Read one of a few words.

    Raises
    ------
    UsageError
        If it is none of them; the sentence names the nearest, if one is near, and all.
    """
    if word in known:
        return known[word]
    raise UsageError(f"{option} is {word!r}{guess(word, known)}; it must be one of {', '.join(known)}")


def guess(word: str, known: Iterable[str]) -> str:
    """Ask in brackets whether the nearest of some words was meant, capitals aside; say nothing where none is near."""
    folded = {one.casefold(): one for one in known}
    near = difflib.get_close_matches(word.casefold(), folded, 1)
    return f" (did you mean {folded[near[0]]}?)" if near else ""
