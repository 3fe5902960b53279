"""How far a section is to be believed: whether it is a twisted pair at all, rightly followed.

What is found is weighed by a few figures (``proof``): how it fits as a pair, against what lies beside it, and, where
the finder's network looked, what that sees and what a second, small network makes of the section's own straightened
picture, turn laid under turn (``windows``): a rope, a hose or a chain repeats as a pair does, and does not look like
one. That network learned from sections found in painted pictures with and without twisted wire
(``fixtures/finder/belief.py``).
"""

from __future__ import annotations

import dataclasses
import functools
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from visionwire import learned, outline, safety, section
from visionwire.section import Section
from visionwire.windows import MIDDLE_SPACING, ROWS, carried_on, evened, straightened

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Log odds of a section by its proof, without and with the networks' word. The first as `python -m
#: fixtures.finder.belief odds` printed them on the kept pictures, 500 painted ones (`fixtures.quick`, 1600 of seed
#: 91000
#: less the first 1100) and 330 look-alikes (seed 78000, `--negatives`). The second by the same regression, once, on the
#: kept pictures, the first 180 of those painted and every second look-alike, the mean of the windows in place of the
#: usual one, the last two weights held (why is said there): the command will print others near them. In the second
#: likeness and gain count against: what is found and is none is very like one.
UNSEEN_ODDS: tuple[float, ...] = (5.08, -0.23, 1.89, -2.10, 0.41, -2.29, -4.92)
SEEN_ODDS: tuple[float, ...] = (0.32, -0.57, 2.90, -0.87, -2.02, -3.32, -1.80, 1.45, 2.63, 0.10, 1.00)
#: So many figures of a proof need no network.
ALONE = len(UNSEEN_ODDS)
MOST_GAIN = 0.8
#: Beside the mean of what the finder sees along a section, its lowest fifth counts: look-alikes come in patches.
LOWEST = 0.2
#: What either finder must make of a section for the two to agree.
LEAST_AGREED = 0.3
#: Where so many twists, no tighter than a pair lies, show on the strip, and the network sees less than half of them, it
#: is shown the picture again as if of wire this much thicker: of tight twist near at hand it sees the strands alone.
SHOWN_AGAIN_TWISTS, SHOWN_AGAIN_D, SHOWN_AGAIN, THICKER = 4.0, 2.0, 0.5, 1.5

#: A window: so many twists, in columns; one begins half a twist before the section, the last ends as far beyond it, and
#: about every second twist begins another.
TWISTS, COLUMNS_A_TWIST = 4, 16
COLUMNS = TWISTS * COLUMNS_A_TWIST
MARGIN_TWISTS, TWISTS_APART, MOST_WINDOWS = 0.5, 2.0, 10
#: How far the line is drawn on beyond the section, for windows that are longer.
BEYOND_TWISTS = 2.5
#: The picture; twisted and plain wire as the finder sees them; what is inside the section; the spacing.
CHANNELS = 5
#: Each value of the picture is the mean of so many squared: of wire up to 13 px none is skipped.
FINE = 2
#: From these log odds of a window on the network is sure that it is a pair; beyond those they say no more.
SURE, LARGEST_ODDS = 2.0, 4.0


def proof(luminance: Picture, seen: learned.Maps | None, one: Section) -> Floats:
    """Return the figures that a section is believed by: 7, and where the networks looked four more."""
    figures = [
        1.0,
        safety.weight(one),
        one.twist.geometry,
        section.beside(luminance, one) / max(one.score, 1e-6),
        min(one.gain, MOST_GAIN),
        *outline.misfit(luminance, one),
    ]
    if seen is not None:
        twisted = learned.along(seen.twisted, seen.scale, one.spine_px)
        odds = float(np.median(window_odds(luminance, seen, one)))  # a shadow may hide one
        figures += [float(twisted.mean()), float(np.quantile(twisted, LOWEST)), min(odds, SURE), max(odds - SURE, 0.0)]
    return np.array(figures)


def window_odds(luminance: Picture, seen: learned.Maps, one: Section) -> Floats:
    """Return the log odds (n,) that the network gives each of a section's windows."""
    network = _network()
    network.setInput(windows(luminance, seen, one))
    odds: Floats = np.asarray(network.forward(), float).ravel()
    return odds.clip(-LARGEST_ODDS, LARGEST_ODDS)


