"""``visionwire agreement``: how far repeated photographs of the same safeties agree."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visionwire.cli.complaint import say, sentence_for
from visionwire.cli.numbers import guess, wire_diameter_in
from visionwire.cli.options import USUAL_LIMITS
from visionwire.counts import counted
from visionwire.errors import ExitCode, InputError, LimitsError, UsageError
from visionwire.lengths import floats
from visionwire.tables import faults_words, with_point, written_in

if TYPE_CHECKING:
    from visionwire.limits import LimitSet

#: The columns of a study that say what was read, or of which photograph it is to be.
READ, PHOTO = "twists_per_inch", "photo"
COLUMNS = ("safety", "person", READ, PHOTO)
#: No wire has so many twists per inch.
MOST = 1000.0


def agreement(
    study: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER|FILE.csv",
            help="SAFETY/PERSON/photograph, or a CSV with safety, person and photo, or twists_per_inch in its place.",
        ),
    ],
    wire: Annotated[str | None, typer.Option(metavar="DIAMETER_IN", help="Wire diameter in inches.")] = None,
    limits: Annotated[str, typer.Option(metavar="NAME|FILE.toml", help="Whose band is the tolerance.")] = USUAL_LIMITS,
) -> None:
    """Say how far readings agree: repeatability, reproducibility, share of the tolerance, distinct categories.

    It takes at least 2 safeties, 2 people and 2 readings of each safety by each of them, the same number everywhere.
    What was not read is named at the end; exit status 4 where some of it cannot be read, or it is not whole.
    """
    from visionwire.agreement import agreement as analysed
    from visionwire.limits import density_band, load_limits

    wire_in = wire_diameter_in(wire)
    limit_set = load_limits(limits)
    band = density_band(limit_set, wire_in)
    values, lost, unreadable = [], [], False
    for safety, person, what in _rows(study):
        if isinstance(what, float):
            values.append((safety, person, what))
            continue
        try:
            density, why = _density(what, limit_set, wire_in)
        except (ImportError, UsageError, LimitsError):
            raise  # not this photograph's doing
        except Exception as error:  # the others are read all the same
            density, why, unreadable = None, sentence_for(error).replace(str(what), "the file"), True
        if density is None:
            lost.append(f"  not read: {what} (of {safety}, by {person}): {why}")
        else:
            values.append((safety, person, density))
    tolerance = None if band.low is None or band.high is None else band.high - band.low
    try:
        found = analysed(values, tolerance)
    except ValueError as error:
        for line in lost:
            say(line, sys.stderr)
        but = f"; left out for want of a reading: {counted(len(lost), 'photograph')}, named above" if lost else ""
        raise InputError(f"{study}: {error}{but}") from error
    total = found.total or 1.0
    left_out = f", {counted(len(lost), 'photograph')} left out" if lost else ""
    say(f"{study}: {len(values)} readings, twists per inch{left_out}")
    for name, value in (
        ("repeatability", found.repeatability),
        ("reproducibility", found.reproducibility),
        ("both together", found.both),
        ("between safeties", found.between_parts),
    ):
        say(f"  {name}: standard deviation {value:.4f}, {100 * value / total:.1f} % of that of all readings")
    say("  these shares do not add up to 100 %: the squares of standard deviations add up, not they themselves")
    if found.share_of_tolerance is not None:
        wide = ": over 100 %, the readings scatter wider than the band itself" if found.share_of_tolerance > 1 else ""
        say(
            f"  six standard deviations of repeatability and reproducibility together take "
            f"{100 * found.share_of_tolerance:.1f} % of the width of the band of {limit_set.name}{wide}"
        )
    categories = "category" if found.categories == 1 else "categories"
    say(f"  {found.categories} distinct {categories}; 5 or more are what is asked for (AIAG MSA, 4th edition)")
    for line in lost:
        say(line)
    if unreadable:
        raise typer.Exit(ExitCode.FILE)


def _density(photo: Path, limits: LimitSet, wire_in: float | None) -> tuple[float | None, str]:
    """Return the density of a photograph's first run, twists per inch, or None and why it has none."""
    from visionwire.measure import measure
    from visionwire.reading import Refusal

    result = measure(photo, limits, wire_in)
    if isinstance(result, Refusal):
        return None, result.message
    return (result.runs[0].twists_per_inch, "") if result.runs else (None, "no run is in it")


def _rows(study: Path) -> list[tuple[str, str, Path | float]]:
    from visionwire.archive.files import SUFFIXES

    if study.is_dir():
        photos = sorted(path for path in study.glob("*/*/*") if path.suffix.lower() in SUFFIXES)
        if not photos:
            raise InputError(f"{study} holds no SAFETY/PERSON/photograph; lay the folders so, or give a CSV")
        return [(path.parts[-3], path.parts[-2], path) for path in photos]
    return _rows_written(study)


def _rows_written(study: Path) -> list[tuple[str, str, Path | float]]:
    table = written_in("study", study, COLUMNS)
    lacking = [name for name in ("safety", "person") if name not in table.columns]
    if lacking or not {READ, PHOTO} & set(table.columns):
        raise InputError(
            f"the study {study} has no column {(lacking or [PHOTO])[0]}; give a CSV with the columns safety, person "
            "and photo, or twists_per_inch in place of photo"
        )
    rows: list[tuple[str, str, Path | float]] = []
    faults = list(table.faults)
    for line, row in table.rows:
        value, photo = row.get(READ, ""), row.get(PHOTO, "")
        read = floats(with_point(value))
        if value and not (len(read) == 1 and 0 < read[0] < MOST):
            wanted = f"it must be a number above 0 and under {MOST:g}, such as 7.2"
            faults.append((line, f"twists_per_inch is {value!r}; {wanted}"))
        elif not (row["safety"] and row["person"] and (value or photo)):
            faults.append((line, "a cell is empty; say which safety, by whom, and what was read or the photograph"))
        rows.append((row["safety"], row["person"], read[0] if read else study.parent / photo.replace("\\", "/")))
    if faults:
        raise InputError(*faults_words("study", study, faults))
    for column in dict.fromkeys(one for one in table.columns if one and one not in COLUMNS):
        said = f"{study}: its column {column}{guess(column, COLUMNS)} is not known and left out"
        say(said, sys.stderr)
    return rows
