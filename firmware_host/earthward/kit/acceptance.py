"""The acceptance sheet: every value that is looked at before a kit goes to the water, with limits and reasons.

Pass: inside the limits. Watch: inside, but in the outer tenth (or in the band stated). Fail: outside, or not measured.
What a wrong value means is said by `causes`; a fault that makes later values meaningless ends the list there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "watch", "fail", "not measured"]


@dataclass(frozen=True, slots=True)
class Item:
    """One value. `low`, `high`: limits. `why`: where they come from. `stops`: a failure here ends the list."""

    name: str
    unit: str
    low: float
    high: float
    how: str
    why: str
    stops: bool = False
    edge: float = 0.1
    """Share of the band, at either end, in which the verdict is "watch"."""


@dataclass(frozen=True, slots=True)
class Line:
    item: Item
    value: float | None
    verdict: Verdict
    text: str


_SIMULATED = "the output stage as simulated, parts at their tolerance"
ITEMS: tuple[Item, ...] = (
    Item("islands_ohm", "ohm", 1e6, math.inf, "battery minus (TP1) to the receiver's 0 V, everything off",
         "two islands: whoever joins them breaks the measurement", stops=True, edge=0),
    Item("board_V", "V", 10.5, 15.0, "TP1 to the cathode of D1, battery in", "range of the battery", stops=True),
    Item("five_volts_V", "V", 4.75, 5.25, "TP2", "tolerance of the regulator", stops=True),
    Item("gates_in_reset_V", "V", 0.0, 0.3, "highest gate or base in reset, each touched with 10 Mohm to 5 V",
         "100 kohm pull-downs hold it at 0.05 V", edge=0),
    Item("baud_ratio", "", 0.985, 1.015, "speed at which the board answers, to 250000 baud", "a 16 MHz crystal",
         stops=True),
    Item("fuses_right", "", 1, 1, "the board's own look at its fuses", "hardware watchdog, brown-out, crystal",
         stops=True, edge=0),
    Item("clock_ratio", "", 0.9995, 1.0005, "the board's clock to the host's", "crystal 50 ppm, host 100 ppm", edge=0),
    Item("temperature_C", "degC", -10, 60, "the board's own sensor", "range of the parts"),
    Item("idle_A_V", "V", -0.2, 0.2, "A to E, source off", "relays open", edge=0),
    Item("idle_B_V", "V", -0.2, 0.2, "B to E, source off", "relays open", edge=0),
    Item("rail_5_V", "V", 4.75, 5.25, "TP5, 5 V range, A to E 1 kohm", "R8, R9 at 1 %, reference at 2 %"),
    Item("rail_10_V", "V", 9.4, 10.6, "TP5, 10 V range", "R8, R9, R50 at 1 %, reference at 2 %"),
    Item("clamp_V", "V", 10.6, 11.6, "TP5 while the clamp is tried", "D4 at 2 %, -10 to 60 degC"),
    Item("halves_ratio", "", 0.98, 1.02, "positive to negative half at 1 kohm", "no net charge", edge=0),
    Item("current_A_A", "A", 4.1e-3, 4.8e-3, "10 mA configured, 1 kohm from A to E, peak", _SIMULATED),
    Item("current_B_A", "A", 4.1e-3, 4.8e-3, "10 mA configured, 1 kohm from B to E, peak", _SIMULATED),
    Item("short_A", "A", 7.8e-3, 8.8e-3, "10 mA configured, A to E joined", _SIMULATED),
    Item("limiter_A", "A", 10.5e-3, 13.5e-3, "pole resistors bridged by the test plug, A to E joined", _SIMULATED),
    Item("current_sense", "", 0.97, 1.03, "current told by the board to that in a meter", "R26 0.5 %, amplifier 0.2 %"),
    Item("deadman_s", "s", 0.3, 0.51, "from the last heartbeat to no output", "500 ms"),
    Item("watchdog_s", "s", 0.0, 0.04, "from a hang to no output", "watchdog of 30 ms", edge=0),
    Item("pump_s", "s", 0.0, 0.06, "from a still alive pin to no output", "R7, C3: 22 ms", edge=0),
    Item("released_s", "s", 0.0, 0.02, "from letting go of the enable to no output", "carried by the contact", edge=0),
    Item("converter_supply_V", "V", 3.2, 3.4, "TP2 of the front end", "the Raspberry Pi's pins bear 3.3 V", stops=True,
         edge=0),
    Item("converter_address", "", 0x48, 0x48, "address that answers", "ADDR to 0 V", stops=True, edge=0),
    Item("pin1_to_front_ohm", "ohm", 0.0, 1.0, "plug pin 1 to the front electrode (one ring)", "a wire", edge=0),
    Item("pin2_to_back_ohm", "ohm", 0.0, 1.0, "plug pin 2 to the back electrode (two rings)", "a wire", edge=0),
    Item("pin3_to_ring_ohm", "ohm", 0.0, 1.0, "plug pin 3 to the reference ring", "the screen", edge=0),
    Item("indicated_ratio", "", 0.985, 1.015, "100 mV from back to front: indicated to applied",
         "R1 to R4 at 1 %, input of the converter"),
    Item("zero_V", "V", -50e-6, 50e-6, "front and back joined at the plug", "offset of the converter"),
    Item("single_ended_V", "V", -0.5, 0.5, "input A0 to mid-supply, pair in the bucket", "the ring holds it", edge=0),
)  # fmt: skip
BY_NAME = {item.name: item for item in ITEMS}
POLES_OHM = 1101.0 + 94.0  # four pole resistors, shunt, both limiters' resistors


def verdict(item: Item, value: float | None) -> Verdict:
    if value is None or math.isnan(value):
        return "not measured"
    if not item.low <= value <= item.high:
        return "fail"
    band = item.edge * (item.high - item.low)
    near = item.edge > 0 and (value < item.low + band or value > item.high - band)
    return "watch" if near else "pass"


def judge(values: Mapping[str, float | None]) -> list[Line]:
    """The sheet. After a failure that stops, the rest is not measured: first put that right."""
    lines: list[Line] = []
    stopped = False
    for item in ITEMS:
        value = None if stopped else values.get(item.name)
        found = verdict(item, value)
        text = ""
        if found == "fail":
            text = cause(item.name, float(value or 0.0), values)
            stopped = stopped or item.stops
        elif found == "not measured":
            text = "put the above right first" if stopped else "measure it"
        lines.append(Line(item, value, found, text))
    return lines


def _series(told: float, where: str, parts: str) -> str:
    extra = 9.8 / max(told, 1e-6) - POLES_OHM - 1000.0
    if told < 20e-6:
        return f"nothing flows by {where}: its relay does not close (coil turned round, or driver), or a wire is off"
    if extra > 20e3:
        return f"about {extra / 1e3:.0f} kohm too much in series by {where}: a cold joint between relay and plug"
    if extra > 0:
        return f"about {extra:.0f} ohm too much in series by {where}: a wrong resistor, look at {parts}"
    return f"about {-extra:.0f} ohm too little in series by {where}: a wrong or bridged resistor, look at {parts}"


def _current(name: str, value: float, values: Mapping[str, float | None]) -> str:
    if verdict(BY_NAME["halves_ratio"], values.get("halves_ratio")) == "fail":
        return "follows from the halves above: put them right first"
    both = [values.get("current_A_A"), values.get("current_B_A")]
    if all(v is not None and verdict(BY_NAME["current_A_A"], v) == "fail" for v in both):
        return _series(value, "both electrodes", "R26, R27, R28, R10, R20")
    return _series(value, *(("A", "R22, R23") if name == "current_A_A" else ("B", "R24, R25")))


def _pin(name: str, values: Mapping[str, float | None]) -> str:
    wrong = {n for n in ("pin1_to_front_ohm", "pin2_to_back_ohm", "pin3_to_ring_ohm")
             if verdict(BY_NAME[n], values.get(n)) == "fail"}  # fmt: skip
    if wrong == {"pin1_to_front_ohm", "pin2_to_back_ohm"}:
        return "front and back are swapped: every sign would be wrong; exchange pins 1 and 2"
    if wrong == {"pin1_to_front_ohm", "pin3_to_ring_ohm"}:
        return "the cable is mirrored: pin 1 carries the ring and pin 3 the front electrode; exchange them"
    if wrong == {"pin3_to_ring_ohm"}:
        return "the reference ring is not joined to pin 3: mend the screen's joint at head and plug"
    return f"{name.split('_')[0]} does not reach its electrode: mend the wire"


def _baud(value: float) -> str:
    return (
        f"the board answers at {250000 * value:.0f} baud: its crystal is {16 * value:.4g} MHz and not 16 MHz"
        if value > 0
        else "the board does not answer at any speed: no program, no crystal, or the link's wires"
    )


def _indicated(value: float) -> str:
    if value < 0:
        return "the sign is wrong: front and back are swapped"
    if abs(value - 0.9721) < 0.006:
        return "2.8 % too little is what an unset gain gives: set front_end_gain to 0.9721, or run earthward calibrate"
    return f"{abs(1 - value) * 100:.1f} % off: a wrong resistor, look at R1 to R4"


def _halves(value: float) -> str:
    return (
        "the positive half is weak or missing: Q7 turned round, or M1 or M4"
        if value < 1
        else "the negative half is weak or missing: Q8 turned round, or M3 or M2"
    )


_PLAIN = {
    "islands_ohm": "the two islands are joined: find the wire between the source's battery and the receiver's 0 V",
    "five_volts_V": "U4, F3, R40 or D9: nothing else is tried until 5 V is right",
    "gates_in_reset_V": "a pull-down is missing: the output would not be off while the processor is in reset; find the "
    "gate that rises",
    "fuses_right": "the processor's fuses are wrong, so the board stays off: run make -C hardware/source_board fuses",
    "clock_ratio": "the crystal or its capacitors C21, C22 are not what they should be",
    "converter_address": "the converter answers at another address: join its ADDR pin to 0 V, or set adc.address",
    "single_ended_V": "the third contact is missing: the ring does not hold the receiver at the water's voltage",
    "clamp_V": "D4 is not what it should be: the board must not be used",
    "limiter_A": "R10 or R20, or a limiter's transistor, is not what it should be: the board must not be used",
    "current_sense": "R26 or U2 is not what it should be",
    "deadman_s": "the dead-man does not cut in time: the board must not be used",
    "watchdog_s": "the watchdog does not cut in time: the board must not be used",
    "pump_s": "the alive pump does not fall in time: R7, C2, C3, D2, D3; the board must not be used",
    "released_s": "the enable does not cut the bridge's supply: S2's wires; the board must not be used",
    "zero_V": "an offset: dirt, flux or damp between the inputs",
}


def cause(name: str, value: float, values: Mapping[str, float | None]) -> str:
    """What a value outside its limits means, in one sentence without a full stop."""
    if name in ("current_A_A", "current_B_A"):
        return _current(name, value, values)
    if name.startswith("pin"):
        return _pin(name, values)
    if name == "baud_ratio":
        return _baud(value)
    if name == "indicated_ratio":
        return _indicated(value)
    if name == "halves_ratio":
        return _halves(value)
    if name == "board_V":
        return ("no voltage behind D1: the battery is reversed (D1 holds, nothing is damaged), empty, or F1 is blown"
                if value < 1 else "the battery is outside 10.5 to 15 V")  # fmt: skip
    if name == "converter_supply_V":
        return ("the converter is fed from 5 V: its wires would lift the Raspberry Pi's pins above what they bear; "
                "feed it from 3.3 V" if value > 4 else "the 3.3 V of the Raspberry Pi is not there")  # fmt: skip
    if name == "short_A" and any(verdict(BY_NAME[n], values.get(n)) == "fail" for n in ("halves_ratio", "current_A_A")):
        return "follows from what is wrong above: put it right first"
    item = BY_NAME[name]
    return _PLAIN.get(name, f"outside {item.low:g} to {item.high:g} {item.unit}: {item.why}")


def sentences(lines: list[Line]) -> list[str]:
    """The failures alone, each once."""
    return list(dict.fromkeys(line.text for line in lines if line.verdict == "fail"))
