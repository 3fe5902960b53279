"""What is said to ``check`` and ``archive``, checked before any photograph is opened."""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from visionwire.cli.numbers import numbers, one_of, wire_diameter_in
from visionwire.errors import InputError, OutputError, UsageError
from visionwire.lengths import length_in, length_mm

if TYPE_CHECKING:
    from calibration.card import Card
    from visionwire.limits import LimitSet
    from visionwire.measure import Method
    from visionwire.photo import Photo
    from visionwire.plan import Plan
    from visionwire.reading import Tightens
    from visionwire.scan import Finder

USUAL_LIMITS = "common"
MOST_INCHES = 1000.0
#: Of a diameter: what 0.8 mm and .032 in differ by, and no two common sizes.
SAME_WIRE = 0.03
LEAST_APART_PX = 20.0  # as the measuring asks of two points and of two ends
METHODS: dict[str, Method] = {"double": "double", "single": "single", "wraps": "wraps"}
TIGHTENS: dict[str, Tightens] = {
    "clockwise": "clockwise",
    "counter-clockwise": "counter-clockwise",
    # Also as people say it: the nearest word by its letters would be the wrong way round.
    "cw": "clockwise",
    "ccw": "counter-clockwise",
    "acw": "counter-clockwise",
    "anticlockwise": "counter-clockwise",
}
FINDERS: dict[str, tuple[Finder, ...]] = {
    "both": ("learned", "classical"),
    "learned": ("learned",),
    "classical": ("classical",),
}


@dataclass(frozen=True)
class CheckOptions:
    """The words of one call, checked.

    Attributes
    ----------
    limits : LimitSet
        What is allowed.
    limits_named : bool
        Whether that set was asked for, or is the one that is taken unless another is.
    card : Card or None
        The card to look for; None looks for every known one.
    wire_in : float or None
        The wire's diameter, inches.
    start, end : (float, float) or None
        Ends of a run, px of the upright picture; both or none.
    two_points : (x1, y1, x2, y2, inches) or None
        Two points, px, and the distance between them.
    finders : tuple of {"learned", "classical"}
        Who looks for the wire.
    method : {"double", "single", "wraps"}
        How the safety is made.
    tightens : {"clockwise", "counter-clockwise"} or None
        Which way the fasteners tighten, looked at from above; None leaves the routing unjudged.
    heads : tuple of (float, float)
        The middles of heads, px.
    height_mm : float or None
        How far the wire's axis lies over the card's face; None where that is not known.
    plan : Plan or None
        What it was to be.
    as_json : bool
        Print JSON instead of words.
    sheets : Path or None
        The folder that takes the sheets.
    words : str
        What of all this was said otherwise than it is unless said, for the sheets.
    """

    limits: LimitSet
    limits_named: bool
    card: Card | None
    wire_in: float | None
    start: tuple[float, float] | None
    end: tuple[float, float] | None
    two_points: tuple[float, float, float, float, float] | None
    finders: tuple[Finder, ...]
    method: Method
    tightens: Tightens | None
    heads: tuple[tuple[float, float], ...]
    height_mm: float | None
    plan: Plan | None
    as_json: bool
    sheets: Path | None
    words: str


