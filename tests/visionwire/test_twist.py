"""Count, hand and phase against drawn pairs whose truth is known; honesty where there is no pair."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.visionwire.drawn import LAMP, SECOND_LAMP, even, picture, swaying
from visionwire.phase import refine
from visionwire.strip import Strip, straighten
from visionwire.twist import SPACINGS_D, estimate, follow, likeness

START, END, DIAMETER_PX = (40.0, 60.0), (500.0, 60.0), 10.0
SIZE_PX = (540, 120)
LENGTH_D = 46.0
LINE = np.array([START, END])


def drawn(spacing_d: float, **how: object) -> Strip:
    """Return the strip of a drawn pair of that spacing."""
    twists_at = how.pop("twists_at", even(spacing_d))
    return straighten(picture(START, END, DIAMETER_PX, twists_at, size_px=SIZE_PX, **how), LINE, DIAMETER_PX)  # type: ignore[arg-type]


def flat(values: np.ndarray) -> Strip:
    """Return the strip along the middle of a picture 120 px high."""
    return straighten(values.astype(np.float32), LINE, DIAMETER_PX)


# -- pencil and paper ----------------------------------------------------------------------------


def test_harmonics_of_a_known_phase_are_fitted_back() -> None:
    n = 400
    true = 2 * np.pi * (np.arange(n) / 40 + 0.15 * np.sin(np.arange(n) / 90))
    rows = np.vstack([np.cos(true + shift) + 0.4 * np.sin(2 * true) for shift in (0.0, 0.7, 1.9)])
    fit = refine(rows, 2 * np.pi * np.arange(n) / 40)
    off = (fit.phase - true) / (2 * np.pi)  # known but for a constant
    assert np.ptp(off) < 0.05
    assert fit.likelihood > np.log1p(50)  # signal over noise, row by row


def test_the_likeliest_path_follows_a_ridge() -> None:
    gain = np.zeros((len(SPACINGS_D), 200))
    ridge = np.repeat([10, 11], 100)
    gain[ridge, np.arange(200)] = 1.0
    ((spacing, local),) = follow(gain[None], step_d=0.125, stiffnesses=(0.5,))
    assert spacing[30] == pytest.approx(SPACINGS_D[10], rel=0.01)
    assert spacing[-30] == pytest.approx(SPACINGS_D[11], rel=0.01)
    assert local.mean() > 0.9


def test_over_a_few_diameters_no_slow_phase_is_made_of_noise() -> None:
    # Harmonics of half a twist fit any short strip, and so were the likeliest.
    line = np.array([START, (START[0] + 6 * DIAMETER_PX, START[1])])
    for seed in range(8):
        noise = np.random.default_rng(seed).normal(90, 20, SIZE_PX[::-1]).astype(np.float32)
        twist = estimate(straighten(cv2.GaussianBlur(noise, (0, 0), 4.0), line, DIAMETER_PX))
        assert twist.twists() > 0.6
        assert twist.local_fit.mean() < 3


def test_a_strip_too_short_says_how_long_it_must_be() -> None:
    blank = np.zeros((120, 540), np.float32)
    short = straighten(blank, np.array([[40.0, 60.0], [60.0, 60.0]]), DIAMETER_PX)
    for measure in (estimate, likeness):
        with pytest.raises(ValueError, match="shorter than 3 wire diameters"):
            measure(short)


# -- truth over grids ----------------------------------------------------------------------------


@pytest.mark.parametrize("lay", ["S", "Z"])
@pytest.mark.parametrize("spacing_d", [1.7, 2.0, 2.4, 3.0, 4.0, 5.5, 7.5, 10.0, 14.0])
def test_count_and_hand_of_every_spacing(spacing_d: float, lay: str) -> None:
    twist = estimate(drawn(spacing_d, lay=lay))
    assert twist.lay == lay
    assert twist.twists() == pytest.approx(LENGTH_D / spacing_d, abs=0.15)
    assert twist.local_score.mean() > 0.1


@pytest.mark.parametrize("spacing_d", [1.7, 2.2, 3.3, 5.0, 8.0])
@pytest.mark.parametrize("shades", [(1.0, 0.75), (1.0, 0.5), (0.4, 1.0)])
def test_unequal_strands_are_not_counted_by_the_pair(spacing_d: float, shades: tuple[float, float]) -> None:
    # Every second crossing looks alike: a count by the strongest period would be half of the true one.
    twist = estimate(drawn(spacing_d, shades=shades))
    assert twist.twists() == pytest.approx(LENGTH_D / spacing_d, abs=0.3)


@pytest.mark.parametrize("spacing_d", [2.2, 3.3, 5.0, 8.0])
def test_two_lamps_are_not_counted_twice(spacing_d: float) -> None:
    twist = estimate(drawn(spacing_d, lamps=(LAMP, SECOND_LAMP)))
    assert twist.twists() == pytest.approx(LENGTH_D / spacing_d, abs=0.2)


@pytest.mark.parametrize("angle_deg", range(0, 360, 45))
def test_a_lamp_from_any_side(angle_deg: int) -> None:
    angle = np.radians(angle_deg)
    twist = estimate(drawn(3.7, lamps=((float(np.cos(angle)), float(np.sin(angle)), 0.5),)))
    assert twist.lay == "Z"
    assert twist.twists() == pytest.approx(LENGTH_D / 3.7, abs=0.2)


@pytest.mark.parametrize("share", [0.1, 0.2, 0.3])
def test_uneven_twist_is_followed_everywhere(share: float) -> None:
    twists_at = swaying(3.6, share, wave_d=25.0)
    strip = drawn(3.6, twists_at=twists_at)
    twist = estimate(strip)
    at_d = np.linspace(0, LENGTH_D, len(twist.phase))
    off = twist.phase / (2 * np.pi) - twists_at(at_d)
    off -= np.round(np.median(off))
    assert np.abs(off).max() < 0.25
    # The smooth phase lags where the twist changes fastest; what is stated has to grow with that.
    assert abs(twist.twists() - float(twists_at(LENGTH_D))) < 2.5 * twist.twists_u()


@pytest.mark.parametrize("blur_px", [0.0, 1.0, 2.0, 3.5])
@pytest.mark.parametrize("noise", [1.0, 8.0, 20.0])
def test_blur_and_noise(blur_px: float, noise: float) -> None:
    twist = estimate(drawn(4.0, blur_px=blur_px, noise=noise))
    assert twist.lay == "Z"
    assert twist.twists() == pytest.approx(LENGTH_D / 4.0, abs=0.2)


@pytest.mark.parametrize("spacing_d", [2.5, 4.0, 7.0])
@pytest.mark.parametrize("offset_twists", [0.0, 0.3, 0.5, 0.8])
@pytest.mark.parametrize("lay", ["S", "Z"])
def test_whole_phases_lie_on_the_crossings(spacing_d: float, offset_twists: float, lay: str) -> None:
    twists_at = even(spacing_d, offset_twists)
    strip = drawn(spacing_d, twists_at=twists_at, lay=lay)
    twist = estimate(strip)
    at_d = np.linspace(0, LENGTH_D, len(twist.phase))
    off = twist.phase / (2 * np.pi) - twists_at(at_d)
    assert np.abs(off - np.round(np.median(off)))[20:-20].max() < 0.15


@pytest.mark.parametrize("wrong", [0.75, 1.33])
def test_a_diameter_only_roughly_known(wrong: float) -> None:
    grey = picture(START, END, DIAMETER_PX, even(3.8), size_px=SIZE_PX)
    twist = estimate(straighten(grey, LINE, wrong * DIAMETER_PX))
    assert twist.lay == "Z"
    assert twist.twists() == pytest.approx(LENGTH_D / 3.8, abs=0.25)


# -- invariances ---------------------------------------------------------------------------------

few = settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
spacings = st.floats(2.0, 8.0)


@few
@given(spacings, st.sampled_from(["S", "Z"]))
def test_the_pictures_own_symmetries(spacing_d: float, lay: str) -> None:
    grey = picture(START, END, DIAMETER_PX, even(spacing_d), size_px=SIZE_PX, lay=lay)
    height, width = grey.shape
    other = {"S": "Z", "Z": "S"}[lay]
    asis = estimate(straighten(grey, LINE, DIAMETER_PX))

    def turned(points: np.ndarray) -> np.ndarray:  # np.rot90 turns left: (x, y) goes to (y, width - 1 - x)
        return np.column_stack([points[:, 1], width - 1 - points[:, 0]])

    cases = [
        (np.rot90(grey), turned(LINE), lay),
        (grey[::-1, ::-1], np.array([width - 1, height - 1]) - LINE, lay),
        (grey[::-1], np.column_stack([LINE[:, 0], height - 1 - LINE[:, 1]]), other),
        (grey[:, ::-1], np.column_stack([width - 1 - LINE[:, 0], LINE[:, 1]]), other),
        (grey.T, LINE[:, ::-1], other),
        (grey, LINE[::-1], lay),
    ]
    for seen, line, hand in cases:
        twist = estimate(straighten(np.ascontiguousarray(seen), line, DIAMETER_PX))
        assert twist.lay == hand
        assert twist.twists() == pytest.approx(asis.twists(), abs=0.03)


@few
@given(st.floats(0.2, 3.0), st.floats(-40, 40))
def test_brightness_and_contrast_do_not_matter(contrast: float, brightness: float) -> None:
    strip = drawn(4.0)
    grey = Strip(
        contrast * strip.values + brightness,
        strip.across_d,
        strip.centre_px,
        strip.normal_px,
        strip.step_d,
        strip.diameter_px,
    )
    assert estimate(grey).twists() == pytest.approx(estimate(strip).twists(), abs=1e-3)
    assert likeness(grey)[1] == pytest.approx(likeness(strip)[1], abs=1e-3)


@few
@given(st.floats(0.6, 2.5))
def test_scale_does_not_matter(scale: float) -> None:
    start, end = (scale * 40.0, scale * 60.0), (scale * 500.0, scale * 60.0)
    size_px = (int(540 * scale) + 1, int(120 * scale) + 1)
    grey = picture(start, end, scale * DIAMETER_PX, even(4.0), size_px=size_px, blur_px=0.7 * scale)
    twist = estimate(straighten(grey, np.array([start, end]), scale * DIAMETER_PX))
    assert twist.twists() == pytest.approx(LENGTH_D / 4.0, abs=0.1)


@few
@given(spacings, st.integers(60, 300))
def test_two_parts_count_what_the_whole_counts(spacing_d: float, cut: int) -> None:
    twist = estimate(drawn(spacing_d))
    last = len(twist.phase) - 1
    assert twist.twists(0, cut) + twist.twists(cut, last) == pytest.approx(twist.twists())
    assert np.all(np.diff(twist.phase) > 0)


# -- honesty -------------------------------------------------------------------------------------


def test_the_stated_uncertainty_covers() -> None:
    rng = np.random.default_rng(7)
    inside = []
    for seed in range(60):
        spacing_d = float(rng.uniform(2.2, 8.0))
        strip = drawn(
            spacing_d,
            lay=str(rng.choice(["S", "Z"])),
            shades=(1.0, float(rng.uniform(0.4, 1.0))),
            lamps=((*map(float, rng.normal(0, 1, 2)), 0.6),),
            noise=float(rng.uniform(1, 25)),
            blur_px=float(rng.uniform(0.5, 2.0)),
            twists_at=even(spacing_d, float(rng.uniform(0, 1))),
            seed=seed,
        )
        twist = estimate(strip)
        inside.append(abs(twist.twists() - LENGTH_D / spacing_d) <= 1.96 * twist.twists_u())
    # Of 60 at 95 %, fewer than 53 happens once in a hundred.
    assert sum(inside) >= 53


def test_looser_twist_is_stated_as_less_sure() -> None:
    # Up to crossings five diameters apart the shift at the ends is a share of a twist; beyond, it grows with that.
    usual, loose = (estimate(drawn(spacing_d, noise=1.0)).twists_u() for spacing_d in (4.0, 9.0))
    assert loose == pytest.approx(usual * 9.0 / 5.0, rel=0.15)


def test_more_noise_is_never_stated_as_surer() -> None:
    stated = [estimate(drawn(4.0, noise=noise, seed=3)).twists_u() for noise in (1.0, 12.0, 40.0)]
    assert stated[0] < stated[1] < stated[2]


def nothing(kind: str) -> np.ndarray:
    """Return a picture without a twisted pair, that has something of one."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0:120, 0:540].astype(float)
    across = (y - 60) / DIAMETER_PX
    inside = np.abs(across) < 1.0
    if kind == "noise":
        return np.clip(120 + 40 * rng.normal(size=y.shape), 0, 255)
    if kind == "single wire":
        half = np.abs(across) < 0.5
        return np.where(half, 60 + 170 * np.sqrt(np.clip(1 - 4 * across**2, 0, 1)), 60) + rng.normal(0, 2, y.shape)
    if kind == "two wires side by side":
        strand = np.abs(np.abs(across) - 0.5)
        return np.where(inside, 60 + 170 * np.sqrt(np.clip(1 - 4 * strand**2, 0, 1)), 60) + rng.normal(0, 2, y.shape)
    if kind == "thread":  # a screw's crests: nearly straight across, and its slope small for its width
        wave = np.cos(2 * np.pi * (x / DIAMETER_PX + 0.15 * across) / 0.8)
        return np.where(inside, 130 + 70 * wave * np.sqrt(np.clip(1 - across**2, 0, 1)), 60)
    if kind == "grating":
        return 130 + 70 * np.cos(2 * np.pi * x / (3 * DIAMETER_PX)) + rng.normal(0, 2, y.shape)
    if kind == "knurl":  # both hands at once
        turn = 2 * np.pi / (2.5 * DIAMETER_PX)
        return 130 + 35 * (np.cos(turn * (x + y)) + np.cos(turn * (x - y))) + rng.normal(0, 2, y.shape)
    raise ValueError(kind)


@pytest.mark.parametrize("kind", ["noise", "single wire", "two wires side by side", "thread", "grating", "knurl"])
def test_what_is_no_pair_scores_near_nothing(kind: str) -> None:
    pair_score = likeness(drawn(4.0))[1].mean()
    assert likeness(flat(nothing(kind)))[1].mean() < 0.25 * pair_score
    assert estimate(flat(nothing(kind))).local_score.mean() < 0.25 * pair_score


def test_a_picture_beside_the_wire_scores_near_nothing() -> None:
    grey = picture(START, END, DIAMETER_PX, even(4.0), size_px=SIZE_PX)
    on = likeness(straighten(grey, LINE, DIAMETER_PX))[1].mean()
    beside = likeness(straighten(grey, LINE + np.array([0.0, 30.0]), DIAMETER_PX))[1].mean()
    assert beside < 0.2 * on
