"""EMULATED source board: the byte protocol of docs/protocol.md on a pseudo-terminal, in plain Python.

It keeps the state machine, trips, dead-man, refusals, the two injection-electrode outputs switched at whole
periods, wire time at the real baud rate, and a clock of its own that is wrong by up to 0.5 % and wanders. What
flows in the water is decided by a `Load` (the virtual pool); `OutputTimeline` tells the pool what the output
did and does, so that it can work out the voltage anywhere at any time.

Faults are methods and attributes: `unplug`, `replug`, `restart`, `silent`, `corrupt_fraction`, `stall`, ...
"""

from __future__ import annotations

import errno
import math
import os
import random
import select
import struct
import threading
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from earthward.clock import Brake, Clock, PacedClock
from earthward.devices.protocol import (
    BAUD,
    REPLY,
    VERSION,
    ArmRequest,
    Configuration,
    Electrode,
    EventBody,
    EventCode,
    Frame,
    FrameError,
    FrameReader,
    HeartbeatReply,
    Identity,
    Refusal,
    RefusalBody,
    ResetCause,
    SelectReply,
    Telemetry,
    TelemetryFlag,
    Type,
    WaveformCode,
)
from earthward.emulated.plug import HeartbeatWait, PluggedBoard
from earthward.record.board import BoardState, Trip
from earthward.signal.types import FloatArray

TICK_HZ = 2_000_000
DEADMAN_S = 0.5
TELEMETRY_S = 0.1
#: how far paced bench time may run ahead of the board
PACE_S = 0.03
#: how long, in real seconds, a late heartbeat is waited for
PATIENCE_S = 1.5
FIRST_PERIOD_S = 0.010
BOOT_S = 0.065
RELEASE_SEEN_S = 0.05
# as hardware/source_board/firmware/limits.h
BATTERY_MIN_V = 10.5
HOT_DEG_C = 70.0

#: the code's ten chips, charge balanced
CHIPS = (1, 1, 1, 1, -1, -1, 1, -1, -1, -1)


@dataclass(frozen=True, slots=True)
class Drive:
    """What the output stage can do: a regulated bridge behind series resistors and a limiter."""

    voltage_V: float = 10.0
    series_ohm: float = 1040.0
    limit_A: float = 0.012


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


class BoardClock:
    """Ticks of a clock that is wrong: ticks(t) = f (1 + rate_error) t + slow sinusoidal wander.

    Args:
        nominal_Hz: what the board believes.
        rate_error: relative, up to 0.005.
        wander: relative amplitude of the slow part (temperature), period `wander_period_s`.
        start_s: host time of tick 0.
    """

    def __init__(
        self,
        nominal_Hz: float,
        rate_error: float,
        start_s: float,
        wander: float = 10e-6,
        wander_period_s: float = 240.0,
    ) -> None:
        self.nominal_Hz = nominal_Hz
        self.rate_error = rate_error
        self.start_s = start_s
        self._wander = wander
        self._omega = 2 * math.pi / wander_period_s

    def ticks(self, at_s: float) -> float:
        t = at_s - self.start_s
        slow = self._wander / self._omega * (1 - math.cos(self._omega * t))
        return self.nominal_Hz * (t * (1 + self.rate_error) + slow)

    def ticks_of(self, at_s: FloatArray) -> FloatArray:
        t = at_s - self.start_s
        slow = self._wander / self._omega * (1 - np.cos(self._omega * t))
        ticks: FloatArray = self.nominal_Hz * (t * (1 + self.rate_error) + slow)
        return ticks

    def host_s(self, tick: float) -> float:
        """Inverse of `ticks`, by Newton's rule (the slope is one to a percent: three steps reach a nanosecond)."""
        t = self.start_s + tick / self.nominal_Hz
        for _ in range(4):
            t -= (self.ticks(t) - tick) / (self.nominal_Hz * (1 + self.rate_error))
        return t


