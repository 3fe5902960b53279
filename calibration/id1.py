"""Find the outline of a plain plastic card of ID-1 size, whatever is printed on it.

ISO/IEC 7810: 85.60 x 53.98 mm, corner radius 3.18 mm, 0.76 mm thick. Straight
segments are joined to lines, lines to quadrilaterals that a card could be, and
each of those is held against the picture along the whole outline, its round
corners included. A refusal is better than a wrong card.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.distortion import likeliest
from calibration.lens import DISTORTION_U, Lens, unknown_lens
from calibration.plane import Plane, fit_plane, project
from calibration.pose import perspective_misfit, with_pose

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

WIDTH_MM, HEIGHT_MM, RADIUS_MM = 85.60, 53.98, 3.18
#: Relative standard deviation of a length taken from the outline besides the corners' noise: which rim of the
#: 0.76 mm thick edge was seen (0.1-0.2 mm of 54); the standard's own tolerance is 0.15 % of the width.
OUTLINE_U = 0.003
#: Every side's place carries this at least, px: shadows and bevelled edges are not noise.
SIDE_U_PX = 0.5
#: A card's side is straight to this at the size of the search, px; a shadow's is not.
STRAIGHT_U_PX = 0.3
#: How far a shadow or a bevelled edge bends what is seen of a side, px, beside what the lens does to all four.
SIDE_BEND_U_PX = 0.5
SEARCH_SIDE_PX = 1000
LARGEST_TILT_DEG, LARGEST_RESIDUAL_PX = 40.0, 2.5
#: Chi-squared above which the quadrilateral is no ID-1 card; real ones were seen below 4, shadows from 6 up.
LARGEST_DOUBT = 6.0
#: Quadrilaterals that are measured at full size before one is chosen.
CLOSE_LOOKS = 8


@dataclass(frozen=True)
class _Lines:
    normal: Array  # (N, 2), unit
    offset: Array  # (N,), normal . x = offset
    support_px: Array  # (N,)


def find_id1(picture: Image, focal_px: float | None = None) -> Plane | None:
    """Find a plain ID-1 card and return its plane, or ``None`` when nothing surely is one.

    Parameters
    ----------
    picture : (H, W) or (H, W, 3) uint8 array
        The upright picture; colour helps where card and ground are equally bright.
    focal_px : float, optional
        Focal length; a phone's usual one unless given.
    """
    planes = _channels(picture)[:, :, :3]
    height, width = planes.shape[:2]
    if min(height, width) < 32:
        return None
    scale = min(1.0, SEARCH_SIDE_PX / max(height, width))
    small = _channels(cv2.resize(planes, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    quads = _quads(_lines(small), small.shape[1], small.shape[0])
    if not len(quads):
        return None
    scores = _outline_scores(_slopes(small), quads)
    likely = [q for q in np.argsort(-scores)[:CLOSE_LOOKS].tolist() if scores[q] > max(0.0, scores.max() - 0.3)]
    measured = [_measured(planes, (quads[q] + 0.5) / scale - 0.5, 1 / scale, focal_px) for q in likely]
    # A shadow's edge is softer than a card's, and a quadrilateral with one is not quite a card's in perspective.
    fits = [(_doubt(plane, (width, height)), i, plane) for i, plane in enumerate(measured) if plane is not None]
    doubt, _, plane = min(fits, default=(np.inf, 0, None))
    return plane if doubt < LARGEST_DOUBT else None


def _doubt(plane: Plane, size: tuple[int, int]) -> float:
    """Return chi-squared of the perspective, and of the sides' straightness at the size of the search."""
    straight_px = STRAIGHT_U_PX * max(1.0, max(size) / SEARCH_SIDE_PX)
    return perspective_misfit(plane, size) + ((plane.residual_px or 0.0) / straight_px) ** 2


def _channels(picture: NDArray[Any]) -> Image:
    """Return the picture as (H, W, C), C being 1 for a grey one."""
    return picture.astype(np.uint8, copy=False).reshape(*picture.shape[:2], -1)


