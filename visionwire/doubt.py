"""What keeps a check from being called: flags, a scale in doubt, limits near by; and what is said of that."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Sequence

from visionwire.budget import BESIDE
from visionwire.limits import LimitSet
from visionwire.quality import Flag, flag
from visionwire.reading import Check, Series

#: Flags of what goes on beyond the picture: nothing is known of the rest.
CUT_OFF = ("run-cut-off", "pigtail-cut-off")
#: Flags of two things told that cannot both be true: of what rests on the scale nothing is called.
SCALE_IN_DOUBT = ("scale-not-as-card", "wire-not-as-given", "card-below-wire")
#: What makes a scale doubtful has it off by no more, as a rule: a wire told the next common size too thick or too thin,
#: 1.28 times, and seen an eighth otherwise than it is. What is seen to be off by more counts as that.
SCALE_OFF = 1.5
#: Flags of what is seen of a safety and was not read: it may be at fault.
NOT_READ = ("pigtail-looks-short", "run-in-doubt")
#: Where undecided is as likely the one as the other.
EVEN_CHANCE = (*CUT_OFF, *SCALE_IN_DOUBT, *NOT_READ)
#: Flags that keep a safety from being called conforming of which every check conforms.
WITHHELD = ("find-in-doubt", *NOT_READ)
#: The flag of a pigtail whose two counts contradict one another.
TOLD_TWICE = "pigtail-told-twice"
#: Flags of a pigtail that is seen and was not counted.
NOT_COUNTED = ("pigtail-not-counted", "pigtail-looks-short")
#: Flags that say of all that is not called why it is not.
OF_ALL = ("perhaps-no-wire", "find-in-doubt", "runs-not-as-planned")
#: Flags that keep a reading from being called, each of which says so.
STOPPING = (*EVEN_CHANCE, *OF_ALL, "near-a-limit")
#: What is looked at again by eye where it is counted; the rest is measured.
COUNTED = ("twists per inch", "twists", "turns")
#: And of these no scale is needed.
SCALELESS = ("twists", "turns")
#: Rules by which a section is called.
OWN_RULES = ("density", "pigtail-twists", "wraps")


def of_scale_in_doubt(checks: Sequence[Check], factor: float = math.inf) -> list[Check]:
    """Return the checks with nothing called that rests on the scale, but for lengths inside their limits all the same.

    Parameters
    ----------
    checks : sequence of Check
        As judged by a scale that something contradicts.
    factor : float
        By how much lengths may be off, at most.
    """
    return [
        check
        if check.unit in SCALELESS or _inside_anyhow(check, factor)
        else dataclasses.replace(check, call="undecided")
        for check in checks
    ]


def factor_of_doubt(flags: Sequence[Flag]) -> float | None:
    """Return by how much lengths may be off at most by flags that contradict the scale; None where none does."""
    factors = [one.factor for one in flags if one.code in SCALE_IN_DOUBT]
    return max(SCALE_OFF, *factors) if factors else None


def _inside_anyhow(check: Check, factor: float) -> bool:
    """Whether a length is called conforming, and would lie inside its limits were it so much longer or shorter."""
    long_enough = check.low is None or check.value / factor >= check.low
    short_enough = check.high is None or check.value * factor <= check.high
    return check.unit == "in" and check.call == "conforming" and long_enough and short_enough


def stops(checks: Sequence[Check]) -> Check | None:
    """Return, of what is not called, the check least likely to conform; None where all are called."""
    undecided = [check for check in checks if check.call == "undecided"]
    return min(undecided, key=lambda check: check.probability_conforming, default=None)


def near_a_limit(
    checks: Sequence[Check], flags: Sequence[Flag], source: str, height_told: bool, cut_off: Collection[str] = ()
) -> list[Flag]:
    """Return what is to be said of the check that stops the call, of those of which no flag says why already.

    Parameters
    ----------
    checks : sequence of Check
        Some of them undecided.
    flags : sequence of Flag
        That were raised.
    source : str
        Of the scale, as in `reading.Scale`.
    height_told : bool
        Whether it was told how far the card lies below the wire.
    cut_off : collection of str
        Sections that end at the picture's edge.
    """
    codes = [one.code for one in flags]
    scale_in_doubt = any(code in SCALE_IN_DOUBT for code in codes)
    first = stops(
        [
            check
            for check in checks
            if check.section not in cut_off
            and not (scale_in_doubt and check.unit not in SCALELESS)
            and not (check.rule == "pigtail-twists" and TOLD_TWICE in codes)
        ]
    )
    if first is None or any(code in OF_ALL for code in codes):
        return []
    if first.unit not in COUNTED:
        by_hand = "measure it by hand"
    elif first.unit in SCALELESS or source in BESIDE:
        by_hand = "count it by eye on the marked picture (--sheet DIR)"
    else:  # the count is sure, and the length is not
        by_hand = (
            "count its twists on the marked picture (--sheet DIR) and measure their length with a rule on the part"
        )
    if first.unit in SCALELESS or (source in BESIDE and height_told):
        retaken = "from nearer"
    elif source in BESIDE:
        retaken = "from nearer, with the card held level with the wire (say so with --card-below 0)"
    else:
        retaken = "with a printed card beside the wire"
    # A section is called by one of its checks; of the others the check is named, by its rule.
    named = "the pigtail" if first.section == "pigtail" else first.section
    section = named if first.rule in OWN_RULES else f"{named}, {first.rule.replace('-', ' ')},"
    return [flag("near-a-limit", section=section, by_hand=by_hand, retaken=retaken)]


def series_in_doubt(checks: Sequence[Check], series: Series, factor: float, limits: LimitSet) -> list[Check]:
    """Return the checks, that of a series' wire undecided where, off by a factor, its fasteners would be judged."""
    rule = limits.series
    if rule is None or factor * series.longest_span_in < rule.widely_spaced_in:
        return list(checks)
    return [dataclasses.replace(one, call="undecided") if one.rule == "wire-in-series" else one for one in checks]
