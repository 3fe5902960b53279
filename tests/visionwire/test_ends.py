"""Where sections end, on pictures of another renderer than the network learned from, and what it must not depend on."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from visionwire import ends, learned, section, spine
from visionwire.measure import measure
from visionwire.reading import Reading
from visionwire.strip import arc_length

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
NAMES = ("demo", "flange", "copper_weave", "hub", "long_tail", "tight", "tilted", "three_heads")
Picture = NDArray[np.float32]
Line = NDArray[np.float64]


def opened(name: str) -> tuple[Picture, float, list[Line]]:
    """Return a kept picture, the wire's diameter in it, and the true lines of its sections."""
    truth = json.loads((PICTURES / f"{name}.json").read_text())
    grey = cv2.imread(str(PICTURES / f"{name}.jpg"), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    lines = [np.array(part["spine_px"]) for part in [*truth["runs"], truth["pigtail"]]]
    return grey.astype(np.float32), float(truth["wire"]["d_px"]), lines


def moved(line: Line, px: float) -> Line:
    """Return a line whose last point lies so much farther along it, or nearer."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    ahead = line[-1] - line[along.searchsorted(along[-1] - 20)]
    if px > 0:
        return np.vstack([line, line[-1] + np.arange(1, px)[:, None] * ahead / np.hypot(*ahead)])
    return line[along <= along[-1] + px]


def put_wrongly(off_twists: float) -> Iterator[tuple[Picture, learned.Maps, section.Section, Line, float]]:
    """Yield sections of kept pictures placed so many twists too far out at the end, their true lines and spacings."""
    for name in NAMES:
        grey, diameter_px, lines = opened(name)
        seen = learned.maps(grey, diameter_px)
        for line in lines:
            spacing = section.whole(grey, line, diameter_px).px_per_twist
            yield (
                grey,
                seen,
                section.whole(grey, moved(line, off_twists * spacing), diameter_px, spacing),
                line,
                spacing,
            )


@pytest.mark.parametrize("off_twists", [-1.0, 0.8])
def test_an_end_placed_a_twist_wrongly_is_put_right(off_twists: float) -> None:
    left = [
        abs(off_twists + ends.read(grey, seen, one, at_start=False).outward_px / spacing)
        for grey, seen, one, _, spacing in put_wrongly(off_twists)
    ]
    assert np.median(left) < 0.2
    assert np.mean(np.array(left) < 0.5) > 0.85, np.round(left, 2)


@pytest.mark.parametrize("off_twists", [-2.2, 3.0])
def test_an_end_placed_farther_off_than_its_window_reaches_is_put_right(off_twists: float) -> None:
    left = [
        float(np.hypot(*(ends.placed(grey, seen, one).spine_px[-1] - line[-1]))) / spacing
        for grey, seen, one, line, spacing in put_wrongly(off_twists)
    ]
    assert np.mean(np.array(left) < 0.5) > 0.8, np.round(left, 2)


def test_a_mirrored_picture_and_a_line_followed_backwards_end_in_the_same_place() -> None:
    grey, diameter_px, lines = opened("demo")
    for line in lines:
        one = section.whole(grey, line, diameter_px)
        there = ends.read(grey, learned.maps(grey, diameter_px), one, at_start=True)
        turned = section.whole(grey, line[::-1].copy(), diameter_px)
        back = ends.read(grey, learned.maps(grey, diameter_px), turned, at_start=False)
        mirror, flipped = np.ascontiguousarray(grey[:, ::-1]), line * [-1, 1] + [grey.shape[1] - 1, 0]
        other = section.whole(mirror, flipped, diameter_px)
        assert other.twist.lay != one.twist.lay
        seen_mirrored = ends.read(mirror, learned.maps(mirror, diameter_px), other, at_start=True)
        for end in (back, seen_mirrored):
            assert abs(end.outward_px - there.outward_px) < 0.15 * one.px_per_twist
        assert 0 < there.u_twists < 0.4


def test_a_cut_end_is_told_from_one_that_goes_into_a_hole() -> None:
    right = []
    for name in NAMES:
        grey, diameter_px, lines = opened(name)
        seen = learned.maps(grey, diameter_px)
        for line in lines:
            one = section.whole(grey, line, diameter_px)
            for at_start in (True, False):
                cut = ends.read(grey, seen, one, at_start).cut > 0.5
                right.append(cut == (line is lines[-1] and not at_start))
    assert np.mean(right) > 0.9


def test_where_the_network_cannot_tell_the_other_words_count(monkeypatch: pytest.MonkeyPatch) -> None:
    grey, diameter_px, lines = opened("demo")
    seen = learned.maps(grey, diameter_px)
    spacing = section.whole(grey, lines[0], diameter_px).px_per_twist
    one = section.whole(grey, moved(lines[0], -0.5 * spacing), diameter_px)
    monkeypatch.setattr(ends, "read", lambda *_: ends.End(9 * spacing, 2 * ends.CANNOT_TELL_U, 0.5))
    put = ends.placed(grey, seen, one)
    assert 0.05 < np.hypot(*(put.spine_px[-1] - one.spine_px[-1])) / spacing < 0.8
    assert put.end_u_twists == pytest.approx(2 * ends.CANNOT_TELL_U)  # its own, which is wider than theirs
    # they count once: read anew from there the end would creep to the last of them
    monkeypatch.setattr(ends, "READINGS", 1)
    assert put.twists == pytest.approx(ends.placed(grey, seen, one).twists, abs=0.05)


def test_ends_far_too_far_out_or_in_do_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    grey, diameter_px, lines = opened("demo")
    seen = learned.maps(grey, diameter_px)
    short = section.whole(grey, lines[-1], diameter_px)
    for far_px in (-20 * short.px_per_twist, -(len(short.spine_px) * short.strip.step_d * diameter_px), 0.0):
        monkeypatch.setattr(ends, "read", lambda *_, far_px=far_px: ends.End(far_px, 0.1, 0.5))
        put = ends.placed(grey, seen, short)
        assert put.twists == pytest.approx(short.twists, abs=0.3)
    line = section.with_ends_moved(grey, short, np.array([-1e4, 3 * short.px_per_twist]))
    assert line.length_d >= section.SHORTEST_D


@pytest.mark.parametrize("off_twists", [1.3, 0.0, -1.2])
def test_an_end_that_was_given_is_taken_in_from_beyond_the_twist_and_not_put_out(off_twists: float) -> None:
    grey, diameter_px, lines = opened("demo")
    spacing = section.whole(grey, lines[0], diameter_px).px_per_twist
    one = section.whole(grey, moved(lines[0], off_twists * spacing), diameter_px, spacing)
    put = ends.taken_in(grey, learned.maps(grey, diameter_px), one)
    away = np.hypot(*(put.spine_px[-1] - lines[0][-1])) / spacing
    assert put.taken_in == (off_twists > 0) and (put.end_u_twists > 0) == put.taken_in
    assert away < 0.3 if put.taken_in else put is one


def test_carelessly_pointed_at_a_run_is_read_between_its_ends_and_that_is_said() -> None:
    careless = measure(PICTURES / "demo.jpg", start=(340, 130), end=(1080, 300))
    true = json.loads((PICTURES / "demo.json").read_text())["runs"][0]
    exact = measure(PICTURES / "demo.jpg", start=true["start_px"], end=true["end_px"])
    assert isinstance(careless, Reading) and isinstance(exact, Reading)
    assert careless.runs[0].twists_per_inch == pytest.approx(true["mean_tpi"], rel=0.01)
    assert "end-beyond-twist" in careless.flags and "end-beyond-twist" not in exact.flags


def test_what_the_picture_s_edge_cuts_is_not_taken_for_a_cut_end() -> None:
    grey, diameter_px, lines = opened("demo")
    x = round(float(lines[0][len(lines[0]) // 2, 0]))
    part = np.ascontiguousarray(grey[:, :x])
    inside = lines[0][lines[0][:, 0] < x - 1]
    put = ends.placed(part, learned.maps(part, diameter_px), section.whole(part, inside, diameter_px))
    assert put.cut is not None and ends.UNKNOWN in put.cut and max(put.cut) == ends.UNKNOWN


def test_an_end_that_is_moved_out_to_the_picture_s_edge_may_be_cut_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    grey, diameter_px, lines = opened("demo")
    middle = len(lines[0]) // 2
    part = np.ascontiguousarray(grey[:, : round(float(lines[0][middle, 0]))])
    inside = lines[0][lines[0][:, 0] < part.shape[1] - 1.5 * diameter_px]
    one = section.whole(part, inside, diameter_px)
    onto_edge = ends.End(diameter_px, 0.1, 0.01)
    monkeypatch.setattr(ends, "read", lambda *_: onto_edge)
    monkeypatch.setattr(ends, "READINGS", 1)
    put = ends.placed(part, learned.maps(part, diameter_px), one)
    assert put.spine_px[-1, 0] > part.shape[1] - 1 - diameter_px
    assert put.cut == (onto_edge.cut, ends.UNKNOWN)


def test_a_pigtail_that_a_walk_followed_on_to_the_picture_s_edge_ends_where_it_is_cut() -> None:
    grey, diameter_px, lines = opened("flange")
    spacing = section.whole(grey, lines[-1], diameter_px).px_per_twist
    followed = moved(lines[-1], 2.5 * spacing)
    part = np.ascontiguousarray(grey[: round(float(followed[-1, 1])) + 1])  # it runs down to this edge
    put = ends.placed(part, learned.maps(part, diameter_px), section.whole(part, followed, diameter_px, spacing))
    assert np.hypot(*(put.spine_px[-1] - lines[-1][-1])) < 0.5 * spacing
    assert put.cut is not None and put.cut[1] > 0.8


@pytest.mark.parametrize(("name", "of_run"), [("demo", 1.0), ("hub", 0.8)])
def test_a_pigtail_followed_on_past_the_head_onto_the_run_ends_at_the_head(name: str, of_run: float) -> None:
    grey, diameter_px, (*runs, tail) = opened(name)
    places = [(run[::by], tail[::tail_by]) for run in runs for by in (1, -1) for tail_by in (1, -1)]
    run, tail = min(places, key=lambda pair: np.hypot(*(pair[0][-1] - pair[1][0])))  # both ends at the head, now
    spacing = section.whole(grey, tail, diameter_px).px_per_twist
    last = moved(run[::-1], of_run * spacing - arc_length(run)[-1])[::-1]
    followed = spine.smooth_line(np.vstack([last, tail]), 1.0, 1e-3)
    one = section.whole(grey, followed, diameter_px, spacing)
    put = ends.placed(grey, learned.maps(grey, diameter_px), one)
    assert np.hypot(*(one.spine_px[0] - tail[0])) > 2 * spacing
    assert np.hypot(*(put.spine_px[0] - tail[0])) < 0.4 * spacing
    assert put.cut is not None and put.cut[0] < 0.2 and put.cut[1] > 0.8


def test_a_pigtail_with_a_mark_of_an_end_within_is_left_where_the_network_has_none_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    grey, diameter_px, (*_, tail) = opened("portrait")
    seen, one = learned.maps(grey, diameter_px), section.whole(grey, tail, diameter_px)
    one = dataclasses.replace(one, cut=(0.01, 0.98))
    assert ends._marks_within(seen, one, True)
    assert ends._without_way_on(grey, seen, one) is one
    (inward_px,) = ends._marks_within(seen, one, True)
    for off_twists, left in ((0.4, False), (0.6, True)):  # told within, but of another place
        told = ends.End(off_twists * ends.spacing_px(one, True) - inward_px, 0.1, 0.01)
        monkeypatch.setattr(ends, "_from_elsewhere", lambda *_, told=told: told)
        assert (ends._without_way_on(grey, seen, one) is one) == left


def test_a_section_keeps_its_octave_where_its_spacing_is_known() -> None:
    grey, diameter_px, lines = opened("demo")
    free = section.whole(grey, lines[0], diameter_px)
    held = section.whole(grey, lines[0], diameter_px, free.px_per_twist)
    assert held.twists == pytest.approx(free.twists, abs=0.05)
    # told another spacing it does not look for the true one
    elsewhere = section.whole(grey, lines[0], diameter_px, 3.2 * free.px_per_twist)
    assert elsewhere.px_per_twist > 1.3 * free.px_per_twist
