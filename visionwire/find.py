"""Where twisted wire may be.

A twisted pair shows as a ribbon of edges: much gradient inside one to two wire
diameters, little beside it. ``ribbon`` measures that everywhere; ``candidates``
walks along the ridges of it, from the places where the edges also lean to one
side of the ridge. What is found is only a candidate: whether it is a twisted pair
is decided on its strip (``twist``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

WORKING_DIAMETER_PX = 5.0
STEP_D = 0.6
WEAKEST = 0.35  # of the seed's own strength, below which a walk is off the wire
LARGEST_GAP_D = 4.0
SHORTEST_D = 8.0
MOST_STEPS = 450
TURN_STEPS = 8  # a walk may touch its last steps, but not where it has been before


@dataclass(frozen=True, eq=False)
class Ribbon:
    """How much each place looks like a ribbon one to two wire diameters wide.

    Attributes
    ----------
    strength : (h, w) float32 array
        Negative curvature of the local edge density across the ribbon, 0 off ribbons.
    lean : (h, w) float32 array
        -1 to 1: how much the edges inside lean to one side of the ribbon's direction.
    direction : (h, w) float32 array
        Direction of the ribbon, radians, modulo pi.
    scale : float
        Pixels of these maps per pixel of the photograph.
    diameter : float
        Wire diameter in pixels of these maps.
    """

    strength: Picture
    lean: Picture
    direction: Picture
    scale: float
    diameter: float


def ribbon(luminance: Picture, diameter_px: float) -> Ribbon:
    """Measure ribbons of a twisted pair's width.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    diameter_px : float
        Wire diameter to look for; half to twice the true one still works.
    """
    scale = min(1.0, WORKING_DIAMETER_PX / diameter_px)
    small = luminance
    if scale < 1:
        small = np.asarray(cv2.resize(luminance, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.float32)
    diameter = diameter_px * scale
    small = _blur(small, 0.13 * diameter)
    along, down = _derivative(small, 1, 0), _derivative(small, 0, 1)
    edge = np.sqrt(along**2 + down**2)
    around = cv2.blur(edge, (int(16 * diameter) | 1,) * 2) + 1.0
    strength, direction = ridge(_blur(edge / (edge + around), 1.0 * diameter))
    strength *= diameter**2
    lean = _lean(along, down, edge + around, direction, strength, diameter)
    return Ribbon(strength, lean, direction, scale, diameter)


def _blur(picture: Picture, sigma: float) -> Picture:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)


def _derivative(picture: Picture, x: int, y: int) -> Picture:
    size = 3 if x + y == 1 else 5
    # Sobel kernels of these sizes weigh 8 and 64.
    scale = 1 / 8 if size == 3 else 1 / 64
    return np.asarray(cv2.Sobel(picture, cv2.CV_32F, x, y, ksize=size, scale=scale), np.float32)


def ridge(density: Picture) -> tuple[Picture, Picture]:
    """Return how much a map (h, w) curves down across its ridges, and the direction of these, radians, modulo pi."""
    xx, yy, xy = (_derivative(density, *order) for order in ((2, 0), (0, 2), (1, 1)))
    half = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    mean = (xx + yy) / 2
    # A ribbon curves across only; a speck curves both ways and is left out.
    strength = np.maximum(half - mean, 0) - np.maximum(-half - mean, 0)
    return strength, 0.5 * np.arctan2(2 * xy, xx - yy)


def _lean(
    along: Picture, down: Picture, size: Picture, direction: Picture, strength: Picture, diameter: float
) -> Picture:
    xx, yy, xy = (_blur(product / size, 0.45 * diameter) for product in (along**2, down**2, along * down))
    leaning = 2 * xy * np.cos(2 * direction) - (xx - yy) * np.sin(2 * direction)
    leaning /= xx + yy + 1e-6
    weight = _blur(strength, 2 * diameter) + 1e-6
    return _blur(leaning * strength, 2 * diameter) / weight


def candidates(ribbon_: Ribbon, forbidden: NDArray[np.bool_] | None = None, most: int = 24) -> list[Floats]:
    """Walk along the likeliest ribbons.

    Parameters
    ----------
    forbidden : (h, w) bool array, optional
        Where no wire can be (the card), on the ribbon's own maps.
    most : int
        Number of walks to keep, likeliest first.

    Returns
    -------
    list of (N, 2) float arrays
        Polylines in pixels of the photograph.
    """
    likely = ribbon_.strength * np.abs(ribbon_.lean)
    if forbidden is not None:
        likely = np.where(forbidden, 0, likely)
    peaks = (likely == ndimage.maximum_filter(likely, int(3 * ribbon_.diameter) | 1)) & (likely > 0)
    ys, xs = np.nonzero(peaks)
    order = np.argsort(-likely[ys, xs])[: 40 * most]
    taken = np.zeros(likely.shape, bool) if forbidden is None else forbidden.copy()
    found: list[tuple[float, Floats]] = []
    for index in order:
        start = np.array([xs[index], ys[index]], float)
        if taken[ys[index], xs[index]] or len(found) >= 2 * most:
            continue
        path = _walk_both_ways(ribbon_, start, taken)
        _mark(taken, path, ribbon_.diameter)
        length_d = float(np.hypot(*np.diff(path, axis=0).T).sum()) / ribbon_.diameter
        if length_d >= SHORTEST_D:
            x, y = np.round(path).astype(int).T
            found.append((float(likely[y, x].mean()) * np.sqrt(length_d), path))
    found.sort(key=lambda one: -one[0])
    return [to_photograph(path, ribbon_.scale) for _, path in found[:most]]


def to_photograph(points: Floats, scale: float) -> Floats:
    """Return points of maps of that scale in pixels of the photograph (pixel centres at integers)."""
    return (points + 0.5) / scale - 0.5


def to_maps(points_px: Floats, scale: float) -> Floats:
    """Return points of the photograph in pixels of maps of that scale."""
    return (points_px + 0.5) * scale - 0.5


def _cell(point: Floats, size: float) -> tuple[int, int]:
    return int(point[0] // size), int(point[1] // size)


def _mark(taken: NDArray[np.bool_], path: Floats, diameter: float) -> None:
    canvas = taken.astype(np.uint8)
    cv2.polylines(canvas, [np.round(path).astype(np.int32).reshape(-1, 1, 2)], False, 1, max(1, int(2 * diameter)))
    taken |= canvas.astype(bool)


def _walk_both_ways(ribbon_: Ribbon, start: Floats, taken: NDArray[np.bool_]) -> Floats:
    x, y = start.astype(int)
    angle = float(ribbon_.direction[y, x])
    floor = WEAKEST * float(ribbon_.strength[y, x])
    ahead = _walk(ribbon_, start, angle, floor, taken)
    behind = _walk(ribbon_, start, angle + np.pi, floor, taken)
    return np.array([*behind[::-1], start, *ahead])


def _walk(ribbon_: Ribbon, start: Floats, angle: float, floor: float, taken: NDArray[np.bool_]) -> list[Floats]:
    """Step along the ridge; stop off the picture, on taken ground, or after a gap."""
    step = STEP_D * ribbon_.diameter
    offsets = np.linspace(-0.8, 0.8, 9) * ribbon_.diameter
    height, width = ribbon_.strength.shape
    path: list[Floats] = []
    been: set[tuple[int, int]] = set()
    at, unit, gap = start, np.array([np.cos(angle), np.sin(angle)]), 0.0
    while gap < LARGEST_GAP_D and len(path) < MOST_STEPS:
        ahead = at + step * unit
        across = np.array([-unit[1], unit[0]])
        probes = ahead + offsets[:, None] * across
        column, row = np.round(probes).astype(int).T
        if column.min() < 1 or row.min() < 1 or column.max() >= width - 1 or row.max() >= height - 1:
            break
        if taken[row[4], column[4]] or _cell(ahead, ribbon_.diameter) in been:
            break
        if len(path) >= TURN_STEPS:
            been.add(_cell(path[-TURN_STEPS], ribbon_.diameter))
        strengths = ribbon_.strength[row, column]
        best = int((strengths - 0.1 * floor * np.abs(np.arange(9) - 4)).argmax())
        if strengths[best] > floor:
            gap = 0.0
            ahead = ahead + 0.5 * offsets[best] * across
            local = ribbon_.direction[row[best], column[best]]
            ridge = np.array([np.cos(local), np.sin(local)])
            ridge *= np.sign(ridge @ unit) or 1.0
            moved = (ahead - at) / np.linalg.norm(ahead - at)
            unit = unit + 0.3 * ridge + 0.4 * moved
            unit /= np.linalg.norm(unit)
        else:
            gap += STEP_D
        at = ahead
        path.append(at)
    return path[: len(path) - round(gap / STEP_D)] if gap else path
