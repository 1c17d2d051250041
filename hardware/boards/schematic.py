"""Schematic sheets of both boards as KiCad files, and a picture of each: one sheet a block, wires drawn.

    python -m hardware.boards.schematic source

Signal runs from left to right, supply is up. `sheet_plan.py` says where parts stand, `wires.py` finds the wires;
parts and nets are the circuit's. A net that leaves the sheet carries its name in a flag.
"""

from __future__ import annotations

import subprocess
import sys
import uuid
from pathlib import Path

from hardware.boards import boards, sexpr
from hardware.boards.model import HERE
from hardware.boards.sexpr import Node, Quoted
from hardware.boards.sheet_draw import SHEET_MM, Drawn, Word, draw, words
from hardware.boards.sheet_parts import Item, items
from hardware.boards.symbols import Shape

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


def _uuid(*words: str) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_URL, "earthward/" + "/".join(words)))


# ---- KiCad's file


def _n(*values: object) -> Node:
    return [v if isinstance(v, str | list) else f"{v:g}" for v in values]


def _effects(size: float = 1.27, *extra: Node | str) -> Node:
    return _n("effects", _n("font", _n("size", size, size)), *extra)


_STROKE: Node = ["stroke", ["width", "0.2"], ["type", "default"], ["color", "0", "0", "0", "0"]]


def _unit(base: str, unit: int, shape: Shape) -> Node:
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
    return _n("symbol", Quoted(f"{base}_{unit}_1"), *graphics, *pins)


def _symbol_definition(name: str, units: dict[int, Shape]) -> Node:
    base = name.split(":")[1]
    return _n("symbol", Quoted(name), _n("pin_numbers", "hide"), _n("pin_names", "hide"), _n("in_bom", "yes"),
              _n("on_board", "yes"),
              _n("property", Quoted("Reference"), Quoted("U"), _n("id", 0), _n("at", 0, 0, 0), _effects()),
              _n("property", Quoted("Value"), Quoted(base), _n("id", 1), _n("at", 0, 0, 0), _effects()),
              *[_unit(base, unit, shape) for unit, shape in sorted(units.items())])  # fmt: skip


def _flag(net: str, x: float, y: float, side: str, key: str) -> Node:
    angle = {"l": 180, "r": 0, "u": 90, "d": 270}[side]
    justify = _n("justify", "right" if angle in (180, 270) else "left")
    return _n("global_label", Quoted(called(net)), _n("shape", "passive"), _n("at", x, y, angle),
              _effects(1.27, justify), _n("uuid", _uuid(key, net)))  # fmt: skip


def called(net: str) -> str:
    return "GND" if net == "0" else net


def _supply_definition(net: str, up: bool) -> Node:
    """KiCad takes the net's name from the hidden pin of a symbol of this kind."""
    name = f"power_{called(net)}"
    lines: list[Node | str] = []
    for line in supply_lines(up):
        points: Node = ["pts", *[_n("xy", x, -y) for x, y in line]]
        lines.append(_n("polyline", points, _STROKE, _n("fill", _n("type", "none"))))
    pin = _n("pin", "power_in", "line", _n("at", 0, 0, 90 if up else 270), _n("length", 0), "hide",
             _n("name", Quoted(called(net)), _effects()), _n("number", Quoted("1"), _effects()))  # fmt: skip
    return _n("symbol", Quoted(f"earthward:{name}"), _n("power"), _n("pin_names", _n("offset", 0)), _n("in_bom", "no"),
              _n("on_board", "yes"),
              _n("property", Quoted("Reference"), Quoted("#PWR"), _n("id", 0), _n("at", 0, 0, 0),
                 _effects(1.27, "hide")),
              _n("property", Quoted("Value"), Quoted(called(net)), _n("id", 1), _n("at", 0, 0, 0), _effects()),
              _n("symbol", Quoted(f"{name}_0_1"), *lines), _n("symbol", Quoted(f"{name}_1_1"), pin))  # fmt: skip


