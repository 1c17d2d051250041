"""The source board at the end of a serial cable: requests, telemetry, heartbeat, clock map, and coming back.

`SourceLink` owns one thread. It opens the port by its link name, says hello until answered, checks the
board's identity and limits, beats every 0.1 s (the board drops its output 0.5 s after the last beat), feeds
the clock map with those beats, and after any trouble with the cable opens the port again by itself. It never
arms by itself: after a reconnect or a restart of the board the output is off and stays off until somebody
calls `configure`, `arm` and `energise` again.

    with SourceLink("/dev/earthward-source", clock) as link:
        link.configure("coded", 35.2, 0.005)
        link.arm(); link.energise()
        ...
        link.off()

All public methods may be called from any thread. Times are seconds of the injected clock.
"""

from __future__ import annotations

import errno
import logging
import termios
import threading
import tty
import zlib
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Literal, Protocol, Self

import msgspec
import serial

from earthward.clock import Clock, wait_event
from earthward.devices.clockmap import ClockMap
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
    RefusalBody,
    ResetCause,
    SelectReply,
    Telemetry,
    Type,
    WaveformCode,
)
from earthward.devices.source_report import LinkEvent, LinkStatus, board_report
from earthward.errors import InputError
from earthward.record.board import BoardReport, BoardState, ElectrodeName, Trip
from earthward.record.waveform import WaveformName
from earthward.safety import causes
from earthward.signal.types import PhaseReference

log = logging.getLogger(__name__)

__all__ = [
    "BoardReport",
    "ElectrodeName",
    "LinkError",
    "LinkEvent",
    "LinkStatus",
    "Port",
    "SourceLink",
    "open_port",
]  # fmt: skip

HEARTBEAT_S = 0.1
HELLO_S = 0.2
REOPEN_S = 0.5
REPLY_TIMEOUT_S = 0.15
TRIES = 3
#: without any frame for this long the link is reported as silent (warned before the board's dead-man of 0.5 s)
WARN_S = 0.3
#: ... and after this long the port is closed and opened again
SILENT_S = 1.5
#: a period is made divisible by this many ticks, so that ten chips and stepped sines come out whole
PERIOD_STEP = 40

#: What no identity may exceed, whatever its checksum says (docs/safety.md; the board's hardware holds them too).
CEILING_CURRENT_A = 0.020
CEILING_VOLTAGE_V = 12.4
CEILING_DEADMAN_S = 0.5

_WAVEFORMS: dict[str, WaveformCode] = {
    "square": WaveformCode.SQUARE,
    "sine": WaveformCode.SINE,
    "coded": WaveformCode.CODED,
}

_TELEMETRY_REPLIES = {kind | REPLY for kind in (Type.ARM, Type.ENERGISE, Type.OFF, Type.STATUS)}


class LinkError(Exception):
    """A request that could not be carried out. The message is one plain sentence."""

    def __init__(self, text: str, reason: int | None = None) -> None:
        super().__init__(text)
        self.reason = reason
        """`Refusal` code if the board refused, else None."""


@dataclass(slots=True)
class _Pending:
    type: int
    done: threading.Event = field(default_factory=threading.Event)
    frame: Frame | None = None


class Port(Protocol):
    """The part of `serial.Serial` that the link uses (the seam for tests)."""

    timeout: float | None

    @property
    def in_waiting(self) -> int: ...
    def read(self, size: int = 1) -> bytes: ...
    def write(self, data: bytes) -> int | None: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...


def open_port(name: str, timeout_s: float) -> Port:
    """A serial port for the board, raw and ours alone. Raises OSError, SerialException or termios.error.

    No flow control and no DTR or RTS: on many boards DTR pulls the reset pin.
    """
    port = serial.Serial()
    port.port = name
    port.baudrate = BAUD
    port.timeout = timeout_s
    port.write_timeout = 0.25
    port.exclusive = True
    port.open()
    tty.setraw(port.fileno())
    port.reset_input_buffer()
    opened: Port = port
    return opened


