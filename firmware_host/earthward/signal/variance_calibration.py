"""Calibration of a reading's variance: by how much it differs from what least squares in the assumed noise gives.

One model, three parts. All sources from memory.

1. Per-hop influence. A value is a sum of the influences of its window's hops (its scores). Their sum of squares
   estimates the value's variance whatever the hops' own variances are (White 1980); with the products of neighbours,
   weighted by Bartlett's triangle, also when neighbours are correlated (Newey and West 1987). The reach is the mains
   tracker's taper: its errors, which cancel over a window, are alike for that long. The estimate is scaled to one in
   white noise.
2. Conjugate prior. A window has few hops. Its variance is taken as drawn from a scaled inverse chi-square whose scale
   and degrees of freedom are estimated from the mean and the variance of the logarithms of past windows (Smyth 2004,
   "empirical Bayes"); outlying logarithms are drawn in to a multiple of their spread (Phipson et al. 2016). Steady
   noise makes the prior firm; noise that changes from window to window (a heart, a pump) makes it loose, and the
   window's own scores count.
3. Long correlation. What is correlated for longer than the taper cannot be seen within one window. The quadrature
   carries no signal; the variance of its whole-window values over what parts 1 and 2 predict for it is the missing
   ratio: the mean of a scaled inverse chi-square again, with prior one. A reference that may be late turns some of the
   value into the quadrature: what it scatters beyond the prediction is put down to that, as far as that may reach. What
   may be turned, but is not there, proves no quiet.

A moving pole is not noise: a window that scatters far beyond the prior teaches nothing, unless that lasts; and the
variance of the quadrature is increased by the part of the change of the value that a phase error leaks into it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from earthward.signal.gamma_functions import digamma, trigamma
from earthward.signal.types import FloatArray

#: Independent windows over which the prior's logarithms, and over which the quadrature's ratio are averaged.
PRIOR_WINDOWS = 20.0
RATIO_WINDOWS = 100.0
#: Windows' worth of "noise as assumed" that count beforehand: for the prior; for the ratio.
PRIOR_COUNT = 4.0
RATIO_COUNT = 8.0
#: The prior weighs at most so many times a window's own scores.
FIRMEST = 8.0
#: Standard deviations beyond which a window is an outlier to both averages.
OUTLIER = 4.0
#: A window that scatters by so much over the prior holds a change of the signal, for so many windows at most.
CHANGE = 6.0
LONGEST_CHANGE = 4.0
#: Phase error that leaks a change of the value into the quadrature, radians (three degrees).
PHASE_LEAK_RAD = 0.05
#: Scores are never believed to scatter less than this: logarithm of nothing.
LEAST_SCATTER = 1e-6

#: Degrees of freedom against the variance and the mean of the logarithm of chi-square over its degrees of freedom.
_FREEDOM: FloatArray = np.exp(np.linspace(math.log(0.2), math.log(2000.0), 400))
_LOG_VARIANCE: FloatArray = trigamma(_FREEDOM / 2)
_LOG_MEAN: FloatArray = digamma(_FREEDOM / 2) - np.log(_FREEDOM / 2)


#: The same as tuples with a rising first one: one look-up with numpy takes longer than the arithmetic around it.
_BY_VARIANCE = tuple(_LOG_VARIANCE[::-1].tolist()), tuple(_FREEDOM[::-1].tolist())
_BY_FREEDOM = tuple(_FREEDOM.tolist()), tuple(_LOG_MEAN.tolist())


def _between(x: float, table: tuple[Sequence[float], Sequence[float]]) -> float:
    """Straight line between the neighbours of x; the end beyond the ends."""
    xs, ys = table
    k = bisect_right(xs, x)
    if k == 0:
        return ys[0]
    if k == len(xs):
        return ys[-1]
    return ys[k - 1] + (ys[k] - ys[k - 1]) * (x - xs[k - 1]) / (xs[k] - xs[k - 1])


class Evidence(NamedTuple):
    """Of one window. scatter, scatter_quadrature: variance of value and quadrature by their hops' influences, over what
    it is in noise as assumed. false_V: by which modulated mains may falsify the value. even: were all hops as good as
    complete? If not they scatter for that alone."""

    scatter: float = 1.0
    scatter_quadrature: float = 1.0
    false_V: float = 0.0
    even: bool = True


class InfluenceKernel:
    """Bartlett's kernel as sums of neighbours: `smooth @ influences` squared and summed is the variance."""

    def __init__(self, hops: int, reach: int) -> None:
        reach = max(1, min(reach, hops))
        #: (hops, hops + reach - 1); influences of windows (windows, hops) are multiplied from the left.
        self.smooth: FloatArray = np.zeros((hops, hops + reach - 1))
        for k in range(hops):
            self.smooth[k, k : k + reach] = 1.0
        # The influences of one window add up to nothing: in white noise they are independent but for their mean.
        centre = np.eye(hops) - 1.0 / hops
        weights = np.linalg.eigvalsh(centre @ self.smooth @ self.smooth.T @ centre).clip(0.0)
        self.smooth /= math.sqrt(float(weights.sum()) / max(hops - 1, 1))
        #: Degrees of freedom of the estimate in white noise (Satterthwaite 1946), mean and variance of its logarithm.
        self.freedom = float(weights.sum()) ** 2 / float(weights @ weights)
        self.log_mean, self.log_variance = _log_moments(weights / float(weights.sum()))


