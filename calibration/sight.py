"""Find a known card in a picture: its corners to a few hundredths of a pixel.

Markers say which card it is and roughly where; the points at which four squares
meet carry the measurement, because blur and exposure leave them in place while
they shift a marker's own corners. OpenCV's board detector is not used: some of
its versions add half a pixel to x and y (5.0.0 does not), and it gives up on
boards of which little is seen.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Card, known_cards, load_card, marker_dictionary
from calibration.distortion import bends_of
from calibration.plane import CORNER_FLOOR_PX, Plane, fit_plane, point_u_px
from calibration.pose import with_pose

Array = NDArray[np.float64]
Gray = NDArray[np.uint8]
Markers = dict[int, Array]

#: Long sides, px, at which markers are looked for, before the whole picture.
SEARCH_SIDES_PX = (1000, 2000)
#: A marker cell this large in the reduced picture needs no look at a larger one, px.
CLEAR_CELL_PX = 4.0
#: Sharpening that brings back blurred cells of ``CLEAR_CELL_PX``: gain, radii of what is kept and of what is taken off.
SHARPEN_GAIN, SHARPEN_PX = 4.0, (1.0, 2.7)
#: Standard deviation of a marker's corner, each axis: px, and as a share of a cell where that is more (blur rounds it).
MARKER_CORNER_U_PX, MARKER_CORNER_U_CELLS = 0.5, 0.1
#: A square corner further from the fit than this is not one, px.
OUTLIER_PX = 0.5
MIN_CORNERS = 6
#: Of the outline that is drawn, so that a wide lens's bend of a side shows.
POINTS_A_SIDE = 8


@dataclass(frozen=True, eq=False)
class Sight:
    """A card as found.

    Attributes
    ----------
    card : Card
        Which one.
    corner_ids : tuple of int
        Rows of ``card.corners_mm()`` that were found; empty when the markers' own corners had to serve.
    cell_px : float
        Side of one marker cell.
    plane : Plane
        px <-> mm, with the points that it was fitted to.
    """

    card: Card
    corner_ids: tuple[int, ...]
    cell_px: float
    plane: Plane


def find_card(gray: Gray, cards: Sequence[Card] | None = None, focal_px: float | None = None) -> Sight | None:
    """Find the card that shows most of its markers; ``None`` when none is seen.

    Parameters
    ----------
    gray : (H, W) uint8 array
        The upright picture.
    cards : sequence of Card, optional
        The cards to look for; all known ones unless given.
    focal_px : float, optional
        Focal length for the plane's tilt and distance; a phone's usual one unless given.

    Raises
    ------
    ValueError
        When ``gray`` is not a two-dimensional uint8 array.
    """
    if gray.ndim != 2 or gray.dtype != np.uint8:
        raise ValueError(f"gray must be a (H, W) uint8 array, not {gray.shape} {gray.dtype}")
    if min(gray.shape) < 32:
        return None
    looked_for = tuple(load_card(name) for name in known_cards()) if cards is None else tuple(cards)
    if not looked_for:
        return None
    best = _best_marked(gray, looked_for)
    return None if best is None else _measure(gray, *best, focal_px)


def _best_marked(gray: Gray, cards: Sequence[Card]) -> tuple[Card, Markers] | None:
    """Return the card of which most markers agree on one homography, looking in ever larger pictures.

    Where markers are still missing, the picture is looked at again sharpened, at a
    size that makes a cell a few pixels: that reads cells blurred over half their width.
    """
    seen: dict[str, Markers] = {card.dictionary: {} for card in cards}
    best: tuple[Card, Markers] | None = None
    long_side = max(gray.shape)
    sides_px = [s for s in SEARCH_SIDES_PX if s < 0.75 * long_side] + [long_side]
    for side_px in sides_px:
        _look(gray, seen, side_px / long_side, sharpen=False)
        best = _most_agreeing(cards, seen)
        if best is not None and (_whole(*best) or _cell_px(*best) * side_px / long_side > CLEAR_CELL_PX):
            break
    if best is None:
        for side_px in sides_px[:2]:
            _look(gray, seen, side_px / long_side, sharpen=True)
        best = _most_agreeing(cards, seen)
    if best is None or _whole(*best):
        return best
    _look(gray, seen, min(1.0, CLEAR_CELL_PX / _cell_px(*best)), sharpen=True)
    return _most_agreeing(cards, seen)


def _look(gray: Gray, seen: dict[str, Markers], scale: float, sharpen: bool) -> None:
    """Add the markers seen at that scale; plainly seen ones replace those seen before."""
    small = gray if scale >= 1 else cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    if sharpen:
        fine, coarse = (cv2.GaussianBlur(small, (0, 0), radius_px) for radius_px in SHARPEN_PX)
        small = cv2.addWeighted(fine, 1 + SHARPEN_GAIN, coarse, -SHARPEN_GAIN, 0)
    # Pixel centres at integers: the reduced picture's corner, not its first centre, stays in place. The factor given
    # is what OpenCV goes by, not the two sizes, of which one was rounded.
    factor = min(scale, 1.0)
    for dictionary, markers in seen.items():
        found = {i: (four + 0.5) / factor - 0.5 for i, four in _markers(small, dictionary).items()}
        markers.update({i: four for i, four in found.items() if not sharpen or i not in markers})


def _most_agreeing(cards: Sequence[Card], seen: dict[str, Markers]) -> tuple[Card, Markers] | None:
    found = [(card, _agreeing(card, markers)) for card in cards for markers in _both_hands(card, seen[card.dictionary])]
    card, markers = max(found, key=lambda pair: len(pair[1]))
    return (card, markers) if markers else None


def _both_hands(card: Card, seen: Markers) -> tuple[Markers, Markers]:
    """Part the markers seen as printed from those seen mirrored, as a front camera shows them."""
    count = len(marker_dictionary(card.dictionary).bytesList)
    mirrored = {i - count: four[[1, 0, 3, 2]] for i, four in seen.items() if i >= count}
    return {i: four for i, four in seen.items() if i < count}, mirrored


@lru_cache(maxsize=16)
def _detector(dictionary: str) -> cv2.aruco.ArucoDetector:
    """Return a detector of the dictionary's markers and of their mirror images, numbered on from the last."""
    plain = marker_dictionary(dictionary)
    bits, count = plain.markerSize, len(plain.bytesList)
    cells = [plain.generateImageMarker(i, bits + 2, borderBits=1)[1:-1, -2:0:-1] for i in range(count)]
    mirrored = [cv2.aruco.Dictionary.getByteListFromBits((c > 0).astype(np.uint8)) for c in cells]
    both = cv2.aruco.Dictionary(np.vstack([plain.bytesList, *mirrored]), bits, plain.maxCorrectionBits)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.minMarkerPerimeterRate = 0.02
    return cv2.aruco.ArucoDetector(both, settings)


