"""A plan as one page to take along: SVG, letter size, the heads as seen from above."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from visionwire.counts import counted
from visionwire.errors import PlanError
from visionwire.plan.make import Plan, PlannedSpan
from visionwire.plan.wish import Fastener
from visionwire.plan.words import letters, plan_lines

PAGE_IN = (8.5, 11.0)
FIELD_IN = (0.75, 0.8, 7.0, 3.3)  # left, top, width, and the most of height
LARGEST_ZOOM = 2.0
HEAD_RADIUS_IN = 0.25
LEAST_TEXT_IN, MOST_TEXT_IN, TEXT_STEP_IN = 0.05, 0.165, 0.0025
LABEL_IN, KEY_IN, FINE_IN = 0.14, 0.12, 0.07  # in the drawing, under it, and of the checksum
FOOT_IN = 0.4
#: Of the size of its letters: what a line takes, and what a letter does on the mean, bold or not.
LINE_SHARE, LETTER_SHARE, BOLD_SHARE = 1.3, 0.5, 0.56
REASONS_SHARE = 0.85
CAUTIONS_PAD_IN = 0.09
INK, LIGHT, WIRE = "#222222", "#777777", "#7a3b00"
#: A pigtail as drawn, a sign and not to scale: its reach off the head, how far it is bent, its twists.
TAIL_IN, TAIL_BEND_RAD, TAIL_TWISTS = 0.32, 1.2, 4
#: Radius on the page: a hole drawn smaller would be a dot.
LEAST_HOLE_IN = 0.03
#: A head drawn with a smaller radius would be hidden by its letter.
LEAST_LETTERED_IN = 0.2


def draw_plan(plan: Plan, title: str = "Safety wire plan", unit: str = "in") -> str:
    """Return the page as SVG; ``unit`` is that of the places as given, which are said in it too."""
    width, height = PAGE_IN
    page = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{width}in",
            "height": f"{height}in",
            "viewBox": f"0 0 {width} {height}",
            "font-family": "Helvetica, Arial, Liberation Sans, sans-serif",
            "fill": INK,
        },
    )
    ET.SubElement(page, "rect", {"width": f"{width}", "height": f"{height}", "fill": "white"})
    _text(page, FIELD_IN[0], 0.6, title, 0.2, weight="bold")
    names = letters(plan)
    fasteners = list(names)
    place, zoom, bottom = _layout(fasteners)
    for number, series in enumerate(plan.series, 1):
        for index, span in enumerate(series.spans, 1):
            _span(page, span, place, zoom, f"{number}.{index}" if len(plan.series) > 1 else f"{index}")
    for fastener in fasteners:
        _head(page, fastener, place, zoom)
    for series in plan.series:
        for span in series.spans:
            for fastener, mouth in zip((span.start, span.end), _mouths(span, place, zoom), strict=True):
                _hole(page, fastener, mouth, plan.hole_in, place, zoom)
        _pigtail(page, series.spans[-1], place, zoom)
    for fastener in fasteners:  # over the holes
        _name(page, fastener, names[fastener], place, zoom)
    _scale(page, zoom, bottom)
    top = bottom + 0.85
    parts = plan_lines(plan, unit)
    size = _largest_text(parts, height - FOOT_IN - top)
    if size is None:
        raise PlanError(f"a plan of {len(fasteners)} fasteners does not fit on one page; plan and draw them in parts")
    for one in _set(parts, size):
        if one.boxed:
            # What can hurt stands before the reasons, framed, in the letters of the work itself.
            box = {"x": f"{FIELD_IN[0]}", "y": f"{top + one.above:.4f}", "width": f"{FIELD_IN[2]}"}
            look = {"fill": "none", "stroke": INK, "stroke-width": "0.02", "class": "cautions"}
            ET.SubElement(page, "rect", {**box, "height": f"{one.boxed:.4f}", **look})
        else:
            at = FIELD_IN[0] + one.left
            _text(page, at, top + one.above, one.words, one.size, "bold" if one.bold else "normal", fill=one.fill)
    return ET.tostring(page, encoding="unicode")


@dataclass(frozen=True)
class _Line:
    """One line as set: how far its foot lies under the top, its left, letters and look; or a frame, so high."""

    above: float
    left: float
    words: str
    size: float
    bold: bool = False
    fill: str = INK
    boxed: float = 0.0


def _largest_text(lines: list[str], height: float) -> float | None:
    """Return the largest letters at which the lines fit into a height, by steps; none where the least do not."""
    for step in range(round((MOST_TEXT_IN - LEAST_TEXT_IN) / TEXT_STEP_IN) + 1):
        size = MOST_TEXT_IN - step * TEXT_STEP_IN
        if REASONS_SHARE * size < LEAST_TEXT_IN:
            return None
        if _set(lines, size)[-1].above <= height:
            return size
    return None


def _set(lines: list[str], size: float) -> list[_Line]:
    """Set a plan's lines: what to do, the cautions in a frame, the reasons in smaller letters, what it was held to."""
    why, limits = lines.index("why"), lines.index("cautions") - 1
    work, reasons, held, cautions = lines[:why], lines[why:limits], lines[limits], lines[limits + 1 :]
    y, done = 0.0, []

    def add(part: list[str], letters: float, pad: float = 0.0) -> None:
        nonlocal y
        for line in part:
            bold = not line.startswith(" ")
            for words in _folded(line, letters, bold, FIELD_IN[2] - 2 * pad):
                y += LINE_SHARE * letters
                text = words.lstrip()
                done.append(_Line(y, pad + 0.5 * letters * (len(words) - len(text)), text, letters, bold))

    add(work, size)
    y += 0.8 * size
    framed = y
    y += 0.5 * CAUTIONS_PAD_IN
    add(cautions, size, CAUTIONS_PAD_IN)
    y += CAUTIONS_PAD_IN + 0.1 * size
    done.append(_Line(framed, 0.0, "", size, boxed=y - framed))
    y += 0.5 * size
    add(reasons, REASONS_SHARE * size)
    y += 2 * FINE_IN
    done.append(_Line(y, 0.0, held, FINE_IN, fill=LIGHT))
    return done


