"""What is no electrode noise: jumps of the electrode voltage that last, and samples that stand out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.signal.types import FloatArray

OUTLIER_SIGMA = 4.0


@dataclass(frozen=True, slots=True)
class Suspicion:
    """weight (n,): factor for each sample's weight. step: first sample after a lasting jump. count: samples hit."""

    weight: FloatArray
    step: int | None
    count: int


def judge_hop(x: FloatArray, y: FloatArray, noise: float) -> Suspicion | None:
    """A hop's good samples y (n,) with its few columns x (n, columns); None if nothing is wrong after all."""
    n = y.size
    step = find_step(y, max(noise, 1.4826 * float(np.median(np.abs(np.diff(y)))) / np.sqrt(2)))
    weight = np.ones(n)
    if step is not None:
        # What lies on the shorter side of the jump is given up; the jump then falls on the hop's edge.
        weight[slice(step - 1, None) if 2 * step >= n else slice(0, step + 1)] = 0.0
        return Suspicion(weight, step, 1)
    rest = np.abs(robust_rest(x, y, noise))
    noise = max(noise, 1.4826 * float(np.median(rest)))
    worst = rest > OUTLIER_SIGMA * noise
    if not worst.any() or worst.mean() >= 0.4:
        return None
    u = np.minimum(rest / (1.5 * OUTLIER_SIGMA * noise), 1.0)
    weight = np.where(worst, (1 - u**2) ** 2, 1.0)
    # Next to a gross outlier nothing is above suspicion.
    gross = rest > 2 * OUTLIER_SIGMA * noise
    weight[1:][gross[:-1]] = 0.0
    weight[:-1][gross[1:]] = 0.0
    return Suspicion(weight, None, int(worst.sum()))


def robust_rest(x: FloatArray, y: FloatArray, noise: float) -> FloatArray:
    """Residual of a small fit; refitted without what stands out, if anything does."""
    ridge = 1e-6 * np.diag((x**2).sum(axis=0) + 1e-30)
    rest = y - x @ np.linalg.solve(x.T @ x + ridge, x.T @ y)
    for _ in range(8):
        if not (np.abs(rest) > OUTLIER_SIGMA * noise).any():
            break
        scale = max(1.4826 * float(np.median(np.abs(rest))), noise)
        w = 1.0 / (1.0 + (rest / (2 * scale)) ** 2) ** 2
        rest = y - x @ np.linalg.solve(x.T @ (w[:, None] * x) + ridge, x.T @ (w * y))
    return np.asarray(rest)


def find_step(y: FloatArray, noise: float) -> int | None:
    """Position of a lasting jump inside a hop (first sample after it), or None."""
    d = np.abs(np.diff(y))
    k = int(np.argmax(d)) + 1
    if d[k - 1] < 5.0 * noise or min(k, y.size - k) < 2:
        return None
    jump = abs(float(np.median(y[k:]) - np.median(y[:k])))
    return k if jump > 0.5 * d[k - 1] and jump > 5.0 * noise else None


def window_weights(rest: FloatArray, used: NDArray[np.bool_], usable: NDArray[np.bool_]) -> FloatArray:
    """Weights from a first window's residuals, when the noise is not known yet: their median tells it."""
    scale = 1.4826 * float(np.median(np.abs(rest[used])))
    u = np.abs(rest) / max(OUTLIER_SIGMA * scale, 1e-15)
    return np.asarray(np.where(u > 1, np.maximum(1 - (u / 2) ** 2, 0.0) ** 2, 1.0) * usable)
