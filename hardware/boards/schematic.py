"""Schematic sheets of both boards as KiCad files, and a picture of each: one sheet a block, every pin with its net.

    python -m hardware.boards.schematic source

Signal runs from left to right within a symbol, supply is up; below each part stands what it is for, and what matters
for safety at the foot. Equal net names are joined. Positions only are made here; parts and nets are the circuit's.
"""

from __future__ import annotations

import subprocess
import sys
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from hardware.boards import boards, packages, sexpr
from hardware.boards.model import HERE, BoardPart
from hardware.boards.sexpr import Node, Quoted
from hardware.boards.symbols import (
    Point,
    Shape,
    bipolar,
    capacitor,
    chip,
    crystal,
    diode,
    field_effect,
    fuse,
    inductor,
    resistor,
)
from hardware.receiver_front_end import front_end
from hardware.receiver_front_end.on_the_pi import AROUND
from hardware.source_board.output_stage import circuit

SHEET_MM = (420.0, 297.0)
COLUMN_MM, FIRST_X, FIRST_Y = 66.04, 45.72, 40.64
WIRE_MM = 5.08
NOTES = {
    "bridge supply": "Emergency stop and enable carry this supply. Q3 conducts only while the alive pump runs.",
    "limiters and clamp": "Two limiters and the clamp D4: each holds alone (docs/safety.md). No lesser parts.",
    "bridge": "Pull-downs on every gate and base: a chip in reset or missing leaves all off.",
    "outputs": "548 ohm in every pole, flameproof, in two parts: one shorted still limits.",
    "measurement": "All about the midpoint, half of the processor's own supply: rails of 4.75 to 5.25 V move no zero.",
    "5 V and processor": "F3 and D9 bound what a failed U4 does to 5 V parts.",
    "around the board": "The host's side of U7 (h5, h0) is the receiver's island: never joined to net 0.",
    "front end circuit": "The receiver floats: net 0 here is not the source's. Ring to mid-supply by R5, R6.",
}


@dataclass(frozen=True)
class Item:
    part: BoardPart
    block: str
    job: str
    shape: Shape


def _uuid(*words: str) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_URL, "earthward/" + "/".join(words)))


def _chip_sides(part: BoardPart, names: dict[str, str]) -> Shape:
    pads = sorted(part.pads, key=lambda p: (len(p), p))
    half = (len(pads) + 1) // 2
    rows = [(pad, names.get(pad, pad)) for pad in pads]
    return chip(rows[:half], rows[half:])


def _shape(kind: str, part: BoardPart, names: dict[str, str]) -> Shape:
    simple = {"R": resistor, "C": capacitor, "L": inductor, "FUSE": fuse}
    if kind in simple:
        return simple[kind]()
    if kind in ("D", "Z", "T"):
        return diode(kind)
    if kind in ("NPN", "PNP"):
        return bipolar(kind)
    if kind in ("NMOS", "PMOS"):
        return field_effect(kind)
    return crystal() if kind == "crystal" else _chip_sides(part, names)


_NAMES = {
    "reg": {"8": "IN", "1": "OUT", "7": "FB", "3": "SD", "4": "GND"}, "reg5": {"1": "IN", "2": "GND", "3": "OUT"},
    "relay": {"4": "com", "5": "closes", "1": "coil +", "12": "coil -"}, "vref": {"1": "K", "2": "A", "3": "A"},
    "csa": {"8": "+", "1": "-", "5": "OUT", "3": "REF2", "7": "REF1", "6": "V+", "2": "GND", "4": "GND"},
    "opamp": {"1": "OUT A", "2": "A-", "3": "A+", "4": "V+", "5": "B+", "6": "B-", "7": "OUT B", "8": "OUT C",
              "9": "C-", "10": "C+", "11": "V-", "12": "D+", "13": "D-", "14": "OUT D"},
    "mcu": {pad: pin for pin, pads in packages.MCU_PADS.items() for pad in pads.split("+")},
    "isolator": {pad: pin for pin, pads in packages.ISOLATOR_PADS.items() for pad in pads.split("+")},
}  # fmt: skip


