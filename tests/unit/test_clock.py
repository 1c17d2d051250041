"""Bench time that waits: the paced clock and its brakes, on a machine clock that the test turns by hand."""

from __future__ import annotations

import pytest

from earthward import clock as clock_module
from earthward.clock import PacedClock


class Machine:
    """Stands in for the `time` module inside `earthward.clock`."""

    def __init__(self) -> None:
        self.s = 100.0

    def monotonic(self) -> float:
        return self.s

    def sleep(self, seconds: float) -> None:
        self.s += seconds


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    made = Machine()
    monkeypatch.setattr(clock_module, "time", made)
    return made


def turn(machine: Machine, clock: PacedClock, seconds: float) -> float:
    """Real time passes in small steps while somebody keeps asking."""
    for _ in range(round(seconds / 0.005)):
        machine.s += 0.005
        clock.now()
    return clock.now()


def test_it_runs_at_its_speed(machine: Machine) -> None:
    clock = PacedClock(3.0)
    start = clock.now()
    assert turn(machine, clock, 1.0) - start == pytest.approx(3.0)


def test_a_process_without_processor_loses_no_bench_time(machine: Machine) -> None:
    clock = PacedClock(3.0)
    start = clock.now()
    machine.s += 10.0
    assert clock.now() - start == pytest.approx(0.06)


def test_a_brake_holds_and_time_lost_is_not_made_up_for(machine: Machine) -> None:
    clock = PacedClock(1.0)
    start = clock.now()
    brake = clock.brake()
    brake.hold(start + 0.1)
    assert turn(machine, clock, 5.0) == pytest.approx(start + 0.1)
    brake.hold(start + 10.0)
    assert turn(machine, clock, 0.5) == pytest.approx(start + 0.6)


def test_the_nearest_brake_counts(machine: Machine) -> None:
    clock = PacedClock(1.0)
    start = clock.now()
    near, far = clock.brake(), clock.brake()
    far.hold(start + 3.0)
    near.hold(start + 0.2)
    assert turn(machine, clock, 1.0) == pytest.approx(start + 0.2)
    near.release()
    assert turn(machine, clock, 9.0) == pytest.approx(start + 3.0)


def test_a_brake_with_patience_gives_way_to_a_fault(machine: Machine) -> None:
    clock = PacedClock(1.0)
    start = clock.now()
    clock.brake().hold(start + 0.1, patience_s=2.0)
    assert turn(machine, clock, 1.9) == pytest.approx(start + 0.1)
    assert turn(machine, clock, 1.0) > start + 0.8


def test_time_never_runs_backwards(machine: Machine) -> None:
    clock = PacedClock(2.0)
    turn(machine, clock, 1.0)
    before = clock.now()
    clock.brake().hold(before - 1.0)
    assert clock.now() == before
