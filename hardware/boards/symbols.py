"""Symbols of the schematic sheets: lines, circles, pins; millimetres, y down. One shape drives file and picture."""

from __future__ import annotations

from dataclasses import dataclass, field

Point = tuple[float, float]
GRID = 2.54


@dataclass(frozen=True)
class Pin:
    number: str
    label: str
    at: Point
    out: Point
    """Which way the wire leaves: one of (+-1, 0), (0, +-1)."""
    also: Point | None = None
    """A second way, for a pin that a wire may run through."""


@dataclass
class Shape:
    lines: list[tuple[Point, ...]] = field(default_factory=list)
    circles: list[tuple[Point, float]] = field(default_factory=list)
    pins: list[Pin] = field(default_factory=list)
    box: bool = False
    open_row: bool = False
    """A wire may run through the middle from left to right."""

    def changed(self, turn: str) -> Shape:
        """Turned or mirrored: `v` a quarter clockwise, `^` the other way, `<` half round, `m` left for right."""
        way = {"v": lambda p: (-p[1], p[0]), "^": lambda p: (p[1], -p[0]), "<": lambda p: (-p[0], -p[1]),
               "m": lambda p: (-p[0], p[1])}  # fmt: skip

        def move(p: Point) -> Point:
            for letter in turn:
                p = way[letter](p)
            return p[0] + 0.0, p[1] + 0.0

        pins = [Pin(p.number, p.label, move(p.at), move(p.out), move(p.also) if p.also else None) for p in self.pins]
        lines = [tuple(move(p) for p in line) for line in self.lines]
        return Shape(lines, [(move(c), r) for c, r in self.circles], pins, self.box, self.open_row)

    def bounds(self) -> tuple[float, float, float, float]:
        points = [p for line in self.lines for p in line] + [p.at for p in self.pins]
        points += [(c[0] + s * r, c[1] + s * r) for c, r in self.circles for s in (-1, 1)]
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        return min(xs), min(ys), max(xs), max(ys)


def _rectangle(x: float, y: float) -> tuple[Point, ...]:
    return ((-x, -y), (x, -y), (x, y), (-x, y), (-x, -y))


def _two(first: str, second: str) -> list[Pin]:
    return [Pin(first, "", (-5.08, 0), (-1, 0)), Pin(second, "", (5.08, 0), (1, 0))]


def _leads(reach: float) -> list[tuple[Point, ...]]:
    return [((-5.08, 0), (-reach, 0)), ((reach, 0), (5.08, 0))]


def resistor() -> Shape:
    return Shape([_rectangle(2.54, 1.0), *_leads(2.54)], [], _two("1", "2"))


def fuse() -> Shape:
    return Shape([_rectangle(2.54, 0.9), ((-5.08, 0), (5.08, 0))], [], _two("1", "2"))


def capacitor() -> Shape:
    plates: list[tuple[Point, ...]] = [((-0.6, -2), (-0.6, 2)), ((0.6, -2), (0.6, 2))]
    return Shape([*plates, *_leads(0.6)], [], _two("1", "2"))


def inductor() -> Shape:
    humps = tuple((-2.54 + k * 0.635, -1.2 if k % 2 else 0.0) for k in range(9))
    return Shape([humps, *_leads(2.54)], [], _two("1", "2"))


def crystal() -> Shape:
    plates: list[tuple[Point, ...]] = [((-1.4, -1.8), (-1.4, 1.8)), ((1.4, -1.8), (1.4, 1.8))]
    return Shape([_rectangle(0.8, 1.8), *plates, *_leads(1.4)], [], _two("1", "2"))


def diode(kind: str) -> Shape:
    """Anode left (pad 2), cathode right (pad 1): current from left to right."""
    bar: tuple[Point, ...] = ((1.27, -1.4), (1.27, 1.4))
    if kind == "Z":
        bar = ((0.6, -1.4), (1.27, -1.4), (1.27, 1.4), (1.9, 1.4))
    body: tuple[Point, ...] = ((-1.27, -1.4), (1.27, 0), (-1.27, 1.4), (-1.27, -1.4))
    if kind == "T":  # both ways: pad 1 left
        wings: list[tuple[Point, ...]] = [((-2.2, -1.2), (0, 0), (-2.2, 1.2), (-2.2, -1.2)),
                                          ((2.2, -1.2), (0, 0), (2.2, 1.2), (2.2, -1.2)),
                                          ((0, -1.4), (0, 1.4))]  # fmt: skip
        return Shape([*wings, *_leads(2.2)], [], _two("1", "2"))
    return Shape([body, bar, *_leads(1.27)], [], _two("2", "1"))


