"""EMULATED surroundings of the demo's visit: a calendar, water that leaves, dye that is drawn, inexact hands.

All of our own invention; what depends on the hole follows from the same hole as the electrical side does.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from earthward.clock import Clock
from earthward.emulated.scenario import LeakSpec, Point3, Scenario
from earthward.water.evaporation import Weather, carrier, smith_lof_jones
from earthward.water.hole_flow import LITRES_PER_DAY, orifice_and_soil_m3_per_s

FloatArray = NDArray[np.float64]
#: the visit's invented morning
MORNING = datetime(2026, 6, 17, 8, 30, tzinfo=UTC)
#: what lies behind the liner: coarse sand to gravel
SOIL_M_PER_S = 2e-3
#: dye let go this near to a hole is drawn in
DYE_REACH_M = 0.3
#: A scripted hand needs no time from place to place, but turns a head with a gyroscope as a person would.
MOVING_S, TURNING_S = 0.15, 1.2
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


def moving_time_s(scenario: Scenario) -> float:
    """How long the scripted hand takes from one hold to the next."""
    return TURNING_S if scenario.orientation_sensor else MOVING_S


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
