"""The common base of record concepts: frozen, compared by value, built by keyword."""

from __future__ import annotations

from msgspec import Struct

Point = tuple[float, float, float]
Interval = tuple[float, float]


class Record(Struct, frozen=True, kw_only=True):
    """A value: nothing changes it; `msgspec.structs.replace` makes a changed copy."""