def _layout(fasteners: list[Fastener]) -> tuple[tuple[float, float], float, float]:
    """Return what is added to a place, x and y, before it is zoomed, the zoom, and where the drawing ends."""
    left, top, width, most = FIELD_IN
    xs, ys = [f.x_in for f in fasteners], [f.y_in for f in fasteners]
    room = 2 * (HEAD_RADIUS_IN + TAIL_IN)  # for the pigtail too, whichever way it points
    wide, high = max(xs) - min(xs) + room, max(ys) - min(ys) + room
    zoom = min(LARGEST_ZOOM, width / wide, most / high)
    height = zoom * high  # a flat safety leaves the page to the words
    x = (left + width / 2) / zoom - (max(xs) + min(xs)) / 2
    y = (top + height / 2) / zoom + (max(ys) + min(ys)) / 2
    return (x, y), zoom, top + height


def _at(fastener: Fastener, place: tuple[float, float], zoom: float) -> tuple[float, float]:
    return zoom * (fastener.x_in + place[0]), zoom * (place[1] - fastener.y_in)


def _mouth(
    fastener: Fastener, other: Fastener, side: str, place: tuple[float, float], zoom: float
) -> tuple[float, float]:
    """Return where the wire meets a head: on its side of the line of centres, towards the other head."""
    (x, y), (to_x, to_y) = _at(fastener, place, zoom), _at(other, place, zoom)
    along = math.atan2(to_y - y, to_x - x)
    # Seen towards the other head, y downwards: left is a quarter turn back.
    turn = {"left": -1.0, "right": 1.0, "either": 0.0}[side]
    return x + zoom * HEAD_RADIUS_IN * math.cos(along + turn), y + zoom * HEAD_RADIUS_IN * math.sin(along + turn)


