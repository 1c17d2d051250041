"""A pole that is moved on every second or so: what is read between the moves is neither timid nor bold.

Own planted truth. The bound is that of a known waveform in white noise, noise / sqrt(N mean_square), from Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory (1993), linear model.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import default_rng

from earthward.record.waveform import WaveformName
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.types import PhaseReference, SampleBlock
from earthward.signal.waveforms import averaged, mean_square

RATE_HZ, FREQUENCY_HZ, NOISE_V = 860.0, 36.0, 8e-6


@pytest.mark.parametrize("waveform", ["coded", "square"])
@pytest.mark.parametrize("mains_V", [0.0, 1e-3])
def test_sigma_between_moves(waveform: WaveformName, mains_V: float) -> None:
    rng = default_rng(11)
    seconds, hold_s = 60.0, 1.2
    t = np.arange(1, int(seconds * RATE_HZ)) / RATE_HZ
    moves = np.arange(0.0, seconds + hold_s, hold_s)
    amplitude = 300e-6 * rng.uniform(-1, 1, moves.size) * 10 ** rng.uniform(-2, 0, moves.size)
    true = amplitude[np.searchsorted(moves, t, side="right") - 1]
    v = true * averaged(waveform, t * FREQUENCY_HZ, FREQUENCY_HZ / RATE_HZ) + rng.normal(0, NOISE_V, t.size)
    v = v + mains_V * np.sin(2 * np.pi * 50.03 * t + 1.0)
    detector = Detector(DetectorSettings(waveform=waveform, frequency_Hz=FREQUENCY_HZ))
    off, sigma, samples = [], [], 0.0
    for k in range(0, t.size, 22):
        index = np.arange(k, min(k + 22, t.size), dtype=np.int64)
        block = SampleBlock(index, t[index], v[index], np.zeros(index.size, dtype=np.uint8), 0.256)
        for reading in detector.push(block, PhaseReference(0.0, FREQUENCY_HZ, 1e-5)):
            ends = reading.t_s + (reading.window_s / 2 + 2e-3) * np.array([-1.0, 1.0])
            first, last = np.searchsorted(moves, ends, side="right") - 1
            if first == last and reading.t_s > 8.0:
                assert reading.value_V is not None
                assert reading.sigma_V is not None
                off.append((reading.value_V - amplitude[first]) / reading.sigma_V)
                sigma.append(reading.sigma_V)
                samples = reading.window_s * RATE_HZ
    bound = NOISE_V / np.sqrt(samples * mean_square(waveform, FREQUENCY_HZ / RATE_HZ))
    assert 0.6 < np.mean(np.square(off)) < 1.3
    assert np.max(np.abs(off)) < 5.0
    assert np.quantile(sigma, 0.95) < 1.6 * bound
