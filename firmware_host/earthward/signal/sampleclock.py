"""Which moment belongs to which conversion: index -> time from stamps that are late by varying amounts.

A stamp is the end of a conversion plus a latency >= 0. Conversions are evenly spaced, so the truth is the
line under all stamps. Stamps are gathered in cells; the earliest of each cell (relative to the present line)
carries nearly all the information, and a line is fitted to these under asymmetric weights: an early stamp is
believed, a late one is not.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from earthward.signal.types import FloatArray, IntArray

STRETCH_S = 6.0
#: Once that many cells are there, the line is refitted after every so many cells only.
MATURE, REFIT = 48, 16


class SampleClock:
    """Streaming and causal. `push` a cell of conversions at a time, then `time_of` any index near them."""

    def __init__(self, stretch_s: float = STRETCH_S) -> None:
        self._stretch_s = stretch_s
        self.reset()

    def reset(self) -> None:
        self._cell_i: list[float] = []
        self._cell_t: list[float] = []
        self._i0 = 0.0
        self._t0 = 0.0
        self._period = 0.0
        self._offset = 0.0
        self._scatter = 0.0
        self._cells = 0

    @property
    def ready(self) -> bool:
        return self._period > 0

    @property
    def period_s(self) -> float:
        return self._period

    @property
    def sample_rate_Hz(self) -> float | None:
        return 1.0 / self._period if self._period > 0 else None

    @property
    def scatter_s(self) -> float:
        """Root mean square of what the cells' earliest stamps leave over the line."""
        return self._scatter

    def line(self, index: int) -> tuple[float, float]:
        """End of conversion `index` and the period, seconds."""
        return self._t0 + self._offset + (index - self._i0) * self._period, self._period

    def time_of(self, index: IntArray | FloatArray) -> FloatArray:
        """End of conversion `index`, seconds."""
        return np.asarray(self._t0 + self._offset + (np.asarray(index, dtype=float) - self._i0) * self._period)

    def start(self, index: IntArray, t_s: FloatArray) -> None:
        """A first look at a whole stretch (a quarter of a second or more): rough line, no cells yet."""
        self.reset()
        self._i0, self._t0 = float(index[0]), float(t_s[0])
        self._period = float(t_s[-1] - t_s[0]) / float(index[-1] - index[0])
        cut = max(2, min(24, index.size // 12))
        self._fit(*self._lowest(index, t_s, cut))
        self._fit(*self._lowest(index, t_s, cut))

    def _lowest(self, index: IntArray, t_s: FloatArray, cells: int) -> tuple[FloatArray, FloatArray]:
        """Of each of so many cells, the stamp that is earliest against the present line."""
        i, t = index - self._i0, t_s - self._t0
        rest = t - self._period * i
        bounds = np.linspace(0, i.size, cells + 1).astype(int)
        k = np.array([a + int(rest[a:b].argmin()) for a, b in pairwise(bounds)])
        return i[k], t[k]

    def push(self, index: IntArray, t_s: FloatArray) -> None:
        """Stamps of one cell of conversions (a hop), in order; after `start`."""
        if index.size == 0:
            return
        if self.mature:
            k = int((t_s - self._period * index).argmin())
            self.add_cell(float(index[k]), float(t_s[k]))
            return
        i, t = self._lowest(index, t_s, min(3, index.size))
        self._cell_i += i.tolist()
        self._cell_t += t.tolist()
        self._keep(len(self._cell_i) >= 12)

    @property
    def mature(self) -> bool:
        """Are so many cells known that one stamp of each new one is enough?"""
        return self._cells >= MATURE

    def earliest(self, index: IntArray, t_s: FloatArray, cells: int) -> list[tuple[float, float]]:
        """Of so many cells of equal length, index and stamp of the one that is earliest against the present line."""
        rest = (t_s - self._period * index).reshape(cells, -1)
        k = rest.argmin(axis=1) + np.arange(0, index.size, rest.shape[1])
        return list(zip(index[k].tolist(), t_s[k].tolist(), strict=True))

    def add_cell(self, index: float, t_s: float) -> None:
        """The earliest stamp of one cell, once `mature`."""
        self._cell_i.append(index - self._i0)
        self._cell_t.append(t_s - self._t0)
        self._keep((self._cells + 1) % REFIT == 0)

    def _keep(self, fit: bool) -> None:
        """Count the cell that came, drop those too old."""
        self._cells += 1
        drop = 0
        while self._cell_t[-1] - self._cell_t[drop] > self._stretch_s:
            drop += 1
        if drop:
            del self._cell_i[:drop], self._cell_t[:drop]
        if fit:
            self._fit(np.array(self._cell_i), np.array(self._cell_t))

    def _fit(self, i: FloatArray, t: FloatArray) -> None:
        """Line under the stamps: least squares in which late cells lose their weight and early ones keep it."""
        n = i.size
        if n < 3:
            return
        mi = float(i.sum()) / n
        di = i - mi
        rest = t - self._period * di
        slope, low = self._period, 0.0
        # Once mature the line is nearly right already.
        for _ in range(2 if self.mature else 4):
            ordered = np.sort(rest)
            low = float(ordered[n // 10])
            spread = float(ordered[n // 2]) - low + 1e-9
            weights = 1.0 / (1.0 + (np.maximum(rest - low, 0.0) / (1.5 * spread)) ** 2) ** 2
            wd = weights * di
            s0, s1, s2 = float(weights.sum()), float(wd.sum()), float(wd @ di)
            r0, r1 = float(weights @ rest), float(wd @ rest)
            determinant = s0 * s2 - s1 * s1
            if determinant <= 0:
                break
            change = (s0 * r1 - s1 * r0) / determinant
            slope += change
            rest = rest - change * di
        ordered = np.sort(rest)
        self._period = slope
        # The believed cells lie above the truth by the mean excess of their minima: take the early edge.
        self._offset = float(ordered[n // 20]) - slope * mi
        self._scatter = float(ordered[n // 2]) - float(ordered[n // 20])


def period_from_stamps(t_s: FloatArray) -> float:
    """Conversion period from stamps alone (jitter, stalls, lost conversions allowed). 0.0 if it cannot be told."""
    d = np.diff(t_s)
    d = d[d > 0]
    if d.size < 2:
        return 0.0
    period = float(np.median(d))
    return _refined(t_s, period, 2)


def _refined(t_s: FloatArray, period: float, lag: int) -> float:
    """Double the lag again and again: each step divides the jitter's share and still counts periods safely."""
    n = t_s.size
    while lag < n:
        gap = t_s[lag:] - t_s[:-lag]
        count = np.round(gap / period)
        good = count > 0
        if not good.any():
            break
        period = float(np.median(gap[good] / count[good]))
        if lag >= 4096:
            break
        # Once a few dozen periods are counted safely, longer strides are as safe.
        lag *= 2 if lag < 64 else 8
    return period


def index_from_stamps(t_s: FloatArray, period_s: float | None = None) -> tuple[IntArray, float]:
    """Number the conversions of a plain list of stamps.

    Returns (index int64 (n,), period_s). Lost conversions leave jumps. Numbers are never added up from rounded
    differences (one late stamp would push all later ones): each stamp is placed on the local line of the
    earliest stamps, and conversions read in one bunch after a stall are counted back from its end.
    """
    n = t_s.size
    if n == 0:
        return np.zeros(0, dtype=np.int64), 0.0
    period = period_s if period_s else period_from_stamps(t_s)
    if not period > 0:
        return np.arange(n, dtype=np.int64), 0.0
    place = np.empty(n)
    chunk = 1024
    previous: float | None = None  # phase of the leading edge, in periods, unwrapped
    local = period
    for start in range(0, n, chunk):
        lo, hi = max(0, start - chunk // 2), min(n, start + chunk + chunk // 2)
        # The period is known well enough to count over a few hundred conversions.
        local_new = _refined(t_s[lo:hi], local, 64) if hi - lo > 256 else period_from_stamps(t_s[lo:hi])
        if local_new > 0 and abs(local_new / period - 1) < 0.02:
            local = local_new
        origin = t_s[start]
        x = (t_s[lo:hi] - origin) / local
        edge = _leading_edge(x - np.floor(x))
        stop = min(n, start + chunk)
        here = (t_s[start:stop] - origin) / local - edge
        if previous is None:
            base = -np.floor(here[0] + 0.2)
        else:
            # The last conversion of the chunk before, seen from this chunk's line.
            last = float((t_s[start - 1] - origin) / local - edge)
            base = previous - np.floor(last + 0.2)
        place[start:stop] = np.floor(here + 0.2) + base
        previous = float(place[stop - 1])
    index = place.astype(np.int64)
    # Bunches: strictly increasing, counted back from the end of the bunch.
    steps = np.arange(n)
    index = np.minimum.accumulate((index - steps)[::-1])[::-1] + steps
    return np.asarray(index - index[0], dtype=np.int64), period


def _leading_edge(fraction: FloatArray) -> float:
    """Start of the bulk of a circular distribution that rises steeply and falls slowly."""
    bins = 64
    counts = np.bincount(np.minimum((fraction * bins).astype(np.int64), bins - 1), minlength=bins).astype(float)
    smooth = counts + 0.5 * (np.roll(counts, 1) + np.roll(counts, -1))
    peak = int(np.argmax(smooth))
    level = 0.08 * smooth[peak]
    k = peak
    for _ in range(bins // 2):
        if smooth[(k - 1) % bins] <= level:
            break
        k -= 1
    centre = (peak + 0.5) / bins
    distance = (fraction - centre + 0.5) % 1.0 - 0.5
    first = (k - peak - 0.5) / bins
    inside = distance[(distance >= first - 1e-12) & (distance <= 0.25)]
    return float(centre + (inside.min() if inside.size else 0.0))