class SourceLink:
    """See the module's text.

    Args:
        port: the port's *link name* (a udev name on a Pi); it is opened afresh after each unplug.
        clock: whose seconds all times and time-outs are.
        on_event: called in the link's thread for each `LinkEvent`; without it use `drain_events()`.
        supervised_s: if given, `feed()` must be called at least this often while armed or energised, else
            heartbeats are withheld and the board trips: a hung daemon must not keep the output on.
        expect_emulated: None accepts any board; False refuses an emulated one, True a real one.
        opener: how a port is opened.
    """

    def __init__(
        self,
        port: str,
        clock: Clock,
        *,
        on_event: Callable[[LinkEvent], None] | None = None,
        supervised_s: float | None = None,
        expect_emulated: bool | None = None,
        opener: Callable[[str, float], Port] = open_port,
    ) -> None:
        self._name = port
        self._clock = clock
        self._on_event = on_event
        self._supervised_s = supervised_s
        self._expect_emulated = expect_emulated
        self._opener = opener
        self._lock = threading.RLock()
        self._write_lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._port: Port | None = None
        self._reader = FrameReader()
        self._events: deque[LinkEvent] = deque(maxlen=1000)
        self._seq = 0
        self._pending: dict[int, _Pending] = {}
        self._beats: dict[int, float] = {}
        self._identity: Identity | None = None
        self._identity_raw_crc = 0
        self._refusal = ""
        self._boot_seen: int | None = None
        self._configuration: Configuration | None = None
        self._report: BoardReport | None = None
        self._map: ClockMap | None = None
        self._trouble = "The source board's port has not been opened yet."
        self._errors_before = 0
        self._retries = self._timeouts = self._reconnects = self._restarts = 0
        self._round_trip_s: float | None = None
        self._opened_once = False
        self._last_frame_s = -1e9
        self._last_beat_s = -1e9
        self._last_hello_s = -1e9
        self._fed_s = clock.now()
        self._withheld = False
        self._warned_silent = False
        self._last_state: tuple[BoardState, Trip] | None = None
        self._unknown_code = 0
        self._board_errors = 0

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the link's thread. Idempotent."""
        with self._lock:
            if self._thread is None:
                self._stop.clear()
                self._thread = threading.Thread(target=self._run, name="source-link", daemon=True)
                self._thread.start()

    def close(self) -> None:
        """Output off if the board can be reached, then stop the thread and close the port."""
        if self._thread is None:
            return
        if self._port is not None and self._identity is not None:
            try:
                self.off()
            except LinkError as error:
                # Nothing is lost: without heartbeats the board takes its output off by itself.
                log.info("output off at close was not confirmed: %s", error)
        self._stop.set()
        self._thread.join(timeout=5.0)
        self._thread = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- what is known ------------------------------------------------------------------------------------

    @property
    def identity(self) -> Identity | None:
        """The board's identity as last told, or None while nobody answers."""
        with self._lock:
            return self._identity

    @property
    def configuration(self) -> Configuration | None:
        """The configuration the board accepted last, or None after a restart or reconnect."""
        with self._lock:
            return self._configuration

    @property
    def telemetry(self) -> BoardReport | None:
        """Newest telemetry, or None. It may be old: look at `received_s`, or at `status`."""
        with self._lock:
            return self._report

    @property
    def status(self) -> LinkStatus:
        with self._lock:
            now = self._clock.now()
            identity, clock_map = self._identity, self._map
            connected = self._port is not None and identity is not None
            age = now - self._last_frame_s if self._last_frame_s > -1e8 else None
            ready = clock_map is not None and clock_map.ready
            ok, text = self._sentence(now, connected, age)
            return LinkStatus(
                ok=ok,
                text=text,
                port=self._name,
                connected=connected,
                may_arm=connected and not self._refusal,
                firmware="" if identity is None else f"{identity.major}.{identity.minor}.{identity.patch}",
                emulated=bool(identity is not None and identity.emulated),
                errors=self._errors_before + self._reader.errors + self._unknown_code + self._board_errors,
                retries=self._retries,
                timeouts=self._timeouts,
                reconnects=self._reconnects,
                restarts=self._restarts,
                round_trip_s=self._round_trip_s,
                last_frame_age_s=age,
                clock_ready=ready,
                clock_offset=clock_map.rate_offset if clock_map is not None and ready else None,
                clock_error_s=clock_map.error_s(now) if clock_map is not None and ready else None,
                clock_age_s=clock_map.age_s(now) if clock_map is not None and ready else None,
            )

    def _sentence(self, now: float, connected: bool, age: float | None) -> tuple[bool, str]:
        if not connected:
            return False, self._trouble
        if self._refusal:
            return False, self._refusal
        if self._withheld:
            return False, "The instrument's supervisor does not answer: heartbeats to the source board are withheld."
        if age is not None and age > WARN_S:
            return False, f"The source board has been silent for {age:.1f} s: check the cable and its battery."
        if self._round_trip_s is not None and self._round_trip_s > 0.2:
            return False, f"The link to the source board is slow ({self._round_trip_s * 1e3:.0f} ms a round trip)."
        return True, "The source board answers."

    @property
    def clock_map(self) -> ClockMap | None:
        """The live map; use it only under `lock`, or use `host_time` and `phase_reference`."""
        return self._map

    def host_time(self, tick: float) -> float | None:
        """Host time of a board tick, or None while the clock map is not ready."""
        with self._lock:
            return self._map.host_time(tick) if self._map is not None and self._map.ready else None

    def phase_reference(self) -> PhaseReference | None:
        """Where the source's waveform is in host time; None if not energised or the clock is not known."""
        with self._lock:
            report, clock_map = self._report, self._map
            if report is None or clock_map is None or not report.energised:
                return None
            return clock_map.phase_reference(report.cycle_tick, report.period_ticks, self._clock.now())

    def sync_edge(self, at_s: float) -> bool:
        """A period-start edge seen on the optional sync pin. True if it could be used for the clock map."""
        with self._lock:
            report, clock_map = self._report, self._map
            if report is None or clock_map is None or not report.energised or report.period_ticks == 0:
                return False
            return clock_map.add_period_edge(at_s, report.cycle_tick, report.period_ticks)

    def drain_events(self) -> list[LinkEvent]:
        """All events since the last call, oldest first."""
        with self._lock:
            events = list(self._events)
            self._events.clear()
            return events

    def wait_connected(self, timeout_s: float) -> bool:
        """Block until the board has answered with a good identity, or the clock's time-out passed."""
        end = self._clock.now() + timeout_s
        while self._clock.now() < end:
            status = self.status
            if status.connected:
                return status.may_arm
            self._clock.sleep(0.02)
        return False

    # ---- requests -----------------------------------------------------------------------------------------

    def feed(self) -> None:
        """The daemon's supervisor is alive (see `supervised_s`)."""
        self._fed_s = self._clock.now()

    def configure(
        self,
        waveform: WaveformName,
        frequency_Hz: float,
        current_limit_A: float,
        electrode: ElectrodeName = "A",
    ) -> Configuration:
        """Set waveform, repetition frequency (in the board's own seconds), current limit and electrode.

        Returns what the board accepted. Raises InputError for impossible values, LinkError if refused.
        """
        identity = self._need_identity()
        if waveform not in _WAVEFORMS:
            raise InputError(f"There is no waveform {waveform!r}: use square, sine or coded.")
        if not 5.0 <= frequency_Hz <= 100.0:
            raise InputError(f"A repetition frequency of {frequency_Hz} Hz is outside 5 to 100 Hz: choose another.")
        if not 0 < current_limit_A <= identity.max_current_uA * 1e-6:
            raise InputError(
                f"A current limit of {current_limit_A * 1e3:g} mA is outside what the source board allows "
                f"(up to {identity.max_current_uA * 1e-3:g} mA): choose a lower one."
            )
        period = max(PERIOD_STEP, round(identity.tick_Hz / frequency_Hz / PERIOD_STEP) * PERIOD_STEP)
        wanted = Configuration(_WAVEFORMS[waveform], Electrode[electrode], period, round(current_limit_A * 1e6))
        body = self._request(Type.CONFIGURE, wanted.pack())
        accepted = Configuration.unpack(body)
        rounded = replace(wanted, period_ticks=accepted.period_ticks)
        if accepted != rounded or abs(accepted.period_ticks / period - 1) > 0.005:
            raise LinkError("The source board set itself to something else than asked for: it will not be armed.")
        with self._lock:
            self._configuration = accepted
        return accepted

    def arm(self) -> BoardReport:
        """Arm with the checksums of identity and configuration. Raises LinkError with a sentence."""
        self._need_identity()
        with self._lock:
            if self._refusal:
                raise LinkError(self._refusal)
            if self._configuration is None:
                raise LinkError("The source board is not configured yet: configure it before arming.")
            request = ArmRequest(self._identity_raw_crc, self._configuration.crc())
        return self._telemetry_reply(self._request(Type.ARM, request.pack()))

    def energise(self) -> BoardReport:
        """Output on (the board itself wants its enable input held). Raises LinkError with a sentence."""
        return self._telemetry_reply(self._request(Type.ENERGISE, b"", tries=1))

    def off(self) -> BoardReport:
        """Output off, in any state. Raises LinkError if the board did not confirm (it trips by itself then)."""
        return self._telemetry_reply(self._request(Type.OFF, b""))

    def select(self, electrode: ElectrodeName) -> float | None:
        """Put the current on the other injection electrode at the next whole period.

        Returns the host time from which it holds; None if not energised or the clock is not known.
        """
        reply = SelectReply.unpack(self._request(Type.SELECT, bytes((Electrode[electrode],))))
        with self._lock:
            if reply.tick and self._map is not None and self._map.ready:
                return self._map.host_time(reply.tick)
        return None

    def request_status(self) -> BoardReport:
        """Ask for telemetry now."""
        return self._telemetry_reply(self._request(Type.STATUS, b""))

    def _need_identity(self) -> Identity:
        with self._lock:
            if self._identity is None or self._port is None:
                raise LinkError(self._trouble)
            return self._identity

    def _telemetry_reply(self, body: bytes) -> BoardReport:
        try:
            return board_report(Telemetry.unpack(body), self._clock.now())
        except FrameError as error:
            raise LinkError(f"The source board answered with something unreadable ({error}).") from error

    def _request(self, kind: Type, body: bytes, tries: int = TRIES) -> bytes:
        """Send, wait, retry with the same sequence number. Returns the reply's body."""
        self._need_identity()
        with self._lock:
            seq = self._next_seq()
            pending = self._pending[seq] = _Pending(kind)
        frame = Frame(kind, seq, body)
        try:
            for attempt in range(tries):
                if attempt:
                    with self._lock:
                        self._retries += 1
                self._send(frame)
                if wait_event(self._clock, pending.done, REPLY_TIMEOUT_S):
                    break
                with self._lock:
                    self._timeouts += 1
            else:
                raise LinkError(
                    f"The source board did not answer the request {kind.name.lower()} "
                    f"({tries} x {REPLY_TIMEOUT_S * 1e3:.0f} ms): check the cable."
                )
        finally:
            with self._lock:
                self._pending.pop(seq, None)
        answer = pending.frame
        if answer is None:
            raise LinkError("The link to the source board was lost while waiting for its answer.")
        if answer.type == Type.REFUSAL:
            refusal = RefusalBody.unpack(answer.body)
            why = causes.refusal(refusal.reason)
            text = f"The source board refused to {kind.name.lower()}. {why.cause} {why.remedy}"
            raise LinkError(text, refusal.reason)
        return answer.body

    def _next_seq(self) -> int:
        for _ in range(256):
            self._seq = (self._seq + 1) & 0xFF
            if self._seq not in self._pending and self._seq not in self._beats:
                return self._seq
        raise LinkError("Too many requests to the source board are unanswered.")

    def _send(self, frame: Frame) -> None:
        port = self._port
        if port is None:
            raise LinkError(self._trouble)
        try:
            with self._write_lock:
                port.write(frame.encode())
        except serial.SerialTimeoutException as error:
            # A busy machine can be away for so long between writing and looking at the time. If the bytes did not go,
            # the answer will not come, and that is waited for anyway.
            log.debug("write timed out: %s", error)
        except (serial.SerialException, OSError, termios.error) as error:
            # The reading thread meets the same fault and reopens.
            raise LinkError(f"The cable to the source board is gone ({_short(error)}).") from error

    # ---- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.is_set():
            if self._port is None and not self._open():
                self._stop.wait(REOPEN_S / self._clock.speed)
                continue
            try:
                self._turn()
            except (serial.SerialException, OSError, termios.error) as error:
                self._lost(f"The cable to the source board is gone ({_short(error)}): waiting for it to come back.")
            except Exception:
                # A defect of ours must not end heartbeats silently: say so, start over with a fresh parser.
                log.exception("link thread failed")
                self._lost("The link to the source board failed inside the instrument: starting it again.")
        self._shut()

    def _open(self) -> bool:
        try:
            port = self._opener(self._name, 0.04 / self._clock.speed)
        except (serial.SerialException, OSError, termios.error, ValueError) as error:
            self._trouble = (
                f"The source board's port {self._name} cannot be opened ({_short(error)}): plug the cable in."
            )
            return False
        with self._lock:
            self._port = port
            self._errors_before += self._reader.errors
            self._reader = FrameReader()
            self._trouble = "The source board does not answer yet: check that it is switched on."
            now = self._clock.now()
            self._last_frame_s = now
            self._last_hello_s = self._last_beat_s = -1e9
            if self._opened_once:
                self._reconnects += 1
                self._say("info", "link-opened", "The cable to the source board is back.")
            self._opened_once = True
        return True

    def _shut(self) -> None:
        with self._lock:
            port, self._port = self._port, None
            self._identity = None
            self._configuration = None
            self._beats.clear()
            waiting = list(self._pending.values())
            self._pending.clear()
        for pending in waiting:
            pending.done.set()
        if port is not None:
            try:
                port.close()
            except (serial.SerialException, OSError, termios.error) as error:
                log.debug("closing a dead port: %s", error)

    def _lost(self, text: str) -> None:
        self._trouble = text
        self._shut()
        with self._lock:
            self._map = None if self._map is None else self._fresh_map(self._map.nominal_Hz)
            self._round_trip_s = None
            self._last_state = None
        remedy = "Plug the cable in; the instrument connects by itself, the output stays off."
        self._say("alarm", "link-lost", text, remedy)

    def _turn(self) -> None:
        port = self._port
        assert port is not None
        self._timers()
        data = port.read(1)
        if data:
            waiting = port.in_waiting
            if waiting:
                data += port.read(waiting)
            now = self._clock.now()
            for frame in self._reader.feed(data):
                self._last_frame_s = now
                self._warned_silent = False
                try:
                    self._take(frame, now)
                except FrameError as error:
                    self._unknown_code += 1
                    log.debug("frame of type %#x not understood: %s", frame.type, error)

    def _timers(self) -> None:
        now = self._clock.now()
        silent = now - self._last_frame_s
        if self._identity is not None and silent > SILENT_S:
            raise serial.SerialException(f"silent for {silent:.1f} s")
        if self._identity is None:
            if now - self._last_hello_s >= HELLO_S:
                self._last_hello_s = now
                with self._lock:
                    self._write_quietly(Frame(Type.HELLO, self._next_seq()))
            if silent > 2 * SILENT_S and self._opened_once:
                # A port that opens but never answers: start with a fresh descriptor now and then.
                self._trouble = "The source board does not answer: check that it is switched on and its cable is right."
                self._shut()
            return
        if silent > WARN_S and not self._warned_silent:
            self._warned_silent = True
            self._say(
                "caution", "link-silent", f"The source board has been silent for {silent:.1f} s.", "Check the cable."
            )
        if now - self._last_beat_s >= HEARTBEAT_S:
            self._last_beat_s = now
            self._beat(now)

    def _beat(self, now: float) -> None:
        report = self._report
        live = report is not None and report.state in (BoardState.ARMED, BoardState.ENERGISED)
        if self._supervised_s is not None and live and now - self._fed_s > self._supervised_s:
            if not self._withheld:
                self._withheld = True
                self._say(
                    "alarm",
                    "supervisor-silent",
                    "The instrument's supervisor does not answer: the source board will take its output off.",
                )
            return
        self._withheld = False
        with self._lock:
            late = [seq for seq, sent in self._beats.items() if now - sent > 0.5]
            for seq in late:
                del self._beats[seq]
                self._timeouts += 1
            seq = self._next_seq()
            sent = self._clock.now()
            self._beats[seq] = sent
        self._write_quietly(Frame(Type.HEARTBEAT, seq, (int(sent * 1e6) & 0xFFFFFFFF).to_bytes(4, "little")))

    def _write_quietly(self, frame: Frame) -> None:
        """From the thread itself: errors go up to `_run`, except a full buffer, which silence will tell."""
        port = self._port
        if port is None:
            return
        try:
            with self._write_lock:
                port.write(frame.encode())
        except serial.SerialTimeoutException as error:
            log.debug("write timed out: %s", error)

    # ---- frames -------------------------------------------------------------------------------------------

    def _take(self, frame: Frame, now: float) -> None:
        if frame.type == Type.BOOT:
            self._take_identity(frame.body, booted=True)
        elif frame.type == Type.TELEMETRY:
            self._take_report(board_report(Telemetry.unpack(frame.body), now))
        elif frame.type == Type.EVENT:
            self._take_event(EventBody.unpack(frame.body))
        elif frame.type == Type.HELLO | REPLY:
            self._take_identity(frame.body, booted=False)
        elif frame.type == Type.HEARTBEAT | REPLY:
            self._take_beat(frame, now)
        else:
            with self._lock:
                pending = self._pending.get(frame.seq)
                if pending is None:
                    if frame.type == Type.REFUSAL and frame.seq in self._beats:
                        del self._beats[frame.seq]
                    return
                if frame.type != Type.REFUSAL and frame.type != pending.type | REPLY:
                    return
            if frame.type in _TELEMETRY_REPLIES:
                # Here and not in the caller's thread: reports must be taken in the order they came.
                self._take_report(board_report(Telemetry.unpack(frame.body), now))
            pending.frame = frame
            pending.done.set()

    def _take_beat(self, frame: Frame, now: float) -> None:
        reply = HeartbeatReply.unpack(frame.body)
        with self._lock:
            sent = self._beats.get(frame.seq)
            if sent is None or reply.host_stamp != int(sent * 1e6) & 0xFFFFFFFF:
                return
            del self._beats[frame.seq]
            trip = now - sent
            self._round_trip_s = trip if self._round_trip_s is None else 0.8 * self._round_trip_s + 0.2 * trip
            if self._map is not None:
                self._map.add_ping(sent, now, reply.tick)

    def _fresh_map(self, tick_Hz: float) -> ClockMap:
        # Ten bits a byte: the request is 13 bytes, the answer 23 (frame, checksum, COBS and closing zero).
        request = len(Frame(Type.HEARTBEAT, 1, b"\1" * 4).encode()) * 10 / BAUD
        reply = len(Frame(Type.HEARTBEAT | REPLY, 1, b"\1" * HeartbeatReply.LAYOUT.size).encode()) * 10 / BAUD
        return ClockMap(tick_Hz, request_wire_s=request, reply_wire_s=reply)

    def _take_identity(self, body: bytes, *, booted: bool) -> None:
        identity = Identity.unpack(body)
        with self._lock:
            restarted = (booted and self._identity is not None) or (
                self._boot_seen is not None and identity.boot_count != self._boot_seen
            )
            first = self._identity is None
            self._boot_seen = identity.boot_count
            self._identity = identity
            self._identity_raw_crc = zlib.crc32(body)
            self._refusal = self._why_refuse(identity)
            if restarted:
                self._restarts += 1
                self._configuration = None
                self._report = None
                self._last_state = None
                self._beats.clear()
            if restarted or self._map is None or self._map.nominal_Hz != identity.tick_Hz:
                self._map = self._fresh_map(float(max(identity.tick_Hz, 1)))
        if restarted:
            cause = _cause(identity.reset_cause)
            self._say(
                "alarm",
                "board-restarted",
                f"The source board restarted by itself ({cause}); its output is off.",
                "Check its battery and connections; configure and arm it again when ready.",
            )
        if first:
            kind = "emulated source board" if identity.emulated else "source board"
            self._say(
                "info",
                "link-up",
                f"Connected to the {kind}, firmware {identity.major}.{identity.minor}.{identity.patch}.",
            )
        if self._refusal and (first or restarted):
            self._say("alarm", "identity-refused", self._refusal, "Do not use this board; flash the right firmware.")

    def _why_refuse(self, identity: Identity) -> str:
        if identity.protocol != VERSION:
            return (
                f"The source board speaks protocol {identity.protocol} and the instrument {VERSION}: "
                "flash the matching firmware; it will not be armed."
            )
        if identity.limits_crc != identity.expected_limits_crc():
            return "The source board's limits do not match their checksum: it will not be armed."
        if (
            identity.max_current_uA > CEILING_CURRENT_A * 1e6
            or identity.max_voltage_mV > CEILING_VOLTAGE_V * 1e3
            or identity.deadman_ms > CEILING_DEADMAN_S * 1e3
            or 0 in (identity.max_current_uA, identity.max_voltage_mV, identity.deadman_ms)
        ):
            return (
                f"The source board's limits ({identity.max_current_uA / 1e3:g} mA, "
                f"{identity.max_voltage_mV / 1e3:g} V, dead-man {identity.deadman_ms} ms) are not those that the "
                f"instrument allows (up to {CEILING_CURRENT_A * 1e3:g} mA, {CEILING_VOLTAGE_V:g} V, "
                f"{CEILING_DEADMAN_S * 1e3:g} ms): it will not be armed."
            )
        if not 1000 <= identity.tick_Hz <= 100_000_000:
            return f"The source board claims a clock of {identity.tick_Hz} Hz, which cannot be: it will not be armed."
        if self._expect_emulated is not None and bool(identity.emulated) != self._expect_emulated:
            which = "an emulated board" if identity.emulated else "a real board"
            return f"This is {which}, and the instrument was told to expect the other kind: it will not be armed."
        return ""

    def _take_report(self, report: BoardReport) -> None:
        with self._lock:
            known = 0 if self._report is None else self._report.bad_frames
            self._board_errors += (report.bad_frames - known) & 0xFF
            self._report = report
            before, self._last_state = self._last_state, (report.state, report.trip)
        if before == self._last_state or (before is None and report.state is not BoardState.TRIPPED):
            return
        if report.state is BoardState.TRIPPED:
            self._say_trip(report.trip)
        else:
            word = {BoardState.OFF: "off", BoardState.ARMED: "armed", BoardState.ENERGISED: "energised"}[report.state]
            self._say("info", f"source-{word}", f"The source board is {word}.")

    def _say_trip(self, trip: Trip) -> None:
        why = causes.board_trip(int(trip))
        severity: Literal["info", "alarm"] = "info" if trip is Trip.ENABLE_RELEASED else "alarm"
        self._say(severity, f"trip-{trip.name.lower().replace('_', '-')}", why.cause, why.remedy)

    def _take_event(self, body: EventBody) -> None:
        try:
            event, state, trip = EventCode(body.event), BoardState(body.state), Trip(body.trip)
        except ValueError as error:
            raise FrameError(f"event with an unknown code: {error}") from error
        if event in (EventCode.STATE_CHANGED, EventCode.TRIPPED):
            with self._lock:
                before, self._last_state = self._last_state, (state, trip)
                if self._report is not None:
                    self._report = msgspec.structs.replace(self._report, state=state, trip=trip)
            if before != (state, trip):
                if state is BoardState.TRIPPED:
                    self._say_trip(trip)
                else:
                    self._say("info", f"source-{state.name.lower()}", f"The source board is {state.name.lower()}.")
        elif event is EventCode.RESET_BUTTON:
            self._say("info", "reset-button", "The source board's reset button was pressed.")
        else:
            name = "A" if body.electrode == Electrode.A else "B"
            self._say("info", "electrode", f"The current now goes in at injection electrode {name}.")

    def _say(self, severity: Literal["info", "caution", "alarm"], code: str, text: str, remedy: str = "") -> None:
        event = LinkEvent(self._clock.now(), severity, code, text, remedy)
        level = {"info": logging.INFO, "caution": logging.WARNING, "alarm": logging.WARNING}[severity]
        log.log(level, "%s", text)
        if self._on_event is None:
            with self._lock:
                self._events.append(event)
            return
        try:
            self._on_event(event)
        except Exception:
            log.exception("the receiver of link events failed")


