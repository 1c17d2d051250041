"""Every figure that the detector is held to. `python tests/benchmarks/bench_detector.py [section ...] [--slow]`.

Ratios are to the Cramer-Rao bound of the amplitude of a known waveform with unknown offset in white noise:
noise^2 / (N mean_square), mean_square that of the waveform through the converter's averaging.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the `earthward` command does

import numpy as np
import scipy.signal

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.physics.detection_tools import BOTH_MAINS, bound, push_as_daemon, run, stream
from tests.support.lock_trials import lock_trial, reading_sigma

from earthward.emulated.pair_recording import PairRecording, PairScene, record
from earthward.record.waveform import WAVEFORMS
from earthward.signal import waveforms
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import FloatArray, PhaseReference

#: Recordings of a scene and their length, seconds: chi-square scatters more between recordings than by their readings'
#: number (saturated beside mains: 0.18, not 0.09).
RECORDINGS, SECONDS = range(16), 40.0


@dataclass(frozen=True)
class Figures:
    count: int
    bias: float
    bias_sigma: float
    ratio: float
    chi2: float
    chi2_scatter: float
    """Standard deviation of chi-square between recordings."""
    worst: float
    wrong: int
    cpu_s: float


def measure(scene: PairScene, window_s: float, seconds: float, seeds: range, skip_s: float = 5.0) -> Figures:
    """Independent readings of several recordings against the truth. The first seconds are not counted."""
    errors, sigmas, wrong, cpu = [], [], 0, 0.0
    parts: list[int] = []
    for seed in seeds:
        recording = record(scene, seconds, seed)
        began = time.process_time()
        result = run(recording, window_s)
        cpu += time.process_time() - began
        for r in result.readings:
            if r.value_V is None or r.sigma_V is None or r.t_s < skip_s:
                continue
            errors.append(r.value_V - scene.amplitude_V)
            sigmas.append(r.sigma_V)
            wrong += r.value_V * scene.amplitude_V < 0 and abs(r.value_V) > 5 * r.sigma_V
        parts.append(len(errors))
    e, s = np.array(errors), np.array(sigmas)
    if e.size == 0:
        return Figures(0, 0.0, 0.0, float("nan"), float("nan"), float("nan"), 0.0, wrong, cpu)
    each = [float(np.mean(z**2)) for z in np.split(e / s, parts[:-1]) if z.size]
    relative = e / scene.amplitude_V
    return Figures(
        count=e.size,
        bias=float(relative.mean()),
        bias_sigma=float(relative.std() / np.sqrt(e.size)),
        ratio=float(np.mean(e**2)) / bound(scene, window_s) ** 2,
        chi2=float(np.mean((e / s) ** 2)),
        chi2_scatter=float(np.std(each, ddof=1)) if len(each) > 1 else float("nan"),
        worst=float(np.abs(e / s).max()),
        wrong=wrong,
        cpu_s=cpu,
    )


def show(name: str, scene: PairScene, window_s: float, seconds: float, seeds: range = RECORDINGS) -> Figures:
    f = measure(scene, window_s, seconds, seeds)
    print(
        f"  {name:<34} window {window_s:4.2f} s  n {f.count:5d}  variance/bound {f.ratio:6.3f} +- "
        f"{f.ratio * (2 / max(f.count, 1)) ** 0.5:.3f}  chi2/dof {f.chi2:5.3f} (recordings +- {f.chi2_scatter:.2f})"
        f"  worst {f.worst:4.1f} sigma  wrong sign above 5 sigma {f.wrong}"
        f"  ({seconds * len(seeds) / max(f.cpu_s, 1e-9):.0f} x real time)",
        flush=True,
    )
    return f


def section_white(size: float) -> None:
    """White noise, stamps late by 200 us with stalls; bias at high signal."""
    for name in WAVEFORMS:
        for window in (0.25, 0.5, 1.0):
            show(f"white, {name}", PairScene(waveform=name), window, SECONDS * size)
    for name in WAVEFORMS:
        f = measure(PairScene(waveform=name, amplitude_V=500e-6), 0.5, 60, range(1))
        print(f"  bias at 500 uV, {name}: {f.bias * 100:+.4f} % +- {f.bias_sigma * 100:.4f} %")


def section_mains(size: float) -> None:
    """Both mains families at 100 x the signal, swinging by +-0.2 Hz."""
    for window in (0.25, 0.5, 1.0):
        show("both mains at 100 x, coded", PairScene(mains_V=BOTH_MAINS), window, SECONDS * size)
    for name in ("square", "sine"):
        show(f"both mains at 100 x, {name}", PairScene(waveform=name, mains_V=BOTH_MAINS), 0.5, SECONDS * size)


DISTURBED: dict[str, PairScene] = {
    "electrode steps 3 mV, 1 in 2 s": PairScene(step_V=3e-3, steps_per_s=0.5),
    "electrode bumps 3 mV, 1 in 2 s": PairScene(bump_V=3e-3, bumps_per_s=0.5),
    "steps, bumps and both mains": PairScene(
        step_V=3e-3, steps_per_s=0.3, bump_V=3e-3, bumps_per_s=0.3, mains_V=BOTH_MAINS
    ),
    "1/f drift 3 uV per octave": PairScene(flicker_V=3e-6),
    "drift, steps and bumps": PairScene(flicker_V=3e-6, step_V=3e-3, steps_per_s=0.3, bump_V=3e-3, bumps_per_s=0.3),
    "drift, steps, bumps and both mains": PairScene(
        flicker_V=3e-6, step_V=3e-3, steps_per_s=0.3, bump_V=3e-3, bumps_per_s=0.3, mains_V=BOTH_MAINS
    ),
    "transients 1 mV, 2 a second": PairScene(transient_V=1e-3, transients_per_s=2.0),
    "10 % lost": PairScene(lost=0.1),
    "10 % lost, both mains": PairScene(lost=0.1, mains_V=BOTH_MAINS),
    "20 % saturated": PairScene(saturated=0.2, full_scale_V=16e-3),
    "20 % saturated, both mains": PairScene(saturated=0.2, full_scale_V=16e-3, mains_V=BOTH_MAINS),
    "quantised at 7.8125 uV": PairScene(step_of_converter_V=7.8125e-6),
}


def section_disturbed(size: float) -> None:
    """Steps, bumps, drift, transients, losses, saturation: variance and calibration of sigma."""
    for name, scene in DISTURBED.items():
        show(name, scene, 0.5, SECONDS * size)


def section_clock(size: float) -> None:
    """Source clock 0.5 % off: with a clock map that errs by 0.15 ms, and with no link at all."""
    scene = PairScene(frequency_Hz=35.0 * 1.005, amplitude_V=8e-6)
    errors, sigmas = [], []
    for seed in range(round(2 * size)):
        rng = np.random.default_rng(1000 + seed)
        wobble: dict[int, float] = {}

        def reference(t_s: float, rng: np.random.Generator = rng, wobble: dict[int, float] = wobble) -> PhaseReference:
            late = wobble.setdefault(int(t_s), float(rng.normal(0, 0.15e-3)))
            return PhaseReference(scene.start_s + late, scene.frequency_Hz, sigma_s=0.15e-3)

        for r in stream(record(scene, 120, seed), 0.5, reference, frequency_Hz=35.0)[100::10]:
            if r.value_V is not None and r.sigma_V is not None:
                errors.append(r.value_V - scene.amplitude_V)
                sigmas.append(r.sigma_V)
    e, s = np.array(errors), np.array(sigmas)
    print(
        f"  map error 0.15 ms: variance/bound {np.mean(e**2) / bound(scene, 0.5) ** 2:.3f}"
        f"  loss of amplitude {-e.mean() / scene.amplitude_V * 100:.2f} %  chi2/dof {np.mean((e / s) ** 2):.3f}"
    )
    for offset in (-0.005, 0.0, 0.005):
        scene = PairScene(frequency_Hz=35.0 * (1 + offset), amplitude_V=8e-6)
        errors, sigmas, firsts = [], [], []
        for seed in range(round(2 * size)):
            result = run(record(scene, 60, seed), 0.5, 0.25, sync="none", frequency_Hz=35.0)
            good = [r for r in result.readings if r.value_V is not None and r.sigma_V is not None]
            firsts.append(good[0].newest_s - 0.5 if good else float("inf"))
            errors += [r.value_V - scene.amplitude_V for r in good[4::2] if r.value_V is not None]
            sigmas += [r.sigma_V for r in good[4::2] if r.sigma_V is not None]
        e, s = np.array(errors), np.array(sigmas)
        print(
            f"  no link, source {offset * 100:+.1f} % off, signal = noise of a sample: first value after"
            f" {max(firsts):.2f} s, variance/bound {np.mean(e**2) / bound(scene, 0.5) ** 2:.3f},"
            f" chi2/dof {np.mean((e / s) ** 2):.3f}, offset found to {abs((result.clock_offset or 9) - offset):.1e}"
        )


def section_lock(size: float) -> None:
    """Acquisition without a clock: time to lock, wrong signs, and that nothing else locks (measured thresholds)."""
    trials = 100_000 if size > 1 else 1000
    rng = np.random.default_rng(7)
    sigma = reading_sigma()
    for amplitude in (0.3, 0.42, 1.0):
        n = max(300, trials // 10)
        outcome = [lock_trial(rng, amplitude * (1 if k % 2 else -1), 0.0) for k in range(n)]
        locked = [w for w, _ in outcome if w is not None]
        wrong = sum(sign != 0 and sign != (1 if k % 2 else -1) for k, (_, sign) in enumerate(outcome))
        print(
            f"  amplitude {amplitude:.2f} x noise of a sample ({amplitude / sigma:.1f} sigma of a 0.5 s reading):"
            f" locked within 2 s in {len(locked) / n * 100:.2f} % of {n},"
            f" median {0.5 * (1 + np.median(locked)):.1f} s, wrong sign {wrong}"
        )
    began = time.process_time()
    false = sum(lock_trial(rng, 0.0, 0.0)[0] is not None for _ in range(trials))
    print(f"  noise alone: {false} locks in {trials} trials of 2 s")
    false = sum(lock_trial(rng, 0.0, float(rng.choice([0.5, 2.0, 10.0])))[0] is not None for _ in range(trials))
    print(f"  a rival tone of 0.5, 2 or 10 x the noise: {false} locks in {trials} trials of 2 s")
    print(f"  ({(time.process_time() - began) / trials / 8 * 1e6:.0f} us per window of 0.5 s)")
    signs = [1 if k % 2 else -1 for k in range(trials)]
    outcome = [lock_trial(rng, 7.5 * sigma * sign, 0.0) for sign in signs]
    wrong = sum(found == -sign for sign, (_, found) in zip(signs, outcome, strict=True))
    count = sum(w is not None for w, _ in outcome)
    print(f"  clock unknown, amplitude 7.5 sigma of a 0.5 s reading: {count} of {trials} locked, wrong sign {wrong}")


def section_signs(size: float) -> None:
    """The whole detector at an amplitude of 4 sigma, clock known: wrong signs; and saturated stretches."""
    scene = PairScene()
    scene = replace(scene, amplitude_V=4.0 * bound(scene, 0.5))
    values = [
        r.value_V
        for seed in range(round(10 * size))
        for r in run(record(scene, 500, 100 + seed), 0.5).readings
        if r.value_V is not None
    ]
    print(f"  amplitude 4.0 sigma: wrong sign {sum(v < 0 for v in values)} of {len(values)} (Gaussian: 3.2e-5 of them)")
    for label, mains in (("", ()), (" and both mains", BOTH_MAINS)):
        for amplitude in (2.4e-6, -8e-6):
            scene = PairScene(saturated=0.2, full_scale_V=16e-3, amplitude_V=amplitude, mains_V=mains)
            f = measure(scene, 0.5, SECONDS * size, RECORDINGS, skip_s=0.0)
            print(
                f"  20 % saturated{label}, {amplitude * 1e6:+.1f} uV: {f.count} readings, wrong sign above 5 sigma"
                f" {f.wrong}, chi2/dof {f.chi2:.3f} (recordings +- {f.chi2_scatter:.2f}), worst {f.worst:.1f} sigma"
            )


def classical(t_s: FloatArray, v: FloatArray, scene: PairScene, window_s: float, poles: int = 4) -> FloatArray:
    """Multiply by the reference and low-pass with identical poles of the same noise bandwidth as the window."""
    index, period = index_from_stamps(t_s)
    even = np.interp(np.arange(index[-1] + 1), index, v)
    end = t_s[0] + period * np.arange(even.size)
    r = waveforms.averaged(scene.waveform, (end - scene.start_s) * scene.frequency_Hz, scene.frequency_Hz * period)
    # Noise bandwidth of n identical poles: 1/(4 tau), 1/(8 tau), 3/(32 tau), 5/(64 tau); of the window 1/(2 T).
    tau = {1: 1 / 4, 2: 1 / 8, 3: 3 / 32, 4: 5 / 64}[poles] * 2 * window_s
    decay = np.exp(-period / tau)
    out = (even - even.mean()) * r / np.mean(r * r)
    for _ in range(poles):
        out = scipy.signal.lfilter([1 - decay], [1, -decay], out)
    return np.asarray(out)


def section_rejection(size: float) -> None:
    """Mains rejection at 0.5 s: amplitude of the mains (50 mV, swinging by 0.2 Hz, harmonics to the 7th) over what it
    leaves in the value, root mean square (bias and scatter together, noise of 0.5 uV per sample included)."""
    for name in WAVEFORMS:
        for label, mains in (
            ("50 Hz", ((50.0, 0.05),)),
            ("60 Hz", ((60.0, 0.05),)),
            ("both", ((50.0, 0.05), (60.0, 0.05))),
        ):
            scene = PairScene(waveform=name, amplitude_V=1e-9, noise_V=0.5e-6, mains_V=mains, wander_s=(11.0, 7.0))
            recording = record(scene, 60 * size, 3)
            result = run(recording, 0.5, 0.25)
            v = np.array([r.value_V for r in result.readings if r.value_V is not None and r.t_s > 5])
            s = np.array([r.sigma_V for r in result.readings if r.sigma_V is not None and r.t_s > 5])
            old = classical(recording.t_s, recording.v_V, scene, 0.5)[4430:]
            print(
                f"  {name:6s} {label:5s}: {20 * np.log10(0.05 / np.sqrt(np.mean(v**2))):5.1f} dB"
                f" (chi2/dof {np.mean((v / s) ** 2):.2f}; white noise alone would leave"
                f" {20 * np.log10(0.05 / bound(scene, 0.5)):.0f} dB);"
                f" classical, 4 poles of equal noise bandwidth: {20 * np.log10(0.05 / np.sqrt(np.mean(old**2))):.1f} dB"
            )


DISTORTED: dict[str, PairScene] = {
    "20 mV mains clipped at 15 mV": PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3),), clip_V=15e-3),
    "both, clipped at 20 mV": PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3), (60.0, 15e-3)), clip_V=20e-3),
    "20 mV modulated 30 % at 3 Hz": PairScene(amplitude_V=300e-6, mains_V=((50.0, 20e-3),), modulation=0.3),
    "20 mV modulated 30 % at 15 Hz": PairScene(
        amplitude_V=300e-6, mains_V=((50.0, 20e-3),), modulation=0.3, modulation_Hz=15.0
    ),
    "both modulated at 25 Hz and clipped": PairScene(
        amplitude_V=300e-6, mains_V=((50.0, 20e-3), (60.0, 20e-3)), modulation=0.3, modulation_Hz=25.0, clip_V=25e-3
    ),
}


def section_distorted(size: float) -> None:
    """Clipped or amplitude-modulated mains over a true +300 uV: no sign claimed rather than a wrong one."""
    for wave in WAVEFORMS:
        for name, scene in DISTORTED.items():
            wrong = claimed = count = 0
            worst = 0.0
            for seed in range(round(2 * size)):
                for r in run(record(replace(scene, waveform=wave), 40, seed), 0.5, 0.25).readings:
                    count += 1
                    if r.value_V is None or r.snr is None:
                        continue
                    claimed += r.snr > 5
                    wrong += r.snr > 5 and r.value_V < 0
                    worst = max(worst, -r.value_V / (r.sigma_V or 1))
            print(
                f"  {wave:6s} {name:36s} readings {count}, above 5 sigma {claimed}, of these wrong {wrong};"
                f" worst wrong {worst:.1f} sigma"
            )


def _always(reference: PhaseReference, _t_s: float) -> PhaseReference:
    return reference


def section_response(size: float) -> None:
    """Step of the signal: time to 95 %, in windows; and the age of a reading."""
    for window in (0.25, 0.5, 1.0):
        scene = PairScene(noise_V=0.2e-6, amplitude_V=100e-6)
        n = int(20 * scene.rate_Hz)
        at = int(10 * scene.rate_Hz)
        amplitude = np.where(np.arange(n) < at, 0.0, 100e-6)
        recording = record(scene, 20, 1, amplitude)
        moment = float(recording.end_s[at])
        reference = PhaseReference(scene.start_s, scene.frequency_Hz)
        readings = [r for r in stream(recording, window, partial(_always, reference)) if r.value_V is not None]
        settled = next(
            r.newest_s for k, r in enumerate(readings)
            if r.newest_s > moment and all(abs((x.value_V or 0) - 100e-6) < 5e-6 for x in readings[k:])
        )  # fmt: skip
        age = np.mean([r.newest_s - r.t_s for r in readings])
        print(
            f"  window {window:.2f} s: 95 % after {(settled - moment) / window:.3f} windows;"
            f" middle of the window is {age:.3f} s before its newest sample (published as t_s and newest_s)"
        )


def section_outside(size: float) -> None:
    """Against a classical lock-in on clean data, and the variances of the textbooks."""
    for name in WAVEFORMS:
        scene = PairScene(waveform=name, amplitude_V=100e-6, noise_V=1e-12, stalls_per_s=0, jitter_s=0, rate_Hz=875.0)
        recording = record(scene, 12, 1)
        ours = np.array([r.value_V for r in run(recording, 0.5).readings])
        # scipy.signal: multiply by the reference, moving average over whole periods (25 conversions each).
        phase = (recording.end_s - scene.start_s) * scene.frequency_Hz
        r = waveforms.averaged(name, phase, scene.frequency_Hz / scene.rate_Hz)
        whole = np.ones(425) / 425
        low = scipy.signal.lfilter(whole, [1.0], (recording.v_V - scene.offset_V) * r)[3000:]
        power = scipy.signal.lfilter(whole, [1.0], r * r)[3000:]
        old = float(np.mean(low / power))
        print(
            f"  {name:6s}: ours {ours.mean() * 1e6:.5f} uV, classical {old * 1e6:.5f} uV,"
            f" apart {abs(ours.mean() / old - 1):.1e}"
        )
    rng = np.random.default_rng(1)
    n, runs = 860, 20_000
    phase = (np.arange(n) + 0.5) / 20
    for label, wave, reference, text in (
        ("sine", "sine", "sine", "2 s^2/N"),
        ("square", "square", "square", "s^2/N"),
        ("square by sine reference", "square", "sine", "1.234 s^2/N"),
    ):
        r = waveforms.value("sine" if reference == "sine" else "square", phase)
        w = waveforms.value("sine" if wave == "sine" else "square", phase)
        estimates = rng.standard_normal((runs, n)) @ r / float(w @ r)
        print(f"  variance of {label}: {estimates.var() * n:.3f} s^2/N (book: {text})")
    for name in WAVEFORMS:
        f = measure(PairScene(waveform=name), 1.0, 100 * size, range(2))
        scene = PairScene(waveform=name)
        factor = f.ratio * (bound(scene, 1.0) / scene.noise_V) ** 2 * scene.rate_Hz
        print(f"  the detector's own variance, {name}, through the converter: {factor:.3f} s^2/N")


def addition_s() -> float:
    """What numpy takes for a small addition on this machine now: what live speed goes by. The least of ten looks."""
    x = np.ones(43)
    looks = []
    for _ in range(10):
        began = time.process_time()
        for _ in range(10_000):
            x + x
        looks.append((time.process_time() - began) / 10_000)
    return min(looks)


def section_throughput(size: float) -> None:
    """One core, everything on: batch and live against a scipy lock-in, process CPU time."""
    for label, mains in (("clean", ()), ("both mains at 100 x", BOTH_MAINS)):
        scene = PairScene(mains_V=mains)
        seconds = 120.0
        recording = record(scene, seconds, 1)
        # As the clock map gives it: with its error, which is weighed for every run of hops.
        reference = PhaseReference(scene.start_s, scene.frequency_Hz, sigma_s=0.1e-3, frequency_sigma=1e-6)
        batch, old = [], []
        for _ in range(3):
            began = time.process_time()
            count = len(run(recording, 0.5, 0.05).readings)
            batch.append(time.process_time() - began)
            began = time.process_time()
            for _ in range(20):
                classical(recording.t_s, recording.v_V, scene, 0.5)
            old.append((time.process_time() - began) / 20)
        b, c = min(batch), min(old)
        print(
            f"  {label}: batch {seconds / b:.0f} x real time ({count / seconds:.0f} readings/s,"
            f" {b / count * 1e6:.0f} us each), scipy lock-in {seconds / c:.0f} x; scipy / batch = {b / c:.0f}"
        )
        for hops, what in ((2, "live, two hops to a block as the daemon has it"), (1, "live, hop by hop")):
            live, medians = [], []
            for _ in range(5):
                detector = Detector(DetectorSettings(waveform=scene.waveform, frequency_Hz=scene.frequency_Hz))
                each, readings = push_as_daemon(detector, recording, reference, hops)
                live.append(sum(each))
                medians.append(float(np.median(each)) / hops)
            s, addition = min(live), addition_s()
            print(
                f"    {what}: {seconds / s:.0f} x ({s / len(readings) * 1e6:.0f} us per reading in the mean, median"
                f" {min(medians) * 1e6:.0f}; as long as {s / len(readings) / addition:.0f} numpy additions of 43"
                f" numbers at {addition * 1e6:.2f} us)",
                flush=True,
            )
    print("  mains rejection of each: section rejection")


def real_noise() -> tuple[FloatArray, float] | None:
    """Electrodes on skin, 1000 samples/s, volts: bundled with the package peakdet (Apache-2.0)."""
    package = importlib.util.find_spec("peakdet")
    if package is None or not package.submodule_search_locations:
        return None
    return np.loadtxt(Path(package.submodule_search_locations[0]) / "tests" / "data" / "ECG.csv") * 1e-3, 1000.0


def planted(noise: FloatArray, rate: float, amplitude: float, start_s: float, waveform: Any) -> PairRecording:
    scene = PairScene(
        waveform=waveform, amplitude_V=amplitude, start_s=start_s, rate_Hz=rate, noise_V=float(noise.std())
    )
    end = 0.5 + (1 + np.arange(noise.size)) / rate
    rng = np.random.default_rng(round(start_s * 1e6))
    v = noise + amplitude * waveforms.averaged(waveform, (end - start_s) * 35.0, 35.0 / rate)
    t = np.maximum.accumulate(end + np.abs(rng.normal(0, 200e-6, end.size)))
    return PairRecording(scene, t, v, end, np.arange(end.size))


def section_real(size: float) -> None:
    """Waveforms planted in a real electrode recording (package peakdet, Apache-2.0): calibration of sigma."""
    found = real_noise()
    if found is None:
        print("  package peakdet is not installed (extra dev): skipped")
        return
    noise, rate = found
    for name in WAVEFORMS:
        for amplitude in (20e-6, 100e-6):
            pulls, wrong, count, sigmas = [], 0, 0, []
            for k in range(round(12 * size)):
                sign = 1 if k % 2 else -1
                recording = planted(noise, rate, sign * amplitude, 0.001 + k / 35.0 / 12, name)
                for r in run(recording, 0.5).readings:
                    if r.value_V is None or r.sigma_V is None or r.t_s < 3:
                        continue
                    count += 1
                    pulls.append((r.value_V - sign * amplitude) / r.sigma_V)
                    sigmas.append(r.sigma_V)
                    wrong += r.value_V * sign < 0 and abs(r.value_V) > 5 * r.sigma_V
            z = np.array(pulls)
            print(
                f"  {name:6s} {amplitude * 1e6:.0f} uV in {noise.std() * 1e6:.0f} uV rms of heart: n {count},"
                f" median sigma {np.median(sigmas) * 1e6:.2f} uV, chi2/dof {np.mean(z**2):.3f},"
                f" worst {np.abs(z).max():.1f} sigma, wrong sign above 5 sigma {wrong}"
            )


SECTIONS: dict[str, Callable[[float], None]] = {
    "white": section_white,
    "mains": section_mains,
    "disturbed": section_disturbed,
    "clock": section_clock,
    "lock": section_lock,
    "signs": section_signs,
    "rejection": section_rejection,
    "distorted": section_distorted,
    "response": section_response,
    "outside": section_outside,
    "throughput": section_throughput,
    "real": section_real,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", help=f"of: {', '.join(SECTIONS)} (default: all)")
    parser.add_argument("--slow", action="store_true", help="ten times the data, 100,000 lock trials")
    args = parser.parse_args()
    for name in args.sections or SECTIONS:
        if name not in SECTIONS:
            parser.error(f"no section {name}")
        print(f"{name}: {SECTIONS[name].__doc__}", flush=True)
        SECTIONS[name](10.0 if args.slow else 1.0)


if __name__ == "__main__":
    main()
