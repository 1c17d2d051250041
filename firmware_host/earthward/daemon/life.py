"""The daemon's life: wires its parts together, starts and ends them, and ends itself when one of them fails.

One asyncio loop owns everything that is not time-critical. What must never wait runs elsewhere: acquisition, link,
supervisor (interlock), messenger, recorder and clerk (the survey's record) have threads of their own; searches for
sinks run in a process of their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from collections.abc import Awaitable, Callable
from pathlib import Path

from earthward import __version__
from earthward.config import Config
from earthward.daemon import health
from earthward.daemon import protocol as m
from earthward.daemon.clerk import Clerk
from earthward.daemon.detection import Detection, SourceNow
from earthward.daemon.flight import Flight
from earthward.daemon.measuring import Measuring
from earthward.daemon.parts import Wiring
from earthward.daemon.person import Person
from earthward.daemon.phone import PhonePage
from earthward.daemon.progress import STANDS_STILL_S, Progress
from earthward.daemon.pump import Pump
from earthward.daemon.recorder import Recorder
from earthward.daemon.requests import Requests
from earthward.daemon.samples import Samples
from earthward.daemon.server import ClientServer
from earthward.daemon.source import SourceFollower
from earthward.daemon.source_off import SourceOffMonitor
from earthward.daemon.stray_watch import StrayWatch
from earthward.daemon.supervisor import AdcPulse, Supervisor
from earthward.daemon.telling import Teller
from earthward.daemon.visiting import Visiting
from earthward.record.calibration import Calibration
from earthward.record.event import Severity
from earthward.record.visit import CurrentStep
from earthward.safety.interlock import Interlock
from earthward.safety.limits import Limits, limits_from_config
from earthward.safety.stray import StrayVerdict
from earthward.survey.steps import Instrument
from earthward.survey.visit import Visit

log = logging.getLogger(__name__)

#: What no sample has to come for is looked at so often; whatever must be told at once asks for it (`_something_new`).
TICK_S = 0.1
#: Clients are told the state so often unasked; the second while the source is on and nothing but readings changes.
STATE_S, STEADY_STATE_S = 0.2, 0.5
STRAY_EVERY_S = 1.0


class Daemon:
    """Start with `start()`, end with `close()`; `run()` does both and waits for SIGTERM or SIGINT."""

    def __init__(
        self,
        config: Config,
        wiring: Wiring,
        *,
        visit: Visit | None = None,
        recording: Path | None = None,
        limits: Limits | None = None,
        calibration: Calibration | None = None,
    ) -> None:
        self.config = config
        self.wiring = wiring
        self.visit = visit
        self._clock = wiring.clock
        self.limits = limits or limits_from_config(config.limits)
        self.measuring = Measuring(config, self.limits, calibration)
        self.progress = Progress(wiring.clock)
        self.detection = Detection(self.measuring.detector_settings, wiring.channels, config.pair.spacing_m)
        self.supervisor = Supervisor(
            Interlock(self.limits),
            wiring.board,
            wiring.clock,
            config.source,
            contacts=wiring.contacts,
            warning=wiring.warning,
            adc=self._pulse,
            on_change=self._nudge,
            on_step=wiring.on_supervised,
            trouble=self.progress.trouble,
        )
        self._recording_folder = recording
        self._loop: asyncio.AbstractEventLoop | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._telling = False
        self._told_s = -STATE_S
        self._ended = asyncio.Event()
        self._failed = False
        self._assemble()
        if wiring.listen_to_contacts is not None:
            wiring.listen_to_contacts(lambda name, active: self.requests.contact_moved(self._loop, name, active))

    def _assemble(self) -> None:
        """The parts that work in the loop's thread."""
        wiring, config, visit = self.wiring, self.config, self.visit
        self.phone = _phone(config, self._clock.now)
        self.clerk = Clerk(lambda error: self.teller.record_failed(error))
        self.server = ClientServer(self._hello, lambda message, reply: self.requests.handle(message, reply))
        self.teller = Teller(wiring, self.server, self.phone, self.clerk, visit)
        source_off = SourceOffMonitor(config, wiring.channels, config.source.listen and not wiring.playback)
        self.follower = SourceFollower(
            wiring,
            self.detection,
            source_off,
            wanted_on=lambda: wiring.playback or self.supervisor.energised,
            on_change=self._source_changed,
            on_step=self._current_step,
        )
        self.samples = Samples(
            wiring, self.detection, source_off, self.teller, self.progress, self.follower.look, self._guarded
        )
        self.stray = StrayWatch(
            wiring,
            self.detection,
            source_off,
            self.supervisor,
            self.teller,
            self.limits,
            config.pair.spacing_m,
            self.set_frequency,
            self._stray_verdict,
        )
        self.visiting = None if visit is None else Visiting(visit, wiring, self.clerk, self.teller, self.instrument)
        self.pump = Pump(wiring, self.supervisor, self.teller, self.visiting, self._something_new)
        self.person = None
        if self.visiting is not None:
            self.person = Person(
                config,
                wiring,
                self.detection,
                self.clerk,
                self.teller,
                self.visiting,
                lambda electrode: self.supervisor.select(electrode, self.requests.selected),
                self._something_new,
            )
            self.teller.listeners.append(self.person.heard)
        self.flight = Flight(self)
        self.requests = Requests(
            wiring,
            self.supervisor,
            self.detection,
            source_off,
            self.follower,
            self.server,
            self.teller,
            self.clerk,
            self.visiting,
            self.state,
            self.flight,
            self._something_new,
            self.person,
        )

    # ---- life ---------------------------------------------------------------------------------------------

    @property
    def listeners(self) -> list[Callable[[m.Message], None]]:
        """Everybody inside the process who wants to see what clients see."""
        return self.teller.listeners

    @property
    def recorder(self) -> Recorder | None:
        return self.teller.recorder

    @property
    def failed(self) -> bool:
        """Something inside failed: whoever started the daemon should start it again."""
        return self._failed

    async def start(self) -> None:
        """Everything up; returns when clients may connect. Raises InputError for what cannot be opened."""
        self._loop = self.teller.loop = asyncio.get_running_loop()
        self.clerk.start()
        try:
            await self._open()
        except BaseException:
            # Nothing stays behind of a start that failed: no socket, no thread, no pin.
            await self.server.close()
            await asyncio.to_thread(self.clerk.close)
            if self.wiring.close_pins is not None:
                self.wiring.close_pins()
            raise
        if self.wiring.ear is not None:
            self.wiring.ear.start()
        for sense in (self.wiring.head, self.wiring.depth):
            if sense is not None:
                sense.start()
        self.wiring.board.start()
        self.samples.start()
        if not self.wiring.playback:
            self.supervisor.start()
        for work in (self._tick, self._watch_stray):
            self._tasks.append(asyncio.create_task(self._guard(work), name=work.__name__))
        if self.wiring.notify is not None:
            self.wiring.notify.ready()
        self.event(
            "info", "started", f"Earthward {__version__} started{' on the emulated bench' * self.wiring.emulated}."
        )
        if self.visiting is not None:
            self.visiting.begin()
        if self.person is not None:
            self.person.look_again()

    async def _open(self) -> None:
        await self.server.listen_unix(self.config.service.socket)
        if self.config.service.tcp_port is not None:
            await self.server.listen_tcp(self.config.service.tcp_port, self.config.service.tcp_token)
        if self.phone is not None:
            await self.phone.start()
        if stale := self.measuring.calibration_remark(self.wiring.wall_s()):
            self.event("caution", "calibration overdue", stale, "Run earthward calibrate.")
        if self.visit is not None:
            settings = self.measuring.settings()
            visit = self.visit
            await self.clerk.ask(lambda: visit.use_settings(settings))
        if self._recording_folder is not None:
            header = self.measuring.recording_header(self.wiring.emulated, self.wiring.wall_s())
            try:
                self.teller.recorder = Recorder(self._recording_folder, header)
            except OSError as error:
                # The survey is worth more than its recording.
                text = f"Nothing is recorded: {self._recording_folder} cannot be written ({error.strerror})."
                self.event("caution", "not recording", text, "Free space, or set service.record to false.")

    async def close(self) -> None:
        """Output off first, then everything down in order; recording and record are complete when this returns."""
        if not self.wiring.playback:
            await asyncio.to_thread(self.supervisor.close)
        self._telling = True  # nothing is told any more
        for task in self._tasks:
            task.cancel()
        for task in self._tasks:
            # Python 3.11's wait_for loses a cancellation that comes together with what was waited for: ask again.
            while not task.done():
                await asyncio.wait([task], timeout=0.5)
                task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        if self.visiting is not None:
            self.visiting.searching.close()
        for sense in (self.wiring.head, self.wiring.depth):
            if sense is not None:
                await asyncio.to_thread(sense.close)
        await asyncio.to_thread(self.wiring.receiver.close)
        await asyncio.to_thread(self.wiring.board.close)
        if not self._failed:
            self._guarded(self.samples.work_off)
        self._guarded(self.pump.work)
        # Requests that were taken are answered before the line is cut.
        await asyncio.to_thread(self.clerk.close)
        await asyncio.sleep(0)
        await self.server.close()
        if self.phone is not None:
            await self.phone.stop()
        if self.wiring.ear is not None:
            await asyncio.to_thread(self.wiring.ear.stop)
        if self.wiring.notify is not None:
            self.wiring.notify.stopping()
            self.wiring.notify.close()
        if self.wiring.close_pins is not None:
            self.wiring.close_pins()
        if self.recorder is not None:
            await asyncio.to_thread(self.recorder.close)

    async def run(self) -> bool:
        """Start, wait for SIGTERM or SIGINT (or `end()`), close. False if something inside had failed."""
        await self.start()
        try:
            await self.ended()
        finally:
            await self.close()
        return not self._failed

    def end(self) -> None:
        """Output off, then the end."""
        self.supervisor.request_stop()
        self._ended.set()

    @property
    def ending(self) -> bool:
        return self._ended.is_set()

    async def ended(self) -> None:
        """Until somebody asked for the end: a signal, a failure inside, `end()`."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.end)
        await self._ended.wait()

    def _fail(self, what: str) -> None:
        """A defect of ours. The end comes first: whatever is done about it afterwards may fail as well."""
        self._failed = True
        self.end()
        log.exception("the daemon's %s failed", what)
        self.event("alarm", "daemon failed", "The instrument failed inside: the output goes off.", "Start it again.")

    async def _guard(self, work: Callable[[], Awaitable[None]]) -> None:
        """A task that fails is a defect: the output goes off and the daemon ends, loudly."""
        try:
            await work()
        except asyncio.CancelledError:
            raise
        except Exception:
            self._fail(work.__name__)

    def _guarded(self, work: Callable[[], None]) -> None:
        """The same for work that the loop is called back for."""
        if self._failed:
            return
        try:
            work()
        except Exception:
            self._fail(getattr(work, "__name__", "work"))

    def _nudge(self) -> None:
        """From any thread: something changed that clients should see at once."""
        if self._loop is not None and not self._loop.is_closed():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._something_new)

    def _something_new(self) -> None:
        """In the loop's thread: clients should see the state at once, however many ask for it in this turn."""
        if not self._telling and self._loop is not None:
            self._telling = True
            self._loop.call_soon(self._guarded, self._tell_state)

    # ---- what goes round --------------------------------------------------------------------------------------

    async def _tick(self) -> None:
        """Signs of life, and what no sample has to come for."""
        kicked_s = -STANDS_STILL_S
        while True:
            await asyncio.sleep(TICK_S / self._clock.speed)
            self.progress.loop_turned()
            if self.wiring.on_turned is not None:
                self.wiring.on_turned()
            self.follower.look()
            self.flight.look()
            now_s = self._clock.now()
            if now_s - self._told_s >= self._state_gap_s() - TICK_S / 2:
                self._tell_state()
            else:
                self.pump.work()
            if self.wiring.notify is not None and now_s - kicked_s >= STANDS_STILL_S and self._gets_on():
                kicked_s = now_s
                self.wiring.notify.watchdog()

    def _state_gap_s(self) -> float:
        """What ends the steady state is told at once (`_something_new`); how a head with sensors is held never is."""
        steady = self.wiring.head is None and self.wiring.depth is None and self.supervisor.energised
        return STEADY_STATE_S if steady else STATE_S

    def _gets_on(self) -> bool:
        """Is a kick of the service manager's watchdog earned? The loop is here; are interlock and samples?

        A converter that is out does not earn a restart: its reader says so, and tries again by itself.
        """
        looked = self.wiring.playback or self.supervisor.stepped_lately(STANDS_STILL_S)
        samples = not self.wiring.receiver.status.ok or not self.progress.trouble(energised=True)
        return looked and samples

    def _tell_state(self) -> None:
        # Events first: whoever sees the new state already knows why. What is new in them is in this state already.
        self._telling = True
        self.pump.work()
        self._telling = False
        self._told_s = self._clock.now()
        self.teller.publish(self.state())

    async def _watch_stray(self) -> None:
        while True:
            await asyncio.sleep(STRAY_EVERY_S / self._clock.speed)
            self.stray.look(self.measuring.frequency_Hz)

    # ---- what follows from what -------------------------------------------------------------------------------

    def event(self, severity: Severity, code: str, text: str, remedy: str = "") -> None:
        """Tell and record that something happened. Never raises."""
        self.teller.event(severity, code, text, remedy)

    def set_frequency(self, frequency_Hz: float) -> None:
        """Another repetition frequency, from the next time the source comes on."""
        self.measuring.frequency_Hz = frequency_Hz
        self.supervisor.set_frequency(frequency_Hz)
        self.detection.rebuild()
        if self.visit is not None:
            visit, settings = self.visit, self.measuring.settings()
            self.clerk.put(lambda: visit.use_settings(settings))

    def _source_changed(self, source: SourceNow) -> None:
        self.teller.note(
            {
                "kind": "source",
                "t_s": self._clock.now(),
                "energised": source.energised,
                "since_s": source.since_s,
                "electrode": source.electrode,
            }
        )
        self._something_new()

    def _current_step(self, step: CurrentStep) -> None:
        low, high = step.share_interval
        self.event(
            "info",
            "current step",
            f"{step.subject} ({step.kind}): injected current {step.before_A * 1e3:.3f} to {step.after_A * 1e3:.3f} mA; "
            f"it took {100 * low:.1f} to {100 * high:.1f} % of the current.",
        )
        if self.visit is not None:
            visit = self.visit
            self.clerk.put(lambda: visit.add_current_step(step))

    def _stray_verdict(self, verdict: StrayVerdict) -> None:
        if self.visit is not None:
            visit = self.visit
            self.clerk.put(lambda: visit.record_stray(verdict))

    def _pulse(self) -> AdcPulse:
        status = self.wiring.receiver.status
        age_s = status.last_sample_age_s
        # Lost samples or a full-scale input make readings worse, and the detector says so; only silence is dead.
        return AdcPulse(None if age_s is None else self._clock.now() - age_s, not status.stalled)

    # ---- what is shown ----------------------------------------------------------------------------------------

    def _hello(self, read_only: bool) -> m.Hello:
        capabilities = ["readings", "state"] + (["survey", "plan", "steps"] if self.visit is not None else [])
        return m.Hello(
            version=__version__, capabilities=capabilities, emulated=self.wiring.emulated, read_only=read_only
        )

    def state(self) -> m.State:
        state = health.state(self)
        return state if self.person is None else self.person.on_state(state)

    def instrument(self) -> Instrument:
        """How the instrument is, for the course of the visit."""
        stray = self.supervisor.stray
        return Instrument(
            stray_passed=None if stray is None else stray.passed,
            healthy=self.wiring.board.status.ok and self.wiring.receiver.status.ok,
            stated_clear=self.supervisor.stated_clear,
        )

    def steps(self) -> m.Steps:
        assert self.visiting is not None
        return self.visiting.build_steps()

    async def search_done(self) -> None:
        """Wait until everything kept has been searched."""
        if self.visiting is not None:
            await self.visiting.searching.done()


def _phone(config: Config, now_s: Callable[[], float]) -> PhonePage | None:
    service = config.service
    if service.phone_port is None:
        return None
    return PhonePage(service.phone_address, service.phone_port, now_s, service.phone_token)
