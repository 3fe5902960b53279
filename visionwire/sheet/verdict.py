"""Calls in words: what is called, how sure that is, and what keeps the rest from being called."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable

from visionwire import doubt
from visionwire.judge import inch_outside, overall
from visionwire.limits import DecisionRule, LimitSet, known_limits, load_limits
from visionwire.reading import Call, Check, Reading
from visionwire.sheet.words import RULE_WORDS, density_check, limits_words, percent, reach

#: What keeps a whole from being called of which every check conforms.
WHOLE_WORDS = {
    "find-in-doubt": "too little sure that what was read is the wire",
    "run-in-doubt": "what may be another run was not read",
    "pigtail-looks-short": "a pigtail that could not be counted looks too short",
    **dict.fromkeys(doubt.SCALE_IN_DOUBT, "its scale is in doubt"),
}
IS_WIRE = "what was read is the wire at all"
#: From so much on nobody asks whether it is wire: what a call of conforming asks for.
SURE = 0.95
#: What parts a sentence, outside of brackets.
PARTS = re.compile(r"; (?![^()]*\))")
NO_WIRE = "perhaps-no-wire"
#: Flags that keep every section from being called, whichever raised them.
OF_EVERY_SECTION = (NO_WIRE, *doubt.SCALE_IN_DOUBT)


def call_words(reading: Reading) -> str:
    """Say the call, with how far it goes: by the mean alone, or as far as seen; before it what pulls loose."""
    mean = mean_words(len(reading.runs)) if uneven_words(reading) else ""
    seen_only = ", as far as seen" if as_far_as_seen(reading) else ""
    called = f"{reading.call}{mean}{seen_only}"
    if not pulls_loose(reading):
        return called
    if reading.call == "nonconforming":
        return f"{called}, and the wire pulls loose"
    return f"the wire pulls loose; twist{'' if reading.pigtail is None else ' and pigtail'} {called}"


def pulls_loose(reading: Reading) -> bool:
    """Whether the wire pulls some fastener loose, which no call tells: twist and pigtail alone are called."""
    return any("loosens" in (one.start_pulls, one.end_pulls) for one in reading.routing or ())


def sign(reading: Reading) -> Call:
    """Return the call whose sign stands over a reading: a person must look at what pulls loose, however twisted."""
    return "undecided" if reading.call == "conforming" and pulls_loose(reading) else reading.call


def as_far_as_seen(reading: Reading) -> bool:
    """Whether what conforms is not all that there is to judge: no pigtail is counted, nor a turnbuckle's threads."""
    return reading.call == "conforming" and (reading.pigtail is None or bool(reading.wraps))


def uneven_words(reading: Reading) -> str:
    """Say which runs of what conforms do so by their mean while some inch surely does not; else nothing."""
    uneven = _runs_uneven(reading) if reading.call == "conforming" else []
    return see_words(uneven) if uneven else ""


def mean_words(runs: int) -> str:
    """Say behind a call of conforming that some inch surely does not, of so many runs."""
    return f" by {'its' if runs == 1 else 'the'} mean"


def see_words(uneven: list[str]) -> str:
    """Say which runs of what conforms by its mean are uneven."""
    return f"the twist is uneven, see {' and '.join(uneven)}"


def by_mean_words(reading: Reading, section: str) -> str:
    """Say of a run that its mean conforms while some inch surely does not; else nothing."""
    return "by its mean; some inch of it is outside" if section in _runs_uneven(reading) else ""


def provisos(reading: Reading, check: Check) -> str:
    """Say what goes with the call of a check: by the mean alone, or only if it is the wire; else nothing."""
    by_mean = by_mean_words(reading, check.section) if check.rule == "density" else ""
    if_wire = f", if {IS_WIRE}" if check.call == "conforming" and "find-in-doubt" in reading.flags else ""
    return f"{f' {by_mean}' if by_mean else ''}{if_wire}"


def _runs_uneven(reading: Reading) -> list[str]:
    named = {f"run {number}": run for number, run in enumerate(reading.runs, start=1)}
    checks = {name: density_check(reading, name) for name in named}
    return [
        name
        for name, check in checks.items()
        if check is not None
        and check.call == "conforming"
        and inch_outside(named[name].least_in_any_inch, named[name].most_in_any_inch, check.low, check.high)
    ]


