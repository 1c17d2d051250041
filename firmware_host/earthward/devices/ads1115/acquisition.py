"""What the three ways of pacing share: the chip, the samples, the range, and when to give up."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Protocol

from earthward.clock import Clock
from earthward.devices.ads1115.chip import Chip, Pacing
from earthward.devices.ads1115.ranges import better_gain
from earthward.devices.ads1115.samples import BLOCK_S, Samples

#: failed reads in a row that are taken for chance
EXCUSED = 3
#: how often an input is looked at against the converter's 0 V, which of several looks in a row is taken, and how far
#: from mid-supply it may lie (hardware/receiver_front_end: 0.08 V with the reference contact, 1.8 V without)
REFERENCE_EVERY_S, REFERENCE_LOOKS, REFERENCE_OFF_V = 2.0, 3, 0.5
#: The same while one pair is read freely: that is interrupted for it, so it is done seldom, and one look decides.
FREE_REFERENCE_EVERY_S = 30.0
#: ... and not at all for so long where the machine was too busy to go on in step
LOOK_AGAIN_S = 600.0
#: its supply (hardware/receiver_front_end)
SUPPLY_V = 3.3
#: how long a ready wire without pulses is not looked at again
READY_DEAD_S = 20.0


class Ready(Protocol):
    """The ready line as `earthward.devices.gpio.EdgePin` gives it: numbered, stamped edges."""

    @property
    def edges(self) -> int:
        """Number of the newest edge."""
        ...

    def wait(self, timeout_s: float) -> tuple[int, float] | None:
        """(number, time) of the newest edge that was not given yet; None if there is none in so many real seconds."""
        ...


class Acquisition:
    """Lives as long as the reader; everything here belongs to the reading thread.

    up: called with a remark (or "") whenever a block has proven that the chip is set as it should be.
    """

    def __init__(
        self,
        chip: Chip,
        clock: Clock,
        samples: Samples,
        ready: Ready | None,
        stop: threading.Event,
        up: Callable[[str], None],
    ) -> None:
        self.chip = chip
        self.clock = clock
        self.samples = samples
        self.ready = ready
        self.stop = stop
        self._up = up
        self.settings = chip.settings
        self.pacing: Pacing = ""
        self.errors = self.range_changes = 0
        self.ready_dead_until_s = -1e9
        self._changed_s = 0.0
        self.failures = 0
        self._reference_s = self._opened_s = -1e9
        self._off_V: deque[float] = deque(maxlen=REFERENCE_LOOKS)

    @property
    def reference_lost(self) -> bool:
        """The inputs lie away from mid-supply time after time: the water's voltage does not reach the receiver."""
        return len(self._off_V) == REFERENCE_LOOKS and min(self._off_V) > REFERENCE_OFF_V

    def look_at_reference(self) -> bool:
        """Of an idle chip, now and then: how far is an input from mid-supply? True if a look was taken."""
        now = self.clock.now()
        if now - self._reference_s < REFERENCE_EVERY_S:
            return False
        self._reference_s = now
        self._off_V.append(abs(self.chip.input_V(0) - SUPPLY_V / 2))
        return True

    def free_look_due(self) -> bool:
        """Time to interrupt free running for a look at the reference contact?"""
        since_s = self.clock.now() - max(self._reference_s, self._opened_s)
        return self.settings.free_looks and since_s >= FREE_REFERENCE_EVERY_S

    def give_up_looking(self) -> None:
        """Free running could not be started again in step: no such look for a while."""
        self._reference_s = self.clock.now() + LOOK_AGAIN_S

    def look_from_idle(self) -> None:
        """Of an idle chip that ran freely: the middle one of three conversions speaks for itself."""
        self._reference_s = self.clock.now()
        off_V = sorted(abs(self.chip.input_V(0) - SUPPLY_V / 2) for _ in range(REFERENCE_LOOKS))
        self._off_V.extend([off_V[REFERENCE_LOOKS // 2]] * REFERENCE_LOOKS)

    def open(self) -> None:
        """Set the chip up for the best pacing there is at the moment."""
        single = len(self.chip.muxes) == 1
        use_ready = self.ready is not None and single and self.clock.now() >= self.ready_dead_until_s
        self.chip.open(use_ready)
        self.pacing = "single shot" if not single else "ready wire" if use_ready else "rate"
        now = self.clock.now()
        samples = self.samples
        # Conversions that ran while nobody looked count as lost, at the nominal rate: an honest estimate, and the
        # jump tells everybody downstream that time went by.
        if samples.index >= 0:
            samples.index += 1 + round((now - samples.last_sample_s) * self.settings.channel_rate_Hz)
        else:
            samples.index = 0
        self._changed_s = self._opened_s = now
        self.failures = 0
        samples.begin(now)

    def excuse(self, error: OSError) -> None:
        """A read failed: go on, or raise the error if too many did in a row."""
        self.failures += 1
        self.errors += 1
        if self.failures > EXCUSED:
            raise error

    def read_well(self) -> None:
        self.failures = 0

    def close_block(self, note: str = "") -> bool:
        """Hand a block on after the chip's settings have been proven, and choose the range. True if it was changed."""
        self._up(note)
        self.samples.emit()
        return self._choose_range()

    def _choose_range(self) -> bool:
        if self.settings.full_scale_V is not None:
            return False
        now = self.clock.now()
        gain = better_gain(
            self.chip.gain,
            self.samples.peaks,
            now,
            clipped=now - self.samples.saturated_s < BLOCK_S / 2,
            since_change_s=now - self._changed_s,
        )
        if gain is None:
            return False
        self.chip.set_gain(gain)
        self._changed_s = self.clock.now()
        self.samples.peaks.clear()
        self.samples.mark_changed()
        self.range_changes += 1
        return True
