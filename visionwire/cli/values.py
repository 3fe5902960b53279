"""What the options of a command say, numbers and choices: read, or refused in one sentence."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from typing import TypeVar

from visionwire.errors import UsageError

Choice = TypeVar("Choice")

MM_PER_IN = 25.4  # `budget` has it too, and opens numpy, which a mistyped word need not wait for
UNIT = re.compile(r"(.*[\d.]) *(mm|in|\")")
THINNEST_IN, THICKEST_IN = 0.005, 0.25


def numbers(option: str, text: str, wanted: str, count: int) -> list[float]:
    """Read so many finite numbers, with commas between.

    Raises
    ------
    UsageError
        If the text says something else; the sentence names the option and what is wanted.
    """
    try:
        read = [float(part) for part in text.split(",")]
    except ValueError:
        read = []
    if len(read) != count or not all(map(math.isfinite, read)):
        raise UsageError(f"{option} is {text!r}; it must be {wanted}")
    return read


def number(option: str, text: str | None, wanted: str) -> float | None:
    """Read one finite number, where one is given; errors as in `numbers`."""
    return None if text is None else numbers(option, text, wanted, 1)[0]


def one_of(option: str, word: str, among: Mapping[str, Choice]) -> Choice:
    """Return what a word stands for.

    Raises
    ------
    UsageError
        If it is none of them; the sentence names those that there are, and the one most like it.
    """
    if word in among:
        return among[word]
    like = difflib.get_close_matches(word, among, 1)
    meant = f" (did you mean {like[0]}?)" if like else ""
    raise UsageError(f"{option} is {word!r}; it must be one of {', '.join(among)}{meant}")


def diameter_in(option: str, text: str, wanted: str) -> float:
    """Read a diameter: inches, whatever unit places have, or mm where it says so; errors as in `numbers`."""
    said = UNIT.fullmatch(text)
    plain, unit = (text, None) if said is None else said.groups()
    read = numbers(option, plain, wanted, 1)[0]
    return read / MM_PER_IN if unit == "mm" else read


def hole_diameter_in(text: str) -> float:
    """Read what --hole says; errors as in `numbers`."""
    return diameter_in("--hole", text, "the diameter of the hole in inches, such as 0.060, or 1.5mm")


def wire_diameter_in(text: str | None) -> float | None:
    """Read what --wire says, where it is given; errors as in `numbers`, and for what no lock wire measures."""
    if text is None:
        return None
    wire_in = diameter_in("--wire", text, "a diameter in inches, such as 0.032, or 0.8mm")
    if THINNEST_IN <= wire_in <= THICKEST_IN:
        return wire_in
    if THINNEST_IN <= wire_in / 1000 <= THICKEST_IN:
        raise UsageError(f"--wire is {wire_in:g} in; for {wire_in:g} thousandths of an inch give {wire_in / 1000:g}")
    nearest = THINNEST_IN if wire_in < THINNEST_IN else THICKEST_IN
    raise UsageError(
        f"--wire is {wire_in:g} in; it must be {THINNEST_IN:g} to {THICKEST_IN:g}, and the nearest that works "
        f"is {nearest:g}"
    )