def _markers(gray: NDArray[Any], dictionary: str) -> Markers:
    corners, ids, _ = _detector(dictionary).detectMarkers(gray)
    found: Markers = {}
    for i, four in zip([] if ids is None else ids.ravel(), corners, strict=True):
        found.setdefault(int(i), four.reshape(4, 2).astype(float))
    return found


def _agreeing(card: Card, seen: Markers) -> Markers:
    """Return the card's markers that lie on one plane in its order: at least two, all four corners of each."""
    on_card = card.markers_mm()
    ids = [i for i in seen if i in on_card]
    if len(ids) < 2:
        return {}
    mm = np.vstack([on_card[i] for i in ids])
    px = np.vstack([seen[i] for i in ids])
    cell_px = float(np.median([cv2.arcLength(seen[i].astype(np.float32), True) for i in ids])) / 4
    cell_px *= card.cell_mm / card.marker_mm
    cv2.setRNGSeed(1)
    found, inliers = cv2.findHomography(mm, px, cv2.RANSAC, max(1.5, 0.4 * cell_px))
    if found is None:
        return {}
    whole: list[bool] = np.asarray(inliers, dtype=bool).reshape(-1, 4).all(axis=1).tolist()  # type: ignore[assignment]
    return {i: seen[i] for i, good in zip(ids, whole, strict=True) if good} if sum(whole) >= 2 else {}


def _whole(card: Card, markers: Markers) -> bool:
    return len(markers) == len(card.markers_mm())


def _cell_px(card: Card, markers: Markers) -> float:
    areas = [abs(cv2.contourArea(four.astype(np.float32))) for four in markers.values()]
    return float(np.sqrt(np.median(areas))) * card.cell_mm / card.marker_mm


def _measure(gray: Gray, card: Card, markers: Markers, focal_px: float | None) -> Sight | None:
    on_card = card.markers_mm()
    mm = np.vstack([on_card[i] for i in markers])
    px = np.vstack(list(markers.values()))
    camera = focal_px, (gray.shape[1], gray.shape[0])
    plane = _fit(card, mm, px, max(MARKER_CORNER_U_PX, MARKER_CORNER_U_CELLS * _cell_px(card, markers)), camera)
    corner_ids: list[int] = []
    for _ in range(4):
        found = _square_corners(gray, card, plane)
        kept = _without_outliers(card, found, plane)
        if len(kept) < MIN_CORNERS or not _span(card, kept):
            break
        grown = set(kept) - set(corner_ids)
        corner_ids = sorted(kept)
        px = np.array([kept[i] for i in corner_ids])
        plane = _fit(card, card.corners_mm()[corner_ids], px, CORNER_FLOOR_PX, camera)
        if not grown:
            break
    plane = with_pose(plane, *camera)
    cell_px = _cell_px(card, markers)
    if (plane.residual_px or 0.0) > max(2.0, cell_px):
        return None
    return Sight(card, tuple(corner_ids), cell_px, plane)


