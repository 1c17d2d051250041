"""Several inputs of one chip in turn: conversions started one by one, each proven by its configuration register.

Starts keep to a grid of slots, one conversion a slot, so that a sample's index tells its time as it does elsewhere;
what a slot lacked (a late wake-up, a failed transfer, a change of range) is a jump of the index.
"""

from __future__ import annotations

from earthward.clock import Clock
from earthward.devices.ads1115.acquisition import Acquisition
from earthward.devices.ads1115.chip import SLOW, AdcSettings, ChipError, slowest_conversion_s
from earthward.devices.ads1115.ranges import WIDEN_CODE


class _Grid:
    """due_s: when the conversion under way is to be fetched. number: of its slot."""

    def __init__(self, clock: Clock, settings: AdcSettings) -> None:
        self._clock = clock
        self._channels = len(settings.pairs)
        self._conversion_s = slowest_conversion_s(settings)
        self._slot_s = 1.0 / settings.channel_rate_Hz / self._channels
        self.number = 0
        self.due_s = clock.now() + self._slot_s

    def wait_for_slot(self, slots: int) -> None:
        """Go on by so many slots, and by whole rounds if the time for that has gone; return when its start is due."""
        self.number += slots
        self.due_s += self._slot_s * slots
        while self.due_s < self._clock.now() + self._conversion_s:
            self.number += self._channels
            self.due_s += self._slot_s * self._channels
        early_s = self.due_s - self._slot_s - self._clock.now()
        if early_s > 0:
            self._clock.sleep(early_s)


def acquire(a: Acquisition) -> None:
    """Until told to stop; OSError or ChipError when the chip must be set up again."""
    clock, chip, samples, muxes = a.clock, a.chip, a.samples, a.chip.muxes
    count = len(muxes)
    conversion_s = 1.0 / a.settings.rate
    base = samples.index
    which = 0
    grid = _Grid(clock, a.settings)
    started = chip.start(muxes[0])
    look_s = grid.due_s
    while not a.stop.is_set():
        wait = look_s - clock.now()
        if wait > 0:
            clock.sleep(wait)
        try:
            code = chip.finished(muxes[which])
            if code is None:
                if clock.now() - started > 0.05 + 4 * conversion_s:
                    raise ChipError(SLOW)
                look_s = clock.now() + 0.2 * conversion_s  # late chip: look again
                continue
            at = min(clock.now(), started + conversion_s * 1.05)
            done, slot, which = which, grid.number, (which + 1) % count
            # A look at the reference contact takes a round of slots: its samples are told as lost.
            grid.wait_for_slot(1 + count if a.look_at_reference() else 1)
            started = chip.start(muxes[which])
        except OSError as error:
            a.excuse(error)
            grid.wait_for_slot(count)
            started = chip.start(muxes[which])
            look_s = grid.due_s
            continue
        a.read_well()
        look_s = grid.due_s
        samples.index = base + slot
        samples.take(done, base + slot // count, at, code)
        if (abs(code) > WIDEN_CODE or samples.due(clock.now())) and a.close_block():
            # The conversion under way still has the old range, and no start is taken before it has ended.
            clock.sleep(1.3 * conversion_s)
            grid.wait_for_slot(count)
            started = chip.start(muxes[which])
            look_s = grid.due_s
