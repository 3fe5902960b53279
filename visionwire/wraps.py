"""Wraps round the shanks of a safetied turnbuckle: counted along the axis by phase, with their hand.

A wire of diameter d wound at radius R (axis to axis) and spacing p passes at the angle phi about the axis (0 towards
the camera) where P(x) = k + h phi / 2 pi: P counts turns along the axis, k is whole, h is +1 for Z. Across the
picture phi = asin(y / R), so that the bands lean by half a spacing from rim to rim; a camera that looks along the axis
by b shifts them by b R cos(phi) besides, and one that looks past them shears them. Straightened by all three, every
band is upright; its phase is followed from end to end, and each piece of wire has its place in turns, P + h phi / 2 pi.
Which pieces are there is seen over the half turn that faces the camera, so an end behind the shank is known to half a
turn, and is stated so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from visionwire.shank import ROWS_PER_D, STEP_D, Floats, Frame, Picture, frame_of
from visionwire.twist import Lay

#: Closest and widest spacing of neighbouring turns that is looked for, wire diameters.
SPACINGS_D = np.exp(np.arange(np.log(0.97), np.log(1.46), 0.06))
#: Radius of the wound wire's axis, diameters: shanks of 3 to 6 mm, wire of .032 to .047 in, and a little more.
RADII_D = np.arange(1.7, 4.5, 0.3)
OBLIQUENESS = np.arange(-0.5, 0.51, 0.125)
#: Angles about the axis at which wire is looked at; beyond, bands crowd into the rim.
ANGLES = np.radians([-90.0, -80, -70, -60, -48, -36, -24, -12, 0, 12, 24, 36, 48, 60, 70, 80, 90])
#: Window in which bands are measured, spacings; how far out the rim is looked at; share of the clearest that is clear.
WINDOW, RIM_OUT_D, CLEAR = 1.1, 0.2, 0.55
#: Samples to a turn; least share of the pattern's power that may differ where it is still there; scatter of a reach,
#: and of half the thickness of a wire, turns.
PER_TURN, LEAST_ALIKE, SCATTER, HALF_U = 16, 0.6, 0.1, 0.08
#: Bands that upright ones explain less than that of are none.
LEAST_LIKE = 0.18
#: Under that, other wires than the one that card and diameter say are tried too: a card may be mistaken.
CLEARLY_LIKE = 0.3
#: What goes round the shank less often than that is no wrap.
LEAST_TURNS = 1.2
#: The hand is said where it is likelier than the other by so much (log likelihood).
LEAST_MARGIN = 0.4
#: What is not seen in the reaches, turns: the wire lies down and leaves over some length. On painted pictures.
BEND_TURNS, BEND_U_TURNS = 0.1, 0.32
#: Where nothing tells how thick the wire is, the way pointed out is taken for so many of it.
LENGTHS_D = np.exp(np.arange(np.log(36.0), np.log(150.0), 0.25))
USUAL_SPACING_D, USUAL_SPACING_U = 1.15, 0.1


@dataclass(frozen=True, eq=False)
class Coil:
    """The wraps at one end of a turnbuckle.

    Attributes
    ----------
    turns, turns_u : float
        Turns of the wire round the shank, and one standard deviation.
    hand : {"S", "Z"} or None
        As seen in the upright picture; None where the slant of the bands does not tell.
    axis_px : (2, 2) float array
        Where the wraps begin and end before the shank, on the axis.
    ticks_px : (T, 2, 2) float array
        A short line across the shank at every passage of the wire before it.
    spacing_px, radius_px : float
        Distance of neighbouring turns; radius of the wound wire's axis.
    likeness : float
        Share of the picture's variation that upright bands explain where they are clearest, 0 to 1.
    """

    turns: float
    turns_u: float
    hand: Lay | None
    axis_px: Floats
    ticks_px: Floats
    spacing_px: float
    radius_px: float
    likeness: float


def _waves(values: Floats, spacing_d: float, width: float) -> tuple[list[Floats], Floats]:
    """Return harmonics 1 and 2 of a spacing in windows along every row, over the rows' deviation there; and that."""
    columns = spacing_d / STEP_D
    swing = values - ndimage.gaussian_filter1d(values, 0.8 * columns, axis=1)
    power = np.maximum(ndimage.gaussian_filter1d(swing**2, width * columns, axis=1), 0.0)
    # Faint things repeat too: the grooves of a turned barrel. What is much fainter than the clearest counts less.
    deviation = np.sqrt(power + 0.1 * np.percentile(power, 95) + 1e-6)
    x = np.arange(values.shape[1]) / columns
    waves = []
    for order in (1, 2):
        beat = swing * np.exp(-2j * np.pi * order * x)
        smooth = ndimage.gaussian_filter1d(beat.real, width * columns, axis=1) + 1j * ndimage.gaussian_filter1d(
            beat.imag, width * columns, axis=1
        )
        waves.append(np.asarray(smooth / deviation))
    return waves, deviation


