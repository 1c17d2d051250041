"""The kernel's I2C bus, and the parts that the reading process opens on a Raspberry Pi."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from earthward.clock import Clock, SystemClock
from earthward.devices.ads1115.chip import Bus
from earthward.devices.ads1115.process import Parts
from earthward.devices.gpio_line import open_kernel_edges
from earthward.errors import InputError

#: of the kernel's I2C devices (linux/i2c-dev.h): the chip that the descriptor speaks to
I2C_SLAVE = 0x0703
#: part of a conversion after which the next may end at the soonest: the chip's rate is within 10 % (data sheet)
SOONEST = 0.85
#: for so long another thread may hold the bus before its asking for a chip is given up
HELD_S = 1.0


@dataclass(frozen=True)
class KernelParts:
    """Opens the kernel's I2C bus and, if its pin is given, the converter's ready line. Raises InputError."""

    i2c_bus: int
    ready_pin: int | None = None
    rate: int = 860
    """Conversions a second that the chip is set to."""

    def __call__(self, clock: Clock) -> Parts:
        bus = open_i2c(self.i2c_bus)
        if self.ready_pin is None:
            return Parts(bus, quick=self._quick)
        ready = open_kernel_edges(self.ready_pin, clock, apart_s=SOONEST / self.rate)
        return Parts(bus, ready, ready.close, self._quick)

    def _quick(self, address: int) -> Callable[[], bytes]:
        """What reads two bytes of a chip: one call of the kernel each. The descriptor lives as long as the process."""
        descriptor = os.open(f"/dev/i2c-{self.i2c_bus}", os.O_RDWR | os.O_CLOEXEC)
        fcntl.ioctl(descriptor, I2C_SLAVE, address)
        return partial(os.read, descriptor, 2)


def open_i2c(number: int) -> Bus:
    """The kernel's I2C bus by its number. Raises InputError when this machine has none."""
    try:
        from adafruit_extended_bus import ExtendedI2C
    except ImportError as error:
        raise InputError(
            f"the library for the I2C bus is missing ({error}): install Earthward with its extra `pi` on a Raspberry"
            " Pi, or run `earthward demo` to see the instrument on the emulated bench"
        ) from error
    try:
        bus: Bus = ExtendedI2C(number)
    except (OSError, ValueError, RuntimeError, NotImplementedError) as error:
        raise InputError(
            f"the I2C bus {number} cannot be opened ({error}): switch I2C on (raspi-config, Interface Options) and "
            "check that the user is in the group i2c"
        ) from error
    return bus


def answers(bus: Bus, address: int, clock: Clock | None = None) -> bool:
    """Does a chip acknowledge this address? Nothing is written to it. Raises InputError if the bus stays held."""
    clock = clock or SystemClock()
    until_s = clock.now() + HELD_S
    while not bus.try_lock():
        if clock.now() > until_s:
            raise InputError(
                f"The I2C bus is held by another program or thread for more than {HELD_S:g} s: stop whatever else uses "
                "the converter's bus"
            )
        clock.sleep(0.001)
    try:
        bus.writeto(address, b"")
    except OSError:
        return False
    finally:
        bus.unlock()
    return True
