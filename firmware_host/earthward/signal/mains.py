"""Tracking the mains families: phase, frequency and its drift, from a short tapered demodulation.

Each hop, the last four hops are demodulated at the tracked phase under a Hann taper, the other family's
fundamental taken out first; the phase left over drives a three-state Kalman filter (phase, frequency, drift of
frequency). Causal: nothing later than the hop's end is used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from earthward.signal.types import FloatArray

#: Public supplies hold their frequency far better; emergency generators do not.
MAX_DEVIATION_HZ = 1.5
#: Length of the tapered stretch, seconds.
TAPER_S = 0.2


class MainsFamily:
    """One supply's fundamental: phase(t) = 2 pi nominal t + p + w (t - t0) + a (t - t0)^2 / 2."""

    def __init__(self, nominal_Hz: float) -> None:
        self.nominal_Hz = nominal_Hz
        self.t0 = 0.0
        self.state = np.zeros(3)
        self.covariance = np.diag([np.pi**2, (2 * np.pi * 0.3) ** 2, (2 * np.pi * 0.2) ** 2])
        self.amplitude_V = 0.0
        self.z = 0j
        self.locked = False

    @property
    def frequency_Hz(self) -> float:
        return self.nominal_Hz + float(self.state[1]) / (2 * np.pi)

    def phase(self, t_s: FloatArray) -> FloatArray:
        d = t_s - self.t0
        p, w, a = self.state
        return np.asarray(p + d * (w + 0.5 * a * d) + 2 * np.pi * self.nominal_Hz * t_s)

    def advance(self, t_s: float) -> None:
        """Move the filter to `t_s`."""
        h = t_s - self.t0
        if h <= 0:
            return
        f = np.array([[1.0, h, 0.5 * h * h], [0.0, 1.0, h], [0.0, 0.0, 1.0]])
        self.state = f @ self.state
        # Wander: drift of frequency is a random walk, about 0.15 Hz/s in a second.
        q = (2 * np.pi * 0.25) ** 2 * h
        g = np.array([h * h / 6, h / 2, 1.0])
        self.covariance = f @ self.covariance @ f.T + q * np.outer(g, g)
        # Nothing known makes nothing of it: both rates relax when there is no line to hold on to.
        if not self.locked:
            self.state[1:] *= np.exp(-h / 0.5)
            bound = np.array([np.pi, 2 * np.pi * 0.3, 2 * np.pi * 0.2])
            scale = np.minimum(1.0, bound / np.sqrt(np.maximum(np.diag(self.covariance), 1e-30)))
            self.covariance *= np.outer(scale, scale)
        self.t0 = t_s

    def update(self, error_rad: float, variance: float) -> None:
        """One measured phase error at `t0`."""
        p = self.covariance
        s = float(p[0, 0]) + variance
        # A glitch (an electrode step in the taper) is let in only as far as three sigma.
        limit = 3.0 * np.sqrt(s)
        gain = p[:, 0] / s
        self.state = self.state + gain * float(np.clip(error_rad, -limit, limit))
        self.covariance = p - np.outer(gain, p[0])
        bound = 2 * np.pi * MAX_DEVIATION_HZ
        self.state[1] = float(np.clip(self.state[1], -bound, bound))

    def initialise(self, t_s: FloatArray, v: FloatArray) -> None:
        """Frequency and phase from the first stretch by a fine search around the nominal frequency."""
        centre = 0.5 * float(t_s[0] + t_s[-1])
        d = t_s - centre
        taper = np.cos(np.pi * d / (d[-1] - d[0] + 1e-9)) ** 2
        weighted = taper * (v - np.average(v, weights=taper + 1e-12))
        half = min(MAX_DEVIATION_HZ, 0.5 / max(float(d[-1] - d[0]), 1e-3))
        offsets = np.linspace(-half, half, 41)
        z = np.exp(-2j * np.pi * np.outer(self.nominal_Hz + offsets, d)) @ weighted * 2 / taper.sum()
        k = int(np.argmax(np.abs(z)))
        rest = v - np.average(v, weights=taper + 1e-12)
        spread = float(np.std(rest - np.real(z[k] * np.exp(2j * np.pi * (self.nominal_Hz + offsets[k]) * d))))
        self.t0 = centre
        strong = abs(z[k]) > 0.5 * spread or abs(z[k]) > 8 * spread / np.sqrt(t_s.size)
        offset = offsets[k] if strong and 0 < k < 40 else 0.0
        self.state = np.array(
            [np.angle(z[k] if strong else z[20]) - 2 * np.pi * self.nominal_Hz * centre, 2 * np.pi * offset, 0.0]
        )
        # Tracking starts from the stretch's beginning.
        back = float(t_s[0]) - centre
        self.state[0] += self.state[1] * back
        self.t0 = float(t_s[0])
        self.amplitude_V = float(abs(z[k]))
        self.locked = bool(strong)


