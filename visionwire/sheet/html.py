"""The sheet: one HTML file that holds everything, opens anywhere and prints on a few pages to be signed."""

from __future__ import annotations

import base64
import contextlib
import math
import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from visionwire.errors import OutputError
from visionwire.evidence import Evidence, SectionEvidence
from visionwire.limits import LimitSet
from visionwire.reading import Check, DensityAt, PhotoInfo, Pigtail, Reading, Refusal, Run, Wraps
from visionwire.sheet import verdict, words
from visionwire.sheet.answer import further_lines
from visionwire.sheet.chart import call_mark, gauge_svg, profile_svg
from visionwire.sheet.count import PIGTAIL, Count, as_counted, counts, head_known, twists_of
from visionwire.sheet.marks import Picture
from visionwire.sheet.markup import close_up, overview, plain_photo
from visionwire.sheet.strips import row_length_in, strip_rows

# Of a printed Letter page: what is left under heading, caption and what every box holds; a figure with its number line,
# a line of text; and the least and the most that a picture takes.
_PAGE_MM, _FIGURE_MM, _LINE_MM, _LEAST_MM, _MOST_MM = 186, 16, 4.4, 60, 135
_JPEG = [cv2.IMWRITE_JPEG_QUALITY, 90, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]


_ROWS = (
    "Fasteners passed",
    "Wire from the twist round them and back",
    "Twists",
    "Count, with its probability",
    "Turns round the shank",
    "Hand, as seen",
    "Threads showing",
    "Length",
    "Twists per inch, mean",
    "Full turns per inch (twists / 2)",
    "Least in any inch",
    "Most in any inch",
    "Evenness",
    "Lay",
    "Wire diameter",
    "Metal",
    "Bow",
    "Gap, hole to first twist",
    "Gap, last twist to hole",
    "Span, hole to hole",
    "Routing",
    "Look here",
    "Flags",
)


@dataclass(frozen=True)
class Asked:
    """How a photograph came to be read: by which path, when, and with which options of the command, in words."""

    path: str
    at: datetime
    options: str


def sheet_html(reading: Reading, evidence: Evidence | None, limits: LimitSet, asked: Asked | None = None) -> str:
    """Return the sheet of a reading as one HTML text without anything from outside.

    Parameters
    ----------
    reading : Reading
        What the photograph said.
    evidence : Evidence or None
        The pictures behind it; without them the sheet holds figures only.
    limits : LimitSet
        What it was held against; those of its limits that are shown and not judged stand beside their values.
    asked : Asked or None
        How it came to be read, if that is known.
    """
    columns = _sections(reading)
    further = further_lines(reading, limits)
    advice = verdict.said_once((*reading.advice, *verdict.next_step(reading)))
    return (
        _environment()
        .get_template("reading.html.j2")
        .render(
            reading=reading,
            photo=reading.photo,
            made_by=reading.made_by,
            limits=limits,
            asked=asked,
            limits_title=words.limits_title(reading, limits),
            shown=words.shown_limits(reading, limits),
            pictured=words.figures_words(reading),
            further=further,
            advice=advice,
            room_mm=_room_mm(reading, further, advice),
            rows=[row for row in _ROWS if any(row in column for column in columns)],
            columns=columns,
            pictures=_pictures(reading, evidence) if evidence else None,
            profiles=[
                (f"run {n}", Markup(profile_svg(run, words.density_check(reading, f"run {n}"))))
                for n, run in enumerate(reading.runs, start=1)
                if len(run.profile) > 1
            ],
        )
    )


def refusal_html(
    refusal: Refusal, pixels: Picture | None, limits: LimitSet, made_by: dict[str, Any], asked: Asked | None = None
) -> str:
    """Return the sheet of a photograph without a reading: the picture, what is wrong and what to do.

    Parameters
    ----------
    refusal : Refusal
        Why there is no reading.
    pixels : (H, W, 3) uint8 array or None
        The upright photograph, RGB, if there is one.
    limits : LimitSet
        What it would have been held against.
    made_by : dict
        What it was read by, as a reading has it.
    asked : Asked or None
        How it came to be read, if that is known.
    """
    return (
        _environment()
        .get_template("refusal.html.j2")
        .render(
            refusal=refusal,
            photo=refusal.photo,
            made_by=made_by,
            limits=limits,
            asked=asked,
            picture=_data_uri(plain_photo(pixels)) if pixels is not None else None,
        )
    )


