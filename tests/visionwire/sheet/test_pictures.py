"""The marked-up picture, the cuts and the strip: right places, and the wire left bare."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from visionwire.evidence import Evidence
from visionwire.sheet.count import count, counts
from visionwire.sheet.marks import blank_ink, draw_dashes, draw_line, draw_text, press
from visionwire.sheet.markup import _bracket, _draw, close_up, overview, plain_photo
from visionwire.sheet.strips import row_length_in, strip_rows
from visionwire.sheet.view import View, crop_view, level_view


def scene() -> np.ndarray:
    """Return a picture, not square, with one bright dot at (410, 130)."""
    pixels = np.zeros((300, 500, 3), np.uint8)
    pixels[129:132, 409:412] = 255
    return pixels


def marked_up(pixels: np.ndarray, evidence: Evidence) -> np.ndarray:
    """Draw the marks on the whole photograph as it is, where places can be told to the pixel."""
    return _draw(View(pixels, np.eye(2, 3)), evidence.sections, evidence, counts(evidence, {}))


def brightest(pixels: np.ndarray) -> np.ndarray:
    weight = pixels[:, :, 0].astype(float)
    rows, columns = np.indices(weight.shape)
    return np.array([(columns * weight).sum(), (rows * weight).sum()]) / weight.sum()


@pytest.mark.parametrize("width_px", [77, 90, 201, 700])
def test_a_cut_puts_points_where_their_pixels_go(width_px: int) -> None:
    view = crop_view(scene(), np.array([[350.0, 60.0], [480.0, 200.0]]), 10.0, width_px, most=9.0)
    np.testing.assert_allclose(brightest(view.pixels), view.place(np.array([410.0, 130.0])), atol=0.1)


@pytest.mark.parametrize("width_px", [120, 900])
@pytest.mark.parametrize("turned", [False, True])
def test_a_level_cut_turns_and_never_mirrors(width_px: int, turned: bool) -> None:
    spine = np.linspace([380.0, 90.0], [450.0, 190.0], 20)[:: -1 if turned else 1]
    view = level_view(scene(), spine, 20.0, width_px, most=9.0)
    np.testing.assert_allclose(brightest(view.pixels), view.place(np.array([410.0, 130.0])), atol=0.3)
    start, end = view.place(spine[[0, -1]])
    assert start[0] < end[0] and start[1] == pytest.approx(end[1], abs=1e-6)
    assert np.linalg.det(view.matrix[:, :2]) > 0


def test_a_cut_stays_inside_the_picture() -> None:
    view = crop_view(scene(), np.array([[-50.0, 10.0], [700.0, 200.0]]), 30.0, 400)
    corners = np.linalg.solve(view.matrix[:, :2], -view.matrix[:, 2])
    np.testing.assert_allclose(corners, [0.0, 0.0], atol=1e-9)


def test_the_photograph_keeps_its_size_and_the_original_its_pixels(evidence: Evidence) -> None:
    before = evidence.pixels.copy()
    marked = marked_up(evidence.pixels, evidence)
    assert marked.shape == evidence.pixels.shape and marked.dtype == np.uint8
    assert np.array_equal(evidence.pixels, before)


def test_a_tick_stands_beside_the_wire_and_not_on_it(evidence: Evidence) -> None:
    bare = dataclasses.replace(evidence, card_outline_px=None, card_points_px=None)
    changed = np.any(marked_up(evidence.pixels, bare) != evidence.pixels, axis=2)
    section = evidence.sections[0]
    # The tick stands on the upper side, the crossing's point on the other; neither of a fifth nor of an end.
    for line, side in ((count(section).lines_px[6], -1), (section.ticks_px[6], 1)):
        centre, half = line.mean(axis=0), (line[1] - line[0]) / 2
        half = half * side * np.sign(half[1])
        beside = np.round(centre + 1.15 * half).astype(int)
        assert changed[beside[1] - 1 : beside[1] + 2, beside[0] - 1 : beside[0] + 2].any()
        for way in (-0.55, 0.55):
            on_wire = np.round(centre + way * half).astype(int)
            assert not changed[on_wire[1], on_wire[0]]


def test_marks_have_white_and_black_so_that_they_show_on_any_surface(evidence: Evidence) -> None:
    for grey in (0, 255):
        plain = np.full_like(evidence.pixels, grey)
        marked = marked_up(plain, evidence)
        assert np.any(marked != grey)
        assert np.all(marked[:, :, 0] == marked[:, :, 1]) and np.all(marked[:, :, 1] == marked[:, :, 2])


def test_the_card_is_marked_only_where_it_was_found(evidence: Evidence) -> None:
    # Without names, which stand elsewhere where the card leaves room.
    evidence = dataclasses.replace(
        evidence, sections=tuple(dataclasses.replace(one, name="") for one in evidence.sections)
    )
    without = dataclasses.replace(evidence, card_outline_px=None, card_points_px=None)
    with_card, no_card = marked_up(evidence.pixels, evidence), marked_up(evidence.pixels, without)
    rows, columns = np.nonzero(np.any(with_card != no_card, axis=2))
    outline = evidence.card_outline_px
    assert outline is not None
    assert abs(columns.min() - outline[:, 0].min()) < 4 and abs(columns.max() - outline[:, 0].max()) < 4
    assert abs(rows.min() - outline[:, 1].min()) < 4 and abs(rows.max() - outline[:, 1].max()) < 4


def test_sheet_pictures_are_of_sheet_size(evidence: Evidence) -> None:
    assert max(overview(evidence).shape) <= 2001
    for section in evidence.sections:
        assert close_up(evidence, section, count(section)).shape[1] <= 1801
    assert plain_photo(evidence.pixels).shape == evidence.pixels.shape


def test_rows_cover_the_section_once_and_in_order(evidence: Evidence) -> None:
    section = evidence.sections[0]  # 514 px at 200 px per inch: 2.571 in
    rows = strip_rows(section, 1.0)
    assert len(rows) == 3
    assert rows[0].from_in < 0 and rows[-1].to_in > 2.57
    assert all(a.to_in == pytest.approx(b.from_in) for a, b in itertools.pairwise(rows))
    assert [row.share for row in rows[:-1]] == pytest.approx([1.0, 1.0])


def test_the_wire_in_a_row_carries_no_mark_and_ticks_stand_at_their_inch(evidence: Evidence) -> None:
    section = evidence.sections[0]
    (row,) = strip_rows(section, 2.8)
    per_in = row.pixels.shape[1] / (row.to_in - row.from_in)
    wire = np.nonzero(np.all(row.pixels == (176, 120, 80), axis=2).any(axis=1))[0]
    # cubic enlargement blends the band's edges; inside it every column is the strip's own
    assert np.all(row.pixels[wire[3] : wire[-4]] == (176, 120, 80))
    counted = count(section)
    for columns, at in ((counted.columns, 50), (section.strip_ticks, -88)):
        dark = np.nonzero((row.pixels[at] < 128).all(axis=1))[0]
        for tick in (columns - section.strip_ends[0]) / section.strip_px_per_in:
            assert np.abs(dark - (tick - row.from_in) * per_in).min() <= 2


def test_a_row_is_scaled_alike_for_all_sections_and_bounded(evidence: Evidence) -> None:
    assert 1.3 <= row_length_in(evidence.sections) <= 2.7
    assert row_length_in(evidence.sections[1:]) == 1.3
    long = dataclasses.replace(evidence.sections[0], strip_px_per_in=20.0)  # 51 in
    assert len(strip_rows(long, row_length_in((long,)))) == 8


def test_ink_by_hand() -> None:
    picture = np.full((9, 9, 3), 200, np.uint8)
    ink = blank_ink(picture)
    draw_line(ink, np.array([[1.0, 4.0], [7.0, 4.0]]))
    pressed = press(picture, ink)
    assert pressed[4, 4, 0] > 225  # the line, white but for the smoothing of its sides
    assert pressed[3, 4, 0] < 120 and pressed[5, 4, 0] < 120  # its edge, dark: down to 200 * (1 - 0.8)
    assert pressed[0, 4, 0] == 200


@pytest.mark.parametrize("size_px", [36, 53])
def test_letters_are_bold_enough_to_be_read_on_a_printed_sheet(size_px: int) -> None:
    ink = blank_ink(np.zeros((120, 120, 3), np.uint8))
    draw_text(ink, (60, 60), "l", size_px)
    stem_px = ink[60, :, 0].sum() / 255
    assert size_px / 8 < stem_px < size_px / 4


@pytest.mark.parametrize("centre", [(0, 0), (119, 119), (0, 119), (119, 0)])
def test_letters_keep_a_margin(centre: tuple[int, int]) -> None:
    ink = blank_ink(np.zeros((120, 120, 3), np.uint8))
    draw_text(ink, centre, "5", 40, margin_px=12)
    rows, columns = np.nonzero(ink[:, :, 0])
    assert len(rows) and min(rows.min(), columns.min()) >= 12 and max(rows.max(), columns.max()) <= 107


def test_a_name_stands_clear_of_the_edge(evidence: Evidence) -> None:
    """A section along the picture's right edge: its name would stand beyond that."""
    spine = np.c_[np.linspace(625.0, 638.0, 40), np.linspace(40.0, 200.0, 40)]
    tail = dataclasses.replace(evidence.sections[-1], name="pigtail", spine_px=spine, ticks_px=np.zeros((0, 2, 2)))
    plain = dataclasses.replace(evidence, card_outline_px=None, card_points_px=None, sections=(tail,))
    marked, bare = (
        overview(dataclasses.replace(plain, sections=(one,))) for one in (tail, dataclasses.replace(tail, name=""))
    )
    differ = np.nonzero((marked != bare).any(axis=(0, 2)))[0]
    assert len(differ) and differ.max() < marked.shape[1] - 8


