"""What the next reading is to tell about, and what the advice says to cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.benchmarks.virtual_pools import Errors, VirtualPool, random_pool, random_stations
from tests.support.points import point

from earthward.inversion import guide
from earthward.inversion.decision import Answer
from earthward.inversion.locate import Survey
from earthward.inversion.regions import FOUND_EVIDENCE
from earthward.inversion.types import LocateSettings, Result
from earthward.inversion.wording import cover_next

pytestmark = pytest.mark.long


def searched(world: VirtualPool, count: int, near_leak: int = 0) -> tuple[Survey, Result]:
    """Read at places of chance, and some within half a metre of the leak."""
    survey = Survey(world.pool, LocateSettings(head="three-axis"))
    places = [point(p) for p, _ in random_stations(world, count)]
    if near_leak:
        leak = world.leaks[0][0]
        inward = np.sign(world.size / 2 - leak) * np.where(np.isin(leak, (0.0, *world.size)), 0.45, 0.1)
        places += [point(leak + inward + shift) for shift in (np.zeros(3), [0.3, 0, 0], [0, 0.3, 0.1])[:near_leak]]
    for k, place in enumerate(places):
        for reading in world.measure(np.array(place), 90.0, f"g{k}"):
            survey.add(reading)
    return survey, survey.result(coverage=False)


def test_once_a_place_is_certain_the_next_spot_looks_for_one_more() -> None:
    """Else whoever goes on would only read around the hole that is found already."""
    survey, result = searched(random_pool(7300, fittings=1, errors=Errors(head="three-axis")), 8, near_leak=3)
    answer = survey.last_answer
    assert answer is not None
    assert len(answer.leaks) == 1 and answer.leaks[0].certain and result.verdict == "found"
    # However sharp its place: what a few poor holds could be has not been found.
    assert not replace(answer.leaks[0], log_evidence=FOUND_EVIDENCE - 0.1).certain
    assert answer.doubtful is not None and guide.target_of(answer) is answer.doubtful
    unsure = replace(answer, leaks=(_Unsure(answer),))  # type: ignore[arg-type]
    assert guide.target_of(unsure) is unsure.leaks[0]
    assert guide.target_of(replace(answer, doubtful=None)) is answer.leaks[0]


class _Unsure:
    """A leak whose place is not certain."""

    certain = False

    def __init__(self, answer: Answer) -> None:
        self.radius_m = 0.8
        self.position_m = answer.leaks[0].position_m


def test_the_fitting_that_the_advice_names_is_told_by_name() -> None:
    """A fitting that takes most of the current is to be covered while nothing is certain: in words and as a name."""
    survey, result = searched(random_pool(7302, leaks=0, fittings=1, errors=Errors(head="three-axis")), 3)
    (light,) = result.budget.fittings
    assert light.current_A > 0.3 * result.budget.injected_A and result.verdict != "found"
    answer = survey.last_answer
    assert answer is not None and result.cover_next == cover_next(answer) == light.name
    assert any(f'"{light.name}"' in one for one in result.advice)
    assert result.to_json()["cover_next"] == light.name
