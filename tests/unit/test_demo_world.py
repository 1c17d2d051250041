"""The emulated surroundings of the demo's visit: water, dye, calendar, a pole not held quite where it is said."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace

import numpy as np
import pytest

from earthward.cli import main
from earthward.clock import ManualClock
from earthward.commands.demo_walk import told
from earthward.commands.demo_world import (
    MORNING,
    Calendar,
    dye_drawn,
    leak_L_per_day,
    level_log,
)
from earthward.config import Config, PairConfig
from earthward.emulated.bench import Technician
from earthward.emulated.head import EmulatedHead
from earthward.emulated.pole import HandHeldPole
from earthward.emulated.pool import VirtualPool
from earthward.emulated.scenario import LeakSpec, Scenario
from earthward.record.finding import Finding
from earthward.record.place import HEADS, Head, Station
from earthward.record.reading import KeptReading
from earthward.survey.levels import parse_level_log
from earthward.survey.pair import held_at, pair_ends
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


@pytest.mark.parametrize("head", HEADS)
def test_the_pole_stays_inside_whatever_its_errors(head: Head) -> None:
    scenario = Scenario(head=head)
    pool = VirtualPool(scenario, ManualClock())
    pole = HandHeldPole(scenario, np.random.default_rng(1))
    corners = [(x, y, z) for x in (0.2, 7.8) for y in (0.2, 3.8) for z in (0.25, 1.2)]
    for _ in range(30):
        for corner in corners:
            pole.put_down()
            for vertical in (False, True):
                first, second, others = pole.ends(Station(position_m=corner, bearing_deg=40.0, vertical=vertical))
                for front, back in ((first, second), *others):
                    for end in (front, back):
                        pool._inside(end)
                        assert end[2] >= 0
                    assert np.linalg.norm(np.subtract(front, back)) == pytest.approx(scenario.spacing_m, rel=0.05)
                    assert np.linalg.norm(np.add(front, back) / 2 - corner) < 1.0


def test_each_direction_is_a_turn_of_its_own() -> None:
    """Standard deviations as stated (a little more: now and then a hand is careless), no two turns alike."""
    pole = HandHeldPole(Scenario(), np.random.default_rng(2))
    middle = (4.0, 2.0, 0.7)
    bearings, slips = [], []
    for _ in range(400):
        pole.put_down()
        turned = []
        for bearing_deg in (0.0, 90.0):
            place = Station(position_m=middle, bearing_deg=bearing_deg)
            front, back, others = pole.ends(place)
            assert pole.ends(place) == (front, back, others)  # held still
            arm = np.subtract(front, back)
            turned.append((math.degrees(math.atan2(arm[1], arm[0])) - bearing_deg + 180) % 360 - 180)
            slips.append((np.add(front, back) / 2)[0])
        bearings.append(turned)
    errors = np.array(bearings)
    assert 9.5 < np.std(errors) < 13.0
    assert abs(np.corrcoef(errors.T)[0, 1]) < 0.15
    assert np.std(np.diff(np.reshape(slips, (-1, 2)))) == pytest.approx(0.03 * math.sqrt(2) * 1.1, rel=0.15)


def test_injection_electrodes_hang_near_where_they_were_noted() -> None:
    for seed in range(20):
        scenario = Scenario.random(seed)
        noted = [placement.position_m for placement in scenario.known_pool().sources]
        for where, hangs in zip(noted, (scenario.electrode_A_m, scenario.electrode_B_m), strict=True):
            assert 0 < math.dist(where, hangs) < 0.16


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


@pytest.mark.parametrize("head", HEADS)
def test_the_record_and_the_emulated_head_mean_the_same_electrodes(head: Head) -> None:
    """The record works places out from the head's drawing, the bench from its own: a steady hand makes them agree."""
    scenario, clock = Scenario(head=head), ManualClock()
    bench = SimpleNamespace(scenario=scenario, pool=VirtualPool(scenario, clock), head=EmulatedHead(scenario, clock))
    place = Station(position_m=(3.0, 2.0, 0.7), bearing_deg=250.0)
    pose = Technician(bench).hold(place.position_m, 250.0)  # type: ignore[arg-type]
    assert len(pose.pairs) == Config(pair=PairConfig(head=head)).channels
    for channel, ends in enumerate(pose.pairs):
        told = pair_ends(place, bench.scenario.spacing_m, head, channel)
        assert np.array(told) == pytest.approx(np.array(ends))
        row = KeptReading(front_m=told[0], back_m=told[1], value_V=0.0, sigma_V=1e-6, channel=channel)
        back = held_at(row, head)
        if channel < 2:
            assert back.position_m == pytest.approx(place.position_m) and back.bearing_deg == pytest.approx(250.0)


def test_the_second_pair_of_a_crossed_head_stays_in_the_water_when_the_first_is_held_upright() -> None:
    scenario = Scenario.random(3, head="crossed")
    pole = HandHeldPole(scenario, np.random.default_rng(1))
    middle = (scenario.length_m / 2, scenario.width_m / 2, scenario.depth_m / 2)
    _, _, others = pole.ends(Station(position_m=middle, vertical=True))
    assert len(others) == 1 and min(end[2] for end in others[0]) > 0.0


def test_a_pool_with_no_way_out_for_current_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--headless", "--job", "walk", "--leaks", "0"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "--fittings 1 or more, or --leaks 1" in said


def test_an_answer_for_a_tight_pool_has_no_distance_to_a_leak() -> None:
    """What the summary tells has to be JSON, and a false finding is named as one."""
    tight = Scenario.random(3, fittings=2, leaks=0)
    finding = Finding(number=1, position_m=(1.0, 0.0, 0.5), current_A=2e-4, certain=False, text="suspected")
    result = SimpleNamespace(findings=(finding,), text="", verdict="suspected", to_json=lambda cells: {})
    summary, sentence = told(result, tight)  # type: ignore[arg-type]
    assert summary["estimate"]["error_m"] is None and "truth no leak at all" in sentence
    assert json.loads(json.dumps(summary["estimate"], allow_nan=False))["certain"] is False