@dataclass(frozen=True)
class _Found:
    """Where bands are clearest on one side, and the geometry that makes them upright there."""

    score: float
    spacing_d: float
    radius_d: float
    oblique: float
    sign: int
    x_d: float
    likeness: float


def _locate(frame: Frame) -> tuple[_Found, _Found] | None:
    """Return the clearest bands on either side of the middle: one radius, one camera for both."""
    shape = (2, len(RADII_D), len(OBLIQUENESS))
    score, who = np.full(shape, -1.0), np.empty(shape, object)
    width = frame.values.shape[1]
    for spacing in SPACINGS_D:
        waves, _ = _waves(frame.values, spacing, 1.1)
        stride = max(1, int(spacing / 4 / STEP_D))
        margin = int(1.2 * spacing / STEP_D)
        columns = np.arange(margin, width - margin, stride)
        if len(columns) < 4:
            continue
        waves = [wave[:, columns] for wave in waves]
        side = columns * 2 >= width
        oblique = frame.oblique(columns * STEP_D)
        for i, radius in enumerate(RADII_D):
            rows = np.abs(frame.across_d) < 0.96 * radius
            phi = np.arcsin(frame.across_d[rows] / radius)
            turn = np.cos(phi) * radius / spacing
            tries = [(j, sign) for j in range(len(OBLIQUENESS)) for sign in (1, -1)]
            like: Floats = np.zeros((len(tries), len(columns)))
            for order, wave in enumerate(waves, 1):
                there = wave[rows] * np.exp(2j * np.pi * order * turn[:, None] * oblique)
                steer = np.array(
                    [np.exp(1j * order * (2 * np.pi * OBLIQUENESS[j] * turn + sign * phi)) for j, sign in tries]
                )
                like += 2 * np.abs(steer @ there / len(phi)) ** 2
            value = rows.sum() / ROWS_PER_D / spacing * -np.log(1 - np.minimum(like, 0.97))
            for (j, sign), row, likeness in zip(tries, value, like, strict=True):
                for s in (0, 1):
                    at = int(np.argmax(np.where(side == s, row, -1.0)))
                    if row[at] > score[s, i, j]:
                        score[s, i, j] = row[at]
                        x_d = float(columns[at] * STEP_D)
                        who[s, i, j] = _Found(
                            float(row[at]), float(spacing), float(radius), float(OBLIQUENESS[j]), sign, x_d,
                            float(likeness[at]),
                        )  # fmt: skip
    best = np.unravel_index(int(score.sum(0).argmax()), shape[1:])
    return None if score[(0, *best)] < 0 or score[(1, *best)] < 0 else (who[(0, *best)], who[(1, *best)])


