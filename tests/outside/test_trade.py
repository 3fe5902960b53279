"""The trade's own words and figures against geometry that knows nothing of visionwire.

A twist is half a turn: that is how the published counts can be made at all.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from visionwire.limits import density_band, load_limits

#: Spacing of the crossings, in wire diameters, down to which two wires touch along the axis (below, by contact).
CLOSEST_SPACING_D = np.pi / 2


def strands(half_turns: float, length: float, samples: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the centre lines of two strands of diameter 1 wound about the x axis, each (samples, 3)."""
    x = np.linspace(0, length, samples)
    angle = np.pi * half_turns * x / length + 0.3
    one = np.column_stack([x, 0.5 * np.sin(angle), 0.5 * np.cos(angle)])
    return one, one * np.array([1, -1, -1])


@pytest.mark.parametrize("half_turns", [1, 3, 8, 17])
@pytest.mark.parametrize("seen_from_deg", [0.0, 35.0, 90.0, 140.0])
def test_one_twist_is_180_degrees_and_one_crossing_from_wherever_it_is_seen(
    half_turns: int, seen_from_deg: float
) -> None:
    # MS33540 and its successors NASM33540 and AS567 define a twist as the wires turned through 180 degrees, half of a
    # complete turn (from memory; a maker's wire-locking training handout says the same in print).
    one, other = strands(half_turns, 5.0 * half_turns, 20_001)
    view = np.radians(seen_from_deg)
    apart = (one - other)[:, 1] * np.cos(view) + (one - other)[:, 2] * np.sin(view)
    assert np.count_nonzero(np.diff(np.sign(apart))) == half_turns


def test_outline_necks_once_a_twist() -> None:
    # In the picture, width is least where the strands cross: once a half turn, not once a turn.
    one, other = strands(10, 50.0, 5_001)
    width = 1 + np.abs(one[:, 1] - other[:, 1])
    necks = (width[1:-1] < width[:-2]) & (width[1:-1] < width[2:])
    assert np.count_nonzero(necks) == 10


def contact_radius(pitch_angle: float) -> float:
    """Return the radius, in wire diameters, of two opposite helices that just touch at that pitch angle.

    The angle is that of the strands from the cross-section's plane.

    Two tubes of diameter 1 touch where the other's centre line comes as near as 1; the radius is what makes
    the least distance from the point (radius, 0, 0) to the opposite helix exactly 1.
    """

    def least_distance(radius: float) -> float:
        turn = np.linspace(-np.pi, np.pi, 40_001)
        height = radius * np.tan(pitch_angle) * turn
        square = 2 * radius**2 * (1 + np.cos(turn)) + height**2
        return float(np.sqrt(square.min()))

    return float(optimize.brentq(lambda radius: least_distance(radius) - 1.0, 0.4, 3.0))


def test_two_touching_wires_lock_up_at_a_pitch_of_2_70_diameters() -> None:
    # Bohr & Olsen, "The ancient art of laying rope", EPL 93 (2011) 60004: the two-stranded rope reaches its
    # zero-twist structure, the most turns for a given strand, at a pitch angle of 39.4 degrees; its pitch is 2.70 D.
    angles = np.radians(np.linspace(32, 50, 361))
    radii = np.array([contact_radius(angle) for angle in angles])
    turns_per_strand_length = np.cos(angles) / (2 * np.pi * radii)
    best = int(turns_per_strand_length.argmax())
    assert np.degrees(angles[best]) == pytest.approx(39.4, abs=0.3)
    assert 2 * np.pi * radii[best] * np.tan(angles[best]) == pytest.approx(2.70, abs=0.02)


def test_simple_contact_ends_where_the_radius_begins_to_grow() -> None:
    # Down to 45 degrees the wires touch along the axis, radius D / 2: pitch pi D, spacing (pi / 2) D.
    assert contact_radius(np.radians(46)) == pytest.approx(0.5, abs=1e-3)
    assert contact_radius(np.radians(43)) > 0.503
    assert np.pi * np.tan(np.radians(45)) / 2 == pytest.approx(CLOSEST_SPACING_D)


# Published maxima, twists per inch by wire diameter: 12 at .032 (document 13773-001 (2000), 20-50, p. 2: 6 to 12);
# 10 at .042 and 8 at .065 (maintenance manual 20-10-44, p. 401: 7 to 10 and 5 to 8).
PUBLISHED_MAXIMA = [(0.032, 12.0), (0.042, 10.0), (0.065, 8.0)]


@pytest.mark.parametrize(("diameter_in", "most_per_inch"), PUBLISHED_MAXIMA)
def test_published_maxima_cannot_be_full_turns_and_can_be_half_turns(diameter_in: float, most_per_inch: float) -> None:
    lock_up_turns_per_inch = 1 / (2.70 * diameter_in)  # Bohr & Olsen, as above
    assert most_per_inch > lock_up_turns_per_inch
    assert most_per_inch / 2 < lock_up_turns_per_inch
    assert 1 / most_per_inch > CLOSEST_SPACING_D * diameter_in * 0.95


def test_the_default_band_is_six_to_eight_for_wire_of_any_size() -> None:
    # FAA AC 43.13-1B (1998), chapter 7, section 7: 6 to 8 twists per inch, as a second source reports it; also common
    # practice.
    limits = load_limits("common")
    for wire_in in (None, 0.020, 0.032, 0.051):
        band = density_band(limits, wire_in)
        assert (band.low, band.high) == (6.0, 8.0)


def test_the_default_pigtail_is_three_to_six() -> None:
    # NAVEDTRA 14014 (Airman) and TM 1-1500-204-23-6: 1/4 to 1/2 in, 3 to 6 twists.
    pigtail = load_limits("common").pigtail
    assert pigtail is not None
    assert (pigtail.low, pigtail.high) == (3, 6)


def test_every_band_can_be_wound() -> None:
    # No band may ask for more than wires of its own thickest diameter can give.
    for name in ("common", "by-diameter"):
        for band in load_limits(name).density:
            if band.wire_up_to_in is not None and band.low is not None:
                assert 1 / band.low > CLOSEST_SPACING_D * band.wire_up_to_in
