"""Truth for the search, drawn apart from it: pools, leaks, and hands that hold a pole, each world nasty in its own way.

Nothing here comes from the search: only the pool's shape, its field, and the record that readings are handed over in.
What a world does is written in its `World` (world_list.py); what was noted and what was so are kept apart in `Drawn`.
The same seed draws the same pool, fittings and leak in every world, so that worlds can be compared pool by pool.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.layered_water import CLEAR_m, LayeredBox
from tests.benchmarks.world_list import World

from earthward.pool.fem import FiniteElementField
from earthward.pool.field import BoxPoolField
from earthward.pool.shape import Floor, Pool, rectangle
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading

FloatArray = NDArray[np.float64]
SPACING_m = 0.3
NOISE_V = 1e-6
#: A fitting is noted so well along the liner, the injected current so well (relative), the conductivity so well;
#: a sink's share differs by so much between the placements.
FITTING_m, CURRENT, CONDUCTIVITY, SHARE = 0.05, 0.01, 0.02, 0.01
STATIONS_A_LINE = 8


@dataclass(frozen=True)
class Sink:
    """A way out of the water: points and their shares of it (a slit, a pipe's mouth with its screws, or one point)."""

    name: str
    middle_m: FloatArray
    points_m: FloatArray
    shares: FloatArray
    current_A: FloatArray
    """Per placement."""

    @property
    def kind(self) -> str:
        return self.name.split()[0]


@dataclass(frozen=True)
class Pair:
    """Where a pair is: middle, and the vector from back to front. `station` and `turn` count from 0."""

    middle_m: FloatArray
    arm_m: FloatArray
    station: int
    turn: int
    source_id: int


@dataclass(frozen=True)
class Truth:
    """What was so. electrodes_m (2, 3); leaks first among the sinks, then unlisted ones, then fittings."""

    pool: Pool
    electrodes_m: FloatArray
    injected_A: FloatArray
    leaks: tuple[Sink, ...]
    unlisted: tuple[Sink, ...]
    fittings: tuple[Sink, ...]
    pairs: tuple[Pair, ...]
    ohms: Callable[[FloatArray, FloatArray], FloatArray] = field(repr=False)

    @property
    def sinks(self) -> tuple[Sink, ...]:
        return (*self.leaks, *self.unlisted, *self.fittings)

    def volts(self, front_m: FloatArray, back_m: FloatArray, source_id: NDArray[np.int64]) -> FloatArray:
        """V_back - V_front (p,) of pairs with their ends at (p, 3), by placement: source gives, sinks take."""
        points = np.concatenate([front_m, back_m])
        value = np.zeros(len(points))
        at = np.concatenate([source_id, source_id])
        electrodes = self.ohms(points, self.electrodes_m)
        value += self.injected_A[at] * np.take_along_axis(electrodes, at[:, None], axis=1)[:, 0]
        for sink in self.sinks:
            value -= sink.current_A[at] * (self.ohms(points, sink.points_m) @ sink.shares)
        front, back = np.split(value, 2)
        return back - front


@dataclass(frozen=True)
class Drawn:
    """What is handed over (pool and readings, as noted) beside what was so."""

    world: World
    seed: int
    pool: Pool
    readings: list[KeptReading]
    truth: Truth


def draw(world: World, seed: int) -> Drawn:
    """One pool of a world with its survey of 24 stations."""
    scene = np.random.default_rng([seed, 1])
    noted, truth = _scene(world, scene, np.random.default_rng([seed, 3]))
    survey = np.random.default_rng([seed, 2])
    return measured(world, seed, noted, truth, walk(noted, survey), survey)


def planted(drawn: Drawn, place: FloatArray, current_A: float) -> Drawn:
    """The same survey, hands and noise included, of the same pool with a leak more; the whole current stays."""
    truth = drawn.truth
    leak = Sink("planted", place, place[None], np.ones(1), current_A * truth.injected_A / truth.injected_A[0])
    left = 1.0 - leak.current_A[0] / truth.injected_A[0]
    others = tuple(replace(s, current_A=left * s.current_A) for s in truth.fittings)
    survey = np.random.default_rng([drawn.seed, 2])
    changed = replace(truth, leaks=(leak,), fittings=others)
    return measured(drawn.world, drawn.seed, drawn.pool, changed, walk(drawn.pool, survey), survey)


# ---- the scene ----------------------------------------------------------------------------------------------------


def _scene(world: World, draw: np.random.Generator, notes: np.random.Generator) -> tuple[Pool, Truth]:
    """The pool as noted, and as it is (no pairs yet)."""
    shape = _shape(world, draw)
    length, width = shape.length_m, shape.width_m
    noted_electrodes = np.array(
        [[draw.uniform(a, b) * length, draw.uniform(0.3, 0.7) * width, draw.uniform(0.3, 0.42)] for a, b in ENDS]
    )
    drift = notes.normal(0.0, 1.0, (2, 3)) * (world.electrodes_off, world.electrodes_off, world.electrodes_off / 3)
    electrodes = inside(shape, noted_electrodes + drift, 0.1)
    count = int(draw.integers(1, 4)) + world.unlisted
    kinds = [str(draw.choice(["light", "return", "skimmer", "ladder", "drain"])) for _ in range(count)]
    places: list[FloatArray] = []
    for kind in kinds:
        places.append(_liner_place(shape, draw, [*places, *electrodes], 0.8, floor=kind == "drain"))
    leak_places: list[FloatArray] = []
    for _ in range(max(world.leaks, 1)):
        leak_places.append(_leak_place(world, shape, draw, places, leak_places))
    injected, currents = _currents(world, draw, count, len(leak_places))
    if world.leaks == 0:
        leak_places = []
        currents = currents[1:] * injected / currents[1:].sum()
    per_placement = _per_placement(injected, currents, draw)
    actual = per_placement.sum(axis=0)
    n = len(leak_places)
    leaks = tuple(_leak(world, f"leak {k + 1}", p, per_placement[k], shape) for k, p in enumerate(leak_places))
    things = []
    for k, (kind, place) in enumerate(zip(kinds, places, strict=True)):
        spread = world.line_fitting and k == world.unlisted
        things.append(_thing(f"{kind} {k + 1}", place, per_placement[n + k], spread, shape, notes))
    unlisted, listed = tuple(things[: world.unlisted]), tuple(things[world.unlisted :])
    sigma = shape.water_conductivity_S_per_m
    noted = replace(
        shape,
        water_conductivity_S_per_m=sigma * float(notes.normal(1.0, CONDUCTIVITY)),
        sources=tuple(
            Placement(position_m=_point(e), current_A=float(actual[k] * notes.normal(1.0, CURRENT)), source_id=k)
            for k, e in enumerate(noted_electrodes)
        ),
        fittings=tuple(
            Fitting(name=t.name, kind=t.kind, position_m=_noted_place(shape, t.middle_m, notes))  # type: ignore[arg-type]
            for t in listed
        ),
    )
    return noted, Truth(shape, electrodes, actual, leaks, unlisted, listed, (), _ohms(world, shape))


ENDS = ((0.10, 0.2), (0.8, 0.9))


def _shape(world: World, draw: np.random.Generator) -> Pool:
    length, depth = round(draw.uniform(7.0, 12.0), 1), round(draw.uniform(1.2, 1.8), 2)
    width = round(draw.uniform(0.4, 0.6) * length, 1)
    pool = replace(rectangle(length, width, depth), water_conductivity_S_per_m=float(draw.uniform(0.1, 0.5)))
    if world.sloped:
        deep = round(depth + draw.uniform(0.3, 0.8), 2)
        profile = ((0.0, depth), (round(0.4 * length, 2), depth), (round(0.75 * length, 2), deep), (length, deep))
        pool = replace(pool, floor=Floor("profile", profile_m=profile))
    return pool


def _ohms(world: World, pool: Pool) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """Volts at points per ampere at sources."""
    sigma = pool.water_conductivity_S_per_m
    if world.upper != 1.0:
        depth = pool.floor.depth_m
        return LayeredBox((pool.length_m, pool.width_m, depth), world.upper * sigma, sigma).ohms
    if pool.is_box:
        box = BoxPoolField(pool)
        return lambda points, sources: box.mutual(points, sources) / sigma
    # A finer mesh than the search takes.
    mesh = FiniteElementField(pool, size_m=0.35, layers=5)
    return lambda points, sources: np.column_stack([mesh.potential(points, s) for s in sources]) / sigma


def _liner_place(
    pool: Pool, draw: np.random.Generator, others: list[FloatArray], apart_m: float, floor: bool | None = None
) -> FloatArray:
    """A place on the liner, by area (or on the floor, or on a wall), so far from the others."""
    length, width = pool.length_m, pool.width_m
    depth = float(np.mean(pool.depth_at(np.linspace(0, length, 50), np.full(50, 0.5 * width))))
    walls = 2 * (length + width) * depth
    for _ in range(500):
        on_floor = floor if floor is not None else bool(draw.random() < length * width / (length * width + walls))
        if on_floor:
            x, y = draw.uniform(0.2, length - 0.2), draw.uniform(0.2, width - 0.2)
            place = np.array([x, y, float(pool.depth_at(x, y))])
        else:
            along = draw.uniform(0, 2 * (length + width))
            x, y = _around(length, width, along)
            deep = float(pool.depth_at(min(max(x, 1e-6), length - 1e-6), min(max(y, 1e-6), width - 1e-6)))
            place = np.array([x, y, draw.uniform(0.15, deep - 0.1)])
        near_interface = abs(place[2] - 0.5 * pool.floor.depth_m) < CLEAR_m
        if not near_interface and all(np.linalg.norm(place - o) >= apart_m for o in others):
            return place
    raise RuntimeError("no room on the liner")


def _around(length: float, width: float, along: float) -> tuple[float, float]:
    """A point of the edge, kept 0.15 m off the corners."""
    for start, end in (((0, 0), (length, 0)), ((length, 0), (length, width)), ((length, width), (0, width)),
                       ((0, width), (0, 0))):  # fmt: skip
        long = math.dist(start, end)
        if along <= long:
            t = min(max(along, 0.15), long - 0.15) / long
            return start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])
        along -= long
    return 0.0, 0.15


