"""How well a leak could be placed at best in the pools of `bench_orientation`: three axes with an orientation sensor.

    python tests/benchmarks/orientation_bound.py --pools 30 [--place 0.1 0.05 0.03] [--depth 0.05 0.01]

Own computation, apart from the search and from its linear model: the exact box field differentiated by central
differences, every pose an unknown of its own. A bound with priors (Van Trees; Kay, Fundamentals of statistical signal
processing I, ch. 10, from memory): the information of the readings plus that of the priors, inverted; told is the root
of the trace over the leak's two directions along the liner, and the median of errors drawn from these covariances.

Unknown, with the standard deviations from which `virtual_pools` draws: leak's place and current (nothing known),
fittings' places along the liner (0.1 m) and currents (nothing known, 2 % between placements), injected current (1 %),
gain (5 %), injection electrodes (0.1, 0.1, 0.03 m), station's place (--place) and depth (--depth), bearing by contact
with a wall (2 degrees for four stations), its drift (0.5 from station to station), each turn's bearing (1) and tilt
(0.8), mounting (0.4 about each axis, for all). Noise 1 uV. Poses are where they are noted.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_locate import SEED
from tests.benchmarks.bench_orientation import HAND
from tests.benchmarks.virtual_pools import Sensor, VirtualPool, random_pool, random_stations

FloatArray = NDArray[np.float64]
STEP_m = 1e-4
SPACING_m = 0.3
INJECTED, GAIN = 0.01, 0.05

SENSOR = Sensor()


class Drawn:
    """One pool, its stations, and the potential at any points for either placement."""

    def __init__(self, seed: int, stations: int) -> None:
        self.world: VirtualPool = random_pool(seed, errors=HAND)
        layout = random_stations(self.world, stations)
        self.centres = np.clip([c for c, _ in layout], 0.17, self.world.size - 0.17)
        b = np.radians([b for _, b in layout])
        zero, one = np.zeros_like(b), np.ones_like(b)
        arms = [[np.cos(b), np.sin(b), zero], [-np.sin(b), np.cos(b), zero], [zero, zero, one]]
        #: (stations, axes, 3): from the head's middle to the front electrode.
        self.arms = np.array(arms).transpose(2, 0, 1) * SPACING_m / 2
        self.sinks = [place for place, _ in self.world.leaks] + list(self.world.fitting_true)
        leak = [i for _, i in self.world.leaks]
        self.current_A = np.array([[*leak, *row] for row in self.world.fitting_mA]) * 1e-3
        middle = self.centres[:, None]
        self.front = np.clip(middle + self.arms, 0.01, self.world.size - 0.01).reshape(-1, 3)
        self.back = np.clip(middle - self.arms, 0.01, self.world.size - 0.01).reshape(-1, 3)

    def ohms(self, points: FloatArray, place: FloatArray) -> FloatArray:
        """Volts at the points per ampere into the water at a place."""
        return self.world.pool.resistivity_ohm_m * self.world.field.green(points, place)

    def pair_ohms(self, place: FloatArray) -> FloatArray:
        return self.ohms(self.back, place) - self.ohms(self.front, place)

    def volts_at(self, points: FloatArray, placement: int) -> FloatArray:
        q = self.current_A[placement]
        out = q.sum() * self.ohms(points, self.world.source_true[placement])
        return np.asarray(out - sum(i * self.ohms(points, s) for i, s in zip(q, self.sinks, strict=True)))

    def slope(self, points: FloatArray, placement: int) -> FloatArray:
        """(points, 3) volts per metre, by central differences."""
        steps = STEP_m * np.eye(3)
        each = [self.volts_at(points + s, placement) - self.volts_at(points - s, placement) for s in steps]
        return np.stack(each, axis=1) / (2 * STEP_m)

    def by_place(self, place: FloatArray, axis: FloatArray) -> FloatArray:
        """Volts of the pairs per ampere and metre that the place moves along the axis (one-sided at an edge)."""
        ahead, behind = (np.clip(place + s * STEP_m * axis, 0, self.world.size) for s in (1, -1))
        return (self.pair_ohms(ahead) - self.pair_ohms(behind)) / float((ahead - behind) @ axis)

    def along_liner(self, place: FloatArray) -> list[FloatArray]:
        x, y, z = np.eye(3)
        length, width, _ = self.world.size
        if min(place[0], length - place[0]) < 1e-6:
            return [y, z]
        return [x, z] if min(place[1], width - place[1]) < 1e-6 else [x, y]


class Information:
    """Derivatives of a pool's readings by everything unknown. A sigma may be "place" or "depth": filled in later."""

    def __init__(self, drawn: Drawn) -> None:
        self.columns: list[FloatArray] = []
        self.sigmas: list[float | str] = []
        self.wholes: list[tuple[float, float]] = []
        """By how much an unknown changes the whole current of either placement."""
        none, q = np.zeros(len(drawn.front)), drawn.current_A
        for k, place in enumerate(drawn.sinks):
            for axis in drawn.along_liner(place):
                by = -drawn.by_place(place, axis)
                self.unknown(by * q[0, k], by * q[1, k], HAND.fitting_m if k else np.inf)
        given = [drawn.pair_ohms(one) for one in drawn.world.source_true]
        for k, place in enumerate(drawn.sinks):
            ohms = drawn.pair_ohms(place)
            one = [(given[p] - ohms) * q[p, k] for p in (0, 1)]
            self.unknown(one[0], one[1], np.inf, (q[0, k], q[1, k]))
            if k:  # a leak keeps its share, whatever the placement
                self.unknown(none, one[1], 2**0.5 * HAND.share, (0.0, q[1, k]))
        volts = [drawn.volts_at(drawn.back, p) - drawn.volts_at(drawn.front, p) for p in (0, 1)]
        self.unknown(volts[0], volts[1], GAIN)
        for axis, sigma in zip(np.eye(3), (HAND.electrode_m, HAND.electrode_m, HAND.electrode_depth_m), strict=True):
            moved = [drawn.by_place(drawn.world.source_true[p], axis) * q[p].sum() for p in (0, 1)]
            self.unknown(moved[0], none, sigma)
            self.unknown(none, moved[1], sigma)
        self._poses(drawn)
        jacobian = np.column_stack(self.columns) / HAND.noise_V
        tied = np.array(self.wholes).T / (INJECTED * q.sum(axis=1)[:, None])
        self.scale = 1.0 / np.maximum(np.linalg.norm(jacobian, axis=0), 1e-30)
        jacobian, tied = jacobian * self.scale, tied * self.scale
        self.matrix = jacobian.T @ jacobian + tied.T @ tied

    def unknown(
        self, first: FloatArray, second: FloatArray, sigma: float | str, whole: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        """Derivative of the readings with the electrode at its first and at its second placement."""
        self.columns.append(np.concatenate([first.ravel(), second.ravel()]))
        self.sigmas.append(sigma)
        self.wholes.append(whole)

    def covariance(self, place_m: float, depth_m: float) -> FloatArray:
        """(2, 2), m^2: of the leak's place along the liner, at best."""
        known = {"place": place_m, "depth": depth_m}
        sigmas = np.array([known[s] if isinstance(s, str) else s for s in self.sigmas])
        best = np.linalg.inv(self.matrix + np.diag((self.scale / sigmas) ** 2))
        return np.asarray(best[:2, :2] * np.outer(self.scale[:2], self.scale[:2]))

    def _poses(self, drawn: Drawn) -> None:
        stations = len(drawn.centres)
        front = [drawn.slope(drawn.front, p).reshape(stations, 3, 3) for p in (0, 1)]
        back = [drawn.slope(drawn.back, p).reshape(stations, 3, 3) for p in (0, 1)]

        def only(which: list[int], by: list[FloatArray], sigma: float | str) -> None:
            mask = np.zeros((stations, 1))
            mask[which] = 1.0
            self.unknown(by[0] * mask, by[1] * mask, sigma)

        for k, sigma in enumerate(("place", "place", "depth")):
            by = [(back[p] - front[p])[..., k] for p in (0, 1)]
            for s in range(stations):
                only([s], by, sigma)
        for k, axis in enumerate(np.eye(3)):
            # The ends move contrary ways when the head turns about an axis.
            way = np.cross(axis, drawn.arms)
            by = [-np.einsum("sai,sai->sa", front[p] + back[p], way) for p in (0, 1)]
            for s in range(stations):
                only([s], by, math.radians(SENSOR.turn_deg if k == 2 else SENSOR.tilt_deg))
            only(list(range(stations)), by, math.radians(SENSOR.mounting_deg))
        for first in range(0, stations, SENSOR.stations):
            block = list(range(first, min(first + SENSOR.stations, stations)))
            only(block, by, math.radians(SENSOR.wall_deg))
            for s in block[1:]:
                only([t for t in block if t >= s], by, math.radians(SENSOR.drift_deg))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=30)
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--place", type=float, nargs="+", default=[0.1, 0.07, 0.05, 0.03])
    parser.add_argument("--depth", type=float, nargs="+", default=[0.05, 0.01])
    args = parser.parse_args()
    pools = [Information(Drawn(SEED + 70_000 + k, args.stations)) for k in range(args.pools)]
    normal = np.random.default_rng(1).standard_normal((2000, 2))
    for depth in args.depth:
        for place in args.place:
            every = [one.covariance(place, depth) for one in pools]
            bound = np.sqrt([np.trace(c) for c in every])
            drawn = [np.linalg.norm(normal @ np.linalg.cholesky(c).T, axis=1) for c in every]
            print(
                f"place {place:.3f} m, depth {depth:.3f} m: bound (rms of a pool) median {np.median(bound):.3f} m,"
                f" tenths {np.quantile(bound, 0.1):.3f} to {np.quantile(bound, 0.9):.3f}; errors drawn from it, all"
                f" {len(bound)} pools: median {np.median(drawn):.3f} m",
                flush=True,
            )


if __name__ == "__main__":
    main()
