"""Normal equations of windows from the products kept per hop.

Window parameters: value, quadrature, mains lines, a cubic spline with one knot per hop (electrode drift), and per
mains family a straight and a parabolic bend of its phase. Each is linear in a hop's columns with factors that
depend only on the hop's place in the window, so that products are formed once per hop and only summed per window.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from earthward.signal.hops import HopStore, Layout, Y
from earthward.signal.types import FloatArray

# Cubic B-spline pieces on one hop: rows 1, s, s^2, s^3 with s = 2 u - 1; columns the four splines alive there.
_U = np.array([[1, 4, 1, 0], [-3, 0, 3, 0], [3, -6, 3, 0], [-1, 3, -3, 1]]) / 6.0
_SHIFT = np.array([[1, 0.5, 0.25, 0.125], [0, 0.5, 0.5, 0.375], [0, 0, 0.25, 0.375], [0, 0, 0, 0.125]])
SPLINE = _SHIFT @ _U
#: Up to so many windows at once, as they come live, one product is quicker than running sums.
FEW_WINDOWS = 4


@dataclass(slots=True)
class Solution:
    """What a window's least squares gave. Volts; `unit_*` are variances per unit noise variance."""

    value: float
    quadrature: float
    noise: float
    unit_value: float
    unit_quadrature: float
    samples: float
    theta: FloatArray
    breaks: tuple[int, ...] = ()
    #: Influence of value and quadrature (2, parameters): d theta / d (right side of their own equations).
    influence: FloatArray | None = None


def spline_products(products: FloatArray, poly: int) -> FloatArray:
    """(hops, 4, poly + 4) from hops' products: each spline piece times the columns, then times the pieces."""
    rows = np.matmul(SPLINE.T, products[:, poly:])
    rows[..., poly:] = np.matmul(rows[..., poly:], SPLINE)
    return np.asarray(rows)


@lru_cache(maxsize=64)
def place_table(windows: int, hops: int) -> FloatArray:
    """(5 windows, windows + hops - 1): powers 0..4 of the hop's place, -(hops-1)..(hops-1), for each window."""
    tau = 2.0 * (np.arange(hops) - 0.5 * (hops - 1))
    out = np.zeros((windows, 5, windows + hops - 1))
    for i in range(windows):
        out[i, :, i : i + hops] = tau ** np.arange(5)[:, None]
    return out.reshape(5 * windows, -1)


@lru_cache(maxsize=8)
def _gather(hops: int) -> FloatArray:
    """(hops + 3, 4 hops): which splines the four pieces of each hop belong to."""
    out = np.zeros((hops + 3, hops, 4))
    for h in range(hops):
        out[h : h + 4, h] = np.eye(4)
    return out.reshape(hops + 3, 4 * hops)


@lru_cache(maxsize=16)
def _bands(windows: int, hops: int) -> FloatArray:
    """(windows, windows + hops - 1): one where a hop belongs to a window."""
    return np.asarray(np.tri(windows, windows + hops - 1, hops - 1) - np.tri(windows, windows + hops - 1, -1))


def sum_windows(rows: FloatArray, hops: int) -> FloatArray:
    """(windows, ...) sums over each run of so many rows, rows (windows + hops - 1, ...)."""
    windows = rows.shape[0] - hops + 1
    if windows <= FEW_WINDOWS:
        return np.asarray((_bands(windows, hops) @ rows.reshape(rows.shape[0], -1)).reshape(windows, *rows.shape[1:]))
    running = np.cumsum(rows, axis=0)
    total = running[hops - 1 :].copy()
    total[1:] -= running[:-hops]
    return np.asarray(total)


