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

import numpy as np

from earthward.record.waveform import WaveformName
from earthward.signal import transients, waveforms
from earthward.signal.equations import (
    Solution,
    WindowEquations,
    roughness,
    solve_each,
    spline_products,
)
from earthward.signal.hops import LINES, QUAD, REF, TRANSIENT, WEIGHT, HopStore, Layout, Y
from earthward.signal.lines import LineMemory, ladders
from earthward.signal.mains import TAPER_S, MainsTracker
from earthward.signal.sidebands import SidebandMonitor
from earthward.signal.tracking import HopTracker
from earthward.signal.transients import OUTLIER_SIGMA
from earthward.signal.types import FloatArray
from earthward.signal.variance_calibration import InfluenceKernel
from earthward.signal.whitening import ORDER, Colour, Whitener

#: Prior for the bend of the mains phase at the window's ends, radians: straight line and parabola.
BEND_RAD = (0.05, 0.03)
#: A window whose noise power is this much above the ordinary is searched for steps of the electrode voltage.
SUSPICIOUS = 1.5
MOST_BREAKS = 4
#: Windows solved in one go: more of them no longer fit the processor's cache.
MOST_AT_ONCE = 20
#: A hop is looked at for transients by itself when its window's residual reaches this share of an outlier's.
CONSPICUOUS = 0.85
#: A supply so far above the noise of a sample is there beyond doubt.
PLAIN = 10.0
#: Blocks without a change of the mains lines after which everything slow has come to rest.
RESTED = 10