def outline_mm(step_mm: float = 1.5) -> tuple[Array, Array, NDArray[np.int64]]:
    """Return points along the rounded outline, (N, 2) mm, their outward normals, and the part each belongs to.

    Parts 0-3 are the top, right, bottom and left side, 4-7 the round corners from
    the top left clockwise.
    """
    r = RADIUS_MM
    points: list[Array] = []
    normals: list[Array] = []
    parts: list[int] = []
    for part, (start, stop, normal) in enumerate(
        [
            ((r, 0), (WIDTH_MM - r, 0), (0, -1)),
            ((WIDTH_MM, r), (WIDTH_MM, HEIGHT_MM - r), (1, 0)),
            ((WIDTH_MM - r, HEIGHT_MM), (r, HEIGHT_MM), (0, 1)),
            ((0, HEIGHT_MM - r), (0, r), (-1, 0)),
        ]
    ):
        along = np.linspace(0, 1, int(np.hypot(*np.subtract(stop, start)) / step_mm))[:, None]
        points.append(np.array(start) + along * np.subtract(stop, start))
        normals.append(np.tile(np.array(normal, float), (len(along), 1)))
        parts += [part] * len(along)
    centres = [(r, r), (WIDTH_MM - r, r), (WIDTH_MM - r, HEIGHT_MM - r), (r, HEIGHT_MM - r)]
    for corner, centre in enumerate(centres):
        angle = np.radians(180 + 90 * corner + np.linspace(15, 75, 9))
        outward = np.stack([np.cos(angle), np.sin(angle)], 1)
        points.append(np.array(centre) + r * outward)
        normals.append(outward)
        parts += [4 + corner] * len(angle)
    return np.vstack(points), np.vstack(normals), np.array(parts)


def _lines(small: Image) -> _Lines:
    """Join the picture's straight segments, of every channel, to lines; the best supported sixty."""
    least_px = 0.02 * max(small.shape)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    found = [detector.detect(np.ascontiguousarray(small[:, :, c]))[0] for c in range(small.shape[2])]
    segments = np.vstack([f.reshape(-1, 4) for f in found if f is not None] or [np.empty((0, 4))]).astype(float)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-length)
    segments, length = segments[order][length[order] > least_px], length[order][length[order] > least_px]
    normals, offsets, supports = [], [], []
    free = np.ones(len(segments), bool)
    middle = (segments[:, :2] + segments[:, 2:]) / 2
    for i in range(len(segments)):
        if not free[i]:
            continue
        along = (segments[i, 2:] - segments[i, :2]) / length[i]
        normal = np.array([-along[1], along[0]])
        off = np.abs((segments.reshape(-1, 2, 2) - middle[i]) @ normal).max(1)
        reach = np.abs((middle - middle[i]) @ along)
        mine = free & (off < 1.2 + 0.004 * reach)
        free &= ~mine
        ends = segments[mine].reshape(-1, 2)
        weight = np.repeat(length[mine], 2)
        centre = weight @ ends / weight.sum()
        _, _, axes = np.linalg.svd((ends - centre) * np.sqrt(weight)[:, None], full_matrices=False)
        support = _covered_px(segments[mine] - np.tile(centre, 2), axes[0])
        normals.append(axes[1])
        offsets.append(axes[1] @ centre)
        supports.append(support)
    best = np.argsort(-np.array(supports))[:60]
    return _Lines(np.array(normals).reshape(-1, 2)[best], np.array(offsets)[best], np.array(supports)[best])


def _covered_px(segments: Array, along: Array) -> float:
    spans = np.sort(segments.reshape(-1, 2, 2) @ along, axis=1)
    covered, end = 0.0, -np.inf
    for low, high in spans[np.argsort(spans[:, 0])].tolist():
        covered += max(0.0, high - max(low, end))
        end = max(end, high)
    return covered


def _quads(lines: _Lines, width: int, height: int) -> Array:
    """Return the quadrilaterals that a card could be, (Q, 4, 2), clockwise from its top left; likely ones first."""
    n = len(lines.offset)
    if n < 4:
        return np.empty((0, 4, 2))
    pairs, pair_support = _pairs(lines)
    direction = lines.normal[pairs[:, 0]]
    a, b = np.nonzero(np.triu(np.abs(direction @ direction.T) < np.cos(np.radians(55)), 1))
    support = pair_support[a] + pair_support[b]
    corners = np.stack(
        [_crossings(lines, pairs[a, k], pairs[b, m]) for k, m in ((0, 0), (0, 1), (1, 1), (1, 0))], axis=1
    )
    quads = _from_top_left(corners)
    sides = np.linalg.norm(quads - np.roll(quads, -1, axis=1), axis=2)
    ratio = (sides[:, 0] + sides[:, 2]) / (sides[:, 1] + sides[:, 3])
    margin = 0.05 * max(width, height)
    inside = ((quads > -margin) & (quads < np.array([width, height]) + margin)).all((1, 2))
    usual = WIDTH_MM / HEIGHT_MM
    good = inside & (sides.min(1) > 0.1 * max(width, height)) & (ratio > 0.7 * usual) & (ratio < usual / 0.7)
    good &= support > 0.45 * sides.sum(1)
    good &= (np.abs(np.log(sides[:, 0] / sides[:, 2])) < 0.35) & (np.abs(np.log(sides[:, 1] / sides[:, 3])) < 0.35)
    order = np.argsort(-(support / sides.sum(1))[good])[:600]
    return np.asarray(quads[good][order])