def options_from(
    photos: list[str],
    *,
    limits: str | None,
    wire: str | None,
    card: str | None,
    method: str,
    finder: str,
    as_json: bool = False,
    sheet: str | None = None,
    start: str | None = None,
    end: str | None = None,
    scale: str | None = None,
    plan: str | None = None,
    tightens: str | None = None,
    head: list[str] | None = None,
    bar: str | None = None,
    card_below: str | None = None,
    wire_of_each: bool = False,
) -> CheckOptions:
    """Check the words of the call, all of them before any photograph is opened.

    Where each photograph's wire may be told by itself (``wire_of_each``), bands by diameter need none for all.

    Raises
    ------
    UsageError
        If a word is off; the sentence names the nearest that works.
    LimitsError
        If the limit set cannot be used, or not for this wire.
    InputError
        If a file of a limit set, card or plan cannot be read or used.
    OutputError
        If the folder for the sheets cannot be made.
    """
    from visionwire.limits import density_band, load_limits

    ends = _point("--start", start), _point("--end", end)
    if (start is None) != (end is None):
        given, missing = ("--start", "--end") if end is None else ("--end", "--start")
        raise UsageError(f"{given} was given without {missing}; give both ends of the run or none")
    if len(photos) > 1 and (start or scale or head):
        raise UsageError("--start, --end, --scale and --head are pixels of one picture; give one photograph with them")
    if ends[0] and ends[1] and math.dist(ends[0], ends[1]) < LEAST_APART_PX:
        raise UsageError(f"--start and --end lie less than {LEAST_APART_PX:g} px apart; give the two ends of one run")
    limit_set, planned = load_limits(limits or USUAL_LIMITS), _plan(plan)
    wire_in = _wire_in(wire, planned)
    if planned is not None and planned.method != method:
        raise UsageError(f"the plan is of the {planned.method} method; give --method {planned.method}")
    if method == "double" and not (wire_of_each and wire_in is None):
        density_band(limit_set, wire_in)  # one that has no band for this wire would say so only after the measuring
    return CheckOptions(
        limits=limit_set,
        limits_named=limits is not None,
        card=_card(card, bar),
        wire_in=wire_in,
        start=ends[0],
        end=ends[1],
        two_points=_two_points(scale),
        finders=one_of("--finder", finder, FINDERS),
        method=one_of("--method", method, METHODS),
        tightens=_tightens(tightens, method),
        heads=_heads(head, tightens),
        height_mm=_height(card_below, scale),
        plan=planned,
        as_json=as_json,
        sheets=_folder(sheet),
        words=_option_words(
            {"--wire": wire, "--card": card, "--bar": bar, "--start": start, "--end": end, "--scale": scale}
            | {"--card-below": card_below, "--plan": plan}
            | {"--method": method if method != "double" else None, "--finder": finder if finder != "both" else None}
            | {"--limits": limits if limits != USUAL_LIMITS else None, "--tightens": tightens},
            head or [],
        ),
    )


def require_inside(photo: Photo, options: CheckOptions) -> None:
    """Check that every point given lies in the photograph.

    Raises
    ------
    UsageError
        If one does not; the sentence names the nearest that does.
    """
    height_px, width_px = photo.pixels.shape[:2]
    points = {"--start": options.start, "--end": options.end}
    points |= {f"point {number} of --head": head for number, head in enumerate(options.heads, 1)}
    if options.two_points:
        points |= {"--scale": options.two_points[:2], "the second point of --scale": options.two_points[2:4]}
    for option, point in points.items():
        if point is None:
            continue
        nearest = [min(max(value, 0.0), last - 1.0) for value, last in zip(point, (width_px, height_px), strict=True)]
        if list(point) != nearest:
            raise UsageError(
                f"{option} {point[0]:g},{point[1]:g} lies outside {photo.name}, which is {width_px} x {height_px} px; "
                f"the nearest point inside is {nearest[0]:g},{nearest[1]:g}"
            )


def _option_words(options: dict[str, str | None], heads: list[str]) -> str:
    """Return options as they are typed; those that say what holds anyway are None."""
    said = [*options.items(), *(("--head", head) for head in heads)]
    return shlex.join(word for option, value in said if value is not None for word in (option, value)) or "none given"


def _tightens(way: str | None, method: str) -> Tightens | None:
    if way is None:
        return None
    chosen = one_of("--tightens", way, TIGHTENS)
    if method != "double":
        raise UsageError(f"--tightens is of runs of double twist, not of --method {method}; leave one of them out")
    return chosen


def _heads(texts: list[str] | None, way: str | None) -> tuple[tuple[float, float], ...]:
    if texts and way is None:
        raise UsageError("--head is of use only with --tightens; add --tightens clockwise for right-hand threads")
    points = [_point("--head", text) for text in texts or []]
    return tuple(point for point in points if point is not None)


