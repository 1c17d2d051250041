"""The interlock: a pure state machine between a hand at the pool side and the source's output.

    off -> checking -> ready -> energised -> off        (the hand lets go, or somebody asks for off)
                                    |
     any state  ------------> tripped (latched until a local reset)

`off`: nothing asked for. `checking`: the enable is held; every permissive must hold for a while. `ready`: all
hold; beacon and sound warn. `energised`: the board was told to switch on. `tripped`: something failed.

The third layer only: the output stage's hardware and the board's firmware hold without it. What it adds is
that nobody switches on by mistake, and that the cause of every stop is named.

Rules that the tests hold it to:
- output only in `energised`, and only while every permissive holds;
- `energised` is entered from `ready` alone, after `warning_s` of beacon and sound; `ready` from `checking` alone;
- the enable must have been seen released since the output last went off, so that no stuck contact, restart or
  renewed statement switches on by itself;
- `tripped` is left by a local reset only, to `off` only;
- no input can ask for the output: clients have a stop and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from msgspec import Struct
from msgspec.structs import replace

from earthward.record.board import BoardState, Trip
from earthward.record.event import Event, Severity
from earthward.safety import causes
from earthward.safety.limits import Limits
from earthward.safety.permissives import (
    CONTACT_SKEW_S,
    OFF_CONFIRM_S,
    SETTLE_S,
    BoardView,
    Inputs,
    Permissive,
    Phase,
    StateName,
    evaluate,
    fresh,
)

#: A reset press waits so long for the last conditions to come good (the board's report may be a moment late).
RESET_WINDOW_S = 2.0


class Action(Enum):
    """What the machine wants done now, in this order. OUTPUT_ON means: configure, arm, energise the board."""

    OUTPUT_OFF = "output off"
    HEARTBEAT_STOP = "heartbeat stop"
    HEARTBEAT_GO = "heartbeat go"
    BEACON_ON = "beacon on"
    BEACON_OFF = "beacon off"
    SOUND_WARNING = "sound warning"
    SOUND_LIVE = "sound live"
    SOUND_ALARM = "sound alarm"
    SOUND_OFF = "sound off"
    OUTPUT_ON = "output on"


class Latched(Struct, frozen=True):
    """Why it is latched. `also` are causes that came to light afterwards."""

    t_s: float
    code: str
    cause: str
    remedy: str
    also: tuple[str, ...] = ()


class InterlockState(Struct, frozen=True):
    """All the machine remembers. Make the first one with `Interlock.initial`."""

    name: StateName
    since_s: float
    last_s: float
    #: the enable has been seen released since the output last went off
    released: bool = False
    #: in `checking`: since when every permissive has held without a break
    good_since_s: float | None = None
    #: in `energised`: the board has reported itself on
    confirmed: bool = False
    trip: Latched | None = None
    #: why the output last went off without a trip
    stop_code: str = ""
    stop_text: str = ""
    boot: int | None = None
    restarts: int | None = None
    reset_was_pressed: bool = False
    reset_s: float | None = None
    #: when the board was last told to switch off; None once it has confirmed
    off_asked_s: float | None = None
    heartbeat: bool = True
    contacts_differ_since_s: float | None = None
    #: names of the permissives that were failing when last told
    told: tuple[str, ...] = ()

    @property
    def output(self) -> bool:
        """Whether the machine wants the source's output on."""
        return self.name == "energised"

    @property
    def beacon(self) -> bool:
        return self.name in ("ready", "energised") or self.off_asked_s is not None


@dataclass(frozen=True, slots=True)
class View:
    """What a screen shows of the interlock."""

    state: StateName
    since_s: float
    text: str
    warning_left_s: float
    permissives: tuple[Permissive, ...]
    trip: Latched | None
    water_clear_left_s: float | None
    stop_code: str


_SOUNDS = {
    "off": Action.SOUND_OFF,
    "checking": Action.SOUND_OFF,
    "ready": Action.SOUND_WARNING,
    "energised": Action.SOUND_LIVE,
    "tripped": Action.SOUND_ALARM,
}


