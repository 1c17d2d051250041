"""The pool file: TOML text to `Pool` and back. The format is described in docs/pool-file.md.

Pure: takes and gives text. Whoever opens the file passes its name as `where`, so that errors name it.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from typing import Any, Literal, cast

import numpy as np

from earthward.errors import InputError
from earthward.pool import polygon
from earthward.pool.shape import Floor, Point2, Point3, Pool, Stair
from earthward.pool.tape import Chord, TapedPoint, outline_from_tape
from earthward.record.place import FITTING_KINDS, Fitting, FittingKind, Mark, Placement

# A fitting sits on the liner; taping errors of this size are believed, more is a mistake in the file.
FITTING_OFF_LINER_LIMIT_m = 0.3
_SHAPES = ("rectangle", "polygon", "oval", "L", "kidney", "taped")
_FLOORS = ("flat", "profile", "hopper")


def parse_pool(text: str, where: str = "pool file") -> Pool:
    """Read a pool from TOML text. Raises InputError with one sentence that names the key."""
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where} is not valid TOML: {error}.") from None
    return pool_from_tables(tables, where)


def pool_from_tables(tables: Mapping[str, Any], where: str = "pool file") -> Pool:
    """Build and check a pool from parsed TOML tables."""
    known = {"pool", "floor", "water", "source", "fitting", "step", "mark"}
    for key in tables:
        if key not in known:
            raise InputError(f"{where}: unknown table [{key}]; known are {', '.join(sorted(known))}.")
    head = _Table(tables.get("pool"), "pool", where)
    shape, extent, outline = _outline(head)
    crossing = polygon.crossing_edges(np.array(outline))
    if crossing is not None:
        i, j = crossing
        raise InputError(
            f"{where}: the outline crosses itself: edge {i + 1} meets edge {j + 1};"
            " give pool.outline_m in order around the pool."
        )
    if polygon.signed_area_m2(np.array(outline)) < 0:
        outline = outline[::-1]
    if abs(polygon.signed_area_m2(np.array(outline))) < 0.05:
        raise InputError(f"{where}: the outline encloses less than 0.05 m2 of water; check pool.outline_m and units.")
    water = _Table(tables.get("water"), "water", where)
    conductivity = water.number("conductivity_S_per_m")
    if not conductivity > 0:
        raise InputError(f"{where}: water.conductivity_S_per_m must be above zero, not {conductivity:g}.")
    if conductivity > 10:
        raise InputError(
            f"{where}: water.conductivity_S_per_m = {conductivity:g} is beyond brine; it is in siemens per metre"
            " (2000 uS/cm is 0.2)."
        )
    temperature = water.number("temperature_C", 25.0)
    if not -5 <= temperature <= 60:
        raise InputError(f"{where}: water.temperature_C = {temperature:g} is no water temperature in degrees Celsius.")
    pool = Pool(
        outline_m=tuple(outline),
        floor=_floor(_Table(tables.get("floor"), "floor", where)),
        water_conductivity_S_per_m=conductivity,
        temperature_C=temperature,
        sources=_sources(tables.get("source"), where),
        fittings=tuple(
            _fitting(_Table(t, f"fitting {n + 1}", where)) for n, t in enumerate(_list(tables, "fitting", where))
        ),
        steps=tuple(_step(_Table(t, f"step {n + 1}", where)) for n, t in enumerate(_list(tables, "step", where))),
        marks=tuple(_mark(_Table(t, f"mark {n + 1}", where)) for n, t in enumerate(_list(tables, "mark", where))),
        name=head.text("name", ""),
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
    lines = ["[pool]", f"name = {_string(pool.name)}", f'shape = "{pool.shape}"']
    if pool.shape == "polygon":
        lines.append(f"outline_m = {_points(pool.outline_m)}")
    else:
        lines += [f"length_m = {_num(pool.extent_m[0])}", f"width_m = {_num(pool.extent_m[1])}"]
    floor = pool.floor
    lines += ["", "[floor]", f'kind = "{floor.kind}"']
    if floor.kind == "profile":
        lines.append(f"profile_m = {_points(floor.profile_m)}")
    else:
        lines.append(f"depth_m = {_num(floor.depth_m)}")
    if floor.kind == "hopper":
        lines += [
            f"deep_m = {_num(floor.deep_m)}",
            f"rim_m = [{', '.join(map(_num, floor.rim_m))}]",
            f"bottom_m = [{', '.join(map(_num, floor.bottom_m))}]",
        ]
    lines += [
        "",
        "[water]",
        f"conductivity_S_per_m = {_num(pool.water_conductivity_S_per_m)}",
        f"temperature_C = {_num(pool.temperature_C)}",
    ]
    for step in pool.steps:
        lines += ["", "[[step]]", f"outline_m = {_points(step.outline_m)}", f"depth_m = {_num(step.depth_m)}"]
    for mark in pool.marks:
        lines += ["", "[[mark]]", f"name = {_string(mark.name)}", f"position_m = {_list_of(mark.position_m)}"]
    for source in pool.sources:
        lines += [
            "",
            "[[source]]",
            f"id = {source.source_id}",
            f"position_m = {_list_of(source.position_m)}",
            f"current_A = {_num(source.current_A or 0.0)}",
        ]
    for fitting in pool.fittings:
        lines += [
            "",
            "[[fitting]]",
            f"name = {_string(fitting.name)}",
            f"kind = {_string(fitting.kind)}",
            f"position_m = {_list_of(fitting.position_m)}",
            f"covered = {'true' if fitting.covered else 'false'}",
        ]
    return "\n".join(lines) + "\n"


# --- reading ---------------------------------------------------------------------------------------------


class _Table:
    """One TOML table with typed, named access."""

    def __init__(self, table: Any, name: str, where: str) -> None:
        if table is None:
            raise InputError(f"{where}: the table [{name}] is missing.")
        if not isinstance(table, Mapping):
            raise InputError(f"{where}: [{name}] must be a table.")
        self._table, self.name, self.where = table, name, where

    def _get(self, key: str) -> Any:
        if key not in self._table:
            raise InputError(f"{self.where}: {self.name}.{key} is missing.")
        return self._table[key]

    def number(self, key: str, default: float | None = None) -> float:
        if default is not None and key not in self._table:
            return default
        return _number(self._get(key), f"{self.where}: {self.name}.{key}")

    def positive(self, key: str, limit: float) -> float:
        value = self.number(key)
        if not 0 < value <= limit:
            raise InputError(
                f"{self.where}: {self.name}.{key} = {value:g} must be above 0 and at most {limit:g} metres."
            )
        return value

    def text(self, key: str, default: str | None = None) -> str:
        if default is not None and key not in self._table:
            return default
        value = self._get(key)
        if not isinstance(value, str):
            raise InputError(f"{self.where}: {self.name}.{key} must be text in quotes.")
        return value

    def flag(self, key: str, default: bool) -> bool:
        value = self._table.get(key, default)
        if not isinstance(value, bool):
            raise InputError(f"{self.where}: {self.name}.{key} must be true or false.")
        return value

    def numbers(self, key: str, count: int) -> tuple[float, ...]:
        return _numbers(self._get(key), count, f"{self.where}: {self.name}.{key}")

    def triples(self, key: str) -> list[tuple[float, ...]]:
        value = self._table.get(key, [])
        label = f"{self.where}: {self.name}.{key}"
        if not isinstance(value, list):
            raise InputError(f"{label} must be a list of [number, number, number].")
        return [_numbers(item, 3, f"{label}, entry {row + 1},") for row, item in enumerate(value)]

    def pairs(self, key: str, at_least: int) -> list[Point2]:
        value = self._get(key)
        label = f"{self.where}: {self.name}.{key}"
        if not isinstance(value, list) or len(value) < at_least:
            raise InputError(f"{label} must be a list of at least {at_least} [number, number] pairs.")
        found = []
        for row, item in enumerate(value):
            first, second = _numbers(item, 2, f"{label}, pair {row + 1},")
            found.append((first, second))
        return found


def _number(value: Any, label: str) -> float:
    try:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise InputError(f"{label} must be a finite number, not {value!r}.")
    except OverflowError:
        raise InputError(f"{label} is a number of {len(str(value))} digits: correct it.") from None
    return float(value)


def _numbers(value: Any, count: int, label: str) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != count:
        raise InputError(f"{label} must be a list of {count} numbers.")
    return tuple(_number(item, label) for item in value)


def _list(tables: Mapping[str, Any], key: str, where: str) -> list[Any]:
    value = tables.get(key, [])
    if isinstance(value, Mapping):
        return [value]
    if not isinstance(value, list):
        raise InputError(f"{where}: write [[{key}]] tables.")
    return value


def _outline(head: _Table) -> tuple[Literal["rectangle", "polygon", "oval"], Point2, list[Point2]]:
    shape = head.text("shape")
    if shape not in _SHAPES:
        raise InputError(f'{head.where}: pool.shape = "{shape}" is unknown; use one of {", ".join(_SHAPES)}.')
    if shape == "polygon":
        outline = head.pairs("outline_m", 3)
        if outline[0] == outline[-1] and len(outline) > 3:
            outline = outline[:-1]
        for n, point in enumerate(outline):
            if max(abs(point[0]), abs(point[1])) > 200:
                raise InputError(
                    f"{head.where}: pool.outline_m, pair {n + 1}, is beyond 200 m; coordinates are in metres."
                )
            if point == outline[n - 1]:
                raise InputError(f"{head.where}: pool.outline_m repeats the point {_at(point)}; remove one.")
        return "polygon", (0.0, 0.0), outline
    if shape == "taped":
        return "polygon", (0.0, 0.0), _taped(head)
    length, width = head.positive("length_m", 100.0), head.positive("width_m", 100.0)
    if shape == "rectangle":
        return "rectangle", (length, width), [(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)]
    if shape == "oval":
        return "oval", (length, width), _as_points(polygon.ellipse(length, width))
    if shape == "kidney":
        return "polygon", (0.0, 0.0), _as_points(polygon.kidney(length, width))
    notch_length, notch_width = head.positive("notch_length_m", 100.0), head.positive("notch_width_m", 100.0)
    if notch_length >= length or notch_width >= width:
        raise InputError(f"{head.where}: the notch of the L must be smaller than the pool in both directions.")
    return "polygon", (0.0, 0.0), _as_points(polygon.l_shape(length, width, notch_length, notch_width))


def _taped(head: _Table) -> list[Point2]:
    """The rim's points from their distances to two marks on the deck. A tape that does not agree with the others is
    refused by its name: a pool that is drawn wrong moves every finding."""
    sides = {"left": 1, "right": -1}
    side = head.text("side", "left")
    if side not in sides:
        raise InputError(f'{head.where}: pool.side = "{side}" is unknown; the pool lies left or right of A towards B.')
    points = [TapedPoint(a, b) for a, b in head.pairs("taped_m", 3)]
    chords = []
    for first, second, length in head.triples("chords_m"):
        if first != int(first) or second != int(second):
            raise InputError(f"{head.where}: pool.chords_m names points by their numbers from 1, then the length.")
        chords.append(Chord(int(first) - 1, int(second) - 1, length))
    found = outline_from_tape(
        head.positive("marks_apart_m", 100.0), points, chords, sides[side], where=f"{head.where}: pool.taped_m"
    )
    if found.doubtful:
        raise InputError(
            f"{head.where}: the tapes do not agree with each other (rms {found.rms_m * 100:.1f} cm): measure "
            f"{found.doubtful[0]} again."
        )
    return _as_points(found.outline_m)


def _as_points(outline: np.ndarray[Any, np.dtype[np.float64]]) -> list[Point2]:
    # Micrometres are enough, and the file stays readable.
    return [(round(float(x), 6), round(float(y), 6)) for x, y in outline]


def _floor(table: _Table) -> Floor:
    kind = table.text("kind")
    if kind == "flat":
        return Floor("flat", table.positive("depth_m", 20.0))
    if kind == "profile":
        profile = table.pairs("profile_m", 2)
        for n, (x, depth) in enumerate(profile):
            if not 0 < depth <= 20:
                raise InputError(
                    f"{table.where}: floor.profile_m, pair {n + 1}, has depth {depth:g}; depths are metres above 0."
                )
            if n and x < profile[n - 1][0]:
                raise InputError(f"{table.where}: floor.profile_m must be in order of increasing x (pair {n + 1}).")
        return Floor("profile", profile[0][1], tuple(profile))
    if kind == "hopper":
        depth, deep = table.positive("depth_m", 20.0), table.positive("deep_m", 20.0)
        rim, bottom = table.numbers("rim_m", 4), table.numbers("bottom_m", 4)
        if not (rim[0] <= bottom[0] < bottom[2] <= rim[2] and rim[1] <= bottom[1] < bottom[3] <= rim[3]):
            raise InputError(
                f"{table.where}: floor.bottom_m must lie inside floor.rim_m, both as [x0, y0, x1, y1] with x0 < x1."
            )
        return Floor(
            "hopper", depth, deep_m=deep, rim_m=(rim[0], rim[1], rim[2], rim[3]),
            bottom_m=(bottom[0], bottom[1], bottom[2], bottom[3]),
        )  # fmt: skip
    raise InputError(f'{table.where}: floor.kind = "{kind}" is unknown; use one of {", ".join(_FLOORS)}.')


def _point3(table: _Table) -> Point3:
    x, y, z = table.numbers("position_m", 3)
    return x, y, z


def _sources(value: Any, where: str) -> tuple[Placement, ...]:
    if value is None:
        return ()
    entries = [value] if isinstance(value, Mapping) else value
    if not isinstance(entries, list):
        raise InputError(f"{where}: write [source] or several [[source]] tables.")
    found = []
    for n, entry in enumerate(entries):
        table = _Table(entry, "source" if len(entries) == 1 else f"source {n + 1}", where)
        number = table.number("id", float(n))
        if number != int(number):
            raise InputError(f"{where}: {table.name}.id must be a whole number.")
        current = table.number("current_A")
        if not 0 < abs(current) <= 1:
            raise InputError(
                f"{where}: {table.name}.current_A = {current:g} must be the measured current in amperes,"
                " not zero and at most 1."
            )
        found.append(Placement(position_m=_point3(table), current_A=current, source_id=int(number)))
    return tuple(found)


def _fitting(table: _Table) -> Fitting:
    kind = table.text("kind", "other")
    if kind not in FITTING_KINDS:
        raise InputError(
            f'{table.where}: {table.name}.kind = "{kind}" is unknown; use one of {", ".join(FITTING_KINDS)}.'
        )
    return Fitting(
        name=table.text("name", kind),
        kind=cast(FittingKind, kind),
        position_m=_point3(table),
        covered=table.flag("covered", False),
    )


def _step(table: _Table) -> Stair:
    outline = table.pairs("outline_m", 3)
    if polygon.crossing_edges(np.array(outline)) is not None:
        raise InputError(f"{table.where}: {table.name}.outline_m crosses itself.")
    return Stair(tuple(outline), table.positive("depth_m", 20.0))


def _mark(table: _Table) -> Mark:
    x, y = table.numbers("position_m", 2)
    return Mark(name=table.text("name"), position_m=(x, y))


# --- writing ---------------------------------------------------------------------------------------------


def _num(value: float) -> str:
    text = repr(float(value))
    return text if any(c in text for c in ".en") else text + ".0"


def _list_of(values: tuple[float, ...]) -> str:
    return "[" + ", ".join(_num(v) for v in values) + "]"


def _points(points: tuple[Point2, ...]) -> str:
    return "[" + ", ".join(_list_of(p) for p in points) + "]"


def _string(text: str) -> str:
    escaped = "".join(
        "\\" + c if c in '\\"' else c if ord(c) >= 32 and ord(c) != 127 else f"\\u{ord(c):04x}" for c in text
    )
    return f'"{escaped}"'


def _at(point: Any) -> str:
    return "(" + ", ".join(f"{float(v):g}" for v in point) + ")"
