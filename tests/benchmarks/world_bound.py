"""How well the place of a leak could be known at best from one drawn survey: the Cramer-Rao bound with priors.

Own computation, apart from the search: the exact field's derivatives by finite differences at the truth. Unknowns:
the leak's place on its wall or floor, every sink's current and how it differs between placements, the fittings' places
along the liner, the gain, the electrodes where they float, and the pole: place of each station, bearing, tilt and shift
of each turn. Poses are folded into the covariance (normal priors), the rest is kept with its priors. Kay, Fundamentals
of statistical signal processing I, ch. 3 and 10 (information of the data plus that of the priors).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.world_list import Hands
from tests.benchmarks.worlds import CURRENT, NOISE_V, SHARE, Drawn, FITTING_m, Pair, Truth, ends

FloatArray = NDArray[np.float64]
GAIN = 0.05
_STEP_m = 1e-4


def bound_m(drawn: Drawn) -> float:
    """Root of the mean squared distance that no unbiased estimate of the (first) leak's place can beat."""
    return bounds(drawn)[0]


def bounds(drawn: Drawn) -> tuple[float, float]:
    """`bound_m`, and the standard deviation of the leak's current at the first placement over that current."""
    truth, world = drawn.truth, drawn.world
    pairs = list(truth.pairs)
    front, back = ends(truth.pool, pairs)
    at = np.array([p.source_id for p in pairs])
    columns: list[FloatArray] = []
    prior: list[float] = []  # one over variance

    def unknown(column: FloatArray, sigma: float = math.inf) -> None:
        columns.append(column)
        prior.append(0.0 if math.isinf(sigma) else sigma**-2)

    for axis in _level_axes(truth, truth.leaks[0].middle_m):
        unknown(_by_place(truth, front, back, at, truth.leaks[0].points_m, axis) * -truth.leaks[0].current_A[at])
    for sink in (*truth.leaks[1:], *truth.fittings):
        leak = sink in truth.leaks
        for axis in _level_axes(truth, sink.middle_m):
            column = _by_place(truth, front, back, at, sink.points_m, axis) * -sink.current_A[at]
            unknown(column, math.inf if leak else FITTING_m)
    units = _unit_columns(truth, front, back, at)
    for k in range(len(truth.sinks)):
        unknown(units[:, k] * truth.sinks[k].current_A[at])
        unknown(units[:, k] * np.where(at == 1, truth.sinks[k].current_A[1], 0.0), SHARE * math.sqrt(2))
    unknown(truth.volts(front, back, at), GAIN)
    if world.electrodes_off:
        for placement in (0, 1):
            for axis, sigma in zip(np.eye(3), (1.0, 1.0, 1 / 3), strict=True):
                column = _by_place(truth, front, back, at, truth.electrodes_m[placement : placement + 1], axis)
                unknown(column * np.where(at == placement, truth.injected_A[at], 0.0), sigma * world.electrodes_off)
    poses, spread = pose_columns(truth, world.hands, pairs, front, back, at)
    covariance = (NOISE_V * world.noise) ** 2 * np.eye(len(at)) + (poses * spread**2) @ poses.T
    # Two data beside the readings: what the board measured of the whole, per placement.
    jacobian = np.column_stack(columns)
    wholes = _whole_rows(truth, len(columns))
    scale = 1.0 / np.maximum(np.abs(jacobian).max(axis=0), 1e-30)
    scaled, tied = jacobian * scale, wholes * scale / (CURRENT * truth.injected_A[:, None])
    information = scaled.T @ np.linalg.solve(covariance, scaled) + tied.T @ tied
    information += np.diag(np.array(prior) * scale**2)
    best = np.linalg.inv(information) * np.outer(scale, scale)
    current = 2 * (len(truth.leaks) + len(truth.fittings))
    return math.sqrt(best[0, 0] + best[1, 1]), math.sqrt(best[current, current])


