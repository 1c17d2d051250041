"""The chip: its settings, its configuration register, and the Adafruit driver that talks to it."""

from __future__ import annotations

import errno
import logging
from collections.abc import Callable
from dataclasses import dataclass
from struct import Struct
from typing import Any, Literal, Protocol

from adafruit_ads1x15 import ADS1015, ADS1115
from adafruit_ads1x15.ads1x15 import Mode
from adafruit_bus_device.i2c_device import I2CDevice

from earthward.clock import Clock
from earthward.errors import InputError

log = logging.getLogger(__name__)

ChipName = Literal["ADS1115", "ADS1015"]
Pacing = Literal["", "ready wire", "rate", "single shot"]
Inputs = tuple[int, int]

#: driver gain -> full scale at the converter, volts (data sheet)
FULL_SCALE_V: dict[float, float] = {2 / 3: 6.144, 1: 4.096, 2: 2.048, 4: 1.024, 8: 0.512, 16: 0.256}
RATES: dict[ChipName, tuple[int, ...]] = {
    "ADS1115": (8, 16, 32, 64, 128, 250, 475, 860),
    "ADS1015": (128, 250, 490, 920, 1600, 2400, 3300),
}
_GAIN_BITS = {2 / 3: 0x0000, 1: 0x0200, 2: 0x0400, 4: 0x0600, 8: 0x0800, 16: 0x0A00}
_MUX: dict[Inputs, int] = {(0, 1): 0, (0, 3): 1, (1, 3): 2, (2, 3): 3}
_CONFIG_REGISTER = 1
_START = 0x8000
_SINGLE = 0x0100
#: the result register as it comes over the bus
_CODE = Struct(">h")

#: longest that one conversation with the chip may take before it is given up
TALK_S = 0.1
#: between two conversions that are started one by one: wake-up of the thread and transfers
TURN_S = 0.7e-3

LOST_SETTINGS = "The converter lost its settings (a reset, perhaps a dip of its supply): it is being set up again."
HELD = "The I2C bus is held by another program or thread: stop whatever else uses the converter's bus."
SLOW = "The converter does not finish its conversions: check the I2C data line and the converter's supply."


class Bus(Protocol):
    """What a CircuitPython I2C bus object offers (`adafruit_extended_bus.ExtendedI2C`, `busio.I2C`)."""

    def try_lock(self) -> bool: ...
    def unlock(self) -> None: ...
    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None: ...
    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None: ...
    @property
    def writeto_then_readfrom(self) -> Callable[..., None]: ...


@dataclass(frozen=True, slots=True)
class AdcSettings:
    """How one chip is wired and used.

    pairs: inputs (back electrode, front electrode) of each channel, so that > 0 means current flows from back towards
    front. Several are converted in turn and share the chip's conversions.
    front_end_gain: of an instrumentation amplifier before the chip; taken out of all volts.
    full_scale_V: a fixed range at the converter; None = automatic.
    channel: number of the first pair in the blocks; the others follow.
    free_looks: interrupt free running of a single pair now and then for a look at the reference contact.
    """

    chip: ChipName = "ADS1115"
    address: int = 0x48
    rate: int = 860
    pairs: tuple[Inputs, ...] = ((0, 1),)
    front_end_gain: float = 1.0
    full_scale_V: float | None = None
    channel: int = 0
    free_looks: bool = False

    def __post_init__(self) -> None:
        rates = RATES[self.chip]
        if self.rate not in rates:
            raise InputError(f"The {self.chip} has no rate of {self.rate} samples/s: choose one of {rates}.")
        if not self.pairs:
            raise InputError("The converter has no inputs to read: name at least one pair.")
        for pair in self.pairs:
            if pair not in _MUX:
                raise InputError(f"The inputs {pair} are no differential pair of the chip: use one of {list(_MUX)}.")
        if self.full_scale_V is not None and self.full_scale_V not in FULL_SCALE_V.values():
            known = sorted(FULL_SCALE_V.values())
            raise InputError(f"The converter has no range of {self.full_scale_V} V: choose one of {known}.")
        if not self.front_end_gain > 0:
            raise InputError(f"A front-end gain of {self.front_end_gain} is not possible: it must be positive.")

    @property
    def channel_rate_Hz(self) -> float:
        """Nominal, of one channel: conversions of several are started one by one, each with time to be fetched."""
        if len(self.pairs) == 1:
            return self.rate
        return 1.0 / (slowest_conversion_s(self) + TURN_S) / len(self.pairs)


