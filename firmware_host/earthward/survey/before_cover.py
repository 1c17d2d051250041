"""What spots read before a fitting was covered still exclude after it.

With a fitting covered the current takes other ways, so one search cannot take readings of both states. A hole stays the
same hole, though: what it takes goes with the water's voltage. How much that rose is bounded by the fittings that were
open in both states: together they took so much before, and no more than the whole now. So a limit from before, times
that bound, is a limit now; of two limits the smaller one holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earthward.inversion.limits import holes_mm
from earthward.inversion.types import Coverage, LocateSettings, Result


@dataclass(frozen=True, slots=True)
class Before:
    """A search's limits in one state of the covers. covered: what was covered then; open_A: the least that each open
    fitting took."""

    covered: frozenset[str]
    coverage: Coverage
    open_A: dict[str, float]
    spots: int


def limits_of(result: Result, covered: frozenset[str]) -> Before | None:
    """To be kept when something is covered or uncovered."""
    if result.coverage is None:
        return None
    return Before(covered, result.coverage, {s.name: s.interval_A[0] for s in result.budget.fittings}, result.stations)


def rise(before: Before, covered: frozenset[str], injected_A: float) -> float | None:
    """At the most so many times what it took before a hole takes now. None where that cannot be bounded."""
    both = sum(current for name, current in before.open_A.items() if name not in covered)
    return injected_A / both if both > 0 else None


def with_earlier(
    result: Result, covered: frozenset[str], earlier: Sequence[Before], settings: LocateSettings, resistivity: float
) -> Result:
    """The result with the limits of earlier states of the covers taken in."""
    now = result.coverage
    if now is None:
        return result
    limit = np.array([c.limit_A for c in now.cells])
    new = limit.copy()
    spots = 0
    for before in earlier:
        factor = rise(before, covered, result.budget.injected_A)
        if factor is None or len(before.coverage.cells) != len(now.cells):
            continue
        old = np.array([c.limit_A for c in before.coverage.cells]) * factor
        spots += before.spots if bool((old < new).any()) else 0
        new = np.minimum(new, old)
    better = new < limit
    if not better.any():
        return result
    holes = holes_mm(settings, resistivity, new)
    cells = tuple(
        replace(cell, limit_A=float(new[k]), limit_hole_mm=float(holes[k]) if np.isfinite(holes[k]) else None)
        if better[k] else cell
        for k, cell in enumerate(now.cells)
    )  # fmt: skip
    # Each cell stands for about the same area: only the share that came below the reference is added.
    gained = float(((new <= now.reference_A) & (limit > now.reference_A)).mean())
    coverage = replace(
        now,
        cells=cells,
        fraction_at_reference=min(1.0, now.fraction_at_reference + gained),
        median_limit_A=min(now.median_limit_A, float(np.median(new))),
        text=f"{now.text}; {spots} spots from before a cover count for what is excluded",
    )
    return replace(result, coverage=coverage)
