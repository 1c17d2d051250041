"""Which moment belongs to which conversion: index -> time from stamps that are late by varying amounts.

A stamp is the end of a conversion plus a latency >= 0. Conversions are evenly spaced, so the truth is the
line under all stamps. Stamps are gathered in cells; the earliest of each cell (relative to the present line)
carries nearly all the information, and a line is fitted to these under asymmetric weights: early is believed,
late is not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from earthward.signal.types import FloatArray, IntArray

CELL = 40
STRETCH_S = 6.0


class SampleClock:
    """Streaming and causal. `push` conversions, then `time_of` any index near them."""

    def __init__(self, stretch_s: float = STRETCH_S) -> None:
        self._stretch_s = stretch_s
        self.reset()

    def reset(self) -> None:
        self._index: NDArray[np.int64] = np.zeros(0, dtype=np.int64)  # stamps not yet in a cell
        self._t: NDArray[np.float64] = np.zeros(0)
        self._cell_i: list[float] = []
        self._cell_t: list[float] = []
        self._i0 = 0.0
        self._t0 = 0.0
        self._period = 0.0
        self._offset = 0.0
        self._scatter = 0.0
        self._started = False

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

    def time_of(self, index: IntArray | FloatArray) -> FloatArray:
        """End of conversion `index`, seconds."""
        return np.asarray(self._t0 + self._offset + (np.asarray(index, dtype=float) - self._i0) * self._period)

    def push(self, index: IntArray, t_s: FloatArray) -> None:
        """Stamps of further conversions, in order."""
        if index.size == 0:
            return
        if not self._started:
            self._i0, self._t0, self._started = float(index[0]), float(t_s[0]), True
        self._index = np.concatenate([self._index, index])
        self._t = np.concatenate([self._t, t_s])
        if not self._cell_i and self._index.size < 16:
            return
        if self._period == 0.0:
            span = float(self._index[-1] - self._index[0])
            self._period = float(self._t[-1] - self._t[0]) / span
        while self._index.size >= CELL:
            self._close_cell(CELL)
        if not self._cell_i:
            self._close_cell(self._index.size)
        self._fit()

    def _close_cell(self, n: int) -> None:
        i, t = self._index[:n] - self._i0, self._t[:n] - self._t0
        # Few cells, little known of the slope: then every stamp of the first second is worth keeping.
        keep = 4 if len(self._cell_i) < 80 else 1
        parts = min(keep, n)
        for part_i, part_t in zip(np.array_split(i, parts), np.array_split(t, parts), strict=True):
            k = int(np.argmin(part_t - self._period * part_i))
            self._cell_i.append(float(part_i[k]))
            self._cell_t.append(float(part_t[k]))
        self._index, self._t = self._index[n:], self._t[n:]
        while self._cell_t and self._cell_t[-1] - self._cell_t[0] > self._stretch_s:
            self._cell_i.pop(0)
            self._cell_t.pop(0)

    def _fit(self) -> None:
        i, t = np.array(self._cell_i), np.array(self._cell_t)
        if i.size < 3 or i[-1] == i[0]:
            return
        weights = np.ones(i.size)
        slope, level = self._period, 0.0
        for _ in range(5):
            total = weights.sum()
            mi, mt = float(weights @ i) / total, float(weights @ t) / total
            di = i - mi
            denominator = float(weights @ (di * di))
            if denominator <= 0:
                break
            slope = float(weights @ (di * (t - mt))) / denominator
            level = mt - slope * mi
            rest = t - level - slope * i
            scale = float(np.median(np.abs(rest - np.median(rest)))) * 1.48 + 1e-9
            low = float(np.quantile(rest, 0.1))
            # Late cells (a stall, or simply no early stamp) lose their say quickly; early ones keep it.
            late = np.maximum(rest - low, 0.0) / (1.5 * scale)
            weights = 1.0 / (1.0 + late**2) ** 2
        rest = t - level - slope * i
        self._period = slope
        # The line through the believed cells still lies above the truth by the mean excess of their minima.
        self._offset = level + float(np.quantile(rest, 0.05))
        self._scatter = float(np.sqrt(np.average((rest - np.average(rest, weights=weights)) ** 2, weights=weights)))


def period_from_stamps(t_s: FloatArray) -> float:
    """Conversion period from stamps alone (jitter, stalls, lost conversions allowed). 0.0 if it cannot be told."""
    d = np.diff(t_s)
    d = d[d > 0]
    if d.size < 2:
        return 0.0
    period = float(np.median(d))
    # Double the lag again and again: each step divides the jitter's share and still counts periods safely.
    lag = 2
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
        lag *= 2
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
        local_new = period_from_stamps(t_s[lo:hi])
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
