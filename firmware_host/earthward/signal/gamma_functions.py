"""Derivatives of the logarithm of the gamma function, without SciPy's 40 MB in a daemon that needs nothing else of it.

Recurrence up to arguments of 10 and more, there the asymptotic series (NIST Digital Library of Mathematical Functions,
5.5.2, 5.11.2 and 5.15.5, 5.15.8); good to 1e-13.
"""

from __future__ import annotations

import numpy as np

from earthward.signal.types import FloatArray

#: Bernoulli numbers B2, B4, .. B14 (DLMF table 24.2.3)
BERNOULLI = (1 / 6, -1 / 30, 1 / 42, -1 / 30, 5 / 66, -691 / 2730, 7 / 6)
UP = 10


def digamma(x: FloatArray) -> FloatArray:
    """First derivative, for x > 0."""
    far = x + UP
    series = np.log(far) - 0.5 / far
    series -= sum(b / (2 * k * far ** (2 * k)) for k, b in enumerate(BERNOULLI, 1))
    return np.asarray(series - sum(1.0 / (x + k) for k in range(UP)))


def trigamma(x: FloatArray) -> FloatArray:
    """Second derivative, for x > 0."""
    far = x + UP
    series = 1.0 / far + 0.5 / far**2
    series += sum(b / far ** (2 * k + 1) for k, b in enumerate(BERNOULLI, 1))
    return np.asarray(series + sum(1.0 / (x + k) ** 2 for k in range(UP)))
