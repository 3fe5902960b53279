"""Phase, count and hand of the twist along a strip.

Three steps:

1. ``spectrum``: for either hand, how much the strip around each column looks like a pair
   twisted at each spacing. Two kinds of evidence are added. *Orientation*: the
   gradient's direction against the geometry of the pair (``pair``), which no
   lamp or shade can fake and which fixes the octave. *Slant*: on the axis the
   pattern moves 4/d radians of phase across per unit of offset, in the direction
   of the hand; what a mirrored pair would show is subtracted, so that everything
   without a hand cancels.
2. ``follow``: the best slowly varying spacing through the spectrum (Viterbi, IEEE
   Trans. Inf. Theory 13 (1967) 260), for several stiffnesses; each gives a start.
3. ``phase.refine``: least squares of harmonics in the phase; the likeliest start
   wins, which mends slipped cycles. The geometry of the pair then says which phase
   a crossing has, and which hand it is; of few twists it tells all of the phase (``drawn``).

The octave never comes from any limit.
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from visionwire import drawn, pair
from visionwire.phase import HARMONICS, Fit, local_fit, mended, refine
from visionwire.strip import COLUMNS_PER_DIAMETER, Strip, smooth

Floats = NDArray[np.float64]
Complexes = NDArray[np.complexfloating]
Lay = Literal["S", "Z"]
LAYS: tuple[Lay, Lay] = ("S", "Z")

ANY_SPACING_D = (0.0, np.inf)
SPACINGS_D: Floats = 2 ** np.arange(np.log2(1.5), np.log2(18.0), 1 / 12)
SLANT_WEIGHT = 1 / 3  # of slant against orientation, which alone tells the octave
SHORTEST_D = 3.0
UNSEEN = -1e3  # likeness of a spacing that the strip is too short for
QUICK = (0.5,)
STIFFNESSES = (0.1, 0.5, 2.0, 8.0)
WINDOW_CYCLES = 1.5  # standard deviation of the sliding window, in twists
PHASES_TRIED = 24
#: Under so many the drawn pair alone tells the phase.
FEW_TWISTS = 7.0
#: Of crossings nearer than this the drawn pair tells less: 27 of them, 1.7 apart, it counted as 26.7.
LEAST_DRAWN_D = 2.2
#: Radians; a slip is 2 pi.
SAME_START = 1.0
#: Beside noise, where the pair opens, how the light falls and where the middle was taken shift the pattern by this
#: much at either end: with 0.04, intervals held the truth in 91 % of painted pictures with given ends, with 0.08 95 %.
#: Of twist with its crossings over 6 diameters apart 0.08 held 94 %; growing in proportion from 5 on, it held 97 %.
END_U_TWISTS, LOOSE_D = 0.08, 5.0


@dataclass(frozen=True, eq=False)
class Twist:
    """The twist along one strip.

    Attributes
    ----------
    phase : (columns,) float array
        Radians, one cycle a twist, a multiple of 2 pi at every crossing; rises along the strip.
    phase_factor : (columns, knots) float array
        ``phase_factor @ phase_factor.T`` is the covariance of the phase from noise.
    lay : "S" or "Z"
    local_score : (columns,) float array
        Likeness to a pair of this hand around each column; 1 for a drawing of one, about 0.1 by chance.
    local_fit : (columns,) float array
        Log likelihood ratio of each column, mean over rows: the fitted pattern at its phase against the same values
        out of step. Positive on the pair. Of harmonics of free shape, whatever the drawn pair says of the phase.
    geometry : float
        Correlation, -1 to 1, of the edges' fitted orientation with that of a pair, on the weaker side of the spine.
        A pair shows it on both sides; the rim of a spring, a hose or a knurl on one only.
    """

    phase: Floats
    phase_factor: Floats
    lay: Lay
    local_score: Floats
    local_fit: Floats
    geometry: float

    def twists(self, first: int = 0, last: int = -1) -> float:
        """Return the number of twists between two columns."""
        return float(self.phase[last] - self.phase[first]) / (2 * np.pi)

    def twists_u(self, first: int = 0, last: int = -1) -> float:
        """Return the standard deviation of ``twists``: noise, and the pattern's shift at either end."""
        difference = self.phase_factor[last] - self.phase_factor[first]
        noise = float(np.sqrt(difference @ difference)) / (2 * np.pi)
        spacing_d = len(self.phase[first:last]) / COLUMNS_PER_DIAMETER / max(self.twists(first, last), 1e-6)
        return float(np.hypot(noise, np.sqrt(2) * END_U_TWISTS * max(1.0, spacing_d / LOOSE_D)))


