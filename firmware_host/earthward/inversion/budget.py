"""Who takes the injected current, with intervals that hold 90 %."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from earthward.inversion.lead import FloatArray


def mixture_interval(
    weight: FloatArray, mean: FloatArray, sigma: FloatArray, probability: float = 0.9
) -> tuple[float, float, float]:
    """Mean and central interval of a mixture of normals cut at zero. weight, mean, sigma (n,)."""
    keep = weight > 1e-3 * weight.max()
    w, m, s = weight[keep] / weight[keep].sum(), mean[keep], np.maximum(sigma[keep], 1e-9)
    low, high = 0.0, float(np.max(m + 6 * s))
    if high <= 0:
        return 0.0, 0.0, float(max(np.max(m + 2 * s), 0.0))
    grid = np.linspace(low, high, 501)
    base = ndtr(-m / s)
    cdf = ((ndtr((grid[:, None] - m) / s) - base) / np.maximum(1 - base, 1e-12)) @ w
    tail = (1 - probability) / 2
    lo = float(np.interp(tail, cdf, grid))
    hi = float(np.interp(1 - tail, cdf, grid))
    middle = float(np.sum(0.5 * (grid[1:] + grid[:-1]) * np.diff(cdf)))
    return middle, lo, hi
