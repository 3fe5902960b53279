"""The trends of an archive as one page that stands by itself."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from importlib import resources
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from visionwire.archive import trends
from visionwire.archive.trends import NOT_SAID, ControlChart, Group, Row
from visionwire.errors import VisionwireError
from visionwire.limits import LimitSet
from visionwire.photo import open_photo
from visionwire.sheet import words
from visionwire.sheet.chart import call_mark, nice_ticks

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 720, 190, 46, 28, 12
THUMBNAIL_PX = 320
BINS = 24


def trends_html(title: str, rows: Sequence[Row], limits: LimitSet, most: int) -> str:
    """Return the page.

    Parameters
    ----------
    title : str
        Name of the ledger.
    rows : sequence of dict
        Rows of the view ``archive``, by path.
    limits : LimitSet
        What the archive was read by.
    most : int
        How many photographs the work list shows.
    """
    readings = sorted(
        (row for row in rows if row["state"] == "reading" and not row["copy_of"]),
        key=lambda row: (row["taken"] or "", row["path"]),
    )
    states: dict[str, int] = {}
    for row in rows:
        states[row["state"]] = states.get(row["state"], 0) + 1
    band = limits.density[0] if len(limits.density) == 1 else None
    densities = [row["twists_per_inch"] for row in readings]
    pigtails = [row["pigtail_twists"] for row in readings if row["pigtail_twists"] is not None]
    names = [Path(row["path"]).name for row in readings]
    count = limits.pigtail
    environment = Environment(
        loader=PackageLoader("visionwire.archive", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(percent=words.percent, mark=lambda call: Markup(call_mark(call)))
    style = resources.files("visionwire.sheet").joinpath("templates", "sheet.css").read_text("utf-8")
    work_list = trends.to_look_at(rows, most)
    return environment.get_template("trends.html.j2").render(
        title=title,
        limits=f"{limits.name}: {limits.title}",
        style=Markup(style),
        caution=words.CAUTION,
        total=len(rows),
        copies=sum(bool(row["copy_of"]) for row in rows),
        resembling=trends.resembling(rows),
        states=states,
        refusals=_counted(row["code"] or "" for row in rows if row["state"] not in ("reading", "waiting")),
        groups=[(name, members) for name, members in _groups(readings) if [one.name for one in members] != [NOT_SAID]],
        calls=trends.CALLS,
        histograms=[
            ("twists per inch", _histogram(densities, band.low if band else None, band.high if band else None)),
            ("twists of the pigtail", _histogram(pigtails, *((count.low, count.high) if count else (None, None)))),
        ],
        chart=_chart(trends.control_chart(densities, names)),
        agreement=sorted(trends.agreement(rows).items()),
        work=[(row, _picture(row)) for row in work_list],
    )


def _groups(readings: Sequence[Row]) -> list[tuple[str, list[Group]]]:
    of_field = [(field, trends.grouped(readings, itemgetter(field))) for field in ("station", "technician", "aircraft")]
    return [("month", trends.grouped(readings, trends.month)), *of_field]


def _counted(codes: Any) -> list[tuple[str, int]]:
    counts: dict[str, int] = {}
    for code in codes:
        counts[code] = counts.get(code, 0) + 1
    return sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))


def _picture(row: Row) -> str | None:
    try:
        pixels = open_photo(row["path"]).pixels
    except VisionwireError:
        return None
    zoom = THUMBNAIL_PX / max(pixels.shape[:2])
    small = cv2.resize(pixels, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    data = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR))[1].tobytes()
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def _frame(label: str, shapes: list[str]) -> Markup:
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">'
        f'<path class="axis" fill="none" stroke="#1b1d20" d="M{LEFT} {HEIGHT - BOTTOM}H{WIDTH}"/>'
        f"{''.join(shapes)}</svg>"
    )


def _histogram(values: Sequence[float], low: float | None, high: float | None) -> Markup | None:
    if len(values) < 2:
        return None
    inside = [limit for limit in (low, high) if limit is not None]
    begin, end = min([*values, *inside]), max([*values, *inside])
    margin = 0.05 * (end - begin) or 1.0
    counts, edges = np.histogram(values, BINS, (begin - margin, end + margin))

    def x(value: float) -> float:
        return LEFT + (WIDTH - LEFT) * float((value - edges[0]) / (edges[-1] - edges[0]))

    floor, tall = HEIGHT - BOTTOM, (HEIGHT - BOTTOM - TOP) / max(counts.max(), 1)
    shapes = [
        f'<rect class="ribbon" fill="#8b929b" x="{x(left) + 0.5:.1f}" y="{floor - tall * n:.1f}" '
        f'width="{x(right) - x(left) - 1:.1f}" height="{tall * n:.1f}"/>'
        for n, left, right in zip(counts, edges[:-1], edges[1:], strict=True)
    ]
    shapes += [
        f'<path class="limit" fill="none" stroke="#1b1d20" d="M{x(limit):.1f} {TOP}V{floor}"/>' for limit in inside
    ]
    shapes += [
        f'<text x="{x(tick):.1f}" y="{HEIGHT - 10}" text-anchor="middle">{tick:g}</text>'
        for tick in nice_ticks(float(edges[0]), float(edges[-1]), 10)
    ]
    shapes.append(f'<text x="0" y="{TOP + 6}">{counts.max()}</text>')
    return _frame("distribution, limits as heavy lines", shapes)


def _chart(chart: ControlChart | None) -> Markup | None:
    if chart is None:
        return None
    low, high = min(*chart.values, chart.low), max(*chart.values, chart.high)

    def y(value: float) -> float:
        return TOP + (HEIGHT - BOTTOM - TOP - 8) * (high - value) / ((high - low) or 1.0)

    def x(place: int) -> float:
        return LEFT + 8 + (WIDTH - LEFT - 16) * place / max(len(chart.values) - 1, 1)

    line = " ".join(f"{x(place):.1f},{y(value):.1f}" for place, value in enumerate(chart.values))
    shapes = [
        f'<path class="mean" fill="none" stroke="#1b1d20" d="M{LEFT} {y(chart.centre):.1f}H{WIDTH}"/>',
        *(
            f'<path class="limit" fill="none" stroke="#1b1d20" d="M{LEFT} {y(limit):.1f}H{WIDTH}"/>'
            for limit in (chart.low, chart.high)
        ),
        *(f'<text x="0" y="{y(value) + 4:.1f}">{value:.1f}</text>' for value in (chart.low, chart.centre, chart.high)),
        f'<polyline class="curve" fill="none" stroke="#1b1d20" points="{line}"/>',
    ]
    marked = {**dict.fromkeys(chart.one_sided, "run"), **dict.fromkeys(chart.beyond, "beyond")}
    for place, kind in marked.items():
        at = f'cx="{x(place):.1f}" cy="{y(chart.values[place]):.1f}"'
        shapes.append(f'<circle class="{"dot" if kind == "beyond" else "inch"}" {at} r="4.5"/>')
    return _frame("individuals in their order, with centre and control limits", shapes)
