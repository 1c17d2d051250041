"""From blocks of samples to readings: one lock-in for each pair, told when the source came on, went off or switched.

A reading never mixes two states of the source: one whose window began before the host time from which the present
state holds is left out. The lock-in itself goes on, because what it has learnt of mains and noise still holds; so does
the delay between the board's clock and the samples, which the readings themselves tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earthward.daemon.protocol import ReadingMessage
from earthward.record.board import ElectrodeName
from earthward.record.reading import Reading
from earthward.signal.delay_tracking import DelayTracker
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.types import PhaseReference, SampleBlock

#: After a change of the source the water's charge and the converter's range settle; these samples are left out.
SETTLE_S = 0.06


@dataclass(frozen=True, slots=True)
class SourceNow:
    """What the source does: since when (host time), from which electrode, with how much current."""

    energised: bool
    since_s: float
    electrode: ElectrodeName = "A"
    current_A: float | None = None


class Detection:
    """The lock-ins of all pairs. Not thread-safe: one owner."""

    def __init__(self, make_settings: Callable[[int], DetectorSettings], channels: int, spacing_m: float) -> None:
        self._make_settings = make_settings
        self._spacing_m = spacing_m
        self._source = SourceNow(False, 0.0)
        self._make_detectors(channels)
        self._number = 0
        self.latest: dict[int, ReadingMessage] = {}

    def _make_detectors(self, channels: int) -> None:
        settings = [self._make_settings(channel) for channel in range(channels)]
        self._detectors = [Detector(s) for s in settings]
        self._delays = [DelayTracker(s.waveform) for s in settings]
        #: Each lock-in is to forget its signal when the first sample from then on comes.
        self._reset_from_s = [math.inf] * channels

    def detector(self, channel: int = 0) -> Detector:
        return self._detectors[channel]

    @property
    def detectors(self) -> list[Detector]:
        """Of all pairs, in their order."""
        return list(self._detectors)

    @property
    def source(self) -> SourceNow:
        return self._source

    def set_source(self, source: SourceNow) -> None:
        """Tell of the source; after a change of state or electrode no older reading counts."""
        old, self._source = self._source, source
        if (old.energised, old.electrode, old.since_s) != (source.energised, source.electrode, source.since_s):
            self.latest.clear()
        if source.energised and (old.energised, old.electrode) != (True, source.electrode):
            # Another electrode is another signal, and one that comes on starts its code anew.
            self._reset_from_s = [source.since_s + SETTLE_S] * len(self._detectors)

    def rebuild(self) -> None:
        """Fresh lock-ins after a change of settings (frequency, window)."""
        self._make_detectors(len(self._detectors))
        self.latest.clear()

    def push(self, block: SampleBlock, reference: PhaseReference | None, now_s: float) -> list[ReadingMessage]:
        """Readings that this block completes; none while the source is off."""
        source = self._source
        if not source.energised:
            return []
        pure_s = source.since_s + SETTLE_S
        out = []
        detector, delay = self._detectors[block.channel], self._delays[block.channel]
        if reference is None:
            delay.reset()
        else:
            reference = delay.apply(reference)
        for reading in self._locked_in(block, detector, reference):
            if reading.t_s - reading.window_s / 2 < pure_s:
                continue
            if reference is not None:
                rate_Hz = detector.sample_rate_Hz
                span = 0.0 if rate_Hz is None else reference.frequency_Hz / rate_Hz
                delay.learn(reading, reference.frequency_Hz, span)
            message = self._message(reading, source, now_s)
            self.latest[block.channel] = message
            out.append(message)
        return out

    def _locked_in(self, block: SampleBlock, detector: Detector, reference: PhaseReference | None) -> list[Reading]:
        """The block through its lock-in, which forgets its signal just before the first sample that is to count."""
        reset_s = self._reset_from_s[block.channel]
        if not len(block) or float(block.t_s[-1]) < reset_s:
            return detector.push(block, reference)
        self._reset_from_s[block.channel] = math.inf
        first = int(np.searchsorted(block.t_s, reset_s))
        if first:
            # Readings of the samples before are left out anyway; the lock-in learns of mains and noise from them.
            detector.push(block.part(0, first), reference)
            block = block.part(first, len(block))
        detector.reset()
        return detector.push(block, reference)

    def _message(self, reading: Reading, source: SourceNow, now_s: float) -> ReadingMessage:
        self._number += 1
        value, current = _plain(reading.value_V), source.current_A
        return ReadingMessage(
            number=self._number,
            t_s=float(reading.t_s),
            age_s=max(0.0, now_s - float(reading.newest_s)),
            window_s=float(reading.window_s),
            newest_s=float(reading.newest_s),
            value_V=value,
            quadrature_V=_plain(reading.quadrature_V),
            sigma_V=_plain(reading.sigma_V),
            snr=_plain(reading.snr),
            p_sign=_plain(reading.p_sign),
            lost_fraction=float(reading.lost_fraction),
            flags=tuple(reading.flags),
            channel=reading.channel,
            source_id=0 if source.electrode == "A" else 1,
            spacing_m=self._spacing_m,
            current_A=current,
            gradient_V_per_m=None if value is None else value / self._spacing_m,
            transfer_ohm=None if value is None or not current else value / current,
        )


def _plain(value: float | None) -> float | None:
    """Numpy's numbers are no JSON; and a reading without a finite value has none."""
    return None if value is None or not math.isfinite(value) else float(value)
