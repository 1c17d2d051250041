"""EMULATED hands at the pole: nobody holds it exactly where, nor turned exactly as, he says. Own estimates."""

from __future__ import annotations

import math

import numpy as np

from earthward.emulated.scenario import Point3, Scenario
from earthward.record.place import Station
from earthward.signal.types import FloatArray

#: how well a person puts the pole down: per horizontal axis, in depth
POSITION_SIGMA_M, DEPTH_SIGMA_M = 0.06, 0.03
#: and turns it, each direction anew: bearing, lean about either level axis, by how much the hand slips per axis
BEARING_SIGMA_DEG, LEAN_SIGMA_DEG, SLIP_SIGMA_M = 10.0, 4.0, 0.03
#: now and then all that is so many times worse
CARELESS, CARELESS_TIMES = 0.05, 2.5
#: against a wall, or plumb by a spirit level: bearing, lean
WALL_DEG, WALL_LEAN_DEG, PLUMB_DEG = 2.0, 1.0, 0.3


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

    def turn_again(self) -> None:
        """At the same place, by hand: what was off by turning is drawn anew."""
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
