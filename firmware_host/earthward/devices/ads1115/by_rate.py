"""Pacing by the chip's estimated rate and phase, without a ready wire."""

from __future__ import annotations

from earthward.devices.ads1115.acquisition import Acquisition
from earthward.devices.ads1115.by_edges import SETTLE_CONVERSIONS
from earthward.devices.ads1115.chip import ChipError
from earthward.devices.ads1115.ranges import WIDEN_CODE
from earthward.devices.ads1115.rate_pacer import RatePacer


def acquire(a: Acquisition) -> None:
    """Until told to stop; OSError or ChipError when the chip must be set up again."""
    clock, chip, samples = a.clock, a.chip, a.samples
    pacer = RatePacer(a.settings.rate, clock.now())
    base = samples.index
    skip_to = -1
    while not a.stop.is_set():
        wait = pacer.next_read_s(clock.now()) - clock.now()
        if wait > 0:
            clock.sleep(wait)
        before = clock.now()
        try:
            code = chip.newest()
        except OSError as error:
            a.excuse(error)
            continue
        a.read_well()
        done = clock.now()
        found = pacer.add(before, done, code)
        if found is not None and found[0] > skip_to:
            samples.index = base + found[0]
            samples.take(0, samples.index, found[1], code)
        elif found is None and pacer.locked:
            samples.repeats += pacer.last_ambiguous
        wide = found is not None and not -WIDEN_CODE <= code <= WIDEN_CODE
        if wide or samples.due(done):
            chip.verify()
            if a.ready is not None and clock.now() >= a.ready_dead_until_s:
                raise ChipError("Trying the converter's ready wire again.")
            if a.close_block(_remark(pacer, a)):
                skip_to = pacer.newest + SETTLE_CONVERSIONS


def _remark(pacer: RatePacer, a: Acquisition) -> str:
    if not pacer.locked and not pacer.moving:
        return "The converter's input does not move at all: check that the pair is connected."
    if a.ready is not None:
        return "The converter delivers samples, paced by its rate: its ready wire gives no pulses."
    return ""
