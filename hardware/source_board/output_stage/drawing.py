#!/usr/bin/env python3
"""Draws the output stage from `stage.PARTS`: references and values on paper are the ones that were simulated.

    python hardware/source_board/output_stage/drawing.py      writes output_stage.svg beside this file

Needs the library schemdraw (extra `dev`). Nets that leave a block carry their name in the netlist.
"""

from __future__ import annotations

import itertools
import os
import sys
from pathlib import Path

import schemdraw
import schemdraw.elements as elm

sys.path.insert(0, str(Path(__file__).parent))
import stage

schemdraw.use("svg")

Point = tuple[float, float]
_CLASSES = {
    "R": elm.ResistorIEC,
    "C": elm.Capacitor,
    "D": elm.Schottky,
    "Z": elm.Zener,
    "T": elm.DiodeTVS,
    "FUSE": elm.FuseIEC,
    "CONTACT": elm.Switch,
}


class Sheet:
    """A drawing that knows which parts it has drawn; everything is placed by absolute points."""

    def __init__(self, drawing: schemdraw.Drawing) -> None:
        self.drawing = drawing
        self.drawn: set[str] = set()

    def _text(self, ref: str) -> str:
        part = stage.BY_REF[ref]
        self.drawn.add(ref)
        value = (
            stage._value_text(part).replace("kohm", "k").replace("Mohm", "M").replace(" ohm", "").replace("uF", "µF")
        )
        if part.kind == "RELAY":
            value = ""
        return f"{ref} {value}".strip() if value else ref

    def two(self, ref: str, a: Point, b: Point, loc: str = "top", flip: bool = False) -> None:
        """A part with two terminals between two points, labelled."""
        start, end = (b, a) if flip else (a, b)
        element = _CLASSES[stage.BY_REF[ref].kind]().at(start).to(end)
        if a[0] == b[0]:
            loc = {"top": "bottom" if end[1] < start[1] else "top"}.get(loc, loc)
        self.drawing += element.label(self._text(ref), loc=loc, fontsize=9)

    def transistor(
        self, ref: str, anchor: str, at: Point, flip: bool = False, text: Point = (0.25, 0.0)
    ) -> elm.Element:
        """A transistor standing upright, gate or base to the left (right if flipped)."""
        kind = stage.BY_REF[ref].kind
        cls = {"NPN": elm.BjtNpn, "PNP": elm.BjtPnp, "NMOS": elm.NFet, "PMOS": elm.PFet}[kind]
        element = cls().at(at).anchor(anchor).theta(0)
        # The library draws a MOSFET's gate to the right and a bipolar transistor's base to the left.
        if flip != (kind in ("NMOS", "PMOS")):
            element = element.reverse()
        self.drawing += element
        top = element.absanchors.get("collector", element.absanchors.get("drain"))
        bottom = element.absanchors.get("emitter", element.absanchors.get("source"))
        y = (top[1] + bottom[1]) / 2
        x = min(top[0], bottom[0]) - text[0] if flip else max(top[0], bottom[0]) + text[0]
        self.word((x, y + text[1]), self._text(ref), "right" if flip else "left")
        return element

    def wire(self, *points: Point) -> None:
        for a, b in itertools.pairwise(points):
            self.drawing += elm.Line().at(a).to(b)

    def dot(self, *points: Point) -> None:
        for p in points:
            self.drawing += elm.Dot(radius=0.06).at(p)

    def ground(self, p: Point) -> None:
        self.drawing += elm.GroundSignal().at(p)

    def word(self, p: Point, text: str, align: str = "left", size: float = 9) -> None:
        self.drawing += elm.Label().at(p).label(text, halign=align, valign="center", fontsize=size, ofst=0)

    def net(self, p: Point, name: str, side: str = "left") -> None:
        """A named end of a wire."""
        self.drawing += elm.Dot(open=True, radius=0.08).at(p)
        shift = {
            "left": (-0.3, 0.0, "right"),
            "right": (0.2, 0.0, "left"),
            "up": (0.0, 0.3, "center"),
            "down": (0.0, -0.3, "center"),
        }
        dx, dy, align = shift[side]
        self.word((p[0] + dx, p[1] + dy), name, align)

    def title(self, p: Point, text: str) -> None:
        self.word(p, text, "left", 13)