def _leak_place(
    world: World, pool: Pool, draw: np.random.Generator, fittings: list[FloatArray], leaks: list[FloatArray]
) -> FloatArray:
    usual = [_liner_place(pool, draw, fittings, 0.6) for _ in range(30)]
    apart = [p for p in usual if all(np.linalg.norm(p - o) >= 1.2 for o in leaks)]
    if not world.near_fitting:
        return apart[0]
    # Within 0.25 to 0.6 m of the last fitting, which `_currents` makes a strong one.
    for _ in range(20000):
        place = _liner_place(pool, draw, fittings[:-1], 0.3)
        if 0.25 <= np.linalg.norm(place - fittings[-1]) <= 0.6:
            return place
    raise RuntimeError("no place beside the fitting")


def _currents(world: World, draw: np.random.Generator, fittings: int, leaks: int) -> tuple[float, FloatArray]:
    """Injected, and what each sink takes (leaks first): leaks 0.1 to 1 mA, or 2 to 30 % of the whole."""
    injected = float(draw.uniform(2e-3, 15e-3))
    small = 10 ** draw.uniform(-4.0, -3.0, leaks)
    share = draw.uniform(0.02, 0.30, leaks) * injected
    taken = np.where(draw.random(leaks) < 0.5, small, share)
    if leaks > 1:
        taken = np.maximum(taken, 0.1 * injected)
    taken = np.minimum(taken, 0.4 * injected)
    split = draw.dirichlet(np.full(fittings, 1.5))
    if world.near_fitting:
        split = 0.5 * split
        split[-1] += 0.5
    split = np.maximum(split, 0.01)
    return injected, np.r_[taken, (injected - taken.sum()) * split / split.sum()]


