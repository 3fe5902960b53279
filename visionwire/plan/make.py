"""A wish and a limit set in, a plan out."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from visionwire.errors import PlanError, PlanFileError
from visionwire.helix import THICKEST_IN, THINNEST_IN, most_twists_per_inch, strand_in
from visionwire.layout import ROUND_HEAD_IN
from visionwire.limits import LimitSet, density_band, twists_allowed
from visionwire.plan import rules
from visionwire.plan.route import Side, distance_in, in_order, sides
from visionwire.plan.rules import Ruling
from visionwire.plan.wish import ROLES, Fastener, Wish

PLAN_FORMAT = "visionwire.plan/1"
AGAIN = "make one of fasteners with visionwire plan X,Y X,Y --hole D --json"
#: Of the gap at either end, half of what is allowed; where the set says nothing an eighth of an inch is taken for that.
USUAL_MOST_GAP_IN = 0.125
#: Held by the pliers and cut off; common practice, no source.
PLIERS_IN = 2.0
RULE_OF_THUMB = (2.5, 3.0)
USUAL_TAIL_IN = 0.5
CAUTIONS = (
    "Wear eye protection; cut ends are sharp and fly.",
    "Use new wire only, and cut out what was twisted too far: it cannot be untwisted.",
    "Torque first; never loosen or overtighten to line up a hole.",
    "The aircraft's own manual and licensed practice govern.",
)


@dataclass(frozen=True)
class PlannedSpan:
    """From one fastener to the next.

    Attributes
    ----------
    start, end : Fastener
    span_in : float
    leaves, arrives : "left", "right" or "either"
        Side of the fastener, seen along the way from above its head.
    twists_low, twists_high : int or None
        Twists to expect by the band of the limit set; None for single wire.
    twists_to_aim_at : int or None
    lay : "S", "Z" or None
        The first is free, and each next the other one, so that the loops stay down.
    strand_in : float
        Length of each strand between the holes.
    twisted_in : float or None
        What the gaps at the holes leave of the span for the twist; None for single wire, and of plans kept without it.
    """

    start: Fastener
    end: Fastener
    span_in: float
    leaves: Side
    arrives: Side
    twists_low: int | None
    twists_high: int | None
    twists_to_aim_at: int | None
    lay: str | None
    strand_in: float
    twisted_in: float | None = None


@dataclass(frozen=True)
class Series:
    """One length of wire: its spans in order, and what to cut (whole wire, before it is folded)."""

    spans: tuple[PlannedSpan, ...]
    cut_in: float
    cut_by_thumb_in: tuple[float, float]
    pigtail: str


@dataclass(frozen=True)
class Plan:
    """What to do."""

    method: str
    wire_in: float
    hole_in: float
    material: str
    series: tuple[Series, ...]
    rulings: tuple[Ruling, ...]
    cautions: tuple[str, ...]
    limits: str
    limits_sha256: str

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain JSON types, with its format version first."""
        return {"format": PLAN_FORMAT, **dataclasses.asdict(self)}


def make_plan(wish: Wish, limits: LimitSet) -> Plan:
    """Plan a safety.

    Parameters
    ----------
    wish : Wish
        What is asked for.
    limits : LimitSet
        Density, pigtail, span and series are taken from it.

    Raises
    ------
    PlanError
        If no rule allows what is asked for; the sentence names the rule, its source and the way out.
    LimitsError
        If the limit set has no band for the wire.
    """
    if len(wish.fasteners) < 2:
        raise PlanError("a safety ties at least two points; name another fastener, or structure to tie to")
    if not 0 < wish.hole_in < 1:
        raise PlanError(f"the hole is {wish.hole_in:g} in; give its diameter in inches, such as 0.060, or 1.5mm")
    if wish.wire_in is not None and not 0 < wish.wire_in < wish.hole_in:
        raise PlanError(
            f"wire of {wish.wire_in:g} in does not go through a hole of {wish.hole_in:g}; check --wire and --hole"
        )
    rules.forbid_pairs(wish)
    closed = wish.single and wish.closed_pattern
    if closed and len(wish.fasteners) < 3:
        raise PlanError("a closed pattern has three fasteners or more; leave out --closed-pattern")
    way = in_order(wish.fasteners, closed)
    lengths = [distance_in(a, b) for a, b in itertools.pairwise(way)]
    for (a, b), length in zip(itertools.pairwise(way), lengths, strict=True):
        if length < 2 * wish.hole_in:
            raise PlanError(f"two fasteners stand at {a.x_in:g},{a.y_in:g} and {b.x_in:g},{b.y_in:g}; move one of them")
        rules.forbid_span(length, limits)
    method, of_method = rules.method(wish, max(lengths))
    wire_in, of_wire = rules.wire(wish, method, max(lengths))
    of_material = rules.material(wish)
    rulings = [of_method, of_wire, of_material]
    groups, of_series = ([way], None) if closed else _split(way, wire_in, limits, method)
    rulings += [] if of_series is None else [of_series]
    return Plan(
        method=method,
        wire_in=wire_in,
        hole_in=wish.hole_in,
        material=of_material.answer,
        series=tuple(_series(group, method, wire_in, limits) for group in groups),
        rulings=tuple(rulings + _of_laying(way, method, limits)),
        cautions=CAUTIONS,
        limits=limits.name,
        limits_sha256=limits.sha256,
    )