def items(board: str) -> list[Item]:
    found = []
    for part in boards()[board].parts:
        if board == "source":
            origin = circuit.BY_REF.get(part.ref) or circuit.BY_REF[part.ref + "A"]
            names = _NAMES.get(origin.family) or dict(zip((str(k + 1) for k in range(40)), origin.pins, strict=False))
            kind: str = "crystal" if origin.family == "crystal" else origin.kind
            block = "measurement" if origin.family == "csa" else origin.block
            found.append(Item(part, block, origin.job, _shape(kind, part, names)))
            continue
        around = next((a for a in AROUND if a.ref == part.ref), None)
        if around is not None:
            kind = {"nmos": "NMOS", "film": "R", "schottky": "D"}.get(around.kind, "box")
            found.append(Item(part, "front end circuit", around.job, _shape(kind, part, {})))
        else:
            own = next(p for p in front_end.ALL_PARTS if p.ref == part.ref)
            kind = own.kind if own.kind in ("R", "C", "Z") else "box"
            found.append(Item(part, "front end circuit", own.job, _shape(kind, part, {})))
    return found


def _upright(item: Item) -> bool:
    """Has pins above and below: names stand at its side."""
    return any(pin.out[1] for pin in item.shape.pins)


def placed(group: Iterable[Item]) -> list[tuple[Item, Point]]:
    """Column by column, in the circuit's order, by each symbol's height."""
    out: list[tuple[Item, Point]] = []
    column, y = 0, FIRST_Y
    for item in group:
        tall = 2 * item.shape.half_height + 15.24 + (2.54 if item.shape.box else 0) + (7.62 if _upright(item) else 0)
        if y + tall > SHEET_MM[1] - 25:
            column, y = column + 1, FIRST_Y
        middle = y + item.shape.half_height + 5.08 + (3.81 if _upright(item) else 0)
        middle = round(middle / 1.27) * 1.27
        out.append((item, (round(FIRST_X + column * COLUMN_MM, 2), round(middle, 2))))
        y += tall
    return out


# ---- KiCad's file


def _n(*values: object) -> Node:
    return [v if isinstance(v, str | list) else f"{v:g}" for v in values]


def _effects(size: float = 1.27, *extra: Node | str) -> Node:
    return _n("effects", _n("font", _n("size", size, size)), *extra)


_STROKE: Node = ["stroke", ["width", "0.2"], ["type", "default"], ["color", "0", "0", "0", "0"]]


def _symbol_definition(name: str, shape: Shape) -> Node:
    graphics: list[Node | str] = []
    for line in shape.lines:
        points: Node = ["pts", *[_n("xy", x, -y) for x, y in line]]
        graphics.append(_n("polyline", points, _STROKE, _n("fill", _n("type", "none"))))
    for (x, y), r in shape.circles:
        graphics.append(_n("circle", _n("center", x, -y), _n("radius", r), _STROKE, _n("fill", _n("type", "none"))))
    pins: list[Node | str] = []
    for pin in shape.pins:
        angle = {(-1, 0): 0, (1, 0): 180, (0, -1): 270, (0, 1): 90}[(int(pin.out[0]), int(pin.out[1]))]
        pins.append(_n("pin", "passive", "line", _n("at", pin.at[0], -pin.at[1], angle), _n("length", 0),
                       _n("name", Quoted(pin.label or "~"), _effects()),
                       _n("number", Quoted(pin.number), _effects())))  # fmt: skip
    base = name.split(":")[1]
    return _n("symbol", Quoted(name), _n("pin_numbers", "hide"), _n("pin_names", "hide"), _n("in_bom", "yes"),
              _n("on_board", "yes"),
              _n("property", Quoted("Reference"), Quoted("U"), _n("id", 0), _n("at", 0, 0, 0), _effects()),
              _n("property", Quoted("Value"), Quoted(base), _n("id", 1), _n("at", 0, 0, 0), _effects()),
              _n("symbol", Quoted(f"{base}_0_1"), *graphics), _n("symbol", Quoted(f"{base}_1_1"), *pins))  # fmt: skip


