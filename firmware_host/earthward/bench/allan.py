"""Allan deviation of a voltage: how far means over `tau` differ from one to the next. What drift costs a station.

The library `allantools` works it out (overlapping estimator; W. J. Riley, NIST Special Publication 1065, 2008). A
voltage takes the place of the fractional frequency: both are means over the sampling interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earthward.errors import InputError
from earthward.signal.types import FloatArray


@dataclass(frozen=True, slots=True)
class AllanCurve:
    """tau_s, deviation_V (n,): overlapping Allan deviation; pairs: how many differences each rests on."""

    tau_s: FloatArray
    deviation_V: FloatArray
    pairs: FloatArray

    def at(self, tau_s: float) -> float | None:
        """The deviation at one of the tau; None if the record was too short for it."""
        hit = np.flatnonzero(np.isclose(self.tau_s, tau_s))
        return float(self.deviation_V[hit[0]]) if hit.size else None


def available() -> bool:
    try:
        import allantools  # noqa: F401
    except ImportError:
        return False
    return True


def allan_curve(means_V: FloatArray, interval_s: float = 1.0, taus_s: tuple[float, ...] | None = None) -> AllanCurve:
    """Of means over successive intervals. Raises InputError without the library or with fewer than 8 means."""
    if len(means_V) < 8:
        raise InputError(f"{len(means_V)} means are too few for an Allan deviation: record longer, 8 s at the least")
    try:
        import allantools
    except ImportError:
        raise InputError("the Allan deviation needs the package allantools: pip install 'earthward[bench]'") from None
    wanted = taus_s or tuple(interval_s * 2.0**k for k in range(12) if 2.0**k <= len(means_V) / 3)
    tau, deviation, _, count = allantools.oadev(means_V, rate=1.0 / interval_s, data_type="freq", taus=list(wanted))
    return AllanCurve(np.asarray(tau, float), np.asarray(deviation, float), np.asarray(count, float))
