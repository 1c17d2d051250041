"""One acquisition of the code without a clock, on white noise of unit sigma: for tests and benchmark alike."""

from __future__ import annotations

import numpy as np

from earthward.signal import waveforms
from earthward.signal.acquire import CodeTracker

RATE_HZ, HOPS, SLOTS = 885.8, 10, 44
FREQUENCY_HZ = 35.0


def reading_sigma(seconds: float = 0.5) -> float:
    """Standard error of a reading of that length in noise of unit sigma: the Cramer-Rao bound."""
    power = waveforms.mean_square("coded", FREQUENCY_HZ / RATE_HZ)
    return float(1.0 / np.sqrt(seconds * RATE_HZ * power))


def lock_trial(rng: np.random.Generator, amplitude: float, tone: float, windows: int = 4) -> tuple[int | None, float]:
    """Windows of half a second of noise with the code or a tone in it: (window of the lock or None, sign found).

    The source's frequency is anywhere within 0.5 % of the nominal one; the tone anywhere, or on one of the code's
    own lines, by turns.
    """
    tracker = CodeTracker("coded", FREQUENCY_HZ)
    frequency = FREQUENCY_HZ * (1 + rng.uniform(-0.005, 0.005))
    phase, turn = rng.uniform(), rng.uniform(0, 2 * np.pi)
    tone_Hz = (
        rng.uniform(20.0, 430.0)
        if rng.uniform() < 0.5
        else FREQUENCY_HZ * rng.integers(1, 12) * (1 + rng.uniform(-0.005, 0.005))
    )
    for w in range(windows):
        t = ((w * HOPS * SLOTS + 1 + np.arange(HOPS * SLOTS)) / RATE_HZ).reshape(HOPS, SLOTS)
        v = rng.standard_normal((HOPS, SLOTS))
        if amplitude:
            v += amplitude * waveforms.averaged("coded", t * frequency + phase, frequency / RATE_HZ)
        if tone:
            v += tone * np.cos(2 * np.pi * tone_Hz * t + turn)
        tracker.add_window(t, v, np.ones_like(v), 1 / RATE_HZ, 1.0)
        if tracker.locked:
            found = tracker.reference(float(t[-1, -1]))
            assert found is not None
            r = waveforms.averaged("coded", (t - found.start_s) * found.frequency_Hz, found.frequency_Hz / RATE_HZ)
            return w, float(np.sign((r * v).sum()))
    return None, 0.0
