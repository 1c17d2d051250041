"""When to read a free-running converter that has no ready wire, and which conversion was read.

The chip's rate is off by up to 10 % and nobody tells when a conversion ends; but two reads of one conversion
give the same code, and two conversions seldom do. So: read densely for half a second, take the moments at which
the code changed, and find rate and phase from their periodogram. From then on read once per conversion, and add
a probing read near every fourth expected end; whether the code had changed or not says whether the ends come
earlier or later than believed. Twice a second rate and phase are moved to where these observations agree best.

Pure: times come in as arguments.
"""

from __future__ import annotations

import math
import random
from collections import deque

import numpy as np

TOLERANCE = 0.11
"""The data sheet's 10 % with a margin."""
ACQUIRE_S = 0.5
REFINE_S = 0.5
PROBE_EVERY = 4
#: a read closer than this share of a period to an expected end may be of either conversion
GUARD = 0.04


class RatePacer:
    """`next_read_s` says when to read; `add` says which conversion it was, or None for a probe or an unclear read."""

    def __init__(self, nominal_Hz: float, start_s: float, seed: int = 1) -> None:
        self._nominal_s = 1.0 / nominal_Hz
        self._random = random.Random(seed)  # only to spread reads: no two runs need differ
        self.period_s = self._nominal_s
        self._start_s = start_s  # conversion 0 ended about here
        self._end_s = start_s  # end of conversion number `_at`
        self._at = 0
        self.newest = -1
        """Number of the newest conversion that was read."""
        self.locked = False
        """Rate and phase are known."""
        self.moving = True
        """The code changes at all; if it does not, samples are numbered at the nominal rate."""
        self.last_ambiguous = 0
        self._dense: list[tuple[float, int]] = []
        self._dense_from_s: float | None = None
        self._pairs: deque[tuple[float, float, bool]] = deque(maxlen=1200)
        self._last: tuple[float, int] | None = None
        self._refined_s = 0.0
        self._next_s = 0.0
        self._equal = 0.0  # how often two different conversions show one code
        self._assumed_until_s = -1.0

    # ---- pacing -------------------------------------------------------------------------------------------

    def next_read_s(self, now: float) -> float:
        if not self.locked and now >= self._assumed_until_s:
            return now + self._nominal_s / 5
        return self._next_s

    def _plan(self, number: int, probe_next: bool, done: float) -> None:
        """After conversion `number` was read: a probe shortly before its successor ends, or the successor itself."""
        end = self._end_s + (number + 1 - self._at) * self.period_s
        if probe_next:
            at = end - self._random.uniform(0.08, 0.30) * self.period_s
            if at > done:
                self._next_s = at
                return
        at = end + self._random.uniform(0.12, 0.30) * self.period_s
        if at <= done:
            # Late: take the newest one that is still clearly readable.
            behind = math.floor((done - at) / self.period_s) + 1
            at += behind * self.period_s
        self._next_s = at

    def add(self, before_s: float, done_s: float, code: int) -> tuple[int, float] | None:
        """A read that began and ended at these times. (number, end of that conversion) if it is a new, clear one."""
        self.last_ambiguous = 0
        middle = 0.5 * (before_s + done_s)
        if not self.locked and before_s >= self._assumed_until_s:
            self._acquire(middle, code)
            return None
        if self._last is not None and self.locked:
            self._pairs.append((self._last[0], middle, code != self._last[1]))
        self._last = (middle, code)
        if self.locked and done_s - self._refined_s > REFINE_S + 20 * self.period_s:
            self._refine(done_s)
            if not self.locked:
                return None
        number = self._at + math.floor((middle - self._end_s) / self.period_s)
        end = self._end_s + (number - self._at) * self.period_s
        guard = GUARD * self.period_s
        if self.locked and (before_s - end < guard or end + self.period_s - done_s < guard):
            self.last_ambiguous = 1
            self._plan(number, False, done_s)
            return None
        if number <= self.newest:
            self._plan(self.newest, False, done_s)
            return None
        self.newest = number
        self._plan(number, self.locked and number % PROBE_EVERY == 0, done_s)
        return number, min(end, done_s) if self.locked else done_s

    # ---- finding rate and phase ---------------------------------------------------------------------------

    def _acquire(self, middle: float, code: int) -> None:
        if self._dense_from_s is None:
            self._dense_from_s = middle
        self._dense.append((middle, code))
        span = max(ACQUIRE_S, 40 * self._nominal_s)
        if middle - self._dense_from_s < span:
            return
        times = np.array([t for t, _ in self._dense])
        codes = np.array([c for _, c in self._dense])
        self._dense, self._dense_from_s = [], None
        step = np.diff(times)
        changed = (np.diff(codes) != 0) & (step < 0.62 * self._nominal_s)
        moments = (times[:-1] + 0.5 * step)[changed]
        origin = float(times[0])
        if moments.size < 20:
            # Nothing moves (or the computer was held up all the time): go on at the nominal rate, look again later.
            self.moving = bool(np.any(np.diff(codes) != 0))
            self._restart_numbers(float(times[-1]), self._nominal_s, float(times[-1]))
            self._assumed_until_s = float(times[-1]) + 1.5
            self._next_s = float(times[-1]) + self._nominal_s
            self._last = None
            return
        self.moving = True
        x = moments - origin
        low, high = (1 - TOLERANCE) / self._nominal_s, (1 + TOLERANCE) / self._nominal_s
        grid = np.arange(low, high, 0.2 / span)
        power = np.abs(np.exp(-2j * np.pi * grid[:, None] * x[None, :]).sum(axis=1))
        best = float(grid[int(np.argmax(power))])
        fine = best + np.linspace(-0.25, 0.25, 41) / span
        sums = np.exp(-2j * np.pi * fine[:, None] * x[None, :]).sum(axis=1)
        k = int(np.argmax(np.abs(sums)))
        strength = abs(sums[k]) / moments.size
        if strength < 0.5:
            return  # not clear: dense reads go on
        frequency = float(fine[k])
        phase_s = (float(-np.angle(sums[k])) / (2 * np.pi)) / frequency
        self.period_s = 1.0 / frequency
        # The last end before now.
        end = origin + phase_s
        end += math.floor((float(times[-1]) - end) / self.period_s) * self.period_s
        self._restart_numbers(end, self.period_s, float(times[-1]))
        self.locked = True
        self._refined_s = float(times[-1])
        self._pairs.clear()
        self._last = None
        self._plan(self._at, False, float(times[-1]))

    def _restart_numbers(self, end_s: float, period_s: float, now: float) -> None:
        """Numbers go on where they were, by the time that passed."""
        if self.newest >= 0:
            passed = max(1, round((end_s - (self._end_s + (self.newest - self._at) * self.period_s)) / period_s))
            number = self.newest + passed
        else:
            number = max(0, round((end_s - self._start_s) / period_s))
        self._end_s, self._at, self.period_s = end_s, number, period_s

    def _refine(self, now: float) -> None:
        self._refined_s = now
        if len(self._pairs) < 60:
            return
        data = np.array(self._pairs, dtype=float)
        data = data[data[:, 1] > now - 1.6]
        first, second, changed = data[:, 0], data[:, 1], data[:, 2] > 0
        period = self.period_s
        anchor = self._end_s + math.floor((now - self._end_s) / period) * period
        shifts = np.linspace(-0.24, 0.24, 25) * period
        spans = max(0.3, now - float(first[0]))
        # Period steps so small that the far end of the stretch moves by a tenth of a period each.
        stretches = np.linspace(-5, 5, 11) * 0.08 * period / (spans / period)
        phase = (anchor + shifts)[:, None, None]
        length = (period + stretches)[None, :, None]
        same = np.floor((first - phase) / length) == np.floor((second - phase) / length)
        # A code that changed within one conversion is impossible; one that stayed over an end is only unlikely.
        cost = np.where(same, 3.0 * changed, 1.0 * ~changed).sum(axis=2)
        least = float(cost.min())
        near = cost <= least + 0.5
        weight = near / near.sum()
        shift = float((weight.sum(axis=1) * shifts).sum())
        stretch = float((weight.sum(axis=0) * stretches).sum())
        steps = round((anchor - self._end_s) / period)
        self._at += steps
        self._end_s = anchor + 0.7 * shift
        self.period_s = period + 0.4 * stretch
        edge = abs(shift) > 0.2 * period
        contradictions = float((same[np.unravel_index(int(np.argmin(cost)), cost.shape)] & changed).mean())
        if edge or contradictions > 0.15:
            self.locked = False
            self._last = None
        elif not changed.any():
            self.locked = False
            self.moving = False