def likeness(strip: Strip) -> tuple[Lay, Floats]:
    """Return the likelier hand, and along the columns the likeness to a pair of that hand; no phase.

    Raises
    ------
    ValueError
        If the strip is shorter than three wire diameters.
    """
    best = max(_starts(_evidence(strip)[2], strip, QUICK), key=lambda start: start.score)
    return best.lay, best.local


def estimate(
    strip: Strip, stiffnesses: tuple[float, ...] = STIFFNESSES, spacings_d: tuple[float, float] = ANY_SPACING_D
) -> Twist:
    """Measure the twist along a strip.

    Parameters
    ----------
    strip : Strip
        What to measure along.
    stiffnesses : tuple of float
        Stiffnesses of the paths that give the starts; one is quicker, does not mend every slipped cycle and leaves the
        drawn pair unasked.
    spacings_d : tuple of float
        Between which spacings, in wire diameters, to look; of few twists the drawn pair may say half as many again, and
        so leave them.

    Raises
    ------
    ValueError
        If the strip is shorter than three wire diameters.
    """
    pattern, orientation, both = _evidence(strip, spacings_d)
    starts = _starts(both, strip, stiffnesses)
    best = max(starts, key=lambda start: start.score)
    rows = np.vstack([pattern, *orientation])
    fits = [refine(rows, phase) for phase in _distinct([one.phase for one in starts if one.agrees_with(best)])]
    fit = max(fits, key=lambda one: one.likelihood)
    if len(stiffnesses) > 1:
        fit = mended(rows, fit)
    # Polished wire may show its hand in little but the geometry of its edges: both hands are held against it.
    views = {lay: _against_geometry(fit, strip, float(np.median(best.spacing_d)), lay) for lay in LAYS}
    score = {lay: max(start.score for start in starts if start.lay == lay) for lay in LAYS}
    lay = max(LAYS, key=lambda one: score[one] + views[one][2])
    offset, geometry, _ = views[lay]
    told = dataclasses.replace(fit, phase=fit.phase - offset)
    if len(stiffnesses) > 1:
        told = _with_drawn(told, orientation, strip, lay)
    return Twist(
        phase=told.phase,
        phase_factor=told.phase_factor,
        lay=lay,
        local_score=best.local,
        local_fit=local_fit(rows, fit),
        geometry=geometry,
    )


def _with_drawn(fit: Fit, orientation: Floats, strip: Strip, lay: Lay) -> Fit:
    """Return a fit with its phase, zero at a crossing, told by the drawn pair too; of few twists by that alone."""
    twists = float(np.ptp(fit.phase)) / (2 * np.pi)
    if len(fit.phase) * strip.step_d < LEAST_DRAWN_D * twists:
        return fit
    if twists < FEW_TWISTS:
        return drawn.of_few(orientation, strip, lay, twists)
    # The mean is nearer than either: free harmonics see the luminance too, the drawn pair has no shape to mistake.
    other = drawn.near(orientation, strip, lay, fit.phase)
    if np.abs(other.phase - fit.phase).max() > np.pi:
        return fit  # a cycle away: their mean would be half a twist off
    # Its noise stays that of the free fit: either is small beside `END_U_TWISTS`.
    return dataclasses.replace(fit, phase=(fit.phase + other.phase) / 2)


