"""Tidies the print on a board: no line over a pad, a slot or another line, every reference beside its part and clear of
all else. What cannot be cleared is left where it is, and KiCad's check names it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import pcbnew
from hardware.boards.model import BoardSpec
from hardware.boards.reader import ORIGIN_MM

GAP_MM = 0.16
STEP_MM = 0.05
SLOT_MM = 1.5
#: Between the pads of such parts there is room for a name, if the library's lines beside it are left out.
NAME_WITHIN = ("_1206_", "_1210_")
SIZES_MM = (0.9, 0.8, 0.7)

Box = tuple[float, float, float, float]


def _box_of(item: object, grow: float = 0.0) -> Box:
    b = item.GetBoundingBox()  # type: ignore[attr-defined]
    left, top = pcbnew.ToMM(b.GetX()), pcbnew.ToMM(b.GetY())
    return left - grow, top - grow, left + pcbnew.ToMM(b.GetWidth()) + grow, top + pcbnew.ToMM(b.GetHeight()) + grow


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@dataclass
class Taken:
    """Boxes that a name may not touch, by cells so that a look-up is quick."""

    cells: dict[tuple[int, int], list[Box]] = field(default_factory=dict)

    def add(self, box: Box) -> None:
        for i in range(int(box[0] // 4), int(box[2] // 4) + 1):
            for j in range(int(box[1] // 4), int(box[3] // 4) + 1):
                self.cells.setdefault((i, j), []).append(box)

    def free(self, box: Box) -> bool:
        return not any(
            _meet(box, other)
            for i in range(int(box[0] // 4), int(box[2] // 4) + 1)
            for j in range(int(box[1] // 4), int(box[3] // 4) + 1)
            for other in self.cells.get((i, j), ())
        )


def _points(shape: pcbnew.PCB_SHAPE) -> list[tuple[float, float]]:
    """Points along a line, a rectangle, a circle or an arc."""
    kind = shape.GetShape()
    if kind == pcbnew.SHAPE_T_CIRCLE or kind == pcbnew.SHAPE_T_ARC:
        c, s = shape.GetCenter(), shape.GetStart()
        cx, cy = pcbnew.ToMM(c.x), pcbnew.ToMM(c.y)
        if kind == pcbnew.SHAPE_T_CIRCLE:
            e = shape.GetEnd()
            r, first, span = math.hypot(pcbnew.ToMM(e.x) - cx, pcbnew.ToMM(e.y) - cy), 0.0, 2 * math.pi
        else:
            sx, sy = pcbnew.ToMM(s.x) - cx, pcbnew.ToMM(s.y) - cy
            r, first, span = math.hypot(sx, sy), math.atan2(sy, sx), math.radians(shape.GetArcAngle() / 10)
        count = max(int(abs(span) * r / 0.2), 4)
        return [(cx + r * math.cos(first + span * k / count), cy + r * math.sin(first + span * k / count))
                for k in range(count + 1)]  # fmt: skip
    if kind == pcbnew.SHAPE_T_POLY:
        outline = shape.GetPolyShape().Outline(0)
        corners = [outline.CPoint(k) for k in range(outline.PointCount())]
        return [(pcbnew.ToMM(p.x), pcbnew.ToMM(p.y)) for p in [*corners, corners[0]]]
    a, b = shape.GetStart(), shape.GetEnd()
    x0, y0, x1, y1 = (pcbnew.ToMM(v) for v in (a.x, a.y, b.x, b.y))
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)] if kind == pcbnew.SHAPE_T_RECT else [(x0, y0), (x1, y1)]


def _pieces(points: list[tuple[float, float]], blocked: Taken, half: float) -> list[tuple[float, float, float, float]]:
    """The parts of a line that touch nothing."""
    found = []
    for (x0, y0), (x1, y1) in pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        steps = max(int(length / STEP_MM), 1)
        start = None
        for k in range(steps + 1):
            x, y = x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps
            clear = blocked.free((x - half, y - half, x + half, y + half))
            if clear and start is None:
                start = (x, y)
            if start is not None and (not clear or k == steps):
                back = k if clear else k - 1
                end = (x0 + (x1 - x0) * back / steps, y0 + (y1 - y0) * back / steps)
                if math.dist(start, end) > 0.15:
                    found.append((*start, *end))
                start = None
    return found


def _shapes(fp: pcbnew.FOOTPRINT) -> list[pcbnew.PCB_SHAPE]:
    return [i for i in fp.GraphicalItems() if i.GetClass() == "MGRAPHIC" and i.GetLayer() == pcbnew.F_SilkS]


def _cut(fp: pcbnew.FOOTPRINT, blocked: Taken) -> None:
    """Every line of a footprint's print without what lies over pads, holes, slots or earlier lines of other parts."""
    for shape in _shapes(fp):
        width = shape.GetWidth()
        whole = _points(shape)
        pieces = _pieces(whole, blocked, pcbnew.ToMM(width) / 2 + 0.02)
        if shape.GetShape() == pcbnew.SHAPE_T_SEGMENT and len(pieces) == 1 and pieces[0] == (*whole[0], *whole[1]):
            continue
        if len(pieces) == len(whole) - 1 and shape.GetShape() != pcbnew.SHAPE_T_SEGMENT:
            continue  # nothing was cut away
        fp.Delete(shape)
        for x0, y0, x1, y1 in pieces:
            line = pcbnew.FP_SHAPE(fp, pcbnew.SHAPE_T_SEGMENT)
            line.SetLayer(pcbnew.F_SilkS)
            line.SetWidth(width)
            line.SetStart(pcbnew.wxPointMM(x0, y0))
            line.SetEnd(pcbnew.wxPointMM(x1, y1))
            fp.Add(line)
            line.SetLocalCoord()


