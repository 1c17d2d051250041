"""What clients and pool-side switches ask for. Nothing here energises the source: no message says so."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Any, get_args

from earthward.daemon import protocol as m
from earthward.daemon.clerk import Clerk
from earthward.daemon.detection import Detection
from earthward.daemon.flight import Flight
from earthward.daemon.parts import HeadSense, Wiring
from earthward.daemon.person import Person
from earthward.daemon.server import ClientServer
from earthward.daemon.source import SourceFollower
from earthward.daemon.source_off import SourceOffMonitor
from earthward.daemon.supervisor import Supervisor
from earthward.daemon.telling import Teller
from earthward.daemon.visiting import Reply, Visiting, problem
from earthward.errors import InputError
from earthward.record.bench import BenchStepName
from earthward.record.board import ElectrodeName
from earthward.survey.by_hand import undecided

log = logging.getLogger(__name__)

#: What is done on record is done in order; with more than this waiting, a further wish is refused.
MOST_WAITING = 200
_KINDS: dict[str, type[m.Message]] = {"state": m.State, "plan": m.Plan, "steps": m.Steps}


class Requests:
    """In the loop's thread. `reply` is called exactly once for each request, now or when it is done."""

    def __init__(
        self,
        wiring: Wiring,
        supervisor: Supervisor,
        detection: Detection,
        source_off: SourceOffMonitor,
        follower: SourceFollower,
        server: ClientServer,
        teller: Teller,
        clerk: Clerk,
        visiting: Visiting | None,
        state: Callable[[], m.State],
        flight: Flight,
        changed: Callable[[], None],
        person: Person | None = None,
    ) -> None:
        self._wiring = wiring
        self._supervisor = supervisor
        self._detection = detection
        self._source_off = source_off
        self._follower = follower
        self._server = server
        self._teller = teller
        self._clerk = clerk
        self._visiting = visiting
        self._state = state
        self._flight = flight
        self._changed = changed
        self._person = person
        self._remeasuring: set[asyncio.Task[None]] = set()

    def handle(self, message: m.FromClient, reply: Reply) -> None:
        """Carry out what a client asked for, or say in one sentence why not."""
        try:
            # Whether the source is off is judged by what the board said last, and not by the last turn of the loop.
            self._follower.look()
            if not self._at_once(message, reply):
                self._on_record(message, reply)
        except InputError as error:
            reply([problem(error)])
        except Exception as error:
            # A defect in one request must not cost the client its connection, nor be hidden.
            log.exception("a client's %s could not be carried out", type(message).__name__)
            reply([problem(error)])

    def _at_once(self, message: m.FromClient, reply: Reply) -> bool:
        """What needs no record. False: it is none of these."""
        match message:
            case m.SourceOff():
                self._supervisor.request_stop()
            case m.WaterClear(by=by):
                self._supervisor.state_water_clear(by)
            case m.SelectElectrode(electrode=electrode):
                self._supervisor.select(electrode, self.selected)
            case m.SetSound(volume=volume, dead_band_sigma=band, zoom=zoom):
                if self._wiring.ear is not None:
                    self._wiring.ear.set(volume, band, zoom)
            case m.ScanBand():
                if self._detection.source.energised:
                    raise InputError("a band scan needs the source off: switch it off first")
                self._source_off.scan_wanted = True
            case m.StrayTurn():
                if self._detection.source.energised:
                    raise InputError("the stray-voltage check needs the source off: let go of the enable first")
                self._source_off.turns.press(self._wiring.clock.now())
            case m.Plumb():
                self._head().plumb()
                self._changed()
            case m.AtSurface():
                if self._wiring.depth is None:
                    raise InputError("there is no depth sensor in the head (configuration: [depth])")
                self._wiring.depth.at_surface()
                self._teller.event("info", "depth zero", "Head at the surface: depths count from here.")
                self._changed()
            case m.AtWall(bearing_deg=bearing):
                self._at_wall(bearing)
            case m.BenchStep(step=step, applied_V=applied_V):
                self._bench_step(step, applied_V)
            case m.KeepTail():
                self._flight.keep_tail()
            case m.KeepFlight():
                self._flight.keep()
            case m.Ask(what=what):
                known = self._teller.newest.get(_KINDS[what])
                if known is None and what != "state":
                    return False
                reply([self._state() if known is None else known])
                return True
            case _:
                return False
        reply([])
        return True

    def _head(self) -> HeadSense:
        if self._wiring.head is None:
            raise InputError("there is no orientation sensor in the head (configuration: [orientation])")
        return self._wiring.head

    def _at_wall(self, bearing_deg: float | None) -> None:
        head, place = self._head(), None if self._visiting is None else self._visiting.place
        if bearing_deg is None:
            if self._visiting is None or place is None:
                raise InputError("where the pole is has not been said, so the wall is not known: choose a place first")
            bearing_deg = self._visiting.visit.wall_bearing_deg(place)
        head.at_wall(bearing_deg)
        self._teller.event("info", "at the wall", f"Head square to the wall in {bearing_deg:.0f} degrees.")
        self._changed()

    def _on_record(self, message: m.FromClient, reply: Reply) -> None:
        """What reads or writes the survey's record: done by the clerk, in order. Raises InputError."""
        visiting = self._visiting
        if visiting is None:
            raise InputError("no survey is open, so there is nowhere to keep that; start the daemon with a pool")
        if self._clerk.waiting > MOST_WAITING:
            raise InputError("the survey's record has not caught up with earlier requests; try again in a moment")
        visit = visiting.visit
        if self._person is not None:
            if self._person.handle(message, reply):
                return
            reply = self._person.watch(message, reply)
        match message:
            case m.Ask(what="steps"):
                self._do(visiting.build_steps, reply, lambda steps: reply([steps]))
            case m.Ask():
                self._do(visiting.build_plan, reply, lambda plan: reply([plan]))
            case m.MoveTo(place=place):
                visiting.move(place)
                self._changed()
                reply([])
            case m.Keep():
                visiting.keep(message, self._detection.latest, reply)
            case m.Withdraw(row=row, why=why):

                def taken_back(_: None) -> None:
                    self._teller.event("info", "withdrawn", f"Reading {row} is taken back: {why.strip()}.")
                    visiting.tell_plan()
                    visiting.searching.request()
                    reply([])

                self._do(lambda: visit.withdraw(row, why), reply, taken_back)
            case m.AddPhoto():
                self._do(lambda: visiting.add_photo(message), reply)
            case m.TestLeak(distance_m=distance):

                def judged(test: object) -> None:
                    ok, text = getattr(test, "ok", False), getattr(test, "text", "")
                    self._teller.event("info" if ok else "caution", "test leak", text)
                    visiting.tell_plan()
                    reply([])

                self._do(lambda: visit.judge_test_leak(distance), reply, judged)
            case m.SetStage(finding=number, stage="re-measured", note=note):
                task = asyncio.get_running_loop().create_task(self._remeasure(visiting, number, note))
                self._remeasuring.add(task)
                task.add_done_callback(self._remeasuring.discard)
                reply([])
            case m.SetStage(finding=number, stage=stage, note=note):

                def staged(_: None) -> None:
                    if stage == "repaired":
                        self._follower.currents.done("patch", finding=number)
                    # The answer first: what is to be read again is looked up before the plan speaks of the repair.
                    reply([])
                    visiting.tell_plan()

                self._do(lambda: visit.set_stage(number, stage, note), reply, staged)
            case m.SetCovered(fitting=fitting, covered=covered, coverable=coverable):

                def covered_now(_: None) -> None:
                    if coverable:
                        self._follower.currents.done("cover" if covered else "uncover", fitting=fitting)
                    visiting.tell_plan()
                    reply([])

                self._do(lambda: visit.set_covered(fitting, covered, coverable), reply, covered_now)
            case m.StepDone(key=key, note=note):

                def marked(_: None) -> None:
                    visiting.tell_steps()
                    reply([])

                self._do(lambda: visit.step_done(key, note), reply, marked)
            case m.Note(text=text):
                self._do(lambda: visit.store.add_note(text), reply)
            case _:
                raise InputError("this daemon has no use for that message")

    def _bench_step(self, step: BenchStepName, applied_V: float | None) -> None:
        """A note in the recording, so that `earthward bench pair` knows what was joined to the plug when."""
        if self._teller.recorder is None:
            raise InputError("nothing is being recorded: set service.record to true in the configuration")
        if (step == "divider") != (applied_V is not None):
            raise InputError("the step divider, and no other, is told with the volts that the divider applies")
        if applied_V is not None and not 0.0 < abs(applied_V) < 1.0:
            raise InputError(f"a divider of {applied_V:g} V cannot be read: give volts at the plug, some 0.1")
        told: dict[str, Any] = {"kind": "bench", "t_s": self._wiring.clock.now(), "step": step}
        if step == "drive":
            told["electrode"] = self._detection.source.electrode
        self._teller.note(told if applied_V is None else told | {"applied_V": applied_V})

    def _do(self, work: Callable[[], Any], reply: Reply, done: Callable[[Any], None] | None = None) -> None:
        def failed(error: Exception) -> None:
            if not isinstance(error, InputError):
                log.error("a client's request failed inside", exc_info=error)
            reply([problem(error)])

        self._clerk.put(work, done or (lambda _: reply([])), failed)

    async def _remeasure(self, visiting: Visiting, number: int, note: str) -> None:
        """The comparison before and after the repair becomes part of the finding's history."""
        visit = visiting.visit
        try:
            result = await asyncio.to_thread(visit.remeasure, number)
            text = f"{result.text} {note}".strip()
            if result.outcome == "cannot tell" and await self._clerk.ask(lambda: undecided(visit, number)):
                text = f"Finding {number}: {result.text}"
                self._teller.event("caution", "re-measure", text, "Read the spots that are asked for, then compare.")
                visiting.tell_plan()
                return
            await self._clerk.ask(lambda: visit.set_stage(number, "re-measured", text, result.as_dict()))
        except InputError as error:
            self._teller.event("caution", "re-measure", f"Finding {number} is not re-measured: {error}.")
            return
        except Exception:
            log.exception("re-measuring finding %d failed", number)
            self._teller.event("caution", "re-measure", f"Re-measuring finding {number} failed inside.", "Report it.")
            return
        good = result.outcome == "gone"
        self._teller.event("info" if good else "caution", "re-measure", f"Finding {number}: {result.text}")
        visiting.tell_plan()

    # ---- switches ---------------------------------------------------------------------------------------------

    def contact_moved(self, loop: asyncio.AbstractEventLoop | None, name: str, active: bool) -> None:
        """In gpiozero's thread: a contact or switch at the pool side."""
        if name in ("emergency_stop", "enable"):
            self._supervisor.wake()
            return
        if name == "off" and active:
            self._supervisor.request_stop()
        if active and loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._switch, name)

    def _switch(self, name: str) -> None:
        if name not in get_args(m.SwitchName):
            return
        pressed = m.SwitchPressed(name=name, t_s=self._wiring.clock.now())  # type: ignore[arg-type]
        if name == "keep" and not self._server.send_switch(pressed):
            self.handle(m.Keep(), self._keep_refused)
        elif name != "keep":
            self._server.send_switch(pressed)

    def _keep_refused(self, replies: list[m.Message]) -> None:
        for reply in replies:
            if isinstance(reply, m.Problem):
                self._teller.event("caution", "not kept", f"Not kept: {reply.text}")

    def selected(self, electrode: ElectrodeName, at_s: float | None) -> None:
        """In the messenger's thread: the board switches at `at_s`."""
        loop = self._teller.loop
        if loop is not None and at_s is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._follower.switched, electrode, at_s)