def _evidence(strip: Strip, spacings_d: tuple[float, float] = ANY_SPACING_D) -> tuple[Floats, Floats, Floats]:
    if strip.values.shape[1] * strip.step_d < SHORTEST_D:
        raise ValueError(f"the strip is shorter than {SHORTEST_D:g} wire diameters; give a longer spine")
    pattern, orientation = normalise(strip), orientations(strip)
    both = spectra(strip, pattern, orientation)
    length_d = strip.values.shape[1] * strip.step_d
    seen = max(length_d, SHORTEST_D) >= SPACINGS_D  # of less than a twist anything can be made
    seen &= (spacings_d[0] < SPACINGS_D) & (spacings_d[1] > SPACINGS_D)
    return pattern, orientation, np.where(seen[:, None], both, UNSEEN)


def _starts(both: Floats, strip: Strip, stiffnesses: tuple[float, ...]) -> list[_Start]:
    lays = [lay for lay in LAYS for _ in stiffnesses]
    paths = follow(both, strip.step_d, stiffnesses)
    return [_Start(lay, *path, strip.step_d) for lay, path in zip(lays, paths, strict=True)]


def _distinct(phases: list[Floats]) -> list[Floats]:
    """Return the phases that differ from all before them by more than a constant: others end in the same fit."""
    kept: list[Floats] = []
    for phase in phases:
        if all(float(np.ptp(phase - other)) > SAME_START for other in kept):
            kept.append(phase)
    return kept


# -- 1. evidence --------------------------------------------------------------------------------


def normalise(strip: Strip) -> Floats:
    """Return the strip's luminance with its local mean taken out and its local deviation set to 1, (rows, columns)."""
    columns = 12 / strip.step_d
    residue = strip.values - smooth(strip.values, columns)
    deviation = np.sqrt(smooth((residue**2).mean(0, keepdims=True), columns))
    return residue / np.maximum(deviation, 1e-6)


def orientations(strip: Strip) -> Floats:
    """Return the gradient's double-angle orientation, (2, rows, columns): 2 gx gy and gx^2 - gy^2 over their energy.

    The structure tensor of Bigun & Granlund (Proc. 1st ICCV, 1987, 433), smoothed
    over a tenth of a wire; where there is little gradient both fade to zero.
    """
    column, row = strip.step_d, strip.row_step_d
    soft = ndimage.gaussian_filter(strip.values, (0.09 / row, 0.09 / column), mode="nearest")
    down, along = np.gradient(soft, row, column)
    tensor = np.stack([2 * along * down, along**2 - down**2, along**2 + down**2])
    tensor = ndimage.gaussian_filter(tensor, (0, 0.12 / row, 0.12 / column), mode="nearest")
    energy = tensor[2] + 0.1 * smooth(tensor[2].mean(0, keepdims=True), 4 / column)
    return np.asarray(tensor[:2] / np.maximum(energy, 1e-12), float)


def spectra(strip: Strip, pattern: Floats, orientation: Floats) -> Floats:
    """Return the likeness to an S and to a Z pair, (2, spacings, columns), over ``SPACINGS_D``."""
    window = _Window(pattern.shape[1], strip.step_d)
    slant_s, slant_z = _slants(window, pattern, strip.across_d)
    slant = SLANT_WEIGHT * (slant_z - slant_s)
    across = tuple(float(v) for v in strip.across_d)
    orientation_f = window.transform(orientation).reshape(2 * len(across), -1)
    matched_s, matched_z = (_matched(window, orientation_f, across, lay) for lay in LAYS)
    return np.stack([matched_s - slant, matched_z + slant])