def _line_boxes(fp: pcbnew.FOOTPRINT) -> Iterable[Box]:
    for shape in _shapes(fp):
        half = pcbnew.ToMM(shape.GetWidth()) / 2
        points = _points(shape)
        for (x0, y0), (x1, y1) in pairwise(points):
            yield min(x0, x1) - half, min(y0, y1) - half, max(x0, x1) + half, max(y0, y1) + half


def _candidates(body: Box, w: float, h: float) -> Iterable[tuple[float, float]]:
    """Middles for a name of this size around a body: above, below, right, left, then along the sides and corners."""
    x, y = (body[0] + body[2]) / 2, (body[1] + body[3]) / 2
    for off in (0.0, 0.4, 0.9):
        up, down = body[1] - h / 2 - GAP_MM - off, body[3] + h / 2 + GAP_MM + off
        left, right = body[0] - w / 2 - GAP_MM - off, body[2] + w / 2 + GAP_MM + off
        yield from ((x, up), (x, down), (right, y), (left, y))
        for k in (-1.0, 1.0, -2.0, 2.0, -3.0, 3.0):
            yield from ((x + k, up), (x + k, down), (right, y + k), (left, y + k))


def _name(fp: pcbnew.FOOTPRINT, taken: Taken) -> bool:
    """Sets the reference where nothing else is; False: there is no such place."""
    text = fp.Reference()
    boxes = [*(_box_of(p) for p in fp.Pads()), *_line_boxes(fp)]
    body = (min(b[0] for b in boxes), min(b[1] for b in boxes), max(b[2] for b in boxes), max(b[3] for b in boxes))
    for size in SIZES_MM:
        text.SetTextSize(pcbnew.wxSizeMM(size, size))
        text.SetTextThickness(pcbnew.FromMM(size * 0.15))
        for upright in (False, True):
            text.SetTextAngle((900 if upright else 0) - fp.GetOrientation())
            text.SetPosition(pcbnew.wxPointMM(0, 0))
            left, top, right, bottom = _box_of(text)
            w, h = right - left, bottom - top
            for x, y in _candidates(body, w, h):
                box = (x - w / 2 - 0.05, y - h / 2 - 0.05, x + w / 2 + 0.05, y + h / 2 + 0.05)
                if taken.free(box):
                    text.SetPosition(pcbnew.wxPointMM(x - (left + right) / 2, y - (top + bottom) / 2))
                    taken.add(box)
                    return True
    return False


def tidy(board: pcbnew.BOARD, spec: BoardSpec) -> list[str]:
    """References for which no clear place was found."""
    pads, taken = Taken(), Taken()
    parts = sorted(board.GetFootprints(), key=lambda f: f.GetReference())
    for fp in parts:
        for pad in fp.Pads():
            for store in (pads, taken):
                store.add(_box_of(pad, 0.1))
    for item in board.GetDrawings():
        if item.GetLayer() == pcbnew.Edge_Cuts:
            points = _points(item)
            for (x0, y0), (x1, y1) in pairwise(points):
                box = (min(x0, x1) - 0.3, min(y0, y1) - 0.3, max(x0, x1) + 0.3, max(y0, y1) + 0.3)
                pads.add(box)
                taken.add(box)
        elif item.GetLayer() == pcbnew.F_SilkS:
            taken.add(_box_of(item, 0.05))
    for (x0, y0), (x1, y1) in spec.slots:  # the opening itself, not its outline alone
        ox, oy, half = *ORIGIN_MM, SLOT_MM / 2 + 0.3
        for store in (pads, taken):
            store.add(
                (ox + min(x0, x1) - half, oy + min(y0, y1) - half, ox + max(x0, x1) + half, oy + max(y0, y1) + half)
            )
    within = {part.ref for part in spec.parts if any(word in part.footprint for word in NAME_WITHIN)}
    for fp in parts:
        if fp.GetReference() in within:
            for shape in _shapes(fp):
                fp.Delete(shape)
    for fp in parts:
        _cut(fp, pads)
        for text in fp.GraphicalItems():
            if text.GetClass() == "MTEXT" and text.GetLayer() == pcbnew.F_SilkS:
                taken.add(_box_of(text, 0.02))
        for box in _line_boxes(fp):
            taken.add(box)
    named = [fp for fp in parts if fp.Reference().IsVisible()]
    for fp in named:
        if fp.GetReference() in within:
            taken.add(_box_of(fp.Reference()))
    others = [fp for fp in named if fp.GetReference() not in within]
    return [str(fp.GetReference()) for fp in others if not _name(fp, taken)]