def load_plan(path: str | Path) -> Plan:
    """Read a plan that was written as JSON.

    Raises
    ------
    PlanFileError
        If the file cannot be read or is no plan.
    """
    try:
        record = json.loads(Path(path).read_text(encoding="utf-8-sig"))
        if record.pop("format") != PLAN_FORMAT:
            raise PlanError(f"its format is not {PLAN_FORMAT}")
        series = []
        for one in record.pop("series"):
            spans = tuple(
                PlannedSpan(**{**span, "start": Fastener(**span["start"]), "end": Fastener(**span["end"])})
                for span in one["spans"]
            )
            series.append(Series(spans, one["cut_in"], tuple(one["cut_by_thumb_in"]), one["pigtail"]))
        rulings = tuple(Ruling(**one) for one in record.pop("rulings"))
        plan = Plan(series=tuple(series), rulings=rulings, cautions=tuple(record.pop("cautions")), **record)
        _require_sound(plan)
        return plan
    except KeyError as error:
        raise PlanFileError(f"{path} is no plan: it lacks {error}; {AGAIN}") from error
    except UnicodeDecodeError as error:
        raise PlanFileError(f"{path} is no plan: it is not text in UTF-8; save it so, or {AGAIN}") from error
    except OSError as error:
        raise PlanFileError(f"the plan {path} cannot be read ({error.strerror}); check its path") from error
    except PlanError as error:
        raise PlanFileError(f"{path} is no plan ({error}); {AGAIN}") from error
    except (ValueError, RecursionError) as error:
        raise PlanFileError(f"{path} is no plan: it is not JSON; {AGAIN}") from error
    except (TypeError, AttributeError) as error:  # whose words are of Python, not of the file
        raise PlanFileError(f"{path} is no plan: something in it is missing, or of another kind; {AGAIN}") from error


def _require_sound(plan: Plan) -> None:
    spans = [span for one in plan.series for span in one.spans]
    numbers = [plan.wire_in, plan.hole_in]
    for span in spans:
        numbers += [span.span_in, span.strand_in]
        numbers += [count for count in (span.twists_low, span.twists_high) if count is not None]
        numbers += [place for one in (span.start, span.end) for place in (one.x_in, one.y_in)]
        if any(one.role not in ROLES or one.thread not in ("right", "left") for one in (span.start, span.end)):
            raise PlanError("a fastener's role or thread is unknown")
    if not spans or not all(isinstance(one, (int, float)) and math.isfinite(one) for one in numbers):
        raise PlanError("a figure is missing or no number")
    if not THINNEST_IN <= plan.wire_in <= THICKEST_IN:
        raise PlanError(f"its wire of {plan.wire_in:g} in is no lock wire")


def _split(
    way: tuple[Fastener, ...], wire_in: float, limits: LimitSet, method: str
) -> tuple[list[tuple[Fastener, ...]], Ruling | None]:
    """Return the way cut into series that one wire may hold, the fastener between them shared, and the ruling."""
    rule = limits.series
    if rule is None:
        return [way], None
    groups, now = [], [way[0]]
    for one in way[1:]:
        longer = (*now, one)
        spans = [distance_in(a, b) for a, b in itertools.pairwise(longer)]
        wide = max(spans) >= rule.widely_spaced_in
        too_many = (
            len(longer) > rule.most_fasteners if wide else _cut_in(longer, method, wire_in, limits) > rule.wire_in
        )
        if too_many and len(now) > 1:
            groups.append(tuple(now))
            now = [now[-1]]
        now.append(one)
    groups.append(tuple(now))
    said = (
        f"at most {rule.most_fasteners} fasteners where two stand {rule.widely_spaced_in:g} in apart or more, "
        f"else what {rule.wire_in:g} in of wire reaches"
    )
    return groups, Ruling("series", f"{', '.join(str(len(g)) for g in groups)} fasteners to a wire", said, rule.source)


