"""How a section is counted: from the head, a tick at every whole twist, a point at every crossing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from visionwire.evidence import Evidence, SectionEvidence
from visionwire.sheet.count import as_counted, count, head_known, twists_of
from visionwire.sheet.words import count_words
from visionwire.strip import arc_length


def bent(first: float, crossings: int, last: float, name: str = "pigtail") -> SectionEvidence:
    """Return a section on an arc, with so many twists before its first crossing and after its last."""
    twists = first + crossings - 1 + last
    angle = np.linspace(0.0, 1.2, 200)
    spine = 300.0 * np.c_[np.sin(angle), np.cos(angle)] + (50.0, 20.0)
    share = (first + np.arange(crossings)) / twists
    at = 1.2 * share
    inner, outer = (radius * np.c_[np.sin(at), np.cos(at)] + (50.0, 20.0) for radius in (290.0, 310.0))
    strip = np.arange(24 * 440 * 3, dtype=np.uint32).reshape(24, 440, 3).astype(np.uint8)
    ends = (20.0, 420.0)
    return SectionEvidence(name, spine, np.stack([inner, outer], 1), strip, 20.0 + 400.0 * share, ends, 600.0)


@pytest.mark.parametrize(
    ("first", "crossings", "last", "ticks"),
    [(0.44, 5, 0.29, 4), (0.86, 5, 0.11, 5), (0.02, 5, 0.02, 4), (0.95, 4, 0.94, 4), (0.3, 1, 0.4, 0)],
)
def test_there_is_a_tick_for_every_whole_twist_that_the_figure_has(
    first: float, crossings: int, last: float, ticks: int
) -> None:
    section, twists = bent(first, crossings, last), first + crossings - 1 + last
    counted = count(section, twists)
    assert len(counted.columns) == len(counted.lines_px) == ticks == int(round(twists, 1))
    expected = np.minimum(20 + 400 * np.arange(1, ticks + 1) / twists, 420)
    np.testing.assert_allclose(counted.columns, expected, atol=0.5)
    assert len(counted.crossings) == crossings
    assert all(counted.numbered(number) for number in range(1, ticks + 1))


def test_ticks_on_the_picture_stand_where_those_of_the_strip_do() -> None:
    section = bent(0.44, 5, 0.29)
    counted = count(section, 4.73)
    along = arc_length(section.spine_px)
    for line, column in zip(counted.lines_px, counted.columns, strict=True):
        nearest = np.hypot(*(section.spine_px - line.mean(0)).T).argmin()
        assert along[nearest] / along[-1] == pytest.approx((column - 20) / 400, abs=0.01)
        outward = line.mean(0) - (50.0, 20.0)
        assert abs(np.cross(np.r_[outward, 0], np.r_[line[1] - line[0], 0])[2]) < 0.05 * np.hypot(*outward) * 20
        assert np.hypot(*(line[1] - line[0])) == pytest.approx(20, abs=0.2)


def test_without_the_figure_the_crossings_tell() -> None:
    assert count(bent(0.44, 5, 0.29)).twists == pytest.approx(4.73, abs=0.02)


@pytest.mark.parametrize("twists", [3.7, 4.0, 5.4])
def test_ticks_agree_with_a_figure_that_is_told_otherwise_than_by_the_crossings(twists: float) -> None:
    counted = count(bent(0.44, 5, 0.29), twists)
    assert counted.twists == pytest.approx(twists) and len(counted.columns) == int(twists)
    assert (np.diff(counted.columns) > 0).all() and counted.columns[-1] <= 420


def test_of_a_long_section_every_fifth_tick_is_numbered() -> None:
    counted = count(bent(0.4, 14, 0.5, "run 1"), 13.9)
    assert [number for number in range(1, 14) if counted.numbered(number)] == [5, 10]


@pytest.mark.parametrize("backward", [False, True])
def test_a_pigtail_is_counted_from_the_head_to_the_cut_end(evidence: Evidence, backward: bool) -> None:
    run = evidence.sections[0]
    tail = bent(0.44, 5, 0.29)
    tail = dataclasses.replace(tail, spine_px=tail.spine_px - tail.spine_px[0] + run.spine_px[-1] + 9.0)
    if backward:
        tail = dataclasses.replace(
            tail,
            spine_px=tail.spine_px[::-1],
            strip=tail.strip[::-1, ::-1],
            strip_ticks=439 - tail.strip_ticks[::-1],
            strip_ends=(19.0, 419.0),
        )
    found = as_counted(dataclasses.replace(evidence, sections=(run, tail))).sections
    assert found[0] is run, "a run is left as it is read"
    np.testing.assert_allclose(found[1].spine_px[0], run.spine_px[-1] + 9.0)
    assert found[1].strip_ticks[0] - found[1].strip_ends[0] == pytest.approx(400 * 0.44 / 4.73)
    assert np.array_equal(found[1].strip, bent(0.44, 5, 0.29).strip), "turned half way round, never mirrored"


def test_the_head_of_single_wire_is_at_its_line(evidence: Evidence) -> None:
    tail = bent(0.44, 5, 0.29)
    line = tail.spine_px[-1] + np.array([[4.0, 4.0], [200.0, 90.0]])
    (found,) = as_counted(dataclasses.replace(evidence, sections=(tail,), pattern_px=line)).sections
    np.testing.assert_allclose(found.spine_px[0], tail.spine_px[-1])


def test_where_no_run_is_read_no_head_is_named(evidence: Evidence) -> None:
    tail = bent(0.44, 5, 0.29)
    alone = dataclasses.replace(evidence, sections=(tail,))
    assert not head_known(alone) and head_known(evidence)
    assert as_counted(alone).sections == (tail,)
    assert count_words("pigtail", 4.73, 4, 5, head_known=False).startswith(
        "4.7 twists, counted from the left bracket to the right: ticks at 1 to 4"
    )


def test_wraps_lie_as_in_the_picture_and_their_passages_are_counted(evidence: Evidence) -> None:
    wraps = bent(0.5, 6, 0.5, "wraps 2")
    turned = dataclasses.replace(wraps, spine_px=wraps.spine_px[::-1])
    (found,) = as_counted(dataclasses.replace(evidence, sections=(turned,))).sections
    assert found.spine_px[0, 0] < found.spine_px[-1, 0]
    counted = count(found)
    assert len(counted.columns) == 6 and len(counted.crossings) == 0
    assert "Ticks: the 6 passages" in count_words("wraps 2", counted.twists, 6, 0)
    assert "Ticks: the 1 passage of" in count_words("wraps 2", 1.2, 1, 0)


def test_twists_are_known_by_the_names_of_their_sections(reading: object) -> None:
    assert twists_of(reading) == {"run 1": 18.64, "pigtail": 4.21}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("twists", "ticks", "said"),
    [
        (
            4.73,
            4,
            "4.7 twists, counted from the head, at the left, to the cut end: ticks at 1 to 4 whole ones, then",
        ),
        (4.97, 5, "ticks at 1 to 5 whole ones, the last at the cut end."),
        (1.3, 1, "tick at 1 whole one, then 0.3 of a twist"),
        (0.8, 0, "Counted from the head, at the left, to the cut end: 0.8 of a twist."),
    ],
)
def test_the_caption_says_what_is_left_after_the_last_tick(twists: float, ticks: int, said: str) -> None:
    assert said in count_words("pigtail", twists, ticks, 5)


@pytest.mark.parametrize(("crossings", "said"), [(0, "count by eye"), (1, "the 1 crossing, one"), (2, "2 crossings")])
def test_the_caption_says_what_an_eye_counts_of_one_twist_or_none(crossings: int, said: str) -> None:
    assert said in count_words("pigtail", 1.2, 1, crossings)