def _refine(frame: Frame, found: tuple[_Found, _Found]) -> tuple[_Found, _Found, tuple[float, float]]:
    """Return both finds with radius and camera fitted finely, and how much likelier their hands are than the others."""
    radii, oblique = np.arange(1.7, 4.5, 0.1), np.arange(-0.55, 0.56, 0.05)
    tables = []
    for one in found:
        waves, _ = _waves(frame.values, one.spacing_d, WINDOW)
        column = int(one.x_d / STEP_D)
        shear, seen = frame.shear(one.x_d), float(frame.oblique(one.x_d))
        table = np.empty((len(radii), len(oblique), 2))
        for i, radius in enumerate(radii):
            rows = np.abs(frame.across_d) < 0.97 * radius
            across = frame.across_d[rows]
            phi = np.arcsin(across / radius)
            turn = np.cos(phi) * radius / one.spacing_d
            like: Floats = np.zeros((len(oblique), 2))
            for order, wave in enumerate(waves, 1):
                there = wave[rows, column] * np.exp(2j * np.pi * order * (turn * seen + shear * across / one.spacing_d))
                steer = np.exp(2j * np.pi * order * np.multiply.outer(oblique, turn))
                for s, sign in enumerate((1, -1)):
                    like[:, s] += 2 * np.abs(steer @ (there * np.exp(1j * order * sign * phi)) / len(phi)) ** 2
            table[i] = rows.sum() / ROWS_PER_D / one.spacing_d * -np.log(1 - np.minimum(like, 0.97))
        tables.append(table)
    best = np.unravel_index(int((tables[0].max(2) + tables[1].max(2)).argmax()), tables[0].shape[:2])
    fitted, margins = [], []
    for one, table in zip(found, tables, strict=True):
        both = table[best]
        sign = 1 if both[0] > both[1] else -1
        other = table[..., 1 if sign > 0 else 0].max()
        margins.append(float(both.max() - other))
        b = float(oblique[best[1]] + frame.oblique(one.x_d))
        fitted.append(_Found(float(both.max()), one.spacing_d, float(radii[best[0]]), b, sign, one.x_d, one.likeness))
    return fitted[0], fitted[1], (margins[0], margins[1])


def _upright(frame: Frame, one: _Found) -> Floats:
    """Return the strip (angles, columns) with the bands of one coil set upright: a row to an angle about the axis."""
    across = one.radius_d * np.sin(ANGLES)
    # At the very rim the wire stands out by its own half.
    across += np.where(np.abs(ANGLES) > 1.5, RIM_OUT_D, 0.0) * np.sign(ANGLES)
    shift_d = (
        one.oblique * one.radius_d * np.cos(ANGLES)
        + frame.shear(one.x_d) * across
        + one.sign * ANGLES * one.spacing_d / (2 * np.pi)
    )
    columns = np.arange(frame.values.shape[1]) + shift_d[:, None] / STEP_D
    rows = np.repeat((across - frame.across_d[0])[:, None] * ROWS_PER_D, columns.shape[1], axis=1)
    smooth = ndimage.gaussian_filter1d(frame.values, 0.1 * ROWS_PER_D, axis=0)
    return np.asarray(ndimage.map_coordinates(smooth, [rows, columns], order=1, mode="nearest"))


def _phase(upright: Floats, one: _Found) -> tuple[Floats, slice]:
    """Return the turns P counted along every column, and the columns over which the bands stand clear."""
    waves, _ = _waves(upright, one.spacing_d, 0.8)
    mean = [wave.mean(0) for wave in waves]
    first = int(one.x_d / STEP_D)
    columns = one.spacing_d / STEP_D
    near = slice(max(0, int(first - columns)), int(first + columns))
    strength = np.sqrt(sum(np.abs(wave) ** 2 for wave in mean))
    first = near.start + int(np.argmax(strength[near]))
    low, high = first, first
    least = CLEAR * strength[first]
    while low > 0 and strength[low - 1] > least:
        low -= 1
    while high < len(strength) - 1 and strength[high + 1] > least:
        high += 1
    # The phase at which both harmonics agree best with those where the bands are clearest.
    trial = np.linspace(-0.5, 0.5, 64, endpoint=False)
    agree = np.zeros((len(trial), high - low + 1))
    for order, wave in enumerate(mean, 1):
        turned = wave[low : high + 1] * np.conj(wave[first])
        agree += np.real(np.exp(-2j * np.pi * order * trial[:, None]) * turned)
    # The phase of the wave falls as the bands come later; it is followed from the clearest place outwards.
    slip = trial[agree.argmax(0)]
    slip = np.unwrap(slip, period=1.0)
    slip -= slip[first - low]
    x = np.arange(low, high + 1)
    turns = (x - first) / columns + slip
    degree = 2 if turns[-1] - turns[0] > 2.0 else 1
    fit = np.polynomial.Polynomial.fit(x, turns, degree)
    every = np.arange(upright.shape[1])
    inside = np.clip(every, low, high)
    slope = fit.deriv()(inside)
    return np.asarray(fit(inside) + slope * (every - inside)), slice(low, high + 1)


