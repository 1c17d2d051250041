"""The band scan: with the source off, measure the spectrum, and choose the repetition frequency that is quietest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.types import FloatArray

#: Repetition frequencies that are tried unless others are asked for; 20, 25, 30 and 40 Hz share lines with mains.
CANDIDATES_HZ: tuple[float, ...] = tuple(round(31.0 + 0.5 * k, 1) for k in range(21))

#: Four-term Blackman-Harris, -92 dB (Harris 1978, table 1); written out because importing scipy.signal costs 40 MB.
_TAPER = (0.35875, 0.48829, 0.14128, 0.01168)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One repetition frequency: predicted sigma of a reading, whether it is fit for use, and why."""

    frequency_Hz: float
    predicted_sigma_V: float
    rejected: bool
    why: str


@dataclass(frozen=True)
class BandScan:
    """The spectrum found. density_V2_per_Hz: one-sided noise density at frequency_Hz, interference lines taken out."""

    sample_rate_Hz: float
    frequency_Hz: FloatArray
    density_V2_per_Hz: FloatArray
    lines: tuple[tuple[float, float], ...]
    ranking: tuple[Candidate, ...]

    @property
    def best(self) -> Candidate:
        return self.ranking[0]


def _periodogram(v: FloatArray, rate: float, length: int) -> tuple[FloatArray, FloatArray]:
    """Welch density, each piece's line taken out; V^2/Hz one-sided.

    Mains may stand 100 dB above the noise: the four-term Blackman-Harris taper (side lobes -92 dB, Harris 1978)
    keeps it in its own few bins, and pieces overlap by two thirds so that its narrow shape wastes little.
    """
    angle = 2 * np.pi * np.arange(length) / length
    taper = _TAPER[0] - _TAPER[1] * np.cos(angle) + _TAPER[2] * np.cos(2 * angle) - _TAPER[3] * np.cos(3 * angle)
    starts = range(0, v.size - length + 1, max(1, length // 3))
    x = np.arange(length) - 0.5 * (length - 1)
    total = np.zeros(length // 2 + 1)
    count = 0
    for start in starts:
        piece = v[start : start + length]
        piece = piece - piece.mean() - x * float(x @ piece) / float(x @ x)
        total += np.abs(np.fft.rfft(piece * taper)) ** 2
        count += 1
    density = total / (max(count, 1) * rate * float(taper @ taper))
    density[1:-1] *= 2
    return np.fft.rfftfreq(length, 1 / rate).astype(np.float64), density


def scan_band(
    v_V: FloatArray,
    sample_rate_Hz: float,
    candidates_Hz: Sequence[float] = CANDIDATES_HZ,
    waveform: WaveformName = "coded",
    window_s: float = 0.5,
    conversion_s: float | None = None,
) -> BandScan:
    """Rank repetition frequencies from samples taken with the source off.

    v_V (n,): evenly spaced volts, at least four windows long. The sigma predicted for a unit amplitude is
    1 / sqrt(2 T sum_k 2 |c_k|^2 / S(f_k)) over the waveform's lines f_k below half the sample rate, or, where a
    conversion is shorter than a sample, below half its rate and as sampling folds them (T window,
    c_k line coefficients through the converter's averaging, S one-sided density): the matched filter's variance
    in coloured noise. A candidate is rejected when a line that carries 8 % or more of its information lies
    within 1/T of an interference line (aliases are seen as such: the spectrum is that of the samples).
    """
    v = np.asarray(v_V, dtype=float)
    if v.size < 4 * window_s * sample_rate_Hz:
        raise InputError(
            f"the band scan needs at least {4 * window_s:g} s of samples, not {v.size / sample_rate_Hz:.2g} s."
        )
    length = int(2 ** np.floor(np.log2(min(v.size / 2, 4.0 * sample_rate_Hz))))
    frequency, density = _periodogram(v, sample_rate_Hz, length)
    floor = _median_floor(density, max(9, int(16.0 / (sample_rate_Hz / length))))
    resolution = sample_rate_Hz / length
    lines = _lines(frequency, density, floor, resolution)
    smooth = _between_lines(frequency, density, [line for line, _ in lines], resolution)
    span = (conversion_s or 1 / sample_rate_Hz) * np.asarray(candidates_Hz, dtype=float)
    ranking = []
    for f, p in zip(candidates_Hz, span, strict=True):
        reach_Hz = 0.5 * (1.0 / conversion_s if conversion_s else sample_rate_Hz)
        count = waveforms.lines_below(waveform, f, reach_Hz - 1.0 / window_s)
        k = np.arange(1, count + 1)
        at_Hz = np.abs(k * f - sample_rate_Hz * np.rint(k * f / sample_rate_Hz))
        power = 2 * np.abs(waveforms.averaged_spectrum(waveform, count, float(p))) ** 2
        information = 2 * window_s * power / np.interp(at_Hz, frequency, smooth)
        share = information / information.sum()
        hits = []
        lost = np.zeros(count, dtype=bool)
        for line, amplitude in lines:
            near = np.abs(at_Hz - line) < 1.0 / window_s
            lost |= near
            for j in np.flatnonzero(near & (share >= 0.08)):
                hits.append(
                    f"line {j + 1} at {k[j] * f:.1f} Hz ({share[j] * 100:.0f} % of the information) lies"
                    f" {abs(at_Hz[j] - line):.1f} Hz from interference of {amplitude * 1e6:.1f} uV at {line:.1f} Hz"
                )
        kept = float(information[~lost].sum())
        sigma = 1.0 / np.sqrt(kept) if kept > 0 else float("inf")
        loss = 1 - kept / float(information.sum())
        why = (
            "; ".join(hits)
            if hits
            else (f"sigma {sigma * 1e6:.3f} uV in {window_s:g} s; interference takes {loss * 100:.0f} %")
        )
        ranking.append(Candidate(float(f), float(sigma), bool(hits), why))
    ranking.sort(key=lambda c: (c.rejected, c.predicted_sigma_V))
    return BandScan(sample_rate_Hz, frequency, density, tuple(lines), tuple(ranking))


def _between_lines(frequency: FloatArray, density: FloatArray, lines: list[float], resolution: float) -> FloatArray:
    """The noise that is left between interference lines: mean over some hertz, lines bridged.

    The mean is over 10 Hz, narrower below 20 Hz where electrode noise is steep: a narrower one would rank candidates
    by the estimate's own scatter.
    """
    clear = np.ones(density.size, dtype=bool)
    for line in lines:
        clear &= np.abs(frequency - line) > 4.5 * resolution
    log = np.log(np.maximum(density, 1e-30))
    bridged = np.exp(np.interp(frequency, frequency[clear], log[clear])) if clear.any() else density
    total = np.concatenate([[0.0], np.cumsum(bridged)])
    half = np.minimum(5.0, 0.25 * frequency) / resolution
    k = np.arange(density.size)
    low = np.maximum(0, np.floor(k - half)).astype(int)
    high = np.minimum(density.size, np.ceil(k + half).astype(int) + 1)
    return np.asarray((total[high] - total[low]) / (high - low))


def _median_floor(density: FloatArray, width: int) -> FloatArray:
    """Running median: what the density is without its narrow lines."""
    half = width // 2
    padded = np.pad(density, half, mode="reflect")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def _lines(
    frequency: FloatArray, density: FloatArray, floor: FloatArray, resolution: float
) -> list[tuple[float, float]]:
    """Peaks that no noise makes: (frequency, amplitude), strongest first."""
    out: list[tuple[float, float]] = []
    peak: NDArray[np.bool_] = np.zeros(density.size, dtype=bool)
    peak[2:-1] = (density[2:-1] >= density[1:-2]) & (density[2:-1] > density[3:])
    for k in np.flatnonzero(peak & (density > 12 * floor)):
        near = slice(max(0, k - 4), k + 5)
        power = float((density[near] - floor[near]).clip(0).sum()) * resolution
        centre = float(np.average(frequency[near], weights=density[near]))
        out.append((centre, float(np.sqrt(2 * power))))
    out.sort(key=lambda line: -line[1])
    return out