def supply_lines(up: bool) -> list[tuple[tuple[float, float], ...]]:
    if up:
        return [((0, 0), (0, -2.0)), ((-1.6, -2.0), (1.6, -2.0))]
    return [((0, 0), (0, 1.5)), ((-1.8, 1.5), (1.8, 1.5)), ((-1.1, 2.1), (1.1, 2.1)), ((-0.4, 2.7), (0.4, 2.7))]


def supplies(board: str, block: str, drawn: Drawn) -> list[tuple[str, str, float, float, bool]]:
    """Reference, net, place, direction of each supply symbol; references count on over the board's sheets."""
    start = list(blocks_of(board)).index(block) * 100
    return [(f"#PWR{start + k + 1:04d}", net, x, y, up) for k, (net, x, y, up) in enumerate(drawn.supplies)]


def _supply(ref: str, net: str, x: float, y: float, up: bool) -> Node:
    at = _n("at", x, y - 3.2 if up else y + 4.2, 0)
    return _n("symbol", _n("lib_id", Quoted(f"earthward:power_{called(net)}")), _n("at", x, y, 0), _n("unit", 1),
              _n("in_bom", "no"), _n("on_board", "yes"), _n("uuid", _uuid(ref, "symbol")),
              _n("property", Quoted("Reference"), Quoted(ref), _n("id", 0), _n("at", x, y, 0), _effects(1.27, "hide")),
              _n("property", Quoted("Value"), Quoted(called(net)), _n("id", 1), at,
                 _effects(1.27) if up else _effects(1.27, "hide")),
              _n("pin", Quoted("1"), _n("uuid", _uuid(ref, "pin"))))  # fmt: skip


def _symbol(item: Item, x: float, y: float, name: str) -> Node:
    placed = {w.what: w for w in words(item)}
    rows: list[Node | str] = []
    for k, (key, value) in enumerate((("Reference", item.part.ref), ("Value", item.part.value),
                                      ("Footprint", item.part.footprint), ("Job", item.job))):  # fmt: skip
        word = placed.get(key, Word(key, "", 0, 0, "middle"))
        justify = {"start": [_n("justify", "left")], "end": [_n("justify", "right")], "middle": []}[word.anchor]
        extra: list[Node | str] = [*justify] if key in placed else ["hide"]
        place = _n("at", round(x + word.x, 2), round(y + word.y - 0.8, 2), 0)
        rows.append(_n("property", Quoted(key), Quoted(value), _n("id", k), place, _effects(1.27, *extra)))
    pins = [_n("pin", Quoted(p.number), _n("uuid", _uuid(item.part.ref, "pin", p.number))) for p in item.shape.pins]
    return _n("symbol", _n("lib_id", Quoted(name)), _n("at", x, y, 0), _n("unit", item.unit), _n("in_bom", "yes"),
              _n("on_board", "yes"), _n("uuid", _uuid(item.key, "symbol")), *rows, *pins)  # fmt: skip


def _definitions(group: list[Item], drawn: Drawn) -> list[Node | str]:
    by_ref: dict[str, list[Item]] = {}
    for item in group:
        by_ref.setdefault(item.part.ref, []).append(item)
    found: list[Node | str] = [_symbol_definition(f"earthward:{ref}", {i.unit: i.shape for i in own})
                               for ref, own in by_ref.items()]  # fmt: skip
    ways = {net: up for net, _, _, up in drawn.supplies}
    return found + [_supply_definition(net, up) for net, up in sorted(ways.items())]


