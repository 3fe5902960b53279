"""The wire's diameter, read by a small network off the mean picture of one twist.

The twists of a section are laid over one another, which leaves one clean picture of
one twist, phase by offset (``one_twist``). Its rows are measured in the diameter that
is guessed; the network reads how far the guess is off, and the wire is read again at
the better guess.

Why a network: polished wire mirrors its surroundings, and towards the rim the very
ground that it lies on, so that often no edge stands where the wire ends: an outline
read off edges was a sixth too narrow there. What is seen inside moves with the strands
by the geometry of ``pair`` and the law of mirrors. The network learned both from
rendered twists of known diameter (``fixtures/diameter.py``); no photograph was learned
from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from visionwire.section import SHORTEST_D, Section, whole
from visionwire.strip import smooth

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

PHASES, ROWS = 32, 40
REACH_D = 1.3
PLAY_D = 0.45
ROUNDS = 4
LARGEST_STEP = 0.5
LARGEST_LAST_STEP = 0.1
FAR_MOVE, LARGEST_MOVE = 0.1, 0.9  # logarithm of the diameter over the one that the strip was made for
LARGEST_OWN_U = 0.045
LARGEST_FAR_SHARE = 0.4  # of what keeps step with the twist beside the pair, over that on it
FEWEST_TWISTS = 2.0
LEAST_LIKENESS = 0.1
#: Both figures of `misfit`, at most, and of a section too short to tell: as of the doubtful among longer ones.
MOST_MISFIT, SHORT_MISFIT = (1.0, 1.5), (0.5, 0.9)
STRIDES = (1, 2, 1, 2, 2)
MIDDLE_SPACING = 1.3  # logarithm of the spacing in diameters that the network takes for zero

# Against the rendered and painted pictures of known diameter the network reads so much too wide (logarithm), and
# its own deviation leaves out all that the twists it learned from are not.
LEAN = 0.025
OWN_U_SHARE, LEAST_U = 1.5, 0.055


@dataclass(frozen=True)
class Step:
    """What one look says: logarithm of the true diameter over the guess, its deviation, the axis off the spine."""

    change: float
    own_u: float
    aside_d: float


@dataclass(frozen=True)
class Diameter:
    """The wire's diameter in the picture and one standard deviation, px."""

    px: float
    u_px: float


def wire_diameter_px(luminance: NDArray[np.float32], section: Section) -> Diameter | None:
    """Measure the diameter of the wire of a twisted section.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The picture that the section was found in.
    section : Section
        Its strip may have been made for another diameter, 0.45 to 2 times the true one.

    Returns
    -------
    Diameter or None
        None where it cannot be told.
    """
    if section.twists < FEWEST_TWISTS or section.score < LEAST_LIKENESS:
        return None
    diameter_px, step, twist = _settled(luminance, section)
    moved = abs(float(np.log(diameter_px / section.strip.diameter_px)))
    if FAR_MOVE < moved < LARGEST_MOVE and section.length_d * section.strip.diameter_px > SHORTEST_D * diameter_px:
        # At the diameter that the wire has, spine and phase come out finer, most times; the surer reading is kept.
        again = _settled(luminance, whole(luminance, section.spine_px, diameter_px))
        diameter_px, step, twist = min((diameter_px, step, twist), again, key=lambda one: one[1].own_u)
        moved = abs(float(np.log(diameter_px / section.strip.diameter_px)))
    unsettled = abs(step.change) > LARGEST_LAST_STEP or moved > LARGEST_MOVE
    if unsettled or step.own_u > LARGEST_OWN_U or _far_share(twist) > LARGEST_FAR_SHARE:
        return None
    diameter_px *= float(np.exp(-LEAN))
    return Diameter(diameter_px, diameter_px * float(np.hypot(LEAST_U, OWN_U_SHARE * step.own_u)))