def windows(luminance: Picture, seen: learned.Maps, one: Section) -> NDArray[np.float32]:
    """Return what the network is shown of a section.

    Parameters
    ----------
    luminance : (H, W) float32 array
        The upright picture.
    seen : Maps
        What the finder sees.
    one : Section
        The section.

    Returns
    -------
    (n, CHANNELS, ROWS, COLUMNS) float32 array
        Along the section at even steps of twist, every pair as one of S twist.
    """
    diameter_px = one.strip.diameter_px
    line, normal, at_px, at_twists = _line(one)
    if one.twist.lay == "Z":
        normal = -normal
    twists = at_twists[-2]
    spare = twists + 2 * MARGIN_TWISTS - TWISTS
    count = min(1 + max(0, int(np.ceil(spare / TWISTS_APART))), MOST_WINDOWS)
    begins = np.linspace(0, spare, count) if count > 1 else np.array([spare / 2])  # one alone lies in the middle
    columns = begins[:, None] - MARGIN_TWISTS + (np.arange(COLUMNS * FINE) + 0.5) / (COLUMNS_A_TWIST * FINE)
    columns_px = np.interp(columns.ravel(), at_twists, at_px)
    maps = (seen.twisted, seen.plain)
    picture, marks, _ = straightened(luminance, maps, seen.scale, (line, normal), columns_px, diameter_px, FINE)
    at = columns[:, FINE // 2 :: FINE].ravel()
    inside = np.broadcast_to((at >= 0) & (at <= twists), picture.shape)
    spacing = np.full(picture.shape, np.log(one.px_per_twist / diameter_px) - MIDDLE_SPACING)
    shown = np.stack([picture, *marks, inside, spacing]).astype(np.float32)
    shown = shown.reshape(CHANNELS, ROWS, count, COLUMNS).transpose(2, 0, 1, 3).copy()
    shown[:, 0] = [evened(each) for each in shown[:, 0]]
    return shown


def _line(one: Section) -> tuple[Floats, Floats, Floats, Floats]:
    """Return a line (N, 2) through a section and on at either end, the normals to it, and knots along it.

    The knots are px along the line and twists from the section's start; their first and last are the line's ends.
    """
    step_px = one.strip.step_d * one.strip.diameter_px
    count = int(BEYOND_TWISTS * one.px_per_twist / step_px) + 1
    line, normal, along = carried_on(one, one.spine_px, count, count)
    phase = one.twist.phase[one.first : one.last + 1] / (2 * np.pi)
    inside = np.maximum.accumulate(np.abs(phase - phase[0]))
    beyond = count * step_px / one.px_per_twist
    at_px = np.concatenate([along[:1], along[count:-count], along[-1:]])
    return line, normal, at_px, np.concatenate([[-beyond], inside, [inside[-1] + beyond]])


@functools.cache
def _network() -> cv2.dnn.Net:
    weights = resources.files("visionwire.model").joinpath("belief.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))


def missed(luminance: Picture, seen: learned.Maps, one: Section) -> bool:
    """Whether a section shows itself on the strip, and the finder's network does not see it."""
    if one.twists < SHOWN_AGAIN_TWISTS or one.px_per_twist < SHOWN_AGAIN_D * one.strip.diameter_px:
        return False
    return _mean_seen(seen, one) < SHOWN_AGAIN and _alone(proof(luminance, None, one)) > LEAST_AGREED


def view(luminance: Picture, views: list[learned.Maps], one: Section) -> learned.Maps:
    """Return what the network sees of a section: at first sight, or, missed there, where it sees most of it."""
    if len(views) == 1 or not missed(luminance, views[0], one):
        return views[0]
    return max(views, key=lambda seen: _mean_seen(seen, one))


def believed(luminance: Picture, views: list[learned.Maps], one: Section) -> Section:
    """Return the section with the probability that it is a twisted pair, rightly followed."""
    seen = view(luminance, views, one) if views else None
    figures = proof(luminance, seen, one)
    alone = _alone(figures)
    if seen is None:
        return dataclasses.replace(one, belief=alone)
    both = float(expit(figures @ np.array(SEEN_ODDS)))
    return dataclasses.replace(one, belief=both, doubted=min(figures[ALONE], alone) < LEAST_AGREED)


def _mean_seen(seen: learned.Maps, one: Section) -> float:
    return float(learned.along(seen.twisted, seen.scale, one.spine_px).mean())


def _alone(figures: Floats) -> float:
    return float(expit(figures[:ALONE] @ np.array(UNSEEN_ODDS)))
