"""The lens as a printed card shows it: its corners form a lattice, and what bends that is the lens, or the card."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from calibration.lens import DISTORTION_U, Lens, unknown_lens
from calibration.plane import Plane, fit_plane
from calibration.pose import Size, camera_mm

Array = NDArray[np.float64]

#: How far a card's ends, sides and corners stand off a plane, mm, one standard deviation of each; common practice, no
#: source: stiff stock that lies on a part.
BOW_U_MM = 0.15
#: Each begins where the last left lens and plane.
ROUNDS = 3


def lens_of(points_mm: Array, points_px: Array, corner_u_px: float, focal_px: float | None, image_size: Size) -> Lens:
    """Return the distortion that a printed card's corners speak for, drawn towards none as far as they do not.

    The mean and deviation given the corners: linear regression with normal priors (Box and Tiao, Bayesian Inference in
    Statistical Analysis, 1973, 2.7), a bow of the card estimated beside it, so that a card that is not flat is not
    taken for a lens.

    Parameters
    ----------
    points_mm, points_px : (N, 2) float arrays
        The corners, at least four, on the card and in the picture.
    corner_u_px : float
        Standard deviation of a corner, px; raised to what no lens explains.
    focal_px : float or None
        Focal length, px, where known.
    image_size : (int, int)
        Width and height, px.
    """
    lens = unknown_lens(image_size)
    fitted = fit_plane(points_mm, points_px)
    prior = np.array([DISTORTION_U, BOW_U_MM, BOW_U_MM, BOW_U_MM]) ** -2
    for _ in range(ROUNDS):
        columns = np.column_stack([lens.pull_px(points_px).ravel(), _bows_px(fitted, focal_px, image_size)])
        left = (lens.straight(points_px) - fitted.straight_px(points_mm)).ravel()
        # What a homography can take up says nothing of the lens.
        taken = np.linalg.qr(fitted.freedom())[0]
        columns, left = columns - taken @ (taken.T @ columns), left - taken @ (taken.T @ left)
        weight = max(corner_u_px, _noise_px(columns, left)) ** -2
        spread = np.linalg.inv(weight * columns.T @ columns + np.diag(prior))
        step = spread @ -(weight * columns.T @ left + prior * [lens.distortion, 0, 0, 0])
        lens = dataclasses.replace(
            lens, distortion=lens.distortion + float(step[0]), distortion_u=float(np.sqrt(spread[0, 0]))
        )
        fitted = fit_plane(points_mm, points_px, lens=lens)
    return lens


def _noise_px(columns: Array, left: Array) -> float:
    """Return the standard deviation of what neither plane, lens nor bow explains of the points, each axis."""
    explained = columns @ np.linalg.lstsq(columns, left, rcond=None)[0]
    freedom = max(1, len(left) - 8 - columns.shape[1])
    return float(np.sqrt(((left - explained) ** 2).sum() / freedom))


def _bows_px(plane: Plane, focal_px: float | None, image_size: Size) -> Array:
    """Return how a card bent along, across or twisted by a millimetre moves its points in the picture, (2 N, 3)."""
    camera = camera_mm(plane, focal_px, image_size)
    off = plane.points_mm - (plane.points_mm.min(0) + plane.points_mm.max(0)) / 2
    along, across = (off / np.maximum(np.abs(off).max(0), 1e-9)).T
    # The viewing ray of a point a little over the card meets the card so much farther from under the camera.
    away = (plane.points_mm - camera[:2]) / camera[2]
    moved_px = np.einsum("nij,nj->ni", plane.straight_px_per_mm(plane.points_mm), away)
    return np.column_stack([(height[:, None] * moved_px).ravel() for height in (along**2, across**2, along * across)])
