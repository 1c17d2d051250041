"""Is the noise at the waveform's own lines what the residual says? Two witnesses, both without a model of the noise.

First, each hop's own say in the value (its score): in noise as assumed their scatter over the window's hops is the
value's variance; impulses, modulated mains and colour that the whitener does not follow make it larger. Second, the
quadrature, which carries no signal: how it changes from window to window is the noise at the waveform's lines.
"""

from __future__ import annotations

#: Independent windows over which both witnesses are averaged, and how many windows "as assumed" count beforehand.
MEMORY_WINDOWS = 20.0
PRIOR_WINDOWS = 4.0
#: The averaged scores are believed downwards too, as far as this: nuisance terms are seldom as bad as allowed for.
LEAST = 0.7
#: Scatter of the averaged quadrature that is chance; of a single window's scores (nine or so degrees of freedom).
SLACK_QUADRATURE = 0.25
SLACK_ONE = 2.6
#: A signal that moves takes the quadrature along by this much: a phase error of three degrees.
PHASE_LEAK = 0.05
MOST = 1e4


class Honesty:
    """Factor by which a reading's variance must grow (or, a little, shrink). One call per reading, in order."""

    def __init__(self, hops: int) -> None:
        self._hops = hops
        self._keep = 1.0 - 1.0 / (MEMORY_WINDOWS * hops)
        self.reset()

    def reset(self) -> None:
        """After a change of phase or signal: the averages start anew."""
        count = PRIOR_WINDOWS * self._hops
        self._count = self._count_q = count
        self._scores = self._quadratures = count
        self._past: list[tuple[float, float] | None] = [None] * self._hops
        self._place = 0

    def factor(self, scores: float, value: float, quadrature: float, variance_quadrature: float) -> float:
        """scores: scatter of the hops' scores over what is assumed; variance_quadrature: as assumed, V^2."""
        scores = min(scores, MOST)
        self._count = self._keep * self._count + 1.0
        self._scores = self._keep * self._scores + scores
        before = self._past[self._place]
        self._past[self._place] = (value, quadrature)
        self._place = (self._place + 1) % self._hops
        if before is not None and variance_quadrature > 0:
            apart = max(abs(quadrature - before[1]) - PHASE_LEAK * abs(value - before[0]), 0.0)
            self._count_q = self._keep * self._count_q + 1.0
            self._quadratures = self._keep * self._quadratures + min(0.5 * apart**2 / variance_quadrature, MOST)
        return max(
            LEAST,
            self._scores / self._count,
            self._quadratures / self._count_q - SLACK_QUADRATURE,
            scores / SLACK_ONE,
        )

    def skip(self) -> None:
        """A reading without a value."""
        self._past[self._place] = None
        self._place = (self._place + 1) % self._hops