def confidence_words(reading: Reading, decision: DecisionRule | None = None) -> str:
    """Say how sure the call is; where nothing is called, what keeps it from that and, by a limit, how probably.

    Parameters
    ----------
    reading : Reading
        What the photograph said.
    decision : DecisionRule, optional
        What a call asks for.
    """
    if reading.call != "undecided":
        doubted = reading.confidence < SURE * overall(reading.checks)[1]  # which is without that doubt
        return f"confidence {percent(reading.confidence)}{f'; the doubt is whether {IS_WIRE}' if doubted else ''}"
    if not reading.checks:
        return "nothing that was measured has a limit"
    undecided = [check for check in reading.checks if check.call == "undecided"]
    plain = [check for check in undecided if not _kept_from(check, flags_of(reading, check))]
    stops = doubt.stops(plain)
    kept = next((check for check in undecided if check not in plain), None)
    said = []
    if kept is not None:
        said.append(f"{_of(kept)} not called: {_kept_from(kept, flags_of(reading, kept))}")
    if stops is not None:
        # What is likelier a fault than not comes first, whatever hides the rest.
        said.insert(
            0 if stops.probability_conforming < 0.5 else len(said),
            f"{section_words(stops)} {_probably_words(stops, decision)}",
        )
    return "; ".join(said) or whole_words(reading.flags)


def next_step(reading: Reading) -> tuple[str, ...]:
    """Say what a call of nonconforming is followed by."""
    if reading.call != "nonconforming":
        return ()
    rules = ("density", "most-in-any-inch")
    densities = [check for check in reading.checks if check.rule in rules and check.call == "nonconforming"]
    too_far = any(check.high is not None and check.value > check.high for check in densities)
    cut = "; wire that was twisted too far cannot be untwisted, it is cut out and done again" if too_far else ""
    return (f"have a person look at it against the aircraft's own manual{cut}",)


def said_once(sentences: Iterable[str]) -> tuple[str, ...]:
    """Return sentences with those joined that differ in their first part alone: the advice in the rest is said once.

    Parameters
    ----------
    sentences : iterable of str
        What is wrong and what to do, with semicolons between.
    """
    wrong: dict[tuple[str, ...], list[str]] = {}
    for sentence in dict.fromkeys(sentences):
        what, *to_do = PARTS.split(sentence)
        wrong.setdefault(tuple(to_do) or (sentence,), []).extend([what] if to_do else [])
    return tuple("; ".join((_listed(what), *to_do) if what else to_do) for to_do, what in wrong.items())


def _listed(clauses: list[str]) -> str:
    """Put clauses into one, with commas and an "and" between."""
    *most, last = clauses
    return f"{', '.join(most)}, and {last}" if most else last


def other_sets(reading: Reading, limits: LimitSet) -> tuple[str, ...]:
    """Return the advice to a reading held against a set that nobody named, where its density fails there alone.

    All sets that speak of such wire are named, not those alone that allow the density: the manual chooses among them.

    Parameters
    ----------
    reading : Reading
        What the photograph said.
    limits : LimitSet
        What it was held against.
    """
    wire_in = reading.made_by["parameters"]["wire_in"]
    failed = [one.value for one in reading.checks if one.rule == "density" and one.call == "nonconforming"]
    if not failed:
        return ()
    bands = [
        (name, band)
        for name in known_limits()
        if name != limits.name
        for band in load_limits(name).density
        if wire_in is None or band.covers(wire_in)
    ]
    if not any(band.allows(value) for value in failed for _, band in bands):
        return ()
    if wire_in is None:
        others = "others have other bands, some by the wire's diameter, which was not told (--wire)"
    else:
        said = ", ".join(f"{name} {limits_words(band.low, band.high)}" for name, band in bands)
        others = f"of wire of {wire_in:.3g} in others allow other densities ({said})"
    return (
        f"no limit set was named, so {limits.name} was taken; {others}: take the set that the aircraft's own manual "
        "asks for (--limits NAME)",
    )


def whole_words(flags: Collection[str]) -> str:
    """Say of a whole that is not called, though every check conforms, why that is."""
    why = next((why for code, why in WHOLE_WORDS.items() if code in flags), "not sure enough to be called")
    return f"all within limits, but {why}"


def section_words(check: Check) -> str:
    """Name what a check is of: a section is called by one of its checks, of the others the check is named."""
    own = check.rule in doubt.OWN_RULES
    return _of(check) if own else f"{_of(check)}, {RULE_WORDS.get(check.rule, check.rule)},"


