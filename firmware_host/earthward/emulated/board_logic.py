"""EMULATED source board, its program: state machine, trips, answers to requests, measured values. No cable, no thread.

docs/protocol.md is what it follows; the conformance suite holds it and the real firmware to the same tests. Faults of
the board itself are attributes: `current_error_A`, `asymmetry`, `battery_V`, `temperature_C`, `limits_crc_error`.
"""

from __future__ import annotations

import math
import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace

from earthward.clock import Clock
from earthward.devices.protocol import (
    REPLY,
    VERSION,
    ArmRequest,
    Configuration,
    Electrode,
    EventCode,
    Frame,
    HeartbeatReply,
    Identity,
    RefusalBody,
    ResetCause,
    SelectReply,
    Type,
    pack_report,
)
from earthward.emulated.load import Drive, Injection, Load
from earthward.emulated.output import BoardClock, OutputSegment, OutputTimeline
from earthward.record.board import BoardReport, BoardState, ElectrodeName, Refusal, Trip
from earthward.record.waveform import BY_CODE, WAVEFORMS

TICK_HZ = 2_000_000
DEADMAN_S = 0.5
FIRST_PERIOD_S = 0.050
SHORTEST_PERIOD_S, LONGEST_PERIOD_S = 0.010, 0.200
RELEASE_SEEN_S = 0.05
# as hardware/source_board/firmware/limits.h
BATTERY_MIN_V = 10.5
HOT_DEG_C = 70.0
#: 10-bit converter averaged over some dozen samples (own estimate)
CURRENT_NOISE_A = 4e-6
VOLTAGE_NOISE_V = 3e-3


class Refused(Exception):
    """The board does not do what it was asked."""

    def __init__(self, reason: Refusal) -> None:
        super().__init__(reason.name)
        self.reason = reason


