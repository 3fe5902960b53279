"""Find a known card in a picture: its corners to a few hundredths of a pixel.

Markers say which card it is and roughly where; the points at which four squares
meet carry the measurement, because blur and exposure leave them in place while
they shift a marker's own corners. OpenCV's board detector is not used: it adds
half a pixel to x and y, and gives up on boards of which little is seen.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Card, known_cards, load_card, marker_dictionary
from calibration.plane import CORNER_FLOOR_PX, Plane, fit_plane, point_u_px, project
from calibration.pose import with_pose

Array = NDArray[np.float64]
Gray = NDArray[np.uint8]
Markers = dict[int, Array]

#: Long sides, px, at which markers are looked for, before the whole picture.
SEARCH_SIDES_PX = (1000, 2000)
#: A marker cell this large in the reduced picture needs no look at a larger one, px.
CLEAR_CELL_PX = 4.0
#: Standard deviation of a marker's corner, each axis, px.
MARKER_CORNER_U_PX = 0.5
#: A square corner further from the fit than this is not one, px.
OUTLIER_PX = 0.5
MIN_CORNERS = 6


@dataclass(frozen=True, eq=False)
class Sight:
    """A card as found.

    Attributes
    ----------
    card : Card
        Which one.
    marker_ids : tuple of int
        Markers read.
    corner_ids : tuple of int
        Rows of ``card.corners_mm()`` that were found; empty when the markers' own corners had to serve.
    points_mm, points_px : (N, 2) float arrays
        What the plane was fitted to.
    residual_px : float
        Root mean square distance from the fit.
    cell_px : float
        Side of one marker cell.
    plane : Plane
        px <-> mm.
    """

    card: Card
    marker_ids: tuple[int, ...]
    corner_ids: tuple[int, ...]
    points_mm: Array
    points_px: Array
    residual_px: float
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
    best = _best_marked(gray, looked_for)
    if best is not None:
        return _measure(gray, *best, focal_px)
    flipped = np.ascontiguousarray(gray[:, ::-1])
    best = _best_marked(flipped, looked_for)
    if best is None:
        return None
    sight = _measure(flipped, *best, focal_px)
    return None if sight is None else _mirror(sight, gray.shape[1], gray.shape[0], focal_px)


def _best_marked(gray: Gray, cards: Iterable[Card]) -> tuple[Card, Markers] | None:
    """Return the card of which most markers agree on one homography, looking in ever larger pictures."""
    by_dictionary: dict[str, list[Card]] = {}
    for card in cards:
        by_dictionary.setdefault(card.dictionary, []).append(card)
    best: tuple[Card, Markers] | None = None
    long_side = max(gray.shape)
    for side in [s for s in SEARCH_SIDES_PX if s < 0.75 * long_side] + [long_side]:
        for dictionary, group in by_dictionary.items():
            seen = _markers(gray, dictionary, side / long_side)
            for card in group:
                agreed = _agreeing(card, seen)
                if agreed and (best is None or len(agreed) > len(best[1])):
                    best = card, agreed
        if best is not None and _cell_px(*best) * side / long_side > CLEAR_CELL_PX:
            break
    return best


def _markers(gray: Gray, dictionary: str, scale: float) -> Markers:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(marker_dictionary(dictionary), settings)
    small = gray if scale >= 1 else cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None:
        return {}
    # Pixel centres at integers: the reduced picture's corner, not its first centre, stays in place.
    ratio = np.array(gray.shape[::-1]) / np.array(small.shape[::-1])
    found: Markers = {}
    for i, four in zip(ids.ravel(), corners, strict=True):
        found.setdefault(int(i), (four.reshape(4, 2).astype(float) + 0.5) * ratio - 0.5)
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


def _cell_px(card: Card, markers: Markers) -> float:
    areas = [abs(cv2.contourArea(four.astype(np.float32))) for four in markers.values()]
    return float(np.sqrt(np.median(areas))) * card.cell_mm / card.marker_mm


def _measure(gray: Gray, card: Card, markers: Markers, focal_px: float | None) -> Sight | None:
    on_card = card.markers_mm()
    mm = np.vstack([on_card[i] for i in markers])
    px = np.vstack(list(markers.values()))
    plane = _fit(card, mm, px, MARKER_CORNER_U_PX)
    corner_ids: list[int] = []
    for _ in range(4):
        found = _square_corners(gray, card, plane)
        kept = _without_outliers(card, found)
        if len(kept) < MIN_CORNERS or not _span(card, kept):
            break
        grown = set(kept) - set(corner_ids)
        corner_ids = sorted(kept)
        plane = _fit(card, card.corners_mm()[corner_ids], np.array([kept[i] for i in corner_ids]), CORNER_FLOOR_PX)
        if not grown:
            break
    plane = with_pose(plane, focal_px, (gray.shape[1], gray.shape[0]))
    cell_px = _cell_px(card, markers)
    residual_px = plane.residual_px or 0.0
    if residual_px > max(2.0, cell_px):
        return None
    return Sight(
        card, tuple(sorted(markers)), tuple(corner_ids), plane.points_mm, plane.points_px, residual_px, cell_px, plane
    )


def _fit(card: Card, mm: Array, px: Array, corner_u_px: float) -> Plane:
    return fit_plane(
        mm,
        px,
        card=card.name,
        outline_mm=card.outline_mm(),
        corner_u_px=corner_u_px,
        scale_relative_u=card.print_relative_u,
    )


def _square_corners(gray: Gray, card: Card, plane: Plane) -> dict[int, Array]:
    """Refine every square corner that the plane predicts well and that looks like one."""
    mm = card.corners_mm()
    predicted = plane.to_px(mm)
    half_px = _window_px(card, plane, mm)
    unsure_px = point_u_px(plane.image_from_plane, plane.points_mm, mm, plane.corner_u_px)
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
    at_px = plane.to_px((mm[:, None] + quadrants).reshape(-1, 2)).astype(np.float32)
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


def _without_outliers(card: Card, found: dict[int, Array]) -> dict[int, Array]:
    """Drop the worst corner until all lie near one fit; a hidden or glaring corner pulls no other with it."""
    kept = dict(found)
    mm = card.corners_mm()
    while len(kept) >= MIN_CORNERS and _span(card, kept):
        ids = list(kept)
        px = np.array([kept[i] for i in ids])
        off = np.linalg.norm(fit_plane(mm[ids], px).to_px(mm[ids]) - px, axis=1)
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


def _mirror(sight: Sight, width: int, height: int, focal_px: float | None) -> Sight:
    flip = np.array([[-1.0, 0, width - 1], [0, 1, 0], [0, 0, 1]])
    plane = sight.plane
    points_px = project(flip, plane.points_px)
    outline_px = None if plane.outline_px is None else project(flip, plane.outline_px)
    turned = dataclasses.replace(
        plane, image_from_plane=flip @ plane.image_from_plane, points_px=points_px, outline_px=outline_px
    )
    return dataclasses.replace(sight, points_px=points_px, plane=with_pose(turned, focal_px, (width, height)))
