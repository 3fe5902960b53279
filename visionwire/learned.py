"""Where twisted wire may be, as a small trained network sees it.

The network (``model/README.md``) marks what it takes for a twisted section, its centre
line, plain wire, the ends of sections and holes. Its maps become a ribbon like the
classical one (``find``), so that the same walks and the same proof on the strip follow.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric, route_through_array

from visionwire.find import Ribbon, ridge, to_maps, to_photograph

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Wire diameter in what the network is shown; it was trained on 3.3 to 13 px.
WORKING_DIAMETER_PX = 6.5
LARGEST_ZOOM = 1.6
MOST_PX = 6e6
SIDES_MULTIPLE = 16
EVENING_PX = 49  # as in fixtures.finder.net
EVENING_FLOOR = 4.0
FAINTEST = 0.15
#: Twisted to so much is seen; a stretch of it covers at least so many squares of the wire's diameter.
SEEN, SHORTEST_SEEN_D = 0.5, 3.0
MARKS = ("twisted", "spine", "plain", "ends", "holes")
#: Looks whose mean is surer than one: how much larger than usual the wire is shown, and how many quarter turns on.
LOOKS = ((1.0, 0), (1.0, 2), (0.74, 1), (1.3, 3))
#: Added to the mark of the centre line, so that a way along it may cross where none is seen.
FAINTEST_SPINE = 0.05
#: Where beyond an end its hole is looked for, in wire diameters, and how faint a mark is taken for one.
HOLE_REACH_D, HOLE_BEFORE_D, HOLE_ASIDE_D, HOLE_SPREAD = 6.0, 0.5, 1.2, 0.9
HOLE_SIZE_D, FAINTEST_HOLE = 1.5, 0.3


@dataclass(frozen=True, eq=False)
class Maps:
    """What the network sees, (h, w) float32 arrays from 0 to 1.

    Attributes
    ----------
    twisted, spine, plain, ends, holes : (h, w) float32 arrays
        Twisted section, its centre line, wire that is not twisted, ends of twisted sections, holes that wire enters.
    scale : float
        Pixels of these maps per pixel of the photograph.
    """

    twisted: Picture
    spine: Picture
    plain: Picture
    ends: Picture
    holes: Picture
    scale: float


def maps(luminance: Picture, diameter_px: float) -> Maps:
    """Show the picture to the network.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    diameter_px : float
        Wire diameter, known or guessed; half to one and a half times the true one works.
    """
    height, width = luminance.shape
    zoom = min(WORKING_DIAMETER_PX / diameter_px, LARGEST_ZOOM, float(np.sqrt(MOST_PX / (height * width))))
    size = max(SIDES_MULTIPLE, round(width * zoom)), max(SIDES_MULTIPLE, round(height * zoom))
    small = cv2.resize(luminance, size, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_LINEAR)
    right, below = (-side % SIDES_MULTIPLE for side in size)
    shown = evened(np.asarray(cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_REFLECT_101), np.float32))
    network = _network()
    network.setInput(shown[None, None])
    seen = np.asarray(network.forward()[0], np.float32)[:, : -(-size[1] // 2), : -(-size[0] // 2)]
    twisted, spine, plain, ends, holes = seen
    return Maps(twisted, spine, plain, ends, holes, scale=size[0] / width / 2)


def looks(luminance: Picture, diameter_px: float) -> list[Maps]:
    """Show the picture to the network turned and in other sizes too.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture, 0 to 255.
    diameter_px : float
        Wire diameter, known or guessed.

    Returns
    -------
    list of Maps
        One of each of `LOOKS`, turned back; the first is what `maps` returns.
    """
    return [_turned(luminance, diameter_px / larger, turns) for larger, turns in LOOKS]


def averaged(several: list[Maps]) -> Maps:
    """Return the mean of some looks at one picture, in the first's size: what is no wire is seldom seen twice."""
    height, width = several[0].twisted.shape

    def mean(marks: list[Picture]) -> Picture:
        """Return the mean of one mark of all looks, in the first's size."""
        return np.asarray(np.mean([cv2.resize(mark, (width, height)) for mark in marks], axis=0), np.float32)

    twisted, spine, plain, ends, holes = (mean([getattr(look, of) for look in several]) for of in MARKS)
    return Maps(twisted, spine, plain, ends, holes, scale=several[0].scale)


def _turned(luminance: Picture, diameter_px: float, turns: int) -> Maps:
    """Return what the network sees of the picture turned by quarters, turned back."""
    seen = maps(np.ascontiguousarray(np.rot90(luminance, turns)), diameter_px)
    twisted, spine, plain, ends, holes = (np.ascontiguousarray(np.rot90(getattr(seen, of), -turns)) for of in MARKS)
    return Maps(twisted, spine, plain, ends, holes, scale=seen.scale)


def evened(picture: Picture) -> Picture:
    """Return the picture (h, w) less its local mean, over its local deviation."""
    square = (EVENING_PX, EVENING_PX)
    level = picture - cv2.blur(picture, square)
    deviation = np.sqrt(np.maximum(cv2.blur(level**2, square), 0))
    return np.asarray(level / (deviation + EVENING_FLOOR), np.float32)


