"""Scale from a picture: known cards, how to print them, how to find them, and millimetres on their plane.

Knows nothing of wire. Pixel centres at integers, (x, y); arrays are (row, column).
"""

from calibration.card import Card, CardError, CardFileError, known_cards, load_card
from calibration.draw import draw_pdf, draw_png, draw_svg
from calibration.plane import Plane, fit_plane
from calibration.pose import (
    bends_relative_u,
    camera_mm,
    focal_from_35mm,
    focal_from_plane,
    focal_relative_u,
    height_bias,
    pose,
    to_plane_at,
    with_pose,
)
from calibration.sight import Sight, find_card
from calibration.without_card import find_id1, two_points

__all__ = [
    "Card",
    "CardError",
    "CardFileError",
    "Plane",
    "Sight",
    "bends_relative_u",
    "camera_mm",
    "draw_pdf",
    "draw_png",
    "draw_svg",
    "find_card",
    "find_id1",
    "fit_plane",
    "focal_from_35mm",
    "focal_from_plane",
    "focal_relative_u",
    "height_bias",
    "known_cards",
    "load_card",
    "pose",
    "to_plane_at",
    "two_points",
    "with_pose",
]
