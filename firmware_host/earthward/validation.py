"""Checking what a file says against the Struct that describes it, with a sentence for a person when it is wrong."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TypeVar

import msgspec
from msgspec import inspect

from earthward.errors import InputError

#: The library's words for a programmer, and ours for whoever writes a file.
_WORDS = {
    "Object missing required field": "there is no",
    "Object contains unknown field": "unknown key",
    "enum value": "value",
    "`float`": "a number",
    "`int`": "a whole number",
    "`str`": "text",
    "`bool`": "true or false",
    "`array`": "a list",
    "`object`": "a table",
    "`": "",
    " >= ": " of at least ",
    " <= ": " of at most ",
    " > ": " above ",
    " < ": " below ",
}
T = TypeVar("T", bound=msgspec.Struct)


def from_toml(text: str, kind: type[T], where: str) -> T:
    """TOML text as a Struct of `kind`. Raises InputError with one sentence that names `where` and the key."""
    try:
        found = msgspec.toml.decode(text.encode(), type=kind)
    except msgspec.ValidationError as error:
        raise InputError(f"{where}: {sentence(error, kind)}.") from None
    except (msgspec.DecodeError, RecursionError) as error:
        raise InputError(f"{where} is not valid TOML ({error}); correct that line and try again.") from None
    check_finite(found, where)
    return found


def sentence(error: msgspec.ValidationError, kind: type[msgspec.Struct]) -> str:
    """The library says 'Invalid value "star" - at `$.fitting[0].kind`'; a person reads 'fitting 1.kind: invalid value
    "star" (one of light, ladder, ...)'."""
    what, _, at = str(error).partition(" - at ")
    in_key = at.startswith("key in ")
    at = at.replace("key in ", "").replace("`", "").removeprefix("$").removeprefix(".")
    choices = ""
    if what.startswith(("Invalid value", "Invalid enum value", "Object contains unknown field")):
        path = re.findall(r"\[\d+\]|[^.\[\]]+", at) + (["key"] if in_key else [])
        known = _choices(inspect.type_info(kind), path, "field" in what)
        choices = f" (one of {', '.join(sorted(known))})" if known else ""
    for theirs, ours in _WORDS.items():
        what = what.replace(theirs, ours)
    key = re.sub(r"\[(\d+)\]", lambda found: f" {int(found[1]) + 1}", at.replace("][", "],["))
    what = f"{what[:1].lower()}{what[1:]}{choices}"
    return f"{key}: {what}" if key else what


def _choices(info: inspect.Type, path: list[str], fields: bool) -> set[str]:
    """What may stand at a path: the names of the fields there, or the values that are allowed."""
    if isinstance(info, inspect.UnionType):
        return _joined(_choices(one, path, fields) for one in info.types)
    if not path:
        if isinstance(info, inspect.LiteralType):
            return {str(value) for value in info.values}
        return (
            {field.encode_name for field in info.fields} if fields and isinstance(info, inspect.StructType) else set()
        )
    name, *rest = path
    if isinstance(info, inspect.ListType):
        return _choices(info.item_type, rest, fields) if name.startswith("[") else set()
    if isinstance(info, inspect.DictType):
        return _choices(info.key_type, [], fields) if name == "key" else _choices(info.value_type, rest, fields)
    if not isinstance(info, inspect.StructType):
        return set()
    if name == info.tag_field and not rest:
        return {str(info.tag)}
    return _joined(_choices(field.type, rest, fields) for field in info.fields if field.encode_name == name)


def _joined(found: Iterable[set[str]]) -> set[str]:
    return set().union(*found)


def check_finite(value: object, where: str, key: str = "") -> None:
    """Refuse a number that is not finite, anywhere below `value`, by its dotted name."""
    if isinstance(value, float):
        if not math.isfinite(value):
            raise InputError(f"{where}: {key} is {value}; give a finite number.")
    elif isinstance(value, msgspec.Struct):
        for name in value.__struct_fields__:
            check_finite(getattr(value, name), where, f"{key}.{name}" if key else name)
    elif isinstance(value, dict):
        for name, item in value.items():
            check_finite(item, where, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        for n, item in enumerate(value):
            check_finite(item, where, f"{key} {n + 1}")