def _per_placement(injected: float, currents: FloatArray, draw: np.random.Generator) -> FloatArray:
    """(sinks, 2): each placement has a whole of its own, and feeds what is near it a little more."""
    whole = injected * np.array([1.0, draw.uniform(0.85, 1.15)])
    each = currents[:, None] * draw.normal(1.0, SHARE, (len(currents), 2))
    return each * whole / each.sum(axis=0)


def _leak(world: World, name: str, place: FloatArray, current: FloatArray, pool: Pool) -> Sink:
    if not world.slit:
        return Sink(name, place, place[None], np.ones(1), current)
    along = np.linspace(-0.5, 0.5, 9) * world.slit
    points = np.array([_along_liner(pool, place, a) for a in along])
    return Sink(name, place, points, np.full(9, 1 / 9), current)


def _thing(
    name: str, place: FloatArray, current: FloatArray, spread: bool, pool: Pool, draw: np.random.Generator
) -> Sink:
    """A fitting: a point, or a pipe's mouth half a metre wide with screws of uneven contact along it."""
    if not spread:
        return Sink(name, place, place[None], np.ones(1), current)
    along = np.linspace(-0.25, 0.25, 8)
    points = np.array([_along_liner(pool, place, a) for a in along])
    return Sink(name, place, points, draw.dirichlet(np.ones(8)), current)


