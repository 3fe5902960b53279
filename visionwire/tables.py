"""Tables as people and spreadsheets write them: a CSV's rows by column, each with its line, and what is off in them."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from visionwire.errors import ArchiveError

#: What may stand between cells; a spreadsheet takes what its country writes.
SEPARATORS = (",", ";", "\t")
QUOTED = re.compile(r'"[^"]*"')
#: A first line that tells the separator to a spreadsheet, and is none of the table.
TOLD = re.compile(r'"?sep=([^\w\s"]|\t)"?\1* *(?=[\r\n]|\Z)', re.IGNORECASE)
#: Of what is off in a table, as much is said.
MOST_FAULTS = 10


@dataclass(frozen=True)
class Written:
    """What a CSV holds, nothing left blank around it: its columns in small letters, and its rows by their lines.

    Rows without a word in them are left out; of columns named alike, such as those without a name, a row has the first.
    ``faults`` are what is off in it, by line.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    faults: tuple[tuple[int, str], ...]


def written_in(what: str, path: Path, used: Iterable[str]) -> Written:
    """Read a CSV in UTF-8, separated by commas, semicolons or tabs, or by what its first line tells as ``sep=;``.

    Parameters
    ----------
    what : str
        What it is called in sentences, such as "table".
    path : Path
        Where it is.
    used : iterable of str
        The columns that are looked for in it.

    Raises
    ------
    ArchiveError
        If it cannot be read or is empty, or a column that is looked for stands in it twice.
    """
    text = _text(what, path)
    told = TOLD.match(text)
    separator, text = (_separator(text), text) if told is None else (told[1], text[told.end() :])
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
    try:
        lines = [(reader.line_num, cells) for row in reader if any(cells := [cell.strip() for cell in row])]
    except csv.Error as error:
        raise ArchiveError(
            f"the {what} {path} is off in line {reader.line_num} ({error}); look for a quote too many or too few"
        ) from error
    if not lines:
        raise ArchiveError(f"the {what} {path} is empty; give a CSV with its columns in the first line")
    columns = [name.lower() for name in lines[0][1]]
    twice = [name for name in used if columns.count(name) > 1]
    if twice:
        raise ArchiveError(f"the {what} {path} has its column {twice[0]} twice; keep one of them")
    return Written(
        tuple(columns),
        tuple(
            # A row may end early; turned round, the first of columns named alike is what stays.
            (line, dict(reversed(list(zip(columns, cells + [""] * len(columns), strict=False)))))
            for line, cells in lines[1:]
        ),
        tuple(
            (line, "it has more cells than there are columns; put a cell that holds a separator into quotes")
            for line, cells in lines[1:]
            if any(cells[len(columns) :])
        ),
    )


def faults_words(what: str, path: Path, faults: list[tuple[int, str]]) -> tuple[str, ...]:
    """Return what is off in a table, and where: of several faults each stands in a line of its own."""
    said = [f"line {line}: {fault}" for line, fault in sorted(faults)]
    if len(said) == 1:
        return (f"the {what} {path} is off in {said[0]}",)
    more = [f"and {len(said) - MOST_FAULTS} more"] if len(said) > MOST_FAULTS else []
    return (f"the {what} {path} is off in {len(said)} places:", *said[:MOST_FAULTS], *more)


def not_opened(what: str, path: Path, error: OSError) -> ArchiveError:
    """Return what is to be said of a file that cannot be opened: what it holds is not at fault."""
    if isinstance(error, FileNotFoundError):
        return ArchiveError(f"the {what} {path} does not exist; check the path")
    reason = error.strerror or type(error).__name__
    return ArchiveError(f"the {what} {path} cannot be read ({reason}); check it and its permissions")


def with_point(number: str) -> str:
    """Return a number as a cell has it with a point in the place of the comma that many countries write."""
    return number.replace(",", ".")


def _separator(text: str) -> str:
    """Return what stands most often between the columns' names, which are the first line with a word in it."""
    header = next((line for line in text.splitlines() if line.strip("".join(SEPARATORS) + " ")), "")
    return max(SEPARATORS, key=QUOTED.sub("", header).count)


def _text(what: str, path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise not_opened(what, path, error) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1  # not of the data, which may begin with a mark more
        raise ArchiveError(
            f"the {what} {path} is not in UTF-8 (line {line}); give a CSV, saved by the spreadsheet as CSV UTF-8"
        ) from error