def test_dashes_leave_gaps() -> None:
    ink = blank_ink(np.zeros((20, 120, 3), np.uint8))
    draw_dashes(ink, np.array([[10.0, 10.0], [110.0, 10.0]]), 10.0, 10.0)
    assert ink[10, 15, 0] > 200 and ink[10, 25, 0] == 0 and ink[10, 35, 0] > 200


def test_a_name_lies_on_no_wire_and_no_mark(evidence: Evidence) -> None:
    """The pigtail goes down along the picture's right edge: under its middle there is no room beside it."""
    spine = np.c_[np.linspace(560.0, 628.0, 40), np.linspace(40.0, 240.0, 40)]
    across = np.array([7.0, -2.4])
    ticks = np.stack([spine[4::8] - across, spine[4::8] + across], axis=1)
    tail = dataclasses.replace(evidence.sections[-1], name="pigtail", spine_px=spine, ticks_px=ticks)
    plain = dataclasses.replace(evidence, card_outline_px=None, card_points_px=None, sections=(tail,))
    unnamed = dataclasses.replace(plain, sections=(dataclasses.replace(tail, name=""),))
    marked, bare = (marked_up(evidence.pixels, one) for one in (plain, unnamed))
    name = (marked != bare).any(axis=2)
    assert name.any()
    rows, columns = np.nonzero(name)
    from_wire = np.hypot(columns[:, None] - spine[:, 0], rows[:, None] - spine[:, 1]).min(axis=1)
    assert from_wire.min() > 7.0
    others = (bare != evidence.pixels).any(axis=2)
    assert not (name & others).any()