def _plan(path: str | None) -> Plan | None:
    if path is None:
        return None
    from visionwire.plan import load_plan

    return load_plan(path)


def _wire_in(wire: str | None, plan: Plan | None) -> float | None:
    """Return the wire told, if any, which is that of the plan as 0.8 mm is .032 in."""
    wire_in = wire_diameter_in(wire)
    if plan is not None and wire_in is not None and abs(wire_in / plan.wire_in - 1) > SAME_WIRE:
        raise UsageError(
            f"--wire is {wire_in:g} in, and the plan is of wire of {plan.wire_in:g} in; leave out --wire, or plan with "
            "the wire that was used"
        )
    return wire_in


def _folder(sheet: str | None) -> Path | None:
    if sheet is None:
        return None
    folder = Path(sheet)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(
            f"the folder {sheet} for the sheets cannot be made ({reason}); give another --sheet"
        ) from error
    return folder


def _card(name: str | None, bar: str | None) -> Card | None:
    if name is None and bar is not None:
        raise UsageError("--bar is what a rule reads on one card; say on which, such as --card pocket --bar 79.8")
    if name is None:
        return None
    card = card_named(name, "--card: ")
    if bar is None:
        return card
    bar_mm = length_mm("--bar", bar, f"the length in mm that a rule reads on the bar, near {card.bar_mm:g}")
    try:
        return card.as_printed(bar_mm)
    except ValueError as error:
        raise UsageError(f"--bar: {error}") from error


def card_named(name: str, said: str = "") -> Card:
    """Return a card by its name or file; what is wrong with either is told behind what is ``said``.

    Raises
    ------
    UsageError
        If no card has that name.
    InputError
        If its file cannot be read or used.
    """
    from calibration.card import CardError, CardFileError, load_card

    try:
        return load_card(name)
    except CardFileError as error:
        raise InputError(f"{said}{error}") from error
    except CardError as error:
        raise UsageError(f"{said}{error}") from error


def _height(below: str | None, scale: str | None) -> float | None:
    if below is None:
        return None
    if scale is not None:
        raise UsageError("--card-below is of a card, and --scale is taken in its place; leave one of them out")
    from visionwire.budget import LEAST_HEIGHT_MM, MOST_HEIGHT_MM

    wanted = (
        f"how many mm the card's face lies below the wire, {LEAST_HEIGHT_MM:g} to {MOST_HEIGHT_MM:g}, 0 where it is "
        "held level with it"
    )
    height_mm = length_mm("--card-below", below, wanted)
    if not LEAST_HEIGHT_MM <= height_mm <= MOST_HEIGHT_MM:
        raise UsageError(f"--card-below is {height_mm:g}; it must be {wanted}")
    return height_mm


def _point(option: str, text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    x, y = numbers(option, text, f"two numbers X,Y in pixels with a comma between, such as {option} 120,340", 2)
    return x, y


def _two_points(text: str | None) -> tuple[float, float, float, float, float] | None:
    if text is None:
        return None
    wanted = "X,Y,X,Y,INCHES, such as 100,200,900,220,2.5, or in mm with its sign, such as 100,200,900,220,63.5mm"
    points, _, length = text.rpartition(",")
    try:
        (x1, y1, x2, y2), inches = numbers("--scale", points, wanted, 4), length_in("--scale", length, wanted)
    except UsageError as error:  # of a part of what was typed
        raise UsageError(f"--scale is {text!r}; it must be {wanted}") from error
    if not 0 < inches <= MOST_INCHES:
        raise UsageError(f"--scale names a distance of {inches:g} in; it must be above 0 and at most {MOST_INCHES:g}")
    if math.dist((x1, y1), (x2, y2)) < LEAST_APART_PX:
        raise UsageError(f"--scale names points less than {LEAST_APART_PX:g} px apart; give two that lie far apart")
    return x1, y1, x2, y2, inches
