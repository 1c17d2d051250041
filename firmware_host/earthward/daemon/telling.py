"""What is told: messages to clients, events to everybody and into the record. Telling never raises and never waits."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from typing import Any

from earthward.daemon import protocol as m
from earthward.daemon.clerk import Clerk
from earthward.daemon.parts import Wiring
from earthward.daemon.phone import PhonePage
from earthward.daemon.recorder import Recorder
from earthward.daemon.server import ClientServer
from earthward.record.event import Severity
from earthward.survey.visit import Visit

log = logging.getLogger(__name__)

#: More events than this are not waited with while the record cannot be written; the log and the recording have them.
MOST_UNWRITTEN = 1000
_LEVELS: dict[Severity, int] = {"info": logging.INFO, "caution": logging.WARNING, "alarm": logging.ERROR}


class Teller:
    """`publish` and `event`, in the loop's thread."""

    def __init__(
        self, wiring: Wiring, server: ClientServer, phone: PhonePage | None, clerk: Clerk, visit: Visit | None
    ) -> None:
        self._wiring = wiring
        self._server = server
        self._phone = phone
        self._clerk = clerk
        self._visit = visit
        self._number = 0
        self.loop: asyncio.AbstractEventLoop | None = None
        self._record_fails = False
        #: Events that the record could not take; they follow when it can.
        self._unwritten: deque[m.EventMessage] = deque(maxlen=MOST_UNWRITTEN)
        self.recorder: Recorder | None = None
        #: The newest of each kind that is worth asking for again.
        self.newest: dict[type[m.Message], m.Message] = {}
        #: Everybody inside the process who wants to see what clients see (tests, the scripted technician).
        self.listeners: list[Callable[[m.Message], None]] = []

    def publish(self, message: m.Message) -> None:
        """To every client, without waiting for any."""
        if isinstance(message, (m.State, m.Plan, m.Steps)):
            self.newest[type(message)] = message
        self._server.publish(message)
        if self._phone is not None:
            self._phone.publish(message)
        for listener in self.listeners:
            listener(message)

    def event(self, severity: Severity, code: str, text: str, remedy: str = "", t_s: float | None = None) -> None:
        """Something happened: told and recorded. A record that cannot be written is itself told, once."""
        self._number += 1
        at_s = self._wiring.clock.now() if t_s is None else t_s
        message = m.EventMessage(
            number=self._number,
            t_s=at_s,
            time_s=self._wiring.wall_s(),
            severity=severity,
            code=code,
            text=text,
            remedy=remedy,
        )
        log.log(_LEVELS.get(severity, logging.ERROR), "%s %s", text, remedy)
        self._safely(self.publish, message)
        self._safely(self._alert, severity)
        self.note({"kind": "event", "t_s": at_s, "severity": severity, "code": code, "text": text})
        self._write_down(message)

    def _write_down(self, event: m.EventMessage) -> None:
        if self._visit is None:
            return
        store = self._visit.store

        def write() -> None:
            store.add_event(event.severity, event.code, event.text, event.remedy, event.time_s)

        def failed(error: Exception) -> None:
            self._unwritten.append(event)
            self.record_failed(error)

        self._clerk.put(write, self._recorded, failed)

    def note(self, content: dict[str, Any]) -> None:
        """A line in the recording, if there is one."""
        if self.recorder is not None:
            self.recorder.note(content)

    def record_failed(self, error: Exception) -> None:
        """The survey's record could not be written: told once, until it can be written again. What the database says
        of one trouble may change from try to try, so the words do not count."""
        if self._record_fails:
            return
        self._record_fails, text = True, f"{error}"
        log.error("the survey's record: %s", text, exc_info=error)
        self.event(
            "alarm", "record", f"Not in the survey's record: {text.rstrip('.')}.", "Make room, or check the card."
        )

    def _recorded(self, _: object) -> None:
        if not self._record_fails:
            return
        self._record_fails = False
        unwritten = list(self._unwritten)
        self._unwritten.clear()
        for event in unwritten:
            self._write_down(event)
        self.event("info", "record", "The survey's record can be written again.")

    def _alert(self, severity: Severity) -> None:
        if self._wiring.ear is not None and severity != "info":
            self._wiring.ear.alert("alarm" if severity == "alarm" else "caution")

    def _safely(self, work: Callable[..., None], *arguments: Any) -> None:
        """An event must never take anything down: it may be telling of the output that has to go off."""
        try:
            work(*arguments)
        except Exception:
            log.exception("an event could not be told to all")
