"""EMULATED output of a source board over time: a clock that is wrong, and what the output did by it.

The pool works out the voltage anywhere at any time from the `OutputTimeline`.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earthward.record.waveform import WaveformName
from earthward.signal.types import FloatArray
from earthward.signal.waveforms import integral


class BoardClock:
    """Ticks of a clock that is wrong: ticks(t) = f (1 + rate_error) t + slow sinusoidal wander.

    Args:
        nominal_Hz: what the board believes.
        rate_error: relative, up to 0.005.
        wander: relative amplitude of the slow part (temperature), period `wander_period_s`.
        start_s: host time of tick 0.
    """

    def __init__(
        self,
        nominal_Hz: float,
        rate_error: float,
        start_s: float,
        wander: float = 10e-6,
        wander_period_s: float = 240.0,
    ) -> None:
        self.nominal_Hz = nominal_Hz
        self.rate_error = rate_error
        self.start_s = start_s
        self._wander = wander
        self._omega = 2 * math.pi / wander_period_s

    def ticks(self, at_s: float) -> float:
        t = at_s - self.start_s
        slow = self._wander / self._omega * (1 - math.cos(self._omega * t))
        return self.nominal_Hz * (t * (1 + self.rate_error) + slow)

    def ticks_of(self, at_s: FloatArray) -> FloatArray:
        t = at_s - self.start_s
        slow = self._wander / self._omega * (1 - np.cos(self._omega * t))
        ticks: FloatArray = self.nominal_Hz * (t * (1 + self.rate_error) + slow)
        return ticks

    def host_s(self, tick: float) -> float:
        """Inverse of `ticks`, by Newton's rule (the slope is one to a percent: three steps reach a nanosecond)."""
        t = self.start_s + tick / self.nominal_Hz
        for _ in range(4):
            t -= (self.ticks(t) - tick) / (self.nominal_Hz * (1 + self.rate_error))
        return t


@dataclass(frozen=True, slots=True)
class OutputSegment:
    """From `from_s` on (host time) the output does this. Off: amplitude factor 0."""

    from_s: float
    on: bool
    electrode: str
    waveform: WaveformName
    origin_tick: float
    period_ticks: int
    clock: BoardClock

    def mean_over(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean of the waveform (amplitude 1) over each interval, exact."""
        if not self.on:
            return np.zeros_like(start_s)
        a = (self.clock.ticks_of(start_s) - self.origin_tick) / self.period_ticks
        b = (self.clock.ticks_of(end_s) - self.origin_tick) / self.period_ticks
        mean: FloatArray = (integral(self.waveform, b) - integral(self.waveform, a)) / (b - a)
        return mean


class OutputTimeline:
    """What the output did, newest last. `generation` counts changes, so that look-ahead can be thrown away."""

    def __init__(self, first: OutputSegment) -> None:
        self._segments: list[OutputSegment] = [first]
        self._lock = threading.Lock()
        self.generation = 0
        self.listeners: list[Callable[[], None]] = []

    def add(self, segment: OutputSegment) -> None:
        with self._lock:
            kept = [s for s in self._segments if s.from_s < segment.from_s]
            self._segments = [*kept[-24:], segment]
            self.generation += 1
        for listener in self.listeners:
            listener()

    def segments(self) -> list[OutputSegment]:
        with self._lock:
            return list(self._segments)
