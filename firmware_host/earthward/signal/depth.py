"""How deep the pole head is, from a pressure sensor in it. Pure; time is an argument.

The sensor is zeroed at the water's surface: what it shows there is the air's pressure and its own offset together.
From then on depth is the rise of the pressure over the weight of the water. The air's pressure goes on changing and
cannot be told from depth, so sigma grows with the time since the zero; so it does with what the sensor has warmed or
cooled since. What cannot be told is said, never guessed.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from earthward.record.calibration import DepthZero
from earthward.record.place import Depth, Orientation

GRAVITY = 9.80665
#: Density of fresh water, kg/m3, by temperature, degrees Celsius (CRC Handbook of Chemistry and Physics, from memory).
DENSITY_C = (0.0, 4.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
DENSITY = (999.84, 999.97, 999.70, 999.10, 998.21, 997.05, 995.65, 994.03, 992.22)
#: Of a depth: salt for a chlorinator makes the water up to 0.3 % heavier, gravity differs by 0.25 % from place to
#: place, the sensor's scale (own estimate).
SCALE_SIGMA = 0.004
#: How well a hand holds the sensor's hole at the surface; in the air a metre above it it would see 1.2 mm.
ZERO_SIGMA_M = 0.005
#: The air's pressure changes by so much an hour (own estimate for settled weather; a front brings three times that),
#: the sensor's own offset by so much a kelvin (own estimate for a part of this class).
AIR_PA_PER_H, OFFSET_PA_PER_K = 70.0, 2.0
#: Looks of so long make one depth: waves and the hand's sway lie within it.
MEAN_S = 1.0
#: Fewer looks than this at one place tell no depth.
LEAST_LOOKS = 3
#: No depth is told for better than this, nor one that is worse: the mark on the pole is better then.
LEAST_SIGMA_M, WORST_SIGMA_M = 0.01, 0.05
#: A pressure that scatters by more than this (standard deviation) was not taken at rest at the surface.
ZERO_SCATTER_PA = 30.0
#: No air has more or less (highest pressure ever seen at sea level 1085 hPa, from memory; 3,500 m of height).
AIR_PA = (65e3, 108.5e3)
#: What the sensor can show at all, and what no pool is deeper than.
RANGE_PA, DEEPEST_M = (26e3, 406e3), 10.0
#: So far above the surface, as it seems: the zero was taken under water, or the air's pressure has fallen.
ABOVE_M = 0.15
#: Numbers that do not move at all for so long come from a sensor that has stopped; without a look for so long it is
#: away.
FROZEN_S, UNSEEN_S = 1.5, 0.6
#: Without an orientation sensor the head may lean by so much, and a sensor beside its middle is then off.
LEAN_DEG = 4.0

NO_ZERO = "The depth is not known: hold the head at the water's surface and say so."
TOO_LONG = "The depth was zeroed too long ago for the air's pressure: hold the head at the surface again."
STOPPED = "The depth sensor has stopped (its numbers do not change): depth is what people say."
OUT_OF_RANGE = "The depth sensor shows {:.0f} hPa, which is outside its range: depth is what people say."
TOO_DEEP = "The depth sensor shows {:.1f} m, deeper than any pool: hold the head at the surface and zero it again."
ABOVE = "The depth sensor shows {:.2f} m above the surface: hold the head at the surface and zero it again."


@dataclass(frozen=True, slots=True)
class Pressed:
    """One look at the sensor."""

    t_s: float
    pressure_Pa: float
    temperature_C: float


class DepthFilter:
    """Takes every look; tells the depth now. Not thread-safe: one owner.

    port_m: where the sensor's hole is from the head's middle: ahead, to the left, up. `zero` with its time on the clock
    of the looks."""

    def __init__(self, port_m: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> None:
        self._port_m = port_m
        self._recent: deque[Pressed] = deque()
        self._changed_s = -math.inf
        self.zero: DepthZero | None = None
        self._zero_s = 0.0

    def add(self, look: Pressed) -> None:
        """Looks come in the order of time."""
        last = self._recent[-1] if self._recent else None
        if last is None or look.pressure_Pa != last.pressure_Pa:
            self._changed_s = look.t_s
        if last is not None and look.t_s - last.t_s > UNSEEN_S:
            self._recent.clear()
        self._recent.append(look)
        while look.t_s - self._recent[0].t_s > MEAN_S:
            self._recent.popleft()

    def use_zero(self, zero: DepthZero, at_s: float) -> None:
        """A zero of before, taken at `at_s` on the clock of the looks."""
        self.zero, self._zero_s = zero, at_s

    def take_zero(self, wall_s: float) -> str:
        """The head is held at the surface: what it shows is zero. A sentence that says why not; empty if it was taken.
        `wall_s`: the calendar now."""
        looks = self._recent
        if len(looks) < 4 or looks[-1].t_s - looks[0].t_s < 0.7 * MEAN_S:
            return "the depth sensor has not been seen for long enough; hold the head there and say so again"
        pressure = np.array([x.pressure_Pa for x in looks])
        mean = float(pressure.mean())
        if not AIR_PA[0] <= mean <= AIR_PA[1]:
            return f"the depth sensor shows {mean / 100:.0f} hPa, which no air has: lift the head out of the water"
        if float(pressure.std()) > ZERO_SCATTER_PA:
            return "the head is not held still at the surface; hold it there and say so again"
        temperature = float(np.mean([x.temperature_C for x in looks]))
        self.zero = DepthZero(pressure_Pa=mean, temperature_C=temperature, time_s=wall_s)
        self._zero_s = looks[-1].t_s
        return ""

    def now(self, t_s: float, held: Orientation | None = None, since_s: float = -math.inf) -> Depth | None:
        """None while nothing can be said (`note` says why). `held`: how the head is held, if a sensor tells. `since_s`:
        what was seen before belongs to another place."""
        if not self.seen(t_s) or self.note(t_s) or self.zero is None:
            return None
        looks = [x for x in self._recent if x.t_s >= since_s]
        return self._depth(self.zero, t_s, held, looks) if len(looks) >= LEAST_LOOKS else None

    def note(self, t_s: float) -> str:
        """What is the matter; empty if nothing is."""
        looks = self._recent
        if not looks or t_s - looks[-1].t_s > UNSEEN_S:
            return "" if self.zero is not None else NO_ZERO
        if looks[-1].t_s - self._changed_s > FROZEN_S:
            return STOPPED
        pressure_Pa = looks[-1].pressure_Pa
        if not (math.isfinite(pressure_Pa) and RANGE_PA[0] <= pressure_Pa <= RANGE_PA[1]):
            return OUT_OF_RANGE.format(pressure_Pa / 100.0)
        if self.zero is None:
            return NO_ZERO
        port_m = self._port_depth(self.zero, list(looks))
        if port_m > DEEPEST_M:
            return TOO_DEEP.format(port_m)
        if port_m < -ABOVE_M:
            return ABOVE.format(-port_m)
        return TOO_LONG if self._drift_m(self.zero, t_s) > WORST_SIGMA_M else ""

    def seen(self, t_s: float) -> bool:
        """There was a look lately."""
        return bool(self._recent) and t_s - self._recent[-1].t_s <= UNSEEN_S

    def _port_depth(self, zero: DepthZero, looks: list[Pressed]) -> float:
        """The median: waves, and a look at the wrong moment."""
        return (float(np.median([x.pressure_Pa for x in looks])) - zero.pressure_Pa) / self._weight()

    def _weight(self) -> float:
        """Of the water, Pa for each metre."""
        return float(np.interp(self._recent[-1].temperature_C, DENSITY_C, DENSITY)) * GRAVITY

    def _drift_m(self, zero: DepthZero, t_s: float) -> float:
        """What air and sensor may have changed by since the zero."""
        air_Pa = AIR_PA_PER_H * max(0.0, t_s - self._zero_s) / 3600.0
        own_Pa = OFFSET_PA_PER_K * abs(self._recent[-1].temperature_C - zero.temperature_C)
        return math.hypot(air_Pa, own_Pa) / self._weight()

    def _depth(self, zero: DepthZero, t_s: float, held: Orientation | None, looks: list[Pressed]) -> Depth:
        port_m = self._port_depth(zero, looks)
        pressure = [x.pressure_Pa for x in looks]
        spread_m = float(np.percentile(pressure, 84) - np.percentile(pressure, 16)) / 2.0 / self._weight()
        ahead, left, up = self._port_m
        if held is None:
            below, lean = -up, math.radians(LEAN_DEG)
        else:
            below = ahead * held.ahead[2] + left * held.left[2] + up * held.up[2]
            lean = math.radians(held.tilt_sigma_deg)
        beside_m = math.hypot(ahead, left) * lean
        sigma = math.hypot(ZERO_SIGMA_M, SCALE_SIGMA * port_m, self._drift_m(zero, t_s), spread_m, beside_m)
        return Depth(depth_m=port_m - below, sigma_m=max(sigma, LEAST_SIGMA_M))
