"""Amplitude-modulated mains shows in its second sideband.

A modulation puts two equal sidebands around the mains line. One may fall on a line of the waveform and pass for
signal; the other, at twice the mains frequency less that line, coincides with no line of the waveform. The amplitude
found there bounds what the first sideband may add to the value.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from earthward.record.waveform import WaveformName
from earthward.signal import waveforms
from earthward.signal.equations import Solution, sum_windows
from earthward.signal.hops import SIDEBANDS, HopStore
from earthward.signal.mains import MainsTracker
from earthward.signal.types import FloatArray
from earthward.signal.whitening import Whitener

#: Hops whose influences scatter by so much over what noise makes hold a change of the signal itself.
CHANGES = 6.0
#: Windows over which a sideband's complex amplitude is averaged: a modulation that falls on a line of the waveform
#: keeps its phase from window to window; the errors of the mains tracker do not, and scatter in the quadrature alike.
COHERENT_WINDOWS = 3.0
#: Sideband power over its mean that noise alone practically never reaches.
OUT_OF_NOISE = 12.0


class SidebandMonitor:
    """Keeps, hop by hop, the residual's amplitude at the sidebands opposite the waveform's strong lines."""

    def __init__(self, waveform: WaveformName, store: HopStore, hops: int) -> None:
        self._waveform, self._store, self._hops = waveform, store, hops
        self._changed_hop = -(2**62)
        #: Mean of the windows' amplitudes, and how many stand behind it.
        self._mean: FloatArray = np.zeros(store.sidebands.shape[1:])
        self._count = 0.0
        self._step = 0.0
        self._span = -1.0
        self._lines: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._share: FloatArray = np.zeros(0)
        #: Over the power of the noise's own colour there, (families, sidebands).
        self._against: FloatArray = np.ones(store.sidebands.shape[2:])
        self._place: FloatArray = np.arange(store.slots, dtype=np.float64) - store.slots // 2
        self._table: NDArray[np.complex128] = np.zeros((store.slots, 0), dtype=complex)
        self._turn: NDArray[np.complex128] = np.zeros(0, dtype=complex)

    def against(self, whitener: Whitener, mains_turns: list[float], plain: list[bool]) -> None:
        """The noise has this colour; fundamentals in radians per conversion; plain: supplies beyond doubt.

        The colour of a plain supply's surroundings may be its own modulation, and is no excuse for it.
        """
        self._against[:] = 1.0
        if not whitener.white and self._step > 0 and not all(plain):
            here = np.subtract.outer(2.0 * np.array(mains_turns), 2.0 * np.pi * self._step * self._lines)
            humps = whitener.density(here)
            humps[plain] = 1.0
            self._against[:, : self._lines.size] = 1.0 / np.maximum(humps, 1.0)

    def pause(self) -> None:
        """No mains worth checking in this window."""
        self._count = 0.0

    def _follow(self, windows: FloatArray) -> list[FloatArray]:
        """The sidebands' mean amplitudes (2, families, sidebands) after each of the windows."""
        keep = 1.0 - 1.0 / (COHERENT_WINDOWS * self._hops)
        out = []
        for window in windows:
            self._count = keep * self._count + 1.0
            self._mean = self._mean + (window - self._mean) / self._count
            out.append(self._mean)
        return out

    def _at(self, span: float) -> None:
        if span != self._span:
            self._span = span
            self._lines, self._share = waveforms.strong_lines(self._waveform, span, SIDEBANDS)

    def keep(self, a: int, b: int, rest: FloatArray) -> None:
        """Project residuals (rows, slots) of rows a..b-1."""
        st = self._store
        self._at(float(st.span[b - 1]))
        lines = self._lines
        step = float(st.phase[a, -1] - st.phase[a, 0]) / (st.slots - 1)
        if self._table.shape[1] != lines.size or abs(step - self._step) > 1e-6 * step:
            # Within a hop the phase runs evenly, and at the same pace from hop to hop.
            self._step = step
            self._turn = np.asarray(-2j * np.pi * lines, dtype=np.complex128)
            self._table = np.exp(step * self._place[:, None] * self._turn)
        base = st.base[a:b]
        turned = base * base
        if not st.all_there(a, b):
            rest = rest * st.weight[a:b]
        turned *= rest[:, None]
        start = np.exp(st.phase[a:b, st.slots // 2, None] * self._turn)
        amplitudes = np.matmul(turned, self._table)
        amplitudes *= start[:, None]
        st.sidebands[a:b, 0, :, : lines.size] = amplitudes.real
        st.sidebands[a:b, 1, :, : lines.size] = amplitudes.imag

    def estimate(
        self,
        a: int,
        solutions: list[Solution | None],
        whole: FloatArray,
        scatter: list[float],
        tracker: MainsTracker,
        newest_rest: FloatArray | None,
    ) -> list[float]:
        """Volts by which modulated mains may falsify the value, for windows ending with rows a, a + 1, ...

        whole (windows, hops, width): what, times the hops' columns, gives the residual; scatter: of the hops'
        influences; newest_rest (windows, slots): the residual of each window's newest hop, if known. It is examined
        once and kept; but what was kept while the signal itself changed within the window (a pole that moves) is no
        modulation, and is computed again afterwards.
        """
        st, n, r = self._store, self._hops, len(solutions)
        b = a + r
        self._at(float(st.span[b - 1]))
        share = self._share
        self.keep(a, b, np.matmul(whole[:, -1:], st.columns[a:b])[:, 0] if newest_rest is None else newest_rest)
        windows = sum_windows(st.sidebands[a - n + 1 : b], n)
        for i, change in enumerate(scatter):
            if change > CHANGES:
                self._changed_hop = st.first + a + i
            elif st.first + a + i - self._changed_hop < n:
                rows = slice(a + i - n + 1, a + i + 1)
                self.keep(rows.start, rows.stop, np.matmul(whole[i][:, None], st.columns[rows])[:, 0])
                windows[i] = st.sidebands[rows].sum(axis=0)
        size2 = np.add.reduce(windows * windows, axis=1)
        locked = [f.locked for f in tracker.families]
        if not all(locked):
            size2[:, [not x for x in locked]] = 0.0
        means = self._follow(windows)
        limits = [np.inf if x is None else OUT_OF_NOISE * x.noise**2 * x.samples for x in solutions]
        relative = size2 * self._against
        if relative.item(relative.argmax()) <= min(limits):
            return [0.0] * r
        coherent = np.add.reduce(np.square(means), axis=1)
        above = (relative > np.array(limits)[:, None, None]) * coherent
        power = (above[..., : share.size] @ share).sum(axis=1).tolist()
        return [0.0 if x is None else 2.0 * p**0.5 / x.samples for p, x in zip(power, solutions, strict=True)]
