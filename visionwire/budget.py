"""The uncertainty budget: what a run's length and density may be off by.

Independent relative terms, each to first order (JCGM 100:2008, 5.1.2); ``montecarlo`` lets
their distributions through the whole model. A card beside the wire lies lower than the
wire: the plane at the wire's own height is where lengths are read, and what is not known
of that height is a term here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration import Plane, bends_relative_u, camera_mm, focal_relative_u, to_plane_at

Floats = NDArray[np.float64]

MM_PER_IN = 25.4
#: Height of the wire's axis over a card's face that lies beside it, mm: half a bolt head less the card; common
#: practice, no source: evenly spread from 0 to 4 mm, whose mean is 2 and whose standard deviation is 4 / sqrt(12).
HEIGHT_MM, HEIGHT_U_MM = 2.0, 4.0 / np.sqrt(12.0)
#: Of a height that was told: a card is held level by eye to a millimetre either way, evenly; common practice, no
#: source.
TOLD_HEIGHT_U_MM = 2.0 / np.sqrt(12.0)
#: What a height may be told as, mm: a card that stands above the wire to one on the bench below a tall part. Over that
#: share of the camera's distance from the card, as far as that is known, it is taken for a slip; over the other surely.
LEAST_HEIGHT_MM, MOST_HEIGHT_MM, MOST_HEIGHT_SHARE, MOST_OF_ANY = -25.0, 100.0, 0.25, 0.4
#: A run between two heads is not parallel to the card: 1 mm of height over an inch and a half, one standard deviation.
SLOPE_U = 1.0 / 38.0
#: What is left of a centre line's zig-zag, measured on pictures with truth: 0.1 % of the length, rarely 0.4 %.
SPINE_U = 0.0015
#: No tolerance of the wire's diameter was found in any document; two percent stands for it.
WIRE_U = 0.02
#: A run that rises out of the picture's plane is seen shorter than it is, the wire no thinner, and no card tells:
#: rendered pictures one in ten by over 1 %, painted ones, the camera up to 25 degrees aslant, half by over 1.4 %.
ASKEW_U = 0.02
LENS_POINTS = 40
#: Scales of a card, which lies beside the wire; others are on it.
BESIDE = ("card", "id1")


@dataclass(frozen=True, eq=False)
class Ruler:
    """How lengths along the wire are read: a plane, the height of the wire over it, and the camera.

    Attributes
    ----------
    plane : Plane
    height_mm, height_u_mm : float
        Wire's axis over the plane.
    focal_px : float or None
    image_size : (int, int)
        Width and height, px.
    enlarged : float
        Inches that other cues of the scale make of one inch as the plane has it (``cues``).
    share : float
        Weight of the plane among the cues.
    others : dict
        Relative terms of the other cues, by name, each times its weight.
    """

    plane: Plane
    height_mm: float
    height_u_mm: float
    focal_px: float | None
    image_size: tuple[int, int]
    enlarged: float = 1.0
    share: float = 1.0
    others: Mapping[str, float] = field(default_factory=dict)

    @property
    def height_told(self) -> bool:
        """Whether the height over a card was told, and not assumed."""
        return self.height_u_mm > 0 and (self.height_mm, self.height_u_mm) != (HEIGHT_MM, HEIGHT_U_MM)

    @property
    def most_height_mm(self) -> float:
        """How far over a card the wire may be told to lie: no nearer to the camera than leaves lengths to be told."""
        share = MOST_HEIGHT_SHARE * (1 + 2 * focal_relative_u(self.plane, *self.camera))
        return min(MOST_HEIGHT_MM, min(share, MOST_OF_ANY) * float(camera_mm(self.plane, *self.camera)[2]))

    @property
    def camera(self) -> tuple[float | None, tuple[int, int]]:
        """Focal length, where known, and the picture's size, px."""
        return self.focal_px, self.image_size

    def to_in(self, points_px: Floats) -> Floats:
        """Return (N, 2) points of the wire, in, on the plane at its height."""
        if self.height_mm == 0:
            return self.plane.to_mm(points_px) * self.enlarged / MM_PER_IN
        at_mm = to_plane_at(self.plane, points_px, self.height_mm, *self.camera)
        return np.asarray(at_mm * self.enlarged / MM_PER_IN, float)

    def along_in(self, points_px: Floats) -> Floats:
        """Return the distance (N,) of every point from the first, along the polyline, in."""
        steps = np.linalg.norm(np.diff(self.to_in(points_px), axis=0), axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    def px_per_in(self, point_px: Floats) -> float:
        """Return the scale at one point."""
        x, y = point_px
        square_px = np.array([[x, y], [x + 10, y], [x + 10, y + 10], [x, y + 10]], float)
        (x0, y0), (x1, y1), (x2, y2), (x3, y3) = self.to_in(square_px)
        area = 0.5 * abs((x2 - x0) * (y3 - y1) - (x3 - x1) * (y2 - y0))
        return float(10 / np.sqrt(area))

    def relative_u(self, points_px: Floats) -> float:
        """Return the relative standard deviation of a length along these points."""
        terms = self.terms(points_px)
        return float(np.sqrt(sum(term**2 for term in terms.values())))

    def terms(self, points_px: Floats) -> dict[str, float]:
        """Return the relative terms by name.

        Of a card "corners" and "print"; beside it also "height", "slope" and "lens". Of two points "points". Of the
        wire "outline", "wire-size" and "askew". Of other cues ``others``. Always "spine".
        """
        if self.plane.source == "two-points":
            own = {"points": self.plane.relative_u}
        elif self.plane.source == "wire":
            own = {"outline": self.plane.relative_u, "wire-size": WIRE_U, "askew": ASKEW_U}
        else:
            own = {"corners": self.plane.corner_relative_u(points_px), "print": self.plane.scale_relative_u}
        if self.height_u_mm > 0:
            camera = camera_mm(self.plane, *self.camera)
            own["height"] = self.height_u_mm / (float(camera[2]) - self.height_mm)
            few_px = points_px[:: max(1, len(points_px) // LENS_POINTS)]
            own["lens"] = bends_relative_u(self.plane, few_px, self.image_size)
            own["slope"] = float(np.hypot(self.obliqueness(points_px) * SLOPE_U, SLOPE_U**2 / np.sqrt(2)))
        terms = {name: float(self.share * term) for name, term in own.items()}
        for name, term in self.others.items():
            terms[name] = float(np.hypot(terms.get(name, 0.0), term))
        return {**terms, "spine": SPINE_U}

    def obliqueness(self, points_px: Floats) -> float:
        """Return how much a rise along the run is seen as length: where the camera looks along it, by its tangent."""
        camera = camera_mm(self.plane, *self.camera)
        ends_mm = self.plane.to_mm(np.array([points_px[0], points_px[-1]]))
        direction = (ends_mm[1] - ends_mm[0]) / max(float(np.linalg.norm(ends_mm[1] - ends_mm[0])), 1e-9)
        return float((camera[:2] - ends_mm.mean(0)) @ direction) / float(camera[2])


def beside(plane: Plane, focal_px: float | None, image_size: tuple[int, int], height_mm: float | None = None) -> Ruler:
    """Return the ruler that a card beside or under the wire gives, whose height over it may have been told.

    Two points are taken on the wire itself.
    """
    if plane.source not in BESIDE:
        return Ruler(plane, 0.0, 0.0, focal_px, image_size)
    if height_mm is None:
        return Ruler(plane, HEIGHT_MM, HEIGHT_U_MM, focal_px, image_size)
    # A height counts by its share of the camera's distance, which is known as far as the focal length is; of the height
    # that is assumed the spread is wide enough for both.
    far_mm = height_mm * focal_relative_u(plane, focal_px, image_size)
    return Ruler(plane, height_mm, float(np.hypot(TOLD_HEIGHT_U_MM, far_mm)), focal_px, image_size)


def of_wire(
    wire_in: float, diameter_px: float, diameter_u_px: float, at_px: Floats, image_size: tuple[int, int]
) -> Ruler:
    """Return the ruler that the wire itself is, its diameter known and seen; it holds where the wire was seen."""
    px_per_mm = diameter_px / (wire_in * MM_PER_IN)
    plane = Plane(
        image_from_plane=np.diag([px_per_mm, px_per_mm, 1.0]),
        source="wire",
        card=None,
        points_px=np.array([at_px]),
        points_mm=np.array([at_px]) / px_per_mm,
        outline_px=None,
        residual_px=None,
        corner_u_px=diameter_u_px,
        scale_relative_u=WIRE_U,
        relative_u=diameter_u_px / diameter_px,
    )
    return Ruler(plane, 0.0, 0.0, None, image_size)
