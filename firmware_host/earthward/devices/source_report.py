"""What the source board tells, in SI: reports, events, the link's own state. Words for trips: `safety.causes`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from earthward.devices.protocol import Electrode, FrameError, Telemetry, TelemetryFlag
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.waveform import BY_CODE


def board_report(t: Telemetry, received_s: float) -> BoardReport:
    """Raises FrameError if a code is none of the protocol's."""
    try:
        state, trip = BoardState(t.state), Trip(t.trip)
        electrode = Electrode(t.electrode).name
        waveform = BY_CODE[t.waveform].name
    except (ValueError, KeyError) as error:
        raise FrameError(f"telemetry with an unknown code: {error}") from error
    return BoardReport(
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
