"""Kernels of blur and movement, drawn from their own definitions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def gaussian(form: Floats) -> Floats:
    """Return a Gaussian whose covariance is ``form``, px^2."""
    half = int(4 * np.sqrt(np.linalg.eigvalsh(form)[1])) + 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    at = np.stack([x, y], -1).astype(float)
    kernel = np.exp(-0.5 * np.einsum("ijk,kl,ijl->ij", at, np.linalg.inv(form), at))
    return np.asarray(kernel / kernel.sum())


def smear(length_px: float, angle_deg: float) -> Floats:
    """Return an even movement, drawn by many points shared between their four neighbours."""
    half = int(length_px / 2) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    for at in (np.arange(400) + 0.5) / 400 - 0.5:
        x = half + at * length_px * np.cos(np.radians(angle_deg))
        y = half + at * length_px * np.sin(np.radians(angle_deg))
        i, j = int(y), int(x)
        for di, dj in ((0, 0), (0, 1), (1, 0), (1, 1)):
            kernel[i + di, j + dj] += (1 - abs(y - i - di)) * (1 - abs(x - j - dj))
    return np.asarray(kernel / kernel.sum())