def _whole_rows(truth: Truth, unknowns: int) -> FloatArray:
    """Derivative (2, unknowns) of the whole current of each placement by the unknowns: currents and their changes."""
    rows = np.zeros((2, unknowns))
    first = 2 * (len(truth.leaks) + len(truth.fittings))
    for k, sink in enumerate(truth.sinks):
        rows[:, first + 2 * k] = sink.current_A
        rows[1, first + 2 * k + 1] = sink.current_A[1]
    return rows


def _level_axes(truth: Truth, place: FloatArray) -> list[FloatArray]:
    """Two unit vectors along the liner (box pools)."""
    x, y, z = np.eye(3)
    if min(place[0], truth.pool.length_m - place[0]) < 1e-6:
        return [y, z]
    return [x, z] if min(place[1], truth.pool.width_m - place[1]) < 1e-6 else [x, y]


def _pair_ohms(truth: Truth, front: FloatArray, back: FloatArray, places: FloatArray) -> FloatArray:
    """(p,): volts of the pairs per ampere *into* the water, spread evenly over places (n, 3)."""
    values = truth.ohms(np.concatenate([front, back]), places).mean(axis=1)
    return values[len(front) :] - values[: len(front)]


def _by_place(
    truth: Truth, front: FloatArray, back: FloatArray, at: NDArray[np.int64], places: FloatArray, axis: FloatArray
) -> FloatArray:
    step = _STEP_m * axis
    size = np.array([truth.pool.length_m, truth.pool.width_m, truth.pool.floor.depth_m])
    ahead, behind = (np.clip(places + s, 0, size) for s in (step, -step))
    change = _pair_ohms(truth, front, back, ahead) - _pair_ohms(truth, front, back, behind)
    return change / float(np.mean((ahead - behind) @ axis))


def _unit_columns(truth: Truth, front: FloatArray, back: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    """(p, sinks): one ampere in at the electrode and out at the sink."""
    electrodes = np.column_stack([_pair_ohms(truth, front, back, e[None]) for e in truth.electrodes_m])
    given = np.take_along_axis(electrodes, at[:, None], axis=1)[:, 0]
    return np.column_stack([given - _pair_ohms(truth, front, back, s.points_m) for s in truth.sinks])


def pose_columns(
    truth: Truth, hands: Hands, pairs: list[Pair], front: FloatArray, back: FloatArray, at: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Derivatives (p, poses) of the readings by what the hands get wrong, and its standard deviations (poses,)."""
    slopes = [np.zeros((len(at), 3)) for _ in range(2)]
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = _STEP_m
        # Moving one end only: the other cancels in the difference.
        slopes[0][:, axis] = (truth.volts(front + step, back, at) - truth.volts(front - step, back, at)) / (2 * _STEP_m)
        slopes[1][:, axis] = (truth.volts(front, back + step, at) - truth.volts(front, back - step, at)) / (2 * _STEP_m)
    columns: dict[tuple[object, ...], FloatArray] = {}
    sigmas: dict[tuple[object, ...], float] = {}
    degrees = np.radians([hands.tilt_deg, hands.tilt_deg, hands.bearing_deg])
    for row, pair in enumerate(pairs):
        turn = pair.turn if hands.turned else 0
        moves: list[tuple[tuple[object, ...], float, FloatArray, FloatArray]] = []
        for axis, unit in enumerate(np.eye(3)):
            moves.append((("place", pair.station, axis), hands.place_m[axis], unit, unit))
            about = 0.5 * np.cross(unit, pair.arm_m)
            moves.append((("turn", pair.station, turn, axis), float(degrees[axis]), about, -about))
            if hands.turned:
                moves.append((("shift", pair.station, turn, axis), hands.shift_m, unit, unit))
        for key, sigma, by_front, by_back in moves:
            column = columns.setdefault(key, np.zeros(len(at)))
            column[row] = slopes[0][row] @ by_front + slopes[1][row] @ by_back
            sigmas[key] = sigma
    return np.column_stack(list(columns.values())), np.array(list(sigmas.values()))
