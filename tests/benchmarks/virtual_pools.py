"""Virtual pools for the location benchmarks and tests: true leaks and fittings, a technician's errors, readings.

Everything is drawn from a seed. Readings come from the exact box field at the *true* poses, with fittings that are
not quite where the pool file says; the search is told the nominal poses only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from tests.support.points import point

from earthward.inversion.types import Head
from earthward.pool.box import BoxField
from earthward.pool.shape import Pool, rectangle
from earthward.record.place import Fitting, FittingKind, Placement
from earthward.record.reading import KeptReading

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """How an orientation sensor in the head errs, in degrees, and what it claims. wall: of the bearing, common to all
    stations since the head was held against a wall, every so many stations; drift: of the bearing, grows by so much
    (one standard deviation) from station to station; turn, tilt: anew in each turn; mounting: about each axis, common
    to the whole visit."""

    wall_deg: float = 2.0
    stations: int = 4
    drift_deg: float = 0.5
    turn_deg: float = 1.0
    tilt_deg: float = 0.8
    mounting_deg: float = 0.4
    claimed_bearing_deg: float = 3.0
    claimed_tilt_deg: float = 1.0


@dataclass(frozen=True)
class Errors:
    """Standard deviations of what goes wrong; depth_bias_m and gain are systematic. head: "single" is turned by hand,
    each direction with errors of its own (bearing_deg, tilt_deg, shift_m); others are rigid."""

    noise_V: float = 1e-6
    position_m: float = 0.1
    depth_m: float = 0.05
    bearing_deg: float = 10.0
    tilt_deg: float = 2.0
    fitting_m: float = 0.1
    depth_bias_m: float = 0.0
    gain: float = 1.0
    share: float = 0.02
    head: Head = "single"
    shift_m: float = 0.03
    electrode_m: float = 0.0
    electrode_depth_m: float = 0.0
    sensor: Sensor | None = None
    claimed_depth_m: float | None = None
    """A depth sensor in the head told the depth (then depth_m is its error) and claims this sigma."""


@dataclass
class VirtualPool:
    pool: Pool
    field: BoxField
    leaks: list[tuple[FloatArray, float]]
    fitting_true: list[FloatArray]
    fitting_mA: FloatArray  # (placements, fittings)
    injected_mA: float
    errors: Errors
    rng: np.random.Generator
    size: FloatArray
    source_true: list[FloatArray]
    rows: int = 0
    measured: int = 0
    bearing_off_deg: float = 0.0
    mounting: FloatArray | None = None

    def measure(
        self,
        centre: FloatArray,
        bearing_deg: float,
        name: str,
        axes: int = 3,
        placements: int = 2,
        spacing: float = 0.3,
        truth_centre: FloatArray | None = None,
    ) -> list[KeptReading]:
        """All rows of one station. `truth_centre`: where the pole really was meant to be (a wrong note)."""
        e, rng = self.errors, self.rng
        true = np.array(centre if truth_centre is None else truth_centre, dtype=float)
        true = true + rng.normal(0, [e.position_m, e.position_m, e.depth_m]) + [0, 0, e.depth_bias_m]
        half = spacing / 2
        b = np.radians(bearing_deg)
        nominal = np.array([[np.cos(b), np.sin(b), 0], [-np.sin(b), np.cos(b), 0], [0, 0, 1.0]])[:axes] * half
        true = np.clip(true, 0.17, self.size - 0.17)
        turns, shift = self._turns(axes)
        arm = np.stack([turn @ one for turn, one in zip(turns, nominal, strict=True)])
        told = self._sensed(turns, nominal)
        points = np.concatenate([true + shift + arm, true + shift - arm])
        points = np.clip(points, 0.01, self.size - 0.01)
        sinks = [*self.fitting_true, *[p for p, _ in self.leaks]]
        G = np.array([self.field.green(points, s) for s in sinks])
        rho = self.pool.resistivity_ohm_m
        result = []
        for place in range(placements):
            source = self.field.green(points, self.source_true[place])
            q = np.concatenate([self.fitting_mA[place], [i for _, i in self.leaks]]) * 1e-3
            phi = rho * (q.sum() * source - q @ G)
            v = (phi[axes:] - phi[:axes]) * e.gain + rng.normal(0, e.noise_V, axes)
            for k in range(axes):
                self.rows += 1
                result.append(
                    KeptReading(
                        front_m=tuple(centre + told[k]),
                        back_m=tuple(centre - told[k]),
                        value_V=float(v[k]),
                        sigma_V=e.noise_V,
                        source_id=place,
                        station=name,
                        row=self.rows,
                        bearing_sigma_deg=None if e.sensor is None else e.sensor.claimed_bearing_deg,
                        tilt_sigma_deg=None if e.sensor is None else e.sensor.claimed_tilt_deg,
                        depth_sigma_m=e.claimed_depth_m,
                    )
                )
        return result

    def _sensed(self, turns: list[FloatArray], nominal: FloatArray) -> FloatArray:
        """The pairs' arms (axes, 3) as they are noted: as they should be, or as a sensor in the head says they are."""
        s, rng = self.errors.sensor, self.rng
        if s is None:
            return nominal
        if self.mounting is None:
            self.mounting = rotation(np.radians(rng.normal(0, s.mounting_deg, 3)))
        if self.measured % s.stations == 0:
            self.bearing_off_deg = float(rng.normal(0, s.wall_deg))
        else:
            self.bearing_off_deg += float(rng.normal(0, s.drift_deg))
        self.measured += 1
        told: list[FloatArray] = []
        for k, (turn, one) in enumerate(zip(turns, nominal, strict=True)):
            if k == 0 or self.errors.head == "single":
                bearing = self.bearing_off_deg + rng.normal(0, s.turn_deg)
                off = rotation(np.radians([*rng.normal(0, s.tilt_deg, 2), bearing]))
            told.append(off @ turn @ self.mounting @ one)
        return np.stack(told)

    def _turns(self, axes: int) -> tuple[list[FloatArray], FloatArray]:
        """A rotation for each direction, and how far (axes, 3) its pair is from the station's place."""
        e, rng = self.errors, self.rng
        if e.head == "crossed":
            # Two level pairs in one turn of the pole, then upright: another turn, another slip of the hand.
            level, upright = (rotation(np.radians(rng.normal(0, [e.tilt_deg] * 2 + [e.bearing_deg]))) for _ in range(2))
            slip = rng.normal(0, e.shift_m, (2, 3)) if e.shift_m else np.zeros((2, 3))
            return [level, level, upright][:axes], slip[[0, 0, 1]][:axes]
        if e.head != "single":
            one = rotation(np.radians(rng.normal(0, [e.tilt_deg, e.tilt_deg, e.bearing_deg])))
            return [one] * axes, np.zeros((axes, 3))
        each = np.radians(rng.normal(0, [e.tilt_deg, e.tilt_deg, e.bearing_deg], (axes, 3)))
        return [rotation(w) for w in each], rng.normal(0, e.shift_m, (axes, 3)) if e.shift_m else np.zeros((axes, 3))


