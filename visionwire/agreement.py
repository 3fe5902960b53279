"""How far readings of the same safeties agree: repeated photographs by several people, cameras or times.

The analysis of variance of a crossed study, as the measurement systems analysis manual of the AIAG has it (4th
edition, chapter III B; from memory): repeatability is what one person's photographs of one safety scatter by,
reproducibility what people, and people on certain safeties, add.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]

#: The interaction is pooled with repeatability where it is no surer than this (AIAG; from memory).
POOLED_ABOVE = 0.25
SIGMAS, CATEGORIES = 6.0, 1.41
MOST_NAMED = 6
LEAST = "at least 2 safeties, 2 people and 2 readings of each safety by each of them, the same number everywhere"


@dataclass(frozen=True)
class Agreement:
    """Standard deviations of a study, in the unit of what was measured.

    Attributes
    ----------
    repeatability, reproducibility, both, between_parts, total : float
    categories : int
        Distinct categories that the measurement tells apart; 5 or more is what is asked for (AIAG 2010, as Int. J.
        Metrol. Qual. Eng. 8 (2017), article ijmqe170028, table 1, has it).
    share_of_tolerance : float or None
        Six standard deviations of ``both`` over the width of the limits.
    """

    repeatability: float
    reproducibility: float
    both: float
    between_parts: float
    total: float
    categories: int
    share_of_tolerance: float | None


def agreement(values: Sequence[tuple[str, str, float]], tolerance: float | None = None) -> Agreement:
    """Analyse a crossed study.

    Parameters
    ----------
    values : sequence of (part, person, value)
        Every person measured every part, and as often; at least two of each, and twice.
    tolerance : float, optional
        Width of the limits.

    Raises
    ------
    ValueError
        If fewer than two parts, people or trials are there, or some are missing.
    """
    table = _table(values)
    parts, people, trials = table.shape
    mean = table.mean()
    of_cells = table.mean(2)
    squares_parts = people * trials * ((table.mean((1, 2)) - mean) ** 2).sum()
    squares_people = parts * trials * ((table.mean((0, 2)) - mean) ** 2).sum()
    squares_cells = trials * ((of_cells - mean) ** 2).sum()
    squares_both = squares_cells - squares_parts - squares_people
    squares_within = ((table - of_cells[..., None]) ** 2).sum()
    free_parts, free_people, free_both = parts - 1, people - 1, (parts - 1) * (people - 1)
    free_within = parts * people * (trials - 1)
    within, together = squares_within / free_within, squares_both / free_both
    surely = within > 0 and stats.f.sf(together / within, free_both, free_within) < POOLED_ABOVE
    if not surely:
        within = (squares_within + squares_both) / (free_within + free_both)
        together = within
    interaction = max(0.0, (together - within) / trials)
    of_people = max(0.0, (squares_people / free_people - together) / (parts * trials))
    of_parts = max(0.0, (squares_parts / free_parts - together) / (people * trials))
    both = within + of_people + interaction
    apart = np.inf if of_parts > 0 else 0.0
    ratio = np.sqrt(of_parts / both) if both > 0 else apart
    return Agreement(
        repeatability=float(np.sqrt(within)),
        reproducibility=float(np.sqrt(of_people + interaction)),
        both=float(np.sqrt(both)),
        between_parts=float(np.sqrt(of_parts)),
        total=float(np.sqrt(both + of_parts)),
        categories=int(min(CATEGORIES * ratio, 1e6)),
        share_of_tolerance=None if not tolerance else float(SIGMAS * np.sqrt(both) / tolerance),
    )


def _table(values: Sequence[tuple[str, str, float]]) -> Floats:
    """Return the values as (parts, people, trials)."""
    cells: dict[tuple[str, str], list[float]] = {}
    for part, person, value in values:
        cells.setdefault((part, person), []).append(value)
    parts, people = (sorted({cell[k] for cell in cells}) for k in (0, 1))
    counts = {(part, person): len(cells.get((part, person), [])) for part in parts for person in people}
    if len(parts) < 2 or len(people) < 2:
        raise ValueError(
            f"a study needs {LEAST}; this one has safeties: {len(parts)}, people: {len(people)}; complete the study"
        )
    most = max(2, *counts.values())
    if set(counts.values()) == {1}:
        raise ValueError(f"a study needs {LEAST}; here each person has 1 of each safety; complete the study")
    if short := [f"{person} has {count} of {part}" for (part, person), count in counts.items() if count < most]:
        left = len(short) - MOST_NAMED
        more = f" and {left} more {'falls' if left == 1 else 'fall'} short" if left > 0 else ""
        raise ValueError(
            f"a study needs {LEAST}; here each person needs {most} readings of each safety, but "
            f"{', '.join(short[:MOST_NAMED])}{more}; complete the study"
        )
    return np.array([[cells[part, person] for person in people] for part in parts])
