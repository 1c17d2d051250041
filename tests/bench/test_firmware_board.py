"""The firmware on the virtual chip, in real time on a pseudo-terminal, with the host's own link at its other end."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from earthward.clock import SystemClock
from earthward.devices.protocol import ResetCause
from earthward.devices.source import SourceLink
from earthward.emulated.firmware_board import FirmwareBoard, first_edge_tick
from earthward.emulated.load import ResistorLoad
from earthward.emulated.virtual_mcu import Build, find_build
from earthward.errors import InputError
from earthward.record.board import BoardState, Trip


def wait_for(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Generous: a busy machine is no failure."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return False


def test_files_that_are_not_built_are_named_with_the_command(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="make -C hardware/source_board"):
        find_build(tmp_path)


def test_first_edge_is_where_the_firmware_puts_it() -> None:
    # half the 60 us of dead time; for `sine` half of what the first of 32 slots leaves beside its pulse
    assert first_edge_tick("coded", 56_818) == 60
    assert first_edge_tick("square", 20_000) == 60
    assert first_edge_tick("sine", 64_000) == (2000 - 156) // 2
    assert first_edge_tick("sine", 20_000) == (625 - 120) // 2


@pytest.mark.realtime
def test_link_and_firmware_in_real_time(build: Build) -> None:
    clock = SystemClock()
    with FirmwareBoard(clock, ResistorLoad(1000.0), build=build) as board, SourceLink(board.port, clock) as link:
        assert wait_for(lambda: link.identity is not None and link.status.ok)
        assert link.identity is not None and link.identity.emulated == 1, "labelled by the strap"
        time.sleep(0.2)  # the enable is seen released
        link.configure("coded", 35.2, 0.008)
        link.arm()
        board.set_enable(True)
        time.sleep(0.1)
        link.energise()
        assert wait_for(lambda: board.timeline.segments()[-1].on), "the pins say that it is on"
        assert wait_for(
            lambda: (
                link.telemetry is not None
                and link.telemetry.current_positive_A == pytest.approx(10 / (1200 + 1000), rel=0.05)
            )
        )
        assert board.energised
        # the cable is pulled: heartbeats stop, the board drops its output by itself and names it
        board.unplug()
        assert wait_for(lambda: not board.energised)
        assert not board.timeline.segments()[-1].on
        board.replug()
        assert wait_for(lambda: link.telemetry is not None and link.telemetry.trip == Trip.HEARTBEAT_LOST)
        board.set_enable(False)
        time.sleep(0.2)
        assert board.press_reset()
        assert wait_for(lambda: link.telemetry is not None and link.telemetry.state == BoardState.OFF)
        # an unexpected restart is seen and nothing comes back on
        board.restart(ResetCause.WATCHDOG)
        assert wait_for(lambda: link.telemetry is not None and link.telemetry.trip == Trip.WATCHDOG)
        assert not board.energised
