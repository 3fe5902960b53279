"""``visionwire archive``: folders of photographs into a ledger."""

from __future__ import annotations

import contextlib
import math
import os
import sys
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visionwire.cli.numbers import guess, one_of
from visionwire.cli.options import USUAL_LIMITS
from visionwire.cli.signals import terminated_as_interrupted
from visionwire.cli.trends import NAMED, files_words, first_of, states_words, wanting_words
from visionwire.counts import counted
from visionwire.errors import ArchiveError, LimitsError, UsageError

if TYPE_CHECKING:
    from visionwire.archive import Ledger, Progress, Settings
    from visionwire.archive.files import Table
    from visionwire.archive.ledger import LimitsUsed


def archive(
    photos: Annotated[
        list[str], typer.Argument(metavar="FOLDER|PATTERN|FILE|URL|@LIST...", help="What the archive holds.")
    ],
    ledger: Annotated[Path, typer.Option(metavar="FILE.db", help="The ledger; made, or gone on with.")],
    limits: Annotated[str, typer.Option(metavar="NAME|FILE.toml", help="Limit set.")] = USUAL_LIMITS,
    wire: Annotated[
        str | None,
        typer.Option(
            metavar="DIAMETER_IN", help="Wire diameter, unless --metadata tells it; the scale without a card."
        ),
    ] = None,
    card: Annotated[str | None, typer.Option(metavar="NAME|FILE.toml", help="The card to look for.")] = None,
    card_below: Annotated[
        str | None, typer.Option(metavar="MM", help="As in check, where every card was held so.")
    ] = None,
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
        typer.Option(
            metavar="FILE.csv", help="Names in its first column, then technician, station, aircraft, taken, wire_in."
        ),
    ] = None,
    jobs: Annotated[
        int, typer.Option(min=1, show_default=False, help="Worker processes. [default: one a core]")
    ] = os.cpu_count() or 1,
    limit: Annotated[float, typer.Option(metavar="SECONDS", help="What one picture may take, in seconds.")] = 120.0,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A dask scheduler whose workers reach the same files.")
    ] = None,
    memory: Annotated[float, typer.Option(metavar="GB", help="Memory that one worker may take, in gigabytes.")] = 4.0,
) -> None:
    """Read every photograph of an archive into a ledger; stopped at any moment, it goes on where it was."""
    from visionwire.archive import Ledger, listed
    from visionwire.archive.cluster import connected
    from visionwire.archive.files import SUFFIXES, gone, pattern_of, told_by

    for option, allowed, unit, usual in (("--limit", limit, "seconds", 120), ("--memory", memory, "GB", 4)):
        if not 0 < allowed < math.inf:
            raise UsageError(f"{option} is {allowed:g} {unit}; it must be a number above 0, such as {usual}")
    settings = _settings(
        photos,
        limits=limits,
        wire=wire,
        card=card,
        method=method,
        finder=finder,
        tightens=tightens,
        card_below=card_below,
    )
    told, table = pattern_of(pattern), None if metadata is None else _table(metadata, settings)
    paths = listed(photos)
    if not paths:
        raise ArchiveError(
            f"no photographs are under {' '.join(photos)}; name folders that hold some ({', '.join(SUFFIXES)}), or the "
            "files themselves"
        )
    # Before the night's work, so that a slip can be mended.
    said = [] if told is None else _pattern_words(told_by(paths, told), len(paths))
    if table is not None:
        table, several = table.unambiguous(paths)
        said += _table_words(table, paths, several)
    for line in said:
        print(line, flush=True)
    _require_wires(paths, table, ledger, settings)
    with (
        contextlib.nullcontext() if cluster is None else connected(cluster) as client,  # before a ledger is made
        contextlib.closing(Ledger(ledger)) as book,
    ):
        counts, latest = _run(
            paths,
            book,
            settings,
            pattern=told,
            table=table,
            jobs=jobs,
            limit_s=limit,
            memory_gb=memory,
            cluster=client,
        )
        reasons, copies = book.reasons(), book.copies()
        missing = gone((path for (path,) in book.ask("SELECT path FROM files")), photos, paths)
    if sys.stderr.isatty():
        print(file=sys.stderr)
    print(f"{ledger}: {files_words(counts, reasons, copies)}")
    for line in [*_run_words(latest), *_gone_words(missing), *wanting_words(reasons)]:
        print(f"  {line}")
    print(f"visionwire trends {ledger} shows them", file=sys.stderr)
    print("the aircraft's own manual and licensed practice govern", file=sys.stderr)