def xy(anchor: object) -> Point:
    return (float(anchor[0]), float(anchor[1]))  # type: ignore[index]


def supply(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.6), "Supply chain: two fuses, emergency stop, two switches in series, regulator")
    s.net((x, y), "bat")
    s.two("F1", (x, y), (x + 2, y))
    s.two("D1", (x + 2, y), (x + 4, y))
    s.two("C1", (x + 4, y), (x + 4, y - 2))
    s.ground((x + 4, y - 2))
    s.dot((x + 4, y))
    s.two("S1", (x + 4, y), (x + 6.5, y))
    s.word((x + 5.2, y - 0.6), "emergency stop", "center", 8)
    s.two("F2", (x + 6.5, y), (x + 9, y))
    # two P-channel switches, each with its pull-up, driver and way of being released
    for k, (q, pull, series, driver) in enumerate((("Q1", "R1", "R2", "Q2"), ("Q3", "R5", "R6", "Q4"))):
        left = x + 9 + 6.5 * k
        fet = s.transistor(q, "source", (left + 2.5, y - 0.4), text=(0.3, 0.1))
        gate, drain = xy(fet.gate), xy(fet.drain)
        s.wire((left, y), (left + 2.5, y), (left + 2.5, y - 0.4))
        s.two(pull, (left, y), (left, gate[1]))
        s.dot((left, y), (left, gate[1]))
        s.wire((left, gate[1]), gate)
        s.two(series, (left, gate[1]), (left, gate[1] - 2))
        nmos = s.transistor(driver, "drain", (left, gate[1] - 2), text=(0.3, 0.0))
        g, source = xy(nmos.gate), xy(nmos.source)
        out = left + 6.5
        s.wire(drain, (drain[0], drain[1] - 0.4), (out - 2.0, drain[1] - 0.4), (out - 2.0, y), (out, y))
        if k == 0:
            s.two("R3", (g[0] - 2, g[1]), g)
            s.net((g[0] - 2, g[1]), "pd4")
            s.two("R4", g, (g[0], g[1] - 2.2), flip=True)
            s.ground((g[0], g[1] - 2.2))
            s.dot(g)
            s.two("S2", source, (source[0], source[1] - 2))
            s.word((source[0] + 0.5, source[1] - 1.7), "enable (hand)", "left", 8)
            s.ground((source[0], source[1] - 2))
        else:
            s.ground(source)
            s.wire(g, (g[0] - 0.6, g[1]))
            s.net((g[0] - 0.6, g[1]), "pump")
    right = x + 22
    s.two("C4", (right, y), (right, y - 2))
    s.ground((right, y - 2))
    s.dot((right, y))
    s.net((right, y), "s2", "up")
    reg = elm.RBox().at((right, y)).to((right + 3, y))
    s.drawing += reg
    s.drawn.add("U1")
    s.word((right + 1.5, y + 0.5), "U1 10.0 V", "center")
    node = right + 3
    s.two("R8", (node, y), (node, y - 2))
    s.two("R9", (node, y - 2), (node, y - 4))
    s.ground((node, y - 4))
    s.dot((node, y), (node, y - 2))
    s.wire((node, y - 2), (right + 1.5, y - 2), (right + 1.5, y - 0.25))
    s.word((right + 1.7, y - 1.7), "fb")
    s.wire((node, y), (node + 2, y))
    s.two("C5", (node + 2, y), (node + 2, y - 2))
    s.ground((node + 2, y - 2))
    s.dot((node + 2, y))
    s.wire((node + 2, y), (node + 3, y))
    s.net((node + 3, y), "vr", "right")


