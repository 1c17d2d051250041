"""The source's waveforms: values, integrals, line spectra, and what an averaging converter makes of them.

Phase is counted in periods; amplitude is one (peak). A square starts with its positive half, a sine with its
rising zero, the code with its first chip. All have zero mean over a period, so no net charge is moved.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from earthward.record.waveform import WAVEFORMS, WaveformName
from earthward.signal.types import FloatArray

_TABLE = 4096


def _levels(name: WaveformName) -> NDArray[np.float64] | None:
    """Equal-length levels of one period for piecewise constant waveforms; None for the sine."""
    levels = WAVEFORMS[name].levels
    return None if levels is None else np.array(levels, dtype=float)


def value(name: WaveformName, phase: FloatArray) -> FloatArray:
    """Value at `phase` (periods, any shape), amplitude one."""
    levels = _levels(name)
    if levels is None:
        return np.sin(2 * np.pi * phase)
    position = np.floor((phase - np.floor(phase)) * levels.size).astype(np.int64)
    return np.asarray(levels[np.minimum(position, levels.size - 1)])


def integral(name: WaveformName, phase: FloatArray) -> FloatArray:
    """Integral of the waveform from phase 0 to `phase`, in periods: periodic because the mean is zero."""
    levels = _levels(name)
    if levels is None:
        return (1.0 - np.cos(2 * np.pi * phase)) / (2 * np.pi)
    knots = np.concatenate([[0.0], np.cumsum(levels)]) / levels.size
    place = (phase - np.floor(phase)) * levels.size
    cell = np.minimum(place.astype(np.int64), levels.size - 1)
    return np.asarray(knots[cell] + (place - cell) * levels[cell] / levels.size)


def averaged(name: WaveformName, phase_end: FloatArray, span: float) -> FloatArray:
    """Mean of the waveform over the `span` periods that end at `phase_end`: what an averaging converter gives."""
    if not span > 0:
        return value(name, phase_end)
    return np.asarray((integral(name, phase_end) - integral(name, phase_end - span)) / span)


def line_spectrum(name: WaveformName, count: int) -> NDArray[np.complex128]:
    """Fourier coefficients c_1..c_count: value(p) = sum over k of 2 Re(c_k exp(2 pi i k p))."""
    k = np.arange(1, count + 1)
    levels = _levels(name)
    if levels is None:
        out = np.zeros(count, dtype=complex)
        out[0] = -0.5j
        return out
    n = levels.size
    edges = np.exp(-2j * np.pi * np.outer(k, np.arange(n + 1)) / n)
    return np.asarray(((edges[:, :-1] - edges[:, 1:]) @ levels) / (2j * np.pi * k))


def averaged_spectrum(name: WaveformName, count: int, span: float) -> NDArray[np.complex128]:
    """Line spectrum of `averaged` as a function of the phase at the end of the conversion."""
    k = np.arange(1, count + 1)
    return np.asarray(line_spectrum(name, count) * np.sinc(k * span) * np.exp(-1j * np.pi * k * span))


@lru_cache(maxsize=64)
def _quadrature_table(name: WaveformName, span_key: int) -> NDArray[np.float64]:
    span = span_key / 1e5
    count = _TABLE // 2 - 1
    c = averaged_spectrum(name, count, span)
    spectrum = np.zeros(_TABLE // 2 + 1, dtype=complex)
    spectrum[1 : count + 1] = -1j * c * _TABLE
    table = np.fft.irfft(spectrum, _TABLE)
    return np.concatenate([table, table[:1]])


def quadrature(name: WaveformName, phase_end: FloatArray, span: float) -> FloatArray:
    """The waveform with every spectral line delayed by a quarter of its own period, averaged likewise.

    For the sine this is the quarter-period shift; for the others it is, unlike that, orthogonal to the
    waveform over whole periods for any code, so that carrying it as a nuisance costs nothing.
    """
    table = _quadrature_table(name, round(max(span, 0.0) * 1e5))
    place = (phase_end - np.floor(phase_end)) * _TABLE
    cell = place.astype(np.int64)
    part = place - cell
    return np.asarray(table[cell] * (1 - part) + table[cell + 1] * part)


@lru_cache(maxsize=16)
def _pair_table(name: WaveformName, span_key: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Knots and values of `averaged` over one period (exact where it consists of straight pieces), and of
    `quadrature`."""
    span = span_key / 1e5
    fine: FloatArray = np.arange(_TABLE + 1) / _TABLE
    levels, knots = _levels(name), fine
    if levels is not None and span > 1e-4:
        edges = np.arange(levels.size + 1) / levels.size
        later = edges + span
        knots = np.unique(np.concatenate([[0.0, 1.0], edges, later - np.floor(later)]).round(12))
    return knots, averaged(name, knots, span), fine, _quadrature_table(name, span_key)


