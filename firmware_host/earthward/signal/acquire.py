"""Code phase and source frequency from the samples alone: acquired over +-0.5 %, then tracked.

The data, mains and drift taken out, are reduced to the complex amplitudes of the code's spectral lines, hop by
hop. Acquisition searches frequency and phase for the greatest correlation and accepts it only if it stands far out
of the noise, if it does so without its two strongest lines (a rival tone has one or two, the code has a comb), and
if no phase of the opposite polarity comes near. Tracking is a two-state Kalman filter (phase, frequency) whose
discriminator does not care for the sign of the signal, so that a zero crossing is no loss of lock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.types import FloatArray, PhaseReference

SEARCH = 0.0055
#: Thresholds of the lock statistic, in sigmas of noise: whole comb, comb without its two strongest lines, distance
#: to the best phase of opposite polarity. Measured: tests/benchmarks/bench_detector.py, section lock.
LOCK_WHOLE = 6.5
LOCK_COMB = 3.5
LOCK_POLARITY = 4.5
#: Seconds of data looked back on while acquiring.
LOOK_BACK_S = 3.0
#: Without a usable signal the phase is extrapolated until its sigma has grown to this (periods).
HOLD_PERIODS = 0.03
#: Random walk of the source's relative frequency, per root second: a resonator warming up.
FREQUENCY_WALK = 2e-6
_PHASES = 128


@dataclass(frozen=True, slots=True)
class LockStatistic:
    """Best candidate of a search, everything in sigmas of noise but the last two."""

    whole: float
    comb: float
    polarity: float
    offset: float
    phase: float

    @property
    def accepted(self) -> bool:
        return self.whole >= LOCK_WHOLE and self.comb >= LOCK_COMB and self.polarity >= LOCK_POLARITY


def line_amplitudes(
    t_end_s: FloatArray, v: FloatArray, frequency_Hz: float, origin_s: float, count: int
) -> NDArray[np.complex128]:
    """(hops, count): sum over each row of v exp(-2 pi i k f (t - origin)), k = 1..count."""
    base = np.exp((-2j * np.pi * frequency_Hz) * (t_end_s - origin_s))
    out = np.empty((v.shape[0], count), dtype=complex)
    turned = v.astype(complex)
    for k in range(count):
        turned = turned * base
        out[:, k] = turned.sum(axis=1)
    return out


def search(
    z: NDArray[np.complex128],
    t_s: FloatArray,
    samples: float,
    noise2: float,
    spectrum: NDArray[np.complex128],
    frequency_Hz: float,
    limit: float = SEARCH,
) -> LockStatistic:
    """Greatest correlation of either sign with the code over frequency offset and phase.

    z (hops, lines): line amplitudes; t_s (hops,): hop centres from the origin; samples: how many stand behind z;
    noise2: mean square of the data, signal included; spectrum: the code's averaged line spectrum.
    """
    lines = spectrum.size
    k = np.arange(1, lines + 1)
    duration = max(float(t_s[-1] - t_s[0]), 0.1)
    step = 0.2 / (frequency_Hz * min(lines, 10) * duration)
    offsets = np.linspace(-limit, limit, 2 * math.ceil(limit / step) + 1)
    turn = np.exp((-2j * np.pi * frequency_Hz) * np.outer(offsets, t_s))
    weighted = np.empty((offsets.size, lines), dtype=complex)
    power = np.ones_like(turn)
    for j in range(lines):
        power = power * turn
        weighted[:, j] = power @ z[:, j]
    weighted *= np.conj(spectrum)
    full = np.zeros((offsets.size, _PHASES // 2 + 1), dtype=complex)
    full[:, 1 : lines + 1] = np.conj(weighted)
    # Correlation at phase p: 2 Re sum_k conj(c_k) Z_k exp(-2 pi i k p).
    correlation = np.fft.irfft(full, _PHASES, axis=1) * _PHASES
    share = 2 * np.abs(spectrum) ** 2
    scale = math.sqrt(max(noise2, 1e-300) * samples)
    up, down = int(np.argmax(correlation)), int(np.argmin(correlation))
    highest, lowest = float(correlation.flat[up]), float(correlation.flat[down])
    sign = 1.0 if highest >= -lowest else -1.0
    i, p = divmod(up if sign > 0 else down, _PHASES)
    best, opposite = max(highest, -lowest), min(highest, -lowest)
    parts = sign * 2 * np.real(weighted[i] * np.exp(-2j * np.pi * k * p / _PHASES))
    order = np.argsort(parts)
    kept = order[:-2] if lines > 4 else order[:-1] if lines > 1 else order
    comb = float(parts[kept].sum()) / math.sqrt(max(float(share[kept].sum()), 1e-30))
    norm = scale * math.sqrt(float(share.sum()))
    return LockStatistic(
        whole=best / norm,
        comb=comb / scale,
        polarity=(best - opposite) / norm,
        offset=float(offsets[i]),
        phase=p / _PHASES,
    )


class CodeTracker:
    """Acquires and tracks the code's phase. Feed it windows; ask it for the reference."""

    def __init__(self, waveform: WaveformName, frequency_Hz: float) -> None:
        self.waveform = waveform
        self.frequency_Hz = frequency_Hz
        self.reset()

    def reset(self) -> None:
        self.locked = False
        self.statistic: LockStatistic | None = None
        self._z: list[tuple[FloatArray, NDArray[np.complex128], float, float]] = []
        self._origin: float | None = None
        self._t = 0.0
        self._phase = 0.0
        self._offset = 0.0
        self._cov = np.diag([1.0, 1.0])

    def seed(self, reference: PhaseReference) -> None:
        """A shared clock tells phase and frequency: take them over, to go on from when it falls silent."""
        self.locked = True
        self._z.clear()
        self._origin = reference.start_s
        self._t = reference.start_s
        self._phase = 0.0
        self._offset = reference.frequency_Hz / self.frequency_Hz - 1.0
        sigma = max(reference.sigma_s, 5e-6) * reference.frequency_Hz
        self._cov = np.diag([sigma**2, max(reference.frequency_sigma, 2e-6) ** 2])

    @property
    def offset(self) -> float | None:
        return self._offset if self.locked else None

    def _advance(self, t_s: float) -> None:
        h = t_s - self._t
        f = np.array([[1.0, self.frequency_Hz * h], [0.0, 1.0]])
        self._phase += self.frequency_Hz * (1 + self._offset) * h
        self._cov = f @ self._cov @ f.T
        self._cov[1, 1] += FREQUENCY_WALK**2 * abs(h)
        self._t = t_s

    def reference(self, t_s: float) -> PhaseReference | None:
        """The reference as of `t_s`; None while not locked."""
        if not self.locked:
            return None
        frequency = self.frequency_Hz * (1 + self._offset)
        h = t_s - self._t
        phase = self._phase + frequency * h
        spread = np.array([1.0, self.frequency_Hz * h])
        variance = float(spread @ self._cov @ spread)
        return PhaseReference(
            start_s=t_s - (phase - math.floor(phase)) / frequency,
            frequency_Hz=frequency,
            sigma_s=math.sqrt(max(variance, 0.0)) / frequency,
            frequency_sigma=math.sqrt(max(float(self._cov[1, 1]), 0.0)),
        )

    def add_window(self, t_end_s: FloatArray, v: FloatArray, weight: FloatArray, span_s: float, noise_V: float) -> None:
        """One window (hops, slots): ends of conversions, volts less mains and drift, weights. Noise of a sample."""
        if self._origin is None:
            self._origin = float(t_end_s[0, 0])
        rate = t_end_s[0].size / max(float(t_end_s[0, -1] - t_end_s[0, 0]) * (1 + 1 / t_end_s[0].size), 1e-9)
        lines = min(waveforms.lines_below(self.waveform, self.frequency_Hz, 0.48 * rate), 40)
        spectrum = waveforms.averaged_spectrum(self.waveform, lines, span_s * self.frequency_Hz)
        weighted = v * weight
        count = float(weight.sum())
        if count < 32:
            return
        if self.locked:
            self._follow(t_end_s, weighted, count, spectrum, noise_V)
            return
        z = line_amplitudes(t_end_s, weighted, self.frequency_Hz, self._origin, lines)
        centres = t_end_s.mean(axis=1) - self._origin
        self._z.append((centres, z, count, float((weighted * v).sum()) / count))
        while len(self._z) > 1 and float(self._z[-1][0][-1] - self._z[0][0][0]) > LOOK_BACK_S:
            self._z.pop(0)
        if any(part[1].shape[1] != lines for part in self._z):
            self._z = self._z[-1:]
        # A window that was noisier (mains not yet known, a pole being moved) weighs less.
        noise2 = min(part[3] for part in self._z)
        trust = [noise2 / part[3] for part in self._z]
        samples = sum(part[2] * w for part, w in zip(self._z, trust, strict=True))
        t = np.concatenate([part[0] for part in self._z])
        z = np.concatenate([part[1] * w for part, w in zip(self._z, trust, strict=True)])
        self.statistic = found = search(z, t, samples, noise2, spectrum, self.frequency_Hz)
        if not found.accepted:
            return
        self.locked = True
        self._t = self._origin
        self._phase, self._offset = found.phase, found.offset
        # Grid errors: half a step of each, correlated as phase and frequency are over the stretch.
        middle = float(t.mean())
        self._cov = np.diag([(0.6 / _PHASES) ** 2, 0.0])
        self._t = self._origin + middle
        self._phase += self.frequency_Hz * (1 + self._offset) * middle
        duration = max(float(t[-1] - t[0]), 0.1)
        self._cov[1, 1] = (0.1 / (self.frequency_Hz * 6 * duration)) ** 2
        # Refine on the very data that gave the lock, a window at a time.
        for _ in range(2):
            self._refine(spectrum)
        self._z.clear()

    def _refine(self, spectrum: NDArray[np.complex128]) -> None:
        """Least squares of phase and frequency error over the stored windows, from the present estimate."""
        assert self._origin is not None
        rows, values, weights = [], [], []
        for centres, z, count, noise2 in self._z:
            for lo in range(0, centres.size, 5):
                c = centres[lo : lo + 5]
                middle = float(c.mean())
                part = count * c.size / centres.size
                measured = self._discriminate(z[lo : lo + 5], c, middle, part, spectrum, noise2)
                if measured is None:
                    continue
                rows.append([1.0, self.frequency_Hz * (self._origin + middle - self._t)])
                values.append(measured[0])
                weights.append(1.0 / measured[1])
        if len(rows) < 2:
            return
        x, y, w = np.array(rows), np.array(values), np.array(weights)
        information = x.T @ (w[:, None] * x) + np.linalg.inv(self._cov)
        change = np.linalg.solve(information, x.T @ (w * y))
        self._phase += float(change[0])
        self._offset += float(change[1])
        self._cov = np.linalg.inv(information)

    def _discriminate(
        self,
        z: NDArray[np.complex128],
        centres: FloatArray,
        middle: float,
        count: float,
        spectrum: NDArray[np.complex128],
        noise2: float,
    ) -> tuple[float, float] | None:
        """Phase error (periods) and its variance from some hops; None when there is no signal to tell it by."""
        assert self._origin is not None
        k = np.arange(1, spectrum.size + 1)
        turn = np.exp((-2j * np.pi * self.frequency_Hz * self._offset) * np.outer(centres - middle, k))
        total = (z * turn).sum(axis=0)
        # Phase of the code at the middle, against the nominal rotation that z was formed with.
        phase = self._phase + self.frequency_Hz * (1 + self._offset) * (self._origin + middle - self._t)
        phase -= self.frequency_Hz * middle
        total = total * np.exp(-2j * np.pi * k * phase)
        slope = 2j * np.pi * k * spectrum
        in_phase = 2 * float(np.real(np.vdot(spectrum, total)))
        across = 2 * float(np.real(np.vdot(slope, total)))
        power = count * 2 * float(np.sum(np.abs(spectrum) ** 2))
        slope_power = count * 2 * float(np.sum(np.abs(slope) ** 2))
        amplitude = in_phase / power
        if amplitude**2 < 9.0 * noise2 / power:
            return None
        return across / (amplitude * slope_power), noise2 / (amplitude**2 * slope_power)

    def _follow(
        self, t_end_s: FloatArray, weighted: FloatArray, count: float, spectrum: NDArray[np.complex128], noise_V: float
    ) -> None:
        assert self._origin is not None
        z = line_amplitudes(t_end_s, weighted, self.frequency_Hz, self._origin, spectrum.size)
        centres = t_end_s.mean(axis=1) - self._origin
        middle = float(centres.mean())
        self._advance(self._origin + middle)
        measured = self._discriminate(z, centres, middle, count, spectrum, noise_V**2)
        if measured is not None:
            error, variance = measured
            s = float(self._cov[0, 0]) + variance
            error = float(np.clip(error, -3 * math.sqrt(s), 3 * math.sqrt(s)))
            gain = self._cov[:, 0] / s
            self._phase += float(gain[0]) * error
            self._offset += float(gain[1]) * error
            self._cov = self._cov - np.outer(gain, self._cov[0])
        elif math.sqrt(float(self._cov[0, 0])) > HOLD_PERIODS:
            self.reset()
