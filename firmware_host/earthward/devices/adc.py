"""Reading an ADS1115 or ADS1015 without losing, doubling or inventing a sample.

The unmodified Adafruit driver does the talking; this module decides *when*. The chip keeps only its newest
conversion, so each must be fetched between its end and the next one's:

- with the ready wire, every conversion makes a numbered, stamped edge; the reader drains the edges, fetches the
  newest, and drops a value that a further edge might have replaced meanwhile;
- without it, conversions are paced by their estimated rate and phase (`earthward.devices.pacing`);
- for a crossed pair on the *same* chip conversions are started one by one on alternating inputs.

Each sample has the number of its conversion, so whatever was missed is a jump of the index, never a guess. The
chip's configuration is read back before each block is handed on: a chip that reset itself looks healthy otherwise.

Acquisition runs in its own thread, because the driver waits for ever on a stuck bus; `status` is judged from
outside that thread.
"""

from __future__ import annotations

import errno
import logging
import os
import queue
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Literal, Protocol, Self

import numpy as np
from adafruit_ads1x15 import ADS1015, ADS1115
from adafruit_ads1x15.ads1x15 import Mode
from adafruit_bus_device.i2c_device import I2CDevice

from earthward.clock import Clock
from earthward.devices.pacing import RatePacer
from earthward.errors import InputError
from earthward.signal.types import SampleBlock, SampleFlag

log = logging.getLogger(__name__)

#: driver gain -> full scale at the converter, volts (data sheet)
FULL_SCALE_V: dict[float, float] = {2 / 3: 6.144, 1: 4.096, 2: 2.048, 4: 1.024, 8: 0.512, 16: 0.256}
_GAIN_BITS = {2 / 3: 0x0000, 1: 0x0200, 2: 0x0400, 4: 0x0600, 8: 0x0800, 16: 0x0A00}
_MUX = {(0, 1): 0, (0, 3): 1, (1, 3): 2, (2, 3): 3}
_CONFIG_REGISTER = 1
_START = 0x8000
_SINGLE = 0x0100

STALL_S = 0.25
BLOCK_S = 0.04
BLOCK_SAMPLES = 40
#: longest that one conversation with the chip may take before it is given up
TALK_S = 0.1
RETRY_S = 0.25
#: widen at once above this share of full scale ...
WIDEN_AT = 0.90
#: ... and narrow only when the narrower range would have been used no more than this for NARROW_S
NARROW_AT = 0.45
NARROW_S = 2.0
#: conversions after a change of settings that may still be of the old ones
SETTLE_CONVERSIONS = 2

ChipName = Literal["ADS1115", "ADS1015"]


class Bus(Protocol):
    """What a CircuitPython I2C bus object offers (`adafruit_extended_bus.ExtendedI2C`, `busio.I2C`)."""

    def try_lock(self) -> bool: ...
    def unlock(self) -> None: ...
    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None: ...
    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None: ...
    @property
    def writeto_then_readfrom(self) -> Callable[..., None]: ...


