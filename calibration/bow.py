"""A card that is not flat: how far it stands off a plane, and where a camera sees its points instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: How far a card's ends, sides and corners stand off the plane through its middle, mm, one standard deviation of each;
#: common practice, no source: stiff stock that lies on a part.
BOW_U_MM = 0.2


@dataclass(frozen=True, eq=False)
class Bow:
    """Heights over the plane through a card's middle: along it, across it, and twisted.

    Attributes
    ----------
    centre_mm, half_mm : (2,) float arrays
        Middle of the card's corners, and from there to the outermost of them.
    camera_mm : (3,) float array
        The camera's place (x, y, height over the card), mm.
    heights_mm : (3,) float array
        How far the ends, the sides and one pair of corners stand up towards the camera.
    """

    centre_mm: Array
    half_mm: Array
    camera_mm: Array
    heights_mm: Array

    def shown(self, points_mm: ArrayLike) -> Array:
        """Return (N, 2) points of the card, mm, as places on the flat plane where the camera sees them."""
        at_mm = np.asarray(points_mm, float).reshape(-1, 2)
        return np.asarray(at_mm + np.einsum("nik,k->ni", self.away(at_mm), self.heights_mm))

    def away(self, points_mm: Array) -> Array:
        """Return how far each of the heights, of a millimetre, moves (N, 2) points on the flat plane, (N, 2, 3)."""
        along, across = ((points_mm - self.centre_mm) / self.half_mm).T
        # The viewing ray of a point a little over the plane meets it so much farther from under the camera.
        ray = (points_mm - self.camera_mm[:2]) / self.camera_mm[2]
        return np.asarray(ray[:, :, None] * np.stack([along**2, across**2, along * across], 1)[:, None])


def flat(corners_mm: Array, camera_mm: Array) -> Bow:
    """Return the bow of a flat card that has these (N, 2) corners, mm, seen or not."""
    low, high = corners_mm.min(0), corners_mm.max(0)
    return Bow((low + high) / 2, np.maximum((high - low) / 2, 1e-9), camera_mm, np.zeros(3))
