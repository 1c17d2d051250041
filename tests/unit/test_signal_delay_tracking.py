"""The delay between reference and signal, tracked from the readings' quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import default_rng

from earthward.record.reading import Reading
from earthward.record.waveform import WaveformName
from earthward.signal.delay_tracking import LARGEST_S, DelayTracker
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.types import PhaseReference, SampleBlock
from earthward.signal.waveforms import averaged

RATE_HZ, FREQUENCY_HZ, AMPLITUDE_V, NOISE_V = 860.0, 36.0, 100e-6, 8e-6


def run(
    waveform: WaveformName, delay_s: float, seconds: float = 12.0, amplitude_V: float = AMPLITUDE_V
) -> tuple[DelayTracker, list[Reading]]:
    """Readings of a signal that starts `delay_s` after what the reference says."""
    rng = default_rng(5)
    t = np.arange(1, int(seconds * RATE_HZ)) / RATE_HZ
    v = amplitude_V * averaged(waveform, (t - delay_s) * FREQUENCY_HZ, FREQUENCY_HZ / RATE_HZ)
    v = v + rng.normal(0, NOISE_V, t.size)
    detector = Detector(DetectorSettings(waveform=waveform, frequency_Hz=FREQUENCY_HZ, mains_Hz=(50.0,)))
    tracker = DelayTracker(waveform)
    readings: list[Reading] = []
    for k in range(0, t.size, 22):
        s = slice(k, min(k + 22, t.size))
        index = np.arange(s.start, s.stop, dtype=np.int64)
        block = SampleBlock(index, t[s], v[s], np.zeros(index.size, dtype=np.uint8), 0.256)
        for reading in detector.push(block, tracker.apply(PhaseReference(0.0, FREQUENCY_HZ, 50e-6))):
            tracker.learn(reading, FREQUENCY_HZ, FREQUENCY_HZ / RATE_HZ)
            readings.append(reading)
    return tracker, readings


@pytest.mark.parametrize("waveform", ["coded", "square", "sine"])
@pytest.mark.parametrize("delay_s", [0.3e-3, -0.25e-3, 0.0])
def test_a_lopsided_round_trip_is_found_and_taken_out(waveform: WaveformName, delay_s: float) -> None:
    tracker, readings = run(waveform, delay_s)
    assert tracker.delay_s == pytest.approx(delay_s, abs=max(4 * tracker.sigma_s, 20e-6))
    late = [r for r in readings if r.t_s > 6.0]
    values = np.array([r.value_V for r in late], dtype=float)
    assert values.mean() == pytest.approx(AMPLITUDE_V, rel=0.01)


def test_what_it_is_for() -> None:
    """The first reading, before anything is known, is short by the waveform's own correlation at that delay."""
    _, readings = run("coded", 0.45e-3, seconds=1.2)
    phase = np.arange(100_000) / 100_000
    span = FREQUENCY_HZ / RATE_HZ
    signal, reference = averaged("coded", phase - 0.45e-3 * FREQUENCY_HZ, span), averaged("coded", phase, span)
    expected = float(np.mean(signal * reference) / np.mean(reference**2))
    assert expected < 0.96
    assert readings[0].value_V == pytest.approx(AMPLITUDE_V * expected, rel=0.02)


def test_noise_alone_moves_nothing() -> None:
    tracker, _ = run("coded", 0.0, amplitude_V=0.0)
    assert tracker.delay_s == 0.0


def test_what_no_clock_explains_is_not_followed() -> None:
    tracker, readings = run("coded", 4e-3)
    assert abs(tracker.delay_s) <= LARGEST_S
    assert "quadrature" in readings[-1].flags


def test_the_sign_never_moves_it() -> None:
    tracker, _ = run("coded", 0.3e-3, amplitude_V=-AMPLITUDE_V)
    assert tracker.delay_s == pytest.approx(0.3e-3, abs=30e-6)
