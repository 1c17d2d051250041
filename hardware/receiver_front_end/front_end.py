#!/usr/bin/env python3
"""The receiver's front end as data, with the figures that follow from it, and its drawing.

python hardware/receiver_front_end/front_end.py            prints the figures
python hardware/receiver_front_end/front_end.py --draw     writes front_end.svg (needs schemdraw, extra `dev`)
python hardware/receiver_front_end/front_end.py --bom      writes bom.csv
"""

from __future__ import annotations

import argparse
import csv
import math
import os
import sys
from pathlib import Path

SUPPLY_V = 3.3  # the converter's supply from the Raspberry Pi
SERIES_OHM = 2200.0  # each of the two in series in each lead
BIAS_OHM = 4.7e6  # each lead to mid-supply
FILTER_F = 10e-9  # across the converter's inputs
# Differential input impedance of the converter at its two highest gains (ADS1115 data sheet, read).
CONVERTER_OHM = 710e3
# Its differential input impedance at the larger ranges, full scale volts -> ohm (same source).
CONVERTER_BY_RANGE = {6.144: 22e6, 4.096: 15e6, 2.048: 4.9e6, 1.024: 2.4e6, 0.512: 710e3, 0.256: 710e3}

BOM = (
    ("R1 R2 R3 R4", "4", "metal film resistor", "2.2 kohm", "0.25 W, 1 %", "two in series in each lead"),
    ("R5 R6", "2", "metal film resistor", "4.7 Mohm", "0.25 W, 1 %", "lead to mid-supply"),
    ("R7 R8", "2", "metal film resistor", "10 kohm", "0.25 W, 1 %", "mid-supply"),
    ("C1", "1", "film or C0G capacitor", "10 nF", "50 V, 5 %", "across the inputs"),
    ("C2", "1", "ceramic capacitor", "1 uF", "16 V", "mid-supply"),
    ("C3", "1", "ceramic capacitor", "100 nF", "16 V", "converter supply"),
    ("D1 D2", "2", "dual low-leakage diode, each lead to both supplies", "", "70 V, 5 nA at 25 degC", "clamps"),
    ("U1", "1", "ADS1115 converter (a second one at another address for a crossed pair)", "", "2 to 5.5 V", "receiver"),
    ("X1", "1", "sealed connector, 2 pins and screen", "", "IP67", "pole cable"),
)


def input_ohm(full_scale_V: float = 0.256) -> float:
    """What the pair sees: converter in parallel with both bias resistors in series."""
    converter = CONVERTER_BY_RANGE[full_scale_V]
    return 1.0 / (1.0 / converter + 1.0 / (2.0 * BIAS_OHM))


def gain(full_scale_V: float = 0.256, source_ohm: float = 0.0) -> float:
    """Share of the pair's voltage that reaches the converter; `source_ohm`: both electrodes' own resistance."""
    load = input_ohm(full_scale_V)
    return load / (load + 4.0 * SERIES_OHM + source_ohm)


def corner_Hz() -> float:
    """-3 dB of series resistors and filter capacitor."""
    return 1.0 / (2.0 * math.pi * 4.0 * SERIES_OHM * FILTER_F)


def fault_current_A(shorted: int = 0) -> float:
    """Largest current between the two electrodes if the converter puts its supply across its inputs and `shorted`
    of the four series resistors are shorted too (water taken as 0 ohm)."""
    return SUPPLY_V / ((4 - shorted) * SERIES_OHM)


def johnson_V(bandwidth_Hz: float = 430.0, temperature_K: float = 300.0) -> float:
    """rms noise of the series resistors over half the sample rate."""
    return math.sqrt(4.0 * 1.380649e-23 * temperature_K * 4.0 * SERIES_OHM * bandwidth_Hz)


