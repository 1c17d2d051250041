"""A stretch of samples with the source on: amplitude in phase and a quarter period ahead, and its standard error.

On the bench nothing moves and the signal is large, so a plain least-squares fit over the whole stretch is enough: the
waveform and its quarter-period shift, passed through the converter's averaging, the supplies with their third and fifth
harmonics, level and slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earthward.errors import InputError
from earthward.record.waveform import WaveformName
from earthward.signal.types import FloatArray, PhaseReference, SampleBlock, SampleFlag
from earthward.signal.waveforms import averaged

LEAST_SAMPLES = 200
HARMONICS = (1, 3, 5)


@dataclass(frozen=True, slots=True)
class Driven:
    """Peak amplitudes, volts. quadrature_V > 0: the voltage leads the source."""

    in_phase_V: float
    quadrature_V: float
    sigma_V: float

    @property
    def complex_V(self) -> complex:
        return complex(self.in_phase_V, self.quadrature_V)


def even_times(block: SampleBlock) -> tuple[FloatArray, float]:
    """End of each conversion on an even grid through the stamps, and the period. Stamps are late by what varies; the
    earliest tenth of them is taken to be punctual."""
    index = np.asarray(block.index, dtype=float) - float(block.index[0])
    slope, start = np.polyfit(index, block.t_s, 1)
    late = block.t_s - (start + slope * index)
    return start + slope * index + float(np.quantile(late, 0.1)), float(slope)


def fit_driven(
    block: SampleBlock, reference: PhaseReference, waveform: WaveformName, mains_Hz: tuple[float, ...] = (50.0, 60.0)
) -> Driven:
    """Raises InputError for a stretch that is too short or nearly all at full scale."""
    good = (np.asarray(block.flags) & (SampleFlag.SATURATED | SampleFlag.SUSPECT | SampleFlag.RANGE_CHANGED)) == 0
    if np.count_nonzero(good) < LEAST_SAMPLES:
        raise InputError(
            f"{np.count_nonzero(good)} usable samples with the source on are too few: {LEAST_SAMPLES} are needed"
        )
    t, period = even_times(block)
    frequency = reference.frequency_Hz
    phase = (t - reference.start_s) * frequency
    span = frequency * period
    middle = t - 0.5 * period
    columns = [averaged(waveform, phase, span), averaged(waveform, phase + 0.25, span), np.ones_like(t), t - t[0]]
    for supply in mains_Hz:
        for order in HARMONICS:
            if order * supply < 0.5 / period:
                angle = 2 * np.pi * order * supply * middle
                columns += [np.cos(angle), np.sin(angle)]
    table = np.column_stack(columns)[good]
    volts = np.asarray(block.v_V, dtype=float)[good]
    solved, *_ = np.linalg.lstsq(table, volts, rcond=None)
    left = volts - table @ solved
    noise = float(left @ left) / max(1, len(volts) - table.shape[1])
    covariance = np.linalg.pinv(table.T @ table) * noise
    return Driven(float(solved[0]), float(solved[1]), float(np.sqrt(max(covariance[0, 0], covariance[1, 1]))))