def sheet(board: str, block: str, group: list[Item]) -> Node:
    drawn = draw(block, group)
    body: list[Node | str] = []
    for x0, y0, x1, y1 in drawn.wires:
        body.append(_n("wire", _n("pts", _n("xy", x0, y0), _n("xy", x1, y1)), _STROKE,
                       _n("uuid", _uuid(block, "wire", f"{x0} {y0} {x1} {y1}"))))  # fmt: skip
    for x, y in drawn.joints:
        body.append(_n("junction", _n("at", x, y), _n("diameter", 0), _n("color", 0, 0, 0, 0),
                       _n("uuid", _uuid(block, "joint", f"{x} {y}"))))  # fmt: skip
    for k, (net, x, y, side) in enumerate(drawn.flags):
        body.append(_flag(net, x, y, side, f"{block}/{k}"))
    for net, x, y in drawn.inner:
        body.append(_n("label", Quoted(called(net)), _n("at", x, y, 0), _effects(1.0, _n("justify", "left", "bottom")),
                       _n("uuid", _uuid(block, "inner", net))))  # fmt: skip
    body += [_symbol(item, x, y, f"earthward:{item.part.ref}") for item, (x, y) in drawn.spots]
    body += [_supply(*row) for row in supplies(board, block, drawn)]
    body.append(_n("text", Quoted(NOTES[block]), _n("at", 25.4, SHEET_MM[1] - 20, 0),
                   _effects(2.2, _n("justify", "left")), _n("uuid", _uuid(block, "note"))))  # fmt: skip
    return _n("kicad_sch", _n("version", "20211123"), _n("generator", "earthward"), _n("uuid", _uuid(board, block)),
              _n("paper", Quoted("A3")), _n("title_block", _n("title", Quoted(f"{boards()[board].title}: {block}"))),
              ["lib_symbols", *_definitions(group, drawn)], *body)  # fmt: skip


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
            symbols.append(_n("path", Quoted(f"/{key}/{_uuid(item.key, 'symbol')}"),
                              _n("reference", Quoted(item.part.ref)), _n("unit", item.unit),
                              _n("value", Quoted(item.part.value)),
                              _n("footprint", Quoted(item.part.footprint))))  # fmt: skip
        for ref, net, _, _, _ in supplies(board, block, draw(block, group)):
            symbols.append(_n("path", Quoted(f"/{key}/{_uuid(ref, 'symbol')}"), _n("reference", Quoted(ref)),
                              _n("unit", 1), _n("value", Quoted(called(net))),
                              _n("footprint", Quoted(""))))  # fmt: skip
    return _n("kicad_sch", _n("version", "20211123"), _n("generator", "earthward"), _n("uuid", _uuid(board, "root")),
              _n("paper", Quoted("A3")), _n("title_block", _n("title", Quoted(boards()[board].title))), ["lib_symbols"],
              *body, ["sheet_instances", *instances], ["symbol_instances", *symbols])  # fmt: skip


def file_name(block: str) -> str:
    return block.replace(" ", "_").lower()


def blocks_of(board: str) -> dict[str, list[Item]]:
    blocks: dict[str, list[Item]] = {}
    for item in items(board):
        blocks.setdefault(item.block, []).append(item)
    return blocks


def _library_pins(root_node: Node) -> dict[tuple[str, int], list[tuple[str, float, float]]]:
    """(symbol, unit) -> its pins: number, place."""
    pins: dict[tuple[str, int], list[tuple[str, float, float]]] = {}
    for definition in sexpr.children(next(sexpr.children(root_node, "lib_symbols")), "symbol"):
        for unit in sexpr.children(definition, "symbol"):
            rows = pins.setdefault((sexpr.text(definition), int(sexpr.text(unit).split("_")[-2])), [])
            for pin in sexpr.children(unit, "pin"):
                at, number = sexpr.child(pin, "at"), sexpr.child(pin, "number")
                if at is not None and number is not None:
                    x, y = sexpr.numbers(at)[:2]
                    rows.append((sexpr.text(number), x, -y))
    return pins


