"""Delay tracking: the last tenths of a millisecond between the source's clock and the samples, from the signal itself.

The clock map rests on round trips, so half of a lopsided delay (serial adapter, a busy computer, the front end's own
filter) stays in it, and does not show there. It shows in the readings: a reference that is `d` late or early
moves part of the signal into the quadrature, always the same part, whatever the pole looks at. A code at 36 Hz read
860 times a second loses 1 % of its value at 0.2 ms and 5 % at 0.45 ms (its own correlation), which is more than the
noise of a strong reading, so it is worth following.

A scalar Kalman filter over readings that do not overlap. It follows tenths of a millisecond only: a quadrature that
would need more is something else (wrong phase, capacitive coupling) and stays to be flagged.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from earthward.record.reading import Reading
from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.types import FloatArray, PhaseReference

#: What may be wrong with the map when nothing is known yet: standard deviation, seconds (own estimate, no source).
START_SIGMA_S = 0.2e-3
#: Never followed further than this.
LARGEST_S = 0.6e-3
#: How fast the delay may walk, seconds per square root of a second (the map bends within seconds).
WALK_S = 10e-6
#: Readings weaker than this carry no usable information about the delay.
LEAST_SNR = 6.0


class DelayTracker:
    """Follow the delay of the signal behind the reference. One per pair; feed every reading of that pair."""

    def __init__(self, waveform: WaveformName) -> None:
        self._waveform = waveform
        self.reset()

    def reset(self) -> None:
        """Forget the delay: the board restarted, or its cable was out."""
        self.delay_s = 0.0
        self._variance = START_SIGMA_S**2
        self._at_s: float | None = None
        self._after_s = -math.inf

    @property
    def sigma_s(self) -> float:
        """Standard error of the delay."""
        return math.sqrt(self._variance)

    def apply(self, reference: PhaseReference) -> PhaseReference:
        """The reference moved by the delay; its error is the delay's once that is known better than the map."""
        return PhaseReference(
            start_s=reference.start_s + self.delay_s,
            frequency_Hz=reference.frequency_Hz,
            sigma_s=self.sigma_s if self._at_s is not None else max(reference.sigma_s, 0.0),
            frequency_sigma=reference.frequency_sigma,
        )

    def learn(self, reading: Reading, frequency_Hz: float, span: float) -> None:
        """Take one reading made with the applied reference (frequency in Hz, conversion in periods)."""
        first, last = reading.t_s - 0.5 * reading.window_s, reading.t_s + 0.5 * reading.window_s
        if first < self._after_s:
            return  # overlaps one already used, or was begun before the reference was moved
        v, q, sigma = reading.value_V, reading.quadrature_V, reading.sigma_V
        if v is None or q is None or not sigma or abs(v) < LEAST_SNR * sigma:
            return
        if "quadrature" in reading.flags and self._at_s is not None:
            return
        delays, ratios = _ratio_table(self._waveform, round(max(span, 0.0) * 1e3))
        ratio = q / v
        if not ratios[0] < ratio < ratios[-1]:
            return
        seen = float(np.interp(ratio, ratios, delays)) / frequency_Hz
        slope = (ratios[-1] - ratios[0]) / (delays[-1] - delays[0]) * frequency_Hz
        noise = math.hypot(1.2 * sigma / abs(v) / slope, 5e-6)
        if self._at_s is not None:
            self._variance += WALK_S**2 * max(0.0, reading.t_s - self._at_s)
        if abs(seen) > 5 * math.sqrt(self._variance + noise**2) and self._at_s is not None:
            # Far from what was expected: believe it less, but let the doubt grow so that a real jump is followed soon.
            self._variance += (0.25 * seen) ** 2
            self._after_s = last
            return
        gain = self._variance / (self._variance + noise**2)
        self.delay_s = min(max(self.delay_s + gain * seen, -LARGEST_S), LARGEST_S)
        self._variance *= 1.0 - gain
        self._at_s = reading.t_s
        self._after_s = last


@lru_cache(maxsize=64)
def _ratio_table(waveform: WaveformName, span_key: int) -> tuple[FloatArray, FloatArray]:
    """(delay in periods, quadrature over in-phase) for small delays, both rising.

    With c_k the line amplitudes, a delay d leaves sum |c_k|^2 cos(2 pi k d) in phase and sum |c_k|^2 sin(2 pi k d)
    in the quadrature whose every line is delayed by a quarter of its own period.
    """
    power = np.abs(waveforms.averaged_spectrum(waveform, 400, span_key / 1e3)) ** 2
    k = np.arange(1, power.size + 1)
    delay = np.linspace(-0.04, 0.04, 81)
    angle = 2 * np.pi * np.outer(delay, k)
    ratio = (np.sin(angle) @ power) / (np.cos(angle) @ power)
    # Keep the stretch around zero over which it rises.
    middle = delay.size // 2
    rising = np.diff(ratio) > 0
    low = middle - int(np.argmin(rising[:middle][::-1])) if not rising[:middle].all() else 0
    high = middle + int(np.argmin(rising[middle:])) if not rising[middle:].all() else delay.size - 1
    return delay[low : high + 1], ratio[low : high + 1]
