"""The lens and the card's bow as a printed card shows them: its corners form a lattice, and both of these bend it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.bow import BOW_U_MM, Bow, flat
from calibration.lens import DISTORTION_U, Lens, unknown_lens
from calibration.plane import fit_plane
from calibration.pose import Size, camera_mm

Array = NDArray[np.float64]

#: Before a corner is looked at: of the lens, and of the three heights.
PRIOR_U = np.array([DISTORTION_U, BOW_U_MM, BOW_U_MM, BOW_U_MM])
#: Each begins where the last left lens, bow and plane. More change no length beside a card by over 0.25 % (two: 0.5 %).
ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Bends:
    """What bends a card's lattice in the picture.

    Attributes
    ----------
    lens : Lens
    bow : Bow
    spread : (4, 4) float array
        Covariance of the lens's distortion and the bow's three heights, mm.
    """

    lens: Lens
    bow: Bow
    spread: Array


def bends_of(
    points_mm: Array,
    points_px: Array,
    corners_mm: Array,
    corner_u_px: float,
    focal_px: float | None,
    image_size: Size,
) -> Bends:
    """Return the lens and the bow that a printed card's corners speak for, drawn towards none as far as they do not.

    Parameters
    ----------
    points_mm, points_px : (N, 2) float arrays
        The corners that are seen, at least four, on the card and in the picture.
    corners_mm : (M, 2) float array
        All that the card has: its bow is that of the whole, of which a part bends less.
    corner_u_px : float
        Standard deviation of a corner, px; raised to what neither lens nor bow explains.
    focal_px : float or None
        Focal length, px, where known.
    image_size : (int, int)
        Width and height, px.

    Raises
    ------
    ValueError
        When there are fewer than four points, or they do not span a plane.
    """
    lens = unknown_lens(image_size)
    fitted = fit_plane(points_mm, points_px)
    bow = flat(corners_mm, camera_mm(fitted, focal_px, image_size))
    for _ in range(ROUNDS):
        moves_px = np.einsum("nij,njk->nik", fitted.straight_px_per_mm(fitted.shown_mm), bow.away(points_mm))
        columns = np.column_stack([lens.pull_px(points_px).ravel(), -moves_px.reshape(-1, 3)])
        left = (lens.straight(points_px) - fitted.straight_px(fitted.shown_mm)).ravel()
        # What a homography can take up says nothing of either.
        taken = np.linalg.qr(fitted.freedom())[0]
        columns, left = columns - taken @ (taken.T @ columns), left - taken @ (taken.T @ left)
        before = np.array([lens.distortion, *bow.heights_mm])
        noise_px = max(corner_u_px, _noise_px(columns, left))
        found, spread = likeliest(columns / noise_px, (columns @ before - left) / noise_px, PRIOR_U)
        lens = dataclasses.replace(lens, distortion=float(found[0]), distortion_u=float(np.sqrt(spread[0, 0])))
        fitted = fit_plane(points_mm, points_px, lens=lens, bow=dataclasses.replace(bow, heights_mm=found[1:]))
        # A bow misleads the focal length, and with it the camera's place.
        bow = dataclasses.replace(bow, camera_mm=camera_mm(fitted, focal_px, image_size), heights_mm=found[1:])
    return Bends(lens, bow, spread)


def likeliest(columns: Array, wanted: Array, prior_u: Array) -> tuple[Array, Array]:
    """Return mean (k,) and covariance (k, k) of what makes ``columns`` (n, k) into ``wanted`` (n,), of unit noise.

    Linear regression with normal priors about none (Box and Tiao, Bayesian Inference in Statistical Analysis, 1973,
    2.7). Where what is found is less likely by those priors than it should be, the covariance grows by as much (Birge,
    Phys. Rev. 40 (1932) 207, from memory): so wide a lens or so bent a card was not expected.
    """
    spread = np.linalg.inv(columns.T @ columns + np.diag(prior_u**-2))
    found = spread @ (columns.T @ wanted)
    return found, np.asarray(spread * max(1.0, float(np.mean((found / prior_u) ** 2))))


def _noise_px(columns: Array, left: Array) -> float:
    """Return the standard deviation of what neither plane, lens nor bow explains of the points, each axis."""
    explained = columns @ np.linalg.lstsq(columns, left, rcond=None)[0]
    freedom = max(1, len(left) - 8 - columns.shape[1])
    return float(np.sqrt(((left - explained) ** 2).sum() / freedom))
