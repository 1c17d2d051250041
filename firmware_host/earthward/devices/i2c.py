"""The kernel's I2C bus, and the parts that the reading process opens on a Raspberry Pi."""

from __future__ import annotations

from dataclasses import dataclass

from earthward.clock import Clock
from earthward.devices.ads1115.chip import Bus
from earthward.devices.ads1115.process import Parts
from earthward.devices.gpio import open_edge_pin
from earthward.errors import InputError


@dataclass(frozen=True)
class KernelParts:
    """Opens the kernel's I2C bus and, if its pin is given, the converter's ready line. Raises InputError."""

    i2c_bus: int
    ready_pin: int | None = None

    def __call__(self, clock: Clock) -> Parts:
        bus = open_i2c(self.i2c_bus)
        if self.ready_pin is None:
            return Parts(bus)
        ready = open_edge_pin(self.ready_pin, clock)
        return Parts(bus, ready, ready.close)


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


def answers(bus: Bus, address: int) -> bool:
    """Does a chip acknowledge this address? Nothing is written to it."""
    while not bus.try_lock():
        pass
    try:
        bus.writeto(address, b"")
    except OSError:
        return False
    finally:
        bus.unlock()
    return True
