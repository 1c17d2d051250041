"""The supervisor carries out what the interlock asks, never waits for the board, and stops the heart when it hangs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import msgspec
import pytest

from earthward.clock import ManualClock, SystemClock
from earthward.config import SourceConfig
from earthward.daemon.supervisor import AdcPulse, Supervisor
from earthward.devices.protocol import Configuration, Identity
from earthward.devices.source import LinkError, LinkStatus
from earthward.errors import InputError
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.safety.interlock import Interlock
from earthward.safety.limits import Limits
from earthward.safety.stray import StrayMeasurement, judge

QUIET = StrayMeasurement(0.0, 0.001, 0.001, 0.01, 0.1)


class FakeBoard:
    """A board whose report the test writes, and that does what it is told."""

    def __init__(self, clock: Any) -> None:
        self.clock = clock
        self.calls: list[str] = []
        self.fed = 0
        self.hang: threading.Event | None = None
        self.refuse: int | None = None
        self.identity: Identity | None = Identity(1, 1, 0, 0, 1, 1, 1, 2_000_000, 18_000, 12_000, 500, 0, 0)
        self._report = BoardReport(
            received_s=clock.now(), state=BoardState.OFF, trip=Trip.NONE, emergency_stop_closed=True, enable_held=False,
            heartbeat_fresh=True, open_circuit=False, current_limiting=False, electrode="A", waveform="coded",
            period_ticks=55_000, cycles=0, cycle_tick=0, current_positive_A=0.0, current_negative_A=0.0,
            voltage_positive_V=0.0, voltage_negative_V=0.0, battery_V=12.5, temperature_C=25.0, idle_dc_V=0.1,
            idle_ac_V=0.01, current_peak_A=0.0,
        )  # fmt: skip

    def set(self, **changes: Any) -> None:
        self._report = msgspec.structs.replace(self._report, **changes)

    @property
    def telemetry(self) -> BoardReport | None:
        return msgspec.structs.replace(self._report, received_s=self.clock.now())

    @property
    def restarts(self) -> int:
        return self.status.restarts

    @property
    def status(self) -> LinkStatus:
        return LinkStatus(ok=True, text="", port="fake")

    def feed(self) -> None:
        self.fed += 1

    def _do(self, name: str, state: BoardState) -> BoardReport:
        self.calls.append(name)
        if self.hang is not None and name != "off":
            self.hang.wait(5)
        if self.refuse is not None and name == "energise":
            raise LinkError("refused", self.refuse)
        self.set(state=state)
        report = self.telemetry
        assert report is not None
        return report

    def configure(self, *arguments: Any) -> Configuration:
        self.calls.append(f"configure {arguments[2]:g}")
        return Configuration(2, 0, 55_000, 10_000)

    def arm(self) -> BoardReport:
        return self._do("arm", BoardState.ARMED)

    def energise(self) -> BoardReport:
        return self._do("energise", BoardState.ENERGISED)

    def off(self) -> BoardReport:
        return self._do("off", BoardState.OFF)

    def select(self, electrode: str) -> float | None:
        self.calls.append(f"select {electrode}")
        return self.clock.now() + 0.03

    def phase_reference(self) -> None:
        return None

    def host_time(self, tick: float) -> float | None:
        return None


class Bed:
    """Supervisor on a manual clock: the test steps it; the messenger's thread is real."""

    def __init__(self) -> None:
        self.clock = ManualClock(100.0)
        self.board = FakeBoard(self.clock)
        self.events: list[Any] = []
        self.adc_ok = True
        self.supervisor = Supervisor(
            Interlock(Limits()), self.board, self.clock, SourceConfig(current_limit_A=0.02),
            adc=lambda: AdcPulse(self.clock.now(), self.adc_ok),
        )  # fmt: skip
        self.supervisor._messenger.start()

    def step(self, seconds: float = 0.02) -> None:
        for _ in range(max(1, round(seconds / 0.02))):
            self.clock.advance(0.02)
            self.supervisor._step()
        self.settle()
        self.events += self.supervisor.drain_events()

    def settle(self) -> None:
        """Wait until the messenger has nothing left to do."""
        messenger = self.supervisor._messenger
        wait_for(lambda: not messenger._queue and messenger._urgent is None and not messenger._busy_urgent)
        time.sleep(0.002)

    def energise(self) -> None:
        self.supervisor.state_water_clear("Ada")
        self.supervisor.set_stray(judge(replace(QUIET, t_s=self.clock.now()), Limits()))
        self.step(0.2)
        self.board.set(enable_held=True)
        self.step(1.5)
        for _ in range(200):
            if self.supervisor.energised:
                break
            self.step()
        wait_for(lambda: "energise" in self.board.calls)
        self.step(0.1)


