"""What scan decides by itself: which drawn things are believed, and why nothing can be read."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calibration.plane import Plane, fit_plane
from tests.visionwire.drawn import even, picture
from visionwire import belief, ends, find, learned, pigtail, scan, section
from visionwire.reading import Refusal

DIAMETER_PX = 10.0
START, END = (60.0, 180.0), (620.0, 130.0)


def pair() -> np.ndarray:
    """Draw a pair of 14 twists across the picture."""
    return picture(START, END, DIAMETER_PX, even(4.0))


def thread() -> np.ndarray:
    """Draw a screw thread as wide as a pair and with crossings as far apart: straight grooves, side by side."""
    y, x = np.mgrid[0:300, 0:700].astype(float)
    across_d, along_d = (y - 150) / DIAMETER_PX, (x - 60) / DIAMETER_PX
    on = (np.abs(across_d) < 1) & (along_d > 0) & (along_d < 56)
    round_it = np.sqrt(np.clip(1 - across_d**2, 0, 1))
    grooves = 0.5 + 0.5 * np.cos(2 * np.pi * (along_d - 0.4 * np.arcsin(np.clip(across_d, -1, 1))) / 4.0)
    grey = np.where(on, 40 + 150 * round_it * (0.4 + 0.6 * grooves), 60.0)
    return np.asarray(grey + np.random.default_rng(0).normal(0, 2, grey.shape), np.float32)


def card_over(left: float, top: float, right: float, bottom: float) -> Plane:
    """Return a card that covers a rectangle of the picture, 10 px a millimetre."""
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return fit_plane(corners / 10, corners, outline_mm=corners / 10)


def test_a_drawn_pair_is_believed() -> None:
    (one,) = scan.sections(pair(), DIAMETER_PX, None, None)
    assert one.belief > scan.LEAST_BELIEF and not one.doubted
    assert one.twists == pytest.approx(14.05, abs=1.0)  # 562 px at 40 px a twist, its ends a little early
    assert scan.readable([one], None, 4.0) == [one]


@pytest.mark.parametrize("hints", [None, np.array([START, END])])
def test_a_pair_that_the_network_does_not_see_is_shown_again_as_of_thicker_wire(
    monkeypatch: pytest.MonkeyPatch, hints: np.ndarray | None
) -> None:
    shown = []

    def blind_at_first(luminance: np.ndarray, diameter_px: float) -> learned.Maps:
        shown.append(diameter_px)
        seen = learned_maps(luminance, diameter_px)
        return dataclasses.replace(seen, twisted=0.2 * seen.twisted) if diameter_px == DIAMETER_PX else seen

    learned_maps = learned.maps
    monkeypatch.setattr(learned, "maps", blind_at_first)
    noisy = pair() + np.random.default_rng(3).normal(0, 90, (300, 700)).astype(np.float32)
    (one,) = scan.sections(noisy, DIAMETER_PX, None, hints)
    assert shown == [DIAMETER_PX, belief.THICKER * DIAMETER_PX] and one.belief > scan.LEAST_BELIEF and not one.doubted
    monkeypatch.setattr(belief, "SHOWN_AGAIN", 0.0)
    alone = scan.sections(noisy, DIAMETER_PX, None, hints)
    assert alone == [] if hints is None else alone[0].belief < one.belief - 0.1


def test_a_run_in_two_parts_is_believed_no_less_than_the_likelier(monkeypatch: pytest.MonkeyPatch) -> None:
    grey = pair()
    middle, gap = 0.5 * (np.array(START) + np.array(END)), np.array([6.0, 0.0])
    parts = [
        dataclasses.replace(section.whole(grey, np.array(ends_px), DIAMETER_PX), belief=of)
        for ends_px, of in (((START, middle - gap), 0.9), ((middle + gap, END), 0.6))
    ]
    monkeypatch.setattr(scan, "candidates", lambda *_: parts)
    beliefs = {id(one): one.belief for one in parts}
    monkeypatch.setattr(
        belief, "believed", lambda _, __, one: dataclasses.replace(one, belief=beliefs.get(id(one), 0.1))
    )
    whole, *rest = scan.sections(grey, DIAMETER_PX, None, None)
    assert not rest and whole.twists == pytest.approx(14.05, abs=1.0)
    assert whole.belief == 0.9, "its own figures say 0.1"


@pytest.mark.parametrize(("out_of_step", "twists"), [(section.MOST_OUT_OF_STEP, 14.05), (1.0, 7.0)])
def test_a_run_is_believed_no_less_than_its_likeliest_part(
    monkeypatch: pytest.MonkeyPatch, out_of_step: float, twists: float
) -> None:
    monkeypatch.setattr(section, "MOST_OUT_OF_STEP", out_of_step)
    monkeypatch.setattr(ends, "placed", lambda _, __, one: one)  # it would find most of the rest
    grey = pair()
    grey[:, 350:] += np.random.default_rng(3).normal(0, 40, (300, 350))  # so that the part shows less clearly
    middle = 0.5 * (np.array(START) + np.array(END))
    whole, part = (section.whole(grey, np.array([start, END]), DIAMETER_PX) for start in (START, middle))
    assert whole.gain > part.gain
    beliefs = {id(whole): 0.4, id(part): 0.98}
    monkeypatch.setattr(scan, "candidates", lambda *_: [whole, part])
    monkeypatch.setattr(belief, "believed", lambda _, __, one: dataclasses.replace(one, belief=beliefs.get(id(one), 0)))
    (one,) = scan.sections(grey, DIAMETER_PX, None, None)
    assert one.belief == 0.98 and one.twists == pytest.approx(twists, abs=1.0)


def test_a_drawn_thread_is_looked_at_and_not_believed() -> None:
    grey = thread()
    assert scan.candidates(grey, DIAMETER_PX, None, [find.ribbon(grey, DIAMETER_PX)], None, []), "none was looked at"
    assert scan.sections(grey, DIAMETER_PX, None, None) == []
    refused = scan.readable([], None, 4.0)
    assert isinstance(refused, Refusal) and refused.code == "no-twisted-wire"


@pytest.mark.parametrize("hints", [((80.0, 40.0), (600.0, 40.0)), ((80.0, 260.0), (420.0, 270.0))])
def test_ends_between_which_nothing_lies_are_refused(hints: tuple[tuple[float, float], ...]) -> None:
    ground = np.random.default_rng(1).normal(60, 2, (300, 700)).astype(np.float32)
    pointed = np.array(hints)
    refused = scan.readable(scan.sections(ground, DIAMETER_PX, None, pointed), pointed, 3.0)
    assert isinstance(refused, Refusal) and refused.code == "not-twisted"
    on_wire = np.array([START, END])
    read = scan.readable(scan.sections(pair(), DIAMETER_PX, None, on_wire), on_wire, 3.0)
    assert not isinstance(read, Refusal), "on the wire the same words point at a run"


def test_what_lies_on_the_card_is_left_out() -> None:
    beside, over = card_over(20, 220, 680, 290), card_over(20, 90, 680, 220)
    assert len(scan.sections(pair(), DIAMETER_PX, beside, None)) == 1
    assert scan.sections(pair(), DIAMETER_PX, over, None) == []
    assert scan.sections(pair(), DIAMETER_PX, over, np.array([START, END])) == [], "pointed at, it is still print"


def test_a_run_of_too_few_or_too_small_twists_says_so() -> None:
    (one,) = scan.sections(pair(), DIAMETER_PX, None, None)
    few = scan.readable([one], None, 20.0)
    assert isinstance(few, Refusal) and few.code == "too-few-twists"
    small = picture((60.0, 150.0), (300.0, 150.0), 3.0, even(3.5), blur_px=0.5)
    found = scan.sections(small, 3.0, None, np.array([[60.0, 150.0], [300.0, 150.0]]))
    refused = scan.readable(found, np.array([[60.0, 150.0], [300.0, 150.0]]), 3.0)
    assert isinstance(refused, Refusal) and refused.code == "twist-too-small"


@pytest.mark.parametrize(
    ("twists", "cut", "kept"),
    [(8, (0.0, 0.99), True), (18, (0.0, 0.99), False), (8, (0.0, 0.0), False), (8, None, False), (3, None, True)],
)
def test_beside_a_run_a_pigtail_may_be_a_little_smaller(
    twists: int, cut: tuple[float, float] | None, kept: bool
) -> None:
    small_px = np.array([[60.0, 150.0], [60.0 + 10.5 * twists, 150.0]])
    small = section.whole(picture(small_px[0], small_px[1], 3.0, even(3.5), blur_px=0.5), small_px, 3.0)
    assert scan.LEAST_PX_PER_TWIST_TAIL < small.px_per_twist < scan.LEAST_PX_PER_TWIST
    small = dataclasses.replace(small, cut=cut)
    (run,) = scan.sections(pair(), DIAMETER_PX, None, None)
    assert scan.readable([run, small], None, 4.0) == [run], "a run is not as small"
    assert scan.small_tails([run, small]) == ([small] if kept else [])


@pytest.mark.parametrize(
    ("belief", "evidence", "code"),
    [(0.29, 1.0, "not-twisted"), (0.5, 1.0, None), (0.5, 0.1, "twist-unclear"), (0.95, 0.1, None)],
)
def test_pointed_at_a_section_is_read_by_its_belief_and_then_by_its_evidence(
    monkeypatch: pytest.MonkeyPatch, belief: float, evidence: float, code: str | None
) -> None:
    ends = np.array([START, END])
    one = dataclasses.replace(section.whole(pair(), ends, DIAMETER_PX), belief=belief)
    monkeypatch.setattr(scan, "_evidence", lambda _: evidence)
    read = scan.readable([one], ends, 3.0)
    assert read == [one] if code is None else isinstance(read, Refusal) and read.code == code


def test_a_line_that_doubles_back_shows_no_pigtail_and_breaks_nothing() -> None:
    there = np.linspace((300.0, 150.0), (322.0, 150.0), 12)
    assert list(pigtail.tails(pair(), np.vstack([there, there[-2::-1]]), DIAMETER_PX, {40.0})) == []
