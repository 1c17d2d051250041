"""What a board's trips and refusals mean, in words, and what to do. docs/protocol.md numbers them."""

from __future__ import annotations

from dataclasses import dataclass

from earthward.record.board import Refusal, Trip

PRESS = "Then let go of the enable and press the reset button on the source board."

#: Said by the host's contact and by the board alike, whichever sees it first: one press, one sentence.
STOP_PRESSED = "The emergency stop was pressed."


@dataclass(frozen=True, slots=True)
class Cause:
    """`code` for records and scripts, `cause` and `remedy` for a person."""

    code: str
    cause: str
    remedy: str


BOARD_TRIPS: dict[Trip, Cause] = {
    Trip.OVER_CURRENT: Cause(
        "over-current",
        "The source board measured more current than its limit.",
        f"Check that the injection electrode and the earth electrode do not touch metal or each other. {PRESS}",
    ),
    Trip.OVER_VOLTAGE: Cause(
        "over-voltage",
        "The source board measured more voltage between its electrodes than its limit.",
        f"Take the source board out of use until its output stage has been checked on the bench. {PRESS}",
    ),
    Trip.HEARTBEAT_LOST: Cause(
        "heartbeat lost",
        "The source board had no heartbeat for half a second and took the output off by itself.",
        f"Check the cable between source board and Raspberry Pi and that the service runs. {PRESS}",
    ),
    Trip.EMERGENCY_STOP: Cause(
        "emergency stop",
        STOP_PRESSED,
        "Look why it was pressed and make the place safe. Close the emergency stop, let go of the enable and press the"
        " reset button on the source board.",
    ),
    Trip.ENABLE_RELEASED: Cause(
        "released",
        "The enable was released, so the output went off: the ordinary way to stop.",
        "To go on, press the reset button on the source board, then hold the enable again.",
    ),
    Trip.BATTERY_LOW: Cause(
        "battery low",
        "The source board's battery is too low to drive a clean waveform.",
        f"Charge or change the battery. {PRESS}",
    ),
    Trip.TOO_HOT: Cause(
        "too hot",
        "The source board is too hot.",
        f"Put it in the shade and let it cool. {PRESS}",
    ),
    Trip.ASYMMETRY: Cause(
        "asymmetry",
        "The positive and negative halves of the current differ, so direct current flowed through the electrodes.",
        f"Look for a loose electrode or connector. If it comes again, have the output stage checked. {PRESS}",
    ),
    Trip.DISAGREEMENT: Cause(
        "output disagrees",
        "What the source board measured at its output is not what it commanded.",
        f"Take both electrode plugs out and try again; if it stays, the output stage needs repair. {PRESS}",
    ),
    Trip.WATCHDOG: Cause(
        "watchdog",
        "The source board's program hung and its watchdog restarted it with the output off.",
        f"If it happens again, do not use the board until its firmware has been checked. {PRESS}",
    ),
    Trip.SELF_TEST: Cause(
        "self-test",
        "The source board failed its self-test (supply dip or memory).",
        f"Check battery and plug. If it comes again, do not use the board. {PRESS}",
    ),
    Trip.ENGINE_STALLED: Cause(
        "waveform stalled",
        "The source board's waveform stopped advancing.",
        f"If it happens again, do not use the board until it has been checked. {PRESS}",
    ),
    Trip.UNKNOWN: Cause(
        "unknown board trip",
        "The source board tripped with a cause this software does not know.",
        f"Load matching software and firmware. {PRESS}",
    ),
}

REFUSALS: dict[Refusal, Cause] = {
    Refusal.UNKNOWN: Cause(
        "refused: unknown request", "The source board does not know this request.", "Load matching firmware."
    ),
    Refusal.BAD_BODY: Cause(
        "refused: bad value", "The source board found a value it cannot use.", "Check waveform and frequency."
    ),
    Refusal.WRONG_STATE: Cause(
        "refused: wrong state", "The source board was not ready.", "Let go of the enable, hold it again."
    ),
    Refusal.CHECKSUM: Cause(
        "refused: checksum",
        "The source board's identity or settings differ from what the host holds, so it would not arm.",
        "Let go of the enable and hold it again; if it stays, load matching firmware.",
    ),
    Refusal.EMERGENCY_STOP: Cause(
        "refused: emergency stop", "The emergency stop is open.", "Look why it was pressed, then close it."
    ),
    Refusal.ENABLE_NOT_HELD: Cause(
        "refused: enable", "The enable was not held when the output was to come on.", "Hold the enable again."
    ),
    Refusal.TRIPPED: Cause("refused: tripped", "The source board is tripped.", "Press its reset button."),
    Refusal.NO_HEARTBEAT: Cause(
        "refused: no heartbeat", "The source board has no heartbeat from the host.", "Check the cable."
    ),
    Refusal.ABOVE_LIMIT: Cause(
        "refused: above a limit", "The source board was asked for more than its limit.", "Ask for less current."
    ),
}

HOST_TRIPS: dict[str, Cause] = {
    "board restarted": Cause(
        "board restarted",
        "The source board restarted unexpectedly; its output went off and it stays disarmed.",
        f"Check battery, plugs and cable for a loose contact. {PRESS}",
    ),
    "unasked output": Cause(
        "unasked output",
        "The source board reports its output on although it was told to be off.",
        "Open the emergency stop and take the electrode plugs out. Do not use the board until it has been checked.",
    ),
    "current while off": Cause(
        "current while off",
        "Current flows through the electrodes although the output is off.",
        "Open the emergency stop, take the electrode plugs out, keep out of the water: either the output stage is"
        " faulty or something else drives current through the water. Call a licensed electrician.",
    ),
    "did not start": Cause(
        "did not start",
        "The source board was asked to switch on and did not within a second.",
        f"Look at the board's fuses and cable. {PRESS}",
    ),
    "went off": Cause(
        "went off",
        "The source board's output went off without being asked.",
        f"Look at the board's battery, fuses and cable. {PRESS}",
    ),
    "host stalled": Cause(
        "host stalled",
        "The service on the Raspberry Pi stood still, so nobody watched the output.",
        f"Look whether the Raspberry Pi is overloaded or short of power. {PRESS}",
    ),
    "clock ran back": Cause(
        "clock ran back",
        "The host's clock ran backwards, so ages mean nothing.",
        f"Restart the service. {PRESS}",
    ),
}


def board_trip(trip: Trip) -> Cause:
    """Words for a board's trip."""
    return BOARD_TRIPS[trip]


def refusal(code: int) -> Cause:
    """Words for a refusal of the board; newer firmware may know more of them than this software."""
    if code in REFUSALS:
        return REFUSALS[Refusal(code)]
    return Cause(
        f"refused: {code}",
        f"The source board refused with a reason this software does not know (number {code}).",
        "Load matching software and firmware.",
    )
