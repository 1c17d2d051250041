"""Limits from before a cover, held against holes of known conductance: what they exclude must be excluded."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from earthward.inversion.types import Coverage, CoverageCell, LocateSettings, Result
from earthward.record.finding import CurrentBudget, FittingShare
from earthward.survey.before_cover import limits_of, rise, with_earlier

NONE: frozenset[str] = frozenset()
LIGHT = frozenset({"light"})


def network(ohm: dict[str, float], covered: frozenset[str], volts: float = 10.0, series: float = 1400.0):
    """Currents of sinks in parallel behind a series resistance: Ohm's law, nothing of the code under test."""
    siemens = {n: 0.0 if n in covered else 1.0 / r for n, r in ohm.items()}
    water = volts / (1.0 + series * sum(siemens.values()))
    return {n: water * s for n, s in siemens.items()}


def result(currents: dict[str, float], limits: list[float], doubt: float = 0.1, spots: int = 5) -> Result:
    injected = sum(currents.values())
    shares = tuple(
        FittingShare(name=n, current_A=a, interval_A=(a * (1 - doubt), a * (1 + doubt)))
        for n, a in currents.items() if n != "leak" and a > 0
    )  # fmt: skip
    cells = tuple(CoverageCell((float(k), 0.0, 1.0), 0.4, limit, None) for k, limit in enumerate(limits))
    below = float(np.mean([v <= 3e-4 for v in limits]))
    coverage = Coverage(0.95, 0.95, cells, 3e-4, below, float(np.median(limits)), max(limits), "so much", "")
    budget = CurrentBudget(injected_A=injected, fittings=shares)
    return Result((), {}, budget, coverage, None, (), (), "cannot tell", "", stations=spots)


@pytest.mark.parametrize("leak_ohm", [10e3, 40e3])
@pytest.mark.parametrize("light_ohm", [200.0, 5e3])
def test_a_hole_takes_no_more_than_the_bound_says(leak_ohm: float, light_ohm: float) -> None:
    ohm = {"light": light_ohm, "drain": 8e3, "skimmer": 30e3, "leak": leak_ohm}
    before, after = network(ohm, NONE), network(ohm, LIGHT)
    kept = limits_of(result(before, [1e-3]), NONE)
    assert kept is not None
    factor = rise(kept, LIGHT, sum(after.values()))
    assert factor is not None
    assert factor >= after["leak"] / before["leak"]


def test_the_smaller_limit_holds_and_the_share_grows() -> None:
    ohm = {"light": 5e3, "drain": 8e3, "leak": 40e3}
    before, after = network(ohm, NONE), network(ohm, LIGHT)
    kept = limits_of(result(before, [1e-5, 1e-3, 1e-3, 1e-5]), NONE)
    assert kept is not None
    now = result(after, [1e-3, 1e-5, 1e-3, 1e-3], spots=3)
    merged = with_earlier(now, LIGHT, [kept], LocateSettings(), 5.0).coverage
    assert merged is not None and now.coverage is not None
    factor = rise(kept, LIGHT, sum(after.values()))
    assert factor is not None
    assert [c.limit_A for c in merged.cells] == pytest.approx([1e-5 * factor, 1e-5, 1e-3, 1e-5 * factor])
    assert (now.coverage.fraction_at_reference, merged.fraction_at_reference) == (0.25, 0.75)
    assert merged.cells[0].limit_hole_mm is not None and math.isfinite(merged.cells[0].limit_hole_mm)
    assert "5 spots from before" in merged.text


def test_where_nothing_open_is_known_nothing_is_carried_over() -> None:
    kept = limits_of(result({"light": 5e-3, "leak": 1e-5}, [1e-6]), NONE)
    assert kept is not None and rise(kept, LIGHT, 1e-3) is None
    now = result({"drain": 1e-3}, [1e-3])
    assert with_earlier(now, LIGHT, [kept], LocateSettings(), 5.0) is now
    # Another pool's cells are no limits here.
    other = replace(kept, open_A={"drain": 1e-3}, coverage=replace(kept.coverage, cells=kept.coverage.cells * 2))
    assert with_earlier(now, LIGHT, [other], LocateSettings(), 5.0) is now
