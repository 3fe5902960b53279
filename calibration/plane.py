"""Pixels to millimetres and back on the card's plane, with the uncertainty of a length.

A homography, never one number, to the picture as a lens without distortion would
have shown it (``lens``), from the plane through the card's middle (``bow``). Pixel
centres at integers, (x, y).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.bow import Bow
from calibration.lens import Lens

Array = NDArray[np.float64]
Source = Literal["card", "id1", "two-points", "wire"]

#: No corner is trusted better than this, px: lens and flatness errors are not white noise and do not average out.
CORNER_FLOOR_PX = 0.08


@dataclass(frozen=True, eq=False)
class Plane:
    """The plane that a scale holds on.

    Attributes
    ----------
    image_from_plane : (3, 3) float array
        Homography, mm to px, the distortion of the lens and the card's bow taken out.
    source : str
        What gave the scale: "card", "id1", "two-points", "wire".
    card : str or None
        The card's name.
    points_px, points_mm : (N, 2) float arrays
        The points that it was fitted to, in the picture and on the card.
    outline_px : (M, 2) float array or None
        Closed outline of the card in the picture.
    residual_px : float or None
        Root mean square distance of the points from the fit, lens and bow taken out; None when nothing is left over.
    corner_u_px : float
        Standard deviation of a point, each axis, px.
    scale_relative_u : float
        Relative standard deviation of the card's own size: the print, or the plastic.
    relative_u : float
        Relative standard deviation of a length read on the plane within the card.
    tilt_deg : float or None
        Angle between the card's normal and the line of sight to its centre.
    distance_mm : float or None
        From the camera to the card's centre, along the camera's axis.
    lens : Lens or None
        Its distortion, where something tells it.
    bow : Bow or None
        How far the card is from flat, where something tells it.
    bends_spread : (4, 4) float array or None
        Covariance of the distortion and the three heights of the bow, mm.
    """

    image_from_plane: Array
    source: Source
    card: str | None
    points_px: Array
    points_mm: Array
    outline_px: Array | None
    residual_px: float | None
    corner_u_px: float
    scale_relative_u: float
    relative_u: float
    tilt_deg: float | None = None
    distance_mm: float | None = None
    lens: Lens | None = None
    bow: Bow | None = None
    bends_spread: Array | None = None

    @property
    def shown_mm(self) -> Array:
        """The points (N, 2), mm, where the camera sees them on the plane: on the card itself, if that is flat."""
        return self.points_mm if self.bow is None else self.bow.shown(self.points_mm)

    @property
    def mirrored(self) -> bool:
        """Whether the picture shows a printed card mirrored, as front cameras do; nothing else would tell."""
        centre_mm = self.points_mm.mean(0)
        return bool(np.linalg.det(self.straight_px_per_mm(centre_mm[None])[0]) < 0)

    def to_px(self, points_mm: ArrayLike) -> Array:
        """Return (N, 2) points of the plane, mm, in the picture, px."""
        straight_px = self.straight_px(points_mm)
        return straight_px if self.lens is None else self.lens.bent(straight_px)

    def straight_px(self, points_mm: ArrayLike) -> Array:
        """Return (N, 2) points of the plane, mm, as a lens without distortion shows them, px."""
        return project(self.image_from_plane, points_mm)

    def straight_px_per_mm(self, points_mm: ArrayLike) -> Array:
        """Return the Jacobian of ``straight_px`` at each of (N, 2) points, (N, 2, 2)."""
        return _jacobian_mm(self.image_from_plane, np.asarray(points_mm, float).reshape(-1, 2))

    def freedom(self) -> Array:
        """Return how the points move in the picture as the homography changes, (2 N, 8), in units of their spread."""
        to_unit, _, normal = _normalised(self.image_from_plane, self.shown_mm)
        return _jacobian_h(normal, project(to_unit, self.shown_mm)).reshape(-1, 8)

    def to_mm(self, points_px: ArrayLike) -> Array:
        """Return (N, 2) points of the picture, px, on the plane, mm."""
        return project(np.linalg.inv(self.image_from_plane), straightened(points_px, self.lens))

    def px_per_mm(self, point_px: ArrayLike) -> float:
        """Return the local scale at one point: the square root of the Jacobian's determinant."""
        at_px = np.reshape(np.asarray(point_px, float), (1, 2))
        straight = float(np.sqrt(abs(np.linalg.det(self.straight_px_per_mm(self.to_mm(at_px))[0]))))
        return straight if self.lens is None else straight / self.lens.enlargement(at_px)

    def length_mm(self, points_px: ArrayLike) -> float:
        """Return the length on the plane of an (N, 2) polyline in the picture."""
        return float(np.linalg.norm(np.diff(self.to_mm(points_px), axis=0), axis=1).sum())

    def off_flat_px(self) -> float | None:
        """Return the root mean square distance of the points from a flat card, px; None where nothing tells it."""
        if self.bow is None:
            return None
        return fit_plane(self.points_mm, self.points_px, lens=self.lens).residual_px

    def corner_relative_u(self, points_px: ArrayLike) -> float:
        """Return what the corners' noise alone does to the length of an (N, 2) polyline, relative.

        It goes through the least-squares fit to first order (JCGM 100:2008, 5.1.2, with the fit's
        covariance), so that it grows with the distance from the card.
        """
        return _length_corner_u(self.image_from_plane, self.shown_mm, self.to_mm(points_px), self.corner_u_px)