def _cause(reset_cause: int) -> str:
    if reset_cause & ResetCause.WATCHDOG:
        return "its watchdog"
    if reset_cause & ResetCause.BROWN_OUT:
        return "its supply dipped"
    if reset_cause & ResetCause.EXTERNAL:
        return "its reset pin"
    return "its supply was interrupted"


_ERRNO_TEXT = {
    errno.ENOENT: "it is not there",
    errno.ENODEV: "it is not there",
    errno.ENXIO: "it is not there",
    errno.EACCES: "no permission",
    errno.EPERM: "no permission",
    errno.EBUSY: "another program has it open",
    errno.EAGAIN: "another program has it open",
    errno.EIO: "it was unplugged",
    errno.EBADF: "it was unplugged",
}


def _short(error: BaseException) -> str:
    """The cause in a few words. pyserial and termios wrap errno in different places."""
    code = getattr(error, "errno", None)
    if code is None and error.args and isinstance(error.args[0], int):
        code = error.args[0]
    if code in _ERRNO_TEXT:
        return _ERRNO_TEXT[code]
    text = str(error)
    if "returned no data" in text or "Bad file descriptor" in text or "Input/output error" in text:
        return "it was unplugged"
    if "exclusively lock" in text:
        return "another program has it open"
    return text.split(":")[0].strip() or type(error).__name__
