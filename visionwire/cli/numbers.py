"""Numbers and choices in the words of a command: read, or refused in one sentence."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import TypeVar

from visionwire.errors import UsageError
from visionwire.helix import COMMON_SIZES_IN, THICKEST_IN, THINNEST_IN

#: Thinner lock wire is hardly named in mm.
LEAST_MM = 0.3

Chosen = TypeVar("Chosen")


def numbers(option: str, text: str, wanted: str, count: int) -> list[float]:
    """Read so many finite numbers, with commas between.

    Raises
    ------
    UsageError
        If the text says something else; the sentence names the option and what is wanted.
    """
    read = _floats(text)
    if len(read) != count:
        raise UsageError(f"{option} is {text!r}; it must be {wanted}")
    return read


def length_in(option: str, text: str, wanted: str) -> float:
    """Read a length: inches, with or without their sign, or mm where it says so; errors as in `numbers`."""
    from visionwire.budget import MM_PER_IN

    plain = text.strip().lower()
    per_inch = {"mm": MM_PER_IN, "in": 1.0, '"': 1.0}
    unit = next((unit for unit in per_inch if plain.endswith(unit)), "")
    read = _floats(plain.removesuffix(unit))
    if len(read) != 1:
        raise UsageError(f"{option} is {text!r}; it must be {wanted}")
    return read[0] / per_inch.get(unit, 1.0)


def hole_diameter_in(text: str) -> float:
    """Read what --hole says: inches whatever unit the places have, or mm where it says so; errors as in `numbers`."""
    return length_in("--hole", text, "the diameter of the hole in inches, such as 0.060, or 1.5mm")


def wire_diameter_in(text: str | None) -> float | None:
    """Read what --wire says, where it is given; errors as in `numbers`, and for what no lock wire measures."""
    if text is None:
        return None
    wire_in = length_in("--wire", text, "a diameter in inches, such as 0.032, or 0.8mm")
    if not THINNEST_IN <= wire_in <= THICKEST_IN:
        said = text.strip() if text.strip().lower().endswith("mm") else f"{wire_in:g} in"
        raise UsageError(
            f"--wire is {said}; it must be {THINNEST_IN:g} to {THICKEST_IN:g} in; {_likelier(text, wire_in)}"
        )
    return wire_in


def one_of(option: str, word: str, known: Mapping[str, Chosen]) -> Chosen:
    """Read one of a few words.

    Raises
    ------
    UsageError
        If it is none of them; the sentence names the nearest, if one is near, and all.
    """
    if word in known:
        return known[word]
    near = difflib.get_close_matches(word.lower(), known, 1)
    guess = f" (did you mean {near[0]}?)" if near else ""
    raise UsageError(f"{option} is {word!r}{guess}; it must be one of {', '.join(known)}")


def _floats(text: str) -> list[float]:
    """Return the finite numbers of a text with commas between; none where a part is no such number."""
    try:
        read = [float(part) for part in text.split(",")]
    except ValueError:
        return []
    return read if all(map(math.isfinite, read)) else []


def _likelier(text: str, wire_in: float) -> str:
    """Say what was likely meant by a diameter that no lock wire has: thousandths, mm, or what lies nearest."""
    from visionwire.budget import MM_PER_IN

    meant = []
    in_mm = _floats(text.strip().lower().removesuffix("mm"))
    if text.strip().lower().endswith("mm") and in_mm and THINNEST_IN <= in_mm[0] <= THICKEST_IN:
        meant.append(f"for {in_mm[0]:g} in leave out mm: --wire {in_mm[0]:g}")
    if _floats(text):
        tenth = wire_in / 10
        if any(abs(tenth - size) < 0.002 for size in COMMON_SIZES_IN):
            meant.append(f"for {tenth:.3f} in give --wire {tenth:.3f}")
        if THINNEST_IN <= wire_in / 1000 <= THICKEST_IN:
            meant.append(f"for {wire_in:g} thousandths give --wire {wire_in / 1000:g}")
        elif LEAST_MM <= wire_in <= THICKEST_IN * MM_PER_IN:
            meant.append(f"for {wire_in:g} mm give --wire {wire_in:g}mm")
    if meant:
        return ", ".join(meant)
    return f"the nearest that works is {THINNEST_IN if wire_in < THINNEST_IN else THICKEST_IN:g}"
