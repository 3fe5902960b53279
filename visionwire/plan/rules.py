"""The rules of the trade, each with its source: one function a question, one ruling an answer.

A wish that no rule allows raises `PlanError`, which names the rule, its source and the way out.
"""

from __future__ import annotations

from dataclasses import dataclass

from visionwire.errors import PlanError
from visionwire.helix import COMMON_SIZES_IN
from visionwire.limits import LimitSet
from visionwire.plan.wish import Wish

CLOSE_IN = 2.0
LEAST_DOUBLE_IN, SMALL_HOLE_IN, LARGE_HOLE_IN = 0.032, 0.045, 0.062
LEAST_FILL, MOST_FILL = 1 / 3, 3 / 4
SHEAR_WIRE_IN = 0.020
CONDUITS = ("fuel-line", "oxygen-line", "hydraulic-line")

AC = "FAA AC 43.13-1B (1998), chapter 7"
TM6 = "TM 1-1500-204-23-6"
COMMON = "common practice, no source"
FILL = "R. Sterkenburg, Fundamental Security"


@dataclass(frozen=True)
class Ruling:
    """What was decided, by which rule, and who says so."""

    question: str
    answer: str
    rule: str
    source: str


def method(wish: Wish, longest_in: float) -> tuple[str, Ruling]:
    """Return "double" or "single", with its ruling."""
    if wish.emergency:
        rule = "an emergency device gets one strand of shear wire that a hand can break"
        return "single", Ruling("method", "single strand of shear wire", rule, f"{AC}; {TM6}")
    if not wish.single:
        rule = "double twist is the rule; always in critical areas"
        return "double", Ruling("method", "double twist", rule, f"{COMMON}; document 13773-001 (2000), 20-50")
    if wish.critical:
        raise PlanError(
            f"single wire is never used in a critical area ({AC}; {COMMON}); plan double twist by leaving out --single"
        )
    if not wish.closed_pattern or longest_in > CLOSE_IN:
        raise PlanError(
            f"single wire is for small screws at most {CLOSE_IN:g} in apart in a closed pattern ({AC}; {TM6}); "
            "plan double twist by leaving out --single, or say --closed-pattern if it is one"
        )
    rule = f"small screws in a closed pattern, at most {CLOSE_IN:g} in apart, in places hard to reach"
    return "single", Ruling("method", "single wire", rule, f"{AC}; {TM6}")


def least_wire_in(hole_in: float, longest_in: float) -> tuple[float, str, str]:
    """Return the thinnest wire for double twist through that hole at that spacing, the rule and its source."""
    if hole_in <= SMALL_HOLE_IN:
        return 0.020, f"holes up to {SMALL_HOLE_IN:g} in take .020 wire", COMMON
    if hole_in <= LARGE_HOLE_IN and longest_in < CLOSE_IN:
        rule = f"holes over {SMALL_HOLE_IN:g} in take at least .032 wire, but up to {LARGE_HOLE_IN:g} in .020 will do"
        return 0.020, f"{rule} where fasteners stand under {CLOSE_IN:g} in apart", f"{AC}; {TM6}; {COMMON}"
    return LEAST_DOUBLE_IN, f"holes over {SMALL_HOLE_IN:g} in take at least .032 wire", COMMON


