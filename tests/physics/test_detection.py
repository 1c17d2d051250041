"""The detector against bounds, textbooks, a classical lock-in, and disturbances with a known truth.

Long sweeps are in tests/benchmarks/bench_detector.py; here is the fast subset. Where an outcome is a variance over
few readings, its own scatter (sqrt(2 / n) of it) is allowed for, three times.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from tests.physics.detection_tools import BOTH_MAINS, bound, excess, outcome, run, stream

from earthward.emulated.pair_recording import PairScene, record
from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.batch import detect
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import PhaseReference, SampleBlock

SQUARE: WaveformName = "square"
SINE: WaveformName = "sine"
CODED: WaveformName = "coded"


def scatter(n: int) -> float:
    return 3.0 * float(np.sqrt(2.0 / n))


# ---- the limit ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
@pytest.mark.parametrize("window_s", [0.25, 0.5, 1.0])
def test_white_noise_with_late_stamps_is_at_the_bound(waveform: WaveformName, window_s: float) -> None:
    """Stamps late by 200 us, stalls: no more than 5 % above the Cramer-Rao bound of the known waveform."""
    ratio, n = excess(PairScene(waveform=waveform), window_s, 40 if window_s < 1 else 60, 1)
    assert n > 50
    assert ratio < 1.05


@pytest.mark.parametrize("window_s", [0.5, 1.0])
def test_both_mains_at_a_hundred_times_the_signal(window_s: float) -> None:
    """50 and 60 Hz with harmonics, each swinging by +-0.2 Hz: no more than 10 % above the bound."""
    ratio, n = excess(PairScene(mains_V=BOTH_MAINS), window_s, 60, 2)
    assert n > 40
    assert ratio < 1.10


@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
def test_bias(waveform: WaveformName) -> None:
    result = outcome(PairScene(waveform=waveform, amplitude_V=500e-6), 0.5, 25, range(1))
    assert abs(result.bias) < 0.005


# ---- textbooks ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("planted", "reference", "factor", "per_square"),
    [
        # Known waveform in white noise: variance sigma^2 / sum of squares; sine 2 s^2/N, square s^2/N (Kay, from
        # memory), square by its fundamental: amplitude of the sine times pi / 4, hence 2 (pi / 4)^2 = 1.234 s^2/N.
        (SINE, SINE, 2.0, 1.0),
        (SQUARE, SQUARE, 1.0, 1.0),
        (SQUARE, SINE, np.pi**2 / 8, np.pi / 4),
    ],
)
def test_variances_of_the_textbooks(
    planted: WaveformName, reference: WaveformName, factor: float, per_square: float
) -> None:
    scene = PairScene(waveform=planted, amplitude_V=20e-6, rate_Hz=3300.0, jitter_s=50e-6)
    values = [
        r.value_V * per_square
        for seed in range(2)
        for r in run(record(scene, 40, seed), 0.25, waveform=reference).readings
        if r.value_V is not None and r.t_s > 3
    ]
    n = 0.25 * scene.rate_Hz
    v = np.array(values)
    assert v.var() * n / scene.noise_V**2 == pytest.approx(factor, rel=0.02 + scatter(v.size))
    # A square's fundamental through a converter that averages over 1/3300 s loses nothing worth mentioning.
    assert v.mean() == pytest.approx(scene.amplitude_V, rel=0.005 + 3 * v.std() / 20e-6 / np.sqrt(v.size))


@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
def test_agreement_with_a_classical_lock_in(waveform: WaveformName) -> None:
    """scipy.signal: multiply by the reference, moving average over whole periods; clean data; 0.1 %."""
    scene = PairScene(waveform=waveform, amplitude_V=100e-6, noise_V=1e-12, stalls_per_s=0, jitter_s=0, rate_Hz=875.0)
    recording = record(scene, 8, 1)
    ours = np.array([r.value_V for r in run(recording, 0.5).readings])
    phase = (recording.end_s - scene.start_s) * scene.frequency_Hz
    r = waveforms.averaged(waveform, phase, scene.frequency_Hz / scene.rate_Hz)
    whole = np.ones(425) / 425  # 17 periods of 25 conversions
    low = scipy.signal.lfilter(whole, [1.0], (recording.v_V - scene.offset_V) * r)[3000:]
    power = scipy.signal.lfilter(whole, [1.0], r * r)[3000:]
    assert ours.mean() == pytest.approx(float(np.mean(low / power)), rel=1e-3)


# ---- disturbances ---------------------------------------------------------------------------------------------

STEPS = PairScene(step_V=3e-3, steps_per_s=0.5)
BUMPS = PairScene(bump_V=3e-3, bumps_per_s=0.5)
ALL = PairScene(step_V=3e-3, steps_per_s=0.3, bump_V=3e-3, bumps_per_s=0.3, mains_V=BOTH_MAINS)


@pytest.mark.parametrize("scene", [STEPS, BUMPS, ALL], ids=["steps", "bumps", "steps, bumps and both mains"])
def test_moving_electrodes(scene: PairScene) -> None:
    result = outcome(scene, 0.5, 80, range(1))
    assert result.ratio < 1.5
    assert 0.85 - scatter(150) < result.chi2 < 1.2 + scatter(150)


@pytest.mark.parametrize(
    "scene",
    [
        PairScene(),
        PairScene(mains_V=BOTH_MAINS),
        PairScene(flicker_V=3e-6),
        PairScene(transient_V=1e-3, transients_per_s=2.0),
        PairScene(lost=0.1),
        PairScene(lost=0.1, mains_V=BOTH_MAINS),
        PairScene(saturated=0.2, full_scale_V=16e-3),
        PairScene(saturated=0.2, full_scale_V=16e-3, mains_V=BOTH_MAINS),
        PairScene(step_of_converter_V=7.8125e-6),
        PairScene(step_of_converter_V=7.8125e-6, noise_V=1e-6, amplitude_V=5e-6),
    ],
    ids=[
        "white", "mains", "1/f", "transients", "lost", "lost, mains", "saturated", "saturated, mains",
        "quantised", "finer than a step",
    ],
)  # fmt: skip
def test_sigma_is_honest(scene: PairScene) -> None:
    """Chi-square per degree of freedom within 0.85..1.2, and no wrong sign above five sigma."""
    result = outcome(scene, 0.5, 80, range(1))
    assert result.errors.size > 100
    assert result.chi2 < 1.2 + scatter(result.errors.size)
    if scene.noise_V > 2e-6:  # a step coarser than the noise is allowed for as if uniform, which it is not
        assert result.chi2 > 0.85 - scatter(result.errors.size)
    assert result.wrong == 0
    assert np.abs(result.errors / result.sigmas).max() < 6


@pytest.mark.slow
def test_ten_thousand_readings_with_saturated_stretches() -> None:
    wrong = count = 0
    for seed in range(26):
        scene = PairScene(
            saturated=0.2, full_scale_V=16e-3, amplitude_V=(2.4e-6, -8e-6)[seed % 2],
            mains_V=BOTH_MAINS if seed % 4 < 2 else (),
        )  # fmt: skip
        result = outcome(scene, 0.5, 200, range(seed, seed + 1), skip_s=0.0)
        wrong, count = wrong + result.wrong, count + result.errors.size
    assert count >= 10_000
    assert wrong == 0


@pytest.mark.slow
def test_wrong_sign_at_four_sigma_with_the_clock_known() -> None:
    """At an amplitude of four sigma at most 1e-4 of the readings have the wrong sign (Gaussian: 3.2e-5)."""
    scene = PairScene()
    scene = replace(scene, amplitude_V=4.0 * bound(scene, 0.5))
    values = [
        r.value_V
        for seed in range(40)
        for r in run(record(scene, 500, 100 + seed), 0.5).readings
        if r.value_V is not None
    ]
    wrong = sum(v < 0 for v in values)
    assert len(values) >= 39_000
    assert wrong <= 1e-4 * len(values) + 3 * np.sqrt(1e-4 * len(values))


# ---- mains ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "mains", [((50.0, 0.05),), ((60.0, 0.05),), ((50.0, 0.05), (60.0, 0.05))], ids=["50", "60", "both"]
)
@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
def test_mains_rejection(waveform: WaveformName, mains: tuple[tuple[float, float], ...]) -> None:
    """Amplitude of the mains over the root mean square of what it leaves in the value: at least 90 dB at 0.5 s."""
    scene = PairScene(waveform=waveform, amplitude_V=1e-9, noise_V=0.5e-6, mains_V=mains)
    result = outcome(scene, 0.5, 25, range(3, 4))
    assert 20 * np.log10(0.05 / np.sqrt(np.mean(result.errors**2))) >= 90.0


@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
@pytest.mark.parametrize(
    "scene",
    [
        PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3),), clip_V=15e-3),
        PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3), (60.0, 15e-3)), clip_V=20e-3),
        PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3),), modulation=0.3),
        PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3),), modulation=0.3, modulation_Hz=15.0),
    ],
    ids=["clipped", "both clipped", "modulated at 3 Hz", "modulated at 15 Hz: a side line on the waveform's own"],
)
def test_distorted_mains_claims_no_wrong_sign(scene: PairScene, waveform: WaveformName) -> None:
    for seed in range(2):
        for r in run(record(replace(scene, waveform=waveform), 10, seed), 0.5, 0.25).readings:
            assert r.value_V is None or r.sigma_V is None or r.value_V > -5 * r.sigma_V


# ---- time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("window_s", [0.25, 0.5, 1.0])
def test_step_response_settles_in_a_window_and_a_tenth(window_s: float) -> None:
    scene = PairScene(noise_V=0.2e-6, amplitude_V=100e-6)
    at = int(6 * scene.rate_Hz)
    amplitude = np.where(np.arange(int(10 * scene.rate_Hz)) < at, 0.0, 100e-6)
    recording = record(scene, 10, 1, amplitude)
    moment = float(recording.end_s[at])
    known = PhaseReference(scene.start_s, scene.frequency_Hz)
    readings = [r for r in stream(recording, window_s, lambda _t: known) if r.value_V is not None]
    after = [r for r in readings if r.newest_s >= moment + 1.1 * window_s]
    assert len(after) > 20
    for r in after:
        assert r.value_V == pytest.approx(100e-6, rel=0.05)
        # The age of what is shown: the middle of the window lies half a window before the newest sample.
        assert r.newest_s - r.t_s == pytest.approx(window_s / 2, rel=0.15)


def test_batch_and_streaming_are_the_same() -> None:
    scene = PairScene(mains_V=BOTH_MAINS, step_V=1e-3, steps_per_s=0.5, lost=0.02)
    recording = record(scene, 15, 4)
    known = PhaseReference(scene.start_s, scene.frequency_Hz)
    update = 0.5 / 10
    live = stream(recording, 0.5, lambda _t: known, update_s=update)
    whole = run(recording, 0.5, update).readings
    assert len(live) > 250
    assert abs(len(whole) - len(live)) <= 2
    for a, b in zip(live, whole, strict=False):
        assert a.value_V is not None and b.value_V is not None and a.sigma_V is not None
        assert abs(a.value_V - b.value_V) < 0.02 * a.sigma_V


def test_forgetting_the_signal_keeps_the_mains() -> None:
    """After `reset` (electrode switched) the very next window is as good as any: mains and noise stay known."""
    scene = PairScene(mains_V=((50.0, 5e-3),), amplitude_V=10e-6)
    recording = record(scene, 12, 3)
    index, _ = index_from_stamps(recording.t_s)
    detector = Detector(DetectorSettings(waveform=scene.waveform, frequency_Hz=scene.frequency_Hz))
    known = PhaseReference(scene.start_s, scene.frequency_Hz)
    readings = []
    reset_s = float("inf")
    for lo in range(0, index.size - 40, 40):
        if lo == 40 * 160:
            before = detector.mains
            detector.reset()
            reset_s = float(recording.t_s[lo])
            assert detector.mains == before
            assert before[0].amplitude_V == pytest.approx(5e-3, rel=0.02)
        part = slice(lo, lo + 40)
        block = SampleBlock(index[part], recording.t_s[part], recording.v_V[part], np.zeros(40, np.uint8), 1.0)
        readings += detector.push(block, known)
    after = [r for r in readings if r.newest_s > reset_s]
    assert after[0].newest_s < reset_s + 0.62
    for r in after[:10]:
        assert r.value_V is not None and r.sigma_V is not None
        assert r.sigma_V < 1.5 * bound(scene, 0.5)
        assert abs(r.value_V - scene.amplitude_V) < 5 * r.sigma_V


# ---- real electrodes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("waveform", [SQUARE, SINE, CODED])
def test_planted_in_a_real_electrode_recording(waveform: WaveformName) -> None:
    """Electrodes on skin, 45 s at 1000 samples/s: recording bundled with the package peakdet (extra "dev")."""
    package = importlib.util.find_spec("peakdet")
    if package is None or not package.submodule_search_locations:
        pytest.skip("package peakdet (extra dev) is not installed")
    noise = np.loadtxt(Path(package.submodule_search_locations[0]) / "tests" / "data" / "ECG.csv") * 1e-3
    pulls = []
    for k in range(2):
        # Weak, and so strong that its own edges stand far out of the noise.
        amplitude = (-20e-6, 100e-6)[k]
        start = 0.001 + k / 35.0 / 4
        end = 0.5 + (1 + np.arange(noise.size)) / 1000.0
        v = noise + amplitude * waveforms.averaged(waveform, (end - start) * 35.0, 35.0 / 1000.0)
        t = np.maximum.accumulate(end + np.abs(np.random.default_rng(k).normal(0, 200e-6, end.size)))
        settings = DetectorSettings(waveform=waveform, frequency_Hz=35.0)
        for r in detect(t, v, settings, start_s=start, every_s=0.5).readings:
            if r.value_V is not None and r.sigma_V is not None and r.t_s > 3:
                pulls.append((r.value_V - amplitude) / r.sigma_V)
                assert r.value_V * amplitude > 0 or abs(r.value_V) < 5 * r.sigma_V
    z = np.array(pulls)
    # Each stretch of noise is met twice: the scatter allowed for is that of half the readings.
    assert 0.85 - scatter(z.size // 2) < np.mean(z**2) < 1.2 + scatter(z.size // 2)
    # A heart's noise has heavier tails than a Gaussian's: rare readings lie further off.
    assert np.abs(z).max() < 6.5
