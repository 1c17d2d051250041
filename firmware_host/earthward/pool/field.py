"""The field of a pool, whatever its shape: one interface for the exact box and for finite elements.

Convention: G(x, y) in 1/m is the potential at x of a unit current source at y, over resistivity, with liner and
water surface insulating and the source balanced by a uniform sink over the water; only balanced sums mean a
voltage. A pair's value is V_back - V_front. A *sink* of current I at t adds rho * I * (G(front, t) - G(back, t))
to it; an injection electrode at s adds rho * I * (G(back, s) - G(front, s)).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from earthward.pool.box import BoxField
from earthward.pool.rows import PairRow, RecentRows, row_key
from earthward.pool.shape import Pool

FloatArray = NDArray[np.float64]


class Field(Protocol):
    """What a forward model of a pool can do. Points are (m, 3) metres in the pool's frame."""

    @property
    def pool(self) -> Pool: ...

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """G (m,) in 1/m at points of a unit source at source (3,)."""
        ...

    def potentials(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        """`potential` of several sources (s, 3) near each other at once: (s, m)."""
        ...

    def pair_row(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> FloatArray:
        """V_back - V_front (m,) per unit resistivity x current for a unit sink at each target."""
        ...

    def pair_row_derivatives(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> PairRow:
        """`pair_row` and its derivatives by the electrode positions."""
        ...

    def mutual(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        """G (p, s) at points (p, 3) of unit sources at (s, 3), at the best accuracy there is and symmetric to
        rounding; for tens of points, not thousands."""
        ...

    def pair_difference(self, front_m: ArrayLike, back_m: ArrayLike, source_m: ArrayLike) -> float:
        """V_back - V_front per unit resistivity x current for a unit *source*. Symmetric: swapping the roles of
        pair and source-sink gives the same number to rounding."""
        ...


class BoxPoolField:
    """`Field` of a box pool, exact: see `earthward.pool.box`."""

    def __init__(self, pool: Pool) -> None:
        if not pool.is_box:
            raise ValueError("not a box pool")
        x0, y0, x1, y1 = pool.bounds_m
        self._pool = pool
        depth = float(pool.depth_at(0.5 * (x0 + x1), 0.5 * (y0 + y1)))
        self.box = BoxField(x1 - x0, y1 - y0, depth, (x0, y0))
        self._rows: RecentRows = RecentRows()

    @property
    def pool(self) -> Pool:
        return self._pool

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        return self.box.green(points_m, source_m)

    def potentials(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        return np.stack([self.box.green(points_m, source) for source in sources_m])

    def pair_row(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> FloatArray:
        key = row_key("row", front_m, back_m, targets_m)
        found = self._rows.get(key)
        if found is None:
            found = self._rows.put(key, self.box.green(targets_m, front_m) - self.box.green(targets_m, back_m))
        assert isinstance(found, np.ndarray)
        return found

    def pair_row_derivatives(self, front_m: ArrayLike, back_m: ArrayLike, targets_m: FloatArray) -> PairRow:
        key = row_key("derivatives", front_m, back_m, targets_m)
        found = self._rows.get(key)
        if found is None:
            front, by_front = self.box.green_and_source_gradient(targets_m, front_m)
            back, by_back = self.box.green_and_source_gradient(targets_m, back_m)
            found = self._rows.put(key, PairRow(front - back, by_front, -by_back))
        assert isinstance(found, PairRow)
        return found

    def mutual(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        return np.column_stack([self.box.green(points_m, source) for source in sources_m])

    def pair_difference(self, front_m: ArrayLike, back_m: ArrayLike, source_m: ArrayLike) -> float:
        both = np.array([np.asarray(back_m, dtype=float), np.asarray(front_m, dtype=float)])
        value = self.box.green(both, source_m)
        return float(value[0] - value[1])


def make_field(pool: Pool, cache_dir: str | None = None) -> Field:
    """The exact field for a box pool, finite elements for any other. `cache_dir` keeps meshes between runs."""
    if pool.is_box:
        return BoxPoolField(pool)
    from earthward.pool.fem import FiniteElementField  # sparse algebra that box pools do without

    return FiniteElementField(pool, cache_dir=cache_dir)
