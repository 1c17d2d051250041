"""A tetrahedral mesh of the water: a plan triangulation that follows outline and floor creases, extruded in layers.

The floor is piecewise plane and every crease of it is a line of mesh edges, so the mesh fills the pool exactly.
Risers (vertical drops of a profile, sides of steps) are kept vertical: their columns share the levels at which
treads lie, and the columns under a tread are simply left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, cKDTree

from earthward.pool import polygon
from earthward.pool.shape import Pool

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Two plan points closer than this are one point.
_SAME_m = 1e-6


@dataclass(frozen=True)
class WaterMesh:
    """points_m (p, 3), z down; tets (t, 4) point indices. Columns allow fast point location:

    plan_m (n, 2), triangles (k, 3) plan indices counter-clockwise, levels_m (n, layers + 1) depths of the layer
    interfaces at each plan point; layers_wet (k,) how many layers, from the surface, hold water in a column.
    Point number of plan point i at level j is `point_of[i, j]`, -1 where there is none. The tets of layer j of
    column k are rows `tet_of[k, j] + (0, 1, 2)`, -1 where dry.
    """

    points_m: FloatArray
    tets: IntArray
    plan_m: FloatArray
    triangles: IntArray
    levels_m: FloatArray
    layers_wet: IntArray
    point_of: IntArray
    tet_of: IntArray


# --- plan ------------------------------------------------------------------------------------------------


def crease_segments(pool: Pool) -> FloatArray:
    """Plan segments (s, 2, 2) along which the floor's slope (or depth) changes, clipped to nothing yet."""
    x0, y0, x1, y1 = pool.bounds_m
    segments: list[tuple[tuple[float, float], tuple[float, float]]] = []
    floor = pool.floor
    if floor.kind == "profile":
        for x in sorted({x for x, _ in floor.profile_m}):
            if x0 < x < x1:
                segments.append(((x, y0 - 1.0), (x, y1 + 1.0)))
    if floor.kind == "hopper":
        for r in (floor.rim_m, floor.bottom_m):
            corners = [(r[0], r[1]), (r[2], r[1]), (r[2], r[3]), (r[0], r[3])]
            segments += list(zip(corners, corners[1:] + corners[:1], strict=True))
        rim, pad = floor.rim_m, floor.bottom_m
        for i, j in ((0, 1), (2, 1), (2, 3), (0, 3)):
            if (rim[i], rim[j]) != (pad[i], pad[j]):
                segments.append(((rim[i], rim[j]), (pad[i], pad[j])))
    for step in pool.steps:
        corners = list(step.outline_m)
        segments += list(zip(corners, corners[1:] + corners[:1], strict=True))
    return np.array(segments, dtype=float).reshape(-1, 2, 2)


def _split_at_crossings(segments: FloatArray) -> FloatArray:
    """Cut every segment where another one crosses or touches it."""
    pieces = []
    start, end = segments[:, 0], segments[:, 1]
    direction = end - start
    for n in range(len(segments)):
        p, d = start[n], direction[n]
        length = float(np.hypot(*d))
        cuts = [0.0, 1.0]
        # crossings of lines
        det = d[0] * direction[:, 1] - d[1] * direction[:, 0]
        offset = start - p
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (offset[:, 0] * direction[:, 1] - offset[:, 1] * direction[:, 0]) / det
            u = (offset[:, 0] * d[1] - offset[:, 1] * d[0]) / det
        other = np.hypot(direction[:, 0], direction[:, 1])
        slack_t, slack_u = _SAME_m / length, _SAME_m / other
        meets = (np.abs(det) > 1e-12 * length * other) & (t > slack_t) & (t < 1 - slack_t)
        meets &= (u > -slack_u) & (u < 1 + slack_u)
        cuts += [float(v) for v in t[meets]]
        # ends of collinear neighbours
        for q in np.concatenate([start, end]):
            along = float((q - p) @ d) / length**2
            if slack_t < along < 1 - slack_t and abs(float(d[0] * (q - p)[1] - d[1] * (q - p)[0])) < _SAME_m * length:
                cuts.append(along)
        cuts = sorted(cuts)
        for a, b in pairwise(cuts):
            if (b - a) * length > 2 * _SAME_m:
                pieces.append((p + a * d, p + b * d))
    return np.array(pieces)


def _on_outline(outline: FloatArray, points: FloatArray) -> BoolArray:
    result: BoolArray = polygon.nearest_edge(outline, points)[0] < 2 * _SAME_m
    return result


