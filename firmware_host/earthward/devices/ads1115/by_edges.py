"""Pacing by the ready wire: every conversion makes an edge; the newest is fetched before the next can replace it."""

from __future__ import annotations

from earthward.devices.ads1115.acquisition import READY_DEAD_S, Acquisition
from earthward.devices.ads1115.chip import ChipError
from earthward.devices.ads1115.ranges import WIDEN_CODE

#: conversions after a change of settings that may still be of the old ones
SETTLE_CONVERSIONS = 2


def acquire(a: Acquisition) -> None:
    """Until told to stop; OSError or ChipError when the chip must be set up again."""
    ready, clock, chip, samples = a.ready, a.clock, a.chip, a.samples
    assert ready is not None
    now, newest, wait, take = clock.now, chip.newest, ready.wait, samples.take
    base = samples.index - ready.edges
    skip_to = ready.edges + SETTLE_CONVERSIONS + 1
    patience_s = max(0.1, 4.0 / a.settings.rate)
    readable_s = 0.97 / a.settings.rate
    silent_since = now()
    while not a.stop.is_set():
        edge = wait(patience_s / clock.speed)
        if edge is None:
            chip.verify()
            if now() - silent_since > 2 * patience_s + 0.05:
                a.ready_dead_until_s = now() + READY_DEAD_S
                raise ChipError(
                    "The converter's ready wire gives no pulses: check it; samples are paced by the rate meanwhile."
                )
            continue
        number, at = edge
        silent_since = at
        try:
            code = newest()
        except OSError as error:
            a.excuse(error)
            continue
        a.read_well()
        done = now()
        if number < skip_to:
            continue  # still of the settings before
        # A further edge, or the time for one, has come while reading: this may be the next conversion's value.
        if ready.edges != number or done - at > readable_s:
            samples.repeats += 1
            continue
        samples.index = base + number
        take(0, samples.index, at, code)
        if not -WIDEN_CODE <= code <= WIDEN_CODE or samples.due(done):
            chip.verify()
            if a.close_block():
                skip_to = ready.edges + SETTLE_CONVERSIONS + 1
