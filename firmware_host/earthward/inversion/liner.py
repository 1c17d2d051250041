"""The liner cut into cells: coarse ones for scanning, fine ones for the answer, and what joins them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from earthward.inversion.lead import BoxRows, FloatArray, IntArray
from earthward.pool.shape import LinerCells, Pool


@dataclass(frozen=True)
class CellSet:
    """Liner cells with what the search needs. tangent (n, 2, 3): two unit vectors in the liner at each cell."""

    centre_m: FloatArray
    area_m2: FloatArray
    normal: FloatArray
    tangent: FloatArray
    face: IntArray
    size_m: float

    def __len__(self) -> int:
        return len(self.area_m2)


def tangents(normal: FloatArray) -> FloatArray:
    """Two unit vectors (n, 2, 3) at right angles to each normal (n, 3): level first, then down the slope."""
    level = np.stack([-normal[:, 1], normal[:, 0], np.zeros(len(normal))], axis=1)
    flat = np.linalg.norm(level, axis=1) < 1e-6
    level[flat] = [1.0, 0.0, 0.0]
    level /= np.linalg.norm(level, axis=1, keepdims=True)
    return np.stack([level, np.cross(normal, level)], axis=1)


def cell_set(cells: LinerCells) -> CellSet:
    face = np.where(cells.on_floor, -1, cells.wall).astype(np.int64)
    return CellSet(cells.centre_m, cells.area_m2, cells.normal, tangents(cells.normal), face, cells.size_m)


@dataclass(frozen=True)
class Grid:
    """Coarse cells for scanning, fine cells for the answer, and how the one interpolates the other."""

    coarse: CellSet
    fine: CellSet
    fine_index: IntArray
    fine_weight: FloatArray
    fine_slope: FloatArray
    parent: IntArray


@dataclass(frozen=True)
class LinerGrid:
    """All that depends on the pool's shape only, not on water, sources or fittings: cells and what joins them."""

    grid: Grid
    box_rows: BoxRows | None
    """The exact box's table for the coarse cells alone."""
    coarse_index: IntArray
    coarse_weight: FloatArray
    coarse_slope: FloatArray
    subsampled: IntArray
    """Every fourth coarse cell or so: enough for the linear scan that only proposes seeds."""
    seed_grid: IntArray
    """Coarse cells spread over the whole liner, about a metre apart."""
    neighbours: list[IntArray]
    """Coarse cells around each coarse cell, also around corners."""


def on_liner(pool: Pool, cells: CellSet, point_m: Sequence[float]) -> tuple[FloatArray, int, float]:
    """A point moved to the nearest liner: position, index of the nearest cell, and how far it was."""
    point = np.asarray(point_m, dtype=float)
    d = cells.centre_m - point
    index = int(np.argmin((d * d).sum(1)))
    normal = cells.normal[index]
    gap = float((point - cells.centre_m[index]) @ normal)
    moved = point - gap * normal
    return moved, index, float(np.linalg.norm(point - moved)) if abs(gap) > 1e-9 else 0.0


def liner_grid(pool: Pool, cell_m: float) -> LinerGrid:
    """Cut the liner into coarse (2 cell_m) and fine cells and join them."""
    coarse = cell_set(pool.liner_cells(2 * cell_m))
    fine = cell_set(pool.liner_cells(cell_m))
    box_rows: BoxRows | None = None
    if pool.is_box:
        x0, y0, x1, y1 = pool.bounds_m
        deep = float(pool.depth_at(0.5 * (x0 + x1), 0.5 * (y0 + y1)))
        box_rows = BoxRows(np.array([x1 - x0, y1 - y0, deep]), coarse.centre_m, np.array([x0, y0, 0.0]))
    return LinerGrid(
        build_grid(coarse, fine),
        box_rows,
        *interpolation(coarse, coarse),
        _subsampled(pool, coarse),
        _seed_grid(coarse),
        _neighbours(coarse),
    )


