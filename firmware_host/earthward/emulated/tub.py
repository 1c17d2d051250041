"""EMULATED tub: insulating walls, a wire's bare end as the hole, hands that hold a small pair by a rule over the rim.

The truth is made with the field of a box alone; what was noted and what was so are kept apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from earthward.pool.box import BoxField
from earthward.pool.shape import Pool, rectangle
from earthward.record.base import Point
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.signal.types import FloatArray

LENGTH_m, WIDTH_m = 0.6, 0.4
SPACING_m = 0.03
NOISE_V = 3e-6


@dataclass(frozen=True)
class DrawnTub:
    """pool, readings: as noted. hole_m, share: what was so (share of the current by the hole)."""

    pool: Pool
    readings: list[KeptReading]
    hole_m: Point
    share: float


def draw(seed: int, *, second_wire: bool = False, size: float = 1.0) -> DrawnTub:
    """A tub with its survey of 15 stations. second_wire: another way out at a known place, as a light would be.
    size: every length times so much, hands included (1: the tub; 15: a pool of its shape)."""
    draw_ = np.random.default_rng([seed, 31])
    depth = round(draw_.uniform(0.16, 0.22), 3)
    hole = _on_wall(draw_, depth)
    wire = _on_wall(draw_, depth)
    while np.linalg.norm(hole - wire) < 0.15:
        wire = _on_wall(draw_, depth)
    share = draw_.uniform(0.3, 0.7) if second_wire else 1.0
    conductivity = draw_.uniform(0.05, 0.4)
    current = draw_.uniform(2e-3, 7e-3, 2)
    noted = np.array([[0.08, 0.2, 0.5 * depth], [0.52, 0.2, 0.5 * depth]])
    true = noted + draw_.normal(0, 0.002, (2, 3))
    field = BoxField(size * LENGTH_m, size * WIDTH_m, size * depth)

    def volts(front: FloatArray, back: FloatArray, k: int) -> float:
        ends = size * np.stack([back, front])
        value = field.green(ends, size * true[k]) - share * field.green(ends, size * hole)
        if second_wire:
            value = value - (1 - share) * field.green(ends, size * wire)
        return float(current[k] / conductivity * (value[0] - value[1]))

    readings: list[KeptReading] = []
    for station, middle in enumerate(_stations(depth)):
        stands = middle + draw_.normal(0, [0.0015, 0.0015, 0.0015])
        for arm in np.eye(3) * SPACING_m:
            turned = _turned(arm, draw_)
            for k in range(2):
                own = volts(stands + 0.5 * turned, stands - 0.5 * turned, k)
                sigma = NOISE_V / size
                readings.append(
                    KeptReading(
                        front_m=_point(size * (middle + 0.5 * arm)), back_m=_point(size * (middle - 0.5 * arm)),
                        value_V=own + draw_.normal(0, sigma), sigma_V=sigma, source_id=k,
                        station=f"S{station + 1}", row=len(readings) + 1,
                    )
                )  # fmt: skip
    pool = replace(
        rectangle(size * LENGTH_m, size * WIDTH_m, size * depth),
        name=f"tub {seed}",
        water_conductivity_S_per_m=conductivity * (1 + draw_.normal(0, 0.01)),
        sources=tuple(
            Placement(position_m=_point(size * noted[k]), current_A=float(current[k] * (1 + draw_.normal(0, 0.005))),
                      source_id=k)
            for k in range(2)
        ),
        fittings=(Fitting(name="second wire", kind="other", position_m=_point(size * wire)),) if second_wire else (),
    )  # fmt: skip
    return DrawnTub(pool, readings, _point(hole), float(share))


def _stations(depth: float) -> list[FloatArray]:
    places = [(x, y) for x in (0.1, 0.2, 0.3, 0.4, 0.5) for y in (0.08, 0.2, 0.32)]
    return [np.array([x, y, depth * (0.35 if k % 2 else 0.65)]) for k, (x, y) in enumerate(places)]


def _on_wall(draw_: np.random.Generator, depth: float) -> FloatArray:
    """On the floor or on a wall, 3 cm off every edge."""
    if draw_.random() < 0.45:
        return np.array([draw_.uniform(0.03, LENGTH_m - 0.03), draw_.uniform(0.03, WIDTH_m - 0.03), depth])
    z = draw_.uniform(0.03, depth - 0.03)
    if draw_.random() < 0.6:
        return np.array([draw_.uniform(0.03, LENGTH_m - 0.03), draw_.choice([0.0, WIDTH_m]), z])
    return np.array([draw_.choice([0.0, LENGTH_m]), draw_.uniform(0.03, WIDTH_m - 0.03), z])


def _turned(arm: FloatArray, draw_: np.random.Generator) -> FloatArray:
    """By a hand: some two degrees about each axis."""
    angle = np.radians(draw_.normal(0, 2.0, 3))
    turned = arm + np.cross(angle, arm)
    return np.asarray(turned * np.linalg.norm(arm) / np.linalg.norm(turned))


def _point(p: FloatArray) -> Point:
    return float(p[0]), float(p[1]), float(p[2])


def distance_m(a: Point, b: Point) -> float:
    return math.dist(a, b)


def with_currents(pool: Pool, current_A: dict[int, float]) -> Pool:
    """The tub as noted once the board has told its currents."""
    sources = tuple(
        Placement(position_m=s.position_m, source_id=s.source_id, current_A=current_A[s.source_id])
        for s in pool.sources
    )
    return replace(pool, sources=sources)