def _label(net: str, x: float, y: float, out: Point, key: str) -> Node:
    angle = {(-1, 0): 180, (1, 0): 0, (0, -1): 90, (0, 1): 270}[(int(out[0]), int(out[1]))]
    side = "right" if angle in (180, 270) else "left"
    return _n("global_label", Quoted("GND" if net == "0" else net), _n("shape", "passive"), _n("at", x, y, angle),
              _effects(1.27, _n("justify", side)), _n("uuid", _uuid(key, net)))  # fmt: skip


def _symbol(item: Item, at: Point, name: str) -> Node:
    ref, (x, y) = item.part.ref, at
    up = y - item.shape.half_height - 1.5
    rows: list[Node | str] = []
    for k, (key, value, hide) in enumerate((("Reference", ref, False), ("Value", item.part.value, False),
                                            ("Footprint", item.part.footprint, True))):  # fmt: skip
        place = _n("at", x - 3 if k == 0 else x + 4, up, 0)
        side = "right" if k == 0 else "left"
        if _upright(item):
            place, side = _n("at", x + 6, y - 1.5 + 2.5 * k, 0), "left"
        effects = _effects(1.27, "hide") if hide else _effects(1.27, _n("justify", side))
        rows.append(_n("property", Quoted(key), Quoted(value), _n("id", k), place, effects))
    pins = [_n("pin", Quoted(p.number), _n("uuid", _uuid(ref, "pin", p.number))) for p in item.shape.pins]
    return _n("symbol", _n("lib_id", Quoted(name)), _n("at", x, y, 0), _n("unit", 1), _n("in_bom", "yes"),
              _n("on_board", "yes"), _n("uuid", _uuid(ref, "symbol")), *rows, *pins)  # fmt: skip


def sheet(board: str, block: str, group: list[Item]) -> Node:
    definitions: list[Node | str] = []
    body: list[Node | str] = []
    for item, (x, y) in placed(group):
        name = f"earthward:{item.part.ref}"
        definitions.append(_symbol_definition(name, item.shape))
        body.append(_symbol(item, (x, y), name))
        for pin in item.shape.pins:
            ax, ay = round(x + pin.at[0], 3), round(y + pin.at[1], 3)
            bx, by = round(ax + pin.out[0] * WIRE_MM, 3), round(ay + pin.out[1] * WIRE_MM, 3)
            body.append(_n("wire", _n("pts", _n("xy", ax, ay), _n("xy", bx, by)), _STROKE,
                           _n("uuid", _uuid(item.part.ref, pin.number, "wire"))))  # fmt: skip
            body.append(_label(item.part.pads[pin.number], bx, by, pin.out, f"{item.part.ref}/{pin.number}"))
        foot = y + item.shape.half_height + (10.0 if _upright(item) else 3.2)
        body.append(_n("text", Quoted(item.job[:60]), _n("at", x - 12, foot, 0), _effects(1.0, _n("justify", "left")),
                       _n("uuid", _uuid(item.part.ref, "job"))))  # fmt: skip
    body.append(_n("text", Quoted(NOTES[block]), _n("at", 25.4, SHEET_MM[1] - 20, 0),
                   _effects(2.2, _n("justify", "left")),
                   _n("uuid", _uuid(block, "note"))))  # fmt: skip
    return _n("kicad_sch", _n("version", "20211123"), _n("generator", "earthward"), _n("uuid", _uuid(board, block)),
              _n("paper", Quoted("A3")), _n("title_block", _n("title", Quoted(f"{boards()[board].title}: {block}"))),
              ["lib_symbols", *definitions], *body)  # fmt: skip


