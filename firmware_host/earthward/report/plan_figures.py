"""The pool's plan for the report: findings dimensioned from two marks, the readings as arrows, the coverage."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from earthward import units
from earthward.pool.shape import Pool
from earthward.report.charts import ACCENT, INK, LINE, SOFT, WARN, WATER, Canvas
from earthward.service.store import KeptReading, StoredFinding
from earthward.units import Units

WIDTH = 560.0
Xy = tuple[float, float]


def marks_of(pool: Pool) -> list[tuple[str, Xy]]:
    """Two marks to tape from: the pool file's own, or two corners at the ends of the longest straight edge."""
    named = [(m.name, (float(m.position_m[0]), float(m.position_m[1]))) for m in pool.marks]
    if len(named) >= 2:
        return named[:2]
    outline = [(float(x), float(y)) for x, y in pool.outline_m]
    edges = [(math.dist(a, b), a, b) for a, b in zip(outline, [*outline[1:], outline[0]], strict=True)]
    _, a, b = max(edges)
    first, second = sorted((a, b))
    return [("corner A", first), ("corner B", second)]


class PlanCanvas:
    """A canvas with the pool's outline on it and a map from metres to the page (y upwards)."""

    def __init__(self, pool: Pool, unit: Units, margin_m: float = 1.0, width: float = WIDTH) -> None:
        x0, y0, x1, y1 = pool.bounds_m
        self.scale = width / (x1 - x0 + 2 * margin_m)
        self._x0, self._y1 = x0 - margin_m, y1 + margin_m
        height = (y1 - y0 + 2 * margin_m) * self.scale
        self.canvas = Canvas(width, height + 22)
        self.canvas.path([self.at((float(x), float(y))) for x, y in pool.outline_m], INK, 1.6, fill=WATER, closed=True)
        for step in pool.steps:
            self.canvas.path([self.at((float(x), float(y))) for x, y in step.outline_m], SOFT, 0.7, closed=True)
        self._bar(height, width, x1 - x0, unit)

    def at(self, p: Sequence[float]) -> Xy:
        return (p[0] - self._x0) * self.scale, (self._y1 - p[1]) * self.scale

    def _bar(self, height: float, width: float, length_m: float, unit: Units) -> None:
        choices = (5.0, 2.0, 1.0, 0.5, 0.2) if unit == "si" else tuple(f * units.FOOT_M for f in (20, 10, 5, 2, 1))
        metres = next((v for v in choices if v < 0.5 * length_m), choices[-1])
        text = f"{metres:g} m" if unit == "si" else f"{metres / units.FOOT_M:.0f} ft"
        x, y = width - metres * self.scale - 12, height + 8
        self.canvas.line(x, y, x + metres * self.scale, y, INK, 1.2)
        for end in (x, x + metres * self.scale):
            self.canvas.line(end, y - 3, end, y + 3, INK, 1.2)
        self.canvas.text(x - 6, y + 3.5, text, 9, SOFT, "end")


def findings_plan(pool: Pool, findings: Sequence[StoredFinding], readings: Sequence[KeptReading], unit: Units) -> str:
    """Outline, fittings, injection electrodes, the stations with arrows, and each finding taped from two marks."""
    plan = PlanCanvas(pool, unit)
    c = plan.canvas
    for at, vector in station_vectors(readings):
        _arrow(plan, at, vector)
    for source in pool.sources:
        x, y = plan.at(source.position_m)
        c.path([(x, y - 5), (x + 5, y + 4), (x - 5, y + 4)], INK, 1.0, "#fff", True)
        c.text(x + 7, y + 4, f"electrode {'ABCDEFGH'[source.id % 8]}", 8.5, SOFT, halo=WATER)
    centre = np.mean(np.array(pool.outline_m, dtype=float), axis=0)
    for fitting in pool.fittings:
        x, y = plan.at(fitting.position_m)
        c.rect(x - 4, y - 4, 8, 8, INK if fitting.covered else "#fff", INK, 1.2)
        outward = (fitting.position_m[0] - centre[0], fitting.position_m[1] - centre[1])
        _label(plan, fitting.position_m, outward, fitting.name + (" (covered)" if fitting.covered else ""), pool)
    marks = marks_of(pool)
    for name, position in marks:
        x, y = plan.at(position)
        c.line(x - 5, y - 5, x + 5, y + 5, ACCENT, 1.6)
        c.line(x - 5, y + 5, x + 5, y - 5, ACCENT, 1.6)
        # Beside the mark, not above it: above it run the dimension lines.
        left = position[0] < centre[0]
        c.text(x - 9 if left else x + 9, y + 3.5, name, 9, ACCENT, "end" if left else "start", True, "#fff")
    for finding in findings:
        here = plan.at(finding.position_m)
        for _, position in marks:
            _dimension(
                plan, position, finding.position_m[:2], lambda d: units.length(d, unit),
                _along_edge(pool, position, finding.position_m),
            )  # fmt: skip
        colour = WARN
        if finding.radius_m:
            c.circle(*here, max(6.0, finding.radius_m * plan.scale), "none", colour, 1.0, "3 2")
        c.circle(*here, 7.5, colour if finding.confirmed else "#fff", colour, 1.4)
        c.text(here[0], here[1] + 3.6, str(finding.number), 10, "#fff" if finding.confirmed else colour, "middle", True)
    return c.svg()


