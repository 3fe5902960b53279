"""The wire's diameter from a drawn pair whose geometry is exact, and from pictures without one."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from fixtures.quick import make_scene
from visionwire import outline, section

PICTURES = Path(__file__).parents[2] / "fixtures" / "pictures"
SIZE = (170, 560)


def draw(
    diameter: float, spacing: float, lay: str = "Z", ground: float = 60.0, noise: float = 2.0
) -> NDArray[np.float32]:
    """Draw a pair along the row 85: two tubes lit from above and in front, sampled three by three and box-blurred."""
    fine = 3
    x = (np.arange(SIZE[1] * fine) + 0.5) / fine - 0.5
    y = ((np.arange(SIZE[0] * fine) + 0.5) / fine - 0.5 - 85.0)[:, None]
    theta = np.pi * x / spacing
    picture, nearest = np.full((len(y), len(x)), ground), np.full((len(y), len(x)), -np.inf)
    for strand in (1.0, -1.0):
        # a strand that slopes reaches farther across than along its own normal
        steep = np.sqrt(1 + (np.pi * diameter / 2 / spacing * np.cos(theta)) ** 2)
        off = (y - strand * diameter / 2 * np.sin(theta)) / (diameter / 2 * steep)
        bulge = np.sqrt(np.maximum(1 - off**2, 0))
        height = np.where(np.abs(off) < 1, strand * diameter / 2 * np.cos(theta) + diameter / 2 * bulge, -np.inf)
        shade = 110 + 90 * np.maximum(0.8 * bulge - 0.6 * off, 0)
        picture = np.where(height > nearest, shade, picture)
        nearest = np.maximum(nearest, height)
    small = picture.reshape(SIZE[0], fine, SIZE[1], fine).mean((1, 3))
    small = small if lay == "Z" else small[::-1]
    noisy: NDArray[np.float32] = (small + np.random.default_rng(3).normal(0, noise, small.shape)).astype(np.float32)
    return noisy


def measured(picture: NDArray[np.float32], strip_for: float, row: float = 85.0) -> outline.Diameter | None:
    """Return the diameter on a straight section whose strip is made for the given one."""
    line = np.column_stack([np.linspace(40, 520, 200), np.full(200, row)])
    return outline.wire_diameter_px(picture, section.whole(picture, line, strip_for))


@pytest.mark.parametrize("diameter", [6.0, 10.0, 15.0])
@pytest.mark.parametrize("spacing_d", [2.4, 3.5, 5.0])
def test_a_drawn_pair_is_measured_within_its_own_uncertainty(diameter: float, spacing_d: float) -> None:
    for lay in ("Z", "S"):
        result = measured(draw(diameter, spacing_d * diameter, lay), diameter)
        assert result is not None
        assert abs(result.px - diameter) < 2 * result.u_px
        assert result.u_px < 0.08 * diameter


def test_in_pictures_the_stated_uncertainty_is_true_and_small() -> None:
    off, stated = [], []
    for path in sorted(PICTURES.glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        picture = cv2.imread(str(PICTURES / truth["image"]["file"]), cv2.IMREAD_GRAYSCALE)
        assert picture is not None
        luminance, diameter = picture.astype(np.float32), truth["wire"]["d_px"]
        found = section.whole(luminance, np.array(truth["runs"][0]["spine_px"]), 0.8 * diameter)
        result = outline.wire_diameter_px(luminance, found)
        if result is not None:
            off.append(abs(np.log(result.px / diameter)))
            stated.append(result.u_px / result.px)
    assert len(off) > 20
    assert np.mean(np.array(off) < 1.96 * np.array(stated)) > 0.85
    assert np.median(off) < 0.05
    assert np.median(stated) < 0.07


@pytest.mark.parametrize("wrong", [0.8, 1.25])
def test_a_strip_for_another_diameter_leads_to_the_same(wrong: float) -> None:
    picture = draw(10.0, 35.0)
    right, other = measured(picture, 10.0), measured(picture, 10.0 * wrong)
    assert right is not None and other is not None
    assert other.px == pytest.approx(right.px, rel=0.05)


def test_measuring_again_stays_where_it_is() -> None:
    picture = draw(10.0, 35.0)
    first = measured(picture, 10.0)
    assert first is not None
    again = measured(picture, first.px)
    assert again is not None
    assert again.px == pytest.approx(first.px, rel=0.03)


def test_a_wire_out_of_focus_is_not_read_wider() -> None:
    wanted = {"tpi": 6.0, "length_in": 2.0, "wire_in": 0.032, "px_per_mm": 14.0, "width_px": 1280, "card": "chart"}
    off = []
    for seed in (30, 32, 34):
        pixels, truth = make_scene(np.random.default_rng(seed), blur_over_p=0.17, material="bright", **wanted)
        luminance, diameter = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32), truth["wire"]["d_px"]
        # The disc of confusion is nearly as wide as the wire.
        assert 0.8 < truth["flags"]["defocus_coc_px"] / diameter < 1.0
        found = section.whole(luminance, np.array(truth["runs"][0]["spine_px"]), diameter)
        result = outline.wire_diameter_px(luminance, found)
        assert result is not None
        off.append(np.log(result.px / diameter))
    assert np.mean(off) < 0.09


def test_brightness_and_contrast_do_not_matter() -> None:
    picture = draw(10.0, 35.0)
    plain, changed = measured(picture, 10.0), measured((0.5 * picture + 20).astype(np.float32), 10.0)
    assert plain is not None and changed is not None
    assert changed.px == pytest.approx(plain.px, rel=0.01)


def test_a_mirrored_picture_gives_the_same() -> None:
    picture = draw(10.0, 35.0)
    plain = measured(picture, 10.0)
    mirrored = measured(np.ascontiguousarray(picture[::-1]), 10.0, SIZE[0] - 1 - 85.0)
    assert plain is not None and mirrored is not None
    assert mirrored.px == pytest.approx(plain.px, rel=0.03)


def test_twice_the_picture_gives_twice_the_diameter() -> None:
    small, large = measured(draw(7.0, 24.5), 7.0), measured(draw(14.0, 49.0), 14.0)
    assert small is not None and large is not None
    assert large.px / small.px == pytest.approx(2.0, rel=0.06)


@pytest.mark.parametrize("seed", range(5))
def test_noise_has_no_diameter(seed: int) -> None:
    picture = np.random.default_rng(seed).normal(120, 20, SIZE).astype(np.float32)
    assert measured(picture, 10.0) is None


def test_a_grating_has_no_diameter() -> None:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    picture = (120 + 40 * np.sin(2 * np.pi * (x + y) / 30)).astype(np.float32)
    assert measured(picture, 10.0) is None


def test_a_pair_fits_better_than_a_grating_or_a_chain() -> None:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float32)
    grating = (120 + 40 * np.sin(2 * np.pi * (x + y) / 30)).astype(np.float32)
    links = np.sqrt(((x % 70 - 35) / 35) ** 2 + ((y - 85) / 14) ** 2)
    chain = (90 + 110 * np.exp(-(((links - 0.8) / 0.15) ** 2))).astype(np.float32)
    line = np.column_stack([np.linspace(40, 520, 200), np.full(200, 85.0)])
    pair, runs_on, other = (
        outline.misfit(picture, section.whole(picture, line, 10.0)) for picture in (draw(10.0, 35.0), grating, chain)
    )
    assert pair[0] < 0.05 and pair[1] < 0.25
    assert runs_on[0] > 0.5  # what keeps step with it goes on beside it
    assert other[1] > 1.5 * pair[1]


def test_of_a_short_section_nothing_is_told() -> None:
    picture = draw(10.0, 35.0)
    line = np.column_stack([np.linspace(40, 90, 60), np.full(60, 85.0)])
    short = section.whole(picture, line, 10.0)
    assert short.twists < outline.FEWEST_TWISTS
    assert outline.misfit(picture, short) == outline.SHORT_MISFIT