def _reaches(upright: Floats, turns: Floats, clear: slice) -> tuple[Floats, Floats]:
    """Return how far (angles,) the bands reach to either side at every angle about the axis, in turns P.

    A band is there as long as what is seen is what the clear turns show at that angle and phase; the stretch is that
    with the largest sum (Bentley 1984) of the likeness over what chance gives.
    """
    first, last = np.ceil(turns[0]), np.floor(turns[-1])
    fine = np.arange(first, last, 1 / PER_TURN)
    rows = np.stack([np.interp(fine, turns, row) for row in upright])
    rows = ndimage.gaussian_filter1d(rows, 0.7, axis=0, mode="nearest")
    whole = rows.reshape(len(rows), -1, PER_TURN)
    number = first + np.arange(whole.shape[1])
    inner = (number > turns[clear.start] - 0.2) & (number + 1 < turns[clear.stop - 1] + 0.2)
    middle = (turns[clear.start] + turns[clear.stop - 1]) / 2
    if not inner.any():
        inner = np.abs(number + 0.5 - middle) < 0.51
    template = np.median(whole[:, inner], axis=1)
    swing = np.mean((template - template.mean(1, keepdims=True)) ** 2, axis=1)
    swing = np.maximum(swing, 0.3 * np.median(swing))
    off = (rows - np.tile(template, whole.shape[1])) ** 2 / swing[:, None]
    off = ndimage.gaussian_filter1d(np.minimum(off, 4.0), 0.1 * PER_TURN, axis=1)
    value = np.clip(LEAST_ALIKE - off, -1.0, 0.6)
    at = int(np.argmin(np.abs(fine - middle)))
    right = at + np.cumsum(value[:, at:], axis=1).argmax(1)
    left = at - np.cumsum(value[:, at::-1], axis=1).argmax(1)
    return fine[left], fine[right]


def _turns(left: Floats, right: Floats, sign: int, thickness: float) -> tuple[float, float, tuple[float, float, float]]:
    """Return the turns that those reaches mean, one standard deviation, and likeliest start, end and offset of P.

    A wire that starts at s and ends at e (turns) passes the angle phi first at the least whole k with k + h phi / 2 pi
    >= s and last at the greatest with k + h phi / 2 pi <= e; half a thickness of wire lies to either side. All starts,
    ends, thicknesses and offsets of k are weighed by how far the reaches lie from that, with a long tail.
    """
    turn = sign * ANGLES / (2 * np.pi)
    starts = np.arange(np.floor(left.min()) - 1.5, np.median(left) + 2.0, 0.02)
    ends = np.arange(np.median(right) - 2.0, np.ceil(right.max()) + 1.5, 0.02)
    firsts, lasts = np.ceil(starts[:, None] - turn), np.floor(ends[:, None] - turn)
    total, mean, square, begins = 0.0, 0.0, 0.0, (-np.inf, 0.0, 0.0, 0.0)
    for offset in np.arange(0.0, 1.0, 0.05):
        for half in thickness / 2 + np.arange(-0.15, 0.16, 0.05):
            unlikely = 0.5 * ((half - thickness / 2) / HALF_U) ** 2
            s_cost = _cost(left - (firsts + offset - half)) + unlikely
            e_cost = _cost(right - (lasts + offset + half))
            low = s_cost.min() + e_cost.min()
            p_s, p_e = np.exp(s_cost.min() - s_cost), np.exp(e_cost.min() - e_cost)
            weight = np.exp(10.0 - low) * p_s.sum() * p_e.sum()
            p_s, p_e = p_s / p_s.sum(), p_e / p_e.sum()
            s, e = p_s @ starts, p_e @ ends
            spread = p_s @ (starts - s) ** 2 + p_e @ (ends - e) ** 2
            total += weight
            mean += weight * (e - s)
            square += weight * ((e - s) ** 2 + spread)
            if weight > begins[0]:
                begins = (weight, s, e, offset)
    count = mean / total
    return (
        float(count),
        float(np.sqrt(max(square / total - count**2, 0.0))),
        (float(begins[1]), float(begins[2]), float(begins[3])),
    )


