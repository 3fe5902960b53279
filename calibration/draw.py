"""A card drawn at its exact size in mm: SVG, PDF and PNG from one list of shapes.

Black and white only. The sheet is the card inside its cutting line, with the
sentences on printing below it.
"""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from calibration.card import Card, bar_correction, marker_dictionary

Array = NDArray[np.float64]

#: From the sheet's edge to the card's cutting line; most printers cannot print the outermost 5 mm.
SHEET_MARGIN_MM = 8.0
A4_MM = (210.0, 297.0)
LINE_MM = 0.12
_HELP_MM = 2.7
_LEAST_WIDTH_MM = 100.0
_LOWEST_DPI, _HIGHEST_DPI = 72, 2400


@dataclass(frozen=True)
class _Text:
    x_mm: float
    y_mm: float  # of the baseline
    height_mm: float  # of the font
    words: str


@dataclass(frozen=True)
class _Sheet:
    """Everything on the sheet, mm, origin at its top left: filled rectangles (x, y, w, h), cutting line, texts."""

    width_mm: float
    height_mm: float
    boxes: Array
    cut: tuple[float, float, float, float, float]  # x, y, w, h, corner radius
    texts: tuple[_Text, ...]


def draw_svg(card: Card, measured_bar_mm: float | None = None) -> str:
    """Return the card as an SVG document sized in mm.

    Parameters
    ----------
    card : Card
        What to draw.
    measured_bar_mm : float, optional
        What a rule read on the bar of an earlier print; corrects for the printer.

    Raises
    ------
    ValueError
        When ``measured_bar_mm`` is not within 20 % of the bar drawn.
    """
    sheet = _sheet(card, measured_bar_mm)
    w, h = f"{sheet.width_mm:.4f}", f"{sheet.height_mm:.4f}"
    x, y, cut_w, cut_h, radius = sheet.cut
    # One path: edges shared by two boxes cancel, where two paths would leave a hairline between them.
    boxes = " ".join(f"M{bx:.4f} {by:.4f}h{bw:.4f}v{bh:.4f}h{-bw:.4f}z" for bx, by, bw, bh in sheet.boxes)
    texts = "\n".join(
        f'<text x="{t.x_mm:.3f}" y="{t.y_mm:.3f}" font-size="{t.height_mm:.3f}">{escape(t.words)}</text>'
        for t in sheet.texts
    )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">\n'
        f"<title>visionwire {escape(card.name)}</title>\n"
        f'<rect width="100%" height="100%" fill="#fff"/>\n'
        f'<rect id="cut" x="{x:.4f}" y="{y:.4f}" width="{cut_w:.4f}" height="{cut_h:.4f}" rx="{radius:.4f}" '
        f'fill="none" stroke="#000" stroke-width="{LINE_MM}"/>\n'
        f'<path id="black" fill="#000" d="{boxes}"/>\n'
        f'<g fill="#000" font-family="Helvetica, Arial, sans-serif">\n{texts}\n</g>\n</svg>\n'
    )


def draw_pdf(card: Card, measured_bar_mm: float | None = None) -> bytes:
    """Return the card as a PDF, vector, on an A4 page that also fits US Letter; larger only where the card is.

    Parameters and errors as for :func:`draw_svg`.
    """
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    sheet = _sheet(card, measured_bar_mm)
    page_w, page_h = max(A4_MM[0], sheet.width_mm), max(A4_MM[1], sheet.height_mm)
    left, top = (page_w - sheet.width_mm) / 2, page_h - min(20.0, page_h - sheet.height_mm)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(page_w * mm, page_h * mm), invariant=1)
    canvas.setTitle(f"visionwire {card.name}")
    canvas.setLineWidth(LINE_MM * mm)
    x, y, cut_w, cut_h, radius = sheet.cut
    canvas.roundRect((left + x) * mm, (top - y - cut_h) * mm, cut_w * mm, cut_h * mm, radius * mm)
    path = canvas.beginPath()
    for bx, by, bw, bh in sheet.boxes.tolist():
        path.rect((left + bx) * mm, (top - by - bh) * mm, bw * mm, bh * mm)
    canvas.drawPath(path, stroke=0, fill=1)
    for text in sheet.texts:
        canvas.setFont("Helvetica", text.height_mm * mm)
        canvas.drawString((left + text.x_mm) * mm, (top - text.y_mm) * mm, text.words)
    canvas.save()
    return out.getvalue()


