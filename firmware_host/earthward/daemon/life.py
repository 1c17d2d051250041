"""The daemon: wires receiver, source board, interlock, lock-in, recorder, survey and clients together.

One asyncio loop owns everything that is not time-critical. What must never wait runs elsewhere: acquisition, link,
supervisor (interlock), messenger and recorder have threads of their own; searches for sinks run in a worker.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import signal
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, get_args

import msgspec

from earthward import __version__
from earthward.clock import Clock
from earthward.config import Config
from earthward.daemon import health
from earthward.daemon import protocol as m
from earthward.daemon.detection import Detection, SourceNow, Tail
from earthward.daemon.phone import PhonePage
from earthward.daemon.plan import build_plan
from earthward.daemon.quiet_water import QuietWater
from earthward.daemon.recorder import Recorder
from earthward.daemon.search import Search, SearchWorker
from earthward.daemon.server import ClientServer
from earthward.daemon.supervisor import AdcPulse, Board, Contacts, Supervisor, Warning
from earthward.devices.ads1115 import AdcStatus
from earthward.devices.link import LinkEvent
from earthward.devices.notify import Notifier
from earthward.devices.sound import Sounder
from earthward.errors import InputError
from earthward.record.place import Station
from earthward.record.visit import CurrentStep
from earthward.safety.interlock import Event as SafetyEvent
from earthward.safety.interlock import Interlock
from earthward.safety.limits import Limits, limits_from_config
from earthward.safety.stray import judge
from earthward.signal.detector import DetectorSettings
from earthward.signal.types import SampleBlock
from earthward.survey.current_steps import CurrentLog
from earthward.survey.steps import Instrument
from earthward.survey.visit import Visit

log = logging.getLogger(__name__)

ACQUIRE_S = 0.025
STATE_S = 0.2
STRAY_EVERY_S = 1.0
#: A search begins when no reading has been kept for so long.
SEARCH_AFTER_S = 1.2


class Receiver(Protocol):
    """What the daemon needs of the acquisition (`earthward.devices.ads1115.AdcReader`)."""

    def start(self) -> None: ...
    def close(self) -> None: ...
    def drain(self) -> list[SampleBlock]: ...
    @property
    def status(self) -> AdcStatus: ...


class LinkBoard(Board, Protocol):
    def start(self) -> None: ...
    def close(self) -> None: ...
    def drain_events(self) -> list[LinkEvent]: ...


@dataclass
class Wiring:
    """The world the daemon is wired to: real parts, or the emulated bench. `emulated` is shown everywhere."""

    receiver: Receiver
    board: LinkBoard
    clock: Clock
    emulated: bool
    contacts: Contacts | None = None
    warning: Warning | None = None
    #: The sound of the daemon: it goes on if the screen dies.
    ear: Sounder | None = None
    notify: Notifier | None = None
    channels: int = 1
    #: A recording is played: there is nothing to interlock, and nothing can be driven.
    playback: bool = False
    wall_s: Callable[[], float] = field(default=lambda: 0.0)
    #: Called with the place a client says the pole is at (the emulated bench holds its virtual pole there).
    on_move: Callable[[Station], None] | None = None
    #: Takes a function that is told of contacts and switches, from any thread: (name, active).
    listen_to_contacts: Callable[[Callable[[str, bool], None]], None] | None = None
    close_pins: Callable[[], None] | None = None
    #: Called after each look of the interlock: the emulated bench's time waits for it on a busy machine.
    on_supervised: Callable[[], None] | None = None


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
    ) -> None:
        self.config = config
        self.wiring = wiring
        self.visit = visit
        self._clock = wiring.clock
        self.limits = limits or limits_from_config(config.limits)
        self.frequency_Hz = config.source.frequency_Hz
        self.detection = Detection(self._detector_settings, wiring.channels, config.pair.spacing_m)
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
        )
        if wiring.listen_to_contacts is not None:
            wiring.listen_to_contacts(self._contact_moved)
        self.phone = self._make_phone()
        self.server = ClientServer(self._hello, self._on_message)
        self.recorder: Recorder | None = None
        self._recording_folder = recording
        self._loop: asyncio.AbstractEventLoop | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._changed = asyncio.Event()
        self._ended = asyncio.Event()
        self._event_number = 0
        self._tails = [Tail(60.0) for _ in range(wiring.channels)]
        self._quiet = QuietWater(config, wiring.channels, config.source.listen and not wiring.playback)
        self._newest_s: float | None = None
        self._last_link_ok = True
        self._last_adc_ok: bool | None = None
        self._last_clear = False
        self._last_reference_s = -math.inf
        self._moved_s = -math.inf
        self._failed = False
        self._currents = CurrentLog()
        self._remeasuring: asyncio.Task[None] | None = None
        self._worker = SearchWorker()
        self._searching: asyncio.Task[None] | None = None
        self._search_again = False
        self._search_due_s = 0.0
        #: Everybody inside the process who wants to see what clients see (tests, the scripted technician).
        self.listeners: list[Callable[[m.Message], None]] = []

    # ---- life ---------------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Everything up; returns when clients may connect. Raises InputError for what cannot be opened."""
        self._loop = asyncio.get_running_loop()
        if self.visit is not None:
            self.visit.use_settings(self._measuring_settings())
        if self._recording_folder is not None:
            self.recorder = Recorder(self._recording_folder, self._recording_header())
        await self.server.listen_unix(self.config.service.socket)
        if self.config.service.tcp_port is not None:
            await self.server.listen_tcp(self.config.service.tcp_port, self.config.service.tcp_token)
        if self.phone is not None:
            await self.phone.start()
        if self.wiring.ear is not None:
            self.wiring.ear.start()
        self.wiring.board.start()
        self.wiring.receiver.start()
        if not self.wiring.playback:
            self.supervisor.start()
        for work in (self._acquire, self._tell_state, self._watch_stray):
            self._tasks.append(asyncio.create_task(self._guard(work), name=work.__name__))
        if self.wiring.notify is not None:
            self.wiring.notify.ready()
        self.event(
            "info", "started", f"Earthward {__version__} started{' on the emulated bench' * self.wiring.emulated}."
        )

    async def close(self) -> None:
        """Output off first, then everything down in order; the recording is complete when this returns."""
        if not self.wiring.playback:
            await asyncio.to_thread(self.supervisor.close)
        for task in self._tasks:
            task.cancel()
        for task in self._tasks:
            # Python 3.11's wait_for loses a cancellation that comes together with what was waited for: ask again.
            while not task.done():
                await asyncio.wait([task], timeout=0.5)
                task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        if self._searching is not None:
            self._searching.cancel()
        self._worker.close()
        await asyncio.to_thread(self.wiring.receiver.close)
        await asyncio.to_thread(self.wiring.board.close)
        if not self._failed:
            self._drain_samples()
        self._pump_events()
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

    async def run(self) -> None:
        """Start, wait for SIGTERM or SIGINT (or `end()`), close."""
        await self.start()
        try:
            await self.ended()
        finally:
            await self.close()

    def end(self) -> None:
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

    async def _guard(self, work: Callable[[], Awaitable[None]]) -> None:
        """A task that fails is a defect: the output goes off and the daemon ends, loudly."""
        try:
            await work()
        except asyncio.CancelledError:
            raise
        except Exception:
            self._failed = True
            log.exception("the daemon's task %s failed", work.__name__)
            self.event(
                "alarm", "daemon failed", "The instrument failed inside: the output goes off.", "Start it again."
            )
            self.end()

    def _nudge(self) -> None:
        """From any thread: something changed that clients should see at once."""
        if self._loop is not None and not self._loop.is_closed():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._changed.set)

    async def _pause(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._clock.speed)

    # ---- samples --------------------------------------------------------------------------------------------

    async def _acquire(self) -> None:
        while True:
            await self._pause(ACQUIRE_S)
            self._follow_source()
            self._drain_samples()
            self._pump_events()
            if self.wiring.notify is not None:
                self.wiring.notify.watchdog()

    def _drain_samples(self) -> None:
        reference = self.wiring.board.phase_reference() if self.detection.source.energised else None
        now_s = self._clock.now()
        for block in self.wiring.receiver.drain():
            if not len(block):
                continue
            self._newest_s = float(block.t_s[-1])
            if self.recorder is not None:
                self.recorder.samples(block)
            self._tails[block.channel].push(block)
            if not self.detection.source.energised:
                self._quiet.push(block, now_s)
            for reading in self.detection.push(block, reference, now_s):
                if self.wiring.ear is not None:
                    self.wiring.ear.update(reading)
                self.publish(reading)
        if reference is not None and self.recorder is not None and now_s - self._last_reference_s > 0.5:
            self._last_reference_s = now_s
            source = self.detection.source
            self.recorder.note(
                {
                    "kind": "reference",
                    "t_s": now_s,
                    "start_s": reference.start_s,
                    "frequency_Hz": reference.frequency_Hz,
                    "sigma_s": reference.sigma_s,
                    "frequency_sigma": reference.frequency_sigma,
                    "electrode": source.electrode,
                    "current_A": source.current_A,
                }
            )

    def _follow_source(self) -> None:
        """Tell the lock-in what the board last reported of itself."""
        report = self.wiring.board.telemetry
        if report is not None:
            for step in self._currents.add(report):
                self._tell_step(step)
        source = self.detection.source
        on = report is not None and report.energised and (self.wiring.playback or self.supervisor.energised)
        if not on:
            if source.energised or report is not None:
                self._quiet.source_is_off(self._clock.now(), just_now=source.energised)
            if source.energised:
                self._set_source(SourceNow(False, self._clock.now(), source.electrode))
            return
        assert report is not None
        # Current of the half cycles since the output is on; none has been measured in the first report.
        current = report.current_A if report.current_A > 0 else source.current_A
        # A report from before the switch that the board has announced still names the old electrode.
        announced = source.energised and report.received_s < source.since_s + 0.15
        if source.energised and (source.electrode == report.electrode or announced):
            current = current if source.electrode == report.electrode else source.current_A
            self.detection.set_source(SourceNow(True, source.since_s, source.electrode, current))
            return
        since = None
        if not source.energised:
            since = self.wiring.board.host_time(report.cycle_tick - report.cycles * report.period_ticks)
            self._quiet.source_comes_on()
        self._set_source(SourceNow(True, report.received_s if since is None else since, report.electrode, None))

    def _tell_step(self, step: CurrentStep) -> None:
        low, high = step.share_interval
        self.event(
            "info",
            "current step",
            f"{step.subject} ({step.kind}): injected current {step.before_A * 1e3:.3f} to {step.after_A * 1e3:.3f} mA; "
            f"it took {100 * low:.1f} to {100 * high:.1f} % of the current.",
        )
        if self.visit is not None:
            self.visit.add_current_step(step)

    def _set_source(self, source: SourceNow) -> None:
        self.detection.set_source(source)
        if self.recorder is not None:
            self.recorder.note(
                {
                    "kind": "source",
                    "t_s": self._clock.now(),
                    "energised": source.energised,
                    "since_s": source.since_s,
                    "electrode": source.electrode,
                }
            )
        self._changed.set()

    def _detector_settings(self, channel: int) -> DetectorSettings:
        return DetectorSettings(
            waveform=self.config.source.waveform,
            frequency_Hz=self.frequency_Hz,
            window_s=self.config.detector.window_s,
            update_s=self.config.detector.update_s,
            mains_Hz=tuple(self.config.detector.mains_Hz),
            channel=channel,
        )

    def set_frequency(self, frequency_Hz: float) -> None:
        """Another repetition frequency, from the next time the source comes on."""
        self.frequency_Hz = frequency_Hz
        self.supervisor.set_frequency(frequency_Hz)
        self.detection.rebuild()
        if self.visit is not None:
            self.visit.use_settings(self._measuring_settings())

    def _measuring_settings(self) -> dict[str, Any]:
        """What a proof with the test leak holds for: with other settings it must be repeated."""
        return {
            "spacing_m": self.config.pair.spacing_m,
            "waveform": self.config.source.waveform,
            "frequency_Hz": self.frequency_Hz,
            "window_s": self.config.detector.window_s,
            "full_scale_V": self.config.adc.full_scale_V,
            "front_end_gain": self.config.adc.front_end_gain,
            "current_limit_A": min(self.config.source.current_limit_A, self.limits.current_limit_A),
        }

    def _pulse(self) -> AdcPulse:
        status = self.wiring.receiver.status
        age_s = status.last_sample_age_s
        # Lost samples or a full-scale input make readings worse, and the detector says so; only silence is dead.
        return AdcPulse(None if age_s is None else self._clock.now() - age_s, not status.stalled)

    def keep_tail(self, folder: Path, seconds: float = 60.0) -> Path:
        """The newest seconds as a recording of its own: what went wrong becomes a test case."""
        recorder = Recorder(folder, self._recording_header())
        for tail in self._tails:
            block = tail.block(seconds)
            if block is not None:
                recorder.samples(block)
        recorder.close()
        return folder

    def _recording_header(self) -> dict[str, Any]:
        return {
            "emulated": self.wiring.emulated,
            "software": __version__,
            "started_unix_s": self.wiring.wall_s(),
            "waveform": self.config.source.waveform,
            "frequency_Hz": self.frequency_Hz,
            "mains_Hz": self.config.detector.mains_Hz,
            "front_end_gain": self.config.adc.front_end_gain,
            "spacing_m": self.config.pair.spacing_m,
            "window_s": self.config.detector.window_s,
            "rate_Hz": self.config.adc.rate,
        }

    # ---- stray voltage --------------------------------------------------------------------------------------

    async def _watch_stray(self) -> None:
        """With the source off, look at the quiet water once a second; the verdict is the interlock's."""
        while True:
            await self._pause(STRAY_EVERY_S)
            report = self.wiring.board.telemetry
            if self.detection.source.energised or report is None or report.energised:
                continue
            choice = self._quiet.listen(self.frequency_Hz)
            if choice is not None:
                if choice.changed:
                    self.set_frequency(choice.frequency_Hz)
                self.event("info", "listening", choice.text)
            measurement = self._quiet.measure(report, self._clock.now())
            if measurement is None:
                continue
            verdict = judge(self._quiet.remember(measurement), self.limits)
            before = self.supervisor.stray
            self.supervisor.set_stray(verdict)
            if before is None or before.level != verdict.level:
                severity: Any = {"nothing found": "info", "caution": "caution", "trouble": "alarm"}
                self.event(severity.get(verdict.level, "caution"), "stray voltage", verdict.text, verdict.remedy)
                if self.visit is not None:
                    self.visit.record_stray(verdict)

    # ---- telling ----------------------------------------------------------------------------------------------

    def _make_phone(self) -> PhonePage | None:
        service = self.config.service
        if service.phone_port is None:
            return None
        return PhonePage(service.phone_address, service.phone_port, self._clock.now, service.phone_token)

    def publish(self, message: m.Message) -> None:
        self.server.publish(message)
        if self.phone is not None:
            self.phone.publish(message)
        for listener in self.listeners:
            listener(message)

    def event(self, severity: Any, code: str, text: str, remedy: str = "", t_s: float | None = None) -> None:
        """Record and tell an event; never dropped."""
        self._event_number += 1
        at_s = self._clock.now() if t_s is None else t_s
        message = m.EventMessage(
            number=self._event_number,
            t_s=at_s,
            time_s=self.wiring.wall_s(),
            severity=severity,
            code=code,
            text=text,
            remedy=remedy,
        )
        level = {"info": logging.INFO, "caution": logging.WARNING}.get(severity, logging.ERROR)
        log.log(level, "%s %s", text, remedy)
        if self.wiring.ear is not None and severity in ("caution", "alarm"):
            self.wiring.ear.alert(severity)
        if self.recorder is not None:
            self.recorder.note({"kind": "event", "t_s": at_s, "severity": severity, "code": code, "text": text})
        if self.visit is not None:
            try:
                self.visit.store.add_event(severity, code, text, remedy)
            except InputError as error:
                # A full disk must not take the instrument down: clients and the log hear of the event all the same.
                log.error("%s", error)
        self.publish(message)

    def _pump_events(self) -> None:
        for event in self.supervisor.drain_events():
            self._safety_event(event)
        for link_event in self.wiring.board.drain_events():
            if link_event.code == "reset-button":
                self.supervisor.reset_pressed()
            if link_event.code.startswith("trip-"):
                continue  # the interlock tells it, in the same words
            self.event(link_event.severity, link_event.code, link_event.text, link_event.remedy, link_event.t_s)
        status = self.wiring.receiver.status
        if status.ok != self._last_adc_ok and not status.starting:
            if not status.ok:
                self.event("alarm", "receiver", status.text, "Check the receiver's plug and wires.")
            elif self._last_adc_ok is False:
                self.event("info", "receiver", "The receiver samples again.")
            self._last_adc_ok = status.ok
            self._changed.set()
        clear = self._stated_clear()
        if clear != self._last_clear:
            self._last_clear = clear
            if self.visit is not None:
                self.publish(self.steps())

    def _safety_event(self, event: SafetyEvent) -> None:
        self.event(event.severity, event.code, event.text, event.remedy, event.t_s)

    async def _tell_state(self) -> None:
        while True:
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(self._changed.wait(), STATE_S / self._clock.speed)
            self._changed.clear()
            # Events first: whoever sees the new state already knows why.
            self._pump_events()
            self.publish(self.state())

    def _hello(self, read_only: bool) -> m.Hello:
        capabilities = ["readings", "state"] + (["survey", "plan", "steps"] if self.visit is not None else [])
        return m.Hello(
            version=__version__, capabilities=capabilities, emulated=self.wiring.emulated, read_only=read_only
        )

    def state(self) -> m.State:
        now_s = self._clock.now()
        view = self.supervisor.view()
        report = self.wiring.board.telemetry
        source = self.config.source
        limit_A = min(source.current_limit_A, self.limits.current_limit_A)
        visit = self.visit
        return m.State(
            t_s=now_s,
            emulated=self.wiring.emulated,
            interlock=health.played_interlock(report) if self.wiring.playback else health.interlock(view, now_s),
            source=health.source(report, source.waveform, self.frequency_Hz, limit_A),
            link=health.link(self.wiring.board.status),
            adc=health.receiver(self.wiring.receiver.status, self.detection.detector(0)),
            recording=health.recording(self.recorder),
            pair=m.PairInfo(
                spacing_m=self.config.pair.spacing_m,
                front=self.config.pair.front,
                back=self.config.pair.back,
                crossed=self.wiring.channels > 1,
            ),
            detector=f"{source.waveform} {self.frequency_Hz:.2f} Hz, window {self.config.detector.window_s:g} s",
            stations=0 if visit is None else visit.stations,
            survey="" if visit is None else str(visit.store.path),
            place=None if visit is None else visit.place,
            next_station=None if visit is None else visit.next_station(),
        )

    # ---- clients ----------------------------------------------------------------------------------------------

    def _on_message(self, message: m.FromClient) -> list[m.Message]:
        try:
            return self.handle(message)
        except InputError as error:
            return [m.Problem(text=f"{error}.".replace("..", "."))]
        except Exception:
            # A defect in one request must not cost the client its connection, nor be hidden.
            log.exception("a client's %s could not be carried out", type(message).__name__)
            return [m.Problem(text="The instrument failed inside while doing that; its log says how.")]

    def handle(self, message: m.FromClient) -> list[m.Message]:
        """What a client asked for; returns replies for that client alone. Raises InputError."""
        match message:
            case m.SourceOff():
                self.supervisor.request_stop()
            case m.WaterClear(by=by):
                self.supervisor.state_water_clear(by)
            case m.SelectElectrode(electrode=electrode):
                self.supervisor.select(electrode, self._selected)
            case m.SetSound(volume=volume, dead_band_sigma=band, zoom=zoom):
                if self.wiring.ear is not None:
                    self.wiring.ear.set(volume, band, zoom)
            case m.Listen():
                if self.detection.source.energised:
                    raise InputError("listening needs quiet water: switch the source off first")
                self._quiet.listen_wanted = True
            case m.Ask(what="state"):
                return [self.state()]
            case _ if self.visit is None:
                raise InputError("no survey is open, so there is nowhere to keep that; start the daemon with a pool")
            case m.Ask(what=what):
                return [self.steps() if what == "steps" else self.plan()]
            case m.MoveTo(place=place):
                self._move(place)
            case m.Keep():
                return [self.keep(message)]
            case m.Withdraw(row=row, why=why):
                self.visit.withdraw(row, why)
                self.event("info", "withdrawn", f"Reading {row} is taken back: {why.strip()}.")
                self._tell_plan()
                self.request_search()
            case m.TestLeak(distance_m=distance):
                proof = self.visit.judge_test_leak(distance)
                self.event("info" if proof.ok else "caution", "test leak", proof.text)
                self._tell_plan()
            case m.SetStage(finding=number, stage="re-measured", note=note):
                self._remeasuring = asyncio.get_running_loop().create_task(self._remeasure(number, note))
            case m.SetStage(finding=number, stage=stage, note=note):
                self.visit.set_stage(number, stage, note)
                if stage == "repaired":
                    self._currents.done("patch", finding=number)
                self._tell_plan()
            case m.SetCovered(fitting=fitting, covered=covered):
                self.visit.set_covered(fitting, covered)
                self._currents.done("cover" if covered else "uncover", fitting=fitting)
                self._tell_plan()
            case m.StepDone(key=key, note=note):
                self.visit.step_done(key, note)
                self.publish(self.steps())
            case m.Note(text=text):
                self.visit.store.add_note(text)
            case _:
                raise InputError("this daemon has no use for that message")
        return []

    async def _remeasure(self, number: int, note: str) -> None:
        """The comparison before and after the repair becomes part of the finding's history."""
        assert self.visit is not None
        try:
            result = await asyncio.to_thread(self.visit.remeasure, number)
            text = f"{result.text} {note}".strip()
            self.visit.set_stage(number, "re-measured", text, result.as_dict())
        except InputError as error:
            self.event("caution", "re-measure", f"Finding {number} is not re-measured: {error}.")
            return
        good = result.outcome == "gone"
        self.event("info" if good else "caution", "re-measure", f"Finding {number}: {result.text}")
        self._tell_plan()

    def _contact_moved(self, name: str, active: bool) -> None:
        """In gpiozero's thread: a contact or switch at the pool side."""
        if name in ("emergency_stop", "enable"):
            self.supervisor.wake()
            return
        if name == "off" and active:
            self.supervisor.request_stop()
        if active and self._loop is not None:
            self._loop.call_soon_threadsafe(self._switch, name)

    def _switch(self, name: str) -> None:
        if name not in get_args(m.SwitchName):
            return
        taken = self.server.send_switch(m.SwitchPressed(name=name, t_s=self._clock.now()))  # type: ignore[arg-type]
        if name == "keep" and not taken:
            try:
                self.keep(m.Keep())
            except InputError as error:
                self.event("caution", "not kept", f"Not kept: {error}.")

    def _selected(self, electrode: Any, at_s: float | None) -> None:
        """In the messenger's thread: the board switches at `at_s`."""
        if self._loop is not None and at_s is not None:
            self._loop.call_soon_threadsafe(
                lambda: (
                    self._set_source(SourceNow(True, at_s, electrode, None))
                    if self.detection.source.energised
                    else None
                )
            )
        self._nudge()

    def _move(self, place: Station) -> None:
        assert self.visit is not None
        self.visit.place = place
        if self.wiring.on_move is not None:
            self.wiring.on_move(place)
        # What was read on the way belongs to no place.
        self._moved_s = self._clock.now()
        self._changed.set()

    def keep(self, wish: m.Keep, channel: int = 0) -> m.Kept:
        """Keep the newest reading, durably, and tell everybody. Raises InputError with the reason."""
        if self.visit is None:
            raise InputError("no survey is open, so there is nowhere to keep that; start the daemon with a pool")
        reading = self.detection.latest.get(channel)
        now_s = self._clock.now()
        window_s = 0.0 if reading is None else reading.window_s or 0.0
        if reading is None or now_s - reading.t_s > window_s + 1.0:
            raise InputError("there is no fresh reading to keep; is the source on and the pair in the water?")
        if reading.t_s - window_s / 2 < self._moved_s:
            raise InputError("the pole has only just come here; hold it still for a moment and keep again")
        record = self.visit.keep(
            wish.place,
            reading,
            source_id=reading.source_id,
            injected_A=reading.current_A,
            note=wish.note,
            purpose=wish.purpose,
            finding=wish.finding,
            test_leak=wish.test_leak,
            uid=wish.uid,
        )
        assert self.visit.place is not None
        kept = m.Kept(**msgspec.structs.asdict(record), place=self.visit.place)
        if self.recorder is not None:
            self.recorder.note({"kind": "kept", "t_s": reading.t_s, "row": kept.row, "station": kept.station})
        if self.wiring.ear is not None:
            self.wiring.ear.alert("kept")
        self.publish(kept)
        self._changed.set()
        if kept.purpose == "survey":
            self.request_search()
        return kept

    # ---- searching ----------------------------------------------------------------------------------------------

    def request_search(self) -> None:
        """Search for sinks once no more readings come; at most one at a time, no request is forgotten."""
        if self.visit is None:
            return
        self._search_due_s = self._clock.now() + SEARCH_AFTER_S
        if self._searching is not None and not self._searching.done():
            self._search_again = True
            return
        self._searching = asyncio.get_running_loop().create_task(self._search())

    async def _search(self) -> None:
        assert self.visit is not None
        while True:
            # Three directions and two electrodes at a station are one piece of news.
            while (left_s := self._search_due_s - self._clock.now()) > 0:
                await self._pause(left_s)
            self._search_again = False
            search = Search(*self.visit.search_input())
            try:
                result = await self._worker.run(search)
            except InputError as error:
                self.event("caution", "search", f"No search for sinks: {error}.")
                return
            except Exception:
                log.exception("the search for sinks failed")
                self.event("caution", "search", "The search for sinks failed inside; readings are kept.", "Report it.")
                return
            self.visit.adopt(result)
            self._tell_plan()
            if not self._search_again:
                return

    async def search_done(self) -> None:
        """Wait until everything kept has been searched; what is waiting for more readings starts at once."""
        self._search_due_s = self._clock.now()
        while self._searching is not None and not self._searching.done():
            await asyncio.wait([self._searching])

    def _tell_plan(self) -> None:
        if self.visit is not None:
            self.publish(self.plan())
            self.publish(self.steps())
            self._changed.set()

    def plan(self) -> m.Plan:
        assert self.visit is not None
        return build_plan(self.visit, self.wiring.wall_s)

    def steps(self) -> m.Steps:
        assert self.visit is not None
        stray = self.supervisor.stray
        instrument = Instrument(
            stray_passed=None if stray is None else stray.passed,
            healthy=self.wiring.board.status.ok and self.wiring.receiver.status.ok,
            stated_clear=self._stated_clear(),
        )
        return m.Steps(steps=self.visit.steps(instrument))

    def _stated_clear(self) -> bool:
        return (self.supervisor.view().water_clear_left_s or 0.0) > 0.0
