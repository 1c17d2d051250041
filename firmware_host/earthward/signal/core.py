"""What the estimator learns slowly: noise and its colour, the mains lines and their long averages."""

from __future__ import annotations

import numpy as np

from earthward.signal import transients
from earthward.signal.equations import Solution
from earthward.signal.hops import TRANSIENT, WEIGHT
from earthward.signal.solving import PLAIN, RESTED, WindowSolver
from earthward.signal.types import FloatArray
from earthward.signal.whitening import ORDER, Colour, Whitener

#: Noise of a window over the ordinary that may be a new mains line.
LOUDER = 1.1


class Core(WindowSolver):
    """The solver with a memory: its slow parameters change between blocks of hops, from what windows left over."""

    def first_window(self, last: int) -> bool:
        """Nothing known yet: find the lines, the noise and the outliers from the window that ends with row `last`."""
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
                self.memory.mean = solution.theta[2 : 2 + self.layout.lines].copy()
                self.set_lines(self.memory.lines, last + 1)
        for _ in range(4):
            solution = self.solve(last, last + 1, use_memory=False)[0]
            if solution is None:
                return False
            st = self.store
            usable = st.usable[first : last + 1]
            present = st.weight[first : last + 1]
            weight = transients.window_weights(self.residual(solution, last), present > 0, usable)
            if np.abs(weight - present).max() < 0.05:
                break
            st.weight[first : last + 1] = weight
            st.counts[first : last + 1, TRANSIENT] = ((weight < 1) & usable).sum(axis=1)
            st.counts[first : last + 1, WEIGHT] = weight.sum(axis=1)
            self.multiply(max(first, 1), last + 1)
        solution = self.solve(last, last + 1, use_memory=False)[0]
        if solution is None:
            return False
        self.noise_V = max(solution.noise, self.floor_V)
        if self.families and self.referenced:
            self.sideband_monitor.keep(first, last + 1, self.residual(solution, last))
        if self.layout.lines:
            self.memory.mean = solution.theta[2 : 2 + self.layout.lines].copy()
        self.set_lines(self.memory.lines, last + 1)
        return True

    def reference_found(self, last: int) -> bool:
        """The phase became known and is in the store: judge noise and transients anew; the mains stay known."""
        self.referenced = True
        self.forget_signal()
        st = self.store
        self.colour, self.whitener = Colour(), Whitener()
        self.noise_V = 0.0
        st.weight[: last + 1] = st.usable[: last + 1]
        st.counts[: last + 1, TRANSIENT] = 0.0
        st.counts[: last + 1, WEIGHT] = st.weight[: last + 1].sum(axis=1)
        self.set_lines(self.memory.lines, last + 1)
        return self.first_window(last)

    def set_lines(self, lines: list[tuple[int, int]], stop: int) -> None:
        """Carry these mains lines from now on; the columns of rows 1..stop are made anew."""
        self.memory.set_lines(sorted(set(lines)))
        self._pending: list[tuple[int, FloatArray, FloatArray]] = []
        self.refresh()
        self.store.columns = self.store.columns[:, :0]
        self.lay(0, stop)
        self.fill(0, stop)
        self.multiply(1, stop)

    def new_lines(self, solution: Solution, last: int, threshold: float, most: int = 4) -> list[tuple[int, int]]:
        """Mains harmonics that stand out of the window's residual, strongest first."""
        st = self.store
        rows = slice(last - self.n_hops + 1, last + 1)
        count = solution.samples
        if count < 50 or not self.families:
            return []
        rest = self.residual(solution, last) * st.weight[rows]
        variance = float(np.vdot(rest, rest)) / count
        found: list[tuple[float, tuple[int, int]]] = []
        for f, family in enumerate(self.tracker.families):
            strength = self.tracker.harmonic_power(st.base[rows, f].ravel(), rest.ravel(), f)
            strength /= count * variance + 1e-300
            if not self.whitener.white and family.amplitude_V <= PLAIN * self.noise_V:
                # Humps of the noise's own colour are no lines, unless the supply is there beyond doubt.
                turn = 2 * np.pi * family.frequency_Hz * self.period_s
                turns = np.arange(1, strength.size + 1, dtype=np.float64) * turn
                strength /= self.whitener.gain[0] ** 2 * self.whitener.density(turns)
            for k in (np.flatnonzero(strength > threshold / 2) + 1).tolist():
                if (f, k) in self.memory.lines or not (family.locked or k == 1):
                    continue
                if not self._shadowed(f, k, [*self.memory.lines, *(line for _, line in found)]):
                    found.append((float(strength[k - 1]), (f, k)))
        found.sort(reverse=True)
        return [line for _, line in found[:most]]

    def _shadowed(self, family: int, number: int, lines: list[tuple[int, int]]) -> bool:
        """Does this harmonic, folded by the sampling, fall into the drift or within a quarter bin of a line carried?"""
        folded = self.tracker.folded_Hz
        hop_s = self.slots * self.period_s
        near = 0.25 / (self.n_hops * hop_s)
        here = folded(family, number, self.period_s)
        # What the drift's spline takes anyway is no line either.
        return here < 0.6 / hop_s or any(abs(folded(f, k, self.period_s) - here) < near for f, k in lines)

    def line_information(self, w: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Information matrix and vector (1/V^2) of a window's lines alone, everything else fitted freely."""
        n, size = self.layout.lines, self.equations.size
        rest = np.array([1, 2, *range(3 + n, 1 + size)])
        lines = slice(3, 3 + n)
        block = w[rest[:, None], rest] + self._free_prior[rest[:, None] - 1, rest - 1]
        right = np.concatenate([w[rest, lines], w[rest, :1]], axis=1)
        taken = w[lines][:, rest] @ np.linalg.solve(block, right)
        noise2 = max(self.noise_V, self.floor_V, 1e-12) ** 2
        information = w[lines, lines] - taken[:, :-1]
        return 0.5 * (information + information.T) / noise2, (w[lines, 0] - taken[:, -1]) / noise2

    def learn(self, last: int) -> None:
        """At the end of a block: noise level and colour, mains lines come and gone, their long averages."""
        n, number = self.n_hops, self.store.first + last
        found: list[tuple[int, int]] = []
        windows = min(max(1, (number - self._learned) // n), self.block // n)
        self._learned = number
        self._signal = self._last if self.referenced else (0.0, 0.0)
        ends = [last - k * n for k in reversed(range(windows)) if last - (k + 1) * n + 1 >= 1]
        for end in ends:
            hop = self.store.first + end
            if hop not in self._recent:
                self.solve(end, end + 1)
            # A window with too few samples has no solution and was not remembered.
            solution, w = self._recent.get(hop, (None, None))
            if solution is None or w is None:
                continue
            # Quick to fall, slow to rise: a disturbance must not pass for the pool's ordinary noise.
            ratio = min(max(solution.noise / self.noise_V, 0.7), 1.15)
            self.noise_V = max(self.noise_V * ratio**0.5, self.floor_V)
            # Young averages take every window; later one in a block is enough.
            if end == last or self.memory.windows < 20:
                self._learn_colour(solution, end)
                if self.layout.lines and not solution.breaks:
                    self._pending.append((hop, *self.line_information(w)))
            # At rest, new lines are looked for every other time, or when it has become louder.
            if end == last and (self._rested < RESTED or self._rested % 2 == 0 or ratio > LOUDER):
                found = self.new_lines(solution, end, 32.0)
        # A window is averaged in only when no reading's window overlaps it any more.
        while self._pending and self._pending[0][0] <= number - n:
            _, matrix, vector = self._pending.pop(0)
            self.memory.learn(matrix, vector)
        gone = self.memory.gone() if self.memory.windows > 8 else []
        self._rested = 0 if found or gone else self._rested + 1
        if found or gone:
            self.set_lines(sorted(({*self.memory.lines} - {*gone}) | {*found}), last + 1)
        else:
            self.refresh()

    def _learn_colour(self, solution: Solution, last: int) -> None:
        st = self.store
        good = st.weight[last - self.n_hops + 1 : last + 1] > 0.5
        rest = np.where(good, self.residual(solution, last), 0.0)
        # Fitting took noise out at the lines and below the spline's limit: what it took is put back, as if white.
        taken = np.zeros(ORDER + 1)
        lags = np.arange(ORDER + 1)
        if self.memory.lines:
            turns = [
                2 * np.pi * k * self.tracker.families[family].frequency_Hz * self.period_s
                for family, k in self.memory.lines
            ]
            by_line = self._used_by[2 : 2 + self.layout.lines].reshape(-1, 2).sum(axis=1)
            taken += by_line @ np.cos(np.multiply.outer(turns, lags))
        taken += self._used_by[self.equations.line_end :].sum() + 2.0 * (lags == 0)
        if self.colour.add_window(rest.ravel(), good.ravel(), taken, solution.noise):
            self.whitener = self.colour.whitener()
