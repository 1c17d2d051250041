"""The analytic part of a point source's field: the source and its mirror images in nearby faces.

A mesh cannot show 1/r near a source, nor its mirror image just behind a wall. Both are known in closed form, so
they are taken out and only the smooth rest is left to the mesh. Where two faces meet square, the mirror images
and their mirror images are exact. At an oblique edge (a slope's crease, the inner corner of an L) they are not:
there a few more images are placed behind the edge, and their strengths fitted so that least current crosses the
liner nearby (method of fundamental solutions). Any choice is right - the mesh takes what is left - but a good
one leaves little. All images are affine in the source's position, s_i = A_i s + c_i, which gives derivatives by
the position for free.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Liner within this distance takes part in the fit.
_FIT_REACH_m = 1.6
_RIDGE = 2e-3
# Edges that turn by less than this are left to the mesh (the facets of a curved wall).
_GENTLE_deg = 16.0
#: A quadrature point may fall on a source that lies on the liner: there its field is that of a point so far away.
LEAST_m = 1e-4
_FOUR_PI = 4 * math.pi


@dataclass(frozen=True)
class Edge:
    """An oblique edge between faces: line point (3,), unit direction (3,), stretch (low, high) along it, the
    in-face direction (3,) from which angles run through the water, its partner square to both, and the angle
    of the water in radians."""

    faces: tuple[int, int]
    point_m: FloatArray
    along: FloatArray
    stretch_m: tuple[float, float]
    zero: FloatArray
    quarter: FloatArray
    angle_rad: float


@dataclass(frozen=True)
class Faces:
    """The liner as plane faces: facet triangles (f, 3, 3), the face each belongs to (f,), and per face a unit
    outward normal (k, 3) and its offset (k,): normal . point = offset on the face."""

    triangles_m: FloatArray
    face_of: IntArray
    normal: FloatArray
    offset_m: FloatArray
    centre_m: FloatArray
    radius_m: FloatArray
    edges: tuple[Edge, ...]
    plates: Plates


@dataclass(frozen=True)
class Plates:
    """What the distance to a facet needs, worked out once. corner, side (f, 3, 3); the rest by facet."""

    corner_m: FloatArray
    side: FloatArray
    side2: FloatArray
    unit: FloatArray
    to_u: FloatArray
    to_v: FloatArray

    def distance(self, points_m: FloatArray, facet: IntArray) -> FloatArray:
        """Exact distance (n,) from points (n, 3) or one point (3,) to the facets (n,)."""
        side = self.side[facet]
        to_point = points_m[..., None, :] - self.corner_m[facet]
        along = np.einsum("fij,fij->fi", to_point, side)
        along /= self.side2[facet]
        np.clip(along, 0.0, 1.0, out=along)
        gap = to_point - along[..., None] * side
        rim2 = np.einsum("fij,fij->fi", gap, gap).min(axis=1)
        w = to_point[:, 0]
        s, t = np.einsum("fj,fj->f", w, self.to_u[facet]), np.einsum("fj,fj->f", w, self.to_v[facet])
        height = np.abs(np.einsum("fj,fj->f", w, self.unit[facet]))
        result: FloatArray = np.where((s >= 0) & (t >= 0) & (s + t <= 1), height, np.sqrt(rim2))
        return result


def plates_of(triangles_m: FloatArray) -> Plates:
    side = np.roll(triangles_m, -1, axis=1) - triangles_m
    u, v = side[:, 0], -side[:, 2]
    uu, vv, uv = (np.einsum("fj,fj->f", p, q)[:, None] for p, q in ((u, u), (v, v), (u, v)))
    det = uu * vv - uv * uv
    cross = np.cross(u, v)
    return Plates(
        triangles_m,
        side,
        np.einsum("fij,fij->fi", side, side),
        cross / np.linalg.norm(cross, axis=1, keepdims=True),
        (vv * u - uv * v) / det,
        (uu * v - uv * u) / det,
    )


def group_faces(triangles_m: FloatArray, normal: FloatArray) -> Faces:
    """Collect facets (f, 3, 3) with outward normals (f, 3) into faces: those in one plane. Finds oblique edges."""
    centre = triangles_m.mean(axis=1)
    offset = np.einsum("fj,fj->f", normal, centre)
    key = np.column_stack([np.round(normal, 3), np.round(offset, 3)]) + 0.0
    _, first, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
    face_of = inverse.reshape(-1).astype(np.int64)
    radius = np.linalg.norm(triangles_m - centre[:, None], axis=2).max(axis=1)
    edges = _oblique_edges(triangles_m, centre, face_of, normal[first])
    plates = plates_of(triangles_m)
    return Faces(triangles_m, face_of, normal[first], offset[first], centre, radius, edges, plates)


def _oblique_edges(
    triangles_m: FloatArray, centre: FloatArray, face_of: IntArray, normal: FloatArray
) -> tuple[Edge, ...]:
    ends = np.stack([triangles_m, np.roll(triangles_m, -1, axis=1)], axis=2).reshape(-1, 2, 3)
    rounded = np.round(ends, 5) + 0.0
    swap = np.array([tuple(a) > tuple(b) for a, b in rounded])
    rounded[swap] = rounded[swap][:, ::-1]
    owner = np.repeat(np.arange(len(triangles_m)), 3)
    order = np.lexsort(rounded.reshape(-1, 6).T)
    same = np.all(rounded[order[:-1]] == rounded[order[1:]], axis=(1, 2))
    found: dict[tuple[int, int, tuple[float, ...]], list[tuple[int, int, int]]] = {}
    for i, j in zip(order[:-1][same], order[1:][same], strict=True):
        f, g = int(face_of[owner[i]]), int(face_of[owner[j]])
        if f == g:
            continue
        turn = math.degrees(math.acos(float(np.clip(normal[f] @ normal[g], -1, 1))))
        valley = float((centre[owner[j]] - ends[i, 0]) @ normal[f]) < 0
        water = 180 - turn if valley else 180 + turn
        if turn < _GENTLE_deg or abs(water - 90) < 26:
            continue
        direction = rounded[i, 1] - rounded[i, 0]
        direction /= np.linalg.norm(direction)
        foot = rounded[i, 0] - (rounded[i, 0] @ direction) * direction
        if f > g:
            i, j, f, g = j, i, g, f
        key = (f, g, tuple(np.round(np.concatenate([direction, foot]), 3) + 0.0))
        found.setdefault(key, []).append((int(i), int(j), 1 if valley else -1))
    edges = []
    for (f, g, _), members in found.items():
        i, j, sense = members[0]
        a, b = rounded[i]
        along = (b - a) / np.linalg.norm(b - a)
        stretch = np.concatenate([(rounded[m] - a) @ along for m, _, _ in members])
        into_f = centre[owner[i]] - a
        zero = into_f - (into_f @ along) * along
        zero /= np.linalg.norm(zero)
        turn_rad = math.acos(float(np.clip(normal[f] @ normal[g], -1, 1)))
        angle = math.pi - turn_rad if sense > 0 else math.pi + turn_rad
        # From face f the angle runs into the water, against f's outward normal.
        edges.append(Edge((f, g), a, along, (float(stretch.min()), float(stretch.max())), zero, -normal[f], angle))
    return tuple(edges)


def nearest_m(point_m: FloatArray, faces: Faces, limit_m: float) -> tuple[FloatArray, IntArray]:
    """Exact distances to, and numbers of, the facets that can be nearer than `limit_m`."""
    gap = faces.centre_m - point_m
    close = np.flatnonzero(np.einsum("fj,fj->f", gap, gap) < (limit_m + faces.radius_m) ** 2)
    return faces.plates.distance(point_m, close), close


@dataclass(frozen=True)
class Images:
    """A source and its images: position (i, 3) = turn (i, 3, 3) @ source + shift, strength (i,); the source first."""

    position_m: FloatArray
    turn: FloatArray
    strength: FloatArray

    def moved(self, sources_m: FloatArray) -> FloatArray:
        """Where the images (s, i, 3) of other sources (s, 3) would be by the same mirrors and turns."""
        places: FloatArray = self.position_m + np.einsum("ijk,sk->sij", self.turn, sources_m - self.position_m[0])
        return places

    def minus(self, other: Images) -> Images:
        """This source and the other with its sign turned, all images together."""
        return Images(
            np.concatenate([self.position_m, other.position_m]),
            np.concatenate([self.turn, other.turn]),
            np.concatenate([self.strength, -other.strength]),
        )

    def potential(self, points_m: FloatArray, least_m: float = 0.0) -> FloatArray:
        """Sum (m,) of strength/(4 pi r) over all images, 1/m; r is at least `least_m`: infinite at the source for 0."""
        total = np.zeros(len(points_m))
        for part in _chunks(len(points_m)):
            with np.errstate(divide="ignore"):
                total[part] = (self.strength / _FOUR_PI) @ (
                    1.0 / np.sqrt(np.maximum(squared_distance(self.position_m, points_m[part]), least_m**2))
                )
        return total

    def source_gradient(self, points_m: FloatArray) -> FloatArray:
        """Derivative (m, 3) of `potential` by the source's position."""
        slope = np.zeros((len(points_m), 3))
        for part in _chunks(len(points_m)):
            points = points_m[part]
            r2 = squared_distance(self.position_m, points)
            with np.errstate(divide="ignore", invalid="ignore"):
                weight = (self.strength / _FOUR_PI)[:, None] / (r2 * np.sqrt(r2))
            for s, turn, w in zip(self.position_m, self.turn, weight, strict=True):
                slope[part] += (w[:, None] * (points - s)) @ turn
        return slope

    def outflow(self, points_m: FloatArray, area_normal: FloatArray) -> FloatArray:
        """Current (m,) leaving through surface elements with vector area (m, 3): -grad potential . area."""
        return (self.strength @ self.outflow_each(points_m, area_normal)) if len(points_m) else np.zeros(0)

    def outflow_each(
        self, points_m: FloatArray, area_normal: FloatArray, precision: type[np.floating[Any]] = np.float64
    ) -> FloatArray:
        """`outflow` of each image alone, strength 1: (i, m). Single precision is for points that no image is near."""
        # About the source, so that squares of small distances are not lost among large ones.
        places = (self.position_m - self.position_m[0]).astype(precision)
        points, normal = (points_m - self.position_m[0]).astype(precision), area_normal.astype(precision)
        result = np.empty((len(places), len(points)), precision)
        through = np.einsum("mj,mj->m", points, normal)
        for part in _chunks(len(points)):
            r2 = squared_distance(places, points[part])
            np.maximum(r2, precision(LEAST_m**2), out=r2)
            flow = through[part] - places @ normal[part].T
            flow /= r2
            flow /= np.sqrt(r2)
            result[:, part] = flow
        result /= precision(_FOUR_PI)
        return result

    def outflow_source_gradient(self, points_m: FloatArray, area_normal: FloatArray) -> FloatArray:
        """Derivative (m, 3) of `outflow` by the source's position."""
        slope = np.zeros((len(points_m), 3))
        for s, turn, q in zip(self.position_m, self.turn, self.strength, strict=True):
            d = points_m - s
            r2 = np.maximum(np.einsum("mj,mj->m", d, d), LEAST_m**2)
            r3 = r2 * np.sqrt(r2)
            through = 3 * np.einsum("mj,mj->m", d, area_normal) / (r3 * r2)
            slope += (through[:, None] * d - area_normal / r3[:, None]) @ (q * turn)
        return slope / _FOUR_PI

    def mean_moment(self, points_m: FloatArray, area_normal: FloatArray) -> float:
        """Volume integral of `potential` from a closed surface: div(grad r) = 2/r, so 1/(8 pi) sum d.n/r."""
        r = np.sqrt(np.maximum(squared_distance(self.position_m, points_m), 1e-24))
        flow = np.einsum("mj,mj->m", points_m, area_normal) - self.position_m @ area_normal.T
        return float(self.strength @ (flow / r).sum(axis=1)) / (2 * _FOUR_PI)

    def mean_moment_source_gradient(self, points_m: FloatArray, area_normal: FloatArray) -> FloatArray:
        slope = np.zeros(3)
        for s, turn, q in zip(self.position_m, self.turn, self.strength, strict=True):
            d = points_m - s
            r = np.maximum(np.sqrt(np.einsum("mj,mj->m", d, d)), 1e-12)
            through = np.einsum("mj,mj->m", d, area_normal) / r**3
            slope += (through[:, None] * d - area_normal / r[:, None]).sum(axis=0) @ (q * turn)
        return slope / (2 * _FOUR_PI)


