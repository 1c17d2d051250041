"""The estimator: weighted least squares over a sliding window from normal equations kept per hop.

A hop is some 50 ms of conversions. For each hop the products of its columns (data, reference, its quadrature,
mains lines at the tracked phase, a cubic polynomial) with each other are formed once, after whitening and robust
weighting. A reading sums the hops of its window. What varies from hop to hop within a window is linear in the
window's parameters, so that nothing has to be recomputed: the electrode drift is a cubic spline with a knot per
hop (it takes the band below about ten hertz, where no waveform line lies), electrode steps are breaks at hop
boundaries, and the mains phase may bend by a common straight line and parabola for all lines of a family.

Lines of the mains are held to their long averages by a Kalman filter over whole windows: a line that is steady
costs the signal next to nothing even where it (or its alias) falls on one of the waveform's own lines.

Every step works on a run of hops at once. Streaming is a run of one; a recording is processed in runs as long as
the slowly adapted parameters allow. The numbers are the same.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from earthward.signal import waveforms
from earthward.signal.mains import MAX_DEVIATION_HZ, TAPER_S, MainsTracker, harmonics_in_reach
from earthward.signal.types import FloatArray, WaveformName
from earthward.signal.whitening import ORDER, Whitener

# Columns of a hop: data, reference, quadrature, mains lines, then powers of s in [-1, 1], then a bend per family.
Y, REF, QUAD, LINES = 0, 1, 2, 3

# Cubic B-spline pieces on one hop: rows 1, s, s^2, s^3 with s = 2 u - 1; columns the four splines alive there.
_U = np.array([[1, 4, 1, 0], [-3, 0, 3, 0], [3, -6, 3, 0], [-1, 3, -3, 1]]) / 6.0
_SHIFT = np.array([[1, 0.5, 0.25, 0.125], [0, 0.5, 0.5, 0.375], [0, 0, 0.25, 0.375], [0, 0, 0, 0.125]])
SPLINE = _SHIFT @ _U

#: Prior for the bend of the mains phase at the window's ends, radians: straight line and parabola.
BEND_RAD = (0.05, 0.03)
#: Wander of a steady mains line from one window to the next, relative: never believed to be less.
STEADY = 0.003
OUTLIER_SIGMA = 4.0
#: A window whose noise power is this much above the ordinary is searched for steps of the electrode voltage.
SUSPICIOUS = 1.5
MOST_BREAKS = 4
#: Mains harmonics (folded ones included) are looked for up to here.
MAINS_LIMIT_HZ = 1000.0


@dataclass(slots=True)
class Solution:
    """What a window's least squares gave. Volts; `unit_*` are variances per unit noise variance."""

    value: float
    quadrature: float
    noise: float
    unit_value: float
    unit_quadrature: float
    samples: float
    theta: FloatArray
    breaks: tuple[int, ...] = ()


class LineMemory:
    """The mains lines carried as columns, (family, harmonic), and their Kalman-filtered amplitudes."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, int]] = []
        self.mean: FloatArray = np.zeros(0)
        self.covariance: FloatArray = np.zeros((0, 0))
        self.excess: FloatArray = np.zeros(0)  # measured wander variance per line, window to window
        self.windows = 0

    def set_lines(self, lines: list[tuple[int, int]]) -> None:
        """Carry on with these lines; what was known of those that stay is kept."""
        old = {line: j for j, line in enumerate(self.lines)}
        n = 2 * len(lines)
        mean, covariance, excess = np.zeros(n), np.zeros((n, n)), np.zeros(len(lines))
        source = [(2 * old[line] + c if line in old else -1) for line in lines for c in (0, 1)]
        kept = [j for j, k in enumerate(source) if k >= 0]
        from_old = [source[j] for j in kept]
        mean[kept] = self.mean[from_old]
        covariance[np.ix_(kept, kept)] = self.covariance[np.ix_(from_old, from_old)]
        for j, k in enumerate(source):
            if k < 0:
                covariance[j, j] = 1.0
            elif j % 2 == 0:
                excess[j // 2] = self.excess[k // 2]
        self.lines, self.mean, self.covariance, self.excess = list(lines), mean, covariance, excess

    def level(self, family: int) -> float:
        """Amplitude of the family's strongest line, volts."""
        power = self.mean[0::2] ** 2 + self.mean[1::2] ** 2
        return max((float(np.sqrt(power[j])) for j, (f, _) in enumerate(self.lines) if f == family), default=0.0)

    def prior_covariance(self) -> FloatArray:
        power = self.mean[0::2] ** 2 + self.mean[1::2] ** 2
        wander = np.repeat(np.maximum(STEADY**2 * power, self.excess), 2)
        return self.covariance + np.diag(wander + 1e-18)

    def learn(self, information: FloatArray, vector: FloatArray) -> None:
        """Take in one window: information matrix (1/V^2) and information vector of its lines alone."""
        prior = self.prior_covariance()
        innovation = vector - information @ self.mean
        posterior = np.linalg.solve(np.eye(prior.shape[0]) + prior @ information, prior)
        if self.windows > 0:
            # How far this window alone lies from the average, beyond what its own noise explains.
            own = np.maximum(np.diag(information), 1e-30)
            apart = innovation / own
            pairs = (apart**2 - 1.0 / own - np.diag(self.covariance)).reshape(-1, 2).sum(axis=1) / 2
            self.excess = np.maximum(0.75 * self.excess + 0.25 * pairs, 0.0)
        self.mean = self.mean + posterior @ innovation
        self.covariance = 0.5 * (posterior + posterior.T)
        self.windows += 1

    def bends(self, families: int) -> FloatArray:
        """(2 lines, families): derivative of each family's sum with respect to its phase."""
        out = np.zeros((2 * len(self.lines), families))
        for j, (f, k) in enumerate(self.lines):
            out[2 * j, f] = k * self.mean[2 * j + 1]
            out[2 * j + 1, f] = -k * self.mean[2 * j]
        return out


