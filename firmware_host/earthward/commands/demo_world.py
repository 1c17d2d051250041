"""EMULATED surroundings of the demo's visit: a calendar, water that leaves, dye that is drawn, inexact hands.

All of our own invention; what depends on the hole follows from the same hole as the electrical side does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from earthward.clock import Clock
from earthward.emulated.scenario import LeakSpec, Point3, Scenario
from earthward.record.place import Station
from earthward.water.evaporation import Weather, carrier, smith_lof_jones
from earthward.water.hole_flow import LITRES_PER_DAY, orifice_and_soil_m3_per_s

#: the visit's invented morning
MORNING = datetime(2026, 6, 17, 8, 30, tzinfo=UTC)
#: what lies behind the liner: coarse sand to gravel
SOIL_M_PER_S = 2e-3
#: dye let go this near to a hole is drawn in
DYE_REACH_M = 0.3
#: how well a person holds the pole: per horizontal axis, in depth, in bearing
POSITION_SIGMA_M, DEPTH_SIGMA_M, BEARING_SIGMA_DEG = 0.06, 0.03, 5.0
#: readings of the ruler, and how a bucket's evaporation differs from the pool's
RULER_SIGMA_MM, BUCKET_SIGMA = 0.5, 0.04


class Calendar:
    """Calendar time of the emulated visit: goes with the bench's clock, and is put on where people wait for hours."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._from_s = clock.now()
        self._skipped_s = 0.0

    def __call__(self) -> float:
        return MORNING.timestamp() + self._clock.now() - self._from_s + self._skipped_s

    def skip(self, *, minutes: float = 0.0, hours: float = 0.0) -> None:
        self._skipped_s += 60.0 * minutes + 3600.0 * hours


def leak_L_per_day(leak: LeakSpec) -> float:
    """What the hole lets through under the water above it, with the soil behind it."""
    flow = orifice_and_soil_m3_per_s(leak.diameter_mm / 1000, leak.position_m[2], SOIL_M_PER_S)
    return flow * LITRES_PER_DAY


def level_log(scenario: Scenario, begin_s: float, hours: int, leak: float, draw: np.random.Generator) -> str:
    """A bucket test with six-hourly weather and twelve-hourly readings, as a person would write it down.

    `leak` in L/day. First half with the pump off. Evaporation: the mean of two published formulas, times a factor that
    nobody at the pool knows.
    """
    area = scenario.length_m * scenario.width_m
    begin = datetime.fromtimestamp(begin_s, UTC).replace(minute=0, second=0)
    lines = [
        "# Invented level log of an emulated pool", f"# area_m2: {area:.2f}", f"# depth_m: {scenario.depth_m:g}",
        f"# reading_sigma_mm: {RULER_SIGMA_MM:g}", "# exposure: sheltered", "# wind_height_m: 10",
        "time,pool_below_mm,bucket_below_mm,pump,rain_mm,water_C,air_C,rh_percent,wind_m_per_s",
    ]  # fmt: skip
    pool = bucket = 0.0
    methods = float(draw.normal(1.0, 0.12))
    bucket_factor = float(draw.normal(1.0, BUCKET_SIGMA))
    for n in range(hours // 6 + 1):
        moment = begin + timedelta(hours=6 * n)
        day = 2 * math.pi * (moment.hour - 9) / 24
        air, humidity = scenario.temperature_C - 3.0 + 5.0 * math.sin(day), 0.6 - 0.12 * math.sin(day)
        wind = 1.6 + 0.8 * math.sin(day - 0.5)
        shown = ","
        if n % 2 == 0:
            read = draw.normal(0.0, RULER_SIGMA_MM, 2)
            shown = f"{100 + pool + read[0]:.1f},{40 + bucket + read[1]:.1f}"
        pump = "on" if 6 * n >= hours // 2 else "off"
        lines.append(
            f"{moment:%Y-%m-%d %H:%M},{shown},{pump},0,{scenario.temperature_C:.1f},{air:.1f},"
            f"{100 * humidity:.0f},{wind:.1f}"
        )
        weather = Weather(scenario.temperature_C, air, humidity, 0.3 * wind)
        evaporated = methods * 0.5 * (0.75 * carrier(weather) + smith_lof_jones(weather)) / 4
        pool += evaporated + leak / area / 4
        bucket += evaporated * bucket_factor
    return "\n".join(lines) + "\n"


def dye_drawn(scenario: Scenario, near_m: Point3, reach_m: float) -> LeakSpec | None:
    """The hole that draws in dye let go within `reach_m` of a place, if there is one."""
    near = [leak for leak in scenario.leaks if math.dist(leak.position_m, near_m) <= max(reach_m, DYE_REACH_M)]
    return min(near, key=lambda leak: math.dist(leak.position_m, near_m)) if near else None


@dataclass(frozen=True)
class PoleErrors:
    """By how much the pole is not where the person thinks: one for each time it is put down."""

    shift_m: Point3
    turn_deg: float

    @classmethod
    def draw(cls, draw: np.random.Generator) -> PoleErrors:
        x, y = draw.normal(0.0, POSITION_SIGMA_M, 2)
        z = draw.normal(0.0, DEPTH_SIGMA_M)
        return cls((float(x), float(y), float(z)), float(draw.normal(0.0, BEARING_SIGMA_DEG)))

    def at(self, place: Station, scenario: Scenario) -> tuple[Point3, float]:
        """Where the middle and which way the front end really is; walls, floor and surface stop the electrodes."""
        half = scenario.spacing_m / 2 + 0.02
        bearing = (place.bearing_deg or 0.0) + self.turn_deg
        if place.vertical:
            reach = (0.02, 0.02, half)
        else:
            angle = math.radians(bearing)
            reach = (half * abs(math.cos(angle)) + 0.02, half * abs(math.sin(angle)) + 0.02, 0.02)
        size = (scenario.length_m, scenario.width_m, scenario.depth_m)
        held = zip(place.position_m, self.shift_m, reach, size, strict=True)
        x, y, z = (min(max(p + d, r), max(end - r, r)) for p, d, r, end in held)
        return (x, y, z), bearing