class Interlock:
    """Holds the limits and nothing else: every `step` is a function of its arguments."""

    def __init__(self, limits: Limits | None = None) -> None:
        self.limits = limits if limits is not None else Limits()

    def initial(self, now_s: float) -> InterlockState:
        """Off, having seen nothing yet: an enable that is already held must be released first."""
        return InterlockState("off", now_s, now_s)

    def permissives(self, state: InterlockState, inputs: Inputs, now_s: float) -> tuple[Permissive, ...]:
        return evaluate(inputs, self.limits, Phase(state.name, state.since_s, state.confirmed), now_s)

    def step(
        self, state: InterlockState, inputs: Inputs, now_s: float
    ) -> tuple[InterlockState, list[Action], list[Event]]:
        """One step. Call it at least five times a second and at once when an input changes.

        Returns the next state, what to do now (changes only, except that OUTPUT_OFF is repeated until the
        board has confirmed it), and what to record.
        """
        events: list[Event] = []
        new = self._observe(state, inputs, now_s, events)
        checks = self.permissives(new, inputs, now_s)
        new = self._transition(new, inputs, checks, now_s, events)
        new = self._watch_off(new, inputs, now_s, events)
        new = _tell(new, checks, now_s, events)
        return replace(new, last_s=now_s), _actions(state, new), events

    # -- what is true in every state ------------------------------------------------------------------------

    def _observe(self, state: InterlockState, inputs: Inputs, now_s: float, events: list[Event]) -> InterlockState:
        """Things that trip, or are noted, whatever the state."""
        board = inputs.board
        new = state
        if now_s < state.last_s:
            new = _trip(new, causes.HOST_TRIPS["clock ran back"], now_s, events)
        elif now_s - state.last_s > self.limits.step_gap_s:
            if state.name == "energised":
                new = _trip(new, causes.HOST_TRIPS["host stalled"], now_s, events)
            elif state.name in ("checking", "ready"):
                text = "The service stood still: checking starts again."
                events.append(_event(now_s, "caution", "host stalled", text))
                new = _enter(new, "checking", now_s)
        boot = (
            None if board is None else board.boot
        )  # None: nobody known at the other end, the link's permissive says so
        known = boot if boot is not None else new.boot
        counted = new.restarts is not None and inputs.restarts != new.restarts
        if counted or (new.boot is not None and known != new.boot):
            if state.name == "off":
                events.append(_event(now_s, "info", "board restarted", "The source board restarted while off."))
            else:
                new = _trip(new, causes.HOST_TRIPS["board restarted"], now_s, events)
        # A restart that the link has counted explains the new number that comes with the next report.
        new = replace(new, boot=None if counted and boot in (None, new.boot) else known, restarts=inputs.restarts)
        if board is not None:
            if board.report.trip not in (Trip.NONE, Trip.ENABLE_RELEASED):
                new = _trip(new, causes.board_trip(board.report.trip), now_s, events)
            seen = fresh(board.report.received_s, self.limits.link_age_s, now_s)
            if seen and not board.report.enable_held and inputs.enable_second_held is not True:
                new = replace(new, released=True)
            new = self._contacts(new, inputs, board, now_s, events)
        # A press that comes with the trip, or before it, was not meant for it: nobody had seen the trip.
        pressed = inputs.reset_pressed and not new.reset_was_pressed and state.name == "tripped"
        return replace(new, reset_was_pressed=inputs.reset_pressed, reset_s=now_s if pressed else new.reset_s)

    def _contacts(
        self, state: InterlockState, inputs: Inputs, board: BoardView, now_s: float, events: list[Event]
    ) -> InterlockState:
        """Two contacts on one hand or stop that disagree for longer than they need to move: one is stuck."""
        enable, stop = inputs.enable_second_held, inputs.emergency_stop_second_closed
        differ = (enable is not None and enable != board.report.enable_held) or (
            stop is not None and stop != board.report.emergency_stop_closed
        )
        if not differ or not fresh(board.report.received_s, self.limits.link_age_s, now_s):
            return replace(state, contacts_differ_since_s=None)
        if state.contacts_differ_since_s is None:
            return replace(state, contacts_differ_since_s=now_s)
        # Counted to the board's newest report: its view may be a moment older than the host's own contact.
        if board.report.received_s - state.contacts_differ_since_s > CONTACT_SKEW_S:
            which = "enable" if enable is not None and enable != board.report.enable_held else "emergency stop"
            cause = causes.Cause(
                f"{which} contacts disagree",
                f"The two contacts of the {which} disagree: one is stuck or its wire is broken.",
                f"Repair switch or cable before going on. {causes.PRESS}",
            )
            if state.trip is not None and state.trip.code == "emergency stop" and which == "emergency stop":
                # Only one of its contacts moved: that is what must be repaired, so that is what is shown.
                events.append(_event(now_s, "alarm", cause.code, cause.cause, cause.remedy))
                also = (state.trip.cause, *state.trip.also)
                return replace(state, trip=Latched(state.trip.t_s, cause.code, cause.cause, cause.remedy, also))
            return _trip(state, cause, now_s, events)
        return state

    # -- the states -----------------------------------------------------------------------------------------

    def _transition(
        self,
        state: InterlockState,
        inputs: Inputs,
        checks: tuple[Permissive, ...],
        now_s: float,
        events: list[Event],
    ) -> InterlockState:
        if state.name == "tripped":
            return self._reset(state, inputs, now_s, events)
        failing = [check for check in checks if not check.ok]
        if state.name == "energised":
            return self._energised(state, inputs, failing, now_s, events)
        for check in failing:
            if check.code in ("unasked output", "current while off") and _known_off(state, inputs):
                return _trip(state, causes.HOST_TRIPS[check.code], now_s, events)
        held = next(check.ok for check in checks if check.name == "enable")
        if inputs.stop_requested and state.name != "off":
            return _stop(state, "stop asked for", "Switched off on request.", now_s, events)
        if state.name == "off":
            if inputs.stop_requested:
                # A hand that closes the enable in the same moment has to begin again.
                return replace(state, released=state.released and not held)
            if held and state.released:
                events.append(_event(now_s, "info", "checking", "Enable held: checking."))
                return _enter(state, "checking", now_s)
            return state
        if not held:
            return _stop(state, "released", "The enable was released.", now_s, events)
        if failing:
            if state.name == "ready":
                first = failing[0]
                events.append(
                    _event(now_s, "caution", first.code, f"{first.text} Checking starts again.", first.remedy)
                )
                return _enter(state, "checking", now_s)
            return replace(state, good_since_s=None)
        if state.name == "checking":
            good_since_s = now_s if state.good_since_s is None else state.good_since_s
            if now_s - good_since_s >= self.limits.checking_s:
                text = f"All conditions hold: warning for {self.limits.warning_s:g} s."
                events.append(_event(now_s, "info", "ready", text))
                return _enter(state, "ready", now_s)
            return replace(state, good_since_s=good_since_s)
        if now_s - state.since_s >= self.limits.warning_s:
            events.append(_event(now_s, "caution", "energised", "Source switched on: keep out of the water."))
            # From here on the enable must be seen released before another start.
            return replace(_enter(state, "energised", now_s), released=False, stop_code="", stop_text="")
        return state

    def _energised(
        self,
        state: InterlockState,
        inputs: Inputs,
        failing: list[Permissive],
        now_s: float,
        events: list[Event],
    ) -> InterlockState:
        board = inputs.board
        serious = [check for check in failing if check.on_loss == "trip"]
        if serious:
            first, *others = serious
            state = _trip(state, causes.Cause(first.code, first.text, first.remedy), now_s, events)
            for other in others:
                state = _trip(state, causes.Cause(other.code, other.text, other.remedy), now_s, events)
            return state
        if inputs.stop_requested:
            return _stop(state, "stop asked for", "Switched off on request.", now_s, events)
        if failing:
            released = any(check.code == "released" for check in failing)
            if released:
                return _stop(state, "released", "The enable was released: output off.", now_s, events)
            first = failing[0]
            return _stop(state, first.code, f"Output off. {first.text}", now_s, events, first.remedy)
        if now_s - state.since_s > self.limits.run_s:
            return _stop(
                state,
                "time for a pause",
                f"Output off after {self.limits.run_s / 60:g} minutes without a break.",
                now_s,
                events,
                "Let go of the enable once and hold it again: this shows that its contact is not stuck.",
            )
        if (
            board is not None
            and board.report.state is BoardState.ENERGISED
            and board.report.received_s >= state.since_s
        ):
            return replace(state, confirmed=True)
        return state

    def _reset(self, state: InterlockState, inputs: Inputs, now_s: float, events: list[Event]) -> InterlockState:
        if state.reset_s is None:
            return state
        problem = self._reset_problem(state, inputs, now_s)
        late = now_s - state.reset_s > RESET_WINDOW_S
        if not problem and not late:
            events.append(_event(now_s, "info", "reset", "Reset at the pool side."))
            return replace(_enter(state, "off", now_s), trip=None, reset_s=None, released=False)
        if late:
            why = problem or "the last condition came good too late; press again."
            events.append(_event(now_s, "caution", "reset refused", f"Not reset: {why}"))
            return replace(state, reset_s=None)
        return state

    def _reset_problem(self, state: InterlockState, inputs: Inputs, now_s: float) -> str:
        board = inputs.board
        if board is None or board.boot is None or not fresh(board.report.received_s, self.limits.link_age_s, now_s):
            return "the source board does not answer."
        if inputs.enable_second_held or board.report.enable_held:
            return "let go of the enable first."
        if inputs.emergency_stop_second_closed is False or not board.report.emergency_stop_closed:
            return "the emergency stop is open."
        if board.report.state in (BoardState.ENERGISED, BoardState.TRIPPED) or board.report.trip is not Trip.NONE:
            return "the source board is not off; press its own reset button."
        if state.contacts_differ_since_s is not None:
            return "two contacts disagree."
        return ""

    def _watch_off(self, state: InterlockState, inputs: Inputs, now_s: float, events: list[Event]) -> InterlockState:
        """After OUTPUT_OFF the board must say that it is off; until it does, repeat, then starve its dead-man."""
        board = inputs.board
        if state.name == "energised":
            return state
        if state.off_asked_s is None:
            if board is None or board.report.state is not BoardState.ENERGISED:
                return state
            # Left on by somebody else (a service that died a moment ago): ask for off before anything else.
            text = "The source board reports its output on: switching it off."
            events.append(_event(now_s, "caution", "found on", text))
            return replace(state, off_asked_s=now_s)
        if (
            board is not None
            and board.report.received_s > state.off_asked_s
            and board.report.state is not BoardState.ENERGISED
        ):
            return replace(state, off_asked_s=None, heartbeat=True)
        if now_s - state.off_asked_s <= OFF_CONFIRM_S:
            return state
        if board is not None and board.report.received_s > state.off_asked_s and state.name != "tripped":
            state = _trip(state, causes.HOST_TRIPS["unasked output"], now_s, events)
        if state.heartbeat:
            text = "The source board has not confirmed that it is off: its heartbeat is withheld."
            events.append(_event(now_s, "alarm", "off not confirmed", text, "Open the emergency stop."))
        return replace(state, heartbeat=False)

    # -- for people -----------------------------------------------------------------------------------------

    def view(self, state: InterlockState, inputs: Inputs, now_s: float) -> View:
        """What to show. Pure."""
        checks = self.permissives(state, inputs, now_s)
        warning_left = max(0.0, self.limits.warning_s - (now_s - state.since_s)) if state.name == "ready" else 0.0
        return View(
            state.name,
            state.since_s,
            self._text(state, checks, warning_left),
            warning_left,
            checks,
            state.trip,
            self.clear_left_s(inputs, now_s),
            state.stop_code,
        )

    def clear_left_s(self, inputs: Inputs, now_s: float) -> float | None:
        """How long the statement that the water is clear still holds; None: nobody has stated it."""
        if inputs.water_clear_s is None:
            return None
        return max(0.0, self.limits.water_clear_s - (now_s - inputs.water_clear_s))

    def _text(self, state: InterlockState, checks: tuple[Permissive, ...], warning_left_s: float) -> str:
        if state.name == "tripped" and state.trip is not None:
            return f"{state.trip.cause} {state.trip.remedy}"
        if state.name == "energised":
            return "Source on: keep out of the water."
        if state.name == "ready":
            return f"Warning: source comes on in {warning_left_s:.0f} s."
        failing = [check for check in checks if not check.ok and check.name != "enable"]
        if state.name == "checking":
            return failing[0].text if failing else "All conditions hold: wait."
        prefix = f"{state.stop_text} " if state.stop_text else ""
        if failing:
            return f"{prefix}{failing[0].text} {failing[0].remedy}".strip()
        held = any(check.ok for check in checks if check.name == "enable")
        if held and not state.released:
            return f"{prefix}Let go of the enable once: it must be seen released first."
        return f"{prefix}Hold the enable to begin."


