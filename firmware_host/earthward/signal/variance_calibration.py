"""Is the noise at the waveform's own lines what the residual says? Two witnesses, both without a model of the noise.

First, each hop's own say in the value (its score): in noise as assumed, their scatter over the window's hops is the
value's variance; impulses, modulated mains and colour that the whitener does not follow make it larger. Second, the
quadrature, which carries no signal: its spread about its own slow mean is the noise at the waveform's lines.
Measured against planted truth both agree with the value's own spread; the scores are the steadier of the two, the
quadrature knows of noise that lasts longer than a hop.

Some noise is not the same from window to window (a heart that beats, a pump that knocks): then a window's own scores
say more about it than the average does. How much more is told by how far the scores of windows lie apart beyond what
chance does to so few hops: the credibility of classical insurance mathematics (Buehlmann 1967, from memory).

A pole that moves is no noise: while the signal itself changes within a window the reading's own sigma grows, but
neither witness is heard for those that follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

#: Independent windows over which both witnesses are averaged, and how many windows "as assumed" count beforehand.
MEMORY_WINDOWS = 20.0
PRIOR_WINDOWS = 4.0
#: One window counts in its average by this much more than usual at most (scores; quadrature, one degree of freedom).
MOST_SCORES = 2.5
MOST_QUADRATURE = 6.0
#: The quadrature is heard when it is further than this from the scores: nearer is its own chance.
APART = 1.5
#: Strong mains makes hops scatter that cancel over a window. The quadrature knows; over so many windows it is believed
#: downwards too, when it is below the scores by so much, and then with so much in reserve.
LONG_WINDOWS = 60.0
FAR_BELOW = 2.0
RESERVE = 1.15
#: A window whose scores scatter by more than this over their average is worse by itself.
BURST = 4.0
#: A window's own scores are credited with this share at most.
MOST_CREDIT = 0.8
#: The averages are believed downwards too, as far as this: what is allowed for nuisance terms is seldom all used.
LEAST = 0.2
#: Scores scatter less than this only where there are none.
LEAST_SCORES = 1e-3
#: A signal that moves takes the quadrature along by this much: a phase error of three degrees.
PHASE_LEAK = 0.05
#: Where that is more than so much of the quadrature's own standard error, the quadrature says nothing of noise.
MOST_LEAK = 0.7
#: A signal changes for so many windows in a row at the most; longer is noise that has grown.
LONGEST_CHANGE = 4.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Of one window. scatter: of the hops' own says in the value, over what it is in noise as assumed. fake_V: by which
    modulated mains may fake the value. even: were the hops as good as all there? If not they scatter for that alone."""

    scatter: float = 1.0
    fake_V: float = 0.0
    even: bool = True


class VarianceCalibration:
    """Factor by which a reading's variance must grow (or, a little, shrink). One call per reading, in order."""

    def __init__(self, hops: int) -> None:
        self._keep = 1.0 - 1.0 / (MEMORY_WINDOWS * hops)
        self._keep_long = 1.0 - 1.0 / (LONG_WINDOWS * hops)
        self._prior = PRIOR_WINDOWS * hops
        self._longest = LONGEST_CHANGE * hops
        #: Mean and variance of the logarithm of chi-square over its degrees of freedom, one less than hops.
        half = 0.5 * max(hops - 1, 1)
        self._log_mean = float(special.digamma(half)) - math.log(half)
        self._log_variance = float(special.polygamma(1, half))
        self.reset()

    def reset(self) -> None:
        """After a change of phase: the averages start anew."""
        self._count = self._heard = self._scores = self._quadratures = self._prior
        self._heard_long = self._quadratures_long = self._prior
        self._logs = self._prior
        self._log = self._prior * self._log_mean
        self._log2 = self._prior * (self._log_mean**2 + self._log_variance)
        self._changing = 0
        self._means = 0.0
        self._value = self._quadrature = 0.0

    def factor(self, evidence: Evidence, value: float, quadrature: float, variance_quadrature: float) -> float:
        """Of this window; variance_quadrature: as assumed, V^2."""
        scores = evidence.scatter
        keep = self._keep
        usual_scores, usual_quadrature = self._scores / self._count, max(self._quadratures / self._heard, 1.0)
        self._changing = self._changing + 1 if scores > BURST * max(usual_scores, 1.0) else 0
        if not 0 < self._changing <= self._longest:
            self._count = keep * self._count + 1.0
            self._scores = keep * self._scores + min(scores, MOST_SCORES * usual_scores)
            if evidence.even:
                log = math.log(max(scores, LEAST_SCORES))
                self._logs = keep * self._logs + 1.0
                self._log = keep * self._log + log
                self._log2 = keep * self._log2 + log * log
            self._means = keep * self._means + 1.0
            self._value += (value - self._value) / self._means
            self._quadrature += (quadrature - self._quadrature) / self._means
            leak = PHASE_LEAK * abs(value - self._value)
            if leak * leak < MOST_LEAK**2 * variance_quadrature:
                apart = max(abs(quadrature - self._quadrature) - leak, 0.0)
                spread = min(apart * apart / (variance_quadrature + 1e-300), MOST_QUADRATURE * usual_quadrature)
                self._heard = keep * self._heard + 1.0
                self._quadratures = keep * self._quadratures + spread
                self._heard_long = self._keep_long * self._heard_long + 1.0
                self._quadratures_long = self._keep_long * self._quadratures_long + spread
        by_scores, by_quadrature = self._scores / self._count, self._quadratures / self._heard
        factor = by_scores
        if by_quadrature > APART * by_scores or (by_scores > 1.5 and by_scores > APART * by_quadrature):
            factor = by_quadrature
        by_long = max(self._quadratures_long / self._heard_long, by_quadrature)
        if by_scores > FAR_BELOW * by_long:
            factor = RESERVE * by_long
        own = scores / by_scores
        credited = 1.0 + self.credit * (min(own, BURST) - 1.0) if evidence.even else 1.0
        return max(factor, LEAST) * max(credited, own / BURST)

    @property
    def credit(self) -> float:
        """Share of a window's own scores in its factor: 0 in steady noise."""
        spread = self._log2 / self._logs - (self._log / self._logs) ** 2
        return min(max(0.0, 1.0 - self._log_variance / max(spread, 1e-9)), MOST_CREDIT)
