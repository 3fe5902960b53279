"""``visionwire archive``: folders of photographs into a ledger."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visionwire.cli.numbers import one_of
from visionwire.cli.trends import counted, ended_words, states_words
from visionwire.errors import UsageError

if TYPE_CHECKING:
    from visionwire.archive import Progress


def archive(
    photos: Annotated[
        list[str], typer.Argument(metavar="FOLDER|PATTERN|FILE|URL|@LIST...", help="What the archive holds.")
    ],
    ledger: Annotated[Path, typer.Option(metavar="FILE.db", help="The ledger; made, or gone on with.")],
    limits: Annotated[str, typer.Option(metavar="NAME|FILE.toml", help="Limit set.")] = "common",
    wire: Annotated[
        str | None, typer.Option(metavar="DIAMETER_IN", help="Wire diameter; the scale where no card lies.")
    ] = None,
    card: Annotated[str | None, typer.Option(metavar="NAME|FILE.toml", help="The card to look for.")] = None,
    method: Annotated[str, typer.Option(metavar="double|single", help="How the safeties are made.")] = "double",
    finder: Annotated[str, typer.Option(metavar="both|learned|classical", help="Who looks for the wire.")] = "both",
    tightens: Annotated[
        str | None,
        typer.Option(
            metavar="clockwise|counter-clockwise", help="As in check: then every reading says how its wire pulls."
        ),
    ] = None,
    pattern: Annotated[
        str | None,
        typer.Option(
            metavar="PATTERN", help="What folders say, such as {station}/{technician}/*; also {aircraft}, {taken}."
        ),
    ] = None,
    metadata: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Names in its first column, then technician, station, aircraft, taken."),
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, help="Worker processes. [default: one a core]")] = os.cpu_count() or 1,
    limit: Annotated[float, typer.Option(metavar="SECONDS", help="What one picture may take.")] = 120.0,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A dask scheduler whose workers reach the same files.")
    ] = None,
    memory: Annotated[float, typer.Option(metavar="GB", help="Memory that one worker may take.")] = 4.0,
) -> None:
    """Read every photograph of an archive into a ledger; stopped at any moment, it goes on where it was."""
    from visionwire.archive import Ledger, Settings, listed, run
    from visionwire.archive.files import from_table, pattern_of
    from visionwire.cli.check import METHODS, options_from
    from visionwire.limits import known_limits

    if one_of("--method", method, METHODS) == "wraps":
        raise UsageError(
            "--method wraps is pointed at picture by picture, which an archive cannot do; read each with "
            "visionwire check PHOTO --method wraps --start X,Y --end X,Y"
        )
    for option, allowed, unit, usual in (("--limit", limit, "seconds", 120), ("--memory", memory, "GB", 4)):
        if not 0 < allowed < math.inf:
            raise UsageError(f"{option} is {allowed:g} {unit}; it must be a number above 0, such as {usual}")
    options = options_from(photos, False, None, limits, wire, card, method, None, None, None, finder, tightens=tightens)
    settings = Settings(
        options.limits,
        options.wire_in,
        options.card,
        options.finders,
        options.method,
        options.tightens,
        None if limits in known_limits() else str(Path(limits).absolute()),
    )
    told, by_name = pattern_of(pattern), from_table(metadata)
    paths = listed(photos)
    book = Ledger(ledger)
    try:
        counts = run(
            paths,
            book,
            settings,
            pattern=told,
            table=by_name,
            jobs=jobs,
            limit_s=limit,
            memory_gb=memory,
            cluster=cluster,
            tell=_tell if sys.stderr.isatty() else _silent,
        )
        ended = ended_words(book.reasons())
    finally:
        book.close()
    if sys.stderr.isatty():
        print(file=sys.stderr)
    print(f"{ledger}: {counted(sum(counts.values()), 'file')}, {states_words(counts)}")
    if ended:
        print(f"  {ended}")
    print(f"visionwire trends {ledger} shows them", file=sys.stderr)
    print("the aircraft's own manual and licensed practice govern", file=sys.stderr)


def _tell(progress: Progress) -> None:
    rate = progress.done / max(progress.seconds, 1e-9)
    left = (progress.total - progress.done) / max(rate, 1e-9)
    print(
        f"\r{progress.done} of {progress.total}, {60 * rate:.0f} a minute, {left / 60:.0f} min left; "
        f"{states_words(progress.states)}   ",
        end="",
        file=sys.stderr,
        flush=True,
    )


def _silent(progress: Progress) -> None:
    pass
