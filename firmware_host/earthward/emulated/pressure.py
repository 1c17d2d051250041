"""EMULATED pressure sensor: registers of the LPS28DFW (absolute pressure, may sit in water).

Register numbers and bits as in ST's published C driver (github.com/STMicroelectronics/lps28dfw-pid, lps28dfw_reg.h),
both sensitivities and the temperature's from its conversions (lps28dfw_reg.c); power-on values, times of a conversion,
noise and offset as in ST's data sheet, from memory. The unmodified Adafruit driver talks to it over `FakeI2C`. What it
feels comes from a `Fluid`; it knows nothing of the depth that is made of it.
"""

from __future__ import annotations

import math
from typing import ClassVar, Protocol

import numpy as np

from earthward.clock import Clock
from earthward.emulated.inertial import Registers
from earthward.emulated.scenario import Scenario

WHO_AM_I, CTRL1, CTRL2, CTRL3, STATUS, PRESS_OUT, TEMP_OUT = 0x0F, 0x10, 0x11, 0x12, 0x27, 0x28, 0x2B
ONESHOT, SWRESET, BDU, FS_MODE, BOOT = 0x01, 0x04, 0x08, 0x40, 0x80
P_DA, T_DA, P_OR, T_OR = 0x01, 0x02, 0x10, 0x20
#: by FS_MODE: counts per hPa, and the highest pressure
COUNTS_PER_HPA, FULL_SCALE_HPA, LEAST_HPA = (4096.0, 2048.0), (1260.0, 4060.0), 260.0
#: by ODR; by AVG how many conversions make a value
RATES_HZ = (0.0, 1.0, 4.0, 10.0, 25.0, 50.0, 75.0, 100.0, 200.0)
AVERAGED = (4, 8, 16, 32, 64, 128, 512, 512)
#: so long takes one value: start, and each conversion
START_S, EACH_S = 1.5e-3, 0.55e-3
#: rms noise of one conversion
NOISE_PA = 3.0


class Fluid(Protocol):
    """What is around the sensor's hole."""

    def pressure_Pa(self, at_s: float) -> float: ...
    def temperature_C(self, at_s: float) -> float: ...


class Depths(Protocol):
    """How deep the sensor's hole is; None: in the air."""

    def depth_m(self, at_s: float) -> float | None: ...


class EmulatedLps28dfw(Registers):
    """One chip. offset_Pa, offset_Pa_per_K (from 25 degrees), scale: how it differs from the typical one. `frozen`:
    fault, it answers but converts no more."""

    defaults: ClassVar = {WHO_AM_I: 0xB4, CTRL3: 0x01}

    def __init__(
        self,
        clock: Clock,
        fluid: Fluid,
        seed: int = 0,
        *,
        offset_Pa: float = 0.0,
        offset_Pa_per_K: float = 0.0,
        scale: float = 0.0,
        noisy: bool = True,
    ) -> None:
        self._clock, self._fluid = clock, fluid
        self._random = np.random.default_rng([seed, 520])
        self._offset_Pa, self._per_K, self._scale, self._noisy = offset_Pa, offset_Pa_per_K, scale, noisy
        self.frozen = False
        super().__init__()

    def reset(self) -> None:
        super().reset()
        with self.lock:
            self._out = bytes(5)
            self._status = 0
            self._due_s = math.inf
            self._number = -1

    @property
    def rate_Hz(self) -> float:
        return RATES_HZ[min(self._values.get(CTRL1, 0) >> 3 & 0xF, 8)]

    @property
    def _averaged(self) -> int:
        return AVERAGED[self._values.get(CTRL1, 0) & 7]

    def _set(self, register: int, value: int) -> None:
        if register == CTRL2 and value & SWRESET:
            # Clears itself once the registers are as after power-on.
            pointer = self._pointer
            self.reset()
            self._pointer = pointer
            return
        if register in (WHO_AM_I, STATUS) or PRESS_OUT <= register < PRESS_OUT + 5:
            return
        if register == CTRL2 and value & ONESHOT:
            if self.rate_Hz == 0.0:
                self._due_s = self._clock.now() + START_S + EACH_S * self._averaged
            value &= ~ONESHOT  # clears itself
        super()._set(register, value & ~BOOT if register == CTRL2 else value)

    def _get(self, register: int) -> int:
        self._convert()
        if register == STATUS:
            return self._status
        if PRESS_OUT <= register < PRESS_OUT + 5:
            # The high byte's reading ends that value's news.
            self._status &= ~{PRESS_OUT + 2: P_DA | P_OR, TEMP_OUT + 1: T_DA | T_OR}.get(register, 0)
            return self._out[register - PRESS_OUT]
        return super()._get(register)

    def _next(self, pointer: int) -> int:
        return super()._next(pointer) if self._values.get(CTRL3, 0) & 1 else pointer

    def _convert(self) -> None:
        """What is finished by now, into the output registers."""
        now_s, rate_Hz = self._clock.now(), self.rate_Hz
        if self.frozen:
            return
        if rate_Hz == 0.0:
            if now_s >= self._due_s:
                at_s, self._due_s = self._due_s, math.inf
                self._put(at_s)
            return
        number = math.floor(now_s * rate_Hz)
        if number != self._number:
            self._number = number
            self._put(number / rate_Hz)

    def _put(self, at_s: float) -> None:
        celsius = self._fluid.temperature_C(at_s)
        pascal = self._fluid.pressure_Pa(at_s) * (1.0 + self._scale)
        pascal += self._offset_Pa + self._per_K * (celsius - 25.0)
        if self._noisy:
            pascal += NOISE_PA / math.sqrt(self._averaged) * float(self._random.standard_normal())
        mode = self._values.get(CTRL2, 0) & FS_MODE != 0
        hpa = min(max(pascal / 100.0, LEAST_HPA), FULL_SCALE_HPA[mode])
        count = round(hpa * COUNTS_PER_HPA[mode]) & 0xFFFFFF
        celsius_count = round(celsius * 100.0) & 0xFFFF
        self._out = count.to_bytes(3, "little") + celsius_count.to_bytes(2, "little")
        self._status |= (self._status & (P_DA | T_DA)) << 4 | P_DA | T_DA


