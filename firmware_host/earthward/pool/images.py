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

from earthward.pool.shape import Pool

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Faces nearer than this get an image.
IMAGE_REACH_m = 0.8
#: Oblique edges nearer than this get fitted images.
EDGE_REACH_m = 0.8
# Liner within this distance takes part in the fit.
_FIT_REACH_m = 1.6
_RIDGE = 2e-3
# Two faces share the full set of images only if they stand nearly square to each other.
_SQUARE = 0.45
# How near water may be to an image, in units of the source's distance to the face.
_CLEAR = 0.85
# The same for images behind an oblique edge, in units of the source's distance to the edge.
_EDGE_CLEAR = 0.35
# Edges that turn by less than this are left to the mesh (the facets of a curved wall).
_GENTLE_deg = 16.0
# Nearer than this the source is on the face and its image in it is itself.
_ON_FACE_m = 2e-3
_OFF_EDGE_m = 4e-3
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


@dataclass
class _Motion:
    """An affine map of the source's position."""

    turn: FloatArray
    shift: FloatArray

    def __call__(self, point_m: FloatArray) -> FloatArray:
        result: FloatArray = self.turn @ point_m + self.shift
        return result

    def then(self, other: _Motion) -> _Motion:
        return _Motion(other.turn @ self.turn, other.turn @ self.shift + other.shift)


def _mirror(normal: FloatArray, offset_m: float) -> _Motion:
    return _Motion(np.eye(3) - 2 * np.outer(normal, normal), 2 * offset_m * normal)


def _rotation(point_m: FloatArray, along: FloatArray, angle_rad: float) -> _Motion:
    cross = np.array([[0, -along[2], along[1]], [along[2], 0, -along[0]], [-along[1], along[0], 0]])
    turn = np.eye(3) + math.sin(angle_rad) * cross + (1 - math.cos(angle_rad)) * (cross @ cross)
    return _Motion(turn, point_m - turn @ point_m)


def images_of(pool: Pool, faces: Faces, source_m: FloatArray, reach_m: float = IMAGE_REACH_m) -> Candidates:
    """Choose faces near the source and reflect it in them, in their combinations, and all in the water surface.

    A face is left out when it stands oblique to a nearer one (its image would count the same wall twice), when
    it faces one already taken (the series would not end), or when an image would fall into or too near the
    water. Oblique edges nearby add images whose strengths are to be fitted.
    """
    near_edges = [e for e in faces.edges if _edge_distance_m(e, source_m) < EDGE_REACH_m + 2 * _OFF_EDGE_m]
    for edge in near_edges:
        source_m = _off_the_edge(edge, source_m)
    facet_distance, close = nearest_m(source_m, faces, reach_m)
    distance = np.full(len(faces.normal), np.inf)
    np.minimum.at(distance, faces.face_of[close], facet_distance)
    edges = [e for e in near_edges if _edge_distance_m(e, source_m) < EDGE_REACH_m]
    oblique = {face for e in edges for face in e.faces}

    fixed = [_Motion(np.eye(3), np.zeros(3))]
    square_to: list[int] = []
    loose: list[tuple[int, list[_Motion]]] = []
    inward = source_m.copy()
    taken = 0
    for face in np.argsort(distance, kind="stable"):
        if distance[face] > reach_m or taken == 3:
            break
        n, offset = faces.normal[face], float(faces.offset_m[face])
        others = square_to + [f for f, _ in loose]
        if any(abs(float(n @ faces.normal[other])) > _SQUARE for other in others):
            continue
        if float(n @ source_m) - offset > 1e-3:
            continue  # behind the face's plane: around a corner
        mirror = _mirror(n, offset)
        more = [m.then(mirror) for m in fixed]
        # Images of a source on the liner lie on the liner too: test those of a point pushed a millimetre inward.
        probe = inward - n * max(0.0, 1e-3 - (offset - float(n @ inward)))
        own = float(distance[face])
        landed = np.array([m(probe) for m in more])
        if pool.contains(landed, slack_m=-1e-6).any():
            continue
        # An image that sees water around a corner nearer than through its own face would do more harm than good.
        if own > 1e-3 and _see_water(landed, faces, np.full(len(landed), _CLEAR * own)).any():
            continue
        inward = probe
        taken += 1
        if int(face) in oblique and own > _ON_FACE_m:
            loose.append((int(face), more))
        else:
            square_to.append(int(face))
            fixed += more
            for _, motions in loose:
                motions += [m.then(mirror) for m in motions]
    columns = [fixed, *(motions for _, motions in loose)]
    groups, clear = [], []
    for edge in edges:
        mirrors = [
            _mirror(faces.normal[f], float(faces.offset_m[f]))
            for f in square_to
            if f not in edge.faces and all(abs(float(faces.normal[f] @ faces.normal[g])) < _SQUARE for g in edge.faces)
        ]
        for motion in _edge_motions(edge, faces, source_m, {f for f, _ in loose}):
            copies = [motion]
            for mirror in mirrors:
                copies += [m.then(mirror) for m in copies]
            groups.append(copies)
            clear.append(_EDGE_CLEAR * _edge_distance_m(edge, source_m))
    if groups:
        landed = np.array([m(inward) for copies in groups for m in copies])
        sizes = [len(copies) for copies in groups]
        wet = pool.contains(landed, slack_m=0.005) | _see_water(landed, faces, np.repeat(clear, sizes))
        for copies, part in zip(groups, np.split(wet, np.cumsum(sizes)[:-1]), strict=True):
            if not part.any():
                columns.append(copies)
    motions = [m for column in columns for m in column]
    column = np.repeat(np.arange(len(columns)), [len(c) for c in columns])
    turn = np.array([m.turn for m in motions])
    position = np.array([m(source_m) for m in motions])
    lid = np.array([1.0, 1.0, -1.0])
    return Candidates(
        Images(
            np.concatenate([position, position * lid]),
            np.concatenate([turn, lid[:, None] * turn]),
            np.ones(2 * len(motions)),
        ),
        np.concatenate([column, column]).astype(np.int64),
        np.arange(len(columns)) <= len(loose),
    )


