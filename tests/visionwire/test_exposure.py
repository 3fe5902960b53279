"""Exposure of a wire drawn beforehand: what is clipped is counted, on the wire alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.visionwire.drawn import even, pair_seen
from visionwire.exposure import on_wire
from visionwire.section import Section
from visionwire.strip import straighten
from visionwire.twist import QUICK, estimate


def section(gain: float, ground: float) -> Section:
    y, x = np.mgrid[0:80, 0:420].astype(float)
    seen = pair_seen((x - 10) / 10, (y - 40) / 10, even(3.4))
    picture = np.clip(255 * gain * np.where(np.isnan(seen), ground, seen), 0, 255).astype(np.float32)
    strip = straighten(picture, np.column_stack([np.linspace(20, 400, 100), np.full(100, 40.0)]), 10.0)
    return Section(strip, estimate(strip, QUICK), 4, strip.values.shape[1] - 5)


def test_a_wire_between_black_and_white_has_nothing_clipped() -> None:
    seen = on_wire(section(0.8, ground=0.4))
    assert seen.white_share == 0
    assert seen.black_share < 0.02
    assert 60 < seen.bright_level < 240


def test_what_is_burnt_out_or_black_beside_the_wire_does_not_count() -> None:
    seen = [on_wire(section(0.8, ground=ground)) for ground in (0.0, 2.0)]
    assert all(one.white_share < 0.02 and one.black_share < 0.05 for one in seen)


def test_shares_grow_with_the_light_and_level_with_it() -> None:
    seen = [on_wire(section(gain, ground=0.4)) for gain in (0.02, 0.8, 3.0, 30.0)]
    assert [one.white_share for one in seen] == sorted(one.white_share for one in seen)
    assert seen[3].white_share > 0.8
    assert 0.2 < seen[2].white_share < seen[3].white_share
    assert seen[0].black_share > 0.8
    assert seen[0].bright_level == pytest.approx(seen[1].bright_level / 40, rel=0.3)
