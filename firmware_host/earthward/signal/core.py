"""The estimator: weighted least squares over a sliding window from normal equations kept per hop.

A hop is some 50 ms of conversions. For each hop the products of its columns (reference, its quadrature, a cubic
polynomial, mains lines at the tracked phase) with each other and with the data are formed once, after whitening
and robust weighting. A reading sums the hops of its window. What varies from hop to hop within a window is linear
in the window's parameters, so that nothing has to be recomputed: the electrode drift is a cubic spline with a knot
per hop (it takes the band below about ten hertz, where no waveform line lies), electrode steps are breaks at hop
boundaries, and the mains phase may bend by a common straight line and parabola for all lines of a family.

Lines of the mains are held to their long averages by a Kalman filter over whole windows: a line that is steady
costs the signal next to nothing even where it (or its alias) falls on one of the waveform's own lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from earthward.signal import waveforms
from earthward.signal.mains import MainsTracker
from earthward.signal.types import FloatArray, WaveformName
from earthward.signal.whitening import ORDER, Whitener, history_of

# Columns of a hop: 0 reference, 1 quadrature, 2..5 powers of s in [-1, 1], then one bend column per family, lines, y.
REF, QUAD, POLY, BEND = 0, 1, 2, 6

# Cubic B-spline pieces on one hop: rows 1, s, s^2, s^3 with s = 2 u - 1; columns the four splines alive there.
_U = np.array([[1, 4, 1, 0], [-3, 0, 3, 0], [3, -6, 3, 0], [-1, 3, -3, 1]]) / 6.0
_SHIFT = np.array([[1, 0.5, 0.25, 0.125], [0, 0.5, 0.5, 0.375], [0, 0, 0.25, 0.375], [0, 0, 0, 0.125]])
SPLINE = _SHIFT @ _U

#: Prior for the bend of the mains phase at the window's ends, radians: straight line and parabola.
BEND_RAD = (0.05, 0.03)
#: Wander of a steady mains line from one window to the next, relative: never believed to be less.
STEADY = 0.003
OUTLIER_SIGMA = 4.0


@dataclass(slots=True)
class Hop:
    """One hop's samples and products. Sample arrays start with ORDER rows of context."""

    number: int
    index: NDArray[np.int64]
    s: FloatArray
    mid_s: FloatArray
    phase_end: FloatArray
    span: float
    v: FloatArray
    usable: NDArray[np.bool_]
    expected: int
    newest_s: float
    saturated: int = 0
    range_changed: bool = False
    weight: FloatArray = field(default_factory=lambda: np.zeros(0))
    bases: list[NDArray[np.complex128]] = field(default_factory=list)
    columns: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    products: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    break_before: bool = False
    break_after: bool = False
    transients: int = 0

    @property
    def count(self) -> float:
        return float(self.weight.sum())


@dataclass(slots=True)
class Solution:
    """What a window's least squares gave. Volts; `unit_*` are variances per unit noise variance."""

    value: float
    quadrature: float
    noise: float
    unit_value: float
    unit_quadrature: float
    freedom: float
    samples: float
    theta: FloatArray
    n_lines: int
    breaks: list[int]
    bends: list[FloatArray]

    @property
    def sigma(self) -> float:
        return float(self.noise * np.sqrt(self.unit_value))

    @property
    def quadrature_sigma(self) -> float:
        return float(self.noise * np.sqrt(self.unit_quadrature))

    @property
    def lines(self) -> FloatArray:
        return self.theta[2 : 2 + self.n_lines]


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

    def wander(self) -> FloatArray:
        power = self.mean[0::2] ** 2 + self.mean[1::2] ** 2
        return np.repeat(np.maximum(STEADY**2 * power, self.excess), 2)

    def prior_covariance(self) -> FloatArray:
        return self.covariance + np.diag(self.wander() + 1e-18)

    def learn(self, information: FloatArray, vector: FloatArray) -> None:
        """Take in one window: information matrix (1/V^2) and information vector of its lines alone."""
        prior = self.prior_covariance()
        gain = np.linalg.solve(np.eye(prior.shape[0]) + prior @ information, np.eye(prior.shape[0]))
        innovation = vector - information @ self.mean
        posterior = gain @ prior
        mean = self.mean + posterior @ innovation
        if self.windows > 0:
            # How far this window alone lies from the average, beyond what its own noise explains.
            own = np.diag(information).copy()
            own[own <= 0] = 1e-30
            apart = innovation / own
            noise = 1.0 / own + np.diag(self.covariance)
            pairs = (apart**2 - noise).reshape(-1, 2).sum(axis=1) / 2
            self.excess = np.maximum(0.75 * self.excess + 0.25 * pairs, 0.0)
        self.mean, self.covariance = mean, 0.5 * (posterior + posterior.T)
        self.windows += 1

    def bend(self, family: int) -> FloatArray:
        """Coefficients of the derivative of the family's sum with respect to its phase."""
        out = np.zeros(2 * len(self.lines))
        for j, (f, k) in enumerate(self.lines):
            if f == family:
                out[2 * j] = k * self.mean[2 * j + 1]
                out[2 * j + 1] = -k * self.mean[2 * j]
        return out