def pump(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.4), "Alive pump: only a changing pin keeps Q3 on")
    s.net((x, y), "pc5")
    s.two("C2", (x, y), (x + 2, y))
    s.two("D2", (x + 2, y - 2), (x + 2, y))
    s.ground((x + 2, y - 2))
    s.two("D3", (x + 2, y), (x + 4.2, y))
    s.two("C3", (x + 4.2, y), (x + 4.2, y - 2))
    s.ground((x + 4.2, y - 2))
    s.wire((x + 4.2, y), (x + 6.2, y))
    s.two("R7", (x + 6.2, y), (x + 6.2, y - 2))
    s.ground((x + 6.2, y - 2))
    s.dot((x + 2, y), (x + 4.2, y), (x + 6.2, y))
    s.wire((x + 6.2, y), (x + 7.4, y))
    s.net((x + 7.4, y), "pump", "right")


def upper(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.4), "Upper limiter and independent clamp")
    s.net((x, y), "vr")
    s.wire((x, y), (x + 1.2, y))
    s.two("R10", (x + 1.2, y), (x + 4.5, y))
    s.wire((x + 4.5, y), (x + 6, y))
    # sense transistor: emitter at vr, base at e1, collector at b1
    sense = s.transistor("Q6", "emitter", (x + 1.2, y - 1.2), flip=True, text=(0.3, 0.2))
    s.wire((x + 1.2, y), (x + 1.2, y - 1.2))
    b = xy(sense.base)
    s.wire(b, (x + 4.5, b[1]), (x + 4.5, y))
    s.dot((x + 1.2, y), (x + 4.5, y))
    c = xy(sense.collector)
    low = y - 4.2
    s.wire(c, (c[0], low))
    passing = s.transistor("Q5", "emitter", (x + 6, y - 1.2), text=(0.3, 0.2))
    s.wire((x + 6, y), (x + 6, y - 1.2))
    s.word((x + 5.2, y + 0.25), "e1", "center")
    pb = xy(passing.base)
    s.wire(pb, (pb[0], low))
    s.wire((c[0], low), (pb[0], low))
    s.dot((pb[0], low))
    s.word((x + 2.6, low + 0.25), "b1", "center")
    s.two("R11", (pb[0], low), (pb[0], low - 2))
    s.ground((pb[0], low - 2))
    pc = xy(passing.collector)
    s.wire(pc, (pc[0], low), (pc[0] + 5.2, low))
    s.two("D4", (pc[0] + 1.5, low - 2), (pc[0] + 1.5, low), loc="bottom")
    s.two("C6", (pc[0] + 3.8, low), (pc[0] + 3.8, low - 2))
    s.ground((pc[0] + 1.5, low - 2))
    s.ground((pc[0] + 3.8, low - 2))
    s.dot((pc[0] + 1.5, low), (pc[0] + 3.8, low))
    s.net((pc[0] + 5.2, low), "vb", "right")


