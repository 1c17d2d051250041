"""The plan that `field --plot` and `locate --plot` draw: outline to scale, fittings, stations, what is where.

`draw_plan` is pure: a `Picture` of plain numbers in, SVG text out. `save_plan` writes .svg, or .png through typst
(the `report` extra), with the report's own font.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np

from earthward.errors import InputError
from earthward.pool.mesh import crease_segments
from earthward.pool.polygon import inside
from earthward.pool.shape import Pool
from earthward.report.charts import ACCENT, INK, SOFT, WARN, WATER, Canvas
from earthward.report.files import write_whole
from earthward.report.plan_figures import marks_of
from earthward.survey.types import KeptReading, Result

Point = Sequence[float]
Box = tuple[float, float, float, float]

_TEXT = 10.0
_SHORTEST, _LONGEST = 7.0, 30.0


@dataclass(frozen=True)
class Arrow:
    """A pair's reading: the arrow points the way the current flows in the water (back to front when value > 0)."""

    front_m: Point
    back_m: Point
    value_V: float
    sigma_V: float = 0.0
    suspect: bool = False


@dataclass(frozen=True)
class Spot:
    """A sink or a finding to be shown, with the words beside it. `taped`: draw distances from the two marks."""

    position_m: Point
    text: str
    certain: bool = True
    taped: bool = False


@dataclass(frozen=True)
class Shade:
    """Squares of the plan shaded by a weight in 0..1, strongest shown darkest."""

    cells_m: Sequence[Point]
    weight: Sequence[float]
    cell_m: float


@dataclass(frozen=True)
class Picture:
    title: str = ""
    subtitle: str = ""
    arrows: Sequence[Arrow] = ()
    spots: Sequence[Spot] = ()
    shade: Shade | None = None
    next_m: Point | None = None
    next_text: str = ""
    notes: Sequence[str] = field(default_factory=tuple)


def draw_plan(pool: Pool, picture: Picture, width: float = 720.0) -> str:
    """SVG text: everything in `picture` over the pool, y upwards, with scale bar and key."""
    return _Drawing(pool, picture, width).svg()