def _pairs(lines: _Lines) -> tuple[NDArray[np.int64], Array]:
    """Return pairs of lines that could be opposite sides, (P, 2), and their support; the best of every direction.

    Brushed metal has a hundred lines of one direction: taken all together they would crowd out the card's.
    """
    cosine = np.abs(lines.normal @ lines.normal.T)
    i, j = np.nonzero(np.triu(cosine > np.cos(np.radians(15)), 1))
    support = lines.support_px[i] + lines.support_px[j]
    side = np.sign((lines.normal[i] * lines.normal[j]).sum(1))
    apart = np.abs(lines.offset[i] - side * lines.offset[j])
    # A side shows at least 0.4 of its length, and the other pair's lengths are what lies between these two.
    possible = apart > 0.2 * support
    angle = np.degrees(np.arctan2(lines.normal[i, 1], lines.normal[i, 0])) % 180
    kept: list[int] = []
    for low in range(0, 180, 15):
        here = np.flatnonzero(possible & (angle >= low) & (angle < low + 15))
        kept += here[np.argsort(-support[here])][:120].tolist()
    return np.stack([i[kept], j[kept]], 1), support[kept]


def _crossings(lines: _Lines, first: NDArray[np.int64], second: NDArray[np.int64]) -> Array:
    (ax, ay), (bx, by) = lines.normal[first].T, lines.normal[second].T
    c, d = lines.offset[first], lines.offset[second]
    determinant = ax * by - ay * bx
    determinant = np.where(np.abs(determinant) < 1e-9, 1e-9, determinant)
    return np.stack([c * by - d * ay, ax * d - bx * c], 1) / determinant[:, None]


def _from_top_left(corners: Array) -> Array:
    """Turn each quadrilateral to run clockwise in the picture, its first side a long one."""
    (ax, ay), (bx, by) = (corners[:, 2] - corners[:, 0]).T, (corners[:, 3] - corners[:, 1]).T
    corners = np.where((ax * by > ay * bx)[:, None, None], corners, corners[:, ::-1])
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    short_first = sides[:, 0] + sides[:, 2] < sides[:, 1] + sides[:, 3]
    return np.where(short_first[:, None, None], np.roll(corners, -1, axis=1), corners)


def _slopes(small: Image) -> Array:
    """Return the grey-level slope, (H, W, 2), of the channel that is steepest at each pixel."""
    soft = [cv2.GaussianBlur(small[:, :, c], (0, 0), 1.0) for c in range(small.shape[2])]
    across = np.stack([cv2.Scharr(channel, cv2.CV_32F, 1, 0) for channel in soft], 2) / 32
    down = np.stack([cv2.Scharr(channel, cv2.CV_32F, 0, 1) for channel in soft], 2) / 32
    steepest = (across**2 + down**2).argmax(2)[..., None]
    return np.concatenate([np.take_along_axis(across, steepest, 2), np.take_along_axis(down, steepest, 2)], 2)


_OUTLINE = outline_mm()


def _sharp_mm() -> tuple[Array, Array]:
    """Return points that sides with sharp corners would run through, and normals there: no edge may lie on them."""
    points, normals = [], []
    for x in (0.0, WIDTH_MM):
        for y in (0.0, HEIGHT_MM):
            for along_mm in (0.0, 0.4, 0.8):
                points += [(abs(x - along_mm), y), (x, abs(y - along_mm))]
                normals += [(0.0, 1.0), (1.0, 0.0)]
    return np.array(points), np.array(normals)


_SHARP = _sharp_mm()


