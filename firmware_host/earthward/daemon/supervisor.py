"""Runs the interlock: gathers its inputs every 20 ms in a thread of its own and carries out what it asks for.

Three threads meet here, so that nothing slow can keep the output on:
- the supervisor steps the pure state machine and is never made to wait for the board;
- a messenger talks to the board (configure, arm, energise, off), because each of these waits for an answer; an
  OFF overtakes everything else;
- the link's own thread beats the heart. It stops beating when the supervisor has not fed it, so a supervisor
  that hangs takes the output off too, by the board's dead-man. The supervisor feeds it only while the daemon's loop and
  its samples get on: a heartbeat is earned.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from earthward.clock import Clock
from earthward.config import SourceConfig
from earthward.devices.protocol import Configuration, Identity
from earthward.devices.source import LinkError, LinkStatus
from earthward.errors import InputError
from earthward.record.board import BoardReport, ElectrodeName
from earthward.record.event import Event
from earthward.record.waveform import WaveformName
from earthward.safety.interlock import Action, Interlock, InterlockState, View
from earthward.safety.permissives import BoardView, Inputs
from earthward.safety.stray import StrayVerdict
from earthward.signal.types import PhaseReference

log = logging.getLogger(__name__)


class Board(Protocol):
    """What the service needs of the source board's link (`earthward.devices.source.SourceLink`)."""

    @property
    def identity(self) -> Identity | None: ...
    @property
    def telemetry(self) -> BoardReport | None: ...
    @property
    def status(self) -> LinkStatus: ...
    @property
    def restarts(self) -> int: ...
    def feed(self) -> None: ...
    def configure(
        self, waveform: WaveformName, frequency_Hz: float, current_limit_A: float, electrode: ElectrodeName = "A"
    ) -> Configuration: ...
    def arm(self) -> BoardReport: ...
    def energise(self) -> BoardReport: ...
    def off(self) -> BoardReport: ...
    def select(self, electrode: ElectrodeName) -> float | None: ...
    def phase_reference(self) -> PhaseReference | None: ...
    def host_time(self, tick: float) -> float | None: ...


class Contacts(Protocol):
    """Second contacts and keys wired to the host. None = not wired."""

    @property
    def emergency_stop_closed(self) -> bool | None: ...
    @property
    def enable_held(self) -> bool | None: ...


class Warning(Protocol):
    """Beacon, and the sound family that warns."""

    def beacon(self, on: bool) -> None: ...
    def sound(self, what: Literal["off", "warning", "live", "alarm"]) -> None: ...


@dataclass(frozen=True, slots=True)
class AdcPulse:
    """The receiver's sign of life: host time of its newest conversion, and whether it answers as set."""

    newest_s: float | None
    ok: bool


def board_view(report: BoardReport, identity: Identity | None, restarts: int) -> BoardView:
    """The newest report, with what the board's identity says."""
    if identity is None:
        # While it is not known who is at the other end (cable out), that is no restart.
        return BoardView(report, boot=None)
    return BoardView(
        report,
        boot=identity.boot_count + 65536 * restarts,
        max_current_A=identity.max_current_uA * 1e-6,
        max_voltage_V=identity.max_voltage_mV * 1e-3,
        deadman_s=identity.deadman_ms * 1e-3,
        battery_min_V=identity.battery_min_mV * 1e-3,
    )


