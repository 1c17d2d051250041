"""Finite-element field for pools of any shape: quadratic tetrahedra for the smooth part, images for the rest.

With G(., y) = S_y + w_y, S_y from `images`, the rest w_y solves  -laplace w = -1/V in the water with
-dw/dn = dS_y/dn on the liner (the water surface is taken care of by mirroring everything in it). The stiffness
matrix is factored once; a new source or pair costs one right-hand side and one back-substitution.

Two ways to read a value:
- one-sided, S_y(x) + w_y(x): cheap for thousands of places x; error of order h^3;
- two-sided, through Green's identity, G(x, y) = S_y(x) - int S_x dS_y/dn - mean S_x - mean S_y + b_y . K^-1 b_x:
  symmetric in x and y to rounding, and its error is the product of two errors; for few points.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csc_matrix, csr_matrix
from scipy.sparse.linalg import splu

from earthward.pool import cache
from earthward.pool.images import Candidates, Faces, Images, LEAST_m, group_faces, squared_distance
from earthward.pool.mesh import WaterMesh, locate, water_mesh
from earthward.pool.reflect import images_of
from earthward.pool.rows import PairRow, RecentRows, row_key
from earthward.pool.shape import Pool

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_VERSION = 2
# Edges of a tet in the order of our edge unknowns.
_TET_EDGES = ((0, 1), (1, 2), (0, 2), (0, 3), (1, 3), (2, 3))
_TRIANGLE_EDGES = ((0, 1), (1, 2), (0, 2))

# Dunavant (1985) 7-point rule on a triangle, exact to degree 5: barycentric coordinates and weights.
_A, _B = (6 - math.sqrt(15)) / 21, (6 + math.sqrt(15)) / 21
_NODES = np.array(
    [
        [1 / 3, 1 / 3, 1 / 3],
        *([1 - 2 * _A, _A, _A], [_A, 1 - 2 * _A, _A], [_A, _A, 1 - 2 * _A]),
        *([1 - 2 * _B, _B, _B], [_B, 1 - 2 * _B, _B], [_B, _B, 1 - 2 * _B]),
    ]
)
_WEIGHTS = np.array([9 / 40] + [(155 - math.sqrt(15)) / 1200] * 3 + [(155 + math.sqrt(15)) / 1200] * 3)


# The four parts of a triangle cut at its edges' middles, as barycentric corners.
_QUARTERS = np.array(
    [
        [[1, 0, 0], [0.5, 0.5, 0], [0.5, 0, 0.5]],
        [[0.5, 0.5, 0], [0, 1, 0], [0, 0.5, 0.5]],
        [[0.5, 0, 0.5], [0, 0.5, 0.5], [0, 0, 1]],
        [[0.5, 0.5, 0], [0, 0.5, 0.5], [0.5, 0, 0.5]],
    ]
)
# A part is small enough when its longest side is below this many times its distance to the nearest image.
_FINENESS = 0.8
_DEEPEST_CUT = 11


def _quadratic(bary: FloatArray, edges: tuple[tuple[int, int], ...]) -> FloatArray:
    """Quadratic shape functions (m, vertices + edges) at barycentric coordinates (m, vertices)."""
    corner = bary * (2 * bary - 1)
    middle = np.column_stack([4 * bary[:, i] * bary[:, j] for i, j in edges])
    return np.column_stack([corner, middle])


@dataclass(frozen=True)
class _Rule:
    """Quadrature on liner facets: points (q, 3), vector areas (q, 3). The first of them are those points of the
    standing rule that count (`kept`, indices into it); the rest are finer cuts, by facet (r,) with their shape
    functions (r, 6)."""

    points_m: FloatArray
    area: FloatArray
    kept: IntArray
    facet: IntArray
    shape: FloatArray


@dataclass(frozen=True)
class _Solution:
    """One source solved: its images and the smooth part at all unknowns (zero mean of the whole)."""

    images: Images
    load: FloatArray  # liner flux moments b, without the uniform return current
    rest: FloatArray  # K^-1 (b - m/V), zero mean over the water
    mean_S: float


class FiniteElementField:
    """`Field` (see `earthward.pool.field`) of any pool."""

    def __init__(self, pool: Pool, size_m: float = 0.46, layers: int = 4, cache_dir: str | None = None) -> None:
        self._pool = pool
        self.size_m, self.layers = size_m, layers
        key = _content_key(pool, size_m, layers)
        stored = cache.load(cache_dir, key) if cache_dir else None
        self.from_cache = stored is not None
        if stored is None:
            stored = _prepare(pool, size_m, layers)
            if cache_dir:
                cache.store(cache_dir, key, stored)
        self._unpack(stored)
        self._rows = RecentRows()
        self._solutions: dict[bytes, _Solution] = {}
        self._targets: tuple[bytes, csr_matrix] | None = None

    @property
    def pool(self) -> Pool:
        return self._pool

    @property
    def unknowns(self) -> int:
        return self._count

    # --- Field -------------------------------------------------------------------------------------------

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        points = np.atleast_2d(np.asarray(points_m, dtype=float))
        solution = self._solve(np.asarray(source_m, dtype=float))
        smooth: FloatArray = self._interpolation(points) @ solution.rest
        return solution.images.potential(points) + smooth - solution.mean_S

    def potentials(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        """G (s, m) at points (m, 3) of several sources (s, 3) near each other: one quadrature, one block of columns.

        The first source's images serve all, moved with each; beside an oblique edge, or where one would then fall into
        the water, each source gets its own.
        """
        first = images_of(self._pool, self._faces, sources_m[0])
        places = first.images.moved(sources_m)
        own = self._pool.contains(places[:, 1:].reshape(-1, 3), slack_m=-1e-6).reshape(len(sources_m), -1)
        # The mirror in the surface lies at depth -z: never in the water.
        found = (
            [images_of(self._pool, self._faces, source) for source in sources_m]
            if own.any() or first.needs_fit
            else [replace(first, images=replace(first.images, position_m=place)) for place in places]
        )
        rule = self._rule(np.concatenate([c.images.position_m for c in found]))
        images, flows = zip(*(self._flow(one, rule) for one in found), strict=True)
        loads = np.column_stack([self._moments(rule, flow) for flow in flows]) - self._mass[:, None] / self.volume_m3
        smooth = self._interpolation(np.ascontiguousarray(points_m)) @ self._lightly(loads)
        return np.stack([one.potential(points_m) + smooth[:, k] - self._mean(one) for k, one in enumerate(images)])

    def pair_row(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> FloatArray:
        key = row_key("row", front_m, back_m, targets_m)
        found = self._rows.get(key)
        if found is None:
            found = self._rows.put(key, self._pair_row(front_m, back_m, targets_m))
        assert isinstance(found, np.ndarray)
        return found

    def _pair_row(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> FloatArray:
        ends, rule = self._pair_candidates(front_m, back_m)
        (front, out_front), (back, out_back) = (self._flow(end, rule) for end in ends)
        both = front.minus(back)
        rest = self._lightly(self._moments(rule, out_front - out_back))
        smooth: FloatArray = self._interpolation(targets_m) @ rest
        return both.potential(targets_m) + smooth - self._mean(both)

    def pair_row_derivatives(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> PairRow:
        key = row_key("derivatives", front_m, back_m, targets_m)
        found = self._rows.get(key)
        if found is None:
            found = self._rows.put(key, self._pair_row_derivatives(front_m, back_m, targets_m))
        assert isinstance(found, PairRow)
        return found

    def _pair_row_derivatives(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> PairRow:
        """Row and derivatives: seven columns in one back-substitution.

        Fitted image strengths are held: the sum of analytic and smooth part does not depend on them.
        """
        front, back, rule = self._analytic_pair(front_m, back_m)
        loads = [self._load_with_gradient(images, rule) for images in (front, back)]
        columns = np.column_stack([loads[0][:, 0] - loads[1][:, 0], loads[0][:, 1:], -loads[1][:, 1:]])
        smooth: FloatArray = self._interpolation(targets_m) @ self._lightly(columns)
        value = front.potential(targets_m) - back.potential(targets_m) + smooth[:, 0]
        value -= self._mean(front) - self._mean(back)
        slopes = []
        for images in (front, back):
            shift = images.mean_moment_source_gradient(self._closed_points, self._closed_area) / self.volume_m3
            slopes.append(images.source_gradient(targets_m) - shift)
        return PairRow(value, slopes[0] + smooth[:, 1:4], -slopes[1] + smooth[:, 4:7])

    def pair_difference(self, front_m: ArrayLike, back_m: ArrayLike, source_m: ArrayLike) -> float:
        pair = np.array([np.asarray(front_m, dtype=float), np.asarray(back_m, dtype=float)])
        value = self.mutual(pair, np.asarray(source_m, dtype=float)[None])[:, 0]
        return float(value[1] - value[0])

    def mutual(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        """G (p, s), two-sided: symmetric in points and sources to rounding. Solves once per source."""
        sources = [self._solve(s) for s in sources_m]
        result = np.empty((len(points_m), len(sources_m)))
        for i, point in enumerate(points_m):
            here, own_rule = self._analytic(point)
            load = self._load(here, own_rule)
            for j, there in enumerate(sources):
                # One quadrature fine enough for both sides keeps the exchange exact.
                rule = self._rule(np.concatenate([here.position_m, there.images.position_m]))
                flow_here = here.outflow(rule.points_m, rule.area)
                flow_there = there.images.outflow(rule.points_m, rule.area)
                crossed = here.potential(rule.points_m, LEAST_m) @ flow_there
                crossed += there.images.potential(rule.points_m, LEAST_m) @ flow_here
                direct = here.potential(sources_m[j : j + 1])[0] + there.images.potential(point[None])[0]
                result[i, j] = 0.5 * (direct + crossed) - self._mean(here) - there.mean_S + load @ there.rest
        return result

    # --- one source --------------------------------------------------------------------------------------

    def _analytic(self, source_m: FloatArray) -> tuple[Images, _Rule]:
        """The images of a source, strengths fitted where need be, and a quadrature that resolves their fields."""
        candidates = images_of(self._pool, self._faces, source_m)
        rule = self._rule(candidates.images.position_m)
        return candidates.fitted(rule.points_m, rule.area), rule

    def _pair_candidates(self, front_m: ArrayLike, back_m: ArrayLike) -> tuple[list[Candidates], _Rule]:
        """The images of both ends and one quadrature that resolves them all: the ends share most of the liner."""
        ends = [images_of(self._pool, self._faces, np.asarray(p, dtype=float)) for p in (front_m, back_m)]
        return ends, self._rule(np.concatenate([e.images.position_m for e in ends]))

    def _analytic_pair(self, front_m: ArrayLike, back_m: ArrayLike) -> tuple[Images, Images, _Rule]:
        ends, rule = self._pair_candidates(front_m, back_m)
        front, back = (e.fitted(rule.points_m, rule.area) for e in ends)
        return front, back, rule

    def _flow(self, candidates: Candidates, rule: _Rule) -> tuple[Images, FloatArray]:
        """The images of a source, strengths fitted, and their outflow (q,) through the quadrature's elements; each
        image's own is worked out once for both. What was left uncut is far from every image: single precision."""
        one, far = candidates.images, len(rule.kept)
        each = np.empty((len(one.strength), len(rule.points_m)))
        each[:, :far] = one.outflow_each(rule.points_m[:far], rule.area[:far], np.float32)
        each[:, far:] = one.outflow_each(rule.points_m[far:], rule.area[far:])
        images = candidates.fitted_from(each, rule.points_m, rule.area)
        return images, images.strength @ each

    def _solve(self, source_m: FloatArray) -> _Solution:
        key = source_m.tobytes()
        found = self._solutions.pop(key, None)
        if found is None:
            images, rule = self._analytic(source_m)
            load = self._load(images, rule)
            rest = self._back_substitute(load - self._mass / self.volume_m3)
            found = _Solution(images, load, rest, self._mean(images))
            while len(self._solutions) >= 64:
                self._solutions.pop(next(iter(self._solutions)))
        self._solutions[key] = found
        return found

    def _mean(self, images: Images) -> float:
        return images.mean_moment(self._closed_points, self._closed_area) / self.volume_m3

    def _load(self, images: Images, rule: _Rule) -> FloatArray:
        return self._moments(rule, images.outflow(rule.points_m, rule.area))

    def _load_with_gradient(self, images: Images, rule: _Rule) -> FloatArray:
        value = images.outflow(rule.points_m, rule.area)
        slope = images.outflow_source_gradient(rule.points_m, rule.area)
        return np.column_stack([self._moments(rule, v) for v in (value, *slope.T)])

    def _moments(self, rule: _Rule, flux: FloatArray) -> FloatArray:
        """Integrals of flux against the shape functions: (n,)."""
        standing = np.zeros(self._standing.shape[1])
        standing[rule.kept] = flux[: len(rule.kept)]
        moments = np.asarray(self._standing @ standing, dtype=np.float64)
        if rule.facet.size:
            spread = rule.shape * flux[len(rule.kept) :, None]
            dofs = self._facet_dofs[rule.facet]
            moments += np.bincount(dofs.ravel(), weights=spread.ravel(), minlength=self._count)
        return moments

    def _rule(self, places: FloatArray) -> _Rule:
        """The standing quadrature, with facets near any of the places (i, 3) cut finer and finer toward it."""
        reach = self._facet_side * (1 / _FINENESS + 0.5)
        near = squared_distance(places, self._facet_centre).min(axis=0) < reach**2
        if not near.any():
            return self._base_rule
        base = self._base_rule
        facet = np.flatnonzero(near)
        # The three corners of each part: as shares of its facet's corners, and in space.
        bary = np.broadcast_to(np.eye(3), (len(facet), 3, 3))
        corners = self._faces.triangles_m[facet]
        side = self._facet_side[facet]
        done_facet, done_bary, done_weight = [], [], []
        for cut in range(_DEEPEST_CUT + 1):
            gap = np.sqrt(squared_distance(places, corners.mean(axis=1)).min(axis=0))
            coarse = side > _FINENESS * np.maximum(gap - 0.5 * side, 0.0)
            if cut == _DEEPEST_CUT:
                coarse[:] = False
            fine = ~coarse
            done_facet.append(facet[fine])
            done_bary.append(bary[fine])
            done_weight.append(np.full(len(done_facet[-1]), 0.25**cut))
            if len(done_facet[-1]) == len(facet):
                break
            bary = (_QUARTERS @ bary[coarse][:, None]).reshape(-1, 3, 3)
            corners = (_QUARTERS @ corners[coarse][:, None]).reshape(-1, 3, 3)
            facet, side = np.repeat(facet[coarse], 4), np.repeat(0.5 * side[coarse], 4)
        facet, weight = np.concatenate(done_facet), np.concatenate(done_weight)
        nodes = _NODES @ np.concatenate(done_bary)
        points = (nodes @ self._faces.triangles_m[facet]).reshape(-1, 3)
        vector = ((weight[:, None] * _WEIGHTS)[..., None] * self._facet_area[facet][:, None, :]).reshape(-1, 3)
        keep = np.flatnonzero(np.repeat(~near, len(_NODES)))
        return _Rule(
            np.concatenate([base.points_m[keep], points]),
            np.concatenate([base.area[keep], vector]),
            keep,
            np.repeat(facet, len(_NODES)),
            _quadratic(nodes.reshape(-1, 3), _TRIANGLE_EDGES),
        )

    # --- matrices ----------------------------------------------------------------------------------------

    def _back_substitute(self, load: FloatArray) -> FloatArray:
        """K^-1 load (n,) or (n, k) for loads that sum to zero; the answer has zero mean over the water."""
        return self._substitute(load, self._lower, self._pivots)

    def _lightly(self, load: FloatArray) -> FloatArray:
        """The same in single precision, for rows of the dictionary: memory traffic is what a solve costs, and 1e-6 of
        the smooth part is nothing beside the mesh's own error."""
        return self._substitute(load, self._light, self._light_pivots)

    def _substitute(self, load: FloatArray, lower: Any, pivots: NDArray[Any]) -> FloatArray:
        columns = load.reshape(self._count, -1)
        # What quadrature leaves unbalanced is spread over the water: no current is lost or made.
        columns = columns - np.outer(self._mass, columns.sum(axis=0) / self.volume_m3)
        permuted = np.empty((self._count - 1, columns.shape[1]), pivots.dtype)
        permuted[self._order] = columns[1:]
        half = lower.solve(permuted) / pivots[:, None]
        answer = np.zeros_like(columns)
        answer[1:] = lower.solve(half, trans="T")[self._order]
        answer -= self._mass @ answer / self.volume_m3
        return answer.reshape(load.shape)

    def _interpolation(self, points_m: FloatArray) -> csr_matrix:
        points = np.ascontiguousarray(points_m, dtype=float)
        key = hashlib.blake2b(points.tobytes(), digest_size=16).digest()
        if self._targets is None or self._targets[0] != key:
            tet, bary = locate(self._mesh, points)
            value = _quadratic(bary, _TET_EDGES)
            start = np.arange(0, 10 * len(points) + 1, 10)
            matrix = csr_matrix((value.ravel(), self._dofs[tet].ravel(), start), shape=(len(points), self._count))
            if len(points) < 200:
                return matrix
            self._targets = (key, matrix)
        return self._targets[1]

    # --- stored state ------------------------------------------------------------------------------------

    def _unpack(self, stored: cache.Arrays) -> None:
        def real(name: str) -> FloatArray:
            return np.asarray(stored[name], dtype=np.float64)

        def whole(name: str) -> IntArray:
            return np.asarray(stored[name], dtype=np.int64)

        self._mesh = WaterMesh(
            real("points"), whole("tets"), real("plan"), whole("triangles"), real("levels"), whole("layers_wet"),
            whole("point_of"), whole("tet_of"),
        )  # fmt: skip
        self._dofs = whole("dofs")
        self._mass = real("mass")
        self._count = len(self._mass)
        self.volume_m3 = float(self._mass.sum())
        self._facet_dofs = whole("facet_dofs")
        self._facet_area = real("facet_area")
        self._faces: Faces = group_faces(real("facet_corners"), _unit(self._facet_area))
        corners = self._faces.triangles_m
        self._facet_centre = corners.mean(axis=1)
        self._facet_side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        self._base_rule, shape = _standing_rule(corners, self._facet_area)
        count = len(self._base_rule.points_m)
        rows = np.repeat(self._facet_dofs, len(_NODES), axis=0)
        self._standing = csr_matrix(
            (shape.ravel(), (rows.ravel(), np.repeat(np.arange(count), rows.shape[1]))), shape=(self._count, count)
        )
        lid_corners, lid_area = real("lid_corners"), real("lid_area")
        # The mean only sets the common constant, which no voltage depends on: one point per facet will do.
        self._closed_points = np.concatenate([self._facet_centre, lid_corners.mean(axis=1)])
        self._closed_area = np.concatenate([self._facet_area, lid_area])
        n = self._count - 1
        lower = csc_matrix(
            (real("l_data"), np.asarray(stored["l_indices"], np.int32), np.asarray(stored["l_indptr"], np.int32)),
            shape=(n, n),
        )
        self._pivots, self._order = real("pivots"), whole("order")
        self._light_pivots = self._pivots.astype(np.float32)
        self._lower, self._light = _triangular(lower), _triangular(lower.astype(np.float32))