# -- helpers: pure functions of a state ----------------------------------------------------------------------


def _enter(state: InterlockState, name: StateName, now_s: float) -> InterlockState:
    left_output = state.name == "energised" and name != "energised"
    return replace(
        state,
        name=name,
        since_s=now_s,
        good_since_s=None,
        confirmed=False,
        off_asked_s=now_s if left_output else (None if name == "energised" else state.off_asked_s),
        reset_s=None,
    )


def _event(now_s: float, severity: Severity, code: str, text: str, remedy: str = "") -> Event:
    return Event(t_s=now_s, severity=severity, code=code, text=text, remedy=remedy)


def _stop(
    state: InterlockState, code: str, text: str, now_s: float, events: list[Event], remedy: str = ""
) -> InterlockState:
    """An ordinary stop: off, and the enable must be seen released before the next start."""
    events.append(_event(now_s, "info" if code in ("released", "stop asked for") else "caution", code, text, remedy))
    return replace(_enter(state, "off", now_s), released=False, stop_code=code, stop_text=text)


def _trip(state: InterlockState, cause: causes.Cause, now_s: float, events: list[Event]) -> InterlockState:
    """Latch. A cause that comes on top of an earlier one is added, never replaces it."""
    if state.name == "tripped" and state.trip is not None:
        if cause.cause == state.trip.cause or cause.cause in state.trip.also:
            return state
        events.append(_event(now_s, "alarm", cause.code, cause.cause, cause.remedy))
        return replace(state, trip=replace(state.trip, also=(*state.trip.also, cause.cause)))
    events.append(_event(now_s, "alarm", cause.code, cause.cause, cause.remedy))
    latched = Latched(now_s, cause.code, cause.cause, cause.remedy)
    return replace(_enter(state, "tripped", now_s), trip=latched, released=False, stop_code="", stop_text="")


