"""Where the electrodes of the pole head are, for a place that it is held at.

A place is the middle of the head. A single pair and crossed pairs have their middles there. Three axes share their
front electrode, a corner of the cube that they span; the place is that cube's middle.
"""

from __future__ import annotations

import math

import msgspec

from earthward.errors import InputError
from earthward.record.base import Point
from earthward.record.place import Head, Station
from earthward.record.reading import KeptReading


def pair_ends(place: Station, spacing_m: float, head: Head = "single", channel: int = 0) -> tuple[Point, Point]:
    """Front and back electrode of the pair on an input, for a head held at `place`: bearing from back to front, or
    front end down. Channel 1 of crossed pairs lies a quarter turn to the left; of three axes channel 1 does, and
    channel 2 points down.

    Raises InputError where the bearing has not been said.
    """
    half = spacing_m / 2
    if head == "three-axis":
        axes = _axes(place)
        nose = _moved(place.position_m, [half * sum(axis[k] for axis in axes) for k in range(3)])
        return nose, _moved(nose, [-spacing_m * v for v in axes[channel]])
    if place.vertical:
        axis = (0.0, 0.0, 1.0)
    else:
        axis = _axes(place)[1 if head == "crossed" and channel else 0]
    arm = [half * v for v in axis]
    return _moved(place.position_m, arm), _moved(place.position_m, [-v for v in arm])


def held_at(reading: KeptReading, head: Head) -> Station:
    """The place that the head was held at, from one reading of it (`pair_ends` the other way round)."""
    place = reading.place
    if head != "three-axis":
        if head == "crossed" and reading.channel == 1 and place.bearing_deg is not None:
            place = msgspec.structs.replace(place, bearing_deg=(place.bearing_deg - 90.0) % 360.0)
        return place
    spacing_m = math.dist(reading.front_m, reading.back_m)
    bearing = place.bearing_deg
    if reading.channel == 1 and bearing is not None:
        bearing = (bearing - 90.0) % 360.0
    place = msgspec.structs.replace(place, vertical=False, bearing_deg=bearing or 0.0)
    back = [-spacing_m / 2 * sum(axis[k] for axis in _axes(place)) for k in range(3)]
    return msgspec.structs.replace(place, position_m=_moved(reading.front_m, back))


def _axes(place: Station) -> tuple[Point, Point, Point]:
    """Ahead, to the left, down. Raises InputError without a bearing."""
    if place.bearing_deg is None:
        raise InputError("the station has no bearing: say which way the front end points")
    angle = math.radians(place.bearing_deg)
    c, s = math.cos(angle), math.sin(angle)
    return (c, s, 0.0), (-s, c, 0.0), (0.0, 0.0, 1.0)


def _moved(point: Point, by: list[float]) -> Point:
    x, y, z = (p + d for p, d in zip(point, by, strict=True))
    return x, y, z
