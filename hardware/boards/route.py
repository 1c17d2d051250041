"""Finds the tracks of a board: builds the grid of what is allowed, lets `router.c` find the ways, returns copper.

The C part is compiled when first needed (gcc). The result depends on nothing but the board: the same every time.
"""

from __future__ import annotations

import ctypes
import math
import subprocess
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hardware.boards.model import HERE, BoardSpec, Point
from hardware.boards.reader import Copper, PadOnBoard, Track, Via
from numpy.typing import NDArray

GRID_MM = 0.2
CLEAR_MM = 0.2
SPARE_MM = 0.01  # for rounding
TRACK_MM, VIA_MM, VIA_HOLE_MM, EDGE_MM = 0.3, 0.8, 0.4, 0.55
VIA_COST = 14.0  # in steps of the grid
FREE, BLOCKED = -1, -2
SLOT_MM = 1.5


class _Problem(ctypes.Structure):
    _fields_ = [
        *((name, ctypes.c_int) for name in ("nx", "ny", "widths", "nets")),
        *(
            (name, ctypes.c_void_p)
            for name in (
                "own", "own_via", "region", "net_width", "net_region", "net_xmax", "pin_start", "pin_nodes_start",
                "pin_nodes", "reach",
            )
        ),
        ("via_cost", ctypes.c_float),
    ]  # fmt: skip


@dataclass(frozen=True)
class Routed:
    tracks: list[Track]
    vias: list[Via]
    collisions: int
    rounds: int


def compile_router(folder: Path) -> ctypes.CDLL:
    target = folder / "router.so"
    flags = ["-O3", "-march=native", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]
    command = ["gcc", *flags, "-o", str(target), str(HERE / "router.c"), "-lm"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"router.c does not compile: {done.stderr}")
    return ctypes.CDLL(str(target))


