"""What is to be safetied, as the technician says it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from visionwire.budget import MM_PER_IN
from visionwire.errors import UsageError

Role = Literal["bolt", "nut", "connector", "structure", "fuel-line", "oxygen-line", "hydraulic-line"]
Thread = Literal["right", "left"]
#: No part is larger; where a place lies farther off its number is a slip.
FARTHEST_IN = 1000.0
ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True)
class Fastener:
    """One point that the wire is tied to.

    Attributes
    ----------
    x_in, y_in : float
        Where it stands, seen from above its head, y upwards.
    role : str
        ``bolt`` is a drilled head, ``nut`` a castellated nut on a drilled bolt.
    thread : "right" or "left"
    """

    x_in: float
    y_in: float
    role: Role = "bolt"
    thread: Thread = "right"

    @property
    def turns(self) -> bool:
        """Whether it can loosen by turning."""
        return self.role in ("bolt", "nut", "connector")


@dataclass(frozen=True)
class Wish:
    """What is asked for.

    Attributes
    ----------
    fasteners : tuple of Fastener
        In any order.
    hole_in : float
        Diameter of the hole that the wire goes through.
    wire_in : float or None
        Wire wished for; the rules choose where it is None.
    single : bool
        Whether single wire is wished for.
    closed_pattern, critical, hot, magnesium, emergency : bool
        Small screws that close a pattern; a critical area, hydraulic or air seal, clutch, supercharger or tail rotor; a
        hot area; magnesium parts; a device that a hand must be able to break free.
    """

    fasteners: tuple[Fastener, ...]
    hole_in: float
    wire_in: float | None = None
    single: bool = False
    closed_pattern: bool = False
    critical: bool = False
    hot: bool = False
    magnesium: bool = False
    emergency: bool = False


def fastener(text: str, unit: str = "in") -> Fastener:
    """Read a fastener from ``X,Y[:ROLE][:left]``.

    Raises
    ------
    UsageError
        If the text says something else.
    """
    place, *rest = text.split(":")
    try:
        x, y = (float(part) for part in place.split(","))
    except ValueError:
        x = y = math.nan
    if not (math.isfinite(x) and math.isfinite(y)):
        raise UsageError(f"fastener {text!r} has no place; write it as X,Y or X,Y:ROLE, such as 1.5,0:bolt")
    if unit not in ("in", "mm"):
        raise UsageError(f"--unit is {unit!r}; it must be in or mm")
    thread: Thread = "left" if "left" in rest else "right"
    roles = [word for word in rest if word not in ("left", "right")]
    if len(roles) > 1 or any(word not in ROLES for word in roles):
        raise UsageError(f"fastener {text!r} has no role that is known; it must be one of {', '.join(ROLES)}")
    role: Role = next((known for known in ROLES if known in roles), "bolt")
    scale = 1.0 if unit == "in" else 1 / MM_PER_IN
    if max(abs(x), abs(y)) * scale > FARTHEST_IN:
        raise UsageError(
            f"fastener {text!r} stands over {FARTHEST_IN:g} in away from 0,0; count from a point of the part, in "
            "inches, or with --unit mm in mm"
        )
    return Fastener(x * scale, y * scale, role, thread)
