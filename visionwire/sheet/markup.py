"""The photograph with what was found drawn on it: spine, a tick at every whole twist, ends, card.

Marks stand beside the wire, not on it, so that every crossing stays in plain
view and a person can count again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from visionwire.evidence import Evidence, SectionEvidence
from visionwire.sheet.count import Count, counts, half_tick_px, is_of_wraps
from visionwire.sheet.marks import (
    Picture,
    Points,
    blank_ink,
    draw_dashes,
    draw_dot,
    draw_line,
    draw_ring,
    draw_text,
    press,
    text_box,
)
from visionwire.sheet.view import View, crop_view, level_view

# Of a tick line's half length: where ticks begin and end, and how far the brackets of the ends reach. The lines of
# wraps already reach over the coil.
_TICK_FROM, _TICK_TO, _BRACKET = 0.85, 1.5, 1.6
_WRAPS_FROM, _WRAPS_TO, _WRAPS_BRACKET = 1.02, 1.2, 1.3
_POINT = 1.15
_OVERVIEW_PX = 2000
_CLOSE_UP_PX = 1800
#: How large a close view stands on the sheet, in the sheet's own pixels, and its letters there: the long, the short.
_CLOSE_UP_ON_SHEET, _SHORT_ON_SHEET, _LETTERS_ON_SHEET = (936, 260), (456, 260), 17
_MARGIN = 0.4  # of the size of letters: nearer to the picture's edge they look cut off


def overview(evidence: Evidence, twists: Mapping[str, float] | None = None) -> Picture:
    """Draw the part of the photograph that holds the safety and the card, at most 2000 px long.

    Parameters
    ----------
    evidence : Evidence
        What was found, its sections turned as they are counted.
    twists : mapping of str to float, optional
        The twists of its sections as the reading has them.
    """
    points = [section.spine_px for section in evidence.sections]
    if evidence.card_outline_px is not None:
        points.append(evidence.card_outline_px)
    if evidence.pattern_px is not None:
        points.append(evidence.pattern_px)
    points += [at_px[None] for _, at_px in _not_read(evidence)]
    margin_px = 0.07 * max(evidence.pixels.shape[:2])
    marks = [_bracket(section, end) for section in evidence.sections for end in (0, -1)]
    # A part may lie at the photograph's very edge; its marks and their letters are not cut off with it.
    view = crop_view(evidence.pixels, np.concatenate(points), margin_px, _OVERVIEW_PX, whole=np.array(marks))
    return _draw(view, evidence.sections, evidence, counts(evidence, twists or {}))


def _not_read(evidence: Evidence) -> list[tuple[str, NDArray[np.float64]]]:
    """Return what is seen and not read, and where, px (2,)."""
    pigtail = [] if evidence.pigtail_px is None else [("pigtail", evidence.pigtail_px)]
    return pigtail + [("run?", at_px) for at_px in evidence.doubtful_px]


def plain_photo(pixels: Picture) -> Picture:
    """Return the whole photograph at sheet size, unmarked, for a sheet that says why there is no reading."""
    corners = np.array([[0.0, 0.0], [pixels.shape[1] - 1.0, pixels.shape[0] - 1.0]])
    return crop_view(pixels, corners, 0.0, _OVERVIEW_PX, most=1.0).pixels


def close_up(evidence: Evidence, section: SectionEvidence, count: Count, short: bool = False) -> Picture:
    """Draw one section turned level and enlarged, with its chord, so that bow and ends show.

    Parameters
    ----------
    evidence : Evidence
        What was found.
    section : SectionEvidence
        Which of it to draw, turned as it is counted.
    count : Count
        Where its ticks stand.
    short : bool
        Whether it stands on half the sheet's width; its letters are then larger, so that they read alike.
    """
    half_px = half_tick_px(section)
    margin_px = (2.2 if is_of_wraps(section) else 5.0) * half_px
    view = level_view(evidence.pixels, section.spine_px, margin_px, _CLOSE_UP_PX)
    height, width = view.pixels.shape[:2]
    shown = _SHORT_ON_SHEET if short else _CLOSE_UP_ON_SHEET
    text_px = max(14, round(_LETTERS_ON_SHEET * max(width / shown[0], height / shown[1])))
    return _draw(view, (section,), None, {section.name: count}, text_px)


def _draw(
    view: View,
    sections: tuple[SectionEvidence, ...],
    evidence: Evidence | None,
    counted: Mapping[str, Count],
    close_text_px: int | None = None,
) -> Picture:
    """Draw the marks on a view; with a size for its letters it is a close view, with chords."""
    longer_px = max(view.pixels.shape[:2])
    chord = close_text_px is not None
    text_px = max(14, round(longer_px / 38)) if close_text_px is None else close_text_px
    width_px = 2 if chord else max(1, round(longer_px / 850))
    dots, ink = blank_ink(view.pixels), blank_ink(view.pixels)
    for section in sections:
        spine = view.place(section.spine_px)
        draw_dashes(dots, spine[[0, -1]] if chord else spine, 2.0, 22.0 if chord else 10.0)
        _draw_ends(ink, view, section)
        _draw_count(ink, view, section, counted[section.name], text_px, width_px)
    if evidence is not None:
        _draw_pattern(dots, ink, view, evidence, text_px)
        _draw_card(ink, view, evidence, 0.29 * text_px)
        for axis in () if evidence.axes_px is None else view.place(evidence.axes_px):
            draw_ring(ink, axis, 0.29 * text_px)
        for name, at_px in _not_read(evidence):
            (at,) = view.place(at_px[None])
            draw_ring(ink, at, 1.5 * text_px)
            draw_text(ink, at + np.array([0.0, 2.5 * text_px]), name, text_px, _MARGIN * text_px)
        _draw_names(ink, view, evidence, sections, text_px)
    return press(press(view.pixels, dots), ink, edge_px=width_px)  # what lies on the wire has the thinnest edge


def _draw_pattern(dots: Picture, ink: Picture, view: View, evidence: Evidence, text_px: int) -> None:
    """Draw the line of single wire, and a numbered ring at every fastener that it passes."""
    if evidence.pattern_px is None or evidence.corners_px is None:
        return
    draw_dashes(dots, view.place(evidence.pattern_px), 6.0, 8.0)
    corners = view.place(evidence.corners_px)
    middle, taken = corners.mean(0), ink.copy()
    draw_line(taken, view.place(evidence.pattern_px), max(2, text_px // 3))
    for number, corner in enumerate(corners, 1):
        draw_ring(ink, corner, 0.5 * text_px)
        outward = (corner - middle) / max(float(np.hypot(*(corner - middle))), 1e-9)
        # Beside the ring, outward unless a mark of the pigtail stands there already.
        ways = (outward, np.array([-outward[1], outward[0]]), np.array([outward[1], -outward[0]]), -outward)
        name = str(number)
        at = min((corner + 1.6 * text_px * way for way in ways), key=lambda at: _covered(taken, at, name, text_px))
        draw_text(ink, at, name, text_px, _MARGIN * text_px)


def _draw_card(ink: Picture, view: View, evidence: Evidence, ring_px: float) -> None:
    if evidence.card_outline_px is not None:
        draw_dashes(ink, view.place(evidence.card_outline_px), 14.0, 8.0)
    if evidence.card_points_px is not None:
        for point in view.place(evidence.card_points_px):
            draw_ring(ink, point, ring_px)


def _draw_count(ink: Picture, view: View, section: SectionEvidence, count: Count, text_px: int, width_px: int) -> None:
    """Draw the ticks with their numbers on one side of the wire, the points at its crossings on the other."""
    spine, half_px = view.place(section.spine_px), half_tick_px(section) * view.enlargement
    ticks, crossings = view.place(count.lines_px), view.place(count.crossings_px)
    wraps = is_of_wraps(section)
    begin, reach = (_WRAPS_FROM, _WRAPS_TO) if wraps else (_TICK_FROM, _TICK_TO)
    past = (_WRAPS_BRACKET if wraps else _BRACKET) + 0.1  # numbers stand beyond what the brackets reach
    side, letters_px, apart = _beside(ink, ticks, spine, count, past * half_px, text_px)
    for number, tick in enumerate(ticks, start=1):
        centre, half = tick.mean(0), _towards(tick, side)
        unit = half / max(float(np.hypot(*half)), 1e-9)
        # The bracket of an end stands for a tick that falls on it.
        if wraps or min(np.hypot(*(centre - spine[0])), np.hypot(*(centre - spine[-1]))) >= 0.3 * half_px:
            for way in (1, -1) if wraps else (1,):
                draw_line(ink, np.stack([centre + way * begin * half, centre + way * reach * half]), width_px)
        if count.numbered(number) and (_fits(count, apart, letters_px) or number == len(ticks)):
            size = letters_px * np.array([0.35 * len(str(number)), 0.6])
            beside = centre + past * half + (size @ abs(unit)) * unit
            draw_text(ink, beside, str(number), letters_px, _MARGIN * letters_px)
    for crossing in crossings:
        centre, half = crossing.mean(0), _towards(crossing, side)
        draw_dot(ink, centre - _POINT * half, max(1.3 * width_px, 0.1 * half_px))


def _beside(
    ink: Picture, ticks: Points, spine: Points, count: Count, past_px: float, text_px: int
) -> tuple[Points, int, float]:
    """Return the side of the wire where its numbers stand, the size of their letters, and how near they come.

    It is the upper side, unless the other alone keeps them in the picture, or apart, as the outer side of a bend does.
    """
    upper = _upper_side(spine)
    height, width = ink.shape[:2]
    found = []
    for size_px in (text_px, round(0.6 * text_px)):
        for side in (upper, -upper):
            halves = np.array([_towards(tick, side) for tick in ticks]).reshape(-1, 2)
            units = halves / np.maximum(np.hypot(*halves.T), 1e-9)[:, None]
            at = ticks.mean(1) + (past_px + 0.6 * size_px) * units if len(ticks) else np.zeros((0, 2))
            apart = float(np.hypot(*np.diff(at, axis=0).T).min()) if len(at) > 1 else np.inf
            beyond = np.maximum(0.6 * size_px - at, at + 0.6 * size_px - np.array([width - 1.0, height - 1.0]))
            within = bool((beyond <= 0).all())
            if within and _fits(count, apart, size_px):
                return side, size_px, apart
            found.append((within, apart, side, size_px))
    within, apart, side, size_px = max(found, key=lambda one: one[0])  # the first where none is within
    return side, size_px, apart


def _fits(count: Count, apart_px: float, letters_px: float) -> bool:
    """Say whether the numbers of a count have room beside one another."""
    every = 1 if count.numbered(1) else 5
    return every * apart_px >= (1.1 if every == 1 else 1.5) * letters_px


def _towards(tick: Points, side: Points) -> Points:
    half = (tick[1] - tick[0]) / 2
    return np.asarray(-half if half @ side < 0 else half)


def _bracket(section: SectionEvidence, end: int) -> Points:
    """Return the open bracket across the wire at an end, 0 or -1, its arms pointing along the section."""
    spine, half_px = section.spine_px, half_tick_px(section)
    inner = spine[min(3, len(spine) - 1)] if end == 0 else spine[max(-4, -len(spine))]
    along = (inner - spine[end]) / max(float(np.hypot(*(inner - spine[end]))), 1e-9)
    across = np.array([-along[1], along[0]]) * (_WRAPS_BRACKET if is_of_wraps(section) else _BRACKET) * half_px
    arm = along * min(0.5 * half_px, 0.15 * float(np.hypot(*(spine[-1] - spine[0]))))
    corners = [spine[end] + across, spine[end] - across]
    return np.stack([corners[0] + arm, corners[0], corners[1], corners[1] + arm])


def _draw_ends(ink: Picture, view: View, section: SectionEvidence) -> None:
    for end in (0, -1):
        draw_line(ink, view.place(_bracket(section, end)), 2)


def _draw_names(
    ink: Picture, view: View, evidence: Evidence, sections: tuple[SectionEvidence, ...], text_px: int
) -> None:
    """Write the name of every section beside it, where it covers neither wire nor any mark."""
    taken = ink.copy()
    for one in sections:
        wide_px = max(2, round(2.4 * half_tick_px(one) * view.enlargement))
        draw_line(taken, view.place(one.spine_px), wide_px)
    if evidence.pattern_px is not None:
        draw_line(taken, view.place(evidence.pattern_px), max(2, text_px // 3))
    for one in sections:
        spine, half_px = view.place(one.spine_px), half_tick_px(one) * view.enlargement
        at = _free_place(taken, one.name, spine, half_px, text_px)
        draw_text(ink, at, one.name, text_px, _MARGIN * text_px)
        left, top, right, bottom = text_box(ink, at, one.name, text_px, _MARGIN * text_px)
        taken[top : bottom + 1, left : right + 1] = 255


def _free_place(taken: Picture, name: str, spine: Points, half_px: float, text_px: int) -> Points:
    """Return the nearest place beside a section where its name covers the least: under its middle, if that is free."""
    down = -_upper_side(spine)
    middle, reach_px = spine[len(spine) // 2], 1.9 * half_px
    left, top, right, bottom = text_box(taken, middle, name, text_px)
    size = np.array([right - left, bottom - top]) / 2
    best, least = middle, math.inf
    for away in (0.6, 1.4, 2.4, 3.6):
        for share in (0.5, 0.3, 0.7, 0.1, 0.9):
            for way in (down, -down):
                from_wire = reach_px + abs(way) @ size + away * text_px
                at = spine[round(share * (len(spine) - 1))] + way * from_wire
                covered = _covered(taken, at, name, text_px)
                if covered < least:
                    best, least = at, covered
                if covered == 0:
                    return np.asarray(at)
    return np.asarray(best)


def _covered(taken: Picture, at: Points, text: str, text_px: int) -> int:
    """Return how many pixels that are taken a text would lie on or near."""
    left, top, right, bottom = text_box(taken, at, text, text_px, _MARGIN * text_px)
    pad = text_px // 3
    return int(np.count_nonzero(taken[max(top - pad, 0) : bottom + pad, max(left - pad, 0) : right + pad, 0]))


def _upper_side(spine: Points) -> Points:
    """Return the unit normal of the chord that points up in the picture (to the left for an upright chord)."""
    chord = spine[-1] - spine[0]
    normal = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-9)
    return -normal if (normal[1], normal[0]) > (0.0, 0.0) else normal
