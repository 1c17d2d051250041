"""The virtual pool: who takes the current, and what the pair sees. Hand calculations and closed formulas beside it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from earthward.clock import ManualClock
from earthward.devices.protocol import Electrode
from earthward.emulated.ads1115 import EmulatedAds
from earthward.emulated.board_logic import TICK_HZ
from earthward.emulated.load import Drive
from earthward.emulated.output import BoardClock, OutputSegment, OutputTimeline
from earthward.emulated.pool import Pose, VirtualPool
from earthward.emulated.scenario import FITTING_OHM, FittingSpec, LeakSpec, Scenario
from earthward.errors import InputError
from earthward.pool.pool_file import format_pool, parse_pool
from earthward.record.waveform import WAVEFORMS, WaveformName

DRIVE = Drive()
QUIET = Scenario(
    leaks=(LeakSpec("leak 1", (5.0, 1.0, 1.4), 1.0),),
    mains_V=0.0,
    offset_V=0.0,
    drift_V=0.0,
    noise_V=0.0,
    motion_V=0.0,
    pair_ohm=0.0,
)


def pool_of(scenario: Scenario) -> tuple[VirtualPool, ManualClock]:
    clock = ManualClock(50.0)
    return VirtualPool(scenario, clock), clock


# ---- current ----------------------------------------------------------------------------------------------


def test_one_hole_by_hand() -> None:
    """1 mm hole, water 5 ohm m, soil 60 ohm m, 0.5 mm liner: rho/(4a) on both sides and rho t/(pi a^2) between
    (Holm, Electric Contacts; Newman 1966). 2,500 + 3,183 + 30,000 = 35,683 ohm."""
    pool, _ = pool_of(QUIET)
    hole = 5 / (4 * 0.5e-3) + 5 * 0.5e-3 / (math.pi * 0.5e-3**2) + 60 / (4 * 0.5e-3)
    assert hole == pytest.approx(35_683, abs=1)
    # The water's own spreading resistance shifts it by far less than a permille.
    expected = 10.0 / (1200 + 25 + hole + 120)
    assert pool.sink_currents_A()["leak 1"] == pytest.approx(expected, rel=1e-3)
    told = pool.inject(DRIVE, "A")
    assert told.current_A == pytest.approx(expected, rel=1e-3)
    assert told.voltage_V == pytest.approx(10.0 - 1200 * told.current_A, rel=1e-6)
    assert not told.open_circuit
    assert not told.limiting


def test_a_bonded_fitting_starves_the_leak_and_a_cover_gives_it_back() -> None:
    bonded = FittingSpec("ladder", "ladder", (0.0, 2.0, 0.6), 20.0)
    alone, _ = pool_of(QUIET)
    both, _ = pool_of(QUIET.with_(fittings=(bonded,)))
    free = alone.sink_currents_A()["leak 1"]
    starved = both.sink_currents_A()
    # By hand: the water sits 20 ohm times the current above earth: 10 V * 20 / (1200 + 25 + 20 + 120). The water's own
    # resistance between injection electrode, fitting and leak (a few ohm) is left out here, hence the 15 %.
    assert starved["leak 1"] == pytest.approx(10 * 20 / 1365 / 35_683, rel=0.15)
    assert starved["leak 1"] < 0.03 * free
    assert starved["ladder"] == pytest.approx(10 / 1365, rel=0.01)
    both.set_covered("ladder")
    assert both.sink_currents_A()["leak 1"] == pytest.approx(free, rel=0.02)
    both.set_covered("ladder", False)
    assert both.sink_currents_A() == pytest.approx(starved)


def test_charge_is_conserved_and_the_nearer_electrode_feeds_a_fitting_more() -> None:
    fittings = (
        FittingSpec("near A", "ladder", (0.0, 2.0, 0.6), 40.0),
        FittingSpec("near B", "ladder", (8.0, 2.0, 0.6), 40.0),
    )
    pool, _ = pool_of(QUIET.with_(fittings=fittings))
    for electrode in ("A", "B"):
        total = pool.inject(DRIVE, electrode).current_A
        assert sum(pool.sink_currents_A(electrode).values()) == pytest.approx(total, rel=1e-9)
    a, b = pool.sink_currents_A("A"), pool.sink_currents_A("B")
    assert a["near A"] > a["near B"]
    assert b["near B"] > b["near A"]


def test_a_sound_liner_is_an_open_circuit_and_a_short_is_limited() -> None:
    sound, _ = pool_of(QUIET.with_(leaks=()))
    told = sound.inject(DRIVE, "A")
    assert told.open_circuit
    assert told.current_A == 0.0
    repaired, _ = pool_of(QUIET)
    repaired.set_repaired("leak 1")
    assert repaired.inject(DRIVE, "A").open_circuit
    short = QUIET.with_(
        fittings=(FittingSpec("bond", "bonded electrode", (0.0, 2.0, 0.6), 1.0),),
        electrode_ohm=1.0,
        earth_electrode_ohm=1.0,
    )
    told = pool_of(short)[0].inject(Drive(10.0, 100.0, 0.012), "A")
    assert told.limiting
    assert told.current_A == pytest.approx(0.012)


# ---- volts ------------------------------------------------------------------------------------------------


def test_toward_the_leak_is_positive_and_flips_on_passing_it() -> None:
    """TRADE words: > 0 means current flows in the water from back towards front."""
    pool, _ = pool_of(QUIET)
    x, y, z = QUIET.leaks[0].position_m
    for bearing in range(0, 360, 45):
        c, s = math.cos(math.radians(bearing)), math.sin(math.radians(bearing))
        # 0.4 m short of the leak, front end toward it; then 0.4 m past it, same bearing
        for side, sign in ((-0.4, 1), (0.4, -1)):
            at = (x + side * c, y + side * s, z - 0.05)
            front, back = (at[0] + 0.15 * c, at[1] + 0.15 * s, at[2]), (at[0] - 0.15 * c, at[1] - 0.15 * s, at[2])
            pool.move(Pose(front, back))
            assert sign * pool.true_volts("A") > 0


def test_near_the_leak_the_half_space_formula_holds() -> None:
    """V = rho I / (2 pi r) for a point on an insulating plane (Telford et al.); walls and source are far here."""
    scenario = QUIET.with_(leaks=(LeakSpec("leak 1", (4.0, 2.0, 1.4), 1.0),), electrode_A_m=(0.3, 2.0, 0.3))
    pool, _ = pool_of(scenario)
    current = pool.sink_currents_A()["leak 1"]
    pool.move(Pose((4.0, 2.0, 1.4 - 0.1), (4.0, 2.0, 1.4 - 0.25)))
    expected = 5.0 * current / (2 * math.pi) * (1 / 0.1 - 1 / 0.25)
    assert pool.true_volts("A") == pytest.approx(expected, rel=0.04)


def test_the_pair_must_be_in_the_pool() -> None:
    pool, _ = pool_of(QUIET)
    with pytest.raises(InputError, match="outside the emulated pool"):
        pool.move(Pose((9.0, 1.0, 0.5), (8.7, 1.0, 0.5)))
    with pytest.raises(InputError, match="no fitting 'lamp'"):
        pool.set_covered("lamp")


@pytest.mark.parametrize("waveform", tuple(WAVEFORMS))
def test_means_over_conversions_are_exact(waveform: WaveformName) -> None:
    """Against brute force: the waveform sampled 4,000 times in each conversion."""
    clock = BoardClock(TICK_HZ, 0.004, 49.0)
    segment = OutputSegment(0.0, True, "A", waveform, 12345.0, 55_560, clock)
    rng = np.random.default_rng(1)
    start = 60.0 + np.sort(rng.uniform(0, 3, 200))
    end = start + rng.uniform(0.2e-3, 40e-3, 200)
    exact = segment.mean_over(start, end)
    share = (np.arange(4000) + 0.5) / 4000
    phase = (clock.ticks_of(start[:, None] + share * (end - start)[:, None]) - 12345.0) / 55_560 % 1.0
    levels = WAVEFORMS[waveform].levels
    if levels is None:
        wave = np.sin(2 * np.pi * phase)
    else:
        wave = np.array(levels, dtype=float)[np.floor(phase * len(levels)).astype(int)]
    assert np.abs(exact - wave.mean(axis=1)).max() < 1.5e-3
    whole = segment.mean_over(start, np.array([clock.host_s(clock.ticks(t) + 55_560) for t in start]))
    assert np.abs(whole).max() < 1e-9, "no net charge over a period"


def test_the_boards_clock_can_be_inverted() -> None:
    clock = BoardClock(TICK_HZ, -0.005, 12.0, wander=50e-6)
    for at in (12.0, 13.7, 400.0, 5000.0):
        assert clock.host_s(clock.ticks(at)) == pytest.approx(at, abs=1e-9)
    assert (clock.ticks(1012.0) - clock.ticks(12.0)) / TICK_HZ == pytest.approx(1000 * 0.995, rel=1e-4)


def test_volts_follow_the_boards_output_in_time() -> None:
    """On from one moment, silent, other electrode from another: each conversion has the share that belongs to it."""
    pool, _ = pool_of(QUIET)
    clock = BoardClock(TICK_HZ, 0.0, 49.0, wander=0.0)
    period = TICK_HZ // 10  # 0.1 s
    timeline = OutputTimeline(OutputSegment(0.0, False, "A", "square", 0.0, period, clock))
    pool.connect(timeline, DRIVE)
    pool.move(Pose((2.0, 1.2, 0.7), (2.3, 1.5, 0.7)))
    on = clock.host_s(5 * period)
    timeline.add(OutputSegment(on, True, "A", "square", 5.0 * period, period, clock))
    off, again = on + 0.2, on + 0.3
    timeline.add(OutputSegment(off, False, "A", "square", 5.0 * period, period, clock))
    timeline.add(OutputSegment(again, True, "B", "square", 8.0 * period, period, clock))
    a, b = pool.true_volts("A"), pool.true_volts("B")
    assert a != pytest.approx(b, rel=0.02)
    # 10 ms conversions; the one from on - 5 ms has half of it
    starts = on + np.array([-0.02, -0.005, 0.01, 0.055, 0.22, 0.31, 0.36])
    volts = pool.mean_V(0, starts, starts + 0.01)
    assert volts == pytest.approx([0, a / 2, a, -a, 0, b, -b], abs=1e-9)


def test_mains_is_averaged_by_the_conversion() -> None:
    """A mean over T of a sine at f keeps sinc(f T) of it."""
    pool, _ = pool_of(QUIET.with_(mains_V=1e-3, mains_harmonics=()))
    pool.move(Pose((5.0, 1.2, 1.2), (5.0, 1.5, 1.2)))
    ends = 70.0 + np.arange(4000, dtype=np.float64) * 0.7e-3
    for length in (1e-6, 1 / 860, 1 / 128):
        amplitude = math.sqrt(2) * float(np.std(pool.mean_V(0, ends - length, ends)))
        assert amplitude == pytest.approx(1e-3 * abs(np.sinc(50 * length)), rel=0.12)


def test_out_of_the_water_there_is_pick_up_and_no_signal() -> None:
    pool, clock = pool_of(QUIET.with_(mains_V=1e-3))
    ends = clock.now() + 1 + np.arange(400, dtype=np.float64) * 1e-3
    pool.move(Pose((5.0, 1.2, 1.2), (5.0, 1.5, 1.2)))
    wet = pool.mean_V(0, ends - 1e-3, ends).std()
    clock.advance(0.1)
    pool.move(Pose(None, None))
    assert pool.mean_V(0, ends - 1e-3, ends).std() > 20 * wet
    assert pool.true_volts("A") == 0.0


def test_movement_is_gradual_and_noisy() -> None:
    pool, clock = pool_of(QUIET.with_(motion_V=200e-6))
    timeline = OutputTimeline(
        OutputSegment(0.0, True, "A", "square", 0.0, 10**12, BoardClock(TICK_HZ, 0.0, 49.0, wander=0.0))
    )
    pool.connect(timeline, DRIVE)
    pool.move(Pose((5.0, 1.2, 1.2), (5.0, 1.5, 1.2)))
    before = pool.true_volts("A")
    clock.advance(1.0)
    start = clock.now()
    pool.move(Pose((3.0, 1.2, 0.7), (3.0, 1.5, 0.7)), moving_s=2.0)
    after = pool.true_volts("A")
    ends = start + np.linspace(-0.5, 3.0, 700)
    volts = pool.mean_V(0, ends - 1e-3, ends)
    assert volts[ends < start] == pytest.approx(before)
    assert volts[ends > start + 2.01] == pytest.approx(after)
    moving = volts[(ends > start + 0.01) & (ends < start + 1.99)]
    assert np.abs(np.diff(moving)).max() < 0.5 * abs(before - after), "no jump"
    assert np.std(np.diff(moving)) > 10 * np.std(np.diff(volts[ends > start + 2.01]))


def test_the_chips_look_ahead_is_thrown_away_when_the_world_changes() -> None:
    pool, clock = pool_of(QUIET.with_(offset_V=0.0))
    timeline = OutputTimeline(
        OutputSegment(0.0, True, "A", "square", 0.0, 10**12, BoardClock(TICK_HZ, 0.0, 49.0, wander=0.0))
    )
    pool.connect(timeline, DRIVE)
    pool.move(Pose((5.0, 1.2, 1.2), (5.0, 1.5, 1.2)))
    chip = EmulatedAds(clock, pool.pair(0), noise_V=0.0)
    chip.write(bytes((1, 0x0A, 0xE3)))  # continuous, inputs 0-1, 0.256 V, 860/s
    chip.write(b"\0")

    def read() -> float:
        clock.advance(1 / 860)
        return float(np.frombuffer(chip.read(2), dtype=">i2")[0]) * 0.256 / 32768

    first = [read() for _ in range(10)][-1]
    assert first == pytest.approx(pool.true_volts("A"), abs=8e-6)
    pool.move(Pose((5.0, 1.5, 1.2), (5.0, 1.2, 1.2)))
    read()
    assert read() == pytest.approx(-first, abs=16e-6)
    pool.set_repaired("leak 1")
    read()
    assert read() == pytest.approx(0.0, abs=8e-6)


# ---- scenarios --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(1, 21))
def test_random_scenarios_are_possible_and_repeat(seed: int) -> None:
    scenario = Scenario.random(seed, fittings=None, leaks=2)
    assert scenario == Scenario.random(seed, fittings=None, leaks=2)
    size = np.array([scenario.length_m, scenario.width_m, scenario.depth_m])
    things: list[LeakSpec | FittingSpec] = [*scenario.leaks, *scenario.fittings]
    for thing in things:
        p = np.array(thing.position_m)
        assert np.all(p >= 0)
        assert np.all(p <= size)
        on_liner = min(np.abs(p[:2]).min(), np.abs(p - size).min())
        assert on_liner == pytest.approx(0.0, abs=1e-9), f"{thing} is not on the liner"
    for one, two in itertools.combinations(things, 2):
        assert math.dist(one.position_m, two.position_m) > 0.4
    known = scenario.known_pool()
    assert known.is_box
    assert parse_pool(format_pool(known)).fittings == known.fittings
    assert "leak" not in format_pool(known)
    assert scenario.truth()["emulated"] is True
    assert abs(scenario.adc_rate_error) <= 0.1
    assert abs(scenario.board_rate_error) <= 0.005
    for f in scenario.fittings:
        low, high = FITTING_OHM[f.kind]
        assert low <= f.ohm <= high


def test_default_demo_has_one_leak_and_no_fitting() -> None:
    scenario = Scenario.random(7)
    assert len(scenario.leaks) == 1
    assert scenario.fittings == ()
    with pytest.raises(InputError, match="cannot be negative"):
        Scenario.random(1, leaks=-1)


def test_electrode_names_are_the_protocols() -> None:
    assert [e.name for e in Electrode] == ["A", "B"]
