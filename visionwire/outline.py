"""The wire's diameter, read off a twisted section: from the outline of the pair and from the slope of its strands.

The twists of a section are laid over one another, so that one clean picture of one
twist is left, phase by offset (``one_twist``). Two cues are read off it:

- *Outline*: beside the pair there is little that keeps step with the twist. Where the
  edges end is the outline, ``(d/2) (1 + |sin theta|)`` to either side (``pair``). Only
  the sum of both sides is used, which is free of where the spine lies. A blurred edge
  reaches a little further than the outline.
- *Slope*: the strand in front lies along ``(d/2) sin theta``; whatever is seen on it
  changes least in that direction.

Polished wire mirrors its surroundings at the rim and so looks thinner; highlights
wander across a strand and so bend its slope. Neither cue is exact, and the stated
deviation is that found on painted and rendered scenes of known diameter.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from visionwire import pair
from visionwire.section import Section
from visionwire.strip import smooth

Floats = NDArray[np.float64]

PHASES = 32
ROWS_PER_DIAMETER = 12
REACH_D = 2.9
PLAY_D = 0.5
CORE_D = 1.6
FAR_D = 2.0
GAP_D = 0.3
EDGE_SHARE = 0.03  # of the energy on the axis, under which there is no edge
OVER_FAR = 4.0  # times the energy far off the wire
ROUNDS = 3
LARGEST_STEP = 1.3
FEWEST_TWISTS = 2.0
EDGE_WIDTH = -0.15
SLOPE_WEIGHT = 0.35
NECK_WEIGHT = -0.2
BULGE_WEIGHT = 0.4
USUAL_SLOPE = -0.35  # logarithm of the slope's diameter over where the edges end
LEAST_LIKENESS = 0.1
LEAST_COHERENCE = 0.7
LARGEST_FAR_SHARE = 0.06
LARGEST_SCATTER = 0.22
SLOPES = (-0.9, 0.15)
LARGEST_MOVE = 1.7
THETA: Floats = np.arange(PHASES) * np.pi / PHASES


@dataclass(frozen=True, eq=False)
class OneTwist:
    """The mean picture of one twist.

    Attributes
    ----------
    values : (rows, PHASES) float array
        Luminance over its local deviation; columns from one crossing to the next.
    across_d : (rows,) float array
        Offset from the spine, in diameters of ``diameter_px``.
    spacing_d : float
        Spacing of the crossings, in the same diameters.
    lay_sign : float
        1 where the front strand descends (lay Z), -1 where it rises.
    diameter_px : float
    """

    values: Floats
    across_d: Floats
    spacing_d: float
    lay_sign: float
    diameter_px: float

    def gradient(self, softness_d: float) -> tuple[Floats, Floats]:
        """Return the derivatives across and along, per diameter, of the softened picture."""
        step, column = 1 / ROWS_PER_DIAMETER, self.spacing_d / PHASES
        soft = ndimage.gaussian_filter(
            self.values, (softness_d / step, min(softness_d / column, 1.5)), mode=("nearest", "wrap")
        )
        along = (np.roll(soft, -1, 1) - np.roll(soft, 1, 1)) / (2 * column)
        return np.gradient(soft, step, axis=0), along


@dataclass(frozen=True)
class Cues:
    """What one twist says of the diameter; all diameters in px."""

    outline_px: float
    neck_px: float
    bulge_px: float
    slope_px: float
    scatter: float  # of the outline over the phases, relative
    coherence: float  # of the slope, 1 where everything on the strand runs along it
    far_share: float  # energy far off the wire, over that on the axis


def wire_diameter_px(luminance: NDArray[np.float32], section: Section) -> tuple[float, float] | None:
    """Measure the diameter of the wire of a twisted section.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The picture that the section was found in.
    section : Section
        Its strip may have been made for another diameter, 0.6 to 1.6 times the true one; the nearer, the better.

    Returns
    -------
    tuple of float or None
        Diameter and one standard deviation, px; None where no outline stands out.
    """
    if section.twists < FEWEST_TWISTS or section.score < LEAST_LIKENESS:
        return None
    diameter_px = section.strip.diameter_px
    cues: Cues | None = None
    for _ in range(ROUNDS):
        cues = read_cues(one_twist(luminance, section, diameter_px))
        if cues is None:
            return None
        step = combined_px(cues) / diameter_px
        diameter_px *= float(np.clip(step, 1 / LARGEST_STEP, LARGEST_STEP))
    moved = diameter_px / section.strip.diameter_px
    if cues is None or not _stands_out(cues) or not 1 / LARGEST_MOVE < moved < LARGEST_MOVE:
        return None
    return diameter_px, diameter_px * relative_u(cues)


def one_twist(luminance: NDArray[np.float32], section: Section, diameter_px: float) -> OneTwist:
    """Lay the twists of a section over one another.

    Every stretch of about a twist is first slid across until it fits the mean of all,
    so that a spine that wanders does not blur the picture.
    """
    inner = slice(section.first, section.last + 1)
    centre, normal, phase = section.strip.centre_px[inner], section.strip.normal_px[inner], section.twist.phase[inner]
    play = int(PLAY_D * ROWS_PER_DIAMETER)
    half = int(REACH_D * ROWS_PER_DIAMETER)
    across = np.arange(-half - play, half + play + 1) / ROWS_PER_DIAMETER
    at = (centre[None] + across[:, None, None] * diameter_px * normal[None]).astype(np.float32)
    values = cv2.remap(luminance, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    twist_columns = 2 * np.pi * len(phase) / (phase[-1] - phase[0])
    level = _levelled(values.astype(float), np.abs(across) < 1.5, twist_columns)
    fit = smooth(section.twist.local_fit[None], 4 / section.strip.step_d)[0, inner]
    mean = _registered(level, _shares(phase), np.maximum(fit, 0.02), play, twist_columns)
    step_px = section.strip.step_d * section.strip.diameter_px
    sign = 1.0 if section.twist.lay == "Z" else -1.0
    return OneTwist(mean, across[play : len(across) - play], twist_columns * step_px / diameter_px, sign, diameter_px)


def _levelled(values: Floats, near: NDArray[np.bool_], twist_columns: float) -> Floats:
    """Take out the slow changes of brightness and contrast along the wire."""
    level = smooth(values[near].mean(0, keepdims=True), twist_columns)
    deviation = np.sqrt(smooth(((values[near] - level) ** 2).mean(0, keepdims=True), twist_columns))
    return np.asarray(np.clip((values - level) / np.maximum(deviation, 1e-3 * deviation.max() + 1e-9), -4, 4), float)


def _shares(phase: Floats) -> Floats:
    """Return how much of every column falls to every phase, (columns, PHASES), by linear splitting."""
    place = phase / (2 * np.pi) * PHASES
    left = np.floor(place).astype(int)
    shares, columns = np.zeros((len(phase), PHASES)), np.arange(len(phase))
    shares[columns, left % PHASES] = 1 - (place - left)
    shares[columns, (left + 1) % PHASES] += place - left
    return shares


def _registered(values: Floats, shares: Floats, weight: Floats, play: int, twist_columns: float) -> Floats:
    """Return the mean over the columns at every phase, each column slid to where it fits best."""
    columns = np.arange(values.shape[1])
    inner = np.arange(play, len(values) - play)
    core = inner[np.abs(inner - len(values) // 2) < CORE_D * ROWS_PER_DIAMETER]
    slope = np.diff(values, axis=0, append=values[-1:])
    weighted = shares * weight[:, None] / (weight @ shares + 1e-9)
    shift = np.zeros(len(columns))
    for last in (False, False, True):
        mean = _slid(values, inner[:, None] + shift) @ weighted
        if last:
            break
        drawn = (np.diff(mean, axis=0, append=mean[-1:]) @ shares.T)[core - play]
        moves = np.arange(-play, play + 1)
        fit = np.array([(slope[core + move] * drawn).sum(0) for move in moves])
        fit = ndimage.gaussian_filter1d(fit, 0.8 * twist_columns, axis=1, mode="nearest")
        shift = ndimage.gaussian_filter1d(moves[fit.argmax(0)].astype(float), 0.5 * twist_columns, mode="nearest")
        shift = np.clip(shift - np.average(shift, weights=weight), -play, play)
    return np.asarray(mean, float)


def _slid(values: Floats, rows: Floats) -> Floats:
    low = np.clip(np.floor(rows).astype(int), 0, len(values) - 2)
    share = np.clip(rows - low, 0, 1)
    columns = np.arange(values.shape[1])
    return np.asarray(values[low, columns] * (1 - share) + values[low + 1, columns] * share)


def read_cues(twist: OneTwist) -> Cues | None:
    """Read outline and slope off one twist; None where there is no outline."""
    across, along = twist.gradient(0.06)
    energy = across**2 + along**2
    energy = ndimage.gaussian_filter(energy, (0.05 * ROWS_PER_DIAMETER, 1.0), mode=("nearest", "wrap"))
    inner = float(np.median(energy[np.abs(twist.across_d) < 0.5]))
    middle = len(energy) // 2
    sides = [energy[middle:], energy[middle::-1]]
    far = [float(np.median(side[int(FAR_D * ROWS_PER_DIAMETER) :])) for side in sides]
    if not inner > 0 or OVER_FAR * min(far) > inner:
        return None
    width_d = sum(_reach_d(side, max(OVER_FAR * f, EDGE_SHARE * inner)) for side, f in zip(sides, far, strict=True))
    shape = 2 * pair.outline_half_width(2 * THETA)
    diameters = np.asarray(width_d) / shape * twist.diameter_px
    outline = float(np.median(diameters))
    if not outline > 0:
        return None
    bulging = np.abs(np.sin(THETA))
    slope_d, coherence = _slope(twist, across, along)
    return Cues(
        outline,
        float(np.median(diameters[bulging < 0.45])),
        float(np.median(diameters[bulging > 0.85])),
        slope_d * twist.diameter_px,
        1.48 * float(np.median(np.abs(diameters - outline))) / outline,
        coherence,
        max(far) / inner,
    )


def _reach_d(energy: Floats, floor: float) -> Floats:
    """Return how far from the axis the edges reach at every phase: to the first wide gap."""
    window = int(GAP_D * ROWS_PER_DIAMETER)
    total = np.cumsum(np.vstack([np.zeros((1, PHASES)), energy > floor]), axis=0)
    empty = total[window:] == total[:-window]
    empty[-1] = True
    row = np.maximum(empty.argmax(0), 1)
    phase = np.arange(PHASES)
    before, after = np.log(energy[row - 1, phase] + 1e-12), np.log(energy[row, phase] + 1e-12)
    share = np.clip((before - np.log(floor)) / np.maximum(before - after, 1e-6), 0, 1)
    return np.asarray((row - 1 + share) / ROWS_PER_DIAMETER)


def _slope(twist: OneTwist, across: Floats, along: Floats) -> tuple[float, float]:
    """Return the diameter, in those of the strip, along whose strand the picture changes least; and its coherence.

    Total least squares of ``along + (d/2) (pi/p) cos(theta) across = 0`` near the front strand.
    """
    theta = (THETA + np.pi / 2) % np.pi - np.pi / 2
    steep = twist.lay_sign * np.cos(theta) * np.pi / twist.spacing_d
    radii = np.exp(np.linspace(np.log(0.2), np.log(1.25), 60))
    diameter_d, weight = 1.0, np.ones_like(across)
    for _ in range(3):
        off = twist.across_d[:, None] - twist.lay_sign * diameter_d / 2 * np.sin(theta)
        weight = np.exp(-0.5 * (off / (0.25 * diameter_d)) ** 2) * np.cos(theta) ** 2 * (np.abs(theta) < 0.9)
        squares = [(weight * (along + r * steep * across) ** 2 / (1 + (r * steep) ** 2)).sum() for r in radii]
        diameter_d = 2 * float(radii[int(np.argmin(squares))])
    pull, square, rest = (
        float((weight * one * other).sum())
        for one, other in ((steep * across, -along), (steep * across, steep * across), (along, along))
    )
    return diameter_d, pull / float(np.sqrt(square * rest) + 1e-12)


def combined_px(cues: Cues) -> float:
    """Return the diameter that the cues give together: a weighted geometric mean.

    The weights come from robust least squares on painted and rendered scenes of known diameter.
    """
    slope, neck, bulge = _against_outline(cues)
    return cues.outline_px * float(
        np.exp(EDGE_WIDTH + SLOPE_WEIGHT * slope + NECK_WEIGHT * neck + BULGE_WEIGHT * bulge)
    )


def _against_outline(cues: Cues) -> tuple[float, float, float]:
    """Return the logarithms of the slope's, the necks' and the bulges' diameter over the outline's, bounded."""
    bounds = ((cues.slope_px, -0.8, 0.4), (cues.neck_px, -0.3, 0.4), (cues.bulge_px, -0.4, 0.3))
    slope, neck, bulge = (
        float(np.clip(np.log(max(one, 1e-3) / cues.outline_px), low, high)) for one, low, high in bounds
    )
    return slope, neck, bulge


def _stands_out(cues: Cues) -> bool:
    slope = np.log(cues.slope_px / cues.outline_px)
    return bool(
        cues.coherence > LEAST_COHERENCE
        and cues.far_share < LARGEST_FAR_SHARE
        and cues.scatter < LARGEST_SCATTER
        and SLOPES[0] < slope < SLOPES[1]
    )


def relative_u(cues: Cues) -> float:
    """Return the relative standard deviation of ``combined_px``.

    It grows where the strands are not smooth along the slope found, where the outline
    is ragged, and where slope and outline disagree; by maximum likelihood (Student's t)
    on painted and rendered scenes of known diameter, widened for pictures of another kind.
    """
    slope = _against_outline(cues)[0]
    parts = (0.06, 0.5 * (1 - cues.coherence), 0.5 * cues.scatter, 0.2 * (slope - USUAL_SLOPE))
    return float(np.sqrt(np.square(parts).sum()))
