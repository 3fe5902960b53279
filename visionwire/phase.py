"""Least squares of harmonics in a phase: rows that repeat with the twist give its phase along them.

Every row is weighted by its own noise; the phase is a smooth spline. Nonlinear least squares of harmonics is the
estimator that reaches the Cramer-Rao bound (tests/outside/test_estimator.py measures it).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, ndimage
from scipy.special import expit

from visionwire.strip import smooth

Floats = NDArray[np.float64]

HARMONICS = 3
KNOT_TWISTS = 2.0
ROUGHNESS = 0.1
LEAST_STRENGTH = 0.05
SLIP_TWISTS, LEAST_SLIP, LEAST_MENDED = 0.8, 0.4, 1.5
MOST_ROUNDS = 15
MOST_STRETCHED = 1.4  # of a start's span, either way


@dataclass(frozen=True, eq=False)
class Fit:
    """Harmonics in a spline phase, fitted to rows."""

    phase: Floats
    phase_factor: Floats
    coefficients: Floats
    likelihood: float


def refine(rows: Floats, phase: Floats) -> Fit:
    """Fit every row by harmonics of one common phase, by Gauss-Newton.

    Parameters
    ----------
    rows : (R, n) float array
        What repeats with the twist: luminance and orientation, row by row.
    phase : (n,) float array
        First guess, radians, within about a third of a cycle; rising.

    Returns
    -------
    Fit
        ``likelihood`` is the mean over rows of log(1 + signal / noise), larger is
        likelier. ``phase_factor`` comes from the sandwich estimator (White,
        Econometrica 50 (1982) 1), so that noise that is correlated between rows
        and columns counts for what it is.
    """
    return _descended(rows, phase, lambda waves: _least_squares(waves, rows.T), ROUGHNESS)


def match(rows: Floats, drawn: Floats, phase: Floats, roughness: float) -> Fit:
    """Fit rows by a pattern that is known but for its strength, at one phase, by Gauss-Newton.

    Parameters
    ----------
    rows : (R, n) float array
        What repeats with the twist.
    drawn : (2 K + 1, R) float array
        The pattern: of every row constant, cosines and sines of ``HARMONICS`` multiples of the phase.
    phase : (n,) float array
        First guess, radians, within about a third of a cycle; rising.
    roughness : float
        What curvature of the phase costs, over what the rows tell of it.

    Returns
    -------
    Fit
        As of `refine`; its phase is the pattern's own.
    """

    def scaled(waves: Floats) -> Floats:
        """Return the pattern at its likeliest strength, on the rows' own level."""
        shown = waves @ drawn
        shown = shown - shown.mean(0)
        strength = max(float((shown * rows.T).sum() / (shown**2).sum()), LEAST_STRENGTH)
        coefficients = strength * drawn
        coefficients[0] += (rows.T - waves @ coefficients).mean(0)
        return coefficients

    return _descended(rows, phase, scaled, roughness)


def _descended(rows: Floats, phase: Floats, coefficients_of: Callable[[Floats], Floats], roughness: float) -> Fit:
    """Return the fit that Gauss-Newton comes down to, the pattern's coefficients (2 K + 1, R) a function of waves."""
    columns, span = len(phase), _span(phase)
    basis = _spline_basis(columns, KNOT_TWISTS * 2 * np.pi * columns / span)
    curvature = np.diff(np.eye(basis.shape[1]), 2, axis=0)
    knots = _least_squares(basis, phase)
    for _ in range(MOST_ROUNDS):
        phase = basis @ knots
        waves, slopes = _harmonics(phase)
        coefficients = coefficients_of(waves)
        residue, gradient = rows.T - waves @ coefficients, slopes @ coefficients
        variance = np.maximum((residue**2).mean(0), 1e-9)
        pull = (gradient * residue / variance).sum(1)
        information = basis.T @ ((gradient**2 / variance).sum(1)[:, None] * basis)
        size = np.trace(information) / len(information)
        stiff = roughness * size * curvature.T @ curvature
        inverse = np.linalg.inv(information + stiff + 1e-9 * size * np.eye(len(information)))
        step = inverse @ (basis.T @ pull - stiff @ knots)
        largest = float(np.abs(basis @ step).max())
        moved = knots + step * min(1.0, 0.8 / max(largest, 1e-12))
        if not 1 / MOST_STRETCHED < _span(basis @ moved) / span < MOST_STRETCHED:
            break  # over less than two twists, a slower phase fits anything
        knots = moved
        if largest < 1e-3:
            break
    ratio = (waves[:, 1:] @ coefficients[1:]).var(0) / variance
    factor = basis @ inverse @ (basis.T * _pull_deviation(pull))
    return Fit(basis @ knots, factor, np.asarray(coefficients, float), float(np.log1p(ratio).mean()))


