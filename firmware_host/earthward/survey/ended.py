"""Is the electrical search of a visit done? Its upper limits against the hole that the remaining loss needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from earthward.inversion.ending import Ending, ending
from earthward.inversion.types import CoverageCell, Result
from earthward.record.base import Point
from earthward.record.finding import WaterBudget
from earthward.water.hole_flow import least_hole_m


def search_ended(
    result: Result | None, fittings: Sequence[tuple[str, Point]], water: WaterBudget | None
) -> Ending | None:
    """`fittings`: names and places of those that take current. None before a search or a log of the level."""
    if result is None or result.coverage is None or water is None:
        return None
    known = [*fittings, *_named([f.position_m for f in result.findings])]
    return ending(result.coverage.cells, known, water.unexplained[0], least_hole_m)


def told_ended(
    location: Mapping[str, Any], fittings: Sequence[tuple[str, Point]], water: WaterBudget | None
) -> Ending | None:
    """The same from what `Result.to_json` wrote."""
    cells = [
        CoverageCell(
            position_m=_point(c["position_m"]),
            size_m=float(c["size_m"]),
            limit_A=float(c["limit_A"]),
            limit_hole_mm=None if c.get("limit_hole_mm") is None else float(c["limit_hole_mm"]),
        )
        for c in (location.get("coverage") or {}).get("cells") or []
        if c.get("limit_A") is not None
    ]
    if not cells or water is None:
        return None
    found = [_point(f["position_m"]) for f in location.get("findings") or []]
    return ending(cells, [*fittings, *_named(found)], water.unexplained[0], least_hole_m)


def _named(places: Sequence[Point]) -> list[tuple[str, Point]]:
    return [(f"finding {k}", place) for k, place in enumerate(places, start=1)]


def _point(values: Sequence[float]) -> Point:
    x, y, z = (float(v) for v in values)
    return x, y, z