def _of(check: Check) -> str:
    return check.section if check.section != "whole" else "the safety"


def _probably_words(check: Check, decision: DecisionRule | None) -> str:
    """Say on which side of its limits a value lies, how probably, and what a call would ask for."""
    inside = check.probability_conforming >= 0.5
    probability = check.probability_conforming if inside else 1 - check.probability_conforming
    said = percent(probability)
    if decision is None:
        asked = ""
    elif decision.guard_band is not None:
        asked = ", but nearer than the guard band"
    else:
        least = decision.conforming_at_least if inside else 1 - decision.nonconforming_at_most
        asked = f", {100 * least:.4g} % asked"
        said = f"just under {said}" if f"{said} " in asked else said
    return f"too near a limit: {'within' if inside else 'outside'} with {said}{asked}"


def probability_words(check: Check, flags: Collection[str]) -> str:
    """Say how probably a check's value lies within its limits; nothing of what a flag keeps from being called.

    Parameters
    ----------
    check : Check
        What was held against limits.
    flags : collection of str
        Of its section, and of the whole reading (`flags_of`).
    """
    if check.call == "undecided" and _kept_from(check, flags):
        return ""
    return f"within limits with probability {percent(check.probability_conforming)}"


def flags_of(reading: Reading, check: Check) -> tuple[str, ...]:
    """Return the flags of the section that a check is of, and those of the whole reading that are of every section."""
    flags = {f"run {number}": run.flags for number, run in enumerate(reading.runs, start=1)}
    if reading.pigtail is not None:
        flags["pigtail"] = reading.pigtail.flags
    return flags.get(check.section, ()) + tuple(flag for flag in reading.flags if flag in OF_EVERY_SECTION)


def because(check: Check, flags: Collection[str]) -> str:
    """Say in one clause what a check allows, and where the value lies or why, by its flags, that is not called."""
    allowed = f"allowed {limits_words(check.low, check.high)}"
    if check.rule == "pigtail-twists":
        allowed += ", to the nearest whole"
    if check.rule == "runs-as-planned":
        return f"planned {check.low:g}" + (", of which a part may be out of view" if check.call == "undecided" else "")
    if check.rule == "twists-as-planned" and check.low is not None and check.high is not None:
        allowed = f"planned {check.low + 0.5:g} to {check.high - 0.5:g}"  # whole ones; each reaches half a twist
    if check.call == "conforming":
        anyhow = f", inside even were the scale {doubt.SCALE_OFF:g} times off"
        return f"{allowed}{anyhow if inside_anyhow(check, flags) else ''}"
    if check.call == "undecided":
        return f"{allowed}, {_why_undecided(check, flags)}"
    return f"{allowed}, too {'low' if check.low is not None and check.value < check.low else 'high'}"


def inside_anyhow(check: Check, flags: Collection[str]) -> bool:
    """Whether a length is called conforming though its scale is in doubt.

    Parameters
    ----------
    check : Check
        What was held against limits.
    flags : collection of str
        Of its section, and of the whole reading (`flags_of`).
    """
    doubted = any(code in doubt.SCALE_IN_DOUBT for code in flags)
    return doubted and check.call == "conforming" and check.unit not in doubt.SCALELESS


def _why_undecided(check: Check, flags: Collection[str]) -> str:
    if why := _kept_from(check, flags):
        return why
    beyond = [limit for limit in reach(check) if limit is not None]
    within = any(abs(check.value - limit) <= check.u95 for limit in beyond)
    return "a limit lies within the uncertainty" if within else "too near a limit to be called"


def _kept_from(check: Check, flags: Collection[str]) -> str | None:
    """Say what keeps a check from being called whatever its value; None where its limits do."""
    if check.rule == "runs-as-planned":
        return "a part of the plan may be out of view"
    if any(code in doubt.CUT_OFF for code in flags):
        return "it ends at the picture's edge"
    if NO_WIRE in flags:
        return "it may be no twisted wire"
    if check.unit not in doubt.SCALELESS and any(code in doubt.SCALE_IN_DOUBT for code in flags):
        return "its scale is in doubt"
    if check.rule == "pigtail-twists" and doubt.TOLD_TWICE in flags:
        return "its two counts contradict one another"
    return None
