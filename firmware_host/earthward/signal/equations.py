"""Normal equations of windows from the products kept per hop.

Window parameters: value, quadrature, mains lines, a cubic spline with one knot per hop (electrode drift), and per
mains family a straight and a parabolic bend of its phase. Each is linear in a hop's columns with factors that
depend only on the hop's place in the window, so that products are formed once per hop and only summed per window.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.linalg.lapack import dposv

from earthward.signal.hops import HopStore, Layout
from earthward.signal.types import FloatArray

# Cubic B-spline pieces on one hop: rows 1, s, s^2, s^3 with s = 2 u - 1; columns the four splines alive there.
_U = np.array([[1, 4, 1, 0], [-3, 0, 3, 0], [3, -6, 3, 0], [-1, 3, -3, 1]]) / 6.0
_SHIFT = np.array([[1, 0.5, 0.25, 0.125], [0, 0.5, 0.5, 0.375], [0, 0, 0.25, 0.375], [0, 0, 0, 0.125]])
SPLINE = _SHIFT @ _U


@lru_cache(maxsize=256)
def place_powers(windows: int, hops: int) -> FloatArray:
    """(5, windows, windows + hops - 1): powers 0..4 of the hop's place, -(hops-1)..(hops-1), of each window."""
    tau = 2.0 * (np.arange(hops) - 0.5 * (hops - 1))
    out = np.zeros((5, windows, windows + hops - 1))
    for i in range(windows):
        out[:, i, i : i + hops] = tau ** np.arange(5)[:, None]
    return out


@lru_cache(maxsize=8)
def _scatter(hops: int) -> FloatArray:
    """(16 hops, (hops + 3)^2): where each hop's 4 x 4 spline products go."""
    out = np.zeros((hops, 4, 4, hops + 3, hops + 3))
    for h in range(hops):
        for a in range(4):
            for b in range(4):
                out[h, a, b, h + a, h + b] = 1.0
    return out.reshape(16 * hops, (hops + 3) ** 2)