class _Points:
    """Places that wires join."""

    def __init__(self, root_node: Node) -> None:
        self.above: dict[tuple[float, float], tuple[float, float]] = {}
        self.wires = []
        for wire in sexpr.children(root_node, "wire"):
            (x0, y0), (x1, y1) = (sexpr.numbers(p) for p in sexpr.children(next(sexpr.children(wire, "pts")), "xy"))
            a, b = (round(x0, 2), round(y0, 2)), (round(x1, 2), round(y1, 2))
            self.wires.append((a, b))
            self.above[self.root(a)] = self.root(b)

    def root(self, p: tuple[float, float]) -> tuple[float, float]:
        while self.above.setdefault(p, p) != p:
            p = self.above[p]
        return p

    def named(self, p: tuple[float, float]) -> tuple[float, float]:
        """Where a name belongs: it may stand at a wire's end or on its way."""
        for (x0, y0), (x1, y1) in self.wires:
            if min(x0, x1) <= p[0] <= max(x0, x1) and min(y0, y1) <= p[1] <= max(y0, y1):
                return self.root((x0, y0))
        return self.root(p)


def nets_of(path: Path) -> dict[tuple[str, str], str]:
    """(reference, pad) -> net, read back as KiCad joins a sheet: wires at their ends, names on wires, supplies."""
    root_node = sexpr.parse(path.read_text(encoding="utf-8"))
    pins, points = _library_pins(root_node), _Points(root_node)
    at_pins: list[tuple[str, str, tuple[float, float]]] = []
    names: dict[tuple[float, float], set[str]] = {}
    for symbol in sexpr.children(root_node, "symbol"):
        x, y = sexpr.numbers(next(sexpr.children(symbol, "at")))[:2]
        unit = int(sexpr.numbers(next(sexpr.children(symbol, "unit")))[0])
        said = {sexpr.text(p): sexpr.text(p, 2) for p in sexpr.children(symbol, "property")}
        for pad, px, py in pins[(sexpr.text(next(sexpr.children(symbol, "lib_id"))), unit)]:
            place = (round(x + px, 2), round(y + py, 2))
            if said["Reference"].startswith("#"):
                names.setdefault(points.named(place), set()).add(said["Value"])
            else:
                at_pins.append((said["Reference"], pad, place))
    for kind in ("global_label", "label"):
        for label in sexpr.children(root_node, kind):
            x, y = sexpr.numbers(next(sexpr.children(label, "at")))[:2]
            names.setdefault(points.named((round(x, 2), round(y, 2))), set()).add(sexpr.text(label))
    found = {}
    for ref, pad, place in at_pins:
        here = names.get(points.root(place), set())
        if len(here) != 1:
            raise ValueError(f"{path.name}: {ref} pad {pad} is joined to {sorted(here) or 'nothing'}")
        (net,) = here
        found[(ref, pad)] = "0" if net == "GND" else net
    return found


def write(board: str) -> list[Path]:
    from hardware.boards.sheet_picture import svg

    folder, docs, made = HERE / board, HERE.parents[1] / "docs" / "kit", []
    blocks = blocks_of(board)
    for block, group in blocks.items():
        path = folder / f"{file_name(block)}.kicad_sch"
        path.write_text(sexpr.dump(sheet(board, block, group)) + "\n", encoding="utf-8")
        made.append(path)
        source = docs / f"sheet_{file_name(block)}.svg"
        source.write_text(svg(boards()[board].title, block, NOTES[block], group), encoding="utf-8")
        target = source.with_suffix(".png")
        subprocess.run(["rsvg-convert", "-w", "2400", "-b", "white", str(source), "-o", str(target)], check=True)
        subprocess.run(["convert", str(target), "-colors", "16", "-depth", "8", "-strip", str(target)], check=True)
        source.unlink()
    path = folder / f"{board}.kicad_sch"
    path.write_text(sexpr.dump(root(board, blocks)) + "\n", encoding="utf-8")
    return [*made, path]


if __name__ == "__main__":
    for name in sys.argv[1:] or boards():
        for made_path in write(name):
            print(made_path.name)
