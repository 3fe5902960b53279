"""Plans made in a line."""

from __future__ import annotations

from visionwire.limits import load_limits
from visionwire.plan import Fastener, Plan, Wish, make_plan

COMMON = load_limits("common")


def plan(*fasteners: Fastener, **wishes: object) -> Plan:
    return make_plan(Wish(fasteners, **{"hole_in": 0.07, **wishes}), COMMON)  # type: ignore[arg-type]