def bridge(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.4), "Bridge and lower limiter")
    top, bottom = y, y - 10.6
    s.net((x, y), "vb")
    s.wire((x, top), (x + 15.5, top))
    legs = (
        (x + 5.5, "M1", "R12", "Q7", "R13", "pb1", "M2", "R14", "R15", "pb2", "la"),
        (x + 13.5, "M3", "R16", "Q8", "R17", "pb2", "M4", "R18", "R19", "pb1", "lb"),
    )
    for lx, up, pull, driver, rb, pin_up, down, rg, rp, pin_down, leg in legs:
        fet = s.transistor(up, "source", (lx, top - 0.8), text=(0.3, 0.1))
        s.wire((lx, top), (lx, top - 0.8))
        gate, drain = xy(fet.gate), xy(fet.drain)
        gx = lx - 2.0
        s.two(pull, (gx, top), (gx, gate[1]))
        s.dot((gx, top), (lx, top), (gx, gate[1]))
        s.wire((gx, gate[1]), gate)
        npn = s.transistor(driver, "collector", (gx, gate[1] - 0.5), text=(0.25, 0.0))
        s.wire((gx, gate[1]), (gx, gate[1] - 0.5))
        s.ground(xy(npn.emitter))
        base = xy(npn.base)
        s.two(rb, (base[0] - 2, base[1]), base)
        s.net((base[0] - 2, base[1]), pin_up)
        nmos = s.transistor(down, "source", (lx, bottom + 2.4), text=(0.3, 0.1))
        s.wire((lx, bottom + 2.4), (lx, bottom))
        ngate, ndrain = xy(nmos.gate), xy(nmos.drain)
        s.wire(drain, ndrain)
        middle = (lx, (drain[1] + ndrain[1]) / 2)
        s.dot(middle)
        s.wire(middle, (lx + 1.2, middle[1]))
        s.net((lx + 1.2, middle[1]), leg, "right")
        s.two(rg, (ngate[0] - 2.6, ngate[1]), (ngate[0] - 0.4, ngate[1]))
        s.wire((ngate[0] - 0.4, ngate[1]), ngate)
        s.net((ngate[0] - 2.6, ngate[1]), pin_down)
        s.two(rp, (ngate[0] - 0.4, ngate[1]), (ngate[0] - 0.4, ngate[1] - 2.2))
        s.ground((ngate[0] - 0.4, ngate[1] - 2.2))
        s.dot((ngate[0] - 0.4, ngate[1]))
    s.wire((x + 5.5, bottom), (x + 18.5, bottom))
    s.dot((x + 13.5, bottom))
    s.word((x + 9.3, bottom + 0.25), "bo", "center")
    # lower limiter
    px = x + 18.5
    q9 = s.transistor("Q9", "collector", (px, bottom - 0.6), text=(0.3, 0.0))
    s.wire((px, bottom), (px, bottom - 0.6))
    base, emitter = xy(q9.base), xy(q9.emitter)
    bx = px - 2.6
    s.wire(base, (bx, base[1]))
    s.two("R21", (bx, base[1] + 4.4), (bx, base[1] + 1.4))
    s.wire((bx, base[1] + 1.4), (bx, base[1]))
    s.net((bx, base[1] + 4.4), "vb", "up")
    q10 = s.transistor("Q10", "collector", (bx, base[1] - 0.5), flip=True, text=(0.25, 0.0))
    s.wire((bx, base[1]), (bx, base[1] - 0.5))
    s.dot((bx, base[1]))
    s.word((bx + 0.9, base[1] + 0.25), "b2", "center")
    b10 = xy(q10.base)
    s.wire(b10, (px, b10[1]))
    s.wire(emitter, (px, b10[1]))
    s.dot((px, b10[1]))
    s.word((px + 0.25, b10[1] + 0.2), "e2")
    s.two("R20", (px, b10[1]), (px, b10[1] - 2.2))
    s.ground((px, b10[1] - 2.2))
    s.ground(xy(q10.emitter))


def outputs(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.6), "Outputs: relays, two resistors in every pole, current sense, surge")
    for k, (relay, r1, r2, pole, tvs) in enumerate((("K1", "R22", "R23", "A", "D5"), ("K2", "R24", "R25", "B", "D6"))):
        yy = y - 2.4 * k
        s.net((x, yy), "la")
        s.drawing += elm.Switch().at((x, yy)).to((x + 2.5, yy)).label(relay, fontsize=9)
        s.drawn.add(relay)
        s.two(r1, (x + 2.5, yy), (x + 5.2, yy))
        s.two(r2, (x + 5.2, yy), (x + 7.9, yy))
        s.wire((x + 7.9, yy), (x + 13.5, yy))
        tx = x + 9 + 2.2 * k
        s.two(tvs, (tx, yy), (tx, y - 6.4))
        s.dot((tx, yy), (tx, y - 6.4))
        s.net((x + 13.5, yy), f"{pole}: injection electrode {pole}", "right")
    yy = y - 6.4
    s.net((x, yy), "lb")
    s.two("R26", (x, yy), (x + 2.5, yy))
    s.two("R27", (x + 2.5, yy), (x + 5.2, yy))
    s.two("R28", (x + 5.2, yy), (x + 7.9, yy))
    s.wire((x + 7.9, yy), (x + 13.5, yy))
    s.net((x + 13.5, yy), "E: earth electrode", "right")
    s.drawn.add("U2")
    s.wire((x, yy), (x, yy - 1.2))
    s.wire((x + 2.5, yy), (x + 2.5, yy - 1.2))
    s.drawing += elm.RBox().at((x, yy - 1.2)).to((x + 2.5, yy - 1.2))
    s.dot((x, yy), (x + 2.5, yy))
    s.word((x + 1.25, yy - 1.9), "U2 gain 20 to ADC0", "center")
    s.word((x + 2.65, yy - 0.45), "se")


