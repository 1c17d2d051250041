"""The emulated surroundings of the demo's visit: water, dye, calendar, a pole not held quite where it is said."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.clock import ManualClock
from earthward.commands.demo_world import (
    MORNING,
    Calendar,
    PoleErrors,
    dye_drawn,
    leak_L_per_day,
    level_log,
)
from earthward.emulated.pool import VirtualPool
from earthward.emulated.scenario import LeakSpec, Scenario
from earthward.record.place import Station
from earthward.survey.levels import parse_level_log
from earthward.survey.pair import pair_ends
from earthward.water.hole_flow import LITRES_PER_DAY, orifice_m3_per_s
from earthward.water.loss import analyse


def test_calendar_goes_with_the_bench_and_skips() -> None:
    clock = ManualClock(100.0)
    calendar = Calendar(clock)
    clock.advance(60.0)
    calendar.skip(hours=2, minutes=5)
    assert calendar() == pytest.approx(MORNING.timestamp() + 60 + 2 * 3600 + 300)


def test_the_hole_lets_through_less_than_a_free_orifice() -> None:
    leak = LeakSpec("leak", (1.0, 0.0, 1.0), 2.0)
    free = orifice_m3_per_s(0.002, 1.0) * LITRES_PER_DAY
    assert 0.2 * free < leak_L_per_day(leak) < free


def test_level_log_tells_the_leak_that_it_was_made_with() -> None:
    """Over ten draws: the log is a valid one, its interval holds the truth, a tight pool is not called leaking."""
    held = 0
    for seed in range(10):
        scenario = Scenario.random(seed)
        draw = np.random.default_rng(seed)
        truth = leak_L_per_day(scenario.leaks[0])
        result = analyse(parse_level_log(level_log(scenario, MORNING.timestamp(), 48, truth, draw)))
        low, high = result.leak.interval_L_per_day
        held += low <= truth <= high
        tight = analyse(parse_level_log(level_log(scenario, MORNING.timestamp(), 96, 0.0, draw)))
        assert tight.verdict != "leak"
    assert held >= 8


def test_dye_is_drawn_by_a_hole_close_by_only() -> None:
    scenario = Scenario(leaks=(LeakSpec("a", (3.0, 0.0, 0.6), 2.0), LeakSpec("b", (3.2, 0.0, 0.6), 2.0)))
    assert dye_drawn(scenario, (3.15, 0.0, 0.6), 0.1) == scenario.leaks[1]
    assert dye_drawn(scenario, (5.0, 0.0, 0.6), 0.1) is None
    assert dye_drawn(scenario, (3.0, 0.0, 1.1), 0.6) == scenario.leaks[0]


def test_the_pole_stays_inside_whatever_its_errors() -> None:
    scenario = Scenario()
    pool = VirtualPool(scenario, ManualClock())
    draw = np.random.default_rng(1)
    corners = [(x, y, z) for x in (0.2, 7.8) for y in (0.2, 3.8) for z in (0.25, 1.2)]
    for _ in range(30):
        errors = PoleErrors.draw(draw)
        for corner in corners:
            for vertical in (False, True):
                place = Station(position_m=corner, bearing_deg=40.0, vertical=vertical)
                middle, bearing = errors.at(place, scenario)
                held = Station(position_m=middle, bearing_deg=bearing, vertical=vertical)
                front, back = pair_ends(held, scenario.spacing_m)
                for end in (front, back):
                    pool._inside(end)
                    assert end[2] >= 0
                assert np.linalg.norm(np.subtract(middle, corner)) < 0.6


def test_the_test_leak_takes_current_while_it_is_connected() -> None:
    """Ohm's law beside it: water at U above earth drives U / R through the wire (spreading included: a little less)."""
    pool = VirtualPool(Scenario(leaks=(LeakSpec("leak", (3.0, 0.0, 0.6), 2.0),)), ManualClock())
    assert "test leak" not in pool.sink_currents_A()
    pool.set_test_leak((4.0, 2.0, 0.7), 27e3)
    currents = pool.sink_currents_A()
    leak_ohm = pool.scenario.leak_ohm(pool.scenario.leaks[0])
    assert currents["test leak"] == pytest.approx(currents["leak"] * leak_ohm / 27e3, rel=0.02)
    pool.set_test_leak(None)
    assert "test leak" not in pool.sink_currents_A()
