"""Which range the converter uses: widen at once, narrow slowly. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from earthward.devices.ads1115.chip import FULL_SCALE_V

#: widen at once above this share of full scale ...
WIDEN_AT = 0.90
#: ... and narrow only when the narrower range would have been used no more than this for NARROW_S
NARROW_AT = 0.45
NARROW_S = 2.0
#: largest code that does not ask for a wider range
WIDEN_CODE = round(WIDEN_AT * 32767)

_GAINS = sorted(FULL_SCALE_V)  # widest first
WIDEST_GAIN = _GAINS[0]


def better_gain(
    gain: float, peaks: Sequence[tuple[float, int]], now: float, *, clipped: bool, since_change_s: float
) -> float | None:
    """The gain to change to, or None to stay. peaks: (time, largest code), newest last, of the present range only."""
    if not peaks:
        return None
    at = _GAINS.index(gain)
    if peaks[-1][1] > WIDEN_CODE and at > 0:
        return _GAINS[max(0, at - (2 if clipped else 1))]
    if at + 1 >= len(_GAINS) or since_change_s < NARROW_S:
        return None
    recent = max(code for t, code in peaks if t > now - NARROW_S)
    # A narrower range must fit with room for offset drift and mains; two steps down are taken one by one.
    narrower = _GAINS[at + 1]
    fits = recent * FULL_SCALE_V[gain] < NARROW_AT * 32767 * FULL_SCALE_V[narrower]
    return narrower if fits else None
