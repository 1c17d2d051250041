"""The liner cut into cells: coarse ones for scanning, fine ones for the answer, and what joins them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
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
    """Coarse cells for scanning, fine cells for the answer; parent: the coarse cell of each fine one."""

    coarse: CellSet
    fine: CellSet
    parent: IntArray


class Nodes:
    """Points of the liner at which the lead fields' smooth rest is learnt, and how any place is interpolated from them:
    by a local least-squares polynomial over the nearest nodes of its own face."""

    def __init__(self, cells: CellSet, count: int) -> None:
        """`count` nodes for each place: 20 for a cubic, 12 for a quadratic."""
        self.cells, self._count = cells, count
        self._faces = {}
        for face in np.unique(cells.face):
            mine = np.flatnonzero(cells.face == face)
            self._faces[int(face)] = (mine, cKDTree(cells.centre_m[mine]))
        self._all = (np.arange(len(cells)), cKDTree(cells.centre_m))

    def __len__(self) -> int:
        return len(self.cells)

    def weights(
        self, place_m: FloatArray, tangent: FloatArray, face: IntArray
    ) -> tuple[IntArray, FloatArray, FloatArray]:
        """Indices (n, c) of nodes, weights (n, c) and slopes along the tangents (n, c, 2) for places (n, 3)."""
        n, count = len(place_m), self._count
        index = np.zeros((n, count), dtype=np.int64)
        weight, slope = np.zeros((n, count)), np.zeros((n, count, 2))
        for one in np.unique(face):
            mine = np.flatnonzero(face == one)
            base, tree = self._faces.get(int(one), self._all)
            k = min(count, len(base))
            _, near = tree.query(place_m[mine], k=k)
            ids = base[np.asarray(near).reshape(len(mine), k)]
            d = self.cells.centre_m[ids] - place_m[mine][:, None]
            uv = np.einsum("ncj,nij->nci", d, tangent[mine]) / self.cells.size_m
            solution = _local_polynomial(uv)
            index[mine, :k] = ids
            weight[mine, :k] = solution[:, 0]
            slope[mine, :k] = solution[:, 1:3].swapaxes(1, 2) / self.cells.size_m
        return index, weight, slope

    def of_cells(self, cells: CellSet, index: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
        """`weights` of the centres of some cells."""
        return self.weights(cells.centre_m[index], cells.tangent[index], cells.face[index])

    def matrix(self, cells: CellSet, index: IntArray) -> csr_matrix:
        """The weights of some cells' centres as one sparse matrix (cells, nodes)."""
        ids, weight, _ = self.of_cells(cells, index)
        row = np.repeat(np.arange(len(index)), ids.shape[1])
        return csr_matrix((weight.ravel(), (row, ids.ravel())), shape=(len(index), len(self)))


def _local_polynomial(uv: FloatArray) -> FloatArray:
    """Coefficients (n, terms, c) by which values at (n, c, 2) give value, slopes and bends at 0."""
    u, v = uv[..., 0], uv[..., 1]
    terms = [np.ones_like(u), u, v]
    if uv.shape[1] >= 8:
        terms += [u * u, u * v, v * v]
    if uv.shape[1] >= 20:
        terms += [u**3, u * u * v, u * v * v, v**3]
    table = np.stack(terms, axis=-1)
    gauss = np.exp(-0.125 * (u * u + v * v))[..., None]
    weighted = table * gauss
    # Nodes in a row leave some terms undetermined: a trace of damping settles those at nothing.
    normal = weighted.swapaxes(1, 2) @ weighted
    normal[:, np.arange(table.shape[-1]), np.arange(table.shape[-1])] += 1e-8
    return np.asarray(np.linalg.solve(normal, (weighted * gauss).swapaxes(1, 2)))


@dataclass(frozen=True)
class LinerGrid:
    """All that depends on the pool's shape only, not on water, sources or fittings: cells and what joins them."""

    grid: Grid
    nodes: Nodes
    box_rows: BoxRows | None
    """The exact box's table for the nodes alone."""
    subsampled: IntArray
    """Every fourth coarse cell or so: enough for the linear scan that only proposes seeds."""
    from_nodes: csr_matrix
    """Takes what the nodes know to the subsampled cells."""
    seed_grid: IntArray
    """Coarse cells spread over the whole liner, about a metre apart."""
    pairs: tuple[IntArray, IntArray]
    """Coarse cells around each coarse cell, also around corners: where each one's begin, and all of them in a row."""

    def neighbours(self, cell: int) -> IntArray:
        start, other = self.pairs
        return other[start[cell] : start[cell + 1]]


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
        # What is left when the nearest images are taken out is smooth along the liner too: nodes of 0.3 m, cubic, keep
        # it to 0.03 % rms of a reading.
        nodes = Nodes(cell_set(pool.liner_cells(3 * cell_m)), 20)
        x0, y0, x1, y1 = pool.bounds_m
        deep = float(pool.depth_at(0.5 * (x0 + x1), 0.5 * (y0 + y1)))
        box_rows = BoxRows(np.array([x1 - x0, y1 - y0, deep]), nodes.cells.centre_m, np.array([x0, y0, 0.0]))
    else:
        nodes = Nodes(coarse, 12)
    subsampled = _subsampled(pool, coarse)
    return LinerGrid(
        Grid(coarse, fine, _parents(coarse, fine)),
        nodes,
        box_rows,
        subsampled,
        nodes.matrix(coarse, subsampled),
        _seed_grid(coarse),
        _neighbours(coarse),
    )


def _parents(coarse: CellSet, fine: CellSet) -> IntArray:
    """The nearest coarse cell of the same face, if the face has any."""
    parent = np.zeros(len(fine), dtype=np.int64)
    for face in np.unique(fine.face):
        mine = np.flatnonzero(fine.face == face)
        base = np.flatnonzero(coarse.face == face)
        base = base if len(base) else np.arange(len(coarse))
        parent[mine] = base[cKDTree(coarse.centre_m[base]).query(fine.centre_m[mine])[1]]
    return parent


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


def _neighbours(cells: CellSet) -> tuple[IntArray, IntArray]:
    pairs = cKDTree(cells.centre_m).query_pairs(1.5 * cells.size_m, output_type="ndarray")
    both = np.concatenate([pairs, pairs[:, ::-1]])
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    start = np.searchsorted(both[:, 0], np.arange(len(cells) + 1))
    return start.astype(np.int64), both[:, 1].astype(np.int64)


def subset(cells: CellSet, index: IntArray) -> CellSet:
    return CellSet(
        cells.centre_m[index],
        cells.area_m2[index],
        cells.normal[index],
        cells.tangent[index],
        cells.face[index],
        cells.size_m,
    )
