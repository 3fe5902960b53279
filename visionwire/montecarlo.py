"""The distribution of a density by drawing lots: JCGM 101:2008, Monte Carlo.

What is uncertain about a run is drawn some thousand times from its own distribution and sent
through the whole geometry: the card's homography, the height of the wire over the card, which is
spread evenly and not normally, and the rise along the run, which makes a run longer whichever way
it goes. The terms of ``budget`` are the same to first order; where they suffice both agree.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration import camera_mm
from calibration.plane import normalised_fit, project, straightened
from visionwire.budget import SLOPE_U, Ruler
from visionwire.judge import COVERAGE_95

Floats = NDArray[np.float64]

#: The ends of the 95 % interval scatter so by a percent and a half of it (quantiles of a normal distribution).
DRAWS = 5000
#: The same lots for every reading: read again, a photograph says the same.
SEED = 101
#: Of a run's line; every draw sends them all through the geometry.
POINTS = 16
#: Terms that ``_length_shares`` draws through the geometry; the others are small and go in as factors.
BY_GEOMETRY = ("corners", "height", "slope")


def relative_densities(ruler: Ruler, spine_px: Floats, count_u: float, ends_u: float) -> Floats:
    """Return draws of a run's density over its value.

    Parameters
    ----------
    ruler : Ruler
        How px become inches, and what is not known of that.
    spine_px : (N, 2) float array
        The run.
    count_u : float
        Relative standard deviation of the count of its twists.
    ends_u : float
        Of the mean density for where the run begins and ends.

    Returns
    -------
    (DRAWS,) float array
        About 1.
    """
    rng = np.random.default_rng(SEED)
    length = np.ones(DRAWS)
    if ruler.height_u_mm > 0:
        length = _length_shares(ruler, spine_px[:: max(1, len(spine_px) // POINTS)], rng) ** ruler.share
    for name, term in ruler.terms(spine_px).items():
        if ruler.height_u_mm == 0 or name not in BY_GEOMETRY:
            length = length * np.exp(term * rng.standard_normal(DRAWS))
    count, ends = rng.standard_normal((2, DRAWS))
    return np.asarray((1 + count_u * count) * (1 + ends_u * ends) / length)


def interval_u(draws: Floats) -> float:
    """Return half the 95 % interval of draws, as standard deviations of a normal distribution count it.

    The interval leaves out as much below as above (JCGM 101:2008, 7.7).
    """
    low, high = np.quantile(draws, [0.025, 0.975])
    return float((high - low) / 2 / COVERAGE_95)


def _length_shares(ruler: Ruler, points_px: Floats, rng: np.random.Generator) -> Floats:
    """Return the length of a run in space, by the homographies, heights and rises drawn, over its value, (DRAWS,)."""
    normal, covariance, to_image = normalised_fit(ruler.plane)
    camera = camera_mm(ruler.plane, *ruler.camera)
    seen = project(to_image, straightened(points_px, ruler.plane.lens))
    # The plane in units near 1 too: from there to millimetres is exact, and the same for all.
    to_plane = np.linalg.inv(ruler.plane.image_from_plane) @ np.linalg.inv(to_image) @ normal
    values, vectors = np.linalg.eigh(covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0))
    homographies = np.tile(normal, (DRAWS, 1, 1))
    homographies.reshape(DRAWS, 9)[:, :8] += rng.standard_normal((DRAWS, 8)) @ spread.T
    back = to_plane @ np.linalg.inv(homographies)
    height = ruler.height_mm + np.sqrt(3) * ruler.height_u_mm * rng.uniform(-1, 1, DRAWS)
    rise = SLOPE_U * rng.standard_normal(DRAWS)
    nominal = _lengths(to_plane @ np.linalg.inv(normal)[None], seen, camera, np.array([ruler.height_mm]), np.zeros(1))
    return np.asarray(_lengths(back, seen, camera, height, rise) / nominal)


def _lengths(to_mm: Floats, points: Floats, camera: Floats, height_mm: Floats, rise: Floats) -> Floats:
    """Return lengths (n,), mm, of a polyline (m, 2) in space, by n homographies, heights at its middle and rises."""
    sent = np.einsum("nij,mj->nmi", to_mm, np.column_stack([points, np.ones(len(points))]))
    on_card = sent[..., :2] / sent[..., 2:]
    along = np.linalg.norm(on_card - on_card[:, :1], axis=2)
    over = height_mm[:, None] + rise[:, None] * (along - along[:, -1:] / 2)
    raised = on_card + over[..., None] / camera[2] * (camera[:2] - on_card)
    steps = np.diff(np.concatenate([raised, over[..., None]], axis=2), axis=1)
    return np.asarray(np.linalg.norm(steps, axis=2).sum(1))
