"""Where the camera stood: tilt, distance, and what a height above the card does to lengths.

The principal point is taken at the picture's centre. When the focal length is
not known, that of a phone's main camera is assumed: 27 mm equivalent, 0.75
times the picture's long side.
"""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.plane import Plane

Array = NDArray[np.float64]
Size = tuple[int, int]

FOCAL_PRIOR = 0.75  # of the long side: 27 mm on a frame 36 mm wide


def focal_or_prior(focal_px: float | None, image_size: Size) -> float:
    """Return the focal length, px, or a phone's usual one when it is None; ``image_size`` is (width, height)."""
    return FOCAL_PRIOR * max(image_size) if focal_px is None else float(focal_px)


def pose(plane: Plane, focal_px: float | None, image_size: Size) -> tuple[Array, Array]:
    """Return the rotation (3, 3) and translation (3,), mm, from the card's frame to the camera's.

    The card's frame: x right, y down on its face, z into the card. The camera's:
    x right, y down, z forward. A mirrored picture is mirrored back first. With
    fewer than four points the camera is taken to look straight down.
    """
    focal = focal_or_prior(focal_px, image_size)
    centre_px = (np.array(image_size, float) - 1) / 2
    if len(plane.points_mm) < 4:
        return _frontal(plane, focal, centre_px)
    px = plane.points_px - centre_px
    if plane.mirrored:
        px = px * [-1, 1]
    mm = np.column_stack([plane.points_mm, np.zeros(len(px))])
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