def _known_off(state: InterlockState, inputs: Inputs) -> bool:
    """The board's report was made after it had time to follow the last request to switch off."""
    if inputs.board is None:
        return False
    if state.off_asked_s is not None:
        return inputs.board.report.received_s - state.off_asked_s > OFF_CONFIRM_S
    return inputs.board.report.received_s - state.since_s > SETTLE_S


def _tell(state: InterlockState, checks: tuple[Permissive, ...], now_s: float, events: list[Event]) -> InterlockState:
    """While checking, say once what is missing and once that it is there."""
    if state.name != "checking":
        return replace(state, told=()) if state.told else state
    failing = tuple(check.name for check in checks if not check.ok)
    for check in checks:
        if not check.ok and check.name not in state.told:
            events.append(_event(now_s, "caution", check.code, check.text, check.remedy))
        elif check.ok and check.name in state.told:
            events.append(_event(now_s, "info", check.code, check.text))
    return replace(state, told=failing)


def _actions(old: InterlockState, new: InterlockState) -> list[Action]:
    actions: list[Action] = []
    if new.off_asked_s is not None:
        actions.append(Action.OUTPUT_OFF)
    if old.heartbeat != new.heartbeat:
        actions.append(Action.HEARTBEAT_GO if new.heartbeat else Action.HEARTBEAT_STOP)
    if old.beacon != new.beacon:
        actions.append(Action.BEACON_ON if new.beacon else Action.BEACON_OFF)
    if old.name != new.name and _SOUNDS[old.name] != _SOUNDS[new.name]:
        actions.append(_SOUNDS[new.name])
    if new.name == "energised" and old.name != "energised":
        actions.append(Action.OUTPUT_ON)
    return actions
