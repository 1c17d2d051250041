"""Pads and courtyards of KiCad's footprints, read from its library files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from hardware.boards import sexpr
from hardware.boards.model import Place, Point

LIBRARY = Path("/usr/share/kicad/footprints")


@dataclass(frozen=True)
class Pad:
    number: str
    x_mm: float
    y_mm: float
    w_mm: float
    h_mm: float
    turn_deg: float
    shape: str
    drill_mm: float
    """0: a pad on the surface."""


@dataclass(frozen=True)
class Footprint:
    pads: tuple[Pad, ...]
    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float


def pad_of(node: sexpr.Node) -> Pad:
    at = sexpr.child(node, "at")
    size = sexpr.child(node, "size")
    if at is None or size is None:
        raise ValueError("a pad without place or size")
    place, (w, h) = sexpr.numbers(at), sexpr.numbers(size)
    drill = sexpr.child(node, "drill")
    hole = max(sexpr.numbers(drill), default=0.0) if drill is not None else 0.0
    turn = place[2] if len(place) > 2 else 0.0
    return Pad(sexpr.text(node, 1), place[0], place[1], w, h, turn, sexpr.text(node, 3), hole)


@cache
def load(name: str) -> Footprint:
    library, item = name.split(":")
    node = sexpr.parse((LIBRARY / f"{library}.pretty" / f"{item}.kicad_mod").read_text(encoding="utf-8"))
    xs: list[float] = []
    ys: list[float] = []
    for kind in ("fp_line", "fp_circle", "fp_rect", "fp_poly"):
        for shape in sexpr.children(node, kind):
            layer = sexpr.child(shape, "layer")
            if layer is None or sexpr.text(layer) != "F.CrtYd":
                continue
            points = [sexpr.numbers(p) for p in shape if not isinstance(p, str) and p[0] in ("start", "end", "center")]
            if kind == "fp_circle":
                (cx, cy), (ex, ey) = points[:2]
                r = math.hypot(ex - cx, ey - cy)
                points = [[cx - r, cy - r], [cx + r, cy + r]]
            xs += [p[0] for p in points]
            ys += [p[1] for p in points]
    pads = tuple(pad_of(pad) for pad in sexpr.children(node, "pad"))
    return Footprint(pads, min(xs), min(ys), max(xs), max(ys))


def turned(x: float, y: float, place: Place) -> Point:
    """A point of a footprint on the board. KiCad turns counter-clockwise, y down."""
    a = math.radians(place.turn_deg)
    return (
        place.x_mm + x * math.cos(a) + y * math.sin(a),
        place.y_mm - x * math.sin(a) + y * math.cos(a),
    )


def box(footprint: Footprint, place: Place) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the courtyard on the board."""
    corners = [
        turned(x, y, place)
        for x in (footprint.left_mm, footprint.right_mm)
        for y in (footprint.top_mm, footprint.bottom_mm)
    ]
    xs, ys = [c[0] for c in corners], [c[1] for c in corners]
    return min(xs), min(ys), max(xs), max(ys)
