"""The detector on a plain recording: value, sign, sigma, sample rate; and what it does with odd blocks."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.record.waveform import WAVEFORMS
from earthward.signal import waveforms
from earthward.signal.batch import detect
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import FloatArray, PhaseReference, SampleBlock

RATE, FREQUENCY, START = 884.3, 35.0, 0.0123


def recording(
    amplitude: float, noise: float, seconds: float, seed: int, waveform: str = "coded"
) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    end = 0.5 + (1 + np.arange(n)) / RATE
    name = next(w for w in WAVEFORMS if w == waveform)
    v = amplitude * waveforms.averaged(name, (end - START) * FREQUENCY, FREQUENCY / RATE)
    v = v + noise * rng.standard_normal(n) + 1e-3
    return end + np.abs(rng.normal(0, 200e-6, n)), v


@pytest.mark.parametrize("waveform", ["coded", "square", "sine"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_value_and_sign(waveform: str, sign: float) -> None:
    t, v = recording(sign * 20e-6, 8e-6, 6.0, 1, waveform)
    name = next(w for w in WAVEFORMS if w == waveform)
    result = detect(t, v, DetectorSettings(waveform=name, frequency_Hz=FREQUENCY), start_s=START)
    assert result.sample_rate_Hz == pytest.approx(RATE, rel=1e-5)
    assert len(result.readings) > 15
    for reading in result.readings:
        assert reading.value_V is not None and reading.sigma_V is not None
        assert abs(reading.value_V - sign * 20e-6) < 5 * reading.sigma_V
        assert reading.p_sign is not None and reading.p_sign > 0.999


def test_empty_blocks_gaps_and_reset() -> None:
    t, v = recording(50e-6, 8e-6, 4.0, 2)
    index, _ = index_from_stamps(t)
    detector = Detector(DetectorSettings(frequency_Hz=FREQUENCY))
    reference = PhaseReference(START, FREQUENCY)
    empty = SampleBlock(index[:0], t[:0], v[:0], np.zeros(0, np.uint8), 0.256)
    assert detector.push(empty, None) == []
    readings = []
    for a in range(0, 2000, 20):
        if a == 1000:
            detector.reset()
            reset_at = t[a - 1]
        if a == 1200:
            continue  # twenty conversions lost
        part = slice(a, a + 20)
        readings += detector.push(SampleBlock(index[part], t[part], v[part], np.zeros(20, np.uint8), 0.256), reference)
    after = [r for r in readings if r.newest_s > reset_at]
    assert min(r.t_s - r.window_s / 2 for r in after) >= reset_at - 2e-3
    assert any(r.lost_fraction > 0.02 and "lost" in r.flags for r in after)
    assert all(r.value_V is not None and r.value_V > 0 for r in readings)


def test_without_reference_nothing_is_claimed() -> None:
    t, v = recording(50e-6, 8e-6, 2.0, 3, "square")
    result = detect(t, v, DetectorSettings(waveform="square", frequency_Hz=FREQUENCY, sync="none"))
    assert result.readings and all(r.value_V is None and "acquiring" in r.flags for r in result.readings)
