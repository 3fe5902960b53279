"""Cards put into pictures by a pinhole camera whose every number is known: the truth for these tests."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calibration.card import Card
from calibration.draw import SHEET_MARGIN_MM, draw_png

Array = NDArray[np.float64]
SAMPLES = 3  # per pixel, each way


@dataclass(frozen=True, eq=False)
class Scene:
    """A grey picture of a card, the homography (mm to px) it was made with, and the camera."""

    gray: NDArray[np.uint8]
    image_from_plane: Array
    camera: Array
    rotation: Array
    shift_mm: Array

    @property
    def size(self) -> tuple[int, int]:
        return self.gray.shape[1], self.gray.shape[0]


def look(
    card: Card,
    px_per_mm: float,
    tilt_deg: float = 0.0,
    towards_deg: float = 0.0,
    turn_deg: float = 0.0,
    size: tuple[int, int] = (1600, 1200),
    focal_px: float = 1250.0,
    aim_px: tuple[float, float] = (0.0, 0.0),
) -> tuple[Array, Array, Array, Array]:
    """Return homography, K, R, t: the card's centre ``aim_px`` from the middle, tilted about an axis in its plane."""
    camera = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1]])
    axis = np.radians(tilt_deg) * np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg)), 0])
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, np.radians(turn_deg)]))[0]
    distance_mm = focal_px / px_per_mm
    centre = np.array([aim_px[0] / px_per_mm, aim_px[1] / px_per_mm, distance_mm])
    shift_mm = centre - rotation @ np.array([card.width_mm / 2, card.height_mm / 2, 0])
    homography = camera @ np.column_stack([rotation[:, :2], shift_mm])
    return homography / homography[2, 2], camera, rotation, shift_mm


@lru_cache(maxsize=8)
def artwork(card: Card, dpi: int) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(draw_png(card, dpi))))


def photograph(
    card: Card,
    px_per_mm: float,
    *,
    blur_px: float = 0.6,
    noise: float = 2.0,
    seed: int = 0,
    size: tuple[int, int] = (1600, 1200),
    dark: float = 35,
    bright: float = 205,
    **view: float | tuple[float, float],
) -> Scene:
    """Return a picture of the card on a mottled ground: sampled finely, averaged, blurred, with noise."""
    rng = np.random.default_rng(seed)
    homography, camera, rotation, shift_mm = look(card, px_per_mm, size=size, **view)  # type: ignore[arg-type]
    dpi = 300 if px_per_mm < 14 else 600
    art = artwork(card, dpi)
    mm_from_art = np.array([[25.4 / dpi, 0, 12.7 / dpi - SHEET_MARGIN_MM], [0, 25.4 / dpi, 12.7 / dpi - SHEET_MARGIN_MM], [0, 0, 1]])  # fmt: skip
    fine = np.array([[SAMPLES, 0, (SAMPLES - 1) / 2], [0, SAMPLES, (SAMPLES - 1) / 2], [0, 0, 1]])
    big = (size[0] * SAMPLES, size[1] * SAMPLES)
    seen = cv2.warpPerspective(art, fine @ homography @ mm_from_art, big, flags=cv2.INTER_LINEAR)
    inside = np.zeros(big[::-1], np.uint8)
    outline = cv2.perspectiveTransform(card.outline_mm()[None], fine @ homography)[0]
    cv2.fillConvexPoly(inside, np.rint(outline * 16).astype(np.int32), 255, shift=4)
    ground = rng.normal(0, 1, (size[1] // 8, size[0] // 8)).astype(np.float32)
    ground = cv2.resize(cv2.GaussianBlur(ground, (0, 0), 2) * 120 + 95, size, interpolation=cv2.INTER_CUBIC)
    share = cv2.resize(inside, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    face = cv2.resize(seen, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255 * (bright - dark) + dark
    picture = share * face + (1 - share) * ground
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture += rng.normal(0, noise, picture.shape)
    return Scene(np.clip(np.rint(picture), 0, 255).astype(np.uint8), homography, camera, rotation, shift_mm)
