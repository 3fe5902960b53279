"""What a person should look at: the wire's colour, kinks, places where the pattern breaks off. Nothing is judged."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import expit

from calibration.plane import Plane
from visionwire.section import Section
from visionwire.strip import arc_length, smooth

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]

GAMMA = 2.2
CLIPPED = 0.97
#: Of a card's pixels about so many are looked at, and of these the brighter ones are its paper.
CARD_PIXELS, PAPER_SHARE = 10_000, 0.4
#: Where copper parts from grey metal, natural logarithms of red over blue and over green, and how sharply; rendered and
#: painted copper lies from 0.57 and 0.39 up, steel under 0.33 and 0.2, brass between in the second.
COPPER_RED_BLUE, COPPER_RED_GREEN, SHARPNESS = 0.45, 0.29, 25.0
#: A turn within one twist, degrees, that no bow of a taut run makes, and the twists at either end that are left out.
KINK_DEG, LEFT_OUT_TWISTS = 25.0, 1.5
#: A place breaks off where over a twist it fits less well in step than out of step, on a run that fits.
CLEAR_FIT = 0.15


def copper_probability(pixels: Pixels, one: Section, plane: Plane) -> float | None:
    """Return how probably the wire is copper and not a grey metal; None without a printed card to tell white by.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 array
        The upright photograph, RGB.
    one : Section
        Of the wire.
    plane : Plane
        Its card's paper is taken for white. A card under another lamp than the wire would make grey red, so the colour
        as it stands has to be red too.
    """
    if plane.source != "card" or plane.outline_px is None:
        return None
    outline = plane.outline_px.astype(np.float32).reshape(-1, 1, 2)
    apart = max(1, int(np.sqrt(cv2.contourArea(outline) / CARD_PIXELS)))
    sparse = pixels[::apart, ::apart]
    mask = np.zeros(sparse.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(outline / apart).astype(np.int32)], 1)
    card = _light(sparse[mask > 0])
    brightness = card.mean(1)
    paper = np.median(card[brightness >= np.quantile(brightness, 1 - PAPER_SHARE)], axis=0)
    across = np.linspace(-0.6, 0.6, 7)[:, None, None] * one.strip.diameter_px
    inner = slice(one.first, one.last + 1)
    at = (one.strip.centre_px[inner] + across * one.strip.normal_px[inner]).astype(np.float32)
    shown = np.asarray(cv2.remap(pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR), np.uint8)
    wire = _light(shown.reshape(-1, 3))
    wire = wire[wire.max(1) < CLIPPED**GAMMA]
    if len(wire) == 0:
        return None
    seen = np.log(wire.mean(0) + 1e-4)
    balanced = seen - np.log(paper + 1e-4)
    red_blue = min(seen[0] - seen[2], balanced[0] - balanced[2])
    red_green = balanced[0] - balanced[1]
    return float(expit(SHARPNESS * (red_blue - COPPER_RED_BLUE)) * expit(SHARPNESS * (red_green - COPPER_RED_GREEN)))


def _light(pixels: NDArray[np.uint8]) -> Floats:
    return (pixels.astype(float) / 255) ** GAMMA


def look_here(one: Section) -> list[tuple[float, str]]:
    """Return places along a section, as shares of its length, and what to look for there."""
    columns = round((one.last - one.first) / max(one.twists, 1.0))
    inner = np.arange(one.first, one.last + 1)
    left_out = int(LEFT_OUT_TWISTS * columns)
    if len(inner) < 4 * left_out or columns < 3:
        return []
    places = [(at, "kink") for at in _kinks(one.spine_px, columns)]
    fit = smooth(one.twist.local_fit[None], columns / 2)[0][inner]
    if np.median(fit) > CLEAR_FIT:
        places += [(at, "nick, dirt or glare: the pattern breaks off") for at in _lows(fit)]
    length = len(inner) - 1
    return [(at / length, what) for at, what in sorted(places) if left_out < at < length - left_out]


def _kinks(spine_px: Floats, columns: int) -> list[int]:
    """Return columns where the spine turns at once: more than anywhere within a twist, and more than a bow does."""
    tangent = np.gradient(ndimage.gaussian_filter1d(spine_px, columns / 3, axis=0, mode="nearest"), axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0])))
    turn = np.abs(np.roll(heading, -(columns // 2)) - np.roll(heading, columns // 2))
    turn[: columns // 2] = turn[-(columns // 2) :] = 0
    peak = (turn == ndimage.maximum_filter1d(turn, 2 * columns + 1)) & (turn > KINK_DEG)
    return [int(at) for at in np.flatnonzero(peak)]


def _lows(fit: Floats) -> list[int]:
    labels, count = ndimage.label(fit < 0)
    return [int(np.mean(np.flatnonzero(labels == label))) for label in range(1, count + 1)]


def at_share(one: Section, share: float) -> Floats:
    """Return the point (2,) of a section at a share of its length."""
    along = arc_length(one.spine_px)
    return np.array([np.interp(share * along[-1], along, one.spine_px[:, k]) for k in (0, 1)])