def mended(rows: Floats, fit: Fit) -> Fit:
    """Return the likeliest of a fit and of those with one twist more or less at the place where it fits worst."""
    columns = np.arange(rows.shape[1])
    twist = 2 * np.pi * len(columns) / _span(fit.phase)
    local = smooth(local_fit(rows, fit)[None], twist)[0]
    inner = slice(int(twist), max(int(twist) + 1, len(columns) - int(twist)))
    if len(local[inner]) < 2:
        return fit
    worst = inner.start + int(local[inner].argmin())
    step = 2 * np.pi * expit((columns - worst) / (SLIP_TWISTS * twist))
    others = [refine(rows, fit.phase + turn * step) for turn in (-1, 1)]
    # By less than about half a twist it is no slip: the fit has but run off at its ends. Of less than a twist and a
    # half anything can be fitted.
    slips = [
        one
        for one in others
        if abs(_span(one.phase) - _span(fit.phase)) > LEAST_SLIP * 2 * np.pi
        and _span(one.phase) > LEAST_MENDED * 2 * np.pi
    ]
    return max([fit, *slips], key=lambda one: one.likelihood)


def local_fit(rows: Floats, fit: Fit) -> Floats:
    """Return each column's log likelihood ratio, mean over rows: the pattern at its phase against out of step."""
    waves, _ = _harmonics(fit.phase)
    pattern = waves @ fit.coefficients
    noise = np.maximum(((rows.T - pattern) ** 2).mean(0), 1e-9)
    both = noise + (pattern - fit.coefficients[0]).var(0)
    in_step = (rows.T - pattern) ** 2 / noise + np.log(noise)
    out_of_step = (rows.T - fit.coefficients[0]) ** 2 / both + np.log(both)
    return np.asarray((out_of_step - in_step).mean(1) / 2, float)


def _span(phase: Floats) -> float:
    return float(phase[-1] - phase[0])


def _least_squares(columns: Floats, values: Floats) -> Floats:
    """Solve by the normal equations, which for few, well-conditioned columns are as good and quicker."""
    return np.asarray(np.linalg.lstsq(columns.T @ columns, columns.T @ values, rcond=None)[0], float)


def _pull_deviation(pull: Floats) -> Floats:
    """Return the deviation of each column's pull, raised for the correlation of neighbours."""
    centred = pull - pull.mean()
    spectrum = np.abs(fft.rfft(centred, 2 * len(pull))) ** 2
    correlation = fft.irfft(spectrum)[: len(pull)]
    correlation /= max(correlation[0], 1e-12)
    end = int(np.argmax(correlation < 0.05)) or len(pull)
    longer = max(1.0, 1 + 2 * float(correlation[1:end].sum()))
    return np.asarray(np.sqrt(ndimage.uniform_filter1d(pull**2, max(3, len(pull) // 4)) * longer), float)


def _harmonics(phase: Floats) -> tuple[Floats, Floats]:
    """Return constant and harmonics (n, 2 K + 1), and their derivatives by phase."""
    orders = np.arange(1, HARMONICS + 1)
    cosines, sines = np.cos(phase[:, None] * orders), np.sin(phase[:, None] * orders)
    constant = np.ones((len(phase), 1))
    return np.hstack([constant, cosines, sines]), np.hstack([0 * constant, -orders * sines, orders * cosines])


def _spline_basis(columns: int, knot_columns: float) -> Floats:
    """Return a cubic B-spline basis on even knots that run past both ends, so that a straight line has no curvature."""
    pieces = max(2, int(np.ceil((columns - 1) / knot_columns)))
    knots = np.arange(-3, pieces + 4) * (columns - 1) / pieces
    at = np.arange(columns) * (1 - 1e-12)
    return np.asarray(interpolate.BSpline.design_matrix(at, knots, 3).toarray(), float)