def root(board: str, blocks: dict[str, list[Item]]) -> Node:
    body: list[Node | str] = []
    instances: list[Node | str] = [_n("path", Quoted("/"), _n("page", Quoted("1")))]
    symbols: list[Node | str] = []
    for k, (block, group) in enumerate(blocks.items()):
        key = _uuid(board, "sheet", block)
        x, y = 40 + 80 * (k % 4), 50 + 50 * (k // 4)
        body.append(_n("sheet", _n("at", x, y), _n("size", 60, 25), _STROKE,
                       _n("fill", _n("color", "0", "0", "0", "0.0")),
                       _n("uuid", key),
                       _n("property", Quoted("Sheet name"), Quoted(block), _n("id", 0), _n("at", x, y - 1, 0),
                          _effects(1.27, _n("justify", "left"))),
                       _n("property", Quoted("Sheet file"), Quoted(f"{file_name(block)}.kicad_sch"), _n("id", 1),
                          _n("at", x, y + 27, 0), _effects(1.27, _n("justify", "left")))))  # fmt: skip
        instances.append(_n("path", Quoted(f"/{key}/"), _n("page", Quoted(str(k + 2)))))
        for item in group:
            symbols.append(_n("path", Quoted(f"/{key}/{_uuid(item.part.ref, 'symbol')}"),
                              _n("reference", Quoted(item.part.ref)), _n("unit", 1),
                              _n("value", Quoted(item.part.value)),
                              _n("footprint", Quoted(item.part.footprint))))  # fmt: skip
    return _n("kicad_sch", _n("version", "20211123"), _n("generator", "earthward"), _n("uuid", _uuid(board, "root")),
              _n("paper", Quoted("A3")), _n("title_block", _n("title", Quoted(boards()[board].title))), ["lib_symbols"],
              *body, ["sheet_instances", *instances], ["symbol_instances", *symbols])  # fmt: skip


def file_name(block: str) -> str:
    return block.replace(" ", "_").lower()


# ---- picture


def _text(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    safe = text.replace("&", "&amp;").replace("<", "&lt;")
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" text-anchor="{anchor}">{safe}</text>'


def svg(title: str, block: str, group: list[Item]) -> str:
    w, h = SHEET_MM
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}"',
           ' font-family="sans-serif">',
           f'<rect width="{w}" height="{h}" fill="white"/>', _text(25.4, 20, f"{title}: {block}", 5),
           _text(25.4, h - 18, NOTES[block], 3.6), '<g fill="none" stroke="black" stroke-width="0.3">']  # fmt: skip
    texts = []
    for item, (x, y) in placed(group):
        for line in item.shape.lines:
            out.append('<polyline points="' + " ".join(f"{x + a:.2f},{y + b:.2f}" for a, b in line) + '"/>')
        for (a, b), r in item.shape.circles:
            out.append(f'<circle cx="{x + a}" cy="{y + b}" r="{r}"/>')
        up = y - item.shape.half_height - 1.2
        if _upright(item):
            texts.append(_text(x + 5.5, y - 0.6, item.part.ref, 2.6) + _text(x + 5.5, y + 2.4, item.part.value, 2.3))
        else:
            texts.append(_text(x - 2, up, item.part.ref, 2.6, "end") + _text(x + 4, up, item.part.value[:24], 2.3))
        foot = y + item.shape.half_height + (8.0 if _upright(item) else 4.4)
        texts.append(_text(x - 14, foot, item.job[:58], 1.9))
        for pin in item.shape.pins:
            ax, ay = x + pin.at[0], y + pin.at[1]
            bx, by = ax + pin.out[0] * 2.54, ay + pin.out[1] * 2.54
            out.append(f'<line x1="{ax}" y1="{ay}" x2="{bx:.2f}" y2="{by:.2f}" stroke="#157"/>')
            anchor = "end" if pin.out[0] < 0 else "start"
            drop = 0.8 if pin.out[1] == 0 else -0.4 if pin.out[1] < 0 else 2.2
            net = item.part.pads[pin.number]
            texts.append(_text(bx + 0.6 * pin.out[0], by + drop, "GND" if net == "0" else net, 2.3, anchor))
            if pin.label:
                inside = ax - pin.out[0] * 3.4
                texts.append(_text(inside, ay + 0.7, pin.label, 2.0, "start" if pin.out[0] < 0 else "end"))
    return "\n".join([*out, "</g>", *texts, "</svg>"])


