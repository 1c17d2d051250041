#!/usr/bin/env python3
"""The receiver's front end, revision B, as data: every part once, with its nodes. Netlist, drawing and parts list
come from `PARTS`; `false_signal.py` simulates it.

python hardware/receiver_front_end/front_end.py            prints the figures
python hardware/receiver_front_end/front_end.py --draw     writes front_end.svg (needs schemdraw, extra `dev`)
python hardware/receiver_front_end/front_end.py --bom      writes bom.csv

Nodes: front, back, ring = the plug's pins (the cable's screen is the ring's lead); ain0 (back), ain1 (front) = the
converter's inputs; v33 = its supply; mid = half of it; 0 = the receiver's 0 V.
"""

from __future__ import annotations

import argparse
import csv
import math
import os
import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal

SUPPLY_V = 3.3  # the converter's supply from the Raspberry Pi
PAIR_OHM = 5100.0  # each of the two in series in each lead of the pair
RING_OHM = 820.0  # each of the two in series with the ring
FILTER_F = 6.8e-9  # across the converter's inputs
STRAY_F = 12e-12  # each input to 0 V: two diodes, board, converter (own estimate)
BOLTZMANN_J_PER_K = 1.380649e-23
# Differential input impedance of the converter, full scale volts -> ohm (ADS1115 data sheet, read).
CONVERTER_BY_RANGE = {6.144: 22e6, 4.096: 15e6, 2.048: 4.9e6, 1.024: 2.4e6, 0.512: 710e3, 0.256: 710e3}
# Common-mode input impedance at the two smallest ranges (ADS1115 data sheet, from memory).
CONVERTER_COMMON_OHM = 100e6
# Noise at 860 samples/s and +-0.256 V, rms (the emulated converter's figure, which is from memory of the data sheet:
# about one step of 7.8 uV).
CONVERTER_NOISE_V = 8e-6

Revision = Literal["A", "B"]


@dataclass(frozen=True)
class Part:
    """One part. nodes in SPICE order (diode: anode, cathode; a dual clamp: lead). value: ohm, farad or volt."""

    ref: str
    kind: Literal["R", "C", "CLAMP", "Z", "U", "X"]
    nodes: tuple[str, ...]
    value: float
    text: str
    name: str
    rating: str
    job: str


def _r(ref: str, a: str, b: str, ohm: float, text: str, job: str) -> Part:
    return Part(ref, "R", (a, b), ohm, text, "metal film resistor", "0.25 W, 1 %", job)


def _c(ref: str, a: str, b: str, farad: float, text: str, name: str, job: str) -> Part:
    return Part(ref, "C", (a, b), farad, text, name, "16 V", job)


def _clamp(ref: str, node: str) -> Part:
    return Part(ref, "CLAMP", (node,), 0.0, "", "dual low-leakage diode, lead to both supplies",
                "70 V, 5 nA at 25 degC", "clamps")  # fmt: skip


PARTS: tuple[Part, ...] = (
    _r("R1", "front", "f1", PAIR_OHM, "5.1 kohm", "two in series in each lead"),
    _r("R2", "f1", "ain1", PAIR_OHM, "5.1 kohm", "two in series in each lead"),
    _r("R3", "back", "b1", PAIR_OHM, "5.1 kohm", "two in series in each lead"),
    _r("R4", "b1", "ain0", PAIR_OHM, "5.1 kohm", "two in series in each lead"),
    _r("R5", "ring", "r1", RING_OHM, "820 ohm", "two in series between ring and mid-supply"),
    _r("R6", "r1", "mid", RING_OHM, "820 ohm", "two in series between ring and mid-supply"),
    _r("R7", "v33", "mid", 1e3, "1 kohm", "mid-supply"),
    _r("R8", "mid", "0", 1e3, "1 kohm", "mid-supply"),
    _c("C1", "ain0", "ain1", FILTER_F, "6.8 nF", "C0G capacitor, 5 %", "across the inputs"),
    _c("C2", "mid", "0", 10e-6, "10 uF", "ceramic capacitor", "mid-supply"),
    _c("C3", "v33", "0", 100e-9, "100 nF", "ceramic capacitor", "converter supply"),
    _c("C4", "ring", "r1", 220e-9, "220 nF", "film capacitor", "lets edges pass R5, R6"),
    _c("C5", "r1", "mid", 220e-9, "220 nF", "film capacitor", "lets edges pass R5, R6"),
    _clamp("D1", "f1"),
    _clamp("D2", "b1"),
    _clamp("D3", "r1"),
    Part("Z1", "Z", ("0", "v33"), 4.3, "4.3 V", "Zener diode", "0.5 W, 5 %",
         "supply clamp: a surge through the diodes cannot lift the converter's supply above 5 V"),
    Part("U1", "U", ("ain0", "ain1"), CONVERTER_BY_RANGE[0.256], "", "ADS1115 converter", "2 to 5.5 V",
         "receiver, address 0x48"),
    Part("X1", "X", ("front", "back", "ring", "front2", "back2"), 0.0, "", "sealed connector, 5 pins", "IP67",
         "pole cable: 1 front, 2 back, 3 screen, which is the ring's lead; 4, 5 the second pair of a crossed head"),
)  # fmt: skip