def _along_liner(pool: Pool, place: FloatArray, by_m: float) -> FloatArray:
    """Level, along the wall (or along the length on the floor); a corner stops it."""
    on_end = min(place[0], pool.length_m - place[0]) < 1e-9
    moved = place + (np.array([0.0, by_m, 0.0]) if on_end else np.array([by_m, 0.0, 0.0]))
    x, y = np.clip(moved[0], 0, pool.length_m), np.clip(moved[1], 0, pool.width_m)
    on_floor = 1e-9 < place[0] < pool.length_m - 1e-9 and 1e-9 < place[1] < pool.width_m - 1e-9
    return np.array([x, y, float(pool.depth_at(x, y)) if on_floor else place[2]])


def _noted_place(pool: Pool, place: FloatArray, draw: np.random.Generator) -> tuple[float, float, float]:
    """Where a person with a tape says that a fitting is: on the same wall or the floor, a little off."""
    off = draw.normal(0.0, FITTING_m, 3)
    x, y, z = place
    on_wall_x = min(x, pool.length_m - x) < 1e-9
    on_wall_y = min(y, pool.width_m - y) < 1e-9
    if not on_wall_x:
        x = min(max(x + off[0], 0.0), pool.length_m)
    if not on_wall_y:
        y = min(max(y + off[1], 0.0), pool.width_m)
    inner = (min(max(x, 1e-6), pool.length_m - 1e-6), min(max(y, 1e-6), pool.width_m - 1e-6))
    deep = float(pool.depth_at(*inner))
    z = min(max(z + off[2], 0.05), deep - 0.02) if on_wall_x or on_wall_y else deep
    return float(x), float(y), float(z)


def inside(pool: Pool, points_m: FloatArray, off_m: float) -> FloatArray:
    """Walls, floor and surface stop what is moved too far."""
    points = np.array(points_m, dtype=float)
    points[:, 0] = np.clip(points[:, 0], off_m, pool.length_m - off_m)
    points[:, 1] = np.clip(points[:, 1], off_m, pool.width_m - off_m)
    points[:, 2] = np.clip(points[:, 2], off_m, pool.depth_at(points[:, 0], points[:, 1]) - off_m)
    return points


# ---- the survey ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spot:
    """Where a person means to hold the pole, which way is "across", and on which side of it the person stands."""

    middle_m: FloatArray
    bearing_deg: float
    toward_deck: FloatArray


def walk(pool: Pool, draw: np.random.Generator) -> list[Spot]:
    """Down one long wall, back along the middle, down the other: eight stations a line, by turns high and low."""
    spots = []
    lines = [(draw.uniform(0.4, 0.6), 270.0), (0.5 * pool.width_m, 90.0), (pool.width_m - draw.uniform(0.4, 0.6), 90.0)]
    for line, (y, bearing) in enumerate(lines):
        order = range(STATIONS_A_LINE) if line % 2 == 0 else reversed(range(STATIONS_A_LINE))
        for k in order:
            step = (pool.length_m - 0.8) / (STATIONS_A_LINE - 1)
            x = float(np.clip(0.4 + step * (k + draw.uniform(-0.25, 0.25)), 0.4, pool.length_m - 0.4))
            at = y + draw.uniform(-0.3, 0.3) * (line == 1)
            for source in pool.sources:
                # Nobody holds the pole against the rope of the injection electrode.
                gap = at - source.position_m[1]
                if abs(x - source.position_m[0]) < 0.7 and abs(gap) < 0.7:
                    at = source.position_m[1] + math.copysign(0.7, gap)
            at = float(np.clip(at, 0.35, pool.width_m - 0.35))
            deep = float(pool.depth_at(x, at))
            z = float(np.clip(deep * draw.uniform(0.25, 0.4) + (k % 2) * 0.35 * deep, 0.25, deep - 0.25))
            side = 1.0 if at > 0.5 * pool.width_m else -1.0
            spots.append(Spot(np.array([round(x, 2), round(at, 2), round(z, 2)]), bearing, np.array([0.0, side])))
    return spots