def rotation(w: FloatArray) -> FloatArray:
    a = float(np.linalg.norm(w))
    if a < 1e-12:
        return np.eye(3)
    x, y, z = w / a
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(a) * k + (1 - np.cos(a)) * (k @ k))


def liner_point(rng: np.random.Generator, size: FloatArray) -> FloatArray:
    """A point of the liner, uniform by area."""
    L, W, D = size
    areas = np.array([L * W, L * D, L * D, W * D, W * D])
    face = rng.choice(5, p=areas / areas.sum())
    u, v = rng.random(2)
    return np.array(
        [[u * L, v * W, D], [u * L, 0, v * D], [u * L, W, v * D], [0, u * W, v * D], [L, u * W, v * D]][face]
    )


def shift_on_liner(rng: np.random.Generator, p: FloatArray, size: FloatArray, sigma: float) -> FloatArray:
    q = p + rng.normal(0, sigma, 3)
    on = [k for k in range(3) if p[k] <= 0 or p[k] >= size[k]]
    axis = 2 if p[2] >= size[2] else next((k for k in on if k < 2), 2)
    q[axis] = p[axis]
    return np.clip(q, [0, 0, 0.03], size)


def random_pool(
    seed: int,
    *,
    leaks: int = 1,
    fittings: int | None = None,
    errors: Errors | None = None,
    depth: tuple[float, float] = (1.2, 2.0),
    leak_mA: tuple[float, float] = (0.3, 2.0),
    min_share: float = 0.0,
    apart_m: float = 1.0,
    like: VirtualPool | None = None,
) -> VirtualPool:
    """A pool drawn from `seed`; `like`: with the size and the injection electrode's places of another one."""
    rng = np.random.default_rng(seed)
    errors = errors or Errors()
    size = np.array([rng.uniform(6, 12), rng.uniform(3.5, 6), rng.uniform(*depth)]).round(2)
    if like is not None:
        size = like.size
    L, W, D = size
    n = int(rng.integers(0, 5)) if fittings is None else fittings
    if leaks == 0:
        n = max(n, 1)
    injected = float(rng.uniform(5, 20))
    while True:
        places = [liner_point(rng, size) for _ in range(leaks)]
        if all(np.linalg.norm(a - b) >= apart_m for i, a in enumerate(places) for b in places[:i]):
            break
    currents = rng.uniform(*leak_mA, leaks)
    if min_share > 0:
        currents = np.maximum(currents, min_share * injected)
    kinds: list[FittingKind] = ["light", "return", "skimmer", "drain", "ladder"]
    stated, true, listed = [], [], []
    for k in range(n):
        kind = kinds[int(rng.integers(0, 5))]
        if kind == "drain":
            p = np.array([rng.uniform(0.3, 0.9) * L, rng.uniform(0.3, 0.7) * W, D])
        else:
            z = {"light": 0.6, "return": 0.3, "skimmer": 0.15, "ladder": 0.4}[kind]
            side = int(rng.integers(0, 4))
            u = rng.uniform(0.1, 0.9)
            p = np.array([[u * L, 0, z], [u * L, W, z], [0, u * W, z], [L, u * W, z]][side])
        stated.append(p)
        true.append(shift_on_liner(rng, p, size, errors.fitting_m))
        listed.append(Fitting(name=f"{kind} {k + 1}", kind=kind, position_m=point(p)))
    if n:
        rest = injected - currents.sum()
        if rest < 0.5:
            injected = float(currents.sum() + 0.5)
            rest = 0.5
        share = rng.dirichlet(np.ones(n)) * rest
    else:
        injected, share = float(currents.sum()), np.zeros(0)
    two = [
        np.array([rng.uniform(0.1, 0.3) * L, rng.uniform(0.2, 0.8) * W, min(0.5, D / 2)]),
        np.array([rng.uniform(0.7, 0.9) * L, rng.uniform(0.2, 0.8) * W, min(0.5, D / 2)]),
    ]
    if like is not None:
        two = [np.array(source.position_m) for source in like.pool.sources]
    per_place = np.array([share, share])
    if n > 1:
        # A low-resistance fitting takes a little more from a near electrode; the sum stays.
        per_place = per_place * (1 + rng.normal(0, errors.share, per_place.shape))
        per_place *= share.sum() / per_place.sum(axis=1, keepdims=True)
    pool = replace(
        rectangle(float(L), float(W), float(D)),
        water_conductivity_S_per_m=float(rng.uniform(0.1, 0.4)),
        sources=tuple(
            Placement(position_m=point(p), current_A=injected * 1e-3, source_id=k) for k, p in enumerate(two)
        ),
        fittings=tuple(listed),
        name=f"virtual pool {seed}",
    )
    leak_list = [(p, float(i)) for p, i in zip(places, currents, strict=True)]
    off = [errors.electrode_m, errors.electrode_m, errors.electrode_depth_m]
    source_true = [np.clip(p + rng.normal(0, 1, 3) * off, 0.05, size - 0.05) for p in two]
    return VirtualPool(pool, BoxField(L, W, D), leak_list, true, per_place, injected, errors, rng, size, source_true)


def random_stations(world: VirtualPool, count: int, layout: str = "random") -> list[tuple[FloatArray, float]]:
    rng, (L, W, D) = world.rng, world.size
    result = []
    for k in range(count):
        z = rng.uniform(0.25, D - 0.2)
        if layout == "ring":
            # Equal steps around a ring 0.5 m off the wall, depths alternating.
            l, w = L - 1.0, W - 1.0
            s = (k + 0.5) / count * 2 * (l + w)
            z = 0.35 * D if k % 2 else 0.75 * D
            if s < l:
                p = [0.5 + s, 0.5]
            elif s < l + w:
                p = [0.5 + l, 0.5 + s - l]
            elif s < 2 * l + w:
                p = [0.5 + 2 * l + w - s, 0.5 + w]
            else:
                p = [0.5, 0.5 + 2 * (l + w) - s]
        else:
            p = [rng.uniform(0.25, L - 0.25), rng.uniform(0.25, W - 0.25)]
        result.append((np.array([p[0], p[1], z]), float(rng.uniform(0, 360))))
    return result