def squared_distance(places_m: FloatArray, points_m: FloatArray) -> FloatArray:
    """(i, m) squared distances, by the expanded square about the first place, so that little is lost near it."""
    p, s = points_m - places_m[0], places_m - places_m[0]
    r2: FloatArray = (s * s.dtype.type(-2.0)) @ p.T
    r2 += np.einsum("mj,mj->m", p, p)
    r2 += np.einsum("ij,ij->i", s, s)[:, None]
    return np.maximum(r2, 0.0, out=r2)


def _chunks(count: int, size: int = 4096) -> list[slice]:
    """Pieces that keep the work in the processor's cache."""
    return [slice(start, start + size) for start in range(0, count, size)]


@dataclass(frozen=True)
class Candidates:
    """Images before their strengths are known: `column` (i,) says which images share one strength; column 0 is
    the source itself with all that belongs to it, of strength 1."""

    images: Images
    column: IntArray
    mirror: BoolArray  # (columns,) whether a column is a plain mirror image

    @property
    def needs_fit(self) -> bool:
        return bool(self.column.max() > 0)

    def fitted(self, points_m: FloatArray, area_normal: FloatArray) -> Images:
        """Strengths by least squares of the current density through liner elements near the source; the images as they
        are where none is to be fitted."""
        if not self.needs_fit:
            return self.images
        near = self._near(points_m)
        points, area = points_m[near], area_normal[near]
        return self._fit(self.images.outflow_each(points, area), area)

    def fitted_from(self, each: FloatArray, points_m: FloatArray, area_normal: FloatArray) -> Images:
        """The same where `outflow_each` (i, m) is known."""
        if not self.needs_fit:
            return self.images
        near = np.flatnonzero(self._near(points_m))
        return self._fit(each[:, near], area_normal[near])

    def _near(self, points_m: FloatArray) -> BoolArray:
        gap = points_m - self.images.position_m[0]
        near: BoolArray = np.einsum("mj,mj->m", gap, gap) < _FIT_REACH_m**2
        return near

    def _fit(self, each: FloatArray, area: FloatArray) -> Images:
        one = self.images
        count = int(self.column.max()) + 1
        member = (self.column[None] == np.arange(count)[:, None]).astype(float)
        # Outflow is density x area: dividing by the root of the area makes the sum of squares an integral.
        columns = (member @ each) / np.sqrt(np.linalg.norm(area, axis=1))
        # A ridge toward the plain mirror images keeps strengths small: large ones of opposite sign would fit the
        # liner nearby and spoil it farther away.
        usual = np.where(self.mirror[1:], 1.0, 0.0)
        normal = columns[1:] @ columns[1:].T
        right = -columns[1:] @ columns[0]
        ridge = _RIDGE * np.diag(normal)
        strength = np.linalg.solve(normal + np.diag(ridge), right + ridge * usual)
        strength = np.concatenate([[1.0], strength])
        return Images(one.position_m, one.turn, strength[self.column].astype(np.float64))