def slowest_conversion_s(settings: AdcSettings) -> float:
    """Of a chip whose rate is 10 % low (data sheet)."""
    return 1.1 / settings.rate


class ChipError(Exception):
    """The chip or its bus is in trouble; the message is one plain sentence."""


class DeadlineBus:
    """Stands between driver and bus, so that the driver's endless loops end: past the deadline every call raises
    ChipError with what is `slow`, or `held` while the bus is not to be had."""

    def __init__(self, bus: Bus, clock: Clock, slow: str = SLOW, held: str = HELD) -> None:
        self._bus = bus
        self._clock = clock
        self._slow, self._held = slow, held
        self.deadline_s = float("inf")

    def allow(self, seconds: float) -> None:
        self.deadline_s = self._clock.now() + seconds

    def _check(self, what: str) -> None:
        if self._clock.now() > self.deadline_s:
            raise ChipError(what)

    def try_lock(self) -> bool:
        if self._bus.try_lock():
            return True
        self._check(self._held)
        self._clock.sleep(0.0005)
        return False

    def unlock(self) -> None:
        self._bus.unlock()

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._check(self._slow)
        self._bus.writeto(address, buffer, start=start, end=len(buffer) if end is None else end)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._check(self._slow)
        self._bus.readfrom_into(address, buffer, start=start, end=len(buffer) if end is None else end)

    def writeto_then_readfrom(self, address: int, out_buffer: Any, in_buffer: Any, **slices: Any) -> None:
        self._check(self._slow)
        self._bus.writeto_then_readfrom(address, out_buffer, in_buffer, **slices)


