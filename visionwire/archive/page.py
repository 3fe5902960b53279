"""The trends of an archive as one page that stands by itself and does not grow with the archive."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from numpy.typing import NDArray

from visionwire.archive import statistics, ticks, trends, work
from visionwire.archive.files import name_of, photo_at
from visionwire.archive.ledger import Ledger
from visionwire.archive.statistics import NOT_SAID, ControlChart, Floats
from visionwire.archive.trends import Row, Trends
from visionwire.errors import VisionwireError
from visionwire.limits import DensityBand, LimitSet
from visionwire.sheet import words
from visionwire.sheet.chart import call_mark, look, nice_ticks
from visionwire.sheet.count import count
from visionwire.sheet.strips import row_length_in, strip_rows

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 720, 190, 46, 28, 12
THUMBNAIL_PX, STRIP_PX, QUALITY = 360, 1100, 85
BINS = 24
#: What a chart shows beyond its values and the limits of the set, as a share of what these span: room for a label.
MARGIN = 0.12
#: Figures beside a chart's points, at most.
FIGURES = 6
#: Of more values than that, such a share at either end may lie beyond a distribution's scale and is put at its rim.
FEW_FOR_ALL, RIM = 200, 0.001
#: A chart shows as many photographs one by one, and a longer course in as many steps.
MOST_POINTS, STEPS = 300, 120

#: Room for a letter of the names of a few photographs, on a slant under their points, and for what stands beside them.
LETTER, RIGHT = 5, 126
LONGEST_NAME = 14
NO_CHANGE = "No change can be told yet"

AXIS, BAND = look("axis"), look("band")
MEAN, LIMIT, CURVE, RIBBON = look("mean"), look("limit"), look("curve"), look("ribbon")
#: Heavy lines are limits of a set on every chart: what a course draws of itself is thin, and says what it is.
CONTROL = 'class="control" fill="none" stroke="#5a5f66" stroke-dasharray="8 4"'
#: The size of these letters, which goes before that of a style sheet; labels nearer than that run into one another.
SMALL, APART = 'style="font-size: 10px"', 12
POINT = f'{look("dot")} r="1.8"'
DOT = f'{look("dot")} r="3.5"'
RING = f'{look("inch")} r="4.5"'

Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class Shown:
    """One photograph of the work list: its row, and as data for the page its picture and marked strip.

    ``begins`` says from where on the strip's ticks are counted.
    """

    row: Row
    picture: str | None = None
    section: str | None = None
    begins: str = ""
    strips: tuple[tuple[str, float], ...] = ()


def trends_html(
    title: str, found: Trends, limits: LimitSet | None, ledger: Ledger, heading: str, wanting: Sequence[str]
) -> str:
    """Return the page.

    Parameters
    ----------
    title : str
        Name of the ledger.
    found : Trends
        What it says.
    limits : LimitSet or None
        What the archive was read by, drawn where it can be had.
    ledger : Ledger
        Knows the ticks of what is on the work list.
    heading : str
        What the archive was read by, in words.
    wanting : sequence of str
        What another run can give to files that were not read, in words.
    """
    band = limits.density[0] if limits is not None and len(limits.density) == 1 else None
    count = None if limits is None else limits.pigtail
    chart = statistics.control_chart(found.densities[found.undated :])
    # Where too few have a date for a chart of their own, all are shown, in an order that says nothing of time.
    start = found.undated if chart is not None else 0
    values, in_time = found.densities[start:], start == found.undated
    named_from = len(found.densities) - len(found.names)  # names are kept of the last ones alone
    names = found.names[start - named_from :] if start >= named_from else ()
    environment = Environment(
        loader=PackageLoader("visionwire.archive", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        percent=words.percent,
        mark=lambda call: Markup(call_mark(call)),
        named=words.named,
        number=lambda count: f"{count:,}".replace(",", " "),
    )
    style = resources.files("visionwire.sheet").joinpath("templates", "sheet.css").read_text("utf-8")
    groups = [(name, members) for name, members in found.groups.items() if {one.name for one in members} - {NOT_SAID}]
    return environment.get_template("trends.html.j2").render(
        title=title,
        limits=heading,
        style=Markup(style),
        caution=words.CAUTION,
        found=found,
        states=work.ends(found.states, found.reasons),
        wanting=wanting,
        more_not_read=sum(found.reasons.values()) - sum(row["files"] for row in found.not_read),
        groups=groups,
        calls=statistics.CALLS,
        state_words={"reading": "read", "refusal": "refused"},
        histograms=[
            ("twists per inch", _histogram(found.densities, *((band.low, band.high) if band else (None, None)))),
            (
                "twists of the pigtail",
                _histogram(found.pigtails, *(words.nearest_reach(count.low, count.high) if count else (None, None))),
            ),
        ],
        numbers=chart,
        values=values,
        too_few=_too_few_words(len(found.densities) - found.undated),
        change=None if chart is None else _change_words(values, band),
        course=_course(values, chart, band, in_time),
        chart=_chart(values, chart, band, names, in_time),
        band=band,
        most_points=MOST_POINTS,
        order=trends.ORDER,
        work=[_shown(row, ledger) for row in found.work],
    )


def _shown(row: Row, ledger: Ledger) -> Shown:
    """Open a photograph once for its picture and its strip; one that is gone or has changed is shown in words."""
    try:
        photo = photo_at(row["path"])
    except VisionwireError:
        return Shown(row)
    if photo.sha256 != row["sha256"]:
        return Shown(row)
    picture = _data_uri(_at_most(photo.pixels, THUMBNAIL_PX))
    kept = ledger.record(row["sha256"]) if row["state"] == "reading" else None  # a refusal has no strip
    name = None if kept is None else ticks.to_show(*kept)
    if kept is None or name is None:
        return Shown(row, picture)
    told = ticks.sections_of(kept[0])[name]
    section, from_head = ticks.as_on_a_sheet(
        kept[0], ticks.section_again(photo.pixels, name, told, kept[1][name]), photo.pixels
    )
    begins = "from the head, at the left" if from_head else "from the end at the left"
    rows = strip_rows(section, row_length_in((section,)), count(section, told["twists"]))
    strips = tuple((_data_uri(_at_most(one.pixels, round(STRIP_PX * one.share))), one.share) for one in rows)
    return Shown(row, picture, name, begins, strips)


def _at_most(pixels: Picture, longest_px: int) -> Picture:
    zoom = longest_px / max(pixels.shape[:2])
    if zoom >= 1:
        return pixels
    return np.asarray(cv2.resize(pixels, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA), np.uint8)


def _data_uri(pixels: Picture) -> str:
    done, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    assert done
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def _frame(label: str, shapes: list[str], below: int = 0) -> Markup:
    """Put shapes into a chart, with so much room below an axis; without any there is no axis."""
    floor = HEIGHT - BOTTOM
    line = f'<path {AXIS} d="M{LEFT} {floor}H{WIDTH}"/>' if below else ""
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {floor + below}" role="img" aria-label="{label}" font-size="12.5">'
        f"{line}{''.join(shapes)}</svg>"
    )


def _histogram(values: Floats, low: float | None, high: float | None) -> Markup | None:
    if len(values) < 2:
        return None
    inside = [limit for limit in (low, high) if limit is not None]
    rim = RIM if len(values) > FEW_FOR_ALL else 0.0
    seen = [float(one) for one in np.quantile(values, (rim, 1 - rim))]
    begin, end = min([*seen, *inside]), max([*seen, *inside])
    margin = 0.05 * (end - begin) or 1.0
    edges = _edges(begin - margin, end + margin, inside)
    counts, _ = np.histogram(np.clip(values, edges[0], edges[-1]), edges)

    def x(value: float) -> float:
        return LEFT + (WIDTH - LEFT) * float((value - edges[0]) / (edges[-1] - edges[0]))

    floor, tall = HEIGHT - BOTTOM, (HEIGHT - BOTTOM - TOP) / max(counts.max(), 1)
    shapes = [
        f'<rect {RIBBON} x="{x(left) + 0.5:.1f}" y="{floor - tall * n:.1f}" '
        f'width="{x(right) - x(left) - 1:.1f}" height="{tall * n:.1f}"/>'
        for n, left, right in zip(counts, edges[:-1], edges[1:], strict=True)
    ]
    shapes += [f'<path {LIMIT} d="M{x(limit):.1f} {TOP}V{floor}"/>' for limit in inside]
    shapes += [
        f'<text x="{x(tick):.1f}" y="{HEIGHT - 10}" text-anchor="middle">{tick:g}</text>'
        for tick in nice_ticks(float(edges[0]), float(edges[-1]), 10)
    ]
    shapes.append(f'<text x="0" y="{TOP + 6}">{counts.max()}</text>')
    return _frame("distribution, limits as heavy lines", shapes, BOTTOM)


def _edges(begin: float, end: float, limits: Sequence[float]) -> Floats:
    """Return the edges of some `BINS` bars of one width that reach from begin to end.

    Limits are edges, that no bar holds what lies on both sides of one; of two that lie nearer than half a bar the
    first alone is.
    """
    width, start = (end - begin) / BINS, limits[0] if limits else begin
    apart = limits[-1] - start if limits else 0.0
    if apart > width / 2:
        width = apart / round(apart / width)
    before, after = math.ceil((start - begin) / width), math.ceil((end - start) / width)
    return start + width * np.arange(-before, after + 1, dtype=np.float64)


class _Scale:
    """Where values stand on a chart that holds them and the limits of the set; control limits may lie beyond it."""

    def __init__(
        self, low: float, high: float, columns: int, chart: ControlChart | None, band: DensityBand | None
    ) -> None:
        self.limited = [] if band is None else [limit for limit in (band.low, band.high) if limit is not None]
        low, high = min([low, *self.limited]), max([high, *self.limited])
        margin = MARGIN * (high - low)
        self.low, self.high = low - margin, high + margin
        self.columns, self.chart = columns, chart
        self.within = None if band is None else (band.low, band.high)

    def y(self, value: float) -> float:
        """Return the height."""
        return TOP + (HEIGHT - BOTTOM - TOP - 8) * (self.high - value) / ((self.high - self.low) or 1.0)

    def x(self, place: int) -> float:
        """Return the column."""
        return LEFT + 8 + (WIDTH - RIGHT - LEFT - 16) * place / max(self.columns - 1, 1)

    def points(self, values: Floats) -> str:
        """Return values one after the other as the points of a line."""
        return " ".join(f"{self.x(place):.1f},{self.y(value):.1f}" for place, value in enumerate(values))

    def limits(self) -> list[str]:
        """Return the limits of the set as a band with their figures."""
        if self.within is None:
            return []
        low, high = self.within
        top = self.y(self.high if high is None else high)
        bottom = self.y(self.low if low is None else low)
        return [
            f'<rect {BAND} x="{LEFT}" y="{top:.1f}" width="{WIDTH - RIGHT - LEFT}" height="{bottom - top:.1f}"/>',
            *(
                f'<text x="{WIDTH - RIGHT + 6}" y="{self.y(limit) + 4:.1f}">limit {limit:g}</text>'
                for limit in self.limited
            ),
        ]

    def lines(self) -> list[str]:
        """Return round figures, and centre and control limits with theirs; of one off the chart words at its edge."""
        chart, right = self.chart, WIDTH - RIGHT
        figures = nice_ticks(self.low, self.high, FIGURES) if self.high > self.low else [self.low]
        shapes = [
            f'<text x="{LEFT - 10}" y="{self.y(figure) + 4:.1f}" text-anchor="end">{figure:g}</text>'
            f'<path {AXIS} d="M{LEFT - 5} {self.y(figure):.1f}h5"/>'
            for figure in figures
        ]
        if chart is None:
            return shapes
        said = [(chart.high, "control limit"), (chart.low, "control limit"), (chart.centre, "mean")]
        said = [(value, name) for value, name in said if value > 0]  # no twist is under none
        shapes += [
            f'<path {MEAN if name == "mean" else CONTROL} d="M{LEFT} {self.y(value):.1f}H{right}"/>'
            for value, name in said
            if self.low <= value <= self.high
        ]
        heights = self._free([min(max(value, self.low), self.high) for value, _ in said])
        for (value, name), height in zip(said, heights, strict=True):
            off = " above" if value > self.high else " below" if value < self.low else ""
            shapes.append(f'<text x="{right + 6}" y="{height + 3.5:.1f}" {SMALL}>{name} {value:.1f}{off}</text>')
        return shapes

    def _free(self, values: Sequence[float]) -> list[float]:
        """Return the heights nearest to values where labels run into no limit of the set and not into one another."""
        taken = [self.y(limit) for limit in self.limited]
        for value in values:
            there = self.y(value)
            spots = [there, *(height + side * APART for height in taken for side in (-1, 1))]
            free = [
                spot
                for spot in spots
                if TOP <= spot <= HEIGHT - BOTTOM and all(abs(spot - height) >= APART - 1e-9 for height in taken)
            ]
            taken.append(min(free, key=lambda spot: abs(spot - there), default=there))
        return taken[len(self.limited) :]

    def named(self, names: Sequence[str]) -> list[str]:
        """Return names on a slant under their points."""
        floor = HEIGHT - BOTTOM + 12
        return [
            f'<text x="{self.x(place):.1f}" y="{floor}" text-anchor="end" '
            f'transform="rotate(-60 {self.x(place):.1f} {floor})">{escape(name)}</text>'
            for place, name in enumerate(names)
        ]

    def numbered(self, skipped: int) -> list[str]:
        """Return the places of points in their order, so many having gone before."""
        ends = (skipped + 1, skipped + self.columns)
        return [
            f'<text x="{self.x(round(tick) - ends[0]):.1f}" y="{HEIGHT - 10}" text-anchor="middle">{tick:.0f}</text>'
            for tick in nice_ticks(*ends, 10)
            if tick == round(tick)
        ]


def _course(values: Floats, chart: ControlChart | None, band: DensityBand | None, in_time: bool) -> Markup | None:
    """Draw more photographs than can be told apart, in steps: the middle of each, and where 90 % of it lie.

    Steps are joined only where they follow one another in time.
    """
    if len(values) <= MOST_POINTS:
        return None
    steps = np.array([np.quantile(step, (0.05, 0.5, 0.95)) for step in np.array_split(values, STEPS)])
    scale = _Scale(float(steps.min()), float(steps.max()), STEPS, chart, band)
    there = scale.points(steps[:, 2])
    back = " ".join(reversed(scale.points(steps[:, 0]).split()))
    if in_time:
        spread = [f'<polygon {RIBBON} points="{there} {back}"/>']
        middles = [f'<polyline {CURVE} points="{scale.points(steps[:, 1])}"/>']
    else:
        spread = [
            f'<path {AXIS} d="M{scale.x(place):.1f} {scale.y(high):.1f}V{scale.y(low):.1f}"/>'
            for place, (low, _, high) in enumerate(steps.tolist())
        ]
        middles = [_circle(POINT, scale, place, middle) for place, middle in enumerate(steps[:, 1].tolist())]
    shapes = [*scale.limits(), *spread, *scale.lines(), *middles]
    return _frame("the whole course in steps", shapes)


def _chart(
    values: Floats, chart: ControlChart | None, band: DensityBand | None, paths: Sequence[str], in_time: bool
) -> Markup | None:
    """Draw the last photographs one by one, a few of them with their names; in time they are joined."""
    if not len(values):
        return None
    last = values[-MOST_POINTS:]
    skipped = len(values) - len(last)
    scale = _Scale(float(last.min()), float(last.max()), len(last), chart, band)
    line = [f'<polyline {CURVE} points="{scale.points(last)}"/>'] if in_time else []
    shapes = [*scale.limits(), *scale.lines(), *line]
    names = [_short(path) for path in paths]
    shapes += scale.named(names) if names else scale.numbered(skipped)
    marked = dict.fromkeys(range(skipped, len(values)), POINT) if paths or not in_time else {}
    if chart is not None:
        marked |= {**dict.fromkeys(chart.one_sided.tolist(), RING), **dict.fromkeys(chart.beyond.tolist(), DOT)}
    shapes += [
        _circle(kind, scale, place - skipped, float(values[place]))
        for place, kind in marked.items()
        if place >= skipped
    ]
    return _frame("individuals in their order", shapes, BOTTOM + max((LETTER * len(name) for name in names), default=0))


def _circle(kind: str, scale: _Scale, place: int, value: float) -> str:
    return f'<circle {kind} cx="{scale.x(place):.1f}" cy="{scale.y(value):.1f}"/>'


def _short(path: str) -> str:
    """Return the name of a photograph, short enough to stand under its point."""
    name = name_of(path).rpartition(".")[0] or name_of(path)
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}\N{HORIZONTAL ELLIPSIS}"


def _too_few_words(dated: int) -> str | None:
    """Say how many photographs have a date, and how many a trend needs, where it needs more."""
    needed = (("control limits need", statistics.FEWEST_IN_A_CHART), ("a trend needs", 2 * statistics.FEWEST_IN_A_HALF))
    if not dated:  # that none has is said before this
        return "{} {} photographs with a date, {} {}.".format(*needed[0], *needed[1]).capitalize()
    wanting = [f"{what} {count}" for what, count in needed if dated < count]
    there = "photograph with a date is" if dated == 1 else "photographs with a date are"
    return f"{dated} {there} there; {', '.join(wanting)}." if wanting else None


def _change_words(values: Floats, band: DensityBand | None) -> str | None:
    """Say in one sentence whether twisting improves: whether it comes nearer the middle of the limits.

    What is concluded stands first, the figures behind it.
    """
    if band is None or band.low is None or band.high is None:
        found = statistics.change(values)
        if found is None:
            return None
        more = "more" if found.by > 0 else "fewer"
        return (
            f"{f'Twists per inch have become {more}' if found.is_told else NO_CHANGE}: {found.first:.2f} on average in "
            f"the first half, {found.second:.2f} in the second, {_by_words(found, more)}."
        )
    middle = (band.low + band.high) / 2
    found = statistics.change(np.abs(values - middle))
    if found is None:
        return None
    changed = "Twisting has improved" if found.by < 0 else "Twisting has grown worse"
    return (
        f"{changed if found.is_told else NO_CHANGE}: off the middle of the limits, {middle:g}, by {found.first:.2f} "
        f"twists per inch on average in the first half and by {found.second:.2f} in the second, "
        f"{_by_words(found, 'less' if found.by < 0 else 'more')}."
    )


def _by_words(found: statistics.Change, more: str) -> str:
    chance = "" if found.is_told else ", which may be chance"
    return f"{abs(found.by):.2f} ± {found.by_u95:.2f} {more}{chance}"
