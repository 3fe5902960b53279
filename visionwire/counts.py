"""How a count of things is written."""

from __future__ import annotations


def counted(count: int, noun: str) -> str:
    """Write a count of things, one of them in the singular."""
    return f"{count} {noun}{'' if count == 1 else 's'}"
