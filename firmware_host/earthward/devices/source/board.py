"""What the link knows of the board at the other end, and what happened to it. No port, no thread."""

from __future__ import annotations

import zlib

import msgspec

from earthward.devices.protocol import (
    Configuration,
    Electrode,
    EventBody,
    EventCode,
    FrameError,
    Identity,
)
from earthward.devices.source.identity import firmware, reset_cause, why_refuse
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.event import Event, Severity
from earthward.safety import causes


class KnownBoard:
    """Not thread-safe: the link calls it under its lock. `take_...` return the events that follow.

    identity, report: None while nobody has answered. configuration: what the board accepted last, None after a restart
    or reconnect. refusal: why it must not be armed.
    """

    def __init__(self, expect_emulated: bool | None) -> None:
        self._expect_emulated = expect_emulated
        self.identity: Identity | None = None
        self.identity_crc = 0
        self.configuration: Configuration | None = None
        self.report: BoardReport | None = None
        self.refusal = ""
        self.restarts = 0
        self.dropped_frames = 0
        """Frames that the board itself had to drop."""
        self._boot_seen: int | None = None
        self._last_state: tuple[BoardState, Trip] | None = None

    @property
    def live(self) -> bool:
        """Armed or energised, by its last word."""
        return self.report is not None and self.report.state in (BoardState.ARMED, BoardState.ENERGISED)

    def cable_closed(self) -> None:
        self.identity = None
        self.configuration = None

    def cable_lost(self) -> None:
        self._last_state = None

    def take_identity(self, body: bytes, now: float, *, booted: bool) -> tuple[bool, list[Event]]:
        """booted: it says so unasked. Returns whether it restarted, and events. FrameError if it is none."""
        identity = Identity.unpack(body)
        first = self.identity is None
        other_boot = self._boot_seen is not None and identity.boot_count != self._boot_seen
        restarted = other_boot or (booted and not first)
        self._boot_seen = identity.boot_count
        self.identity = identity
        self.identity_crc = zlib.crc32(body)
        self.refusal = why_refuse(identity, self._expect_emulated)
        events = []
        if restarted:
            self.restarts += 1
            self.configuration = self.report = self._last_state = None
            text = f"The source board restarted by itself ({reset_cause(identity.reset_cause)}); its output is off."
            remedy = "Check its battery and connections; configure and arm it again when ready."
            events.append(Event(t_s=now, severity="alarm", code="board-restarted", text=text, remedy=remedy))
        if first:
            kind = "emulated source board" if identity.emulated else "source board"
            text = f"Connected to the {kind}, firmware {firmware(identity)}."
            events.append(Event(t_s=now, severity="info", code="link-up", text=text))
        if self.refusal and (first or restarted):
            remedy = "Do not use this board; flash the right firmware."
            events.append(Event(t_s=now, severity="alarm", code="identity-refused", text=self.refusal, remedy=remedy))
        return restarted, events

    def take_report(self, report: BoardReport) -> list[Event]:
        known = 0 if self.report is None else self.report.bad_frames
        self.dropped_frames += (report.bad_frames - known) & 0xFF
        self.report = report
        # The first report after a break tells news only if it tells of a trip.
        silent = self._last_state is None and report.state is not BoardState.TRIPPED
        return self._note_state(report.state, report.trip, report.received_s, silent=silent)

    def take_event(self, body: EventBody, now: float) -> list[Event]:
        """FrameError if a code is none of the protocol's."""
        try:
            event, state, trip = EventCode(body.event), BoardState(body.state), Trip(body.trip)
        except ValueError as error:
            raise FrameError(f"event with an unknown code: {error}") from error
        if event in (EventCode.STATE_CHANGED, EventCode.TRIPPED):
            if self.report is not None:
                self.report = msgspec.structs.replace(self.report, state=state, trip=trip)
            return self._note_state(state, trip, now)
        if event is EventCode.RESET_BUTTON:
            text = "The source board's reset button was pressed."
            return [Event(t_s=now, severity="info", code="reset-button", text=text)]
        name = "A" if body.electrode == Electrode.A else "B"
        text = f"The current now goes in at injection electrode {name}."
        return [Event(t_s=now, severity="info", code="electrode", text=text)]

    def _note_state(self, state: BoardState, trip: Trip, now: float, *, silent: bool = False) -> list[Event]:
        before, self._last_state = self._last_state, (state, trip)
        if silent or before == (state, trip):
            return []
        if state is not BoardState.TRIPPED:
            word = state.name.lower()
            return [Event(t_s=now, severity="info", code=f"source-{word}", text=f"The source board is {word}.")]
        cause = causes.board_trip(trip)
        code = f"trip-{trip.name.lower().replace('_', '-')}"
        severity: Severity = "info" if trip is Trip.ENABLE_RELEASED else "alarm"
        return [Event(t_s=now, severity=severity, code=code, text=cause.cause, remedy=cause.remedy)]
