"""Twists per inch along a section: mean, profile, least and most in any inch, bow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire import montecarlo
from visionwire.budget import Ruler
from visionwire.judge import COVERAGE_95
from visionwire.reading import DensityAt
from visionwire.section import Section

Floats = NDArray[np.float64]

PROFILE_WINDOW_IN = 0.5
PROFILE_STEP_IN = 0.1
#: Most over least in any inch, above which a run is called uneven: a worksheet's figure, no source.
UNEVEN = 1.25
#: Even where the last quarter runs at the mean, the last twist may not.
EVEN_END_U = 0.15


@dataclass(frozen=True, eq=False)
class Density:
    """What a section says of its twist.

    Attributes
    ----------
    twists, twists_u : float
        Count from end to end and its standard deviation.
    length_in : float
        Length along the wire.
    length_terms : dict
        What its uncertainty is made of, relative, by name.
    unseen_relative_u : float
        What the stretch between an end as found and the true end may change the mean by.
    relative_u : float
        Of the mean density: half its 95 % interval by Monte Carlo, as standard deviations count it.
    along_in : (n,) float array
        Distance of every column from the start.
    bow_in : float
        Largest distance of the spine from its chord.
    """

    section: Section
    twists: float
    twists_u: float
    length_in: float
    length_terms: dict[str, float]
    unseen_relative_u: float
    relative_u: float
    along_in: Floats
    bow_in: float

    @property
    def twists_per_inch(self) -> float:
        """Mean density: phase from end to end over the length, never a fit weighted to the middle."""
        return self.twists / self.length_in

    @property
    def relative_length_u(self) -> float:
        """Relative standard deviation of the length."""
        return float(np.sqrt(sum(term**2 for term in self.length_terms.values())))

    @property
    def terms(self) -> dict[str, float]:
        """The budget of the mean density: relative standard deviations by name, to first order."""
        return {**self.length_terms, "phase": self.twists_u / self.twists, "ends": self.unseen_relative_u}

    @property
    def twists_per_inch_u(self) -> float:
        """Standard deviation of the mean density."""
        return self.twists_per_inch * self.relative_u

    def window(self, centre_in: float, width_in: float) -> DensityAt:
        """Return the density over a window of that width."""
        first, last = np.searchsorted(self.along_in, [centre_in - width_in / 2, centre_in + width_in / 2])
        last = min(int(last), len(self.along_in) - 1)
        begin, end = self.section.first + int(first), self.section.first + last
        length = float(self.along_in[last] - self.along_in[first])
        twists = self.section.twist.twists(begin, end)
        relative = np.hypot(self.section.twist.twists_u(begin, end) / twists, self.relative_length_u)
        value = twists / length
        return DensityAt(value, COVERAGE_95 * value * float(relative), centre_in)

    def profile(self) -> tuple[DensityAt, ...]:
        """Return the density in half-inch windows (less on a shorter run) every tenth of an inch."""
        width = min(PROFILE_WINDOW_IN, 0.5 * self.length_in)
        centres = np.arange(width / 2, self.length_in - width / 2 + 1e-9, PROFILE_STEP_IN)
        return tuple(self.window(float(centre), width) for centre in centres)

    def extremes(self) -> tuple[DensityAt, DensityAt] | None:
        """Return the least and the most in any one inch, the whole run counted in; None on a run shorter than that.

        Where twists crowd at both ends of a run of no whole number of inches, every inch holds fewer than the mean: the
        middle is in more of them than an end. The most is then that of the whole run, and the least likewise.
        """
        if self.length_in < 1.0:
            return None
        u95 = COVERAGE_95 * self.twists_per_inch_u
        return _least_and_most([*self._inches(), DensityAt(self.twists_per_inch, u95, self.length_in / 2)])

    def _inches(self) -> list[DensityAt]:
        """Return the density in windows of an inch along a run that is no shorter."""
        centres = np.linspace(0.5, self.length_in - 0.5, max(2, int((self.length_in - 1) / 0.02) + 1))
        return [self.window(float(centre), 1.0) for centre in centres]

    def crowded(self) -> tuple[DensityAt, DensityAt] | None:
        """Return the inch with the least and that with the most of an uneven run; None on a short run or an even one.

        They are places: the whole run is none.
        """
        if self.length_in < 1.0:
            return None
        least, most = _least_and_most(self._inches())
        return None if most.twists_per_inch < UNEVEN * least.twists_per_inch else (least, most)

    def evenness(self) -> str | None:
        """Say in one sentence where the twists crowd; None on a short run or an even one."""
        crowded = self.crowded()
        if crowded is None:
            return None
        least, most = crowded
        half = PROFILE_WINDOW_IN / 2
        first, last = (self.window(at, PROFILE_WINDOW_IN).twists_per_inch for at in (half, self.length_in - half))
        place = most.at_in / self.length_in
        if place < 1 / 3 and first > last:
            return f"twists crowd near the start: {first:.1f} per inch in the first half inch, {last:.1f} in the last"
        if place > 2 / 3 and last > first:
            return f"twists crowd near the end: {last:.1f} per inch in the last half inch, {first:.1f} in the first"
        return (
            f"twists crowd {most.at_in:.1f} in from the start: {most.twists_per_inch:.1f} per inch there, "
            f"{least.twists_per_inch:.1f} about {least.at_in:.1f} in"
        )


def _least_and_most(densities: Sequence[DensityAt]) -> tuple[DensityAt, DensityAt]:
    ordered = sorted(densities, key=lambda one: one.twists_per_inch)
    return ordered[0], ordered[-1]


def density_of(section: Section, ruler: Ruler) -> Density:
    """Measure a section with a ruler."""
    points_in = ruler.to_in(section.spine_px)
    along_in = ruler.along_in(section.spine_px)
    chord = points_in[-1] - points_in[0]
    chord = chord / max(float(np.linalg.norm(chord)), 1e-9)
    aside = (points_in - points_in[0]) @ np.array([-chord[1], chord[0]])
    unseen = _unseen(section, along_in)
    draws = montecarlo.relative_densities(ruler, section.spine_px, section.twists_u / section.twists, unseen)
    return Density(
        section=section,
        twists=section.twists,
        twists_u=section.twists_u,
        unseen_relative_u=unseen,
        relative_u=montecarlo.interval_u(draws),
        length_in=float(along_in[-1]),
        length_terms=ruler.terms(section.spine_px),
        along_in=along_in,
        bow_in=float(np.abs(aside).max()),
    )


def _unseen(section: Section, along_in: Floats) -> float:
    """Return the relative term of ends that lie a little off where they were found.

    A twist more or less at an end changes the mean by how much the density there differs from it.
    """
    if section.end_u_twists == 0:
        return 0.0
    phase = section.twist.phase[section.first : section.last + 1]
    mean = (phase[-1] - phase[0]) / along_in[-1]
    quarter = max(2, len(phase) // 4)
    ends = [
        (phase[quarter] - phase[0]) / along_in[quarter],
        (phase[-1] - phase[-quarter]) / (along_in[-1] - along_in[-quarter]),
    ]
    changes = [section.end_u_twists / section.twists * (abs(end / mean - 1) + EVEN_END_U) for end in ends]
    return float(np.hypot(*changes))
