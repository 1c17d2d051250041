"""The sheet that every plan is drawn on: the pool to scale, y upwards, and words that keep out of each other's way."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from earthward import units
from earthward.pool import polygon
from earthward.pool.mesh import crease_segments
from earthward.pool.shape import Pool
from earthward.record.place import Fitting, Mark, tape_marks
from earthward.report.charts import INK, SOFT, WATER, Canvas
from earthward.units import Units

Point = Sequence[float]
Xy = tuple[float, float]
Box = tuple[float, float, float, float]

#: width of a letter, in font sizes: Source Sans has about 0.5, what may stand in for it 0.6
_EM = 0.57


class Sheet:
    """A canvas with a map from metres to the page. `top`, `foot`: room above and below the plan."""

    def __init__(
        self, pool: Pool, width: float, *, unit: Units = "si", margin_m: float | None = None, top: float = 0.0,
        foot: float = 0.0,
    ) -> None:  # fmt: skip
        x0, y0, x1, y1 = pool.bounds_m
        margin = max(0.9, 0.09 * (x1 - x0)) if margin_m is None else margin_m
        self.pool, self.unit = pool, unit
        self.scale = width / (x1 - x0 + 2 * margin)
        self._x0, self._y1 = x0 - margin, y1 + margin
        self.top, self.bottom = top, top + (y1 - y0 + 2 * margin) * self.scale
        self.canvas = Canvas(width, self.bottom + foot)
        self._taken: list[Box] = []

    def at(self, p: Point) -> Xy:
        return (p[0] - self._x0) * self.scale, self.top + (self._y1 - p[1]) * self.scale

    # ---- the pool -------------------------------------------------------------------------------------------

    def water(self) -> None:
        """Outline, creases of the floor, steps."""
        c, pool = self.canvas, self.pool
        outline = [self.at(p) for p in pool.outline_m]
        c.path(outline, INK, 2.0, fill=WATER, closed=True)
        for a, b in crease_segments(pool):
            for p, q in _clipped(pool, a, b):
                c.line(*self.at(p), *self.at(q), "#a9bfc8", 0.8, "4 3")
        for step in pool.steps:
            c.path([self.at(p) for p in step.outline_m], "#7d939c", 0.9, fill="#dbe6ea", closed=True)
            middle = np.mean(np.array(step.outline_m), axis=0)
            self.label(self.at(middle), units.length(step.depth_m, self.unit), SOFT, 8.5, gap=0)
        # Words keep off the outline.
        for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
            count = max(1, int(math.dist(a, b) / 4))
            for k in range(count + 1):
                x, y = (a[i] + k / count * (b[i] - a[i]) for i in (0, 1))
                self.take((x - 1.5, y - 1.5, x + 1.5, y + 1.5))

    def depths(self) -> None:
        """A figure where the depth is worth one."""
        for x, y, depth in _depth_figures(self.pool):
            self.label(self.at((x, y)), f"{units.length(depth, self.unit)} deep", "#6c838d", 9, gap=2, halo=WATER)

    def source(self, position_m: Point, text: str) -> None:
        """An injection electrode."""
        c, (u, v) = self.canvas, self.at(position_m)
        c.circle(u, v, 6.5, "#ffffff", INK, 1.6)
        c.line(u - 3.5, v, u + 3.5, v, INK, 1.6)
        c.line(u, v - 3.5, u, v + 3.5, INK, 1.6)
        self.take((u - 8, v - 8, u + 8, v + 8))
        self.label((u, v), text, INK, 9)

    def fitting(self, fitting: Fitting) -> None:
        """Full: takes current. Open: covered."""
        u, v = self.at(fitting.position_m)
        self.canvas.rect(u - 4.5, v - 4.5, 9, 9, "#ffffff" if fitting.covered else SOFT, SOFT, 1.4)
        self.take((u - 6, v - 6, u + 6, v + 6))
        self.label((u, v), fitting.name + (" (covered)" if fitting.covered else ""), SOFT, 9)

    def mark(self, name: str, position_m: Point, colour: str = SOFT) -> None:
        """Where a tape begins."""
        u, v = self.at(position_m)
        self.canvas.path([(u - 4.5, v), (u, v - 4.5), (u + 4.5, v), (u, v + 4.5)], INK, 1.0, "#ffffff", True)
        self.take((u - 6, v - 6, u + 6, v + 6))
        self.label((u, v), name, colour, 9)

    def dimension(self, a: Point, b: Point, colour: str) -> None:
        """A tape from mark to finding with its length along it; one that runs along an edge is drawn outside the
        water, with extension lines, as on a working drawing."""
        (x1, y1), (x2, y2) = self.at(a), self.at(b)
        aside = self._along_edge(a, b)
        if aside is not None:
            ox, oy = 27.0 * aside[0], -27.0 * aside[1]
            for px, py in ((x1, y1), (x2, y2)):
                self.canvas.line(px + 0.3 * ox, py + 0.3 * oy, px + 1.12 * ox, py + 1.12 * oy, colour, 0.6)
                far = (px + 1.12 * ox, py + 1.12 * oy)
                self.take((min(px, far[0]) - 2, min(py, far[1]) - 2, max(px, far[0]) + 2, max(py, far[1]) + 2))
            x1, y1, x2, y2 = x1 + ox, y1 + oy, x2 + ox, y2 + oy
            for x, y in ((x1, y1), (x2, y2)):
                self.canvas.arrow((x1 + x2) / 2, (y1 + y2) / 2, x, y, colour, 0.9)
        else:
            self.canvas.line(x1, y1, x2, y2, colour, 0.8, "4 3")
        turn = math.degrees(math.atan2(y2 - y1, x2 - x1))
        turn = turn - 180 if turn > 90 else turn + 180 if turn < -90 else turn
        x, y = x1 + 0.45 * (x2 - x1), y1 + 0.45 * (y2 - y1)
        text = units.length(math.dist(a[:2], b[:2]), self.unit)
        across = math.radians(turn)
        halo = "#fff" if aside is not None else WATER
        self.canvas.text(
            x + 3 * math.sin(across), y - 3 * math.cos(across), text, 9.5, colour, "middle", True, halo, turn
        )
        self.take((x - 20, y - 13, x + 20, y + 5))

    def _along_edge(self, a: Point, b: Point) -> Xy | None:
        """Outward direction of the edge that the line from mark to finding runs along, if it does."""
        outward: Xy | None = None
        for share in (0.2, 0.5, 0.8):
            distance, outward = nearest_edge(self.pool, (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])))
            if distance > 0.25:
                return None
        return outward

    def bar(self, y: float) -> None:
        """A length to scale, ending at the right."""
        c = self.canvas
        choices: tuple[float, ...] = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1)
        if self.unit == "us":
            choices = tuple(f * units.FOOT_M for f in (20.0, 10.0, 5.0, 2.0, 1.0))
        metres = next((v for v in choices if v * self.scale < 0.22 * c.width), choices[-1])
        text = f"{metres:g} m" if self.unit == "si" else f"{metres / units.FOOT_M:.0f} ft"
        end = c.width - 14
        begin = end - metres * self.scale
        c.line(begin, y, end, y, INK, 1.4)
        for at in (begin, end):
            c.line(at, y - 4, at, y + 4, INK, 1.4)
        c.text((begin + end) / 2, y - 5, text, 9, INK, "middle")
        self.take((begin, y - 16, end, y + 5))

    # ---- words ----------------------------------------------------------------------------------------------

    def take(self, box: Box) -> None:
        """Here is something already: words go elsewhere if they can."""
        self._taken.append(box)

    def label(
        self, at: Xy, text: str, colour: str, size: float, gap: float = 10.0, bold: bool = False, halo: str = "#ffffff"
    ) -> None:
        """Put words beside a point where they hide least, inside the drawing."""
        u, v = at
        wide = _EM * size * len(text)
        places = [
            (u + gap, v + 0.35 * size, "start"), (u - gap, v + 0.35 * size, "end"),
            (u, v - gap, "middle"), (u, v + gap + 0.8 * size, "middle"),
            (u + gap, v - gap, "start"), (u + gap, v + gap + 0.5 * size, "start"),
            (u - gap, v - gap, "end"), (u - gap, v + gap + 0.5 * size, "end"),
            (u, v - 2 * gap - 0.4 * size, "middle"), (u, v + 2 * gap + 1.2 * size, "middle"),
        ]  # fmt: skip
        best: tuple[float, float, float, str, Box] | None = None
        for n, (x, y, anchor) in enumerate(places):
            left = x if anchor == "start" else x - wide if anchor == "end" else x - wide / 2
            box = (left - 1, y - 0.85 * size, left + wide + 1, y + 0.3 * size)
            cost = sum(_overlap(box, other) for other in self._taken) + 0.5 * n
            cost += 50 * (max(0.0, 4 - box[0]) + max(0.0, box[2] - self.canvas.width + 4))
            cost += 50 * (max(0.0, self.top - 4 - box[1]) + max(0.0, box[3] - self.bottom))
            if best is None or cost < best[0]:
                best = (cost, x, y, anchor, box)
        assert best is not None
        _, x, y, anchor, box = best
        self.canvas.text(x, y, text, size, colour, anchor, bold, halo=halo)
        self.take(box)


def marks_of(pool: Pool) -> list[tuple[str, Xy]]:
    """The two marks to tape from, by the one rule that the display goes by too."""
    named = [Mark(name=m.name, position_m=m.position_m) for m in pool.marks]
    return [(mark.name, mark.position_m) for mark in tape_marks(named, pool.outline_m)]


def nearest_edge(pool: Pool, p: Point) -> tuple[float, Xy]:
    """Distance in plan to the nearest edge and that edge's outward direction (outlines run counter-clockwise)."""
    gap, edge, _ = polygon.nearest_edge(pool.outline, np.array([[p[0], p[1]]]))
    a, b = pool.outline[edge[0]], np.roll(pool.outline, -1, axis=0)[edge[0]]
    x, y = (b - a) / np.hypot(*(b - a))
    return float(gap[0]), (float(y), float(-x))