def free_path(folder: Path, photo: PhotoInfo, taken: Collection[Path] = ()) -> Path:
    """Return the first name that is free or its own earlier sheet's: nothing else is replaced by a photograph's sheet.

    Parameters
    ----------
    folder : Path
        The folder of the sheets.
    photo : PhotoInfo
        Which photograph it is.
    taken : collection of Path
        Sheets of the same call, which are kept too.
    """
    path, number = folder / f"{photo.name}.html", 2
    while path in taken or not _is_free(path, photo.sha256):
        path, number = folder / f"{photo.name}-{number}.html", number + 1
    return path


def _is_free(path: Path, sha256: str) -> bool:
    """Say whether nothing has that name, or a sheet of the photograph of that SHA-256, which every sheet has whole."""
    try:
        return sha256.encode() in path.read_bytes()
    except OSError:
        # What is there and cannot be read is somebody's; what is not there may be written, or will complain.
        return not os.path.lexists(path)


def write_sheet(path: Path, html: str) -> None:
    """Write a sheet, whole or not at all.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        draft.write_text(html, encoding="utf-8", errors="backslashreplace")
        draft.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink()
        reason = error.strerror or type(error).__name__
        raise OutputError(f"the sheet {path} cannot be written ({reason}); give a folder you may write to") from error


def _room_mm(reading: Reading, further: Sequence[str], advice: Sequence[str]) -> int:
    """Return how high the photograph may stand on the first printed page, under the box and the caution.

    By the lines in these: a picture too high would go to the next page and leave this one half empty, and a style
    sheet cannot tell. A4 is higher than Letter, for which this is.
    """
    figures = len(reading.runs) + len(reading.wraps) + int(not reading.wraps)
    lines = sum(math.ceil(len(line) / 100) for line in further) + sum(math.ceil(len(line) / 115) for line in advice)
    return round(min(max(_PAGE_MM - _FIGURE_MM * max(figures, 2) - _LINE_MM * lines, _LEAST_MM), _MOST_MM))


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("visionwire.sheet", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        pm=words.plus_minus,
        percent=words.percent,
        value=words.value_words,
        scale=words.scale_words,
        photo=words.photo_words,
        mark=lambda call: Markup(call_mark(call)),
        gauge=lambda check: Markup(gauge_svg(check)),
        limits=_limits,
        flags=words.flags_named,
        on_sheet=words.on_sheet,
        css_string=_css_string,
    )
    style = resources.files("visionwire.sheet").joinpath("templates", "sheet.css").read_text("utf-8")
    environment.globals.update(words=words, verdict=verdict, style=Markup(style))
    return environment


def _css_string(text: str) -> Markup:
    """Quote text for a style sheet: whatever a name from outside holds, every sign of it is a number there."""
    return Markup('"{}"'.format("".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text)))


def _limits(check: Check) -> str:
    return words.limits_words(check.low, check.high)


def _sections(reading: Reading) -> list[dict[str, Any]]:
    """Return the columns of the table of sections: a name and its cells by row."""
    columns = [
        {"name": f"run {n}", "Routing": words.routing_words(reading, n), **_run_cells(run)}
        for n, run in enumerate(reading.runs, start=1)
    ]
    if "single-wire" in reading.flags:
        columns.append({"name": "pattern", **_pattern_cells(reading)})
    if reading.pigtail is not None:
        columns.append({"name": "pigtail", **_pigtail_cells(reading.pigtail)})
    columns += [{"name": f"wraps {n}", **_wraps_cells(one)} for n, one in enumerate(reading.wraps, start=1)]
    return columns


def _run_cells(run: Run) -> dict[str, str]:
    density, u95 = run.twists_per_inch, run.twists_per_inch_u95
    return {
        "Twists": words.plus_minus(run.twists, run.twists_u95, 1),
        "Length": f"{run.length_in:.2f} in",
        "Twists per inch, mean": words.plus_minus(density, u95, 2),
        "Full turns per inch (twists / 2)": words.plus_minus(density / 2, u95 / 2, 2),
        "Least in any inch": _window(run.least_in_any_inch, density),
        "Most in any inch": _window(run.most_in_any_inch, density),
        "Lay": run.lay or words.NOT_MEASURED,
        "Wire diameter": _diameter(run),
        "Metal": words.metal_words(run.copper_probability),
        "Look here": "; ".join(f"{place.at_in:.1f} in: {place.what}" for place in run.look_here)
        or "nothing stands out",
        "Bow": f"{run.bow_in:.3f} in",
        "Span, hole to hole": words.inches(run.span_in, run.span_in_u95),
        "Evenness": run.evenness or (words.NOT_MEASURED if run.most_in_any_inch is None else "even"),
        "Gap, hole to first twist": words.inches(run.gap_start_in, run.gap_start_in_u95),
        "Gap, last twist to hole": words.inches(run.gap_end_in, run.gap_end_in_u95),
        "Flags": words.flags_named(run.flags),
    }


def _pattern_cells(reading: Reading) -> dict[str, str]:
    pattern = reading.pattern
    fasteners = length = words.NOT_MEASURED
    if pattern is not None:
        fasteners = str(pattern.corners)
        length = f"{words.plus_minus(pattern.length_in, pattern.length_in_u95, 1)} in"
    return {
        "Fasteners passed": fasteners,
        "Wire from the twist round them and back": length,
        "Flags": words.flags_named([code for code in ("pattern-not-traced",) if code in reading.flags]),
    }


def _pigtail_cells(pigtail: Pigtail) -> dict[str, str]:
    counts = [f"{count}: {words.percent(p)}" for count, p in pigtail.count_probabilities.items() if p >= 0.01]
    return {
        "Twists": words.plus_minus(pigtail.twists, pigtail.twists_u95, 1),
        "Count, with its probability": ", ".join(counts),
        "Length": f"{pigtail.length_in:.2f} in",
        "Lay": pigtail.lay or words.NOT_MEASURED,
        "Flags": words.flags_named(pigtail.flags),
    }


def _wraps_cells(wraps: Wraps) -> dict[str, str]:
    threads = wraps.threads_showing
    return {
        "Turns round the shank": words.plus_minus(wraps.turns, wraps.turns_u95, 1),
        "Hand, as seen": wraps.hand or words.NOT_MEASURED,
        "Threads showing": words.NOT_MEASURED if threads is None else str(threads),
        "Flags": words.flags_named(wraps.flags),
    }


def _window(window: DensityAt | None, mean: float) -> str:
    if window is None:
        return words.NOT_MEASURED
    where = "over the whole run" if window.twists_per_inch == mean else f"at {window.at_in:.2f} in"
    return f"{words.plus_minus(window.twists_per_inch, window.u95, 2)} {where}"


def _diameter(run: Run) -> str:
    if run.wire_diameter_in is None or run.wire_diameter_in_u95 is None:
        return words.NOT_MEASURED
    return f"{words.plus_minus(run.wire_diameter_in, run.wire_diameter_in_u95, 4)} in"


def _pictures(reading: Reading, evidence: Evidence) -> dict[str, Any]:
    twists = twists_of(reading)
    evidence = as_counted(evidence)
    row_in = row_length_in(evidence.sections)
    picture = overview(evidence, twists)
    return {
        "overview": _data_uri(picture),
        "tall": picture.shape[0] > picture.shape[1],
        "pigtail": evidence.pigtail_px is not None,
        "doubtful": bool(evidence.doubtful_px),
        "from_head": head_known(evidence) and PIGTAIL in twists,
        "axes": evidence.axes_px is not None and len(evidence.axes_px) > 0,
        "sections": [
            _section_pictures(evidence, section, counted, row_in)
            for section, counted in zip(evidence.sections, counts(evidence, twists).values(), strict=True)
        ],
    }


def _section_pictures(evidence: Evidence, section: SectionEvidence, counted: Count, row_in: float) -> dict[str, Any]:
    rows = strip_rows(section, row_in, counted)
    short = len(rows) == 1 and rows[0].share < 0.7
    return {
        "name": section.name,
        "close_up": _data_uri(close_up(evidence, section, counted, short)),
        "short": short,
        "said": words.count_words(
            section.name, counted.twists, len(counted.columns), len(counted.crossings), head_known(evidence)
        ),
        "rows": [
            {"uri": _data_uri(row.pixels), "share": row.share, "from_in": row.from_in, "to_in": row.to_in}
            for row in rows
        ],
    }


def _data_uri(picture: Picture) -> str:
    done, data = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), _JPEG)
    if not done:
        raise OutputError("a picture of the sheet could not be encoded as JPEG; reinstall opencv-python")
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")