def _dimension(
    plan: PlanCanvas, a: Xy, b: Sequence[float], say: Callable[[float], str], aside: Xy | None = None
) -> None:
    """A taped line from mark to finding with its length written along it."""
    (x1, y1), (x2, y2) = plan.at(a), plan.at(b)
    if aside is not None:
        # Along the edge itself: drawn outside the water, with extension lines, as on a working drawing.
        ox, oy = 27.0 * aside[0], -27.0 * aside[1]
        for px, py in ((x1, y1), (x2, y2)):
            plan.canvas.line(px + 0.3 * ox, py + 0.3 * oy, px + 1.12 * ox, py + 1.12 * oy, ACCENT, 0.6)
        x1, y1, x2, y2 = x1 + ox, y1 + oy, x2 + ox, y2 + oy
        plan.canvas.arrow((x1 + x2) / 2, (y1 + y2) / 2, x1, y1, ACCENT, 0.9)
        plan.canvas.arrow((x1 + x2) / 2, (y1 + y2) / 2, x2, y2, ACCENT, 0.9)
    else:
        plan.canvas.line(x1, y1, x2, y2, ACCENT, 0.9, "5 3")
    turn = math.degrees(math.atan2(y2 - y1, x2 - x1))
    if turn > 90 or turn < -90:
        turn += 180
    mx, my = x1 + 0.5 * (x2 - x1), y1 + 0.5 * (y2 - y1)
    nx, ny = math.sin(math.radians(turn)), -math.cos(math.radians(turn))
    plan.canvas.text(
        mx + 4 * nx,
        my + 4 * ny,
        say(math.dist(a, b[:2])),
        9.5,
        ACCENT,
        "middle",
        True,
        WATER if aside is None else "#fff",
        turn,
    )