def fit_plane(
    points_mm: ArrayLike,
    points_px: ArrayLike,
    *,
    source: Source = "card",
    card: str | None = None,
    outline_mm: ArrayLike | None = None,
    corner_u_px: float = CORNER_FLOOR_PX,
    scale_relative_u: float = 0.005,
    lens: Lens | None = None,
    bow: Bow | None = None,
) -> Plane:
    """Fit the homography to points known on the plane and seen in the picture, by least squares in px.

    Parameters
    ----------
    points_mm, points_px : (N, 2) array_like
        At least four, not on a line.
    corner_u_px : float
        Standard deviation of a point; raised to what the residuals show.
    lens : Lens, optional
        The distortion to take out first.
    bow : Bow, optional
        How far the card is from flat, to be taken out first too.

    Raises
    ------
    ValueError
        When there are fewer than four points, or they do not span a plane.
    """
    mm, px = np.asarray(points_mm, float).reshape(-1, 2), np.asarray(points_px, float).reshape(-1, 2)
    if len(mm) != len(px) or len(mm) < 4:
        raise ValueError(f"points_mm and points_px have {len(mm)} and {len(px)} rows; at least 4 of each are needed")
    straight = straightened(px, lens)
    shown = mm if bow is None else bow.shown(mm)
    fitted = _least_squares(shown, straight)
    if fitted is None:
        raise ValueError("points_mm lie on a line; give points that span the card")
    residual_px = None
    if len(mm) > 4:
        squares = ((project(fitted, shown) - straight) ** 2).sum()
        residual_px = float(np.sqrt(squares / len(mm)))
        corner_u_px = max(corner_u_px, float(np.sqrt(squares / (2 * len(mm) - 8))))
    near = np.array([shown.min(0), shown.max(0)])
    corner_u = _length_corner_u(fitted, shown, near, corner_u_px)
    plane = Plane(
        image_from_plane=fitted,
        source=source,
        card=card,
        points_px=px,
        points_mm=mm,
        outline_px=None,
        residual_px=residual_px,
        corner_u_px=corner_u_px,
        scale_relative_u=scale_relative_u,
        relative_u=float(np.hypot(corner_u, scale_relative_u)),
        lens=lens,
        bow=bow,
    )
    if outline_mm is None:
        return plane
    outline = np.asarray(outline_mm, float)
    outline_px = plane.to_px(outline if bow is None else bow.shown(outline))
    return dataclasses.replace(plane, outline_px=np.vstack([outline_px, outline_px[:1]]))


def straightened(points_px: ArrayLike, lens: Lens | None) -> Array:
    """Return (N, 2) points without the distortion of the lens, where one is known."""
    at_px = np.asarray(points_px, float).reshape(-1, 2)
    return at_px if lens is None else lens.straight(at_px)


def project(homography: NDArray[np.floating], points: ArrayLike) -> Array:
    """Return (N, 2) points sent through a (3, 3) homography."""
    at = np.asarray(points, float).reshape(-1, 2)
    sent = at @ homography[:, :2].T + homography[:, 2]
    return np.asarray(sent[:, :2] / sent[:, 2:])