def _see_water(places_m: FloatArray, faces: Faces, limit_m: FloatArray) -> BoolArray:
    """Which of the places (n, 3) are nearer to the liner than their limits (n,)."""
    reach = limit_m[:, None] + faces.radius_m
    place, facet = np.nonzero(squared_distance(places_m, faces.centre_m) < reach * reach)
    result = np.zeros(len(places_m), dtype=bool)
    result[place[faces.plates.distance(places_m[place], facet) < limit_m[place]]] = True
    return result


def _off_the_edge(edge: Edge, point_m: FloatArray) -> FloatArray:
    """Move a point that lies on an oblique edge a few millimetres into the water: on the edge itself the share of
    space that is water is neither a whole nor a half, and no mirror image makes it whole."""
    if _edge_distance_m(edge, point_m) > _OFF_EDGE_m:
        return point_m
    half = edge.angle_rad / 2
    inward = math.cos(half) * edge.zero + math.sin(half) * edge.quarter
    moved: FloatArray = point_m + (_OFF_EDGE_m + _ON_FACE_m) * inward
    return moved


def _edge_distance_m(edge: Edge, point_m: FloatArray) -> float:
    offset = point_m - edge.point_m
    along = float(offset @ edge.along)
    beyond = max(0.0, edge.stretch_m[0] - along, along - edge.stretch_m[1])
    return math.sqrt(max(float(offset @ offset) - along * along, 0.0) + beyond * beyond)


def _edge_motions(edge: Edge, faces: Faces, source_m: FloatArray, mirrored: set[int]) -> list[_Motion]:
    """Mirror images in the edge's faces and turns about its line that put the source behind the liner."""
    offset = source_m - edge.point_m
    here = math.atan2(float(offset @ edge.quarter), float(offset @ edge.zero)) % (2 * math.pi)
    if np.linalg.norm(offset - (offset @ edge.along) * edge.along) < 0.01:
        return []
    # Turning by a positive angle about `along` may run either way; find which way angles grow.
    sense = 1.0 if float(np.cross(edge.along, edge.zero) @ edge.quarter) > 0 else -1.0
    behind = 2 * math.pi - edge.angle_rad
    count = max(3, round(behind / math.radians(40)))
    margin = 0.12 * behind
    motions = []
    for goal in edge.angle_rad + margin + (behind - 2 * margin) * np.arange(count) / (count - 1):
        motions.append(_rotation(edge.point_m, edge.along, sense * (float(goal) - here)))
    for face in edge.faces:
        if face not in mirrored:
            mirror = _mirror(faces.normal[face], float(faces.offset_m[face]))
            image = mirror(source_m) - edge.point_m
            at = math.atan2(float(image @ edge.quarter), float(image @ edge.zero)) % (2 * math.pi)
            if edge.angle_rad + 0.03 < at < 2 * math.pi - 0.03:
                motions.append(mirror)
    return motions
