"""``visionwire check``: read photographs and say the calls."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections import Counter
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visionwire.cli.complaint import complain
from visionwire.cli.options import CheckOptions, options_from, require_inside
from visionwire.errors import ExitCode, LimitsError, UsageError, one_line

if TYPE_CHECKING:
    from visionwire.evidence import Evidence
    from visionwire.photo import Photo
    from visionwire.reading import Reading, Refusal

GRAVEST_FIRST = (ExitCode.FILE, ExitCode.NONCONFORMING, ExitCode.UNDECIDED, ExitCode.CONFORMING)
"""Of several photographs the gravest decides: a file lost may hide anything, a reject outweighs a doubt."""

WITHOUT = "without a reading"
#: What photographs are counted as, in the order of the line of totals.
AS_SEEN = "conforming as far as seen"
LOOSE = "pulling loose"
TOTALLED = ("conforming", AS_SEEN, LOOSE, "nonconforming", "undecided", WITHOUT)

_EXIT_OF_CALL = {
    "conforming": ExitCode.CONFORMING,
    AS_SEEN: ExitCode.CONFORMING,
    "nonconforming": ExitCode.NONCONFORMING,
    "undecided": ExitCode.UNDECIDED,
    LOOSE: ExitCode.UNDECIDED,  # a person must look, however well it is twisted
    WITHOUT: ExitCode.UNDECIDED,
}


def check(
    photos: Annotated[list[str], typer.Argument(metavar="PHOTO...", help="Photographs of finished safeties.")],
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object for one photograph, JSON Lines for several.")
    ] = False,
    sheet: Annotated[
        str | None, typer.Option(metavar="DIR", help="Write a sheet (one HTML file) for each photograph into DIR.")
    ] = None,
    limits: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE.toml", help="Limit set; 'visionwire limits' lists them.  [default: common]"),
    ] = None,
    wire: Annotated[
        str | None, typer.Option(metavar="DIAMETER_IN", help="Wire diameter in inches, such as 0.032, or 0.8mm.")
    ] = None,
    card: Annotated[
        str | None, typer.Option(metavar="NAME|FILE.toml", help="The card beside the wire; without it, any known one.")
    ] = None,
    bar: Annotated[
        str | None,
        typer.Option(metavar="MM", help="What a rule reads on the bar of that card; its size is surer then."),
    ] = None,
    card_below: Annotated[
        str | None,
        typer.Option(
            metavar="MM",
            help="How far the card's face lies below the wire, to a millimetre; 0 if held level. Unless given, 0 to 4.",
        ),
    ] = None,
    method: Annotated[
        str,
        typer.Option(
            metavar="double|single|wraps",
            help="How it is made; of single wire the end and the pattern are read, wraps are a turnbuckle's.",
        ),
    ] = "double",
    start: Annotated[
        str | None, typer.Option(metavar="X,Y", help="Where a run starts, px of the upright picture; with --end.")
    ] = None,
    end: Annotated[str | None, typer.Option(metavar="X,Y", help="Where that run ends.")] = None,
    scale: Annotated[
        str | None, typer.Option(metavar="X,Y,X,Y,INCHES", help="Two points and the distance between them.")
    ] = None,
    plan: Annotated[
        str | None, typer.Option(metavar="PLAN.json", help="Hold it against a plan: runs, spans, twists, wire.")
    ] = None,
    finder: Annotated[
        str, typer.Option(metavar="both|learned|classical", help="Who looks for the wire where no ends are given.")
    ] = "both",
    tightens: Annotated[
        str | None,
        typer.Option(
            metavar="clockwise|counter-clockwise",
            help="Which way the fasteners tighten, from above; right-hand threads clockwise. Says how the wire pulls.",
        ),
    ] = None,
    head: Annotated[
        list[str] | None,
        typer.Option(metavar="X,Y", help="The middle of a head, for --tightens; give it once a head. Else looked for."),
    ] = None,
) -> None:
    """Read photographs and say whether the twist conforms.

    Exit status, the gravest of all photographs: 4 a file that cannot be read, used or written, else 1 at least one
    nonconforming, else 3 at least one undecided, pulling loose or refused, else 0 all conforming. 2 is wrong options or
    arguments.
    """
    options = options_from(
        photos,
        as_json=as_json,
        sheet=sheet,
        limits=limits,
        wire=wire,
        card=card,
        method=method,
        start=start,
        end=end,
        scale=scale,
        finder=finder,
        plan=plan,
        tightens=tightens,
        head=head,
        bar=bar,
        card_below=card_below,
    )
    call = _Call(photos)
    came = [_check_one(path, options, call) for path in photos]
    statuses = {status for status, _ in came}
    if not as_json:
        if call.several:
            print("".join(f"do: {advice}\n" for advice in call.advice), end="")
            print(totals([said for _, said in came]))
        from visionwire.sheet.words import CAUTION

        print(CAUTION, file=sys.stderr)
    raise typer.Exit(next(status for status in GRAVEST_FIRST if status in statuses))


class _Call:
    """What the photographs of one call have between them."""

    def __init__(self, photos: list[str]) -> None:
        self._named = Counter(Path(path).name for path in photos)
        #: Those of the photographs before.
        self.sheets: set[Path] = set()
        #: What is advised to several alike, said once at the end.
        self.advice: dict[str, None] = {}
        self.several = len(photos) > 1

    def name_of(self, path: str) -> str:
        """Return what to call a photograph: its path where others have its name."""
        name = Path(path).name
        return path if self._named[name] > 1 else name


def totals(said: list[str]) -> str:
    """Return the one line that says how many photographs got which call; ``said`` has one of `TOTALLED` for each."""
    count = Counter(said)
    return f"{len(said)} photographs: {', '.join(f'{count[one]} {one}' for one in TOTALLED if count[one])}"


def _check_one(path: str, options: CheckOptions, call: _Call) -> tuple[ExitCode, str]:
    """Read one photograph and say what came of it; whatever goes wrong with it is said here and the others go on.

    Returns its exit status and what it counts as.
    """
    from visionwire.photo import open_photo
    from visionwire.plan import held_against
    from visionwire.reading import Reading
    from visionwire.sheet.verdict import other_sets

    read_at = datetime.now().astimezone()
    try:
        photo = open_photo(path)
        result, evidence = _measure(photo, options)
        if options.plan is not None and isinstance(result, Reading):
            result = held_against(result, options.plan, options.limits)
        told = result
        if isinstance(result, Reading) and not options.limits_named:  # a person is told; a record names its set
            other = other_sets(result, options.limits)
            call.advice.update(dict.fromkeys(other))
            told = dataclasses.replace(result, advice=(*result.advice, *other))
        words_of = result if call.several else told
        said = _json_line(result.to_dict()) if options.as_json else _words(words_of, options, call.name_of(path))
    except (ImportError, UsageError, LimitsError):
        raise  # not this photograph's doing
    except Exception as error:
        sentence = complain(error, path)
        if options.as_json:
            print(_json_line(unreadable(Path(path).name, sentence)))
        return ExitCode.FILE, WITHOUT
    typer.echo(said, file=sys.stdout)  # which leaves out what is bold where no terminal shows it
    counted = _counted(result)
    if options.sheets is not None:
        try:
            _write_sheet(path, read_at, options, call.sheets, photo, told, evidence)
        except BrokenPipeError:
            raise  # whoever reads the words has gone; the sheet is written
        except Exception as error:
            complain(error, path)
            return ExitCode.FILE, counted
    return _EXIT_OF_CALL[counted], counted


def _counted(result: Reading | Refusal) -> str:
    """Return what a photograph counts as, one of `TOTALLED`."""
    from visionwire.reading import Refusal
    from visionwire.sheet.verdict import as_far_as_seen, pulls_loose

    if isinstance(result, Refusal):
        return WITHOUT
    if result.call == "conforming" and pulls_loose(result):
        return LOOSE
    return AS_SEEN if as_far_as_seen(result) else result.call


def _measure(photo: Photo, options: CheckOptions) -> tuple[Reading | Refusal, Evidence | None]:
    from visionwire.measure import measure_with_evidence
    from visionwire.reading import Refusal

    require_inside(photo, options)
    read = partial(
        measure_with_evidence,
        photo,
        limits=options.limits,
        card=options.card,
        start=options.start,
        end=options.end,
        two_points=options.two_points,
        finders=options.finders,
        method=options.method,
        tightens=options.tightens,
        heads=options.heads,
        height_mm=options.height_mm,
    )
    result, evidence = read(wire_in=options.wire_in)
    if isinstance(result, Refusal) and result.code == "no-scale" and options.plan is not None:
        return read(wire_in=options.plan.wire_in)  # the ruler where nothing else is; else the picture tells its wire
    return result, evidence


def unreadable(name: str, sentence: str) -> dict[str, Any]:
    """Return the JSON of a photograph that could not be read: every photograph gets its one line."""
    from visionwire.reading import REFUSAL_FORMAT

    message, _, advice = sentence.rpartition("; ")
    return {
        "format": REFUSAL_FORMAT,
        "code": "unreadable",
        "message": message,
        "advice": advice,
        "photo": {"name": name, "sha256": None, "width_px": None, "height_px": None, "taken": None},
    }


def _json_line(record: dict[str, Any]) -> str:
    return json.dumps(record, allow_nan=False)


def _words(result: Reading | Refusal, options: CheckOptions, name: str) -> str:
    """Return the answer, its first line bold where a terminal shows it; the words alone carry the meaning."""
    from visionwire.sheet.answer import answer_lines
    from visionwire.sheet.words import on_sheet

    first, *rest = answer_lines(result, options.limits, name)
    return "\n".join(
        [typer.style(first, bold=True), *(line if options.sheets is None else on_sheet(line) for line in rest)]
    )


def _write_sheet(
    path: str,
    read_at: datetime,
    options: CheckOptions,
    sheets: set[Path],
    photo: Photo,
    result: Reading | Refusal,
    evidence: Evidence | None,
) -> None:
    from visionwire.assemble import made_by
    from visionwire.reading import Refusal
    from visionwire.sheet.html import Asked, free_path, refusal_html, sheet_html, write_sheet

    assert options.sheets is not None
    asked = Asked(path, read_at, options.words)
    if isinstance(result, Refusal):
        html = refusal_html(result, photo.pixels, options.limits, made_by(options.limits, options.wire_in), asked)
    else:
        html = sheet_html(result, evidence, options.limits, asked)
    sheet = free_path(options.sheets, photo.info, sheets)
    sheets.add(sheet)
    write_sheet(sheet, html)
    print(f"sheet: {one_line(str(sheet))}", file=sys.stderr if options.as_json else sys.stdout)