class _Drawing:
    def __init__(self, pool: Pool, picture: Picture, width: float) -> None:
        self.pool, self.picture = pool, picture
        x0, y0, x1, y1 = pool.bounds_m
        margin = max(0.9, 0.09 * (x1 - x0))
        self.scale = width / (x1 - x0 + 2 * margin)
        self.top = 46.0 if picture.title else 14.0
        self._x0, self._y1 = x0 - margin, y1 + margin
        self.plan_height = (y1 - y0 + 2 * margin) * self.scale
        self.key = self._key_entries()
        self.notes = [line for note in picture.notes for line in _wrapped(note, int(width / 5.0))]
        height = self.top + self.plan_height + 45.0 + 14.0 * len(self.notes) + 8.0
        self.canvas = Canvas(width, height)
        self.canvas.rect(0, 0, width, height, "#ffffff")
        self.taken: list[Box] = []

    def at(self, p: Point) -> tuple[float, float]:
        return (p[0] - self._x0) * self.scale, self.top + (self._y1 - p[1]) * self.scale

    def svg(self) -> str:
        c = self.canvas
        if self.picture.title:
            c.text(14, 22, self.picture.title, 15, INK, bold=True)
            c.text(14, 38, self.picture.subtitle, _TEXT, SOFT)
        self._water()
        self._shade()
        for spot in self.picture.spots:
            u, v = self.at(spot.position_m)
            self._take((u - 12, v - 12, u + 12, v + 12))
        self._marks_and_tapes()
        self._arrows()
        self._placements_and_fittings()
        self._next()
        self._spots()
        for x, y, depth in _depth_figures(self.pool):
            self._label(self.at((x, y)), f"{depth:.1f} m deep", "#6c838d", 9, gap=2, halo=WATER)
        self._foot()
        return c.svg()

    # --- layers ------------------------------------------------------------------------------------------

    def _water(self) -> None:
        c, pool = self.canvas, self.pool
        outline = [self.at(p) for p in pool.outline_m]
        c.path(outline, INK, 2.0, fill=WATER, closed=True)
        for a, b in crease_segments(pool):
            for p, q in _clipped(pool, a, b):
                c.line(*self.at(p), *self.at(q), "#a9bfc8", 0.8, "4 3")
        for step in pool.steps:
            c.path([self.at(p) for p in step.outline_m], "#7d939c", 0.9, fill="#dbe6ea", closed=True)
            middle = np.mean(np.array(step.outline_m), axis=0)
            self._label(self.at(middle), f"{step.depth_m:.1f} m", SOFT, 8.5, gap=0)
        # Words keep off the outline.
        for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
            count = max(1, int(math.dist(a, b) / 4))
            for k in range(count + 1):
                x, y = (a[i] + k / count * (b[i] - a[i]) for i in (0, 1))
                self._take((x - 1.5, y - 1.5, x + 1.5, y + 1.5))

    def _shade(self) -> None:
        shade = self.picture.shade
        if shade is None or not len(shade.cells_m):
            return
        top = max(shade.weight)
        best: dict[tuple[float, float], float] = {}
        for p, w in zip(shade.cells_m, shade.weight, strict=True):
            key = (round(p[0] / shade.cell_m), round(p[1] / shade.cell_m))
            best[key] = max(best.get(key, 0.0), w / top)
        side = max(shade.cell_m * self.scale, 3.0)
        for (i, j), w in sorted(best.items(), key=lambda item: item[1]):
            if w < 0.02:
                continue
            u, v = self.at((i * shade.cell_m, j * shade.cell_m))
            self.canvas.rect(u - side / 2, v - side / 2, side, side, _ramp(w))

    def _marks_and_tapes(self) -> None:
        c = self.canvas
        marks = _marks(self.pool)
        for name, p in marks:
            u, v = self.at(p)
            c.path([(u - 4.5, v), (u, v - 4.5), (u + 4.5, v), (u, v + 4.5)], INK, 1.0, "#ffffff", True)
            self._take((u - 6, v - 6, u + 6, v + 6))
            self._label((u, v), name, SOFT, 9)
        for spot in self.picture.spots:
            if not spot.taped:
                continue
            u, v = self.at(spot.position_m)
            for _, p in marks:
                a, b = self.at(p)
                c.line(a, b, u, v, WARN, 0.7, "2 2")
                far = math.dist(p, spot.position_m[:2])
                along = 0.45
                x, y = a + along * (u - a), b + along * (v - b)
                turn = math.degrees(math.atan2(v - b, u - a))
                turn = turn - 180 if turn > 90 else turn + 180 if turn < -90 else turn
                c.text(x, y - 2, f"{far:.2f} m", 9, WARN, "middle", halo="#ffffff", turn_deg=turn)
                self._take((x - 18, y - 12, x + 18, y + 4))

    def _arrows(self) -> None:
        arrows = self.picture.arrows
        sizes = [abs(a.value_V) for a in arrows if a.value_V]
        low, high = (min(sizes), max(sizes)) if sizes else (1.0, 1.0)
        for a in arrows:
            front, back = np.array(self.at(a.front_m)), np.array(self.at(a.back_m))
            middle, axis = 0.5 * (front + back), front - back
            length = float(np.hypot(*axis))
            colour = "#b9c3c8" if abs(a.value_V) < 2 * a.sigma_V else WARN if a.suspect else ACCENT
            if length < 0.2 * math.dist(a.front_m, a.back_m) * self.scale:
                # A vertical pair: a ring, filled when the current flows down.
                down = (a.front_m[2] > a.back_m[2]) == (a.value_V > 0)
                self.canvas.circle(middle[0], middle[1], 3.2, colour if down else "#ffffff", colour, 1.2)
                self._take((middle[0] - 5, middle[1] - 5, middle[0] + 5, middle[1] + 5))
                continue
            grow = math.log(abs(a.value_V) / low) / math.log(high / low) if a.value_V and high > 1.001 * low else 0.5
            reach = 0.5 * (_SHORTEST + grow * (_LONGEST - _SHORTEST)) * math.copysign(1, a.value_V)
            step = axis / length * reach
            (x1, y1), (x2, y2) = (middle - step).tolist(), (middle + step).tolist()
            self.canvas.arrow(x1, y1, x2, y2, colour, 1.3 if not a.suspect else 2.0)
            self._take((min(x1, x2) - 3, min(y1, y2) - 3, max(x1, x2) + 3, max(y1, y2) + 3))
            if a.suspect:
                self.canvas.circle(middle[0], middle[1], 9, "none", WARN, 1.2, "3 2")

    def _placements_and_fittings(self) -> None:
        c = self.canvas
        several = len(self.pool.sources) > 1
        for source in self.pool.sources:
            u, v = self.at(source.position_m)
            c.circle(u, v, 6.5, "#ffffff", INK, 1.6)
            c.line(u - 3.5, v, u + 3.5, v, INK, 1.6)
            c.line(u, v - 3.5, u, v + 3.5, INK, 1.6)
            self._take((u - 8, v - 8, u + 8, v + 8))
            name = f"injection {source.id}" if several else "injection"
            self._label((u, v), f"{name}, {1e3 * source.current_A:.3g} mA", INK, 9)
        for fitting in self.pool.fittings:
            u, v = self.at(fitting.position_m)
            c.rect(u - 4.5, v - 4.5, 9, 9, "#ffffff" if fitting.covered else SOFT, SOFT, 1.4)
            self._take((u - 6, v - 6, u + 6, v + 6))
            self._label((u, v), fitting.name + (" (covered)" if fitting.covered else ""), SOFT, 9)

    def _next(self) -> None:
        if self.picture.next_m is None:
            return
        u, v = self.at(self.picture.next_m)
        self.canvas.circle(u, v, 9, "none", ACCENT, 1.8, "3 2")
        self.canvas.circle(u, v, 2, ACCENT, ACCENT)
        self._take((u - 10, v - 10, u + 10, v + 10))
        self._label((u, v), self.picture.next_text or "read here next", ACCENT, 9.5, gap=13)

    def _spots(self) -> None:
        c = self.canvas
        for spot in self.picture.spots:
            u, v = self.at(spot.position_m)
            c.circle(u, v, 8, "none", "#ffffff", 4.0)
            c.circle(u, v, 8, "none", WARN, 2.0, "" if spot.certain else "3 2")
            for du, dv in ((12, 0), (-12, 0), (0, 12), (0, -12)):
                c.line(u + du / 3, v + dv / 3, u + du, v + dv, WARN, 1.6)
        for spot in self.picture.spots:
            self._label(self.at(spot.position_m), spot.text, WARN, 10.5, gap=15, bold=True)

    # --- words -------------------------------------------------------------------------------------------

    def _take(self, box: Box) -> None:
        self.taken.append(box)

    def _label(
        self, at: tuple[float, float], text: str, colour: str, size: float, gap: float = 10.0, bold: bool = False,
        halo: str = "#ffffff",
    ) -> None:  # fmt: skip
        """Put words beside a point where they hide least, inside the drawing."""
        u, v = at
        wide = 0.53 * size * len(text)
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
            cost = sum(_overlap(box, other) for other in self.taken) + 0.5 * n
            bottom = self.top + self.plan_height
            cost += 50 * (max(0.0, 4 - box[0]) + max(0.0, box[2] - self.canvas.width + 4))
            cost += 50 * (max(0.0, self.top - 4 - box[1]) + max(0.0, box[3] - bottom))
            if best is None or cost < best[0]:
                best = (cost, x, y, anchor, box)
        assert best is not None
        _, x, y, anchor, box = best
        self.canvas.text(x, y, text, size, colour, anchor, bold, halo=halo)
        self._take(box)

    def _key_entries(self) -> list[tuple[str, str]]:
        p = self.picture
        entries = [("source", "injection electrode"), ("fitting", "fitting")]
        if p.arrows:
            entries.append(("arrow", "reading: the way the current flows, longer = stronger"))
            if any(abs(a.front_m[2] - a.back_m[2]) > 0.5 * math.dist(a.front_m, a.back_m) for a in p.arrows):
                entries.append(("ring", "vertical pair: filled = current flows down"))
        if p.spots:
            entries.append(("spot", "suspected leak" if any(s.taped for s in p.spots) else "sink"))
        if p.shade is not None:
            entries.append(("shade", "likely place, darker = likelier"))
        return entries

    def _foot(self) -> None:
        c = self.canvas
        y = self.top + self.plan_height + 12
        x, bar = 14.0, y - 16
        for n, (kind, text) in enumerate(self.key):
            if n and x + 20 + 4.3 * len(text) > c.width:
                x, y = 14.0, y + 15
            if kind == "source":
                c.circle(x + 5, y, 5, "#ffffff", INK, 1.4)
                c.line(x + 2, y, x + 8, y, INK, 1.4)
                c.line(x + 5, y - 3, x + 5, y + 3, INK, 1.4)
            elif kind == "fitting":
                c.rect(x + 1, y - 4, 8, 8, SOFT, SOFT)
            elif kind == "arrow":
                c.arrow(x - 3, y, x + 13, y, ACCENT, 1.3)
            elif kind == "ring":
                c.circle(x + 2, y, 3.2, ACCENT, ACCENT, 1.2)
                c.circle(x + 10, y, 3.2, "#ffffff", ACCENT, 1.2)
            elif kind == "spot":
                c.circle(x + 5, y, 4.5, "none", WARN, 1.8)
            else:
                for k, w in enumerate((0.15, 0.5, 1.0)):
                    c.rect(x - 3 + 5 * k, y - 4, 5, 8, _ramp(w))
            c.text(x + 16, y + 3.5, text, 9, SOFT)
            x += 30 + 4.3 * len(text)
        length = next(v for v in (5.0, 2.0, 1.0, 0.5, 0.2, 0.1) if v * self.scale < 0.16 * c.width or v == 0.1)
        end = c.width - 14
        begin = end - length * self.scale
        c.line(begin, bar, end, bar, INK, 1.4)
        for at in (begin, end):
            c.line(at, bar - 4, at, bar + 4, INK, 1.4)
        c.text((begin + end) / 2, bar - 5, f"{length:g} m", 9, INK, "middle")
        for n, note in enumerate(self.notes):
            c.text(14, y + 22 + 14 * n, note, _TEXT, INK)