class WindowEquations:
    """For one layout and window length: sums over windows, and the way back from parameters to hops' columns.

    Parameters in order: value, quadrature, mains lines, bends (straight, then parabolic, per family), spline.
    """

    def __init__(self, layout: Layout, hops: int) -> None:
        self.layout, self.hops = layout, hops
        self.splines = hops + 3
        self.line_end = 2 + layout.lines
        self.spline_start = self.line_end + 2 * layout.families
        self.size = self.spline_start + self.splines
        tau = 2.0 * (np.arange(hops) - 0.5 * (hops - 1))
        f, lo = layout.families, layout
        spread = np.zeros((1 + self.size, hops, lo.width))
        for j in range(1 + self.line_end):
            spread[j, :, j] = 1.0
        for i in range(f):
            first, second = spread[1 + self.line_end + i], spread[1 + self.line_end + f + i]
            first[:, lo.turn + i], first[:, lo.bend + i] = tau, 1.0
            second[:, lo.turn + i], second[:, lo.bend + i] = tau**2, 2 * tau
        for h in range(hops):
            spread[1 + self.spline_start + h : 1 + self.spline_start + h + 4, h, lo.poly :] = SPLINE.T
        #: (1 + size, hops, width): coefficient of each hop's columns per unit of the data and each window parameter.
        self.spread = spread
        #: (size, width): the same for the newest hop alone, of the parameters only.
        self.newest = np.ascontiguousarray(spread[1:, -1])
        self._spread_flat = np.ascontiguousarray(spread[1:].reshape(self.size, -1))
        #: (hops, 2 families, 2 families): bends of the window from turn and bend of the hop.
        self._bends = np.ascontiguousarray(
            spread[1 + self.line_end : 1 + self.spline_start, :, lo.turn : lo.poly].transpose(1, 2, 0)
        )
        self._terms, self._factors = self._bend_terms()
        #: Work space by number of windows: spline pieces as rows, and the view on which hops' own products go.
        self._pieces: dict[int, tuple[FloatArray, FloatArray]] = {}

    def _bend_terms(self) -> tuple[NDArray[np.int64], FloatArray]:
        """(4, bends x fixed columns): where in the moments (power of the place, turn or bend, column) the products of
        bends with everything fixed are found, and their factors."""
        f, turn, bend, poly = self.layout.families, self.layout.turn, self.layout.bend, self.layout.poly
        fixed = turn + 2 * f
        place = np.zeros((4, 2 * f, fixed), dtype=np.int64)
        factor = np.zeros((4, 2 * f, fixed))
        # A bend as (power of the place, turn or bend, factor): turn tau + bend, or turn tau^2 + 2 bend tau.
        parts = [[(1, i, 1.0), (0, f + i, 1.0)] for i in range(f)] + [[(2, i, 1.0), (1, f + i, 2.0)] for i in range(f)]
        for row, own in enumerate(parts):
            for column in range(fixed):
                other = [(0, column, 1.0)] if column < turn else [
                    (power, turn + k, by) for power, k, by in parts[column - turn]
                ]  # fmt: skip
                for j, ((p1, k1, by1), (p2, k2, by2)) in enumerate((x, y) for x in own for y in other):
                    place[j, row, column] = ((p1 + p2) * 2 * f + k1) * poly + k2
                    factor[j, row, column] = by1 * by2
        assert bend - turn == f
        return place.reshape(4, -1), factor.reshape(4, -1)

    def _work(self, windows: int) -> tuple[FloatArray, FloatArray]:
        if windows not in self._pieces:
            n, fixed = self.hops, self.layout.turn + 2 * self.layout.families
            pieces = np.zeros((windows, n, 4, fixed + self.splines))
            one, hop, piece, item = pieces.strides
            own = as_strided(pieces[..., fixed:], (windows, n, 4, 4), (one, hop + item, piece, item))
            self._pieces[windows] = pieces, own
        return self._pieces[windows]

    def per_hop(self, parameters: FloatArray) -> FloatArray:
        """(..., size) parameters -> (..., hops, width) coefficients of hops' columns."""
        # As one product of a matrix: a stack of them would read the coefficients anew for each.
        flat = parameters.reshape(-1, self.size) @ self._spread_flat
        return np.asarray(flat.reshape(*parameters.shape[:-1], self.hops, self.layout.width))

    def leaving(self, per_hop: FloatArray) -> FloatArray:
        """Coefficients of hops' columns that leave the residual, in place of those that make the fit."""
        np.negative(per_hop, out=per_hop)
        per_hop[..., Y] = 1.0
        return per_hop

    def normal(self, store: HopStore, a: int, b: int) -> FloatArray:
        """Products for every window that ends with rows a..b-1: (b - a, 1 + size, 1 + size), data first."""
        n, r, lo = self.hops, b - a, self.layout
        f, turn, poly = lo.families, lo.turn, lo.poly
        fixed = turn + 2 * f
        rows = slice(a - n + 1, b)
        g = store.products[rows]
        w = np.empty((r, 1 + self.size, 1 + self.size))
        w[:, :turn, :turn] = (
            sum_windows(g, n)[:, :turn, :turn] if r <= FEW_WINDOWS else sum_windows(g[:, :turn, :turn], n)
        )
        spline = hops_of(store.spline_rows[rows], n)
        pieces, own = self._work(r)
        pieces[..., :turn] = spline[..., :turn]
        own[...] = spline[..., poly:]
        if f:
            np.matmul(spline[..., turn:poly], self._bends, out=pieces[..., turn:fixed])
            moments = place_table(r, n) @ g[:, turn:poly, :poly].reshape(r + n - 1, -1)
            terms = moments.reshape(r, -1).take(self._terms, axis=1)
            terms *= self._factors
            bends = np.add.reduce(terms, axis=1).reshape(r, 2 * f, fixed)
            w[:, turn:fixed, :fixed] = bends
            w[:, :turn, turn:fixed] = bends[:, :, :turn].transpose(0, 2, 1)
        side = w[:, fixed:]
        np.matmul(_gather(n), pieces.reshape(r, 4 * n, -1), out=side)
        w[:, :fixed, fixed:] = side[:, :, :fixed].transpose(0, 2, 1)
        return w

    def break_rows(self, store: HopStore, first: int) -> FloatArray:
        """(hops - 1, 1 + size + hops - 1): products of a step before hop 1, 2, ... with everything, steps last."""
        n, poly = self.hops, self.layout.poly
        constant = store.products[first : first + n, poly]
        each = np.empty((n, 2 + self.size))
        each[:, :-1] = np.matmul(self.spread.transpose(1, 0, 2), constant[:, :, None])[:, :, 0]
        each[:, -1] = constant[:, poly]
        tail = np.cumsum(each[::-1], axis=0)[::-1][1:]
        both = tail[:, -1][np.maximum.outer(np.arange(n - 1), np.arange(n - 1))]
        return np.concatenate([tail[:, :-1], both], axis=1)

    def residual(self, store: HopStore, theta: FloatArray, breaks: tuple[int, ...], last: int) -> FloatArray:
        """(hops, slots) what the parameters (steps last) leave of the window that ends with row `last`, volts."""
        whole = self.leaving(self.per_hop(theta[: self.size]))
        for j, where in enumerate(breaks):
            whole[where:, self.layout.poly] -= theta[self.size + j]
        return np.asarray(np.matmul(whole[:, None], store.columns[last - self.hops + 1 : last + 1])[:, 0])


def hops_of(rows: FloatArray, hops: int) -> FloatArray:
    """(windows, hops, ...) view of each window's rows, rows (windows + hops - 1, ...)."""
    if rows.shape[0] == hops:
        return rows[None]
    shape = (rows.shape[0] - hops + 1, hops, *rows.shape[1:])
    # `as_strided` does the same in six times the time.
    return np.ndarray(shape, rows.dtype, rows, 0, (rows.strides[0], *rows.strides))


def roughness(splines: int) -> FloatArray:
    """Second differences of the spline's coefficients: only to keep knots without data in place."""
    second = np.diff(np.eye(splines), 2, axis=0)
    return np.asarray(second.T @ second)


def solve_each(a: FloatArray, b: FloatArray) -> FloatArray:
    """x of a x = b for stacks a (n, k, k), b (n, m, k), x alike: right sides as rows.

    A Cholesky solution of SciPy's would be 5 to 10 us faster a window, and cost the daemon 30 MB.
    """
    return np.asarray(np.linalg.solve(a, b.transpose(0, 2, 1)).transpose(0, 2, 1), dtype=np.float64)
