"""Which footprint each kind of part stands on, and which of its pads carries which terminal of the circuit.

Footprints are of KiCad's own library; pad numbers are from the makers' data sheets (from memory), and a test compares
them with the symbols of KiCad's library where that is installed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hardware.boards.model import BoardPart
from hardware.source_board.output_stage import circuit
from hardware.source_board.output_stage.circuit import Part

_R1206 = "Resistor_SMD:R_1206_3216Metric_Pad1.30x1.75mm_HandSolder"
_C1206 = "Capacitor_SMD:C_1206_3216Metric_Pad1.33x1.80mm_HandSolder"
_C1210 = "Capacitor_SMD:C_1210_3225Metric_Pad1.33x2.70mm_HandSolder"
_AXIAL10 = "Resistor_THT:R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"
_AXIAL15 = "Resistor_THT:R_Axial_DIN0207_L6.3mm_D2.5mm_P15.24mm_Horizontal"
_TO92 = "Package_TO_SOT_THT:TO-92_Inline_Wide"
_SOT23 = "Package_TO_SOT_SMD:SOT-23"
_FUSE = "Fuse:Fuseholder_Clip-5x20mm_Littelfuse_111_Inline_P20.00x5.00mm_D1.05mm_Horizontal"
TERMINAL = "TerminalBlock_Phoenix:TerminalBlock_Phoenix_MKDS-1,5-{0}-5.08_1x{0:02d}_P5.08mm_Horizontal"
TESTPAD = "TestPoint:TestPoint_THTPad_D2.0mm_Drill1.0mm"


@dataclass(frozen=True)
class Package:
    """`pads`: for each net of the part, in the circuit's order, the pads that carry it. `also`: pads that the circuit
    does not name, with their nets."""

    footprint: str
    pads: tuple[tuple[str, ...], ...] = ()
    also: dict[str, str] = field(default_factory=dict)


def _p(footprint: str, pads: str, **also: str) -> Package:
    return Package(footprint, tuple(tuple(p.split("+")) for p in pads.split()), {k[1:]: v for k, v in also.items()})


PACKAGES: dict[str, Package] = {
    "film": _p(_R1206, "1 2"),
    "film01": _p(_AXIAL10, "1 2"),
    "shunt": _p(_AXIAL10, "1 2"),
    "pole": _p(_AXIAL15, "1 2"),
    "limit": _p(_AXIAL15, "1 2"),
    "drop": _p("Resistor_THT:R_Axial_DIN0516_L15.5mm_D5.0mm_P20.32mm_Horizontal", "1 2"),
    "mlcc": _p(_C1206, "1 2"),
    "c0g": _p(_C1206, "1 2"),
    "bead": _p("Inductor_SMD:L_0805_2012Metric_Pad1.15x1.40mm_HandSolder", "1 2"),
    # the circuit names anode, cathode of a diode and cathode, anode of a Zener; pad 1 is the cathode
    "schottky1": _p("Diode_THT:D_DO-41_SOD81_P10.16mm_Horizontal", "2 1"),
    "schottky": _p("Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", "2 1"),
    "clamp": _p("Diode_THT:D_DO-41_SOD81_P10.16mm_Horizontal", "1 2"),
    "clamp5": _p("Diode_THT:D_DO-15_P12.70mm_Horizontal", "1 2"),
    "uvlo": _p("Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", "1 2"),
    "arrester": _p("Diode_SMD:D_SMB", "1 2"),
    "npn": _p(_TO92, "1 2 3"),
    "pnp": _p(_TO92, "1 2 3"),
    "npnpass": _p(_TO92, "1 2 3"),
    "pnppass": _p(_TO92, "1 2 3"),
    "nmos": _p(_SOT23, "3 1 2"),
    "pmos": _p(_SOT23, "3 1 2"),
    "reg": _p("Package_SO:SOIC-8_3.9x4.9mm_P1.27mm", "8 1 7", p3="0", p4="0"),
    "reg5": _p("Package_TO_SOT_THT:TO-220-3_Vertical", "1 3", p2="0"),
    "fuse63": _p(_FUSE, "1 2"),
    "fuse125": _p(_FUSE, "1 2"),
    # one pole of two: 4 common, 5 closes when the coil is driven
    "relay": _p("Relay_THT:Relay_DPDT_Kemet_EC2", "4 5 1 12"),
    "csa": _p("Package_SO:SOIC-8_3.9x4.9mm_P1.27mm", "8 1 5 3+7 6", p2="0", p4="0"),
    "vref": _p(_SOT23, "1 2+3"),
    "thermo": _p(_TO92, "1 2 3"),
    "crystal": _p("Crystal:Crystal_HC49-4H_Vertical", "1 2"),
    "header": _p("Connector_PinHeader_2.54mm:PinHeader_2x03_P2.54mm_Vertical", "1 2 3 4 5 6"),
    "testpad": _p(TESTPAD, "1"),
}
#: A capacitor of this and more needs the larger case for its voltage.
LARGE_FARAD = 9e-6

MCU_PADS = {
    "PD3": "1", "PD4": "2", "XTAL1": "7", "XTAL2": "8", "PD5": "9", "PD6": "10", "PD7": "11", "PB0": "12", "PB1": "13",
    "PB2": "14", "PB3": "15", "PB4": "16", "PB5": "17", "AVCC": "18", "ADC6": "19", "AREF": "20", "ADC7": "22",
    "PC0": "23", "PC1": "24", "PC2": "25", "PC3": "26", "PC4": "27", "PC5": "28", "RESET": "29", "PD0": "30",
    "PD1": "31", "PD2": "32", "GND": "3+5+21", "VCC": "4+6",
}  # fmt: skip
ISOLATOR_PADS = {
    "VCC1": "1+7", "GND1": "2+8", "IN1": "3", "IN2": "4", "OUT3": "5", "GND2": "9+15", "VCC2": "10+16", "IN3": "12",
    "OUT2": "13", "OUT1": "14",
}  # fmt: skip
#: Quarters of the quad amplifier: plus, minus, output.
QUARTERS = {"U3A": "3 2 1", "U3B": "5 6 7", "U3C": "10 9 8", "U3D": "12 13 14"}
QUAD = "Package_SO:SOIC-14_3.9x8.7mm_P1.27mm"
#: Stand in the case or in a lead; the board has terminals for their wires.
OFF_BOARD = frozenset({"B1", "F1", "S1", "S2", "S3", "S4", "SW3", "X1", "J2"})


def _named(part: Part, table: dict[str, str]) -> dict[str, str]:
    return {pad: net for pin, net in zip(part.pins, part.nets, strict=True) for pad in table[pin].split("+")}


def pads_of(part: Part) -> tuple[str, dict[str, str]]:
    """Footprint and pad -> net of a part of the source board."""
    if part.family == "mcu":
        return "Package_QFP:TQFP-32_7x7mm_P0.8mm", _named(part, MCU_PADS)
    if part.family == "isolator":
        return "Package_SO:SOIC-16W_7.5x10.3mm_P1.27mm", _named(part, ISOLATOR_PADS)
    if part.family == "opamp":
        return QUAD, dict(zip(QUARTERS[part.ref].split(), part.nets, strict=True))
    if part.family == "terminal":
        count = len(part.nets)
        return TERMINAL.format(count), {str(k + 1): net for k, net in enumerate(part.nets)}
    package = PACKAGES[part.family]
    footprint = _C1210 if part.family == "mlcc" and part.value >= LARGE_FARAD else package.footprint
    pads = dict(package.also)
    for numbers, net in zip(package.pads, part.nets, strict=True):
        pads.update(dict.fromkeys(numbers, net))
    return footprint, pads


def _marking(part: Part) -> str:
    """What stands for a value where there is none: the type, or what it joins."""
    if part.kind == "FUSE":
        return f"{part.spec.amperes * 1e3:g} mA fast"
    if part.family in ("terminal", "testpad", "header"):
        return " ".join(part.nets)
    return part.spec.maker.split(",")[0].split()[-1]


def source_board_parts() -> tuple[BoardPart, ...]:
    """Every part of the circuit that stands on the board; four quarters of an amplifier are one part."""
    parts: dict[str, BoardPart] = {}
    for part in circuit.PARTS:
        ref = circuit.PACKAGES.get(part.ref, part.ref)
        if ref in OFF_BOARD:
            continue
        footprint, pads = pads_of(part)
        if part.family == "opamp":
            pads |= parts[ref].pads if ref in parts else {"4": "v5", "11": "0"}
        value = circuit.value_text(part) or _marking(part)
        parts[ref] = BoardPart(ref, value, footprint, pads)
    return tuple(parts.values())