#: The second pair of a crossed head: the same circuit again, with the same ring. Left out for a head with one pair.
_SECOND = "second pair of a crossed head: "
CROSSED: tuple[Part, ...] = (
    _r("R13", "front2", "f2", PAIR_OHM, "5.1 kohm", _SECOND + "two in series in each lead"),
    _r("R14", "f2", "xin1", PAIR_OHM, "5.1 kohm", _SECOND + "two in series in each lead"),
    _r("R15", "back2", "b2", PAIR_OHM, "5.1 kohm", _SECOND + "two in series in each lead"),
    _r("R16", "b2", "xin0", PAIR_OHM, "5.1 kohm", _SECOND + "two in series in each lead"),
    _c("C6", "xin0", "xin1", FILTER_F, "6.8 nF", "C0G capacitor, 5 %", _SECOND + "across the inputs"),
    _c("C7", "v33", "0", 100e-9, "100 nF", "ceramic capacitor", _SECOND + "converter supply"),
    _clamp("D5", "f2"),
    _clamp("D6", "b2"),
    Part("U2", "U", ("xin0", "xin1"), CONVERTER_BY_RANGE[0.256], "", "ADS1115 converter", "2 to 5.5 V",
         _SECOND + "receiver, address 0x49"),
)  # fmt: skip
ALL_PARTS = (*PARTS, *CROSSED)

#: What revision A had otherwise: values, and the bias that a ring makes unnecessary. For comparison only.
_VALUES_A = {"C1": 10e-9, "R1": 2200.0, "R2": 2200.0, "R3": 2200.0, "R4": 2200.0, "R7": 10e3, "R8": 10e3, "C2": 1e-6}
_ABSENT_A = {"R5", "R6", "C4", "C5", "D3", "Z1"}
_BIAS_A = (
    _r("RB1", "ain1", "mid", 4.7e6, "4.7 Mohm", "lead to mid-supply"),
    _r("RB2", "ain0", "mid", 4.7e6, "4.7 Mohm", "lead to mid-supply"),
)

CONTACTS = (("front", "back"), ("front", "ring"), ("back", "ring"))

MODELS = """* generic parts, typed here
.model DC D(IS=20f N=1.2 RS=2 CJO=2p TT=1u)
.model DZ D(IS=1f RS=10 BV=4.3 IBV=5m CJO=100p)
"""


def parts(revision: Revision = "B") -> tuple[Part, ...]:
    if revision == "B":
        return PARTS
    kept = (replace(p, value=_VALUES_A.get(p.ref, p.value)) for p in PARTS if p.ref not in _ABSENT_A)
    return (*kept, *_BIAS_A)


def netlist(revision: Revision = "B") -> str:
    """SPICE text of the front end alone."""
    lines = [MODELS, f"Vs vs 0 {SUPPLY_V}", "Rs vs v33 1"]
    for part in parts(revision):
        n = part.nodes
        if part.kind in ("R", "C"):
            lines.append(f"{part.ref} {n[0]} {n[1]} {part.value:g}")
        elif part.kind == "CLAMP":
            lines += [f"{part.ref}a {n[0]} v33 DC", f"{part.ref}b 0 {n[0]} DC"]
        elif part.kind == "Z":
            lines.append(f"D{part.ref} {n[0]} {n[1]} DZ")
        elif part.kind == "U":
            lines += [f"Rd {n[0]} {n[1]} {part.value:g}"]
            lines += [f"Rc{k} {node} 0 {CONVERTER_COMMON_OHM:g}" for k, node in enumerate(n)]
            lines += [f"Cs{k} {node} 0 {STRAY_F:g}" for k, node in enumerate(n)]
    return "\n".join(lines) + "\n"


