"""The pool's shape: outline in plan, floor, water, sources and fittings. Pure data and geometry.

Coordinates: x along the pool's length, y across, z is depth, positive down from the water surface. Metres.
The outline is stored counter-clockwise (from +x towards +y), so the water lies to the left of every edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from earthward.pool import polygon
from earthward.record.place import Fitting, Mark, Placement

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Point2 = tuple[float, float]
Point3 = tuple[float, float, float]


@dataclass(frozen=True)
class Floor:
    """Depth of the floor under every plan point.

    flat: `depth_m` everywhere. profile: `profile_m` holds (x, depth) pairs along the length, linear between,
    constant beyond the ends; two pairs with the same x are a vertical riser. hopper: `depth_m` outside
    `rim_m`, `deep_m` inside `bottom_m`, both rectangles (x0, y0, x1, y1), straight slopes between them.
    """

    kind: Literal["flat", "profile", "hopper"] = "flat"
    depth_m: float = 1.5
    profile_m: tuple[Point2, ...] = ()
    deep_m: float = 0.0
    rim_m: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    bottom_m: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def depth_at(self, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        if self.kind == "flat":
            return np.full(np.broadcast(x_m, y_m).shape, self.depth_m)
        if self.kind == "profile":
            table = np.asarray(self.profile_m, dtype=float)
            along, _ = np.broadcast_arrays(x_m, y_m)
            return np.asarray(np.interp(along, table[:, 0], table[:, 1]), dtype=float)
        x, y = np.broadcast_arrays(np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
        fall = np.ones(x.shape)
        # Sides in the order low x, low y, high x, high y.
        for side, (rim, bottom) in enumerate(zip(self.rim_m, self.bottom_m, strict=True)):
            value = x if side in (0, 2) else y
            if rim != bottom:
                fall = np.minimum(fall, (value - rim) / (bottom - rim))
            else:
                # The pad reaches its rim on this side: the floor drops (or a wall stands) there.
                fall = np.where(value < rim if side < 2 else value > rim, 0.0, fall)
        return self.depth_m + (self.deep_m - self.depth_m) * np.clip(fall, 0.0, 1.0)

    @property
    def greatest_depth_m(self) -> float:
        if self.kind == "profile":
            return max(depth for _, depth in self.profile_m)
        return self.deep_m if self.kind == "hopper" else self.depth_m


@dataclass(frozen=True)
class Stair:
    """A solid block under the water (stair, bench, tanning ledge): its top lies `depth_m` below the surface."""

    outline_m: tuple[Point2, ...]
    depth_m: float


@dataclass(frozen=True)
class Wall:
    """One stretch of wall a person would call a wall: consecutive outline edges without a real corner.

    `vertices_m` (k, 2) runs away from `mark` (a corner at the shallow end where there is one).
    """

    name: str
    mark: str
    vertices_m: FloatArray

    @property
    def length_m(self) -> float:
        return float(np.sum(np.hypot(*np.diff(self.vertices_m, axis=0).T)))


@dataclass(frozen=True)
class WallPlace:
    """Where a plan point is as a deck person would say it."""

    wall: str
    mark: str
    along_m: float
    off_m: float
    text: str


@dataclass(frozen=True)
class LinerCells:
    """Patches that together cover the liner. All arrays have one row per cell.

    centre_m (n, 3) lies on the liner; area_m2 (n,); normal (n, 3) unit, outward (away from the water, so +z on
    a flat floor); on_floor (n,) bool; wall (n,) index into `Pool.walls`, -1 on the floor and on risers; size_m is
    the edge asked for. neighbours (k, 2): index pairs of adjoining cells, each pair once.
    """

    centre_m: FloatArray
    area_m2: FloatArray
    normal: FloatArray
    on_floor: BoolArray
    wall: IntArray
    size_m: float
    neighbours: IntArray

    def __len__(self) -> int:
        return len(self.area_m2)


@dataclass(frozen=True)
class Pool:
    """A pool: see the module text for the frame. outline_m: (x, y) vertices, counter-clockwise, not repeated.

    `shape` and `extent_m` (length, width) keep what the pool file said, so that it can be written back; the
    geometry is all in `outline_m` and `floor`.
    """

    outline_m: tuple[Point2, ...]
    floor: Floor = field(default_factory=Floor)
    water_conductivity_S_per_m: float = 0.2
    temperature_C: float = 25.0
    sources: tuple[Placement, ...] = ()
    fittings: tuple[Fitting, ...] = ()
    steps: tuple[Stair, ...] = ()
    marks: tuple[Mark, ...] = ()
    name: str = ""
    shape: Literal["rectangle", "polygon", "oval"] = "polygon"
    extent_m: Point2 = (0.0, 0.0)

    # --- water -------------------------------------------------------------------------------------------

    @property
    def resistivity_ohm_m(self) -> float:
        return 1.0 / self.water_conductivity_S_per_m

    def source(self, source_id: int = 0) -> Placement:
        """The placement with that id; KeyError if the pool has none such."""
        for one in self.sources:
            if one.source_id == source_id:
                return one
        raise KeyError(source_id)

    def read_with(self, source_ids: Iterable[int]) -> Pool:
        """The pool with only the placements that readings were taken with: what another one injects is a plan, and a
        plan must not enter a budget."""
        used = set(source_ids)
        if not used or not used <= {s.source_id for s in self.sources}:
            return self
        return replace(self, sources=tuple(s for s in self.sources if s.source_id in used))

    # --- geometry ----------------------------------------------------------------------------------------

    @cached_property
    def outline(self) -> FloatArray:
        return np.array(self.outline_m, dtype=float)

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the outline."""
        low, high = self.outline.min(axis=0), self.outline.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    @property
    def length_m(self) -> float:
        x0, _, x1, _ = self.bounds_m
        return x1 - x0

    @property
    def width_m(self) -> float:
        _, y0, _, y1 = self.bounds_m
        return y1 - y0

    @property
    def greatest_depth_m(self) -> float:
        return self.floor.greatest_depth_m

    @property
    def is_box(self) -> bool:
        """True for a rectangle along the axes with a flat floor and no steps: the exact field exists."""
        if len(self.outline_m) != 4 or self.steps:
            return False
        flat = self.floor.kind == "flat" or (
            self.floor.kind == "profile" and len({depth for _, depth in self.floor.profile_m}) == 1
        )
        x0, y0, x1, y1 = self.bounds_m
        corners = {(x0, y0), (x1, y0), (x1, y1), (x0, y1)}
        return flat and set(self.outline_m) == corners

    def depth_at(self, x_m: ArrayLike, y_m: ArrayLike) -> FloatArray:
        """Depth of the floor (or of a step's top) at plan points, metres; also defined just outside the outline."""
        x, y = np.broadcast_arrays(np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
        depth = self.floor.depth_at(x, y)
        for step in self.steps:
            over = polygon.inside(np.array(step.outline_m), np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)
            depth = np.where(over, np.minimum(depth, step.depth_m), depth)
        return depth

    def contains(self, points_m: ArrayLike, slack_m: float = 1e-9) -> BoolArray:
        """Which of points (n, 3) lie in the water; `slack_m` lets points on the liner or surface count."""
        points = np.atleast_2d(np.asarray(points_m, dtype=float))
        plan = points[:, :2]
        inside = polygon.inside(self.outline, plan)
        outside = np.flatnonzero(~inside)
        if outside.size and slack_m >= 0:
            inside[outside] = polygon.nearest_edge(self.outline, plan[outside])[0] <= slack_m
        deep = self.depth_at(plan[:, 0], plan[:, 1])
        if self.steps:
            # On a riser the two depths meet: take the deeper one within the slack.
            shift = max(slack_m, 1e-9)
            for dx, dy in ((shift, 0.0), (-shift, 0.0), (0.0, shift), (0.0, -shift)):
                deep = np.maximum(deep, self.depth_at(plan[:, 0] + dx, plan[:, 1] + dy))
        result: BoolArray = inside & (points[:, 2] >= -slack_m) & (points[:, 2] <= deep + slack_m)
        return result

    def distance_to_liner_m(self, points_m: ArrayLike) -> FloatArray:
        """Distance (n,) from points (n, 3), inside or outside, to the liner, to within a few millimetres."""
        points = np.atleast_2d(np.asarray(points_m, dtype=float))
        from scipy.spatial import cKDTree  # 40 MB that a daemon can do without

        centres = self._fine_cells.centre_m
        tree = cKDTree(centres)
        _, nearest = tree.query(points, k=12)
        offset = points[:, None, :] - centres[nearest]
        normal = self._fine_cells.normal[nearest]
        across = np.einsum("nkj,nkj->nk", offset, normal)
        along = np.sqrt(np.maximum(np.sum(offset * offset, axis=2) - across * across, 0.0))
        # A patch is a small square: beyond half its diagonal its plane ends.
        reach = np.maximum(along - 0.5 * math.sqrt(2.0) * self._fine_cells.size_m, 0.0)
        distance: FloatArray = np.min(np.hypot(across, reach), axis=1)
        return distance

    @cached_property
    def _fine_cells(self) -> LinerCells:
        return self.liner_cells(0.1)

    @property
    def plan_area_m2(self) -> float:
        return polygon.signed_area_m2(self.outline)

    @cached_property
    def volume_m3(self) -> float:
        """Water volume from the floor's depth on a fine plan grid (a few parts in a thousand)."""
        x0, y0, x1, y1 = self.bounds_m
        step = math.sqrt((x1 - x0) * (y1 - y0) / 40_000)
        nx, ny = math.ceil((x1 - x0) / step), math.ceil((y1 - y0) / step)
        x = x0 + (np.arange(nx) + 0.5) * (x1 - x0) / nx
        y = y0 + (np.arange(ny) + 0.5) * (y1 - y0) / ny
        plan = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        wet = plan[polygon.inside(self.outline, plan)]
        return self.plan_area_m2 * float(np.mean(self.depth_at(wet[:, 0], wet[:, 1])))

    # --- liner -------------------------------------------------------------------------------------------

    def liner_cells(self, size_m: float) -> LinerCells:
        """Cover walls and floor (and step tops) with cells of about `size_m`: see `LinerCells`."""
        if not size_m > 0:
            raise ValueError("size_m must be positive")
        from scipy.spatial import cKDTree  # as above

        parts = [self._wall_cells(size_m), self._floor_cells(size_m), self._riser_cells(size_m)]
        centre, area, normal, on_floor, wall = (np.concatenate(column) for column in zip(*parts, strict=True))
        pairs = cKDTree(centre).query_pairs(1.3 * size_m, output_type="ndarray").astype(np.int64)
        return LinerCells(centre, area, normal, on_floor, wall, size_m, pairs)

    def _wall_cells(self, size_m: float) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, IntArray]:
        centres, areas, normals, walls = [], [], [], []
        wall_of_edge = self._wall_of_edge
        for edge, (a, b) in enumerate(zip(self.outline, np.roll(self.outline, -1, axis=0), strict=True)):
            length = float(np.hypot(*(b - a)))
            direction = (b - a) / length
            outward = np.array([direction[1], -direction[0], 0.0])
            columns = max(1, math.ceil(length / size_m - 1e-9))
            pitch = length / columns
            plans = a + direction * pitch * (np.arange(columns)[:, None] + 0.5)
            probes = plans - 1e-6 * outward[:2]
            for plan, depth in zip(plans, self.depth_at(probes[:, 0], probes[:, 1]).tolist(), strict=True):
                rows = max(1, math.ceil(depth / size_m - 1e-9))
                z = (np.arange(rows) + 0.5) * depth / rows
                centres.append(np.column_stack([np.full(rows, plan[0]), np.full(rows, plan[1]), z]))
                areas.append(np.full(rows, pitch * depth / rows))
                normals.append(np.tile(outward, (rows, 1)))
                walls.append(np.full(rows, wall_of_edge[edge]))
        count = sum(len(a) for a in areas)
        return (
            np.concatenate(centres),
            np.concatenate(areas),
            np.concatenate(normals),
            np.zeros(count, dtype=bool),
            np.concatenate(walls).astype(np.int64),
        )

    def _riser_cells(self, size_m: float) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, IntArray]:
        """Vertical faces inside the outline: sides of steps, drops of a profile. On neither floor nor wall (-1)."""
        lines = [
            (np.array(a), np.array(b))
            for step in self.steps
            for a, b in zip(step.outline_m, step.outline_m[1:] + step.outline_m[:1], strict=True)
        ]
        if self.floor.kind == "profile":
            _, y0, _, y1 = self.bounds_m
            drops = {p[0] for p, q in pairwise(self.floor.profile_m) if p[0] == q[0]}
            lines += [(np.array([x, y0]), np.array([x, y1])) for x in sorted(drops)]
        centres, areas, normals = [np.zeros((0, 3))], [np.zeros(0)], [np.zeros((0, 3))]
        seen: set[Point2] = set()
        for a, b in lines:
            length = float(np.hypot(*(b - a)))
            across = np.array([b[1] - a[1], a[0] - b[0]]) / length
            columns = max(1, math.ceil(length / size_m - 1e-9))
            for k in range(columns):
                plan = a + (b - a) * (k + 0.5) / columns
                sides = plan + 1e-4 * np.array([across, -across])
                if not polygon.inside(self.outline, sides).all():
                    continue
                first, second = self.depth_at(sides[:, 0], sides[:, 1])
                low, high = min(first, second), max(first, second)
                # An edge that two steps share is listed twice: once is enough.
                here = (round(float(plan[0]), 3), round(float(plan[1]), 3))
                if high - low < 0.02 or here in seen:
                    continue
                seen.add(here)
                rows = max(1, math.ceil((high - low) / size_m - 1e-9))
                z = low + (np.arange(rows) + 0.5) * (high - low) / rows
                toward = across if first < second else -across
                centres.append(np.column_stack([np.full(rows, plan[0]), np.full(rows, plan[1]), z]))
                areas.append(np.full(rows, length / columns * (high - low) / rows))
                normals.append(np.tile([toward[0], toward[1], 0.0], (rows, 1)))
        count = sum(len(a) for a in areas)
        return (
            np.concatenate(centres),
            np.concatenate(areas),
            np.concatenate(normals),
            np.zeros(count, dtype=bool),
            np.full(count, -1, dtype=np.int64),
        )

    def _floor_cells(self, size_m: float) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, IntArray]:
        x0, y0, x1, y1 = self.bounds_m
        nx = max(1, math.ceil((x1 - x0) / size_m - 1e-9))
        ny = max(1, math.ceil((y1 - y0) / size_m - 1e-9))
        hx, hy = (x1 - x0) / nx, (y1 - y0) / ny
        # Cells cut by the outline keep the centroid and area of their wet part, found on a 6 x 6 raster.
        raster = (np.arange(6) + 0.5) / 6
        x = x0 + (np.arange(nx)[:, None] + raster) * hx
        y = y0 + (np.arange(ny)[:, None] + raster) * hy
        px = np.broadcast_to(x[:, None, :, None], (nx, ny, 6, 6)).reshape(nx * ny, 36)
        py = np.broadcast_to(y[None, :, None, :], (nx, ny, 6, 6)).reshape(nx * ny, 36)
        wet = polygon.inside(self.outline, np.column_stack([px.ravel(), py.ravel()])).reshape(px.shape)
        count = np.count_nonzero(wet, axis=1)
        keep = count > 0
        px, py, wet, count = px[keep], py[keep], wet[keep], count[keep]
        cx, cy = np.sum(px * wet, axis=1) / count, np.sum(py * wet, axis=1) / count
        depth = self.depth_at(cx, cy)
        d = min(0.02, 0.2 * min(hx, hy))
        sx = (self.depth_at(cx + d, cy) - self.depth_at(cx - d, cy)) / (2 * d)
        sy = (self.depth_at(cx, cy + d) - self.depth_at(cx, cy - d)) / (2 * d)
        if self.steps:
            # The slope across a riser means nothing: treat such a cell as level.
            steep = np.hypot(sx, sy) > 2.0
            sx, sy = np.where(steep, 0.0, sx), np.where(steep, 0.0, sy)
        stretch = np.sqrt(1 + sx * sx + sy * sy)
        # The water is above z = depth(x, y), so "away from the water" is (-dz/dx, -dz/dy, 1).
        normal = np.column_stack([-sx, -sy, np.ones_like(sx)]) / stretch[:, None]
        return (
            np.column_stack([cx, cy, depth]),
            hx * hy * count / 36 * stretch,
            normal,
            np.ones(len(cx), dtype=bool),
            np.full(len(cx), -1, dtype=np.int64),
        )

    # --- words -------------------------------------------------------------------------------------------

    @cached_property
    def shallow_end_is_low_x(self) -> bool | None:
        """True if the water is shallower at small x, False if at large x, None if both ends are alike."""
        x0, y0, x1, y1 = self.bounds_m
        third = (x1 - x0) / 6
        y = np.full(20, 0.5 * (y0 + y1))
        low = float(np.mean(self.depth_at(np.linspace(x0, x0 + third, 20), y)))
        high = float(np.mean(self.depth_at(np.linspace(x1 - third, x1, 20), y)))
        if abs(low - high) < 0.05:
            return None
        return low < high

    def end_name(self, x_m: float) -> str:
        """ "shallow end" or "deep end" (or "x = 0 end"/"far end" on a level floor) for the half that holds x."""
        x0, _, x1, _ = self.bounds_m
        low_half = x_m < 0.5 * (x0 + x1)
        if self.shallow_end_is_low_x is None:
            return "near end" if low_half else "far end"
        return "shallow end" if low_half == self.shallow_end_is_low_x else "deep end"

    @cached_property
    def _wall_of_edge(self) -> list[int]:
        """Index of the wall each outline edge belongs to: a new wall starts where the outline turns > 30 degrees."""
        edges = np.roll(self.outline, -1, axis=0) - self.outline
        heading = np.arctan2(edges[:, 1], edges[:, 0])
        turn = np.abs((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
        corners = np.flatnonzero(turn > math.radians(30))
        if corners.size == 0:
            return [0] * len(edges)
        index = (np.searchsorted(corners, np.arange(len(edges)), side="right") - 1) % corners.size
        return [int(i) for i in index]

    @cached_property
    def walls(self) -> tuple[Wall, ...]:
        """The walls in outline order, named as on the deck: left and right are as seen looking along +x."""
        of_edge = self._wall_of_edge
        n = len(of_edge)
        count = max(of_edge) + 1
        x0, y0, x1, y1 = self.bounds_m
        middle = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)])
        shallow_low = self.shallow_end_is_low_x is not False
        long_is_x = (x1 - x0) >= (y1 - y0)
        walls: list[Wall] = []
        for w in range(count):
            edges = [e for e in range(n) if of_edge[e] == w]
            if count == 1:
                start = int(np.argmin(self.outline[:, 0] if shallow_low else -self.outline[:, 0]))
                order = [(start + k) % n for k in range(n + 1)]
                walls.append(Wall("wall", f"{self.end_name(self.outline[start, 0])} tip", self.outline[order]))
                continue
            first = next(e for e in edges if of_edge[e - 1] != w)
            order = [(first + k) % n for k in range(len(edges) + 1)]
            vertices = self.outline[order]
            chord = vertices[-1] - vertices[0]
            along_x = abs(chord[0]) >= abs(chord[1])
            centre = vertices.mean(axis=0)
            if along_x:
                side = "left" if (centre[1] > middle[1]) else "right"
                name = f"{side} {'long' if long_is_x else 'short'} wall"
                flip = (vertices[-1, 0] < vertices[0, 0]) == shallow_low
            else:
                name = f"{self.end_name(float(centre[0]))} {'short' if long_is_x else 'long'} wall"
                flip = vertices[-1, 1] < vertices[0, 1]
            vertices = vertices[::-1] if flip else vertices
            mark = f"{self.end_name(float(vertices[0, 0]))} corner"
            if not along_x:
                mark = f"{'left' if vertices[0, 1] > middle[1] else 'right'} corner"
            taken = sum(1 for other in walls if other.name == name or other.name.startswith(name + " "))
            walls.append(Wall(name if not taken else f"{name} {taken + 1}", mark, vertices))
        return tuple(walls)

    def wall_place(self, x_m: float, y_m: float) -> WallPlace:
        """The nearest wall to a plan point, the distance along it from its mark and off it, and the words."""
        point = np.array([[x_m, y_m]])
        _, edge, _ = polygon.nearest_edge(self.outline, point)
        wall = self.walls[self._wall_of_edge[int(edge[0])]]
        a, b = wall.vertices_m[:-1], wall.vertices_m[1:]
        length = np.hypot(*(b - a).T)
        fraction = np.clip(np.einsum("kj,kj->k", point - a, b - a) / length**2, 0.0, 1.0)
        gap = np.hypot(*(point - (a + fraction[:, None] * (b - a))).T)
        k = int(np.argmin(gap))
        along = float(np.sum(length[:k]) + fraction[k] * length[k])
        off = float(gap[k])
        text = f"{along:.1f} m along the {wall.name} from its {wall.mark}, {off:.1f} m off the wall"
        return WallPlace(wall.name, wall.mark, along, off, text)


def rectangle(length_m: float, width_m: float, depth_m: float = 1.5) -> Pool:
    """A box pool with a corner at the origin; use `dataclasses.replace` for the rest."""
    return Pool(
        outline_m=((0.0, 0.0), (length_m, 0.0), (length_m, width_m), (0.0, width_m)),
        floor=Floor("flat", depth_m),
        shape="rectangle",
        extent_m=(length_m, width_m),
    )


def from_outline(outline_m: ArrayLike, floor: Floor) -> Pool:
    """A pool of any simple outline (n, 2), in either sense of rotation."""
    outline = np.asarray(outline_m, dtype=float)
    if polygon.signed_area_m2(outline) < 0:
        outline = outline[::-1]
    return Pool(outline_m=tuple((float(x), float(y)) for x, y in outline), floor=floor)
