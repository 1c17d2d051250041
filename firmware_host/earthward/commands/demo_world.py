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
from earthward.record.place import Station
from earthward.water.evaporation import Weather, carrier, smith_lof_jones
from earthward.water.hole_flow import LITRES_PER_DAY, orifice_and_soil_m3_per_s

FloatArray = NDArray[np.float64]
#: the visit's invented morning
MORNING = datetime(2026, 6, 17, 8, 30, tzinfo=UTC)
#: what lies behind the liner: coarse sand to gravel
SOIL_M_PER_S = 2e-3
#: dye let go this near to a hole is drawn in
DYE_REACH_M = 0.3
#: how well a person puts the pole down: per horizontal axis, in depth
POSITION_SIGMA_M, DEPTH_SIGMA_M = 0.06, 0.03
#: and turns it, each direction anew: bearing, lean about either level axis, by how much the hand slips per axis
BEARING_SIGMA_DEG, LEAN_SIGMA_DEG, SLIP_SIGMA_M = 10.0, 4.0, 0.03
#: now and then all that is so many times worse
CARELESS, CARELESS_TIMES = 0.05, 2.5
#: against a wall, or plumb by a spirit level: bearing, lean
WALL_DEG, WALL_LEAN_DEG, PLUMB_DEG = 2.0, 1.0, 0.3
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


class HandHeldPole:
    """A person's hold of the pole: put down anew, its place is off by as much for all directions read there; each turn
    into another direction brings a bearing, a lean and a slip of the hand of its own. Walls, floor and surface stop the
    electrodes."""

    def __init__(self, scenario: Scenario, draw: np.random.Generator) -> None:
        self._scenario = scenario
        self._draw = draw
        self._shift = np.zeros(3)
        self._turn: tuple[float, bool] | None = None
        self.holds = 0
        self._slip, self._angles = np.zeros(3), np.zeros(3)
        self.put_down()

    def put_down(self) -> None:
        sigma = (POSITION_SIGMA_M, POSITION_SIGMA_M, DEPTH_SIGMA_M)
        self._shift = self._care() * self._draw.normal(0.0, sigma)
        self._turn = None

    def steady(
        self, place: Station, bearing_deg: float, lean_deg: float
    ) -> tuple[Point3, Point3, tuple[tuple[Point3, Point3], ...]]:
        """The same with the head against something that holds it: errors of the angles as stated (one standard
        deviation), none of the place."""
        self._turn, self._shift, self._slip = None, np.zeros(3), np.zeros(3)
        self._angles = self._draw.normal(0.0, np.radians([lean_deg, lean_deg, bearing_deg]))
        return self._held(place)

    def ends(self, place: Station) -> tuple[Point3, Point3, tuple[tuple[Point3, Point3], ...]]:
        """Front and back electrode, and those of the head's further pairs, where they really are while the person says
        `place`."""
        wanted = ((place.bearing_deg or 0.0) % 360.0, place.vertical)
        if wanted != self._turn:
            worse = self._care()
            self._turn = wanted
            self.holds += 1
            self._slip = worse * self._draw.normal(0.0, SLIP_SIGMA_M, 3)
            spread = np.radians([LEAN_SIGMA_DEG, LEAN_SIGMA_DEG, BEARING_SIGMA_DEG])
            self._angles = worse * self._draw.normal(0.0, spread)
        return self._held(place)

    def _held(self, place: Station) -> tuple[Point3, Point3, tuple[tuple[Point3, Point3], ...]]:
        offsets = [_leaning(e, self._angles) for e in self._head(place.bearing_deg or 0.0, place.vertical)]
        s = self._scenario
        reach = np.abs(offsets).max(axis=0) + 0.02
        size = np.array([s.length_m, s.width_m, s.depth_m])
        held = np.asarray(place.position_m) + self._shift + self._slip
        middle = np.minimum(np.maximum(held, reach), np.maximum(size - reach, reach))
        points = [_point(middle + e) for e in offsets]
        front, back = points[:2]
        rest = [points[0], points[2], points[0], points[3]] if s.head == "three-axis" else points[2:]
        return front, back, tuple(zip(rest[::2], rest[1::2], strict=True))

    def _head(self, bearing_deg: float, vertical: bool) -> list[FloatArray]:
        """The head's electrodes from its middle, as it would be held: front, back, then the others."""
        half, head = self._scenario.spacing_m / 2, self._scenario.head
        bearing = math.radians(bearing_deg) + self._angles[2]
        ahead = half * np.array([math.cos(bearing), math.sin(bearing), 0.0])
        left, down = half * np.array([-math.sin(bearing), math.cos(bearing), 0.0]), np.array([0.0, 0.0, half])
        if head == "three-axis":
            nose = ahead + left + down
            return [nose, nose - 2 * ahead, nose - 2 * left, nose - 2 * down]
        along = [down, -down] if vertical else [ahead, -ahead]
        # The second pair stays in the water, level, however the first one is held.
        return [*along, left, -left] if head == "crossed" else along

    def _care(self) -> float:
        return CARELESS_TIMES if self._draw.random() < CARELESS else 1.0


def _leaning(vector: FloatArray, angles: FloatArray) -> FloatArray:
    """A vector turned as the pole leans, by angles about x and y."""
    lean = math.hypot(angles[0], angles[1])
    if lean == 0.0:
        return vector
    about = np.array([angles[0], angles[1], 0.0]) / lean
    turned: FloatArray = (
        vector * math.cos(lean)
        + np.cross(about, vector) * math.sin(lean)
        + about * (about @ vector) * (1.0 - math.cos(lean))
    )
    return turned


def _point(place: FloatArray) -> Point3:
    return float(place[0]), float(place[1]), float(place[2])
