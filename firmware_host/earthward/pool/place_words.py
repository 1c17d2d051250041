"""A place on the liner in a deck person's words."""

from __future__ import annotations

from collections.abc import Callable

from earthward.pool.shape import Pool
from earthward.record.base import Point


def place_in_words(pool: Pool, position_m: Point, length: Callable[[float], str] = "{:.1f} m".format) -> str:
    """On a wall or on the floor; lengths are said by `length`, for other units."""
    x, y, z = position_m
    place = pool.wall_place(x, y)
    along = f"{length(place.along_m)} along the {place.wall} from its {place.mark}"
    if place.off_m < 0.06:
        return f"{along}, {length(z)} deep"
    return f"on the floor {along}, {length(place.off_m)} off the wall"
