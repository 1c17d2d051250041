"""Reads back what the maker gets, gerbers (X2, with pads and nets named), drills and positions, and compares it with
the board's file: so that what is sent is what was checked."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path
from typing import Any

from hardware.boards.reader import LAYERS, ORIGIN_MM, Copper

_COORDINATE = re.compile(r"X(-?\d+)Y(-?\d+)D0([123])\*")
#: Part, pad, net, x, y in thousandths of a millimetre.
Flash = tuple[str, str, str, int, int]


def _whole(mm: float) -> int:
    """Thousandths, with half a one never on the edge between two: pads of turned parts lie on such halves."""
    return round(mm * 1000 + 0.25)


def _at(x: float, y: float) -> tuple[int, int]:
    return _whole(x - ORIGIN_MM[0]), _whole(-y - ORIGIN_MM[1])


def flashes(path: Path) -> tuple[Counter[Flash], Counter[tuple[str, int, int, int, int]]]:
    """Pads, and straight pieces of track, of a copper layer."""
    pads: Counter[Flash] = Counter()
    lines: Counter[tuple[str, int, int, int, int]] = Counter()
    part, pad, net, pen, area = "", "", "", (0, 0), False
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("%TO.P,"):
            part, pad = line[6:-2].split(",")[:2]
        elif line.startswith("%TO.N,"):
            net = "" if line[6:-2] == "N/C" else line[6:-2]
        elif line.startswith("%TD"):
            part, pad, net = "", "", ""
        elif line in ("G36*", "G37*"):
            area = line == "G36*"
        elif match := _COORDINATE.match(line):
            here = _at(int(match[1]) / 1e6, int(match[2]) / 1e6)
            if match[3] == "3" and part:
                pads[(part, pad, net, *here)] += 1
            elif match[3] == "1" and not area and not part:
                lines[(net, *min(pen, here), *max(pen, here))] += 1
            pen = here
    return pads, lines


def holes(path: Path) -> Counter[tuple[int, int, int]]:
    """Diameter, x, y in thousandths of a millimetre."""
    size: dict[str, float] = {}
    found: Counter[tuple[int, int, int]] = Counter()
    tool = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if match := re.fullmatch(r"(T\d+)C([\d.]+)", line):
            size[match[1]] = float(match[2])
        elif re.fullmatch(r"T\d+", line):
            tool = line
        elif match := re.fullmatch(r"X(-?[\d.]+)Y(-?[\d.]+)", line):
            found[(_whole(size[tool]), *_at(float(match[1]), float(match[2])))] += 1
    return found


def _counted(what: str, made: Counter[Any], wanted: Counter[Any]) -> list[str]:
    missing, extra = wanted - made, made - wanted
    said = [f"{what}: {sum(missing.values())} are missing, such as {next(iter(missing))}"] if missing else []
    return said + ([f"{what}: {sum(extra.values())} too many, such as {next(iter(extra))}"] if extra else [])


def _thousandths(*values: float) -> tuple[int, ...]:
    return tuple(_whole(v) for v in values)


def compare(name: str, folder: Path, copper: Copper) -> list[str]:
    """One sentence for every way in which the maker's files differ from the board's."""

    def called(net: str) -> str:
        return "GND" if net == "0" else net

    said: list[str] = []
    for k, layer in enumerate(LAYERS):
        pads, lines = flashes(folder / f"{name}-{layer.replace('.', '_')}.gbr")
        want = Counter((p.ref, p.number, called(p.net), *_thousandths(p.x_mm, p.y_mm))
                       for p in copper.pads if k in p.layers and p.number)  # fmt: skip
        said += _counted(f"pads of {layer}", Counter({f: n for f, n in pads.items() if f[1]}), want)
        tracks: Counter[Any] = Counter()
        for t in copper.tracks:
            if t.layer == k:
                a, b = _thousandths(t.x0_mm, t.y0_mm), _thousandths(t.x1_mm, t.y1_mm)
                tracks[(called(t.net), *min(a, b), *max(a, b))] += 1
        said += _counted(f"tracks of {layer}", lines, tracks)
    drilled = holes(folder / f"{name}-PTH.drl") + holes(folder / f"{name}-NPTH.drl")
    want_holes: Counter[Any] = Counter(_thousandths(p.drill_mm, p.x_mm, p.y_mm) for p in copper.pads if p.drill_mm)
    want_holes.update(_thousandths(v.drill_mm, v.x_mm, v.y_mm) for v in copper.vias)
    said += _counted("holes", drilled, want_holes)
    with (folder / f"{name}_positions.csv").open(encoding="utf-8", newline="") as handle:
        placed = {row["ref"] for row in csv.DictReader(handle)}
    wanted = {ref for ref in copper.footprints if not ref.startswith("H")}
    said += [f"positions: {ref} is missing" for ref in sorted(wanted - placed)]
    return said + [f"positions: {ref} is not on the board" for ref in sorted(placed - wanted)]
