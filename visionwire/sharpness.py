"""How blurred a picture is, and whether a movement smeared it: read off a card's printed corners, or off edges.

Blur is taken for a Gaussian: alike in all directions where the lens is out of focus,
drawn out along the movement where phone or part moved. Where four squares of a printed
card meet, all of it is seen at once: the two edges tell the blur across either, and how
bright the middle is tells what goes aslant. Edges of other things tell how sharp they
are at best, but not a movement: wire and ground have edges of their own softness in
every direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from calibration.plane import Plane
from visionwire.strip import frame

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

#: Grey to linear light, nearly: there an edge's bright side is as wide as its dark one.
GAMMA = 2.2
#: White round a marker, as a share of a square: the least that any known card has.
CLEAR_SHARE = 0.125
FEWEST_CORNERS, MOST_CORNERS = 4, 20
#: Samples along a side of the patch about a corner, and its half side: standard deviations of the blur, px.
SAMPLES, REACH_SIGMAS, LEAST_REACH_PX = 13, 3.5, 3.0
#: Patches are cut anew, to the blur found, after so many steps each time; no step is larger.
STEPS, LARGEST_STEP = (4, 2, 2), 1.0
#: A patch whose fit leaves more of its variance shows no clean corner; one of less contrast shows none at all.
LARGEST_REST, LEAST_CONTRAST = 0.08, 0.02
#: Logarithm of variances (px^2) that are told apart.
LOG_VARIANCES = (-5.0, 8.0)
LARGEST_CORRELATION = 0.95
GAUSS = np.polynomial.legendre.leggauss(4)
#: A pixel is no point, and print no sharp edge: the two directions of a card differ by as much of the variance.
LEAST_SMEAR_U = 0.05

#: Edges beside the run are looked at so far, in wire diameters.
BESIDE_D = 8.0
#: Of the larger rises (their 95th percentile) an edge has such a share, and so many grey levels of 255.
LARGE_SHARE, LEAST_RISE = 0.6, 15.0
#: Half sides of the squares in which the rise of an edge is taken, px; good for so much of it as standard deviation.
RISES_PX, RISE_SHARE = (4, 6, 9, 14, 20, 28), 0.2
FEWEST_EDGES, SHARPEST = 30, 0.05
#: Smoothing before the slope is taken; the difference of neighbours smooths as well, by about what a phone's sharpening
#: takes off and the share above is too sharp by, so that it is left in.
FINE_PX = 0.7
#: Of a large picture so many samples a twist, or along its longer side, tell all that is asked.
SAMPLES_A_TWIST, LARGEST_PX = 40.0, 1600


@dataclass(frozen=True, eq=False)
class Blur:
    """Blur of a picture as a Gaussian.

    Attributes
    ----------
    covariance_px2 : (2, 2) float array
        Its covariance, x and y.
    smear_u_px2 : float
        Standard deviation of ``smear_px2``.
    """

    covariance_px2: Floats
    smear_u_px2: float

    @property
    def sigma_px(self) -> float:
        """Standard deviation, the root mean square of all directions."""
        return float(np.sqrt(np.trace(self.covariance_px2) / 2))

    @property
    def still_px(self) -> float:
        """Standard deviation across the movement: what is left without it."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance_px2)[0]))

    @property
    def smear_px2(self) -> float:
        """How much larger the variance is along the movement than across it."""
        least, most = np.linalg.eigvalsh(self.covariance_px2)
        return float(most - least)

    @property
    def smear_px(self) -> float:
        """Length of the even movement that smears as much: its variance is length^2 / 12."""
        return float(np.sqrt(12 * self.smear_px2))

    @property
    def direction(self) -> Floats:
        """Unit vector (x, y) along the movement; either way is as good."""
        return np.asarray(np.linalg.eigh(self.covariance_px2)[1][:, 1])


# -- on a printed card --------------------------------------------------------------------------


