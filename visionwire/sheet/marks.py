"""Ink: thin white marks with a dark edge, readable on any surface and without colour.

All marks of a picture go on one grey layer, the *ink*; :func:`press` lays it on
the picture in white with a dark edge around it. Points are (x, y) in the
picture's own pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from visionwire.strip import arc_length

Points = NDArray[np.float64]
Picture = NDArray[np.uint8]

_SHIFT = 4  # cv2 draws with 1/16 px
_EDGE_STRENGTH = 0.8
_BOLD = 36  # letters are as much of their size thicker on every side; more, or small ones, run together


def blank_ink(picture: Picture) -> Picture:
    """Return an empty ink layer for an (h, w, 3) picture."""
    return np.zeros_like(picture)


def draw_line(ink: Picture, points: Points, width_px: int = 1, closed: bool = False) -> None:
    """Draw a line through (N, 2) points."""
    fixed = np.round(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(ink, [fixed], closed, (255, 255, 255), width_px, cv2.LINE_AA, _SHIFT)


def draw_dashes(ink: Picture, points: Points, dash_px: float, gap_px: float, width_px: int = 1) -> None:
    """Draw a broken line through (N, 2) points, its dashes even along the way."""
    along = arc_length(points)
    for begin in np.arange(0.0, along[-1], dash_px + gap_px):
        inner = along[(along > begin) & (along < begin + dash_px)]
        stops = np.r_[begin, inner, min(begin + dash_px, along[-1])]
        draw_line(ink, np.c_[np.interp(stops, along, points[:, 0]), np.interp(stops, along, points[:, 1])], width_px)


def draw_ring(ink: Picture, centre: Points, radius_px: float) -> None:
    """Draw a small circle."""
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    draw_line(ink, centre + radius_px * np.c_[np.cos(angle), np.sin(angle)], closed=True)


def draw_dot(ink: Picture, centre: Points, radius_px: float) -> None:
    """Draw a small filled circle."""
    x, y = (round(float(value) * (1 << _SHIFT)) for value in centre)
    cv2.circle(ink, (x, y), round(radius_px * (1 << _SHIFT)), (255, 255, 255), cv2.FILLED, cv2.LINE_AA, _SHIFT)


def draw_text(ink: Picture, centre: Sequence[float] | Points, text: str, size_px: int, margin_px: float = 2) -> None:
    """Write a short text centred on a point, kept so far inside the picture; bold: the sheet is read printed, small."""
    (x, y), font, bold_px, _ = _set(ink, centre, text, size_px, margin_px)
    layer = Image.fromarray(ink)
    ImageDraw.Draw(layer).text((x, y), text, fill=(255, 255, 255), font=font, anchor="mm", stroke_width=bold_px)
    ink[:] = np.asarray(layer)


def text_box(
    ink: Picture, centre: Sequence[float] | Points, text: str, size_px: int, margin_px: float = 2
) -> tuple[int, ...]:
    """Return the first and last column and row that a text would take, left, top, right, bottom."""
    return _set(ink, centre, text, size_px, margin_px)[3]


def _set(
    ink: Picture, centre: Sequence[float] | Points, text: str, size_px: int, margin_px: float
) -> tuple[tuple[float, float], Any, int, tuple[int, ...]]:
    font, bold_px = ImageFont.load_default(size_px), size_px // _BOLD
    left, top, right, bottom = font.getbbox(text, anchor="mm", stroke_width=bold_px)
    height, width = ink.shape[:2]
    x = min(max(centre[0], margin_px - left), width - 1 - margin_px - right)
    y = min(max(centre[1], margin_px - top), height - 1 - margin_px - bottom)
    return (x, y), font, bold_px, (round(x + left), round(y + top), round(x + right), round(y + bottom))


def press(picture: Picture, ink: Picture, edge_px: int = 1) -> Picture:
    """Lay the ink on the picture: white, with a dark edge of that width."""
    size = 2 * edge_px + 1
    edge = cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    dark = picture * (1 - _EDGE_STRENGTH * (edge.astype(np.float32) / 255))
    cover = ink.astype(np.float32) / 255
    return np.asarray(np.round(dark * (1 - cover) + 255 * cover), dtype=np.uint8)