def write(board: str) -> list[Path]:
    blocks: dict[str, list[Item]] = {}
    for item in items(board):
        blocks.setdefault(item.block, []).append(item)
    folder = HERE / board
    docs = HERE.parents[1] / "docs" / "kit"
    made = []
    for block, group in blocks.items():
        path = folder / f"{file_name(block)}.kicad_sch"
        path.write_text(sexpr.dump(sheet(board, block, group)) + "\n", encoding="utf-8")
        made.append(path)
        source = docs / f"sheet_{file_name(block)}.svg"
        source.write_text(svg(boards()[board].title, block, group), encoding="utf-8")
        target = source.with_suffix(".png")
        subprocess.run(["rsvg-convert", "-w", "1600", "-b", "white", str(source), "-o", str(target)], check=True)
        subprocess.run(["convert", str(target), "-colors", "16", "-depth", "8", "-strip", str(target)], check=True)
        source.unlink()
    path = folder / f"{board}.kicad_sch"
    path.write_text(sexpr.dump(root(board, blocks)) + "\n", encoding="utf-8")
    return [*made, path]


def nets_of(path: Path) -> dict[tuple[str, str], str]:
    """(reference, pad) -> net, read back from a sheet: pin's place, wire from there, label at its end."""
    root_node = sexpr.parse(path.read_text(encoding="utf-8"))
    library = next(sexpr.children(root_node, "lib_symbols"))
    pins: dict[str, list[tuple[str, float, float]]] = {}
    for definition in sexpr.children(library, "symbol"):
        rows = pins.setdefault(sexpr.text(definition), [])
        for unit in sexpr.children(definition, "symbol"):
            for pin in sexpr.children(unit, "pin"):
                at, number = sexpr.child(pin, "at"), sexpr.child(pin, "number")
                if at is not None and number is not None:
                    x, y = sexpr.numbers(at)[:2]
                    rows.append((sexpr.text(number), x, -y))
    wires = {}
    for wire in sexpr.children(root_node, "wire"):
        a, b = (sexpr.numbers(p) for p in sexpr.children(next(sexpr.children(wire, "pts")), "xy"))
        wires[(round(a[0], 2), round(a[1], 2))] = (round(b[0], 2), round(b[1], 2))
    labels: dict[tuple[float, float], set[str]] = {}
    for label in sexpr.children(root_node, "global_label"):
        x, y = sexpr.numbers(next(sexpr.children(label, "at")))[:2]
        labels.setdefault((round(x, 2), round(y, 2)), set()).add(sexpr.text(label))
    found = {}
    for symbol in sexpr.children(root_node, "symbol"):
        x, y = sexpr.numbers(next(sexpr.children(symbol, "at")))[:2]
        ref = next(sexpr.text(p, 2) for p in sexpr.children(symbol, "property") if sexpr.text(p) == "Reference")
        for pad, px, py in pins[sexpr.text(next(sexpr.children(symbol, "lib_id")))]:
            (net,) = labels[wires[(round(x + px, 2), round(y + py, 2))]]
            found[(ref, pad)] = "0" if net == "GND" else net
    return found


if __name__ == "__main__":
    for name in sys.argv[1:] or boards():
        for made_path in write(name):
            print(made_path.name)
