"""Compares a board file with the circuit, net by net, from the copper's own shape: which pads are joined by tracks and
vias and the ground area, whatever net KiCad says they belong to. Reads the file without KiCad.

    python -m hardware.boards.compare source FILE.kicad_pcb
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from pathlib import Path

from hardware.boards import boards
from hardware.boards.model import BoardSpec, Point
from hardware.boards.reader import Area, Copper, PadOnBoard, Track, Via, read

TOUCH_MM = 0.005
CELL_MM = 2.0


def _points_apart(p: Point, a: Point, b: Point) -> float:
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = dx * dx + dy * dy
    t = min(max(((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length, 0.0), 1.0) if length else 0.0
    return math.hypot(p[0] - a[0] - t * dx, p[1] - a[1] - t * dy)


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def _ends(t: Track) -> tuple[Point, Point]:
    return (t.x0_mm, t.y0_mm), (t.x1_mm, t.y1_mm)


def _tracks_touch(s: Track, t: Track) -> bool:
    if s.layer != t.layer:
        return False
    a, b = _ends(s)
    c, d = _ends(t)
    if _cross(a, b, c, d):
        return True
    apart = min(_points_apart(a, c, d), _points_apart(b, c, d), _points_apart(c, a, b), _points_apart(d, a, b))
    return apart < (s.width_mm + t.width_mm) / 2 - TOUCH_MM


def _pad_track(pad: PadOnBoard, t: Track) -> bool:
    if t.layer not in pad.layers:
        return False
    a, b = _ends(t)
    steps = max(int(math.dist(a, b) / 0.1), 1)
    return any(
        pad.distance_mm(a[0] + (b[0] - a[0]) * k / steps, a[1] + (b[1] - a[1]) * k / steps) < t.width_mm / 2 - TOUCH_MM
        for k in range(steps + 1)
    )


def _touch(one: PadOnBoard | Track | Via, two: PadOnBoard | Track | Via) -> bool:
    kinds = {type(one).__name__: one, type(two).__name__: two}
    if isinstance(one, Track) and isinstance(two, Track):
        return _tracks_touch(one, two)
    if isinstance(one, Via) and isinstance(two, Via):
        return math.dist((one.x_mm, one.y_mm), (two.x_mm, two.y_mm)) < (one.width_mm + two.width_mm) / 2 - TOUCH_MM
    pad, track, via = kinds.get("PadOnBoard"), kinds.get("Track"), kinds.get("Via")
    if isinstance(track, Track) and isinstance(via, Via):
        return _points_apart((via.x_mm, via.y_mm), *_ends(track)) < (track.width_mm + via.width_mm) / 2 - TOUCH_MM
    if isinstance(pad, PadOnBoard) and isinstance(track, Track):
        return _pad_track(pad, track)
    if isinstance(pad, PadOnBoard) and isinstance(via, Via):
        return pad.distance_mm(via.x_mm, via.y_mm) < via.width_mm / 2 - TOUCH_MM
    return False  # two pads: footprints do not overlap


def _box(item: PadOnBoard | Track | Via) -> tuple[float, float, float, float]:
    if isinstance(item, Track):
        r = item.width_mm / 2
        return (min(item.x0_mm, item.x1_mm) - r, min(item.y0_mm, item.y1_mm) - r,
                max(item.x0_mm, item.x1_mm) + r, max(item.y0_mm, item.y1_mm) + r)  # fmt: skip
    r = item.width_mm / 2 if isinstance(item, Via) else math.hypot(item.w_mm, item.h_mm) / 2
    return item.x_mm - r, item.y_mm - r, item.x_mm + r, item.y_mm + r


def _in_area(item: PadOnBoard | Track | Via, area: Area) -> bool:
    """Whether copper of the area reaches the item: over it, or by a spoke that ends in it."""
    if isinstance(item, Track):
        return item.layer == area.layer and any(area.holds(*end) for end in _ends(item))
    if isinstance(item, PadOnBoard) and area.layer not in item.layers:
        return False
    if area.holds(item.x_mm, item.y_mm):
        return True
    x0, y0, x1, y1 = _box(item)
    close = (area.x_mm > x0) & (area.x_mm < x1) & (area.y_mm > y0) & (area.y_mm < y1)
    for x, y in zip(area.x_mm[close].tolist(), area.y_mm[close].tolist(), strict=True):
        if isinstance(item, Via):
            if math.dist((x, y), (item.x_mm, item.y_mm)) < item.width_mm / 2 - TOUCH_MM:
                return True
        elif item.distance_mm(x, y) < -TOUCH_MM:
            return True
    return False


def islands(copper: Copper) -> list[set[tuple[str, str]]]:
    """Pads that copper joins: sets of (reference, pad number)."""
    items: list[PadOnBoard | Track | Via] = [*copper.pads, *copper.tracks, *copper.vias]
    group = list(range(len(items) + len(copper.areas)))

    def root(k: int) -> int:
        while group[k] != k:
            group[k] = group[group[k]]
            k = group[k]
        return k

    cells: dict[tuple[int, int], list[int]] = defaultdict(list)
    for k, item in enumerate(items):
        x0, y0, x1, y1 = _box(item)
        for i in range(int(x0 // CELL_MM), int(x1 // CELL_MM) + 1):
            for j in range(int(y0 // CELL_MM), int(y1 // CELL_MM) + 1):
                cells[(i, j)].append(k)
    for members in cells.values():
        for i, a in enumerate(members):
            for b in members[i + 1 :]:
                ra, rb = root(a), root(b)
                if ra != rb and _touch(items[a], items[b]):
                    group[ra] = rb
    # Areas are poured by KiCad around everything of another net, and its rules check that: here only what they join.
    for j, area in enumerate(copper.areas):
        for k, item in enumerate(items):
            if item.net == area.net and root(k) != root(len(items) + j) and _in_area(item, area):
                group[root(k)] = root(len(items) + j)
    found: dict[int, set[tuple[str, str]]] = defaultdict(set)
    for k, pad in enumerate(copper.pads):
        if pad.number:
            found[root(k)].add((pad.ref, pad.number))
    return list(found.values())


def compare(spec: BoardSpec, copper: Copper) -> list[str]:
    """One sentence for every difference between the circuit and the board; none: they agree."""
    want = {(part.ref, pad): net for part in spec.parts for pad, net in part.pads.items()}
    footprints = {part.ref: part.footprint for part in spec.parts}
    said = []
    for ref, name in footprints.items():
        if ref not in copper.footprints:
            said.append(f"{ref} is in the circuit but not on the board")
        elif copper.footprints[ref] != name:
            said.append(f"{ref} has footprint {copper.footprints[ref]}, the circuit wants {name}")
    said += [f"{ref} is on the board but not in the circuit" for ref in copper.footprints
             if ref not in footprints and not ref.startswith("H")]  # fmt: skip
    for pad in copper.pads:
        if pad.number and pad.net != want.get((pad.ref, pad.number), ""):
            said.append(f"{pad.ref} pad {pad.number} is on net {pad.net or 'none'}, the circuit wants "
                        f"{want.get((pad.ref, pad.number), 'none')}")  # fmt: skip
    pieces: dict[str, int] = defaultdict(int)
    for island in islands(copper):
        nets = {want[key] for key in island if key in want}
        if len(nets) > 1:
            said.append(f"copper joins the nets {', '.join(sorted(nets))}")
        if len(nets) == 1 and any(key not in want for key in island):
            free = sorted(f"{ref} pad {number}" for ref, number in island if (ref, number) not in want)
            said.append(f"copper joins {', '.join(free)}, which the circuit leaves free, to {next(iter(nets))}")
        for net in nets:
            pieces[net] += 1
    said += [f"net {net} is in {count} pieces" for net, count in sorted(pieces.items()) if count > 1]
    return said


if __name__ == "__main__":
    differences = compare(boards()[sys.argv[1]], read(Path(sys.argv[2])))
    print("\n".join(differences) or "circuit and board agree, net by net")
    sys.exit(bool(differences))
