"""Where a person on the deck can hold the head, and such a place in words. No field: the daemon needs this at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from earthward.pool import polygon
from earthward.pool.shape import Pool
from earthward.record.place import Station

FloatArray = NDArray[np.float64]

Direction = Literal["toward", "along", "upright"]
DIRECTIONS: tuple[Direction, ...] = get_args(Direction)


def within_reach(pool: Pool, reach_m: float = 2.5, off_wall_m: float = 0.3, step_m: float = 0.7) -> FloatArray:
    """A net of places (n, 3) a person on the deck can put the head: within `reach_m` of a wall, two depths."""
    x0, y0, x1, y1 = pool.bounds_m
    nx = max(2, round((x1 - x0 - 2 * off_wall_m) / step_m) + 1)
    ny = max(2, round((y1 - y0 - 2 * off_wall_m) / step_m) + 1)
    grid = np.stack(
        np.meshgrid(
            np.linspace(x0 + off_wall_m, x1 - off_wall_m, nx),
            np.linspace(y0 + off_wall_m, y1 - off_wall_m, ny),
            indexing="ij",
        ),
        axis=-1,
    ).reshape(-1, 2)
    gap, _, _ = polygon.nearest_edge(pool.outline, grid)
    grid = grid[polygon.inside(pool.outline, grid) & (gap >= off_wall_m - 1e-6) & (gap <= reach_m)]
    places = []
    for x, y in grid:
        deep = float(pool.depth_at(x, y))
        for share in (0.35, 0.75):
            z = round(float(np.clip(share * deep, 0.25, max(0.25, deep - 0.2))), 1)
            places.append((x, y, z))
    return np.array(sorted(set(places)))


def first_place(pool: Pool, centre_m: FloatArray, taken_m: Sequence[FloatArray] = ()) -> Station:
    """Without readings to go by: the place of `centre_m` farthest from all stations so far (or a quarter point)."""
    if taken_m:
        gap = np.min(np.linalg.norm(centre_m[:, None] - np.array(taken_m)[None], axis=-1), axis=1)
        k = int(np.argmax(gap))
    else:
        x0, y0, x1, y1 = pool.bounds_m
        quarter = np.array([x0 + 0.25 * (x1 - x0), y0 + 0.25 * (y1 - y0), 0.6])
        k = int(np.argmin(((centre_m - quarter) ** 2).sum(1)))
    return describe(pool, centre_m[k])


def toward_wall(pool: Pool, centre_m: FloatArray) -> FloatArray:
    """Level unit vectors (n, 3) from places (n, 3) to the nearest wall."""
    at = centre_m[:, :2]
    _, edge, fraction = polygon.nearest_edge(pool.outline, at)
    a, b = pool.outline[edge], np.roll(pool.outline, -1, axis=0)[edge]
    d = a + fraction[:, None] * (b - a) - at
    on_it = np.linalg.norm(d, axis=1) < 1e-6
    d[on_it] = np.stack([(b - a)[:, 1], -(b - a)[:, 0]], axis=1)[on_it]
    return np.column_stack([d / np.linalg.norm(d, axis=1, keepdims=True), np.zeros(len(d))])


def describe(pool: Pool, centre_m: FloatArray, direction: Direction = "toward") -> Station:
    """A place and the direction to begin with, in words a person on the deck can follow. An upright pair has a bearing
    as well: the level one to go on with."""
    x, y, z = (float(v) for v in centre_m)
    place = pool.wall_place(x, y)
    dx, dy, _ = toward_wall(pool, np.asarray(centre_m)[None])[0]
    held = "front end toward the wall"
    if direction == "along":
        dx, dy = -dy, dx
        on = pool.wall_place(x + 0.05 * dx, y + 0.05 * dy).along_m > place.along_m
        held = f"pair along the wall, front end {'away from' if on else 'toward'} its {place.mark}"
    elif direction == "upright":
        held = "pair upright, front end down, then its front end toward the wall"
    bearing = round(math.degrees(math.atan2(dy, dx)), 1) % 360.0
    text = f"{place.text}, {z:.1f} m deep, {held}"
    return Station(
        position_m=(round(x, 2), round(y, 2), round(z, 2)),
        bearing_deg=bearing,
        vertical=direction == "upright",
        text=text,
    )
