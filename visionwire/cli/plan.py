"""``visionwire plan``: a safety before it is made."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visionwire.cli.numbers import guess, hole_diameter_in, wire_diameter_in
from visionwire.cli.options import USUAL_LIMITS
from visionwire.errors import OutputError, UsageError

if TYPE_CHECKING:
    from visionwire.limits import LimitSet
    from visionwire.plan import Fastener


#: What is no place, which may begin with a minus too.
OPTION = re.compile(r"--|-[a-z]", re.IGNORECASE)


def plan(
    words: typer.Context,
    fasteners: Annotated[
        list[str] | None,
        typer.Argument(metavar="X,Y[:ROLE][:left]...", help="Where the fasteners stand, seen from above, y upwards."),
    ] = None,
    hole: Annotated[
        str | None, typer.Option(metavar="DIAMETER", help="Of the hole: inches whatever --unit says, or 1.5mm.")
    ] = None,
    unit: Annotated[str | None, typer.Option(metavar="in|mm", help="Of the places.  [default: in]")] = None,
    wire: Annotated[str | None, typer.Option(metavar="DIAMETER_IN", help="Wire wished for; else by rule.")] = None,
    single: Annotated[bool, typer.Option("--single", help="Single wire is wished for.")] = False,
    closed_pattern: Annotated[bool, typer.Option("--closed-pattern", help="Small screws in a closed pattern.")] = False,
    critical: Annotated[bool, typer.Option("--critical", help="A critical area.")] = False,
    hot: Annotated[bool, typer.Option("--hot", help="A hot area.")] = False,
    magnesium: Annotated[bool, typer.Option("--magnesium", help="Magnesium parts.")] = False,
    emergency: Annotated[bool, typer.Option("--emergency", help="A device that a hand must break free.")] = False,
    turnbuckle: Annotated[
        str | None, typer.Option(metavar="CABLE_IN", help="A turnbuckle on that cable, such as 1/8, instead.")
    ] = None,
    limits: Annotated[str, typer.Option(metavar="NAME|FILE.toml", help="Limit set.")] = USUAL_LIMITS,
    as_json: Annotated[bool, typer.Option("--json", help="Print the plan as JSON, for check --plan.")] = False,
    drawing: Annotated[Path | None, typer.Option(metavar="FILE.svg", help="Draw it on one page.")] = None,
) -> None:
    """Plan a safety: method, wire, order, side, twists to expect, wire to cut, with the rule behind each.

    ROLE is bolt (as unless given), nut, connector, structure, fuel-line, oxygen-line or hydraulic-line; ":left" is a
    left-hand thread.
    """
    from visionwire.limits import load_limits
    from visionwire.plan import Wish, draw_plan, make_plan, plan_lines

    _require_no_option(fasteners or [], words)
    limit_set = load_limits(limits)
    if turnbuckle is not None:
        wishes = (hole, unit, wire, single, closed_pattern, critical, hot, magnesium, emergency)
        if drawing is not None or fasteners or any(wishes):
            raise UsageError(
                "--turnbuckle is a table and takes nothing beside it but --limits and --json; leave that out"
            )
        print(_of_turnbuckle(turnbuckle, limit_set, as_json))
        return
    unit = unit or "in"
    places, hole_in = _places(fasteners or [], hole, unit)
    wish = Wish(
        fasteners=places,
        hole_in=hole_in,
        wire_in=wire_diameter_in(wire),
        single=single,
        closed_pattern=closed_pattern,
        critical=critical,
        hot=hot,
        magnesium=magnesium,
        emergency=emergency,
    )
    if drawing is not None and drawing.suffix.lower() != ".svg":
        raise UsageError(f"a plan is drawn as .svg, not as {drawing.name!r}; give --drawing such a name")
    made = make_plan(wish, limit_set)
    if drawing is not None:  # before a line is printed: what cannot be drawn or written leaves no half of the work
        _write(drawing, draw_plan(made, unit=unit))
    print(json.dumps(made.to_dict(), allow_nan=False) if as_json else "\n".join(plan_lines(made, unit)))


def _require_no_option(fasteners: list[str], words: typer.Context) -> None:
    """Check that no place is an option with a slip in it: a place may begin with a minus, so it goes for one here."""
    known = [name for one in words.command.params for name in one.opts if name.startswith("--")]
    for word in fasteners:
        if OPTION.match(word):
            raise UsageError(f"no such option: {word}{guess(word, known)}; 'visionwire plan --help' says what it takes")


def _of_turnbuckle(cable: str, limits: LimitSet, as_json: bool) -> str:
    from visionwire.plan.turnbuckle import TURNBUCKLE_CAUTIONS, TURNBUCKLE_FORMAT, turnbuckle_lines

    lines = turnbuckle_lines(cable, None if limits.wraps is None else limits.wraps.low)
    if not as_json:
        return "\n".join([*lines, "cautions", *(f"  {caution}" for caution in TURNBUCKLE_CAUTIONS)])
    return json.dumps(
        {
            "format": TURNBUCKLE_FORMAT,
            "method": "wraps",
            "turnbuckle": [line.strip() for line in lines],
            "cautions": TURNBUCKLE_CAUTIONS,
        }
    )


def _places(fasteners: list[str], hole: str | None, unit: str) -> tuple[tuple[Fastener, ...], float]:
    """Return where the fasteners stand and the diameter of their holes, in; a plan needs both."""
    from visionwire.plan import fastener

    if hole is None and not fasteners:
        raise UsageError(
            "a plan needs where the fasteners stand and how wide their holes are, such as visionwire plan 0,0 1.6,0.1 "
            "--hole 0.060, or a turnbuckle's cable, such as visionwire plan --turnbuckle 1/8; "
            "'visionwire plan --help' says what else it takes"
        )
    places = tuple(fastener(text, unit) for text in fasteners)
    if len(places) < 2:
        raise UsageError(
            f"a plan needs at least two fasteners, each as X,Y, and has {len(places)}; "
            "name them, such as visionwire plan 0,0 1.6,0.1 --hole 0.060"
        )
    if hole is None:
        raise UsageError(
            "no hole was given; give its diameter with --hole, in inches such as --hole 0.060, or --hole 1.5mm"
        )
    return places, hole_diameter_in(hole)


def _write(path: Path, content: str) -> None:
    try:
        path.write_text(content, encoding="utf-8")
    except OSError as error:
        raise OutputError(f"the drawing {path} cannot be written ({error.strerror}); give another --drawing") from error