class HopStore:
    """Arrays over the recent hops, one row per hop, one column per conversion slot. Row 0 is hop `first`."""

    def __init__(self, capacity: int, slots: int, families: int) -> None:
        self.capacity, self.slots = capacity, slots
        self.first = -1
        shape = (capacity, slots)
        self.v = np.zeros(shape)
        self.usable = np.zeros(shape, dtype=bool)
        self.saturated = np.zeros(shape, dtype=bool)
        self.weight = np.zeros(shape)
        self.end_s = np.zeros(shape)
        self.phase = np.zeros(shape)
        self.base = np.zeros((families, *shape), dtype=complex)
        self.plain = np.zeros((families, *shape), dtype=complex)
        self.columns = np.zeros((capacity, slots, 0))
        self.products = np.zeros((capacity, 0, 0))
        self.spline_rows = np.zeros((capacity, 4, 0))
        self.spline_local = np.zeros((capacity, 16))
        self.span = np.zeros(capacity)
        self.newest_s = np.zeros(capacity)
        self.changed = np.zeros(capacity, dtype=bool)
        self.transients = np.zeros(capacity, dtype=np.int64)
        self.break_before = np.zeros(capacity, dtype=bool)

    def room(self, number: int, keep_from: int) -> None:
        """Make sure that hop `number` has a row, dropping hops before `keep_from`."""
        if number - self.first < self.capacity:
            return
        cut = keep_from - self.first
        kept = self.capacity - cut
        if cut <= 0:
            raise ValueError("hop store too small")
        for array in (
            self.v, self.usable, self.saturated, self.weight, self.end_s, self.phase, self.columns, self.products,
            self.spline_rows, self.spline_local,
            self.span, self.newest_s, self.changed, self.transients, self.break_before,
        ):  # fmt: skip
            array[:kept] = array[cut:].copy()
            array[kept:] = 0
        for wide in (self.base, self.plain):
            wide[:, :kept] = wide[:, cut:].copy()
            wide[:, kept:] = 0
        self.first = keep_from

    def row(self, number: int) -> int:
        return number - self.first


