"""Which part stands on which schematic sheet, with its symbol; an amplifier of four is five symbols."""

from __future__ import annotations

from dataclasses import dataclass

from hardware.boards import boards, packages
from hardware.boards.model import BoardPart
from hardware.boards.sheet_plan import BY_THE_PROCESSOR, PLANS
from hardware.boards.symbols import (
    Shape,
    amplifier,
    bipolar,
    capacitor,
    chip,
    clamp,
    crystal,
    diode,
    field_effect,
    fuse,
    inductor,
    resistor,
    supply_pins,
    testpad,
)
from hardware.receiver_front_end import front_end
from hardware.receiver_front_end.on_the_pi import AROUND
from hardware.source_board.output_stage import circuit


@dataclass(frozen=True)
class Item:
    part: BoardPart
    block: str
    job: str
    shape: Shape
    """As it stands on the sheet, turned."""
    unit: int = 1
    suffix: str = ""

    @property
    def key(self) -> str:
        return self.part.ref + self.suffix


_NAMES = {
    "reg": {"8": "IN", "1": "OUT", "7": "FB", "3": "SD", "4": "GND"}, "reg5": {"1": "IN", "2": "GND", "3": "OUT"},
    "relay": {"4": "com", "5": "closes", "1": "coil +", "12": "coil -"}, "vref": {"1": "K", "2": "A", "3": "A"},
    "csa": {"8": "+", "1": "-", "5": "OUT", "3": "REF2", "7": "REF1", "6": "V+", "2": "GND", "4": "GND"},
    "opamp": {"1": "OUT A", "2": "A-", "3": "A+", "4": "V+", "5": "B+", "6": "B-", "7": "OUT B", "8": "OUT C",
              "9": "C-", "10": "C+", "11": "V-", "12": "D+", "13": "D-", "14": "OUT D"},
    "mcu": {pad: pin for pin, pads in packages.MCU_PADS.items() for pad in pads.split("+")},
    "isolator": {pad: pin for pin, pads in packages.ISOLATOR_PADS.items() for pad in pads.split("+")},
}  # fmt: skip


#: Quarters of the amplifier: which input is drawn above.
_MINUS_ABOVE = {"A": False, "B": True, "C": True, "D": False}
_CONVERTER = {
    "1": "V",
    "2": "G",
    "3": "SCL",
    "4": "SDA",
    "5": "ADDR",
    "6": "ALRT",
    "7": "A0",
    "8": "A1",
    "9": "A2",
    "10": "A3",
}


def _box(part: BoardPart, names: dict[str, str], rows: tuple[str, str] | None) -> Shape:
    if rows is None:
        raise ValueError(f"{part.ref} is a box and has no rows in the plan of its sheet")
    sides = [[("", "") if pad == "-" else (pad, names.get(pad, pad)) for pad in side.split()] for side in rows]
    listed = {pad for side in sides for pad, _ in side if pad}
    if listed != set(part.pads):
        raise ValueError(f"{part.ref}: the plan's pads differ from the circuit's by {sorted(listed ^ set(part.pads))}")
    return chip(*sides)


def _shape(kind: str, part: BoardPart, names: dict[str, str], rows: tuple[str, str] | None) -> Shape:
    simple = {"R": resistor, "C": capacitor, "L": inductor, "FUSE": fuse, "crystal": crystal, "CLAMP": clamp,
              "testpad": testpad}  # fmt: skip
    if kind in simple:
        return simple[kind]()
    if kind in ("D", "Z", "T"):
        return diode(kind)
    if kind in ("NPN", "PNP"):
        return bipolar(kind)
    if kind in ("NMOS", "PMOS"):
        return field_effect(kind)
    return _box(part, names, rows)


def _quarters(part: BoardPart, block: str, job: str) -> list[Item]:
    found = []
    for k, (name, pads) in enumerate(sorted(packages.QUARTERS.items())):
        plus, minus, out = pads.split()
        shape = amplifier(plus, minus, out, _MINUS_ABOVE[name[-1]])
        found.append(Item(part, block, job if k == 0 else "", shape, k + 1, name[-1]))
    return [*found, Item(part, block, "", supply_pins("4", "11"), 5, "E")]


def _described(board: str, part: BoardPart) -> tuple[str, str, str, dict[str, str]]:
    """Kind of symbol, block, job and names of the pads."""
    if board == "source":
        origin = circuit.BY_REF.get(part.ref) or circuit.BY_REF[part.ref + "A"]
        names = _NAMES.get(origin.family) or dict(zip((str(k + 1) for k in range(40)), origin.pins, strict=False))
        kind: str = origin.family if origin.family in ("crystal", "testpad", "opamp") else origin.kind
        block = "measurement" if origin.family == "csa" else origin.block
        return kind, "5 V and processor" if part.ref in BY_THE_PROCESSOR else block, origin.job, names
    around = next((a for a in AROUND if a.ref == part.ref), None)
    if around is not None:
        kind = {"nmos": "NMOS", "film": "R", "schottky": "D", "testpad": "testpad"}.get(around.kind, "box")
        return kind, "front end circuit", around.job, {}
    own = next(p for p in front_end.ALL_PARTS if p.ref == part.ref)
    return own.kind, "front end circuit", own.job, _CONVERTER if own.kind == "U" else {}


def items(board: str) -> list[Item]:
    found = []
    for part in boards()[board].parts:
        kind, block, job, names = _described(board, part)
        plan = PLANS[block]
        if kind == "opamp":
            found += _quarters(part, block, job)
            continue
        turn = plan.spots()[part.ref].turn
        found.append(Item(part, block, job, _shape(kind, part, names, plan.rows.get(part.ref)).changed(turn)))
    return found