def _settings(photos: list[str], *, limits: str, method: str, **words: Any) -> Settings:
    """Return by what the photographs are read, from the words of the call; errors as in `options_from`."""
    from visionwire.archive import Settings
    from visionwire.cli.options import METHODS, options_from
    from visionwire.limits import known_limits

    if one_of("--method", method, METHODS) == "wraps":
        raise UsageError(
            "--method wraps is pointed at picture by picture, which an archive cannot do; read each with "
            "visionwire check PHOTO --method wraps --start X,Y --end X,Y"
        )
    options = options_from(photos, limits=limits, method=method, wire_of_each=True, **words)
    return Settings(
        options.limits,
        options.wire_in,
        options.card,
        options.finders,
        options.method,
        options.tightens,
        options.height_mm,
        None if limits in known_limits() else str(Path(limits).absolute()),
    )


def _table(metadata: Path, settings: Settings) -> Table:
    """Read what a table says of the photographs; every wire that it tells has a band in the limit set."""
    from visionwire.archive.files import WIRE, from_table
    from visionwire.limits import density_band

    table = from_table(metadata)
    if settings.method == "double":
        for wire_in in set(table.wires_in.values()) - {None}:
            try:
                density_band(settings.limits, wire_in, f"its column {WIRE}")  # said before the night's work too
            except LimitsError as error:
                raise ArchiveError(f"the table {metadata} tells wire that cannot be judged: {error}") from error
    return table


def _require_wires(paths: list[str], table: Table | None, ledger: Path, settings: Settings) -> None:
    """Check that every photograph's wire is told, now or before, where the bands need it and none is told for all."""
    from visionwire.archive import Ledger
    from visionwire.archive.files import WIRE
    from visionwire.limits import by_diameter

    if settings.method != "double" or settings.wire_in is not None or not by_diameter(settings.limits):
        return
    before: dict[str, float | None] = {}
    if ledger.exists():
        with contextlib.closing(Ledger(ledger)) as book:
            before = dict(book.ask("SELECT path, wire_in FROM files"))
    wires_in = before | {path: _wire_told(path, table, before.get(path)) for path in paths}
    if without := [path for path, wire_in in wires_in.items() if wire_in is None]:
        count, has = counted(len(without), "photograph"), "has" if len(without) == 1 else "have"
        raise ArchiveError(
            f"limit set {settings.limits.name} has its bands by wire diameter, and {count} {has} none "
            f"told: {first_of(without)}; tell it in a column {WIRE} of --metadata, or give that of every "
            "photograph with --wire DIAMETER_IN"
        )


def _wire_told(path: str, table: Table | None, before_in: float | None) -> float | None:
    """Return the wire of a photograph, in, as a table tells it, or where that says nothing as it was told before."""
    return table.wire_in(path) if table is not None and table.tells_wire(path) else before_in


def _run(paths: list[str], book: Ledger, settings: Settings, **more: Any) -> tuple[dict[str, int], Progress]:
    """Bring the ledger up to date; return its files by state and how far this run came, said too if it is stopped."""
    from visionwire.archive import Progress, run

    latest, limits_before = Progress(0, 0, {}, 0.0, 0, 0, {}), book.read_by()

    def tell(progress: Progress) -> None:
        nonlocal latest
        latest = progress
        if not progress.done and progress.anew:
            print(_anew_words(progress, limits_before, settings), flush=True)
        if progress.done and sys.stderr.isatty():
            _tell(progress)

    try:
        with terminated_as_interrupted():
            return run(paths, book, settings, tell=tell, **more), latest
    except KeyboardInterrupt:
        kept = ", ".join([_read_now(latest.states), *_not_read_now(latest.states)])
        if sys.stderr.isatty():
            print(file=sys.stderr)
        left = latest.total - latest.done
        print(f"stopped: {kept} and kept, {left} left; the same command goes on where it was", file=sys.stderr)
        for line in _changed_words(latest):  # the command given again finds the new entries and nothing to change
            print(line, file=sys.stderr)
        raise


def _run_words(progress: Progress) -> list[str]:
    """Write what this run read and what it found read, and which settings made it read some anew."""
    came = progress.states
    lines = [", ".join([_read_now(came), *_not_read_now(came), f"{progress.kept} kept from before"])]
    if progress.differs:
        lines.append(f"{_differing(progress)} from the last run: {progress.anew} read anew")
    elif progress.anew:
        lines.append(
            f"by the settings of the last run, which left no reading of {_them(progress)}: {progress.anew} read anew"
        )
    return lines + _changed_words(progress)


def _anew_words(progress: Progress, limits_before: LimitsUsed | None, settings: Settings) -> str:
    """Write before the night's work how many are read anew and why, and what to give to go on as the last run did."""
    said = f"{counted(progress.anew, 'photograph')} {'is' if progress.anew == 1 else 'are'} read anew"
    if not progress.differs:
        return f"{said}, by the settings of the last run, which left no reading of {_them(progress)}"
    said += f", for {_differing(progress)} from the last run"
    if progress.by_last <= progress.kept:
        return said
    return f"{said}; to go on with its readings, stop this and {_as_before(progress.differs, limits_before, settings)}"


