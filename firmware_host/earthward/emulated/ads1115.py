"""EMULATED ADS1115 / ADS1015: registers behind a fake I2C bus, as the converter's data sheet describes them.

Register numbers, bit fields, ranges and rates: ADS1115 data sheet (Texas Instruments, SBAS444) as listed in the
project's check values; noise figures from memory. The unmodified Adafruit driver talks to `FakeI2C`.

The chip runs in the bench clock's time but does nothing between bus accesses: whoever reads it makes it catch
up. Its conversions come from a `Voltage` source in chunks, computed ahead and thrown away when the world
changes (`Voltage.generation`), so that 860 conversions a second cost next to nothing. Only the ready pin needs
a thread (`ReadyPulses`).
"""

from __future__ import annotations

import errno
import logging
import threading
from collections.abc import Callable
from typing import Protocol

import numpy as np

from earthward.clock import Clock, PacedClock
from earthward.signal.types import FloatArray

log = logging.getLogger(__name__)

RATES_ADS1115 = (8, 16, 32, 64, 128, 250, 475, 860)
RATES_ADS1015 = (128, 250, 490, 920, 1600, 2400, 3300, 3300)
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
#: differential input impedance by gain code (data sheet)
INPUT_OHM = (22e6, 15e6, 4.9e6, 2.4e6, 710e3, 710e3, 710e3, 710e3)
MUX: tuple[tuple[int, int | None], ...] = (
    (0, 1), (0, 3), (1, 3), (2, 3), (0, None), (1, None), (2, None), (3, None),
)  # fmt: skip
RESET_CONFIG = 0x8583
WAKE_S = 25e-6
READY_PULSE_S = 8e-6
CHUNK = 48
#: real seconds that a bus which another thread uses is waited for
BUS_WAIT_S = 0.02

POINTER_CONVERSION, POINTER_CONFIG, POINTER_LOW, POINTER_HIGH = range(4)


class Voltage(Protocol):
    """What the chip's inputs are connected to."""

    @property
    def generation(self) -> int:
        """Grows whenever voltages after now differ from what was told before."""
        ...

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean open-circuit volts between two inputs over each interval (n,), (n,) -> (n,)."""
        ...

    @property
    def source_ohm(self) -> float:
        """Resistance in series with a pair, both legs together: it loads the chip's input."""
        ...


class SteadyVoltage:
    """Constant volts on each of the four inputs (for tests)."""

    def __init__(self, volts: tuple[float, float, float, float], source_ohm: float = 0.0) -> None:
        self.volts = volts
        self.generation = 0
        self.source_ohm = source_ohm

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        value = self.volts[positive] - (0.0 if negative is None else self.volts[negative])
        return np.full(start_s.shape, value)


