"""Cuts from the photograph: the region of interest, and a section turned level."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire.sheet.marks import Picture, Points


@dataclass(frozen=True)
class View:
    """A cut from the photograph.

    Attributes
    ----------
    pixels : (h, w, 3) uint8 array
        The cut, RGB, enlarged or reduced.
    matrix : (2, 3) float array
        Takes a point of the photograph to a point of the cut.
    """

    pixels: Picture
    matrix: NDArray[np.float64]

    @property
    def enlargement(self) -> float:
        """Pixels of the cut per pixel of the photograph."""
        return float(np.hypot(*self.matrix[:, 0]))

    def place(self, points: Points) -> Points:
        """Take (..., 2) points of the photograph to the cut."""
        return np.asarray(points) @ self.matrix[:, :2].T + self.matrix[:, 2]


def crop_view(
    pixels: Picture,
    points: Points,
    margin_px: float,
    width_px: int,
    most: float = 2.0,
    whole: Points | None = None,
) -> View:
    """Cut the upright rectangle around points, scaled so that its longer side is as long as asked.

    Parameters
    ----------
    pixels : (h, w, 3) uint8 array
        The photograph.
    points : (N, 2) float array
        What the cut holds, as far as the photograph does.
    margin_px : float
        How much more it holds on every side, as far as the photograph does.
    width_px : int
        Pixels of its longer side.
    most : float
        The largest enlargement: beyond it only the pixels grow, not what they show.
    whole : (..., 2) float array or None
        Marks that it holds even where they lie outside the photograph; the paper is white there.
    """
    last = np.array([pixels.shape[1], pixels.shape[0]]) - 1.0
    low = np.clip(points.min(axis=0) - margin_px, 0, last)
    high = np.clip(points.max(axis=0) + margin_px, 0, last)
    if whole is not None and whole.size:
        beyond = 0.01 * float((high - low).max())  # a mark at the very edge would look cut off
        marks = whole.reshape(-1, 2)
        low, high = np.minimum(low, marks.min(axis=0) - beyond), np.maximum(high, marks.max(axis=0) + beyond)
    scale = min(width_px / float((high - low).max()), most)
    return _cut(pixels, low, np.array([1.0, 0.0]), high - low, scale)


def level_view(pixels: Picture, spine: Points, margin_px: float, width_px: int, most: float = 3.0) -> View:
    """Cut a section turned so that its chord lies level, its start at the left (turned, never mirrored)."""
    chord = spine[-1] - spine[0]
    right = chord / np.hypot(*chord)
    down = np.array([-right[1], right[0]])
    own = np.c_[(spine - spine[0]) @ right, (spine - spine[0]) @ down]
    low, high = own.min(axis=0) - margin_px, own.max(axis=0) + margin_px
    scale = min(width_px / float((high - low)[0]), most)
    return _cut(pixels, spine[0] + low[0] * right + low[1] * down, right, high - low, scale)


def _cut(pixels: Picture, corner: Points, right: Points, size: Points, scale: float) -> View:
    """Cut a rectangle given by its first corner, the direction of its upper side and its size, all in photo px."""
    turn = scale * np.array([[right[0], right[1]], [-right[1], right[0]]])
    matrix = np.c_[turn, -turn @ corner]
    width, height = np.maximum(np.round(size * scale).astype(int) + 1, 1)
    source, whole = pixels, matrix
    if scale < 1:  # warpAffine does not average, so reduce first
        source = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        # resize keeps pixel *edges*: small = (large + 1/2) * scale - 1/2
        back = matrix[:, :2] / scale
        whole = np.c_[back, matrix[:, 2] + 0.5 * (1 - scale) * back.sum(axis=1)]
    cut = cv2.warpAffine(
        source,
        whole,
        (int(width), int(height)),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(255, 255, 255),
    )
    return View(np.asarray(cut, dtype=np.uint8), matrix)