def _fit(card: Card, mm: Array, px: Array, corner_u_px: float, camera: tuple[float | None, tuple[int, int]]) -> Plane:
    """Return the card's plane, the lens's distortion and the card's bow taken out as far as its points tell them."""
    bends = bends_of(mm, px, card.corners_mm(), corner_u_px, *camera)
    plane = fit_plane(
        mm,
        px,
        lens=bends.lens,
        bow=bends.bow,
        card=card.name,
        outline_mm=_with_points_between(card.outline_mm()),
        corner_u_px=corner_u_px,
        scale_relative_u=card.print_relative_u,
    )
    return dataclasses.replace(plane, bends_spread=bends.spread)


def _with_points_between(corners: Array) -> Array:
    """Return an outline with points along its sides too, which a lens and a bow bend."""
    shares = np.linspace(0, 1, POINTS_A_SIDE, endpoint=False)[:, None]
    between = corners[:, None] + shares * (np.roll(corners, -1, axis=0) - corners)[:, None]
    return np.asarray(between.reshape(-1, 2))


def _square_corners(gray: Gray, card: Card, plane: Plane) -> dict[int, Array]:
    """Refine every square corner that the plane predicts well and that looks like one."""
    mm = _shown(card, plane)
    predicted = plane.to_px(mm)
    half_px = _window_px(card, plane, mm)
    unsure_px = point_u_px(plane.image_from_plane, plane.shown_mm, mm, plane.corner_u_px)
    height, width = gray.shape
    inside = ((predicted > half_px[:, None] + 2) & (predicted < np.array([width, height]) - half_px[:, None] - 3)).all(
        1
    )
    wanted = np.flatnonzero(inside & (unsure_px < half_px / 3) & _looks_right(gray, card, plane))
    found: dict[int, Array] = {}
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 0.003)
    for i in wanted.tolist():
        half = int(half_px[i])
        start = predicted[i].astype(np.float32).reshape(1, 1, 2)
        at = cv2.cornerSubPix(gray, start.copy(), (half, half), (-1, -1), stop).reshape(2).astype(float)
        if np.linalg.norm(at - predicted[i]) < 0.6 * half:
            found[i] = at
    return found


def _shown(card: Card, plane: Plane) -> Array:
    """Return the card's square corners where the camera sees them on the flat plane, mm."""
    return card.corners_mm() if plane.bow is None else plane.bow.shown(card.corners_mm())


def _window_px(card: Card, plane: Plane, mm: Array) -> Array:
    """Half sides of the search windows: as wide as the white round the markers allows, 2 to 25 px."""
    gap_mm = (card.square_mm - card.marker_mm) / 2
    scale = np.array([plane.px_per_mm(at) for at in plane.to_px(mm)])
    return np.asarray(np.clip(np.floor(0.8 * gap_mm * scale), 2, 25))


def _looks_right(gray: Gray, card: Card, plane: Plane) -> NDArray[np.bool_]:
    """Say which square corners show black and white quadrants in the card's order: neither hidden nor in glare."""
    mm = card.corners_mm()
    step_mm = 0.7 * (card.square_mm - card.marker_mm) / 2
    quadrants = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]]) * step_mm
    at_px = plane.to_px((_shown(card, plane)[:, None] + quadrants).reshape(-1, 2)).astype(np.float32)
    values = cv2.remap(gray, at_px[:, :1], at_px[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = values.reshape(-1, 4).astype(float)
    squares = np.rint((mm - [card.margin_mm, card.margin_mm]) / card.square_mm).astype(int)
    squares[:, 1] = np.tile(np.repeat(np.arange(1, card.squares_y), card.squares_x - 1), len(card.boards))
    # The quadrant up and left of lattice point (i, j) is square (i - 1, j - 1), of the same colour as (i, j).
    first_black = (squares.sum(1) % 2 == 0) == card.first_square_black
    black = np.where(first_black[:, None], values[:, :2], values[:, 2:])
    white = np.where(first_black[:, None], values[:, 2:], values[:, :2])
    contrast = white.min(1) - black.max(1)
    usual = float(np.median(contrast[contrast > 0])) if (contrast > 0).any() else 0.0
    return np.asarray(contrast > max(4.0, 0.35 * usual))


def _without_outliers(card: Card, found: dict[int, Array], plane: Plane) -> dict[int, Array]:
    """Drop the worst corner until all lie near one fit; a hidden or glaring corner pulls no other with it."""
    kept = dict(found)
    mm = card.corners_mm()
    while len(kept) >= MIN_CORNERS and _span(card, kept):
        ids = list(kept)
        px = np.array([kept[i] for i in ids])
        fitted = fit_plane(mm[ids], px, lens=plane.lens, bow=plane.bow)
        off = np.linalg.norm(fitted.to_px(fitted.shown_mm) - px, axis=1)
        worst = int(off.argmax())
        if off[worst] < max(OUTLIER_PX, 4 * float(np.median(off))):
            break
        del kept[ids[worst]]
    return kept


def _span(card: Card, kept: dict[int, Array]) -> bool:
    """Whether the corners reach over at least a square both ways."""
    mm = card.corners_mm()[list(kept)]
    spread = np.linalg.svd(mm - mm.mean(0), compute_uv=False) / np.sqrt(len(mm))
    return bool(spread[-1] > 0.4 * card.square_mm)