class Ready(Protocol):
    """The ready line as `earthward.devices.gpio.EdgePin` gives it: numbered, stamped edges."""

    edges: int
    queue: queue.SimpleQueue[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class AdcSettings:
    """How one chip is wired and used.

    pair: inputs (back electrode, front electrode), so that > 0 means current flows from back towards front.
    crossed_pair: second differential input of the same chip; both channels then share about 480 conversions/s.
    front_end_gain: of an instrumentation amplifier before the chip; taken out of all volts.
    full_scale_V: a fixed range at the converter; None = automatic.
    channel: number put into the blocks; a crossed pair of the same chip gets channel + 1.
    """

    chip: ChipName = "ADS1115"
    address: int = 0x48
    rate: int = 860
    pair: tuple[int, int] = (0, 1)
    crossed_pair: tuple[int, int] | None = None
    front_end_gain: float = 1.0
    full_scale_V: float | None = None
    channel: int = 0

    def __post_init__(self) -> None:
        rates = (8, 16, 32, 64, 128, 250, 475, 860) if self.chip == "ADS1115" else (
            128, 250, 490, 920, 1600, 2400, 3300
        )  # fmt: skip
        if self.rate not in rates:
            raise InputError(f"The {self.chip} has no rate of {self.rate} samples/s: choose one of {rates}.")
        for pair in (self.pair, self.crossed_pair):
            if pair is not None and pair not in _MUX:
                raise InputError(f"The inputs {pair} are no differential pair of the chip: use one of {list(_MUX)}.")
        if self.full_scale_V is not None and self.full_scale_V not in FULL_SCALE_V.values():
            known = sorted(FULL_SCALE_V.values())
            raise InputError(f"The converter has no range of {self.full_scale_V} V: choose one of {known}.")
        if not self.front_end_gain > 0:
            raise InputError(f"A front-end gain of {self.front_end_gain} is not possible: it must be positive.")


@dataclass(frozen=True, slots=True)
class AdcStatus:
    """How acquisition is. `text` is one plain sentence."""

    ok: bool
    text: str
    stalled: bool = False
    pacing: Literal["", "ready wire", "rate", "single shot"] = ""
    rate_Hz: float | None = None
    """Measured, of one channel."""
    lost_fraction: float = 0.0
    """Share of conversions of the last seconds that were not fetched."""
    lost: int = 0
    """... and their number since the start."""
    repeats: int = 0
    """Reads that were thrown away because they might have shown another conversion than the numbered one."""
    errors: int = 0
    restarts: int = 0
    """How often the chip had to be set up again."""
    range_changes: int = 0
    full_scale_V: float | None = None
    """At the pair."""
    saturated: bool = False
    last_sample_age_s: float | None = None
    starting: bool = False
    """It is being set up for the first time: not ok yet, and no fault either."""


class ChipError(Exception):
    """The chip or its bus is in trouble; the message is one plain sentence."""


class _DeadlineBus:
    """Stands between driver and bus, so that the driver's endless loops end: past the deadline every call raises."""

    def __init__(self, bus: Bus, clock: Clock) -> None:
        self._bus = bus
        self._clock = clock
        self.deadline_s = float("inf")

    def allow(self, seconds: float) -> None:
        self.deadline_s = self._clock.now() + seconds

    def _check(self, what: str) -> None:
        if self._clock.now() > self.deadline_s:
            raise ChipError(what)

    def try_lock(self) -> bool:
        if self._bus.try_lock():
            return True
        self._check("The I2C bus is held by another program or thread: stop whatever else uses the converter's bus.")
        self._clock.sleep(0.0005)
        return False

    def unlock(self) -> None:
        self._bus.unlock()

    _SLOW = "The converter does not finish its conversions: check the I2C data line and the converter's supply."

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._check(self._SLOW)
        self._bus.writeto(address, buffer, start=start, end=len(buffer) if end is None else end)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._check(self._SLOW)
        self._bus.readfrom_into(address, buffer, start=start, end=len(buffer) if end is None else end)

    def writeto_then_readfrom(self, address: int, out_buffer: Any, in_buffer: Any, **slices: Any) -> None:
        self._check(self._SLOW)
        self._bus.writeto_then_readfrom(address, out_buffer, in_buffer, **slices)


class _Channel:
    """Samples of one channel on their way into a block."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.index: list[int] = []
        self.t: list[float] = []
        self.code: list[int] = []
        self.flags: list[int] = []
        self.last_index: int | None = None
        self.next_flags = 0

    def add(self, index: int, at: float, code: int, flags: int = 0) -> int:
        """Returns how many conversions were missed before this one."""
        missed = 0
        if self.last_index is not None:
            missed = index - self.last_index - 1
            if missed:
                flags |= SampleFlag.AFTER_GAP
        self.last_index = index
        self.index.append(index)
        self.t.append(at)
        self.code.append(code)
        self.flags.append(flags | self.next_flags)
        self.next_flags = 0
        return missed

    def clear(self) -> None:
        self.index, self.t, self.code, self.flags = [], [], [], []


class AdcReader:
    """One chip, read in its own thread. Context manager; see the module's text.

    Args:
        bus: an I2C bus object; `open_bus(number)` makes one on a Pi.
        clock: host time.
        settings: wiring and use.
        ready: the ready line, or None to pace by the rate.
        on_block: called in the reader's thread for each block; without it use `drain()`.
        on_status: called from the watchdog when `ok` or `text` changes.
        keep: how many blocks `drain()` may fall behind before the oldest are dropped (and counted).
        urgent: ask the kernel to run the reader's thread before ordinary ones (SCHED_FIFO): it has 1.2 ms for each
            conversion and needs a twentieth of a core. Without the right to do so it runs as an ordinary thread.
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
    ) -> None:
        self._urgent = urgent
        self.settings = settings or AdcSettings()
        self._bus = _DeadlineBus(bus, clock)
        self._clock = clock
        # It guards against a hanging bus, which hangs in real time: a hurried clock must not shorten it.
        self._talk_s = TALK_S * max(1.0, clock.speed)
        self._ready = ready
        self._on_block = on_block
        self._on_status = on_status
        self._blocks: deque[SampleBlock] = deque(maxlen=keep)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._ads: Any = None
        self._device: Any = None
        self._gain: float = self._first_gain()
        self._mux = _MUX[self.settings.pair]
        count = 1 if self.settings.crossed_pair is None else 2
        self._channels = [_Channel(self.settings.channel + k) for k in range(count)]
        self._index = -1
        """Number of the newest conversion that was counted."""
        self._pacing: Literal["", "ready wire", "rate", "single shot"] = ""
        self._trouble = ""
        """Why the converter is not up; empty while it is being set up for the first time."""
        self._note = ""
        self._up = False
        self._last_sample_s = -1e9
        self._block_since_s = 0.0
        self._history: deque[tuple[float, int, int]] = deque(maxlen=150)  # time, conversions, fetched
        self._fetched = 0
        self._conversions = 0
        self._peaks: deque[tuple[float, int]] = deque(maxlen=400)
        self._changed_s = 0.0
        self._saturated_s = -1e9
        self._lost = self._repeats = self._errors = self._restarts = self._range_changes = 0
        self.dropped_blocks = 0
        self._ready_dead_until_s = -1e9

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._threads:
            return
        self._stop.clear()
        self._last_sample_s = self._clock.now()
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
        blocks = []
        while True:
            try:
                blocks.append(self._blocks.popleft())
            except IndexError:
                return blocks

    # ---- status, judged from outside the thread -----------------------------------------------------------

    @property
    def status(self) -> AdcStatus:
        now = self._clock.now()
        age = now - self._last_sample_s
        stalled = age > max(STALL_S, 3.0 / self._channel_rate())
        with self._lock:
            history = list(self._history)
            rate, lost_fraction = None, 0.0
            if len(history) >= 2:
                (t0, c0, f0), (t1, c1, f1) = history[0], history[-1]
                if c1 > c0:
                    lost_fraction = 1.0 - (f1 - f0) / (c1 - c0)
                    rate = (c1 - c0) / (t1 - t0) if t1 > t0 else None
            saturated = now - self._saturated_s < 0.5
            if not self._up:
                ok, text = False, self._trouble or "The converter is being set up."
            elif stalled:
                ok, text = False, f"No sample from the converter for {age:.1f} s: check its wires and supply."
            elif saturated and self._gain == self._widest():
                ok, text = False, "The input is larger than the converter's range: check that the pair is in the water."
            elif lost_fraction > 0.1:
                ok, text = False, f"{lost_fraction:.0%} of the samples are lost: the computer or the bus is overloaded."
            else:
                ok, text = True, self._note or "The converter delivers samples."
            return AdcStatus(
                ok=ok,
                text=text,
                stalled=stalled,
                pacing=self._pacing,
                rate_Hz=rate,
                lost_fraction=lost_fraction,
                lost=self._lost,
                repeats=self._repeats,
                errors=self._errors,
                restarts=self._restarts,
                range_changes=self._range_changes,
                full_scale_V=FULL_SCALE_V[self._gain] / self.settings.front_end_gain,
                saturated=saturated,
                last_sample_age_s=age if self._last_sample_s > -1e8 else None,
                starting=not self._up and not self._trouble,
            )

    def _watch(self) -> None:
        before: tuple[bool, str] | None = None
        while not self._stop.wait(0.1 / self._clock.speed):
            status = self.status
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

    def _channel_rate(self) -> float:
        return self.settings.rate if len(self._channels) == 1 else 240.0

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
                self._open()
                self._acquire()
                self._emit()  # what was left when told to stop
            except (OSError, ValueError, ChipError) as error:
                self._fail(_sentence(error, self.settings))
            except Exception as error:
                # A defect of ours must not end acquisition silently.
                log.exception("acquisition failed")
                self._fail(f"Acquisition failed inside the instrument ({type(error).__name__}): starting it again.")
            pause()
        self._power_down()

    def _power_down(self) -> None:
        """Leave the chip idle: it draws a thousandth of the current then, and makes no more ready pulses."""
        if self._device is None:
            return
        config = (self._wanted_config() | _SINGLE) & ~_START
        try:
            self._bus.allow(self._talk_s)
            with self._device as device:
                device.write(bytes((_CONFIG_REGISTER, config >> 8, config & 0xFF)))
        except (OSError, ValueError, ChipError) as error:
            log.info("the converter was not left idle: %s", _sentence(error, self.settings))

    def _fail(self, text: str) -> None:
        with self._lock:
            self._up = False
            self._trouble = text
            self._restarts += 1
        # What was fetched since the last check of the chip's settings is not to be trusted.
        try:
            self._emit(SampleFlag.SUSPECT)
        except Exception:
            log.exception("the last samples before the fault are lost")
            for channel in self._channels:
                channel.clear()

    def _open(self) -> None:
        """Set the chip up and prove it by reading its configuration back."""
        s = self.settings
        maker = ADS1115 if s.chip == "ADS1115" else ADS1015
        single = s.crossed_pair is not None
        use_ready = self._ready is not None and not single and self._clock.now() >= self._ready_dead_until_s
        self._bus.allow(1.0 + 4.0 / s.rate)
        self._ads = maker(
            self._bus,
            gain=self._gain,
            data_rate=s.rate,
            mode=Mode.SINGLE,
            # Ready pulses want the high threshold's top bit 1 and the low one's 0 (data sheet).
            comparator_queue_length=1 if use_ready else 0,
            comparator_low_threshold=0 if use_ready else -32768,
            comparator_high_threshold=-1 if use_ready else 32767,
            address=s.address,
        )
        self._device = I2CDevice(self._bus, s.address, probe=False)
        if single:
            self._pacing = "single shot"
            return
        # The driver ignores the channel once continuous: only a single-shot read sets the multiplexer.
        self._ads.read(self._mux)
        self._ads.mode = Mode.CONTINUOUS
        self._verify()
        self._pacing = "ready wire" if use_ready else "rate"

    def _wanted_config(self, mux: int | None = None) -> int:
        """What the configuration register must hold, OS bit aside."""
        config: int = (self._mux if mux is None else mux) << 12
        config |= _GAIN_BITS[self._gain] | self._ads.mode | self._ads.rate_config[self.settings.rate]
        return config | (0 if self._ads.comparator_queue_length else 3)

    def _read_config(self) -> int:
        answer = bytearray(2)
        with self._device as device:
            device.write_then_readinto(bytes((_CONFIG_REGISTER,)), answer)
        return answer[0] << 8 | answer[1]

    def _verify(self) -> None:
        """Raise ChipError if the chip is not set as it should be; leave its pointer at the result."""
        config = self._read_config() & 0x7FFF
        wanted = self._wanted_config()
        if config != wanted:
            raise ChipError(
                "The converter lost its settings (a reset, perhaps a dip of its supply): it is being set up again."
            )
        self._ads.get_last_result(False)

    def _acquire(self) -> None:
        now = self._clock.now()
        # Conversions that ran while nobody looked count as lost, at the nominal rate: an honest estimate, and the
        # jump tells everybody downstream that time went by.
        if self._index >= 0:
            self._index += 1 + round((now - self._last_sample_s) * self._channel_rate())
        else:
            self._index = 0
        for channel in self._channels:
            channel.next_flags |= SampleFlag.RANGE_CHANGED
        self._block_since_s = self._changed_s = now
        with self._lock:
            self._history.clear()
        if self._pacing == "single shot":
            self._acquire_single_shot()
        elif self._pacing == "ready wire":
            self._acquire_by_edges()
        else:
            self._acquire_by_rate()

    def _mark_up(self, note: str = "") -> None:
        if not self._up or note != self._note:
            with self._lock:
                self._up = True
                self._note = note

    # ---- with the ready wire ------------------------------------------------------------------------------

    def _acquire_by_edges(self) -> None:
        ready = self._ready
        assert ready is not None
        edges, clock, ads, bus = ready.queue, self._clock, self._ads, self._bus
        channel = self._channels[0]
        convert, result = ads._conversion_value, ads.get_last_result
        while not edges.empty():
            edges.get_nowait()
        base = self._index - ready.edges
        skip_to = ready.edges + SETTLE_CONVERSIONS + 1
        patience = max(0.1, 4.0 / self.settings.rate)
        period = 1.0 / self.settings.rate
        limit = round(WIDEN_AT * 32767)
        failures = 0
        silent_since = clock.now()
        while not self._stop.is_set():
            try:
                number, at = edges.get(timeout=patience / clock.speed)
            except queue.Empty:
                bus.allow(self._talk_s)
                self._verify()
                if clock.now() - silent_since > 2 * patience + 0.05:
                    self._ready_dead_until_s = clock.now() + 20.0
                    raise ChipError(
                        "The converter's ready wire gives no pulses: check it; samples are paced by the rate meanwhile."
                    ) from None
                continue
            try:
                # The chip has no memory: only the newest conversion can still be fetched.
                while True:
                    number, at = edges.get_nowait()
            except queue.Empty:
                pass
            silent_since = at
            bus.allow(self._talk_s)
            try:
                code = convert(result(True))
            except OSError:
                failures += 1
                self._errors += 1
                if failures >= 4:
                    raise
                continue
            done = clock.now()
            if number < skip_to:
                failures = 0
                continue  # still of the settings before
            # A further edge, or the time for one, has come while reading: this may be the next conversion's value.
            if ready.edges != number or done - at > 0.97 * period:
                self._repeats += 1
                continue
            failures = 0
            self._index = base + number
            self._take(channel, self._index, at, code)
            if (
                code > limit
                or code < -limit
                or len(channel.index) >= BLOCK_SAMPLES
                or done - self._block_since_s > BLOCK_S
            ):
                bus.allow(self._talk_s)
                self._verify()
                self._mark_up(self._note if self._ready_dead_until_s < clock.now() else "")
                self._emit()
                if self._choose_range():
                    skip_to = ready.edges + SETTLE_CONVERSIONS + 1

    # ---- by the rate --------------------------------------------------------------------------------------

    def _acquire_by_rate(self) -> None:
        clock, ads, bus = self._clock, self._ads, self._bus
        channel = self._channels[0]
        convert, result = ads._conversion_value, ads.get_last_result
        limit = round(WIDEN_AT * 32767)
        pacer = RatePacer(self.settings.rate, clock.now())
        base = self._index
        failures = 0
        skip_to = -1
        note = ""
        if self._ready is not None:
            note = "The converter delivers samples, paced by its rate: its ready wire gives no pulses."
        while not self._stop.is_set():
            wait = pacer.next_read_s(clock.now()) - clock.now()
            if wait > 0:
                clock.sleep(wait)
            bus.allow(self._talk_s)
            before = clock.now()
            try:
                code = convert(result(True))
            except OSError:
                failures += 1
                self._errors += 1
                if failures >= 4:
                    raise
                continue
            failures = 0
            done = clock.now()
            found = pacer.add(before, done, code)
            if done - self._block_since_s > BLOCK_S or code > limit or code < -limit:
                bus.allow(self._talk_s)
                self._verify()
                if not pacer.locked and not pacer.moving:
                    note_now = "The converter's input does not move at all: check that the pair is connected."
                else:
                    note_now = note
                self._mark_up(note_now)
                if self._ready is not None and clock.now() >= self._ready_dead_until_s:
                    raise ChipError("Trying the converter's ready wire again.")
            if found is not None:
                number, at = found
                if number > skip_to:
                    self._index = base + number
                    self._take(channel, self._index, at, code)
            elif pacer.locked:
                self._repeats += pacer.last_ambiguous
            if done - self._block_since_s > BLOCK_S or (channel.index and (code > limit or code < -limit)):
                self._emit()
                if self._choose_range():
                    skip_to = pacer.newest + SETTLE_CONVERSIONS

    # ---- two channels on one chip -------------------------------------------------------------------------

    def _acquire_single_shot(self) -> None:
        """Conversions started one by one on alternating inputs, fetched a slot later, each proven by its config."""
        s, clock, ads, bus = self.settings, self._clock, self._ads, self._bus
        assert s.crossed_pair is not None
        muxes = (_MUX[s.pair], _MUX[s.crossed_pair])
        # Slot: the slowest chip's conversion (rate 10 % low), wake-up and transfers.
        slot = 1.1 / s.rate + 0.7e-3
        which = 0
        base = self._index
        failures = 0
        limit = round(WIDEN_AT * 32767)
        conversion = 1.0 / s.rate
        started = self._start_single(muxes[0])
        due = started + slot
        slot_number = 0
        while not self._stop.is_set():
            wait = due - clock.now()
            if wait > 0:
                clock.sleep(wait)
            bus.allow(self._talk_s)
            channel = self._channels[which]
            try:
                config = self._read_config()
                if config & 0x7FFF != self._wanted_config(muxes[which]):
                    raise ChipError(
                        "The converter lost its settings (a reset, perhaps a dip of its supply): it is set up again."
                    )
                if config & _START:
                    code = ads._conversion_value(ads.get_last_result(False))
                elif clock.now() - started > 0.05 + 4 * conversion:
                    raise ChipError(_DeadlineBus._SLOW)
                else:
                    due = clock.now() + 0.2 * conversion  # late chip: look again
                    continue
                at = min(clock.now(), started + conversion * 1.05)
                which = 1 - which
                started = self._start_single(muxes[which])
            except OSError:
                failures += 1
                self._errors += 1
                if failures >= 4:
                    raise
                started = self._start_single(muxes[which])
                due = started + slot
                continue
            failures = 0
            # Slots missed by a late wake-up are conversions that were not made: the index jumps over them.
            late = max(0, int((clock.now() - due) / slot))
            slot_number += 1 + (late - late % 2)
            due = max(due + slot * (1 + late), started + slot)
            self._index = base + slot_number
            self._take(channel, base + slot_number // 2, at, code)
            if clock.now() - self._block_since_s > BLOCK_S or abs(code) > limit:
                self._mark_up()
                self._emit()
                if self._choose_range():
                    # The conversion under way still has the old range, and no start is taken before it has ended.
                    clock.sleep(1.3 * conversion)
                    started = self._start_single(muxes[which])
                    due = started + slot

    def _start_single(self, mux: int) -> float:
        self._bus.allow(self._talk_s)
        config = self._wanted_config(mux) | _START
        with self._device as device:
            device.write(bytes((_CONFIG_REGISTER, config >> 8, config & 0xFF)))
        return self._clock.now()

    # ---- samples to blocks --------------------------------------------------------------------------------

    def _take(self, channel: _Channel, index: int, at: float, code: int) -> None:
        if channel.last_index is not None and index <= channel.last_index:
            self._repeats += 1
            return
        missed = channel.add(index, at, code)
        self._lost += missed
        self._conversions += 1 + missed
        self._fetched += 1
        self._last_sample_s = at

    def _emit(self, extra: int = 0) -> None:
        now = self._clock.now()
        self._block_since_s = now
        scale = FULL_SCALE_V[self._gain] / self.settings.front_end_gain
        # The driver gives an ADS1015's twelve bits left-justified, as the register holds them.
        top, step = (32767, 1) if self.settings.chip == "ADS1115" else (32752, 16)
        per_code = scale / 32768
        if not any(channel.index for channel in self._channels):
            return
        peak = 0
        for channel in self._channels:
            if not channel.index:
                continue
            codes = np.array(channel.code, dtype=np.int64)
            flags = np.array(channel.flags, dtype=np.uint8)
            # "At or within one step of full scale", both ends.
            clipped = (codes >= top - step) | (codes <= -32768 + step)
            flags[clipped] |= np.uint8(SampleFlag.SATURATED)
            if extra:
                flags |= np.uint8(extra)
            if clipped.any():
                self._saturated_s = now
            peak = max(peak, int(np.abs(codes).max()))
            block = SampleBlock(
                index=np.array(channel.index, dtype=np.int64),
                t_s=np.array(channel.t),
                v_V=codes.astype(np.float64) * per_code,
                flags=flags,
                full_scale_V=scale,
                channel=channel.number,
            )
            channel.clear()
            if self._on_block is not None:
                try:
                    self._on_block(block)
                except Exception:
                    log.exception("the receiver of samples failed")
            else:
                if len(self._blocks) == self._blocks.maxlen:
                    self.dropped_blocks += 1
                self._blocks.append(block)
        self._peaks.append((now, peak))
        with self._lock:
            self._history.append((self._last_sample_s, self._conversions, self._fetched))

    # ---- range --------------------------------------------------------------------------------------------

    def _gains(self) -> list[float]:
        return sorted(FULL_SCALE_V)  # widest first

    def _widest(self) -> float:
        return self._first_gain() if self.settings.full_scale_V is not None else self._gains()[0]

    def _first_gain(self) -> float:
        fixed = self.settings.full_scale_V
        if fixed is None:
            return 8  # 0.512 V: wide enough for an electrode pair's offset, so that a start seldom clips
        return next(gain for gain, volts in FULL_SCALE_V.items() if volts == fixed)

    def _choose_range(self) -> bool:
        """Change the range if it is time to. True if it was changed."""
        if self.settings.full_scale_V is not None or not self._peaks:
            return False
        now, peak = self._peaks[-1]
        gains = self._gains()
        at = gains.index(self._gain)
        if peak > WIDEN_AT * 32767 and at > 0:
            clipped = now - self._saturated_s < BLOCK_S / 2
            self._set_gain(gains[max(0, at - (2 if clipped else 1))])
            return True
        if at + 1 >= len(gains) or now - self._changed_s < NARROW_S:
            return False
        recent = [p for t, p in self._peaks if t > now - NARROW_S]
        # A narrower range must fit with room for offset drift and mains; two steps down are taken one by one.
        if max(recent) * FULL_SCALE_V[self._gain] < NARROW_AT * 32767 * FULL_SCALE_V[gains[at + 1]]:
            self._set_gain(gains[at + 1])
            return True
        return False

    def _set_gain(self, gain: float) -> None:
        self._bus.allow(self._talk_s)
        self._ads.gain = gain
        self._gain = gain
        if self._pacing != "single shot":
            self._verify()  # also puts the chip's pointer back to the result
        self._changed_s = self._clock.now()
        self._peaks.clear()
        self._range_changes += 1
        for channel in self._channels:
            channel.next_flags |= SampleFlag.RANGE_CHANGED


def open_bus(number: int) -> Bus:
    """The Pi's I2C bus by number, for `AdcReader`. InputError if it is not there."""
    try:
        from adafruit_extended_bus import ExtendedI2C

        bus: Bus = ExtendedI2C(number)
    except (ImportError, OSError, ValueError, NotImplementedError, RuntimeError) as error:
        raise InputError(
            f"The I2C bus {number} cannot be opened ({error}): enable I2C on the Raspberry Pi and install the "
            "extra 'pi'."
        ) from error
    return bus


def _sentence(error: Exception, settings: AdcSettings) -> str:
    if isinstance(error, ChipError):
        return str(error)
    if isinstance(error, OSError) and error.errno == errno.ETIMEDOUT:
        return "The I2C bus is stuck (clock line held low): check the converter's wires, then switch it off and on."
    if isinstance(error, OSError | ValueError):
        return f"The converter at address {settings.address:#x} does not answer: check its supply and its I2C wires."
    return str(error)
