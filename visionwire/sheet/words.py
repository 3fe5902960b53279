"""Figures in words: the one place that decides how a figure is written."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from visionwire import doubt
from visionwire.codes import name_of
from visionwire.counts import counted
from visionwire.limits import Length, LimitSet, said_by, twists_allowed
from visionwire.reading import Check, PhotoInfo, Reading, Run, Scale, Wraps

CONVENTION = "one twist = 180 degrees of the pair; full turns = twists / 2"

CAUTION = (
    "Wear eye protection and mind cut ends. The aircraft's own manual and licensed practice govern; "
    "a photograph cannot prove torque, alloy, tension or reuse."
)

RULE_WORDS = {
    "density": "mean over the run",
    "least-in-any-inch": "least in any inch",
    "most-in-any-inch": "most in any inch",
    "pigtail-twists": "twists in the pigtail, to the nearest whole",
    "pigtail-length": "length",
    "span": "span from hole to hole",
    "bow": "bow off the chord",
    "gap-start": "gap from hole to first twist",
    "gap-end": "gap from last twist to hole",
    "wraps": "turns of wire round the shank",
    "fasteners-in-series": "fasteners on one wire",
    "wire-in-series": "wire in the series",
    "runs-as-planned": "number of runs, as planned",
    "span-as-planned": "span, as planned",
    "twists-as-planned": "twists, as planned",
    "wire-as-planned": "wire diameter, as planned",
}

TERM_WORDS = {
    "corners": "scale: where the card was found",
    "print": "scale: the card's own size",
    "points": "scale: the two points given",
    "outline": "scale: the wire's outline",
    "wire-size": "scale: the wire's own size",
    "askew": "run not square to the camera",
    "cues": "scale: card and wire do not agree",
    "height": "height of the wire over the card",
    "slope": "run not parallel to the card",
    "lens": "distortion of the lens, and a card not flat",
    "spine": "zig-zag left in the centre line",
    "phase": "noise of the pattern",
    "ends": "where the run begins and ends",
}

SCALE_WORDS = {
    "card": "printed reference card",
    "id1": "outline of a plain ID-size card",
    "two-points": "two points a known distance apart",
    "wire": "the wire's own outline and the diameter given",
}

PULL_WORDS = {"tightens": "pulls toward tightening", "loosens": "pulls toward loosening"}


NOT_MEASURED = "not measured"
NOT_GIVEN = "not given"
NOT_KNOWN = "not known"
SHOWN = "shown, not judged"
ROUTING_NOT_ASKED = "not judged; to check it, add --tightens clockwise (right-hand threads)"


def pigtail_missing_words(reading: Reading) -> str:
    """Say of a reading without a pigtail whether one was seen."""
    seen = any(code in doubt.NOT_COUNTED for code in reading.flags)
    return f"{'seen, not counted' if seen else 'not seen'}, not judged"


def plus_minus(value: float, u95: float, decimals: int) -> str:
    """Write a value with its 95 % uncertainty, with more decimals when the uncertainty is finer than asked.

    Parameters
    ----------
    value, u95 : float
        Value and expanded uncertainty, in one unit.
    decimals : int
        Decimals to use unless ``u95`` would read as zero.
    """
    if u95 > 0:
        decimals = max(decimals, -math.floor(math.log10(u95)))
    decimals = min(decimals, 6)
    return f"{value:.{decimals}f} ± {u95:.{decimals}f}"


def percent(probability: float) -> str:
    """Write a probability in per cent; never a bare 0 or 100, which no photograph can prove."""
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{100 * probability:.0f} %"


def metal_words(copper: float | None) -> str:
    """Say whether the wire looks like copper; grey metals are not told apart."""
    if copper is None:
        return f"{NOT_MEASURED}: no printed card to tell white by"
    return (
        f"copper, probability {percent(copper)}" if copper >= 0.5 else f"grey metal, probability {percent(1 - copper)}"
    )


def limits_words(low: float | None, high: float | None) -> str:
    """Write two limits as people say them."""
    if low is not None and low == high:
        return f"{low:.4g}"
    if low is not None and high is not None:
        return f"{low:.4g} to {high:.4g}"
    if low is not None:
        return f"at least {low:.4g}"
    if high is not None:
        return f"at most {high:.4g}"
    return "no limit"


def reach(check: Check) -> tuple[float | None, float | None]:
    """Return between which values a check allows its own: of a pigtail the nearest whole counts, half a twist more."""
    return nearest_reach(check.low, check.high) if check.rule == "pigtail-twists" else (check.low, check.high)


def nearest_reach(low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Return between which values the nearest whole is within limits."""
    return None if low is None else low - 0.5, None if high is None else high + 0.5


