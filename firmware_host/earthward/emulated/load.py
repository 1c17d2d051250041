"""What a source board drives, and with what: amplitudes, no waveform. EMULATED."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

#: as hardware/source_board/firmware/board.h
LOW_RANGE_uA = 5_000


@dataclass(slots=True)
class Drive:
    """What the output stage can do: a regulated bridge behind series resistors and a limiter.

    The board sets `full_range`: half the voltage unless more than `LOW_RANGE_uA` is asked for.
    """

    full_V: float = 10.0
    series_ohm: float = 1200.0
    limit_A: float = 0.012
    full_range: bool = True

    @property
    def voltage_V(self) -> float:
        return self.full_V if self.full_range else 0.5 * self.full_V

    def ask(self, current_limit_uA: int) -> None:
        """Choose the range as the board does when it is configured."""
        self.full_range = current_limit_uA > LOW_RANGE_uA


@dataclass(frozen=True, slots=True)
class Injection:
    """Amplitudes at the output: current into the injection electrode and its voltage against the earth electrode."""

    current_A: float
    voltage_V: float
    limiting: bool = False
    open_circuit: bool = False


class Load(Protocol):
    """What the board's output is connected to."""

    def inject(self, drive: Drive, electrode: str) -> Injection:
        """Amplitudes for a drive on electrode "A" or "B"."""
        ...

    def idle(self, electrode: str, at_s: float) -> tuple[float, float]:
        """(DC volts, AC volts rms) between injection and earth electrode with the output off."""
        ...


class ResistorLoad:
    """A plain resistor between the electrodes; nan is an open circuit."""

    def __init__(self, ohm: float) -> None:
        self.ohm = ohm

    def inject(self, drive: Drive, electrode: str) -> Injection:
        if not math.isfinite(self.ohm):
            return Injection(0.0, drive.voltage_V, open_circuit=True)
        current = drive.voltage_V / (drive.series_ohm + self.ohm)
        limited = min(current, drive.limit_A)
        return Injection(limited, limited * self.ohm, limiting=current > drive.limit_A)

    def idle(self, electrode: str, at_s: float) -> tuple[float, float]:
        return 0.002, 0.004
