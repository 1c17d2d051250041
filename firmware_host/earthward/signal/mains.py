"""Tracking the mains families: phase, frequency and its drift, from a short tapered demodulation.

After every hop, the last 0.2 s are demodulated under a Hann taper at each supply's nominal frequency; ten hertz
apart is two bins of that taper, and what still leaks is solved for. The phase drives a three-state Kalman filter
(phase, frequency, drift of frequency) per supply. Causal: nothing later than the hop's end is used.
"""

from __future__ import annotations

import cmath
import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from earthward.signal.types import FloatArray

#: Public supplies hold their frequency far better; emergency generators do not.
MAX_DEVIATION_HZ = 1.5
#: Mains harmonics (folded ones included) are looked for up to here.
MAINS_LIMIT_HZ = 1000.0
#: Length of the tapered stretch, seconds.
TAPER_S = 0.2
#: Drift of frequency wanders by this much in a second, Hz/s: a supply that swings by +-0.2 Hz in seconds.
DRIFT_WALK = 0.25
#: What a strong supply, its frequency swinging, leaves in the other's place: less than this is not believed.
LEAKAGE = 6e-4
#: Phase error from another supply as strong as this one, radians.
SMEAR = 4e-3
#: So many phase errors out of reach, and the filter starts anew: longer than a glitch stays in the taper.
LOST_AFTER = 6
#: Hops without a line after which nothing of it is known; hops alike after which the filter's gain has come to rest.
IDLE_AFTER = 20
SETTLED_AFTER = 60
_TWO_PI = 2 * math.pi


def hann_response(bins: float) -> float:
    """Response of a Hann taper `bins` resolution cells (1 / length) off its centre."""
    if abs(bins) < 0.2:
        x = math.pi * math.pi * bins * bins
        return (1.0 - x * (1.0 / 6.0 - x / 120.0)) / (1.0 - bins * bins)
    if abs(abs(bins) - 1.0) < 1e-6:
        return 0.5
    return math.sin(math.pi * bins) / (math.pi * bins) / (1.0 - bins * bins)


#: Covariance (upper triangle) when nothing is known of a supply: phase, frequency and its drift.
UNKNOWN = (math.pi**2, 0.0, 0.0, (_TWO_PI * 0.3) ** 2, 0.0, (_TWO_PI * 0.2) ** 2)


