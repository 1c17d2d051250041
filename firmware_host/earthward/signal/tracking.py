"""Hop by hop: the mains phases brought up to date, and each supply's turning base laid under the hop."""

from __future__ import annotations

import math

import numpy as np

from earthward.signal.hops import QUAD, REF, USABLE, HopStore
from earthward.signal.lines import LineMemory
from earthward.signal.mains import MainsTracker
from earthward.signal.types import FloatArray

_TWO_PI = 2 * math.pi


class HopTracker:
    """Feeds the mains tracker from the store.

    Time here is counted in conversions times the first estimate of their period: the converter's own clock is
    steady to a degree that no fit to the host's stamps is, and a microsecond matters beside strong mains.
    """

    def __init__(self, tracker: MainsTracker, store: HopStore, taper_hops: int, period_s: float) -> None:
        self._tracker, self._store, self._taper_hops = tracker, store, taper_hops
        self._hop_s = store.slots * period_s
        self._slot_s = (np.arange(store.slots) + 0.5) * period_s
        self._powers = self._slot_s ** np.arange(3)[:, None]
        self._table = tracker.taper_table(taper_hops, store.slots, period_s)

    def follow(
        self, a: int, b: int, noise_V: float, memory: LineMemory, signal: tuple[float, float] | None = None
    ) -> None:
        """Rows a..b-1, in order; sets their bases. signal: value and quadrature to be taken out first, volts."""
        st, m, hop_s = self._store, self._taper_hops, self._hop_s
        families = self._tracker.families
        v = st.v[a:b]
        if signal is not None:
            v = v - np.matmul(signal, st.columns[a:b, REF : QUAD + 1])
        st.demodulated[a:b] = (v @ self._table).reshape(b - a, m, -1)
        lo = max(0, a - m + 1)
        smooth, edges = self._smooth(a, b, lo)
        noise = noise_V or self._tracker.first_noise_V
        start = max(a, m - 1 - min(st.first, 0))
        sums: list[list[float]] = []
        if start < b:
            z = st.demodulated[start - m + 1 : b - m + 1, 0]
            for j in range(1, m):
                z = z + st.demodulated[start - m + 1 + j : b - m + 1 + j, j]
            sums = z.tolist()
        coefficients = []
        for row in range(a, b):
            if row >= start:
                first = row - m + 1
                centre = (st.first + 0.5 * (first + row + 1)) * hop_s
                if all(smooth[first - lo : row - lo + 1]) and all(edges[first + 1 - lo : row - lo + 1]):
                    self._tracker.step(centre, m * hop_s, sums[row - start], m * st.slots, noise)
                else:
                    self._disturbed(first, row + 1, noise, memory, signal)
            begin = (row + st.first) * hop_s
            for f in families:
                d = begin - f.t0
                turns = begin * f.nominal_Hz
                coefficients += [
                    _TWO_PI * (turns - math.floor(turns)) + f.p + d * (f.w + 0.5 * f.a * d),
                    _TWO_PI * f.nominal_Hz + f.w + f.a * d,
                    0.5 * f.a,
                ]
        phase = np.array(coefficients).reshape(b - a, len(families), 3) @ self._powers
        base = st.base[a:b]
        np.cos(phase, out=base.real)
        np.sin(phase, out=base.imag)

    def _smooth(self, a: int, b: int, lo: int) -> tuple[list[bool], list[bool]]:
        """For rows lo..b-1: all there and without a jump far beyond what mains and noise do from one sample to the
        next; the same for the step from the row before. Only rows a..b-1 are looked at anew."""
        st = self._store
        v = st.v[a:b]
        step = v[:, 1:] - v[:, :-1]
        np.abs(step, out=step)
        largest = np.maximum.reduce(step, axis=1).tolist()
        total = np.add.reduce(step, axis=1).tolist()
        before = st.v[a - 1 : b - 1, -1].tolist() if a > 0 else [math.inf, *st.v[: b - 1, -1].tolist()]
        limits = []
        each = zip(range(a, b), largest, total, v[:, 0].tolist(), before, strict=True)
        for row, jump, way, here, there in each:
            limit = 6.0 * (way - jump) / (st.slots - 2) + 1e-12
            limits.append(limit)
            st.even[row] = jump <= limit
            st.even_edge[row] = abs(here - there) <= limit
        st.jump_limit[a:b] = limits
        slots, counts = st.slots, st.counts[lo:b, USABLE].tolist()
        return (
            [even and count == slots for even, count in zip(st.even[lo:b], counts, strict=True)],
            st.even_edge[lo:b],
        )

    def _disturbed(self, a: int, b: int, noise: float, memory: LineMemory, signal: tuple[float, float] | None) -> None:
        """One tracking step over rows a..b-1 with samples missing or jumps in them."""
        st = self._store
        v = st.v[a:b] if signal is None else st.v[a:b] - np.matmul(signal, st.columns[a:b, REF : QUAD + 1])
        v, weight = v.ravel(), st.usable[a:b].ravel().astype(float)
        step = np.abs(np.diff(v)) * (weight[1:] > 0) * (weight[:-1] > 0)
        jumps = np.flatnonzero(step > np.repeat(st.jump_limit[a:b], st.slots)[1:]) + 1
        known = [
            (f, k, float(memory.mean[2 * j]), float(memory.mean[2 * j + 1]))
            for j, (f, k) in enumerate(memory.lines)
            if k > 1
        ]
        t: FloatArray = (np.arange(a + st.first, b + st.first)[:, None] * self._hop_s + self._slot_s).ravel()
        self._tracker.step_weighted(t, v, weight, noise, jumps, known)
