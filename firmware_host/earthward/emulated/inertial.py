"""EMULATED orientation sensors: registers of the LSM6DSOX (accelerometer, gyroscope) and the LIS3MDL (magnetometer).

Register numbers, power-on values, ranges and sensitivities as in ST's data sheets DS12814 (LSM6DSOX) and DocID024204
(LIS3MDL), from memory; noise and tolerances too. That the LIS3MDL's reads run round within its six output registers,
also where the address's top bit is not set: https://github.com/PX4/PX4-Autopilot/issues/12514. The unmodified Adafruit
drivers talk to them over `FakeI2C`. What they feel comes from a `Body`; they know nothing of the filter behind.
"""

from __future__ import annotations

import math
import threading
from typing import ClassVar, Protocol

import numpy as np

from earthward.clock import Clock
from earthward.emulated.scenario import Point3
from earthward.signal.types import FloatArray

GRAVITY = 9.80665

# LSM6DSOX
WHO_AM_I, CTRL1_XL, CTRL2_G, CTRL3_C, CTRL9_XL, STATUS, OUT_TEMP, OUT_G, OUT_A = (
    0x0F, 0x10, 0x11, 0x12, 0x18, 0x1E, 0x20, 0x22, 0x28,
)  # fmt: skip
RATES_HZ = (0.0, 12.5, 26.0, 52.0, 104.0, 208.0, 416.0, 833.0, 1666.0, 3332.0, 6664.0, 1.6)
#: by FS_XL: mg per step; by FS_G: mdps per step (FS_125 apart)
MG_PER_LSB = (0.061, 0.488, 0.122, 0.244)
MDPS_PER_LSB = (8.75, 17.5, 35.0, 70.0)
MDPS_PER_LSB_125 = 4.375
#: noise densities in high-performance mode
G_PER_ROOT_HZ, DPS_PER_ROOT_HZ = 70e-6, 3.8e-3

# LIS3MDL
M_CTRL1, M_CTRL2, M_CTRL3, M_CTRL4, M_CTRL5, M_STATUS, M_OUT = 0x20, 0x21, 0x22, 0x23, 0x24, 0x27, 0x28
LSB_PER_GAUSS = (6842, 3421, 2281, 1711)
#: rms noise of the levels, ultra-high performance
GAUSS_NOISE = 3.5e-3


class Body(Protocol):
    """What carries the sensors: means over an interval, in the head's axes (ahead, left, up)."""

    def felt(self, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
        """Specific force m/s2 (at rest +g upwards) and rate rad/s."""
        ...

    def field_T(self, at_s: float) -> FloatArray: ...


class Defects:
    """How one device differs from its data sheet's typical one: drawn once."""

    def __init__(self, seed: int, *, offset: float, scale: float, crossed: float, mounting_deg: float) -> None:
        draw = np.random.default_rng([seed, 515])
        self.offset: FloatArray = draw.normal(0.0, 1.0, 3) * offset
        self.matrix: FloatArray = np.eye(3) + np.diag(draw.normal(0.0, scale, 3)) + draw.normal(0.0, crossed, (3, 3))
        tilt = np.random.default_rng([seed, 516]).normal(0.0, math.radians(mounting_deg), 3)
        x, y, z = tilt  # small: the board is glued in by eye
        self.matrix = self.matrix @ (np.eye(3) + np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]))

    def seen(self, true: FloatArray) -> FloatArray:
        return np.asarray(self.matrix @ true + self.offset)


def perfect() -> Defects:
    return Defects(0, offset=0.0, scale=0.0, crossed=0.0, mounting_deg=0.0)


class Registers:
    """A register file with a pointer. Subclasses fill in what is read."""

    defaults: ClassVar[dict[int, int]]

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.reset()

    def reset(self) -> None:
        with self.lock:
            self._values = dict(self.defaults)
            self._pointer = 0

    def write(self, data: bytes) -> None:
        with self.lock:
            if not data:
                return
            self._pointer = data[0]
            for value in data[1:]:
                self._set(self._pointer & 0x7F, value)
                self._pointer = self._next(self._pointer)

    def read(self, count: int) -> bytes:
        with self.lock:
            out = bytearray()
            for _ in range(count):
                out.append(self._get(self._pointer & 0x7F))
                self._pointer = self._next(self._pointer)
            return bytes(out)

    def _next(self, pointer: int) -> int:
        return pointer + 1 & 0xFF

    def _get(self, register: int) -> int:
        return self._values.get(register, 0)

    def _set(self, register: int, value: int) -> None:
        self._values[register] = value


