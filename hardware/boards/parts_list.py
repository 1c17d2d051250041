"""The parts to order for the two boards: maker's number and second source of every part, and what a kit costs.

Numbers follow each maker's own scheme and, like the prices, are **from memory**: nothing was ordered or looked up.
Compare with the maker's sheet before you order. Prices are estimates in euro without tax, for one and for twenty kits.

    python -m hardware.boards.parts_list           writes bom.csv beside each board and prints the totals
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hardware.boards import boards
from hardware.boards.model import HERE, BoardPart
from hardware.boards.packages import OFF_BOARD
from hardware.receiver_front_end import front_end
from hardware.receiver_front_end.on_the_pi import AROUND
from hardware.source_board.output_stage import circuit

HEAD = ("references", "quantity", "value", "footprint", "maker's number", "second source", "each, 1 kit (EUR, estimate "
        "from memory)", "each, 20 kits (EUR, estimate from memory)")  # fmt: skip


def letters(ohm: float) -> str:
    """4.99 -> 4R99, 1600 -> 1K6, 1e6 -> 1M."""
    letter, scale = ("M", 1e6) if ohm >= 1e6 else ("K", 1e3) if ohm >= 1e3 else ("R", 1.0)
    text = f"{ohm / scale:.6g}"
    whole, _, part = text.partition(".")
    return f"{whole}{letter}{part}"


def digits(ohm: float) -> str:
    """Three digits and a power of ten, as military codes go: 274 -> 2740, 33 -> 33R0."""
    if ohm < 100:
        return f"{ohm:.3g}".replace(".", "R") if ohm % 1 else f"{ohm:.0f}R0"
    power = math.floor(math.log10(ohm)) - 2
    return f"{round(ohm / 10**power)}{power}"


def farads(farad: float) -> str:
    """100 nF -> 104 (picofarad, power of ten)."""
    pico = farad * 1e12
    power = math.floor(math.log10(pico) + 1e-9) - 1
    return f"{round(pico / 10**power)}{power}"


@dataclass(frozen=True)
class Source:
    maker: Callable[[float], str]
    second: Callable[[float], str]
    one_eur: float
    twenty_eur: float


def _fixed(maker: str, second: str, one: float, twenty: float) -> Source:
    return Source(lambda _: maker, lambda _: second, one, twenty)


def _mlcc(value: float) -> str:
    case, letter = ("1210", "K") if value >= 9e-6 else ("1206", "K")
    return f"Yageo CC{case}{letter}KX7R9BB{farads(value)}"


SOURCES: dict[str, Source] = {
    "film": Source(lambda v: f"Yageo RC1206FR-07{letters(v)}L",
                   lambda v: f"Vishay CRCW1206{letters(v)}FKEA", 0.06, 0.01),
    "film01": Source(lambda v: f"Yageo MFP-25BRD52-{letters(v)}", lambda v: f"TE YR1B{letters(v)}CC", 0.45, 0.28),
    "shunt": Source(lambda v: f"Yageo MFR-25DRD52-{letters(v)}", lambda _: "equivalent, 0.5 %, 0207", 0.30, 0.15),
    "pole": Source(lambda v: f"Vishay PR0100010{digits(v)}FA500",
                   lambda v: f"Yageo FMP100FR-52-{letters(v)}", 0.25, 0.12),
    "limit": Source(lambda v: f"Vishay PR0100010{digits(v)}FA500",
                   lambda v: f"Yageo FMP100FR-52-{letters(v)}", 0.25, 0.12),
    "drop": Source(lambda v: f"Vishay PR0300020{digits(v)}JAC00",
                   lambda v: f"Yageo PNP300JR-73-{letters(v)}", 0.35, 0.20),
    "mlcc": Source(_mlcc, lambda v: f"Kemet C{'1210' if v >= 9e-6 else '1206'}C{farads(v)}K5RACTU", 0.15, 0.06),
    "c0g": Source(lambda v: f"Yageo CC1206JRNPO9BN{farads(v)}",
                   lambda v: f"Kemet C1206C{farads(v)}J5GACTU", 0.20, 0.09),
    "bead": _fixed("TDK MLZ2012M100WT000", "Taiyo Yuden LBR2012T100K", 0.20, 0.10),
    "schottky1": _fixed("onsemi 1N5819", "ST 1N5819", 0.20, 0.08),
    "schottky": _fixed("Nexperia BAT85", "Vishay BAT85", 0.15, 0.06),
    "clamp": _fixed("Vishay BZX85B11", "equivalent, 11 V, 2 %, 1.3 W", 0.20, 0.09),
    "clamp5": _fixed("onsemi 1N5339BG", "Microchip 1N5339B", 0.60, 0.35),
    "uvlo": _fixed("Nexperia BZX79-C6V2", "Vishay BZX55C6V2", 0.10, 0.04),
    "arrester": _fixed("Littelfuse SMBJ12CA", "Bourns SMBJ12CA", 0.45, 0.22),
    "npn": _fixed("onsemi BC547BTA", "Diotec BC547B", 0.15, 0.05),
    "pnp": _fixed("onsemi BC557BTA", "Diotec BC557B", 0.15, 0.05),
    "npnpass": _fixed("onsemi BC337-40", "Diotec BC337-40", 0.18, 0.07),
    "pnppass": _fixed("onsemi BC327-40", "Diotec BC327-40", 0.18, 0.07),
    "nmos": _fixed("onsemi BSS138", "Diodes BSS138-7-F", 0.20, 0.07),
    "pmos": _fixed("Nexperia BSS84", "onsemi BSS84", 0.20, 0.08),
    "reg": _fixed("TI LP2951CDR", "onsemi LP2951CDR2G", 0.80, 0.45),
    "reg5": _fixed("ST L78M05CV", "onsemi MC78M05CTG", 0.55, 0.30),
    "fuse63": _fixed("Littelfuse 0217.063HXP", "Eska 520.5 series, 63 mA", 0.60, 0.35),
    "fuse125": _fixed("Littelfuse 0217.125HXP", "Eska 520.5 series, 125 mA", 0.60, 0.35),
    "relay": _fixed("Kemet EC2-5NU", "Omron G6S-2 DC5", 2.40, 1.60),
    "csa": _fixed("TI INA240A1D", "none with the same pins", 2.60, 1.80),
    "opamp": _fixed("Microchip MCP6004-I/SL", "TI TLV9004IDR", 0.70, 0.45),
    "vref": _fixed("TI LM4040C25IDBZR", "Microchip LM4040CYM3-2.5-TR", 0.70, 0.40),
    "thermo": _fixed("Analog Devices TMP36GT9Z", "Microchip MCP9700A-E/TO", 1.60, 1.10),
    "mcu": _fixed("Microchip ATMEGA328P-AU", "none", 2.80, 2.20),
    "isolator": _fixed("TI ISO7731DWR", "Analog Devices ADuM131E1BRWZ", 2.90, 2.00),
    "crystal": _fixed("Abracon ABL-16.000MHZ-B2", "ECS ECS-160-18-4X", 0.40, 0.22),
    "header": _fixed("Samtec TSW-103-07-G-D", "Wuerth 61300621121", 0.40, 0.20),
    "testpad": _fixed("none: copper of the board", "none", 0.0, 0.0),
    "terminal2": _fixed("Phoenix 1715721", "equivalent, 5.08 mm", 0.90, 0.60),
    "terminal3": _fixed("Phoenix 1715734", "equivalent, 5.08 mm", 1.20, 0.80),
    "terminal4": _fixed("Phoenix 1715747", "equivalent, 5.08 mm", 1.60, 1.10),
    "terminal5": _fixed("Phoenix 1715750", "equivalent, 5.08 mm", 2.00, 1.40),
    "terminal8": _fixed("Phoenix 1715789", "equivalent, 5.08 mm", 3.10, 2.20),
    "clip": _fixed("Littelfuse 111 series fuse clip", "equivalent, 5 x 20 mm, 4 pins", 0.25, 0.14),
    "filmcap": _fixed("Kemet R82EC3220AA60J", "Wima MKS2C032201A00JSSD", 0.35, 0.18),
    "dual": _fixed("Nexperia BAV199", "onsemi BAV199LT1G", 0.20, 0.08),
    "zener43": _fixed("Nexperia BZX79-C4V3", "Vishay BZX55C4V3", 0.10, 0.04),
    "module": _fixed("ADS1115 module, 10 pins, 2.54 mm", "TI ADS1115IDGSR on an adapter of the same pins", 4.50, 3.20),
    "socket10": _fixed("Samtec SSW-110-01-G-S", "Wuerth 61301011821", 0.90, 0.50),
    "socket40": _fixed("Samtec SSW-120-01-G-D", "equivalent, 2 x 20, 8.5 mm", 2.20, 1.30),
}  # fmt: skip
_FRONT = {"R": "film", "C": "mlcc", "CLAMP": "dual", "Z": "zener43", "U": "module"}
_AROUND = {"pi header": "socket40", "nmos": "nmos", "film": "film", "schottky": "schottky", "testpad": "testpad"}
_OHMS = {"1 kohm": 1e3, "100 kohm": 1e5}


def kind_of(board: str, part: BoardPart) -> tuple[str, float]:
    """Key into SOURCES, and the value that the number is made from."""
    terminal = f"terminal{len(part.pads)}"
    if board == "source":
        origin = circuit.BY_REF.get(part.ref) or circuit.BY_REF[part.ref + "A"]
        return (terminal if origin.family == "terminal" else origin.family), origin.value
    for around in AROUND:
        if around.ref == part.ref:
            return (terminal if around.kind == "terminal" else _AROUND[around.kind]), _OHMS.get(around.text, 0.0)
    origin_f = next(p for p in front_end.ALL_PARTS if p.ref == part.ref)
    if origin_f.name == "film capacitor":
        return "filmcap", origin_f.value
    return ("c0g" if "C0G" in origin_f.name else _FRONT[origin_f.kind]), origin_f.value


def rows(board: str) -> list[tuple[str, ...]]:
    grouped: dict[tuple[str, float, str], list[BoardPart]] = {}
    for part in boards()[board].parts:
        kind, value = kind_of(board, part)
        grouped.setdefault((kind, value, part.footprint), []).append(part)
    table: list[tuple[str, ...]] = []
    for (kind, value, footprint), group in grouped.items():
        s = SOURCES[kind]
        table.append((
            " ".join(p.ref for p in group), str(len(group)),
            "" if kind.startswith(("term", "test")) else group[0].value, footprint.split(":")[1], s.maker(value),
            s.second(value), f"{s.one_eur:.2f}", f"{s.twenty_eur:.2f}",
        ))  # fmt: skip
    extra = {"source": [("clip", 4, "F2 F3")], "front_end": [("socket10", 2, "U1 U2")]}[board]
    for kind, count, refs in extra:
        s = SOURCES[kind]
        table.append((
            f"{refs} (holder)", str(count), "", "", s.maker(0), s.second(0), f"{s.one_eur:.2f}", f"{s.twenty_eur:.2f}"
        ))  # fmt: skip
    return table


def totals(board: str) -> tuple[float, float]:
    table = rows(board)
    return sum(int(r[1]) * float(r[6]) for r in table), sum(int(r[1]) * float(r[7]) for r in table)


def write(board: str, path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(HEAD)
        writer.writerows(rows(board))


if __name__ == "__main__":
    for name in boards():
        write(name, HERE / name / "bom.csv")
        one, twenty = totals(name)
        print(f"{name}: parts for one kit {one:.0f} EUR, in twenty kits {twenty:.0f} EUR each (estimate, from memory)")
    print("in the case or in a lead, bought apart: " + ", ".join(sorted(OFF_BOARD)))