class _Window:
    """Sliding Gaussian windows of ``WINDOW_CYCLES`` by products in the frequency domain, edges mirrored."""

    def __init__(self, columns: int, step_d: float) -> None:
        self.columns = columns
        self.size = fft.next_fast_len(2 * columns)
        self.cycles_per_d = fft.fftfreq(self.size, step_d).astype(np.float32)

    def transform(self, rows: Floats) -> Complexes:
        """Return the transform along the last axis."""
        padding = [(0, 0)] * (rows.ndim - 1) + [(0, self.columns)]
        mirrored = np.pad(rows, padding, mode="symmetric")[..., : self.size]
        # Single precision is plenty for a likeness and halves the time.
        return np.asarray(fft.fft(mirrored.astype(np.float32), self.size, axis=-1), np.complex64)

    @functools.cached_property
    def gains(self) -> tuple[Floats, Floats]:
        """Of the first two harmonics of every spacing, the window in the frequency domain, (spacings, size)."""
        width = 1 / (2 * np.pi * WINDOW_CYCLES * SPACINGS_D[:, None]).astype(np.float32)
        off = [self.cycles_per_d - (harmonic / SPACINGS_D[:, None]).astype(np.float32) for harmonic in (1, 2)]
        first, second = (2 * np.exp(-0.5 * (one / width) ** 2) * (self.cycles_per_d > 0) for one in off)
        return first, second

    def bands(self, transformed: Complexes, harmonic: int = 1, every: int = 1) -> Complexes:
        """Return the analytic signals (..., spacings, columns) around that harmonic of every spacing.

        ``transformed`` is (..., size), or (..., spacings, size) where each spacing has its own; of the spacings only
        each ``every``-th is taken.
        """
        gain = self.gains[harmonic - 1][::every]
        return np.asarray(fft.ifft(transformed * gain, axis=-1)[..., : self.columns], np.complex64)


def _slants(window: _Window, pattern: Floats, across_d: Floats) -> tuple[Floats, Floats]:
    """Return the share of the local energy that slants as an S and as a Z pair, each (spacings, columns)."""
    pattern_f = window.transform(pattern)
    near_axis = np.exp(-0.5 * (across_d / 0.5) ** 2)
    near_axis /= near_axis.sum()
    slanted = np.stack([near_axis * np.exp(sign * 4j * across_d) for sign in (-1, 1)]).astype(np.complex64) @ pattern_f
    as_s, as_z = np.abs(window.bands(slanted[:, None])) ** 2
    rows = np.sqrt(near_axis)[:, None].astype(np.float32) * pattern_f
    energy = (np.abs(window.bands(rows[:, None], every=4)) ** 2).sum(0).max(0)
    energy = np.maximum(smooth(energy[None], 8 * COLUMNS_PER_DIAMETER)[0], 1e-9)
    return as_s / energy, as_z / energy


def _matched(window: _Window, orientation_f: Complexes, across_d: tuple[float, ...], lay: Lay) -> Floats:
    """Return how well the orientation fits a pair's at the best phase, (spacings, columns); 1 for a drawing of one."""
    series, size = _drawn(across_d, lay)
    products = (series @ orientation_f).reshape(len(SPACINGS_D), 2, -1)
    first, second = (window.bands(products[:, k], k + 1) for k in range(2))
    fits = np.full(first.shape, -np.inf, np.float32)
    for turn in np.exp(-2j * np.pi * np.arange(PHASES_TRIED) / PHASES_TRIED).astype(np.complex64):
        np.maximum(fits, (turn * (first + turn * second)).real, out=fits)
    return np.asarray(fits / size[:, None], float)


@functools.lru_cache(maxsize=8)
def _drawn(across_d: tuple[float, ...], lay: Lay) -> tuple[Complexes, Floats]:
    """Return the drawn pair's harmonics for every spacing, ready to be held against a strip, and their size."""
    series = np.array([pair.repeating(across_d, p, lay) for p in SPACINGS_D])
    size = 2 * (np.abs(series) ** 2).sum((1, 2, 3))
    harmonics = np.conj(series).transpose(0, 3, 1, 2).reshape(2 * len(SPACINGS_D), -1).astype(np.complex64)
    return harmonics, size


# -- 2. the best path through it ---------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Start:
    """A first guess: spacing along the strip, and how well it explains each column."""

    lay: Lay
    spacing_d: Floats
    local: Floats
    step_d: float

    @property
    def score(self) -> float:
        return float(self.local.mean())

    @property
    def phase(self) -> Floats:
        return 2 * np.pi * np.cumsum(self.step_d / self.spacing_d)

    def agrees_with(self, other: _Start) -> bool:
        """Whether it is of the same hand and octave."""
        octaves = np.log2(np.median(self.spacing_d) / np.median(other.spacing_d))
        return self.lay == other.lay and bool(abs(octaves) < 0.5)


