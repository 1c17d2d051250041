"""Where the electrodes of the pole head are, for a place that it is held at.

A place is the middle of the head. A single pair and crossed pairs have their middles there. Three axes share their
front electrode, a corner of the cube that they span; the place is that cube's middle.
"""

from __future__ import annotations

import math

import msgspec

from earthward.errors import InputError
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.place import Depth, Head, Orientation, Station
from earthward.record.reading import KeptReading

#: A head that leans, or points, this far from how it is said to be held is held otherwise.
OTHERWISE_DEG = 40.0
#: How well the pool's own depth is noted.
NOTED_M = 0.1
#: Pairs of each head.
CHANNELS: dict[Head, int] = {"single": 1, "crossed": 2, "three-axis": 3}


class HeldOtherwise(InputError):
    """The sensor in the head sees it held otherwise than asked: it has to be turned."""

    code = "held otherwise"


def pair_ends(
    place: Station, spacing_m: float, head: Head = "single", channel: int = 0, orientation: Orientation | None = None
) -> tuple[Point, Point]:
    """Front and back electrode of the pair on an input, for a head held at `place`: bearing from back to front, or
    front end down. Channel 1 of crossed pairs lies a quarter turn to the left; of three axes channel 1 does, and
    channel 2 points down. `orientation`: what a sensor in the head says; where its bearing is not known, the place's
    counts and it tells the lean.

    Raises InputError where the bearing has not been said, or the head is not held as said.
    """
    half = spacing_m / 2
    if orientation is not None:
        axes = _sensed(place, head, orientation)
        # A single pair held upright points down with its axis ahead: the sensor tells that as it is.
        upright = False
    else:
        upright = place.vertical and head != "three-axis"
        axes = ((0.0, 0.0, 1.0),) * 3 if upright else _axes(place)
    if head == "three-axis":
        nose = _moved(place.position_m, [half * sum(axis[k] for axis in axes) for k in range(3)])
        return nose, _moved(nose, [-spacing_m * v for v in axes[channel]])
    axis = axes[1 if head == "crossed" and channel and not upright else 0]
    arm = [half * v for v in axis]
    return _moved(place.position_m, arm), _moved(place.position_m, [-v for v in arm])


def sensors_m(head: Head, spacing_m: float) -> Point:
    """Where the pod with the head's sensors is from the head's middle: ahead, to the left, up. It sits half-way between
    the first pair's electrodes; of three axes that is the rear arm, at the foot of the pole."""
    half = spacing_m / 2
    return (0.0, half, -half) if head == "three-axis" else (0.0, 0.0, 0.0)


def at_depth(
    pool: Pool, place: Station, spacing_m: float, head: Head, orientation: Orientation | None, told: Depth
) -> Station | None:
    """The place with its depth as a sensor tells it, no electrode above the surface or below the floor; None if the
    sensor cannot be right there. InputError as `pair_ends`."""
    x, y, _ = place.position_m
    here = msgspec.structs.replace(place, position_m=(x, y, told.depth_m))
    ends = [end for k in range(CHANNELS[head]) for end in pair_ends(here, spacing_m, head, k, orientation)]
    deep = pool.depth_at([p[0] for p in ends], [p[1] for p in ends])
    sunk = max(p[2] - float(floor) for p, floor in zip(ends, deep, strict=True))
    risen = max(-p[2] for p in ends)
    most = 3.0 * told.sigma_m + NOTED_M
    if sunk > most or risen > most:
        return None
    return msgspec.structs.replace(place, position_m=(x, y, told.depth_m - max(sunk, 0.0) + max(risen, 0.0)))


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


def _sensed(place: Station, head: Head, told: Orientation) -> tuple[Point, Point, Point]:
    """Ahead, to the left, down as a sensor says. Raises InputError if the head is not held as said."""
    axes = (told.ahead, told.left, (-told.up[0], -told.up[1], -told.up[2]))
    if place.vertical and head != "three-axis":
        if _apart_deg(told.ahead, (0.0, 0.0, 1.0)) > OTHERWISE_DEG:
            raise HeldOtherwise("the pair is not held upright, front end down, as the orientation sensor sees it")
        return axes
    if told.bearing_deg is None or _apart_deg(told.up, (0.0, 0.0, -1.0)) > OTHERWISE_DEG:
        raise HeldOtherwise("the head is not held level, as the orientation sensor sees it: hold the pole upright")
    if place.bearing_deg is None:
        raise InputError("the station has no bearing: say which way the front end points")
    off = math.remainder(place.bearing_deg - told.bearing_deg, 360.0)
    if told.bearing_sigma_deg is None:
        return tuple(_about_up(axis, off) for axis in axes)  # type: ignore[return-value]
    if abs(off) > OTHERWISE_DEG:
        raise HeldOtherwise(
            f"the head points to {told.bearing_deg:.0f} degrees and not to {place.bearing_deg:.0f}, as the orientation "
            "sensor sees it: turn it as asked, or hold it square to a wall and say so"
        )
    return axes


def _apart_deg(a: Point, b: Point) -> float:
    return math.degrees(math.acos(max(-1.0, min(1.0, sum(u * v for u, v in zip(a, b, strict=True))))))


def _about_up(v: Point, angle_deg: float) -> Point:
    """Turned from +x towards +y."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return c * v[0] - s * v[1], s * v[0] + c * v[1], v[2]


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