def _overlap(a: Box, b: Box) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return wide * high if wide > 0 and high > 0 else 0.0


def _ramp(weight: float) -> str:
    """From the water's own pale blue through sand to a dark rust: darker is more, also in grey print."""
    stops = ((0.0, (232, 241, 244)), (0.35, (247, 214, 150)), (0.7, (226, 133, 60)), (1.0, (138, 59, 0)))
    w = min(max(weight, 0.0), 1.0)
    for (a, low), (b, high) in pairwise(stops):
        if w <= b:
            t = (w - a) / (b - a)
            red, green, blue = (round(p + t * (q - p)) for p, q in zip(low, high, strict=True))
            return f"#{red:02x}{green:02x}{blue:02x}"
    raise AssertionError("unreachable")


def _wrapped(text: str, columns: int) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > columns:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


def _clipped(pool: Pool, a: Point, b: Point) -> list[tuple[Point, Point]]:
    """The parts of segment a-b inside the outline (sampled: it is only a dashed hint)."""
    t = np.linspace(0, 1, 400)
    points = np.asarray(a) + t[:, None] * (np.asarray(b) - np.asarray(a))
    wet = inside(pool.outline, points)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wet, [False]]).astype(int)))
    return [(points[i].tolist(), points[j - 1].tolist()) for i, j in zip(edges[::2], edges[1::2], strict=True)]


