"""One painted scene, blurred, moved, and exposed by known amounts: each gate speaks where it should, and only there."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

import fixtures.paint
import fixtures.quick
from calibration import Plane, find_card, fit_plane
from tests.visionwire.blurs import gaussian, smear
from visionwire import gates, sharpness
from visionwire.codes import CODES
from visionwire.quality import Flag, refuse
from visionwire.reading import Refusal
from visionwire.section import whole

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scene:
    """A scene in linear light before any lens, with its truth."""

    linear: Floats
    truth: dict[str, Any]

    def seen(self, gain: float = 1.0) -> NDArray[np.float32]:
        rng = np.random.default_rng(5)
        return self.through(self.linear * gain, rng)

    def smeared(self, kernel: Floats) -> NDArray[np.float32]:
        moved = np.asarray(cv2.filter2D(self.linear, -1, kernel, borderType=cv2.BORDER_REFLECT), float)
        return self.through(moved, np.random.default_rng(5))

    @staticmethod
    def through(linear: Floats, rng: np.random.Generator) -> NDArray[np.float32]:
        rgb = fixtures.paint.lens(rng, linear, 0.0, 0.0, 0.5, 0.2)
        return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.float32)

    @cached_property
    def plane(self) -> Plane:
        """The card's plane: light and lens leave it where it is in good light."""
        sight = find_card(np.asarray(self.seen(), np.uint8))
        assert sight is not None
        return sight.plane

    @property
    def spine_px(self) -> Floats:
        return np.array(self.truth["runs"][0]["spine_px"])

    @property
    def px_per_twist(self) -> float:
        return float(self.truth["runs"][0]["px_per_twist"])


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A scene of one run beside a printed card, caught before the lens."""
    caught: list[Floats] = []

    def kept(
        rng: np.random.Generator, linear: Floats, blur_px: float, motion_px: float, noise: float, sharpen: float
    ) -> NDArray[np.uint8]:
        caught.append(linear)
        return fixtures.paint.lens(rng, linear, blur_px, motion_px, noise, sharpen)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fixtures.quick.lens", kept)
        wanted = {"card": "chart", "tpi": 8.0, "wire_in": 0.032, "px_per_mm": 9.0, "width_px": 1280, "lamps": 2}
        looks = {"material": "dull", "surface": "painted", "tilt_deg": 8.0, "length_in": 2.5}
        _, truth = fixtures.quick.make_scene(np.random.default_rng(12), **wanted, **looks)
    return Scene(caught[0], truth)


def flags(scene: Scene, luminance: NDArray[np.float32], with_card: bool = True) -> dict[str, str]:
    run = whole(luminance, scene.spine_px, float(scene.truth["wire"]["d_px"]))
    blur = sharpness.on_card(luminance, scene.plane) if with_card else None
    found: list[Flag] = gates.run_flags(luminance, scene.plane, run, blur)
    return {one.code: one.sentence for one in found}


def figure(pattern: str, sentence: str) -> float:
    found = re.search(pattern, sentence)
    assert found, sentence
    return float(found[1])


def test_a_good_picture_raises_nothing(scene: Scene) -> None:
    assert flags(scene, scene.seen()) == {}
    assert flags(scene, scene.seen(), with_card=False) == {}


@pytest.mark.parametrize("with_card", [True, False])
def test_blur_is_told_with_what_would_do(scene: Scene, with_card: bool) -> None:
    sigma_px = scene.px_per_twist / 8
    found = flags(scene, scene.smeared(gaussian(sigma_px**2 * np.eye(2))), with_card)
    assert set(found) == {"blurred"}
    assert figure(r"the blur is ([\d.]+) px", found["blurred"]) == pytest.approx(
        sigma_px, rel=0.1 if with_card else 0.3
    )
    enough_px = figure(r"under ([\d.]+) px", found["blurred"])
    assert enough_px == pytest.approx(scene.px_per_twist / 11, rel=0.1)
    # What is said to do does.
    sigma_px = 0.85 * enough_px
    assert "blurred" not in flags(scene, scene.smeared(gaussian(sigma_px**2 * np.eye(2))), with_card)


@pytest.mark.parametrize("code", ["blurred", "moved", "over-exposed", "under-exposed"])
def test_what_a_technician_does_stands_before_the_figures(code: str) -> None:
    assert "{" not in CODES[code].message.replace("{how}", "").replace("{way}", "")
    what_to_do, figures = CODES[code].advice.split(" (")
    assert "{" not in what_to_do and "would do" in figures


def test_a_card_out_of_focus_beside_a_sharp_wire_is_no_blur_of_the_wire(scene: Scene) -> None:
    luminance = scene.seen()
    run = whole(luminance, scene.spine_px, float(scene.truth["wire"]["d_px"]))
    plane = fit_plane([[0, 0], [80, 0], [80, 40], [0, 40]], [[0, 0], [700, 0], [700, 350], [0, 350]])
    sigma_px = scene.px_per_twist / 4
    assert gates.run_flags(luminance, plane, run, sharpness.Blur(sigma_px**2 * np.eye(2), 0.1)) == []
    soft = scene.smeared(gaussian(sigma_px**2 * np.eye(2)))
    (found,) = gates.run_flags(soft, plane, run, sharpness.Blur(sigma_px**2 * np.eye(2), 0.1))
    assert "badly blurred" in found.sentence


@pytest.mark.parametrize(("off_deg", "way"), [(0, "along the wire"), (90, "across the wire")])
def test_a_movement_is_told_with_its_way_and_what_would_do(scene: Scene, off_deg: float, way: str) -> None:
    along = scene.spine_px[-1] - scene.spine_px[0]
    angle_deg = float(np.degrees(np.arctan2(along[1], along[0]))) + off_deg
    length_px = 0.2 * scene.px_per_twist
    found = flags(scene, scene.smeared(smear(length_px, angle_deg)))
    assert set(found) == {"moved"}
    assert way in found["moved"]
    assert figure(r"smeared by ([\d.]+) px", found["moved"]) == pytest.approx(length_px, rel=0.25)
    enough_px = figure(r"under ([\d.]+) px", found["moved"])
    assert "moved" not in flags(scene, scene.smeared(smear(0.75 * enough_px, angle_deg)))


def test_exposure_is_flagged_where_the_wire_is_lost_and_not_before(scene: Scene) -> None:
    assert set(flags(scene, scene.seen(1.4))) == set()
    assert set(flags(scene, scene.seen(0.3))) == set()
    burnt = flags(scene, scene.seen(14.0))
    assert figure(r"burnt out by ([\d.]+) %", burnt["over-exposed"]) > 30
    dark = flags(scene, scene.seen(0.004))
    assert figure(r"bright side has ([\d.]+) %", dark["under-exposed"]) < 10


def card_plane() -> Plane:
    """A card 80 mm by 40, 2 px a mm, its top left corner at (100, 100)."""
    points_mm = np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 40.0], [0.0, 40.0], [40.0, 20.0]])
    return fit_plane(points_mm, 100 + 2 * points_mm, card="chart", outline_mm=points_mm[:4])


@pytest.mark.parametrize(
    ("line_mm", "lengths"),
    [
        ([[10.0, 20.0], [60.0, 20.0]], 0.0),  # on the card
        ([[0.0, 80.0], [80.0, 80.0]], 0.5),
        ([[0.0, -120.0], [80.0, -120.0]], 1.5),
        ([[140.0, 120.0], [140.0, 120.0]], 1.25),  # off the corner by 60 and 80 mm
    ],
)
def test_distance_from_the_card_is_in_card_lengths(line_mm: list[list[float]], lengths: float) -> None:
    plane = card_plane()
    assert gates.card_lengths(plane, plane.to_px(line_mm)) == pytest.approx(lengths, abs=1e-6)


def test_a_card_far_away_is_flagged(scene: Scene) -> None:
    luminance = scene.seen()
    run = whole(luminance, scene.spine_px, float(scene.truth["wire"]["d_px"]))
    top_px = float(scene.spine_px[:, 1].max())
    for away_px, expected in ((120.0, False), (260.0, True)):
        plane = card_plane()
        shift = np.array([[1, 0, scene.spine_px[:, 0].mean() - 180], [0, 1, top_px + away_px - 100], [0, 0, 1.0]])
        at_px = plane.to_px(plane.points_mm) + shift[:2, 2]
        outline_mm = plane.to_mm(plane.outline_px) if plane.outline_px is not None else None
        moved = fit_plane(plane.points_mm, at_px, card="chart", outline_mm=outline_mm)
        found = {one.code: one.sentence for one in gates.run_flags(luminance, moved, run, None)}
        assert ("card-far" in found) is expected
        if expected:
            assert figure(r"lies ([\d.]+) of its own lengths", found["card-far"]) > 1.5


@pytest.mark.parametrize(
    ("angle_deg", "along_deg", "way"),
    [
        (10, 0, "along the wire"),
        (190, 0, "along the wire"),
        (80, 0, "across the wire"),
        (0, 45, "sideways"),
        (90, 45, "up and down"),
        (45, 0, "from upper left to lower right"),
        (135, 0, "from lower left to upper right"),
    ],
)
def test_ways_have_names(angle_deg: float, along_deg: float, way: str) -> None:
    direction, along = (np.array([np.cos(a), np.sin(a)]) for a in (np.radians(angle_deg), np.radians(along_deg)))
    assert gates.way_of(direction, 300 * along) == way


@pytest.mark.parametrize(
    ("px", "span_px", "percent", "fits"),
    [
        (10.0, 100, 100 * 10 / 27.5, True),  # all the way to full trust, a tenth on top
        (10.0, 500, 100 * 500 * 1.1 / 1000, True),  # as near as what must stay in view allows
        (10.0, 900, 100 * 10 / 13.2, False),  # no room: as near as the least asks
    ],
)
def test_a_distance_leaves_room_for_what_must_stay_in_view(
    px: float, span_px: float, percent: float, fits: bool
) -> None:
    in_view = np.array([[0.0, 0.0], [span_px, 40.0]])
    assert gates.nearer(px, 12.0, 25.0, in_view, (1000, 800)) == (pytest.approx(percent), fits)


def refused(scene: Scene, luminance: NDArray[np.float32], with_card: bool = True) -> Refusal:
    """Return the refusal of a picture in which no wire was found, with the likely cause if one is named."""
    given = (scene.plane, scene.px_per_twist) if with_card else (None, None)
    return gates.with_likely_cause(refuse("no-twisted-wire"), luminance, *given)


def cause(scene: Scene, luminance: NDArray[np.float32], with_card: bool = True) -> str:
    """Return what is named as the likely cause where no wire was found; empty where nothing is."""
    return refused(scene, luminance, with_card).message.removeprefix(refuse("no-twisted-wire").message)


def test_a_good_picture_without_wire_is_given_no_cause(scene: Scene) -> None:
    assert cause(scene, scene.seen()) == cause(scene, scene.seen(), with_card=False) == ""


@pytest.mark.parametrize("with_card", [True, False])
def test_blur_that_hides_the_wire_is_named(scene: Scene, with_card: bool) -> None:
    sigma_px = scene.px_per_twist / 5
    said = cause(scene, scene.smeared(gaussian(sigma_px**2 * np.eye(2))), with_card)
    assert figure(r", likely because it is blurred \(by ([\d.]+) px", said) == pytest.approx(sigma_px, rel=0.3)
    enough_px = figure(r"under ([\d.]+) px would do", said)
    assert cause(scene, scene.smeared(gaussian((0.7 * enough_px) ** 2 * np.eye(2))), with_card) == ""


def test_a_movement_that_hides_the_wire_is_named(scene: Scene) -> None:
    length_px = 0.6 * scene.px_per_twist
    said = cause(scene, scene.smeared(smear(length_px, 20.0)))
    assert figure(r"a movement \(which smeared the card by ([\d.]+) px", said) == pytest.approx(length_px, rel=0.25)


def test_light_that_hides_the_wire_is_named(scene: Scene) -> None:
    said = cause(scene, np.clip(scene.seen() * 6, 0, 255))
    assert figure(r"([\d.]+) % of it is burnt out", said) > 50
    said = cause(scene, scene.seen() * np.float32(0.05))
    assert figure(r"under ([\d.]+) % of full brightness", said) < 10


def test_what_to_do_about_the_likely_cause_comes_first(scene: Scene) -> None:
    blur = gaussian((scene.px_per_twist / 5) ** 2 * np.eye(2))
    usual = refuse("no-twisted-wire").advice
    for seen, first in (
        (scene.smeared(blur), "hold the phone still, tap on the wire to focus"),
        (scene.smeared(smear(0.6 * scene.px_per_twist, 20.0)), "brace the phone"),
        (np.clip(scene.seen() * 6, 0, 255), "tap on the wire and slide the brightness down"),
        (scene.seen() * np.float32(0.05), "give more light"),
    ):
        advice = refused(scene, seen).advice
        assert advice.startswith(first) and advice.endswith(usual)