def wait_for(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.001)


@pytest.fixture
def bed() -> Any:
    made = Bed()
    yield made
    made.supervisor._messenger.close()


def test_a_hand_energises_after_check_and_warning(bed: Bed) -> None:
    bed.energise()
    assert bed.supervisor.energised
    # The current asked for is the smaller of configuration and safety limit.
    assert bed.board.calls[:3] == ["configure 0.01", "arm", "energise"]


def test_nothing_happens_without_the_hand(bed: Bed) -> None:
    bed.supervisor.state_water_clear("Ada")
    bed.supervisor.set_stray(judge(QUIET, Limits()))
    bed.step(10.0)
    assert bed.board.calls == [] and not bed.supervisor.energised


@pytest.mark.parametrize("loss", ["stop", "enable", "adc", "emergency stop", "water"])
def test_losing_any_condition_takes_the_output_off(bed: Bed, loss: str) -> None:
    bed.energise()
    match loss:
        case "stop":
            bed.supervisor.request_stop()
        case "enable":
            bed.board.set(enable_held=False)
        case "adc":
            bed.adc_ok = False
        case "emergency stop":
            bed.board.set(emergency_stop_closed=False)
        case _:
            bed.supervisor.withdraw_water_clear()
    bed.step()
    assert not bed.supervisor.energised
    wait_for(lambda: "off" in bed.board.calls)


def test_off_overtakes_a_request_that_hangs(bed: Bed) -> None:
    bed.supervisor.state_water_clear("Ada")
    bed.supervisor.set_stray(judge(replace(QUIET, t_s=100.0), Limits()))
    bed.step(0.2)
    bed.board.hang = threading.Event()
    bed.board.set(enable_held=True)
    # No further than that: bench seconds pass faster here than the messenger's thread can follow.
    while not bed.supervisor.energised:
        assert bed.clock.now() < 120.0
        bed.clock.advance(0.02)
        bed.supervisor._step()
    wait_for(lambda: "arm" in bed.board.calls)
    bed.supervisor.request_stop()
    bed.clock.advance(0.02)
    bed.supervisor._step()
    assert not bed.supervisor.energised
    bed.board.hang.set()
    wait_for(lambda: "off" in bed.board.calls)
    assert "energise" not in bed.board.calls, "the interlock had changed its mind"


def test_a_refusal_is_a_named_end(bed: Bed) -> None:
    bed.board.refuse = 5
    bed.energise()
    bed.step(0.1)
    assert bed.supervisor.state.name == "tripped"
    assert any("mergency stop" in e.text for e in bed.events)


def test_a_trip_needs_the_boards_button(bed: Bed) -> None:
    bed.energise()
    bed.adc_ok = False
    bed.step()
    assert bed.supervisor.state.name == "tripped"
    bed.adc_ok = True
    bed.step(1.0)
    assert bed.supervisor.state.name == "tripped"
    bed.board.set(enable_held=False)
    bed.supervisor.reset_pressed()
    bed.step(0.1)
    assert bed.supervisor.state.name == "off"
    bed.step(5.0)
    assert bed.board.calls.count("energise") == 1, "never again by itself"


def test_no_name_no_water_clear(bed: Bed) -> None:
    with pytest.raises(InputError):
        bed.supervisor.state_water_clear("  ")


@pytest.mark.realtime
def test_a_step_that_fails_stops_feeding_and_switches_off(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    board = FakeBoard(clock)
    supervisor = Supervisor(Interlock(Limits()), board, clock, SourceConfig(), adc=lambda: AdcPulse(clock.now(), True))
    supervisor.start()
    wait_for(lambda: board.fed > 3)

    def broken(*_: Any) -> Any:
        raise RuntimeError("bug")

    monkeypatch.setattr(supervisor._interlock, "step", broken)
    wait_for(lambda: "off" in board.calls)
    time.sleep(0.05)
    fed = board.fed
    time.sleep(0.2)
    assert board.fed == fed
    supervisor.close()