def _marks(pool: Pool) -> list[tuple[str, tuple[float, float]]]:
    """The report's two marks; on a round pool without named ones, the two tips."""
    longest = max(
        math.dist(a, b) for a, b in zip(pool.outline_m, [*pool.outline_m[1:], pool.outline_m[0]], strict=True)
    )
    if len(pool.marks) >= 2 or longest > 0.25 * pool.length_m:
        return marks_of(pool)
    low, high = min(pool.outline_m), max(pool.outline_m)
    return [(f"{pool.end_name(x)} tip", (x, y)) for x, y in (low, high)]


def _depth_figures(pool: Pool) -> list[tuple[float, float, float]]:
    """A few places along the pool where the depth is worth a figure: both ends and the deepest stretch."""
    x0, _, x1, _ = pool.bounds_m
    middle_of = {}
    for f in (0.14, 0.5, 0.86):
        x = x0 + f * (x1 - x0)
        y = np.linspace(*pool.bounds_m[1::2], 60)
        wet = y[inside(pool.outline, np.column_stack([np.full(60, x), y]))]
        if wet.size:
            row = float(np.median(wet))
            middle_of[f] = (x, row, float(pool.depth_at(x, row)))
    figures = list(middle_of.values())
    return figures[1:2] if len({round(d, 2) for _, _, d in figures}) == 1 else figures