class Grid:
    """Which node a track of which width may pass, for which net."""

    def __init__(self, spec: BoardSpec, copper: Copper) -> None:
        self.spec = spec
        self.nx, self.ny = round(spec.width_mm / GRID_MM) + 1, round(spec.height_mm / GRID_MM) + 1
        self.x, self.y = np.meshgrid(np.arange(self.nx) * GRID_MM, np.arange(self.ny) * GRID_MM)  # [y, x]
        self.nets = sorted({p.net for p in copper.pads if p.net})
        self.number = {net: k for k, net in enumerate(self.nets)}
        self.class_width = {net: c.width_mm for c in spec.classes for net in c.nets}
        self.widths = sorted({TRACK_MM, *(c.width_mm for c in spec.classes)})
        n = self.nx * self.ny
        self.own = np.full((len(self.widths), 2, self.ny, self.nx), FREE, np.int16)
        self.own_via = np.full((self.ny, self.nx), FREE, np.int16)
        self.pins: dict[str, list[list[int]]] = {net: [] for net in self.nets}
        edge = self._edge_distance()
        for w, width in enumerate(self.widths):
            self.own[w][:, edge < EDGE_MM + width / 2] = BLOCKED
        self.own_via[edge < EDGE_MM + VIA_MM / 2] = BLOCKED
        # KiCad writes parts in another order each time: sorted, so that the same board gets the same tracks.
        pads = sorted(copper.pads, key=lambda p: (p.ref, p.number, p.x_mm, p.y_mm))
        for pad in (*pads, *stub_pads(spec)):
            self._block(pad)
        self.region = np.zeros((self.ny, self.nx), np.uint8)
        for k, region in enumerate(spec.regions):
            inside, near = self._polygon(region.corners, region.apart_mm + max(self.widths) / 2)
            self.region[near] = 255
            self.region[inside] = k + 1
        for pad in pads:
            if pad.net:
                nodes = self._pad_nodes(pad, n)
                if not nodes:
                    raise ValueError(f"{pad.ref} pad {pad.number}: no point of the grid lies on it")
                self.pins[pad.net].append(nodes)

    def _window(self, x: float, y: float, reach: float) -> tuple[slice, slice]:
        def cut(middle: float, count: int) -> slice:
            low, high = int((middle - reach) / GRID_MM), int((middle + reach) / GRID_MM) + 2
            return slice(max(low, 0), min(high, count))

        return cut(y, self.ny), cut(x, self.nx)

    def _distance(self, pad: PadOnBoard, window: tuple[slice, slice]) -> NDArray[np.float64]:
        a = math.radians(pad.turn_deg)
        dx, dy = self.x[window] - pad.x_mm, self.y[window] - pad.y_mm
        u, v = dx * math.cos(a) - dy * math.sin(a), dx * math.sin(a) + dy * math.cos(a)
        r = min(pad.w_mm, pad.h_mm) / 2 if pad.round_ends else 0.0
        p, q = np.abs(u) - pad.w_mm / 2 + r, np.abs(v) - pad.h_mm / 2 + r
        outside = np.hypot(np.maximum(p, 0), np.maximum(q, 0))
        return np.asarray(outside + np.minimum(np.maximum(p, q), 0) - r)

    def _edge_distance(self) -> NDArray[np.float64]:
        """Distance to the outline and to slots; 0 outside the board and in a slot."""
        w, h, r = self.spec.width_mm, self.spec.height_mm, self.spec.corner_mm
        px, py = np.abs(self.x - w / 2) - w / 2 + r, np.abs(self.y - h / 2) - h / 2 + r
        inside = -(np.hypot(np.maximum(px, 0), np.maximum(py, 0)) + np.minimum(np.maximum(px, py), 0) - r)
        found = np.maximum(inside, 0)
        for (x0, y0), (x1, y1) in self.spec.slots:
            length = (x1 - x0) ** 2 + (y1 - y0) ** 2
            t = np.clip(((self.x - x0) * (x1 - x0) + (self.y - y0) * (y1 - y0)) / length, 0, 1)
            away = np.hypot(self.x - x0 - t * (x1 - x0), self.y - y0 - t * (y1 - y0)) - SLOT_MM / 2
            found = np.minimum(found, np.maximum(away, 0))
        return np.asarray(found)

    def _block(self, pad: PadOnBoard) -> None:
        net = self.number[pad.net] if pad.net else BLOCKED
        layers = (0, 1) if pad.drill_mm else tuple(pad.layers)
        window = self._window(pad.x_mm, pad.y_mm, max(pad.w_mm, pad.h_mm) / 2 + 2)
        away = self._distance(pad, window)

        def claim(view: NDArray[np.int16], reach: float) -> None:
            close = away < reach
            other = close & (view != FREE) & (view != net)
            view[close] = net
            view[other] = BLOCKED

        for w, width in enumerate(self.widths):
            for layer in layers:
                claim(self.own[w, layer][window], CLEAR_MM + width / 2 + SPARE_MM)
        via = self.own_via[window]
        claim(via, CLEAR_MM + VIA_MM / 2 + SPARE_MM)
        via[away < VIA_HOLE_MM / 2 + 0.1] = BLOCKED  # no via in a pad

    def _polygon(self, corners: tuple[Point, ...], apart: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        xs, ys = [c[0] for c in corners], [c[1] for c in corners]
        dx = np.maximum(np.maximum(min(xs) - self.x, self.x - max(xs)), 0)
        dy = np.maximum(np.maximum(min(ys) - self.y, self.y - max(ys)), 0)
        away = np.hypot(dx, dy)
        return away <= 0, away < apart

    def _pad_nodes(self, pad: PadOnBoard, n: int) -> list[int]:
        window = self._window(pad.x_mm, pad.y_mm, max(pad.w_mm, pad.h_mm) / 2 + 0.3)
        away = self._distance(pad, window)
        w = self.widths.index(self.class_width.get(pad.net, TRACK_MM))
        k = next((i + 1 for i, r in enumerate(self.spec.regions) if pad.net in r.nets), 0)
        found = []
        for layer in sorted(pad.layers):
            fits = (away <= -0.05) & (self.own[w, layer][window] == self.number[pad.net])
            for iy, ix in zip(*np.nonzero(fits), strict=True):
                y, x = int(iy) + window[0].start, int(ix) + window[1].start
                if self.region[y, x] == k:
                    found.append(layer * n + y * self.nx + x)
        return found


def stub_pads(spec: BoardSpec) -> list[PadOnBoard]:
    """The stubs as the grid sees them: a bar of copper and a hole with its ring."""
    found = []
    for net, (x0, y0), (x1, y1) in spec.stubs:
        turn = -math.degrees(math.atan2(y1 - y0, x1 - x0))
        middle, length = ((x0 + x1) / 2, (y0 + y1) / 2), math.dist((x0, y0), (x1, y1))
        found.append(PadOnBoard("", "", net, *middle, length + TRACK_MM, TRACK_MM, turn, True, 0.0, frozenset({0})))
        found.append(PadOnBoard("", "", net, x1, y1, VIA_MM, VIA_MM, 0.0, True, VIA_HOLE_MM, frozenset({0, 1})))
    return found


def _order(grid: Grid) -> list[str]:
    """Short nets first, the ground last."""

    def size(net: str) -> float:
        nodes = [pin[0] % (grid.nx * grid.ny) for pin in grid.pins[net]]
        xs, ys = [n % grid.nx for n in nodes], [n // grid.nx for n in nodes]
        return max(xs) - min(xs) + max(ys) - min(ys) + (1e6 if net == grid.spec.ground else 0)

    return sorted(grid.nets, key=size)


def find(spec: BoardSpec, copper: Copper, *, rounds: int = 120, say: Callable[[str], None] = print) -> Routed:
    grid = Grid(spec, copper)
    order = _order(grid)
    number = {grid.number[net]: k for k, net in enumerate(order)}
    renumber = np.array([number.get(k, k) for k in range(len(grid.nets))] + [BLOCKED, FREE], np.int16)
    own, own_via = renumber[grid.own], renumber[grid.own_via]
    kinds = [*grid.widths, VIA_MM]
    reach = np.array([[(a + b) / 2 + CLEAR_MM + SPARE_MM for b in kinds] for a in kinds], np.float32) / GRID_MM
    keep = spec.keep_left_mm
    pin_start, starts, nodes = [0], [0], []
    for net in order:
        for pin in grid.pins[net]:
            nodes += pin
            starts.append(len(nodes))
        pin_start.append(len(starts) - 1)
    arrays = {
        "own": own, "own_via": own_via, "region": grid.region,
        "net_width": np.array([grid.widths.index(grid.class_width.get(n, TRACK_MM)) for n in order], np.int32),
        "net_region": np.array(
            [next((i + 1 for i, r in enumerate(spec.regions) if n in r.nets), 0) for n in order], np.int32
        ),
        "net_xmax": np.array([round(keep.get(n, 1e4) / GRID_MM) for n in order], np.int32),
        "pin_start": np.array(pin_start, np.int32), "pin_nodes_start": np.array(starts, np.int32),
        "pin_nodes": np.array(nodes, np.int32), "reach": reach,
    }  # fmt: skip
    kept = {name: np.ascontiguousarray(a) for name, a in arrays.items()}
    problem = _Problem(nx=grid.nx, ny=grid.ny, widths=len(grid.widths), nets=len(order), via_cost=VIA_COST)
    for name, a in kept.items():
        setattr(problem, name, a.ctypes.data)
    out = np.zeros(2_000_000, np.int32)
    seen: list[int] = []

    def report(round_: int, collisions: int, moved: int) -> None:
        seen.append(round_)
        if round_ < 0:
            say(f"ground: {collisions} pins are left to the ground area")
        else:
            say(f"round {round_}: {moved} nets laid, {collisions} collisions")

    with tempfile.TemporaryDirectory() as folder:
        library = compile_router(Path(folder))
        back = ctypes.CFUNCTYPE(None, ctypes.c_int, ctypes.c_int, ctypes.c_int)(report)
        left = library.route(ctypes.byref(problem), rounds, ctypes.c_void_p(out.ctypes.data), len(out), back)
    tracks, vias = _copper(grid, order, out.tolist(), copper)
    for net, start, end in spec.stubs:
        tracks.append(Track(net, 0, *start, *end, TRACK_MM))
        vias.append(Via(net, *end, VIA_MM))
    return Routed(tracks, vias, int(left), len(seen))


def _pieces(out: list[int], count: int) -> Iterable[tuple[int, list[int]]]:
    net, piece = 0, []
    for node in out:
        if node >= 0:
            piece.append(node)
            continue
        if piece:
            yield net, piece
            piece = []
        if node == -2:
            net += 1
            if net == count:
                return


def _copper(grid: Grid, order: list[str], out: list[int], copper: Copper) -> tuple[list[Track], list[Via]]:
    n = grid.nx * grid.ny
    pads: dict[str, list[PadOnBoard]] = {}
    for pad in copper.pads:
        pads.setdefault(pad.net, []).append(pad)
    tracks: list[Track] = []
    vias: dict[tuple[str, float, float], Via] = {}

    def place(node: int) -> Point:
        return round(node % n % grid.nx * GRID_MM, 3), round(node % n // grid.nx * GRID_MM, 3)

    for k, piece in _pieces(out, len(order)):
        net = order[k]
        width = grid.class_width.get(net, TRACK_MM)
        i = 0
        while i + 1 < len(piece):
            a, b = piece[i], piece[i + 1]
            if a // n != b // n:
                vias[(net, *place(a))] = Via(net, *place(a), VIA_MM)
                i += 1
                continue
            j = i + 1
            step = b - a
            while j + 1 < len(piece) and piece[j + 1] // n == a // n and piece[j + 1] - piece[j] == step:
                j += 1
            tracks.append(Track(net, a // n, *place(a), *place(piece[j]), width))
            i = j
        for end in (piece[0], piece[-1]):  # to the pad's middle, so that a person sees where it ends
            x, y = place(end)
            for own in pads[net]:
                inside = end // n in own.layers and own.distance_mm(x, y) < 0
                if inside and math.dist((x, y), (own.x_mm, own.y_mm)) > 0.01:
                    tracks.append(Track(net, end // n, x, y, round(own.x_mm, 4), round(own.y_mm, 4), width))
    return list(dict.fromkeys(tracks)), list(vias.values())
