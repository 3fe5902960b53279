"""Numbers in the words of a command: read, or refused in one sentence."""

from __future__ import annotations

import math

from visionwire.errors import UsageError


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
