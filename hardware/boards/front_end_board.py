"""The receiver's front end as a board on the Raspberry Pi's header, in the size of the Pi's own add-on boards (65 x
56.5 mm, holes 3.5 mm from the edges; from memory of the published mechanical drawing). No EEPROM: the two pins that
belong to one stay free.
"""

from __future__ import annotations

from hardware.boards import packages
from hardware.boards.model import BoardPart, BoardSpec, NetClass, Place, Region, Rule
from hardware.receiver_front_end import front_end
from hardware.receiver_front_end.on_the_pi import AROUND, CONVERTER_PINS

PAIR = frozenset({"front", "back", "ring", "front2", "back2"})
PAIR_MM = 0.8
_C1206 = "Capacitor_SMD:C_1206_3216Metric_Pad1.33x1.80mm_HandSolder"
FOOTPRINTS = {
    "R": packages.PACKAGES["film"].footprint,
    "Z": packages.PACKAGES["uvlo"].footprint,
    "CLAMP": packages.PACKAGES["nmos"].footprint,
    "U": "Connector_PinSocket_2.54mm:PinSocket_1x10_P2.54mm_Vertical",
    "film capacitor": "Capacitor_THT:C_Rect_L7.2mm_W2.5mm_P5.00mm_FKS2_FKP2_MKS2_MKP2",
}
_AROUND = {
    "pi header": "Connector_PinHeader_2.54mm:PinHeader_2x20_P2.54mm_Vertical",
    "nmos": packages.PACKAGES["nmos"].footprint,
    "film": packages.PACKAGES["film"].footprint,
    "schottky": packages.PACKAGES["schottky"].footprint,
    "testpad": packages.TESTPAD,
}


def _pads(part: front_end.Part) -> dict[str, str]:
    if part.kind == "CLAMP":  # lower diode's anode, upper one's cathode, and both others
        return {"1": "0", "2": "v33", "3": part.nodes[0]}
    if part.kind == "Z":  # the circuit names the anode first
        return {"1": part.nodes[1], "2": part.nodes[0]}
    if part.kind == "U":
        return CONVERTER_PINS[part.ref]
    return {"1": part.nodes[0], "2": part.nodes[1]}


def parts() -> tuple[BoardPart, ...]:
    found = []
    for part in front_end.ALL_PARTS:
        if part.kind == "X":
            continue  # in the case; J2 takes its lead
        footprint = FOOTPRINTS.get(part.name, FOOTPRINTS.get(part.kind, _C1206))
        value = part.text or {"CLAMP": "BAV199", "U": "ADS1115 module"}[part.kind]
        found.append(BoardPart(part.ref, value, footprint, _pads(part)))
    for other in AROUND:
        name = packages.TERMINAL.format(len(other.pins)) if other.kind == "terminal" else _AROUND[other.kind]
        found.append(BoardPart(other.ref, other.text, name, other.pins))
    return tuple(found)


def spec() -> BoardSpec:
    return BoardSpec(
        name="front_end",
        title="Earthward receiver front end, revision B",
        width_mm=65.0,
        height_mm=56.5,
        parts=parts(),
        fixed={
            "J1": Place(8.37, 4.77, 90), "U1": Place(58, 13, 0), "U2": Place(38.6, 13, 0),
            "J2": Place(11.5, 49.8, 0), "J3": Place(38.5, 49.8, 0), "J4": Place(7, 18, 270),
            "R1": Place(11.5, 41.3, 90), "R3": Place(16.58, 41.3, 90), "R5": Place(21.66, 41.3, 90),
            "R13": Place(26.74, 41.3, 90), "R15": Place(31.0, 41.3, 90), "C4": Place(34.7, 42.6, 90),
        },
        rows_mm=(11, 17.3, 23.6, 29.9, 36.2),
        row_span_mm=(12.5, 56),
        holes=((3.5, 3.5), (61.5, 3.5), (3.5, 53), (61.5, 53)),
        hole_footprint="MountingHole:MountingHole_2.7mm_M2.5",
        slots=(),
        regions=(Region("pair", PAIR, ((7.5, 41.7), (36.4, 41.7), (36.4, 56.5), (7.5, 56.5)), PAIR_MM),),
        classes=(NetClass("pair", PAIR, 0.5), NetClass("power", frozenset({"0", "v33", "v5pi"}), 0.5)),
        rules=(
            Rule("pair's leads to everything else", "pair", "Default", PAIR_MM,
                 "own choice: a damp board leaks less into the pair; IEC 60664-1 table F.2 asks for 0.8 mm of "
                 "clearance in pollution degree 3 (from memory)"),
            Rule("pair's leads to supplies", "pair", "power", PAIR_MM, "as above"),
        ),
        near=(
            ("C3", "U1"), ("C1", "U1"), ("C7", "U2"), ("C6", "U2"), ("Z1", "U1"), ("C2", "R8"), ("C5", "C4"),
            ("D4", "J4"),
        ),
        texts=(
            ("Earthward front end B", 48.5, 40.4, 1.2), ("NO SOURCE HERE", 48.5, 42.6, 1.0),
            ("1 front  2 back  3 ring  4 front  5 back", 21.6, 45.7, 0.8), ("stop  0 V  enable  0 V", 46, 45.7, 0.8),
            ("0x48", 58, 38.1, 0.8), ("0x49", 38.6, 38.1, 0.8),
        ),
        no_ground=(((7.5, 41.1), (36.4, 41.1), (36.4, 56.5), (7.5, 56.5)),),
    )  # fmt: skip