def senses(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.4), "Voltage sense into U3")
    for k, (pole, high, low, node) in enumerate(
        (("A", "R29", "R30", "va"), ("B", "R31", "R32", "vbb"), ("E", "R33", "R34", "ve"))
    ):
        yy = y - 1.9 * k
        s.net((x, yy), pole)
        s.two(high, (x, yy), (x + 2.8, yy))
        s.two(low, (x + 2.8, yy), (x + 5.6, yy))
        s.dot((x + 2.8, yy))
        s.word((x + 2.8, yy - 0.4), f"{node} to U3", "center", 8)
        s.net((x + 5.6, yy), "2.5 V", "right")


def drivers(s: Sheet, x: float, y: float) -> None:
    s.title((x, y + 1.4), "Relay drivers: coils on 5 V, never on the battery")
    for k, (coil, transistor, base_r, diode, pin) in enumerate(
        (("K1", "Q11", "R35", "D7", "pd5"), ("K2", "Q12", "R36", "D8", "pd6"))
    ):
        xx = x + 6.5 * k
        s.net((xx + 2.4, y), "v5", "up")
        s.drawing += elm.RBox().at((xx + 2.4, y)).to((xx + 2.4, y - 2)).label(f"{coil} coil", loc="top", fontsize=9)
        s.two(diode, (xx + 4.2, y - 2), (xx + 4.2, y), loc="bottom")
        s.wire((xx + 2.4, y), (xx + 4.2, y))
        s.wire((xx + 2.4, y - 2), (xx + 4.2, y - 2))
        s.dot((xx + 2.4, y - 2))
        npn = s.transistor(transistor, "collector", (xx + 2.4, y - 2.5), text=(0.25, 0.0))
        s.wire((xx + 2.4, y - 2), (xx + 2.4, y - 2.5))
        s.ground(xy(npn.emitter))
        base = xy(npn.base)
        s.two(base_r, (base[0] - 2, base[1]), base)
        s.net((base[0] - 2, base[1]), pin)


def draw() -> str:
    """SVG text of the whole stage. AssertionError if a part of the netlist is missing on the paper."""
    drawing = schemdraw.Drawing(show=False)
    drawing.config(unit=2, fontsize=9, lw=1.2, bgcolor="white", font="sans-serif")
    sheet = Sheet(drawing)
    supply(sheet, 0, 0)
    pump(sheet, 19.5, -9.5)
    upper(sheet, 0, -12.5)
    bridge(sheet, 0, -23)
    outputs(sheet, 19, -15.5)
    senses(sheet, 23, -27.5)
    drivers(sheet, 23, -36.0)
    missing = {part.ref for part in stage.PARTS} - sheet.drawn
    assert not missing, f"not drawn: {sorted(missing)}"
    text: str = drawing.get_imagedata("svg").decode("utf-8")
    return text


def main() -> int:
    target = Path(__file__).parent / "output_stage.svg"
    temporary = target.with_suffix(".svg.tmp")
    with temporary.open("w", encoding="utf-8") as handle:
        handle.write(draw())
        handle.flush()
        os.fsync(handle.fileno())
    temporary.replace(target)
    return 0


if __name__ == "__main__":
    sys.exit(main())
