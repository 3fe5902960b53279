"""``visionwire limits``: the limit sets, each figure with its source."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from visionwire.cli.numbers import numbers, wire_diameter_in

if TYPE_CHECKING:
    from visionwire.limits import Count, DecisionRule, Length, LimitSet

COMPARED_WIRES_IN = (0.020, 0.025, 0.032, 0.041, 0.051)


def limits(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="[NAME|FILE.toml]...", help="One to show, two to compare; none lists them."),
    ] = None,
    risk: Annotated[
        str | None,
        typer.Option(
            metavar="MEAN,DEVIATION,U",
            help="How often a process is called wrongly, in place of the set: true density, its spread, one u of a "
            "reading.",
        ),
    ] = None,
    wire: Annotated[
        str | None, typer.Option(metavar="DIAMETER_IN", help="With --risk, where bands go by wire.")
    ] = None,
    toml: Annotated[
        bool, typer.Option("--toml", help="Print one set as the TOML file that is read, to begin one of your own.")
    ] = False,
) -> None:
    """List the limit sets, show one with the source of each figure, or hold two side by side."""
    from visionwire.errors import UsageError
    from visionwire.limits import known_limits, limits_toml, load_limits

    wire_in = wire_diameter_in(wire)
    if risk is not None and not names:
        raise UsageError("--risk is of a limit set; name one, such as visionwire limits common --risk 7.2,0.4,0.12")
    if wire is not None and risk is None:
        raise UsageError("--wire is of use only with --risk; leave it out, or add --risk MEAN,DEVIATION,U")
    if toml and (risk is not None or names is None or len(names) != 1):
        raise UsageError("--toml is of one limit set and nothing beside it, such as visionwire limits common --toml")
    if not names:
        for known in known_limits():
            print(f"{known:12}  {load_limits(known).title}")
        return
    if len(names) > 2:
        raise UsageError("limits shows one set or compares two; name no more than two")
    if toml:
        load_limits(names[0])  # a file that could not be read again is no beginning
        typer.echo(limits_toml(names[0]), nl=False)  # as bytes: the same file, whatever the terminal's encoding
        return
    # All that may be wrong is said before anything is printed.
    if risk is not None:
        shown = [risk_words(name, risk, wire_in) for name in names]
    else:
        shown = describe(names[0]) if len(names) == 1 else compare(*names)
    print("\n".join(shown))


def risk_words(name: str, process: str, wire_in: float | None) -> str:
    """Return consumer's and producer's risk of a process ``MEAN,DEVIATION,U`` under a limit set, in words."""
    from visionwire.errors import UsageError
    from visionwire.judge import risks
    from visionwire.limits import density_band, load_limits
    from visionwire.sheet.words import limits_words

    wanted = "MEAN,DEVIATION,U in twists per inch, such as 7.2,0.4,0.12"
    mean, deviation, u = numbers("--risk", process, wanted, 3)
    chosen = load_limits(name)
    band = density_band(chosen, wire_in)
    try:
        consumer, producer = risks(mean, deviation, u, band.low, band.high, chosen.decision)
    except ValueError as error:
        raise UsageError(f"--risk is {process!r}; it must be {wanted}") from error
    return (
        f"{chosen.name}: of 10 000 runs of such a process {10_000 * consumer:.1f} lie outside "
        f"{limits_words(band.low, band.high)} twists per inch and are called conforming, "
        f"{10_000 * producer:.1f} lie inside and are called nonconforming (JCGM 106:2012, 9)"
    )


def compare(one: str, other: str) -> list[str]:
    """Return the lines that hold two limit sets side by side, where they differ marked by a star."""
    from visionwire.limits import load_limits

    sets = [load_limits(name) for name in (one, other)]
    names = [each.name for each in sets]
    pairs = zip(*(_figures(each).items() for each in sets), strict=True)  # every set has the same keys in one order
    rows = [(key, a or "nothing said", b or "nothing said") for (key, a), (_, b) in pairs if a or b]
    wide = max(len(row[0]) for row in rows)
    first = max(len(names[0]), *(len(row[1]) for row in rows))
    lines = [f"  {'':{wide}}  {names[0]:{first}}  {names[1]}"]
    lines += [f"{'*' if a != b else ' '} {key:{wide}}  {a:{first}}  {b}" for key, a, b in rows]
    return [*lines, "", "* where they differ; sources: visionwire limits NAME. The aircraft's own manual governs."]


def _figures(limits: LimitSet) -> dict[str, str | None]:
    """Return what a set allows, in words, by what it is of, in the order of `describe`; None where it says nothing."""
    from visionwire.sheet.words import limits_words

    figures = {f"twists per inch, {wire_in:.3f} wire": _band_words(limits, wire_in) for wire_in in COMPARED_WIRES_IN}
    figures["any one inch of a run"] = "judged too" if limits.judge_worst_inch else "not judged"
    figures["pigtail, twists"] = _count_words(limits.pigtail)
    for key, length in _lengths(limits).items():
        shown = "" if length is None or length.judged else " (shown, not judged)"
        figures[f"{key}, in"] = None if length is None else f"{limits_words(length.low, length.high)}{shown}"
    row = limits.series
    figures["in series"] = None if row is None else f"{row.most_fasteners} wide apart, else {row.wire_in:g} in of wire"
    figures["turnbuckle, wraps"] = _count_words(limits.wraps)
    figures["a decision needs"] = "two people" if limits.second_person else "one person"
    rule = limits.decision
    by_value = rule.guard_band is not None
    figures["conforming from"] = None if by_value else f"{rule.conforming_at_least:g}"
    figures["nonconforming to"] = None if by_value else f"{rule.nonconforming_at_most:g}"
    figures["guard band"] = f"{rule.guard_band:g} U" if by_value else None
    return figures


def _band_words(limits: LimitSet, wire_in: float) -> str | None:
    from visionwire.errors import LimitsError
    from visionwire.limits import density_band
    from visionwire.sheet.words import limits_words

    try:
        band = density_band(limits, wire_in)
    except LimitsError:
        return None
    return limits_words(band.low, band.high)


def _count_words(count: Count | None) -> str | None:
    from visionwire.sheet.words import limits_words

    return None if count is None else limits_words(count.low, count.high)


def _lengths(limits: LimitSet) -> dict[str, Length | None]:
    return {
        "length of the pigtail": limits.pigtail_length,
        "gap from a hole to the twist": limits.gap,
        "span from hole to hole": limits.span,
        "bow off the chord": limits.bow,
    }


def describe(name: str) -> list[str]:
    """Return the lines that show one limit set: what is allowed, then who says so."""
    from visionwire.limits import load_limits, said_by, twists_allowed
    from visionwire.sheet.words import limits_words

    chosen = load_limits(name)
    rule = chosen.decision
    lines = [f"{chosen.name}: {chosen.title}", ""]
    for band in chosen.density:
        sizes = (("over", band.wire_over_in), ("up to", band.wire_up_to_in))
        covered = " ".join(f"{word} {size:g}" for word, size in sizes if size is not None)
        wire = f"wire {covered} in" if covered else "wire of any size"
        allowed = limits_words(band.low, band.high)
        lines += [f"{wire}: {allowed} twists per inch", f"    {said_by(band)}"]
    if chosen.judge_worst_inch:
        lines.append("the sparsest and the densest inch of a run are judged too")
    if chosen.pigtail is not None:
        lines += [f"pigtail: {twists_allowed(chosen.pigtail)}", f"    {said_by(chosen.pigtail)}"]
    for name_of, length in _lengths(chosen).items():
        if length is not None:
            shown = "" if length.judged else ", shown and not judged"
            lines += [f"{name_of}: {limits_words(length.low, length.high)} in{shown}"]
            lines += [f"    {said_by(length)}"]
    if (series := chosen.series) is not None:
        lines += [
            f"in series: at most {series.most_fasteners} fasteners where two stand {series.widely_spaced_in:g} in "
            f"apart or more, else what {series.wire_in:g} in of wire reaches",
            f"    {said_by(series)}",
        ]
    if (wraps := chosen.wraps) is not None:
        lines += [f"wraps of a turnbuckle, each end: {limits_words(wraps.low, wraps.high)}"]
        lines += [f"    {said_by(wraps)}"]
    if chosen.second_person:
        lines.append("in an archive a decision stands once two people made it")
    return [
        *lines,
        *_rule_words(rule),
        "",
        "One twist is half a turn: the two wires turned through 180 degrees.",
        "The aircraft's own manual governs.",
        f"sha256 {chosen.sha256}",
    ]


def _rule_words(rule: DecisionRule) -> list[str]:
    from visionwire.limits import said_by

    if rule.guard_band is not None:
        return [
            f"conforming where a value lies inside its limits by {rule.guard_band:g} of its 95 % uncertainty, "
            "nonconforming where it lies outside by as much, undecided between",
            f"    {said_by(rule)}",
        ]
    return [
        f"conforming from a probability of {rule.conforming_at_least:g} up, nonconforming from "
        f"{rule.nonconforming_at_most:g} down, undecided between",
        f"    {said_by(rule)}",
    ]