def bill_of_materials() -> list[tuple[str, str, str, str, str, str]]:
    """references, quantity, part, value, rating, job: parts alike in one row."""
    rows: dict[tuple[str, str, str, str], list[str]] = {}
    for part in ALL_PARTS:
        rows.setdefault((part.name, part.text, part.rating, part.job), []).append(part.ref)
    return [(" ".join(refs), str(len(refs)), *key) for key, refs in rows.items()]


#: In both leads together.
SERIES_OHM = 4.0 * PAIR_OHM


def gain(full_scale_V: float = 0.256, source_ohm: float = 0.0) -> float:
    """Share of the pair's voltage that reaches the converter; `source_ohm`: both electrodes' own resistance."""
    load = CONVERTER_BY_RANGE[full_scale_V]
    return load / (load + SERIES_OHM + source_ohm)


def _contact_ohm(contact: str) -> list[float]:
    """The resistors in series behind a contact."""
    return [RING_OHM, RING_OHM] if contact == "ring" else [PAIR_OHM, PAIR_OHM]


def fault_current_A(one: str, other: str, shorted: bool = False) -> float:
    """Current between two contacts if a fault puts the supply across them inside the receiver, the largest resistor
    in its way shorted too if so asked (water taken as 0 ohm)."""
    way = sorted(_contact_ohm(one) + _contact_ohm(other))
    return SUPPLY_V / sum(way[:-1] if shorted else way)


def johnson_V(ohm: float, bandwidth_Hz: float = 430.0, temperature_K: float = 300.0) -> float:
    """rms noise of a resistance over half the sample rate."""
    return math.sqrt(4.0 * BOLTZMANN_J_PER_K * temperature_K * ohm * bandwidth_Hz)


def noise_budget(electrodes_ohm: float = 2e3) -> dict[str, float]:
    """Volts rms per conversion at the pair, by origin. electrodes_ohm: both electrodes' contacts together."""
    return {
        "series resistors": johnson_V(SERIES_OHM),
        "electrodes' contacts": johnson_V(electrodes_ohm),
        "converter": CONVERTER_NOISE_V / gain(source_ohm=electrodes_ohm),
    }


def figures() -> str:
    budget = noise_budget()
    worst = max(fault_current_A(a, b) for a, b in CONTACTS)
    worse = max(fault_current_A(a, b, shorted=True) for a, b in CONTACTS)
    lines = [
        f"gain at 0.256 V, low-resistance electrodes: {gain():.4f} (set front_end_gain to this)",
        f"gain with 1 kohm of electrode resistance more: {gain(source_ohm=1e3):.4f}",
        f"gain at 1.024 V: {gain(1.024):.4f}",
        "noise of one conversion: "
        + ", ".join(f"{name} {value * 1e6:.3f}" for name, value in budget.items())
        + f", together {math.sqrt(sum(v * v for v in budget.values())) * 1e6:.2f} uV rms",
        f"supply across two contacts: at most {worst * 1e3:.3f} mA through the water,"
        f" with one resistor shorted as well {worse * 1e3:.3f} mA",
    ]
    return "\n".join(lines)


