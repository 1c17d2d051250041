"""Several inputs of one chip in turn: conversions started one by one, each proven by its configuration register."""

from __future__ import annotations

from earthward.devices.ads1115.acquisition import Acquisition
from earthward.devices.ads1115.chip import SLOW, ChipError
from earthward.devices.ads1115.ranges import WIDEN_CODE


def acquire(a: Acquisition) -> None:
    """Until told to stop; OSError or ChipError when the chip must be set up again."""
    clock, chip, samples, muxes = a.clock, a.chip, a.samples, a.chip.muxes
    count = len(muxes)
    # Slot: the slowest chip's conversion (rate 10 % low), wake-up and transfers.
    slot = 1.1 / a.settings.rate + 0.7e-3
    conversion = 1.0 / a.settings.rate
    base = samples.index
    which = slot_number = 0
    started = chip.start(muxes[0])
    due = started + slot
    while not a.stop.is_set():
        wait = due - clock.now()
        if wait > 0:
            clock.sleep(wait)
        try:
            code = chip.finished(muxes[which])
            if code is None:
                if clock.now() - started > 0.05 + 4 * conversion:
                    raise ChipError(SLOW)
                due = clock.now() + 0.2 * conversion  # late chip: look again
                continue
            at = min(clock.now(), started + conversion * 1.05)
            done, which = which, (which + 1) % count
            started = chip.start(muxes[which])
        except OSError as error:
            a.excuse(error)
            started = chip.start(muxes[which])
            due = started + slot
            continue
        a.read_well()
        # Slots missed by a late wake-up are conversions that were not made: the index jumps over them.
        late = max(0, int((clock.now() - due) / slot))
        slot_number += 1 + (late - late % count)
        due = max(due + slot * (1 + late), started + slot)
        samples.index = base + slot_number
        samples.take(done, base + slot_number // count, at, code)
        if (abs(code) > WIDEN_CODE or samples.due(clock.now())) and a.close_block():
            # The conversion under way still has the old range, and no start is taken before it has ended.
            clock.sleep(1.3 * conversion)
            started = chip.start(muxes[which])
            due = started + slot
