"""What the source board tells, in SI and in words: reports, events, the link's own state, trips and refusals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

from earthward.devices.protocol import BoardState, Electrode, FrameError, Refusal, Telemetry, TelemetryFlag, Trip
from earthward.signal.types import WaveformName

ElectrodeName = Literal["A", "B"]

_WAVEFORM_NAMES: dict[int, WaveformName] = {0: "square", 1: "sine", 2: "coded"}

TRIP_TEXT: dict[int, tuple[str, str]] = {
    Trip.NONE: ("No trip.", ""),
    Trip.OVER_CURRENT: (
        "The source board measured too much current and took its output off.",
        "Look for a short between the electrode leads, then press the board's reset button.",
    ),
    Trip.OVER_VOLTAGE: (
        "The source board measured too much voltage and took its output off.",
        "Take the board out of service and have its output stage checked.",
    ),
    Trip.HEARTBEAT_LOST: (
        "The source board heard nothing from the instrument for half a second and took its output off.",
        "Check the cable and that the instrument runs, then press the board's reset button.",
    ),
    Trip.EMERGENCY_STOP: (
        "The emergency stop was opened.",
        "Find out why, release the stop, then press the board's reset button.",
    ),
    Trip.ENABLE_RELEASED: (
        "The hand-held enable was released.",
        "Press the board's reset button to go on.",
    ),
    Trip.BATTERY_LOW: ("The source board's battery is low.", "Charge or change the battery."),
    Trip.TOO_HOT: ("The source board is too hot.", "Put it in the shade and let it cool down."),
    Trip.ASYMMETRY: (
        "The two halves of the source's waveform differ: there would be direct current in the water.",
        "Check the electrode leads and clean the electrodes, then press the board's reset button.",
    ),
    Trip.DISAGREEMENT: (
        "The source board measured an output that does not fit its command.",
        "Take the board out of service if this comes back.",
    ),
    Trip.WATCHDOG: ("The source board's program hung and its watchdog restarted it.", "Report it; press reset."),
    Trip.SELF_TEST: ("The source board failed its self-test.", "Check its battery; take it out of service."),
    Trip.ENGINE_STALLED: ("The source board's waveform stopped.", "Take the board out of service if it comes back."),
}

REFUSAL_TEXT: dict[int, str] = {
    Refusal.UNKNOWN: "it does not know the request: its firmware is of another version",
    Refusal.BAD_BODY: "a value in the request is not possible",
    Refusal.WRONG_STATE: "it is not in a state for that",
    Refusal.CHECKSUM: "what the instrument believes about the board is not what the board is set to",
    Refusal.EMERGENCY_STOP: "the emergency stop is open",
    Refusal.ENABLE_NOT_HELD: "the enable is not held",
    Refusal.TRIPPED: "it has tripped: press the board's reset button",
    Refusal.NO_HEARTBEAT: "it has not heard the instrument's heartbeat",
    Refusal.ABOVE_LIMIT: "the request is above one of its limits",
}


@dataclass(frozen=True, slots=True)
class SourceReport:
    """One telemetry frame in SI. `received_s` is host time."""

    received_s: float
    state: BoardState
    trip: Trip
    emergency_stop_closed: bool
    enable_held: bool
    heartbeat_fresh: bool
    open_circuit: bool
    current_limiting: bool
    electrode: ElectrodeName
    waveform: WaveformName
    period_ticks: int
    cycles: int
    cycle_tick: int
    current_positive_A: float
    current_negative_A: float
    voltage_positive_V: float
    voltage_negative_V: float
    battery_V: float
    temperature_C: float
    idle_dc_V: float
    idle_ac_V: float
    current_peak_A: float
    bad_frames: int = 0
    """Frames the board had to drop since its reset, modulo 256."""

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

    @classmethod
    def from_wire(cls, t: Telemetry, received_s: float) -> Self:
        """Raises FrameError if a code is none of the protocol's."""
        try:
            state, trip = BoardState(t.state), Trip(t.trip)
            electrode = Electrode(t.electrode).name
            waveform = _WAVEFORM_NAMES[t.waveform]
        except (ValueError, KeyError) as error:
            raise FrameError(f"telemetry with an unknown code: {error}") from error
        return cls(
            received_s=received_s,
            state=state,
            trip=trip,
            emergency_stop_closed=bool(t.flags & TelemetryFlag.EMERGENCY_STOP_CLOSED),
            enable_held=bool(t.flags & TelemetryFlag.ENABLE_HELD),
            heartbeat_fresh=bool(t.flags & TelemetryFlag.HEARTBEAT_FRESH),
            open_circuit=bool(t.flags & TelemetryFlag.OPEN_CIRCUIT),
            current_limiting=bool(t.flags & TelemetryFlag.CURRENT_LIMITING),
            electrode="A" if electrode == "A" else "B",
            waveform=waveform,
            period_ticks=t.period_ticks,
            cycles=t.cycles,
            cycle_tick=t.cycle_tick,
            current_positive_A=t.current_positive_uA * 1e-6,
            current_negative_A=t.current_negative_uA * 1e-6,
            voltage_positive_V=t.voltage_positive_mV * 1e-3,
            voltage_negative_V=t.voltage_negative_mV * 1e-3,
            battery_V=t.battery_mV * 1e-3,
            temperature_C=t.temperature_cC * 1e-2,
            idle_dc_V=t.idle_dc_mV * 1e-3,
            idle_ac_V=t.idle_ac_mV * 1e-3,
            current_peak_A=t.current_peak_uA * 1e-6,
            bad_frames=t.bad_frames,
        )


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """Something the link or the board did. `code` is stable, `text` and `remedy` are for a person."""

    t_s: float
    severity: Literal["info", "caution", "alarm"]
    code: str
    text: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How the link is. `text` is one plain sentence."""

    ok: bool
    text: str
    port: str
    connected: bool = False
    may_arm: bool = False
    firmware: str = ""
    emulated: bool = False
    errors: int = 0
    """Frames dropped for checksum, framing, length or version, both halves of the cable."""
    retries: int = 0
    timeouts: int = 0
    reconnects: int = 0
    restarts: int = 0
    """Unexpected restarts of the board."""
    round_trip_s: float | None = None
    last_frame_age_s: float | None = None
    clock_ready: bool = False
    clock_offset: float | None = None
    clock_error_s: float | None = None
    clock_age_s: float | None = None