class MainsTracker:
    """All supplies asked for, tracked together."""

    def __init__(self, nominal_Hz: tuple[float, ...]) -> None:
        self.families = [MainsFamily(f) for f in nominal_Hz]
        self.first_noise_V = 0.0

    def initialise(self, t_s: FloatArray, v: FloatArray) -> None:
        """Strongest first, each taken out before the next is sought."""
        for _ in range(2):
            for family in self.families:
                rest = v
                for other in self.families:
                    if other is not family and other.amplitude_V > 0:
                        rest = rest - other.amplitude_V * np.cos(other.phase(t_s))
                family.initialise(t_s, rest)
        rest = v - np.polyval(np.polyfit(t_s - t_s[0], v, 3), t_s - t_s[0])
        for family in self.families:
            rest = rest - family.amplitude_V * np.cos(family.phase(t_s))
        # Harmonics included: too much rather than too little, until the estimator tells the noise.
        self.first_noise_V = float(np.std(rest))

    def step(self, t_s: FloatArray, v: FloatArray, weights: FloatArray, noise_V: float) -> None:
        """Use the last four hops (mid-conversion times, volts, 0..1 weights) to bring every phase up to date."""
        total = float(weights.sum())
        if not self.families or t_s.size < 24 or total < 0.6 * t_s.size or t_s[-1] - t_s[0] < 0.9 * TAPER_S:
            return
        centre = 0.5 * float(t_s[0] + t_s[-1])
        u = (t_s - centre) / (float(t_s[-1] - t_s[0]) * (1 + 1 / t_s.size))
        taper = weights * np.cos(np.pi * u) ** 2
        norm = float(taper.sum())
        rest = v - float(taper @ v) / norm
        spread = float(taper @ taper) / norm**2
        # Ten hertz apart is two bins of this taper: solve for all supplies together, what leaks is taken out.
        bases = np.exp(-1j * np.array([f.phase(t_s) for f in self.families]))
        tapered = bases * taper
        mixing = tapered @ np.conj(bases).T / norm
        z_all = np.linalg.solve(mixing, 2.0 / norm * (tapered @ rest))
        for family, z_of in zip(self.families, z_all, strict=True):
            z = complex(z_of)
            variance_z = 2.0 * spread * max(noise_V, 1e-9) ** 2
            family.z = z
            family.amplitude_V = abs(z)
            family.locked = abs(z) ** 2 > (16.0 if family.locked else 30.0) * variance_z
            if family.locked:
                family.advance(centre)
                # Overlapping tapers repeat themselves: four hops carry one measurement's worth.
                family.update(float(np.angle(z)), 3.0 * variance_z / abs(z) ** 2 + 1e-8)
            else:
                family.advance(centre)


def harmonics_in_reach(nominal_Hz: float, limit_Hz: float) -> NDArray[np.int64]:
    """Harmonic numbers whose frequency is below `limit_Hz`."""
    return np.arange(1, max(1, int(limit_Hz / nominal_Hz)) + 1)
