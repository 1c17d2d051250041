"""One schematic sheet worked out: where parts, wires, joints, names and supplies are. `schematic.py` writes it as
KiCad's file, `sheet_picture.py` as a picture.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hardware.boards.sheet_parts import Item
from hardware.boards.sheet_plan import PLANS, Plan
from hardware.boards.symbols import GRID, Pin
from hardware.boards.wires import Cell, End, Sheet, pieces, tree

SHEET_MM = (420.0, 297.0)
CELL_MM = GRID / 2
LETTER_MM = 1.3  # a letter's width in the picture, on average
_WAYS = {"l": (1, 0), "r": (-1, 0), "u": (0, 1), "d": (0, -1)}


@dataclass(frozen=True)
class Word:
    what: str
    text: str
    x: float
    y: float
    anchor: str


@dataclass
class Drawn:
    spots: list[tuple[Item, tuple[float, float]]] = field(default_factory=list)
    wires: list[tuple[float, float, float, float]] = field(default_factory=list)
    joints: list[tuple[float, float]] = field(default_factory=list)
    flags: list[tuple[str, float, float, str]] = field(default_factory=list)
    """Net, place, side to which the text goes."""
    inner: list[tuple[str, float, float]] = field(default_factory=list)
    supplies: list[tuple[str, float, float, bool]] = field(default_factory=list)
    """Net, place, whether it stands up."""
    unrouted: list[str] = field(default_factory=list)


def words(item: Item) -> list[Word]:
    """Reference and value, where the symbol leaves room; millimetres from its middle, at the foot of the letters."""
    x0, y0, x1, _ = item.shape.bounds()
    ref, value = item.key, item.part.value
    if item.shape.box and ref.startswith("J"):  # a connector's value names its nets, which stand at its pins
        value = item.job.split(",")[0].split(":")[0].split(";")[0]
    outs = {pin.out for pin in item.shape.pins}
    if item.shape.box:
        return [Word("Reference", ref, x0 + 2.6, y0 - 0.8, "start"),
                Word("Value", value[:24], x0 + 2.6 + LETTER_MM * (len(ref) + 1.5), y0 - 0.8, "start")]  # fmt: skip
    if item.suffix:
        return [Word("Reference", ref, 2.6, 0.8, "start") if item.suffix == "E" else
                Word("Reference", ref, 0.4, y0 + 0.9, "start")]  # fmt: skip
    if len(item.shape.pins) == 1:
        side = outs.pop()
        return [
            Word("Reference", ref, x0 - 0.6, 0.8, "end") if side[0] else Word("Reference", ref, x1 + 0.8, -1.6, "start")
        ]
    if item.shape.open_row:
        return [Word("Reference", ref, 2.0, 5.2, "start"), Word("Value", value, 2.0, 7.8, "start")]
    if all(out[1] for out in outs) or (len(outs) == 3 and (0.0, 1.0) in outs and (0.0, -1.0) in outs):
        mirrored = (1.0, 0.0) in outs
        x, anchor = (x0 - 0.8, "end") if mirrored else (max(x1, 2.2) + 0.8, "start")
        return [Word("Reference", ref, x, -0.3, anchor), Word("Value", value, x, 2.4, anchor)]
    return [Word("Reference", ref, 0.0, y0 - 3.2, "middle"), Word("Value", value, 0.0, y0 - 0.7, "middle")]


def _cell(x: float, y: float) -> Cell:
    return round(x / CELL_MM), round(y / CELL_MM)


def _mm(cell: Cell) -> tuple[float, float]:
    return round(cell[0] * CELL_MM, 2), round(cell[1] * CELL_MM, 2)


class _Draft:
    def __init__(self, block: str, group: list[Item]) -> None:
        self.plan: Plan = PLANS[block]
        self.out = Drawn()
        self.sheet = Sheet(int(SHEET_MM[0] / CELL_MM), int(SHEET_MM[1] / CELL_MM))
        self.ends: dict[str, list[End]] = {}
        self.drawn_pins: dict[str, list[tuple[Item, Pin, Cell]]] = {}
        self.rails = set(self.plan.rails.split())
        self.apart = set(self.plan.at_each_pin.split())
        spots = self.plan.spots()
        for item in group:
            spot = spots[item.key]
            self.out.spots.append((item, (round(spot.x * GRID, 2), round(spot.y * GRID, 2))))
        for item, at in self.out.spots:
            self._body(item, *at)
        pins = [
            (item, pin, _cell(x + pin.at[0], y + pin.at[1]))
            for item, (x, y) in self.out.spots
            for pin in item.shape.pins
        ]
        for item, pin, cell in pins:
            self.sheet.walls.discard(cell)
            self.sheet.pins[cell] = item.part.pads[pin.number]
        for item, pin, cell in pins:
            self._pin(item, pin, cell)

    def _block(self, x0: float, y0: float, x1: float, y1: float) -> None:
        self.sheet.block(x0 / CELL_MM, y0 / CELL_MM, x1 / CELL_MM, y1 / CELL_MM)

    def _body(self, item: Item, x: float, y: float) -> None:
        x0, y0, x1, y1 = item.shape.bounds()
        if item.shape.open_row:
            self._block(x - 1.4, y + y0, x + 1.4, y - 1.2)
            self._block(x - 1.4, y + 1.2, x + 1.4, y + y1)
        else:
            self._block(x + x0, y + y0, x + x1, y + y1)
        for word in words(item):
            wide = len(word.text) * LETTER_MM
            left = {"start": 0.0, "middle": -wide / 2, "end": -wide}[word.anchor] + word.x
            self._block(x + left, y + word.y - 2.2, x + left + wide, y + word.y)

    def _wire(self, a: Cell, b: Cell, net: str) -> None:
        steps = max(abs(b[0] - a[0]), abs(b[1] - a[1]))
        way = ((b[0] - a[0]) // steps, (b[1] - a[1]) // steps)
        path = [(a[0] + way[0] * k, a[1] + way[1] * k) for k in range(steps + 1)]
        self.sheet.lay(path, net)
        self.sheet.pins.update(dict.fromkeys(path, net))
        self.out.wires.append((*_mm(a), *_mm(b)))

    def _flag(self, net: str, cell: Cell, side: str) -> None:
        x, y = _mm(cell)
        self.out.flags.append((net, x, y, side))
        wide = len(net) * LETTER_MM + 2.6
        dx, dy = {"l": (-wide, 0.0), "r": (wide, 0.0), "u": (0.0, -wide), "d": (0.0, wide)}[side]
        half = 0.9
        self._block(min(x, x + dx) - (half if dy else 0), min(y, y + dy) - (half if dx else 0),
                    max(x, x + dx) + (half if dy else 0), max(y, y + dy) + (half if dx else 0))  # fmt: skip
        self.sheet.walls.discard(cell)
        self.sheet.pins[cell] = net

    def _supply(self, net: str, cell: Cell) -> None:
        x, y = _mm(cell)
        up = net != "0"
        self.out.supplies.append((net, x, y, up))
        self._block(x - 1.8, y - 4.6 if up else y + 0.6, x + 1.8, y - 0.6 if up else y + 2.8)

    def _named_at(self, net: str, pin: Pin, cell: Cell) -> None:
        way = (int(pin.out[0]), int(pin.out[1]))
        end = (cell[0] + way[0], cell[1] + way[1])
        self._wire(cell, end, net)
        self._flag(net, end, {(-1, 0): "l", (1, 0): "r", (0, -1): "u", (0, 1): "d"}[way])

    def _pin(self, item: Item, pin: Pin, cell: Cell) -> None:
        net = item.part.pads[pin.number]
        way = (int(pin.out[0]), int(pin.out[1]))
        right_way = (0, 1) if net == "0" else (0, -1)
        if net in self.apart or f"{net}@{item.part.ref}" in self.apart:
            self._named_at(net, pin, cell)
        elif net in self.rails and way == right_way:
            self._supply(net, cell)
        elif net in self.rails and not item.shape.box and way[0]:
            end = (cell[0] + 2 * way[0], cell[1])
            self._wire(cell, end, net)
            self._supply(net, end)
        elif net in self.rails:
            self._named_at(net, pin, cell)
        else:
            also = ((int(pin.also[0]), int(pin.also[1])),) if pin.also else ()
            self.ends.setdefault(net, []).append(End(cell, (way, *also)))
            self._pins_of(net).append((item, pin, cell))

    def _pins_of(self, net: str) -> list[tuple[Item, Pin, Cell]]:
        return self.drawn_pins.setdefault(net, [])

    def finish(self) -> Drawn:
        flagged = set()
        for net, x, y, side in self.plan.named():
            cell = _cell(x * GRID, y * GRID)
            self._flag(net, cell, side)
            self.ends.setdefault(net, []).append(End(cell, (_WAYS[side],), single=True))
            flagged.add(net)
        spans = {net: sum(abs(e.at[0] - ends[0].at[0]) + abs(e.at[1] - ends[0].at[1]) for e in ends)
                 for net, ends in self.ends.items()}  # fmt: skip
        for net in sorted(spans, key=lambda n: (spans[n], n)):
            ends = self.ends[net]
            paths = tree(self.sheet, net, ends) if len(ends) > 1 else None
            if paths is None:
                if len(ends) > 1:
                    self.out.unrouted.append(net)
                for _, pin, cell in self._pins_of(net):
                    self._named_at(net, pin, cell)
                continue
            straight, joints = pieces(paths, {cell for _, _, cell in self._pins_of(net)})
            self.out.wires += [(*_mm(a), *_mm(b)) for a, b in straight]
            self.out.joints += [_mm(c) for c in joints]
            if net not in flagged:
                a, b = max(
                    straight, key=lambda p: (p[0][1] == p[1][1], abs(p[1][0] - p[0][0]) + abs(p[1][1] - p[0][1]))
                )
                x, y = _mm(min(a, b))
                self.out.inner.append((net, round(x + CELL_MM, 2), y) if a[1] == b[1] else (net, x, y))
        return self.out


_DONE: dict[str, Drawn] = {}


def draw(block: str, group: list[Item]) -> Drawn:
    """Worked out once: file, list of parts and picture want the same."""
    if block not in _DONE:
        _DONE[block] = _Draft(block, group).finish()
    return _DONE[block]