def _triangular(lower: csc_matrix) -> Any:
    """A compiled, blocked triangular solve: to "factor" a triangular matrix is only bookkeeping."""
    return splu(lower, permc_spec="NATURAL", diag_pivot_thresh=0.0, options={"SymmetricMode": True, "Equil": False})


def _standing_rule(corners: FloatArray, area: FloatArray) -> tuple[_Rule, FloatArray]:
    """The rule on all facets uncut, and its shape functions (q, 6)."""
    points = np.einsum("qc,fcj->fqj", _NODES, corners).reshape(-1, 3)
    vector = (_WEIGHTS[None, :, None] * area[:, None, :]).reshape(-1, 3)
    none = np.zeros(0, dtype=np.int64)
    rule = _Rule(points, vector, np.arange(len(points)), none, np.zeros((0, 6)))
    return rule, np.tile(_quadratic(_NODES, _TRIANGLE_EDGES), (len(corners), 1))


def _unit(vectors: FloatArray) -> FloatArray:
    result: FloatArray = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    return result


def _content_key(pool: Pool, size_m: float, layers: int) -> str:
    """Hash of all that the mesh and its matrix depend on (not of water, sources or fittings)."""
    text = repr((_VERSION, pool.outline_m, pool.floor, pool.steps, size_m, layers))
    return "field-" + hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def _prepare(pool: Pool, size_m: float, layers: int) -> cache.Arrays:
    """Mesh the water, assemble the stiffness matrix, factor it. Everything needed later, as arrays."""
    # Imported here: a start from the cache does not need it.
    from skfem import Basis, ElementTetP2, MeshTet
    from skfem.models.poisson import laplace, mass

    mesh = water_mesh(pool, size_m, layers)
    basis = Basis(MeshTet(np.ascontiguousarray(mesh.points_m.T), np.ascontiguousarray(mesh.tets.T)), ElementTetP2())
    dofs = _our_order(basis, mesh)
    stiffness = csc_matrix(laplace.assemble(basis))
    volume_moments = np.asarray(mass.assemble(basis) @ np.ones(basis.N), dtype=float)

    facets, owner = _boundary(mesh.tets)
    corners = mesh.points_m[facets]
    area = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    inner = mesh.points_m[mesh.tets[owner]].mean(axis=1)
    area[np.einsum("fj,fj->f", area, corners.mean(axis=1) - inner) < 0] *= -1
    lid = np.all(corners[:, :, 2] == 0.0, axis=1)
    facet_dofs = _facet_unknowns(mesh.tets, dofs, facets[~lid], owner[~lid])

    # Unknown 0 is grounded: a Neumann problem fixes the potential only up to a constant.
    factor = splu(
        stiffness[1:, 1:].tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )
    if not np.array_equal(factor.perm_r, factor.perm_c):
        raise ArithmeticError("the factorisation swapped rows: the mesh is degenerate")
    lower = factor.L.tocsc()
    return {
        "points": mesh.points_m, "tets": mesh.tets.astype(np.int32), "plan": mesh.plan_m,
        "triangles": mesh.triangles, "levels": mesh.levels_m, "layers_wet": mesh.layers_wet,
        "point_of": mesh.point_of, "tet_of": mesh.tet_of, "dofs": dofs.astype(np.int32), "mass": volume_moments,
        "facet_dofs": facet_dofs, "facet_area": area[~lid], "facet_corners": corners[~lid],
        "lid_corners": corners[lid], "lid_area": area[lid],
        "l_data": lower.data, "l_indices": lower.indices, "l_indptr": lower.indptr,
        "pivots": factor.U.diagonal(), "order": factor.perm_c.astype(np.int64),
    }  # fmt: skip


