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
    mm_per_dot = 25.4 / dpi
    first_mm = mm_per_dot / 2 - SHEET_MARGIN_MM
    mm_from_art = np.array([[mm_per_dot, 0, first_mm], [0, mm_per_dot, first_mm], [0, 0, 1]])
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


def plastic(
    seed: int,
    *,
    width_mm: float = 85.60,
    height_mm: float = 53.98,
    radius_mm: float = 3.18,
    tilt_deg: float = 12.0,
    px_per_mm: float = 9.0,
    size: tuple[int, int] = (1600, 1200),
    focal_px: float = 1250.0,
    shadow_mm: float = 1.5,
    blur_px: float = 0.8,
) -> tuple[NDArray[np.uint8], Array]:
    """Return a colour picture of a printed plastic card on a cluttered ground, and the homography it was made with."""
    rng = np.random.default_rng(seed)
    blank = Card("plastic", "", "DICT_5X5_100", 2, 2, width_mm / 2, width_mm / 4, margin_mm=0, foot_mm=0)
    turned = {"tilt_deg": tilt_deg, "towards_deg": rng.uniform(0, 360), "turn_deg": rng.uniform(0, 360)}
    homography, _, _, _ = look(blank, px_per_mm, size=size, focal_px=focal_px, **turned)
    k = 2
    fine = np.array([[k, 0, (k - 1) / 2], [0, k, (k - 1) / 2], [0, 0, 1]])
    big = (size[0] * k, size[1] * k)
    ppm = 16.0
    w, h = round(width_mm * ppm), round(height_mm * ppm)
    face = _print(rng, w, h)
    mm_from_art = np.array([[1 / ppm, 0, 0.5 / ppm], [0, 1 / ppm, 0.5 / ppm], [0, 0, 1]])
    seen = cv2.warpPerspective(face, fine @ homography @ mm_from_art, big, borderMode=cv2.BORDER_REPLICATE)
    card_share = _filled(_rounded(width_mm, height_mm, radius_mm), fine @ homography, big)
    offset_mm = shadow_mm * np.array([np.cos(seed), np.sin(seed)])
    shadow = _filled(_rounded(width_mm, height_mm, radius_mm) + offset_mm, fine @ homography, big)
    picture = _ground(rng, size)
    shadow = cv2.GaussianBlur(cv2.resize(shadow, size, interpolation=cv2.INTER_AREA), (0, 0), 0.35 * px_per_mm)
    picture *= 1 - 0.5 * shadow[..., None]
    share = cv2.resize(card_share, size, interpolation=cv2.INTER_AREA)[..., None]
    picture = share * cv2.resize(seen, size, interpolation=cv2.INTER_AREA).astype(np.float32) + (1 - share) * picture
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px) + rng.normal(0, 2.5, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8), homography


def _rounded(width_mm: float, height_mm: float, radius_mm: float) -> Array:
    points = []
    for quarter, (x, y) in enumerate([(0, 0), (1, 0), (1, 1), (0, 1)]):
        centre = np.array([radius_mm + x * (width_mm - 2 * radius_mm), radius_mm + y * (height_mm - 2 * radius_mm)])
        angle = np.radians(180 + 90 * quarter + np.linspace(0, 90, 24))
        points.append(centre + radius_mm * np.stack([np.cos(angle), np.sin(angle)], 1))
    return np.vstack(points)


def _filled(outline_mm: Array, homography: Array, size: tuple[int, int]) -> NDArray[np.float32]:
    mask = np.zeros(size[::-1], np.uint8)
    at = cv2.perspectiveTransform(outline_mm[None], homography)[0]
    cv2.fillPoly(mask, [np.rint(at * 16).astype(np.int32)], 255, shift=4)
    return mask.astype(np.float32) / 255


def _print(rng: np.random.Generator, w: int, h: int) -> NDArray[np.uint8]:
    face = np.empty((h, w, 3), np.uint8)
    face[:] = rng.integers(20, 235, 3)
    face = np.clip(face + np.linspace(-30, 30, w)[None, :, None] * rng.uniform(-1, 1, 3), 0, 255).astype(np.uint8)
    kind = rng.integers(3)
    ink = tuple(int(v) for v in rng.integers(0, 255, 3))
    if kind == 0:
        cv2.rectangle(face, (0, int(0.12 * h)), (w, int(0.34 * h)), ink, -1)
    elif kind == 1:
        cv2.circle(face, (int(0.75 * w), int(0.4 * h)), int(0.3 * h), ink, -1)
    for line in range(4):
        cv2.putText(face, "ITEM 0417 BENCH", (int(0.08 * w), int((0.5 + 0.13 * line) * h)), 0, 1.6, ink, 3, cv2.LINE_AA)
    return face


def _ground(rng: np.random.Generator, size: tuple[int, int]) -> NDArray[np.float32]:
    width, height = size
    base = rng.uniform(50, 190, 3)
    mottle = cv2.resize(rng.normal(0, 1, (height // 6, width // 6)).astype(np.float32), size) * rng.uniform(4, 18)
    picture = (base + mottle[..., None]).astype(np.float32)
    for _ in range(12):
        tone = tuple(float(v) for v in rng.uniform(20, 230, 3))
        a, b = (tuple(int(v) for v in rng.uniform((0, 0), size)) for _ in range(2))
        if rng.random() < 0.5:
            cv2.line(picture, a, b, tone, int(rng.integers(2, 14)), cv2.LINE_AA)
        else:
            cv2.circle(picture, a, int(rng.integers(15, 70)), tone, -1, cv2.LINE_AA)
    return picture
