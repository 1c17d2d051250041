"""Reads a .kicad_pcb file without KiCad: pads, tracks and vias with nets, in millimetres from the board's corner."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from hardware.boards import sexpr
from hardware.boards.footprints import pad_of, turned
from hardware.boards.model import Place
from numpy.typing import NDArray

ORIGIN_MM = (40.0, 40.0)
LAYERS = ("F.Cu", "B.Cu")


@dataclass(frozen=True)
class PadOnBoard:
    ref: str
    number: str
    net: str
    x_mm: float
    y_mm: float
    w_mm: float
    h_mm: float
    turn_deg: float
    round_ends: bool
    drill_mm: float
    layers: frozenset[int]  # 0 top, 1 bottom
    corner_mm: float = 0.0
    """Radius of rounded corners."""

    def distance_mm(self, x: float, y: float) -> float:
        """From a point to the pad's copper; below 0 inside."""
        a = math.radians(self.turn_deg)
        dx, dy = x - self.x_mm, y - self.y_mm
        u, v = dx * math.cos(a) - dy * math.sin(a), dx * math.sin(a) + dy * math.cos(a)
        r = min(self.w_mm, self.h_mm) / 2 if self.round_ends else 0.0
        p, q = abs(u) - self.w_mm / 2 + r, abs(v) - self.h_mm / 2 + r
        return math.hypot(max(p, 0.0), max(q, 0.0)) + min(max(p, q), 0.0) - r


@dataclass(frozen=True)
class Track:
    net: str
    layer: int
    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float
    width_mm: float


@dataclass(frozen=True)
class Via:
    net: str
    x_mm: float
    y_mm: float
    width_mm: float
    drill_mm: float = 0.4


@dataclass(frozen=True)
class Edge:
    """A straight piece of the board's outline or of a slot; bends are cut into such."""

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float


@dataclass(frozen=True, eq=False)
class Area:
    """One piece of a filled area, as a polygon."""

    net: str
    layer: int
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]

    def size_mm2(self) -> float:
        x, y = self.x_mm, self.y_mm
        return float(abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2)

    def holds(self, x: float, y: float) -> bool:
        """Whether a point lies inside (a ray to the right crosses the outline an odd number of times)."""
        x0, y0 = self.x_mm, self.y_mm
        x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
        spans = (y0 > y) != (y1 > y)
        at = x0[spans] + (y - y0[spans]) * (x1[spans] - x0[spans]) / (y1[spans] - y0[spans])
        return bool(np.count_nonzero(at > x) % 2)


@dataclass(frozen=True)
class Copper:
    pads: tuple[PadOnBoard, ...]
    tracks: tuple[Track, ...]
    vias: tuple[Via, ...]
    areas: tuple[Area, ...]
    places: dict[str, Place]
    footprints: dict[str, str]
    edges: tuple[Edge, ...] = ()


def _net_names(root: sexpr.Node) -> dict[str, str]:
    return {sexpr.text(n, 1): sexpr.text(n, 2) for n in sexpr.children(root, "net")}


def _numbers(node: sexpr.Node, name: str) -> list[float]:
    found = sexpr.child(node, name)
    if found is None:
        raise ValueError(f"{node[0]} without {name}")
    return sexpr.numbers(found)


def _word(node: sexpr.Node, name: str) -> str:
    found = sexpr.child(node, name)
    return sexpr.text(found) if found is not None else ""


def _corner(node: sexpr.Node, w_mm: float, h_mm: float) -> float:
    ratio = sexpr.child(node, "roundrect_rratio")
    return sexpr.numbers(ratio)[0] * min(w_mm, h_mm) if ratio is not None else 0.0


def _pads(fp: sexpr.Node, ref: str, place: Place) -> list[PadOnBoard]:
    pads = []
    for node in sexpr.children(fp, "pad"):
        pad = pad_of(node)
        layers_node = sexpr.child(node, "layers")
        names = [str(x) for x in layers_node[1:]] if layers_node else []
        layers = {k for k, name in enumerate(LAYERS) if name in names or "*.Cu" in names}
        net = sexpr.child(node, "net")
        x, y = turned(pad.x_mm, pad.y_mm, place)
        # A pad's own angle in a board file already contains the footprint's.
        pads.append(
            PadOnBoard(
                ref, pad.number, _plain(sexpr.text(net, 2)) if net else "", x, y, pad.w_mm, pad.h_mm, pad.turn_deg,
                pad.shape in ("circle", "oval"), pad.drill_mm, frozenset(layers), _corner(node, pad.w_mm, pad.h_mm),
            )
        )  # fmt: skip
    return pads


