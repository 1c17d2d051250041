"""How a concept of the record lies in flat columns: the one rule that the survey file's tables, the CSV tables and the
readings file follow. A new field of a Struct is a new column everywhere, with nothing else to write.

- a point (`front_m`, `position_m`) becomes `front_x_m, front_y_m, front_z_m` (`x_m, y_m, z_m`);
- an interval (`current_interval_A`, `hole_diameter_mm`) becomes `current_low_A, current_high_A` (`hole_low_mm, ...`);
- numbers, words and yes/no stand as they are; whatever else (lists, dictionaries, Structs) as JSON;
- a field that has a default may be missing: then the default counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Generic, Literal, TypeVar

import msgspec
from msgspec import inspect

from earthward.record.base import Record

T = TypeVar("T", bound=Record)
Kind = Literal["number", "integer", "boolean", "string", "words", "json"]

_UNITS = ("L_per_day", "V_per_m", "mm", "ohm", "deg", "m", "V", "A", "s", "Hz")
#: Intervals whose columns had a shorter name before there was a rule.
_SHORT = {"hole_diameter": "hole"}


@dataclass(frozen=True, slots=True)
class Column:
    """One flat column of `field`. required: never empty. choices: the words it may hold (none: any)."""

    name: str
    field: str
    kind: Kind
    required: bool
    description: str
    choices: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        return next((u for u in _UNITS if self.name.endswith("_" + u)), "")


class Shape(Generic[T]):
    """The columns of one Struct, fields of `first` in front, fields of `skip` left out."""

    def __init__(self, kind: type[T], *, first: Iterable[str] = (), skip: Iterable[str] = ()) -> None:
        self.kind = kind
        fields = {f.name: f for f in _fields(kind) if f.name not in set(skip)}
        order = [*first, *(name for name in fields if name not in set(first))]
        self._groups: dict[str, tuple[Column, ...]] = {name: tuple(_columns(fields[name])) for name in order}
        self._optional = {name: _parts(f.type)[1] for name, f in fields.items()}
        self._defaulted = {name for name, f in fields.items() if not f.required}

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        return tuple(c for group in self._groups.values() for c in group)

    def cells(self, item: T) -> list[Any]:
        """The values of one item in the order of the columns; what is not known is None."""
        out: list[Any] = []
        for name, group in self._groups.items():
            value = getattr(item, name)
            if len(group) > 1:
                out += [None] * len(group) if value is None else value
            elif isinstance(value, float) and math.isnan(value):
                out.append(None)
            else:
                out.append(value)
        return out

    def build(self, cells: Mapping[str, Any]) -> T:
        """An item from its cells by column; what is None or missing is the field's default. msgspec.ValidationError
        tells what does not fit."""
        values: dict[str, Any] = {}
        for name, group in self._groups.items():
            found = [cells.get(c.name) for c in group]
            if None not in found:
                values[name] = found[0] if len(group) == 1 else found
            elif any(cell is not None for cell in found) and name not in self._defaulted:
                values[name] = found
            elif self._optional[name]:
                values[name] = None
        return msgspec.convert(values, self.kind)


def _fields(kind: type[Record]) -> tuple[inspect.Field, ...]:
    described = inspect.type_info(kind)
    assert isinstance(described, inspect.StructType)
    return described.fields


def _parts(described: inspect.Type) -> tuple[inspect.Type, bool, str]:
    """The type without description and None, whether None is allowed, the description."""
    text, optional = "", False
    while isinstance(described, (inspect.Metadata, inspect.UnionType)):
        if isinstance(described, inspect.Metadata):
            text = text or str((described.extra_json_schema or {}).get("description", ""))
            described = described.type
            continue
        rest = [t for t in described.types if not isinstance(t, inspect.NoneType)]
        optional = optional or len(rest) < len(described.types)
        if len(rest) != 1:
            break
        described = rest[0]
    return described, optional, text


def _columns(field: inspect.Field) -> Iterable[Column]:
    described, optional, text = _parts(field.type)
    text = text or field.name.replace("_", " ")
    default = field.default
    required = not optional and not (isinstance(default, float) and math.isnan(default))
    if isinstance(described, inspect.TupleType) and all(isinstance(t, inspect.FloatType) for t in described.item_types):
        for name, more in _spread(field.name, len(described.item_types)):
            yield Column(name, field.name, "number", required, f"{text}: {more}")
        return
    kind: Kind = "json"
    choices: tuple[str, ...] = ()
    if isinstance(described, inspect.BoolType):
        kind = "boolean"
    elif isinstance(described, inspect.IntType):
        kind = "integer"
    elif isinstance(described, inspect.FloatType):
        kind = "number"
    elif isinstance(described, inspect.LiteralType):
        kind, choices = "string", tuple(str(v) for v in described.values)
    elif isinstance(described, inspect.StrType):
        kind, required = "string", required and field.required
    elif isinstance(described, inspect.VarTupleType) and isinstance(described.item_type, inspect.StrType):
        kind, required = "words", False
    yield Column(field.name, field.name, kind, required, text, choices)


def _spread(name: str, count: int) -> list[tuple[str, str]]:
    """Names and meanings of the columns of a point or an interval."""
    stem, _, unit = name.rpartition("_")
    if count == 2:
        stem = _SHORT.get(stem.removesuffix("_interval"), stem.removesuffix("_interval"))
        return [(f"{stem}_low_{unit}", "low end"), (f"{stem}_high_{unit}", "high end")]
    prefix = "" if stem == "position" else f"{stem}_"
    meanings = ("along the pool's length from the origin mark", "across the pool", "depth, positive down")
    return [(f"{prefix}{axis}_{unit}", meaning) for axis, meaning in zip("xyz", meanings, strict=True)]