class EmulatedAds:
    """One chip. `advance()` brings it up to the clock; bus accesses do that by themselves.

    Args:
        clock: bench time.
        voltage: what is at the inputs.
        rate_error: relative, -0.1..0.1: the data sheet's tolerance of the conversion rate.
        noise_V: white noise, rms per conversion at the smallest range (larger ranges: at least 0.35 LSB).
        offset_V, gain_error: input offset and relative gain error.
        kept: what a changed input keeps of the voltage before, in the first conversion after the change.
        twelve_bit: an ADS1015.
    """

    def __init__(
        self,
        clock: Clock,
        voltage: Voltage,
        *,
        rate_error: float = 0.0,
        noise_V: float = 8e-6,
        offset_V: float = 0.0,
        gain_error: float = 0.0,
        kept: float = 0.0,
        twelve_bit: bool = False,
        seed: int = 0,
    ) -> None:
        self._clock = clock
        self.voltage = voltage
        self.rate_error = rate_error
        self.noise_V = noise_V
        self.offset_V = offset_V
        self.gain_error = gain_error
        self.kept = kept
        self._before: tuple[int, float] = (-1, 0.0)  # multiplexer setting and volts of the last conversion
        self.twelve_bit = twelve_bit
        self._random = np.random.default_rng(seed)
        self.lock = threading.RLock()
        self.on_ready: Callable[[float], None] | None = None
        """Called with the time of each finished conversion while the ready pin is set up."""
        self.on_busy: Callable[[], None] | None = None
        """Called when conversions start: wakes whoever waits for `next_end_s`."""
        self.never_finishes = False
        """Fault: the OS bit stays 0 and the conversion register old."""
        self.conversions = 0
        """Finished conversions since power-up (the truth that tests compare with)."""
        self.on_fetched: Callable[[], None] | None = None
        """Called when the conversion register was read: somebody keeps up with the chip."""
        self.reset()

    # ---- chip ---------------------------------------------------------------------------------------------

    def reset(self) -> None:
        """Power-on or general-call reset: registers as in the data sheet, no conversion running."""
        with self.lock:
            self._pointer = 0
            self._result = 0
            self._config = RESET_CONFIG & 0x7FFF
            self._low, self._high = 0x8000, 0x7FFF
            self._running: int | None = None  # the configuration of the conversion under way
            self._end_s = 0.0
            self._drop_chunk()

    def _drop_chunk(self) -> None:
        self._codes: list[int] = []
        self._chunk_at = 0
        self._chunk_config = -1
        self._chunk_generation = -1

    def period_s(self, config: int) -> float:
        rates = RATES_ADS1015 if self.twelve_bit else RATES_ADS1115
        return 1.0 / (rates[(config >> 5) & 7] * (1.0 + self.rate_error))

    @property
    def ready_mode(self) -> bool:
        """Thresholds and queue as the data sheet asks for conversion-ready pulses."""
        return bool(self._high & 0x8000) and not self._low & 0x8000 and (self._config & 3) != 3

    @property
    def config(self) -> int:
        return self._config

    @property
    def next_end_s(self) -> float | None:
        """When the running conversion ends; None while idle."""
        with self.lock:
            return None if self._running is None else self._end_s

    def advance(self, now: float | None = None) -> None:
        """Finish every conversion that has ended by now."""
        with self.lock:
            if now is None:
                now = self._clock.now()
            if self.never_finishes:
                return
            while self._running is not None and self._end_s <= now:
                # Far behind (nobody looked for a second): what nobody can read any more is skipped.
                period = self.period_s(self._running)
                behind = int((now - self._end_s) / period)
                if behind > 2 * CHUNK and not self._running & 0x100 and self._running == self._config:
                    skip = behind - 1
                    self.conversions += skip
                    self._end_s += skip * period
                    self._drop_chunk()
                end = self._end_s
                self._result = self._convert(end, self._running)
                self.conversions += 1
                if self._config & 0x100:
                    self._running = None
                else:
                    self._running = self._config  # new settings hold from the next conversion on
                    self._end_s = end + self.period_s(self._running)
                if self.ready_mode and self.on_ready is not None:
                    self.on_ready(end)

    def _convert(self, end_s: float, config: int) -> int:
        if (
            config != self._chunk_config
            or self._chunk_generation != self.voltage.generation
            or self._chunk_at >= len(self._codes)
        ):
            self._chunk_generation = self.voltage.generation
            self._chunk_config = config
            self._codes = self._convert_ahead(end_s, config, 1 if config & 0x100 else CHUNK)
            self._chunk_at = 0
        code = self._codes[self._chunk_at]
        self._chunk_at += 1
        return code

    def _convert_ahead(self, end_s: float, config: int, count: int) -> list[int]:
        positive, negative = MUX[(config >> 12) & 7]
        gain_code = (config >> 9) & 7
        full_scale = FULL_SCALE_V[gain_code]
        period = self.period_s(config)
        ends: FloatArray = end_s + period * np.arange(count, dtype=np.float64)
        volts = self.voltage.mean_V(positive, negative, ends - period, ends)
        mux = (config >> 12) & 7
        if self.kept and self._before[0] not in (-1, mux):
            volts = np.concatenate([volts[:1] + self.kept * (self._before[1] - volts[:1]), volts[1:]])
        self._before = mux, float(volts[-1])
        volts = volts / (1.0 + self.voltage.source_ohm / INPUT_OHM[gain_code])
        lsb = full_scale / 32768
        noise = max(self.noise_V, 0.35 * lsb)
        volts = volts * (1.0 + self.gain_error) + self.offset_V + noise * self._random.standard_normal(count)
        if self.twelve_bit:
            codes = np.clip(np.rint(volts / full_scale * 2048), -2048, 2047).astype(np.int64) * 16
        else:
            codes = np.clip(np.rint(volts / lsb), -32768, 32767).astype(np.int64)
        result: list[int] = (codes & 0xFFFF).tolist()
        return result

    # ---- bus ----------------------------------------------------------------------------------------------

    def write(self, data: bytes) -> None:
        with self.lock:
            now = self._clock.now()
            self.advance(now)
            if not data:
                return
            self._pointer = data[0] & 3
            if len(data) < 3:
                return
            value = data[1] << 8 | data[2]
            if self._pointer == POINTER_CONFIG:
                self._config = value & 0x7FFF
                starts = not value & 0x100 or bool(value & 0x8000)
                if starts and self._running is None:
                    self._running = self._config
                    self._end_s = now + WAKE_S + self.period_s(self._config)
                    if self.on_busy is not None:
                        self.on_busy()
                # A conversion under way ends with the settings it began with.
            elif self._pointer == POINTER_LOW:
                self._low = value
            elif self._pointer == POINTER_HIGH:
                self._high = value

    def read(self, count: int) -> bytes:
        with self.lock:
            self.advance()
            if self._pointer == POINTER_CONFIG:
                idle = self._running is None and not self.never_finishes
                register = self._config | (0x8000 if idle else 0)
            else:
                register = (self._result, 0, self._low, self._high)[self._pointer]
                if self._pointer == 0 and self.on_fetched is not None:
                    self.on_fetched()
            return (bytes((register >> 8, register & 0xFF)) + b"\xff" * count)[:count]