def point_u_px(homography: Array, points_mm: Array, at_mm: Array, corner_u_px: float) -> Array:
    """Return the standard deviation, px, of where the fit puts each of the (N, 2) points ``at_mm``."""
    to_unit, to_image, normal = _normalised(homography, points_mm)
    covariance = _covariance(normal, project(to_unit, points_mm), corner_u_px * to_image[0, 0])
    rows = _jacobian_h(normal, project(to_unit, at_mm))
    variance = np.einsum("nij,jk,nik->n", rows, covariance, rows)
    return np.asarray(np.sqrt(np.maximum(variance, 0) / 2) / to_image[0, 0])


def normalised_fit(plane: Plane) -> tuple[Array, Array, Array]:
    """Return the homography between plane and picture brought near +-1, the covariance of its first eight
    elements, and the similarity that took the picture there.
    """
    to_unit, to_image, normal = _normalised(plane.image_from_plane, plane.shown_mm)
    covariance = _covariance(normal, project(to_unit, plane.shown_mm), plane.corner_u_px * to_image[0, 0])
    return normal, covariance, to_image


def _length_corner_u(homography: Array, points_mm: Array, line_mm: Array, corner_u_px: float) -> float:
    to_unit, to_image, normal = _normalised(homography, points_mm)
    covariance = _covariance(normal, project(to_unit, points_mm), corner_u_px * to_image[0, 0])
    line = project(to_unit, line_mm)
    # A pixel stays where it is while the homography moves: dX/dh = -(dx/dX)^-1 dx/dh.
    moves = -np.linalg.solve(_jacobian_mm(normal, line), _jacobian_h(normal, line))
    steps = np.diff(line, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    kept = lengths > 0
    along = steps[kept] / lengths[kept, None]
    slope = np.einsum("ni,nij->j", along, np.diff(moves, axis=0)[kept])
    return float(np.sqrt(max(0.0, slope @ covariance @ slope)) / lengths.sum()) if kept.any() else 0.0


def _normalised(homography: Array, points_mm: Array) -> tuple[Array, Array, Array]:
    """Return the similarities of plane and picture that bring the points near +-1, and the homography between them."""
    to_unit, to_image = _to_unit(points_mm), _to_unit(project(homography, points_mm))
    normal = to_image @ homography @ np.linalg.inv(to_unit)
    return to_unit, to_image, normal / normal[2, 2]


def _to_unit(points: Array) -> Array:
    centre, spread = points.mean(0), float(points.std(0).max())
    return np.array(
        [[1 / spread, 0, -centre[0] / spread], [0, 1 / spread, -centre[1] / spread], [0, 0, 1]], dtype=float
    )


def _covariance(homography: Array, points: Array, point_u: float) -> Array:
    rows = _jacobian_h(homography, points).reshape(-1, 8)
    return np.asarray(point_u**2 * np.linalg.pinv(rows.T @ rows))


def _jacobian_h(homography: Array, points: Array) -> Array:
    """Return d(x, y)/d(h11 .. h32) at each point, (N, 2, 8), with h33 = 1."""
    x, y = points.T
    w = points @ homography[2, :2] + homography[2, 2]
    u, v = project(homography, points).T
    one, nil = np.ones_like(x), np.zeros_like(x)
    first = np.stack([x, y, one, nil, nil, nil, -u * x, -u * y], 1)
    second = np.stack([nil, nil, nil, x, y, one, -v * x, -v * y], 1)
    return np.asarray(np.stack([first, second], 1) / w[:, None, None])


def _jacobian_mm(homography: Array, points: Array) -> Array:
    """Return d(x, y)/d(X, Y) at each point, (N, 2, 2)."""
    w = points @ homography[2, :2] + homography[2, 2]
    seen = project(homography, points)
    return np.asarray((homography[None, :2, :2] - seen[:, :, None] * homography[None, 2:, :2]) / w[:, None, None])


def _least_squares(mm: Array, px: Array) -> Array | None:
    if np.linalg.svd(mm - mm.mean(0), compute_uv=False)[1] < 1e-6 * max(1e-12, float(np.ptp(mm))):
        return None
    to_unit, to_image = _to_unit(mm), _to_unit(px)
    found, _ = cv2.findHomography(project(to_unit, mm), project(to_image, px), 0)
    if found is None or not np.isfinite(found).all():
        return None
    fitted = np.linalg.inv(to_image) @ found @ to_unit
    return np.asarray(fitted / fitted[2, 2], dtype=np.float64)