def follow(likeness: Floats, step_d: float, stiffnesses: tuple[float, ...]) -> list[tuple[Floats, Floats]]:
    """Return for every hand and stiffness the spacing (columns,) along the likeliest path, and the likeness there.

    ``likeness`` is (hands, spacings, columns); all stiffnesses of one hand come before those of the next. One step
    in ``SPACINGS_D`` per half wire diameter costs the stiffness times a half-diameter's likeness.
    """
    every = max(1, round(0.25 / step_d))
    columns, steps = np.arange(likeness.shape[2]), np.arange(len(SPACINGS_D))
    followed = []
    gains = np.repeat(likeness, len(stiffnesses), axis=0)
    paths = _viterbi(gains[:, :, ::every], np.tile(stiffnesses, len(likeness)))
    for gain, path in zip(gains, paths, strict=True):
        smooth_path = smooth(np.interp(columns, columns[::every], path)[None], 1.5 / step_d)[0]
        spacing = np.exp(np.interp(smooth_path, steps, np.log(SPACINGS_D)))
        followed.append((spacing, gain[np.round(smooth_path).astype(int), columns]))
    return followed


def _viterbi(gain: Floats, step_costs: Floats) -> NDArray[np.intp]:
    """Return the path of the largest sum through each (states, columns) at its own cost of a step, (count, columns)."""
    count, states, columns = gain.shape
    each = np.arange(count)
    total = gain[:, :, 0]
    came_from = np.zeros((columns, count, states), np.int8)
    moves = np.full((3, count, states), -np.inf)
    for column in range(1, columns):
        moves[0, :, 1:] = total[:, :-1] - step_costs[:, None]
        moves[1] = total
        moves[2, :, :-1] = total[:, 1:] - step_costs[:, None]
        came_from[column] = moves.argmax(0) - 1
        total = moves.max(0) + gain[:, :, column]
    paths = np.zeros((count, columns), np.intp)
    paths[:, -1] = total.argmax(1)
    for column in range(columns - 1, 0, -1):
        paths[:, column - 1] = paths[:, column] + came_from[column, each, paths[:, column]]
    return paths


# -- 3. held against the pair's geometry ---------------------------------------------------------


def _against_geometry(fit: Fit, strip: Strip, spacing_d: float, lay: Lay) -> tuple[float, float, float]:
    """Return the phase that the fit gives to the crossings, and how like a pair it is on the weaker and on both sides.

    The likeness is the correlation, -1 to 1, of the fitted orientation with that of the geometry.
    """
    rows = len(strip.across_d)
    known = pair.repeating(strip.across_d, spacing_d, lay)
    cosines, sines = fit.coefficients[1:3, rows:], fit.coefficients[1 + HARMONICS : 3 + HARMONICS, rows:]
    fitted = (0.5 * (cosines - 1j * sines)).reshape(2, 2, rows).transpose(1, 2, 0)
    # The fitted pattern is the drawn one moved by the offset: c_k = t_k exp(-i k offset).
    turn = np.exp(2j * np.pi * np.arange(720) / 720)
    first, second = (np.conj(known) * fitted).sum((0, 1))
    best = int(((first * turn).real + (second * turn**2).real).argmax())
    products = (np.conj(known) * fitted * turn[best] ** np.arange(1, 3)).real.sum((0, 2))
    sizes = [np.abs(part) ** 2 for part in (known, fitted)]
    sides = [np.abs(strip.across_d - side) < 1.0 for side in (-1.0, 1.0)]
    norms = [float(np.sqrt(sizes[0][:, side].sum() * sizes[1][:, side].sum()) + 1e-9) for side in sides]
    fits = [float(products[side].sum()) / norm for side, norm in zip(sides, norms, strict=True)]
    return 2 * np.pi * best / 720, min(fits), float(np.mean(fits))