class WindowEquations:
    """For one layout and window length: sums over windows, and the way back from parameters to hops' columns."""

    def __init__(self, layout: Layout, hops: int) -> None:
        self.layout, self.hops = layout, hops
        self.splines = hops + 3
        self.line_end = 2 + layout.lines
        self.spline_end = self.line_end + self.splines
        self.size = self.spline_end + 2 * layout.families
        self._tau = (2.0 * (np.arange(hops) - 0.5 * (hops - 1)))[:, None, None]
        tau = self._tau[:, 0, 0]
        f, lo = layout.families, layout
        spread = np.zeros((self.size, hops, lo.width - 1))
        for j in range(self.line_end):
            spread[j, :, j] = 1.0
        for h in range(hops):
            spread[self.line_end + h : self.line_end + h + 4, h, lo.poly - 1 :] = SPLINE.T
        for i in range(f):
            spread[self.spline_end + i, :, lo.turn - 1 + i] = tau
            spread[self.spline_end + i, :, lo.bend - 1 + i] = 1.0
            spread[self.spline_end + f + i, :, lo.turn - 1 + i] = tau**2
            spread[self.spline_end + f + i, :, lo.bend - 1 + i] = 2 * tau
        #: (size, hops, width - 1): coefficient of each hop's columns per unit of each window parameter.
        self.spread = spread
        self._spread_flat = np.ascontiguousarray(spread.reshape(self.size, -1))

    def per_hop(self, theta: FloatArray) -> FloatArray:
        """(..., size) parameters -> (..., hops, width - 1) coefficients of the hops' columns."""
        return np.asarray((theta @ self._spread_flat).reshape(*theta.shape[:-1], self.hops, self.layout.width - 1))

    def normal(self, store: HopStore, a: int, b: int) -> FloatArray:
        """Products for every window that ends with rows a..b-1: (b - a, 1 + size, 1 + size), data first."""
        n, r, lo = self.hops, b - a, self.layout
        f, turn, bend, poly, width = lo.families, lo.turn, lo.bend, lo.poly, lo.width
        nb, ns, end = turn, self.splines, 1 + self.spline_end
        g = store.products[a - n + 1 : b]
        rows = g.shape[0]
        band = place_powers(r, n)
        w = np.empty((r, 1 + self.size, 1 + self.size))
        total = (band[0] @ g.reshape(rows, width * width)).reshape(r, width, width)
        w[:, :nb, :nb] = total[:, :nb, :nb]
        pieces, local = store.spline_rows[a - n + 1 : b, :, :poly], store.spline_local[a - n + 1 : b]
        if r == 1:
            pieces = pieces[None]
        else:
            pieces = sliding_window_view(pieces, n, axis=0).transpose(0, 3, 1, 2)
            local = sliding_window_view(local, n, axis=0).transpose(0, 2, 1)
        if f:
            tau = self._tau
            first = tau * pieces[..., turn:bend]
            pu = pieces[..., bend:poly]
            pieces = np.concatenate([pieces[..., :nb], first + pu, tau * (first + 2 * pu)], axis=3)
        shifted = np.zeros((r, ns, nb + 2 * f))
        for p in range(4):
            shifted[:, p : p + n] += pieces[:, :, p, : nb + 2 * f]
        side = shifted[:, :, :nb]
        w[:, nb:end, :nb] = side
        w[:, :nb, nb:end] = side.transpose(0, 2, 1)
        w[:, nb:end, nb:end] = (local.reshape(r, 16 * n) @ _scatter(n)).reshape(r, ns, ns)
        if f:
            side = shifted[:, :, nb:]
            w[:, nb:end, end:] = side
            w[:, end:, nb:end] = side.transpose(0, 2, 1)
            d = (band[1:] @ g[:, turn:poly, :poly].reshape(rows, -1)).reshape(4, r, 2 * f, poly)
            side = w[:, end:, :nb]
            side[:, :f] = d[0, :, :f, :nb] + total[:, bend:poly, :nb]
            side[:, f:] = d[1, :, :f, :nb] + 2 * d[0, :, f:, :nb]
            w[:, :nb, end:] = side.transpose(0, 2, 1)
            # Sums of powers of the hop's place times products of turns (t) and bends (u).
            tt, tu = d[:, :, :f, turn:bend], d[:, :, :f, bend:poly]
            ut, uu = d[:, :, f:, turn:bend], d[:, :, f:, bend:poly]
            e = w[:, end:, end:]
            e[:, :f, :f] = tt[1] + tu[0] + ut[0] + total[:, bend:poly, bend:poly]
            e[:, :f, f:] = cross = tt[2] + 2 * (tu[1] + uu[0]) + ut[1]
            e[:, f:, :f] = cross.transpose(0, 2, 1)
            e[:, f:, f:] = tt[3] + 2 * (tu[2] + ut[2]) + 4 * uu[1]
        return w

    def break_rows(self, store: HopStore, first: int) -> FloatArray:
        """(hops - 1, 1 + size + hops - 1): products of a step before hop 1, 2, ... with everything, steps last."""
        n, poly = self.hops, self.layout.poly
        constant = store.products[first : first + n, poly]
        each = np.empty((n, 2 + self.size))
        each[:, 0] = constant[:, 0]
        each[:, 1:-1] = np.matmul(self.spread.transpose(1, 0, 2), constant[:, 1:, None])[:, :, 0]
        each[:, -1] = constant[:, poly]
        tail = np.cumsum(each[::-1], axis=0)[::-1][1:]
        both = tail[:, -1][np.maximum.outer(np.arange(n - 1), np.arange(n - 1))]
        return np.concatenate([tail[:, :-1], both], axis=1)

    def residual(self, store: HopStore, theta: FloatArray, breaks: tuple[int, ...], last: int) -> FloatArray:
        """(hops, slots) what the parameters (steps last) leave of the window that ends with row `last`, volts."""
        beta = self.per_hop(theta[: self.size])
        for j, where in enumerate(breaks):
            beta[where:, self.layout.poly - 1] += theta[self.size + j]
        x = store.columns[last - self.hops + 1 : last + 1]
        return np.asarray(x[:, 0] - np.matmul(beta[:, None], x[:, 1:])[:, 0])


def roughness(splines: int) -> FloatArray:
    """Second differences of the spline's coefficients: only to keep knots without data in place."""
    second = np.diff(np.eye(splines), 2, axis=0)
    return np.asarray(second.T @ second)


def solve_symmetric(a: FloatArray, b: FloatArray) -> FloatArray:
    """x of a x = b for stacks a (n, k, k) symmetric positive definite, b (n, k, m). A single one goes straight to
    LAPACK: numpy's way there takes longer than the work."""
    if a.shape[0] == 1:
        _, x, info = dposv(a[0], b[0])
        if info == 0:
            return np.asarray(x[None], dtype=np.float64)
    return np.asarray(np.linalg.solve(a, b), dtype=np.float64)