def on_card(luminance: Singles, plane: Plane) -> Blur | None:
    """Measure the blur where four squares of a printed card meet.

    One Gaussian is fitted to all corners by least squares; each has its own contrast and slope of light.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    plane : Plane
        Fitted to those corners.

    Returns
    -------
    Blur or None
        None where no printed card, or too few clean corners of it, are seen.
    """
    if plane.source != "card" or len(plane.points_px) < FEWEST_CORNERS:
        return None
    chosen = np.linspace(0, len(plane.points_px) - 1, min(MOST_CORNERS, len(plane.points_px))).round().astype(int)
    at_px, at_mm = plane.points_px[chosen], plane.points_mm[chosen]
    apart_mm = np.linalg.norm(at_mm[:, None] - plane.points_mm, axis=2)
    to_mm = np.asarray(np.linalg.inv(_px_per_mm(plane, at_mm)), float)
    clear_px = CLEAR_SHARE * float(apart_mm[apart_mm > 1e-6].min()) / _mm_per_px(to_mm)
    reach_px = float(np.median(clear_px))
    log_form = np.array([1.0, 0.0, 1.0]) * 2 * np.log(reach_px / 4)
    for steps in STEPS:
        patches, places = _patches(luminance, at_px, to_mm, np.minimum(reach_px, clear_px))
        seen = np.ptp(patches, axis=1) > LEAST_CONTRAST
        if not seen.any():
            return None
        for _ in range(steps):
            rest, slopes = _rest(patches, places, to_mm, log_form)
            clean = seen & (np.sum(rest**2, axis=1) < LARGEST_REST)
            # Far from the answer no corner fits; then all have their say.
            used = clean if clean.sum() >= FEWEST_CORNERS else seen
            step = _step(rest[used], slopes[used])
            log_form = log_form - step * min(1.0, LARGEST_STEP / max(float(np.abs(step).max()), 1e-9))
        reach_px = max(LEAST_REACH_PX, REACH_SIGMAS * float(np.sqrt(np.linalg.eigvalsh(_exp(log_form))[1])))
    rest, slopes = _rest(patches, places, to_mm, log_form)
    clean = seen & (np.sum(rest**2, axis=1) < LARGEST_REST)
    if clean.sum() < FEWEST_CORNERS:
        return None
    form = _exp(log_form)
    return Blur(
        form, max(_smear_u_px2(rest[clean], slopes[clean], log_form), LEAST_SMEAR_U * float(np.trace(form)) / 2)
    )


def _px_per_mm(plane: Plane, at_mm: Floats) -> Floats:
    """Return the Jacobian (N, 2, 2) of the plane's map at (N, 2) points."""
    step_mm = 0.05
    sides = [(plane.to_px(at_mm + d) - plane.to_px(at_mm - d)) / (2 * step_mm) for d in step_mm * np.eye(2)]
    return np.stack(sides, axis=2)


def _mm_per_px(to_mm: Floats) -> Floats:
    return np.asarray(np.sqrt(np.abs(np.linalg.det(to_mm))))


