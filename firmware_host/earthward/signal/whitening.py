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

    def density(self, turns: FloatArray) -> FloatArray:
        """Power density of the noise over that of the innovations, at frequencies in radians per sample."""
        lags = np.multiply.outer(turns, np.arange(1, ORDER + 1))
        return np.asarray(1.0 / np.abs(1.0 - np.exp(-1j * lags) @ self.coefficients[ORDER]) ** 2)


class Colour:
    """Autocovariance of the noise, averaged over windows; every window has the same weight, however loud it was."""

    KEEP = 0.9

    def __init__(self) -> None:
        self._sums, self._pairs = np.zeros(ORDER + 1), np.zeros(ORDER + 1)

    def add_window(self, rest: FloatArray, good: NDArray[np.bool_], taken: FloatArray, noise_V: float) -> bool:
        """Residuals of one window (n,), zero where not good; taken: what fitting took out, in samples, per lag."""
        sums, pairs = np.zeros(ORDER + 1), np.zeros(ORDER + 1)
        whole = bool(good.all())
        for lag in range(ORDER + 1):
            sums[lag] = rest[lag:] @ rest[: rest.size - lag]
            pairs[lag] = rest.size - lag if whole else np.count_nonzero(good[lag:] & good[: good.size - lag])
        if pairs[-1] < 50:
            return False
        sums += sums[0] / max(pairs[0] - taken[0], 1.0) * taken * pairs / pairs[0]
        self._sums = self.KEEP * self._sums + sums / max(noise_V, 1e-15) ** 2
        self._pairs = self.KEEP * self._pairs + pairs
        return True

    def whitener(self) -> Whitener:
        """Predictors as measured; none if no lag is correlated beyond chance."""
        r = self._sums / self._pairs
        significant = np.abs(r[1:] / r[0]) > 3.0 / np.sqrt(self._pairs[0])
        return Whitener(r if significant.any() else None)
