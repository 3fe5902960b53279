"""Cards drawn: what a bar, a correction and the pixels must come to."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from PIL import Image
from reportlab.pdfbase.pdfmetrics import stringWidth

from calibration import draw_pdf, draw_png, draw_svg, known_cards, load_card
from calibration.draw import SHEET_MARGIN_MM


def cut_mm(svg: str) -> tuple[float, float]:
    """Return width and height of the cutting line."""
    found = re.search(r'id="cut"[^>]* width="([\d.]+)" height="([\d.]+)"', svg)
    assert found is not None
    return float(found[1]), float(found[2])


@pytest.mark.parametrize("name", known_cards())
def test_a_correction_scales_the_whole_drawing(name: str) -> None:
    card = load_card(name)
    # A printer that makes everything 1 % small needs everything drawn 1/0.99 large.
    plain, corrected = cut_mm(draw_svg(card)), cut_mm(draw_svg(card, 0.99 * card.bar_mm))
    assert plain == pytest.approx((card.width_mm, card.height_mm), abs=1e-3)
    assert corrected == pytest.approx((card.width_mm / 0.99, card.height_mm / 0.99), abs=1e-3)


@pytest.mark.parametrize("name", known_cards())
def test_what_is_cut_out_tells_for_which_bar_it_was_drawn(name: str) -> None:
    card = load_card(name)
    measured_mm = 0.9912 * card.bar_mm
    said = f"drawn for {measured_mm:g}"
    svg = draw_svg(card, measured_mm)
    (label,) = re.findall(rf'<text x="([\d.]+)" y="([\d.]+)" font-size="([\d.]+)">([^<]*{said})<', svg)
    x_mm, y_mm, size_mm = map(float, label[:3])
    width_mm, height_mm = cut_mm(svg)
    margin_mm = SHEET_MARGIN_MM * width_mm / card.width_mm
    assert margin_mm < x_mm and x_mm + stringWidth(label[3], "Helvetica", size_mm) < margin_mm + width_mm
    assert margin_mm < y_mm < margin_mm + height_mm
    assert said not in draw_svg(card)


def test_a_rule_in_the_wrong_unit_is_told() -> None:
    with pytest.raises(ValueError, match="no printer is off by a fifth"):
        draw_svg(load_card("lane"), 3.94)


@pytest.mark.parametrize("name", known_cards())
def test_sheet_tells_how_to_print_and_check(name: str) -> None:
    svg = draw_svg(load_card(name))
    words = " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg))
    assert "visionwire" in words
    assert name in words
    assert f"{load_card(name).square_mm:.2f} mm squares" in words
    assert "Print at 100 %" in words
    assert "matt" in words
    assert f"must read {load_card(name).bar_mm:.1f} mm" in words


def test_black_and_white_only() -> None:
    colours = set(re.findall(r'(?:fill|stroke)="([^"]+)"', draw_svg(load_card("lane"))))
    assert colours <= {"#000", "#fff", "none"}


def test_pixels_of_a_png_are_where_the_card_says() -> None:
    chart = load_card("chart")
    image = np.asarray(Image.open(io.BytesIO(draw_png(chart, 254))))  # 10 dots per mm: all edges between pixels
    at = round(10 * (SHEET_MARGIN_MM + chart.margin_mm))
    assert (image[at : at + 100, at : at + 100] == 0).all()  # the first square, black
    assert (image[at, at - 10 : at] == 255).all()
    assert (image[at + 2, at + 100 : at + 115] == 255).all()  # white round the first marker
    # A square whose edges fall inside pixels keeps its ink: 10 mm at 300 dpi are 118.11 dots.
    ink = 1 - np.asarray(Image.open(io.BytesIO(draw_png(chart, 300)))) / 255
    row = round((SHEET_MARGIN_MM + chart.margin_mm + 5) * 300 / 25.4)
    start = round(SHEET_MARGIN_MM * 300 / 25.4) + 20
    assert ink[row, start : start + 160].sum() == pytest.approx(118.11, abs=0.02)


def test_resolution_out_of_range() -> None:
    with pytest.raises(ValueError, match="the nearest being 2400"):
        draw_png(load_card("chart"), 100000)


def test_pdf_is_the_same_every_time() -> None:
    assert draw_pdf(load_card("pocket")) == draw_pdf(load_card("pocket"))
