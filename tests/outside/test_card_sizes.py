"""Drawn cards measured by readers that are not ours, and ISO/IEC 7810's ID-1."""

from __future__ import annotations

import io
from itertools import pairwise

import cv2
import numpy as np
import pypdf
import pytest
import svgelements
from PIL import Image

from calibration import draw_pdf, draw_png, draw_svg, known_cards, load_card
from calibration.id1 import HEIGHT_MM, RADIUS_MM, WIDTH_MM

PX_PER_MM = 96 / 25.4  # CSS: 1 in = 96 px = 25.4 mm (W3C, CSS Values and Units Level 3, 5.2)
POINT_MM = 25.4 / 72  # PDF's default user space unit is 1/72 in (ISO 32000-1:2008, 8.3.2.3)


@pytest.mark.parametrize("name", known_cards())
def test_svg_sizes_by_svgelements(name: str) -> None:
    card = load_card(name)
    drawing = svgelements.SVG.parse(io.StringIO(draw_svg(card)), ppi=96)
    cut = next(e for e in drawing.elements() if e.id == "cut")
    x0, y0, x1, y1 = cut.bbox(with_stroke=False)
    assert ((x1 - x0) / PX_PER_MM, (y1 - y0) / PX_PER_MM) == pytest.approx((card.width_mm, card.height_mm), abs=0.001)
    black = svgelements.Path(next(e for e in drawing.elements() if e.id == "black"))
    boxes = [sub.bbox() for sub in black.as_subpaths() for sub in [svgelements.Path(sub)]]
    wide = np.array([[b[2] - b[0], b[3] - b[1]] for b in boxes]) / PX_PER_MM
    squares = np.isclose(wide, card.square_mm, atol=0.001).all(1)
    assert squares.sum() == len(card.black_squares_mm())
    # The bar is the longest thing drawn but for the card itself.
    assert wide[:, 0].max() == pytest.approx(card.bar_mm, abs=0.001)


def pdf_boxes_mm(data: bytes) -> tuple[np.ndarray, tuple[float, float]]:
    """Return the rectangles of a PDF's only page, (N, 4) as x, y, w, h, and the page's size, mm."""
    page = pypdf.PdfReader(io.BytesIO(data)).pages[0]
    content = page.get_contents()
    assert content is not None
    boxes = [[float(v) for v in operands] for operands, operator in content.operations if operator == b"re"]
    size = (float(page.mediabox.width) * POINT_MM, float(page.mediabox.height) * POINT_MM)
    return np.array(boxes) * POINT_MM, size


@pytest.mark.parametrize("name", known_cards())
def test_pdf_sizes_by_pypdf(name: str) -> None:
    card = load_card(name)
    boxes, size = pdf_boxes_mm(draw_pdf(card))
    assert size == pytest.approx((210, 297), abs=0.01)  # A4, ISO 216
    squares = boxes[np.isclose(boxes[:, 2:], card.square_mm, atol=0.001).all(1)]
    assert len(squares) == len(card.black_squares_mm())
    across_mm = squares[:, 0].max() + card.square_mm - squares[:, 0].min()
    assert across_mm == pytest.approx(card.squares_x * card.square_mm, abs=0.002)
    assert boxes[:, 2].max() == pytest.approx(card.bar_mm, abs=0.001)


def test_pdf_text_is_text() -> None:
    text = pypdf.PdfReader(io.BytesIO(draw_pdf(load_card("lane")))).pages[0].extract_text()
    assert "visionwire lane" in text
    assert "100.0 mm" in text


@pytest.mark.parametrize("dpi", [150, 600])
def test_png_resolution_by_pillow(dpi: int) -> None:
    card = load_card("pocket")
    image = Image.open(io.BytesIO(draw_png(card, dpi)))
    # pHYs counts whole pixels per metre (PNG, third edition, 11.3.4.3): good to 0.01 % at 150 dpi.
    assert image.info["dpi"] == pytest.approx((dpi, dpi), rel=2e-4)
    # In the card's foot, inside the cutting line, the bar is the longest thing: its length and half a tick at each end.
    foot_mm = card.height_mm - card.foot_mm + 1, card.height_mm - 1
    (top, bottom), side = (round((8.0 + at_mm) * dpi / 25.4) for at_mm in foot_mm), round(9.0 * dpi / 25.4)
    foot = np.asarray(image)[top:bottom, side:-side]
    run_mm = max(longest_run(row < 200) for row in foot) / image.info["dpi"][0] * 25.4
    assert run_mm == pytest.approx(card.bar_mm + 0.12, abs=2 * 25.4 / dpi)


def longest_run(dark: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], dark, [False]]).astype(int)))
    return max((b - a for a, b in list(pairwise(edges))[::2]), default=0)


@pytest.mark.parametrize("name", known_cards())
def test_markers_are_opencvs_own(name: str) -> None:
    """OpenCV's own detector reads every marker of the drawing, with the id and at the place the card states."""
    card = load_card(name)
    image = np.asarray(Image.open(io.BytesIO(draw_png(card, 254))))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image)
    stated = card.markers_mm()
    assert sorted(ids.ravel().tolist()) == sorted(stated)
    for marker_id, four in zip(ids.ravel().tolist(), corners, strict=True):
        mm = (four.reshape(4, 2) + 0.5) / 10 - 8.0
        assert mm == pytest.approx(stated[marker_id], abs=0.15)


def test_chart_is_opencvs_own_board() -> None:
    """Corners and marker places are those of cv2.aruco.CharucoBoard, shifted by the margin."""
    chart = load_card("chart")
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    board = cv2.aruco.CharucoBoard((7, 3), 10.0, 7.0, dictionary)
    assert np.asarray(board.getChessboardCorners())[:, :2] + 5 == pytest.approx(chart.corners_mm())
    for marker_id, corners in zip(board.getIds().ravel().tolist(), board.getObjPoints(), strict=True):
        assert np.asarray(corners)[:, :2] + 5 == pytest.approx(chart.markers_mm()[marker_id], abs=1e-5)


def test_id1_is_iso_7810() -> None:
    """ISO/IEC 7810:2019, ID-1: 85.60 x 53.98 mm, corner radius 3.18 mm (2.88 to 3.48); figures from memory."""
    assert (WIDTH_MM, HEIGHT_MM, RADIUS_MM) == (85.60, 53.98, 3.18)
    pocket = load_card("pocket")
    assert (pocket.width_mm, pocket.height_mm) == pytest.approx((85.60, 53.98))
    assert pocket.corner_radius_mm == 3.18
    # The format began in inches, 3.370 x 2.125 (from memory).
    assert pytest.approx((WIDTH_MM, HEIGHT_MM), abs=0.006) == (3.370 * 25.4, 2.125 * 25.4)
