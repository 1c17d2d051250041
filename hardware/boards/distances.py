"""Distances of a board's copper against the rules that lie beside it, without KiCad.

Reads what a person gets: the limits of the .kicad_pro, the rules of the .kicad_dru, the copper of the .kicad_pcb. A
second opinion beside KiCad's own check, in seconds: copper to copper of another net, copper to edges and slots, copper
to holes, hole to hole, widths, rings.

    python -m hardware.boards.distances hardware/boards/source/source.kicad_pcb
"""

from __future__ import annotations

import json
import math
import re
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hardware.boards.reader import Copper, PadOnBoard, read
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: Files carry a millionth of a millimetre, and KiCad rounds corners of areas by two hundredths.
SPARE_MM = 0.001
AREA_SPARE_MM = 0.021


@dataclass(frozen=True)
class Limits:
    clearance_mm: float
    edge_mm: float
    width_mm: float
    via_mm: float
    ring_mm: float
    hole_mm: float
    holes_apart_mm: float
    class_of: dict[str, str]
    width_of: dict[str, float]
    apart_mm: dict[frozenset[str], float]
    """Two classes of nets -> clearance."""

    def between(self, a: str, b: str) -> float:
        if not (a and b):
            return self.clearance_mm  # a pad that the circuit leaves free belongs to no class
        pair = frozenset((self.class_of.get(a, "Default"), self.class_of.get(b, "Default")))
        return max(self.apart_mm.get(pair, 0.0), self.clearance_mm)


