"""Contacts at the pool side through the unmodified gpiozero, on emulated pins: a broken wire is a stop."""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import gpiozero
import pytest

from earthward.clock import ManualClock
from earthward.devices.gpio import EdgePin, PoolSide, open_edge_pin, open_sync_pin
from earthward.devices.source.clockmap import ClockMap
from earthward.emulated.pins import HISTORY, EmulatedPins
from earthward.errors import InputError

STOP, ENABLE, BEACON, KEEP = 17, 27, 22, 5


@pytest.fixture
def pins() -> Iterator[EmulatedPins]:
    factory = EmulatedPins(ManualClock(10.0))
    yield factory
    factory.close()


def side_of(pins: EmulatedPins, told: list[tuple[str, bool]] | None = None) -> PoolSide:
    return PoolSide(
        emergency_stop=STOP,
        enable=ENABLE,
        beacon=BEACON,
        switches={"keep": KEEP},
        on_change=None if told is None else lambda name, active: told.append((name, active)),
        pin_factory=pins,
    )


def test_nothing_wired_permits_nothing(pins: EmulatedPins) -> None:
    """IEC 60204-1 asks for normally closed stop circuits: loss of the wire is a stop (from memory)."""
    with side_of(pins) as side:
        assert not side.emergency_stop_closed
        assert not side.enable_held


def test_contacts_already_closed_when_the_program_starts(pins: EmulatedPins) -> None:
    pins.pin(STOP).set_contact(True)
    with side_of(pins) as side:
        assert side.emergency_stop_closed
        assert not side.enable_held


def test_a_wire_that_breaks_is_told_at_once(pins: EmulatedPins) -> None:
    told: list[tuple[str, bool]] = []
    with side_of(pins, told) as side:
        pins.pin(STOP).set_contact(True)
        pins.pin(ENABLE).set_contact(True)
        assert side.emergency_stop_closed
        assert side.enable_held
        pins.pin(STOP).set_contact(False)
        assert told == [("emergency_stop", True), ("enable", True), ("emergency_stop", False)]
        assert not side.emergency_stop_closed
        pins.pin(KEEP).set_contact(True)
        assert side.switch_pressed("keep")
        assert told[-1] == ("keep", True)


def test_a_receiver_that_fails_does_not_stop_the_others(pins: EmulatedPins, caplog: pytest.LogCaptureFixture) -> None:
    def fail(name: str, active: bool) -> None:
        raise RuntimeError("receiver broken")

    with PoolSide(emergency_stop=STOP, enable=ENABLE, on_change=fail, pin_factory=pins) as side:
        pins.pin(STOP).set_contact(True)
        assert side.emergency_stop_closed
        assert "receiver of the change of emergency_stop failed" in caplog.text


def test_the_beacon(pins: EmulatedPins) -> None:
    with side_of(pins) as side:
        assert not side.beacon_lit
        side.set_beacon(True)
        assert pins.pin(BEACON).state
        side.set_beacon(True, blink_s=0.2)
        side.set_beacon(False)
        assert not side.beacon_lit
    # closed with the program: the pin is an input again and drives nothing
    assert pins.pin(BEACON).function == "input"


def test_wrong_pins_are_sentences(pins: EmulatedPins) -> None:
    with side_of(pins), pytest.raises(InputError, match="GPIO17 for the emergency stop cannot be used"):
        side_of(pins)
    with pytest.raises(InputError, match="GPIO99 for the hand-held enable"):
        PoolSide(emergency_stop=STOP, enable=99, pin_factory=pins)
    # ... and the failed attempt let go of what it had
    with side_of(pins):
        pass


def test_a_machine_without_gpio_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "lgpio")
    with warnings.catch_warnings(), pytest.raises(InputError, match=r"GPIO17 for the emergency stop cannot be"):
        warnings.simplefilter("ignore")
        PoolSide(emergency_stop=STOP, enable=ENABLE)


def test_edges_are_numbered_and_carry_their_own_time() -> None:
    clock = ManualClock(10.0)
    pins = EmulatedPins(clock)
    ready = open_edge_pin(25, clock, pin_factory=pins)
    for number in (1, 2, 3):
        clock.advance(0.001)
        pins.pin(25).pulse_low(clock.now() - 0.0004)  # the kernel saw it before we ran
        if number != 2:
            # Who is late gets the newest: the conversion of the one before is gone.
            assert ready.wait(1.0) == (number, pytest.approx(10.0 + number * 0.001 - 0.0004))
    assert ready.wait(0.001) is None
    # a stamp of an origin that is not ours (an old kernel's calendar time) is not believed
    pins.pin(25).pulse_low(1.7e9)
    assert ready.wait(1.0) == (4, pytest.approx(10.003))
    assert ready.edges == 4


def test_a_pin_that_pulses_for_hours_does_not_eat_memory() -> None:
    clock = ManualClock(10.0)
    pins = EmulatedPins(clock)
    ready = EdgePin(25, clock, sink=lambda number, at: None, pin_factory=pins)
    for _ in range(5000):
        pins.pin(25).pulse_low(10.0)
    assert ready.edges == 5000
    assert len(pins.pin(25).states) <= HISTORY


def test_the_sync_wire_feeds_the_clock_map() -> None:
    clock = ManualClock(0.0)
    pins = EmulatedPins(clock)
    clock_map = ClockMap(1e6)
    period = 28_000

    def ticks(t: float) -> float:
        return 1e6 * 1.003 * t

    used: list[bool] = []
    wire = open_sync_pin(
        6, clock, lambda at_s: used.append(clock_map.add_period_edge(at_s, 5 * period, period)), pin_factory=pins
    )
    pins.pin(6).drive_low()
    for _ in range(40):
        clock_map.add_ping(clock.now(), clock.now() + 0.003, int(ticks(clock.now() + 0.0005)))
        clock.advance(0.1)
    first = int(ticks(clock.now()) / period) + 1
    for k in range(first, first + 120):
        clock.advance(k * period / 1.003e6 - clock.now())
        pins.pin(6).drive_high()
        pins.pin(6).drive_low()
    assert used == [True] * 120, "rising edges only"
    assert wire.edges == 120
    later = clock.now() + 2.5
    assert clock_map.host_time(ticks(later)) == pytest.approx(later, abs=0.1e-3)