def _log_moments(weights: FloatArray) -> tuple[float, float]:
    """Mean and variance of log Q, Q = sum of weights times chi-squares of one degree of freedom.

    With E exponential of mean one, P(log E - log Q > x) is Q's Laplace transform at exp(x), and E's own logarithm has
    the mean -0.5772 and the variance pi^2 / 6 (Gumbel).
    """
    x = np.linspace(-30.0, 60.0, 9001)
    beyond = np.exp(-0.5 * np.log1p(2.0 * np.multiply.outer(np.exp(x), weights)).sum(axis=1))
    probability, middle = -np.diff(beyond), 0.5 * (x[1:] + x[:-1])
    mean = float(probability @ middle)
    variance = float(probability @ (middle - mean) ** 2)
    return -np.euler_gamma - mean, variance - math.pi**2 / 6.0


class VarianceCalibration:
    """Factor on a reading's least-squares variance. One call per reading, in order."""

    def __init__(self, hops: int, kernel: InfluenceKernel) -> None:
        self._keep = 1.0 - 1.0 / (PRIOR_WINDOWS * hops)
        self._keep_ratio = 1.0 - 1.0 / (RATIO_WINDOWS * hops)
        self._prior_count, self._ratio_count = PRIOR_COUNT * hops, RATIO_COUNT * hops
        self._longest = LONGEST_CHANGE * hops
        self._freedom = kernel.freedom
        self._log_mean, self._log_variance = kernel.log_mean, kernel.log_variance
        self.reset()

    def reset(self) -> None:
        """After a change of phase: the averages start anew."""
        self._count = self._prior_count
        self._mean = self._log_mean
        self._variance = self._log_variance
        self._ratios = self._ratio_count
        self._spread, self._turned = 1.0, 0.0
        self.ratio = 1.0
        self._changing = 0
        self._windows = 0.0
        self._value = self._quadrature = 0.0

    def factor(
        self, evidence: Evidence, value: float, quadrature: float, variance_quadrature: float, turned: float = 0.0
    ) -> float:
        """Of this window; variance_quadrature: as assumed, V^2; turned: what a reference as late as it may be adds."""
        scale, freedom = self.prior()
        scatter = evidence.scatter
        # A window with hops missing has no scores to speak of: they count as one degree of freedom.
        own = self._freedom if evidence.even else 1.0
        variance = (freedom * scale + own * scatter) / (freedom + own)
        across = (freedom * scale + own * evidence.scatter_quadrature) / (freedom + own)
        self._changing = self._changing + 1 if scatter > CHANGE * scale else 0
        if 0 < self._changing <= self._longest:
            return variance * self.ratio
        if evidence.even:
            self._learn_scatter(scatter)
        self._learn_ratio(across * variance_quadrature, turned, value, quadrature)
        return variance * self.ratio

    def prior(self) -> tuple[float, float]:
        """Scale and degrees of freedom of the windows' variances, from the moments of their logarithms."""
        excess = self._variance - self._log_variance
        freedom = _between(excess, _BY_VARIANCE)
        scale = math.exp(self._mean - self._log_mean + _between(freedom, _BY_FREEDOM))
        return scale, min(freedom, FIRMEST * self._freedom)

    def _learn_scatter(self, scatter: float) -> None:
        reach = OUTLIER * math.sqrt(max(self._variance, self._log_variance))
        apart = min(max(math.log(max(scatter, LEAST_SCATTER)) - self._mean, -reach), reach)
        self._count = self._keep * self._count + 1.0
        share = 1.0 / self._count
        self._mean += share * apart
        self._variance = (1.0 - share) * (self._variance + share * apart * apart)

    def _learn_ratio(self, variance: float, turned: float, value: float, quadrature: float) -> None:
        self._windows = self._keep * self._windows + 1.0
        self._value += (value - self._value) / self._windows
        self._quadrature += (quadrature - self._quadrature) / self._windows
        leak = PHASE_LEAK_RAD * (value - self._value)
        # The more of it may be signal, leaked or turned, the less the quadrature has to say of noise.
        variance += 1e-300
        weight = (variance / (variance + leak * leak + turned)) ** 2
        turned /= variance
        spread = min((quadrature - self._quadrature) ** 2 / variance, OUTLIER**2 * (self.ratio + turned))
        self._ratios = self._keep_ratio * self._ratios + weight
        share = weight / self._ratios
        self._spread += share * (spread - self._spread)
        self._turned += share * (turned - self._turned)
        self.ratio = self._spread - min(max(self._spread - 1.0, 0.0), self._turned)
