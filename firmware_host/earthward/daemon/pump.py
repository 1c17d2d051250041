"""What interlock, board and converter have to say, carried into the loop: events, and what follows from them."""

from __future__ import annotations

from collections.abc import Callable

from earthward.daemon.limiter import EventLimiter
from earthward.daemon.parts import Wiring
from earthward.daemon.supervisor import Supervisor
from earthward.daemon.telling import Teller
from earthward.daemon.visiting import Visiting
from earthward.record.event import Event, Severity

#: A correction of less than this is none worth telling.
CALENDAR_STEP_S = 2.0
HEAD_REMEDY = "Readings are kept all the same; what the sensor does not tell counts as held by eye."


class Pump:
    """`work` in the loop's thread, often. The interlock's events are all told; those of devices are limited in rate."""

    def __init__(
        self,
        wiring: Wiring,
        supervisor: Supervisor,
        teller: Teller,
        visiting: Visiting | None,
        changed: Callable[[], None],
    ) -> None:
        self._wiring = wiring
        self._supervisor = supervisor
        self._teller = teller
        self._visiting = visiting
        self._changed = changed
        self._limiter = EventLimiter()
        self._receiver_ok: bool | None = None
        self._sensor_text = {"head sensor": "", "depth sensor": ""}
        self._stated_clear = False
        self._recording_ok = True
        self._wall_s = wiring.wall_s()

    def work(self) -> None:
        for event in self._supervisor.drain_events():
            self._teller.event(event.severity, event.code, event.text, event.remedy, event.t_s)
        for link_event in self._wiring.board.drain_events():
            self._link_event(link_event)
        self._look_at_receiver()
        self._look_at_sensors()
        self._look_at_recording()
        for kind, held in self._limiter.counts(self._wiring.clock.now()):
            self._teller.event(
                "caution", kind, f"The same ({kind}) was said {held} times more, and not told each time."
            )
        self._look_at_calendar()
        clear = self._supervisor.stated_clear
        if clear != self._stated_clear:
            self._stated_clear = clear
            if self._visiting is not None:
                self._visiting.tell_steps()

    def _look_at_calendar(self) -> None:
        """A calendar set back while we run: the record's times then run twice through the same hours."""
        now_s, before_s = self._wiring.wall_s(), self._wall_s
        self._wall_s = now_s
        if now_s < before_s - CALENDAR_STEP_S:
            text = (
                f"The calendar was set back by {before_s - now_s:.0f} s. The record's order is kept, its times repeat."
            )
            self._device_event("caution", "clock set back", text)

    def _link_event(self, event: Event) -> None:
        if event.code == "reset-button":
            self._supervisor.reset_pressed()
        if event.code.startswith("trip-"):
            return  # the interlock tells it, in the same words
        if self._device_event(event.severity, event.code, event.text, event.remedy, event.t_s):
            self._changed()

    def _device_event(
        self, severity: Severity, code: str, text: str, remedy: str = "", t_s: float | None = None
    ) -> bool:
        """True if it was told."""
        told = self._limiter.allow(code, self._wiring.clock.now())
        if told:
            self._teller.event(severity, code, text, remedy, t_s)
        return told

    def _look_at_receiver(self) -> None:
        status = self._wiring.receiver.status
        if status.ok == self._receiver_ok or status.starting:
            return
        if not status.ok:
            self._device_event("alarm", "receiver", status.text, "Check the receiver's plug and wires.")
        elif self._receiver_ok is False:
            self._device_event("info", "receiver", "The receiver samples again.")
        self._receiver_ok = status.ok
        self._changed()

    def _look_at_sensors(self) -> None:
        """What is the matter with the sensors in the head, each time that it is something else."""
        parts = (
            ("head sensor", self._wiring.head, "The orientation sensor tells lean and bearing."),
            ("depth sensor", self._wiring.depth, "The depth sensor tells how deep the head is."),
        )
        for code, sense, well in parts:
            text = "" if sense is None else sense.text
            if text == self._sensor_text[code]:
                continue
            self._sensor_text[code] = text
            if text:
                self._device_event("caution", code, text, HEAD_REMEDY)
            else:
                self._device_event("info", code, well)
            self._changed()

    def _look_at_recording(self) -> None:
        recorder = self._teller.recorder
        ok = recorder is None or not recorder.problem
        if ok == self._recording_ok:
            return
        self._recording_ok = ok
        if recorder is not None and not ok:
            text = f"{recorder.problem[:1].upper()}{recorder.problem[1:]}. The survey goes on."
            self._device_event("caution", "recording", text)
        else:
            self._device_event("info", "recording", "The recording goes on.")
        self._changed()