class Supervisor:
    """See the module's text. Start it after the link; stop it before."""

    #: Five times as often as the interlock asks for; contacts, requests and the board's button are looked at at once.
    PERIOD_S = 0.04

    def __init__(
        self,
        interlock: Interlock,
        board: Board,
        clock: Clock,
        source: SourceConfig,
        *,
        contacts: Contacts | None = None,
        warning: Warning | None = None,
        adc: Callable[[], AdcPulse],
        on_change: Callable[[], None] | None = None,
        on_step: Callable[[], None] | None = None,
        trouble: Callable[[bool], str] = lambda energised: "",
    ) -> None:
        """`trouble(energised)`: one sentence while the daemon itself does not get on, else empty."""
        self._on_step = on_step
        self._trouble = trouble
        self._told_trouble = ""
        self._stepped_s = clock.now()
        self._interlock = interlock
        self._board = board
        self._clock = clock
        self._source = source
        self._contacts = contacts
        self._warning = warning
        self._adc = adc
        self._on_change = on_change
        self._lock = threading.RLock()
        self._wake = threading.Event()
        self._closing = False
        self._ended = threading.Event()
        self._state = interlock.initial(clock.now())
        self._inputs = Inputs()
        self._events: deque[Event] = deque()
        self._water_clear_s: float | None = None
        self._stray: StrayVerdict | None = None
        self._refusal: int | None = None
        self._stop_asked = False
        self._reset_seen = False
        self._last_problem = ""
        self._electrode: ElectrodeName = "A"
        self._frequency_Hz = source.frequency_Hz
        self._messenger = _Messenger(self._told_problem)
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        self._messenger.start()
        self._thread.start()

    def close(self) -> None:
        """Output off, then stop both threads."""
        self.request_stop()
        # In real time: on the emulated bench time may stand still, and the end must not wait for it.
        self._ended.wait(2 * self.PERIOD_S / self._clock.speed)
        self._closing = True
        self._ended.set()
        self._wake.set()
        self._thread.join(timeout=5)
        self._messenger.close()
        if self._warning is not None:
            self._warning.sound("off")
            self._warning.beacon(False)

    # ---- what others may tell it ----------------------------------------------------------------------------

    def request_stop(self) -> None:
        """Output off: from any screen, switch, signal or client. Always obeyed, at once."""
        with self._lock:
            self._stop_asked = True
        self._wake.set()

    def wake(self) -> None:
        """A contact has moved: look now, not at the next turn."""
        self._wake.set()

    def state_water_clear(self, by: str) -> None:
        """`by` says that nobody is in the water. Raises InputError without a name."""
        if not by.strip():
            raise InputError("who states that the water is clear is missing: give a name")
        with self._lock:
            self._water_clear_s = self._clock.now()
            text = f"{by.strip()} states: nobody is in the water and the pool is watched."
            self._events.append(Event(t_s=self._clock.now(), severity="info", code="water clear", text=text))
        self._wake.set()

    def withdraw_water_clear(self) -> None:
        with self._lock:
            self._water_clear_s = None
        self._wake.set()

    def set_stray(self, verdict: StrayVerdict) -> None:
        with self._lock:
            self._stray = verdict

    def set_frequency(self, frequency_Hz: float) -> None:
        """Repetition frequency for the next time the source comes on (the band scan's choice)."""
        self._frequency_Hz = frequency_Hz

    def select(self, electrode: ElectrodeName, done: Callable[[ElectrodeName, float | None], None]) -> None:
        """Injection electrode A or B, now if energised; `done(electrode, host time from which it holds)`."""

        def work() -> None:
            # While off there is nothing to ask of the board: it is told when configured.
            at_s = self._board.select(electrode) if self.energised else None
            self._electrode = electrode
            done(electrode, at_s)

        self._messenger.put(work)

    # ---- what others may know -------------------------------------------------------------------------------

    @property
    def state(self) -> InterlockState:
        with self._lock:
            return self._state

    @property
    def energised(self) -> bool:
        return self.state.name == "energised"

    @property
    def electrode(self) -> ElectrodeName:
        return self._electrode

    @property
    def stray(self) -> StrayVerdict | None:
        return self._stray

    def view(self) -> View:
        with self._lock:
            return self._interlock.view(self._state, self._inputs, self._clock.now())

    @property
    def stated_clear(self) -> bool:
        """The water is stated clear, and the statement still holds. Much cheaper than the whole `view`."""
        with self._lock:
            return (self._interlock.clear_left_s(self._inputs, self._clock.now()) or 0.0) > 0.0

    def drain_events(self) -> list[Event]:
        with self._lock:
            events = list(self._events)
            self._events.clear()
        return events

    # ---- the thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._closing:
            self._wake.wait(self.PERIOD_S / self._clock.speed)
            self._wake.clear()
            try:
                self._step()
                if self._on_step is not None:
                    self._on_step()
            except Exception:
                # Never silently: without `feed` the heartbeat stops and the board takes its output off.
                log.exception("the interlock's step failed: the output goes off")
                self._messenger.urgent(self._off)
        self._messenger.urgent(self._off)

    def _gather(self, now_s: float) -> Inputs:
        report, identity, restarts = self._board.telemetry, self._board.identity, self._board.restarts
        pulse = self._adc()
        contacts = self._contacts
        board = None
        if report is not None:
            board = board_view(report, identity, restarts)
        with self._lock:
            stop, self._stop_asked = self._stop_asked, False
            refusal = self._refusal
            return Inputs(
                board=board,
                restarts=restarts,
                refusal=refusal,
                water_clear_s=self._water_clear_s,
                stray=self._stray,
                adc_t_s=pulse.newest_s,
                adc_ok=pulse.ok,
                enable_second_held=None if contacts is None else contacts.enable_held,
                emergency_stop_second_closed=None if contacts is None else contacts.emergency_stop_closed,
                stop_requested=stop,
                reset_pressed=self._take_reset(),
            )

    def _take_reset(self) -> bool:
        seen, self._reset_seen = self._reset_seen, False
        return seen

    def reset_pressed(self) -> None:
        """The board told that its own button was pressed (event 3), or a key wired to the host was."""
        self._reset_seen = True
        self._wake.set()

    def stepped_lately(self, within_s: float) -> bool:
        """The interlock has been looked at within so many seconds."""
        return self._clock.now() - self._stepped_s <= within_s

    def _earned(self) -> bool:
        """Does the daemon get on? If not, the output is asked off, and the heart is not fed."""
        trouble = self._trouble(self.energised)
        if trouble:
            with self._lock:
                self._stop_asked = True
                if trouble != self._told_trouble:
                    log.error("%s", trouble)
                    text = "If this comes again, start the daemon anew and report it."
                    self._events.append(
                        Event(
                            t_s=self._clock.now(),
                            severity="alarm",
                            code="daemon stands still",
                            text=trouble,
                            remedy=text,
                        )
                    )
        self._told_trouble = trouble
        return not trouble

    def _step(self) -> None:
        now_s = self._clock.now()
        earned = self._earned()
        inputs = self._gather(now_s)
        with self._lock:
            old = self._state
            self._state, actions, events = self._interlock.step(self._state, inputs, now_s)
            self._inputs = inputs
            self._events.extend(events)
            changed = old.name != self._state.name or bool(events)
            if self._state.name != "energised":
                self._refusal = None
        if self._state.heartbeat and earned:
            self._board.feed()
        self._stepped_s = now_s
        for action in actions:
            self._do(action)
        if changed and self._on_change is not None:
            self._on_change()

    def _do(self, action: Action) -> None:
        if action is Action.OUTPUT_OFF:
            self._messenger.urgent(self._off)
        elif action is Action.OUTPUT_ON:
            self._messenger.put(self._on)
        elif self._warning is not None:
            match action:
                case Action.BEACON_ON | Action.BEACON_OFF:
                    self._warning.beacon(action is Action.BEACON_ON)
                case Action.SOUND_OFF:
                    self._warning.sound("off")
                case Action.SOUND_WARNING:
                    self._warning.sound("warning")
                case Action.SOUND_LIVE:
                    self._warning.sound("live")
                case Action.SOUND_ALARM:
                    self._warning.sound("alarm")
                case _:
                    pass

    # ---- in the messenger's thread ----------------------------------------------------------------------------

    def _on(self) -> None:
        """Configure, arm, energise; give up at once if the interlock has changed its mind meanwhile."""
        limit = min(self._source.current_limit_A, self._interlock.limits.current_limit_A)
        self._board.configure(self._source.waveform, self._frequency_Hz, limit, self._electrode)
        for step in (self._board.arm, self._board.energise):
            if not self.energised:
                return
            try:
                step()
            except LinkError as error:
                with self._lock:
                    self._refusal = error.reason
                raise
        if not self.energised:
            self._board.off()

    def _off(self) -> None:
        self._board.off()

    def _told_problem(self, error: Exception) -> None:
        """A request failed. The interlock sees the consequence by itself; here it is put on record."""
        if str(error) == self._last_problem:
            return  # OFF is repeated until it is confirmed: say once why it is not
        self._last_problem = str(error)
        with self._lock:
            self._events.append(
                Event(t_s=self._clock.now(), severity="caution", code="source board request", text=str(error))
            )


