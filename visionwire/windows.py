"""What small networks are shown of a section: its surroundings straightened, and what the finder sees there."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from visionwire import section
from visionwire.find import to_maps
from visionwire.section import Section
from visionwire.strip import arc_length, frame

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: How far aside of the spine, in wire diameters, in rows.
ASIDE_D, ROWS = 2.5, 32
LARGEST_VALUE = 4.0
MIDDLE_SPACING = 1.3  # logarithm of the spacing in wire diameters that the networks take for zero


def carried_on(one: Section, spine_px: Floats, before: int, after: int) -> tuple[Floats, Floats, Floats]:
    """Return a section's spine carried on at either end, turning as its last few twists do.

    So a curled pigtail stays in the middle to where it ends. The line that a section was found on may go round a head.

    Parameters
    ----------
    one : Section
        The section.
    spine_px : (N, 2) float array
        Its spine, turned either way.
    before, after : int
        How far to carry it on, in columns of the section's strip.

    Returns
    -------
    line, normal : (M, 2) float arrays
        In the photograph; the normals as `strip.frame` has them.
    at_px : (before + N + after,) float array
        Where on the line its points lie.
    """
    step_px = one.strip.step_d * one.strip.diameter_px
    free = dataclasses.replace(one, line_px=None)
    ahead = section.beyond(free, spine_px, step_px, after)
    behind = section.beyond(free, spine_px[::-1], step_px, before)[::-1]
    whole = np.vstack([behind, spine_px, ahead])
    line, normal = frame(whole, step_px, one.strip.diameter_px)
    return line, normal, arc_length(whole)


def straightened(
    luminance: Picture,
    maps: Sequence[Picture],
    scale: float,
    line: tuple[Floats, Floats],
    columns_px: Floats,
    diameter_px: float,
    fine: int,
) -> tuple[NDArray[Any], list[Picture], Floats]:
    """Resample a picture and maps of it along a line.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    maps : sequence of (h, w) float32 arrays
        What the finder sees, ``scale`` px to a pixel of the picture.
    line : tuple of (M, 2) float arrays
        The line and its normals, of which the first row lies on the far side.
    columns_px : (fine * columns,) float array
        Where on the line.
    diameter_px : float
        Wire diameter.
    fine : int
        Each value of the picture is the mean of so many squared; the maps are smooth.

    Returns
    -------
    picture : (ROWS, columns) array
    marks : list of (ROWS, columns) float32 arrays
    middle_px : (columns, 2) float array
        The middle row, in the photograph.
    """
    at = arc_length(line[0])
    middle, outward = (np.stack([np.interp(columns_px, at, of[:, k]) for k in (0, 1)], -1) for of in line)
    aside = ((np.arange(ROWS * fine) + 0.5) / (ROWS * fine) * 2 - 1) * ASIDE_D * diameter_px
    grid = (middle + aside[:, None, None] * outward).astype(np.float32)
    columns = len(columns_px) // fine
    picture = cv2.remap(luminance, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    picture = cv2.resize(picture, (columns, ROWS), interpolation=cv2.INTER_AREA)
    centres = grid[fine // 2 :: fine, fine // 2 :: fine].reshape(-1, 2).astype(float)
    x, y = to_maps(centres, scale).astype(np.float32).T.reshape(2, ROWS, columns)
    marks = [np.asarray(cv2.remap(of, x, y, cv2.INTER_LINEAR), np.float32) for of in maps]
    return picture, marks, middle[fine // 2 :: fine]


def evened(picture: NDArray[Any], columns: slice | NDArray[np.bool_] = slice(None)) -> Picture:
    """Return a straightened picture less the mean on the wire in some columns, over the deviation there."""
    on_wire = picture[ROWS * 3 // 10 : ROWS * 7 // 10, columns]  # a diameter to either side
    level = (picture - on_wire.mean()) / (on_wire.std() + 1.0)  # one level, where nothing varies
    return np.asarray(np.clip(level, -LARGEST_VALUE, LARGEST_VALUE), np.float32)
