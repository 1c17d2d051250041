"""Where the two ends of the pair are, for a place that the pole is held at."""

from __future__ import annotations

import math

from earthward.errors import InputError
from earthward.record.base import Point
from earthward.record.place import Station


def pair_ends(place: Station, spacing_m: float) -> tuple[Point, Point]:
    """Front and back electrode of a pair held at `place`: bearing from back to front, or front end down.

    Raises InputError where the bearing has not been said.
    """
    x, y, z = place.position_m
    half = spacing_m / 2
    if place.vertical:
        return (x, y, z + half), (x, y, z - half)
    if place.bearing_deg is None:
        raise InputError("the station has no bearing: say which way the front end points")
    angle = math.radians(place.bearing_deg)
    dx, dy = half * math.cos(angle), half * math.sin(angle)
    return (x + dx, y + dy, z), (x - dx, y - dy, z)
