"""``visionwire limits``: the limit sets, each figure with its source."""

from __future__ import annotations

from typing import Annotated

import typer


def limits(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME|FILE.toml]", help="Which limit set to show; none lists them.")
    ] = None,
) -> None:
    """List the limit sets, or show one with the source of each figure."""
    from visionwire.limits import known_limits, load_limits

    if name is None:
        for known in known_limits():
            print(f"{known:12}  {load_limits(known).title}")
        return
    for line in describe(name):
        print(line)


def describe(name: str) -> list[str]:
    """Return the lines that show one limit set: what is allowed, then who says so."""
    from visionwire.limits import load_limits
    from visionwire.sheet.words import limits_words

    chosen = load_limits(name)
    rule = chosen.decision
    lines = [f"{chosen.name}: {chosen.title}", ""]
    for band in chosen.density:
        sizes = (("over", band.wire_over_in), ("up to", band.wire_up_to_in))
        covered = " ".join(f"{word} {size:g}" for word, size in sizes if size is not None)
        wire = f"wire {covered} in" if covered else "wire of any size"
        allowed = limits_words(band.low, band.high)
        lines += [f"{wire}: {allowed} twists per inch", f"    {band.source} ({band.status})"]
    if chosen.judge_worst_inch:
        lines.append("the sparsest and the densest inch of a run are judged too")
    if chosen.pigtail is not None:
        count = chosen.pigtail
        lines += [f"pigtail: {limits_words(count.low, count.high)} twists", f"    {count.source} ({count.status})"]
    lengths = {
        "length of the pigtail": chosen.pigtail_length,
        "gap from a hole to the twist": chosen.gap,
        "span from hole to hole": chosen.span,
        "bow off the chord": chosen.bow,
    }
    for name_of, length in lengths.items():
        if length is not None:
            shown = "" if length.judged else ", shown and not judged"
            lines += [f"{name_of}: {limits_words(length.low, length.high)} in{shown}"]
            lines += [f"    {length.source} ({length.status})"]
    if (series := chosen.series) is not None:
        lines += [
            f"in series: at most {series.most_fasteners} fasteners where two stand {series.widely_spaced_in:g} in "
            f"apart or more, else what {series.wire_in:g} in of wire reaches",
            f"    {series.source} ({series.status})",
        ]
    if (wraps := chosen.wraps) is not None:
        lines += [f"wraps of a turnbuckle, each end: {limits_words(wraps.low, wraps.high)}"]
        lines += [f"    {wraps.source} ({wraps.status})"]
    lines += [
        f"conforming from a probability of {rule.conforming_at_least:g} up, nonconforming from "
        f"{rule.nonconforming_at_most:g} down, undecided between",
        f"    {rule.source} ({rule.status})",
        "",
        "One twist is half a turn: the two wires turned through 180 degrees.",
        "The aircraft's own manual governs.",
        f"sha256 {chosen.sha256}",
    ]
    return lines