def line_columns(bases: list[NDArray[np.complex128]], lines: list[tuple[int, int]], n: int) -> FloatArray:
    """cos and sin of every line at the tracked phases; bases hold exp(i phase) per family."""
    out = np.empty((n, 2 * len(lines)))
    power: dict[tuple[int, int], NDArray[np.complex128]] = {}
    for j, (family, k) in enumerate(lines):
        base = bases[family]
        z = power.get((family, k - 1))
        value = base if k == 1 else (z * base if z is not None else base**k)
        power[family, k] = value
        out[:, 2 * j] = value.real
        out[:, 2 * j + 1] = value.imag
    return out


class Core:
    """Hops in, solutions out. Knows nothing of stamps, flags or clocks."""

    def __init__(self, waveform: WaveformName, hops_per_window: int, mains_Hz: tuple[float, ...]) -> None:
        self.waveform = waveform
        self.n_hops = hops_per_window
        self.tracker = MainsTracker(mains_Hz)
        self.memory = LineMemory()
        self.whitener = Whitener()
        self.noise_V = 0.0
        self.floor_V = 0.0
        self.hops: list[Hop] = []
        self._autocovariance: FloatArray | None = None
        self._covered = 0.0
        self._pending: list[tuple[int, FloatArray, FloatArray]] = []
        n = hops_per_window
        spread = np.zeros((n, 4, n + 3))
        for h in range(n):
            spread[h, :, h : h + 4] = SPLINE
        self._spread = spread.reshape(4 * n, n + 3)
        self._tau = 2.0 * (np.arange(n) - 0.5 * (n - 1))
        # Second differences of the spline's coefficients: only to keep knots without data in place.
        second = np.diff(np.eye(n + 3), 2, axis=0)
        self._stiff = second.T @ second

    # ---- one hop ------------------------------------------------------------------------------------------

    def fill(self, hop: Hop) -> None:
        """Columns of a hop from its samples and phases, then its products."""
        n = hop.v.size
        families = len(self.tracker.families)
        lines = line_columns(hop.bases, self.memory.lines, n)
        s = hop.s
        x = np.empty((n, BEND + families + lines.shape[1] + 1))
        x[:, REF] = waveforms.averaged(self.waveform, hop.phase_end, hop.span)
        x[:, QUAD] = waveforms.quadrature(self.waveform, hop.phase_end, hop.span)
        x[:, POLY] = 1.0
        x[:, POLY + 1] = s
        x[:, POLY + 2] = s * s
        x[:, POLY + 3] = x[:, POLY + 2] * s
        for f in range(families):
            x[:, BEND + f] = s * (lines @ self.memory.bend(f)) if lines.shape[1] else 0.0
        x[:, BEND + families : -1] = lines
        x[:, -1] = hop.v
        hop.columns = x
        self.multiply(hop)

    def multiply(self, hop: Hop) -> None:
        """Whiten, weigh, form products. To be called again when weights or whitening change."""
        trusted = hop.usable.copy()
        trusted[ORDER:] &= hop.weight > 0.5
        rows, gain = self.whitener(hop.columns, history_of(hop.index, trusted))
        rows = rows * (gain * np.sqrt(hop.weight))[:, None]
        hop.products = rows.T @ rows

    def beta(self, solution: Solution, position: int) -> FloatArray:
        """Coefficients of the columns (without y) of the hop at `position` of the window."""
        n_lines = solution.n_lines
        families = len(self.tracker.families)
        out = np.zeros(BEND + families + n_lines)
        theta = solution.theta
        out[REF], out[QUAD] = theta[0], theta[1]
        lines = theta[2 : 2 + n_lines].copy()
        start = 2 + n_lines
        out[POLY : POLY + 4] = SPLINE @ theta[start + position : start + position + 4]
        start += self.n_hops + 3
        tau = float(self._tau[position])
        for f, bend in enumerate(solution.bends):
            c1, c2 = theta[start + 2 * f], theta[start + 2 * f + 1]
            lines += bend * (tau * c1 + tau * tau * c2)
            out[BEND + f] = c1 + 2 * tau * c2
        start += 2 * families
        for j, where in enumerate(solution.breaks):
            if position >= where:
                out[POLY] += theta[start + j]
        out[BEND + families :] = lines
        return out

    def residual(self, solution: Solution, hop: Hop, position: int) -> FloatArray:
        """What the solution leaves of the hop's samples (context rows included), volts."""
        return np.asarray(hop.columns[:, -1] - hop.columns[:, :-1] @ self.beta(solution, position))

    # ---- a window -----------------------------------------------------------------------------------------

    def normal_equations(self, hops: list[Hop]) -> tuple[FloatArray, list[int], list[FloatArray]]:
        """Products of the window's parameters and the data, without any prior: (P + 1, P + 1), y last."""
        n = self.n_hops
        g = np.stack([hop.products for hop in hops])
        q = g.shape[1]
        families = len(self.tracker.families)
        first_line = BEND + families
        n_lines = q - 1 - first_line
        breaks = sorted({j for j, hop in enumerate(hops) if j > 0 and (hop.break_before or hops[j - 1].break_after)})
        bends = [self.memory.bend(f) for f in range(families)]
        special = np.zeros((n, q, 2 * families + len(breaks)))
        for f, bend in enumerate(bends):
            special[:, first_line:-1, 2 * f] = self._tau[:, None] * bend
            special[:, BEND + f, 2 * f] = 1.0
            special[:, first_line:-1, 2 * f + 1] = (self._tau**2)[:, None] * bend
            special[:, BEND + f, 2 * f + 1] = 2 * self._tau
        for j, where in enumerate(breaks):
            special[where:, POLY, 2 * families + j] = 1.0
        base = np.array([REF, QUAD, *range(first_line, q - 1), q - 1])
        total = g.sum(axis=0)
        nb, ns, nx = 2 + n_lines, n + 3, special.shape[2]
        size = nb + ns + nx + 1
        w = np.zeros((size, size))
        where_base = np.array([*range(nb), size - 1])
        w[np.ix_(where_base, where_base)] = total[np.ix_(base, base)]
        poly = g[:, POLY : POLY + 4, :].reshape(4 * n, q)
        spline_rows = self._spread.T @ poly
        w[nb : nb + ns, where_base] = spline_rows[:, base]
        local = np.matmul(SPLINE.T, np.matmul(g[:, POLY : POLY + 4, POLY : POLY + 4], SPLINE))
        for h in range(n):
            w[nb + h : nb + h + 4, nb + h : nb + h + 4] += local[h]
        if nx:
            gs = np.matmul(g, special)
            total_s = gs.sum(axis=0)
            w[nb + ns : nb + ns + nx, where_base] = total_s[base].T
            w[nb + ns : nb + ns + nx, nb : nb + ns] = gs[:, POLY : POLY + 4, :].reshape(4 * n, nx).T @ self._spread
            w[nb + ns : nb + ns + nx, nb + ns : nb + ns + nx] = np.tensordot(special, gs, axes=([0, 1], [0, 1]))
            w[nb : nb + ns, nb + ns : nb + ns + nx] = w[nb + ns : nb + ns + nx, nb : nb + ns].T
            w[where_base[:, None], np.arange(nb + ns, nb + ns + nx)] = w[nb + ns : nb + ns + nx][:, where_base].T
        w[where_base[:, None], np.arange(nb, nb + ns)] = w[nb : nb + ns][:, where_base].T
        return w, breaks, bends

    def solve(self, hops: list[Hop], use_memory: bool = True) -> Solution | None:
        """Least squares over a window of hops; None when too few samples are left to fit anything."""
        samples = sum(hop.count for hop in hops)
        w, breaks, bends = self.normal_equations(hops)
        size = w.shape[0] - 1
        if samples < 2 * size and samples < size + 12:
            return None
        n_lines = 2 * len(self.memory.lines)
        noise2 = max(self.noise_V, self.floor_V, 1e-12) ** 2
        prior = np.zeros((size, size))
        pull = np.zeros(size)
        spline = slice(2 + n_lines, 2 + n_lines + self.n_hops + 3)
        prior[spline, spline] = self._stiff * (noise2 / 1.0)
        prior[np.arange(size), np.arange(size)] += 1e-9 * samples
        if use_memory and n_lines and self.memory.windows > 0 and self.noise_V > 0:
            lines = slice(2, 2 + n_lines)
            precision = noise2 * np.linalg.inv(self.memory.prior_covariance())
            prior[lines, lines] += precision
            pull[lines] = precision @ self.memory.mean
        start = spline.stop
        for f in range(len(bends)):
            for power in (0, 1):
                limit = BEND_RAD[power] / self.n_hops ** (power + 1)
                prior[start + 2 * f + power, start + 2 * f + power] += noise2 / limit**2
        total = w[:size, :size] + prior
        rhs = w[:size, size] + pull
        factor, info = lapack.dpotrf(total, lower=1)
        if info != 0:
            return None
        theta, _ = lapack.dpotrs(factor, rhs, lower=1)
        inverse, _ = lapack.dpotri(factor, lower=1)
        inverse = np.tril(inverse) + np.tril(inverse, -1).T
        rss = float(w[size, size] - 2 * theta @ w[:size, size] + theta @ (w[:size, :size] @ theta))
        used = size - float(np.sum(inverse * prior))
        freedom = max(samples - used, 1.0)
        noise = float(np.sqrt(max(rss, 0.0) / freedom))
        return Solution(
            value=float(theta[0]),
            quadrature=float(theta[1]),
            noise=noise,
            unit_value=float(inverse[0, 0]),
            unit_quadrature=float(inverse[1, 1]),
            freedom=freedom,
            samples=samples,
            theta=theta,
            n_lines=n_lines,
            breaks=breaks,
            bends=bends,
        )

    # ---- what is learned slowly ---------------------------------------------------------------------------

    def line_information(self, hops: list[Hop]) -> tuple[FloatArray, FloatArray] | None:
        """Information matrix and vector (1/V^2) of the window's lines alone, everything else fitted freely."""
        n_lines = 2 * len(self.memory.lines)
        if not n_lines or self.noise_V <= 0:
            return None
        w, _, bends = self.normal_equations(hops)
        size = w.shape[0] - 1
        noise2 = self.noise_V**2
        lines = np.arange(2, 2 + n_lines)
        rest = np.array([0, 1, *range(2 + n_lines, size)])
        block = w[np.ix_(rest, rest)]
        block[np.arange(rest.size), np.arange(rest.size)] += 1e-9 * w[0, 0] + 1e-30
        first = 2 + self.n_hops + 3
        for f in range(len(bends)):
            for power in (0, 1):
                limit = BEND_RAD[power] / self.n_hops ** (power + 1)
                block[first + 2 * f + power, first + 2 * f + power] += noise2 / limit**2
        both = np.column_stack([w[np.ix_(rest, lines)], w[rest, size]])
        solved = np.linalg.solve(block, both)
        information = w[np.ix_(lines, lines)] - w[np.ix_(lines, rest)] @ solved[:, :-1]
        vector = w[lines, size] - w[np.ix_(lines, rest)] @ solved[:, -1]
        return 0.5 * (information + information.T) / noise2, vector / noise2

    def learn_noise(self, hops: list[Hop], solution: Solution) -> None:
        """Autocovariance of the residual, averaged over some ten windows; the whitener follows it."""
        sums = np.zeros(ORDER + 1)
        pairs = np.zeros(ORDER + 1)
        for position, hop in enumerate(hops):
            e = self.residual(solution, hop, position)
            good = hop.usable.copy()
            good[ORDER:] &= hop.weight > 0.5
            e = np.where(good, e, 0.0)
            for lag in range(ORDER + 1):
                now, before = slice(ORDER, None), slice(ORDER - lag, e.size - lag)
                near = good[now] & good[before] & (hop.index[now] - hop.index[before] == lag)
                sums[lag] += float(e[now] @ (e[before] * near))
                pairs[lag] += float(near.sum())
        if pairs[-1] < 50:
            return
        if self._autocovariance is None:
            self._autocovariance = np.zeros(ORDER + 1)
            self._weights = np.zeros(ORDER + 1)
        keep = 0.9
        # Every window says the same amount, however loud it was: one bad window must not set the colour.
        scale = max(solution.noise, 1e-15) ** 2
        self._autocovariance = keep * self._autocovariance + sums / scale
        self._weights = keep * self._weights + pairs
        r = self._autocovariance / self._weights
        significant = np.abs(r[1:] / r[0]) > 3.0 / np.sqrt(self._weights[0])
        self.whitener = Whitener(r if significant.any() else None)