def _arc_points(
    start: list[float], middle: list[float], end: list[float], steps: int = 16
) -> list[tuple[float, float]]:
    """Points on the arc through three."""
    (ax, ay), (bx, by), (cx, cy) = start, middle, end
    d = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    a, b, c = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    x, y = (a * (by - cy) + b * (cy - ay) + c * (ay - by)) / d, (a * (cx - bx) + b * (ax - cx) + c * (bx - ax)) / d
    first, way, last = (math.atan2(py - y, px - x) for px, py in (start, middle, end))
    whole = 2 * math.pi
    if (way - first) % whole > (last - first) % whole:  # the middle lies on the other way round
        span = (last - first) % whole - whole
    else:
        span = (last - first) % whole
    r = math.hypot(ax - x, ay - y)
    return [(x + r * math.cos(first + span * k / steps), y + r * math.sin(first + span * k / steps))
            for k in range(steps + 1)]  # fmt: skip


def _edges(root: sexpr.Node) -> list[Edge]:
    found = []
    ox, oy = ORIGIN_MM
    for kind in ("gr_line", "gr_arc"):
        for node in sexpr.children(root, kind):
            if _word(node, "layer") != "Edge.Cuts":
                continue
            start, end = _numbers(node, "start"), _numbers(node, "end")
            points = [(start[0], start[1]), (end[0], end[1])]
            if kind == "gr_arc":
                points = _arc_points(start, _numbers(node, "mid"), end)
            found += [Edge(a[0] - ox, a[1] - oy, b[0] - ox, b[1] - oy) for a, b in pairwise(points)]
    return found


def _plain(net: str) -> str:
    return "0" if net == "GND" else net


def read(path: Path) -> Copper:
    root = sexpr.parse(path.read_text(encoding="utf-8"))
    names = _net_names(root)
    pads: list[PadOnBoard] = []
    places, footprints = {}, {}
    for fp in sexpr.children(root, "footprint"):
        ref = next(sexpr.text(t, 2) for t in sexpr.children(fp, "fp_text") if sexpr.text(t, 1) == "reference")
        where = _numbers(fp, "at")
        place = Place(where[0] - ORIGIN_MM[0], where[1] - ORIGIN_MM[1], where[2] if len(where) > 2 else 0.0)
        places[ref] = place
        footprints[ref] = sexpr.text(fp, 1)
        pads += _pads(fp, ref, place)
    tracks, vias = [], []
    for node in sexpr.children(root, "segment"):
        (x0, y0), (x1, y1) = _numbers(node, "start"), _numbers(node, "end")
        net = _plain(names[_word(node, "net")])
        layer = LAYERS.index(_word(node, "layer"))
        x, y = ORIGIN_MM
        tracks.append(Track(net, layer, x0 - x, y0 - y, x1 - x, y1 - y, _numbers(node, "width")[0]))
    for node in sexpr.children(root, "via"):
        x, y = _numbers(node, "at")
        net = _plain(names[_word(node, "net")])
        vias.append(Via(net, x - ORIGIN_MM[0], y - ORIGIN_MM[1], _numbers(node, "size")[0],
                        _numbers(node, "drill")[0]))  # fmt: skip
    areas = []
    for zone in sexpr.children(root, "zone"):
        net = _plain(names[_word(zone, "net")])
        for piece in sexpr.children(zone, "filled_polygon"):
            points = sexpr.child(piece, "pts")
            corners = np.array([sexpr.numbers(p) for p in sexpr.children(points or [], "xy")]) - ORIGIN_MM
            areas.append(Area(net, LAYERS.index(_word(piece, "layer")), corners[:, 0], corners[:, 1]))
    return Copper(tuple(pads), tuple(tracks), tuple(vias), tuple(areas), places, footprints, tuple(_edges(root)))
