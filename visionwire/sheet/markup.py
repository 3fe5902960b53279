"""The photograph with what was found drawn on it: spine, a tick at every twist, ends, card.

Ticks stand beside the wire, not on it, so that every crossing stays in plain
view and a person can count again.
"""

from __future__ import annotations

import numpy as np

from visionwire.evidence import Evidence, SectionEvidence
from visionwire.sheet.marks import (
    Picture,
    Points,
    blank_ink,
    draw_dashes,
    draw_line,
    draw_ring,
    draw_text,
    press,
)
from visionwire.sheet.view import View, crop_view, level_view

_TICK_FROM, _TICK_TO = 0.85, 1.5  # of the tick line's half length: beside the wire on both of its sides
_OVERVIEW_PX = 2000
_CLOSE_UP_PX = 1800
_MARGIN = 0.4  # of the size of letters: nearer to the picture's edge they look cut off


def overview(evidence: Evidence) -> Picture:
    """Draw the part of the photograph that holds the safety and the card, at most 2000 px long."""
    points = [section.spine_px for section in evidence.sections]
    if evidence.card_outline_px is not None:
        points.append(evidence.card_outline_px)
    if evidence.pattern_px is not None:
        points.append(evidence.pattern_px)
    if evidence.pigtail_px is not None:
        points.append(evidence.pigtail_px[None])
    margin_px = 0.07 * max(evidence.pixels.shape[:2])
    view = crop_view(evidence.pixels, np.concatenate(points), margin_px, _OVERVIEW_PX)
    return _draw(view, evidence.sections, evidence)


def plain_photo(pixels: Picture) -> Picture:
    """Return the whole photograph at sheet size, unmarked, for a sheet that says why there is no reading."""
    corners = np.array([[0.0, 0.0], [pixels.shape[1] - 1.0, pixels.shape[0] - 1.0]])
    return crop_view(pixels, corners, 0.0, _OVERVIEW_PX, most=1.0).pixels


def close_up(evidence: Evidence, section: SectionEvidence) -> Picture:
    """Draw one section turned level and enlarged, with its chord, so that bow and ends show."""
    half_px = _half_tick_px(section)
    view = level_view(evidence.pixels, section.spine_px, 5 * half_px, _CLOSE_UP_PX)
    return _draw(view, (section,), None, chord=True)


def first_number(section: SectionEvidence) -> int:
    """Return the count at the section's first tick: 0 where it stands on the section's start, else 1."""
    ticks = section.strip_ticks
    if len(ticks) < 2:
        return 1
    return 0 if ticks[0] - section.strip_ends[0] < 0.25 * (ticks[1] - ticks[0]) else 1


def _draw(view: View, sections: tuple[SectionEvidence, ...], evidence: Evidence | None, chord: bool = False) -> Picture:
    longer_px = max(view.pixels.shape[:2])
    text_px = max(14, round(longer_px / 38))
    width_px = 2 if chord else max(1, round(longer_px / 850))
    dots, ink = blank_ink(view.pixels), blank_ink(view.pixels)
    for section in sections:
        spine, half_px = view.place(section.spine_px), _half_tick_px(section) * view.enlargement
        draw_dashes(dots, spine[[0, -1]] if chord else spine, 2.0, 22.0 if chord else 10.0)
        _draw_ticks(ink, view.place(section.ticks_px), spine, first_number(section), text_px, width_px)
        _draw_ends(ink, spine, half_px)
        if not chord:
            _draw_name(ink, spine, section.name, half_px, text_px)
    if evidence is not None:
        _draw_pattern(dots, ink, view, evidence, text_px)
        _draw_card(ink, view, evidence, 0.29 * text_px)
        for axis in () if evidence.axes_px is None else view.place(evidence.axes_px):
            draw_ring(ink, axis, 0.29 * text_px)
        if evidence.pigtail_px is not None:
            (at,) = view.place(evidence.pigtail_px[None])
            draw_ring(ink, at, 1.5 * text_px)
            draw_text(ink, at + np.array([0.0, 2.5 * text_px]), "pigtail", text_px, _MARGIN * text_px)
    return press(press(view.pixels, dots), ink, edge_px=width_px)  # what lies on the wire has the thinnest edge