class BoardLogic:
    """See the module's text. Whoever calls it holds `_lock`."""

    def __init__(
        self,
        clock: Clock,
        load: Load,
        *,
        rate_error: float,
        wander: float,
        seed: int,
        drive: Drive | None,
        max_current_A: float,
    ) -> None:
        self._clock = clock
        self.load = load
        self.drive = drive or Drive()
        self.trip = Trip.NONE
        self._random = random.Random(seed)
        self._rate_error = rate_error
        self._wander = wander
        # inputs
        self.emergency_stop_closed = True
        self.enable_held = False
        # faults
        self.current_error_A = 0.0
        """Added to the measured current's amplitude (a leak inside the board, a shorted resistor)."""
        self.asymmetry = 0.0
        """Relative excess of the positive half."""
        self.battery_V = 12.4
        self.temperature_C = 31.0
        self.limits_crc_error = 0
        """XORed into the identity's limits checksum."""
        self.boot_count = 7
        self.bad_frames = 0
        self._identity = Identity(
            protocol=VERSION,
            major=0,
            minor=9,
            patch=1,
            boot_count=self.boot_count,
            reset_cause=int(ResetCause.POWER_ON),
            emulated=1,
            tick_Hz=TICK_HZ,
            max_current_uA=round(max_current_A * 1e6),
            max_voltage_mV=10_800,
            deadman_ms=round(DEADMAN_S * 1e3),
            build=0xE1A7ED,
            limits_crc=0,
            battery_min_mV=round(BATTERY_MIN_V * 1e3),
        )
        self._requests: dict[int, tuple[int, Callable[[bytes, float], bytes]]] = {
            Type.HELLO: (0, self._hello),
            Type.HEARTBEAT: (4, self._heartbeat),
            Type.CONFIGURE: (Configuration.LAYOUT.size, self._configure),
            Type.ARM: (ArmRequest.LAYOUT.size, self._arm),
            Type.ENERGISE: (0, self._energise),
            Type.OFF: (0, self._off),
            Type.SELECT: (1, self._select_request),
            Type.STATUS: (0, self._status),
        }
        self._begin(ResetCause.POWER_ON)
        self.timeline = OutputTimeline(self._segment(self._clock.now(), on=False))

    def _send_event(self, event: EventCode, tick: float | None = None) -> None:
        raise NotImplementedError

    # ---- hands on the board -------------------------------------------------------------------------------

    def set_emergency_stop(self, closed: bool) -> None:
        self.emergency_stop_closed = closed
        self._look_at_inputs()

    def set_enable(self, held: bool) -> None:
        now = self._clock.now()
        if self.enable_held and not held:
            self._released_since_s = now
        elif held and not self.enable_held and now - self._released_since_s >= RELEASE_SEEN_S:
            self._release_seen = True
        self.enable_held = held
        self._look_at_inputs()

    def press_reset(self) -> bool:
        """Press and let go of the board's button. True if it cleared a trip (or there was none)."""
        self._send_event(EventCode.RESET_BUTTON)
        if self.state is not BoardState.TRIPPED:
            return True
        if self.enable_held or not self.emergency_stop_closed:
            return False
        self.trip = Trip.NONE
        self._set_state(BoardState.OFF)
        return True

    # ---- state machine ------------------------------------------------------------------------------------

    def _begin(self, cause: ResetCause) -> None:
        """Reset: output off, ticks from 0."""
        now = self._clock.now()
        self.boot_count = (self.boot_count + 1) & 0xFFFF
        self._reset_cause = cause
        self.clock = BoardClock(TICK_HZ, self._rate_error, now, self._wander)
        latched = self.trip  # outlives power, as the firmware's copy in EEPROM does
        self.state = BoardState.OFF
        if latched is not Trip.NONE:
            self.state = BoardState.TRIPPED
        elif cause is ResetCause.WATCHDOG:
            self.state, self.trip = BoardState.TRIPPED, Trip.WATCHDOG
        elif cause is ResetCause.BROWN_OUT:
            self.state, self.trip = BoardState.TRIPPED, Trip.SELF_TEST
        self._configuration = Configuration(WAVEFORMS["coded"].code, Electrode.A, TICK_HZ // 36, 0)
        self._configured = False
        self._heartbeat_s = -math.inf
        self._electrode: ElectrodeName = "A"
        self._origin_tick = 0.0
        self._cycles_kept = 0
        self._cycle_tick_kept = 0
        self._first_tick = 0.0
        self._switch_event: tuple[float, float] | None = None
        self._peak_A = 0.0
        self._release_seen = False
        self._released_since_s = now if not self.enable_held else math.inf
        self._idle = (0.0, 0.0)
        self._stop_was_open = not self.emergency_stop_closed  # open at a reset is no trip

    @property
    def booting(self) -> bool:
        """Whether it is still busy with itself after a reset: inputs that open meanwhile were open from the start."""
        return False

    @property
    def identity(self) -> Identity:
        identity = replace(self._identity, boot_count=self.boot_count, reset_cause=int(self._reset_cause))
        return replace(identity, limits_crc=identity.expected_limits_crc() ^ self.limits_crc_error)

    @property
    def energised(self) -> bool:
        return self.state is BoardState.ENERGISED

    @property
    def live(self) -> bool:
        return self.state in (BoardState.ARMED, BoardState.ENERGISED)

    def _segment(self, from_s: float, *, on: bool) -> OutputSegment:
        c = self._configuration
        waveform = BY_CODE[c.waveform].name
        return OutputSegment(from_s, on, self._electrode, waveform, self._origin_tick, c.period_ticks, self.clock)

    def _heartbeat_fresh(self, now: float) -> bool:
        return now - self._heartbeat_s <= DEADMAN_S

    def _set_state(self, state: BoardState) -> None:
        now = self._clock.now()
        was_on = self.energised
        if was_on and state is not BoardState.ENERGISED:
            self._cycles_kept, self._cycle_tick_kept = self._cycles(now)
        self.state = state
        if was_on and state is not BoardState.ENERGISED:
            self.timeline.add(self._segment(now, on=False))
            self._release_seen = False
            if not self.enable_held:
                self._released_since_s = now
        self._send_event(EventCode.TRIPPED if state is BoardState.TRIPPED else EventCode.STATE_CHANGED)

    def _trip(self, trip: Trip) -> None:
        if self.state is not BoardState.TRIPPED:
            self.trip = trip
            self._set_state(BoardState.TRIPPED)

    def _look_at_inputs(self) -> None:
        if not self.emergency_stop_closed and not self._stop_was_open and not self.booting:
            self._trip(Trip.EMERGENCY_STOP)
        self._stop_was_open = not self.emergency_stop_closed
        if self.energised and not self.enable_held:
            self._trip(Trip.ENABLE_RELEASED)

    def _supervise(self, now: float) -> None:
        """What the firmware checks all the time."""
        if self.live and not self._heartbeat_fresh(now):
            self._trip(Trip.HEARTBEAT_LOST)
            return
        if self.live and self.battery_V < BATTERY_MIN_V:
            self._trip(Trip.BATTERY_LOW)
        elif self.live and self.temperature_C > HOT_DEG_C:
            self._trip(Trip.TOO_HOT)
        if not self.energised:
            if abs(self.current_error_A) > 0.5e-3:
                self._trip(Trip.DISAGREEMENT)
            return
        injection = self._measured()
        if abs(injection.current_A) > 1.1 * self._configuration.current_limit_uA * 1e-6:
            self._trip(Trip.OVER_CURRENT)
        elif abs(self.asymmetry) > 0.1:
            self._trip(Trip.ASYMMETRY)

    def _measured(self) -> Injection:
        injection = self.load.inject(self.drive, self._electrode)
        return replace(injection, current_A=injection.current_A + self.current_error_A)

    def _cycles(self, now: float) -> tuple[int, int]:
        """Whole periods since energised, and the tick at which the running one started."""
        if not self.energised:
            return self._cycles_kept, self._cycle_tick_kept
        period = self._configuration.period_ticks
        ticks = self.clock.ticks(now) - self._first_tick
        cycles = max(0, math.floor(ticks / period))
        return cycles, round(self._first_tick + cycles * period)

    # ---- requests: docs/protocol.md fixes the order of the checks ----------------------------------------------

    def _answer(self, frame: Frame, received_s: float) -> Frame:
        """The reply to one request."""
        try:
            if frame.type not in self._requests:
                raise Refused(Refusal.UNKNOWN)
            size, answer = self._requests[frame.type]
            if len(frame.body) != size:
                raise Refused(Refusal.BAD_BODY)
            return Frame(frame.type | REPLY, frame.seq, answer(frame.body, received_s))
        except Refused as refused:
            return Frame(Type.REFUSAL, frame.seq, RefusalBody(frame.type, refused.reason).pack())

    def _hello(self, body: bytes, now: float) -> bytes:
        return self.identity.pack()

    def _heartbeat(self, body: bytes, now: float) -> bytes:
        self._heartbeat_s = now
        (stamp,) = struct.unpack("<I", body)
        return HeartbeatReply(stamp, round(self.clock.ticks(now)), self.state, self.trip).pack()

    def _configure(self, body: bytes, now: float) -> bytes:
        wanted = Configuration.unpack(body)
        if (
            wanted.waveform not in BY_CODE
            or wanted.electrode > max(Electrode)
            or not SHORTEST_PERIOD_S * TICK_HZ <= wanted.period_ticks <= LONGEST_PERIOD_S * TICK_HZ
            or wanted.current_limit_uA == 0
        ):
            raise Refused(Refusal.BAD_BODY)
        if wanted.current_limit_uA > self._identity.max_current_uA:
            raise Refused(Refusal.ABOVE_LIMIT)
        if self.live:
            raise Refused(Refusal.WRONG_STATE)
        self._configuration = wanted
        self.drive.ask(wanted.current_limit_uA)
        self._configured = True
        self._electrode = _name(wanted.electrode)
        return wanted.pack()

    def _arm(self, body: bytes, now: float) -> bytes:
        wanted = ArmRequest.unpack(body)
        if self.state is BoardState.TRIPPED:
            raise Refused(Refusal.TRIPPED)
        if self.energised:
            raise Refused(Refusal.WRONG_STATE)
        if (
            wanted.identity_crc != zlib.crc32(self.identity.pack())
            or not self._configured
            or wanted.config_crc != self._configuration.crc()
        ):
            raise Refused(Refusal.CHECKSUM)
        if not self.emergency_stop_closed:
            raise Refused(Refusal.EMERGENCY_STOP)
        if not self._heartbeat_fresh(now):
            raise Refused(Refusal.NO_HEARTBEAT)
        if self.state is not BoardState.ARMED:
            self._set_state(BoardState.ARMED)
        return self._report(now)

    def _energise(self, body: bytes, now: float) -> bytes:
        if self.state is BoardState.TRIPPED:
            raise Refused(Refusal.TRIPPED)
        if self.state is BoardState.OFF:
            raise Refused(Refusal.WRONG_STATE)
        if not self.emergency_stop_closed:
            raise Refused(Refusal.EMERGENCY_STOP)
        if not self.energised:
            if not self.enable_held or not self._release_seen:
                raise Refused(Refusal.ENABLE_NOT_HELD)
            if not self._heartbeat_fresh(now):
                raise Refused(Refusal.NO_HEARTBEAT)
            self._first_tick = self._origin_tick = round(self.clock.ticks(now + FIRST_PERIOD_S))
            self._peak_A = 0.0
            self._set_state(BoardState.ENERGISED)
            self.timeline.add(self._segment(self.clock.host_s(self._origin_tick), on=True))
        return self._report(now)

    def _off(self, body: bytes, now: float) -> bytes:
        if self.live:
            self._set_state(BoardState.OFF)
        return self._report(now)

    def _status(self, body: bytes, now: float) -> bytes:
        return self._report(now)

    def _select_request(self, body: bytes, now: float) -> bytes:
        if body[0] > max(Electrode):
            raise Refused(Refusal.BAD_BODY)
        return SelectReply(body[0], round(self._select(_name(body[0]), now))).pack()

    def _select(self, name: ElectrodeName, now: float) -> float:
        """The tick from which the current goes in there; 0 while off."""
        if not self.energised:
            self._electrode = name
            return 0
        _, cycle_tick = self._cycles(now)
        if name == self._electrode:
            return cycle_tick
        period = self._configuration.period_ticks
        end_tick = cycle_tick + period
        silent = 2 if period < 0.012 * TICK_HZ else 1
        start_tick = end_tick + silent * period
        self.timeline.add(self._segment(self.clock.host_s(end_tick), on=False))
        self._electrode = name
        self._origin_tick = start_tick
        self.timeline.add(self._segment(self.clock.host_s(start_tick), on=True))
        self._switch_event = (self.clock.host_s(start_tick), start_tick)
        return start_tick

    # ---- reports ------------------------------------------------------------------------------------------

    def _report(self, now: float) -> bytes:
        cycles, cycle_tick = self._cycles(now)
        positive = negative = up = down = 0.0
        open_circuit = limiting = False
        if self.energised and cycle_tick < self.clock.ticks(now):
            injection = self._measured()
            positive = injection.current_A * (1 + self.asymmetry) + self._random.gauss(0, CURRENT_NOISE_A)
            negative = -injection.current_A * (1 - self.asymmetry) + self._random.gauss(0, CURRENT_NOISE_A)
            up = injection.voltage_V + self._random.gauss(0, VOLTAGE_NOISE_V)
            down = -injection.voltage_V + self._random.gauss(0, VOLTAGE_NOISE_V)
            self._peak_A = max(self._peak_A, abs(injection.current_A) * 1.01)
            open_circuit, limiting = injection.open_circuit, injection.limiting
        dc, ac = self._idle
        report = BoardReport(
            received_s=now,
            state=self.state,
            trip=self.trip,
            emergency_stop_closed=self.emergency_stop_closed,
            enable_held=self.enable_held,
            heartbeat_fresh=self._heartbeat_fresh(now),
            open_circuit=open_circuit,
            current_limiting=limiting,
            electrode=self._electrode,
            waveform=BY_CODE[self._configuration.waveform].name,
            period_ticks=self._configuration.period_ticks,
            cycles=cycles,
            cycle_tick=cycle_tick,
            current_positive_A=positive,
            current_negative_A=negative,
            voltage_positive_V=up,
            voltage_negative_V=down,
            battery_V=self.battery_V,
            temperature_C=self.temperature_C,
            idle_dc_V=dc,
            idle_ac_V=ac,
            current_peak_A=self._peak_A,
            bad_frames=self.bad_frames & 0xFF,
        )
        return pack_report(report)


def _name(electrode: int) -> ElectrodeName:
    return "A" if electrode == Electrode.A else "B"
