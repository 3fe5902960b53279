"""Runs told from the pigtail by length and place, and their order along the wire."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from visionwire import safety

PX_PER_IN = 200.0


@dataclass
class Stretch:
    """What `safety` looks at in a section, set by hand."""

    start: tuple[float, float]
    end: tuple[float, float]
    twists: float
    score: float = 0.5
    belief: float = 0.9
    strip: Any = field(default=None)
    cut: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        self.strip = type("Strip", (), {"diameter_px": 6.0})

    @property
    def spine_px(self) -> np.ndarray:
        length = np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])
        return np.linspace(self.start, self.end, int(length) + 1)

    @property
    def gain(self) -> float:
        return self.score

    @property
    def length_d(self) -> float:
        return len(self.spine_px) / 6.0

    @property
    def px_per_twist(self) -> float:
        return float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])) / self.twists


def stretch(*args: Any, **kwargs: Any) -> Any:
    return Stretch(*args, **kwargs)


def test_a_run_and_its_pigtail() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    tail = stretch((560, 120), (650, 160), 4.0)
    whole = safety.join([run, tail], PX_PER_IN)
    assert whole.runs == (run,)
    assert whole.pigtail is tail


def test_a_pigtail_is_wound_like_one_of_the_runs_not_like_the_longest() -> None:
    tight = stretch((100, 100), (510, 100), 16.0, cut=(0.01, 0.02))
    loose = stretch((570, 100), (960, 100), 7.0, cut=(0.01, 0.02))
    tail = stretch((1020, 120), (1240, 120), 4.0, cut=(0.01, 0.99))
    whole = safety.join([tight, loose, tail], PX_PER_IN)
    assert whole.pigtail is tail and len(whole.runs) == 2
    assert safety.join([tight, tail], PX_PER_IN).pigtail is None  # of that run alone it is not


def test_a_line_is_as_long_as_so_many_twists_of_the_run_beside_it() -> None:
    loose, tight = stretch((100, 100), (500, 100), 10.0), stretch((560, 100), (960, 100), 20.0)
    others = stretch((1000, 130), (1400, 130), 5.0)
    whole = safety.Safety((loose, tight, others), None, count=2, first_runs=2)
    line_px = np.array([[1000.0, 120.0], [1040.0, 120.0], [1060.0, 120.0]])
    assert safety.twists_of_run(whole, line_px) == pytest.approx(60 / 20), "the third run is another safety's"
    assert safety.twists_of_run(whole, line_px - [940.0, 0.0]) == pytest.approx(60 / 40)


def test_what_ends_cut_is_the_pigtail_however_long() -> None:
    run = stretch((100, 100), (500, 100), 14.0, cut=(0.01, 0.02))
    tail = stretch((560, 120), (960, 160), 13.0, cut=(0.01, 0.99))
    whole = safety.join([run, tail], PX_PER_IN)
    assert whole.runs == (run,)
    assert whole.pigtail is tail
    # not told, or told to go on at both ends, it is a second run
    for cut in (None, (0.02, 0.03)):
        assert safety.join([run, stretch((560, 120), (960, 160), 13.0, cut=cut)], PX_PER_IN).pigtail is None


def test_a_loose_piece_cut_at_both_ends_is_a_run() -> None:
    piece = stretch((100, 100), (500, 100), 14.0, cut=(0.97, 0.99))
    assert safety.join([piece], PX_PER_IN).runs == (piece,)


def test_of_two_that_are_seen_to_be_cut_the_longer_is_the_run() -> None:
    run = stretch((100, 100), (500, 100), 14.0, cut=(0.01, 0.95))
    tail = stretch((560, 120), (650, 160), 4.5, cut=(0.01, 0.99))
    whole = safety.join([run, tail], PX_PER_IN)
    assert whole.runs == (run,)
    assert whole.pigtail is tail
    # beside a run that is not cut too, if it is longer than any pigtail
    second = stretch((-320, 100), (40, 100), 12.0, cut=(0.01, 0.02))
    assert safety.join([run, tail, second], PX_PER_IN).runs == (second, run)
    # and between that and the pigtail, however short, though the pigtail is misread too
    short = stretch((90, 100), (260, 100), 6.0, cut=(0.01, 0.82))
    tail = stretch((320, 120), (380, 160), 4.5, cut=(0.99, 0.99))
    whole = safety.join([short, tail, second], PX_PER_IN)
    assert whole.runs == (second, short) and whole.pigtail is tail


def test_what_surely_goes_into_a_hole_at_either_end_is_a_run_however_short() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    short = stretch((560, 120), (650, 160), 4.5, cut=(0.01, 0.02))
    whole = safety.join([run, short], PX_PER_IN)
    assert whole.runs == (run, short)
    assert whole.pigtail is None


def test_another_safety_s_pigtail_is_no_run() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    near, far = (stretch((560, y), (650, y + 40), 4.5, belief=b, cut=(0, 0.95)) for y, b in ((120, 0.95), (60, 0.9)))
    whole = safety.join([run, near, far], PX_PER_IN)
    assert whole.runs == (run,)
    assert whole.pigtail is near


def test_a_sure_pigtail_without_a_run_is_told_from_nothing() -> None:
    tail = stretch((560, 120), (650, 160), 4.0, cut=(0.01, 0.99))
    assert safety.join([tail], PX_PER_IN).runs == ()
    assert safety.pigtail_alone([tail])
    for other in ({"belief": 0.6, "cut": (0.01, 0.99)}, {"cut": (0.01, 0.02)}, {}):
        assert not safety.pigtail_alone([stretch((560, 120), (650, 160), 4.0, **other)])


def test_a_pigtail_far_from_any_run_is_not_one() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    stray = stretch((560, 600), (650, 660), 4.0)
    assert safety.join([run, stray], PX_PER_IN).pigtail is None


def test_two_runs_come_in_the_order_along_the_wire() -> None:
    left, middle, right = (stretch((x, 100), (x + 380, 110), 14.0) for x in (0, 450, 900))
    tail = stretch((1340, 120), (1430, 170), 4.0)
    whole = safety.join([middle, right, left, tail], PX_PER_IN)
    assert whole.runs == (left, middle, right)
    assert whole.pigtail is tail


def test_a_run_alone_has_no_pigtail() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    whole = safety.join([run], PX_PER_IN)
    assert whole.runs == (run,) and whole.pigtail is None


def test_a_short_run_may_turn_out_to_be_the_pigtail() -> None:
    run, short = stretch((100, 100), (500, 100), 14.0), stretch((560, 120), (680, 170), 5.0)
    whole = safety.join([short, run], PX_PER_IN)
    assert whole.runs == (run,) and whole.pigtail is short


def test_between_ends_that_the_user_gave_lies_a_run_whatever_its_length() -> None:
    longer, given = stretch((100, 100), (500, 100), 14.0), stretch((560, 120), (680, 170), 5.0)
    assert given in safety.join([longer, given], PX_PER_IN, pointed_at=given).runs


def test_a_tail_of_quite_another_twist_is_none_of_this_safety() -> None:
    run, loose = stretch((100, 100), (500, 100), 14.0), stretch((560, 120), (740, 160), 2.0)
    assert safety.join([run, loose], PX_PER_IN).pigtail is None


def test_a_section_hardly_believed_may_be_the_pigtail_but_no_run() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    doubtful = stretch((560, 120), (650, 160), 4.0, belief=0.55)
    far = stretch((100, 700), (420, 700), 12.0, belief=0.55)
    whole = safety.join([run, doubtful, far], PX_PER_IN)
    assert whole.runs == (run,)
    assert whole.pigtail is doubtful


def test_of_two_tails_the_likelier_is_the_pigtail() -> None:
    run = stretch((100, 100), (500, 100), 14.0)
    doubtful, likely = stretch((560, 60), (620, 20), 3.0, belief=0.6), stretch((560, 120), (650, 160), 4.0)
    assert safety.join([run, doubtful, likely], PX_PER_IN).pigtail is likely


def test_of_two_safeties_the_one_nearest_the_card_comes_first_and_both_are_told() -> None:
    near, near_tail = stretch((100, 100), (500, 100), 14.0), stretch((560, 120), (650, 160), 4.0)
    far, far_tail = stretch((100, 900), (540, 900), 14.0), stretch((600, 920), (690, 960), 4.0)
    whole = safety.join([far, far_tail, near, near_tail], PX_PER_IN, near_px=np.array([300.0, 0.0]))
    assert whole.runs == (near, far)
    assert whole.pigtail is near_tail
    assert whole.count == 2
    assert safety.join([far, far_tail, near, near_tail], PX_PER_IN, pointed_at=far).runs == (far, near)


def test_runs_of_one_chain_are_one_safety() -> None:
    chain = [stretch((x, 100), (x + 380, 110), 14.0) for x in (0, 560, 1120)]
    assert safety.join(chain, PX_PER_IN).count == 1


def test_a_line_is_covered_by_what_lies_within_a_wire_and_a_half() -> None:
    line = np.linspace((100.0, 108.0), (500.0, 108.0), 300)
    assert safety.covered(line, [stretch((100, 100), (300, 100), 8.0)], 6.0) == pytest.approx(0.5, abs=0.03)
    assert safety.covered(line, [stretch((100, 120), (300, 120), 8.0)], 6.0) == 0
    assert safety.covered(line, [], 6.0) == 0


def test_of_two_sections_on_one_place_the_likelier_stays() -> None:
    strong, weak = stretch((100, 100), (500, 100), 14.0, 0.6), stretch((120, 103), (480, 104), 12.0, 0.4)
    elsewhere = stretch((100, 300), (300, 300), 8.0, 0.3)
    assert safety.without_overlap([weak, elsewhere, strong], []) == [strong, elsewhere]
    assert safety.without_overlap([strong, weak, elsewhere], [weak]) == [elsewhere]


def test_what_lies_all_along_beside_a_likelier_run_is_no_run() -> None:
    run, shadow = stretch((100, 100), (500, 100), 14.0), stretch((250, 130), (400, 145), 6.0, cut=(0.0, 0.1))
    leaving = stretch((250, 130), (400, 190), 6.0, cut=(0.0, 0.1))  # under 8 wires away over 0.3 of it
    whole = safety.join([run, shadow], PX_PER_IN)
    assert whole.runs == (run,) and whole.doubtful == ()
    assert safety.join([run, leaving], PX_PER_IN).runs == (run, leaving)
    assert safety.join([run, shadow], PX_PER_IN, pointed_at=shadow).runs == (shadow, run)


def test_beside_a_likelier_run_a_doubtful_one_is_not_read_and_told_of() -> None:
    run = stretch((100, 100), (500, 100), 14.0, cut=(0.0, 0.0))
    doubtful, sure = (stretch((560, 100), (760, 140), 6.0, belief=belief, cut=(0.0, 0.0)) for belief in (0.8, 0.9))
    whole = safety.join([run, doubtful], PX_PER_IN)
    assert whole.runs == (run,) and whole.doubtful == (doubtful,)
    whole = safety.join([run, sure], PX_PER_IN)
    assert whole.runs == (run, sure) and whole.doubtful == ()
    longer = stretch((560, 100), (1160, 140), 18.0, belief=0.8, cut=(0.0, 0.0))
    assert safety.join([run, longer], PX_PER_IN).runs == (run, longer)
    assert safety.join([doubtful], PX_PER_IN).runs == (doubtful,)
    assert safety.join([run, doubtful], PX_PER_IN, pointed_at=doubtful).runs == (doubtful, run)


def test_likelier_is_longer_at_the_same_likeness_and_likelier_at_the_same_length() -> None:
    one = stretch((0, 0), (100, 0), 4.0, 0.5)
    assert safety.weight(stretch((0, 0), (400, 0), 16.0, 0.5)) == pytest.approx(2 * safety.weight(one))
    assert safety.weight(stretch((0, 0), (100, 0), 4.0, 1.0)) == pytest.approx(2 * safety.weight(one))
    assert safety.weight(stretch((0, 0), (100, 0), -1.0, 0.5)) == 0


def test_length_of_three_four_five() -> None:
    assert safety.length_px(stretch((0, 0), (30, 40), 1.0)) == pytest.approx(50)


def test_a_short_run_between_two_sections_is_no_pigtail() -> None:
    first, short = stretch((100, 100), (500, 100), 14.0), stretch((580, 100), (650, 100), 2.6, belief=0.95)
    tail = stretch((720, 130), (790, 200), 4.0)
    assert safety.join([first, short, tail], PX_PER_IN).pigtail is tail


def test_where_the_pigtail_is_hidden_no_run_of_the_series_is_taken_for_it() -> None:
    runs = [stretch((x, 100), (x + 190, 105), 7.0) for x in (0, 270, 540)]
    whole = safety.join(runs, PX_PER_IN)
    assert whole.runs == tuple(runs) and whole.pigtail is None


def test_a_pigtail_may_be_twisted_tighter_than_its_run() -> None:
    run, tight = stretch((100, 100), (500, 100), 10.0), stretch((560, 120), (650, 160), 5.0)
    assert safety.join([run, tight], PX_PER_IN).pigtail is tight