def fill_pair(name: WaveformName, phase_end: FloatArray, span: float, pair: FloatArray) -> None:
    """`averaged` and `quadrature` into pair[:, 0] and pair[:, 1] (hops, 2, slots), phase_end (hops, slots): between
    the knots of tables, for the inner loop."""
    knots, values, fine, across = _pair_table(name, round(max(span, 0.0) * 1e5))
    place = phase_end - np.floor(phase_end)
    pair[:, 0] = np.interp(place, knots, values)
    pair[:, 1] = np.interp(place, fine, across)


def mean_square(name: WaveformName, span: float = 0.0) -> float:
    """Mean square of the averaged waveform; variance of a known-waveform amplitude is sigma^2 / (N mean_square)."""
    c = averaged_spectrum(name, 2000, span)
    return float(2 * np.sum(np.abs(c) ** 2)) if _levels(name) is not None else float(0.5 * np.sinc(span) ** 2)


def strong_lines(name: WaveformName, span: float, most: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Numbers of the waveform's lines that carry 2 % or more of its power, of the first `most`; and for each the
    square of the value that a unit amplitude on it makes."""
    return _strong_lines(name, round(span * 1e4), most)


@lru_cache(maxsize=64)
def _strong_lines(name: WaveformName, span_key: int, most: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    power = 2 * np.abs(averaged_spectrum(name, most if _levels(name) is not None else 1, span_key / 1e4)) ** 2
    total = float(power.sum())
    strong = np.flatnonzero(power >= 0.02 * total)
    return strong + 1, np.asarray((np.sqrt(power[strong] / 2) / total) ** 2)


@lru_cache(maxsize=16)
def _line_shares(name: WaveformName, span_key: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    power = np.abs(averaged_spectrum(name, 400, span_key / 1e4)) ** 2
    turn: NDArray[np.float64] = 2 * np.pi * np.arange(1, 401, dtype=np.float64)
    return np.asarray(power / power.sum()), turn


@lru_cache(maxsize=16)  # the readings of one block have the same reference
def delay_effect(name: WaveformName, delay_periods: float, span: float) -> tuple[float, float]:
    """What a reference `delay_periods` off takes from the value (relative), and what share of it goes into the
    quadrature."""
    if delay_periods == 0:
        return 0.0, 0.0
    power, turn = _line_shares(name, round(span * 1e4))
    angle = turn * delay_periods
    return float(1.0 - power @ np.cos(angle)), float(power @ np.sin(angle))


def polarity_margin(name: WaveformName) -> float:
    """Largest correlation of the waveform with its negative over all rotations, 1 = polarity cannot be determined."""
    levels = _levels(name)
    if levels is None:
        return 1.0
    fine = np.repeat(levels, 2)
    return float(max(-np.dot(fine, np.roll(fine, s)) for s in range(fine.size)) / fine.size)


@lru_cache(maxsize=16)
def tells_polarity(name: WaveformName) -> bool:
    """Whether the waveform alone tells its polarity, so that no common clock is needed."""
    return polarity_margin(name) < 0.5


def lines_below(name: WaveformName, frequency_Hz: float, limit_Hz: float) -> int:
    """Number of harmonics of the repetition frequency below `limit_Hz` (at least one)."""
    return max(1, math.floor(limit_Hz / frequency_Hz)) if _levels(name) is not None else 1