@dataclass(frozen=True, slots=True)
class OutputSegment:
    """From `from_s` on (host time) the output does this. Off: amplitude factor 0."""

    from_s: float
    on: bool
    electrode: str
    waveform: int
    origin_tick: float
    period_ticks: int
    clock: BoardClock

    def mean_over(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean of the waveform (amplitude 1) over each interval, exact."""
        if not self.on:
            return np.zeros_like(start_s)
        a = (self.clock.ticks_of(start_s) - self.origin_tick) / self.period_ticks
        b = (self.clock.ticks_of(end_s) - self.origin_tick) / self.period_ticks
        mean: FloatArray = (_integral(self.waveform, b) - _integral(self.waveform, a)) / (b - a)
        return mean


_CODE_KNOTS = np.arange(11) / 10
_CODE_INTEGRAL = np.concatenate([[0.0], np.cumsum(CHIPS)]) / 10


def _integral(waveform: int, phase: FloatArray) -> FloatArray:
    """Integral of the waveform from phase 0, in periods. Each waveform is balanced, so whole periods vanish."""
    p = phase - np.floor(phase)
    result: FloatArray
    if waveform == WaveformCode.SQUARE:
        result = np.minimum(p, 1.0 - p)
    elif waveform == WaveformCode.SINE:
        result = (1.0 - np.cos(2 * np.pi * p)) / (2 * np.pi)
    else:
        result = np.interp(p, _CODE_KNOTS, _CODE_INTEGRAL)
    return result


class OutputTimeline:
    """What the output did, newest last. `generation` counts changes, so that look-ahead can be thrown away."""

    def __init__(self, first: OutputSegment) -> None:
        self._segments: list[OutputSegment] = [first]
        self._lock = threading.Lock()
        self.generation = 0
        self.listeners: list[Callable[[], None]] = []

    def add(self, segment: OutputSegment) -> None:
        with self._lock:
            kept = [s for s in self._segments if s.from_s < segment.from_s]
            self._segments = [*kept[-24:], segment]
            self.generation += 1
        for listener in self.listeners:
            listener()

    def segments(self) -> list[OutputSegment]:
        with self._lock:
            return list(self._segments)


class EmulatedBoard(PluggedBoard):
    """See the module's text. Context manager; `port` is the link name to open with pyserial.

    Args:
        clock: the bench's clock (host time). The board's own clock is derived from it.
        load: what the output is connected to.
        rate_error: of the board's clock against the host's.
        seed: for noise of measurements and faults.
        path: link name to create; default: a name in a temporary folder.
        latency_s: mean of the exponential latency of each direction besides wire time.
    """

    def __init__(
        self,
        clock: Clock,
        load: Load,
        *,
        rate_error: float = 0.003,
        wander: float = 10e-6,
        seed: int = 0,
        path: str | None = None,
        drive: Drive | None = None,
        latency_s: float = 0.1e-3,
        max_current_A: float = 0.012,
    ) -> None:
        super().__init__(path)
        self._clock = clock
        self.load = load
        self.drive = drive or Drive()
        self._random = random.Random(seed)
        self._rate_error = rate_error
        self._wander = wander
        self._latency_s = latency_s
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_w, False)
        # inputs
        self.emergency_stop_closed = True
        self.enable_held = False
        # knobs
        self.silent = False
        """The board neither listens nor speaks, but its state machine runs on."""
        self.corrupt_fraction = 0.0
        """Share of outgoing frames with one byte spoilt."""
        self.stall_fraction = 0.0
        self.stall_s = (0.02, 0.08)
        """Share of heartbeat answers held up, on the way in or out, by a time between these."""
        self.current_error_A = 0.0
        """Added to the measured current's amplitude (a leak inside the board, a shorted resistor)."""
        self.asymmetry = 0.0
        """Relative excess of the positive half."""
        self.battery_V = 12.4
        self.temperature_C = 31.0
        self.limits_crc_error = 0
        """XORed into the identity's limits checksum."""
        self.boot_count = 7
        # counters for tests
        self.accepted_frames = 0
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
            max_voltage_mV=12_000,
            deadman_ms=round(DEADMAN_S * 1e3),
            build=0xE1A7ED,
            limits_crc=0,
            battery_min_mV=round(BATTERY_MIN_V * 1e3),
        )
        self._begin(ResetCause.POWER_ON)
        self.timeline = OutputTimeline(self._segment(self._clock.now(), on=False))

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is None:
            self.replug()
            self._stop.clear()
            self._thread = threading.Thread(target=self._run, name="emulated-board", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._end_thread()
        for fd in (self._wake_r, self._wake_w):
            if fd >= 0:
                os.close(fd)
        self._wake_r = self._wake_w = -1

    # ---- hands on the board -------------------------------------------------------------------------------

    def set_emergency_stop(self, closed: bool) -> None:
        with self._lock:
            self.emergency_stop_closed = closed
            self._look_at_inputs()
        self._poke()

    def set_enable(self, held: bool) -> None:
        with self._lock:
            now = self._clock.now()
            if self.enable_held and not held:
                self._released_since_s = now
            elif held and not self.enable_held and now - self._released_since_s >= RELEASE_SEEN_S:
                self._release_seen = True
            self.enable_held = held
            self._look_at_inputs()
        self._poke()

    def press_reset(self) -> bool:
        """Press and let go of the board's button. True if it cleared a trip (or there was none)."""
        with self._lock:
            self._send_event(EventCode.RESET_BUTTON)
            if self.state is not BoardState.TRIPPED:
                return True
            if self.enable_held or not self.emergency_stop_closed:
                return False
            self.trip = Trip.NONE
            self._set_state(BoardState.OFF)
            return True

    def restart(self, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        """The board restarts: output off, ticks from 0, one BOOT frame after its boot time."""
        with self._lock:
            self._begin(cause)
            self.timeline.add(self._segment(self._clock.now(), on=False))
            self._boot_due_s: float | None = self._clock.now() + BOOT_S
        self._poke()

    def step(self) -> None:
        """One turn of the board without its thread: what is due at the clock's present time, and bytes that came.

        For tests that move a `ManualClock` by hand; never together with `start`.
        """
        with self._lock:
            self._turn(self._clock.now())
            if self._master >= 0:
                self._receive(self._master)
                self._turn(self._clock.now())

    # ---- state machine ------------------------------------------------------------------------------------

    def _begin(self, cause: ResetCause) -> None:
        now = self._clock.now()
        self.boot_count = (self.boot_count + 1) & 0xFFFF
        self._reset_cause = cause
        self.clock = BoardClock(TICK_HZ, self._rate_error, now, self._wander)
        self.state = BoardState.OFF
        self.trip = Trip.NONE
        if cause is ResetCause.WATCHDOG:
            self.state, self.trip = BoardState.TRIPPED, Trip.WATCHDOG
        elif cause is ResetCause.BROWN_OUT:
            self.state, self.trip = BoardState.TRIPPED, Trip.SELF_TEST
        self._configuration = Configuration(WaveformCode.CODED, Electrode.A, TICK_HZ // 36, 0)
        self._configured = False
        self._heartbeat_s = -math.inf
        self._electrode = "A"
        self._origin_tick = 0.0
        self._cycles_kept = 0
        self._cycle_tick_kept = 0
        self._first_tick = 0.0
        self.on_sync: Callable[[float], None] | None = None
        """The sync wire: told of each period start (host time), from the board's thread."""
        self._synced_cycle = -1
        self._heartbeat_wait = HeartbeatWait(PACE_S, DEADMAN_S, PATIENCE_S)
        self._switch_event: tuple[float, float] | None = None
        self._peak_A = 0.0
        self._release_seen = False
        self._released_since_s = now if not self.enable_held else math.inf
        self._idle = (0.0, 0.0)
        self._stop_was_open = not self.emergency_stop_closed  # open at a reset is no trip
        self._seq = 0
        self._telemetry_due_s = now + BOOT_S + TELEMETRY_S
        self._boot_due_s = now
        self._outbox: list[tuple[float, bytes]] = []
        self._reader = FrameReader()

    @property
    def identity(self) -> Identity:
        identity = replace(self._identity, boot_count=self.boot_count, reset_cause=int(self._reset_cause))
        return replace(identity, limits_crc=identity.expected_limits_crc() ^ self.limits_crc_error)

    @property
    def energised(self) -> bool:
        return self.state is BoardState.ENERGISED

    def _segment(self, from_s: float, *, on: bool) -> OutputSegment:
        c = self._configuration
        return OutputSegment(from_s, on, self._electrode, c.waveform, self._origin_tick, c.period_ticks, self.clock)

    def _heartbeat_fresh(self, now: float) -> bool:
        return now - self._heartbeat_s <= DEADMAN_S

    def _set_state(self, state: BoardState) -> None:
        now = self._clock.now()
        was_on = self.state is BoardState.ENERGISED
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
        if not self.emergency_stop_closed and not self._stop_was_open:
            self._trip(Trip.EMERGENCY_STOP)
        self._stop_was_open = not self.emergency_stop_closed
        if self.state is BoardState.ENERGISED and not self.enable_held:
            self._trip(Trip.ENABLE_RELEASED)

    def _supervise(self, now: float) -> None:
        """What the firmware checks all the time."""
        live = self.state in (BoardState.ARMED, BoardState.ENERGISED)
        if live and not self._heartbeat_fresh(now):
            self._trip(Trip.HEARTBEAT_LOST)
            return
        if live and self.battery_V < BATTERY_MIN_V:
            self._trip(Trip.BATTERY_LOW)
        elif live and self.temperature_C > HOT_DEG_C:
            self._trip(Trip.TOO_HOT)
        if self.state is not BoardState.ENERGISED:
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
        period = self._configuration.period_ticks
        if self.state is not BoardState.ENERGISED:
            return self._cycles_kept, self._cycle_tick_kept
        ticks = self.clock.ticks(now) - self._first_tick
        cycles = max(0, math.floor(ticks / period))
        return cycles, round(self._first_tick + cycles * period)

    # ---- requests -----------------------------------------------------------------------------------------

    def _answer(self, frame: Frame, received_s: float) -> Frame:
        """The reply to one request. docs/protocol.md fixes the order of the checks."""

        def refuse(reason: Refusal) -> Frame:
            return Frame(Type.REFUSAL, frame.seq, RefusalBody(frame.type, reason).pack())

        def reply(body: bytes) -> Frame:
            return Frame(frame.type | REPLY, frame.seq, body)

        now = received_s
        sizes = {
            Type.HELLO: 0, Type.CONFIGURE: Configuration.LAYOUT.size, Type.ARM: ArmRequest.LAYOUT.size,
            Type.ENERGISE: 0, Type.OFF: 0, Type.HEARTBEAT: 4, Type.SELECT: 1, Type.STATUS: 0,
        }  # fmt: skip
        if frame.type not in sizes:
            return refuse(Refusal.UNKNOWN)
        if len(frame.body) != sizes[Type(frame.type)]:
            return refuse(Refusal.BAD_BODY)
        tripped = self.state is BoardState.TRIPPED
        if frame.type == Type.HELLO:
            return reply(self.identity.pack())
        if frame.type == Type.HEARTBEAT:
            self._heartbeat_s = now
            (stamp,) = struct.unpack("<I", frame.body)
            return reply(HeartbeatReply(stamp, round(self.clock.ticks(now)), self.state, self.trip).pack())
        if frame.type == Type.CONFIGURE:
            wanted = Configuration.unpack(frame.body)
            if (
                wanted.waveform > max(WaveformCode)
                or wanted.electrode > max(Electrode)
                or not 0.010 * TICK_HZ <= wanted.period_ticks <= 0.200 * TICK_HZ
                or wanted.current_limit_uA == 0
            ):
                return refuse(Refusal.BAD_BODY)
            if wanted.current_limit_uA > self._identity.max_current_uA:
                return refuse(Refusal.ABOVE_LIMIT)
            if self.state in (BoardState.ARMED, BoardState.ENERGISED):
                return refuse(Refusal.WRONG_STATE)
            self._configuration = wanted
            self._configured = True
            self._electrode = Electrode(wanted.electrode).name
            return reply(wanted.pack())
        if frame.type == Type.ARM:
            wanted_crc = ArmRequest.unpack(frame.body)
            if tripped:
                return refuse(Refusal.TRIPPED)
            if self.state is BoardState.ENERGISED:
                return refuse(Refusal.WRONG_STATE)
            if (
                wanted_crc.identity_crc != zlib.crc32(self.identity.pack())
                or not self._configured
                or wanted_crc.config_crc != self._configuration.crc()
            ):
                return refuse(Refusal.CHECKSUM)
            if not self.emergency_stop_closed:
                return refuse(Refusal.EMERGENCY_STOP)
            if not self._heartbeat_fresh(now):
                return refuse(Refusal.NO_HEARTBEAT)
            if self.state is not BoardState.ARMED:
                self._set_state(BoardState.ARMED)
            return reply(self._telemetry(now).pack())
        if frame.type == Type.ENERGISE:
            if tripped:
                return refuse(Refusal.TRIPPED)
            if self.state is BoardState.OFF:
                return refuse(Refusal.WRONG_STATE)
            if not self.emergency_stop_closed:
                return refuse(Refusal.EMERGENCY_STOP)
            if self.state is not BoardState.ENERGISED:
                if not self.enable_held or not self._release_seen:
                    return refuse(Refusal.ENABLE_NOT_HELD)
                if not self._heartbeat_fresh(now):
                    return refuse(Refusal.NO_HEARTBEAT)
                self._first_tick = self._origin_tick = round(self.clock.ticks(now + FIRST_PERIOD_S))
                self._peak_A = 0.0
                self._set_state(BoardState.ENERGISED)
                self.timeline.add(self._segment(self.clock.host_s(self._origin_tick), on=True))
            return reply(self._telemetry(now).pack())
        if frame.type == Type.OFF:
            if self.state in (BoardState.ARMED, BoardState.ENERGISED):
                self._set_state(BoardState.OFF)
            return reply(self._telemetry(now).pack())
        if frame.type == Type.SELECT:
            if frame.body[0] > max(Electrode):
                return refuse(Refusal.BAD_BODY)
            return reply(self._select(Electrode(frame.body[0]), now).pack())
        return reply(self._telemetry(now).pack())

    def _select(self, electrode: Electrode, now: float) -> SelectReply:
        name = electrode.name
        if self.state is not BoardState.ENERGISED:
            self._electrode = name
            return SelectReply(electrode, 0)
        _, cycle_tick = self._cycles(now)
        period = self._configuration.period_ticks
        if name == self._electrode:
            return SelectReply(electrode, cycle_tick)
        end_tick = cycle_tick + period
        silent = 2 if period < 0.012 * TICK_HZ else 1
        start_tick = end_tick + silent * period
        self.timeline.add(self._segment(self.clock.host_s(end_tick), on=False))
        self._electrode = name
        self._origin_tick = start_tick
        self.timeline.add(self._segment(self.clock.host_s(start_tick), on=True))
        self._switch_event = (self.clock.host_s(start_tick), start_tick)
        return SelectReply(electrode, round(start_tick))

    def _telemetry(self, now: float) -> Telemetry:
        cycles, cycle_tick = self._cycles(now)
        flags = TelemetryFlag(0)
        if self.emergency_stop_closed:
            flags |= TelemetryFlag.EMERGENCY_STOP_CLOSED
        if self.enable_held:
            flags |= TelemetryFlag.ENABLE_HELD
        if self._heartbeat_fresh(now):
            flags |= TelemetryFlag.HEARTBEAT_FRESH
        positive = negative = up = down = 0.0
        if self.state is BoardState.ENERGISED and cycle_tick < self.clock.ticks(now):
            injection = self._measured()
            noise = 4e-6  # 10-bit converter averaged over some dozen samples (own estimate)
            positive = injection.current_A * (1 + self.asymmetry) + self._random.gauss(0, noise)
            negative = -injection.current_A * (1 - self.asymmetry) + self._random.gauss(0, noise)
            up = injection.voltage_V + self._random.gauss(0, 3e-3)
            down = -injection.voltage_V + self._random.gauss(0, 3e-3)
            self._peak_A = max(self._peak_A, abs(injection.current_A) * 1.01)
            if injection.open_circuit:
                flags |= TelemetryFlag.OPEN_CIRCUIT
            if injection.limiting:
                flags |= TelemetryFlag.CURRENT_LIMITING
        dc, ac = self._idle
        return Telemetry(
            self.state,
            self.trip,
            flags,
            Electrode[self._electrode],
            self._configuration.waveform,
            self._reader.errors & 0xFF,  # frames that had to be dropped, modulo 256
            period_ticks=self._configuration.period_ticks,
            cycles=cycles,
            cycle_tick=cycle_tick,
            current_positive_uA=round(positive * 1e6),
            current_negative_uA=round(negative * 1e6),
            voltage_positive_mV=round(up * 1e3),
            voltage_negative_mV=round(down * 1e3),
            battery_mV=round(self.battery_V * 1e3),
            temperature_cC=round(self.temperature_C * 100),
            idle_dc_mV=max(-32768, min(32767, round(dc * 1e3))),
            idle_ac_mV=max(0, min(65535, round(ac * 1e3))),
            current_peak_uA=round(self._peak_A * 1e6),
        )

    # ---- the wire -----------------------------------------------------------------------------------------

    def _next_seq(self) -> int:
        self._seq = (self._seq + 1) & 0xFF
        return self._seq

    def _send_event(self, event: EventCode, tick: float | None = None) -> None:
        now = self._clock.now()
        at = self.clock.ticks(now) if tick is None else tick
        body = EventBody(event, self.state, self.trip, Electrode[self._electrode], round(at))
        self._queue(Frame(Type.EVENT, self._next_seq(), body.pack()), now)

    def _queue(self, frame: Frame, ready_s: float) -> None:
        """Into the transmitter: on the host's side when the last byte has left the wire."""
        data = frame.encode()
        if self.corrupt_fraction and self._random.random() < self.corrupt_fraction:
            spoilt = bytearray(data)
            spoilt[self._random.randrange(len(spoilt) - 1)] ^= self._random.randrange(1, 256)
            data = bytes(spoilt)
        start = max(ready_s, self._outbox[-1][0] if self._outbox else ready_s)
        due = start + len(data) * 10 / BAUD + self._random.expovariate(1.0) * self._latency_s
        self._outbox.append((due, data))

    def _poke(self) -> None:
        if self._wake_w >= 0:
            try:
                os.write(self._wake_w, b"x")
            except BlockingIOError:
                return  # it has been poked already

    def _run(self) -> None:
        brake = self._clock.brake() if isinstance(self._clock, PacedClock) else None
        try:
            while not self._stop.is_set():
                self._once(brake)
        finally:
            if brake is not None:
                brake.release()

    def _once(self, brake: Brake | None) -> None:
        """One turn, and the wait for the next. A paced bench waits for the board, so its dead-man judges no stall."""
        with self._lock:
            now = self._clock.now()
            if brake is not None:
                brake.hold(self._may_run_to(now))
            self._turn(now)
            due = min(self._telemetry_due_s, self._next_sync_s(now))
            if self._outbox:
                due = min(due, self._outbox[0][0])
            if self._boot_due_s is not None:
                due = min(due, self._boot_due_s)
            if self.state in (BoardState.ARMED, BoardState.ENERGISED):
                # dead-man to the tenth of a millisecond; output looked at every half cycle or so
                due = min(due, self._heartbeat_s + DEADMAN_S + 1e-4, now + 0.015)
            master = self._master
        wait = max(0.0, due - self._clock.now()) / self._clock.speed
        fds = [self._wake_r] if master < 0 else [self._wake_r, master]
        try:
            longest = 0.1 if brake is None else 0.5 * PACE_S / self._clock.speed
            ready, _, _ = select.select(fds, [], [], min(wait, longest))
        except (OSError, ValueError) as error:
            if isinstance(error, OSError) and error.errno not in (errno.EBADF, errno.EIO):
                raise
            return  # unplugged while waiting: take the new descriptors
        if self._wake_r in ready:
            os.read(self._wake_r, 4096)
        if master >= 0 and master in ready:
            self._receive(master)

    def _turn(self, now: float) -> None:
        if self._boot_due_s is not None and now >= self._boot_due_s:
            self._boot_due_s = None
            self._queue(Frame(Type.BOOT, self._next_seq(), self.identity.pack()), now)
        self._supervise(now)
        self._raise_sync(now)
        if self._switch_event is not None and now >= self._switch_event[0]:
            tick = self._switch_event[1]
            self._switch_event = None
            self._send_event(EventCode.ELECTRODE_SWITCHED, tick)
        if self._boot_due_s is None and now >= self._telemetry_due_s:
            if self.state is not BoardState.ENERGISED:
                self._idle = self.load.idle(self._electrode, now)
            self._telemetry_due_s = max(self._telemetry_due_s + TELEMETRY_S, now)
            self._queue(Frame(Type.TELEMETRY, self._next_seq(), self._telemetry(now).pack()), now)
        while self._outbox and self._outbox[0][0] <= now:
            _, data = self._outbox.pop(0)
            if self._master < 0 or self.silent:
                continue
            try:
                os.write(self._master, data)
            except BlockingIOError:
                continue  # nobody reads: a real transmitter does not wait either
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EBADF):
                    raise

    def _may_run_to(self, now: float) -> float:
        """How far a paced bench's time may go until this board is looked at again."""
        assert isinstance(self._clock, PacedClock)
        live = self.state in (BoardState.ARMED, BoardState.ENERGISED) and self._master >= 0
        return self._heartbeat_wait.until_s(now, self._heartbeat_s, live, self._clock)

    def _raise_sync(self, now: float) -> None:
        if self.on_sync is None or self.state is not BoardState.ENERGISED:
            return
        cycles, tick = self._cycles(now)
        if cycles != self._synced_cycle and tick >= self._first_tick and self.clock.host_s(tick) <= now:
            self._synced_cycle = cycles
            self.on_sync(self.clock.host_s(tick))

    def _next_sync_s(self, now: float) -> float:
        if self.on_sync is None or self.state is not BoardState.ENERGISED:
            return math.inf
        _, tick = self._cycles(now)
        start_s = self.clock.host_s(tick)
        return start_s if start_s > now else self.clock.host_s(tick + self._configuration.period_ticks)

    def _receive(self, master: int) -> None:
        with self._lock:
            if master != self._master:
                return
            try:
                data = os.read(master, 4096)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno in (errno.EIO, errno.EBADF):
                    return
                raise
            # Bytes sent while the board boots or hangs are lost, as on the real one.
            if self.silent or self._boot_due_s is not None:
                return
            now = self._clock.now()
            for frame in self._reader.feed(data):
                self.accepted_frames += 1
                received = now + (len(frame.body) + 9) * 10 / BAUD + self._random.expovariate(1.0) * self._latency_s
                hold = 0.0
                if frame.type == Type.HEARTBEAT and self.stall_fraction and self._random.random() < self.stall_fraction:
                    hold = self._random.uniform(*self.stall_s)
                    if self._random.random() < 0.5:
                        received, hold = received + hold, 0.0
                try:
                    answer = self._answer(frame, received)
                except FrameError:
                    answer = Frame(Type.REFUSAL, frame.seq, RefusalBody(frame.type, Refusal.BAD_BODY).pack())
                self._queue(answer, received + hold)
