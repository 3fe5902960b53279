"""Numbers in the words of a command: read, or refused in one sentence."""

from __future__ import annotations

import math

from visionwire.errors import UsageError

MM_PER_IN = 25.4
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


def hole_diameter_in(text: str) -> float:
    """Read what --hole says: inches whatever unit the places have, or mm where it says so; errors as in `numbers`."""
    mm = text.endswith("mm")
    plain = text.removesuffix("mm" if mm else "in").strip()
    read = numbers("--hole", plain, "the diameter of the hole in inches, such as 0.060, or 1.5mm", 1)[0]
    return read / MM_PER_IN if mm else read


def wire_diameter_in(text: str | None) -> float | None:
    """Read what --wire says, where it is given; errors as in `numbers`, and for what no lock wire measures."""
    wire_in = number("--wire", text, "a diameter in inches, such as 0.032")
    if wire_in is not None and not THINNEST_IN <= wire_in <= THICKEST_IN:
        nearest = THINNEST_IN if wire_in < THINNEST_IN else THICKEST_IN
        raise UsageError(
            f"--wire is {wire_in:g} in; it must be {THINNEST_IN:g} to {THICKEST_IN:g}, and the nearest that works "
            f"is {nearest:g}"
        )
    return wire_in
