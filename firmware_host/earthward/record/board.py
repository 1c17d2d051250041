"""What the source board reports of itself, in SI, and the codes of its states, trips and refusals."""

from __future__ import annotations

from enum import IntEnum
from typing import Literal

from earthward.record.base import Record
from earthward.record.waveform import WaveformName

ElectrodeName = Literal["A", "B"]


class BoardState(IntEnum):
    OFF = 0
    ARMED = 1
    ENERGISED = 2
    TRIPPED = 3


class Trip(IntEnum):
    NONE = 0
    OVER_CURRENT = 1
    OVER_VOLTAGE = 2
    HEARTBEAT_LOST = 3
    EMERGENCY_STOP = 4
    ENABLE_RELEASED = 5
    BATTERY_LOW = 6
    TOO_HOT = 7
    ASYMMETRY = 8
    DISAGREEMENT = 9
    WATCHDOG = 10
    SELF_TEST = 11
    ENGINE_STALLED = 12
    UNKNOWN = 255

    @classmethod
    def _missing_(cls, value: object) -> Trip | None:
        """Newer firmware may know more causes: any of them is still a trip."""
        return cls.UNKNOWN if isinstance(value, int) and value > 0 else None


class Refusal(IntEnum):
    """Why the board does not do what it was asked."""

    UNKNOWN = 1
    BAD_BODY = 2
    WRONG_STATE = 3
    CHECKSUM = 4
    EMERGENCY_STOP = 5
    ENABLE_NOT_HELD = 6
    TRIPPED = 7
    NO_HEARTBEAT = 8
    ABOVE_LIMIT = 9


class BoardReport(Record, frozen=True, kw_only=True):
    """One report of the board. `received_s`: host time of its arrival.

    Currents and voltages are peaks of the two half periods; idle_*: at the electrodes while the output is off.
    bad_frames: frames the board had to drop since its reset, modulo 256.
    """

    received_s: float
    state: BoardState
    trip: Trip
    emergency_stop_closed: bool
    enable_held: bool
    heartbeat_fresh: bool
    open_circuit: bool = False
    current_limiting: bool = False
    electrode: ElectrodeName = "A"
    waveform: WaveformName = "coded"
    period_ticks: int = 0
    cycles: int = 0
    cycle_tick: int = 0
    current_positive_A: float = 0.0
    current_negative_A: float = 0.0
    voltage_positive_V: float = 0.0
    voltage_negative_V: float = 0.0
    battery_V: float = 0.0
    temperature_C: float = 0.0
    idle_dc_V: float = 0.0
    idle_ac_V: float = 0.0
    current_peak_A: float = 0.0
    bad_frames: int = 0

    @property
    def energised(self) -> bool:
        return self.state is BoardState.ENERGISED

    @property
    def current_A(self) -> float:
        """Mean of the magnitudes of both halves: the injected current's amplitude."""
        return (self.current_positive_A - self.current_negative_A) / 2

    @property
    def voltage_V(self) -> float:
        return (self.voltage_positive_V - self.voltage_negative_V) / 2
