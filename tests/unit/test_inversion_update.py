"""An answer that goes on from the last one: only where nothing surprises, and never more certain than that one."""

from __future__ import annotations

from copy import deepcopy

import numpy as np
import pytest
from msgspec.structs import replace as row_replace
from tests.benchmarks.virtual_pools import random_pool, random_stations

from earthward.inversion.locate import Survey
from earthward.inversion.types import NO_DYE_WITHIN_M, FloatingSink, LocateSettings, Result
from earthward.record.reading import KeptReading

pytestmark = pytest.mark.long
STATIONS = 10


@pytest.fixture(scope="module")
def rows() -> tuple[Survey, Result, list[KeptReading]]:
    """A survey of some stations with its answer, and the readings of one more."""
    world = random_pool(21, fittings=1)
    survey = Survey(world.pool, LocateSettings(max_leaks=1))
    places = random_stations(world, STATIONS + 1)
    for k, (centre, bearing) in enumerate(places[:-1]):
        for reading in world.measure(centre, bearing, f"s{k}"):
            survey.add(reading)
    result = survey.result(coverage=False, guidance=False)
    return survey, result, world.measure(*places[-1], "last")


def test_unsurprising_readings_are_told_at_once_and_much_the_same(
    rows: tuple[Survey, Result, list[KeptReading]],
) -> None:
    survey, before, more = deepcopy(rows[0]), rows[1], rows[2]
    for reading in more:
        survey.add(reading)
    told = survey.update(coverage=False, guidance=False)
    assert told.provisional and not before.provisional
    assert told.readings == before.readings + len(more)
    full = survey.result(coverage=False, guidance=False)
    assert not full.provisional
    assert len(told.findings) == len(full.findings) == 1
    gap = np.linalg.norm(np.subtract(told.findings[0].position_m, full.findings[0].position_m))
    assert gap <= max(0.1, full.findings[0].radius_m or 0.0)
    # What was not found before is not found by going on from it, however sharp it is.
    assert not told.findings[0].certain or before.findings[0].certain


def test_surprising_readings_are_looked_for_afresh(rows: tuple[Survey, Result, list[KeptReading]]) -> None:
    survey, more = deepcopy(rows[0]), rows[2]
    for reading in more:
        survey.add(row_replace(reading, value_V=-reading.value_V))
    assert not survey.update(coverage=False, guidance=False).provisional


def test_going_on_from_a_leak_elsewhere_keeps_to_that_reading_of_the_dye() -> None:
    """Dye was not drawn 0.6 m beside the leak, and the answer has nothing there. The next goes on so."""
    world = random_pool(7306, leaks=1, fittings=1)
    ((place, _),) = world.leaks
    beside = (float(place[0]) - 0.6, float(place[1]), float(place[2]))
    settings = LocateSettings(floating=(FloatingSink("finding 1", beside, 0.06, NO_DYE_WITHIN_M),))
    survey = Survey(world.pool.read_with((0, 1)), settings)
    places = random_stations(world, STATIONS + 1)
    for k, (centre, bearing) in enumerate(places):
        if k == STATIONS:
            before = survey.result(coverage=False, guidance=False)
        for reading in world.measure(centre, bearing, f"s{k}"):
            survey.add(reading)
    assert "finding 1" not in {share.name for share in before.budget.fittings}, "what the test is about"
    told = survey.update(coverage=False, guidance=False)
    assert told.provisional
    assert "finding 1" not in {share.name for share in told.budget.fittings}