def draw_png(card: Card, dpi: int = 600, measured_bar_mm: float | None = None) -> bytes:
    """Return the card as a grey PNG that states its resolution; edges between pixels come out grey, exactly.

    Parameters and errors as for :func:`draw_svg`, and ``ValueError`` when ``dpi`` is not 72 to 2400.
    """
    from PIL import Image, ImageDraw, ImageFont

    if not _LOWEST_DPI <= dpi <= _HIGHEST_DPI:
        nearest = _LOWEST_DPI if dpi < _LOWEST_DPI else _HIGHEST_DPI
        raise ValueError(f"dpi is {dpi:g}; it must be {_LOWEST_DPI} to {_HIGHEST_DPI}, the nearest being {nearest}")
    sheet = _sheet(card, measured_bar_mm)
    px_per_mm = dpi / 25.4
    width, height = round(sheet.width_mm * px_per_mm), round(sheet.height_mm * px_per_mm)
    image = Image.new("L", (width, height), 255)
    pen = ImageDraw.Draw(image)
    x, y, cut_w, cut_h, radius = (side * px_per_mm for side in sheet.cut)
    pen.rounded_rectangle((x, y, x + cut_w, y + cut_h), radius, outline=0, width=max(1, round(LINE_MM * px_per_mm)))
    for text in sheet.texts:
        font = ImageFont.load_default(text.height_mm * px_per_mm)
        pen.text((text.x_mm * px_per_mm, text.y_mm * px_per_mm), text.words, fill=0, font=font, anchor="ls")
    ink = _coverage(sheet.boxes * px_per_mm, width, height)
    inked = Image.fromarray(np.rint(np.asarray(image) * (1 - ink)).astype(np.uint8))
    out = io.BytesIO()
    inked.save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()


def _coverage(boxes_px: Array, width: int, height: int) -> Array:
    """Return how much of each pixel the boxes cover, 0 to 1; a box from 0 to 1 fills the first pixel."""
    ink = np.zeros((height, width), np.float64)
    for x, y, w, h in boxes_px.tolist():
        x0, x1, y0, y1 = int(x), min(width, int(np.ceil(x + w))), int(y), min(height, int(np.ceil(y + h)))
        across = np.minimum(np.arange(x0, x1) + 1, x + w) - np.maximum(np.arange(x0, x1), x)
        down = np.minimum(np.arange(y0, y1) + 1, y + h) - np.maximum(np.arange(y0, y1), y)
        ink[y0:y1, x0:x1] += np.outer(down, across)
    return np.clip(ink, 0.0, 1.0)