def local_weights(
    cells: CellSet, position_m: FloatArray, tangent: FloatArray, face: int, count: int = 12
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Indices (c,), weights (c,) and slopes (c, 2) that take a smooth function on the cells to a point of one face.

    Local quadratic least squares over the nearest cells (plane if there are too few).
    """
    d = cells.centre_m - position_m
    distance = np.where(cells.face == face, (d * d).sum(1), np.inf)
    # Cells of the same face but another plane (a hopper's slope, a bend) would not be smooth: prefer the near.
    count = min(count, int(np.isfinite(distance).sum()))
    index = np.argpartition(distance, count - 1)[:count] if count < len(distance) else np.arange(count)
    uv = d[index] @ tangent.T / cells.size_m
    table = np.column_stack([np.ones(count), uv, uv[:, 0] ** 2, uv[:, 0] * uv[:, 1], uv[:, 1] ** 2])
    if count < 8:
        table = table[:, :3]
    gauss = np.exp(-0.5 * (uv**2).sum(1) / 2.0**2)[:, None]
    solve = np.linalg.pinv(table * gauss, rcond=1e-6) * gauss.T
    return index.astype(np.int64), solve[0], solve[1:3].T / cells.size_m


def interpolation(coarse: CellSet, fine: CellSet) -> tuple[IntArray, FloatArray, FloatArray]:
    """Indices (n, c), weights (n, c) and slopes along the tangents (n, c, 2) from coarse to fine cells, by a local
    quadratic fit on each cell's own face."""
    count = 12
    n = len(fine)
    index = np.zeros((n, count), dtype=np.int64)
    weight = np.zeros((n, count))
    slope = np.zeros((n, count, 2))
    for face in np.unique(fine.face):
        mine = np.flatnonzero(fine.face == face)
        base = np.flatnonzero(coarse.face == face)
        if base.size == 0:
            base = np.arange(len(coarse))
        k = min(count, base.size)
        _, near = cKDTree(coarse.centre_m[base]).query(fine.centre_m[mine], k=k)
        ids = base[np.asarray(near).reshape(len(mine), k)]
        d = coarse.centre_m[ids] - fine.centre_m[mine][:, None]
        uv = np.einsum("ncj,nij->nci", d, fine.tangent[mine]) / coarse.size_m
        u, v = uv[..., 0], uv[..., 1]
        table = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
        if k < 8:
            table = table[..., :3]
        gauss = np.exp(-0.125 * (u * u + v * v))[..., None]
        weighted = table * gauss
        # Cells in a row leave some terms undetermined: a trace of damping settles those at nothing.
        normal = weighted.swapaxes(1, 2) @ weighted
        normal[:, np.arange(table.shape[-1]), np.arange(table.shape[-1])] += 1e-8
        solution = np.linalg.solve(normal, (weighted * gauss).swapaxes(1, 2))
        index[mine, :k] = ids
        weight[mine, :k] = solution[:, 0]
        slope[mine, :k] = solution[:, 1:3].swapaxes(1, 2) / coarse.size_m
    return index, weight, slope


def build_grid(coarse: CellSet, fine: CellSet) -> Grid:
    """Coarse and fine cells and what joins them."""
    index, weight, slope = interpolation(coarse, fine)
    return Grid(coarse, fine, index, weight, slope, index[:, 0].copy())


def _subsampled(pool: Pool, cells: CellSet) -> IntArray:
    """Indices of the cells nearest to the centres of a liner cut twice as coarse."""
    wide = pool.liner_cells(2 * cells.size_m)
    _, near = cKDTree(cells.centre_m).query(wide.centre_m)
    return np.unique(near).astype(np.int64)


def _seed_grid(cells: CellSet, count: int = 56) -> IntArray:
    """Cells spread evenly: each the farthest from all before it."""
    count = min(count, len(cells))
    chosen = np.zeros(count, dtype=np.int64)
    distance = np.full(len(cells), np.inf)
    for k in range(1, count):
        distance = np.minimum(distance, ((cells.centre_m - cells.centre_m[chosen[k - 1]]) ** 2).sum(1))
        chosen[k] = int(np.argmax(distance))
    return chosen


def _neighbours(cells: CellSet) -> list[IntArray]:
    pairs = cKDTree(cells.centre_m).query_pairs(1.5 * cells.size_m, output_type="ndarray")
    lists: list[list[int]] = [[] for _ in range(len(cells))]
    for i, j in pairs:
        lists[i].append(int(j))
        lists[j].append(int(i))
    return [np.array(sorted(one), dtype=np.int64) for one in lists]


def subset(cells: CellSet, index: IntArray) -> CellSet:
    return CellSet(
        cells.centre_m[index],
        cells.area_m2[index],
        cells.normal[index],
        cells.tangent[index],
        cells.face[index],
        cells.size_m,
    )