def measured(world: World, seed: int, noted: Pool, truth: Truth, spots: list[Spot], draw: np.random.Generator) -> Drawn:
    """Every spot read along, across and upright, electrode after electrode with the pole unmoved."""
    wrong = set(draw.choice(len(spots), world.misnoted, replace=False).tolist())
    pairs: list[Pair] = []
    notes: list[tuple[FloatArray, FloatArray, int, int, int]] = []
    for number, spot in enumerate(spots):
        noted_m = _misnoted(noted, spot.middle_m, draw) if number in wrong else spot.middle_m
        for turn, (middle, arm, meant) in enumerate(hold(world, truth.pool, spot, draw)):
            for source_id in (0, 1):
                pairs.append(Pair(middle, arm, number, turn, source_id))
                notes.append((noted_m, meant, number, turn, source_id))
    known = replace(truth, pairs=tuple(pairs))
    value = known.volts(*ends(truth.pool, pairs), np.array([p.source_id for p in pairs]))
    value = world.gain * value + draw.normal(0.0, NOISE_V * world.noise, len(value))
    readings = [
        KeptReading(
            front_m=_point(middle + 0.5 * arm),
            back_m=_point(middle - 0.5 * arm),
            value_V=float(v),
            sigma_V=NOISE_V,
            station=f"S{number + 1}",
            turn="" if world.hands.turned else "head",
            source_id=source_id,
        )
        for v, (middle, arm, number, _, source_id) in zip(value, notes, strict=True)
    ]
    return Drawn(world, seed, noted, readings, known)


def ends(pool: Pool, pairs: list[Pair]) -> tuple[FloatArray, FloatArray]:
    """Front and back electrodes (p, 3); none can be inside a wall."""
    middle, arm = np.array([p.middle_m for p in pairs]), np.array([p.arm_m for p in pairs])
    return inside(pool, middle + 0.5 * arm, 0.02), inside(pool, middle - 0.5 * arm, 0.02)


def hold(
    world: World, pool: Pool, spot: Spot, draw: np.random.Generator
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """(true middle, true arm, arm as noted) of the three directions."""
    hands = world.hands

    def times() -> float:
        return 3.0 if draw.random() < hands.rare else 1.0

    place = spot.middle_m + times() * draw.normal(0.0, 1.0, 3) * hands.place_m + (0.0, 0.0, world.deeper)
    shared = times() * draw.normal(0.0, 1.0, 3) * (hands.bearing_deg, hands.tilt_deg, hands.tilt_deg)
    lean = math.radians(hands.lean_deg)
    # Leaning toward the deck moves the top there: a rotation about the level axis along the wall.
    leaning = lean * np.array([spot.toward_deck[1], -spot.toward_deck[0], 0.0])
    held = []
    for direction in ("along", "across", "upright"):
        angle = math.radians(spot.bearing_deg + (90.0 if direction == "along" else 0.0))
        meant = SPACING_m * np.array(
            [0.0, 0.0, 1.0] if direction == "upright" else [math.cos(angle), math.sin(angle), 0.0]
        )
        turn, middle = shared, place
        if hands.turned:
            worse = times()
            turn = worse * draw.normal(0.0, 1.0, 3) * (hands.bearing_deg, hands.tilt_deg, hands.tilt_deg)
            middle = place + worse * draw.normal(0.0, hands.shift_m, 3)
        arm = rotated(rotated(meant, np.array([0.0, 0.0, math.radians(turn[0])])), np.radians([turn[1], turn[2], 0.0]))
        held.append((inside(pool, middle[None], 0.1)[0], rotated(arm, leaning), meant))
    return held


def rotated(vector: FloatArray, by: FloatArray) -> FloatArray:
    """Turned about the axis and by the angle (rad) of `by` (Rodrigues)."""
    angle = float(np.linalg.norm(by))
    if angle < 1e-12:
        return vector
    k = by / angle
    cross, along = np.cross(k, vector), float(k @ vector)
    turned: FloatArray = vector * math.cos(angle) + cross * math.sin(angle) + k * along * (1 - math.cos(angle))
    return turned


def _misnoted(pool: Pool, place: FloatArray, draw: np.random.Generator) -> FloatArray:
    """Half a metre to one and a half from where it was, still in the water."""
    for _ in range(1000):
        angle, far = draw.uniform(0, 2 * math.pi), draw.uniform(0.5, 1.5)
        x, y = place[0] + far * math.cos(angle), place[1] + far * math.sin(angle)
        if 0.35 <= x <= pool.length_m - 0.35 and 0.35 <= y <= pool.width_m - 0.35:
            deep = float(pool.depth_at(x, y))
            return np.array([round(x, 2), round(y, 2), min(place[2], deep - 0.25)])
    raise RuntimeError("no other place")


def _point(place: FloatArray) -> tuple[float, float, float]:
    return float(place[0]), float(place[1]), float(place[2])