def value_words(check: Check) -> str:
    """Write a check's value, its uncertainty and its unit."""
    if check.unit in ("runs", "fasteners"):
        return f"{check.value:.0f} {check.unit if round(check.value) != 1 else check.unit.removesuffix('s')}"
    decimals = 1 if check.unit in ("twists", "turns") else 2
    return f"{plus_minus(check.value, check.u95, decimals)} {check.unit}"


def figures_words(reading: Reading) -> str:
    """Say under the marked photograph what its names stand for; on a phone the names are small, a caption is not."""
    said = [f"run {number}: {run_words(run)}" for number, run in enumerate(reading.runs, start=1)]
    if reading.pigtail is not None:
        said.append(f"pigtail: {plus_minus(reading.pigtail.twists, reading.pigtail.twists_u95, 1)} twists")
    said += [
        f"wraps {number}: {plus_minus(one.turns, one.turns_u95, 1)} turns"
        for number, one in enumerate(reading.wraps, start=1)
    ]
    return f"{'; '.join(said).capitalize()}." if said else ""


def count_words(section: str, twists: float, ticks: int, crossings: int, head_known: bool = True) -> str:
    """Say in a caption how a section is counted: its ticks, what is left after the last, and what an eye counts.

    Parameters
    ----------
    section : str
        "run 1", ..., "pigtail", "wraps 1", ....
    twists : float
        From its start to its end; of wraps the passages seen.
    ticks : int
        Its whole twists, each with its tick.
    crossings : int
        The crossings seen.
    head_known : bool
        Whether it is known at which end of a pigtail the head is.
    """
    if section.startswith("wraps"):
        return (
            f"Ticks: the {counted(ticks, 'passage')} of the wire before the shank, which an eye counts, one to a turn; "
            "the part of a turn at either end is counted too."
        )
    start, end = "the left bracket", "the right"
    if section == "pigtail" and head_known:
        start, end = "the head, at the left,", "the cut end"
    left = round(twists, 1) - ticks
    if ticks == 0:
        count = f"Counted from {start} to {end}: {twists:.1f} of a twist."
    else:
        last = f"then {left:.1f} of a twist to {end}" if left > 0.04 else f"the last at {end}"
        whole = f"ticks at 1 to {ticks} whole ones" if ticks > 1 else "a tick at 1 whole one"
        count = f"{twists:.1f} twists, counted from {start} to {end}: {whole}, {last}."
    if crossings == 0:
        return f"{count} No crossing lies between the brackets: count by eye."
    seen = counted(crossings, "crossing")
    return f"{count} Points: the {seen}, one to a twist; an eye counts these, and comes within one of the twists."


def density_check(reading: Reading, section: str) -> Check | None:
    """Return the check of the section's mean density, if its limit set has one."""
    return next((c for c in reading.checks if c.section == section and c.rule == "density"), None)


def scale_words(scale: Scale) -> str:
    """Say where the scale came from and how good it is (95 %)."""
    card = f" ({scale.card})" if scale.card else ""
    return f"{SCALE_WORDS[scale.source]}{card}, good to ± {196 * scale.relative_u:.1f} %"


def run_words(run: Run) -> str:
    """Write a run's density, the figure that people ask for first."""
    return f"{plus_minus(run.twists_per_inch, run.twists_per_inch_u95, 2)} twists per inch"


def limits_title(reading: Reading, limits: LimitSet) -> str:
    """Name the limit set by what it says of such a safety: of a turnbuckle's wraps, of single wire's twisted end."""
    if reading.wraps:
        what, count = "wraps round the shank at each end", limits.wraps
        said = None if count is None else limits_words(count.low, count.high)
    elif "single-wire" in reading.flags:
        what, count = "pigtail", limits.pigtail
        said = None if count is None else twists_allowed(count)
    else:
        return limits.title
    return f"limit set {limits.name}: {f'nothing said of the {what}' if said is None else f'{what}, {said}'}"


@dataclass(frozen=True)
class Shown:
    """What is shown and not judged: of what, its value, the limits, their source, and whether it lies outside them."""

    what: str
    value: str
    allowed: str
    source: str
    outside: bool

    @property
    def said(self) -> str:
        """What stands in the place of a call."""
        return f"outside; {SHOWN}" if self.outside else SHOWN


