"""Plan a safety before it is made: method, wire, order, side, twists to expect, wire to cut."""

from visionwire.plan.against import held_against
from visionwire.plan.drawing import draw_plan
from visionwire.plan.make import PLAN_FORMAT, Plan, PlannedSpan, Series, load_plan, make_plan
from visionwire.plan.rules import Ruling
from visionwire.plan.wish import ROLES, Fastener, Wish, fastener
from visionwire.plan.words import plan_lines

__all__ = [
    "PLAN_FORMAT",
    "ROLES",
    "Fastener",
    "Plan",
    "PlannedSpan",
    "Ruling",
    "Series",
    "Wish",
    "draw_plan",
    "fastener",
    "held_against",
    "load_plan",
    "make_plan",
    "plan_lines",
]