def _overlap(a: Box, b: Box) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return wide * high if wide > 0 and high > 0 else 0.0


def _clipped(pool: Pool, a: Point, b: Point) -> list[tuple[Point, Point]]:
    """The parts of segment a-b inside the outline (sampled: it is only a dashed hint)."""
    t = np.linspace(0, 1, 400)
    points = np.asarray(a) + t[:, None] * (np.asarray(b) - np.asarray(a))
    wet = polygon.inside(pool.outline, points)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wet, [False]]).astype(int)))
    return [(points[i].tolist(), points[j - 1].tolist()) for i, j in zip(edges[::2], edges[1::2], strict=True)]


def _depth_figures(pool: Pool) -> list[tuple[float, float, float]]:
    """A few places along the pool where the depth is worth a figure: both ends and the deepest stretch."""
    x0, _, x1, _ = pool.bounds_m
    middle_of = {}
    for f in (0.14, 0.5, 0.86):
        x = x0 + f * (x1 - x0)
        y = np.linspace(*pool.bounds_m[1::2], 60)
        wet = y[polygon.inside(pool.outline, np.column_stack([np.full(60, x), y]))]
        if wet.size:
            row = float(np.median(wet))
            middle_of[f] = (x, row, float(pool.depth_at(x, row)))
    figures = list(middle_of.values())
    return figures[1:2] if len({round(d, 2) for _, _, d in figures}) == 1 else figures
