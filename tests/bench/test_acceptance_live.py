"""What `doctor --acceptance --live` reads by itself, from the emulated board over a pty and the emulated converter."""

from __future__ import annotations

import pytest

from earthward.clock import ScaledClock
from earthward.commands._acceptance import from_bus, from_link
from earthward.devices.source import SourceLink
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, SteadyVoltage
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.load import ResistorLoad
from earthward.kit import acceptance

CLOCK = ScaledClock(1.0)


@pytest.mark.realtime
@pytest.mark.parametrize("rate_error, verdict", [(0.0, "pass"), (0.004, "fail")])
def test_the_board_tells_of_itself(rate_error: float, verdict: str) -> None:
    """A resonator in place of the crystal, 0.4 % fast, is seen by the clock."""
    with (
        EmulatedBoard(CLOCK, ResistorLoad(600.0), rate_error=rate_error, wander=0.0) as board,
        SourceLink(board.port, CLOCK) as link,
    ):
        values = from_link(link, CLOCK, 4.0)
    lines = {line.item.name: line for line in acceptance.judge({**values, "islands_ohm": 1e9, "five_volts_V": 5.0})}
    assert lines["clock_ratio"].verdict == verdict
    assert lines["board_V"].verdict in ("pass", "watch")
    assert lines["fuses_right"].verdict == "pass"
    assert lines["clamp_V"].verdict == "not measured"


@pytest.mark.realtime
def test_a_board_that_does_not_answer_is_a_value(tmp_path) -> None:
    with SourceLink(str(tmp_path / "nothing"), CLOCK) as link:
        assert from_link(link, CLOCK, 0.1) == {"baud_ratio": 0.0}


@pytest.mark.parametrize("address", [0x48, 0x4A])
def test_the_converters_address_is_found(address: int) -> None:
    bus = FakeI2C(CLOCK)
    bus.chips[address] = EmulatedAds(CLOCK, SteadyVoltage((0.0, 0.0, 0.0, 0.0)))
    assert from_bus(bus) == {"converter_address": float(address)}
