"""The pool file: TOML text to `Pool` and back. The format is described in docs/pool-file.md.

Pure: takes and gives text. Whoever opens the file passes its name as `where`, so that errors name it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, TypeVar

import msgspec
import numpy as np

from earthward.errors import InputError
from earthward.pool import polygon
from earthward.pool import pool_tables as t
from earthward.pool.shape import Floor, Point2, Pool, Stair
from earthward.pool.tape import Chord, TapedPoint, outline_from_tape
from earthward.record.place import Fitting, Mark, Placement
from earthward.validation import from_toml

# A fitting sits on the liner; taping errors of this size are believed, more is a mistake in the file.
FITTING_OFF_LINER_LIMIT_m = 0.3
Table = TypeVar("Table", bound=t.Table)


def parse_pool(text: str, where: str = "pool file") -> Pool:
    """Read a pool from TOML text. Raises InputError with one sentence that names the key."""
    file = from_toml(text, t.PoolFile, where)
    shape, outline = _outline(file.pool, where)
    extent = (0.0, 0.0)
    if isinstance(file.pool, t.RectangleHead | t.OvalHead):
        extent = (file.pool.length_m, file.pool.width_m)
    conductivity = file.water.conductivity_S_per_m
    if conductivity > 10:
        raise InputError(
            f"{where}: water.conductivity_S_per_m = {conductivity:g} is beyond brine; it is in siemens per metre"
            " (2000 uS/cm is 0.2)."
        )
    pool = Pool(
        outline_m=tuple(_checked(outline, where)),
        floor=_floor(file.floor, where),
        water_conductivity_S_per_m=conductivity,
        temperature_C=file.water.temperature_C,
        sources=tuple(_source(entry, n, where) for n, entry in enumerate(_each(file.source))),
        fittings=tuple(
            Fitting(name=f.name or f.kind, kind=f.kind, position_m=f.position_m, covered=f.covered)
            for f in _each(file.fitting)
        ),
        steps=tuple(_step(entry, n, where) for n, entry in enumerate(_each(file.step))),
        marks=tuple(Mark(name=mark.name, position_m=mark.position_m) for mark in _each(file.mark)),
        name=file.pool.name,
        shape=shape,
        extent_m=extent,
    )
    check_pool(pool, where)
    return pool


def check_pool(pool: Pool, where: str = "pool file") -> None:
    """What must hold between the parts: sources in the water, fittings on the liner, steps below the surface."""
    for step in pool.steps:
        centre = np.mean(np.array(step.outline_m), axis=0)
        if not polygon.inside(pool.outline, centre[None])[0]:
            raise InputError(f"{where}: a step centred at {_at(centre)} is outside the outline.")
        if not 0 < step.depth_m < float(pool.floor.depth_at(centre[0], centre[1])):
            raise InputError(
                f"{where}: the step at {_at(centre)} has depth_m = {step.depth_m:g}; its top must lie between"
                " the surface and the floor."
            )
    seen: set[int] = set()
    for source in pool.sources:
        if source.source_id in seen:
            raise InputError(f"{where}: two [[source]] entries have id = {source.source_id}; number the placements.")
        seen.add(source.source_id)
        if not pool.contains(np.array([source.position_m]))[0]:
            raise InputError(
                f"{where}: source {source.source_id} at {_at(source.position_m)} is outside the water;"
                " check source.position_m (x, y, depth)."
            )
    names: set[str] = set()
    for fitting in pool.fittings:
        if fitting.name in names:
            raise InputError(f'{where}: two fittings are named "{fitting.name}"; give each its own name.')
        names.add(fitting.name)
        off = float(pool.distance_to_liner_m(np.array([fitting.position_m]))[0])
        # The distance is good to a few millimetres: do not refuse what is exactly at the limit.
        if off > FITTING_OFF_LINER_LIMIT_m + 0.005:
            raise InputError(
                f'{where}: fitting "{fitting.name}" at {_at(fitting.position_m)} is {off:.2f} m off the liner'
                f" (at most {FITTING_OFF_LINER_LIMIT_m} m is accepted); check its position_m."
            )


def format_pool(pool: Pool) -> str:
    """The pool as TOML text that `parse_pool` reads back to an equal pool."""
    head: t.AnyHead
    if pool.shape == "polygon":
        head = t.PolygonHead(name=pool.name, outline_m=list(pool.outline_m))
    else:
        kind = t.OvalHead if pool.shape == "oval" else t.RectangleHead
        head = kind(name=pool.name, length_m=pool.extent_m[0], width_m=pool.extent_m[1])
    file = t.PoolFile(
        pool=head,
        floor=_floor_table(pool.floor),
        water=t.WaterTable(conductivity_S_per_m=pool.water_conductivity_S_per_m, temperature_C=pool.temperature_C),
        step=[t.StepTable(outline_m=list(step.outline_m), depth_m=step.depth_m) for step in pool.steps],
        mark=[t.MarkTable(name=mark.name, position_m=mark.position_m) for mark in pool.marks],
        source=[
            t.SourceTable(id=s.source_id, position_m=s.position_m, current_A=s.current_A or 0.0) for s in pool.sources
        ],
        fitting=[
            t.FittingTable(name=f.name, kind=f.kind, position_m=f.position_m, covered=f.covered) for f in pool.fittings
        ],
    )
    # An empty list of tables says nothing, and `step = []` would puzzle a person.
    import tomlkit  # only who writes a pool needs it

    return tomlkit.dumps({key: table for key, table in msgspec.to_builtins(file).items() if table != []})


# --- reading ---------------------------------------------------------------------------------------------


def _each(tables: list[Table] | Table) -> list[Table]:
    return tables if isinstance(tables, list) else [tables]


def _outline(head: t.AnyHead, where: str) -> tuple[Literal["rectangle", "polygon", "oval"], Sequence[Point2]]:
    if isinstance(head, t.PolygonHead):
        return "polygon", _given_outline(head.outline_m, where)
    if isinstance(head, t.TapedHead):
        return "polygon", _taped(head, where)
    length, width = head.length_m, head.width_m
    if isinstance(head, t.RectangleHead):
        return "rectangle", [(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)]
    if isinstance(head, t.OvalHead):
        return "oval", _as_points(polygon.ellipse(length, width))
    if isinstance(head, t.KidneyHead):
        return "polygon", _as_points(polygon.kidney(length, width))
    if head.notch_length_m >= length or head.notch_width_m >= width:
        raise InputError(f"{where}: the notch of the L must be smaller than the pool in both directions.")
    return "polygon", _as_points(polygon.l_shape(length, width, head.notch_length_m, head.notch_width_m))


def _given_outline(outline: list[Point2], where: str) -> list[Point2]:
    if outline[0] == outline[-1] and len(outline) > 3:
        outline = outline[:-1]
    for n, point in enumerate(outline):
        if max(abs(point[0]), abs(point[1])) > 200:
            raise InputError(f"{where}: pool.outline_m, pair {n + 1}, is beyond 200 m; coordinates are in metres.")
        if point == outline[n - 1]:
            raise InputError(f"{where}: pool.outline_m repeats the point {_at(point)}; remove one.")
    return outline


def _checked(outline: Sequence[Point2], where: str) -> Sequence[Point2]:
    """The outline, counter-clockwise, if water can be inside it."""
    crossing = polygon.crossing_edges(np.array(outline))
    if crossing is not None:
        i, j = crossing
        raise InputError(
            f"{where}: the outline crosses itself: edge {i + 1} meets edge {j + 1};"
            " give pool.outline_m in order around the pool."
        )
    area_m2 = polygon.signed_area_m2(np.array(outline))
    if abs(area_m2) < 0.05:
        raise InputError(f"{where}: the outline encloses less than 0.05 m2 of water; check pool.outline_m and units.")
    return outline if area_m2 > 0 else outline[::-1]


def _taped(head: t.TapedHead, where: str) -> list[Point2]:
    """The rim's points from their distances to two marks on the deck. A tape that does not agree with the others is
    refused by its name: a pool that is drawn wrong moves every finding."""
    found = outline_from_tape(
        head.marks_apart_m,
        [TapedPoint(a, b) for a, b in head.taped_m],
        [Chord(first - 1, second - 1, length) for first, second, length in head.chords_m],
        {"left": 1, "right": -1}[head.side],
        where=f"{where}: pool.taped_m",
    )
    if found.doubtful:
        raise InputError(
            f"{where}: the tapes do not agree with each other (rms {found.rms_m * 100:.1f} cm): measure "
            f"{found.doubtful[0]} again."
        )
    return _as_points(found.outline_m)


def _as_points(outline: np.ndarray[Any, np.dtype[np.float64]]) -> list[Point2]:
    # Micrometres are enough, and the file stays readable.
    return [(round(float(x), 6), round(float(y), 6)) for x, y in outline]


def _floor(table: t.AnyFloor, where: str) -> Floor:
    if isinstance(table, t.FlatTable):
        return Floor("flat", table.depth_m)
    if isinstance(table, t.ProfileTable):
        profile = table.profile_m
        for n in range(1, len(profile)):
            if profile[n][0] < profile[n - 1][0]:
                raise InputError(f"{where}: floor.profile_m must be in order of increasing x (pair {n + 1}).")
        return Floor("profile", profile[0][1], tuple(profile))
    rim, bottom = table.rim_m, table.bottom_m
    if not (rim[0] <= bottom[0] < bottom[2] <= rim[2] and rim[1] <= bottom[1] < bottom[3] <= rim[3]):
        raise InputError(f"{where}: floor.bottom_m must lie inside floor.rim_m, both as [x0, y0, x1, y1] with x0 < x1.")
    return Floor("hopper", table.depth_m, deep_m=table.deep_m, rim_m=rim, bottom_m=bottom)


def _floor_table(floor: Floor) -> t.AnyFloor:
    if floor.kind == "flat":
        return t.FlatTable(depth_m=floor.depth_m)
    if floor.kind == "profile":
        return t.ProfileTable(profile_m=list(floor.profile_m))
    return t.HopperTable(depth_m=floor.depth_m, deep_m=floor.deep_m, rim_m=floor.rim_m, bottom_m=floor.bottom_m)


def _source(table: t.SourceTable, n: int, where: str) -> Placement:
    number = n if table.id is msgspec.UNSET else table.id
    if not 0 < abs(table.current_A) <= 1:
        raise InputError(
            f"{where}: source {number}.current_A = {table.current_A:g} must be the measured current in amperes,"
            " not zero and at most 1."
        )
    return Placement(position_m=table.position_m, current_A=table.current_A, source_id=number)


def _step(table: t.StepTable, n: int, where: str) -> Stair:
    if polygon.crossing_edges(np.array(table.outline_m)) is not None:
        raise InputError(f"{where}: step {n + 1}.outline_m crosses itself.")
    return Stair(tuple(table.outline_m), table.depth_m)


def _at(point: Any) -> str:
    return "(" + ", ".join(f"{float(v):g}" for v in point) + ")"