class MainsFamily:
    """One supply's fundamental: phase(t) = 2 pi nominal t + p + w (t - t0) + a (t - t0)^2 / 2."""

    def __init__(self, nominal_Hz: float) -> None:
        self.nominal_Hz = nominal_Hz
        self.t0 = 0.0
        self.p = self.w = self.a = 0.0
        self.amplitude_V = 0.0
        self.locked = False
        self.beyond = 0
        # Covariance, upper triangle.
        self.c = list(UNKNOWN)
        #: Hops since it was last locked; hops for which gain and measurement have not changed.
        self.idle = 0
        self.settled = 0
        self.step_s = 0.0
        self._gain = (0.0, 0.0, 0.0)
        self._variance = 0.0
        self._limit = 0.05

    @property
    def frequency_Hz(self) -> float:
        return self.nominal_Hz + self.w / _TWO_PI

    def frequency_at(self, t_s: float) -> float:
        return self.nominal_Hz + (self.w + (t_s - self.t0) * self.a) / _TWO_PI

    def polynomial(self) -> tuple[float, float, float, float]:
        """(t0, p, w, a): phase beyond the nominal one, as a polynomial in t - t0."""
        return self.t0, self.p, self.w, self.a

    def deviation(self, t_s: float) -> float:
        d = t_s - self.t0
        return self.p + d * (self.w + 0.5 * self.a * d)

    def phase(self, t_s: FloatArray) -> FloatArray:
        d = t_s - self.t0
        return np.asarray(self.p + d * (self.w + 0.5 * self.a * d) + _TWO_PI * self.nominal_Hz * t_s)

    def advance(self, t_s: float) -> None:
        """Move the filter to `t_s`."""
        h = t_s - self.t0
        if h <= 0:
            return
        self.p, self.w = self.p + h * (self.w + 0.5 * h * self.a), self.w + h * self.a
        self.step_s = h
        if self.idle > IDLE_AFTER:
            # Nothing to hold on to for a while: nothing is known but that both rates are small.
            relax = math.exp(-h / 0.5)
            self.w *= relax
            self.a *= relax
            self.c = list(UNKNOWN)
            self.t0 = t_s
            return
        pp, pw, pa, ww, wa, aa = self.c
        g = 0.5 * h * h
        # F C F' with F = [[1, h, g], [0, 1, h], [0, 0, 1]]
        pp2 = pp + 2 * h * pw + 2 * g * pa + h * h * ww + 2 * h * g * wa + g * g * aa
        pw2 = pw + h * ww + g * wa + h * (pa + h * wa + g * aa)
        pa2 = pa + h * wa + g * aa
        ww2 = ww + 2 * h * wa + h * h * aa
        wa2 = wa + h * aa
        q = (_TWO_PI * DRIFT_WALK) ** 2
        self.c = [
            pp2 + q * h**5 / 20,
            pw2 + q * h**4 / 8,
            pa2 + q * h**3 / 6,
            ww2 + q * h**3 / 3,
            wa2 + q * h**2 / 2,
            aa + q * h,
        ]
        self.t0 = t_s

    def follow(self, t_s: float, error_rad: float, variance: float) -> None:
        """Move to `t_s` and take in the phase error measured there (against the present prediction)."""
        h = t_s - self.t0
        alike = abs(h - self.step_s) < 1e-3 * h and 0.8 * self._variance < variance < 1.25 * self._variance
        if alike and self.settled >= SETTLED_AFTER and self.beyond == 0 and abs(error_rad) < self._limit:
            # The gain has come to rest: the covariance need not be carried on.
            self.p, self.w = self.p + h * (self.w + 0.5 * h * self.a), self.w + h * self.a
            self.t0 = t_s
            k0, k1, k2 = self._gain
            self.p += k0 * error_rad
            self.w += k1 * error_rad
            self.a += k2 * error_rad
            return
        self.settled = self.settled + 1 if alike else 0
        if not alike:
            self._variance = variance
        self.advance(t_s)
        self.update(error_rad, self._variance if alike else variance)

    def update(self, error_rad: float, variance: float) -> None:
        """One measured phase error at `t0`."""
        pp, pw, pa, ww, wa, aa = self.c
        s = pp + variance
        # A glitch (an electrode step in the taper) is let in only as far as three sigma, or a few degrees.
        self._limit = limit = max(3.0 * math.sqrt(s), 0.05)
        e = min(max(error_rad, -limit), limit)
        # Beyond it time after time is no glitch: what was believed is wrong, and is given up by degrees.
        self.beyond = self.beyond + 1 if e != error_rad else max(self.beyond - 1, 0)
        if self.beyond >= LOST_AFTER:
            self.beyond = self.settled = 0
            self.p, self.w, self.a = self.p + error_rad, 0.5 * self.w, 0.0
            self.c = [0.3**2, 0.0, 0.0, (_TWO_PI * 0.5) ** 2, 0.0, (_TWO_PI * 0.15) ** 2]
            return
        self._gain = k0, k1, k2 = pp / s, pw / s, pa / s
        self.p += k0 * e
        self.w += k1 * e
        self.a += k2 * e
        self.c = [pp - k0 * pp, pw - k0 * pw, pa - k0 * pa, ww - k1 * pw, wa - k1 * pa, aa - k2 * pa]
        bound = _TWO_PI * MAX_DEVIATION_HZ
        self.w = min(max(self.w, -bound), bound)

    def initialise(self, t_s: FloatArray, v: FloatArray) -> None:
        """Frequency and phase from the first stretch by a fine search around the nominal frequency."""
        centre = 0.5 * float(t_s[0] + t_s[-1])
        d = t_s - centre
        duration = float(d[-1] - d[0])
        taper = np.cos(np.pi * d / (duration + 1e-9)) ** 2
        total = float(taper.sum())
        rest = v - float(taper @ v) / total
        half = min(MAX_DEVIATION_HZ, 0.5 / max(duration, 1e-3))
        offsets = np.linspace(-half, half, 41)
        z = np.exp(-2j * np.pi * np.outer(self.nominal_Hz + offsets, d)) @ (taper * rest) * 2 / total
        k = int(np.argmax(np.abs(z)))
        spread = float(np.std(rest - np.real(z[k] * np.exp(2j * np.pi * (self.nominal_Hz + offsets[k]) * d))))
        strong = bool(abs(z[k]) > 0.5 * spread or abs(z[k]) > 8 * spread / math.sqrt(t_s.size))
        w = _TWO_PI * float(offsets[k]) if strong and 0 < k < 40 else 0.0
        # Tracking starts from the stretch's beginning.
        back = float(t_s[0]) - centre
        self.p = float(np.angle(z[k] if strong else z[20])) - _TWO_PI * self.nominal_Hz * centre + w * back
        self.p = math.remainder(self.p, _TWO_PI)
        self.w, self.a, self.t0 = w, 0.0, float(t_s[0])
        self.amplitude_V = float(abs(z[k]))
        self.locked = strong
        self.idle = 0
        self.c = [0.3**2, 0.0, 0.0, (_TWO_PI * 0.2) ** 2, 0.0, (_TWO_PI * 0.15) ** 2]


