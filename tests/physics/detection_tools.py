"""Recordings with a known truth, the detector over them, and the best that any estimator could do on the same noise."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earthward.emulated.pair_recording import PairRecording, PairScene, mains_family, record
from earthward.record.reading import Reading
from earthward.signal import waveforms
from earthward.signal.batch import DetectResult, detect
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import FloatArray, PhaseReference, SampleBlock

BOTH_MAINS = ((50.0, 240e-6), (60.0, 240e-6))  # 100 x the scene's ordinary amplitude


def bound(scene: PairScene, window_s: float) -> float:
    """Cramer-Rao bound of the amplitude of a known waveform in white noise, as a standard deviation in volts.

    Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (from memory): noise^2 / sum of squares.
    """
    power = waveforms.mean_square(scene.waveform, scene.frequency_Hz / scene.rate_Hz)
    return scene.noise_V / float(np.sqrt(window_s * scene.rate_Hz * power))


def run(recording: PairRecording, window_s: float, every_s: float | None = None, **settings: Any) -> DetectResult:
    scene = recording.scene
    given = DetectorSettings(
        waveform=scene.waveform, frequency_Hz=scene.frequency_Hz, window_s=window_s, full_scale_V=scene.full_scale_V
    )
    return detect(
        recording.t_s, recording.v_V, replace(given, **settings), start_s=scene.start_s, every_s=every_s or window_s
    )


def blocks(recording: PairRecording) -> list[SampleBlock]:
    """The recording in small blocks, conversions numbered, each about a hop long."""
    index, _ = index_from_stamps(recording.t_s)
    flags = np.zeros(44, dtype=np.uint8)
    full_scale = recording.scene.full_scale_V or np.inf
    parts = [slice(lo, lo + 44) for lo in range(0, index.size - 43, 44)]
    return [SampleBlock(index[p], recording.t_s[p], recording.v_V[p], flags, full_scale) for p in parts]


def push_as_daemon(
    detector: Detector, recording: PairRecording, reference: PhaseReference, hops: int
) -> tuple[list[float], list[Reading]]:
    """Blocks that end where hops end, so many hops to a block (the daemon has two); CPU seconds of each, readings."""
    index, _ = index_from_stamps(recording.t_s)
    full_scale = recording.scene.full_scale_V or np.inf
    seconds: list[float] = []
    readings: list[Reading] = []
    lo = 0
    while lo < index.size:
        hi = lo + 44
        if (grid := detector.hops) is not None:
            last = replace(grid, every=hops * grid.every).end_after(int(index[lo]) - 1)
            hi = int(np.searchsorted(index, last, side="right"))
        p = slice(lo, hi)
        flags = np.zeros(index[p].size, dtype=np.uint8)
        block = SampleBlock(index[p], recording.t_s[p], recording.v_V[p], flags, full_scale)
        began = time.process_time()
        readings += detector.push(block, reference)
        seconds.append(time.process_time() - began)
        lo = hi
    return seconds, readings


def stream(
    recording: PairRecording, window_s: float, reference: Callable[[float], PhaseReference | None], **settings: Any
) -> list[Reading]:
    """The same in small blocks, ending anywhere in a hop."""
    scene = recording.scene
    detector = Detector(
        replace(
            DetectorSettings(waveform=scene.waveform, frequency_Hz=scene.frequency_Hz, window_s=window_s), **settings
        )
    )
    out: list[Reading] = []
    for block in blocks(recording):
        out += detector.push(block, reference(float(block.t_s[-1])))
    return out


@dataclass(frozen=True)
class Outcome:
    """errors and sigmas (n,), volts; ratio of variance to the bound; mean square of error / sigma."""

    errors: FloatArray
    sigmas: FloatArray
    ratio: float
    chi2: float
    wrong: int
    bias: float


def outcome(scene: PairScene, window_s: float, seconds: float, seeds: range, skip_s: float = 5.0) -> Outcome:
    errors, sigmas, wrong = [], [], 0
    for seed in seeds:
        for r in run(record(scene, seconds, seed), window_s).readings:
            if r.value_V is None or r.sigma_V is None or r.t_s < skip_s:
                continue
            errors.append(r.value_V - scene.amplitude_V)
            sigmas.append(r.sigma_V)
            wrong += r.value_V * scene.amplitude_V < 0 and abs(r.value_V) > 5 * r.sigma_V
    e, s = np.array(errors), np.array(sigmas)
    return Outcome(
        e, s, float(np.mean(e**2)) / bound(scene, window_s) ** 2, float(np.mean((e / s) ** 2)), wrong,
        float(e.mean() / scene.amplitude_V),
    )  # fmt: skip


def excess(scene: PairScene, window_s: float, seconds: float, seed: int) -> tuple[float, int]:
    """Variance over the bound, measured against the efficient estimator on the very same noise; number of windows.

    For any unbiased estimate its difference from an efficient one is uncorrelated with the latter's error (Rao),
    so variance / bound = 1 + E[difference^2] / bound: far fewer windows are needed than for variances apart. The
    efficient one knows waveform, true times and the mains, and fits amplitude and offset only.
    """
    recording = record(replace(scene, mains_V=()), seconds, seed)
    rng = np.random.default_rng(1000 + seed)
    mains = np.zeros(recording.v_V.size)
    for (nominal, level), wander in zip(scene.mains_V, scene.wander_s, strict=False):
        mains += mains_family(recording.end_s - 0.5 / scene.rate_Hz, nominal, level, wander, scene, rng)
    ridden = replace(recording, v_V=recording.v_V + mains)
    r = waveforms.averaged(
        scene.waveform, (recording.end_s - scene.start_s) * scene.frequency_Hz, scene.frequency_Hz / scene.rate_Hz
    )
    differences = []
    for reading in run(ridden, window_s).readings:
        if reading.value_V is None or reading.t_s < 3.0:
            continue
        last = round((reading.newest_s - 0.5) * scene.rate_Hz)  # conversions end at 0.5 s + (1 + n) / rate
        part = slice(last - round(reading.window_s * scene.rate_Hz), last)
        x = r[part] - r[part].mean()
        differences.append(reading.value_V - float(x @ recording.v_V[part]) / float(x @ x))
    d = np.array(differences)
    return 1.0 + float(np.mean(d**2)) / bound(scene, window_s) ** 2, d.size