def _mouths(
    span: PlannedSpan, place: tuple[float, float], zoom: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where a span's wire leaves the hole of its first head and where it meets that of its second."""
    # Arriving on the right along the way is the left as seen from the fastener arrived at.
    seen_back = {"left": "right", "right": "left", "either": "either"}[span.arrives]
    return (
        _mouth(span.start, span.end, span.leaves, place, zoom),
        _mouth(span.end, span.start, seen_back, place, zoom),
    )


def _span(page: ET.Element, span: PlannedSpan, place: tuple[float, float], zoom: float, name: str) -> None:
    start, end = _mouths(span, place, zoom)
    twists = span.twists_to_aim_at
    _wound(page, start, end, twists)
    words = f"{name}: {counted(twists, 'twist')}" if twists else f"{name}: {span.span_in:.2f} in"
    x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    if abs(end[0] - start[0]) > abs(end[1] - start[1]):
        _text(page, x, min(start[1], end[1]) - 0.1, words, LABEL_IN, anchor="middle")
    else:
        _text(page, x + 0.15, y, words, LABEL_IN)


def _wound(
    page: ET.Element, start: tuple[float, float], end: tuple[float, float], twists: int | None, what: str = "wire"
) -> None:
    """Draw wire between two points: two strands so many times crossing, or one straight."""
    length = math.dist(start, end)
    across = (-(end[1] - start[1]) / length, (end[0] - start[0]) / length)
    for strand in (1, -1) if twists else (1,):
        points = []
        for step in range(12 * (twists or 1) + 1):
            share = step / (12 * (twists or 1))
            aside = 0.035 * strand * math.sin(math.pi * share * twists) if twists else 0.0
            points.append(
                f"{start[0] + share * (end[0] - start[0]) + aside * across[0]:.4f},"
                f"{start[1] + share * (end[1] - start[1]) + aside * across[1]:.4f}"
            )
        look = {"fill": "none", "stroke": WIRE, "stroke-width": "0.018"}
        ET.SubElement(page, "polyline", {"points": " ".join(points), "class": what, **look})


def _hole(
    page: ET.Element,
    fastener: Fastener,
    mouth: tuple[float, float],
    hole_in: float,
    place: tuple[float, float],
    zoom: float,
) -> None:
    """Draw the hole that the wire uses: its mouth, and dashed its way through the head to the other side."""
    x, y = _at(fastener, place, zoom)
    far = 2 * x - mouth[0], 2 * y - mouth[1]
    dashed = {"stroke": INK, "stroke-width": "0.008", "stroke-dasharray": "0.04 0.03"}
    ends = {"x1": f"{mouth[0]:.4f}", "y1": f"{mouth[1]:.4f}", "x2": f"{far[0]:.4f}", "y2": f"{far[1]:.4f}"}
    if fastener.turns:
        ET.SubElement(page, "line", {**ends, "class": "hole", **dashed})
    radius = max(zoom * hole_in / 2, LEAST_HOLE_IN)
    look = {"r": f"{radius:.4f}", "fill": "white", "stroke": INK, "stroke-width": "0.012", "class": "hole"}
    for at in (mouth, far) if fastener.turns else (mouth,):
        ET.SubElement(page, "circle", {"cx": f"{at[0]:.4f}", "cy": f"{at[1]:.4f}", **look})


def _pigtail(page: ET.Element, last: PlannedSpan, place: tuple[float, float], zoom: float) -> None:
    """Draw the twisted end where the wire comes out of the last hole, bent back toward the part."""
    x, y = _at(last.end, place, zoom)
    mouth = _mouths(last, place, zoom)[1]
    if last.end.turns:
        mouth = 2 * x - mouth[0], 2 * y - mouth[1]
    heading = math.atan2(mouth[1] - y, mouth[0] - x) + TAIL_BEND_RAD
    reach = zoom * TAIL_IN
    end = mouth[0] + reach * math.cos(heading), mouth[1] + reach * math.sin(heading)
    _wound(page, mouth, end, TAIL_TWISTS, "pigtail")
    side = 1 if math.cos(heading) >= 0 else -1
    _text(page, end[0] + 0.06 * side, end[1] + 0.04, "pigtail", LABEL_IN, anchor="start" if side > 0 else "end")


def _head(page: ET.Element, fastener: Fastener, place: tuple[float, float], zoom: float) -> None:
    x, y = _at(fastener, place, zoom)
    radius = zoom * HEAD_RADIUS_IN
    outline = {"fill": "white", "stroke": INK, "stroke-width": "0.015"}
    if fastener.role in ("bolt", "nut"):
        corners = [
            f"{x + radius * math.cos(math.pi * k / 3):.4f},{y + radius * math.sin(math.pi * k / 3):.4f}"
            for k in range(6)
        ]
        ET.SubElement(page, "polygon", {"points": " ".join(corners), **outline})
    elif fastener.role == "connector":
        ET.SubElement(page, "circle", {"cx": f"{x:.4f}", "cy": f"{y:.4f}", "r": f"{radius:.4f}", **outline})
    else:
        corner = {"x": f"{x - radius:.4f}", "y": f"{y - radius / 2:.4f}", "width": f"{2 * radius:.4f}"}
        ET.SubElement(page, "rect", {**corner, "height": f"{radius:.4f}", **outline})
    if fastener.turns:
        _tightening(page, x, y, 0.6 * radius, fastener.thread == "right")


def _name(page: ET.Element, fastener: Fastener, letter: str, place: tuple[float, float], zoom: float) -> None:
    """Write a head's letter on it and what it is under it; beside it where it is drawn too small for a letter."""
    x, y = _at(fastener, place, zoom)
    radius = zoom * HEAD_RADIUS_IN
    role = "" if fastener.role == "bolt" else fastener.role.replace("-", " ")  # a bolt is drawn as its head is
    if radius < LEAST_LETTERED_IN:
        words = f"{letter} {role}".rstrip()
        _text(page, x - radius - 0.04, y - 0.7 * radius, words, LABEL_IN, weight="bold", anchor="end")
        return
    ET.SubElement(page, "circle", {"cx": f"{x:.4f}", "cy": f"{y:.4f}", "r": "0.11", "fill": "white"})
    _text(page, x, y + 0.05, letter, LABEL_IN, weight="bold", anchor="middle")
    if role:
        _text(page, x, y + radius + 0.17, role, LABEL_IN, anchor="middle")


def _tightening(page: ET.Element, x: float, y: float, radius: float, clockwise: bool) -> None:
    """Draw an arrow round the head, the way that tightens it as seen from above."""
    turn = 1 if clockwise else -1
    angles = [turn * math.radians(a) for a in (-150, 100)]
    (x0, y0), (x1, y1) = ((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles)
    path = f"M{x0:.4f},{y0:.4f} A{radius:.4f},{radius:.4f} 0 1 {int(clockwise)} {x1:.4f},{y1:.4f}"
    look = {"fill": "none", "stroke": INK, "stroke-width": "0.015"}
    ET.SubElement(page, "path", {"d": path, **look})
    heading = angles[1] + turn * math.pi / 2
    wings = [
        f"{x1 + 0.09 * math.cos(heading + math.pi + lean):.4f},{y1 + 0.09 * math.sin(heading + math.pi + lean):.4f}"
        for lean in (-0.5, 0.5)
    ]
    ET.SubElement(page, "polyline", {"points": f"{wings[0]} {x1:.4f},{y1:.4f} {wings[1]}", **look})


def _scale(page: ET.Element, zoom: float, bottom: float) -> None:
    left, y = FIELD_IN[0], bottom + 0.25
    end = left + zoom
    ET.SubElement(
        page,
        "path",
        {
            "d": f"M{left},{y - 0.05} V{y + 0.05} M{left},{y} H{end:.4f} M{end:.4f},{y - 0.05} V{y + 0.05}",
            "stroke": INK,
            "stroke-width": "0.012",
        },
    )
    _text(page, end + 0.1, y + 0.04, "1 in on the part", KEY_IN)
    key = "arrows: the way that tightens, seen from above; rings: the holes used; dashed: through the head"
    _text(page, left, y + 0.27, key, KEY_IN)


def _folded(line: str, letters: float, bold: bool, width: float) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    most = int(width / ((BOLD_SHARE if bold else LETTER_SHARE) * letters))
    return textwrap.wrap(line.strip(), most, initial_indent=indent, subsequent_indent=f"{indent}  ")


def _text(
    page: ET.Element,
    x: float,
    y: float,
    words: str,
    size: float,
    weight: str = "normal",
    anchor: str = "start",
    fill: str = INK,
) -> None:
    look = {"font-size": f"{size:.4f}", "font-weight": weight, "text-anchor": anchor, "fill": fill}
    ET.SubElement(page, "text", {"x": f"{x:.4f}", "y": f"{y:.4f}", **look}).text = words
