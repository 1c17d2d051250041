"""The report's plans: findings dimensioned from two marks with the readings as arrows, and the coverage."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from earthward.pool import polygon
from earthward.pool.shape import Pool
from earthward.record.finding import Finding
from earthward.record.reading import KeptReading
from earthward.report.charts import ACCENT, INK, LINE, SOFT, WARN
from earthward.report.plan_sheet import Sheet, Xy, marks_of
from earthward.units import Units

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

WIDTH = 560.0
#: how much of its height a wall keeps when it is laid down
_FOLD = 0.62
_UNSEEN = "#b9bfc2"


def findings_plan(pool: Pool, findings: Sequence[Finding], readings: Sequence[KeptReading], unit: Units) -> str:
    """Outline, fittings, injection electrodes, the stations with arrows, and each finding taped from two marks."""
    sheet = Sheet(pool, WIDTH, unit=unit)
    c = sheet.canvas
    sheet.water()
    for finding in findings:
        u, v = sheet.at(finding.position_m)
        sheet.take((u - 9, v - 9, u + 9, v + 9))
    for at, vector in station_vectors(readings):
        _arrow(sheet, at, vector)
    marks = marks_of(pool)
    for finding in findings:
        for _, position in marks:
            sheet.dimension(position, finding.position_m, ACCENT)
    for name, position in marks:
        sheet.mark(name, position, ACCENT)
    for source in pool.sources:
        sheet.source(source.position_m, f"electrode {'ABCDEFGH'[source.source_id % 8]}")
    for fitting in pool.fittings:
        sheet.fitting(fitting)
    for finding in findings:
        u, v = sheet.at(finding.position_m)
        if finding.radius_m:
            c.circle(u, v, max(9.5, finding.radius_m * sheet.scale), "none", WARN, 1.0, "3 2")
        c.circle(u, v, 7.5, WARN if finding.confirmed else "#fff", WARN, 1.4)
        c.text(u, v + 3.6, str(finding.number), 10, "#fff" if finding.confirmed else WARN, "middle", True)
    sheet.bar(sheet.bottom - 6)
    return c.svg()


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


def _arrow(sheet: Sheet, at: Xy, vector: Xy) -> None:
    """Length by the logarithm of the strength: 1 uV is a stub, 10 mV a long arrow."""
    strength = math.hypot(*vector)
    x, y = sheet.at(at)
    sheet.canvas.circle(x, y, 1.6, SOFT, "none")
    if strength <= 0.0:
        return
    length = 6.0 + 5.0 * min(4.0, max(0.0, math.log10(strength / 1e-6)))
    x2, y2 = x + length * vector[0] / strength, y - length * vector[1] / strength
    sheet.canvas.arrow(x, y, x2, y2, "#7d8a91", 0.9)
    sheet.take((min(x, x2) - 2, min(y, y2) - 2, max(x, x2) + 2, max(y, y2) + 2))


def coverage_plan(
    pool: Pool,
    cells: Sequence[tuple[Sequence[float], float, float | None]],
    classes: Sequence[tuple[float, str, str]],
    unit: Units = "si",
) -> str:
    """Floor from above and walls folded outwards, coloured by what the nearest of the liner cells (position, size_m,
    smallest detectable value) says.

    classes: (upper limit, colour, words), from well seen to not seen; None or above the last limit = grey.
    """
    places = np.array([c[0] for c in cells], dtype=float).reshape(-1, 3)
    values = [c[2] for c in cells]
    step = max(0.1, 0.5 * min((c[1] for c in cells), default=0.4))
    deepest = pool.greatest_depth_m
    sheet = Sheet(pool, WIDTH, unit=unit, margin_m=max(0.9, _FOLD * deepest + 0.35), foot=22.0)
    gap, _, _ = polygon.nearest_edge(pool.outline, places[:, :2])
    on_wall = (gap < 0.06) & (places[:, 2] < pool.depth_at(places[:, 0], places[:, 1]) - 1e-3)

    def paint(points: FloatArray, of: FloatArray, which: IntArray, corners: list[list[Xy]]) -> None:
        if not len(points) or not len(which):
            return
        away = np.linalg.norm(points[:, None, : of.shape[1]] - of[None], axis=2)
        for nearest, quad in zip(which[np.argmin(away, axis=1)], corners, strict=True):
            value = values[int(nearest)]
            colour = next((col for limit, col, _ in classes if value is not None and value <= limit), _UNSEEN)
            # A hair of the same colour closes the joints that renderers leave.
            sheet.canvas.path([sheet.at(p) for p in quad], colour, 0.4, colour, True)

    floor, corners = _floor_squares(pool, step)
    paint(floor, places[~on_wall][:, :2], np.flatnonzero(~on_wall), corners)
    wall, corners = _wall_squares(pool, step)
    paint(wall, places[on_wall], np.flatnonzero(on_wall), corners)
    c = sheet.canvas
    c.path([sheet.at(p) for p in pool.outline_m], INK, 1.4, closed=True)
    sheet.bar(c.height - 6)
    x = 12.0
    for _, colour, words in [*classes, (0.0, _UNSEEN, "more")]:
        c.rect(x, c.height - 17, 10, 10, colour, LINE, 0.5)
        c.text(x + 14, c.height - 8.5, words, 9, SOFT)
        x += 24 + 5.0 * len(words)
    return c.svg()


def _floor_squares(pool: Pool, step: float) -> tuple[FloatArray, list[list[Xy]]]:
    """Middles (n, 2) of squares that tile the floor, and their corners."""
    x0, y0, x1, y1 = pool.bounds_m
    nx, ny = max(1, round((x1 - x0) / step)), max(1, round((y1 - y0) / step))
    dx, dy = (x1 - x0) / nx, (y1 - y0) / ny
    middles = np.array([(x0 + (i + 0.5) * dx, y0 + (j + 0.5) * dy) for i in range(nx) for j in range(ny)])
    middles = middles[polygon.inside(pool.outline, middles)]
    around = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    return middles, [[(float(x + u * dx), float(y + v * dy)) for u, v in around] for x, y in middles]


def _wall_squares(pool: Pool, step: float) -> tuple[FloatArray, list[list[Xy]]]:
    """Middles (n, 3) of squares that tile the walls, and where they come to lie when the wall is laid down outwards
    about its foot, foreshortened."""
    middles, corners = [], []
    outline = [(float(x), float(y)) for x, y in pool.outline_m]
    for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
        long_m = math.dist(a, b)
        ux, uy = (b[0] - a[0]) / long_m, (b[1] - a[1]) / long_m
        count = max(1, round(long_m / step))
        for i in range(count):
            near, far = (long_m * k / count for k in (i, i + 1))
            x, y = (a[0] + 0.5 * (near + far) * ux, a[1] + 0.5 * (near + far) * uy)
            # A hair inside: on the outline itself the depth need not be defined.
            deep = float(pool.depth_at(x - 1e-6 * uy, y + 1e-6 * ux))
            rows = max(1, round(deep / step))
            for k in range(rows):
                low, high = (deep * r / rows for r in (k, k + 1))
                middles.append((x, y, deep - 0.5 * (low + high)))
                corners.append(
                    [
                        (a[0] + s * ux + _FOLD * h * uy, a[1] + s * uy - _FOLD * h * ux)
                        for s, h in ((near, low), (far, low), (far, high), (near, high))
                    ]
                )
    return np.array(middles), corners
