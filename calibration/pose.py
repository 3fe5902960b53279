"""Where the camera stood: tilt, distance, and what a height above the card does to lengths.

The principal point is taken at the picture's centre. When the focal length is
not given, it is read off the card's own perspective as far as that goes, and
drawn towards a phone's main camera (27 mm equivalent) as far as it does not.
"""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.lens import unknown_lens
from calibration.plane import Plane, fit_plane, normalised_fit, straightened

Array = NDArray[np.float64]
Size = tuple[int, int]

#: Diagonal of the 36 x 24 mm frame that "35 mm equivalent" focal lengths refer to (CIPA DCG-001).
FRAME_DIAGONAL_MM = 43.27
#: A phone's main camera, and the spread of the natural logarithm over the lenses it may have instead.
PRIOR_35MM = 27.0
PRIOR_LOG_U = 0.4
#: Of a focal length that the camera wrote: whole millimetres, nominal, and a phone breathes as it focuses.
WRITTEN_RELATIVE_U = 0.03
#: How well a printed card and a phone's lens keep right angles, and both directions to one scale; relative.
SHEAR_U, STRETCH_U = 0.0015, 0.003
#: One reading asks a dozen times for the pose of its one plane.
PLANES_KEPT = 4


def focal_from_35mm(equivalent_mm: float, image_size: Size) -> float:
    """Return the focal length, px, from the "35 mm equivalent" that cameras write into EXIF; by the diagonal."""
    return equivalent_mm / FRAME_DIAGONAL_MM * float(np.hypot(*image_size))


def focal_from_plane(plane: Plane, image_size: Size) -> tuple[float, float]:
    """Return the focal length, px, that the card's perspective speaks for, and its relative standard deviation.

    Both columns of K^-1 H are as long and at right angles (Zhang, IEEE PAMI 22
    (2000) 1330, eq. 3 and 4). How far a focal length is from that, weighed by the
    corners' noise and by what print and lens allow, and the usual focal length of
    phones, give a distribution over log f; its mean and spread are returned. A card
    seen square on says nothing, and the usual focal length is all there is.
    """
    prior = focal_from_35mm(PRIOR_35MM, image_size)
    if len(plane.points_mm) < 4:
        return prior, PRIOR_LOG_U
    logs, misfits, log_spreads = _over_focals(plane, prior, image_size)
    score = -0.5 * (misfits + log_spreads)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    mean = float(weight @ logs)
    # The grid's own step is the least spread that it can tell.
    spread = max(float(np.sqrt(weight @ (logs - mean) ** 2)), float(logs[1] - logs[0]) / 2)
    return prior * float(np.exp(mean)), spread


def focal_relative_u(plane: Plane, given_px: float | None, image_size: Size) -> float:
    """Return the relative standard deviation of the focal length, and with it of how far the camera stands off."""
    return _focal(plane, given_px, image_size)[1]


@lru_cache(maxsize=PLANES_KEPT)
def _focal(plane: Plane, given_px: float | None, image_size: Size) -> tuple[float, float]:
    return focal_from_plane(plane, image_size) if given_px is None else (float(given_px), WRITTEN_RELATIVE_U)


def perspective_misfit(plane: Plane, image_size: Size) -> float:
    """Return how far the plane is from what any likely camera could see: chi-squared of about two, less one."""
    misfits = _over_focals(plane, focal_from_35mm(PRIOR_35MM, image_size), image_size)[1]
    return float(misfits.min())


def _over_focals(plane: Plane, prior_px: float, image_size: Size) -> tuple[Array, Array, Array]:
    """Return the logarithms of focal length over prior tried, each one's chi-squared, and the log of its spread."""
    centre_px = (np.array(image_size, float) - 1) / 2
    homography, covariance, to_image = normalised_fit(plane)
    to_centred = np.array([[1, 0, -centre_px[0]], [0, 1, -centre_px[1]], [0, 0, 1]]) @ np.linalg.inv(to_image)
    logs = np.linspace(-1.2, 1.8, 61)
    misfits, log_spreads = _misfits(to_centred, homography, covariance, prior_px * np.exp(logs))
    return logs, misfits + (logs / PRIOR_LOG_U) ** 2, log_spreads


def _misfits(to_centred: Array, homography: Array, covariance: Array, focals_px: Array) -> tuple[Array, Array]:
    """Return chi-squared of the two constraints on a plane's homography, and the log determinant of their spread.

    Of each focal length, (n,).
    """
    step = 1e-6
    tried = np.tile(homography.ravel(), (9, 1))
    tried[:8, :8] += step * np.eye(8)  # each element moved a little, and at last none
    columns = (to_centred @ tried.reshape(9, 3, 3))[:, :, :2]
    to_rays = np.stack([1 / focals_px, 1 / focals_px, np.ones_like(focals_px)], 1)
    first, second = np.moveaxis(to_rays[:, None, :, None] * columns, 3, 0)  # (n, 9, 3) each
    squares = (first**2).sum(2), (second**2).sum(2)
    both = np.stack([2 * (first * second).sum(2), squares[0] - squares[1]], 2) / (squares[0] + squares[1])[..., None]
    off, slopes = both[:, 8], np.swapaxes(both[:, :8] - both[:, 8:], 1, 2) / step
    spread = slopes @ covariance @ np.swapaxes(slopes, 1, 2) + np.diag([SHEAR_U**2, STRETCH_U**2])
    misfits = np.einsum("ni,ni->n", off, np.linalg.solve(spread, off[..., None])[..., 0])
    return misfits, np.linalg.slogdet(spread)[1]