def _cut_outline(outline: FloatArray, segments: FloatArray, count: int) -> FloatArray:
    """Pieces of outline and creases: outline pieces as they are, crease pieces only where they run in the water."""
    pieces = _split_at_crossings(np.concatenate([segments[:count], segments[count:]]))
    middle = pieces.mean(axis=1)
    keep = _on_outline(outline, middle) | polygon.inside(outline, middle)
    pieces = pieces[keep]
    # Creases that run along the outline are there twice.
    key = np.round(np.sort(np.round(pieces, 7).view([("x", float), ("y", float)])[..., 0], axis=1).view(float), 6)
    _, first = np.unique(key.reshape(len(pieces), -1), axis=0, return_index=True)
    return pieces[np.sort(first)]


def plan_mesh(pool: Pool, size_m: float) -> tuple[FloatArray, IntArray]:
    """Triangulate the plan with edges of about size_m. Returns points (n, 2) and triangles (k, 3), all CCW."""
    outline = pool.outline
    rim = np.stack([outline, np.roll(outline, -1, axis=0)], axis=1)
    creases = crease_segments(pool)
    pieces = _cut_outline(outline, np.concatenate([rim, creases]) if len(creases) else rim, len(rim))

    sampled = []
    for a, b in pieces:
        n = max(1, math.ceil(float(np.hypot(*(b - a))) / size_m - 1e-6))
        steps = np.linspace(0, 1, n + 1)
        points = a + steps[:, None] * (b - a)
        sampled.append(np.stack([points[:-1], points[1:]], axis=1))
    segments = np.concatenate(sampled)

    interior = _interior_points(pool, segments, size_m)
    for _ in range(12):
        fixed, edges = _merge(segments)
        points = np.concatenate([fixed, interior])
        triangles = Delaunay(points).simplices.astype(np.int64)
        missing = _missing_edges(triangles, edges)
        if not missing.any():
            break
        # Conforming Delaunay: halve the constraint pieces that are not yet edges, and make room around them.
        bad = segments[missing]
        middle = bad.mean(axis=1)
        segments = np.concatenate(
            [segments[~missing], np.stack([bad[:, 0], middle], axis=1), np.stack([middle, bad[:, 1]], axis=1)]
        )
        if len(interior):
            radius = 0.5 * float(np.max(np.hypot(*(bad[:, 1] - bad[:, 0]).T)))
            near, _ = cKDTree(middle).query(interior)
            interior = interior[near > 0.6 * radius]
    else:
        raise ValueError("the plan could not be triangulated: creases or outline vertices lie too close together")
    a, b, c = (points[triangles[:, k]] for k in range(3))
    area = 0.5 * ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    triangles[area < 0] = triangles[area < 0][:, ::-1]
    keep = (np.abs(area) > 1e-9) & polygon.inside(outline, (a + b + c) / 3)
    triangles = triangles[keep]
    used, renumbered = np.unique(triangles, return_inverse=True)
    return points[used], renumbered.reshape(triangles.shape).astype(np.int64)


def _interior_points(pool: Pool, segments: FloatArray, size_m: float) -> FloatArray:
    """A grid (rectangle) or triangular lattice of points, away from all constraint pieces."""
    x0, y0, x1, y1 = pool.bounds_m
    row = size_m * math.sqrt(3) / 2
    ny = max(2, round((y1 - y0) / row))
    nx = max(2, round((x1 - x0) / size_m))
    y = y0 + np.arange(1, ny) * (y1 - y0) / ny
    hx = (x1 - x0) / nx
    lattice = np.concatenate(
        [np.column_stack([x0 + (np.arange(nx + 1) - 0.5 * (j % 2)) * hx, np.full(nx + 1, v)]) for j, v in enumerate(y)]
    )
    lattice = lattice[polygon.inside(pool.outline, lattice)]
    length = np.hypot(*(segments[:, 1] - segments[:, 0]).T)
    # Probe points along the pieces, so that distance to a piece is distance to points.
    probes = np.concatenate([a + np.linspace(0, 1, 5)[:, None] * (b - a) for a, b in segments])
    local = np.repeat(length, 5)
    distance, nearest = cKDTree(probes).query(lattice)
    free: FloatArray = lattice[distance > 0.55 * np.maximum(local[nearest], 0.6 * size_m)]
    return free


def _merge(segments: FloatArray) -> tuple[FloatArray, IntArray]:
    ends = segments.reshape(-1, 2)
    key = np.round(ends / (10 * _SAME_m)).astype(np.int64)
    _, first, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
    return ends[first], inverse.reshape(-1, 2).astype(np.int64)


