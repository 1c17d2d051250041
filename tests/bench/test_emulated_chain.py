"""The chain on the emulated bench: board, water, chip, driver, reader. Right sign and size; faults named and got over.

Detection here is a plain least-squares fit written for this test, so that it checks the chain and not the detector.
All is real threads and ptys, in slow motion and on a clock that waits for the reader: a busy machine is no fault.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import adafruit_ads1x15
import gpiozero
import numpy as np
import pytest
import serial

from earthward.clock import Clock, PacedClock
from earthward.devices.ads1115 import AdcReader
from earthward.devices.gpio import PoolSide, open_sync_pin
from earthward.devices.source import SourceLink
from earthward.emulated.bench import BenchPins, EmulatedBench
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.scenario import FittingSpec, LeakSpec, Scenario
from earthward.record.board import BoardState, Trip
from earthward.record.waveform import WAVEFORMS
from earthward.signal.types import FloatArray, SampleFlag

pytestmark = pytest.mark.realtime

SPEED = 0.4

LEAK = (5.0, 1.0, 1.4)
SCENARIO = Scenario(
    leaks=(LeakSpec("leak 1", LEAK, 2.0),),
    fittings=(FittingSpec("ladder", "ladder", (0.0, 2.0, 0.6), 300.0),),
    pair_ohm=1000.0,
    seed=4,
)


def until(condition: Callable[[], bool], seconds: float = 30.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return condition()


@dataclass
class Chain:
    bench: EmulatedBench
    reader: AdcReader
    link: SourceLink
    side: PoolSide
    clock: Clock
    changes: list[tuple[str, bool]] = field(default_factory=list)

    def energise(self, waveform: str = "coded") -> None:
        self.link.configure(waveform, 36.0, 0.010)  # type: ignore[arg-type]
        self.link.arm()
        self.bench.technician.press_enable()
        self.link.energise()

    def amplitude_V(self, seconds: float = 0.8) -> tuple[float, float]:
        """(in-phase peak amplitude, standard error) by least squares on everything sampled from now on.

        The phase is the bench's own truth: what the clock map makes of it depends on how busy this machine is and has
        its own test and benchmark; here it only has to be near.
        """
        self.reader.drain()
        self.clock.sleep(seconds)
        blocks = [b for b in self.reader.drain() if b.channel == 0]
        t = np.concatenate([b.t_s for b in blocks])
        v = np.concatenate([b.v_V for b in blocks])
        good = np.concatenate([b.flags for b in blocks]) & (SampleFlag.SATURATED | SampleFlag.SUSPECT) == 0
        t, v = t[good], v[good]
        assert until(lambda: self.link.phase_reference() is not None)
        rate, report, board = self.reader.status.rate_Hz, self.link.telemetry, self.bench.board
        assert rate is not None
        assert report is not None
        assert isinstance(board, EmulatedBoard)
        ticks = board.clock.ticks_of(t)
        phase = (ticks - board._first_tick) / report.period_ticks
        mapped = self.link.host_time(float(ticks[-1]))
        assert mapped == pytest.approx(t[-1], abs=5e-3)
        frequency_Hz = board.clock.nominal_Hz * (1 + SCENARIO.board_rate_error) / report.period_ticks
        wave = code_mean(phase - frequency_Hz / rate, phase)
        columns = [wave, np.ones_like(t), t - t[0], (t - t[0]) ** 2]
        for order in (1, 3, 5, 7):
            angle = 2 * np.pi * order * SCENARIO.mains_Hz * t
            columns += [np.cos(angle), np.sin(angle)]
        matrix = np.stack(columns, axis=1)
        solution, *_ = np.linalg.lstsq(matrix, v, rcond=None)
        scatter = np.std(v - matrix @ solution)
        return float(solution[0]), float(scatter / math.sqrt(t.size))


def code_mean(a: FloatArray, b: FloatArray) -> FloatArray:
    """Mean of the code between phases a and b, by its own cumulative sum."""
    levels = WAVEFORMS["coded"].levels
    assert levels is not None
    knots, area = np.arange(11) / 10, np.concatenate([[0], np.cumsum(levels)]) / 10

    def integral(p: FloatArray) -> FloatArray:
        return np.asarray(np.interp(p - np.floor(p), knots, area))

    return (integral(b) - integral(a)) / (b - a)


@pytest.fixture(params=[True, False], ids=["ready wire", "by rate"])
def chain(request: pytest.FixtureRequest) -> Iterator[Chain]:
    yield from open_chain(request.param)


@pytest.fixture
def wired() -> Iterator[Chain]:
    yield from open_chain(True)


def open_chain(ready_wire: bool) -> Iterator[Chain]:
    clock = PacedClock(SPEED)
    changes: list[tuple[str, bool]] = []
    with (
        EmulatedBench(SCENARIO, clock, ready_wire=ready_wire) as bench,
        PoolSide(
            emergency_stop=bench.pins.emergency_stop,
            enable=bench.pins.enable,
            beacon=bench.pins.beacon,
            on_change=lambda name, active: changes.append((name, active)),
            pin_factory=bench.pin_factory,
        ) as side,
        AdcReader(bench.i2c, clock, bench.adc_settings(), bench.ready_pin()) as reader,
        SourceLink(bench.port, clock) as link,
    ):
        assert link.wait_connected(5.0)
        assert until(lambda: reader.status.last_sample_age_s is not None and not reader.status.stalled)
        yield Chain(bench, reader, link, side, clock, changes)


def test_sign_and_size_at_the_pair(chain: Chain) -> None:
    hands = chain.bench.technician
    chain.energise()
    x, y, z = LEAK
    # The converter loads the pair: 1 kohm into 710 kohm (data sheet) takes 0.14 %.
    for bearing, towards in ((90.0, -1), (270.0, 1)):
        hands.hold((x, y + 0.45, z - 0.1), bearing)
        chain.clock.sleep(0.4)
        truth = chain.bench.pool.true_volts("A")
        assert math.copysign(1, truth) == towards
        value, sigma = chain.amplitude_V()
        assert value == pytest.approx(truth, rel=0.05, abs=6 * sigma)
    alone = chain.link.telemetry
    assert alone is not None
    # Cover the ladder: the source's current falls, the leak's grows, and the pair shows it.
    hands.cover("ladder")
    chain.clock.sleep(0.3)
    value_covered, _ = chain.amplitude_V()
    covered = chain.link.telemetry
    assert covered is not None
    assert covered.current_A < 0.5 * alone.current_A
    assert value_covered > 1.5 * value


def test_the_libraries_on_the_path_are_the_real_ones(wired: Chain) -> None:
    assert type(wired.reader._chip.ads) is adafruit_ads1x15.ADS1115
    assert isinstance(wired.side._stop, gpiozero.DigitalInputDevice)
    assert isinstance(wired.link._transport.port, serial.Serial)
    assert wired.link.status.emulated, "and the board says that it is none"


def test_nack_is_named_and_got_over(chain: Chain) -> None:
    chain.bench.technician.unplug_adc()
    assert until(lambda: not chain.reader.status.ok and "does not answer" in chain.reader.status.text)
    chain.clock.sleep(0.5)
    assert chain.reader.status.stalled
    chain.bench.technician.replug_adc()
    assert until(lambda: not chain.reader.status.stalled and "does not answer" not in chain.reader.status.text)


def test_a_chip_reset_is_caught(wired: Chain) -> None:
    wired.bench.technician.reset_chip()
    assert until(lambda: wired.reader.status.restarts >= 1)
    assert until(lambda: not wired.reader.status.stalled)


def test_the_emergency_stop_is_seen_on_both_sides_and_drops_the_output(wired: Chain) -> None:
    wired.energise()
    wired.bench.technician.hold((5.0, 1.4, 1.2), 270.0)
    assert wired.side.emergency_stop_closed
    assert wired.side.enable_held
    wired.bench.technician.open_stop()
    assert ("emergency_stop", False) in wired.changes
    assert not wired.bench.board.energised
    assert until(lambda: (t := wired.link.telemetry) is not None and t.trip is Trip.EMERGENCY_STOP)
    assert "trip-emergency-stop" in [e.code for e in wired.link.drain_events()]
    # Closing it again brings nothing back by itself.
    wired.bench.technician.close_stop()
    wired.clock.sleep(0.3)
    assert not wired.bench.board.energised
    wired.bench.technician.release_enable()
    assert wired.bench.technician.press_reset()
    assert until(lambda: (t := wired.link.telemetry) is not None and t.state is BoardState.OFF)
    wired.energise()
    assert wired.bench.board.energised


def test_the_sync_wire_sharpens_the_clock_map() -> None:
    # Slower than the others: late threads of a busy machine must look small beside tenths of a millisecond.
    clock = PacedClock(SPEED / 3)
    with (
        EmulatedBench(SCENARIO, clock, pins=BenchPins(sync=23)) as bench,
        SourceLink(bench.port, clock) as link,
        open_sync_pin(23, clock, link.sync_edge, pin_factory=bench.pin_factory) as wire,
    ):
        assert link.wait_connected(5.0)
        link.configure("coded", 36.0, 0.010)
        link.arm()
        bench.technician.press_enable()
        link.energise()
        assert until(lambda: wire.edges > 40 and (link.status.clock_error_s or 1.0) < 120e-6, 90.0)
        reference = link.phase_reference()
        report = link.telemetry
        assert reference is not None
        assert report is not None
        board = bench.board
        assert isinstance(board, EmulatedBoard)
        periods = (board.clock.ticks(reference.start_s) - board._first_tick) / report.period_ticks
        # A ceramic resonator's map over a wire: well within the tenths of a millisecond that round trips leave.
        assert abs(periods - round(periods)) / reference.frequency_Hz < 150e-6


def test_letting_go_of_the_enable_drops_the_output(wired: Chain) -> None:
    wired.energise()
    wired.bench.technician.release_enable()
    board = wired.bench.board
    assert isinstance(board, EmulatedBoard)
    assert not board.energised
    assert board.trip is Trip.ENABLE_RELEASED
    assert ("enable", False) in wired.changes


def test_the_crossed_pair_is_a_second_chip() -> None:
    scenario = SCENARIO.with_(head="crossed", fittings=())
    clock = PacedClock(SPEED)
    with (
        EmulatedBench(scenario, clock) as bench,
        AdcReader(bench.i2c, clock, bench.adc_settings(0), bench.ready_pin(0)) as along,
        AdcReader(bench.i2c, clock, bench.adc_settings(1), bench.ready_pin(1)) as across,
    ):
        bench.technician.hold((5.0, 1.4, 1.2), 0.0)
        assert until(lambda: not along.status.stalled and not across.status.stalled)
        clock.sleep(0.5)
        assert {b.channel for b in along.drain()} == {0}
        assert {b.channel for b in across.drain()} == {1}
        # Pointing along x beside the leak, the leak lies across: its current is seen by the second pair.
        assert abs(bench.pool.true_volts("A", 1)) > 3 * abs(bench.pool.true_volts("A", 0))


def test_the_chip_is_left_idle_when_the_reader_closes(wired: Chain) -> None:
    assert wired.bench.chip.next_end_s is not None, "it converts"
    wired.reader.close()
    assert until(lambda: wired.bench.chip.next_end_s is None)
