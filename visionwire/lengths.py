"""Lengths as people write them: in inches, or in mm where they say so; read, or refused in one sentence."""

from __future__ import annotations

import math

from visionwire.errors import UsageError
from visionwire.helix import COMMON_SIZES_IN, THICKEST_IN, THINNEST_IN

#: Thinner lock wire is hardly named in mm.
LEAST_MM = 0.3


def floats(text: str) -> list[float]:
    """Return the finite numbers of a text with commas between; none where a part is no such number."""
    try:
        read = [float(part) for part in text.split(",")]
    except ValueError:
        return []
    return read if all(map(math.isfinite, read)) else []


def length_in(option: str, text: str, wanted: str) -> float:
    """Read a length: inches, with or without their sign, or mm where it says so.

    Raises
    ------
    UsageError
        If the text says something else; the sentence names the option, or whatever says it, and what is wanted.
    """
    from visionwire.budget import MM_PER_IN  # not at the top: with it OpenCV is loaded, which --help does not wait for

    return _length(option, text, wanted, {"mm": MM_PER_IN, "in": 1.0, '"': 1.0})


def length_mm(option: str, text: str, wanted: str) -> float:
    """Read a length in mm, with or without its sign, or in inches where it says so; errors as in `length_in`."""
    from visionwire.budget import MM_PER_IN

    return _length(option, text, wanted, {"mm": 1.0, "in": 1 / MM_PER_IN, '"': 1 / MM_PER_IN})


def _length(option: str, text: str, wanted: str, units: dict[str, float]) -> float:
    """Read a length in the unit that a bare number has; ``units`` says how many of each make one of that."""
    plain = text.strip().lower()
    unit = next((unit for unit in units if plain.endswith(unit)), "")
    read = floats(plain.removesuffix(unit))
    if len(read) != 1:
        raise UsageError(f"{option} is {text!r}; it must be {wanted}")
    return read[0] / units.get(unit, 1.0)


def wire_diameter_in(option: str, text: str) -> float:
    """Read a wire's diameter; errors as in `length_in`, and for what no lock wire measures."""
    wire_in = length_in(option, text, "a diameter in inches, such as 0.032, or 0.8mm")
    if not THINNEST_IN <= wire_in <= THICKEST_IN:
        said = text.strip() if text.strip().lower().endswith("mm") else f"{wire_in:g} in"
        raise UsageError(
            f"{option} is {said}; it must be {THINNEST_IN:g} to {THICKEST_IN:g} in; {_likelier(option, text, wire_in)}"
        )
    return wire_in


def _likelier(option: str, text: str, wire_in: float) -> str:
    """Say what was likely meant by a diameter that no lock wire has: thousandths, mm, or what lies nearest."""
    from visionwire.budget import MM_PER_IN

    if wire_in <= 0:
        slip = THINNEST_IN <= -wire_in <= THICKEST_IN
        return f"a diameter is above zero{f', so leave out the minus: {option} {text.strip()[1:]}' if slip else ''}"
    meant = []
    in_mm = floats(text.strip().lower().removesuffix("mm"))
    if text.strip().lower().endswith("mm") and in_mm and THINNEST_IN <= in_mm[0] <= THICKEST_IN:
        meant.append(f"for {in_mm[0]:g} in leave out mm: {option} {in_mm[0]:g}")
    if floats(text):
        tenth = wire_in / 10
        if any(abs(tenth - size) < 0.002 for size in COMMON_SIZES_IN):
            meant.append(f"for {tenth:.3f} in give {option} {tenth:.3f}")
        if THINNEST_IN <= wire_in / 1000 <= THICKEST_IN:
            meant.append(f"for {wire_in:g} thousandths give {option} {wire_in / 1000:g}")
        elif LEAST_MM <= wire_in <= THICKEST_IN * MM_PER_IN:
            meant.append(f"for {wire_in:g} mm give {option} {wire_in:g}mm")
    if meant:
        return ", ".join(meant)
    return f"the nearest that works is {THINNEST_IN if wire_in < THINNEST_IN else THICKEST_IN:g}"