def wire(wish: Wish, method_: str, longest_in: float) -> tuple[float, Ruling]:
    """Return the wire's diameter with its ruling: a common size that fills the hole as it should.

    For double twist the thinnest that the rules allow is taken, being the easiest to twist tight; for single wire the
    thickest that fits.
    """
    if wish.emergency:
        if wish.wire_in not in (None, SHEAR_WIRE_IN):
            raise PlanError(
                f"an emergency device gets .020 annealed copper and no other wire ({AC}; {TM6}); leave out --wire"
            )
        if wish.hole_in <= SHEAR_WIRE_IN:
            raise PlanError(f".020 shear wire does not go through a hole of {wish.hole_in:g} in; check --hole")
        return SHEAR_WIRE_IN, Ruling("wire", ".020 in", "emergency devices get .020 annealed copper", f"{AC}; {TM6}")
    if method_ == "single":
        fitting = [size for size in COMMON_SIZES_IN if size <= MOST_FILL * wish.hole_in]
        rule, source, least = "the largest standard size that fits the hole", f"{AC}; {TM6}; {FILL}", 0.0
        chosen = fitting[-1] if fitting else None
    else:
        least, rule, source = least_wire_in(wish.hole_in, longest_in)
        fills = [size for size in COMMON_SIZES_IN if LEAST_FILL <= size / wish.hole_in <= MOST_FILL]
        usual = least if wish.hole_in <= SMALL_HOLE_IN else LEAST_DOUBLE_IN
        allowed = [size for size in fills if size >= least]
        chosen = next((size for size in allowed if size >= usual), allowed[0] if allowed else None)
        rule, source = f"{rule}; the hole is filled by a third to three quarters", f"{source}; {FILL}"
    if wish.wire_in is not None:
        return _wished(wish, wish.wire_in, least, chosen, rule, source)
    if chosen is None:
        sizes = ", ".join(f"{size:.3f}" for size in COMMON_SIZES_IN)
        raise PlanError(
            f"no common wire ({sizes} in) suits a hole of {wish.hole_in:g} in: {rule} ({source}); "
            "check --hole, or take the wire that the aircraft's own manual names"
        )
    return chosen, Ruling("wire", f"{chosen:.3f} in", rule, source)


def _wished(
    wish: Wish, wire_in: float, least: float, chosen: float | None, rule: str, source: str
) -> tuple[float, Ruling]:
    way_out = f"take {chosen:.3f}" if chosen is not None else "take what the aircraft's own manual names"
    if wire_in < least:
        raise PlanError(
            f"{wire_in:.3f} wire is too thin for a hole of {wish.hole_in:g} in here: {rule} ({source}); {way_out}"
        )
    fill = wire_in / wish.hole_in
    if fill > MOST_FILL or (least > 0 and fill < LEAST_FILL):
        raise PlanError(
            f"{wire_in:.3f} wire fills a hole of {wish.hole_in:g} in by {100 * fill:.0f} %: "
            f"{rule} ({source}); {way_out}"
        )
    return wire_in, Ruling("wire", f"{wire_in:.3f} in, as wished", rule, source)


def material(wish: Wish) -> Ruling:
    """Return the class of wire with its ruling."""
    if wish.emergency:
        return Ruling("material", "annealed copper", "emergency devices: shear wire, never steel", f"{AC}; {TM6}")
    if wish.hot and wish.magnesium:
        raise PlanError(
            f"a hot area asks for nickel alloy or steel and magnesium for clad aluminium ({AC}; {TM6}); "
            "take what the aircraft's own manual names"
        )
    if wish.hot:
        return Ruling("material", "nickel alloy or corrosion-resistant steel", "hot areas", f"{AC}; {TM6}")
    if wish.magnesium:
        return Ruling("material", "clad aluminium", "magnesium parts", f"{AC}; {TM6}")
    return Ruling("material", "corrosion-resistant steel", "where nothing else is asked for", COMMON)


def forbid_pairs(wish: Wish) -> None:
    """Refuse anchors that no rule allows.

    Raises
    ------
    PlanError
        If a connector is to be tied to another, or anything to a line that carries fuel, oxygen or hydraulic fluid, or
        nothing is there that could turn.
    """
    roles = [one.role for one in wish.fasteners]
    for conduit in CONDUITS:
        if conduit in roles:
            raise PlanError(
                f"nothing is ever tied to a {conduit.replace('-', ' ')} ({COMMON}); "
                "tie to structure or to the next fastener"
            )
    if roles.count("connector") > 1:
        raise PlanError(f"a connector is never tied to another ({COMMON}); tie each to structure")
    if not any(one.turns for one in wish.fasteners):
        raise PlanError(f"none of the fasteners can turn ({', '.join(roles)}); name the bolts, nuts or connectors")


def forbid_span(span_in: float, limits: LimitSet) -> None:
    """Refuse a span that the limit set does not allow."""
    limit = limits.span
    if limit is not None and limit.high is not None and span_in > limit.high + 1e-9:
        raise PlanError(
            f"a span of {span_in:.2f} in is over the {limit.high:g} that {limits.name} allows ({limit.source}); "
            "tie to something nearer, such as a bracket between the two"
        )