def shown_limits(reading: Reading, limits: LimitSet) -> list[Shown]:
    """Return what is shown and not judged."""
    rows: list[tuple[str, str, Length | None, float | None, float | None, str]] = []
    for number, run in enumerate(reading.runs, start=1):
        section = f"run {number}"
        rows += [
            (
                section,
                "gap-start",
                limits.gap,
                run.gap_start_in,
                run.gap_start_in_u95,
                inches(run.gap_start_in, run.gap_start_in_u95),
            ),
            (
                section,
                "gap-end",
                limits.gap,
                run.gap_end_in,
                run.gap_end_in_u95,
                inches(run.gap_end_in, run.gap_end_in_u95),
            ),
            (section, "span", limits.span, run.span_in, run.span_in_u95, inches(run.span_in, run.span_in_u95)),
            (section, "bow", limits.bow, run.bow_in, None, f"{run.bow_in:.3f} in"),
        ]
    if reading.pigtail is not None:
        length_in = reading.pigtail.length_in
        rows.append(("pigtail", "pigtail-length", limits.pigtail_length, length_in, None, f"{length_in:.2f} in"))
    return [
        Shown(
            f"{section}, {RULE_WORDS[rule]}",
            words,
            f"{limits_words(limit.low, limit.high)} in",
            said_by(limit),
            value is not None and _outside(value, u95 or 0.0, limit),
        )
        for section, rule, limit, value, u95, words in rows
        if limit is not None and not limit.judged
    ]


def _outside(value: float, u95: float, limit: Length) -> bool:
    """Whether a value lies outside limits by more than its own uncertainty."""
    too_low = limit.low is not None and value + u95 < limit.low
    return too_low or (limit.high is not None and value - u95 > limit.high)


def inches(length_in: float | None, u95: float | None) -> str:
    """Write a length with its 95 % uncertainty, or that there is none."""
    return NOT_MEASURED if length_in is None or u95 is None else f"{plus_minus(length_in, u95, 2)} in"


def parameter_words(value: object) -> str:
    """Write what a reading was asked with."""
    if isinstance(value, float):
        return f"{value:.6g}"  # what was told in mm has no end in inches
    return NOT_GIVEN if value is None else str(value)


def routing_words(reading: Reading, number: int) -> str:
    """Say which way the pull of a run, counted from 1, turns the heads at its two ends; it is shown and not judged."""
    if reading.routing is None:
        return ROUTING_NOT_ASKED
    one = reading.routing[number - 1]
    if one.start_pulls is not None and one.start_pulls == one.end_pulls and one.probability is not None:
        return f"{PULL_WORDS[one.start_pulls]} at both heads, {percent(one.probability)}"
    ends = {
        "start": (one.start_pulls, one.start_tightens_probability),
        "end": (one.end_pulls, one.end_tightens_probability),
    }
    said = []
    for name, (pulls, tightens) in ends.items():
        if pulls is None or tightens is None:
            said.append(f"not judged at its {name}")
        else:
            probability = tightens if pulls == "tightens" else 1 - tightens
            said.append(f"{PULL_WORDS[pulls]} at its {name}, {percent(probability)}")
    return "; ".join(said)


def single_words(reading: Reading) -> str:
    """Say what is read of single wire between its fasteners."""
    runs = "untwisted runs: not applicable"
    if reading.pattern is None:
        return f"{runs}; pattern: {NOT_MEASURED}"
    length = plus_minus(reading.pattern.length_in, reading.pattern.length_in_u95, 1)
    return f"{runs}; pattern of {reading.pattern.corners} fasteners, {length} in of wire"


def hand_words(wraps: Wraps) -> str:
    """Say in which direction the wire is wrapped, as seen."""
    return f"hand {wraps.hand}" if wraps.hand else "direction not clear"


def wraps_check(reading: Reading, section: str) -> Check | None:
    """Return the check of the wraps at one end, if its limit set has one."""
    return next((c for c in reading.checks if c.section == section and c.rule == "wraps"), None)


def photo_words(photo: PhotoInfo) -> str:
    """Say which picture was read, so that two of one name are told apart: its size and the start of its SHA-256."""
    return f"{photo.width_px} x {photo.height_px} px, SHA-256 {photo.sha256[:12]}…"


def taken_words(photo: PhotoInfo) -> str:
    """Say when a photograph was taken, by its camera."""
    return photo.taken.replace("T", " ") if photo.taken else NOT_KNOWN


def read_words(at: datetime | None) -> str:
    """Say when a photograph was read."""
    return NOT_KNOWN if at is None else at.isoformat(" ", "minutes")


def named(code: str) -> Markup:
    """Write a code for a page as a person reads it; pointed at, it shows itself, by which documents know it."""
    return Markup('<span title="{}">{}</span>').format(code, name_of(code))


def flags_named(codes: Iterable[str]) -> Markup:
    """Write flags for a page, each as `named`."""
    return Markup(", ").join(map(named, codes)) or Markup("none")


def on_sheet(advice: str) -> str:
    """Return an advice as it is given on a sheet or beside one: whoever reads it has the sheet."""
    return advice.replace(" (--sheet DIR)", "")


def page_name(photo: PhotoInfo | None) -> str:
    """Say in short which photograph a printed page belongs to: its name, and the start of its SHA-256."""
    return f"{photo.name}, {photo.sha256[:12]}" if photo else "photograph"