def limits_of(board: Path) -> Limits:
    project = json.loads(board.with_suffix(".kicad_pro").read_text(encoding="utf-8"))
    rules = project["board"]["design_settings"]["rules"]
    classes = project["net_settings"]["classes"]
    found = re.findall(
        r"clearance \(min ([\d.]+)mm\)\)\s*\(condition \"A\.NetClass == '(\w+)' && B\.NetClass == '(\w+)'\"\)",
        board.with_suffix(".kicad_dru").read_text(encoding="utf-8"),
    )
    return Limits(
        clearance_mm=rules["min_clearance"], edge_mm=rules["min_copper_edge_clearance"],
        width_mm=rules["min_track_width"], via_mm=rules["min_via_diameter"], ring_mm=rules["min_via_annular_width"],
        hole_mm=rules["min_hole_clearance"], holes_apart_mm=rules["min_hole_to_hole"],
        class_of={"0" if n == "GND" else n: c["name"] for c in classes for n in c["nets"]},
        width_of={c["name"]: c["track_width"] for c in classes},
        apart_mm={frozenset((a, b)): float(mm) for mm, a, b in found},
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Shape:
    """Straight pieces, each a thick line: the outline of a pad or an area, a track, a point for a hole."""

    what: str
    net: str
    layers: frozenset[int]
    lines: Floats  # n x 4
    radius_mm: float
    closed: bool
    area: bool = False


def _ring(x: Floats, y: Floats) -> Floats:
    return np.column_stack([x, y, np.roll(x, -1), np.roll(y, -1)])


def _pad(pad: PadOnBoard) -> Shape:
    """The pad as it is within its rounded corners: a rectangle grown by their radius."""
    r = min(pad.w_mm, pad.h_mm) / 2 if pad.round_ends else pad.corner_mm
    a = math.radians(pad.turn_deg)
    u = np.array([-1.0, 1.0, 1.0, -1.0]) * (pad.w_mm / 2 - r)
    v = np.array([-1.0, -1.0, 1.0, 1.0]) * (pad.h_mm / 2 - r)
    x, y = pad.x_mm + u * math.cos(a) + v * math.sin(a), pad.y_mm - u * math.sin(a) + v * math.cos(a)
    return Shape(f"{pad.ref} pad {pad.number}", pad.net, pad.layers, _ring(x, y), r, True)


def shapes(copper: Copper) -> list[Shape]:
    found = [_pad(p) for p in copper.pads if p.number]
    for t in copper.tracks:
        line = np.array([[t.x0_mm, t.y0_mm, t.x1_mm, t.y1_mm]])
        what = f"track of {t.net} at {t.x0_mm:.2f}, {t.y0_mm:.2f}"
        found.append(Shape(what, t.net, frozenset({t.layer}), line, t.width_mm / 2, False))
    for v in copper.vias:
        what = f"via of {v.net} at {v.x_mm:.2f}, {v.y_mm:.2f}"
        found.append(Shape(what, v.net, frozenset({0, 1}), np.array([[v.x_mm, v.y_mm] * 2]), v.width_mm / 2, False))
    for area in copper.areas:
        what = f"area of {area.net}"
        lines = _ring(area.x_mm, area.y_mm)
        found.append(Shape(what, area.net, frozenset({area.layer}), lines, 0.0, True, area=True))
    return found


def _point_to_line(px: Floats, py: Floats, line: Floats) -> Floats:
    x0, y0, dx, dy = line[..., 0], line[..., 1], line[..., 2] - line[..., 0], line[..., 3] - line[..., 1]
    length = dx * dx + dy * dy
    t = np.clip(((px - x0) * dx + (py - y0) * dy) / np.where(length > 0, length, 1.0), 0.0, 1.0)
    return np.asarray(np.hypot(px - x0 - t * dx, py - y0 - t * dy))


def _cross(a: Floats, b: Floats) -> NDArray[np.bool_]:
    def side(line: Floats, px: Floats, py: Floats) -> Floats:
        return np.asarray((line[..., 2] - line[..., 0]) * (py - line[..., 1])
                          - (line[..., 3] - line[..., 1]) * (px - line[..., 0]))  # fmt: skip

    one = side(a, b[..., 0], b[..., 1]) * side(a, b[..., 2], b[..., 3]) < 0
    two = side(b, a[..., 0], a[..., 1]) * side(b, a[..., 2], a[..., 3]) < 0
    return np.asarray(one & two)


def lines_apart(one: Floats, two: Floats) -> Floats:
    """Distance of every piece of one (n) to every piece of two (m): n x m."""
    a, b = one[:, None, :], two[None, :, :]
    least = np.minimum.reduce([
        _point_to_line(a[..., 0], a[..., 1], b), _point_to_line(a[..., 2], a[..., 3], b),
        _point_to_line(b[..., 0], b[..., 1], a), _point_to_line(b[..., 2], b[..., 3], a),
    ])  # fmt: skip
    return np.where(_cross(a, b), 0.0, least)


def _holds(closed: Floats, x: float, y: float) -> bool:
    y0, y1 = closed[:, 1], closed[:, 3]
    spans = (y0 > y) != (y1 > y)
    some = closed[spans]
    at = some[:, 0] + (y - some[:, 1]) * (some[:, 2] - some[:, 0]) / (some[:, 3] - some[:, 1])
    return bool(np.count_nonzero(at > x) % 2)


def apart_mm(one: Shape, two: Shape, lines: Floats | None = None) -> float:
    """Copper to copper; 0 where one lies within the other. `lines`: the pieces of `two` that can matter."""
    if (two.closed and _holds(two.lines, *one.lines[0, :2])) or (one.closed and _holds(one.lines, *two.lines[0, :2])):
        return 0.0
    near = two.lines if lines is None else lines
    if not len(near):
        return math.inf
    return max(float(lines_apart(one.lines, near).min()) - one.radius_mm - two.radius_mm, 0.0)


class _Index:
    """All pieces of all shapes in one table, to find those near a shape at once."""

    def __init__(self, all_shapes: list[Shape]) -> None:
        self.shapes = all_shapes
        self.lines = np.concatenate([s.lines for s in all_shapes])
        self.owner = np.repeat(np.arange(len(all_shapes)), [len(s.lines) for s in all_shapes])
        radius = np.array([s.radius_mm for s in all_shapes])[self.owner]
        x, y = self.lines[:, 0::2], self.lines[:, 1::2]
        self.box = np.column_stack([x.min(1) - radius, y.min(1) - radius, x.max(1) + radius, y.max(1) + radius])

    def near(self, shape: Shape, reach: float) -> dict[int, Floats]:
        reach += shape.radius_mm
        x, y = shape.lines[:, 0::2], shape.lines[:, 1::2]
        b = self.box
        close = (b[:, 0] < x.max() + reach) & (b[:, 2] > x.min() - reach)
        close &= (b[:, 1] < y.max() + reach) & (b[:, 3] > y.min() - reach)
        picked = np.nonzero(close)[0]
        owners = self.owner[picked]
        cuts = np.nonzero(np.diff(owners))[0] + 1
        return {int(self.owner[part[0]]): self.lines[part] for part in np.split(picked, cuts) if len(part)}

    def within(self, other: Floats, reach: float) -> list[tuple[Shape, float]]:
        """Shapes nearer than `reach` to a line, with the distance from their copper's edge to it."""
        x, y = other[[0, 2]], other[[1, 3]]
        b = self.box
        close = (b[:, 0] < x.max() + reach) & (b[:, 2] > x.min() - reach)
        close &= (b[:, 1] < y.max() + reach) & (b[:, 3] > y.min() - reach)
        picked = np.nonzero(close)[0]
        least: dict[int, float] = {}
        for owner, away in zip(self.owner[picked], lines_apart(other[None], self.lines[picked])[0], strict=True):
            least[int(owner)] = min(least.get(int(owner), math.inf), float(away))
        told = [(self.shapes[k], away - self.shapes[k].radius_mm) for k, away in least.items()]
        return [(shape, away) for shape, away in told if away < reach]


def copper_distances(copper: Copper, limits: Limits) -> list[str]:
    """Every pair of nets that comes nearer than its rule says."""
    everything = shapes(copper)
    index = _Index(everything)
    farthest = max([*limits.apart_mm.values(), limits.clearance_mm])
    wide = {name for pair in limits.apart_mm for name in pair}
    said = []
    for k, one in enumerate(everything):
        if one.area:
            continue  # areas of one net only: everything else looks at them
        mine = limits.class_of.get(one.net, "Default")
        near = index.near(one, farthest if mine in wide - {"Default", "power"} else limits.clearance_mm)
        for j, lines in near.items():
            two = everything[j]
            if j == k or (two.net == one.net and one.net) or not one.layers & two.layers or (j < k and not two.area):
                continue
            need = limits.between(one.net, two.net)
            got = apart_mm(one, two, lines)
            if got < need - (AREA_SPARE_MM if two.area else SPARE_MM):
                said.append(f"{one.what} is {got:.3f} mm from {two.what}; {need:g} mm are asked for between "
                            f"{one.net or 'a free pad'} and {two.net or 'a free pad'}")  # fmt: skip
    return said


def _holes(copper: Copper) -> list[tuple[str, float, float, float]]:
    """What, x, y, diameter of every hole."""
    pads = [(f"hole of {p.ref} {p.number}".rstrip(), p.x_mm, p.y_mm, p.drill_mm) for p in copper.pads if p.drill_mm]
    return pads + [(f"hole of via at {v.x_mm:.2f}, {v.y_mm:.2f}", v.x_mm, v.y_mm, v.drill_mm) for v in copper.vias]


def holes_and_edges(copper: Copper, limits: Limits) -> list[str]:
    said = []
    index = _Index(shapes(copper))
    for e in copper.edges:
        for shape, got in index.within(np.array([e.x0_mm, e.y0_mm, e.x1_mm, e.y1_mm]), limits.edge_mm):
            if got < limits.edge_mm - (AREA_SPARE_MM if shape.area else SPARE_MM):
                said.append(f"{shape.what} is {got:.3f} mm from the board's edge or a slot; "
                            f"{limits.edge_mm:g} mm are asked for")  # fmt: skip
    holes = _holes(copper)
    at = np.array([h[1:3] for h in holes])
    size = np.array([h[3] for h in holes])
    apart = np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1)) - (size[:, None] + size[None, :]) / 2
    for i, j in zip(*np.nonzero(np.triu(apart < limits.holes_apart_mm - SPARE_MM, 1)), strict=True):
        said.append(
            f"{holes[i][0]} is {apart[i, j]:.3f} mm from {holes[j][0]}; {limits.holes_apart_mm:g} mm are asked for"
        )
    for pad in copper.pads:  # holes without a ring: copper of any net stays away
        if pad.number or not pad.drill_mm:
            continue
        middle, r = np.array([pad.x_mm, pad.y_mm] * 2), pad.drill_mm / 2
        for shape, got in index.within(middle, r + limits.hole_mm):
            if got - r < limits.hole_mm - (AREA_SPARE_MM if shape.area else SPARE_MM):
                said.append(f"{shape.what} is {got - r:.3f} mm from the hole of {pad.ref}; "
                            f"{limits.hole_mm:g} mm are asked for")  # fmt: skip
    return said


