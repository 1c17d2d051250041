"""EMULATED ways from the water to earth: which sink takes how much of the injected current."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from earthward.emulated.scenario import Point3, Scenario
from earthward.pool.box import BoxField
from earthward.signal.types import FloatArray


class Potential(Protocol):
    """The part of a pool field that is needed here."""

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """1/m at points (m, 3) of a unit source at (3,): liner and surface insulating, evenly balanced."""
        ...


class BoxPotential:
    """Exact potential of a box pool."""

    def __init__(self, length_m: float, width_m: float, depth_m: float) -> None:
        self._box = BoxField(length_m, width_m, depth_m)

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        return self._box.green(points_m, source_m)


@dataclass(frozen=True)
class Sink:
    """A way from the water to earth."""

    name: str
    position_m: Point3
    ohm: float


class Network:
    """Who takes how much. Solved once per state of covers and repairs and per injection electrode."""

    def __init__(self, field: Potential, scenario: Scenario, sinks: list[Sink]) -> None:
        self.sinks = sinks
        self._scenario = scenario
        self._solved: dict[str, tuple[FloatArray, float]] = {}
        self._mutual: FloatArray = np.zeros((len(sinks), len(sinks)))
        positions = np.array([s.position_m for s in sinks], dtype=float).reshape(-1, 3)
        for k in range(len(sinks)):
            others = [j for j in range(len(sinks)) if j != k]
            if others:
                self._mutual[others, k] = field.potential(positions[others], positions[k])
        self._from_source = {
            name: field.potential(positions, where) if sinks else np.zeros(0)
            for name, where in (("A", scenario.electrode_A_m), ("B", scenario.electrode_B_m))
        }

    def shares(self, electrode: str) -> tuple[FloatArray, float]:
        """(share of the injected current per sink, ohms from the water to earth). No sink: (empty, inf).

        Unknowns: each sink's current for one ampere injected, and the water's mean potential p:
        p + rho (G(sink, source) - sum of other sinks' G) = current * ohm; currents add up to one.
        """
        known = self._solved.get(electrode)
        if known is None:
            known = self._solved[electrode] = self._solve(electrode)
        return known

    def _solve(self, electrode: str) -> tuple[FloatArray, float]:
        count = len(self.sinks)
        if count == 0:
            return np.zeros(0), float("inf")
        rho = self._scenario.water_ohm_m
        matrix = np.zeros((count + 1, count + 1))
        matrix[:count, :count] = np.diag([s.ohm for s in self.sinks]) + rho * self._mutual
        matrix[:count, count] = -1.0
        matrix[count, :count] = 1.0
        right = np.append(rho * self._from_source[electrode], 1.0)
        solved = np.linalg.solve(matrix, right)
        return solved[:count], float(solved[count])