def _as_before(differs: Mapping[str, str | None], limits_before: LimitsUsed | None, settings: Settings) -> str:
    """Write what to give so that settings are those of the last run."""
    from visionwire.archive.ledger import UNTOLD
    from visionwire.archive.run import WIRES_TOLD
    from visionwire.archive.settings import VERSION
    from visionwire.scan import BOTH

    words = {
        UNTOLD: "give what it was given",
        VERSION: "use the version that made them",
        WIRES_TOLD: "give a --metadata that tells the wires as they were (none takes one back)",
        "--card": "give the --card that it was given",
    }
    parts = []
    for name, before in differs.items():
        if name == "--limits" and limits_before is not None:
            place = limits_before.file or limits_before.name
            now = settings.limits_file or settings.limits.name
            parts.append(f"give --limits {place}{' as it was then' if place == now else ''}")
        elif before == "None" or (before is None and name not in words):
            parts.append(f"leave out {name}")
        else:
            value = "both" if name == "--finder" and before == " ".join(BOTH) else before
            parts.append(words.get(name, f"give {name} {value}"))
    return _all_of(parts)


def _them(progress: Progress) -> str:
    return "it" if progress.anew == 1 else "them"


def _differing(progress: Progress) -> str:
    return f"{_all_of(list(progress.differs))} {'differs' if len(progress.differs) == 1 else 'differ'}"


def _all_of(words: list[str]) -> str:
    *others, last = words
    return f"{', '.join(others)} and {last}" if others else last


def _read_now(came: Mapping[str, int]) -> str:
    return f"{counted(came.get('reading', 0) + came.get('refusal', 0), 'photograph')} read now"


def _not_read_now(came: Mapping[str, int]) -> list[str]:
    """Write how many files were no photographs, or took too much; nothing of none."""
    return [f"{count} {what}" for what, count in came.items() if what not in ("reading", "refusal")]


def _changed_words(progress: Progress) -> list[str]:
    """Write which files hold something else than before, and of how many a table changed what was recorded, if any."""
    lines = _other_content_words(progress)
    if progress.changed:
        count = counted(progress.changed, "file")
        lines.append(f"what --metadata tells differs from what was recorded before: the entries of {count} changed")
    return lines


def _other_content_words(progress: Progress) -> list[str]:
    count = len(progress.replaced)
    if not count:
        return []
    has = "has other content than when it was" if count == 1 else "have other content than when they were"
    lines = [
        f"{counted(count, 'file')} {has} read before: {first_of(list(progress.replaced))}; what was read of the "
        "earlier content, and decided on it, is kept"
    ]
    if progress.decided:
        which = "it" if count == 1 else f"{progress.decided} of them"
        lines.append(f"a person had decided on {which}: first on the list of visionwire trends")
    return lines


def _gone_words(names: list[str]) -> list[str]:
    """Write which files of the ledger are no longer in the folders that were walked, if any."""
    verb = "is" if len(names) == 1 else "are"
    return [f"{counted(len(names), 'file')} of the ledger {verb} no longer there: {first_of(names)}"] if names else []


def _pattern_words(told: Mapping[str, Counter[str]], files: int) -> list[str]:
    """Write which stations, technicians and so on a pattern found, and how many paths it is not the end of."""
    matched = max((names.total() for names in told.values()), default=0)
    lines = []
    for field, names in told.items():
        if names:
            lines.append(f"{field}: {first_of(sorted(names))}")
    if told and matched < files:
        rest = "other tells none" if files - matched == 1 else "others tell none"
        lines.append(f"--pattern matches {matched} of {counted(files, 'path')}; the {rest} of that")
    return lines


def _table_words(table: Table, paths: list[str], several: Mapping[str, list[str]]) -> list[str]:
    """Write which columns of a table are not known, and which rows and which photographs go without the other.

    ``several`` are paths by the name alone that could be of each of them.
    """
    from visionwire.archive.files import FIELDS, WIRE

    without_photograph, without_row = table.without_photograph(paths), table.without_row(paths)
    lines = [
        f"--metadata: its column {column}{guess(column, (*FIELDS, WIRE))} is not known and left out"
        for column in table.unused
    ]
    lines += [
        f"--metadata: its row {name} fits files of different content ({first_of(some)}) and tells nothing of these; "
        "write the path of each in place of the name"
        for name, some in several.items()
    ]
    if without_photograph:
        count = counted(len(without_photograph), "row")
        meant = [f"{name}{_meant(name, paths)}" for name in without_photograph[:NAMED]]
        names = first_of(meant + without_photograph[NAMED:])
        lines.append(f"--metadata: {count} of it named no photograph: {names}")
    if without_row:
        count = counted(len(without_row), "photograph")
        lines.append(f"--metadata: {count} had no row in it: {first_of(without_row)}")
    return lines


def _meant(name: str, paths: list[str]) -> str:
    """Ask in brackets whether the one path was meant that ends as a row has it, as seen from another folder."""
    from visionwire.archive.files import ending_so

    near = ending_so(name, paths)
    return f" (did you mean {near[0]}?)" if len(near) == 1 else ""


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
