"""Which way a wire pulls: by pencil, on drawn heads, and on a photograph."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import fit_plane
from fixtures.truth import look_at
from visionwire import budget, measure, routing
from visionwire.photo import open_photo
from visionwire.reading import Reading
from visionwire.routing import Leaving

DEMO = Path(__file__).parents[2] / "fixtures" / "pictures" / "demo.jpg"
PX_PER_MM = 10.0
SIDE_PX = 480
MIDDLE = np.array([SIDE_PX / 2, SIDE_PX / 2])
NOWHERE = np.zeros(2)


def head(sides: int, radius_mm: float = 4.7, turn_deg: float = 17.0) -> NDArray[np.float32]:
    """Return a head seen from above, lighter than the ground and speckled, in the middle of a picture."""
    count = sides or 90
    reach = radius_mm * PX_PER_MM / np.cos(np.pi / count)
    angles = np.radians(turn_deg) + 2 * np.pi * np.arange(count) / count
    corners = MIDDLE + reach * np.column_stack([np.cos(angles), np.sin(angles)])
    picture = np.full((SIDE_PX, SIDE_PX), 90.0, np.float32)
    cv2.fillPoly(picture, [np.round(corners).astype(np.int32)], 170.0)
    noise = np.random.default_rng(5).normal(0, 6, picture.shape)
    return np.asarray(cv2.GaussianBlur(picture + noise.astype(np.float32), (0, 0), 1.2), np.float32)


def wire(off_mm: float, around_deg: float, gap_mm: float = 1.0, radius_mm: float = 4.7) -> Leaving:
    """Return a wire that leaves the head in a direction, passing on the left of its axis by ``off_mm``."""
    a = np.radians(around_deg)
    along, left = np.array([np.cos(a), np.sin(a)]), np.array([np.sin(a), -np.cos(a)])  # y runs down
    at_mm = off_mm * left + (np.sqrt((1.05 * radius_mm) ** 2 - off_mm**2) + gap_mm) * along
    return Leaving(MIDDLE + at_mm * PX_PER_MM, along, PX_PER_MM)


def with_wire(picture: NDArray[np.float32], leaves: Leaving) -> NDArray[np.float32]:
    drawn = picture.copy()
    far = leaves.at_px + 300 * leaves.along
    cv2.line(drawn, np.round(leaves.at_px).astype(int).tolist(), np.round(far).astype(int).tolist(), 220.0, 12)
    return drawn


def test_the_arm_by_pencil() -> None:
    # The wire goes to the right, 20 px above the axis (y runs down): on the left of who looks along it, so clockwise.
    above = Leaving(np.array([150.0, 80.0]), np.array([1.0, 0.0]), 10.0)
    assert routing.arm_mm(np.array([100.0, 100.0]), above) == pytest.approx(2.0)
    below = Leaving(np.array([150.0, 120.0]), np.array([1.0, 0.0]), 10.0)
    assert routing.arm_mm(np.array([100.0, 100.0]), below) == pytest.approx(-2.0)
    # The other end of that wire looks the other way: the same line on the same side of it pulls the other way round.
    back = Leaving(np.array([350.0, 80.0]), np.array([-1.0, 0.0]), 10.0)
    assert routing.arm_mm(np.array([400.0, 100.0]), back) == pytest.approx(-2.0)
    # Where along the wire one takes hold does not matter.
    farther = Leaving(above.at_px + 70 * above.along, above.along, 10.0)
    assert routing.arm_mm(np.array([100.0, 100.0]), farther) == pytest.approx(2.0)


@pytest.mark.parametrize("sides", [0, 6])
@pytest.mark.parametrize("around_deg", [0.0, 70.0, 200.0])
@pytest.mark.parametrize(("off_mm", "clockwise"), [(2.2, True), (-2.2, False)])
def test_a_drawn_head_is_found_and_the_side_said(sides: int, around_deg: float, off_mm: float, clockwise: bool) -> None:
    leaves = wire(off_mm, around_deg)
    turn = routing.find_head(with_wire(head(sides), leaves), leaves, NOWHERE, routing.AXIS_U_MM)
    assert turn is not None
    assert np.hypot(*(turn.axis_px - MIDDLE)) < 0.15 * 4.7 * PX_PER_MM
    assert (turn.clockwise if clockwise else 1 - turn.clockwise) > routing.LEAST_PROBABILITY


def test_over_the_axis_neither_side_is_sure() -> None:
    leaves = wire(0.0, 30.0)
    turn = routing.find_head(with_wire(head(6), leaves), leaves, NOWHERE, routing.AXIS_U_MM)
    assert turn is not None
    assert 1 - routing.LEAST_PROBABILITY < turn.clockwise < routing.LEAST_PROBABILITY


def test_where_no_head_is_none_is_found() -> None:
    leaves = wire(2.0, 0.0)
    noise = np.random.default_rng(1).normal(120, 30, (SIDE_PX, SIDE_PX)).astype(np.float32)
    bare = np.asarray(cv2.GaussianBlur(noise, (0, 0), 2), np.float32)
    assert routing.find_head(with_wire(bare, leaves), leaves, NOWHERE, routing.AXIS_U_MM) is None


def test_the_top_of_a_head_is_put_over_its_axis() -> None:
    # A camera 25 degrees aslant sees the top of a head beside its axis; the card lies 2 mm below the wire.
    camera = look_at(np.array([10.0, 5.0, 2.0]), 220.0, 25.0, 40.0, 0.0, 1400.0, (1200, 900))
    corners_mm = np.array([[x, y] for x in (0.0, 40.0, 80.0) for y in (0.0, -20.0, -40.0)])
    seen = camera.project(np.column_stack([corners_mm, np.zeros(9)]))
    plane = fit_plane(corners_mm * [1, -1], seen)  # the card's y runs down
    ruler = budget.beside(plane, 1400.0, (1200, 900))
    axis_mm = np.array([15.0, 12.0, budget.HEIGHT_MM])
    axis_px = camera.project(axis_mm)
    top_px = camera.project(axis_mm + np.array([0.0, 0.0, routing.TOP_OVER_HOLE_MM]))
    px_per_mm = camera.px_per_mm(axis_mm)
    assert np.hypot(*(axis_px - top_px)) > 0.8 * px_per_mm, "it matters"
    shift_mm, _ = routing.top_to_axis_mm(Leaving(top_px, np.array([1.0, 0.0]), px_per_mm), ruler)
    np.testing.assert_allclose(top_px + shift_mm * px_per_mm, axis_px, atol=0.02 * px_per_mm)


def read(**words: object) -> Reading:
    reading = measure(open_photo(DEMO), wire=0.032, **words)  # type: ignore[arg-type]
    assert isinstance(reading, Reading)
    return reading


def test_a_photograph_of_right_hand_threads() -> None:
    (said,) = read(tightens="clockwise").routing or ()
    assert (said.start_pulls, said.end_pulls) == ("tightens", "tightens")
    assert said.probability is not None and said.probability > 0.8


def test_left_hand_threads_would_be_pulled_loose_and_the_call_is_the_same() -> None:
    plain = read()
    reading = read(tightens="counter-clockwise")
    (said,) = reading.routing or ()
    assert (said.start_pulls, said.end_pulls) == ("loosens", "loosens")
    assert "routing-loosens" in reading.flags
    assert (reading.call, reading.confidence, reading.checks) == (plain.call, plain.confidence, plain.checks)
    assert plain.routing is None


def test_a_head_that_is_pointed_at_is_taken_where_it_is() -> None:
    first = read(tightens="clockwise")
    (found,) = first.routing or ()
    assert found.start_axis_px is not None and found.end_axis_px is not None
    # Put the first head on the other side of the wire: there it would be turned loose.
    start, end = (np.array(point) for point in (first.runs[0].start_px, first.runs[0].end_px))
    along = (end - start) / np.hypot(*(end - start))
    axis = np.array(found.start_axis_px)
    mirrored = axis - 2 * ((axis - start) - ((axis - start) @ along) * along)
    reading = read(tightens="clockwise", heads=[tuple(mirrored)])
    (said,) = reading.routing or ()
    assert (said.start_pulls, said.end_pulls) == ("loosens", "tightens")
    assert "head-not-used" not in reading.flags
    assert "head-not-used" in read(tightens="clockwise", heads=[(5.0, 5.0)]).flags


def test_words_that_do_not_go_together() -> None:
    with pytest.raises(ValueError, match="tightens is 'left'"):
        read(tightens="left")
    with pytest.raises(ValueError, match="method double, not single"):
        read(tightens="clockwise", method="single")
    with pytest.raises(ValueError, match="only with tightens"):
        read(heads=[(5.0, 5.0)])
