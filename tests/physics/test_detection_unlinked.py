"""Without a shared clock: acquiring the code, never a guessed sign, and nothing else that locks."""

from __future__ import annotations

import numpy as np
import pytest
from tests.physics.detection_tools import bound, run, stream
from tests.support.lock_trials import lock_trial

from earthward.emulated.pair_recording import PairScene, record
from earthward.signal.batch import detect
from earthward.signal.detector import DetectorSettings
from earthward.signal.types import PhaseReference


def test_locks_within_two_seconds_with_the_right_sign() -> None:
    """Amplitude 0.3 x the noise of one sample, frequency known to +-0.5 % only."""
    rng = np.random.default_rng(1)
    outcomes = [(1 if k % 2 else -1, *lock_trial(rng, 0.3 * (1 if k % 2 else -1), 0.0)) for k in range(150)]
    assert sum(window is not None for _, window, _ in outcomes) >= 147
    assert all(found == sign for sign, window, found in outcomes if window is not None)


@pytest.mark.parametrize("tone", [0.0, 0.5, 2.0, 10.0])
def test_noise_or_a_rival_tone_never_locks(tone: float) -> None:
    """A tone anywhere, or on one of the code's own lines. 100,000 trials of each: bench_detector.py lock --slow."""
    rng = np.random.default_rng(2)
    assert all(lock_trial(rng, 0.0, tone)[0] is None for _ in range(120))


@pytest.mark.parametrize("offset", [-0.005, 0.0, 0.005])
def test_readings_without_a_link(offset: float) -> None:
    scene = PairScene(frequency_Hz=35.0 * (1 + offset), amplitude_V=-8e-6)
    result = run(record(scene, 30, 5), 0.5, 0.5, sync="none", frequency_Hz=35.0)
    pulls = []
    for r in result.readings:
        if r.value_V is None or r.sigma_V is None:
            assert "acquiring" in r.flags
            assert r.sigma_V is None and r.p_sign is None and r.snr is None
            assert r.t_s < 2.0
        else:
            assert r.value_V < 0
            pulls.append((r.value_V - scene.amplitude_V) / r.sigma_V)
    assert result.clock_offset == pytest.approx(offset, abs=3e-5)
    z = np.array(pulls[2:])
    assert np.mean(z**2) < 1.2 + 3 * np.sqrt(2 / z.size)
    assert np.mean(z**2) > 0.85 - 3 * np.sqrt(2 / z.size)


def test_a_clock_off_by_half_a_percent_costs_nothing_with_the_map() -> None:
    """The map's word of the moment comes with each block; nominal frequency 0.5 % wrong."""
    scene = PairScene(frequency_Hz=35.0 * 1.005, amplitude_V=8e-6)
    known = PhaseReference(scene.start_s, scene.frequency_Hz, sigma_s=20e-6)
    readings = stream(record(scene, 40, 2), 0.5, lambda _t: known, frequency_Hz=35.0)[60::10]
    e = np.array([r.value_V - scene.amplitude_V for r in readings if r.value_V is not None])
    assert e.size > 60
    assert np.mean(e**2) / bound(scene, 0.5) ** 2 < 1.05 + 3 * np.sqrt(2 / e.size)
    assert abs(e.mean()) / scene.amplitude_V < 0.005 + 3 * bound(scene, 0.5) / scene.amplitude_V / np.sqrt(e.size)


@pytest.mark.parametrize("what", ["silence", "tone"])
def test_nothing_to_lock_on_stays_acquiring(what: str) -> None:
    recording = record(PairScene(amplitude_V=0.0), 8, 1)
    v = recording.v_V + (40e-6 * np.cos(2 * np.pi * 70.1 * recording.end_s) if what == "tone" else 0.0)
    result = detect(recording.t_s, v, DetectorSettings(sync="none"))
    assert len(result.readings) > 20
    assert all(r.value_V is None and "acquiring" in r.flags for r in result.readings)