# --- what the commands show ------------------------------------------------------------------------------


def field_picture(pool: Pool, sinks: Sequence[tuple[Point, float]], arrows: Sequence[Arrow]) -> Picture:
    """The forward model's plan: sinks with their currents, pairs with the way the current flows."""
    spots = [Spot(p, f"sink {1e3 * current:.3g} mA") for p, current in sinks]
    largest = max((abs(a.value_V) for a in arrows), default=0.0)
    return Picture(
        pool.name or "Pool",
        f"computed field, {len(arrows)} pairs, largest {_volts(largest)}",
        arrows,
        spots,
        notes=("Computed from the pool file and the sinks given; nothing here was measured.",),
    )


def locate_picture(pool: Pool, readings: Sequence[KeptReading], result: Result) -> Picture:
    """The search's plan: readings, likely places, findings taped from two marks, the next station."""
    suspect = {one.row for one in result.suspect_readings}
    arrows = [Arrow(r.front_m, r.back_m, r.value_V, r.sigma_V, r.row in suspect) for r in readings]
    spots = []
    for n, finding in enumerate(result.findings, start=1):
        low, high = finding.current_interval_A
        text = f"{n}: {1e3 * low:.2f} to {1e3 * high:.2f} mA, depth {finding.position_m[2]:.1f} m"
        spots.append(Spot(finding.position_m, text, finding.certain, taped=True))
    shade = None
    if result.posterior:
        cells = [c.position_m for c in result.posterior]
        shade = Shade(cells, [c.probability for c in result.posterior], _pitch(cells))
    station = result.next_station
    return Picture(
        pool.name or "Pool",
        f"{result.verdict}: {len(readings)} readings at {result.stations} stations",
        arrows,
        spots,
        shade,
        station.position_m if station is not None else None,
        notes=(result.text, *([f"Next: {station.text}"] if station is not None and station.text else [])),
    )


def _pitch(cells: Sequence[Point]) -> float:
    """The grid spacing of the cells: the smallest step between different x (or y) coordinates, at least 5 cm."""
    steps = [d for k in (0, 1) for d in np.diff(np.unique(np.round([c[k] for c in cells], 3))) if d > 0.045]
    return min(0.25, float(min(steps))) if steps else 0.1


def _volts(value_V: float) -> str:
    for unit, factor in (("V", 1.0), ("mV", 1e3), ("uV", 1e6)):
        if value_V * factor >= 1:
            return f"{value_V * factor:.3g} {unit}"
    return f"{value_V * 1e9:.3g} nV"


# --- files -----------------------------------------------------------------------------------------------


def save_plan(path: Path, svg: str) -> None:
    """Write the plan whole, as .svg or .png. InputError for another ending or when typst is not there."""
    kind = path.suffix.lower()
    if kind == ".svg":
        write_whole(path, svg)
    elif kind == ".png":
        write_whole(path, _png(svg))
    else:
        raise InputError(f"{path}: a plan is written as .svg or .png; give one of these endings.")


def _png(svg: str) -> bytes:
    try:
        import typst
    except ImportError:
        raise InputError("a .png plan needs the report extra (pip install earthward[report]); use .svg.") from None
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "plan.svg").write_text(svg, encoding="utf-8")
        page = '#set page(width: auto, height: auto, margin: 0pt)\n#set text(font: "Source Sans Pro")\n'
        page += '#image("plan.svg")\n'
        Path(folder, "plan.typ").write_text(page, encoding="utf-8")
        with resources.as_file(resources.files("earthward.report") / "fonts") as fonts:
            png = typst.compile(
                str(Path(folder, "plan.typ")), root=folder, font_paths=[str(fonts)], format="png", ppi=150.0
            )
    return bytes(png)


def save_field_plan(path: Path, pool: Pool, sinks: Sequence[tuple[Point, float]], arrows: Sequence[Arrow]) -> None:
    save_plan(path, draw_plan(pool, field_picture(pool, sinks, arrows)))


def save_locate_plan(path: Path, pool: Pool, readings: Sequence[KeptReading], result: Result) -> None:
    save_plan(path, draw_plan(pool, locate_picture(pool, readings, result)))
