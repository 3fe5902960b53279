"""Twisted pairs drawn with numpy from their geometry alone, so that every count, place and hand is known.

Each strand is the union of balls of diameter d whose centres run along a helix, which is
exactly a tube; what is seen at a place is the ball that reaches nearest to the viewer. Nothing
here is shared with the code under test.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

LAMP = (0.3, -0.75, 0.6)
SECOND_LAMP = (-0.35, 0.8, 0.5)


def pair_seen(
    along_d: Floats,
    across_d: Floats,
    twists_at: Callable[[Floats], Floats],
    lay: str = "Z",
    lamps: tuple[tuple[float, float, float], ...] = (LAMP,),
    shades: tuple[float, float] = (1.0, 1.0),
    gloss: float = 12.0,
) -> Floats:
    """Return what is seen of a pair at each place, 0 to about 1; NaN beside it.

    Parameters
    ----------
    along_d, across_d : float arrays of one shape
        Places, in wire diameters; across grows downwards in the picture.
    twists_at : callable
        Number of twists, half turns, from the start to a place; whole numbers are crossings.
    """
    nearest = np.full(along_d.shape, -np.inf)
    seen = np.full(along_d.shape, np.nan)
    hand = 1.0 if lay == "Z" else -1.0
    for offset in np.linspace(-0.5, 0.5, 41)[1:-1]:
        angle = np.pi * twists_at(along_d + offset)
        for strand, shade in ((1.0, shades[0]), (-1.0, shades[1])):
            aside = across_d - strand * hand * 0.5 * np.sin(angle)
            rest = 0.25 - offset**2 - aside**2
            lift = np.sqrt(np.maximum(rest, 0.0))
            height = strand * 0.5 * np.cos(angle) + lift
            front = (rest > 0) & (height > nearest)
            normal = 2 * np.stack([np.full(aside.shape, -offset), aside, lift])
            seen = np.where(front, shade * _lit(normal, lamps, gloss), seen)
            nearest = np.where(front, height, nearest)
    return seen


def _lit(normal: Floats, lamps: tuple[tuple[float, float, float], ...], gloss: float) -> Floats:
    light = np.full(normal.shape[1:], 0.15)
    for lamp in lamps:
        towards = np.array(lamp) / np.linalg.norm(lamp)
        half = towards + np.array([0.0, 0.0, 1.0])
        half /= np.linalg.norm(half)
        flat = np.clip(np.tensordot(towards, normal, 1), 0, None)
        shine = np.clip(np.tensordot(half, normal, 1), 0, None) ** gloss
        light = light + (0.45 * flat + 0.55 * shine) / len(lamps)
    return light


def even(spacing_d: float, offset_twists: float = 0.0) -> Callable[[Floats], Floats]:
    """Return the count of a pair with one crossing every ``spacing_d``."""
    return lambda at: np.asarray(at, float) / spacing_d + offset_twists


def swaying(spacing_d: float, share: float, wave_d: float) -> Callable[[Floats], Floats]:
    """Return the count of a pair whose density sways by that share, once every ``wave_d``."""

    def twists_at(at: Floats) -> Floats:
        wave = np.sin(2 * np.pi * np.asarray(at, float) / wave_d) * wave_d / (2 * np.pi)
        return (np.asarray(at, float) + share * wave) / spacing_d

    return twists_at


def picture(
    start_px: tuple[float, float],
    end_px: tuple[float, float],
    diameter_px: float,
    twists_at: Callable[[Floats], Floats],
    *,
    size_px: tuple[int, int] = (700, 300),
    lay: str = "Z",
    lamps: tuple[tuple[float, float, float], ...] = (LAMP,),
    shades: tuple[float, float] = (1.0, 1.0),
    ground: float = 60.0,
    noise: float = 2.0,
    blur_px: float = 0.7,
    seed: int = 0,
) -> NDArray[np.float32]:
    """Return a grey picture (H, W), 0 to 255, of a straight pair from start to end; elsewhere bare ground."""
    width, height = size_px
    y, x = np.mgrid[0:height, 0:width].astype(float)
    start, end = np.array(start_px), np.array(end_px)
    length_px = float(np.linalg.norm(end - start))
    unit = (end - start) / length_px
    along = ((x - start[0]) * unit[0] + (y - start[1]) * unit[1]) / diameter_px
    across = ((y - start[1]) * unit[0] - (x - start[0]) * unit[1]) / diameter_px
    near = (np.abs(across) < 1.1) & (along > 0) & (along < length_px / diameter_px)
    rng = np.random.default_rng(seed)
    grey = np.full((height, width), ground)
    lit = pair_seen(along[near], across[near], twists_at, lay, lamps, shades)
    grey[near] = np.where(np.isnan(lit), ground, 230 * np.nan_to_num(lit))
    grey = ndimage.gaussian_filter(grey, blur_px) + rng.normal(0, noise, grey.shape)
    return np.asarray(np.clip(grey, 0, 255), np.float32)


def rgb(grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return a grey picture as an RGB photograph (H, W, 3)."""
    return np.repeat(np.round(grey).astype(np.uint8)[..., None], 3, axis=2)
