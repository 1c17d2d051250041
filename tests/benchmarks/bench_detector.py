"""Every figure that the detector is held to. `python tests/benchmarks/bench_detector.py [section ...] [--slow]`.

Ratios are to the Cramer-Rao bound of the amplitude of a known waveform with unknown offset in white noise:
noise^2 / (N mean_square), mean_square that of the waveform through the converter's averaging.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "firmware_host"))

from earthward.emulated.pair_recording import PairRecording, PairScene, record
from earthward.signal import waveforms
from earthward.signal.batch import DetectResult, detect
from earthward.signal.detector import DetectorSettings

BOTH_MAINS = ((50.0, 240e-6), (60.0, 240e-6))  # 100 x the default amplitude of 2.4 uV


@dataclass(frozen=True)
class Figures:
    count: int
    bias: float
    bias_sigma: float
    ratio: float
    chi2: float
    worst: float
    wrong: int
    cpu_s: float


def bound(scene: PairScene, window_s: float) -> float:
    """Standard deviation at the Cramer-Rao bound, volts."""
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


def measure(scene: PairScene, window_s: float, seconds: float, seeds: range, skip_s: float = 5.0) -> Figures:
    """Independent readings of several recordings against the truth. The first seconds are not counted."""
    errors, sigmas, wrong, cpu = [], [], 0, 0.0
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
    e, s = np.array(errors), np.array(sigmas)
    if e.size == 0:
        return Figures(0, 0.0, 0.0, float("nan"), float("nan"), 0.0, wrong, cpu)
    relative = e / scene.amplitude_V
    return Figures(
        count=e.size,
        bias=float(relative.mean()),
        bias_sigma=float(relative.std() / np.sqrt(e.size)),
        ratio=float(np.mean(e**2)) / bound(scene, window_s) ** 2,
        chi2=float(np.mean((e / s) ** 2)),
        worst=float(np.abs(e / s).max()),
        wrong=wrong,
        cpu_s=cpu,
    )


def show(name: str, scene: PairScene, window_s: float, seconds: float, seeds: range) -> Figures:
    f = measure(scene, window_s, seconds, seeds)
    print(
        f"  {name:<34} window {window_s:4.2f} s  n {f.count:5d}  variance/bound {f.ratio:6.3f} +- "
        f"{f.ratio * (2 / max(f.count, 1)) ** 0.5:.3f}  chi2/dof {f.chi2:5.3f}  worst {f.worst:4.1f} sigma"
        f"  wrong sign above 5 sigma {f.wrong}  ({seconds * len(seeds) / max(f.cpu_s, 1e-9):.0f} x real time)",
        flush=True,
    )
    return f


def section_white(size: float) -> None:
    """White noise, stamps late by 200 us with stalls; bias at high signal."""
    for name in waveforms.WAVEFORMS:
        for window in (0.25, 0.5, 1.0):
            show(f"white, {name}", PairScene(waveform=name), window, 150 * size, range(2))
    for name in waveforms.WAVEFORMS:
        f = measure(PairScene(waveform=name, amplitude_V=500e-6), 0.5, 60, range(1))
        print(f"  bias at 500 uV, {name}: {f.bias * 100:+.4f} % +- {f.bias_sigma * 100:.4f} %")


def section_mains(size: float) -> None:
    """Both mains families at 100 x the signal, swinging by +-0.2 Hz."""
    for window in (0.25, 0.5, 1.0):
        show("both mains at 100 x, coded", PairScene(mains_V=BOTH_MAINS), window, 150 * size, range(2))
    for name in ("square", "sine"):
        show(f"both mains at 100 x, {name}", PairScene(waveform=name, mains_V=BOTH_MAINS), 0.5, 150 * size, range(2))


DISTURBED: dict[str, PairScene] = {
    "electrode steps 3 mV, 1 in 2 s": PairScene(step_V=3e-3, steps_per_s=0.5),
    "electrode bumps 3 mV, 1 in 2 s": PairScene(bump_V=3e-3, bumps_per_s=0.5),
    "steps, bumps and both mains": PairScene(
        step_V=3e-3, steps_per_s=0.3, bump_V=3e-3, bumps_per_s=0.3, mains_V=BOTH_MAINS
    ),
    "1/f drift 3 uV per octave": PairScene(flicker_V=3e-6),
    "transients 1 mV, 2 a second": PairScene(transient_V=1e-3, transients_per_s=2.0),
    "10 % lost": PairScene(lost=0.1),
    "10 % lost, both mains": PairScene(lost=0.1, mains_V=BOTH_MAINS),
    "20 % saturated": PairScene(saturated=0.2, full_scale_V=16e-3),
    "20 % saturated, both mains": PairScene(saturated=0.2, full_scale_V=16e-3, mains_V=BOTH_MAINS),
    "quantised at 7.8125 uV": PairScene(step_of_converter_V=7.8125e-6),
}


def section_disturbed(size: float) -> None:
    """Steps, bumps, drift, transients, losses, saturation: variance and honesty of sigma."""
    for name, scene in DISTURBED.items():
        show(name, scene, 0.5, 150 * size, range(2))


SECTIONS: dict[str, Callable[[float], None]] = {
    "white": section_white,
    "mains": section_mains,
    "disturbed": section_disturbed,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], help="default: all")
    parser.add_argument("--slow", action="store_true", help="ten times the data, 100,000 lock trials")
    args = parser.parse_args()
    for name in args.sections or SECTIONS:
        print(f"{name}: {SECTIONS[name].__doc__}", flush=True)
        SECTIONS[name](10.0 if args.slow else 1.0)


if __name__ == "__main__":
    main()