def draw() -> str:
    """SVG text of the front end: places are given here, names and values come from `PARTS`."""
    import schemdraw
    import schemdraw.elements as elm

    schemdraw.use("svg")
    d = schemdraw.Drawing(show=False)
    d.config(unit=2, fontsize=9, lw=1.2, bgcolor="white", font="sans-serif")
    table = {part.ref: part for part in ALL_PARTS}

    def word(x: float, y: float, text: str, align: Literal["left", "center", "right"] = "left") -> None:
        nonlocal d
        d += elm.Label().at((x, y)).label(text, halign=align, valign="center", fontsize=9, ofst=0)

    def two(ref: str, a: tuple[float, float], b: tuple[float, float], loc: str = "top") -> None:
        nonlocal d
        part = table[ref]
        kind = {"R": elm.ResistorIEC, "C": elm.Capacitor, "Z": elm.Zener}[part.kind]
        d += kind().at(a).to(b).label(f"{ref} {part.text}", loc=loc, fontsize=9)

    def dot(x: float, y: float, terminal: bool = False) -> None:
        nonlocal d
        d += elm.Dot(open=terminal, radius=0.1 if terminal else 0.06).at((x, y))

    def wire(*points: tuple[float, float]) -> None:
        nonlocal d
        for a, b in pairwise(points):
            d += elm.Line().at(a).to(b)

    for y, pin, side, first, second, clamp in (
        (0.0, 1, "front electrode (one ring)", "R1", "R2", "D1"),
        (-6.0, 2, "back electrode (two rings)", "R3", "R4", "D2"),
        (-12.0, 3, "reference ring", "R5", "R6", "D3"),
        (-20.0, 4, "second front", "R13", "R14", "D5"),
        (-26.0, 5, "second back", "R15", "R16", "D6"),
    ):
        wire((-4, y), (0, y))
        dot(-4, y, terminal=True)
        word(-4.1, y + 0.45, f"X1 pin {pin}: {side}")
        two(first, (0, y), (2.5, y))
        two(second, (4.5, y), (7, y))
        wire((2.5, y), (4.5, y))
        dot(3.5, y)
        d += elm.Diode().at((3.5, y)).to((3.5, y + 1.8)).label(clamp, loc="bottom", fontsize=9)
        d += elm.Diode().at((3.5, y - 1.8)).to((3.5, y)).label(clamp, loc="bottom", fontsize=9)
        word(3.5, y + 2.15, "3.3 V", "center")
        word(3.5, y - 2.2, "0 V", "center")
    for y in (0.0, -6.0, -20.0, -26.0):
        wire((7, y), (12.5, y))
        dot(11, y)
    two("C1", (11, 0), (11, -6))
    two("C6", (11, -20), (11, -26))
    # capacitors beside the ring's resistors, drawn below them
    for ref, left, right in (("C4", 0.0, 3.1), ("C5", 3.9, 7.0)):
        wire((left, -12), (left, -15))
        wire((right, -15), (right, -12))
        two(ref, (left, -15), (right, -15), loc="bottom")
        dot(left, -12)
        dot(right, -12)
    d += elm.RBox().at((12.5, 0)).to((12.5, -6))
    word(12.9, -3, "U1 converter: front on A1, back on A0")
    d += elm.RBox().at((12.5, -20)).to((12.5, -26))
    word(12.9, -23, "U2 converter of a crossed head: front on A1, back on A0, ADDR to 3.3 V")
    wire((7, -12), (9, -12))
    dot(9, -12, terminal=True)
    word(9.3, -12, "mid-supply")
    # the divider that makes mid-supply, and what stands across the supply
    two("R7", (18.5, 0), (18.5, -2.5), loc="bottom")
    two("R8", (18.5, -2.5), (18.5, -5), loc="bottom")
    two("C2", (21, -2.5), (21, -5), loc="bottom")
    two("C3", (24, 0), (24, -5), loc="bottom")
    two("C7", (30, 0), (30, -5))
    two("Z1", (27, -5), (27, 0), loc="bottom")
    wire((18.5, 0), (30, 0))
    wire((18.5, -2.5), (21, -2.5))
    wire((18.5, -5), (30, -5))
    dot(18.5, -2.5)
    word(18.5, 0.35, "3.3 V", "center")
    word(19.2, -2.2, "mid-supply")
    word(18.5, -5.4, "0 V of the receiver", "center")
    text: str = d.get_imagedata("svg").decode("utf-8")
    return text


def _write(path: Path, text: str) -> None:
    temporary = path.with_name(path.name + ".tmp")
    with temporary.open("w", encoding="utf-8", newline="") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())
    temporary.replace(path)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--draw", action="store_true")
    parser.add_argument("--bom", action="store_true")
    args = parser.parse_args()
    here = Path(__file__).parent
    if args.draw:
        _write(here / "front_end.svg", draw())
    if args.bom:
        with (here / "bom.csv").open("w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle, lineterminator="\n")
            writer.writerow(("references", "quantity", "part", "value", "rating", "job"))
            writer.writerows(bill_of_materials())
    if not (args.draw or args.bom):
        print(figures())
    return 0


if __name__ == "__main__":
    sys.exit(main())
