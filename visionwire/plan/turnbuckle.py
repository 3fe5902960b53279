"""Wire for a turnbuckle by its cable: FAA AC 43.13-1B (1998), table 7-8 and paragraphs 7-179 to 7-182."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from visionwire.counts import counted
from visionwire.errors import PlanError
from visionwire.plan.make import CAUTIONS

SOURCE = "FAA AC 43.13-1B (1998), table 7-8 and paragraphs 7-179 to 7-182"
TURNBUCKLE_FORMAT = "visionwire.turnbuckle/1"
MOST_THREADS = 3
TURNBUCKLE_CAUTIONS = (CAUTIONS[0], "Use new wire only.", CAUTIONS[-1])


@dataclass(frozen=True)
class Row:
    """Cables over ``over`` and up to ``up_to`` inches thick, how the wire is wrapped, and what wire it takes."""

    over: Fraction
    up_to: Fraction | None
    wrap: str
    wire: str


_SIXTEENTH, _THREE, _EIGHTH = Fraction(1, 16), Fraction(3, 32), Fraction(1, 8)
STEEL = "corrosion-resistant steel or nickel alloy"
ROWS = (
    Row(Fraction(0), _THREE, "single", ".040 copper or brass"),
    Row(_THREE, _EIGHTH, "single", f".040 {STEEL}"),
    Row(_THREE, _EIGHTH, "double", ".040 copper"),
    Row(_EIGHTH, None, "double", f".040 {STEEL}, or .051 copper"),
    Row(_EIGHTH, None, "single", f".057 or thicker, {STEEL}"),
)


def turnbuckle_lines(cable: str, least_wraps: int | None) -> list[str]:
    """Return what a turnbuckle on a cable of that diameter, such as ``1/8``, needs.

    Parameters
    ----------
    cable : str
        Diameter in inches, as a fraction or a decimal.
    least_wraps : int or None
        Wraps at either end by the limit set.

    Raises
    ------
    PlanError
        If the cable is not one that the table knows.
    """
    try:
        size = Fraction(cable)
    except (ValueError, ZeroDivisionError):
        size = Fraction(0)
    if not _SIXTEENTH <= size <= 1 or 32 % size.denominator:
        raise PlanError(
            f"--turnbuckle is {cable!r}; give the cable's diameter in inches, "
            "a multiple of 1/32 from 1/16 up, such as 1/8"
        )
    fitting = [row for row in ROWS if row.over < size and (row.up_to is None or size <= row.up_to)]
    wraps = "the wraps that the manual asks for" if least_wraps is None else f"at least {counted(least_wraps, 'wrap')}"
    return [
        f"turnbuckle on {size} in cable",
        *(f"  {row.wrap} wrap: {row.wire}" for row in fitting),
        f"  {wraps} round the shank at either end, in opposite directions",
        f"  at most {MOST_THREADS} threads showing at either end",
        f"    ({SOURCE})",
    ]
