"""Gaps, spans and wire used, of sections whose places are set by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calibration.without_card import two_points
from tests.visionwire.test_density import PX_PER_IN, made, straight
from visionwire import budget, layout, parts
from visionwire.density import Density

RULER = budget.beside(two_points((0, 0), (1000, 0), 254.0), None, (1000, 600))


def with_holes(density: Density, *holes: tuple[float, float] | None) -> Density:
    start, end = (None if hole is None else PX_PER_IN * np.array(hole) for hole in holes)
    return dataclasses.replace(density, section=dataclasses.replace(density.section, holes_px=(start, end)))


def test_a_gap_is_the_way_from_the_hole_to_the_twist() -> None:
    density = with_holes(made(np.linspace(0, 14, 601), straight(2.0)), (-0.12, 0.5), (2.03, 0.54))
    one = layout.laid(density, RULER)
    assert one.gap_start is not None and one.gap_end is not None
    assert one.gap_start.value == pytest.approx(0.12)
    assert one.gap_end.value == pytest.approx(0.05)
    assert one.span.value == pytest.approx(2.17)
    assert one.gap_end.u > 0


def test_a_hole_unseen_leaves_the_gap_open_and_the_span_less_sure() -> None:
    seen = layout.laid(with_holes(made(np.linspace(0, 14, 601), straight(2.0)), (-0.1, 0.5), (2.1, 0.5)), RULER)
    half = layout.laid(with_holes(made(np.linspace(0, 14, 601), straight(2.0)), (-0.1, 0.5), None), RULER)
    assert half.gap_end is None
    assert half.span.u < 0.1
    assert 2.1 < half.span.value < seen.span.value + 2 * half.span.u


def test_ends_that_were_found_make_a_gap_less_sure() -> None:
    density = with_holes(made(np.linspace(0, 14, 601), straight(2.0)), (-0.1, 0.5), (2.1, 0.5))
    found = dataclasses.replace(density, section=dataclasses.replace(density.section, end_u_twists=0.7))
    given, loose = layout.laid(density, RULER), layout.laid(found, RULER)
    assert given.gap_start is not None and loose.gap_start is not None
    # Seven twists an inch: 0.7 of a twist is a tenth of an inch.
    assert loose.gap_start.u == pytest.approx(np.hypot(given.gap_start.u, 0.1))


def test_wire_used_counts_both_strands_of_what_is_twisted_and_what_is_not() -> None:
    # 2 in of .032 wire at 8 twists an inch take 2.1556 in of each strand (worked by hand from the helix).
    density = with_holes(made(np.linspace(0, 16, 601), straight(2.0)), (-0.1, 0.5), (2.1, 0.5))
    one = layout.laid(density, RULER)
    used = layout.wire_used([one], 0.0, 0.0, 0.032)
    assert used.value - 2 * layout.ROUND_HEAD_IN == pytest.approx(2 * (2.1556 + 0.2), abs=1e-3)
    longer = layout.wire_used([one, one], 0.5, 4.0, 0.032)
    assert longer.value > 2 * used.value - layout.ROUND_HEAD_IN
    assert longer.u > used.u


@pytest.mark.parametrize(
    ("holes", "where"),
    [
        (((-0.1, 0.5), (2.1, 0.5)), None),
        ((None, (2.1, 0.5)), "before the first twist of run 2"),
        (((-0.1, 0.5), None), "after the last twist of run 2"),
        ((None, None), "at either end of run 2"),
    ],
)
def test_a_reading_says_which_hole_is_not_seen(
    holes: tuple[tuple[float, float] | None, tuple[float, float] | None], where: str | None
) -> None:
    one = layout.laid(with_holes(made(np.linspace(0, 14, 601), straight(2.0)), *holes), RULER)
    said = [flag.sentence for flag in parts._run_flags(one, RULER, "run 2") if flag.code == "hole-not-located"]
    assert said == [] if where is None else len(said) == 1 and where in said[0]
