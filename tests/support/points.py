"""Three coordinates of an array as the plain point that the records keep."""

from __future__ import annotations

from collections.abc import Iterable

from earthward.record.base import Point


def point(values: Iterable[float]) -> Point:
    x, y, z = (float(value) for value in values)
    return x, y, z