def sizes(copper: Copper, limits: Limits) -> list[str]:
    said = []
    for t in copper.tracks:
        if t.width_mm < limits.width_mm - SPARE_MM:
            said.append(f"track of {t.net} at {t.x0_mm:.2f}, {t.y0_mm:.2f} is {t.width_mm:g} mm wide")
    for v in copper.vias:
        if v.width_mm < limits.via_mm - SPARE_MM or (v.width_mm - v.drill_mm) / 2 < limits.ring_mm - SPARE_MM:
            said.append(f"via of {v.net} at {v.x_mm:.2f}, {v.y_mm:.2f} is {v.width_mm:g} mm wide with a hole of "
                        f"{v.drill_mm:g} mm")  # fmt: skip
    for p in copper.pads:
        if p.number and p.drill_mm and (min(p.w_mm, p.h_mm) - p.drill_mm) / 2 < limits.ring_mm - SPARE_MM:
            said.append(f"{p.ref} pad {p.number} has too narrow a ring")
    return said


def check(copper: Copper, limits: Limits) -> list[str]:
    """One sentence for every rule that is broken."""
    return copper_distances(copper, limits) + holes_and_edges(copper, limits) + sizes(copper, limits)


def least_mm(copper: Copper, first: frozenset[str], second: frozenset[str]) -> float:
    """The smallest distance between two groups of nets, on whichever layers: through the board counts as none."""
    every = [s for s in shapes(copper) if not s.area]
    one, two = [s for s in every if s.net in first], [s for s in every if s.net in second]
    lines = [np.concatenate([s.lines for s in group]) for group in (one, two)]
    radii = [np.concatenate([np.full(len(s.lines), s.radius_mm) for s in group]) for group in (one, two)]
    return float((lines_apart(*lines) - radii[0][:, None] - radii[1][None, :]).min())


if __name__ == "__main__":
    file = Path(sys.argv[1])
    broken = check(read(file), limits_of(file))
    print("\n".join(broken) or "every distance is kept")
    sys.exit(bool(broken))