def _missing_edges(triangles: IntArray, edges: IntArray) -> BoolArray:
    sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    top = int(max(sides.max(), edges.max())) + 1
    wanted = np.sort(edges, axis=1)
    result: BoolArray = ~np.isin(wanted[:, 0] * top + wanted[:, 1], sides[:, 0] * top + sides[:, 1])
    return result


# --- layers ----------------------------------------------------------------------------------------------


def water_mesh(pool: Pool, size_m: float, layers: int) -> WaterMesh:
    """Mesh the water with plan edges of about `size_m` and about `layers` layers at the deepest point."""
    plan, triangles = plan_mesh(pool, size_m)
    # The floor under each column's corners; on a riser the columns of either side differ.
    centre = plan[triangles].mean(axis=1)[:, None, :]
    nudged = plan[triangles] + 1e-6 * (centre - plan[triangles])
    corner_depth = pool.depth_at(nudged[..., 0], nudged[..., 1])
    # Away from risers the floor's own depth, exactly: facets of one slope must lie in one plane, or a sink on it
    # would see them at slightly different heights.
    exact = pool.depth_at(plan[:, 0], plan[:, 1])[triangles]
    corner_depth = np.where(np.abs(corner_depth - exact) < 1e-4, exact, corner_depth)
    terrace = _terraces(triangles, corner_depth)
    levels, layers_wet = _levels(len(plan), triangles, corner_depth, terrace, layers)
    return _extrude(plan, triangles, levels, layers_wet)


def _terraces(triangles: IntArray, corner_depth: FloatArray) -> IntArray:
    """Number (k,) of the part of the floor each column belongs to: parts are divided by risers, shallowest first."""
    count = len(triangles)
    order = np.argsort(triangles, axis=1)
    rows = np.arange(count)
    ends, depths = [], []
    for i, j in ((0, 1), (1, 2), (0, 2)):
        a, b = order[:, i], order[:, j]
        ends.append(np.column_stack([triangles[rows, a], triangles[rows, b]]))
        depths.append(np.column_stack([corner_depth[rows, a], corner_depth[rows, b]]))
    side_ends, side_depth = np.concatenate(ends), np.concatenate(depths)
    owner = np.tile(rows, 3)
    by_edge = np.lexsort((side_ends[:, 1], side_ends[:, 0]))
    first, second = by_edge[:-1], by_edge[1:]
    shared = np.all(side_ends[first] == side_ends[second], axis=1)
    level = np.max(np.abs(side_depth[first] - side_depth[second]), axis=1) < 1e-4
    joined = shared & level
    graph = coo_matrix(
        (np.ones(int(joined.sum())), (owner[first[joined]], owner[second[joined]])), shape=(count, count)
    )
    parts, label = connected_components(graph, directed=False)
    mean = np.bincount(label, weights=corner_depth.mean(axis=1), minlength=parts) / np.bincount(label, minlength=parts)
    rank = np.empty(parts, dtype=np.int64)
    rank[np.argsort(mean, kind="stable")] = np.arange(parts)
    terrace: IntArray = rank[label]
    return terrace


def _levels(
    points: int, triangles: IntArray, corner_depth: FloatArray, terrace: IntArray, layers: int
) -> tuple[FloatArray, IntArray]:
    """Depths of the layer interfaces at each plan point, and the number of wet layers of each column.

    Interfaces are numbered the same way everywhere: terrace n has its floor at interface `bounds[n]`. Where two
    terraces meet, the point has both floors among its levels, and the riser between them is a stack of faces.
    """
    parts = int(terrace.max()) + 1
    mean = np.array([corner_depth[terrace == n].mean() for n in range(parts)])
    deepest = float(corner_depth.max())
    rise = np.diff(np.concatenate([[0.0], mean]))
    rise[-1] += deepest - mean[-1]
    counts = np.maximum(1, np.round(layers * rise / deepest).astype(np.int64))
    bounds = np.cumsum(counts)
    total = int(bounds[-1])
    floor_of = np.full((points, parts), np.nan)
    for corner in range(3):
        floor_of[triangles[:, corner], terrace] = corner_depth[:, corner]
    index = np.arange(total + 1)
    if parts == 1:
        return floor_of * (index / total), np.full(len(triangles), total, dtype=np.int64)
    levels = np.empty((points, total + 1))
    for i in range(points):
        here = np.flatnonzero(np.isfinite(floor_of[i]))
        depths = floor_of[i, here]
        if np.any(np.diff(depths) <= 1e-4):
            raise ValueError("two parts of the floor cross each other at a riser; move the step or the crease")
        levels[i] = np.interp(index, np.concatenate([[0], bounds[here]]), np.concatenate([[0.0], depths]))
    return levels, bounds[terrace]


