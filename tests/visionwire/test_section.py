"""One section: measured from end to end, its ends found where the wire begins, nothing made of nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.visionwire.drawn import even, picture
from tests.visionwire.test_measure import PICTURES
from tests.visionwire.test_twist import nothing
from visionwire import section
from visionwire.measure import measure
from visionwire.photo import open_photo
from visionwire.reading import Reading

START, END, DIAMETER_PX = (150.0, 150.0), (550.0, 150.0), 10.0
LINE = np.array([START, END])
LONGER = np.array([[30.0, 150.0], [680.0, 150.0]])
TWISTS = 10.0


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    return picture(START, END, DIAMETER_PX, even(4.0))


def test_the_whole_line_is_measured_from_end_to_end(grey: np.ndarray) -> None:
    one = section.whole(grey, LINE, DIAMETER_PX)
    assert one.twists == pytest.approx(TWISTS, abs=0.25)
    assert one.twist.lay == "Z"
    assert one.px_per_twist == pytest.approx(40.0, rel=0.02)
    assert one.length_d == pytest.approx(40.0, abs=0.5)
    assert one.spine_px[0] == pytest.approx(START, abs=0.6 * DIAMETER_PX)
    assert one.spine_px[-1] == pytest.approx(END, abs=0.6 * DIAMETER_PX)
    assert 0 < one.twists_u < 0.2


def test_a_candidate_that_runs_on_past_the_wire_is_cut_to_it(grey: np.ndarray) -> None:
    found = section.within(grey, LONGER, DIAMETER_PX)
    assert len(found) == 1
    ends = sorted([found[0].spine_px[0, 0], found[0].spine_px[-1, 0]])
    assert ends == pytest.approx([START[0], END[0]], abs=1.0 * 40)  # within a twist
    assert found[0].twists == pytest.approx((ends[1] - ends[0]) / 40, abs=0.25)


def test_what_is_not_wanted_is_not_measured(grey: np.ndarray) -> None:
    asked: list[np.ndarray] = []
    assert section.within(grey, LONGER, DIAMETER_PX, lambda spine_px: bool(asked.append(spine_px))) == []  # type: ignore[func-returns-value]
    (spine_px,) = asked
    assert spine_px[:, 1] == pytest.approx(150, abs=DIAMETER_PX)


def test_ends_are_not_moved_in_until_nothing_is_left(grey: np.ndarray) -> None:
    one = section.whole(grey, LINE, DIAMETER_PX)
    assert section.with_ends_moved(grey, one, np.array([-0.48, -0.48]) * one.length_d * DIAMETER_PX) is one


@pytest.mark.parametrize("radius_px", [120.0, -120.0, 1e6])
def test_what_goes_on_from_a_section_turns_as_it_does(grey: np.ndarray, radius_px: float) -> None:
    one, step_px = section.whole(grey, LINE, DIAMETER_PX), 2.5
    angle = np.arange(200) * step_px / radius_px
    circle = radius_px * np.column_stack([np.sin(angle), 1 - np.cos(angle)]) + [300.0, 150.0]
    count = round(2.5 * one.px_per_twist / step_px)
    ahead = section.beyond(one, circle[: len(circle) - count], step_px, count)
    assert np.hypot(*(ahead - circle[-count:]).T).max() < 0.5 * DIAMETER_PX
    # two points show no turn
    assert section.beyond(one, circle[:2], step_px, 1) == pytest.approx(circle[2:3], abs=0.1)


@pytest.mark.parametrize(("gap_px", "spacing_d"), [(14, 4.0), (14, 4.3), (60, 4.0), (60, 4.3)])
def test_a_section_goes_on_from_its_part_in_step_and_not_over_a_break(
    grey: np.ndarray, gap_px: int, spacing_d: float
) -> None:
    first = np.array([START, (350.0, 150.0)])
    part = section.whole(grey, first, DIAMETER_PX)
    assert section.goes_on(section.whole(grey, LINE, DIAMETER_PX), part)
    assert not section.goes_on(part, part), "there is no more of it"
    left = picture(START, (350, 150), DIAMETER_PX, even(4.0))
    right = picture((355 + gap_px, 150), (600, 150), DIAMETER_PX, even(spacing_d), seed=1)
    both = np.where(np.arange(700) < 352 + gap_px / 2, left, right)
    over = section.whole(both, np.array([START, (600.0, 150.0)]), DIAMETER_PX)
    assert not section.goes_on(over, section.whole(both, first, DIAMETER_PX))


def test_two_pairs_on_one_line_are_two_sections(grey: np.ndarray) -> None:
    left = picture((40, 150), (270, 150), DIAMETER_PX, even(4.0))
    right = picture((430, 150), (660, 150), DIAMETER_PX, even(4.0), seed=1)
    both = np.where(np.arange(700) < 350, left, right)
    found = section.within(both, LONGER, DIAMETER_PX)
    middles = sorted(one.spine_px[:, 0].mean() for one in found)
    assert middles == pytest.approx([155, 545], abs=25)


def test_what_runs_against_the_pattern_over_some_twists_parts_it(grey: np.ndarray) -> None:
    whole = picture((40, 150), (660, 150), DIAMETER_PX, even(4.0))
    against = picture((40, 150), (660, 150), DIAMETER_PX, even(2.7), lay="S", seed=1)
    broken = np.where(np.abs(np.arange(700) - 370) < 80, against, whole)
    line = np.array([[45.0, 150.0], [655.0, 150.0]])
    assert len(section._parted(whole, section.whole(whole, line, DIAMETER_PX))) == 1
    parts = section._parted(broken, section.whole(broken, line, DIAMETER_PX))
    assert [one.twist.lay for one in parts] == ["Z", "Z"]
    ends = [one.spine_px[at, 0] for one in parts for at in (0, -1)]
    assert ends == pytest.approx([45, 290, 450, 655], abs=40)  # within a twist
    assert [one.twists for one in parts] == pytest.approx([(ends[1] - ends[0]) / 40, (ends[3] - ends[2]) / 40], abs=0.3)


def test_a_pattern_broken_twice_is_three_sections() -> None:
    whole = picture((40, 150), (660, 150), DIAMETER_PX, even(2.4))
    against = picture((40, 150), (660, 150), DIAMETER_PX, even(4.0), lay="S", seed=1)
    x = np.arange(700)
    broken = np.where((np.abs(x - 230) < 45) | (np.abs(x - 470) < 45), against, whole)
    parts = section._parted(broken, section.whole(broken, np.array([[45.0, 150.0], [655.0, 150.0]]), DIAMETER_PX))
    assert [one.twist.lay for one in parts] == ["Z", "Z", "Z"]
    assert [one.px_per_twist for one in parts] == pytest.approx([24.0] * 3, rel=0.04)


def test_two_spans_over_a_head_are_two_runs_however_hard_the_picture_is_packed() -> None:
    pixels = open_photo(PICTURES / "three_heads.jpg").pixels
    packed = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 35])[1]
    answer = measure(packed.tobytes(), wire=0.032)
    assert isinstance(answer, Reading)
    assert sorted(run.lay for run in answer.runs) == ["S", "Z"]
    assert all(run.twists == pytest.approx(11.5, abs=0.7) for run in answer.runs)


@pytest.mark.parametrize("kind", ["noise", "single wire", "two wires side by side", "thread", "grating", "knurl"])
def test_no_section_of_any_weight_is_made_of_what_is_no_pair(kind: str, grey: np.ndarray) -> None:
    likeliest = max((one.score for one in section.within(_wide(kind), LINE - [100, 90], DIAMETER_PX)), default=0.0)
    assert likeliest < 0.5 * section.whole(grey, LINE, DIAMETER_PX).score


def _wide(kind: str) -> np.ndarray:
    return nothing(kind).astype(np.float32)


def test_beside_a_wire_is_nothing_and_beside_one_thread_of_a_braid_is_another(grey: np.ndarray) -> None:
    alone = section.whole(grey, LINE, DIAMETER_PX)
    assert section.beside(grey, alone) < 0.3 * alone.score
    rows = [picture((150, y), (550, y), DIAMETER_PX, even(4.0), ground=0) for y in (126.0, 150.0, 174.0)]
    braid = np.max(rows, axis=0)
    amid = section.whole(braid, LINE, DIAMETER_PX)
    assert section.beside(braid, amid) > 0.5 * amid.score


def test_a_section_at_the_pictures_edge(grey: np.ndarray) -> None:
    cut = np.ascontiguousarray(grey[140:])
    one = section.whole(cut, LINE - [0, 140], DIAMETER_PX)
    assert one.twists == pytest.approx(TWISTS, abs=0.6)


def test_too_short_a_line_says_so(grey: np.ndarray) -> None:
    with pytest.raises(ValueError, match="shorter than 3 wire diameters"):
        section.whole(grey, np.array([[150.0, 150.0], [170.0, 150.0]]), DIAMETER_PX)
    assert section.within(grey, np.array([[150.0, 150.0], [170.0, 150.0]]), DIAMETER_PX) == []


def test_a_line_run_backwards_counts_the_same(grey: np.ndarray) -> None:
    ahead, back = (section.whole(grey, line, DIAMETER_PX) for line in (LINE, LINE[::-1]))
    assert back.twists == pytest.approx(ahead.twists, abs=0.05)
    assert back.twist.lay == ahead.twist.lay
