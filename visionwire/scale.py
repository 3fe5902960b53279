"""What gives the scale of a photograph: two points, a card, any plain card, or the wire; and why none does."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from calibration import Card, camera_mm, find_card
from calibration.plane import Plane
from calibration.without_card import find_id1
from calibration.without_card import two_points as plane_of_two_points
from visionwire import budget, cues, gates, outline, parts, quality, scan
from visionwire.budget import MM_PER_IN, Ruler
from visionwire.photo import Photo
from visionwire.reading import Refusal
from visionwire.section import Section
from visionwire.twist import SPACINGS_D

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

LARGEST_TILT_DEG = 40.0
LEAST_CELL_PX = 5.0
SMALLEST_PICTURE_PX = 32
#: Of the picture's shorter side: a wire thicker than that leaves no room for a run.
WIDEST_WIRE = 0.125
#: Twists per inch that a usual safety does not go over: how near a picture must be taken before its twist is seen.
USUAL_DENSEST = 8.0


def plane_of(
    photo: Photo,
    gray: NDArray[np.uint8],
    card: Card | None,
    two_points: tuple[float, float, float, float, float] | None,
) -> tuple[Plane | None, float | None]:
    """Return the plane that scale holds on, and the size of the card's marker cells, px, where it has any."""
    if two_points is not None:
        x1, y1, x2, y2, inches = two_points
        return plane_of_two_points((x1, y1), (x2, y2), inches * MM_PER_IN), None
    sight = find_card(gray, None if card is None else [card], photo.focal_px)
    if sight is not None:
        return sight.plane, sight.cell_px
    if card is None:
        return find_id1(photo.pixels, photo.focal_px), None
    return None, None


def against_card(photo: Photo, gray: NDArray[np.uint8], card: Card | None, plane: Plane) -> quality.Flag | None:
    """Return what is to be said where the two points, which are taken, differ from a card in view that could be."""
    sight = find_card(gray, None if card is None else [card], photo.focal_px)
    if sight is None or problem(sight.plane, sight.cell_px, None, photo.size_px) is not None:
        return None
    own, by_card = (budget.beside(one, photo.focal_px, photo.size_px) for one in (plane, sight.plane))
    return cues.against_card(own, by_card)


def height_problem(photo: Photo, plane: Plane | None, height_mm: float | None) -> Refusal | None:
    """Return why the wire cannot lie so high over a card as was told; None where it can."""
    if height_mm is None or plane is None or plane.source not in budget.BESIDE:
        return None
    ruler = budget.beside(plane, photo.focal_px, photo.size_px, height_mm)
    if height_mm <= ruler.most_height_mm:
        return None
    distance_mm = float(camera_mm(plane, *ruler.camera)[2])
    return quality.refuse("height-implausible", height_mm=height_mm, camera_mm=distance_mm)


def usual_twist_px(plane: Plane | None) -> float | None:
    """Return what a twist of a usual safety spans where the scale was taken."""
    return None if plane is None else px_per_in(plane) / USUAL_DENSEST


def px_per_in(plane: Plane) -> float:
    """Return the scale where it was taken, px."""
    return plane.px_per_mm(plane.points_px.mean(0)) * MM_PER_IN


def with_card_closer(refusal: Refusal) -> Refusal:
    """Return a refusal that also asks for the card nearer the wire, so that both fit into a nearer picture."""
    return dataclasses.replace(refusal, advice=refusal.advice + gates.CARD_CLOSER)


def problem(plane: Plane | None, cell_px: float | None, wire_in: float | None, size: tuple[int, int]) -> Refusal | None:
    """Return why a plane, or none, gives no scale that is good enough for a picture of that size, or None."""
    if plane is None:
        return None if wire_in is not None else quality.refuse("no-scale")
    if plane.tilt_deg is not None and plane.tilt_deg > LARGEST_TILT_DEG:
        return quality.refuse("card-too-tilted", tilt_deg=plane.tilt_deg, limit_deg=LARGEST_TILT_DEG)
    if cell_px is not None and cell_px < LEAST_CELL_PX:
        # Near enough for the twist of a usual safety too: else the next picture would be refused for that.
        full_px = max(LEAST_CELL_PX, cell_px * parts.FULL_PX_PER_TWIST / (usual_twist_px(plane) or cell_px))
        percent, fits = gates.nearer(cell_px, LEAST_CELL_PX, full_px, gates.with_card_px(plane.points_px, plane), size)
        refusal = quality.refuse("card-too-small", cell_px=cell_px, needed_px=LEAST_CELL_PX, percent=percent)
        return refusal if fits else with_card_closer(refusal)
    return None


def size_problem(
    shape: tuple[int, int], plane: Plane | None, wire_in: float | None, hints: Floats | None
) -> Refusal | None:
    """Return why no wire of that scale can be looked for in a picture of that size, or None."""
    if min(shape) < SMALLEST_PICTURE_PX:
        return quality.refuse("no-twisted-wire")
    if plane is None:
        return None
    diameter_px = scan.diameter_px(shape, plane, wire_in, hints)
    if diameter_px > WIDEST_WIRE * min(shape):
        return quality.refuse("scale-implausible", diameter_px=diameter_px)
    longest_px = SPACINGS_D[-1] * diameter_px
    if longest_px < scan.LEAST_PX_PER_TWIST:
        usual_px = diameter_px / (wire_in or scan.USUAL_WIRE_IN) / USUAL_DENSEST
        wanted = (usual_px, scan.LEAST_PX_PER_TWIST, parts.FULL_PX_PER_TWIST)
        percent, _ = gates.nearer(*wanted, gates.with_card_px(plane.points_px, plane), shape[::-1])
        return quality.refuse(
            "twist-too-small", px_per_twist=longest_px, needed_px=scan.LEAST_PX_PER_TWIST, percent=percent
        )
    return None


def ruler_of(
    photo: Photo,
    plane: Plane | None,
    luminance: Picture,
    main: Section,
    wire_in: float | None,
    height_mm: float | None,
) -> Ruler | Refusal:
    """Return what lengths are measured by: a plane, or without one the wire, whose outline the longest run shows."""
    if plane is not None:
        return budget.beside(plane, photo.focal_px, photo.size_px, height_mm)
    seen = outline.wire_diameter_px(luminance, main)
    if seen is None or wire_in is None:
        return quality.refuse("wire-not-a-ruler")
    return budget.of_wire(wire_in, seen.px, seen.u_px, main.spine_px.mean(0), photo.size_px)