def _draw_pattern(dots: Picture, ink: Picture, view: View, evidence: Evidence, text_px: int) -> None:
    """Draw the line of single wire, and a numbered ring at every fastener that it passes."""
    if evidence.pattern_px is None or evidence.corners_px is None:
        return
    draw_dashes(dots, view.place(evidence.pattern_px), 6.0, 8.0)
    corners = view.place(evidence.corners_px)
    middle = corners.mean(0)
    for number, corner in enumerate(corners, 1):
        draw_ring(ink, corner, 0.5 * text_px)
        outward = (corner - middle) / max(float(np.hypot(*(corner - middle))), 1e-9)
        draw_text(ink, corner + 1.6 * text_px * outward, str(number), text_px, _MARGIN * text_px)


def _draw_card(ink: Picture, view: View, evidence: Evidence, ring_px: float) -> None:
    if evidence.card_outline_px is not None:
        draw_dashes(ink, view.place(evidence.card_outline_px), 14.0, 8.0)
    if evidence.card_points_px is not None:
        for point in view.place(evidence.card_points_px):
            draw_ring(ink, point, ring_px)


def _draw_ticks(ink: Picture, ticks: Points, spine: Points, first: int, text_px: int, width_px: int) -> None:
    side = _upper_side(spine)
    apart = float(np.hypot(*np.diff(ticks.mean(1), axis=0).T).min()) if len(ticks) > 1 else np.inf
    for number, (one, other) in enumerate(ticks, start=first):
        centre, half = (one + other) / 2, (other - one) / 2
        near = 0.4 * min(float(np.hypot(*half)), apart)
        if min(np.hypot(*(centre - spine[0])), np.hypot(*(centre - spine[-1]))) < near:
            continue  # the bracket of the end stands there
        if half @ side < 0:
            half = -half
        fifth = number > 0 and number % 5 == 0  # the first end's own bracket stands for 0
        reach = 2.1 if fifth else _TICK_TO
        draw_line(ink, np.stack([centre + _TICK_FROM * half, centre + reach * half]), width_px)
        draw_line(ink, np.stack([centre - _TICK_FROM * half, centre - _TICK_TO * half]), width_px)
        if fifth:
            length_px = float(np.hypot(*half))
            beside = centre + half * (reach + 0.75 * text_px / max(length_px, 1.0))
            draw_text(ink, beside, str(number), text_px, _MARGIN * text_px)


def _draw_ends(ink: Picture, spine: Points, half_px: float) -> None:
    """Draw an open bracket across the wire at both ends, its arms pointing along the section."""
    for end, inner in ((spine[0], spine[min(3, len(spine) - 1)]), (spine[-1], spine[max(-4, -len(spine))])):
        along = (inner - end) / max(float(np.hypot(*(inner - end))), 1e-9)
        across = np.array([-along[1], along[0]])
        arm = along * 0.6 * half_px
        corners = [end + across * 1.9 * half_px, end - across * 1.9 * half_px]
        draw_line(ink, np.stack([corners[0] + arm, corners[0], corners[1], corners[1] + arm]), 2)


def _draw_name(ink: Picture, spine: Points, name: str, half_px: float, text_px: int) -> None:
    middle = spine[len(spine) // 2]
    away = -_upper_side(spine) * (2.5 * half_px + 1.2 * text_px)
    wide = 0.25 * text_px * len(name) * np.array([np.sign(away[0]) * abs(away[0]) / np.hypot(*away), 0.0])
    draw_text(ink, middle + away + wide, name, text_px, _MARGIN * text_px)


def _upper_side(spine: Points) -> Points:
    """Return the unit normal of the chord that points up in the picture (to the left for an upright chord)."""
    chord = spine[-1] - spine[0]
    normal = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-9)
    return -normal if (normal[1], normal[0]) > (0.0, 0.0) else normal


def _half_tick_px(section: SectionEvidence) -> float:
    if len(section.ticks_px) == 0:
        return 8.0
    return float(np.median(np.hypot(*(section.ticks_px[:, 1] - section.ticks_px[:, 0]).T))) / 2