class _Messenger:
    """One worker for requests that wait for an answer. `urgent` work overtakes and cancels what is queued."""

    def __init__(self, on_problem: Callable[[Exception], None]) -> None:
        self._on_problem = on_problem
        self._queue: deque[Callable[[], None]] = deque()
        self._urgent: Callable[[], None] | None = None
        self._busy_urgent = False
        self._wake = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="source-messenger", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def put(self, work: Callable[[], None]) -> None:
        with self._wake:
            self._queue.append(work)
            self._wake.notify()

    def urgent(self, work: Callable[[], None]) -> None:
        """At most one at a time: the interlock repeats OFF until the board has confirmed it."""
        with self._wake:
            self._queue.clear()
            if self._urgent is None and not self._busy_urgent:
                self._urgent = work
                self._wake.notify()

    def close(self) -> None:
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join(timeout=5)

    def _run(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._closing or self._urgent is not None or bool(self._queue))
                if self._urgent is not None:
                    work, self._urgent, self._busy_urgent = self._urgent, None, True
                elif self._closing:
                    return
                else:
                    work = self._queue.popleft()
            try:
                work()
            except (LinkError, InputError) as error:
                self._on_problem(error)
            except Exception as error:
                # This thread must live on, whatever happens: the next OFF goes through it.
                log.exception("a request to the source board failed inside")
                self._on_problem(error)
            finally:
                with self._wake:
                    self._busy_urgent = False