def _patches(luminance: Singles, at_px: Floats, to_mm: Floats, half_px: Floats) -> tuple[Floats, Floats]:
    """Sample squares along the card's own axes: linear light (N, M), and places about the corner in mm (N, M, 2)."""
    ticks = np.linspace(-1, 1, SAMPLES)
    grid = np.stack(np.meshgrid(ticks, ticks), -1).reshape(-1, 2)
    places_mm = grid * (half_px * _mm_per_px(to_mm))[:, None, None]
    at = at_px[:, None] + places_mm @ np.linalg.inv(to_mm).transpose(0, 2, 1)
    x, y = np.ascontiguousarray(at.transpose(2, 0, 1), np.float32)
    seen = cv2.remap(luminance, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return (np.clip(seen.astype(float), 0, 255) / 255) ** GAMMA, places_mm


def _corner(places_mm: Floats, to_mm: Floats, form: Floats) -> Floats:
    """Return sign(u) sign(v) at places (N, M, 2), blurred by a Gaussian of covariance ``form``, px^2.

    That is erf(h / sqrt 2) erf(k / sqrt 2), h and k the distances in standard deviations, and 4 times the
    normal density integrated over its correlation (Plackett, Biometrika 41 (1954) 351), by four points of Gauss.
    """
    spread = to_mm @ form @ to_mm.transpose(0, 2, 1)
    u_mm, v_mm = np.sqrt(spread[:, 0, 0])[:, None], np.sqrt(spread[:, 1, 1])[:, None]
    correlation = np.clip(spread[:, 0, 1, None] / (u_mm * v_mm), -LARGEST_CORRELATION, LARGEST_CORRELATION)
    h, k = places_mm[..., 0] / u_mm, places_mm[..., 1] / v_mm
    total = erf(h / np.sqrt(2)) * erf(k / np.sqrt(2))
    for node, weight in zip(*GAUSS, strict=True):
        r = correlation * (node + 1) / 2
        free = 1 - r**2
        density = np.exp(-(h**2 - 2 * r * h * k + k**2) / (2 * free)) / (2 * np.pi * np.sqrt(free))
        total += 4 * weight * correlation / 2 * density
    return np.asarray(total)


def _rest(patches: Floats, places_mm: Floats, to_mm: Floats, log_form: Floats) -> tuple[Floats, Floats]:
    """Return what a blurred corner leaves of every patch (N, M), and its derivatives (N, M, 3) by ``log_form``."""
    grid = places_mm[0] / places_mm[0].max()
    light = np.linalg.qr(np.column_stack([np.ones(len(grid)), grid]))[0]

    def normed(values: Floats) -> Floats:
        values = values - (values @ light) @ light.T
        return np.asarray(values / np.maximum(np.linalg.norm(values, axis=1, keepdims=True), 1e-9))

    wanted = normed(patches)

    def left(at: Floats) -> Floats:
        drawn = normed(_corner(places_mm, to_mm, _exp(at)))
        return np.asarray(wanted - np.sum(wanted * drawn, axis=1, keepdims=True) * drawn)

    here, step = left(log_form), 0.02
    return here, np.stack([(left(log_form + step * one) - here) / step for one in np.eye(3)], axis=2)


def _exp(log_form: Floats) -> Floats:
    """Return the covariance (2, 2) whose matrix logarithm has the elements xx, xy, yy: so every step stays at one."""
    values, vectors = np.linalg.eigh(np.array([log_form[:2], log_form[1:]]))
    return np.asarray((vectors * np.exp(np.clip(values, *LOG_VARIANCES))) @ vectors.T)


def _step(rest: Floats, slopes: Floats) -> Floats:
    """Return by how much ``log_form`` (3,) is too large, by least squares."""
    rows = slopes.reshape(-1, 3)
    normal = rows.T @ rows
    return np.asarray(np.linalg.solve(normal + 1e-9 * (np.trace(normal) + 1e-9) * np.eye(3), rows.T @ rest.ravel()))


def _smear_u_px2(rest: Floats, slopes: Floats, log_form: Floats) -> float:
    """Return the scatter over the corners of sqrt((xx - yy)^2 + 4 xy^2), the difference of the eigenvalues."""
    forms = [_exp(log_form - np.clip(_step(r, s), -1, 1)) for r, s in zip(rest, slopes, strict=True)]
    parts = np.array([[form[0, 0] - form[1, 1], 2 * form[0, 1]] for form in forms])
    return float(np.sqrt((parts.var(0, ddof=1) / len(parts)).mean()))


# -- without one --------------------------------------------------------------------------------


def near_line(luminance: Singles, line_px: Floats, diameter_px: float, px_per_twist: float) -> float | None:
    """Return the blur (standard deviation, px) of the sharpest edges on and beside a wire; None where few are seen.

    An edge that rises by r and is at most g steep has r / (g sqrt(2 pi)).

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    line_px : (N, 2) float array
        The wire's centre line.
    diameter_px, px_per_twist : float
        Of the wire.

    Raises
    ------
    ValueError
        If the line is shorter than three samples.
    """
    step_px = max(1.0, px_per_twist / SAMPLES_A_TWIST)
    centre, normal = frame(line_px, step_px, diameter_px)
    across = np.arange(-BESIDE_D * diameter_px, BESIDE_D * diameter_px, step_px)[:, None]
    x = (centre[:, 0] + across * normal[:, 0]).astype(np.float32)
    y = (centre[:, 1] + across * normal[:, 1]).astype(np.float32)
    seen = np.asarray(cv2.remap(luminance, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32)
    outside = (x < 0) | (y < 0) | (x > luminance.shape[1] - 1) | (y > luminance.shape[0] - 1)
    sigma = _sharpest(seen, outside)
    return None if sigma is None else sigma * step_px


def anywhere(luminance: Singles) -> float | None:
    """Return the blur (standard deviation, px) of the sharpest edges of a whole picture; None where few are seen.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    """
    share = min(1.0, LARGEST_PX / max(luminance.shape))
    small = luminance if share == 1 else cv2.resize(luminance, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    sigma = _sharpest(np.asarray(small, np.float32), np.zeros(small.shape, bool))
    return None if sigma is None else sigma / share


def _sharpest(seen: Singles, outside: NDArray[np.bool_]) -> float | None:
    fine = cv2.GaussianBlur(seen, (0, 0), FINE_PX)
    steep = cv2.magnitude(*(cv2.Sobel(fine, cv2.CV_32F, dx, 1 - dx, ksize=1, scale=0.5) for dx in (1, 0)))
    top = (steep >= cv2.dilate(steep, np.ones((3, 3), np.uint8))) & (steep > 0)
    sigma = None
    for half in RISES_PX:
        square = np.ones((2 * half + 1, 2 * half + 1), np.uint8)
        rise = cv2.dilate(fine, square) - cv2.erode(fine, square)
        inside = top & ~cv2.dilate(outside.view(np.uint8), square).view(bool)
        if not inside.any():
            break
        kept = inside & (rise > max(LEAST_RISE, LARGE_SHARE * float(np.quantile(rise[inside], 0.95))))
        if kept.sum() < FEWEST_EDGES:
            break
        wide = rise[kept] / (np.sqrt(2 * np.pi) * steep[kept])
        sigma = float(np.sqrt(max(float(np.quantile(wide, SHARPEST)) ** 2 - FINE_PX**2, 0.0)))
        if sigma < RISE_SHARE * half:
            break
    return sigma