def _outline_scores(slopes: Array, quads: Array) -> Array:
    """Return how well each quadrilateral's whole outline shows in the picture; 0 when it does not show everywhere."""
    points, normals, parts = _OUTLINE
    shown = _shows(slopes, quads, points, normals)
    share = np.stack([shown[:, parts == part].mean(1) for part in range(8)], 1)
    sharp = _shows(slopes, quads, *_SHARP).mean(1)
    sides, arcs = share[:, :4], share[:, 4:]
    whole = (sides.min(1) >= 0.5) & (sides.mean(1) >= 0.75) & (arcs.min(1) >= 0.5) & (arcs.mean(1) >= 0.75)
    whole &= arcs.mean(1) - sharp >= 0.2
    return np.where(whole, sides.mean(1) + arcs.mean(1) - sharp, 0.0)


def _shows(slopes: Array, quads: Array, points_mm: Array, normals_mm: Array) -> Array:
    """Say at which points, (Q, N), an edge lies within 1.5 px that runs along the outline; 1 or 0."""
    tangents_mm = np.stack([-normals_mm[:, 1], normals_mm[:, 0]], 1)
    both = np.vstack([points_mm, points_mm + 0.05 * tangents_mm])
    at, ahead = np.split(np.stack([project(_homography(quad), both) for quad in quads]), 2, axis=1)
    along = ahead - at
    normal = np.stack([along[..., 1], -along[..., 0]], 2) / np.linalg.norm(along, axis=2, keepdims=True)
    shown = np.zeros(at.shape[:2])
    for step in (-1.5, -0.75, 0.0, 0.75, 1.5):
        where = (at + step * normal).astype(np.float32)
        slope = cv2.remap(slopes, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        steep = np.linalg.norm(slope, axis=2)
        across = np.abs((slope * normal).sum(2))
        shown = np.maximum(shown, (steep > 1.5) & (across > 0.94 * steep))
    return shown


def _homography(quad: Array) -> Array:
    found = cv2.getPerspectiveTransform(_corners_mm().astype(np.float32), quad.astype(np.float32))
    return np.asarray(found, dtype=np.float64)


def _corners_mm() -> Array:
    return np.array([[0.0, 0.0], [WIDTH_MM, 0.0], [WIDTH_MM, HEIGHT_MM], [0.0, HEIGHT_MM]])


def _measured(planes: Image, quad: Array, search_ratio: float, focal_px: float | None) -> Plane | None:
    """Fit each side's line to the edge along its straight part at full size, and the plane to their crossings.

    The quadrilateral is that of a lens without distortion, which the sides' common bend tells.
    """
    size = planes.shape[1], planes.shape[0]
    lens = unknown_lens(size)
    residuals: list[float] = []
    for reach_px in (3.0 + 2.0 * search_ratio, 1.5 + search_ratio):
        edges = [edge for side in range(4) if (edge := _side(planes, quad, side, reach_px, lens)) is not None]
        if len(edges) < 4:
            return None
        seen = [lens.bent(_near_a_line(edge)) for edge in edges]
        lens = _lens_of_sides(seen, lens)
        fitted = [_line(lens.straight(edge_px), edge_px.mean(0) - quad.mean(0)) for edge_px in seen]
        lines = _Lines(np.array([f[0] for f in fitted]), np.array([f[1] for f in fitted]), np.zeros(4))
        residuals = [f[2] for f in fitted]
        quad = _crossings(lines, np.array([3, 0, 1, 2]), np.array([0, 1, 2, 3]))
    residual_px = float(np.sqrt(np.mean(np.square(residuals))))
    plane = fit_plane(
        _corners_mm(),
        lens.bent(quad),
        source="id1",
        corner_u_px=max(SIDE_U_PX, residual_px),
        scale_relative_u=OUTLINE_U,
        outline_mm=_OUTLINE[0][np.argsort(_around())],
        lens=lens,
    )
    plane = dataclasses.replace(plane, residual_px=residual_px)
    return _plausible(plane, size, focal_px)


def _lens_of_sides(seen: list[Array], lens: Lens) -> Lens:
    """Return the lens that four straight sides, (N, 2) px each, speak for, drawn towards none as far as they do not.

    What all four bend in common is the lens's; each may bend by itself besides.
    """
    columns, wanted = [], []
    for side, edge_px in enumerate(seen):
        at = lens.straight(edge_px)
        along = at[-1] - at[0]
        normal = np.array([along[1], -along[0]]) / np.linalg.norm(along)
        place = (at - at.mean(0)) @ along / (along @ along)
        own = np.zeros((len(at), len(seen)))
        own[:, side] = 4 * place**2
        rows = np.column_stack([lens.pull_px(edge_px) @ normal, own, at @ normal])
        # What a straight line can take up says nothing.
        line = np.linalg.qr(np.column_stack([np.ones_like(place), place]))[0]
        rows -= line @ (line.T @ rows)
        rows /= max(STRAIGHT_U_PX, float(rows[:, -1].std()))
        columns.append(rows[:, :-1])
        wanted.append(rows[:, 0] * lens.distortion - rows[:, -1])
    prior_u = np.array([DISTORTION_U, *[SIDE_BEND_U_PX] * len(seen)])
    found, spread = likeliest(np.vstack(columns), np.concatenate(wanted), prior_u)
    return dataclasses.replace(lens, distortion=float(found[0]), distortion_u=float(np.sqrt(spread[0, 0])))


def _around() -> Array:
    off = _OUTLINE[0] - np.array([WIDTH_MM, HEIGHT_MM]) / 2
    return np.asarray(np.arctan2(off[:, 1], off[:, 0]))


def _side(planes: Image, quad: Array, side: int, reach_px: float, lens: Lens) -> Array | None:
    """Return a side's edge, (N, 2), by a lens without distortion: the steepest places of profiles across it."""
    points, _, parts = _OUTLINE
    ends = points[parts == side][[0, -1]]
    count = int(np.clip(np.linalg.norm(quad[side] - quad[(side + 1) % 4]) / 4, 20, 200))
    at = project(_homography(quad), ends[0] + np.linspace(0, 1, count)[:, None] * (ends[1] - ends[0]))
    along = (at[-1] - at[0]) / np.linalg.norm(at[-1] - at[0])
    normal = np.array([along[1], -along[0]])
    steps = np.arange(-reach_px - 1, reach_px + 1.01, 0.5)
    across = (at[:, None] + steps[:, None] * normal).reshape(-1, 2)
    where = lens.bent(across).astype(np.float32).reshape(count, -1, 2)
    profile = cv2.remap(planes, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = profile.reshape(*where.shape[:2], -1).astype(float)
    kernel = np.exp(-0.5 * (np.arange(-3, 4) / 1.5) ** 2)
    steep = np.abs(np.diff(profile, axis=1)).sum(2)
    steep = np.apply_along_axis(np.convolve, 1, steep, kernel / kernel.sum(), "same")[:, 1:-1]
    place = _peaks(steep, steps[1] + 0.25)
    good = steep.max(1) > 2.0
    if good.sum() < 0.5 * count:
        return None
    return np.asarray((at + place[:, None] * normal)[good])


def _peaks(steep: Array, first: float) -> Array:
    """Return each row's place of the innermost steep slope, by a parabola through it and its neighbours.

    Shadow and thickness put their edges outside the card's own, never inside.
    """
    rows = np.arange(len(steep))
    middle = steep[:, 1:-1]
    hill = (middle >= steep[:, :-2]) & (middle >= steep[:, 2:]) & (middle > 0.4 * steep.max(1, keepdims=True))
    top = 1 + np.where(hill.any(1), hill.argmax(1), middle.argmax(1))
    left, mid, right = steep[rows, top - 1], steep[rows, top], steep[rows, top + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0)
    return np.asarray(first + 0.5 * (top + np.clip(shift, -1, 1)))


def _near_a_line(edge: Array) -> Array:
    """Return those of a side's points that lie near one line."""
    line = cv2.fitLine(edge.astype(np.float32), cv2.DIST_WELSCH, 0, 0.01, 0.001).ravel().astype(float)
    off = np.abs((edge - line[2:]) @ np.array([line[1], -line[0]]))
    near = off < 3 * max(0.3, 1.4826 * float(np.median(off)))
    return np.asarray(edge[near])


def _line(edge: Array, outward: Array) -> tuple[Array, float, float]:
    """Return a side's unit normal, its offset and what is left over, px."""
    line = cv2.fitLine(edge.astype(np.float32), cv2.DIST_WELSCH, 0, 0.01, 0.001).ravel().astype(float)
    normal = np.array([line[1], -line[0]])
    normal *= np.sign(normal @ outward)
    return normal, float(normal @ line[2:]), float(((edge - line[2:]) @ normal).std())


def _plausible(plane: Plane, size: tuple[int, int], focal_px: float | None) -> Plane | None:
    """Return the plane with its pose, unless no likely camera sees an ID-1 card like that."""
    plane = with_pose(plane, focal_px, size)
    tilt_deg = plane.tilt_deg
    if (
        plane.mirrored
        or (plane.residual_px or 0.0) > LARGEST_RESIDUAL_PX
        or tilt_deg is None
        or tilt_deg > LARGEST_TILT_DEG
    ):
        return None
    return plane