def _along_edge(pool: Pool, a: Xy, b: Sequence[float]) -> Xy | None:
    """Outward direction of the edge that the line from mark to finding runs along, if it does."""
    outline = [(float(x), float(y)) for x, y in pool.outline_m]
    for share in (0.2, 0.5, 0.8):
        p = (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
        distance, outward = _nearest_edge(outline, p)
        if distance > 0.25:
            return None
    return outward


def _label(
    plan: PlanCanvas, position: Sequence[float], outward: Xy, text: str, pool: Pool, colour: str = INK,
    bold: bool = False, clear: float = 9.0,
) -> None:  # fmt: skip
    """A word beside a point at the liner, outside the water where the point is on the edge."""
    x, y = plan.at(position)
    on_edge = bool(_edge_distance(pool, position) < 0.35)
    length = math.hypot(*outward) or 1.0
    ux, uy = outward[0] / length, -outward[1] / length
    if not on_edge:
        plan.canvas.text(x + clear, y + 3.5, text, 9, colour, "start", bold, WATER)
        return
    x0, y0, x1, y1 = pool.bounds_m
    near_side = min(position[0] - x0, x1 - position[0]) < min(position[1] - y0, y1 - position[1])
    if near_side:
        anchor = "start" if ux > 0 else "end"
        px = x + math.copysign(clear, ux)
        # Long words at the left and right margins are turned so that they are not cut off.
        if len(text) > 6:
            plan.canvas.text(
                px + (3 if ux > 0 else 0), y, text, 9, colour, "middle", bold, "#fff", 90 if ux > 0 else -90
            )
        else:
            plan.canvas.text(px, y + 3.5, text, 9, colour, anchor, bold, "#fff")
    else:
        plan.canvas.text(x, y + (clear + 8 if uy > 0 else -clear), text, 9, colour, "middle", bold, "#fff")


def _edge_distance(pool: Pool, position: Sequence[float]) -> float:
    outline = [(float(x), float(y)) for x, y in pool.outline_m]
    best = math.inf
    for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
        ax, ay = b[0] - a[0], b[1] - a[1]
        t = ((position[0] - a[0]) * ax + (position[1] - a[1]) * ay) / (ax * ax + ay * ay)
        t = min(1.0, max(0.0, t))
        best = min(best, math.dist((a[0] + t * ax, a[1] + t * ay), (position[0], position[1])))
    return best


def station_vectors(readings: Sequence[KeptReading]) -> list[tuple[Xy, Xy]]:
    """Per station and its first placement: where it is and the horizontal direction in which current flows there,
    volts. A reading above zero means current from back towards front."""
    sums: dict[tuple[str, int], tuple[list[Xy], list[Xy]]] = {}
    first_source: dict[str, int] = {}
    for r in readings:
        if r.purpose != "survey":
            continue
        source = first_source.setdefault(r.station, r.source_id)
        if r.source_id != source:
            continue
        d = (r.front_m[0] - r.back_m[0], r.front_m[1] - r.back_m[1])
        length = math.hypot(*d)
        if length < 0.02:
            continue  # a vertical pair
        middle = ((r.front_m[0] + r.back_m[0]) / 2, (r.front_m[1] + r.back_m[1]) / 2)
        places, vectors = sums.setdefault((r.station, source), ([], []))
        places.append(middle)
        vectors.append((r.value_V * d[0] / length, r.value_V * d[1] / length))
    out = []
    for places, vectors in sums.values():
        at = (sum(p[0] for p in places) / len(places), sum(p[1] for p in places) / len(places))
        out.append((at, (sum(v[0] for v in vectors), sum(v[1] for v in vectors))))
    return out


def _arrow(plan: PlanCanvas, at: Xy, vector: Xy) -> None:
    """Length by the logarithm of the strength: 1 uV is a stub, 10 mV a long arrow."""
    strength = math.hypot(*vector)
    x, y = plan.at(at)
    plan.canvas.circle(x, y, 1.6, SOFT, "none")
    if strength <= 0.0:
        return
    length = 6.0 + 5.0 * min(4.0, max(0.0, math.log10(strength / 1e-6)))
    ux, uy = vector[0] / strength, -vector[1] / strength
    plan.canvas.arrow(x, y, x + length * ux, y + length * uy, "#7d8a91", 0.9)


def coverage_plan(
    pool: Pool,
    cells: Sequence[tuple[Sequence[float], float, float | None]],
    classes: Sequence[tuple[float, str, str]],
    unit: Units = "si",
) -> str:
    """Liner cells (position, size_m, smallest detectable value) coloured by class; walls are folded outwards.

    classes: (upper limit, colour, words), from well seen to not seen; None or above the last limit = hatched grey.
    """
    depth = max((c[0][2] for c in cells), default=1.0)
    fold = 0.62
    plan = PlanCanvas(pool, unit, margin_m=max(0.9, fold * depth + 0.4))
    c = plan.canvas
    outline = [(float(x), float(y)) for x, y in pool.outline_m]
    for position, size, value in cells:
        colour = next((col for limit, col, _ in classes if value is not None and value <= limit), "#b9bfc2")
        x, y = float(position[0]), float(position[1])
        distance, (out_x, out_y) = _nearest_edge(outline, (x, y))
        half, across, along = size / 2, (0.0, 1.0), (1.0, 0.0)
        deep = half
        if distance < 0.06 and position[2] < float(pool.depth_at(x, y)) - 1e-3:
            # A wall: folded outwards, foreshortened, its cells as wide as they are along the wall.
            x, y = x + fold * float(position[2]) * out_x, y + fold * float(position[2]) * out_y
            across, along, deep = (out_x, out_y), (-out_y, out_x), fold * half
        grow = 0.3 / plan.scale
        corners = [
            plan.at(
                (
                    x + u * (half + grow) * along[0] + v * (deep + grow) * across[0],
                    y + u * (half + grow) * along[1] + v * (deep + grow) * across[1],
                )
            )
            for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        c.path(corners, "none", 0.0, colour, True)
    c.path([plan.at(p) for p in outline], INK, 1.4, closed=True)
    x = 12.0
    for _, colour, words in [*classes, (0.0, "#b9bfc2", "more")]:
        c.rect(x, c.height - 17, 10, 10, colour, LINE, 0.5)
        c.text(x + 14, c.height - 8.5, words, 9, SOFT)
        x += 24 + 5.0 * len(words)
    return c.svg()


def _nearest_edge(outline: Sequence[Xy], p: Xy) -> tuple[float, Xy]:
    """Distance to the nearest edge and its outward direction (the outline runs counter-clockwise)."""
    best: tuple[float, Xy] = (math.inf, (0.0, 0.0))
    for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
        ax, ay = b[0] - a[0], b[1] - a[1]
        length = math.hypot(ax, ay)
        t = min(1.0, max(0.0, ((p[0] - a[0]) * ax + (p[1] - a[1]) * ay) / length**2))
        d = math.dist((a[0] + t * ax, a[1] + t * ay), p)
        if d < best[0]:
            best = (d, (ay / length, -ax / length))
    return best