def test_marks_at_the_edge_of_the_photograph_are_shown_whole(evidence: Evidence) -> None:
    """Wraps so near the upper edge that their brackets stand out of the photograph."""
    spine = np.c_[np.linspace(100.0, 160.0, 40), np.full(40, 30.0)]
    places = spine[4::8]
    ticks = places[:, None] + np.array([[0.0, -34.0], [0.0, 34.0]])
    wraps = dataclasses.replace(evidence.sections[0], name="wraps 1", spine_px=spine, ticks_px=ticks)
    marks = np.array([_bracket(wraps, end) for end in (0, -1)])
    assert marks[..., 1].min() < 0
    view = crop_view(evidence.pixels, spine, 20.0, 400, whole=marks)
    placed = view.place(marks)
    assert placed.min() > 0 and (placed < np.array(view.pixels.shape[1::-1]) - 1).all()
    within = crop_view(evidence.pixels, spine, 60.0, 400, whole=spine)
    np.testing.assert_allclose(within.matrix, crop_view(evidence.pixels, spine, 60.0, 400).matrix)


@pytest.mark.parametrize(("short", "on_sheet_px"), [(True, 456), (False, 936)])
def test_letters_of_a_close_view_read_alike_whatever_its_width(
    evidence: Evidence, monkeypatch: pytest.MonkeyPatch, short: bool, on_sheet_px: int
) -> None:
    sizes = []
    monkeypatch.setattr("visionwire.sheet.markup.draw_text", lambda *said: sizes.append(said[3]))
    section = evidence.sections[1]
    picture = close_up(evidence, section, count(section), short)
    shown = min(on_sheet_px / picture.shape[1], 260 / picture.shape[0])
    assert sizes and all(size * shown >= 9.5 for size in sizes), "in pixels of the sheet"
