"""Wire that twisting takes up, against worked figures and against a helix measured by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from visionwire.helix import most_twists_per_inch, strand_in


@pytest.mark.parametrize(
    ("length_in", "twists_per_inch", "wire_in", "strand"),
    # Worked by hand from the geometry of the helix.
    [(2.0, 8.0, 0.032, 2.1556), (6.0, 10.0, 0.032, 6.7153), (2.0, 12.0, 0.020, 2.1374)],
)
def test_worked_strand_lengths(length_in: float, twists_per_inch: float, wire_in: float, strand: float) -> None:
    assert strand_in(length_in, twists_per_inch, wire_in) == pytest.approx(strand, abs=5e-5)


def test_a_strand_is_as_long_as_its_polyline() -> None:
    x = np.linspace(0, 3, 200_001)
    angle = np.pi * 7.5 * x
    helix = np.column_stack([x, 0.0205 * np.cos(angle), 0.0205 * np.sin(angle)])
    assert strand_in(3.0, 7.5, 0.041) == pytest.approx(np.linalg.norm(np.diff(helix, axis=0), axis=1).sum(), rel=1e-6)


def test_no_pair_is_twisted_closer_than_its_lock_up() -> None:
    """Bohr & Olsen, EPL 93 (2011) 60004: 2.70 diameters a full turn, 11.6 full turns per inch of .032 wire."""
    assert most_twists_per_inch(0.032) / 2 == pytest.approx(11.6, abs=0.05)
