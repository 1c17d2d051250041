"""The plan that clients see: the pool with everything known about it, from the visit's record and its latest search."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from earthward.daemon.protocol import Cell, Plan
from earthward.inversion.types import Result
from earthward.record.finding import Finding
from earthward.record.place import Mark
from earthward.survey.visit import Visit

#: The posterior's cells have this size.
CELL_M = 0.1


def build_plan(visit: Visit, wall_s: Callable[[], float]) -> Plan:
    """Everything that a map, a list of findings and a budget show."""
    pool, result = visit.pool, visit.result
    covered = {f.name: f.covered for f in pool.fittings}
    water = visit.water_budget()
    coverage = None if result is None else result.coverage
    texts = [] if result is None else [result.text, *result.advice]
    return Plan(
        revision=visit.revision,
        name=pool.name,
        outline_m=[(float(x), float(y)) for x, y in pool.outline_m],
        depth_text=f"to {pool.floor.greatest_depth_m:.1f} m deep",
        sources=[s.position_m for s in pool.sources],
        fittings=[
            msgspec.structs.replace(f, covered=covered[f.name]) for f in visit.store.fittings() if f.name in covered
        ],
        marks=[Mark(name=mark.name, position_m=mark.position_m) for mark in pool.marks],
        kept=visit.store.readings("survey"),
        cells=[] if result is None else cells(result),
        findings=_findings(visit, result, wall_s()),
        p_leak_count={} if result is None else result.p_leak_count,
        verdict=None if result is None else result.verdict,
        budget=None if result is None else result.budget,
        water=water,
        next_station=visit.next_station(),
        further=[] if result is None else list(result.further),
        coverage_fraction=None if coverage is None else coverage.fraction_at_reference,
        text=" ".join(texts),
    )


def _findings(visit: Visit, result: Result | None, now_s: float) -> list[Finding]:
    stored = visit.store.findings()
    found = () if result is None else result.findings
    only_suspected = [f for f in found if not f.certain and visit.known_as(f) is None]
    return stored + [msgspec.structs.replace(f, number=0, region=None, time_s=now_s) for f in only_suspected]


def cells(result: Result) -> list[Cell]:
    """Where a sink may be, and what would have been seen where."""
    listed = [Cell(position_m=c.position_m, size_m=CELL_M, probability=c.probability) for c in result.posterior]
    if result.coverage is not None:
        listed += [
            Cell(position_m=c.position_m, size_m=c.size_m, detectable_A=c.detectable_A) for c in result.coverage.cells
        ]
    return listed