def _sheet(card: Card, measured_bar_mm: float | None) -> _Sheet:
    factor = 1.0 if measured_bar_mm is None else bar_correction(card, measured_bar_mm)
    width_mm = max(_LEAST_WIDTH_MM, card.width_mm + 2 * SHEET_MARGIN_MM)
    origin_mm = np.array([SHEET_MARGIN_MM, SHEET_MARGIN_MM])
    bar_x_mm, bar_y_mm = _bar_at(card)
    boxes = np.vstack([_squares(card), _markers(card), _bar(card, bar_x_mm, bar_y_mm)])
    boxes[:, :2] += origin_mm
    label = f"visionwire {card.name} · {card.square_mm:.2f} mm squares · bar {card.bar_mm:.0f} mm"
    if measured_bar_mm is not None:  # what is cut out must tell itself from the print before it
        label += f" · drawn for {measured_bar_mm:g}"
    texts = [_Text(bar_x_mm + SHEET_MARGIN_MM, bar_y_mm + SHEET_MARGIN_MM + 2.5, 1.9, label)]
    y_mm = SHEET_MARGIN_MM + max(card.height_mm, bar_y_mm + 2.5) + 7.0
    for line in _advice(card, measured_bar_mm, width_mm - 2 * SHEET_MARGIN_MM):
        texts.append(_Text(SHEET_MARGIN_MM, y_mm, _HELP_MM, line))
        y_mm += 1.45 * _HELP_MM
    cut = (SHEET_MARGIN_MM, SHEET_MARGIN_MM, card.width_mm, card.height_mm, card.corner_radius_mm)
    return _Sheet(
        width_mm * factor,
        (y_mm + SHEET_MARGIN_MM - _HELP_MM) * factor,
        boxes * factor,
        (cut[0] * factor, cut[1] * factor, cut[2] * factor, cut[3] * factor, cut[4] * factor),
        tuple(_Text(t.x_mm * factor, t.y_mm * factor, t.height_mm * factor, t.words) for t in texts),
    )


def _advice(card: Card, measured_bar_mm: float | None, width_mm: float) -> list[str]:
    again = "with --measured and what you read"
    if measured_bar_mm is not None:
        again = f"with --measured {measured_bar_mm:g} x what you read / {card.bar_mm:g}"
    sentences = (
        f"Print at 100 % (actual size, no fitting to the page) on stiff matt stock, then hold a rule to the bar: "
        f"it must read {card.bar_mm:.1f} mm between its end ticks. If it reads something else, draw the card again "
        f"{again}. Cut along the line and keep the card flat."
    )
    if measured_bar_mm is not None:
        sentences += f" Drawn for a printer on which the bar came out {measured_bar_mm:g} mm long."
    return textwrap.wrap(sentences, int(width_mm / (0.5 * _HELP_MM)))


def _squares(card: Card) -> Array:
    at = card.black_squares_mm()
    return np.hstack([at, np.full_like(at, card.square_mm)])


def _markers(card: Card) -> Array:
    """Return the black cells of all markers; cells side by side in a row are one box."""
    dictionary = marker_dictionary(card.dictionary)
    cells = dictionary.markerSize + 2
    boxes = []
    for marker_id, corners in card.markers_mm().items():
        black = dictionary.generateImageMarker(marker_id, cells, borderBits=1) == 0
        for row in range(cells):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], black[row].astype(int), [0]])))
            for start, stop in edges.reshape(-1, 2).tolist():
                x_mm, y_mm = corners[0] + np.array([start, row]) * card.cell_mm
                boxes.append([x_mm, y_mm, (stop - start) * card.cell_mm, card.cell_mm])
    return np.array(boxes)


def _bar_at(card: Card) -> tuple[float, float]:
    """Return where the bar starts: in the card's foot, or below the cutting line where the foot is too low for it."""
    below_boards_mm = card.height_mm - card.foot_mm + (0.38 * card.foot_mm)
    y_mm = below_boards_mm if card.foot_mm >= 4.8 else card.height_mm + 3.0
    return (card.width_mm - card.bar_mm) / 2, y_mm


def _bar(card: Card, x_mm: float, y_mm: float) -> Array:
    """Return the bar as boxes: a line, a tick every 10 mm, longer ones centred on both ends."""
    boxes = [[x_mm, y_mm - LINE_MM / 2, card.bar_mm, LINE_MM]]
    inner = np.arange(10.0, card.bar_mm - 1e-6, 10.0)
    for along_mm, reach_mm in [(0.0, 0.9), *((float(t), 0.5) for t in inner), (card.bar_mm, 0.9)]:
        boxes.append([x_mm + along_mm - LINE_MM / 2, y_mm - reach_mm, LINE_MM, 2 * reach_mm])
    return np.array(boxes)
