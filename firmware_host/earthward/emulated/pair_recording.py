"""Made-up recordings of an electrode pair with the truth beside them: what the detector is measured against.

Every disturbance that the trade knows can be laid over the signal: two wandering mains families with harmonics,
electrode steps and bumps, 1/f drift, transients, lost conversions, saturation, clipped or amplitude-modulated
mains, quantisation; and the host's side: late stamps and stalls.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.types import FloatArray

#: Relative amplitudes of harmonics 1, 2, 3, ... of a mains family: odd ones, as distorted supplies have them.
HARMONICS: tuple[float, ...] = (1.0, 0.0, 0.1, 0.0, 0.05, 0.0, 0.03)


@dataclass(frozen=True)
class PairScene:
    """What is in the water and how it is sampled. Volts peak at the pair, seconds, hertz."""

    waveform: WaveformName = "coded"
    frequency_Hz: float = 35.0
    start_s: float = 0.0123
    amplitude_V: float = 2.4e-6
    noise_V: float = 8e-6
    rate_Hz: float = 885.8
    offset_V: float = 1.2e-3
    mains_V: tuple[tuple[float, float], ...] = ()
    """(nominal frequency, amplitude of the fundamental) per family"""
    wander_Hz: float = 0.2
    wander_s: tuple[float, ...] = (11.0, 7.0)
    harmonics: tuple[float, ...] = HARMONICS
    modulation: float = 0.0
    modulation_Hz: float = 3.0
    clip_V: float | None = None
    """the mains is clipped at +-clip_V before anything else (a protection diode, a saturating supply)"""
    step_V: float = 0.0
    steps_per_s: float = 0.0
    bump_V: float = 0.0
    bumps_per_s: float = 0.0
    flicker_V: float = 0.0
    """standard deviation of 1/f drift between 0.01 Hz and half the sample rate, per octave"""
    transient_V: float = 0.0
    transients_per_s: float = 0.0
    jitter_s: float = 200e-6
    stalls_per_s: float = 2.0
    stall_s: float = 4e-3
    lost: float = 0.0
    full_scale_V: float | None = None
    saturated: float = 0.0
    """fraction of time that a large slow swing drives the converter to full scale"""
    step_of_converter_V: float = 0.0


@dataclass(frozen=True)
class PairRecording:
    """t_s, v_V as a recording holds them; end_s, number: when each conversion truly ended, and its number."""

    scene: PairScene
    t_s: FloatArray
    v_V: FloatArray
    end_s: FloatArray
    number: NDArray[np.int64]
    amplitude_V: FloatArray = field(default_factory=lambda: np.zeros(0))


def mains_family(
    t_mid: FloatArray,
    nominal_Hz: float,
    amplitude_V: float,
    wander_s: float,
    scene: PairScene,
    rng: np.random.Generator,
) -> FloatArray:
    """One supply, averaged over each conversion, its frequency swinging by +-wander_Hz."""
    phase = 2 * np.pi * nominal_Hz * t_mid + rng.uniform(0, 2 * np.pi)
    phase -= scene.wander_Hz * wander_s * np.cos(2 * np.pi * t_mid / wander_s + rng.uniform(0, 2 * np.pi))
    out = np.zeros(t_mid.size)
    for k, part in enumerate(scene.harmonics, 1):
        turn = rng.uniform(0, 2 * np.pi) if k > 1 else 0.0
        if part:
            out += part * amplitude_V * np.sinc(k * nominal_Hz / scene.rate_Hz) * np.cos(k * phase + turn)
    if scene.modulation:
        out *= 1 + scene.modulation * np.cos(2 * np.pi * scene.modulation_Hz * t_mid + rng.uniform(0, 2 * np.pi))
    return out


def _flicker(n: int, rate: float, level: float, rng: np.random.Generator) -> FloatArray:
    """Noise with density ~ 1/f and `level` volts standard deviation per octave."""
    f = np.fft.rfftfreq(n, 1 / rate)
    shape = np.zeros(f.size)
    shape[1:] = np.sqrt(level**2 / np.log(2) / np.maximum(f[1:], 0.01))
    spectrum = shape * (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) * np.sqrt(n * rate / 4)
    return np.fft.irfft(spectrum, n)


def record(scene: PairScene, seconds: float, seed: int, amplitude: FloatArray | None = None) -> PairRecording:
    """A recording of `seconds`. `amplitude` (n,), volts per conversion, overrides the scene's constant one."""
    rng = np.random.default_rng(seed)
    rate = scene.rate_Hz
    n = int(seconds * rate)
    end = 0.5 + (1 + np.arange(n)) / rate
    mid = end - 0.5 / rate
    size = np.full(n, scene.amplitude_V) if amplitude is None else amplitude[:n]
    phase = (end - scene.start_s) * scene.frequency_Hz
    v = size * waveforms.averaged(scene.waveform, phase, scene.frequency_Hz / rate)
    mains = np.zeros(n)
    for (nominal, level), wander in zip(scene.mains_V, scene.wander_s, strict=False):
        mains += mains_family(mid, nominal, level, wander, scene, rng)
    if scene.clip_V is not None:
        mains = np.clip(mains, -scene.clip_V, scene.clip_V)
    v = v + mains + scene.offset_V + scene.noise_V * rng.standard_normal(n)
    if scene.flicker_V:
        v += _flicker(n, rate, scene.flicker_V, rng)
    for _ in range(rng.poisson(scene.steps_per_s * seconds)):
        v[rng.integers(n) :] += scene.step_V * rng.choice([-1, 1]) * rng.uniform(0.3, 1)
    for _ in range(rng.poisson(scene.bumps_per_s * seconds)):
        width = rng.uniform(0.06, 0.3)
        v += scene.bump_V * rng.choice([-1, 1]) * np.exp(-0.5 * ((mid - mid[rng.integers(n)]) / width) ** 2)
    for _ in range(rng.poisson(scene.transients_per_s * seconds)):
        start, length = int(rng.integers(n)), int(rng.integers(1, 9))
        v[start : start + length] += scene.transient_V * rng.standard_normal(v[start : start + length].size)
    if scene.saturated and scene.full_scale_V:
        period = int(1.7 * rate)
        for start in range(0, n, period):
            at = start + int(rng.integers(period // 2))
            length = int(scene.saturated * period)
            v[at : at + length] += 3 * scene.full_scale_V
    if scene.full_scale_V:
        v = np.clip(v, -scene.full_scale_V, scene.full_scale_V)
    if scene.step_of_converter_V:
        v = np.round(v / scene.step_of_converter_V) * scene.step_of_converter_V
    t = end + np.abs(rng.normal(0, scene.jitter_s, n))
    for at in rng.integers(0, n, rng.poisson(scene.stalls_per_s * seconds)):
        # Conversions that ended during a stall are read in one bunch when it is over.
        over = end[at] + rng.exponential(scene.stall_s)
        bunch = (end >= end[at]) & (end < over)
        t[bunch] = over + 1e-5 * np.arange(np.count_nonzero(bunch))
    t = np.maximum.accumulate(t)
    keep = rng.random(n) >= scene.lost
    return PairRecording(scene, t[keep], v[keep], end[keep], np.arange(n)[keep], size[keep])