class StillFluid:
    """The same for ever (for tests)."""

    def __init__(self, hPa: float = 1013.25, celsius: float = 25.0) -> None:
        self.hPa, self.celsius = hPa, celsius

    def pressure_Pa(self, at_s: float) -> float:
        return self.hPa * 100.0

    def temperature_C(self, at_s: float) -> float:
        return self.celsius


class Surroundings:
    """The weather over an invented pool, its water with a little salt and some waves, and a sensor that comes warm out
    of the sun."""

    def __init__(self, scenario: Scenario, depths: Depths) -> None:
        draw = np.random.default_rng([scenario.seed, 521])
        self._depths = depths
        self._air_Pa = draw.uniform(985e2, 1030e2)
        #: a slow swing and a shorter one: together some half a hectopascal an hour
        self._swing = [(draw.normal(0, 60.0), draw.uniform(4, 8)), (draw.normal(0, 8.0), draw.uniform(0.7, 1.5))]
        self._phase = draw.uniform(0, 2 * math.pi, 4)
        self._water_C = scenario.temperature_C
        self._salt_g_per_kg = draw.uniform(0.0, 4.0)
        self._gravity = draw.uniform(9.785, 9.825)
        self._sun_C = scenario.temperature_C + draw.uniform(0.0, 12.0)
        self._in_water_s: float | None = None

    def pressure_Pa(self, at_s: float) -> float:
        hours = at_s / 3600.0
        air = self._air_Pa + sum(
            size * math.sin(2 * math.pi * hours / period + phase)
            for (size, period), phase in zip(self._swing, self._phase[:2], strict=True)
        )
        depth = self._depths.depth_m(at_s)
        if depth is None or depth <= 0.0:
            return air
        # Waves of some millimetres, less of them farther down.
        waves = sum(
            0.003 * math.exp(-depth * (2 * math.pi * f) ** 2 / 9.81) * math.sin(2 * math.pi * f * at_s + phase)
            for f, phase in zip((0.6, 1.1), self._phase[2:], strict=True)
        )
        return air + self.density() * self._gravity * max(0.0, depth + waves)

    def density(self) -> float:
        """McCutcheon, Martin and Barnwell, in Maidment's Handbook of Hydrology, 1993 (from memory); salt adds 0.76
        kg/m3 for each g/kg (own estimate)."""
        t = self._water_C
        fresh = 1000.0 * (1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963)))
        return fresh + 0.76 * self._salt_g_per_kg

    def temperature_C(self, at_s: float) -> float:
        depth = self._depths.depth_m(at_s)
        if depth is None or depth <= 0.0:
            return self._sun_C
        if self._in_water_s is None:
            self._in_water_s = at_s
        # The pod's epoxy takes some minutes to cool.
        return self._water_C + (self._sun_C - self._water_C) * math.exp(-max(0.0, at_s - self._in_water_s) / 180.0)
