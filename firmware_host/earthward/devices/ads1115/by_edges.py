"""Pacing by the ready wire: every conversion makes an edge; the newest is fetched before the next can replace it."""

from __future__ import annotations

from collections import deque

from earthward.devices.ads1115.acquisition import READY_DEAD_S, Acquisition
from earthward.devices.ads1115.chip import ChipError, slowest_conversion_s
from earthward.devices.ads1115.ranges import WIDEN_CODE

#: conversions after a change of settings that may still be of the old ones
SETTLE_CONVERSIONS = 2


#: edges from which the grid of the conversions' ends is known; how late a restart may be, part of a conversion, and how
#: often it is tried to be in time
GRID_EDGES = 430
IN_TIME, TRIES = 0.15, 4


class _Grid:
    """When conversions end: from the stamps of their edges, of which the earliest are believed."""

    def __init__(self) -> None:
        self._edges: deque[tuple[int, float]] = deque(maxlen=GRID_EDGES)

    def note(self, number: int, at_s: float) -> None:
        self._edges.append((number, at_s))

    def line(self) -> tuple[float, float] | None:
        """End of number 0, and period; None while too few are known."""
        if len(self._edges) < GRID_EDGES:
            return None
        (n0, t0), (n1, t1) = self._edges[0], self._edges[-1]
        period_s = (t1 - t0) / (n1 - n0)
        return min(t - n * period_s for n, t in self._edges), period_s


def _look(a: Acquisition, grid: _Grid) -> int | None:
    """Interrupt free running for a look at the reference contact, and start again so that conversions end where they
    would have ended. By how much the numbers of the edges are behind those of the conversions then; None: no look."""
    line = grid.line()
    if line is None or a.ready is None:
        return None
    zero_s, period_s = line
    chip, clock = a.chip, a.clock
    idle_s = 1.05 * slowest_conversion_s(a.settings)
    telling_s = chip.pause()
    clock.sleep(idle_s)
    a.look_from_idle()
    for _ in range(TRIES):
        # Its start must be heard in full before the moment, with time to sleep up to it.
        number = int((clock.now() + telling_s + 0.5 * period_s - zero_s) / period_s) + 2
        start_s = zero_s + (number - 1) * period_s
        clock.sleep(max(0.0, start_s - telling_s - clock.now()))
        edges = a.ready.edges
        late_s = chip.run_free() - start_s
        if abs(late_s) < IN_TIME * period_s:
            return number - edges - 1
        chip.pause()
        clock.sleep(idle_s)
    a.give_up_looking()
    raise ChipError("The converter could not be started again in step with its own samples: it is being set up again.")


def acquire(a: Acquisition) -> None:
    """Until told to stop; OSError or ChipError when the chip must be set up again."""
    ready, clock, chip, samples = a.ready, a.clock, a.chip, a.samples
    assert ready is not None
    now, newest, wait, take = clock.now, chip.newest, ready.wait, samples.take
    base = samples.index - ready.edges
    skip_to = ready.edges + SETTLE_CONVERSIONS + 1
    patience_s = max(0.1, 4.0 / a.settings.rate)
    readable_s = 0.97 / a.settings.rate
    silent_since, wait_s, stopped = now(), patience_s / clock.speed, a.stop.is_set
    grid, looks = _Grid(), a.settings.free_looks
    while not stopped():
        edge = wait(wait_s)
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
        if looks:
            grid.note(number, at)
        try:
            code = newest()
        except OSError as error:
            a.excuse(error)
            continue
        if a.failures:
            a.read_well()
        done = now()
        if number < skip_to:
            continue  # still of the settings before
        # A further edge, or the time for one, has come while reading: this may be the next conversion's value.
        if done - at > readable_s or ready.edges != number:
            samples.repeats += 1
            continue
        samples.index = base + number
        take(0, samples.index, at, code)
        if not -WIDEN_CODE <= code <= WIDEN_CODE or samples.due(done):
            chip.verify()
            if a.close_block():
                skip_to = ready.edges + SETTLE_CONVERSIONS + 1
            elif a.free_look_due() and (behind := _look(a, grid)) is not None:
                base += behind
                skip_to = ready.edges + SETTLE_CONVERSIONS + 1
                grid = _Grid()
                silent_since = now()