class MainsTracker:
    """All supplies asked for, tracked together."""

    def __init__(self, nominal_Hz: tuple[float, ...]) -> None:
        self.families = [MainsFamily(f) for f in nominal_Hz]
        self.first_noise_V = 0.0
        #: Power of the noise around each fundamental, over that of white noise of the level given.
        self.colour = [1.0] * len(nominal_Hz)

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

    def taper_table(self, hops: int, slots: int, period_s: float) -> FloatArray:
        """(slots, hops * 2 * families): a hop's samples times this, summed over the hops of a taper, each taken at
        its place, give real and imaginary parts of z as `step` wants them; the mean is taken out."""
        n = hops * slots
        taper = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
        taper /= taper.sum()
        t = (np.arange(n) + 0.5 - 0.5 * n) * period_s
        parts = []
        for family in self.families:
            turn = np.exp(-2j * np.pi * family.nominal_Hz * t)
            z = 2 * taper * (turn - taper @ turn)
            parts += [z.real, z.imag]
        table = np.array(parts).reshape(len(parts), hops, slots)
        return np.ascontiguousarray(table.transpose(2, 1, 0).reshape(slots, -1))

    def step(self, centre_s: float, length_s: float, z: list[float], samples: int, noise_V: float) -> None:
        """Demodulated stretch around `centre_s`, full weights: z of family j is 2 <taper v exp(-2 pi i f_j (t -
        centre))>, real and imaginary part in turn."""
        families = self.families
        values = [complex(z[2 * j], z[2 * j + 1]) for j in range(len(families))]
        if len(families) == 2:
            one, two = families
            if one.locked or two.locked or one.idle <= IDLE_AFTER or two.idle <= IDLE_AFTER:
                # What each leaks into the other at its present frequency.
                first, second = one.frequency_at(centre_s), two.frequency_at(centre_s)
                r = hann_response((second - one.nominal_Hz) * length_s)
                q = hann_response((first - two.nominal_Hz) * length_s)
                d = hann_response((first - one.nominal_Hz) * length_s)
                e = hann_response((second - two.nominal_Hz) * length_s)
                determinant = d * e - r * q
                z1, z2 = values
                values = [(e * z1 - r * z2) / determinant, (d * z2 - q * z1) / determinant]
        elif len(families) > 2:
            present = [f.frequency_at(centre_s) for f in families]
            matrix = [[hann_response((k - j.nominal_Hz) * length_s) for k in present] for j in families]
            values = np.linalg.solve(np.array(matrix, dtype=complex), np.array(values)).tolist()
        self._update(centre_s, values, 1.5 / samples, noise_V)

    def step_weighted(
        self,
        t_s: FloatArray,
        v: FloatArray,
        weights: FloatArray,
        noise_V: float,
        jumps: NDArray[np.int64],
        harmonics: list[tuple[int, int, float, float]],
    ) -> None:
        """The same with missing samples or jumps of the electrode voltage: every product over what is there.

        jumps: first samples after each jump, every level between them is free. harmonics: (family, number, cosine
        and sine amplitude) of known lines above the fundamentals, taken out first.
        """
        centre = 0.5 * float(t_s[0] + t_s[-1])
        u = (t_s - centre) / (float(t_s[-1] - t_s[0]) * (1 + 1 / t_s.size))
        weights = weights.copy()
        edges = [0, *jumps.tolist(), t_s.size]
        levels = []
        for lo, hi in pairwise(edges):
            # The conversion in which it jumped, and what lies between two jumps close together, is of no use.
            weights[lo - 1 if lo else 0 : lo] = 0.0
            if hi - lo < 12 and len(edges) > 2:
                weights[lo:hi] = 0.0
            else:
                level = np.zeros(t_s.size)
                level[lo:hi] = 1.0
                levels.append(level)
        taper = weights * np.cos(np.pi * u) ** 2
        norm = float(taper.sum())
        if norm < 0.25 * 0.5 * t_s.size or not levels:
            return
        spread = float(taper @ taper) / norm**2
        phases = np.array([f.phase(t_s) for f in self.families])
        for family, number, cosine, sine in harmonics:
            v = v - cosine * np.cos(number * phases[family]) - sine * np.sin(number * phases[family])
        # Real columns: with samples missing, each line's own image at minus its frequency no longer averages out.
        x = np.vstack([u, np.cos(phases), np.sin(phases), *levels])
        tapered = x * taper
        fit = np.linalg.solve(tapered @ x.T + 1e-9 * norm * np.eye(x.shape[0]), tapered @ v)
        n = len(self.families)
        z = fit[1 : 1 + n] - 1j * fit[1 + n : 1 + 2 * n]
        # Its columns turn with the predicted phases; `_update` wants it against the nominal ones.
        turned = [
            value * cmath.exp(1j * (f.deviation(centre) + _TWO_PI * f.nominal_Hz * centre))
            for value, f in zip(z.tolist(), self.families, strict=True)
        ]
        self._update(centre, turned, spread, noise_V)

    def _update(self, centre_s: float, values: list[complex], spread: float, noise_V: float) -> None:
        """Take in the complex amplitude of each family, against its nominal phase at `centre_s`."""
        variance_z = 2.0 * spread * max(noise_V, 1e-9) ** 2
        powers = [value.real * value.real + value.imag * value.imag for value in values]
        total = sum(powers)
        leak2 = LEAKAGE * LEAKAGE * max(powers, default=0.0)
        for family, value, power, colour in zip(self.families, values, powers, self.colour, strict=True):
            family.amplitude_V = math.sqrt(power)
            family.locked = power > (16.0 if family.locked else 30.0) * variance_z * colour + leak2
            if not family.locked:
                family.idle += 1
                family.settled = 0
                family.advance(centre_s)
            else:
                family.idle = 0
                error = cmath.phase(value) - math.fmod(_TWO_PI * family.nominal_Hz * centre_s, _TWO_PI)
                error = math.remainder(error - family.deviation(centre_s), _TWO_PI)
                # Overlapping tapers repeat themselves: each hop brings a part of a measurement only.
                smear2 = SMEAR**2 * (total - power)
                family.follow(centre_s, error, (3.0 * variance_z + smear2) / power + 1e-9)

    def harmonic_power(self, base: NDArray[np.complex128], rest: FloatArray, family: int) -> FloatArray:
        """(harmonics in reach,): |sum of rest exp(-i k phase)|^2 for k = 1, 2, ...; base = exp(i phase)."""
        count = max(1, int(MAINS_LIMIT_HZ / self.families[family].nominal_Hz))
        powers = np.empty((count, base.size), dtype=complex)
        powers[0], have = base, 1
        while have < count:
            # All that are there, turned on by the last of them.
            more = min(have, count - have)
            np.multiply(powers[:more], powers[have - 1], out=powers[have : have + more])
            have += more
        sums = powers @ rest
        return np.asarray(sums.real**2 + sums.imag**2)

    def folded_Hz(self, family: int, number: int, period_s: float) -> float:
        """Where sampling puts a harmonic: its alias."""
        return abs(math.remainder(number * self.families[family].frequency_Hz, 1.0 / period_s))