class BusPart(Protocol):
    """A chip on the bus: what it does with the bytes of a transfer that is addressed to it."""

    def write(self, data: bytes) -> None: ...
    def read(self, count: int) -> bytes: ...
    def reset(self) -> None:
        """Power on."""
        ...


class FakeI2C:
    """The part of a CircuitPython I2C bus that drivers use, with faults. `chips`: address -> part.

    Faults (attributes): `absent` addresses answer with NACK; `fail_next` holds one exception (or None) per coming
    transfer; `stuck` is None, "zeros" (SDA low: everything reads 0), or "timeout" (SCL low: each transfer blocks
    for `timeout_s`, then fails); `lock_held` makes `try_lock` fail for ever.

    Args:
        wire_Hz: bit rate of the wire, if transfers shall take their time (tests in virtual time); None = none.
    """

    def __init__(self, clock: Clock, wire_Hz: float | None = None) -> None:
        self._clock = clock
        self._wire_Hz = wire_Hz
        self.chips: dict[int, BusPart] = {}
        self.absent: set[int] = set()
        self.fail_next: list[OSError | None] = []
        self.stuck: str | None = None
        self.timeout_s = 1.0
        self.lock_held = False
        self.transfers = 0
        self._lock = threading.Lock()

    def add(self, address: int, chip: BusPart) -> None:
        self.chips[address] = chip

    def try_lock(self) -> bool:
        # Another thread's transfer takes microseconds on a wire, and real milliseconds of a busy machine here: that
        # wait is the machine's, so it passes in real time, while bench time may stand still.
        return not self.lock_held and self._lock.acquire(timeout=BUS_WAIT_S)

    def unlock(self) -> None:
        self._lock.release()

    def scan(self) -> list[int]:
        return sorted(set(self.chips) - self.absent)

    def deinit(self) -> None:
        """Nothing to let go of."""

    def _chip(self, address: int, size: int) -> BusPart:
        self.transfers += 1
        if self._wire_Hz is not None:
            self._clock.sleep((9 * (size + 1) + 2) / self._wire_Hz)
        if self.fail_next:
            fault = self.fail_next.pop(0)
            if fault is not None:
                raise fault
        if self.stuck == "timeout":
            self._clock.sleep(self.timeout_s)
            raise OSError(errno.ETIMEDOUT, "Connection timed out")
        if address in self.absent or address not in self.chips:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        return self.chips[address]

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        data = bytes(buffer[start:end])
        if address == 0 and data == b"\x06":  # general-call reset
            for chip in self.chips.values():
                chip.reset()
            return
        self._chip(address, len(data)).write(data)

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        end = len(buffer) if end is None else end
        chip = self._chip(address, end - start)
        buffer[start:end] = bytes(end - start) if self.stuck == "zeros" else chip.read(end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        out_buffer: bytes,
        in_buffer: bytearray,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        in_end = len(in_buffer) if in_end is None else in_end
        data = bytes(out_buffer[out_start:out_end])
        chip = self._chip(address, len(data) + 1 + in_end - in_start)
        chip.write(data)
        in_buffer[in_start:in_end] = bytes(in_end - in_start) if self.stuck == "zeros" else chip.read(in_end - in_start)


class ReadyPulses:
    """Drives the chip's ready line: a thread that sleeps to the end of each conversion and pulses the pin.

    Args:
        pulse: called with the end of each finished conversion; makes the falling and the rising edge.
        transfers: how many transfers the bus has seen, to tell a reader in trouble from one short of processor.

    On a `PacedClock` bench time waits for the reader: it stands still shortly before the next conversion would
    overwrite one that has not been fetched. A reader that stays away longer than a busy machine explains (a fault, a
    stopped program) is no longer waited for, until it reads again; then samples are lost as on a real chip.
    """

    #: real seconds to wait for a reader before time goes on without it
    PATIENCE_S = 1.0
    #: and so many times in a row while nothing at all happens on the bus
    MISSES = 5

    def __init__(
        self,
        clock: Clock,
        chip: EmulatedAds,
        pulse: Callable[[float], None],
        transfers: Callable[[], int] = lambda: 0,
    ) -> None:
        self._transfers = transfers
        self._missed = 0
        self._clock = clock
        self._chip = chip
        self._pulse = pulse
        self._stop = threading.Event()
        self._busy = threading.Event()
        self._pending: list[float] = []
        self._thread: threading.Thread | None = None
        self._brake = clock.brake() if isinstance(clock, PacedClock) else None
        self._fetched = threading.Event()
        self._patience_s = 0.0
        self.muted = False
        """Fault: the ready wire is broken."""
        chip.on_ready = self._finished
        chip.on_busy = self._busy.set
        if self._brake is not None:
            chip.on_fetched = self._fetched.set

    def _finished(self, end_s: float) -> None:
        self._pending.append(end_s)

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="emulated-ready-pin", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._busy.set()
        if self._thread is not None:
            self._thread.join(timeout=5.0)
            self._thread = None
        self._chip.on_ready = self._chip.on_busy = self._chip.on_fetched = None
        if self._brake is not None:
            self._brake.release()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._follow()
            except Exception:
                # A defect of the emulation must not hold bench time for ever.
                log.exception("the emulated ready line failed; it goes on")
                if self._brake is not None:
                    self._brake.release()
                self._stop.wait(0.05)

    def _follow(self) -> None:
        chip, clock = self._chip, self._clock
        while not self._stop.is_set():
            end = chip.next_end_s
            if end is None or not chip.ready_mode:
                if self._brake is not None:
                    self._brake.release()
                self._busy.wait(0.05)
                self._busy.clear()
                continue
            if self._brake is not None:
                self._brake.hold(end + 0.5 * chip.period_s(chip.config))
            self._fetched.clear()
            # Not clock.sleep: between reading the clock and sleeping time may have passed, and a sleep that ends behind
            # our own brake would never end.
            while (wait := end - clock.now()) > 0 and not self._stop.is_set():
                self._stop.wait(max(wait / clock.speed, 50e-6))
            chip.advance()
            with chip.lock:
                pending, self._pending = self._pending, []
            if not self.muted:
                for end_s in pending:
                    self._pulse(end_s)
                if self._brake is not None:
                    self._wait_for_reader()

    def _wait_for_reader(self) -> None:
        """Until the reader has fetched. One that misses is waited for less and less, one that comes more again.

        A reader that meanwhile made no transfer at all is only short of processor: it is waited for some times more.
        """
        before = self._transfers()
        if self._fetched.wait(self._patience_s):
            self._patience_s = min(self.PATIENCE_S, max(2.0 * self._patience_s, 0.002))
            self._missed = 0
            return
        self._missed += 1
        if self._transfers() == before and self._missed < self.MISSES:
            return
        self._patience_s = self._patience_s / 4.0 if self._patience_s > 0.002 else 0.0
