"""Which mirror images a source gets: reflection in the faces near it, and images behind oblique edges.

Their field is in `earthward.pool.images`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earthward.pool.images import BoolArray, Candidates, Edge, Faces, FloatArray, Images, nearest_m, squared_distance
from earthward.pool.shape import Pool

#: Faces nearer than this get an image.
IMAGE_REACH_m = 0.8
#: Oblique edges nearer than this get fitted images.
EDGE_REACH_m = 0.8
# Two faces share the full set of images only if they stand nearly square to each other.
_SQUARE = 0.45
# How near water may be to an image, in units of the source's distance to the face.
_CLEAR = 0.85
# The same for images behind an oblique edge, in units of the source's distance to the edge.
_EDGE_CLEAR = 0.35
# Nearer than this the source is on the face and its image in it is itself.
_ON_FACE_m = 2e-3
_OFF_EDGE_m = 4e-3


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
    from scipy.spatial.transform import Rotation  # 2 MB that most pools do without

    turn = Rotation.from_rotvec(angle_rad * along).as_matrix()
    return _Motion(turn, point_m - turn @ point_m)


@dataclass
class _Reflected:
    """The source reflected in the faces near it."""

    fixed: list[_Motion]
    """The source itself and the images that are exact: faces that stand square to each other."""
    square_to: list[int]
    """The faces of `fixed`."""
    loose: list[tuple[int, list[_Motion]]]
    """Faces at an oblique edge, each with its images, whose strength is fitted."""
    inward_m: FloatArray
    """The source, moved far enough off the faces that its images can be told from the liner."""


def images_of(pool: Pool, faces: Faces, source_m: FloatArray, reach_m: float = IMAGE_REACH_m) -> Candidates:
    """Choose faces near the source and reflect it in them, in their combinations, and all in the water surface.

    A face is left out when it stands oblique to a nearer one (its image would count the same wall twice), when
    it faces one already taken (the series would not end), or when an image would fall into or too near the
    water. Oblique edges nearby add images whose strengths are to be fitted.
    """
    near_edges = [e for e in faces.edges if _edge_distance_m(e, source_m) < EDGE_REACH_m + 2 * _OFF_EDGE_m]
    for edge in near_edges:
        source_m = _off_the_edge(edge, source_m)
    edges = [e for e in near_edges if _edge_distance_m(e, source_m) < EDGE_REACH_m]
    reflected = _in_faces(pool, faces, source_m, {face for e in edges for face in e.faces}, reach_m)
    columns = [reflected.fixed, *(motions for _, motions in reflected.loose)]
    columns += _behind_edges(pool, faces, source_m, edges, reflected)
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
        np.arange(len(columns)) <= len(reflected.loose),
    )


def _in_faces(pool: Pool, faces: Faces, source_m: FloatArray, oblique: set[int], reach_m: float) -> _Reflected:
    """Reflect the source in up to three faces, the nearest first. `oblique`: faces of the oblique edges nearby."""
    facet_distance, close = nearest_m(source_m, faces, reach_m)
    distance = np.full(len(faces.normal), np.inf)
    np.minimum.at(distance, faces.face_of[close], facet_distance)
    out = _Reflected([_Motion(np.eye(3), np.zeros(3))], [], [], source_m.copy())
    taken = 0
    for face in np.argsort(distance, kind="stable"):
        if distance[face] > reach_m or taken == 3:
            break
        n, offset = faces.normal[face], float(faces.offset_m[face])
        others = out.square_to + [f for f, _ in out.loose]
        if any(abs(float(n @ faces.normal[other])) > _SQUARE for other in others):
            continue
        if float(n @ source_m) - offset > 1e-3:
            continue  # behind the face's plane: around a corner
        mirror = _mirror(n, offset)
        more = [m.then(mirror) for m in out.fixed]
        # Images of a source on the liner lie on the liner too: test those of a point pushed a millimetre inward.
        probe = out.inward_m - n * max(0.0, 1e-3 - (offset - float(n @ out.inward_m)))
        own = float(distance[face])
        landed = np.array([m(probe) for m in more])
        if pool.contains(landed, slack_m=-1e-6).any():
            continue
        # An image that sees water around a corner nearer than through its own face would do more harm than good.
        if own > 1e-3 and _see_water(landed, faces, np.full(len(landed), _CLEAR * own)).any():
            continue
        out.inward_m = probe
        taken += 1
        if int(face) in oblique and own > _ON_FACE_m:
            out.loose.append((int(face), more))
        else:
            out.square_to.append(int(face))
            out.fixed += more
            for _, motions in out.loose:
                motions += [m.then(mirror) for m in motions]
    return out


def _behind_edges(
    pool: Pool, faces: Faces, source_m: FloatArray, edges: list[Edge], reflected: _Reflected
) -> list[list[_Motion]]:
    """Images behind the oblique edges, each with its reflections in the exact faces; none that lies in water."""
    groups, clear = [], []
    for edge in edges:
        mirrors = [
            _mirror(faces.normal[f], float(faces.offset_m[f]))
            for f in reflected.square_to
            if f not in edge.faces and all(abs(float(faces.normal[f] @ faces.normal[g])) < _SQUARE for g in edge.faces)
        ]
        for motion in _edge_motions(edge, faces, source_m, {f for f, _ in reflected.loose}):
            copies = [motion]
            for mirror in mirrors:
                copies += [m.then(mirror) for m in copies]
            groups.append(copies)
            clear.append(_EDGE_CLEAR * _edge_distance_m(edge, source_m))
    if not groups:
        return []
    landed = np.array([m(reflected.inward_m) for copies in groups for m in copies])
    sizes = [len(copies) for copies in groups]
    wet = pool.contains(landed, slack_m=0.005) | _see_water(landed, faces, np.repeat(clear, sizes))
    parts = np.split(wet, np.cumsum(sizes)[:-1])
    return [copies for copies, part in zip(groups, parts, strict=True) if not part.any()]


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