def _our_order(basis: Any, mesh: WaterMesh) -> IntArray:
    """Unknowns (t, 10) of each tet: its corners, then its edges in the order of `_TET_EDGES`."""
    theirs = np.asarray(basis.element_dofs, dtype=np.int64).T
    places = np.asarray(basis.doflocs, dtype=float).T
    corners = mesh.points_m[mesh.tets[0]]
    wanted = np.concatenate([corners, [(corners[i] + corners[j]) / 2 for i, j in _TET_EDGES]])
    gap = np.linalg.norm(wanted[:, None] - places[theirs[0]][None], axis=2)
    ours = theirs[:, np.argmin(gap, axis=1)]
    middle = np.stack([mesh.points_m[mesh.tets[:, [i, j]]].mean(axis=1) for i, j in _TET_EDGES], axis=1)
    if not np.allclose(places[ours[:, 4:]], middle, atol=1e-9):
        raise ArithmeticError("the element library numbers its unknowns in an unexpected way")
    return ours


def _boundary(tets: IntArray) -> tuple[IntArray, IntArray]:
    """Facets (f, 3) that belong to one tet only, and that tet (f,)."""
    facets = np.concatenate([tets[:, [1, 2, 3]], tets[:, [0, 2, 3]], tets[:, [0, 1, 3]], tets[:, [0, 1, 2]]])
    owner = np.tile(np.arange(len(tets)), 4)
    _, first, count = np.unique(np.sort(facets, axis=1), axis=0, return_index=True, return_counts=True)
    single = first[count == 1]
    return facets[single], owner[single]


def _facet_unknowns(tets: IntArray, dofs: IntArray, facets: IntArray, owner: IntArray) -> IntArray:
    """Unknowns (f, 6) of each facet: its corners, then its edges in the order of `_TRIANGLE_EDGES`."""
    local = np.argmax(tets[owner][:, None, :] == facets[:, :, None], axis=2)
    edge_at = np.zeros((4, 4), dtype=np.int64)
    for n, (i, j) in enumerate(_TET_EDGES):
        edge_at[i, j] = edge_at[j, i] = 4 + n
    rows = dofs[owner]
    corner = np.take_along_axis(rows, local, axis=1)
    edge = np.column_stack([edge_at[local[:, i], local[:, j]] for i, j in _TRIANGLE_EDGES])
    return np.concatenate([corner, np.take_along_axis(rows, edge, axis=1)], axis=1)
