"""Draws the whole source board from `circuit.PARTS`: one symbol per part, each terminal with the name of its net.

    python -m hardware.source_board.output_stage.drawing      writes source_board.svg beside this file

Equal net names are connected. No wire, value or reference is written here: what is drawn is what was simulated. Needs
the library schemdraw.
"""

from __future__ import annotations

from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from hardware.source_board.output_stage.circuit import PARTS, Part, value_text
from schemdraw.types import Halign

schemdraw.use("svg")

COLUMNS = 8
CELL_W, CELL_H = 5.6, 2.7
_TWO = {
    "R": elm.ResistorIEC, "C": elm.Capacitor, "L": elm.Inductor2, "D": elm.Schottky, "Z": elm.Zener,
    "T": elm.DiodeTVS, "FUSE": elm.FuseIEC, "CONTACT": elm.Switch,
}  # fmt: skip
_THREE = {
    "NPN": (elm.BjtNpn, ("collector", "base", "emitter")),
    "PNP": (elm.BjtPnp, ("collector", "base", "emitter")),
    "NMOS": (elm.NFet, ("drain", "gate", "source")),
    "PMOS": (elm.PFet, ("drain", "gate", "source")),
}
_BOX_PINS = {
    "REG": ("in", "out", "fb"), "REG5": ("in", "out"), "RELAY": ("contact", "contact", "coil +", "coil -"),
    "CSA": ("+", "-", "out", "ref", "V+"), "OPAMP": ("+", "-", "out"),
}  # fmt: skip


def title(part: Part) -> str:
    """Reference and value as they stand in the drawing."""
    return f"{part.ref} {value_text(part).replace(' ', '')}".strip()


def _word(
    drawing: schemdraw.Drawing, at: tuple[float, float], text: str, halign: Halign = "center", size: float = 8
) -> None:
    drawing += elm.Label().at(at).label(text, fontsize=size, halign=halign)


def _box_height(part: Part) -> float:
    return 0.55 * ((len(part.nets) + 1) // 2) + 0.5


def _draw(drawing: schemdraw.Drawing, part: Part, x: float, y: float) -> None:
    """One part in a cell whose upper left corner is (x, y)."""
    middle = y - 1.2
    if part.kind in _TWO:
        ends = [(x + 1.1, middle), (x + 3.9, middle)]
        if part.kind == "Z":  # the first net is the cathode: the symbol points to it
            ends.reverse()
        drawing += _TWO[part.kind]().at(ends[0]).to(ends[1])
        sides: tuple[Halign, Halign] = ("right", "left")
        for net, at, halign in zip(part.nets, (x + 1.0, x + 4.0), sides, strict=True):
            _word(drawing, (at, middle), net, halign)
    elif part.kind in _THREE:
        cls, anchors = _THREE[part.kind]
        element = cls().at((x + 2.4, middle)).anchor("center").theta(0)
        drawing += element
        for anchor, net in zip(anchors, part.nets, strict=True):
            px, py = element.absanchors[anchor]
            side: Halign = "right" if px < x + 2.3 else "left"
            _word(drawing, (px + (-0.1 if side == "right" else 0.1), py), net, side)
    else:
        pins = part.pins or _BOX_PINS[part.kind]
        height = _box_height(part)
        drawing += elm.Rect(corner1=(0, 0), corner2=(2.4, -height)).at((x + 1.2, y - 0.6))
        for k, (pin, net) in enumerate(zip(pins, part.nets, strict=True)):
            row = y - 0.6 - 0.55 * (k // 2) - 0.45
            left = k % 2 == 0
            _word(drawing, (x + (1.3 if left else 3.5), row), pin, "left" if left else "right", 7)
            _word(drawing, (x + (0.95 if left else 3.85), row), net, "right" if left else "left")
    _word(drawing, (x + (0.9 if part.kind in _THREE else 2.5), y - 0.35), title(part), size=9)


def _rows(parts: list[Part]) -> float:
    """Height that the parts of one block take."""
    height = 0.0
    for k in range(0, len(parts), COLUMNS):
        tall = max(
            (_box_height(p) + 1.2 for p in parts[k : k + COLUMNS] if p.kind not in {*_TWO, *_THREE}), default=0.0
        )
        height += max(CELL_H, tall)
    return height


def draw() -> str:
    """The schematic as SVG."""
    blocks: dict[str, list[Part]] = {}
    for part in PARTS:
        blocks.setdefault(part.block, []).append(part)
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(fontsize=8, unit=2)
        y = 0.0
        for name, parts in blocks.items():
            _word(drawing, (0.0, y), name, "left", 12)
            y -= 0.6
            for k in range(0, len(parts), COLUMNS):
                row = parts[k : k + COLUMNS]
                for column, part in enumerate(row):
                    _draw(drawing, part, column * CELL_W, y)
                y -= _rows(row)
        svg: bytes = drawing.get_imagedata("svg")
    return svg.decode("utf-8")


def main() -> None:
    path = Path(__file__).with_name("source_board.svg")
    path.write_text(draw(), encoding="utf-8")
    print(path)


if __name__ == "__main__":
    main()