class EmulatedLsm6dsox(Registers):
    """One chip. `frozen`: fault, it answers but converts no more."""

    defaults: ClassVar = {WHO_AM_I: 0x6C, CTRL3_C: 0x04, CTRL9_XL: 0xE0}

    def __init__(
        self,
        clock: Clock,
        body: Body,
        seed: int = 0,
        force: Defects | None = None,
        rate: Defects | None = None,
        noisy: bool = True,
    ) -> None:
        self._clock, self._body = clock, body
        self._random = np.random.default_rng([seed, 517])
        self._force, self._rate, self._noisy = force or perfect(), rate or perfect(), noisy
        self.frozen = False
        super().__init__()

    def reset(self) -> None:
        super().reset()
        with self.lock:
            self._number = -1
            self._out = bytes(12)

    @property
    def rate_Hz(self) -> float:
        """Both at one rate, as the driver sets them; 0: powered down."""
        return RATES_HZ[self._values.get(CTRL2_G, 0) >> 4 & 0xF if self._values.get(CTRL2_G, 0) >> 4 < 12 else 0]

    def _set(self, register: int, value: int) -> None:
        if register == CTRL3_C and value & 1:
            # SW_RESET clears itself once the registers are as after power-on.
            pointer = self._pointer
            self.reset()
            self._pointer = pointer
        elif register not in (WHO_AM_I, STATUS) and not OUT_TEMP <= register < OUT_A + 6:
            super()._set(register, value)

    def _get(self, register: int) -> int:
        if OUT_G <= register < OUT_A + 6:
            self._convert()
            return self._out[register - OUT_G]
        if register == STATUS:
            return 3 if self.rate_Hz else 0
        return super()._get(register)

    def _next(self, pointer: int) -> int:
        return super()._next(pointer) if self._values.get(CTRL3_C, 0) & 0x04 else pointer

    def _convert(self) -> None:
        """The newest finished sample into the output registers: the mean over its time, as after the chip's filter."""
        rate_Hz = self.rate_Hz
        if rate_Hz == 0.0 or self.frozen:
            return
        number = math.floor(self._clock.now() * rate_Hz)
        if number == self._number:
            return
        self._number = number
        force, turning = self._body.felt((number - 1) / rate_Hz, number / rate_Hz)
        noise = self._random.standard_normal(6) * (math.sqrt(rate_Hz / 2.0) if self._noisy else 0.0)
        g = self._force.seen(force / GRAVITY) + G_PER_ROOT_HZ * noise[:3]
        dps = self._rate.seen(np.degrees(turning)) + DPS_PER_ROOT_HZ * noise[3:]
        xl, gy = self._values.get(CTRL1_XL, 0), self._values.get(CTRL2_G, 0)
        mdps = MDPS_PER_LSB_125 if gy & 2 else MDPS_PER_LSB[gy >> 2 & 3]
        codes = np.concatenate([1e3 * dps / mdps, 1e3 * g / MG_PER_LSB[xl >> 2 & 3]])
        self._out = np.clip(np.rint(codes), -32768, 32767).astype("<i2").tobytes()


class EmulatedLis3mdl(Registers):
    """One chip."""

    defaults: ClassVar = {WHO_AM_I: 0x3D, M_CTRL1: 0x10, M_CTRL3: 0x03}

    def __init__(
        self, clock: Clock, body: Body, seed: int = 0, defects: Defects | None = None, noisy: bool = True
    ) -> None:
        self._clock, self._body = clock, body
        self._random = np.random.default_rng([seed, 518])
        self._defects, self._noisy = defects or perfect(), noisy
        super().__init__()

    def reset(self) -> None:
        super().reset()
        with self.lock:
            self._number = -1
            self._out = bytes(6)

    def _set(self, register: int, value: int) -> None:
        if register == M_CTRL2 and value & 0x04:  # SOFT_RST
            pointer = self._pointer
            self.reset()
            self._pointer = pointer
        elif register != WHO_AM_I and not M_STATUS <= register < M_OUT + 6:
            super()._set(register, value)

    def _next(self, pointer: int) -> int:
        if M_OUT <= pointer & 0x7F < M_OUT + 6:
            return (pointer & 0x80) | (M_OUT + (pointer - M_OUT + 1 & 0x7F) % 6)
        return super()._next(pointer)

    def _get(self, register: int) -> int:
        if M_OUT <= register < M_OUT + 6:
            self._convert()
            return self._out[register - M_OUT]
        return super()._get(register)

    def _convert(self) -> None:
        if self._values.get(M_CTRL3, 0) & 3:
            return  # single or power-down: the last measurement stays
        one = self._values.get(M_CTRL1, 0)
        rate_Hz = 155.0 if one & 2 else 0.625 * 2 ** (one >> 2 & 7)
        number = math.floor(self._clock.now() * rate_Hz)
        if number == self._number:
            return
        self._number = number
        gauss = self._defects.seen(self._body.field_T(number / rate_Hz) * 1e4)
        if self._noisy:
            gauss = gauss + GAUSS_NOISE * self._random.standard_normal(3)
        codes = gauss * LSB_PER_GAUSS[self._values.get(M_CTRL2, 0) >> 5 & 3]
        self._out = np.clip(np.rint(codes), -32768, 32767).astype("<i2").tobytes()


class StillBody:
    """Held still (for tests): force in g, rate in degrees/s, field in gauss."""

    def __init__(self, g: Point3 = (0.0, 0.0, 1.0), dps: Point3 = (0.0, 0.0, 0.0), gauss: Point3 = (0.0, 0.0, 0.0)):
        self.g, self.dps, self.gauss = g, dps, gauss

    def felt(self, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
        return GRAVITY * np.array(self.g), np.radians(self.dps)

    def field_T(self, at_s: float) -> FloatArray:
        return np.array(self.gauss) * 1e-4