class WindowSolver:
    """Hops in, solutions out, with the slow parameters as they are. Knows nothing of stamps, flags or references."""

    def __init__(
        self, waveform: WaveformName, hops_per_window: int, hop_slots: int, period_s: float, mains_Hz: tuple[float, ...]
    ) -> None:
        self.waveform = waveform
        self.n_hops = n = hops_per_window
        self.slots = hop_slots
        self.period_s = period_s
        hop_s = hop_slots * period_s
        #: Slow parameters change only between blocks of hops, a whole number of windows: about a second at first,
        #: twice that once they have come to rest.
        self._block = n * max(1, round(1.0 / (n * hop_s)))
        self._rested = 0
        self._learned = 0
        #: The last hop whose samples were looked at for transients; value and quadrature of the last window.
        self._judged = -1
        self._last = (0.0, 0.0)
        #: Value and quadrature at the end of the last block: a strong signal is kept out of the mains trackers.
        self._signal = (0.0, 0.0)
        self.taper_hops = max(2, round(TAPER_S / hop_s))
        self.keep = max(2 * n, 2 * self._block + n, round(2.0 / hop_s), self.taper_hops) + 2
        self.tracker = MainsTracker(mains_Hz)
        self.families = len(mains_Hz)
        self.store = HopStore(self.keep + 4 * self._block, hop_slots, self.families, self.taper_hops)
        self.sideband_monitor = SidebandMonitor(waveform, self.store, n)
        self._hop_tracker = HopTracker(self.tracker, self.store, self.taper_hops, period_s)
        self.memory = LineMemory()
        self.colour = Colour()
        self.whitener = Whitener()
        self.noise_V = 0.0
        self.floor_V = 0.0
        self.step_V = 0.0
        #: Counts what solving itself changed in the store.
        self._changes = 0
        #: Of the last run of windows, if none of them was disturbed: parameters and influences (windows, 3, size), and
        #: the residual of each window's newest hop (windows, slots).
        self._undisturbed: tuple[FloatArray, FloatArray] | None = None
        #: False while the waveform's phase is not known: reference and quadrature are then no part of the model.
        self.referenced = True
        #: Last solutions and their normal equations by hop number, for what is learned at a block's end.
        self._recent: dict[int, tuple[Solution | None, FloatArray]] = {}
        s: FloatArray = (np.arange(hop_slots, dtype=np.float64) - 0.5 * (hop_slots - 1)) / (0.5 * hop_slots)
        self._s = s
        self._powers: FloatArray = np.asarray(s ** np.arange(4)[:, None], dtype=np.float64)
        before = s[:ORDER] - 2.0 * ORDER / hop_slots  # where the hop's own grid puts the samples before it
        self._before = before
        self._powers_before = before ** np.arange(4)[:, None]
        self._stiff = roughness(n + 3)
        self.kernel = InfluenceKernel(n, self.taper_hops)
        self.equations = WindowEquations(Layout(-1, 0), n)
        self.refresh()

    def forget_signal(self) -> None:
        """Drop the last windows' value: the electrode was switched, or the phase became known anew."""
        self._last = self._signal = (0.0, 0.0)
        self.sideband_monitor.pause()

    @property
    def block(self) -> int:
        """Hops between changes of the slow parameters; they fall on multiples of it."""
        return self._block if self._rested < RESTED else 2 * self._block

    # ---- slow parameters -----------------------------------------------------------------------------------

    def refresh(self) -> None:
        """After any change of lines, memory, noise: what solving needs of them."""
        n_lines = 2 * len(self.memory.lines)
        f = self.families if n_lines else 0
        layout = Layout(n_lines, f)
        if layout != self.equations.layout:
            self.equations = WindowEquations(layout, self.n_hops)
            # The few columns by which a hop alone is judged.
            few = [REF, QUAD, layout.poly, layout.poly + 1, *range(layout.turn, layout.poly)]
            self._few = np.array(few, dtype=np.int64)
            self._few_ridge = np.zeros((len(few), len(few)))
            #: Coefficients of the columns that give the data less the mains as last averaged.
            self._less_mains = np.zeros(layout.width)
            self._less_mains[Y] = 1.0
        self.layout = layout
        self._ladders = ladders(self.memory.lines)
        self._turns = self.memory.turns(self.families) if f else np.zeros((n_lines, 0))
        size, bends = self.equations.size, self.equations.line_end
        noise2 = max(self.noise_V, self.floor_V, 1e-12) ** 2
        prior, pull = np.zeros((size, size)), np.zeros(size)
        spline = slice(self.equations.spline_start, size)
        prior[spline, spline] = self._stiff * noise2
        diagonal = prior.reshape(-1)[:: size + 1]
        diagonal += 1e-7
        for power in (0, 1):
            first = bends + power * f
            diagonal[first : first + f] += noise2 / (BEND_RAD[power] / self.n_hops ** (power + 1)) ** 2
        self._free_prior = prior
        if n_lines and self.memory.windows > 0 and self.noise_V > 0:
            lines = slice(2, 2 + n_lines)
            precision = noise2 * np.linalg.inv(self.memory.prior_covariance())
            prior = prior.copy()
            prior[lines, lines] += 0.5 * (precision + precision.T)
            pull[lines] = precision @ self.memory.mean
        self._prior, self._pull = prior, pull
        #: Right sides but for the data: the pull of the prior, and what gives the influence of value and quadrature.
        self._right = np.concatenate([pull[None], np.eye(2, size)])
        self._used: float | None = None
        self._used_by = np.ones(size)
        self._recent.clear()
        turns = [2.0 * np.pi * f.frequency_Hz * self.period_s for f in self.tracker.families]
        plain = [f.amplitude_V > PLAIN * self.noise_V for f in self.tracker.families]
        self.sideband_monitor.against(self.whitener, turns, plain)
        self.tracker.colour = self.whitener.density(np.array(turns, dtype=np.float64)).tolist()
        self.levels = [self.memory.level(f) for f in range(self.families)]
        power2 = 1e-12 + 0.5 * (self._turns**2).sum(axis=0)
        ridge = 1e-6 * self.slots * np.concatenate([np.ones(4), power2, power2 / 3])
        self._few_ridge[np.arange(ridge.size), np.arange(ridge.size)] = ridge
        self._less_mains[LINES : layout.turn] = -self.memory.mean

    # ---- a run of hops: rows a..b of the store -------------------------------------------------------------

    def track(self, a: int, b: int) -> None:
        """Bring the mains phases up to date hop by hop; sets the bases of the rows. Their references are laid."""
        if self.families:
            strong = abs(self._signal[0]) > self.noise_V > 0
            self._hop_tracker.follow(a, b, self.noise_V, self.memory, self._signal if strong else None)

    def lay(self, a: int, b: int) -> None:
        """Data and reference into the columns of rows a..b."""
        st, lo = self.store, self.layout
        if st.columns.shape[1] != lo.width:
            st.lay_out(lo, self._powers)
        x = st.columns[a:b]
        x[:, Y] = st.v[a:b]
        if self.referenced:
            waveforms.fill_pair(self.waveform, st.phase[a:b], float(st.span[b - 1]), x[:, REF : QUAD + 1])
        else:
            x[:, REF : QUAD + 1] = 0.0

    def fill(self, a: int, b: int) -> None:
        """Columns of the mains in rows a..b."""
        st, lo = self.store, self.layout
        if not lo.lines:
            return
        x = st.columns[a:b]
        base = st.base[a:b]
        square = base * base
        turned = np.empty((b - a, lo.lines // 2, self.slots), dtype=complex)
        # Families with the same harmonics go together: fewer, longer passes.
        for families, numbers, place in self._ladders:
            z, by, reached = base[:, families], square[:, families], 1
            rungs = turned[:, place].reshape(b - a, z.shape[1], len(numbers), self.slots)
            for j, k in enumerate(numbers):
                here = rungs[:, :, j]
                if k - reached == 2:
                    np.multiply(z, by, out=here)
                elif k > reached:
                    np.multiply(z, base[:, families] ** (k - reached), out=here)
                else:
                    here[...] = z
                reached, z = k, here
        x[:, LINES : lo.turn : 2] = turned.real
        x[:, LINES + 1 : lo.turn : 2] = turned.imag
        turn = x[:, lo.turn : lo.bend]
        np.matmul(self._turns.T, x[:, LINES : lo.turn], out=turn)
        np.multiply(turn, self._s, out=x[:, lo.bend : lo.poly])

    def multiply(self, a: int, b: int) -> None:
        """Whiten, weigh, form products of rows a..b (a >= 1)."""
        st = self.store
        z = st.columns[a:b] if self.whitener.white else self._whitened(a, b)
        weighted = z if st.all_there(a, b) else z * st.weight[a:b, None]
        g = np.matmul(weighted, z.transpose(0, 2, 1))
        st.products[a:b] = g
        st.spline_rows[a:b] = spline_products(g, self.layout.poly)

    def _whitened(self, a: int, b: int) -> FloatArray:
        """Every column less what its predecessors predict; polynomials continue beyond the hop's edge."""
        st, lo, n = self.store, self.layout, self.slots
        x = np.empty((b - a, lo.width, ORDER + n))
        x[:, :, ORDER:] = st.columns[a:b]
        x[:, : lo.turn, :ORDER] = st.columns[a - 1 : b - 1, : lo.turn, n - ORDER :]
        if lo.families:
            x[:, lo.turn : lo.bend, :ORDER] = np.matmul(self._turns.T, x[:, LINES : lo.turn, :ORDER])
            x[:, lo.bend : lo.poly, :ORDER] = x[:, lo.turn : lo.bend, :ORDER] * self._before
        x[:, lo.poly :, :ORDER] = self._powers_before
        trusted = np.concatenate([st.weight[a - 1 : b - 1, n - ORDER :], st.weight[a:b]], axis=1) > 0.5
        if trusted.all():
            c = self.whitener.coefficients[ORDER]
            out = x[:, :, ORDER:] - c[0] * x[:, :, ORDER - 1 : -1]
            for k in range(2, ORDER + 1):
                out -= c[k - 1] * x[:, :, ORDER - k : -k]
            return np.asarray(out)
        alive = np.ones((b - a, n), dtype=bool)
        history = np.zeros((b - a, n), dtype=np.int64)
        for k in range(1, ORDER + 1):
            alive &= trusted[:, ORDER - k : -k]
            history += alive
        table = self.whitener.coefficients[history]
        out = x[:, :, ORDER:].copy()
        for k in range(1, ORDER + 1):
            out -= table[:, None, :, k - 1] * x[:, :, ORDER - k : -k]
        return np.asarray(out * self.whitener.gain[history][:, None])

    # ---- windows -------------------------------------------------------------------------------------------

    def solve(self, a: int, b: int, use_memory: bool = True) -> list[Solution | None]:
        """Least squares for every window that ends with rows a..b-1; None where too few samples are left."""
        if b - a > MOST_AT_ONCE:
            return self.solve(a, a + MOST_AT_ONCE, use_memory) + self.solve(a + MOST_AT_ONCE, b, use_memory)
        w = self.equations.normal(self.store, a, b)
        n, st, size = self.n_hops, self.store, self.equations.size
        prior = self._prior if use_memory else self._free_prior
        if self._used is None or not use_memory:
            used = self._parameters_used(w[0], prior)
            if use_memory:
                self._used = used
        else:
            used = self._used
        right = np.empty((b - a, 3, size))
        right[:] = self._right
        if not use_memory:
            right[:, 0] = 0.0
        right[:, 0] += w[:, 0, 1:]
        solved = solve_each(w[:, 1:, 1:] + prior, right)
        theta = solved[:, 0]
        # y'y - 2 t'r + t'Wt with (W + P) t = r + pull
        away = theta @ prior
        away += w[:, 0, 1:]
        if use_memory:
            away -= self._pull
        away *= theta
        rss = (w[:, 0, 0] - np.add.reduce(away, axis=1)).tolist()
        weights = st.counts[a - n + 1 : b, WEIGHT].tolist()
        broken = st.break_before[a - n + 1 : b].tolist()
        # Row 0 or 1: value or quadrature; row 1, first: variance of the value; row 2, second: of the quadrature.
        heads = solved[:, :, :2].tolist()
        judging = use_memory and self.noise_V > 0
        suspicious = SUSPICIOUS * self.noise_V**2 if use_memory else float("inf")
        self._undisturbed = None
        rest = self._newest_rest(a, b, theta) if judging else None
        worst = [] if rest is None else self._worst(a, b, rest)
        conspicuous = CONSPICUOUS * OUTLIER_SIGMA * max(self.noise_V, self.floor_V)
        any_break = any(broken)
        disturbed = False
        out: list[Solution | None] = []
        for i in range(b - a):
            count = sum(weights[i : i + n])
            short = count < 1.3 * used + 12
            if judging and st.first + a + i > self._judged:
                # The newest hop is looked at once, and for itself, if anything is strange about it or its window.
                self._judged = st.first + a + i
                strange = short or worst[i] > conspicuous or rss[i] > suspicious * (count - used)
                if strange and self._distrust(a + i, b):
                    return out + self.solve(a + i, b)
            if short:
                disturbed = True
                out.append(None)
                continue
            breaks = tuple(j for j in range(1, n) if broken[i + j]) if any_break else ()
            noise2 = max(rss[i], 0.0) / max(count - used, 1.0)
            if breaks or noise2 > suspicious:
                disturbed = True
                changes = self._changes
                out.append(self._solve_disturbed(a + i, breaks, use_memory, used))
                if self._changes != changes and a + i + 1 < b:
                    # What was found here holds for the windows after it: they are solved on the new products.
                    return out + self.solve(a + i + 1, b, use_memory)
            else:
                (value, quadrature), (unit_value, _), (_, unit_quadrature) = heads[i]
                out.append(
                    Solution(
                        value, quadrature, noise2**0.5, unit_value, unit_quadrature, count, theta[i], (), solved[i, 1:]
                    )
                )
            newest = out[-1]
            if newest is not None:
                self._last = newest.value, newest.quadrature
            if use_memory and (st.first + a + i + 1) % n == 0:
                self._recent[st.first + a + i] = (out[-1], w[i])
        if rest is not None and not disturbed:
            self._undisturbed = solved, rest
        return out

    def parameters(self, solutions: list[Solution | None]) -> tuple[FloatArray, FloatArray | None]:
        """Of the windows just solved: parameters, influence of value and of quadrature (windows, 3, size), nothing
        where there is no solution; and what they leave of each one's newest hop (windows, slots), if that is known."""
        if self._undisturbed is not None and len(self._undisturbed[0]) == len(solutions):
            return self._undisturbed
        size = self.equations.size
        out = np.zeros((len(solutions), 3, size))
        for one, solution in zip(out, solutions, strict=True):
            if solution is not None and solution.influence is not None:
                one[0] = solution.theta[:size]
                one[1:] = solution.influence[:, :size]
        return out, None

    def _parameters_used(self, w: FloatArray, prior: FloatArray) -> float:
        """Effective number of fitted parameters: the trace of the smoother."""
        inverse = np.linalg.inv(w[1:, 1:] + prior)
        self._used_by = 1.0 - np.sum(inverse * prior, axis=1)
        return float(self._used_by.sum())

    def _solve_disturbed(self, last: int, breaks: tuple[int, ...], use_memory: bool, used: float) -> Solution | None:
        """A window that is noisier than usual: look for steps, then for transients that passed hop by hop."""
        st = self.store
        first = last - self.n_hops + 1
        # An earlier window of the same run may have lowered weights: start from the products as they are now.
        solution = self._solve_with_breaks(last, breaks, use_memory, used)
        if self.noise_V == 0 or solution.noise**2 < SUSPICIOUS * self.noise_V**2:
            return solution
        rest = np.abs(self.residual(solution, last))
        weight = st.weight[first : last + 1]
        scale = max(self.noise_V, 1.4826 * float(np.median(rest[weight > 0])))
        bad = (rest > 1.1 * OUTLIER_SIGMA * scale) & (weight > 0)
        if not bad.any() or np.count_nonzero(bad) > 0.1 * solution.samples:
            return solution
        for row in np.flatnonzero(bad.any(axis=1)):
            st.weight[first + row, bad[row]] = 0.0
            self._weighed(first + int(row), int(np.count_nonzero(bad[row])))
            self.multiply(first + int(row), first + int(row) + 1)
        return self._solve_with_breaks(last, solution.breaks, use_memory, used)

    def _weighed(self, row: int, transient: int) -> None:
        """Keep the counts of a row whose weights were changed."""
        self._changes += 1
        self.store.counts[row, TRANSIENT] += transient
        self.store.counts[row, WEIGHT] = float(self.store.weight[row].sum())

    def _solve_with_breaks(self, last: int, breaks: tuple[int, ...], use_memory: bool, used: float) -> Solution:
        """A window in which the electrode voltage stepped: one more column per step, constant after it.

        Steps too near a hop's edge to be seen in the hop itself are found here: of all hop boundaries the one whose
        step would explain most is taken, as long as that is far more than noise would.
        """
        size, n, st = self.equations.size, self.n_hops, self.store
        first = last - n + 1
        w = self.equations.normal(st, last, last + 1)[0]
        count = float(st.counts[first : last + 1, WEIGHT].sum())
        prior = self._prior if use_memory else self._free_prior
        rows = self.equations.break_rows(st, first)
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
            if use_memory:
                right[:size, 0] += self._pull
            right[0, 1] = right[1, 2] = 1.0
            right[:, 3:] = cross.T
            solved: FloatArray = np.asarray(np.linalg.solve(total, right), dtype=np.float64)
            theta = solved[:, 0]
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
            st.break_before[first + int(others[best]) + 1] = True
            self._changes += 1
        return Solution(
            float(theta[0]), float(theta[1]), float(np.sqrt(noise2)), float(solved[0, 1]), float(solved[1, 2]),
            count, theta, tuple(taken), solved[:, 1:3].T,
        )  # fmt: skip

    def residual(self, solution: Solution, last: int) -> FloatArray:
        """(hops, slots) what the solution leaves of the window that ends with row `last`, volts."""
        return self.equations.residual(self.store, solution.theta, solution.breaks, last)

    # ---- distrust ------------------------------------------------------------------------------------------

    def _newest_rest(self, a: int, b: int, theta: FloatArray) -> FloatArray:
        """(windows, slots) residual in the newest hop of each window that ends with rows a..b-1, volts."""
        st = self.store
        fitted = np.matmul((theta @ self.equations.newest)[:, None], st.columns[a:b])[:, 0]
        return np.asarray(np.subtract(st.v[a:b], fitted, out=fitted))

    def _worst(self, a: int, b: int, rest: FloatArray) -> list[float]:
        """The largest residual of each row a..b-1, volts."""
        st, size = self.store, np.abs(rest)
        if not st.all_there(a, b):
            size *= st.weight[a:b] > 0
        return [size.item(size.argmax())] if b - a == 1 else np.maximum.reduce(size, axis=1).tolist()

    def _distrust(self, row: int, stop: int) -> bool:
        """Lower the weight of transients in a row, and notice a step of the electrode voltage. Anything changed?

        The data less the mains as last averaged are fitted by reference, quadrature, a straight line and what the
        mains may have turned; what stands out of that is no electrode noise. A lasting jump becomes a break. Rows up
        to `stop` are in the store.
        """
        noise = max(self.noise_V, self.floor_V)
        st, few = self.store, self._few
        x, weight = st.columns[row], st.weight[row]
        good = np.flatnonzero(weight > 0)
        if good.size < 12:
            return False
        # The waveform's own edges are no steps of the electrode.
        y = self._less_mains @ x - self._last[0] * x[REF] - self._last[1] * x[QUAD]
        rows = st.products[row, few]
        fit = np.linalg.solve(rows[:, few] + self._few_ridge, rows @ self._less_mains)
        if np.abs(self._less_mains @ x - fit @ x[few])[good].max() <= OUTLIER_SIGMA * noise:
            return False
        found = transients.judge_hop(x[few][:, good].T, y[good], noise)
        if found is None:
            return False
        weight[good] *= found.weight
        self._weighed(row, found.count)
        if found.step is not None:
            if 2 * found.step < good.size:
                st.break_before[row] = True
            elif row + 1 < st.capacity:
                st.break_before[row + 1] = True
        self.multiply(row, row + 1 if self.whitener.white else min(row + 2, stop))
        return True
