"""Charts as SVG, written by hand: sharp in print, no script, readable without colour."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from visionwire.reading import Call, Check, DensityAt, Run
from visionwire.sheet.words import reach

_Scale = Callable[[float], float]

_WIDTH, _HEIGHT = 720, 264
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 84, 16, 46
_NAME_REACH = 52  # half of what the name of an inch takes

_INK, _QUIET = "#1b1d20", "#7a8087"
# Beside their classes, so that a reader of mail or a printer that knows no style sheet draws them alike.
_LOOKS = {
    "axis": f'fill="none" stroke="{_QUIET}"',
    "mean": f'fill="none" stroke="{_INK}" stroke-dasharray="2 4"',
    "limit": f'fill="none" stroke="{_INK}" stroke-width="2"',
    "interval": f'fill="none" stroke="{_INK}" stroke-width="2.5"',
    "inch": f'fill="none" stroke="{_INK}" stroke-width="2.5"',
    "curve": f'fill="none" stroke="{_INK}" stroke-width="1.6"',
    "post": f'fill="none" stroke="{_INK}" stroke-width="2.4"',
    "bar": f'fill="none" stroke="{_INK}" stroke-width="3"',
    "dot": f'fill="{_INK}"',
    "band": 'fill="#f1f2f3"',
    "ribbon": 'fill="#8b929b" fill-opacity="0.42"',
}

_MARK_BAR = {"conforming": (17.5, 26.5), "undecided": (25.5, 34.5), "nonconforming": (35.5, 43.0)}


def look(name: str) -> str:
    """Return the attributes of a shape: its class, and how it looks where no style sheet is known."""
    return f'class="{name}" {_LOOKS[name]}'


def call_mark(call: Call) -> str:
    """Draw the shape of a call: two posts are the limits, the bar is the value with its uncertainty.

    The bar lies between the posts (conforming), across one (undecided) or beside
    them (nonconforming).
    """
    begin, end = _MARK_BAR[call]
    return (
        '<svg class="mark" viewBox="0 0 46 24" aria-hidden="true">'
        f'<path {look("post")} d="M16 3H14V21H16M28 3H30V21H28"/>'
        f'<path {look("bar")} d="M{begin} 12H{end}"/>'
        f'<circle {look("dot")} cx="{(begin + end) / 2}" cy="12" r="3.6"/></svg>'
    )


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Return round figures within two bounds, at steps of 1, 2 or 5 times a power of ten, at most ``most`` of them."""
    rough = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= rough * (1 - 1e-9))
    return [step * k for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def gauge_svg(check: Check) -> str:
    """Draw a value and its 95 % interval on a number line with the limits, as far as they reach, as posts."""
    lowest, highest = reach(check)
    low, high = _around([check.value - check.u95, check.value + check.u95, lowest, highest], 0.25)
    low = max(low, 0.0)

    def x(value: float) -> float:
        return 14 + 292 * (value - low) / (high - low)

    shapes = [_box(x(_or(lowest, low)), 12, x(_or(highest, high)), 34)]
    shapes.append(
        f'<path {look("axis")} d="M14 34H306{"".join(f"M{x(t):.1f} 34v4" for t in nice_ticks(low, high, 9))}"/>'
    )
    shapes += [_text(x(t), 50, f"{t:g}", "middle") for t in nice_ticks(low, high, 9)]
    for limit, arm in ((lowest, 4), (highest, -4)):
        if limit is not None:
            shapes.append(f'<path {look("limit")} d="M{x(limit) + arm:.1f} 9H{x(limit):.1f}V37H{x(limit) + arm:.1f}"/>')
    begin, end = x(check.value - check.u95), x(check.value + check.u95)
    shapes.append(f'<path {look("interval")} d="M{begin:.1f} 23H{end:.1f}M{begin:.1f} 18v10M{end:.1f} 18v10"/>')
    shapes.append(f'<circle {look("dot")} cx="{x(check.value):.1f}" cy="23" r="4"/>')
    return _svg(320, 54, "gauge", f"{check.value:.2f} {check.unit} on a number line with its limits", shapes)


def profile_svg(run: Run, check: Check | None) -> str:
    """Draw the density along a run with its 95 % ribbon, the limits, the mean, and the least and most inch.

    Parameters
    ----------
    run : Run
        The run; its profile may be empty, which gives an empty string.
    check : Check or None
        The check of its mean density, for the limits.
    """
    if len(run.profile) < 2:
        return ""
    limits = [limit for limit in (check.low, check.high) if limit is not None] if check else []
    edges = [p.twists_per_inch + s * p.u95 for p in run.profile for s in (-1, 1)]
    low, high = _around([*edges, *limits], 0.12)
    low = max(low, 0.0)

    def x(at_in: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * at_in / run.length_in

    def y(density: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - density) / (high - low)

    shapes: list[str] = []
    if check:
        shapes.append(_box(x(0), y(_or(check.high, high)), x(run.length_in), y(_or(check.low, low))))
    shapes += _grid(run.length_in, low, high, x, y)
    ribbon = [(p.at_in, p.twists_per_inch + p.u95) for p in run.profile]
    ribbon += [(p.at_in, p.twists_per_inch - p.u95) for p in reversed(run.profile)]
    shapes.append(f'<path {look("ribbon")} d="{_path([(x(a), y(d)) for a, d in ribbon])}Z"/>')
    for limit in limits:
        shapes.append(f'<path {look("limit")} d="M{x(0):.1f} {y(limit):.1f}H{x(run.length_in):.1f}"/>')
        shapes.append(_text(x(run.length_in) + 6, y(limit) + 4, f"limit {limit:g}", "start"))
    shapes.append(f'<path {look("curve")} d="{_path([(x(p.at_in), y(p.twists_per_inch)) for p in run.profile])}"/>')
    shapes += _mean(run, [y(limit) for limit in limits], x, y)
    if run.least_in_any_inch is not None and run.most_in_any_inch is not None:
        least, most = run.least_in_any_inch, run.most_in_any_inch
        for one, other, name in ((least, most, "least inch"), (most, least, "most inch")):
            if one.twists_per_inch != run.twists_per_inch:  # else it is that of the whole run, whose mean is drawn
                shapes += _inch(one, name, run.profile, [*limits, other.twists_per_inch], x, y)
    label = f"twists per inch along the run, {run.length_in:.2f} in long, mean {run.twists_per_inch:.2f}"
    return _svg(_WIDTH, _HEIGHT, "profile", label, shapes)


def _mean(run: Run, lines: Sequence[float], x: _Scale, y: _Scale) -> list[str]:
    level = y(run.twists_per_inch)
    text = level
    for limit in lines:  # keep the two labels apart
        if abs(text - limit) < 14:
            text = limit + math.copysign(14, level - limit)
    return [
        f'<path {look("mean")} d="M{x(0):.1f} {level:.1f}H{x(run.length_in):.1f}"/>',
        _text(x(run.length_in) + 6, text + 4, f"mean {run.twists_per_inch:.2f}", "start"),
    ]


def _inch(
    window: DensityAt, name: str, profile: Sequence[DensityAt], levels: Sequence[float], x: _Scale, y: _Scale
) -> list[str]:
    """Draw a bar one inch wide at the window's density, named on the side where curve and levels are farther off."""
    begin, end, level = x(window.at_in - 0.5), x(window.at_in + 0.5), y(window.twists_per_inch)
    middle = (begin + end) / 2
    near = [y(at.twists_per_inch) for at in profile if abs(x(at.at_in) - middle) < _NAME_REACH]
    lines = near + [y(other) for other in levels]
    text = max((level - 10, level + 19), key=lambda place: min((abs(place - 4 - line) for line in lines), default=0))
    return [
        f'<path {look("inch")} d="M{begin:.1f} {level:.1f}H{end:.1f}M{begin:.1f} {level - 5:.1f}v10M{end:.1f} '
        f'{level - 5:.1f}v10"/>',
        _text(middle, text, f"{name} {window.twists_per_inch:.2f}", "middle"),
    ]


def _grid(length_in: float, low: float, high: float, x: _Scale, y: _Scale) -> list[str]:
    bottom, left = y(low), x(0)
    shapes = [f'<path {look("axis")} d="M{left} {_TOP}V{bottom:.1f}H{x(length_in):.1f}"/>']
    for tick in nice_ticks(0.0, length_in, 10):
        shapes.append(f'<path {look("axis")} d="M{x(tick):.1f} {bottom:.1f}v5"/>')
        shapes.append(_text(x(tick), bottom + 18, f"{tick:g}", "middle"))
    for tick in nice_ticks(low, high, 7):
        shapes.append(f'<path {look("axis")} d="M{left - 5} {y(tick):.1f}h5"/>')
        shapes.append(_text(left - 9, y(tick) + 4, f"{tick:g}", "end"))
    shapes.append(_text((left + x(length_in)) / 2, _HEIGHT - 8, "inches from the start of the run", "middle"))
    middle = (_TOP + bottom) / 2
    shapes.append(
        f'<text x="14" y="{middle:.1f}" text-anchor="middle" transform="rotate(-90 14 {middle:.1f})">'
        "twists per inch</text>"
    )
    return shapes


def _around(values: Sequence[float | None], share: float) -> tuple[float, float]:
    """Return bounds that hold the values, wider by a share of their span on both sides."""
    known = [value for value in values if value is not None]
    span = max(max(known) - min(known), 0.5)
    return min(known) - share * span, max(known) + share * span


def _or(limit: float | None, edge: float) -> float:
    return edge if limit is None else limit


def _box(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<rect {look("band")} x="{x1:.1f}" y="{y1:.1f}" width="{x2 - x1:.1f}" height="{y2 - y1:.1f}"/>'


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{text}</text>'


def _svg(width: int, height: int, css: str, label: str, shapes: Sequence[str]) -> str:
    return (
        f'<svg class="{css}" viewBox="0 0 {width} {height}" role="img" aria-label="{label}" font-size="12.5">'
        f"{''.join(shapes)}</svg>"
    )
