"""Noise whitening: autoregressive predictors of every order, for data and model columns alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from earthward.signal.types import FloatArray

ORDER = 4


class Whitener:
    """Predictors of order 0..ORDER from an autocovariance (Levinson-Durbin), with their relative variances.

    `coefficients[m, k]` multiplies the sample k + 1 before when m samples before are usable; `gain[m]` is the
    square root of (innovation variance of the full order / of order m): rows with less history weigh less.
    """

    def __init__(self, autocovariance: FloatArray | None = None) -> None:
        self.coefficients: NDArray[np.float64] = np.zeros((ORDER + 1, ORDER))
        self.gain: NDArray[np.float64] = np.ones(ORDER + 1)
        self.white = True
        if autocovariance is None or autocovariance[0] <= 0:
            return
        r = autocovariance / autocovariance[0]
        variance = [1.0]
        a = np.zeros(0)
        for m in range(1, ORDER + 1):
            ahead = float(r[m] - a @ r[m - 1 : 0 : -1]) if m > 1 else float(r[1])
            reflection = float(np.clip(ahead / variance[-1], -0.98, 0.98))
            a = np.concatenate([a - reflection * a[::-1], [reflection]])
            self.coefficients[m, :m] = a
            variance.append(variance[-1] * (1 - reflection**2))
        self.gain = np.sqrt(variance[-1] / np.array(variance))
        self.white = bool(np.max(np.abs(self.coefficients[ORDER])) < 0.01)
