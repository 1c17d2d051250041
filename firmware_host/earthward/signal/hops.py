"""What is kept of every hop: samples, columns, products."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from earthward.signal.types import FloatArray

#: First columns of a hop: data, reference, its quadrature, then the mains lines.
Y, REF, QUAD, LINES = 0, 1, 2, 3

#: What is counted of each hop.
USABLE, SATURATED, TRANSIENT, CHANGED, WEIGHT = range(5)

#: Waveform lines whose counterparts on the other side of the mains are checked for modulation, at most.
SIDEBANDS = 8


@dataclass(frozen=True)
class Layout:
    """Order of a hop's columns: data, reference, quadrature, mains lines (cosine, sine by turns), per family the
    derivative with respect to its phase ("turn"), the same times s ("bend"), and the powers 0..3 of s in [-1, 1]."""

    lines: int
    families: int

    @cached_property
    def turn(self) -> int:
        return LINES + self.lines

    @cached_property
    def bend(self) -> int:
        return self.turn + self.families

    @cached_property
    def poly(self) -> int:
        return self.bend + self.families

    @cached_property
    def width(self) -> int:
        return self.poly + 4


class HopStore:
    """Arrays over the recent hops, one row per hop, one entry per conversion slot. Row 0 is hop `first`."""

    def __init__(self, capacity: int, slots: int, families: int, taper_hops: int) -> None:
        self.capacity, self.slots = capacity, slots
        self.first = -1
        shape = (capacity, slots)
        self.v = np.zeros(shape)
        self.usable = np.zeros(shape, dtype=bool)
        self.weight = np.zeros(shape)
        self.end_s = np.zeros(shape)
        self.phase = np.zeros(shape)
        self.base = np.zeros((capacity, families, slots), dtype=complex)
        #: Tapered demodulation of the hop for each of its places in the taper.
        self.demodulated = np.zeros((capacity, taper_hops, 2 * families))
        #: Residual of the hop, when it was the newest, at the waveform lines' opposite sidebands (real, imaginary).
        self.sidebands = np.zeros((capacity, 2, families, SIDEBANDS))
        #: Steps from sample to sample beyond this are jumps, volts; no jump in the hop, nor from the one before it.
        self.jump_limit = np.zeros(capacity)
        self.even = [False] * capacity
        self.even_edge = [False] * capacity
        self.columns = np.zeros((capacity, 0, slots))
        self.products = np.zeros((capacity, 0, 0))
        #: Products of the hop's spline pieces with its columns, and with each other.
        self.spline_rows = np.zeros((capacity, 4, 0))
        self.span = np.zeros(capacity)
        #: Per hop: conversions usable, saturated, down-weighted as transients; range changed; sum of the weights.
        self.counts = np.zeros((capacity, 5))
        self.break_before = np.zeros(capacity, dtype=bool)

    def lay_out(self, layout: Layout, powers: FloatArray) -> None:
        """Empty columns and products of a new layout; powers (4, slots) are the same for every hop."""
        self.columns = np.zeros((self.capacity, layout.width, self.slots))
        self.columns[:, layout.poly :] = powers
        self.products = np.zeros((self.capacity, layout.width, layout.width))
        self.spline_rows = np.zeros((self.capacity, 4, layout.width))

    def room(self, number: int, keep_from: int) -> None:
        """Make sure that hop `number` has a row, dropping hops before `keep_from`."""
        if number - self.first < self.capacity:
            return
        cut = keep_from - self.first
        kept = self.capacity - cut
        if cut <= 0:
            raise ValueError("hop store too small")
        for array in (
            self.v, self.usable, self.weight, self.end_s, self.phase, self.base, self.demodulated, self.sidebands,
            self.jump_limit, self.columns, self.products, self.spline_rows, self.span,
            self.counts, self.break_before,
        ):  # fmt: skip
            array[:kept] = array[cut:]
        for flags in (self.even, self.even_edge):
            flags[:] = flags[cut:] + flags[:cut]
        self.counts[kept:] = 0.0
        self.sidebands[kept:] = 0.0
        self.break_before[kept:] = False
        self.first = keep_from

    def row(self, number: int) -> int:
        return number - self.first

    def all_there(self, a: int, b: int) -> bool:
        """Has every sample of rows a..b-1 its full weight?"""
        counts, slots = self.counts, self.slots
        if b - a > 8:
            return bool(counts[a:b, WEIGHT].min() == slots)
        # A minimum over so few would take longer.
        return all(counts.item(row, WEIGHT) == slots for row in range(a, b))
