"""The straightened strip as rows under a tick scale and over an inch scale, like a wire laid on a rule."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.evidence import SectionEvidence
from visionwire.sheet.count import Count, count
from visionwire.sheet.marks import Picture, blank_ink, draw_dot, draw_line, draw_text

_WIDTH_PX = 1800
_SHORTEST_ROW_IN, _LONGEST_ROW_IN, _MOST_ROWS = 1.3, 2.6, 8
_NARROWEST_IN = 0.6  # a shorter section stands on white paper of this width
_PAD_IN = 0.06  # how much beyond the section's ends is shown, where the strip has it
_ABOVE_PX, _BELOW_PX, _TEXT_PX = 68, 96, 30
_POINT_PX, _SCALE_PX = 6, 24  # radius of a crossing's point; the inch scale under the points


@dataclass(frozen=True)
class StripRow:
    """One row: its picture (RGB), the share of the sheet's width it takes, the inches it shows."""

    pixels: Picture
    share: float
    from_in: float
    to_in: float


def row_length_in(sections: tuple[SectionEvidence, ...]) -> float:
    """Return the inches a full row shows, one figure for all sections so that enlargements compare."""
    longest = max((_length_in(section) + 2 * _PAD_IN for section in sections), default=_LONGEST_ROW_IN)
    rows = min(math.ceil(longest / _LONGEST_ROW_IN), _MOST_ROWS)
    return max(longest / rows, _SHORTEST_ROW_IN)


def strip_rows(section: SectionEvidence, row_in: float, counted: Count | None = None) -> list[StripRow]:
    """Wrap a section's strip into rows.

    Ticks at the whole twists stand above with their numbers, points at the
    crossings under the wire, inches from the section's start below; the wire
    itself carries no mark.

    Parameters
    ----------
    section : SectionEvidence
        The section, turned as it is counted.
    row_in : float
        The most inches that a row holds.
    counted : Count or None
        Where its ticks stand; without, that is told by its crossings alone.
    """
    counted = count(section) if counted is None else counted
    per_in, start = section.strip_px_per_in, section.strip_ends[0]
    low_in = max(-_PAD_IN, -(start + 0.5) / per_in)
    high_in = min(_length_in(section) + _PAD_IN, (section.strip.shape[1] - 0.5 - start) / per_in)
    rows = max(1, math.ceil((high_in - low_in) / row_in - 1e-6))
    edges = np.minimum(low_in + row_in * np.arange(rows + 1), high_in)
    return [_row(section, counted, float(a), float(b), row_in) for a, b in itertools.pairwise(edges)]


def _row(section: SectionEvidence, counted: Count, from_in: float, to_in: float, row_in: float) -> StripRow:
    out_per_in = _WIDTH_PX / row_in
    width = max(2, round((to_in - from_in) * out_per_in))
    wire = _enlarge(section, from_in, width, out_per_in)
    page_width = max(width, round(_NARROWEST_IN * out_per_in))
    page = np.full((_ABOVE_PX + wire.shape[0] + _BELOW_PX, page_width, 3), 255, np.uint8)
    page[_ABOVE_PX : _ABOVE_PX + wire.shape[0], :width] = wire
    ink = blank_ink(page)

    def column(strip_columns: NDArray[np.float64]) -> NDArray[np.float64]:
        return ((strip_columns - section.strip_ends[0]) / section.strip_px_per_in - from_in) * out_per_in

    _tick_scale(ink, column(counted.columns), counted)
    for x in column(counted.crossings):
        if 0 <= x < width:
            draw_dot(ink, np.array([x, _ABOVE_PX + wire.shape[0] + 2.0 + _POINT_PX]), _POINT_PX)
    _end_marks(ink, [(x - from_in) * out_per_in for x in (0.0, _length_in(section))], wire.shape[0])
    _inch_scale(ink, from_in, to_in, out_per_in, _length_in(section), _ABOVE_PX + wire.shape[0] + _SCALE_PX)
    page[ink[:, :, 0] > 0] = 255 - ink[ink[:, :, 0] > 0]
    return StripRow(page, page_width / _WIDTH_PX, from_in, to_in)


def _enlarge(section: SectionEvidence, from_in: float, width: int, out_per_in: float) -> Picture:
    """Cut the row's columns from the strip and scale them evenly in both directions."""
    scale = out_per_in / section.strip_px_per_in
    first = section.strip_ends[0] + from_in * section.strip_px_per_in
    matrix = np.array([[scale, 0.0, -first * scale], [0.0, scale, 0.5 * (scale - 1)]])
    height = max(1, round(section.strip.shape[0] * scale))
    flags = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_LINEAR
    row = cv2.warpAffine(section.strip, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(row, dtype=np.uint8)


def _tick_scale(ink: Picture, ticks: NDArray[np.float64], counted: Count) -> None:
    for number, x in enumerate(ticks, start=1):
        if not 0 <= x < ink.shape[1]:
            continue
        named = counted.numbered(number)
        draw_line(ink, np.array([[x, _ABOVE_PX - (28 if named else 18)], [x, _ABOVE_PX - 4.0]]), 3 if named else 2)
        if named:
            draw_text(ink, (x, _ABOVE_PX - 50), str(number), _TEXT_PX)


def _end_marks(ink: Picture, columns: list[float], wire_px: int) -> None:
    for x in columns:
        if 0 <= x < ink.shape[1]:
            draw_line(ink, np.array([[x, _ABOVE_PX - 28.0], [x, _ABOVE_PX - 4.0]]), 5)
            below = _ABOVE_PX + wire_px + _SCALE_PX
            draw_line(ink, np.array([[x, below + 4.0], [x, below + 34.0]]), 5)


def _inch_scale(ink: Picture, from_in: float, to_in: float, per_in: float, length_in: float, top_px: int) -> None:
    ends = [(max(from_in, 0.0) - from_in) * per_in, (min(to_in, length_in) - from_in) * per_in]
    draw_line(ink, np.array([[ends[0], top_px + 5.0], [ends[1], top_px + 5.0]]))
    for tenth in range(math.floor(length_in * 10 + 1e-9) + 1):
        x = (tenth / 10 - from_in) * per_in
        if not 0 <= x < ink.shape[1]:
            continue
        length = 26 if tenth % 10 == 0 else 18 if tenth % 5 == 0 else 10
        draw_line(ink, np.array([[x, top_px + 5.0], [x, top_px + 5.0 + length]]), 2)
        if tenth % 10 == 0:
            draw_text(ink, (x, top_px + 50), f"{tenth // 10} in", _TEXT_PX)


def _length_in(section: SectionEvidence) -> float:
    return (section.strip_ends[1] - section.strip_ends[0]) / section.strip_px_per_in
