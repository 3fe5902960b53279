"""``visionwire agreement``: how far repeated photographs of the same safeties agree."""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Annotated

import typer

from visionwire.cli.numbers import wire_diameter_in
from visionwire.errors import ArchiveError, UsageError


def agreement(
    study: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER|FILE.csv",
            help="SAFETY/PERSON/photograph, or a CSV with safety, person and photo, or twists_per_inch in its place.",
        ),
    ],
    wire: Annotated[str | None, typer.Option(metavar="DIAMETER_IN", help="Wire diameter in inches.")] = None,
    limits: Annotated[str, typer.Option(metavar="NAME|FILE.toml", help="Whose band is the tolerance.")] = "common",
) -> None:
    """Say how far readings agree: repeatability, reproducibility, share of the tolerance, distinct categories."""
    from visionwire.agreement import agreement as analysed
    from visionwire.limits import density_band, load_limits
    from visionwire.measure import measure
    from visionwire.reading import Reading, Refusal

    wire_in = wire_diameter_in(wire)
    limit_set = load_limits(limits)
    band = density_band(limit_set, wire_in)
    values, lost = [], []
    for safety, person, what in _rows(study):
        if isinstance(what, float):
            values.append((safety, person, what))
            continue
        result = measure(what, limit_set, wire_in)
        if isinstance(result, Reading) and result.runs:
            values.append((safety, person, result.runs[0].twists_per_inch))
        else:
            why = result.message if isinstance(result, Refusal) else "no run is in it"
            lost.append(f"  not read: {what} (of {safety}, by {person}): {why}")
    tolerance = None if band.low is None or band.high is None else band.high - band.low
    try:
        found = analysed(values, tolerance)
    except ValueError as error:
        for line in lost:
            print(line, file=sys.stderr)
        raise UsageError(f"{study}: {error}") from error
    total = found.total or 1.0
    print(f"{study}: {len(values)} readings, twists per inch")
    for name, value in (
        ("repeatability", found.repeatability),
        ("reproducibility", found.reproducibility),
        ("both together", found.both),
        ("between safeties", found.between_parts),
    ):
        print(f"  {name}: standard deviation {value:.4f}, {100 * value / total:.1f} % of that of all readings")
    print("  these shares do not add up to 100 %: the squares of standard deviations add up, not they themselves")
    if found.share_of_tolerance is not None:
        wide = ": over 100 %, the readings scatter wider than the band itself" if found.share_of_tolerance > 1 else ""
        print(
            f"  six standard deviations of repeatability and reproducibility together take "
            f"{100 * found.share_of_tolerance:.1f} % of the width of the band of {limit_set.name}{wide}"
        )
    print(f"  {found.categories} distinct categories; 5 or more are what is asked for (AIAG, from memory)")
    for line in lost:
        print(line)


def _rows(study: Path) -> list[tuple[str, str, Path | float]]:
    from visionwire.archive.files import SUFFIXES

    if study.is_dir():
        photos = sorted(path for path in study.glob("*/*/*") if path.suffix.lower() in SUFFIXES)
        if not photos:
            raise UsageError(f"{study} holds no SAFETY/PERSON/photograph; lay the folders so, or give a CSV")
        return [(path.parts[-3], path.parts[-2], path) for path in photos]
    try:
        with study.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        if rows and rows[0].get("twists_per_inch"):
            return [(row["safety"], row["person"], float(row["twists_per_inch"])) for row in rows]
        return [(row["safety"], row["person"], study.parent / row["photo"]) for row in rows]
    except OSError as error:
        raise ArchiveError(f"the study {study} cannot be read ({error.strerror}); check its path") from error
    except (KeyError, ValueError, TypeError, csv.Error) as error:
        raise UsageError(
            f"the study {study} is off ({error}); give a CSV with the columns safety, person and photo, "
            "or twists_per_inch in place of photo"
        ) from error
