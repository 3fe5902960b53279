"""A plan as one page to take along: SVG, letter size, the heads as seen from above."""

from __future__ import annotations

import math
import textwrap
from xml.etree import ElementTree as ET

from visionwire.errors import PlanError
from visionwire.plan.make import Plan, PlannedSpan
from visionwire.plan.wish import Fastener
from visionwire.plan.words import letters, plan_lines

PAGE_IN = (8.5, 11.0)
FIELD_IN = (0.75, 0.9, 7.0, 3.3)  # left, top, width, height
LARGEST_ZOOM = 2.0
HEAD_RADIUS_IN = 0.25
LEAST_TEXT_IN = 0.05
LINE_IN, TEXT_IN, FOOT_IN = 0.15, 0.11, 0.4
WIDEST_TEXT = 118
INK, WIRE = "#222222", "#7a3b00"
#: A pigtail as drawn, a sign and not to scale: its reach off the head, how far it is bent, its twists.
TAIL_IN, TAIL_BEND_RAD, TAIL_TWISTS = 0.32, 1.2, 4
#: Radius on the page: a hole drawn smaller would be a dot.
LEAST_HOLE_IN = 0.03


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
            "font-family": "sans-serif",
            "fill": INK,
        },
    )
    ET.SubElement(page, "rect", {"width": f"{width}", "height": f"{height}", "fill": "white"})
    _text(page, FIELD_IN[0], 0.6, title, 0.2, weight="bold")
    names = letters(plan)
    fasteners = list(names)
    place, zoom = _layout(fasteners)
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
        x, y = _at(fastener, place, zoom)
        ET.SubElement(page, "circle", {"cx": f"{x:.4f}", "cy": f"{y:.4f}", "r": "0.08", "fill": "white"})
        _text(page, x, y + 0.04, names[fastener], TEXT_IN, weight="bold", anchor="middle")
    _scale(page, zoom)
    y = FIELD_IN[1] + FIELD_IN[3] + 0.65
    parts = [part for line in plan_lines(plan, unit) for part in _folded(line)]
    # A long plan is set smaller, so that it stays one page.
    step = min(LINE_IN, (height - FOOT_IN - y) / len(parts))
    if TEXT_IN * step / LINE_IN < LEAST_TEXT_IN:
        raise PlanError(f"a plan of {len(fasteners)} fasteners does not fit on one page; plan and draw them in parts")
    for part in parts:
        weight = "normal" if part.startswith(" ") else "bold"
        _text(page, FIELD_IN[0], y, part, TEXT_IN * step / LINE_IN, weight=weight)
        y += step
    return ET.tostring(page, encoding="unicode")


def _layout(fasteners: list[Fastener]) -> tuple[tuple[float, float], float]:
    """Return what is added to a fastener's place, x and y, before it is zoomed, and the zoom."""
    left, top, width, height = FIELD_IN
    xs, ys = [f.x_in for f in fasteners], [f.y_in for f in fasteners]
    room = 2 * (HEAD_RADIUS_IN + TAIL_IN)  # for the pigtail too, whichever way it points
    zoom = min(LARGEST_ZOOM, width / (max(xs) - min(xs) + room), height / (max(ys) - min(ys) + room))
    x = (left + width / 2) / zoom - (max(xs) + min(xs)) / 2
    y = (top + height / 2) / zoom + (max(ys) + min(ys)) / 2
    return (x, y), zoom


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
    words = f"{name}: {twists} twists" if twists else f"{name}: {span.span_in:.2f} in"
    x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    if abs(end[0] - start[0]) > abs(end[1] - start[1]):
        _text(page, x, min(start[1], end[1]) - 0.1, words, TEXT_IN, anchor="middle")
    else:
        _text(page, x + 0.15, y, words, TEXT_IN)


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
    _text(page, end[0] + 0.06 * side, end[1] + 0.04, "pigtail", TEXT_IN, anchor="start" if side > 0 else "end")


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
    if fastener.role != "bolt":  # which is drawn as its head is
        _text(page, x, y + radius + 0.14, fastener.role.replace("-", " "), TEXT_IN, anchor="middle")


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


def _scale(page: ET.Element, zoom: float) -> None:
    left, y = FIELD_IN[0], FIELD_IN[1] + FIELD_IN[3] + 0.3
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
    key = "1 in on the part; arrows: the way that tightens, seen from above; rings: the holes used"
    _text(page, end + 0.1, y + 0.04, key, TEXT_IN)


def _folded(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.wrap(line.strip(), WIDEST_TEXT, initial_indent=indent, subsequent_indent=f"{indent}  ")


def _text(
    page: ET.Element, x: float, y: float, words: str, size: float, weight: str = "normal", anchor: str = "start"
) -> None:
    look = {"font-size": f"{size}", "font-weight": weight, "text-anchor": anchor, "xml:space": "preserve"}
    ET.SubElement(page, "text", {"x": f"{x:.4f}", "y": f"{y:.4f}", **look}).text = words