def _cost(off: Floats) -> Floats:
    """Return the cost (N,) of reaches (N, angles) that lie so far off; neighbours are smoothed, so each counts half."""
    return np.asarray(0.5 * np.minimum(np.abs(off) / SCATTER, 5.0).sum(-1))


def find(
    luminance: Picture, start_px: Floats, end_px: Floats, d_px: float | None = None, focal_px: float | None = None
) -> tuple[Coil, Coil] | None:
    """Count the wraps at both ends of a turnbuckle.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    start_px, end_px : (2,) float arrays
        Two points on the turnbuckle's long axis, one near each terminal's outer end.
    d_px : float, optional
        The wire's diameter, px; the strongest bands say it unless given.
    focal_px : float, optional
        Focal length; `shank.USUAL_FOCAL` widths of the picture unless given.

    Returns
    -------
    tuple of Coil or None
        That nearer the start first; None where no bands stand across the axis on either side of its middle.
    """
    given = [] if d_px is None else [d_px]
    best = _clearest(luminance, start_px, end_px, given, focal_px)
    if best is None or min(one.likeness for one in best[1]) < CLEARLY_LIKE:
        sizes = [*given, *(float(np.hypot(*(end_px - start_px))) / LENGTHS_D)]
        best = _clearest(luminance, start_px, end_px, sizes, focal_px)
    if best is None or min(one.likeness for one in best[1]) < LEAST_LIKE:
        return None
    frame, found = best
    one, other, margins = _refine(frame, found)
    coils = _coil(frame, one, margins[0]), _coil(frame, other, margins[1])
    # Between the wraps lies the barrel; what goes on from end to end is a thread or a spring.
    along = [(coil.axis_px - frame.start_px) @ frame.along / frame.d_px for coil in coils]
    middle = frame.values.shape[1] * STEP_D / 2
    apart = along[0].max() < middle < along[1].min()
    return coils if apart and min(coil.turns for coil in coils) > LEAST_TURNS else None


def _clearest(
    luminance: Picture, start_px: Floats, end_px: Floats, sizes: list[float], focal_px: float | None
) -> tuple[Frame, tuple[_Found, _Found]] | None:
    """Return the clearest bands, of wire of any of the sizes, px."""
    best, most = None, 0.0
    for size in sizes:
        frame = frame_of(luminance, start_px, end_px, size, focal_px)
        found = _locate(frame)
        if found is not None and found[0].score + found[1].score > most:
            best, most = (frame, found), found[0].score + found[1].score
    return best


def _coil(frame: Frame, one: _Found, margin: float) -> Coil:
    upright = _upright(frame, one)
    turns, clear = _phase(upright, one)
    left, right = _reaches(upright, turns, clear)
    count, count_u, (first, last, offset) = _turns(left, right, one.sign, 1 / one.spacing_d)
    x_d = np.arange(len(turns)) * STEP_D
    passages = np.arange(np.ceil(first), max(np.floor(last), np.ceil(first)) + 1)
    middle = frame.at_px(np.interp(passages + offset, turns, x_d + one.oblique * one.radius_d))
    ends = middle[[0, -1]] + np.outer([-0.5, 0.5], frame.along) * frame.d_px
    spacing_px = one.spacing_d * frame.d_px
    reach = (one.radius_d + 1.0) * frame.d_px * np.array([-frame.along[1], frame.along[0]])
    return Coil(
        turns=count + BEND_TURNS,
        turns_u=float(np.hypot(count_u, BEND_U_TURNS)),
        hand=None if margin < LEAST_MARGIN else "Z" if one.sign > 0 else "S",
        axis_px=ends,
        ticks_px=np.stack([middle - reach, middle + reach], axis=1),
        spacing_px=spacing_px,
        radius_px=one.radius_d * frame.d_px,
        likeness=one.likeness,
    )