def bipolar(kind: str) -> Shape:
    """Pads 1 collector, 2 base, 3 emitter. Of a PNP the emitter is on top: supply up."""
    up, down = ("1", "3") if kind == "NPN" else ("3", "1")
    lines: list[tuple[Point, ...]] = [
        ((-5.08, 0), (-0.6, 0)), ((-0.6, -1.7), (-0.6, 1.7)), ((-0.6, -0.8), (2.54, -2.6), (2.54, -5.08)),
        ((-0.6, 0.8), (2.54, 2.6), (2.54, 5.08)),
    ]  # fmt: skip
    lines.append(((1.5, 1.4), (2.2, 2.4), (1.0, 2.4), (1.5, 1.4)) if kind == "NPN" else
                 ((0.2, -1.3), (1.3, -1.3), (0.6, -2.3), (0.2, -1.3)))  # fmt: skip
    pins = [Pin("2", "", (-5.08, 0), (-1, 0)), Pin(up, "", (2.54, -5.08), (0, -1)), Pin(down, "", (2.54, 5.08), (0, 1))]
    return Shape(lines, [((0.8, 0), 3.2)], pins)


def field_effect(kind: str) -> Shape:
    """Pads 1 gate, 2 source, 3 drain. Of a P-channel one the source is on top."""
    up, down = ("3", "2") if kind == "NMOS" else ("2", "3")
    lines: list[tuple[Point, ...]] = [
        ((-5.08, 0), (-1.2, 0)), ((-1.2, -1.7), (-1.2, 1.7)), ((-0.5, -2), (-0.5, 2)),
        ((-0.5, -1.6), (2.54, -1.6), (2.54, -5.08)), ((-0.5, 1.6), (2.54, 1.6), (2.54, 5.08)),
    ]  # fmt: skip
    arrow = 1.6 if kind == "NMOS" else -1.6
    way = 1.0 if kind == "NMOS" else -1.0
    lines.append(((1.0 + 0.5 * way, arrow), (1.0 - 0.5 * way, arrow - 0.5), (1.0 - 0.5 * way, arrow + 0.5),
                  (1.0 + 0.5 * way, arrow)))  # fmt: skip
    pins = [Pin("1", "", (-5.08, 0), (-1, 0)), Pin(up, "", (2.54, -5.08), (0, -1)), Pin(down, "", (2.54, 5.08), (0, 1))]
    return Shape(lines, [((0.5, 0), 3.2)], pins)


def chip(left: list[tuple[str, str]], right: list[tuple[str, str]]) -> Shape:
    """A box; each side a list of (pad, what it is called) from above, an empty pad for a gap."""
    rows = max(len(left), len(right))
    first = -((rows - 1) // 2)
    pins = []
    for side, x, entries in ((-1, -12.7, left), (1, 12.7, right)):
        for k, (pad, label) in enumerate(entries):
            if pad:
                pins.append(Pin(pad, label, (x, (first + k) * GRID), (side, 0)))
    top, bottom = (first - 1) * GRID, (first + rows) * GRID
    frame: tuple[Point, ...] = ((-10.16, top), (10.16, top), (10.16, bottom), (-10.16, bottom), (-10.16, top))
    lines = [frame, *(((p.at[0], p.at[1]), (p.at[0] - p.out[0] * 2.54, p.at[1])) for p in pins)]
    return Shape(lines, [], pins, box=True)


def clamp() -> Shape:
    """Two diodes to both supplies: pad 3 in the middle, 2 above, 1 below; a wire may run through."""
    lines: list[tuple[Point, ...]] = [((0, 0), (0, 10.16)), ((0, 0), (0, -10.16)), ((-0.6, 0), (0.6, 0))]
    for y in (5.08, -5.08):
        lines += [((-1.4, y + 1.2), (1.4, y + 1.2), (0, y - 1.2), (-1.4, y + 1.2)), ((-1.4, y - 1.2), (1.4, y - 1.2))]
    pins = [Pin("3", "", (0, 0), (-1, 0), (1, 0)), Pin("2", "", (0, -10.16), (0, -1)), Pin("1", "", (0, 10.16), (0, 1))]
    return Shape(lines, [], pins, open_row=True)


def amplifier(plus: str, minus: str, out: str, minus_on_top: bool) -> Shape:
    side = -1 if minus_on_top else 1
    y = 2.54 * side
    body: tuple[Point, ...] = ((-5.08, -5.08), (5.08, 0), (-5.08, 5.08), (-5.08, -5.08))
    lines: list[tuple[Point, ...]] = [body, ((-7.62, -2.54), (-5.08, -2.54)), ((-7.62, 2.54), (-5.08, 2.54)),
                                      ((5.08, 0), (7.62, 0)), ((-4.4, y), (-3.2, y)), ((-4.4, -y), (-3.2, -y)),
                                      ((-3.8, -y - 0.6), (-3.8, -y + 0.6))]  # fmt: skip
    pins = [Pin(plus, "", (-7.62, -y), (-1, 0)), Pin(minus, "", (-7.62, y), (-1, 0)), Pin(out, "", (7.62, 0), (1, 0))]
    return Shape(lines, [], pins)


def supply_pins(up: str, down: str) -> Shape:
    lines: list[tuple[Point, ...]] = [((0, -5.08), (0, 5.08)), _rectangle(1.6, 2.54)]
    return Shape(lines, [], [Pin(up, "", (0, -5.08), (0, -1)), Pin(down, "", (0, 5.08), (0, 1))])


def testpad() -> Shape:
    return Shape([((-1.2, 0), (2.54, 0))], [((-2.4, 0), 1.2)], [Pin("1", "", (2.54, 0), (1, 0))])