def _series(way: tuple[Fastener, ...], method: str, wire_in: float, limits: LimitSet) -> Series:
    spans = tuple(_span(a, b, number, method, wire_in, limits) for number, (a, b) in enumerate(itertools.pairwise(way)))
    total = sum(span.span_in for span in spans)
    thumb = (RULE_OF_THUMB[0] * total, RULE_OF_THUMB[1] * total)
    count = limits.pigtail
    twists = "as many twists as the manual says" if count is None else twists_allowed(count)
    how = "twisted as a pair" if spans[-1].lay is None else f"the other lay ({'S' if spans[-1].lay == 'Z' else 'Z'})"
    tail = f"{twists}, {how}, bent back or under"
    return Series(spans, _cut_in(way, method, wire_in, limits), thumb, tail)


def _span(a: Fastener, b: Fastener, number: int, method: str, wire_in: float, limits: LimitSet) -> PlannedSpan:
    length = distance_in(a, b)
    leaves, arrives = sides(a, b)
    if method == "single":
        return PlannedSpan(a, b, length, leaves, arrives, None, None, None, None, length)
    low, high, aim = _band(wire_in, limits)
    twisted = _twisted_in(length, limits)
    least, most = math.ceil(low * twisted - 1e-9), math.floor(high * twisted + 1e-9)
    if least > most or most < 1:
        raise PlanError(
            f"a span of {length:.2f} in is too short for whole twists within {low:g} to {high:g} per inch "
            f"({limits.name}); tie to something farther"
        )
    return PlannedSpan(
        start=a,
        end=b,
        span_in=length,
        leaves=leaves,
        arrives=arrives,
        twists_low=least,
        twists_high=most,
        twists_to_aim_at=min(max(round(aim * twisted), least), most),
        lay="ZS"[number % 2],
        strand_in=_strand_in(length, wire_in, limits),
        twisted_in=twisted,
    )


def _band(wire_in: float, limits: LimitSet) -> tuple[float, float, float]:
    """Return least and most density, and what to aim at: the middle; never over what the wire can take."""
    band = density_band(limits, wire_in)
    most = most_twists_per_inch(wire_in)
    high = min(band.high if band.high is not None else most, most)
    low = band.low if band.low is not None else 0.5 * high
    return low, high, (low + high) / 2


def _twisted_in(span_in: float, limits: LimitSet) -> float:
    most = limits.gap.high if limits.gap is not None and limits.gap.high is not None else USUAL_MOST_GAP_IN
    return max(span_in - most, 0.5 * span_in)  # half of the most at either end


def _strand_in(span_in: float, wire_in: float, limits: LimitSet) -> float:
    twisted = _twisted_in(span_in, limits)
    return strand_in(twisted, _band(wire_in, limits)[2], wire_in) + span_in - twisted


def _cut_in(way: tuple[Fastener, ...], method: str, wire_in: float, limits: LimitSet) -> float:
    """Return the wire to cut: both strands of every span and of the pigtail, round every head, and for the pliers."""
    lengths = [distance_in(a, b) for a, b in itertools.pairwise(way)]
    heads = len(way) * ROUND_HEAD_IN
    tail_length = limits.pigtail_length
    tail = tail_length.high if tail_length is not None and tail_length.high is not None else USUAL_TAIL_IN
    if method == "single":
        return sum(lengths) + heads + 2 * tail + PLIERS_IN
    strands = sum(_strand_in(length, wire_in, limits) for length in lengths)
    return 2 * (strands + strand_in(tail, _band(wire_in, limits)[2], wire_in)) + heads + PLIERS_IN


def _of_laying(way: tuple[Fastener, ...], method: str, limits: LimitSet) -> list[Ruling]:
    rulings = [
        Ruling(
            "side",
            "as given for each span",
            "the pull tightens: clockwise seen from above for right-hand threads, the other way for left-hand ones",
            rules.AC,
        ),
        Ruling(
            "loop", "under the strand that leaves the hole", "the strand round the head stays down", "NAVEDTRA 14014"
        ),
    ]
    if method == "double":
        rulings.append(
            Ruling(
                "lay", "turned over from section to section", "holds the loop down; which comes first is free", rules.AC
            )
        )
        if len(way) == 3:
            answer = "over the top of the middle head"
            rulings.append(Ruling("middle head", answer, "three in a line or in a V", rules.COMMON))
    if limits.gap is not None and limits.gap.high is not None:
        answer = f"within {limits.gap.high:g} in of the hole"
        rulings.append(Ruling("first twist", answer, "twists start and end close to the hole", limits.gap.source))
    return rulings