class Chip:
    """One chip behind the driver. Not thread-safe: it belongs to the reading thread.

    Every call raises OSError or ChipError when the chip or its bus does not do its part.
    """

    def __init__(
        self, bus: Bus, clock: Clock, settings: AdcSettings, quick: Callable[[int], Callable[[], bytes]] | None = None
    ) -> None:
        """quick: makes, for an address, what reads two bytes without naming a register: the driver's own way to a free-
        running result, which is taken 860 times a second, without the driver's tenfold work around it."""
        self.settings = settings
        self.bus = DeadlineBus(bus, clock)
        self._clock = clock
        # It guards against a hanging bus, which hangs in real time: a hurried clock must not shorten it.
        self._talk_s = TALK_S * max(1.0, clock.speed)
        self.muxes = tuple(_MUX[pair] for pair in settings.pairs)
        self.ads: Any = None
        self._device: Any = None
        self._free_running = False
        # An ADS1015's twelve bits are the driver's to place.
        self._result = quick(settings.address) if quick is not None and settings.chip == "ADS1115" else None
        self.gain: float = 8  # 0.512 V: wide enough for an electrode pair's offset, so that a start seldom clips
        if settings.full_scale_V is not None:
            self.gain = next(gain for gain, volts in FULL_SCALE_V.items() if volts == settings.full_scale_V)

    @property
    def full_scale_V(self) -> float:
        """At the pair."""
        return FULL_SCALE_V[self.gain] / self.settings.front_end_gain

    def open(self, use_ready: bool) -> None:
        """Set the chip up, free-running on a single pair, and prove it by reading its configuration back."""
        s = self.settings
        maker = ADS1115 if s.chip == "ADS1115" else ADS1015
        self.bus.allow(1.0 + 4.0 / s.rate)
        self.ads = maker(
            self.bus,
            gain=self.gain,
            data_rate=s.rate,
            mode=Mode.SINGLE,
            # Ready pulses want the high threshold's top bit 1 and the low one's 0 (data sheet).
            comparator_queue_length=1 if use_ready else 0,
            comparator_low_threshold=0 if use_ready else -32768,
            comparator_high_threshold=-1 if use_ready else 32767,
            address=s.address,
        )
        self._device = I2CDevice(self.bus, s.address, probe=False)
        self._free_running = len(self.muxes) == 1
        if not self._free_running:
            return
        # The driver ignores the channel once continuous: only a single-shot read sets the multiplexer.
        self.ads.read(self.muxes[0])
        self.ads.mode = Mode.CONTINUOUS
        self.verify()

    def wanted_config(self, mux: int) -> int:
        """What the configuration register must hold, OS bit aside."""
        config: int = mux << 12
        config |= _GAIN_BITS[self.gain] | self.ads.mode | self.ads.rate_config[self.settings.rate]
        return config | (0 if self.ads.comparator_queue_length else 3)

    def verify(self) -> None:
        """ChipError if the free-running chip is not set as it should be; leaves its pointer at the result."""
        self.bus.allow(self._talk_s)
        if self._read_config() & 0x7FFF != self.wanted_config(self.muxes[0]):
            raise ChipError(LOST_SETTINGS)
        self.ads.get_last_result(False)

    def newest(self) -> int:
        """Code of the newest conversion of the free-running chip, whose pointer `verify` left at the result."""
        if self._result is not None:
            code: int = _CODE.unpack(self._result())[0]
            return code
        self.bus.allow(self._talk_s)
        code = self.ads._conversion_value(self.ads.get_last_result(True))
        return code

    def start(self, mux: int) -> float:
        """Start one conversion of the idle chip on a multiplexer setting; the time at which it was told."""
        self.bus.allow(self._talk_s)
        self._write_config(self.wanted_config(mux) | _START)
        return self._clock.now()

    def finished(self, mux: int) -> int | None:
        """Code of the conversion that was started with this multiplexer setting; None while it is under way."""
        self.bus.allow(self._talk_s)
        config = self._read_config()
        if config & 0x7FFF != self.wanted_config(mux):
            raise ChipError(LOST_SETTINGS)
        if not config & _START:
            return None
        code: int = self.ads._conversion_value(self.ads.get_last_result(False))
        return code

    def input_V(self, number: int) -> float:
        """One conversion of an idle chip's input against the converter's own 0 V, on the widest range that fits."""
        self.bus.allow(self._talk_s)
        wanted = (4 + number) << 12 | _GAIN_BITS[1] | _SINGLE | self.ads.rate_config[self.settings.rate] | 3
        self._write_config(wanted | _START)
        self._clock.sleep(1.05 * slowest_conversion_s(self.settings))
        if self._read_config() != wanted | _START:
            raise ChipError(SLOW)
        code: int = self.ads._conversion_value(self.ads.get_last_result(False))
        return code * FULL_SCALE_V[1] / 32768

    def pause(self) -> float:
        """End free running after the conversion under way; how many seconds it took to tell the chip."""
        self.bus.allow(self._talk_s)
        before_s = self._clock.now()
        self._write_config((self.wanted_config(self.muxes[0]) | _SINGLE) & ~_START)
        return self._clock.now() - before_s

    def run_free(self) -> float:
        """Free running again, from idle; the time at which the chip was told: its first conversion starts then."""
        self.bus.allow(self._talk_s)
        self._write_config(self.wanted_config(self.muxes[0]))
        told_s = self._clock.now()
        self.verify()
        return told_s

    def set_gain(self, gain: float) -> None:
        self.bus.allow(self._talk_s)
        self.ads.gain = gain
        self.gain = gain
        if self._free_running:
            self.verify()  # also puts the chip's pointer back to the result

    def idle(self) -> None:
        """Leave the chip idle: it draws a thousandth of the current then, and makes no more ready pulses."""
        if self._device is None:
            return
        try:
            self.bus.allow(self._talk_s)
            self._write_config((self.wanted_config(self.muxes[0]) | _SINGLE) & ~_START)
        except (OSError, ValueError, ChipError) as error:
            log.info("the converter was not left idle: %s", self.sentence(error))

    def sentence(self, error: Exception) -> str:
        """What an error of chip or bus means, for a person."""
        if isinstance(error, OSError) and error.errno == errno.ETIMEDOUT:
            return "The I2C bus is stuck (clock line held low): check the converter's wires, then switch it off and on."
        if isinstance(error, OSError | ValueError):
            address = self.settings.address
            return f"The converter at address {address:#x} does not answer: check its supply and its I2C wires."
        return str(error)

    def _read_config(self) -> int:
        answer = bytearray(2)
        with self._device as device:
            device.write_then_readinto(bytes((_CONFIG_REGISTER,)), answer)
        return answer[0] << 8 | answer[1]

    def _write_config(self, config: int) -> None:
        with self._device as device:
            device.write(bytes((_CONFIG_REGISTER, config >> 8, config & 0xFF)))