def figures() -> str:
    lines = [
        f"input impedance at 0.256 V: {input_ohm() / 1e3:.1f} kohm",
        f"gain at 0.256 V, low-resistance electrodes: {gain():.4f} (set front_end_gain to this)",
        f"gain with 1 kohm of electrode resistance more: {gain(source_ohm=1e3):.4f}",
        f"filter corner: {corner_Hz():.0f} Hz",
        f"resistor noise over 430 Hz: {johnson_V() * 1e6:.2f} uV rms (one converter step is 7.81 uV)",
        f"converter failed onto its supply: at most {fault_current_A() * 1e3:.3f} mA through the water,"
        f" with one resistor shorted as well {fault_current_A(1) * 1e3:.3f} mA",
    ]
    return "\n".join(lines)


def draw() -> str:
    """SVG text of the front end."""
    import schemdraw
    import schemdraw.elements as elm

    schemdraw.use("svg")
    d = schemdraw.Drawing(show=False)
    d.config(unit=2, fontsize=9, lw=1.2, bgcolor="white", font="sans-serif")

    def word(x: float, y: float, text: str, align: str = "left") -> None:
        nonlocal d
        d += elm.Label().at((x, y)).label(text, halign=align, valign="center", fontsize=9, ofst=0)

    for y, side, first, second, bias, clamp in (
        (0.0, "front electrode (one ring)", "R1", "R2", "R5", "D1"),
        (-6.0, "back electrode (two rings)", "R3", "R4", "R6", "D2"),
    ):
        d += elm.Line().at((-4, y)).to((0, y))
        d += elm.Dot(open=True, radius=0.1).at((-4, y))
        word(-4.1, y + 0.45, side)
        d += elm.ResistorIEC().at((0, y)).to((2.5, y)).label(f"{first} 2.2 k", fontsize=9)
        d += elm.ResistorIEC().at((4.5, y)).to((7, y)).label(f"{second} 2.2 k", fontsize=9)
        d += elm.Line().at((2.5, y)).to((4.5, y))
        d += elm.Dot(radius=0.06).at((3.5, y))
        up, down = (y + 1.8, y - 1.8)
        d += elm.Diode().at((3.5, y)).to((3.5, up)).label(clamp, loc="bottom", fontsize=9)
        d += elm.Diode().at((3.5, down)).to((3.5, y)).label(clamp, loc="bottom", fontsize=9)
        word(3.5, up + 0.35, "3.3 V", "center")
        word(3.5, down - 0.4, "0 V of the receiver", "center")
        d += elm.Line().at((7, y)).to((12.5, y))
        d += elm.Dot(radius=0.06).at((8, y))
        d += elm.ResistorIEC().at((8, y)).to((8, -3)).label(f"{bias} 4.7 M", loc="bottom", fontsize=9)
        d += elm.Dot(radius=0.06).at((11, y))
    d += elm.Capacitor().at((11, 0)).to((11, -6)).label("C1 10 nF", loc="top", fontsize=9)
    d += elm.Dot(radius=0.06).at((8, -3))
    d += elm.Line().at((8, -3)).to((6, -3))
    word(5.7, -3, "mid-supply", "right")
    d += elm.Dot(open=True, radius=0.1).at((6, -3))
    d += elm.RBox().at((12.5, 0)).to((12.5, -6))
    word(12.9, -3, "U1 converter: front on A1, back on A0")
    # the divider that makes mid-supply
    d += elm.ResistorIEC().at((18.5, 0)).to((18.5, -2.5)).label("R7 10 k", loc="bottom", fontsize=9)
    d += elm.ResistorIEC().at((18.5, -2.5)).to((18.5, -5)).label("R8 10 k", loc="bottom", fontsize=9)
    d += elm.Capacitor().at((21, -2.5)).to((21, -5)).label("C2 1 µF", loc="bottom", fontsize=9)
    d += elm.Line().at((18.5, -2.5)).to((21, -2.5))
    d += elm.Line().at((18.5, -5)).to((21, -5))
    d += elm.Dot(radius=0.06).at((18.5, -2.5))
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
            writer.writerows(BOM)
    if not (args.draw or args.bom):
        print(figures())
    return 0


if __name__ == "__main__":
    sys.exit(main())
