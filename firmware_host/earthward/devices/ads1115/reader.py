"""The reader of one chip: a thread that acquires, a thread that watches it, and the status judged from outside both.

Acquisition runs in its own thread, because the driver waits for ever on a stuck bus.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from earthward.clock import Clock
from earthward.devices.ads1115 import by_edges, by_rate, by_starts
from earthward.devices.ads1115.acquisition import Acquisition, Ready
from earthward.devices.ads1115.chip import AdcSettings, Bus, Chip, ChipError
from earthward.devices.ads1115.ranges import WIDEST_GAIN
from earthward.devices.ads1115.samples import Samples
from earthward.devices.ads1115.status import AdcStatus
from earthward.signal.types import BlockGrid, SampleBlock, SampleFlag

log = logging.getLogger(__name__)

STALL_S = 0.25
REFERENCE_LOST = (
    "The reference contact does not reach the water: check the ring on the pole head, its lead (the cable's screen) "
    "and pin 3 of the plug. Readings may be false until then."
)
RETRY_S = 0.25

_ACQUIRE = {"ready wire": by_edges.acquire, "rate": by_rate.acquire, "single shot": by_starts.acquire}


class AdcReader:
    """One chip, read in its own thread. Context manager.

    Args:
        bus: an I2C bus object.
        clock: host time.
        settings: wiring and use.
        ready: the ready line, or None to pace by the rate.
        on_block: called in the reader's thread for each block; it must be quick. What it raises is contained, and told
            in the status. Without it use `drain()`.
        on_status: called from the watchdog when `ok` or `text` changes.
        keep: how many blocks `drain()` may fall behind before the oldest are dropped (and counted).
        urgent: ask the kernel to run the reader's thread before ordinary ones (SCHED_FIFO): it has 1.2 ms for each
            conversion and needs a twentieth of a core. Without the right to do so it runs as an ordinary thread.
        quick: see `Chip`; None: every read goes through the driver.
    """

    def __init__(
        self,
        bus: Bus,
        clock: Clock,
        settings: AdcSettings | None = None,
        ready: Ready | None = None,
        *,
        on_block: Callable[[SampleBlock], None] | None = None,
        on_status: Callable[[AdcStatus], None] | None = None,
        keep: int = 256,
        urgent: bool = True,
        quick: Callable[[int], Callable[[], bytes]] | None = None,
    ) -> None:
        self.settings = settings or AdcSettings()
        self._clock = clock
        self._urgent = urgent
        self._on_status = on_status
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._chip = Chip(bus, clock, self.settings, quick)
        self._samples = Samples(self._chip, clock, on_block, keep)
        self._acquisition = Acquisition(self._chip, clock, self._samples, ready, self._stop, self._mark_up)
        self._lock = threading.Lock()
        self._trouble = ""
        """Why the converter is not up; empty while it is being set up for the first time."""
        self._note = ""
        self._up = False
        self._restarts = 0

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._threads:
            return
        self._stop.clear()
        self._samples.last_sample_s = self._clock.now()
        name = f"adc-{self.settings.address:#x}"
        self._threads = [
            threading.Thread(target=self._run, name=name, daemon=True),
            threading.Thread(target=self._watch, name=f"{name}-watchdog", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Stop. A thread that hangs inside the kernel is left behind; it is a daemon thread."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=2.0)
        self._threads = []

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def drain(self) -> list[SampleBlock]:
        """All blocks since the last call, oldest first."""
        return self._samples.drain()

    def end_blocks(self, grid: BlockGrid) -> None:
        """Blocks are to end there from now on: whoever works on them has then nothing left over."""
        self._samples.grid = grid

    # ---- status, judged from outside the thread -----------------------------------------------------------

    @property
    def status(self) -> AdcStatus:
        now = self._clock.now()
        samples = self._samples
        age = now - samples.last_sample_s
        stalled = age > max(STALL_S, 3.0 / self.settings.channel_rate_Hz)
        saturated = now - samples.saturated_s < 0.5
        rate, lost_fraction = samples.rate_and_losses()
        with self._lock:
            up, trouble, note = self._up, self._trouble, self._note
        if not up:
            ok, text = False, trouble or "The converter is being set up."
        elif stalled:
            ok, text = False, f"No sample from the converter for {age:.1f} s: check its wires and supply."
        elif samples.receiver_failing(now):
            ok, text = False, f"The converter delivers samples, but what takes them fails ({samples.receiver_trouble})."
        elif self._acquisition.reference_lost:
            ok, text = False, REFERENCE_LOST
        elif saturated and self._chip.gain == self._widest_gain():
            ok, text = False, "The input is larger than the converter's range: check that the pair is in the water."
        elif lost_fraction > 0.1:
            ok, text = False, f"{lost_fraction:.0%} of the samples are lost: the computer or the bus is overloaded."
        else:
            ok, text = True, note or "The converter delivers samples."
        return AdcStatus(
            ok=ok,
            text=text,
            stalled=stalled,
            pacing=self._acquisition.pacing,
            rate_Hz=rate,
            lost_fraction=lost_fraction,
            lost=samples.lost,
            repeats=samples.repeats,
            errors=self._acquisition.errors,
            restarts=self._restarts,
            range_changes=self._acquisition.range_changes,
            full_scale_V=self._chip.full_scale_V,
            saturated=saturated,
            last_sample_age_s=age if samples.sampled else None,
            starting=not up and not trouble,
        )

    def _widest_gain(self) -> float:
        return self._chip.gain if self.settings.full_scale_V is not None else WIDEST_GAIN

    def _watch(self) -> None:
        before: tuple[bool, str] | None = None
        text = ""
        while not self._stop.wait(0.1 / self._clock.speed):
            status = self.status
            if status.text == text:
                continue  # the same sentence says the same of `ok`
            text = status.text
            # Numbers in the sentence change all the time; say each kind of trouble once.
            key = (status.ok, "".join(c for c in status.text if not c.isdigit()))
            if key != before and not status.starting:
                before = key
                log.log(logging.INFO if status.ok else logging.WARNING, "%s", status.text)
                if self._on_status is not None:
                    try:
                        self._on_status(status)
                    except Exception:
                        log.exception("the receiver of the converter's status failed")

    # ---- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        if self._urgent:
            try:
                os.sched_setscheduler(threading.get_native_id(), os.SCHED_FIFO, os.sched_param(5))
            except OSError as error:
                log.info("the reader runs at ordinary priority (%s)", error.strerror)
        self._run_until_stopped(lambda: self._stop.wait(RETRY_S / self._clock.speed))

    def _run_until_stopped(self, pause: Callable[[], object]) -> None:
        while not self._stop.is_set():
            try:
                self._acquisition.open()
                _ACQUIRE[self._acquisition.pacing](self._acquisition)
                self._samples.emit()  # what was left when told to stop
            except (OSError, ValueError, ChipError) as error:
                self._fail(self._chip.sentence(error))
            except Exception as error:
                # A defect of ours must not end acquisition silently.
                log.exception("acquisition failed")
                self._fail(f"Acquisition failed inside the instrument ({type(error).__name__}): starting it again.")
            pause()
        self._chip.idle()

    def _mark_up(self, note: str) -> None:
        if not self._up or note != self._note:
            with self._lock:
                self._up = True
                self._note = note

    def _fail(self, text: str) -> None:
        with self._lock:
            self._up = False
            self._trouble = text
            self._restarts += 1
        # What was fetched since the last check of the chip's settings is not to be trusted.
        self._samples.emit(SampleFlag.SUSPECT)
