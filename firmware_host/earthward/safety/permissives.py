"""The conditions that must all hold before and while the source is energised, each with its reason in words.

A value that is missing, not a number, or older than its limit does not hold. Nothing here remembers
anything: `evaluate` is a function of what is known now.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from earthward.record.board import BoardReport, BoardState, Refusal, Trip
from earthward.safety import causes
from earthward.safety.limits import HARDWARE_CURRENT_A, HARDWARE_DEADMAN_S, HARDWARE_VOLTAGE_V, Limits, check_board
from earthward.safety.stray import StrayVerdict

StateName = Literal["off", "checking", "ready", "energised", "tripped"]
OnLoss = Literal["stop", "trip"]

#: A timestamp may be this much ahead of the step that sees it (another thread stamped it); more is a fault.
_AHEAD_S = 0.05
#: After switching, the board's report needs so long to settle before its measured values are judged.
SETTLE_S = 0.5
#: A board that was asked to switch on must say so within this time.
START_S = 1.0
#: A board that was asked to switch off must say so within this time; then its heartbeat is withheld.
OFF_CONFIRM_S = 0.3
#: A current this large while the output is off is no measurement error (the board's own check is 9).
CURRENT_WHILE_OFF_A = 0.001
#: Two contacts of one hand or one stop may differ this long while they move.
CONTACT_SKEW_S = 0.3


class BoardView(Struct, frozen=True):
    """The newest report of the source board, and what its identity says of it.

    boot: any number that changes with every restart of the board; None while it is not known who is at the other
    end (cable out, no identity yet).
    """

    report: BoardReport
    boot: int | None
    max_current_A: float = HARDWARE_CURRENT_A
    max_voltage_V: float = HARDWARE_VOLTAGE_V
    deadman_s: float = HARDWARE_DEADMAN_S
    battery_min_V: float = 0.0


class Inputs(Struct, frozen=True):
    """Everything the interlock looks at in one step. There is deliberately no request to switch on.

    board: None until one has reported. restarts: how many unexpected restarts of the board the link has counted (it may
    know of one before the next report). refusal: the board's reason for refusing the last ARM or ENERGISE.
    water_clear_s: when a named person last stated that nobody is in the water and the pool is watched; None =
    never, or withdrawn. stray: the last verdict. adc_t_s: host time of the newest finished conversion.
    enable_second_held, emergency_stop_second_closed: optional second contacts wired to the host (None = not
    wired); their disagreement with the board's is a fault. warning_devices_ok: None = not monitored.
    stop_requested: any screen, button or client wants the output off. reset_pressed: the board's reset button,
    or a key wired to the host, was seen pressed; a client's message must never set it.
    """

    board: BoardView | None = None
    restarts: int = 0
    refusal: int | None = None
    water_clear_s: float | None = None
    stray: StrayVerdict | None = None
    adc_t_s: float | None = None
    adc_ok: bool = True
    enable_second_held: bool | None = None
    emergency_stop_second_closed: bool | None = None
    warning_devices_ok: bool | None = None
    stop_requested: bool = False
    reset_pressed: bool = False


class Permissive(Struct, frozen=True):
    """One condition. `on_loss`: what losing it does while energised; a trip latches, a stop does not."""

    name: str
    ok: bool
    text: str
    remedy: str
    on_loss: OnLoss
    code: str
    age_s: float | None = None


class Phase(Struct, frozen=True):
    """Where the interlock is: `since_s` when it entered `name`; `confirmed`: the board has reported itself on."""

    name: StateName
    since_s: float
    confirmed: bool = False


def evaluate(inputs: Inputs, limits: Limits, phase: Phase, now_s: float) -> tuple[Permissive, ...]:
    """All conditions in order of importance; the first that fails is the cause that is named."""
    return (
        _link(inputs, limits, now_s),
        _emergency_stop(inputs, phase),
        _board(inputs, phase, now_s),
        _enable(inputs),
        _water_clear(inputs, limits, now_s),
        _stray(inputs, limits, now_s),
        _electrical(inputs, limits, phase),
        _battery(inputs, limits, phase),
        _adc(inputs, limits, now_s),
        _warning_devices(inputs),
    )


def fresh(t_s: float | None, age_limit_s: float, now_s: float) -> bool:
    """True if `t_s` is known, not from the future, and at most `age_limit_s` old. NaN is never fresh."""
    return t_s is not None and -_AHEAD_S <= now_s - t_s <= age_limit_s


def _age(t_s: float | None, now_s: float) -> float | None:
    return None if t_s is None else max(0.0, now_s - t_s)


def _emergency_stop(inputs: Inputs, phase: Phase) -> Permissive:
    """Open as soon as one contact is: a stop is never waited for. Contacts that go on differing are named by the
    interlock, once their travel time is over."""
    board, second = inputs.board, inputs.emergency_stop_second_closed
    ok = board is not None and board.report.emergency_stop_closed and second is not False
    if ok:
        text = "Emergency stop closed."
    elif board is None:
        text = "Emergency stop not known: no source board."
    elif phase.name == "energised":
        text = causes.STOP_PRESSED
    else:
        text = "The emergency stop is pressed."
    return Permissive(
        "emergency stop",
        ok,
        text,
        "Look why it was pressed and make the place safe; then close it and press the source board's reset button.",
        "trip",
        "emergency stop",
    )


def _link(inputs: Inputs, limits: Limits, now_s: float) -> Permissive:
    board = inputs.board
    known = board is not None and board.boot is not None
    heard = board is not None and fresh(board.report.received_s, limits.link_age_s, now_s)
    ok = board is not None and known and heard and board.report.heartbeat_fresh
    if board is None:
        text = "No source board found."
    elif not known:
        text = "The source board is not connected."
    elif not heard:
        text = f"No word from the source board for more than {limits.link_age_s:g} s."
    elif not board.report.heartbeat_fresh:
        text = "The source board does not hear this host."
    else:
        text = "Source board answers."
    return Permissive(
        "link",
        ok,
        text,
        f"Check the cable between source board and Raspberry Pi and the board's battery. {causes.PRESS}",
        "trip",
        "link lost",
        _age(board.report.received_s if board else None, now_s),
    )


def _board(inputs: Inputs, phase: Phase, now_s: float) -> Permissive:
    board = inputs.board
    name = "source board"

    def bad(text: str, remedy: str, code: str, on_loss: OnLoss = "trip") -> Permissive:
        return Permissive(name, False, text, remedy, on_loss, code)

    if board is None:
        return bad("No source board found.", "Connect the source board and switch it on.", "no board")
    if board.report.state is BoardState.TRIPPED or board.report.trip is not Trip.NONE:
        cause = causes.board_trip(board.report.trip)
        released = board.report.trip is Trip.ENABLE_RELEASED
        return bad(cause.cause, cause.remedy, cause.code, "stop" if released else "trip")
    misfit = check_board(board.max_current_A, board.max_voltage_V, board.deadman_s)
    if misfit:
        return bad(f"The source board's own limits do not fit: {misfit[0]}.", "Load matching firmware.", "board unfit")
    if phase.name == "energised":
        if inputs.refusal is not None and not phase.confirmed:
            cause = causes.refusal(inputs.refusal)
            released = inputs.refusal == Refusal.ENABLE_NOT_HELD
            return bad(cause.cause, cause.remedy, cause.code, "stop" if released else "trip")
        if board.report.state is not BoardState.ENERGISED:
            if phase.confirmed:
                cause = causes.HOST_TRIPS["went off"]
                return bad(cause.cause, cause.remedy, cause.code)
            if now_s - phase.since_s > START_S:
                cause = causes.HOST_TRIPS["did not start"]
                return bad(cause.cause, cause.remedy, cause.code)
    elif board.report.state is BoardState.ENERGISED:
        cause = causes.HOST_TRIPS["unasked output"]
        return bad(cause.cause, cause.remedy, cause.code)
    return Permissive(name, True, "Source board healthy.", "", "trip", "source board")


def _enable(inputs: Inputs) -> Permissive:
    board, second = inputs.board, inputs.enable_second_held
    first = board is not None and board.report.enable_held
    ok = first and second is not False
    if ok:
        text = "Enable held."
    elif first or second:
        text = "Only one of the enable's two contacts is closed."
    else:
        text = "Enable not held."
    return Permissive("enable", ok, text, "Hold the enable at the pool side.", "stop", "released")


def _water_clear(inputs: Inputs, limits: Limits, now_s: float) -> Permissive:
    t_s = inputs.water_clear_s
    ok = fresh(t_s, limits.water_clear_s, now_s)
    if t_s is None:
        text = "Nobody has stated that the water is clear."
    elif ok:
        text = "Water stated clear and watched."
    else:
        text = f"The statement that the water is clear is older than {limits.water_clear_s / 60:g} minutes."
    return Permissive(
        "water clear",
        ok,
        text,
        "Look at the whole pool: nobody in it, nobody reaching in, somebody watching. State it again, let go of the"
        " enable, hold it again.",
        "stop",
        "water not stated clear",
        _age(t_s, now_s),
    )


def _stray(inputs: Inputs, limits: Limits, now_s: float) -> Permissive:
    verdict = inputs.stray
    name, code = "stray voltage", "stray voltage"
    if verdict is None:
        return Permissive(
            name, False, "The stray-voltage check has not been made.", "Run it with the source off.", "stop", code
        )
    age = _age(verdict.t_s, now_s)
    if not verdict.passed:
        return Permissive(name, False, verdict.text, verdict.remedy, "trip", code, age)
    if not fresh(verdict.t_s, limits.stray_check_s, now_s):
        return Permissive(
            name,
            False,
            f"The stray-voltage check is older than {limits.stray_check_s / 60:g} minutes.",
            "Let go of the enable and run the check again with the source off.",
            "stop",
            "stray check old",
            age,
        )
    return Permissive(name, True, verdict.text, "", "stop", code, age)


def _electrical(inputs: Inputs, limits: Limits, phase: Phase) -> Permissive:
    """Measured current and voltage inside the limits. Each comparison fails on NaN."""
    board = inputs.board
    name = "current and voltage"
    if board is None:
        return Permissive(name, False, "Not known: no source board.", "Connect the source board.", "trip", "no board")
    positive, negative = board.report.current_positive_A, board.report.current_negative_A
    largest = max(abs(positive), abs(negative))
    volts = max(abs(board.report.voltage_positive_V), abs(board.report.voltage_negative_V))
    known = all(x == x for x in (positive, negative, board.report.voltage_positive_V, board.report.voltage_negative_V))
    settled = phase.name == "energised" and phase.confirmed and board.report.received_s - phase.since_s > SETTLE_S
    off = phase.name != "energised" and board.report.received_s - phase.since_s > 2.0 * SETTLE_S
    ok, text, remedy, code = True, "Current and voltage inside the limits.", "", "current and voltage"
    if not known:
        ok, text, code = False, "The source board's measurement is no number.", "output not measured"
        remedy = f"If it stays, the source board needs repair. {causes.PRESS}"
    elif not largest <= limits.current_trip_A:
        ok, code = False, "over-current"
        text = f"Injected current {largest * 1e3:.1f} mA is above {limits.current_trip_A * 1e3:g} mA."
        remedy = causes.BOARD_TRIPS[Trip.OVER_CURRENT].remedy
    elif not volts <= limits.voltage_trip_V:
        ok, text, code = False, f"Electrode voltage {volts:.1f} V is above {limits.voltage_trip_V:g} V.", "over-voltage"
        remedy = causes.BOARD_TRIPS[Trip.OVER_VOLTAGE].remedy
    elif settled and not abs(positive + negative) / 2.0 <= limits.net_current_trip_A:
        net_mA = abs(positive + negative) / 2.0 * 1e3
        ok, text, code = False, f"Direct current of {net_mA:.2f} mA flows through the electrodes.", "asymmetry"
        remedy = causes.BOARD_TRIPS[Trip.ASYMMETRY].remedy
    elif off and board.report.state in (BoardState.OFF, BoardState.ARMED) and not largest <= CURRENT_WHILE_OFF_A:
        cause = causes.HOST_TRIPS["current while off"]
        ok, text, remedy, code = False, cause.cause, cause.remedy, cause.code
    return Permissive(name, ok, text, remedy, "trip", code)


def _battery(inputs: Inputs, limits: Limits, phase: Phase) -> Permissive:
    """Never below the board's own threshold; to start, some charge must be left."""
    board = inputs.board
    name, code = "battery and temperature", "battery low"
    if board is None:
        return Permissive(name, False, "Not known: no source board.", "Connect the source board.", "trip", "no board")
    lowest_V = max(limits.battery_min_V, board.battery_min_V)
    if phase.name != "energised":
        lowest_V = max(lowest_V, limits.battery_start_V)
    if not lowest_V <= board.report.battery_V <= limits.battery_max_V:
        return Permissive(
            name,
            False,
            f"Source battery {board.report.battery_V:.1f} V, allowed {lowest_V:g} to {limits.battery_max_V:g} V.",
            f"Charge or change the battery. {causes.PRESS}",
            "trip",
            code if board.report.battery_V < lowest_V else "battery high",
        )
    if not board.report.temperature_C <= limits.temperature_max_C:
        return Permissive(
            name,
            False,
            f"Source board at {board.report.temperature_C:.0f} °C is hotter than {limits.temperature_max_C:g} °C.",
            causes.BOARD_TRIPS[Trip.TOO_HOT].remedy,
            "trip",
            "too hot",
        )
    low = ", low: charge it soon" if board.report.battery_V < limits.battery_start_V else ""
    return Permissive(name, True, f"Source battery {board.report.battery_V:.1f} V{low}.", "", "trip", code)


def _adc(inputs: Inputs, limits: Limits, now_s: float) -> Permissive:
    alive = fresh(inputs.adc_t_s, limits.adc_age_s, now_s)
    ok = alive and inputs.adc_ok
    if inputs.adc_t_s is None:
        text = "The receiver has not sampled yet."
    elif not alive:
        text = f"The receiver's converter has been silent for more than {limits.adc_age_s:g} s."
    elif not inputs.adc_ok:
        text = "The receiver's converter does not answer as set."
    else:
        text = "Receiver samples."
    return Permissive(
        "receiver",
        ok,
        text,
        "Check the receiver's plug and its wires to the Raspberry Pi.",
        "trip",
        "receiver dead",
        _age(inputs.adc_t_s, now_s),
    )


def _warning_devices(inputs: Inputs) -> Permissive:
    ok = inputs.warning_devices_ok is not False
    return Permissive(
        "beacon and sound",
        ok,
        "Beacon and sound work." if ok else "Beacon or sound does not work.",
        "Repair the beacon or the sounder: people must be warned.",
        "trip",
        "no warning",
    )