def _extrude(plan: FloatArray, triangles: IntArray, levels: FloatArray, layers_wet: IntArray) -> WaterMesh:
    n, stack = levels.shape
    wet_levels = np.zeros(n, dtype=np.int64)
    np.maximum.at(wet_levels, triangles, layers_wet[:, None])
    present = np.arange(stack)[None] <= wet_levels[:, None]
    point_of = np.full((n, stack), -1, dtype=np.int64)
    point_of[present] = np.arange(int(present.sum()))
    points = np.empty((int(present.sum()), 3))
    points[:, :2] = np.repeat(plan, present.sum(axis=1), axis=0)
    points[:, 2] = levels[present]

    # Each prism is cut into three tets along diagonals chosen by the plan numbering: neighbours agree.
    ordered = np.sort(triangles, axis=1)
    tet_of = np.full((len(triangles), stack - 1), -1, dtype=np.int64)
    column, layer = np.nonzero(np.arange(stack - 1)[None] < layers_wet[:, None])
    tet_of[column, layer] = 3 * np.arange(len(column))
    a, b, c = (point_of[ordered[column, k], layer] for k in range(3))
    d, e, f = (point_of[ordered[column, k], layer + 1] for k in range(3))
    tets = np.stack([np.stack(t, axis=1) for t in ((a, b, c, f), (a, b, e, f), (a, d, e, f))], axis=1).reshape(-1, 4)
    return WaterMesh(points, tets, plan, triangles, levels, layers_wet, point_of, tet_of)


def locate(mesh: WaterMesh, points_m: FloatArray) -> tuple[IntArray, FloatArray]:
    """The tet (m,) that holds each point (m, 3) and its barycentric coordinates (m, 4).

    Points slightly outside (rounding, a chord across a curved wall) get the nearest tet's extrapolation.
    """
    column, weight = _plan_locate(mesh, points_m)
    corner_levels = mesh.levels_m[mesh.triangles[column]]
    here = np.einsum("mc,mcj->mj", weight, corner_levels)
    layer = np.sum(here[:, 1:-1] < points_m[:, 2:3], axis=1)
    layer = np.minimum(layer, mesh.layers_wet[column] - 1)
    first = mesh.tet_of[column, layer]
    best = np.full(len(points_m), -np.inf)
    tet = first.copy()
    bary = np.zeros((len(points_m), 4))
    for k in range(3):
        corners = mesh.points_m[mesh.tets[first + k]]
        edges = np.swapaxes(corners[:, 1:] - corners[:, :1], 1, 2)
        rest = np.linalg.solve(edges, (points_m - corners[:, 0])[..., None])[..., 0]
        coordinates = np.column_stack([1 - rest.sum(axis=1), rest])
        worst = coordinates.min(axis=1)
        better = worst > best
        best[better], tet[better], bary[better] = worst[better], (first + k)[better], coordinates[better]
    return tet, bary


def _plan_locate(mesh: WaterMesh, points_m: FloatArray) -> tuple[IntArray, FloatArray]:
    """Column (m,) and barycentric plan coordinates (m, 3): of the columns that reach a point's depth, the one
    whose smallest coordinate is largest."""
    corners = mesh.plan_m[mesh.triangles]
    tree = cKDTree(corners.mean(axis=1))
    _, nearest = tree.query(points_m[:, :2], k=min(24, len(corners)))
    candidates = nearest.reshape(len(points_m), -1)
    a, b, c = (corners[candidates, k] for k in range(3))
    p = points_m[:, None, :2]

    def cross(u: FloatArray, v: FloatArray) -> FloatArray:
        result: FloatArray = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        return result

    whole = cross(b - a, c - a)
    weight = np.stack([cross(b - p, c - p), cross(c - p, a - p), cross(a - p, b - p)], axis=-1) / whole[..., None]
    score = weight.min(axis=-1)
    if np.ptp(mesh.layers_wet):
        # On a riser two columns share the plan point: the one that ends on the tread does not reach below it.
        rows = np.arange(len(mesh.triangles))[:, None]
        bottom = mesh.levels_m[mesh.triangles, mesh.layers_wet[rows]].max(axis=1)
        score = np.where(points_m[:, 2:3] > bottom[candidates] + 1e-4, score - 1.0, score)
    pick = np.argmax(score, axis=1)
    found = np.arange(len(points_m))
    return candidates[found, pick].astype(np.int64), weight[found, pick]
