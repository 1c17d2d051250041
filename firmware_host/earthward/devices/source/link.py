"""The link's thread and what the rest of the instrument calls.

`SourceLink` opens the port by its link name, says hello until answered, checks the board's identity and limits, beats
every 0.1 s (the board drops its output 0.5 s after the last beat), feeds the clock map with those beats, and after any
trouble with the cable opens the port again by itself. It never arms by itself: after a reconnect or a restart of the
board the output is off and stays off until somebody calls `configure`, `arm` and `energise` again.

    with SourceLink("/dev/earthward-source", clock) as link:
        link.configure("coded", 35.2, 0.005)
        link.arm(); link.energise()
        ...
        link.off()

All public methods may be called from any thread. Times are of the injected clock.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Self, TypeVar

import serial

from earthward.clock import Clock
from earthward.devices.protocol import (
    REPLY,
    ArmRequest,
    Configuration,
    Electrode,
    EventBody,
    Frame,
    FrameError,
    Identity,
    SelectReply,
    Type,
    unpack_report,
)
from earthward.devices.source.board import KnownBoard
from earthward.devices.source.clockmap import ClockMap
from earthward.devices.source.heartbeat import HEARTBEAT_S, Heartbeats
from earthward.devices.source.identity import firmware
from earthward.devices.source.requests import TRIES, LinkError, Requests
from earthward.devices.source.status import LinkStatus
from earthward.devices.source.transport import PORT_ERRORS, Port, SeenFrame, Transport, open_port, why
from earthward.errors import InputError
from earthward.record.board import BoardReport, ElectrodeName
from earthward.record.event import Event, Severity
from earthward.record.waveform import WAVEFORMS, WaveformName
from earthward.signal.types import PhaseReference

log = logging.getLogger(__name__)
T = TypeVar("T")

HELLO_S = 0.2
REOPEN_S = 0.5
#: without any frame for this long the link is reported as silent (warned before the board's dead-man of 0.5 s)
WARN_S = 0.3
#: ... and after this long the port is closed and opened again
SILENT_S = 1.5
#: a period is made divisible by this many ticks, so that ten chips and stepped sines come out whole
PERIOD_STEP = 40

_REPORT_REPLIES = {kind | REPLY for kind in (Type.ARM, Type.ENERGISE, Type.OFF, Type.STATUS)}
_LEVELS: dict[Severity, int] = {"info": logging.INFO, "caution": logging.WARNING, "alarm": logging.WARNING}


class SourceLink:
    """See the module's text.

    Args:
        port: the port's *link name* (a udev name on a Pi); it is opened afresh after each unplug.
        clock: whose seconds all times and time-outs are.
        on_event: called in the link's thread for each `Event`; without it use `drain_events()`.
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
        on_event: Callable[[Event], None] | None = None,
        supervised_s: float | None = None,
        expect_emulated: bool | None = None,
        opener: Callable[[str, float], Port] = open_port,
    ) -> None:
        self._clock = clock
        self._on_event = on_event
        self._supervised_s = supervised_s
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._transport = Transport(port, opener, clock.now)
        self._requests = Requests(clock, self._lock, self._transport.write, lambda: self._transport.trouble)
        self._beats = Heartbeats()
        self._board = KnownBoard(expect_emulated)
        self._events: deque[Event] = deque(maxlen=1000)
        self._reconnects = self._unknown_code = 0
        self._opened_once = self._withheld = self._warned_silent = False
        self._last_frame_s: float | None = None
        self._last_beat_s = self._last_hello_s = -1e9
        self._fed_s = clock.now()

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
        if self._connected:
            try:
                self.off()
            except LinkError as error:
                # Without heartbeats the board takes its output off by itself.
                log.info("output off at close was not confirmed: %s", error)
        self._stop.set()
        self._thread.join(timeout=5.0)
        self._thread = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- what is known ------------------------------------------------------------------------------------

    @property
    def identity(self) -> Identity | None:
        """The board's identity as last told, or None while nobody answers."""
        with self._lock:
            return self._board.identity

    @property
    def configuration(self) -> Configuration | None:
        """The configuration the board accepted last, or None after a restart or reconnect."""
        with self._lock:
            return self._board.configuration

    @property
    def telemetry(self) -> BoardReport | None:
        """The newest report, or None. It may be old: look at `received_s`, or at `status`."""
        with self._lock:
            return self._board.report

    @property
    def _connected(self) -> bool:
        return self._transport.port is not None and self._board.identity is not None

    @property
    def status(self) -> LinkStatus:
        with self._lock:
            now = self._clock.now()
            board, beats, requests = self._board, self._beats, self._requests
            identity, connected = board.identity, self._connected
            age = None if self._last_frame_s is None else now - self._last_frame_s
            clock_map = beats.clock_map if beats.clock_map is not None and beats.clock_map.ready else None
            ok, text = self._sentence(connected, age)
            return LinkStatus(
                ok=ok,
                text=text,
                port=self._transport.name,
                connected=connected,
                may_arm=connected and not board.refusal,
                firmware="" if identity is None else firmware(identity),
                emulated=bool(identity is not None and identity.emulated),
                errors=self._transport.errors + self._unknown_code + board.dropped_frames,
                retries=requests.retries,
                timeouts=requests.timeouts + beats.timeouts,
                reconnects=self._reconnects,
                restarts=board.restarts,
                round_trip_s=beats.round_trip_s,
                last_frame_age_s=age,
                clock_ready=clock_map is not None,
                clock_offset=None if clock_map is None else clock_map.rate_offset,
                clock_error_s=None if clock_map is None else clock_map.error_s(now),
                clock_age_s=None if clock_map is None else clock_map.age_s(now),
            )

    @property
    def restarts(self) -> int:
        """How often the board has started anew: of the status, what the interlock asks for at each of its looks."""
        return self._board.restarts

    def _sentence(self, connected: bool, age: float | None) -> tuple[bool, str]:
        if not connected:
            return False, self._transport.trouble
        if self._board.refusal:
            return False, self._board.refusal
        if self._withheld:
            return False, "The instrument's supervisor does not answer: heartbeats to the source board are withheld."
        if age is not None and age > WARN_S:
            return False, f"The source board has been silent for {age:.1f} s: check the cable and its battery."
        trip_s = self._beats.round_trip_s
        if trip_s is not None and trip_s > 0.2:
            return False, f"The link to the source board is slow ({trip_s * 1e3:.0f} ms a round trip)."
        return True, "The source board answers."

    @property
    def clock_map(self) -> ClockMap | None:
        """The live map, for tests: `host_time` and `phase_reference` are safe from any thread."""
        return self._beats.clock_map

    def host_time(self, tick: float) -> float | None:
        """Host time of a board tick, or None while the clock map is not ready."""
        with self._lock:
            clock_map = self._beats.clock_map
            return clock_map.host_time(tick) if clock_map is not None and clock_map.ready else None

    def phase_reference(self) -> PhaseReference | None:
        """Where the source's waveform is in host time; None if not energised or the clock is not known."""
        with self._lock:
            report, clock_map = self._board.report, self._beats.clock_map
            if report is None or clock_map is None or not report.energised:
                return None
            return clock_map.phase_reference(report.cycle_tick, report.period_ticks, self._clock.now())

    def sync_edge(self, at_s: float) -> bool:
        """A period-start edge seen on the optional sync pin. True if it could be used for the clock map."""
        with self._lock:
            report, clock_map = self._board.report, self._beats.clock_map
            if report is None or clock_map is None or not report.energised or report.period_ticks == 0:
                return False
            return clock_map.add_period_edge(at_s, report.cycle_tick, report.period_ticks)

    def drain_events(self) -> list[Event]:
        """All events since the last call, oldest first."""
        with self._lock:
            events = list(self._events)
            self._events.clear()
            return events

    def recent_frames(self) -> tuple[list[SeenFrame], list[SeenFrame]]:
        """The newest that came and that went, oldest first."""
        return list(self._transport.came), list(self._transport.went)

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
        self, waveform: WaveformName, frequency_Hz: float, current_limit_A: float, electrode: ElectrodeName = "A"
    ) -> Configuration:
        """Set waveform, repetition frequency (in the board's own seconds), current limit and electrode.

        Returns what the board accepted. Raises InputError for impossible values, LinkError if refused.
        """
        identity = self._need_identity()
        if waveform not in WAVEFORMS:
            raise InputError(f"There is no waveform {waveform!r}: use one of {', '.join(WAVEFORMS)}.")
        if not 5.0 <= frequency_Hz <= 100.0:
            raise InputError(f"A repetition frequency of {frequency_Hz} Hz is outside 5 to 100 Hz: choose another.")
        if not 0 < current_limit_A <= identity.max_current_uA * 1e-6:
            raise InputError(
                f"A current limit of {current_limit_A * 1e3:g} mA is outside what the source board allows "
                f"(up to {identity.max_current_uA * 1e-3:g} mA): choose a lower one."
            )
        period = max(PERIOD_STEP, round(identity.tick_Hz / frequency_Hz / PERIOD_STEP) * PERIOD_STEP)
        wanted = Configuration(WAVEFORMS[waveform].code, Electrode[electrode], period, round(current_limit_A * 1e6))
        accepted = self._read(Configuration.unpack, Type.CONFIGURE, wanted.pack())
        rounded = replace(wanted, period_ticks=accepted.period_ticks)
        if accepted != rounded or abs(accepted.period_ticks / period - 1) > 0.005:
            raise LinkError("The source board set itself to something else than asked for: it will not be armed.")
        with self._lock:
            self._board.configuration = accepted
        return accepted

    def arm(self) -> BoardReport:
        """Arm with the checksums of identity and configuration. Raises LinkError with a sentence."""
        self._need_identity()
        with self._lock:
            if self._board.refusal:
                raise LinkError(self._board.refusal)
            if self._board.configuration is None:
                raise LinkError("The source board is not configured yet: configure it before arming.")
            request = ArmRequest(self._board.identity_crc, self._board.configuration.crc())
        return self._ask_report(Type.ARM, request.pack())

    def energise(self) -> BoardReport:
        """Output on (the board itself wants its enable input held). Raises LinkError with a sentence."""
        return self._ask_report(Type.ENERGISE, tries=1)

    def off(self) -> BoardReport:
        """Output off, in any state. Raises LinkError if the board did not confirm (it trips by itself then)."""
        return self._ask_report(Type.OFF)

    def request_status(self) -> BoardReport:
        """Ask for a report now."""
        return self._ask_report(Type.STATUS)

    def select(self, electrode: ElectrodeName) -> float | None:
        """Put the current on the other injection electrode at the next whole period.

        Returns the host time from which it holds; None if not energised or the clock is not known.
        """
        reply = self._read(SelectReply.unpack, Type.SELECT, bytes((Electrode[electrode],)))
        return self.host_time(reply.tick) if reply.tick else None

    def _need_identity(self) -> Identity:
        with self._lock:
            identity = self._board.identity
            if identity is None or self._transport.port is None:
                raise LinkError(self._transport.trouble)
            return identity

    def _read(self, unpack: Callable[[bytes], T], kind: Type, body: bytes = b"", tries: int = TRIES) -> T:
        self._need_identity()
        return self._requests.read(unpack, kind, body, self._beats.sent, tries)

    def _ask_report(self, kind: Type, body: bytes = b"", tries: int = TRIES) -> BoardReport:
        return self._read(lambda answer: unpack_report(answer, self._clock.now()), kind, body, tries)

    # ---- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.is_set():
            if self._transport.port is None and not self._open():
                self._stop.wait(REOPEN_S / self._clock.speed)
                continue
            try:
                self._turn()
            except PORT_ERRORS as error:
                self._lost(f"The cable to the source board is gone ({why(error)}): waiting for it to come back.")
            except Exception:
                # A defect of ours must not end heartbeats silently: say so, start over with a fresh parser.
                log.exception("link thread failed")
                self._lost("The link to the source board failed inside the instrument: starting it again.")
        self._shut()

    def _open(self) -> bool:
        if not self._transport.open(0.04 / self._clock.speed):
            return False
        with self._lock:
            self._last_frame_s = self._clock.now()
            self._last_hello_s = self._last_beat_s = -1e9
            again, self._opened_once = self._opened_once, True
            self._reconnects += again
        if again:
            self._tell("info", "link-opened", "The cable to the source board is back.")
        return True

    def _shut(self) -> None:
        with self._lock:
            self._board.cable_closed()
            self._beats.sent.clear()
            self._transport.close()
        self._requests.abandon()

    def _lost(self, text: str) -> None:
        self._transport.trouble = text
        self._shut()
        with self._lock:
            self._beats.cable_lost()
            self._board.cable_lost()
        remedy = "Plug the cable in; the instrument connects by itself, the output stays off."
        self._tell("alarm", "link-lost", text, remedy)

    def _turn(self) -> None:
        self._timers()
        frames = self._transport.read()
        now = self._clock.now()
        for frame in frames:
            self._last_frame_s = now
            self._warned_silent = False
            try:
                self._take(frame, now)
            except FrameError as error:
                self._unknown_code += 1
                log.debug("frame of type %#x not understood: %s", frame.type, error)

    def _timers(self) -> None:
        now = self._clock.now()
        silent = now - (now if self._last_frame_s is None else self._last_frame_s)
        if self._board.identity is None:
            self._say_hello(now, silent)
            return
        if silent > SILENT_S:
            raise serial.SerialException(f"silent for {silent:.1f} s")
        if silent > WARN_S and not self._warned_silent:
            self._warned_silent = True
            text = f"The source board has been silent for {silent:.1f} s."
            self._tell("caution", "link-silent", text, "Check the cable.")
        if now - self._last_beat_s >= HEARTBEAT_S:
            self._last_beat_s = now
            if self._may_beat(now):
                self._beat()

    def _say_hello(self, now: float, silent: float) -> None:
        if now - self._last_hello_s >= HELLO_S:
            self._last_hello_s = now
            with self._lock:
                frame = Frame(Type.HELLO, self._requests.next_seq(self._beats.sent))
            self._transport.write(frame)
        if silent > 2 * SILENT_S:
            # A port that opens but never answers: start with a fresh descriptor now and then.
            self._transport.trouble = (
                "The source board does not answer: check that it is switched on and its cable is right."
            )
            self._shut()

    def _may_beat(self, now: float) -> bool:
        """Not while the supervisor is silent and the board could be on."""
        hung = self._supervised_s is not None and self._board.live and now - self._fed_s > self._supervised_s
        if hung and not self._withheld:
            text = "The instrument's supervisor does not answer: the source board will take its output off."
            self._tell("alarm", "supervisor-silent", text)
        self._withheld = hung
        return not hung

    def _beat(self) -> None:
        with self._lock:
            frame = self._beats.beat(self._requests.next_seq(self._beats.sent), self._clock.now())
        self._transport.write(frame)

    # ---- frames -------------------------------------------------------------------------------------------

    def _take(self, frame: Frame, now: float) -> None:
        if frame.type in (Type.BOOT, Type.HELLO | REPLY):
            self._take_identity(frame, now)
        elif frame.type == Type.TELEMETRY:
            self._take_report(frame, now)
        elif frame.type == Type.EVENT:
            body = EventBody.unpack(frame.body)
            with self._lock:
                events = self._board.take_event(body, now)
            self._pass_on(events)
        elif frame.type == Type.HEARTBEAT | REPLY:
            with self._lock:
                self._beats.answered(frame, now)
        elif self._requests.wants(frame):
            if frame.type in _REPORT_REPLIES:
                # Here and not in the caller's thread: reports must be taken in the order they came.
                self._take_report(frame, now)
            self._requests.answer(frame)
        elif frame.type == Type.REFUSAL:
            with self._lock:
                self._beats.sent.pop(frame.seq, None)

    def _take_identity(self, frame: Frame, now: float) -> None:
        with self._lock:
            restarted, events = self._board.take_identity(frame.body, now, booted=frame.type == Type.BOOT)
            identity, clock_map = self._board.identity, self._beats.clock_map
            assert identity is not None
            if restarted:
                self._beats.sent.clear()
            if restarted or clock_map is None or clock_map.nominal_Hz != identity.tick_Hz:
                self._beats.new_clock(float(max(identity.tick_Hz, 1)))
        self._pass_on(events)

    def _take_report(self, frame: Frame, now: float) -> None:
        report = unpack_report(frame.body, now)
        with self._lock:
            events = self._board.take_report(report)
        self._pass_on(events)

    # ---- events -------------------------------------------------------------------------------------------

    def _tell(self, severity: Severity, code: str, text: str, remedy: str = "") -> None:
        self._pass_on([Event(t_s=self._clock.now(), severity=severity, code=code, text=text, remedy=remedy)])

    def _pass_on(self, events: Iterable[Event]) -> None:
        for event in events:
            log.log(_LEVELS[event.severity], "%s", event.text)
            if self._on_event is None:
                with self._lock:
                    self._events.append(event)
                continue
            try:
                self._on_event(event)
            except Exception:
                log.exception("the receiver of link events failed")
