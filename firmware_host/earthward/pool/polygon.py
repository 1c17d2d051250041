"""Plane polygons: the few things the pool room asks of an outline. Points are metres, arrays are (n, 2)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
#: So few couples of a point and an edge are quicker looked at all at once.
FEW = 2000


def signed_area_m2(outline_m: FloatArray) -> float:
    """Area by the shoelace rule; positive when the vertices run counter-clockwise (from +x towards +y)."""
    x, y = outline_m[:, 0], outline_m[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def perimeter_m(outline_m: FloatArray) -> float:
    return float(np.sum(np.hypot(*(np.roll(outline_m, -1, axis=0) - outline_m).T)))


def inside(outline_m: FloatArray, points_m: FloatArray) -> BoolArray:
    """Which of points (n, 2) lie inside, by counting crossings. Points on an edge may fall either way."""
    if len(points_m) * len(outline_m) <= FEW:
        return _inside_few(outline_m, points_m)
    order = np.argsort(points_m[:, 1], kind="stable")
    x, y = points_m[order, 0], points_m[order, 1]
    odd = np.zeros(len(y), dtype=bool)
    for (ax, ay), (bx, by) in zip(outline_m, np.roll(outline_m, -1, axis=0), strict=True):
        if ay == by:
            continue
        # Only points whose y lies within the edge's span can cross it: a slice of the sorted points.
        low, high = np.searchsorted(y, (min(ay, by), max(ay, by)), side="left")
        part = slice(low, high)
        odd[part] ^= x[part] < (bx - ax) * (y[part] - ay) / (by - ay) + ax
    result = np.empty(len(y), dtype=bool)
    result[order] = odd
    return result


def _inside_few(outline_m: FloatArray, points_m: FloatArray) -> BoolArray:
    """The same for all edges and points at once."""
    after = np.concatenate([outline_m[1:], outline_m[:1]])
    (ax, ay), (bx, by) = outline_m.T, after.T
    x, y = points_m[:, :1], points_m[:, 1:2]
    rise = by - ay
    crossing = (bx - ax) * (y - ay) / np.where(rise == 0.0, 1.0, rise) + ax
    crossed = ((ay <= y) != (by <= y)) & (x < crossing)
    return np.asarray(crossed.sum(1) % 2 == 1)


def nearest_edge(outline_m: FloatArray, points_m: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Distance (n,) to the outline, index (n,) of the nearest edge, and fraction (n,) along that edge in 0..1."""
    a, b = outline_m, np.roll(outline_m, -1, axis=0)
    along = b - a
    length2 = np.maximum(np.sum(along * along, axis=1), 1e-300)
    to_point = points_m[:, None, :] - a[None]
    fraction = np.clip(np.einsum("nej,ej->ne", to_point, along) / length2, 0.0, 1.0)
    gap = to_point - fraction[..., None] * along
    distance = np.hypot(gap[..., 0], gap[..., 1])
    edge = np.argmin(distance, axis=1).astype(np.int64)
    rows = np.arange(len(points_m))
    return distance[rows, edge], edge, fraction[rows, edge]


def crossing_edges(outline_m: FloatArray) -> tuple[int, int] | None:
    """The first two edges (indices) that cross or touch without being neighbours, or None for a simple outline."""
    n = len(outline_m)
    a, b = outline_m, np.roll(outline_m, -1, axis=0)

    def turn(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        result: FloatArray = (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (
            r[..., 0] - p[..., 0]
        )
        return result

    i, j = np.triu_indices(n, k=2)
    keep = ~((i == 0) & (j == n - 1))
    i, j = i[keep], j[keep]
    d1, d2 = turn(a[j], b[j], a[i]), turn(a[j], b[j], b[i])
    d3, d4 = turn(a[i], b[i], a[j]), turn(a[i], b[i], b[j])
    proper = (d1 * d2 < 0) & (d3 * d4 < 0)

    def between(p: FloatArray, q: FloatArray, r: FloatArray) -> BoolArray:
        low, high = np.minimum(p, q), np.maximum(p, q)
        result: BoolArray = np.all((low <= r) & (r <= high), axis=-1)
        return result

    touch = (
        ((d1 == 0) & between(a[j], b[j], a[i]))
        | ((d2 == 0) & between(a[j], b[j], b[i]))
        | ((d3 == 0) & between(a[i], b[i], a[j]))
        | ((d4 == 0) & between(a[i], b[i], b[j]))
    )
    found = np.flatnonzero(proper | touch)
    return (int(i[found[0]]), int(j[found[0]])) if found.size else None


def ellipse(length_m: float, width_m: float, vertices: int = 64) -> FloatArray:
    """An ellipse touching x = 0, x = length, y = 0 and y = width, as a polygon of the same area."""
    angle = 2 * np.pi * (np.arange(vertices) + 0.5) / vertices
    # The inscribed polygon is too small by sinc; scaling keeps the water volume right.
    scale = np.sqrt(2 * np.pi / (vertices * np.sin(2 * np.pi / vertices)))
    return np.column_stack([0.5 * length_m * (1 + scale * np.cos(angle)), 0.5 * width_m * (1 + scale * np.sin(angle))])


def l_shape(length_m: float, width_m: float, notch_length_m: float, notch_width_m: float) -> FloatArray:
    """A rectangle whose corner at (length, width) is cut out by a rectangle notch_length by notch_width."""
    inner_x, inner_y = length_m - notch_length_m, width_m - notch_width_m
    return np.array(
        [[0.0, 0.0], [length_m, 0.0], [length_m, inner_y], [inner_x, inner_y], [inner_x, width_m], [0.0, width_m]]
    )


def kidney(length_m: float, width_m: float, waist: float = 0.25, vertices: int = 72) -> FloatArray:
    """A kidney: an ellipse with one long side (y = width) pushed in by `waist` of the width at mid length."""
    angle = 2 * np.pi * (np.arange(vertices) + 0.5) / vertices
    x = 0.5 * length_m * (1 + np.cos(angle))
    y = 0.5 * width_m * (1 + np.sin(angle))
    upper = np.clip((y / width_m - 0.5) * 2, 0.0, 1.0)
    y = y - waist * width_m * upper * np.exp(-(((x - 0.5 * length_m) / (0.22 * length_m)) ** 2))
    return np.column_stack([x, y])