@functools.cache
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights(), np.uint8))


def weights() -> bytes:
    """Return the network's ONNX file."""
    return resources.files("visionwire.model").joinpath("finder.onnx").read_bytes()


def ribbon(maps_: Maps, diameter_px: float) -> Ribbon:
    """Return the centre lines that the network sees, as a ribbon to walk along."""
    diameter = diameter_px * maps_.scale
    strength = np.where(maps_.spine > FAINTEST, maps_.spine, 0)
    _, direction = ridge(np.asarray(cv2.GaussianBlur(maps_.spine, (0, 0), max(0.8, 0.5 * diameter)), np.float32))
    return Ribbon(strength, np.ones_like(strength), direction, maps_.scale, diameter)


def stretches(maps_: Maps, diameter_px: float, faintest: float = SEEN, least_mark: float = SEEN) -> list[Floats]:
    """Return the centre lines (N, 2), px, of the stretches that the network sees as twisted, each from end to end.

    Parameters
    ----------
    maps_ : Maps
        What the network sees.
    diameter_px : float
        Wire diameter.
    faintest : float
        How faint a stretch may go on from where it is seen.
    least_mark : float
        How strong the mark is that makes a stretch one that is seen.
    """
    labels, _ = ndimage.label(maps_.twisted > faintest, np.ones((3, 3)))
    least = SHORTEST_SEEN_D * (diameter_px * maps_.scale) ** 2
    lines = []
    for label, place in enumerate(ndimage.find_objects(labels), 1):
        inside = np.pad(labels[place] == label, 1)
        if (inside[1:-1, 1:-1] & (maps_.twisted[place] > least_mark)).sum() < least:
            continue
        # The two places farthest from one another inside it, and the way between them along the centre line seen.
        even = np.where(inside, 1.0, np.inf)
        one = _farthest(even, tuple(np.argwhere(inside)[0]))
        other = _farthest(even, one)
        cost = np.where(inside, 1 / (FAINTEST_SPINE + np.pad(maps_.spine[place], 1)), np.inf)
        path, _ = route_through_array(cost, one, other, fully_connected=True, geometric=True)
        corner = np.array([place[1].start, place[0].start]) - 1
        lines.append(to_photograph(np.array(path, float)[:, ::-1] + corner, maps_.scale))
    return lines


def _farthest(cost: Floats, start: tuple[int, ...]) -> tuple[int, ...]:
    away, _ = MCP_Geometric(cost).find_costs([start])
    return tuple(int(k) for k in np.unravel_index(np.where(np.isfinite(away), away, -1).argmax(), away.shape))


def along(map_: Picture, scale: float, points_px: Floats) -> Floats:
    """Return a map's values along a line (N, 2) of the photograph; the largest within a pixel of it."""
    near = cv2.dilate(map_, np.ones((3, 3), np.uint8))
    x, y = to_maps(points_px, scale).astype(np.float32).T
    return np.asarray(cv2.remap(near, x, y, cv2.INTER_LINEAR).ravel(), float)


def hole_beyond(maps_: Maps, end_px: Floats, ahead: Floats, diameter_px: float) -> Floats | None:
    """Return where the network sees the hole that the wire enters beyond an end of a section.

    Where the head hides the hole, that is where the strand leaves the head.

    Parameters
    ----------
    maps_ : Maps
        What the network sees.
    end_px : (2,) float array
        The section's end.
    ahead : (2,) float array
        Unit vector along the section, outward.
    diameter_px : float
        Wire diameter.

    Returns
    -------
    (2,) float array or None
        Centre of the mark, px of the photograph; None where there is none.
    """
    reach = int(HOLE_REACH_D * diameter_px * maps_.scale) + 2
    column, row = np.round(to_maps(end_px[None], maps_.scale)[0]).astype(int)
    height, width = maps_.holes.shape
    rows = np.arange(max(row - reach, 0), min(row + reach + 1, height))
    columns = np.arange(max(column - reach, 0), min(column + reach + 1, width))
    if not len(rows) or not len(columns):
        return None
    at = to_photograph(np.stack(np.meshgrid(columns, rows), -1).reshape(-1, 2).astype(float), maps_.scale)
    mark = maps_.holes[np.ix_(rows, columns)].ravel().astype(float)
    away = (at - end_px) / diameter_px
    along = away @ ahead
    aside = np.abs(away @ np.array([-ahead[1], ahead[0]]))
    inside = (along > -HOLE_BEFORE_D) & (np.hypot(*away.T) < HOLE_REACH_D)
    inside &= aside < np.maximum(HOLE_ASIDE_D, HOLE_SPREAD * along)
    mark = np.where(inside, mark, 0.0)
    if mark.max() < FAINTEST_HOLE:
        return None
    near = np.hypot(*(at - at[mark.argmax()]).T) < HOLE_SIZE_D * diameter_px
    return np.asarray(np.average(at[near], axis=0, weights=mark[near]), float)
