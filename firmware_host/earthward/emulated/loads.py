"""EMULATED: known resistors at the source board's plug, and what the board tells of them over its real link."""

from __future__ import annotations

import numpy as np

from earthward.clock import Clock, PacedClock
from earthward.devices.source import SourceLink
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.board_logic import RELEASE_SEEN_S
from earthward.emulated.ground import WornSource
from earthward.errors import InputError

REPORTS = 8
SETTLE_S = 0.5


def told_over_the_link(
    ohm: float, extra_ohm: float, sense_error_A: float = 0.0, clock: Clock | None = None, seed: int = 0
) -> tuple[float, float, float, float]:
    """Currents and voltages of both halves, mean of several reports: board on its pseudo-terminal, driver, protocol.
    InputError where the board does not answer; LinkError where it refuses."""
    clock = PacedClock(2.0) if clock is None else clock
    board = EmulatedBoard(clock, WornSource(ohm, extra_ohm), seed=seed)
    board.current_error_A = sense_error_A
    board.start()
    try:
        with SourceLink(board.port, clock) as link:
            if not link.wait_connected(5.0):
                raise InputError(f"the emulated board does not answer: {link.status.text}")
            link.configure("square", 36.0, 0.010)
            link.arm()
            clock.sleep(2 * RELEASE_SEEN_S)
            board.set_enable(True)
            clock.sleep(0.05)
            link.energise()
            clock.sleep(SETTLE_S)
            reports = [link.request_status() for _ in range(REPORTS)]
            link.off()
            board.set_enable(False)
    finally:
        board.close()
    table = np.array(
        [(r.current_positive_A, r.current_negative_A, r.voltage_positive_V, r.voltage_negative_V) for r in reports]
    )
    a, b, c, d = (float(v) for v in table.mean(axis=0))
    return a, b, c, d
