"""What stands around the front end on its board: the Raspberry Pi's header, terminals, drivers of beacon and sounder.

Nodes are those of `front_end.py`, and: sda, scl, ready = the converter's wires; stop, enable = third contacts of
emergency stop and enable, to the receiver's 0 V; v5pi = the Pi's 5 V; GPIO numbers are the configuration's defaults.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Around:
    """One part. `pins`: pin number -> node, in the part's own numbering. `text`: value or kind."""

    ref: str
    kind: str
    text: str
    pins: dict[str, str]
    job: str


_GROUND = dict.fromkeys(("6", "9", "14", "20", "25", "30", "34", "39"), "0")

AROUND: tuple[Around, ...] = (
    Around("J1", "pi header", "Raspberry Pi", {
        "1": "v33", "17": "v33", "2": "v5pi", "4": "v5pi", "3": "sda", "5": "scl", "11": "stop", "13": "enable",
        "15": "gate1", "12": "gate2", "22": "ready", **_GROUND,
    }, "40-pin header; pins 27 and 28 stay free: no EEPROM, so nothing may be on them"),
    Around("J2", "terminal", "pole cable", {"1": "front", "2": "back", "3": "ring", "4": "front2", "5": "back2"},
           "lead of the plug X1; 4 and 5 stay free with one pair"),
    Around("J3", "terminal", "stop, enable", {"1": "stop", "2": "0", "3": "enable", "4": "0"},
           "third contacts of emergency stop and enable"),
    Around("J4", "terminal", "beacon, sounder", {"1": "v5pi", "2": "beacon", "3": "sounder"},
           "5 V loads of 0.1 A at most, switched to 0 V"),
    Around("Q1", "nmos", "BSS138", {"1": "bg", "2": "0", "3": "beacon"}, "drives the beacon"),
    Around("Q2", "nmos", "BSS138", {"1": "sg", "2": "0", "3": "sounder"}, "drives the sounder"),
    Around("R9", "film", "1 kohm", {"1": "gate1", "2": "bg"}, "Q1 gate"),
    Around("R10", "film", "1 kohm", {"1": "gate2", "2": "sg"}, "Q2 gate"),
    Around("R11", "film", "100 kohm", {"1": "bg", "2": "0"}, "beacon off while the Pi starts"),
    Around("R12", "film", "100 kohm", {"1": "sg", "2": "0"}, "sounder off while the Pi starts"),
    Around("D4", "schottky", "BAT85", {"1": "v5pi", "2": "sounder"}, "sounder's coil"),
    Around("TP1", "testpad", "0 V", {"1": "0"}, "test point of 0"),
    Around("TP2", "testpad", "3.3 V", {"1": "v33"}, "test point of v33"),
    Around("TP3", "testpad", "mid", {"1": "mid"}, "test point of mid"),
    Around("TP4", "testpad", "A0", {"1": "ain0"}, "test point of ain0"),
    Around("TP5", "testpad", "A1", {"1": "ain1"}, "test point of ain1"),
    Around("TP6", "testpad", "A0 of U2", {"1": "xin0"}, "test point of xin0"),
    Around("TP7", "testpad", "A1 of U2", {"1": "xin1"}, "test point of xin1"),
)  # fmt: skip

#: A converter stands on a small module of its own, in a socket: its wires in the module's order. Inputs that no
#: electrode uses lie at mid-supply. The second one's address pin is at its supply: 0x49; its ready pin stays free.
CONVERTER_PINS = {
    "U1": {"1": "v33", "2": "0", "3": "scl", "4": "sda", "5": "0", "6": "ready", "7": "ain0", "8": "ain1", "9": "mid",
           "10": "mid"},
    "U2": {"1": "v33", "2": "0", "3": "scl", "4": "sda", "5": "v33", "7": "xin0", "8": "xin1", "9": "mid", "10": "mid"},
}  # fmt: skip
