"""Limits, a value and its uncertainty: how probably it conforms, and what to call it.

The probability of conformity is that of JCGM 106:2012, section 7, for a value whose
knowledge is normal about ``value`` with standard uncertainty ``u``.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from visionwire.limits import Count, DecisionRule, DensityBand, Length, LimitSet, Series, density_band, said_by
from visionwire.reading import Call, Check, DensityAt

COVERAGE_95 = 1.959964
#: Rules of what only grows with more of the wire in view.
GROWS = ("pigtail-twists", "pigtail-length", "span", "span-as-planned", "twists-as-planned")
"""Standard uncertainties in the half width of a 95 % interval of the normal distribution."""

HALVINGS = 30

SMALLEST_SHOWN = 0.001
"""Counts less probable than this are left out of `count_probabilities`."""


def probability_conforming(value: float, u: float, low: float | None, high: float | None) -> float:
    """Return the probability that what was measured lies within its limits.

    ``p = Phi((high - value) / u) - Phi((low - value) / u)``, JCGM 106:2012, section 7; where a
    limit is missing its term is 1 (no high) or 0 (no low).

    Parameters
    ----------
    value : float
        The value measured.
    u : float
        Its standard uncertainty, in the unit of the value; 0 means known exactly.
    low : float or None
        The least allowed.
    high : float or None
        The most allowed.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    ValueError
        If no limit is given, ``value`` is not finite or ``u`` is not a number of 0 or more.
    """
    if low is None and high is None:
        raise ValueError("low and high are both None; give at least one limit")
    _require_numbers(value, u)
    if u == 0:
        return float((low is None or low <= value) and (high is None or value <= high))
    below_high = 1.0 if high is None else float(ndtr((high - value) / u))
    below_low = 0.0 if low is None else float(ndtr((low - value) / u))
    return max(0.0, below_high - below_low)


def call_for(probability: float, rule: DecisionRule) -> Call:
    """Return the call that a probability of conformity earns under the rule of the limit set."""
    if probability >= rule.conforming_at_least:
        return "conforming"
    return "nonconforming" if probability <= rule.nonconforming_at_most else "undecided"


def call_of_value(value: float, u: float, low: float | None, high: float | None, rule: DecisionRule) -> Call:
    """Return the call that a value earns under the rule of the limit set.

    Parameters
    ----------
    value, u : float
        The value and its standard uncertainty.
    low, high : float or None
        The limits.
    rule : DecisionRule
        By probability of conformity, or by guard bands about the limits.
    """
    if rule.guard_band is None:
        if low is None and high is None:
            return call_for(1.0, rule)
        return call_for(probability_conforming(value, u, low, high), rule)
    guard = rule.guard_band * COVERAGE_95 * u
    inside = min(value - low if low is not None else math.inf, high - value if high is not None else math.inf)
    if inside >= guard:
        return "conforming"
    return "nonconforming" if inside <= -guard else "undecided"


def inch_outside(least: DensityAt | None, most: DensityAt | None, low: float | None, high: float | None) -> bool:
    """Say whether some inch of a run surely lies outside limits that are meant for its mean.

    By more than that inch's own 95 %: an inch of a run near a limit lies beyond it now and then.

    Parameters
    ----------
    least, most : DensityAt or None
        The least and the most in any inch, if the run is that long.
    low, high : float or None
        The limits of the mean.
    """
    if least is None or most is None:
        return False
    too_few = low is not None and least.twists_per_inch + least.u95 < low
    return too_few or (high is not None and most.twists_per_inch - most.u95 > high)


def risks(
    mean: float, deviation: float, u: float, low: float | None, high: float | None, rule: DecisionRule
) -> tuple[float, float]:
    """Return consumer's and producer's risk of a process that is measured so: JCGM 106:2012, clause 9 (global risk).

    Parameters
    ----------
    mean, deviation : float
        Of the true values that the process makes, taken as normal.
    u : float
        Standard uncertainty of a measurement.
    low, high : float or None
        The limits.
    rule : DecisionRule
        What is called conforming.

    Returns
    -------
    consumer, producer : float
        Shares of all that is measured: outside the limits and called conforming; inside and called nonconforming.
    """
    if not (deviation > 0 and u > 0):
        raise ValueError(f"deviation is {deviation} and u is {u}; both must be above 0")
    # The calls change at few places along what is seen: between them the shares are exact. The true values are summed
    # over cells fine enough for one measurement's spread, each cell at its middle.
    steps = int(np.clip(160 * (deviation + u) / u, 1600, 40_000))
    limits = [limit for limit in (low, high) if limit is not None and abs(limit - mean) < 8 * deviation]
    edges = np.sort(np.append(np.linspace(mean - 8 * deviation, mean + 8 * deviation, steps + 1), limits))
    true = (edges[1:] + edges[:-1]) / 2
    of_true = np.diff(ndtr((edges - mean) / deviation))
    seen = np.linspace(edges[0] - 8 * u, edges[-1] + 8 * u, steps)
    calls = np.array([call_of_value(float(value), u, low, high, rule) for value in seen])
    changes = np.flatnonzero(calls[1:] != calls[:-1])

    def change(left: float, right: float) -> float:
        """Halve the stretch in which the call changes until it is a point."""
        before = call_of_value(left, u, low, high, rule)
        for _ in range(HALVINGS):
            middle = (left + right) / 2
            same = call_of_value(middle, u, low, high, rule) == before
            left, right = (middle, right) if same else (left, middle)
        return (left + right) / 2

    places = [change(float(seen[k]), float(seen[k + 1])) for k in changes]
    bounds = np.concatenate([[-np.inf], places, [np.inf]])
    spans = [(calls[k], begin, end) for k, begin, end in zip([0, *(changes + 1)], bounds[:-1], bounds[1:], strict=True)]

    def share(call: Call) -> NDArray[np.float64]:
        """Return how much of what is seen of each true value earns a call."""
        parts = [ndtr((end - true) / u) - ndtr((begin - true) / u) for said, begin, end in spans if said == call]
        return np.asarray(np.sum(parts, axis=0) if parts else np.zeros(len(true)))

    inside = (true >= (-np.inf if low is None else low)) & (true <= (np.inf if high is None else high))
    return float(of_true[~inside] @ share("conforming")[~inside]), float(
        of_true[inside] @ share("nonconforming")[inside]
    )


def count_probabilities(twists: float, u: float) -> dict[str, float]:
    """Return how probable each whole number of twists is.

    The count is the whole number nearest to the true value, so ``k`` has the normal mass between
    ``k - 1/2`` and ``k + 1/2``; what lies below 1/2 counts as 0.

    Parameters
    ----------
    twists : float
        The twists measured, with their fraction.
    u : float
        The standard uncertainty of ``twists``.

    Returns
    -------
    dict of str to float
        Probability by count, from the least count up; counts under 0.001 are left out, so the sum
        falls short of 1 by what they held.
    """
    _require_numbers(twists, u)
    nearest = max(0, math.floor(twists + 0.5))
    if u == 0:
        return {str(nearest): 1.0}
    reach = min(math.ceil(4 * u) + 1, 2000)  # further off, or for a wider u, no count has as much as 0.001
    shown = {}
    for count in range(max(0, nearest - reach), nearest + reach + 1):
        mass = count_probability_conforming(twists, u, count, count)
        if mass >= SMALLEST_SHOWN:
            shown[str(count)] = mass
    return shown


def count_probability_conforming(twists: float, u: float, low: int | None, high: int | None) -> float:
    """Return the probability that the whole number of twists lies within ``low`` and ``high``, both allowed."""
    least, most = _as_lengths(low, high)
    if least is None and most is None:
        return 1.0
    return probability_conforming(twists, u, least, most)


def _as_lengths(low: int | None, high: int | None) -> tuple[float | None, float | None]:
    """Return between which values the nearest whole number is allowed."""
    return None if low is None or low <= 0 else low - 0.5, None if high is None else high + 0.5


def check_density(
    section: str,
    twists_per_inch: float,
    u: float,
    limits: LimitSet,
    wire_in: float | None = None,
    rule: str = "density",
) -> Check:
    """Hold a density against the band of the limit set.

    Parameters
    ----------
    section : str
        Whose density it is: "run 1", "run 2", ...
    twists_per_inch : float
        The density measured: the mean over the run, or that of one inch.
    u : float
        Its standard uncertainty, twists per inch.
    limits : LimitSet
        The limits in force.
    wire_in : float, optional
        The wire's diameter, inches; needed where the bands go by diameter.
    rule : str
        What is judged: "density" for the run's mean, "least-in-any-inch", "most-in-any-inch".

    Returns
    -------
    Check
        The rule held against the value, with its probability, call and source.

    Raises
    ------
    LimitsError
        If the limit set has no band for this wire.
    """
    band = density_band(limits, wire_in)
    return _held(rule, section, twists_per_inch, u, "twists per inch", (band.low, band.high), band, limits)


def _held(
    rule: str,
    section: str,
    value: float,
    u: float,
    unit: str,
    between: tuple[float | None, float | None],
    said: DensityBand | Count | Length | Series,
    limits: LimitSet,
) -> Check:
    """Return a value held between two limits, which ``said`` gives the source of."""
    low, high = between
    return Check(
        rule=rule,
        section=section,
        value=value,
        u95=COVERAGE_95 * u,
        unit=unit,
        low=low,
        high=high,
        probability_conforming=1.0 if low is None and high is None else probability_conforming(value, u, low, high),
        call=call_of_value(value, u, low, high, limits.decision),
        source=said_by(said),
    )


def check_pigtail(twists: float, u: float, limits: LimitSet) -> Check | None:
    """Hold the pigtail's count against the limit set.

    Parameters
    ----------
    twists : float
        The twists measured, with their fraction.
    u : float
        Their standard uncertainty.
    limits : LimitSet
        The limits in force.

    Returns
    -------
    Check or None
        The rule held against the count; ``None`` where the limit set says nothing of pigtails.
    """
    count = limits.pigtail
    if count is None:
        return None
    # The nearest whole number counts, so that the limits lie half a twist beyond those that are named.
    held = _held("pigtail-twists", "pigtail", twists, u, "twists", _as_lengths(count.low, count.high), count, limits)
    return dataclasses.replace(held, low=count.low, high=count.high)


def check_wraps(section: str, turns: float, u: float, limits: LimitSet) -> Check | None:
    """Hold the turns round a turnbuckle's shank against the limit set; ``None`` where it says nothing of them.

    Parameters
    ----------
    section : str
        Whose they are: "wraps 1", "wraps 2".
    turns, u : float
        The turns measured, with their fraction, and their standard uncertainty.
    limits : LimitSet
        The limits in force.
    """
    count = limits.wraps
    if count is None:
        return None
    return _held("wraps", section, turns, u, "turns", (count.low, count.high), count, limits)


def check_length(
    rule: str, section: str, value_in: float, u_in: float, limit: Length | None, limits: LimitSet
) -> Check | None:
    """Hold a length against the limit set; ``None`` where it says nothing of it, or has it shown and not judged."""
    if limit is None or not limit.judged:
        return None
    return _held(rule, section, value_in, u_in, "in", (limit.low, limit.high), limit, limits)


def check_series(
    fasteners: int, longest_span_in: float, wire: tuple[float, float] | None, limits: LimitSet
) -> Check | None:
    """Hold the number of fasteners in a row against the limit set, or the wire where they stand close.

    Parameters
    ----------
    fasteners : int
        Fasteners that the runs seen join.
    longest_span_in : float
        Largest distance of neighbours.
    wire : (float, float) or None
        Length of the wire and one standard deviation, inches; None where its diameter is not known.
    limits : LimitSet
        The limits in force.
    """
    rule = limits.series
    if rule is None or fasteners < 3:
        return None
    if longest_span_in >= rule.widely_spaced_in:
        most = (None, float(rule.most_fasteners))
        return _held("fasteners-in-series", "whole", float(fasteners), 0.0, "fasteners", most, rule, limits)
    return None if wire is None else _held("wire-in-series", "whole", *wire, "in", (None, rule.wire_in), rule, limits)


def of_a_part(check: Check) -> Check:
    """Return the check of what goes on beyond the picture, undecided where the rest of it may change the call.

    What conforms so far may not, seen whole; what grows with the rest and is too short so far may conform, and nobody
    knows how likely that is.

    Parameters
    ----------
    check : Check
        Of a run or pigtail that the picture's edge cuts off.
    """
    if check.rule in GROWS and check.low is not None and check.value < check.low:
        return dataclasses.replace(check, call="undecided", probability_conforming=0.5)
    return dataclasses.replace(check, call="undecided") if check.call == "conforming" else check


def overall(checks: Sequence[Check], belief: float = 1.0) -> tuple[Call, float]:
    """Join the checks into the call of the whole photograph and the confidence in it.

    Nonconforming if any check is, conforming if all are, else undecided. The safety conforms when
    every check does and what was read is wire at all; with the checks taken as independent that has the
    probability ``P``, the product of theirs and of the belief. The confidence is the probability that
    the call is right: ``P`` for conforming, and for nonconforming that of one check failing times the
    belief. Undecided claims neither; its confidence is ``max(P, 1 - P)``, the chance of being right for
    someone who has to settle on the likelier of the two. The checks of one photograph share its scale,
    which makes them fail together: ``P`` is then as a rule a little too small.

    Parameters
    ----------
    checks : sequence of Check
        Every check of the photograph.
    belief : float
        Probability that what was read is a twisted pair of wires.

    Returns
    -------
    call : {"conforming", "nonconforming", "undecided"}
        The call of the whole; undecided where nothing was checked.
    confidence : float
        Between 0 and 1; 0.5 where nothing was checked.
    """
    if not checks:
        return "undecided", 0.5
    kept = math.prod(check.probability_conforming for check in checks)
    all_conform = belief * kept
    calls = {check.call for check in checks}
    if "nonconforming" in calls:
        return "nonconforming", belief * (1.0 - kept)
    if calls == {"conforming"}:
        return "conforming", all_conform
    return "undecided", max(all_conform, 1.0 - all_conform)


def _require_numbers(value: float, u: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"value is {value}; it must be a finite number")
    if not (math.isfinite(u) and u >= 0):
        raise ValueError(f"u is {u}; it must be 0 or more")