class Core:
    """Hops in, solutions out. Knows nothing of stamps, flags or references."""

    def __init__(
        self, waveform: WaveformName, hops_per_window: int, hop_slots: int, period_s: float, mains_Hz: tuple[float, ...]
    ) -> None:
        self.waveform = waveform
        self.n_hops = n = hops_per_window
        self.slots = hop_slots
        self.period_s = period_s
        hop_s = hop_slots * period_s
        #: Slow parameters change only between blocks of hops, a whole number of windows.
        self.block = n * max(1, round(1.0 / (n * hop_s)))
        self.taper_hops = max(2, round(TAPER_S / hop_s))
        self.keep = max(2 * n, self.block + n, round(2.0 / hop_s), self.taper_hops) + 2
        self.tracker = MainsTracker(mains_Hz)
        self.families = len(mains_Hz)
        self.store = HopStore(self.keep + 4 * self.block, hop_slots, self.families)
        self.memory = LineMemory()
        self.whitener = Whitener()
        self.noise_V = 0.0
        self.floor_V = 0.0
        #: False while the waveform's phase is not known: reference and quadrature are then no part of the model.
        self.referenced = True
        self._autocovariance: FloatArray | None = None
        self._weights = np.zeros(ORDER + 1)
        self._pending: list[tuple[int, int, FloatArray, FloatArray]] = []
        self._lines_version = 0
        # Grids that never change.
        s = (np.arange(hop_slots) - 0.5 * (hop_slots - 1)) / (0.5 * hop_slots)
        self._s = s
        self._powers = s[:, None] ** np.arange(4)
        self._shifted = [(s[:, None] - 2.0 * k / hop_slots) ** np.arange(4) for k in range(ORDER + 1)]
        spread = np.zeros((n, 4, n + 3))
        for h in range(n):
            spread[h, :, h : h + 4] = SPLINE
        self._spread_t = np.ascontiguousarray(spread.reshape(4 * n, n + 3).T)
        scatter = np.zeros((n, 4, 4, n + 3, n + 3))
        for h in range(n):
            for a in range(4):
                for b in range(4):
                    scatter[h, a, b, h + a, h + b] = 1.0
        self._scatter = scatter.reshape(16 * n, (n + 3) ** 2)
        self._tau = 2.0 * (np.arange(n) - 0.5 * (n - 1))
        # Second differences of the spline's coefficients: only to keep knots without data in place.
        second = np.diff(np.eye(n + 3), 2, axis=0)
        self._stiff = second.T @ second
        slots = self.taper_hops * hop_slots
        taper = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(slots) + 0.5) / slots)
        self._taper = taper.reshape(self.taper_hops, hop_slots) / taper.sum()
        self.refresh()

    # ---- slow parameters -----------------------------------------------------------------------------------

    def refresh(self) -> None:
        """After any change of lines, memory, noise: what solving needs of them."""
        n_lines = 2 * len(self.memory.lines)
        f = self.families if n_lines else 0
        self._bends = self.memory.bends(self.families) if f else np.zeros((n_lines, 0))
        self.n_lines, self.n_bends = n_lines, f
        self.poly = LINES + n_lines
        self.bend = self.poly + 4
        self.width = self.bend + f
        self.n_spline = self.n_hops + 3
        size = 2 + n_lines + self.n_spline + 2 * f
        self.size = size
        noise2 = max(self.noise_V, self.floor_V, 1e-12) ** 2
        # Unit-sized, so that they can be fitted together with the other columns of a hop.
        self._turns = self._bends / (np.sqrt((self._bends**2).sum(axis=0)) + 1e-15)
        prior, pull = np.zeros((size, size)), np.zeros(size)
        spline = slice(2 + n_lines, 2 + n_lines + self.n_spline)
        prior[spline, spline] = self._stiff * noise2
        prior[np.arange(size), np.arange(size)] += 1e-7
        for i in range(f):
            for power in (0, 1):
                limit = BEND_RAD[power] / self.n_hops ** (power + 1)
                k = spline.stop + power * f + i
                prior[k, k] += noise2 / limit**2
        self._free_prior = prior
        if n_lines and self.memory.windows > 0 and self.noise_V > 0:
            lines = slice(2, 2 + n_lines)
            precision = noise2 * np.linalg.inv(self.memory.prior_covariance())
            prior = prior.copy()
            prior[lines, lines] += 0.5 * (precision + precision.T)
            pull[lines] = precision @ self.memory.mean
        self._prior, self._pull = prior, pull
        self._used: float | None = None
        self._used_by = np.ones(size)

    # ---- a run of hops: rows a..b of the store -------------------------------------------------------------

    def track(self, a: int, b: int) -> None:
        """Bring the mains phases up to date hop by hop; sets the bases of the rows.

        Time here is counted in conversions times the first estimate of their period: the converter's own clock is
        steady to a degree that no fit to the host's stamps is, and a microsecond matters beside strong mains.
        """
        st = self.store
        if not self.families:
            return
        families = self.tracker.families
        mid = self.converter_time(np.arange(a, b)[:, None] + st.first, np.arange(self.slots))
        for f, family in enumerate(families):
            st.plain[f, a:b] = np.exp((-2j * np.pi * family.nominal_Hz) * mid)
        m = self.taper_hops
        lo = max(0, a - m + 1)
        v, weight, plain = st.v[lo:b], st.weight[lo:b], st.plain[:, lo:b]
        # Jumps far beyond what mains and noise do from one sample to the next.
        step = np.abs(v[:, 1:] - v[:, :-1])
        largest = step.max(axis=1)
        typical = (step.sum(axis=1) - largest) / (self.slots - 2)
        edge = np.abs(v[1:, 0] - v[:-1, -1])
        limit = 6.0 * typical + 1e-12
        smooth = (weight.sum(axis=1) == self.slots) & (largest <= limit)
        smooth[1:] &= edge <= limit[1:]
        rows = b - lo - m + 1  # windows of m hops that end in this run
        if rows > 0:
            clean = smooth[:rows].copy()
            for j in range(1, m):
                clean &= smooth[j : j + rows]
            moved = np.matmul(plain * v, self._taper.T)
            direct = np.matmul(plain, self._taper.T)
            level = v @ self._taper.T
            mean, z, d = level[:rows, 0].copy(), moved[:, :rows, 0].copy(), direct[:, :rows, 0].copy()
            for j in range(1, m):
                mean += level[j : j + rows, j]
                z += moved[:, j : j + rows, j]
                d += direct[:, j : j + rows, j]
            spectrum = (2.0 * (z - mean * d)).T.tolist()
        noise = self.noise_V or self.tracker.first_noise_V
        polynomials = np.empty((b - a, len(families), 4))
        for row in range(a, b):
            k = row - lo - m + 1
            if k >= 0 and st.first + row >= m - 1:
                first = row - m + 1
                centre = (st.first + 0.5 * (first + row + 1)) * self.slots * self.period_s
                if clean[k]:
                    turned = [
                        x * cmath.exp(2j * math.pi * math.fmod(f.nominal_Hz * centre, 1.0))
                        for x, f in zip(spectrum[k], families, strict=True)
                    ]
                    self.tracker.step(centre, m * self.slots * self.period_s, turned, m * self.slots, noise)
                else:
                    self._track_disturbed(first, row + 1, limit[k : k + m], noise)
            polynomials[row - a] = [f.polynomial() for f in families]
        for f in range(len(families)):
            t0, p, w, acceleration = polynomials[:, f, :, None].transpose(1, 0, 2)
            d = mid - t0
            st.base[f, a:b] = np.conj(st.plain[f, a:b]) * np.exp(1j * (p + d * (w + 0.5 * acceleration * d)))

    def converter_time(self, number: NDArray[np.int64], slot: NDArray[np.int64]) -> FloatArray:
        """Middle of a conversion on the converter's clock, seconds from hop 0's start."""
        return np.asarray((number * self.slots + slot + 0.5) * self.period_s)

    def _track_disturbed(self, a: int, b: int, limit: FloatArray, noise: float) -> None:
        """One tracking step over rows a..b with samples missing or jumps in them."""
        st = self.store
        v, weight = st.v[a:b].ravel(), st.weight[a:b].ravel()
        step = np.abs(np.diff(v)) * (weight[1:] > 0) * (weight[:-1] > 0)
        jumps = np.flatnonzero(step > np.repeat(limit, self.slots)[1:]) + 1
        known = [
            (f, k, float(self.memory.mean[2 * j]), float(self.memory.mean[2 * j + 1]))
            for j, (f, k) in enumerate(self.memory.lines)
            if k > 1
        ]
        t = self.converter_time(np.arange(a, b)[:, None] + st.first, np.arange(self.slots)).ravel()
        self.tracker.step_weighted(t, v, weight, noise, jumps, known)

    def fill(self, a: int, b: int) -> None:
        """Columns of rows a..b."""
        st = self.store
        if st.columns.shape[2] != self.width:
            st.columns = np.zeros((st.capacity, st.slots, self.width))
            st.products = np.zeros((st.capacity, self.width, self.width))
            st.spline_rows = np.zeros((st.capacity, 4, self.width))
        x = st.columns[a:b]
        x[:, :, Y] = st.v[a:b]
        span = float(st.span[b - 1])
        phase = st.phase[a:b]
        if self.referenced:
            x[:, :, REF : QUAD + 1] = waveforms.in_phase_and_quadrature(self.waveform, phase, span)
        else:
            x[:, :, REF : QUAD + 1] = 0.0
        power: dict[tuple[int, int], NDArray[np.complex128]] = {}
        for j, (family, k) in enumerate(self.memory.lines):
            base = st.base[family, a:b]
            z = power.get((family, k - 1))
            value = base if k == 1 else (z * base if z is not None else base**k)
            power[family, k] = value
            x[:, :, LINES + 2 * j] = value.real
            x[:, :, LINES + 2 * j + 1] = value.imag
        x[:, :, self.poly : self.bend] = self._powers
        if self.n_bends:
            x[:, :, self.bend :] = (x[:, :, LINES : self.poly] @ self._bends) * self._s[:, None]

    def multiply(self, a: int, b: int) -> None:
        """Whiten, weigh, form products of rows a..b (a >= 1)."""
        st = self.store
        weight = st.weight[a:b]
        z = st.columns[a:b] if self.whitener.white else self._whitened(a, b)
        if weight.min(initial=1.0) == 1.0:
            g = np.matmul(z.transpose(0, 2, 1), z)
        else:
            g = np.matmul((z * weight[:, :, None]).transpose(0, 2, 1), z)
        st.products[a:b] = g
        # What windows need of it again and again.
        rows = np.matmul(SPLINE.T, g[:, self.poly : self.bend, :])
        st.spline_rows[a:b] = rows
        st.spline_local[a:b] = np.matmul(rows[:, :, self.poly : self.bend], SPLINE).reshape(b - a, 16)

    def _whitened(self, a: int, b: int) -> FloatArray:
        st = self.store
        n, slots, width = b - a, self.slots, self.width
        trusted = (st.weight[a - 1 : b] > 0.5).ravel()[slots - ORDER :]
        flat = st.columns[a - 1 : b].reshape(-1, width)[slots - ORDER :]
        count = n * slots
        out = flat[ORDER:].copy()
        if n_bends := self.n_bends:
            slope = st.columns[a - 1 : b, :, LINES : self.poly].reshape(-1, self.n_lines)[slots - ORDER :] @ self._bends
        if trusted.all():
            table = np.broadcast_to(self.whitener.coefficients[ORDER], (count, ORDER))
            gain = None
        else:
            alive = np.ones(count, dtype=bool)
            history = np.zeros(count, dtype=np.int64)
            for k in range(1, ORDER + 1):
                alive &= trusted[ORDER - k : ORDER - k + count]
                history += alive
            table = self.whitener.coefficients[history]
            gain = self.whitener.gain[history]
        for k in range(1, ORDER + 1):
            c = table[:, k - 1 : k]
            before = slice(ORDER - k, ORDER - k + count)
            out[:, : self.poly] -= c * flat[before, : self.poly]
            # Polynomials continue beyond their hop's edge: take them where the hop would put them.
            grid = np.broadcast_to(self._shifted[k], (n, slots, 4)).reshape(count, 4)
            out[:, self.poly : self.bend] -= c * grid
            if n_bends:
                out[:, self.bend :] -= c * slope[before] * grid[:, 1:2]
        if gain is not None:
            out *= gain[:, None]
        return out.reshape(n, slots, width)

    # ---- windows -------------------------------------------------------------------------------------------

    def normal_equations(self, a: int, b: int) -> FloatArray:
        """Products for every window that ends with rows a..b-1: (b - a, 1 + size, 1 + size), data first."""
        g = self.store.products[a - self.n_hops + 1 : b]
        n, r, nb, ns, f = self.n_hops, b - a, self.poly, self.n_spline, self.n_bends
        w = np.empty((r, 1 + self.size, 1 + self.size))
        poly, end = self.poly, nb + ns
        pieces = self.store.spline_rows[a - self.n_hops + 1 : b, :, :nb]
        local = self.store.spline_local[a - self.n_hops + 1 : b]
        rows = np.zeros((r, ns, nb))
        if r == 1:
            g[:, :nb, :nb].sum(axis=0, out=w[0, :nb, :nb])
            local_windows = local.reshape(1, 16 * n)
            for p in range(4):
                rows[0, p : p + n] += pieces[:, p]
        else:
            w[:, :nb, :nb] = sliding_window_view(g[:, :nb, :nb], n, axis=0).sum(axis=-1)
            local_windows = sliding_window_view(local, n, axis=0).transpose(0, 2, 1).reshape(r, 16 * n)
            for p in range(4):
                rows[:, p : p + n] += sliding_window_view(pieces[:, p], n, axis=0).transpose(0, 2, 1)
        w[:, nb:end, :nb] = rows
        w[:, :nb, nb:end] = rows.transpose(0, 2, 1)
        w[:, nb:end, nb:end] = (local_windows @ self._scatter).reshape(r, ns, ns)
        if f:
            d = g[:, :, LINES:poly] @ self._bends
            u = g[:, :, self.bend :]
            tau = self._tau[:, None, None]
            if r == 1:
                dw, uw = d[None], u[None]
            else:
                dw = sliding_window_view(d, n, axis=0).transpose(0, 3, 1, 2)
                uw = sliding_window_view(u, n, axis=0).transpose(0, 3, 1, 2)
            column = np.concatenate([tau * dw + uw, tau * tau * dw + 2 * tau * uw], axis=3)
            cb = column[:, :, :nb].sum(axis=1)
            w[:, :nb, end:] = cb
            w[:, end:, :nb] = cb.transpose(0, 2, 1)
            cs = self._spread_t @ column[:, :, poly : poly + 4].reshape(r, 4 * n, 2 * f)
            w[:, nb:end, end:] = cs
            w[:, end:, nb:end] = cs.transpose(0, 2, 1)
            e = np.matmul(self._bends.T, column[:, :, LINES:poly])
            v = column[:, :, self.bend :]
            w[:, end : end + f, end:] = (tau * e + v).sum(axis=1)
            w[:, end + f :, end:] = (tau * tau * e + 2 * tau * v).sum(axis=1)
        return w

    def solve(self, a: int, b: int, use_memory: bool = True) -> list[Solution | None]:
        """Least squares for every window that ends with rows a..b-1; None where too few samples are left."""
        w = self.normal_equations(a, b)
        n = self.n_hops
        st = self.store
        samples = st.weight[a - n + 1 : b].sum(axis=1)
        prior = self._prior if use_memory else self._free_prior
        pull = self._pull if use_memory else np.zeros(self.size)
        if self._used is None or not use_memory:
            used = self._parameters_used(w[0], prior)
            if use_memory:
                self._used = used
        else:
            used = self._used
        right = np.zeros((b - a, self.size, 3))
        right[:, :, 0] = w[:, 1:, 0] + pull
        right[:, 0, 1] = 1.0
        right[:, 1, 2] = 1.0
        block = w[:, 1:, 1:] + prior
        solved = np.linalg.solve(block, right)
        theta: FloatArray = solved[:, :, 0].astype(np.float64)
        fitted = np.matmul(w[:, 1:, 1:], theta[:, :, None])[:, :, 0]
        rss = w[:, 0, 0] + ((fitted - 2 * w[:, 1:, 0]) * theta).sum(axis=1)
        out: list[Solution | None] = []
        for i in range(b - a):
            count = float(samples[i : i + n].sum())
            breaks = (
                tuple(j for j in range(1, n) if st.break_before[a - n + 1 + i + j])
                if st.break_before[a - n + 2 + i : a + 1 + i].any()
                else ()
            )
            if count < 1.3 * used + 12:
                out.append(None)
                continue
            noise2 = max(float(rss[i]), 0.0) / max(count - used, 1.0)
            if breaks or (use_memory and noise2 > SUSPICIOUS * self.noise_V**2):
                out.append(self._solve_disturbed(w[i], a + i, breaks, prior, pull, count, used))
            else:
                out.append(
                    Solution(
                        float(theta[i, 0]), float(theta[i, 1]), float(np.sqrt(noise2)),
                        float(solved[i, 0, 1]), float(solved[i, 1, 2]), count, theta[i],
                    )
                )  # fmt: skip
        return out

    def _parameters_used(self, w: FloatArray, prior: FloatArray) -> float:
        """Effective number of fitted parameters: the trace of the smoother."""
        inverse = np.linalg.inv(w[1:, 1:] + prior)
        self._used_by = 1.0 - np.sum(inverse * prior, axis=1)
        return float(self._used_by.sum())

    def _solve_disturbed(
        self, w: FloatArray, last: int, breaks: tuple[int, ...], prior: FloatArray, pull: FloatArray,
        count: float, used: float,
    ) -> Solution | None:  # fmt: skip
        """A window that is noisier than usual: look for steps, then for transients that passed hop by hop."""
        st = self.store
        first = last - self.n_hops + 1
        # An earlier window of the same run may have lowered weights: start from the products as they are now.
        w = self.normal_equations(last, last + 1)[0]
        count = float(st.weight[first : last + 1].sum())
        solution = self._solve_with_breaks(w, first, breaks, prior, pull, count, used)
        if self.noise_V == 0 or solution.noise**2 < SUSPICIOUS * self.noise_V**2:
            return solution
        rest = np.abs(self.residual(solution, last))
        weight = st.weight[first : last + 1]
        scale = max(self.noise_V, 1.4826 * float(np.median(rest[weight > 0])))
        bad = (rest > 1.1 * OUTLIER_SIGMA * scale) & (weight > 0)
        if not bad.any() or np.count_nonzero(bad) > 0.1 * count:
            return solution
        for row in np.flatnonzero(bad.any(axis=1)):
            st.weight[first + row, bad[row]] = 0.0
            st.transients[first + row] += np.count_nonzero(bad[row])
            self.multiply(first + int(row), first + int(row) + 1)
        w = self.normal_equations(last, last + 1)[0]
        count = float(st.weight[first : last + 1].sum())
        return self._solve_with_breaks(w, first, solution.breaks, prior, pull, count, used)

    def _solve_with_breaks(
        self, w: FloatArray, first: int, breaks: tuple[int, ...], prior: FloatArray, pull: FloatArray,
        count: float, used: float,
    ) -> Solution:  # fmt: skip
        """A window in which the electrode voltage stepped: one more column per step, constant after it.

        Steps too near a hop's edge to be seen in the hop itself are found here: of all hop boundaries the one whose
        step would explain most is taken, as long as that is far more than noise would.
        """
        size, n = self.size, self.n_hops
        rows = self._break_rows(first)
        taken = list(breaks)
        while True:
            m = len(taken)
            pick = np.array(taken, dtype=np.int64) - 1
            big = np.zeros((1 + size + m, 1 + size + m))
            big[: 1 + size, : 1 + size] = w
            big[1 + size :, : 1 + size] = rows[pick, : 1 + size]
            big[: 1 + size, 1 + size :] = rows[pick, : 1 + size].T
            big[1 + size :, 1 + size :] = rows[np.ix_(pick, 1 + size + pick)]
            total = big[1:, 1:].copy()
            total[:size, :size] += prior
            total[np.arange(size, size + m), np.arange(size, size + m)] += 1e-7
            others = np.array([j for j in range(n - 1) if j + 1 not in taken], dtype=np.int64)
            cross = np.concatenate([rows[others, 1 : 1 + size], rows[np.ix_(others, 1 + size + pick)]], axis=1)
            right = np.zeros((size + m, 3 + others.size))
            right[:, 0] = big[1:, 0]
            right[:size, 0] += pull
            right[0, 1] = right[1, 2] = 1.0
            right[:, 3:] = cross.T
            solved = np.linalg.solve(total, right)
            theta = np.asarray(solved[:, 0], dtype=np.float64)
            rss = float(big[0, 0] - 2 * theta @ big[1:, 0] + theta @ (big[1:, 1:] @ theta))
            noise2 = max(rss, 0.0) / max(count - used - m, 1.0)
            if noise2 < SUSPICIOUS * self.noise_V**2 or m >= MOST_BREAKS or not others.size or self.noise_V == 0:
                break
            gradient = rows[others, 0] - cross @ theta
            own = rows[others, 1 + size + others] - np.sum(cross * solved[:, 3:].T, axis=1)
            gain = gradient**2 / np.maximum(own, 1e-9 * count)
            best = int(np.argmax(gain))
            if gain[best] < max(30.0 * self.noise_V**2, 0.1 * rss):
                break
            taken = sorted([*taken, int(others[best]) + 1])
            self.store.break_before[first + int(others[best]) + 1] = True
        return Solution(
            float(theta[0]), float(theta[1]), float(np.sqrt(noise2)), float(solved[0, 1]), float(solved[1, 2]),
            count, theta, tuple(taken),
        )  # fmt: skip

    def _break_rows(self, first: int) -> FloatArray:
        """(hops - 1, 1 + size + hops - 1): products of a step before hop 1, 2, ... with everything, steps last."""
        n, nb, ns, f = self.n_hops, self.poly, self.n_spline, self.n_bends
        constant = self.store.products[first : first + n, self.poly, :]
        out = np.zeros((n - 1, self.size + n))

        def tail(x: FloatArray) -> FloatArray:
            return np.asarray(np.cumsum(x[::-1], axis=0)[::-1][1:])

        out[:, :nb] = tail(constant[:, :nb])
        pieces = (self._spread_t.reshape(ns, n, 4) * constant[None, :, self.poly : self.poly + 4]).sum(axis=2).T
        out[:, nb : nb + ns] = tail(pieces)
        if f:
            d, u = constant[:, LINES : self.poly] @ self._bends, constant[:, self.bend :]
            tau = self._tau[:, None]
            out[:, nb + ns : nb + ns + f] = tail(tau * d + u)
            out[:, nb + ns + f : 1 + self.size] = tail(tau * tau * d + 2 * tau * u)
        both = tail(constant[:, self.poly])
        out[:, 1 + self.size :] = both[np.maximum.outer(np.arange(n - 1), np.arange(n - 1))]
        return out

    def residual(self, solution: Solution, last: int) -> FloatArray:
        """(hops, slots) what the solution leaves of the window that ends with row `last`, volts."""
        n, f, nl = self.n_hops, self.n_bends, self.n_lines
        theta = solution.theta
        beta = np.zeros((n, self.width - 1))
        beta[:, :2] = theta[:2]
        spline = theta[2 + nl : 2 + nl + self.n_spline]
        beta[:, self.poly - 1 : self.bend - 1] = sliding_window_view(spline, 4) @ SPLINE.T
        beta[:, 2 : 2 + nl] = theta[2 : 2 + nl]
        if f:
            c = theta[2 + nl + self.n_spline :]
            tau = self._tau[:, None]
            beta[:, 2 : 2 + nl] += (tau * c[:f] + tau * tau * c[f : 2 * f]) @ self._bends.T
            beta[:, self.bend - 1 :] = c[:f] + 2 * tau * c[f : 2 * f]
        for j, where in enumerate(solution.breaks):
            beta[where:, self.poly - 1] += theta[self.size + j]
        x = self.store.columns[last - n + 1 : last + 1]
        return np.asarray(x[:, :, Y] - np.matmul(x[:, :, 1:], beta[:, :, None])[:, :, 0])

    def mirrored(self, solution: Solution, last: int, row_span: float) -> float:
        """Volts by which modulated mains may fake the value: what lies mirrored about the mains fundamentals.

        A modulation puts equal lines on both sides of the mains. One side may fall on a line of the waveform and
        pass for signal; the other side, at twice the mains less that line, is no line of anything and gives it
        away. Each mirrored amplitude is counted as the value that its twin would make.
        """
        st = self.store
        rows = slice(last - self.n_hops + 1, last + 1)
        weight = st.weight[rows]
        count = float(weight.sum())
        rest = (self.residual(solution, last) * weight).ravel()
        turn = np.exp(2j * np.pi * st.phase[rows].ravel())
        c = waveforms.averaged_spectrum(self.waveform, 8 if self.waveform != "sine" else 1, row_span)
        power = 2 * np.abs(c) ** 2
        total = float(power.sum())
        square = 0.0
        threshold = 12.0 * 4.0 * solution.noise**2 / count
        for f, family in enumerate(self.tracker.families):
            if not family.locked:
                continue
            base = np.conj(st.base[f, rows].ravel()) ** 2
            line = rest * base
            for k in range(c.size):
                line = line * turn
                if power[k] < 0.02 * total:
                    continue
                size2 = float(abs(2 * line.sum() / count) ** 2)
                if size2 > threshold:
                    square += size2 * (math.sqrt(float(power[k]) / 2) / total) ** 2
        return math.sqrt(square)

    # ---- distrust ------------------------------------------------------------------------------------------

    def distrust(self, a: int, b: int) -> None:
        """Lower the weight of transients in rows a..b, and notice steps of the electrode voltage.

        The data less the mains as last averaged are fitted, hop by hop, by reference, quadrature and a straight
        line; what stands out of that is no electrode noise. A lasting jump becomes a break.
        """
        noise = max(self.noise_V, self.floor_V)
        if noise <= 0:
            return
        st = self.store
        x = st.columns[a:b]
        y = x[:, :, Y]
        if self.n_lines:
            y = y - x[:, :, LINES : self.poly] @ self.memory.mean
        parts = [x[:, :, [REF, QUAD]], x[:, :, self.poly : self.poly + 2]]
        if self.n_bends:
            # The mains phase may be off a little, and turn: of strong mains that is far more than the noise.
            turned = x[:, :, LINES : self.poly] @ self._turns
            parts += [turned, turned * self._s[:, None]]
        few = np.concatenate(parts, axis=2)
        weight = st.weight[a:b]
        wf = few * weight[:, :, None]
        gram = np.matmul(wf.transpose(0, 2, 1), few) + 1e-6 * self.slots * np.eye(few.shape[2])
        right = np.matmul(wf.transpose(0, 2, 1), y[:, :, None])
        rest = np.abs(y - np.matmul(few, np.linalg.solve(gram, right))[:, :, 0]) * (weight > 0)
        limit = OUTLIER_SIGMA * noise
        for i in np.flatnonzero(rest.max(axis=1) > limit):
            self._distrust_hop(a + int(i), few[i], y[i], noise)

    def _distrust_hop(self, row: int, few: FloatArray, y: FloatArray, noise: float) -> None:
        st = self.store
        good = np.flatnonzero(st.weight[row] > 0)
        if good.size < 12:
            return
        x, y = few[good], y[good]
        # From neighbours' differences: a step or a burst does not raise it, mains not yet known does.
        step = _find_step(y, max(noise, 1.4826 * float(np.median(np.abs(np.diff(y)))) / np.sqrt(2)))
        if step is not None:
            cut = int(good[step])
            if 2 * step >= good.size:
                st.weight[row, cut - 1 :] = 0.0
                if row + 1 < st.capacity:
                    st.break_before[row + 1] = True
            else:
                st.weight[row, : cut + 1] = 0.0
                st.break_before[row] = True
            st.transients[row] += 1
            return
        rest = np.abs(_robust_rest(x, y, noise))
        noise = max(noise, 1.4826 * float(np.median(rest)))
        worst = rest > OUTLIER_SIGMA * noise
        if worst.any() and worst.mean() < 0.4:
            u = np.minimum(rest / (1.5 * OUTLIER_SIGMA * noise), 1.0)
            weight = np.where(worst, (1 - u**2) ** 2, 1.0)
            # Next to a gross outlier nothing is above suspicion.
            gross = rest > 2 * OUTLIER_SIGMA * noise
            weight[1:][gross[:-1]] = 0.0
            weight[:-1][gross[1:]] = 0.0
            st.weight[row, good] *= weight
            st.transients[row] += int(worst.sum())

    # ---- what is learned slowly ----------------------------------------------------------------------------

    def first_window(self, last: int) -> bool:
        """No past yet: find the lines, the noise and the outliers from the window that ends with row `last`."""
        first = last - self.n_hops + 1
        for _ in range(8):
            solution = self.solve(last, last + 1, use_memory=False)[0]
            if solution is None:
                return False
            found = self.new_lines(solution, last, 30.0, most=3)
            if not found:
                break
            self.set_lines([*self.memory.lines, *found], last + 1)
            solution = self.solve(last, last + 1, use_memory=False)[0]
            if solution is not None:
                self.memory.mean = solution.theta[2 : 2 + self.n_lines].copy()
                self.set_lines(self.memory.lines, last + 1)
        for _ in range(4):
            solution = self.solve(last, last + 1, use_memory=False)[0]
            if solution is None:
                return False
            st = self.store
            rest = self.residual(solution, last)
            usable = st.usable[first : last + 1]
            used = rest[st.weight[first : last + 1] > 0]
            scale = 1.4826 * float(np.median(np.abs(used)))
            u = np.abs(rest) / max(OUTLIER_SIGMA * scale, 1e-15)
            weight = np.where(u > 1, np.maximum(1 - (u / 2) ** 2, 0.0) ** 2, 1.0) * usable
            if np.abs(weight - st.weight[first : last + 1]).max() < 0.05:
                break
            st.weight[first : last + 1] = weight
            st.transients[first : last + 1] = ((weight < 1) & usable).sum(axis=1)
            self.multiply(first, last + 1)
        solution = self.solve(last, last + 1, use_memory=False)[0]
        if solution is None:
            return False
        self.noise_V = max(solution.noise, self.floor_V)
        if self.n_lines:
            self.memory.mean = solution.theta[2 : 2 + self.n_lines].copy()
        self.set_lines(self.memory.lines, last + 1)
        return True

    def reference_found(self, last: int) -> bool:
        """The phase became known and is in the store: build everything on it, as at the start."""
        self.referenced = True
        self.memory = LineMemory()
        self.whitener = Whitener()
        self._autocovariance, self._weights = None, np.zeros(ORDER + 1)
        self.noise_V = 0.0
        self.set_lines([], last + 1)
        return self.first_window(last)

    def set_lines(self, lines: list[tuple[int, int]], stop: int) -> None:
        """Carry these mains lines from now on; the columns of rows 1..stop are made anew."""
        self.memory.set_lines(sorted(set(lines)))
        self._pending.clear()
        self._lines_version += 1
        self.refresh()
        self.store.columns = np.zeros((0, 0, 0))
        self.fill(0, stop)
        self.multiply(1, stop)

    def new_lines(self, solution: Solution, last: int, threshold: float, most: int = 4) -> list[tuple[int, int]]:
        """Mains harmonics that stand out of the window's residual, strongest first."""
        st = self.store
        rows = slice(last - self.n_hops + 1, last + 1)
        weight = st.weight[rows]
        rest = (self.residual(solution, last) * weight).ravel()
        count = float(weight.sum())
        if count < 50 or not self.families:
            return []
        variance = float(rest @ rest) / count
        found: list[tuple[float, tuple[int, int]]] = []
        for f, family in enumerate(self.tracker.families):
            base = np.conj(st.base[f, rows].ravel())
            power = np.ones_like(base)
            for k in harmonics_in_reach(family.nominal_Hz, MAINS_LIMIT_HZ):
                power = power * base
                if (f, int(k)) in self.memory.lines or not (family.locked or k == 1):
                    continue
                if self._shadowed(f, int(k), [*self.memory.lines, *(line for _, line in found)]):
                    continue
                strength = float(abs(np.sum(rest * power)) ** 2) / (count * variance + 1e-300)
                if strength > threshold / 2:
                    found.append((strength, (f, int(k))))
        found.sort(reverse=True)
        return [line for _, line in found[:most]]

    def _shadowed(self, family: int, number: int, lines: list[tuple[int, int]]) -> bool:
        """Does this harmonic, folded by the sampling, fall within a quarter bin of a line that is carried?"""
        rate = 1.0 / self.period_s

        def folded(f: int, k: int) -> float:
            return abs(math.remainder(k * self.tracker.families[f].frequency_Hz, rate))

        near = 0.25 / (self.n_hops * self.slots * self.period_s)
        here = folded(family, number)
        return any(abs(folded(f, k) - here) < near for f, k in lines)

    def line_information(self, w: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Information matrix and vector (1/V^2) of a window's lines alone, everything else fitted freely."""
        lines = np.arange(3, 3 + self.n_lines)
        rest = np.array([1, 2, *range(3 + self.n_lines, 1 + self.size)])
        block = w[np.ix_(rest, rest)] + self._free_prior[np.ix_(rest - 1, rest - 1)]
        solved = np.linalg.solve(block, w[rest][:, [*lines, 0]])
        information = w[np.ix_(lines, lines)] - w[np.ix_(lines, rest)] @ solved[:, :-1]
        vector = w[lines, 0] - w[np.ix_(lines, rest)] @ solved[:, -1]
        noise2 = max(self.noise_V, self.floor_V, 1e-12) ** 2
        return 0.5 * (information + information.T) / noise2, vector / noise2

    def learn(self, last: int) -> None:
        """At the end of a block: noise level and colour, mains lines come and gone, their long averages."""
        n = self.n_hops
        number = self.store.first + last
        ends = [last - k * n for k in reversed(range(self.block // n)) if last - (k + 1) * n + 1 >= 1]
        found: list[tuple[int, int]] = []
        for end in ends:
            solution = self.solve(end, end + 1)[0]
            if solution is None:
                continue
            # Quick to fall, slow to rise: a disturbance must not pass for the pool's ordinary noise.
            ratio = float(np.clip(solution.noise / self.noise_V, 0.7, 1.15))
            self.noise_V = max(self.noise_V * ratio**0.5, self.floor_V)
            self._learn_colour(solution, end)
            if self.n_lines:
                w = self.normal_equations(end, end + 1)[0]
                self._pending.append((number - last + end, self._lines_version, *self.line_information(w)))
            if end == last:
                found = self.new_lines(solution, end, 32.0)
        while self._pending and self._pending[0][0] <= number - n:
            _, version, matrix, vector = self._pending.pop(0)
            if version == self._lines_version:
                self.memory.learn(matrix, vector)
        gone = []
        if self.memory.windows > 8:
            m = self.memory
            for j, line in enumerate(m.lines):
                power = m.mean[2 * j] ** 2 + m.mean[2 * j + 1] ** 2
                if power < 4.0 * (m.covariance[2 * j, 2 * j] + m.excess[j]):
                    gone.append(line)
        if found or gone:
            self.set_lines(sorted(({*self.memory.lines} - {*gone}) | {*found}), last + 1)
        else:
            self.refresh()

    def _learn_colour(self, solution: Solution, last: int) -> None:
        st = self.store
        rows = slice(last - self.n_hops + 1, last + 1)
        good = st.weight[rows].ravel() > 0.5
        e = np.where(good, self.residual(solution, last).ravel(), 0.0)
        sums, pairs = np.zeros(ORDER + 1), np.zeros(ORDER + 1)
        for lag in range(ORDER + 1):
            sums[lag] = e[lag:] @ e[: e.size - lag]
            pairs[lag] = np.count_nonzero(good[lag:] & good[: good.size - lag])
        if pairs[-1] < 50:
            return
        # Fitting took noise out at the lines and below the spline's limit: what it took is put back, as if white.
        lags = np.arange(ORDER + 1)
        taken = np.zeros(ORDER + 1)
        for j, (family, k) in enumerate(self.memory.lines):
            turn = 2 * np.pi * k * self.tracker.families[family].frequency_Hz * self.period_s
            taken += self._used_by[2 + 2 * j : 4 + 2 * j].sum() * np.cos(turn * lags)
        taken += self._used_by[2 + self.n_lines :].sum() + 2.0 * (lags == 0)
        sums += sums[0] / max(pairs[0] - taken[0], 1.0) * taken * pairs / pairs[0]
        if self._autocovariance is None:
            self._autocovariance = np.zeros(ORDER + 1)
        # Every window says the same amount, however loud it was: one bad window must not set the colour.
        keep = 0.9
        scale = max(solution.noise, 1e-15) ** 2
        self._autocovariance = keep * self._autocovariance + sums / scale
        self._weights = keep * self._weights + pairs
        r = self._autocovariance / self._weights
        significant = np.abs(r[1:] / r[0]) > 3.0 / np.sqrt(self._weights[0])
        self.whitener = Whitener(r if significant.any() else None)


def _robust_rest(x: FloatArray, y: FloatArray, noise: float) -> FloatArray:
    """Residual of a small fit; refitted without what stands out, if anything does."""
    ridge = 1e-6 * np.eye(x.shape[1]) * x.shape[0]
    rest = y - x @ np.linalg.solve(x.T @ x + ridge, x.T @ y)
    for _ in range(8):
        if not (np.abs(rest) > OUTLIER_SIGMA * noise).any():
            break
        scale = max(1.4826 * float(np.median(np.abs(rest))), noise)
        w = 1.0 / (1.0 + (rest / (2 * scale)) ** 2) ** 2
        rest = y - x @ np.linalg.solve(x.T @ (w[:, None] * x) + ridge, x.T @ (w * y))
    return np.asarray(rest)


def _find_step(y: FloatArray, noise: float) -> int | None:
    """Position of a lasting jump well inside a hop (first sample after it), or None."""
    d = np.abs(np.diff(y))
    k = int(np.argmax(d)) + 1
    if d[k - 1] < 5.0 * noise or min(k, y.size - k) < 8:
        return None
    jump = abs(float(np.median(y[k:]) - np.median(y[:k])))
    return k if jump > 0.5 * d[k - 1] and jump > 5.0 * noise else None


__all__ = ["MAX_DEVIATION_HZ", "Core", "HopStore", "LineMemory", "Solution"]
