"""One twisted section: from a candidate line to spine, strip and twist, and where it begins and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visionwire.spine import recentre, smooth_line
from visionwire.strip import Strip, smooth, straighten
from visionwire.twist import Twist, estimate, likeness

Floats = NDArray[np.float64]

SMOOTHING_D = 3.0
RECENTRINGS = 2
#: A local likeness under this, or under the given share of the section's own, is off the wire.
LEAST_LIKENESS = 0.1
LEAST_SHARE = 0.3
MARGIN_D = 10.0
FEWEST_TWISTS = 1.5
BESIDE_D = 2.4


@dataclass(frozen=True, eq=False)
class Section:
    """A stretch of twisted pair on its strip, columns ``first`` to ``last``."""

    strip: Strip
    twist: Twist
    first: int
    last: int

    @property
    def spine_px(self) -> Floats:
        """Centre line in the photograph, (N, 2)."""
        return self.strip.centre_px[self.first : self.last + 1]

    @property
    def twists(self) -> float:
        """Number of twists."""
        return self.twist.twists(self.first, self.last)

    @property
    def twists_u(self) -> float:
        """Standard deviation of ``twists``."""
        return self.twist.twists_u(self.first, self.last)

    @property
    def px_per_twist(self) -> float:
        """Mean distance of the crossings, px."""
        length_px = (self.last - self.first) * self.strip.step_d * self.strip.diameter_px
        return length_px / max(self.twists, 1e-6)

    @property
    def score(self) -> float:
        """Likeness to a twisted pair, less that to one of the other hand; about 0 off a pair."""
        return float(self.twist.local_score[self.first : self.last + 1].mean())

    @property
    def gain(self) -> float:
        """Mean log likelihood ratio of a column: the pattern in step against out of step."""
        return float(self.twist.local_fit[self.first : self.last + 1].mean())


def whole(luminance: NDArray[np.float32], line_px: Floats, diameter_px: float) -> Section:
    """Measure a line from end to end as one section.

    Raises
    ------
    ValueError
        If the line is shorter than three wire diameters.
    """
    strip, twist = _centred(luminance, smooth_line(line_px, diameter_px / 4, SMOOTHING_D * diameter_px), diameter_px)
    return Section(strip, twist, 0, strip.values.shape[1] - 1)


def within(luminance: NDArray[np.float32], line_px: Floats, diameter_px: float) -> list[Section]:
    """Return the twisted sections along a candidate line, longest first."""
    line = smooth_line(line_px, diameter_px / 4, SMOOTHING_D * diameter_px)
    strip = straighten(luminance, line, diameter_px)
    if strip.values.shape[1] * strip.step_d < 4:
        return []
    found = []
    for first, last in _stretches(likeness(strip)[1], strip.step_d):
        if (last - first) * strip.step_d < 4:
            continue
        margin = int(MARGIN_D / strip.step_d)
        part = strip.centre_px[max(first - margin, 0) : last + margin + 1]
        wide = _trimmed(*_centred(luminance, part, diameter_px))
        if (wide.last - wide.first) * strip.step_d < 4:
            continue
        section = _trimmed(*_centred(luminance, wide.spine_px, diameter_px))
        if section.twists >= FEWEST_TWISTS:
            found.append(section)
    return sorted(found, key=lambda one: -one.twists)


def beside(luminance: NDArray[np.float32], section: Section) -> float:
    """Return the larger of the likenesses of the two strips that lie beside a section: its own null.

    Braid, springs, knurls and gratings look like a pair on either side too; a wire does not.
    """
    normal = section.strip.normal_px[section.first : section.last + 1]
    scores = []
    for side in (-1, 1):
        line = section.spine_px + side * BESIDE_D * section.strip.diameter_px * normal
        try:
            scores.append(float(likeness(straighten(luminance, line, section.strip.diameter_px))[1].mean()))
        except ValueError:
            continue
    return max(scores, default=0.0)


def _centred(luminance: NDArray[np.float32], line_px: Floats, diameter_px: float) -> tuple[Strip, Twist]:
    strip = straighten(luminance, line_px, diameter_px)
    twist = estimate(strip)
    for _ in range(RECENTRINGS):
        strip = straighten(luminance, recentre(luminance, strip, twist), diameter_px)
        twist = estimate(strip)
    return strip, twist


def _trimmed(strip: Strip, twist: Twist) -> Section:
    return Section(strip, twist, *_best_stretch(twist.local_fit))


def _stretches(local_score: Floats, step_d: float) -> list[tuple[int, int]]:
    """Return first and last columns of the stretches that look like the pair, longest first."""
    level = smooth(local_score[None], 1.0 / step_d)[0]
    floor = max(LEAST_LIKENESS, LEAST_SHARE * float(np.quantile(level, 0.8)))
    inside = np.concatenate([[False], level > floor, [False]])
    edges = np.flatnonzero(inside[1:] != inside[:-1])
    pairs = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return sorted(pairs, key=lambda ends: ends[0] - ends[1])


def _best_stretch(gain: Floats) -> tuple[int, int]:
    """Return first and last column of the stretch with the largest sum (Bentley, Comm. ACM 27 (1984) 865)."""
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    end = int((total - lowest).argmax())
    start = int(total[: end + 1].argmin())
    return start, max(end - 1, start)