def pose(plane: Plane, focal_px: float | None, image_size: Size) -> tuple[Array, Array]:
    """Return the rotation (3, 3) and translation (3,), mm, from the card's frame to the camera's.

    The card's frame: x right, y down on its face, z into the card. The camera's:
    x right, y down, z forward. A mirrored picture is mirrored back first. With
    fewer than four points the camera is taken to look straight down.
    """
    rotation, shift = _pose(plane, focal_px, image_size)
    return rotation.copy(), shift.copy()


@lru_cache(maxsize=PLANES_KEPT)
def _pose(plane: Plane, focal_px: float | None, image_size: Size) -> tuple[Array, Array]:
    focal, _ = _focal(plane, focal_px, image_size)
    centre_px = (np.array(image_size, float) - 1) / 2
    if len(plane.points_mm) < 4:
        return _frontal(plane, focal, centre_px)
    px = straightened(plane.points_px, plane.lens) - centre_px
    if plane.mirrored:
        px = px * [-1, 1]
    mm = np.column_stack([plane.shown_mm, np.zeros(len(px))])
    camera = np.diag([focal, focal, 1.0])
    # Near the axis a plane has two poses that look alike; the first has the smaller residual.
    _, turns, shifts, _ = cv2.solvePnPGeneric(mm, px, camera, None, flags=cv2.SOLVEPNP_IPPE)
    turn, shift = cv2.solvePnPRefineLM(mm, px, camera, None, turns[0], shifts[0])
    return np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(shift, float).ravel()


def _frontal(plane: Plane, focal_px: float, centre_px: Array) -> tuple[Array, Array]:
    px_per_mm = plane.px_per_mm(plane.points_px.mean(0))
    axes = plane.image_from_plane[:2, :2] / px_per_mm
    rotation = np.eye(3)
    rotation[:2, :2] = axes
    offset_px = plane.image_from_plane[:2, 2] / plane.image_from_plane[2, 2] - centre_px
    return rotation, np.append(offset_px / px_per_mm, focal_px / px_per_mm)


def camera_mm(plane: Plane, focal_px: float | None, image_size: Size) -> Array:
    """Return the camera's place (x, y, height above the card's face), mm, in the card's frame."""
    rotation, shift = pose(plane, focal_px, image_size)
    x, y, z = -rotation.T @ shift
    return np.array([x, y, -z])


def with_pose(plane: Plane, focal_px: float | None, image_size: Size) -> Plane:
    """Return the plane with ``tilt_deg`` and ``distance_mm`` filled in."""
    rotation, shift = pose(plane, focal_px, image_size)
    low, high = plane.points_mm.min(0), plane.points_mm.max(0)
    centre = rotation @ np.append((low + high) / 2, 0.0) + shift
    cosine = float(rotation[:, 2] @ centre / np.linalg.norm(centre))
    tilt_deg = None if len(plane.points_mm) < 4 else float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    return dataclasses.replace(plane, tilt_deg=tilt_deg, distance_mm=float(centre[2]))


def height_bias(plane: Plane, height_mm: float, focal_px: float | None, image_size: Size) -> float:
    """Return the factor that takes a length read on the card's plane to its true value ``height_mm`` above it.

    Every viewing ray passes through the camera, so the plane at height h is the
    card's plane shrunk towards the camera by 1 - h / H, H being the camera's height
    over the card's plane: similar triangles, exact, and the same everywhere.
    """
    return 1.0 - height_mm / float(camera_mm(plane, focal_px, image_size)[2])


def to_plane_at(
    plane: Plane, points_px: ArrayLike, height_mm: float, focal_px: float | None, image_size: Size
) -> Array:
    """Return (N, 2) mm: where the viewing rays cross the plane ``height_mm`` nearer the camera than the card's face."""
    x_mm, y_mm, camera_height_mm = camera_mm(plane, focal_px, image_size)
    on_card_mm = plane.to_mm(points_px)
    return np.asarray(on_card_mm + height_mm / camera_height_mm * (np.array([x_mm, y_mm]) - on_card_mm))


def bends_relative_u(plane: Plane, points_px: ArrayLike, image_size: Size) -> float:
    """Return the relative standard deviation of a polyline's length for what is not known of the lens and of a bow.

    Card and polyline are bent by one standard deviation more, along each column of a root of their covariance, the
    plane is fitted anew, and the change of the length is the answer: near the card it cancels, far away it does not.
    """
    if len(plane.points_mm) < 4:
        return 0.0
    lens = plane.lens or unknown_lens(image_size)
    steps = np.array([[lens.distortion_u]]) if plane.bends_spread is None else np.linalg.cholesky(plane.bends_spread)
    line_px = np.asarray(points_px, float).reshape(-1, 2)
    length_mm = plane.length_mm(line_px)
    off = []
    for distortion, *heights_mm in steps.T:
        bow = plane.bow and dataclasses.replace(plane.bow, heights_mm=plane.bow.heights_mm + heights_mm)
        bent = dataclasses.replace(lens, distortion=lens.distortion + distortion)
        other = fit_plane(plane.points_mm, plane.points_px, lens=bent, bow=bow)
        off.append(other.length_mm(line_px) / length_mm - 1)
    return float(np.linalg.norm(off))