def _settled(luminance: NDArray[np.float32], section: Section) -> tuple[float, Step, Floats]:
    """Return the diameter after some looks, and the last look with its picture."""
    diameter_px, aside_px = section.strip.diameter_px, 0.0
    for _ in range(ROUNDS):
        twist, spacing_px = one_twist(luminance, section, diameter_px, aside_px)
        step = read(twist, spacing_px / diameter_px, section.twist.lay)
        aside_px += step.aside_d * diameter_px
        diameter_px *= float(np.exp(np.clip(step.change, -LARGEST_STEP, LARGEST_STEP)))
    return diameter_px, step, twist


def one_twist(
    luminance: NDArray[np.float32], section: Section, diameter_px: float, aside_px: float = 0.0
) -> tuple[Floats, float]:
    """Lay the twists of a section over one another.

    Every stretch of about a twist is first slid across until it fits the mean of all,
    so that a spine that wanders does not blur the picture.

    Returns
    -------
    values : (ROWS, PHASES) float array
        Luminance over its local deviation; rows from ``-REACH_D`` to ``REACH_D`` diameters about the spine moved
        aside, columns from one crossing to the next.
    spacing_px : float
        Spacing of the crossings.
    """
    inner = slice(section.first, section.last + 1)
    normal, phase = section.strip.normal_px[inner], section.twist.phase[inner]
    centre = section.strip.centre_px[inner] + aside_px * normal
    step_d = 2 * REACH_D / (ROWS - 1)
    play = int(PLAY_D / step_d)
    across_d = (np.arange(ROWS + 2 * play) - (ROWS - 1) / 2 - play) * step_d
    at = (centre[None] + across_d[:, None, None] * diameter_px * normal[None]).astype(np.float32)
    values = cv2.remap(luminance, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    twist_columns = 2 * np.pi * len(phase) / (phase[-1] - phase[0])
    level = _levelled(values.astype(float), np.abs(across_d) < REACH_D, twist_columns)
    fit = smooth(section.twist.local_fit[None], 4 / section.strip.step_d)[0, inner]
    mean = _registered(level, _shares(phase), np.maximum(fit, 0.02), play, twist_columns)
    return mean, twist_columns * section.strip.step_d * section.strip.diameter_px


def misfit(luminance: NDArray[np.float32], section: Section) -> tuple[float, float]:
    """Return how little the mean twist of a section looks like that of a pair of round wires.

    Parameters
    ----------
    luminance, section
        As in `wire_diameter_px`, however unlike a pair the section looks.

    Returns
    -------
    beside : float
        Variance that keeps step with the twist beyond 1.15 diameters, over that within 0.6: chains, braid and threads
        go on there.
    unsure : float
        Deviation of the logarithm of the diameter as the network has it, in tenths.
    """
    if section.twists < FEWEST_TWISTS:
        return SHORT_MISFIT
    _, step, twist = _settled(luminance, section)
    return min(_far_share(twist), MOST_MISFIT[0]), min(10 * step.own_u, MOST_MISFIT[1])


def _far_share(twist: Floats) -> float:
    across_d = np.abs(np.linspace(-REACH_D, REACH_D, ROWS))
    keeps_step = twist.var(1)
    return float(keeps_step[across_d > 1.15].mean() / max(keeps_step[across_d < 0.6].mean(), 1e-12))


def _levelled(values: Floats, near: NDArray[np.bool_], twist_columns: float) -> Floats:
    """Take out the slow changes of brightness and contrast along the wire."""
    level = smooth(values[near].mean(0, keepdims=True), twist_columns)
    deviation = np.sqrt(smooth(((values[near] - level) ** 2).mean(0, keepdims=True), twist_columns))
    return np.asarray(np.clip((values - level) / np.maximum(deviation, 1e-3 * deviation.max() + 1e-9), -4, 4), float)


def _shares(phase: Floats) -> Floats:
    """Return how much of every column falls to every phase, (columns, PHASES), by linear splitting."""
    place = phase / (2 * np.pi) * PHASES
    left = np.floor(place).astype(int)
    shares, columns = np.zeros((len(phase), PHASES)), np.arange(len(phase))
    shares[columns, left % PHASES] = 1 - (place - left)
    shares[columns, (left + 1) % PHASES] += place - left
    return shares


def _registered(values: Floats, shares: Floats, weight: Floats, play: int, twist_columns: float) -> Floats:
    """Return the mean over the columns at every phase, each column slid to where it fits best."""
    inner = np.arange(play, len(values) - play)
    moves = np.arange(-play, play + 1)
    slope = np.diff(values, axis=0, append=values[-1:])
    weighted = shares * weight[:, None] / (weight @ shares + 1e-9)
    shift = np.zeros(values.shape[1])
    for _ in range(2):
        mean = _slid(values, inner[:, None] + shift) @ weighted
        drawn = np.diff(mean, axis=0, append=mean[-1:]) @ shares.T
        fit = np.array([(slope[inner + move] * drawn).sum(0) for move in moves])
        fit = ndimage.gaussian_filter1d(fit, 0.8 * twist_columns, axis=1, mode="nearest")
        shift = ndimage.gaussian_filter1d(moves[fit.argmax(0)].astype(float), 0.5 * twist_columns, mode="nearest")
        shift = np.clip(shift - np.average(shift, weights=weight), -play, play)
    return np.asarray(_slid(values, inner[:, None] + shift) @ weighted, float)


def _slid(values: Floats, rows: Floats) -> Floats:
    low = np.clip(np.floor(rows).astype(int), 0, len(values) - 2)
    share = np.clip(rows - low, 0, 1)
    columns = np.arange(values.shape[1])
    return np.asarray(values[low, columns] * (1 - share) + values[low + 1, columns] * share)


# -- the network --------------------------------------------------------------------------------


def read(twist: Floats, spacing_d: float, lay: str) -> Step:
    """Read one picture of a twist, and the same turned by half a turn, of which the wire is as thick.

    Parameters
    ----------
    twist : (ROWS, PHASES) float array
        As ``one_twist`` gives it.
    spacing_d : float
        Spacing of the crossings, in the diameters of its rows.
    lay : "S" or "Z"
        The network knows lay Z; S is the same upside down.
    """
    sign = 1 if lay == "Z" else -1
    even = twist[::sign] - twist.mean()
    even = np.clip(even / (even.std() + 1e-6), -3, 3)
    turned = even[::-1, -np.arange(PHASES) % PHASES]
    change, log_u, aside = _network(np.stack([even, turned]), np.log(spacing_d) - MIDDLE_SPACING)
    return Step(float(change.mean()), float(np.exp(log_u.mean())), sign * float(aside[0] - aside[1]) / 2)


@lru_cache(maxsize=1)
def _weights() -> dict[str, Singles]:
    with resources.as_file(resources.files("visionwire") / "model" / "diameter.npz") as path, np.load(path) as file:
        return {name: file[name].astype(np.float32) for name in file.files}


def _network(pictures: Floats, log_spacing: float) -> Singles:
    """Return the three outputs for every picture, (3, n): convolutions round the phase, then two full layers."""
    weights = _weights()
    maps = np.stack([pictures, np.full_like(pictures, log_spacing)], axis=1).astype(np.float32)
    for layer, stride in enumerate(STRIDES):
        maps = np.pad(maps, ((0, 0), (0, 0), (0, 0), (1, 1)), mode="wrap")
        maps = np.pad(maps, ((0, 0), (0, 0), (1, 1), (0, 0)))
        windows = np.lib.stride_tricks.sliding_window_view(maps, (3, 3), axis=(2, 3))[:, :, ::stride, ::stride]
        maps = np.einsum("ncyxij,ocij->noyx", windows, weights[f"conv.{layer}.weight"], optimize=True)
        maps = np.maximum(maps + weights[f"conv.{layer}.bias"][:, None, None], 0)
    full = np.maximum(maps.reshape(len(maps), -1) @ weights["f1.weight"].T + weights["f1.bias"], 0)
    return np.asarray((full @ weights["f2.weight"].T + weights["f2.bias"]).T, np.float32)
