"""The common base of record concepts: frozen, compared by value, built by keyword."""

from __future__ import annotations

from msgspec import Meta, Struct

Point = tuple[float, float, float]
Interval = tuple[float, float]


class Record(Struct, frozen=True, kw_only=True):
    """A value: nothing changes it; `msgspec.structs.replace` makes a changed copy."""


def said(text: str) -> Meta:
    """What a field means: exports and the JSON Schema describe their columns and keys with it."""
    return Meta(description=text)


def positive(text: str) -> Meta:
    """The same, of a number that is above zero."""
    return Meta(description=text, gt=0)
