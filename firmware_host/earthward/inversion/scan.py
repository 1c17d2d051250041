"""The linear scan: every liner cell scored against one linearised problem, to propose where a refit is worth while.

For each cell the sink's current is estimated with fittings, their places, electrodes and all poses marginalised; for
stations near the cell the covariance is rebuilt with the cell's own field slope (its pose error matters most there).
The score is the log of the probability of the data given a sink in that cell, up to a constant shared by all
cells and by the problem without the sink.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import log_ndtr

from earthward.inversion.candidates import log_current_prior, truncated_mean
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.liner import CellSet
from earthward.inversion.normal import Equations, assemble, pose_covariance, row_pose, sum_constraint
from earthward.inversion.predict import Model, State, pair_field, pair_slopes

#: Prior precision (1/mA^2) that holds a current at zero.
HOLD = 1e8


@dataclass(frozen=True)
class Scores:
    """Per cell: log score, current in mA (its mean above zero, and the plain estimate) and its standard deviation.
    `without`: log evidence of the problem without the sink."""

    score: FloatArray
    current_mA: FloatArray
    estimate_mA: FloatArray
    sigma_mA: FloatArray
    without: float


@dataclass(frozen=True)
class Linear:
    """The problem without the sink at one state. aug (S, R, nb + 1), C_inv (S, R, R), normal (nb + 1, nb + 1) with the
    currents held that are zero at the state; held (nb,)."""

    model: Model
    state: State
    equations: Equations
    aug: FloatArray
    C_inv: FloatArray
    normal: FloatArray
    held: FloatArray
    source_D: FloatArray
    source_J: FloatArray

    @cached_property
    def voltage(self) -> FloatArray:
        """The water's voltage (P,) at each placement against now."""
        return np.asarray(self.model.voltage(self.state)[0])


@dataclass(frozen=True)
class Near:
    """Couples of a cell and a station near it. cell, station (N,); some: cells that have any, and start: where their
    couples begin; slope (N, R, 6) of the cell's column by the pose; back (N, R): the slope times the state's error."""

    cell: IntArray
    station: IntArray
    some: IntArray
    start: IntArray
    slope: FloatArray
    back: FloatArray


def linearise(model: Model, state: State, model_error: float) -> Linear:
    """About the first of the states, with at least that model error."""
    priors = replace(model.problem.priors, model=max(model.problem.priors.model, model_error))
    model = replace(model, problem=replace(model.problem, priors=priors))
    state = state.pick([0])
    equations = assemble(model, state)
    held = np.zeros(equations.layout.size)
    held[: equations.layout.sinks] = HOLD * (state.current_mA[0].max(0, initial=0.0) <= 1e-9)
    normal = equations.normal[0].copy()
    normal[np.arange(len(held)), np.arange(len(held))] += held
    return Linear(
        model, state, equations, equations.aug[0], equations.C_inv[0], normal, held, *pair_field(model, state)
    )


def columns(linear: Linear, D: FloatArray) -> FloatArray:
    """Readings (S, R, n) in uV per mA that a sink in each cell takes now, D (S, A, n)."""
    obs = linear.model.obs
    station = np.arange(obs.stations)[:, None]
    Ds = linear.source_D[station, obs.pair, obs.source]
    a = linear.model.problem.resistivity * 1e3 * (Ds[..., None] - D[station, obs.pair])
    a *= linear.voltage[obs.source][..., None]
    return np.asarray(np.where(obs.use[..., None], a, 0.0))


def near_couples(linear: Linear, cells: CellSet, near_m: float) -> Near | None:
    model, obs = linear.model, linear.model.obs
    x = obs.centre_m + linear.state.place_m[0]
    cell, station = np.nonzero(np.linalg.norm(cells.centre_m[:, None] - x[None], axis=-1) < near_m)
    if not cell.size:
        return None
    slope = pair_slopes(model, linear.state, station, cells.centre_m[cell])
    pair = obs.pair[station]
    source = linear.source_J[station[:, None], pair, obs.source[station]]
    J = model.problem.resistivity * 1e3 * (source - slope[np.arange(len(cell))[:, None], pair])
    J *= linear.voltage[obs.source[station]][..., None]
    J = np.where(obs.use[station][..., None], J, 0.0)
    back = (J * row_pose(model, linear.state)[0][station]).sum(-1)
    start = np.searchsorted(cell, np.arange(len(cells)))
    some = np.flatnonzero(np.diff(np.append(start, len(cell))) > 0)
    return Near(cell, station, some, start[some], J, back)


@dataclass(frozen=True)
class Prepared:
    """What a scan knows of its cells before their currents are estimated. cross (n, nb + 1) and own (n,): each cell's
    column against the problem's and against itself."""

    linear: Linear
    cross: FloatArray
    own: FloatArray
    near: Near | None
    a_near: FloatArray
    """Columns (N, R) of the near couples."""
    apart: tuple[FloatArray, FloatArray, FloatArray]
    """Normal matrix, cross and own of the cells with near stations, these stations taken out."""


def prepare_scan(linear: Linear, cells: CellSet, D: FloatArray, near_m: float) -> Prepared:
    """For `cells`, whose D (S, A, n) is given at the poses of the linear problem: at other ones their columns would
    seem to differ from those of the known sinks by more than they do."""
    a = columns(linear, D)
    near = near_couples(linear, cells, near_m)
    C_aug, C_a = linear.C_inv @ linear.aug, linear.C_inv @ a
    rows, tie_inv = sum_constraint(linear.model, linear.equations.layout, linear.state)
    tie = linear.voltage @ tie_inv
    cross = np.tensordot(a, C_aug, axes=([0, 1], [0, 1])) + tie @ rows[0]  # (n, nb + 1)
    own = np.einsum("srn,srn->n", a, C_a) + tie @ linear.voltage
    if near is None:
        return Prepared(linear, cross, own, None, a[:0, :, 0], (linear.normal[None][:0], cross[:0], own[:0]))
    some, cell, station = near.some, near.cell, near.station
    a_near = a[station, :, cell]
    far_cross, far_own = cross.copy(), own.copy()
    np.subtract.at(far_cross, cell, np.einsum("pr,prb->pb", a_near, C_aug[station]))
    np.subtract.at(far_own, cell, np.einsum("pr,pr->p", a_near, C_a[station, :, cell]))
    block = linear.aug.swapaxes(1, 2) @ C_aug
    normal = np.tile(linear.normal, (len(some), 1, 1))
    np.subtract.at(normal, np.searchsorted(some, cell), block[station])
    return Prepared(linear, cross, own, near, a_near, (normal, far_cross[some], far_own[some]))


def score_cells(known: Prepared, *, passes: int, assumed_mA: FloatArray | None = None) -> Scores:
    """Score the cells. `assumed_mA` (n,): build the covariances for sinks of these currents, not of estimated ones."""
    linear, near = known.linear, known.near
    log_det = np.zeros(len(known.own))
    q, information, chi2, one_det = _solve(linear, known.cross, known.own)
    log_det_n = np.full(len(known.own), one_det)
    if near is not None:
        some = near.some
        refined = _refine_near(known, near, passes, assumed_mA)
        q[some], information[some], chi2[some], log_det_n[some], log_det[some] = refined
    sigma = 1 / np.sqrt(information)
    z = q / sigma
    mean = truncated_mean(q, sigma)
    marginal = 0.5 * math.log(2 * math.pi) + np.log(sigma) + log_ndtr(z)
    base = float(linear.equations.station_log_det.sum())
    score = -0.5 * (chi2 + base + log_det + log_det_n) + marginal + log_current_prior(mean)
    return Scores(score, mean, q, sigma, _evidence_without(linear, base))


def _evidence_without(linear: Linear, base_log_det: float) -> float:
    nb = len(linear.held)
    N, v = linear.normal[:nb, :nb], linear.normal[:nb, nb]
    scale = 1 / np.sqrt(np.diag(N))
    beta = np.linalg.solve(N * scale[:, None] * scale, v * scale) * scale
    chi2 = float(linear.normal[nb, nb] - v @ beta)
    return -0.5 * (chi2 + base_log_det + float(_free_log_det(linear, N[None])[0]))


def _refine_near(
    known: Prepared, near: Near, passes: int, assumed_mA: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Current, information, chi2, log determinants of normal matrix and covariance of the cells with near stations:
    these stations put back with the covariance that the sink's own field gives them."""
    linear = known.linear
    normal, cross, own = known.apart
    total = float(linear.model.problem.priors.injected_mA.max())
    if assumed_mA is not None:
        guess, passes = assumed_mA[near.some], 1
    else:
        # First guess from the far stations, weighted with a weak prior at 1 mA so that an undetermined current does
        # not start at nonsense.
        q, information, _, _ = _solve_many(linear, normal, cross, own)
        guess = (information * np.maximum(q, 0.0) + min(1.0, total)) / (information + 1.0)
        guess = np.clip(guess, 0.02 * min(1.0, total), total)
    for _ in range(passes):
        piece, piece_cross, piece_own, det = _near_terms(linear, near, known.a_near, guess)
        solved = _solve_many(linear, normal + piece, cross + piece_cross, own + piece_own)
        guess = np.clip(np.clip(solved[0], 0.3 * guess, 3.0 * guess), 0.02 * min(1.0, total), total)
    return (*solved, det)


def _near_terms(
    linear: Linear, near: Near, a_near: FloatArray, current_mA: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """What the near stations add to each cell's normal matrix, cross term, information and log determinant, with a sink
    of that current (cells with near stations,)."""
    model, equations, station = linear.model, linear.equations, near.station
    R = a_near.shape[1]
    current = np.repeat(current_mA, np.diff(np.append(near.start, len(near.cell))))
    spread = linear.state.spread[0][station]
    C = pose_covariance(model, equations.pose[0][station] + current[:, None, None] * near.slope, spread, station)
    diagonal = equations.variance[0][station] + (model.problem.priors.model * current[:, None] * a_near) ** 2
    C[:, np.arange(R), np.arange(R)] += diagonal
    C_inv = np.linalg.inv(C)
    det = np.linalg.slogdet(C)[1] - equations.station_log_det[0][station]
    mine = linear.aug[station].copy()
    mine[..., -1] += current[:, None] * near.back
    # The depth all stations are off by, and the angle all poles lean by, move them in this sink's field as well.
    mine[..., equations.layout.depth] += current[:, None] * near.slope[..., 2]
    leaning = (near.slope[..., 3:5] * model.obs.lean_axis[station][:, None]).sum(-1)
    mine[..., equations.layout.lean] += current[:, None] * leaning
    weighted = C_inv @ mine
    own = np.einsum("pr,prs,ps->p", a_near, C_inv, a_near)
    parts = (mine.transpose(0, 2, 1) @ weighted, np.einsum("pr,prb->pb", a_near, weighted), own, det)
    first, second, third, fourth = (np.add.reduceat(part, near.start, axis=0) for part in parts)
    return first, second, third, fourth


def _solve(linear: Linear, cross: FloatArray, own: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Estimate each cell's current with one normal matrix for all: current, information, chi-square, log det."""
    nb = len(linear.held)
    N = linear.normal[:nb, :nb]
    scale = 1 / np.sqrt(np.diag(N))
    factor = np.linalg.cholesky(N * scale[:, None] * scale)
    right = np.linalg.solve(factor, (np.column_stack([linear.normal[:nb, nb], cross[:, :nb].T]) * scale[:, None]))
    ry, rc = right[:, 0], right[:, 1:]
    info = np.maximum(own - (rc * rc).sum(0), 1e-9 * own + 1e-12)
    q = (cross[:, nb] - ry @ rc) / info
    chi2 = linear.normal[nb, nb] - ry @ ry - np.where(q > 0, q * q * info, 0.0)
    return q, info, chi2, float(_free_log_det(linear, N[None])[0])


def _free_log_det(linear: Linear, N: FloatArray) -> FloatArray:
    """log det of normal matrices (n, nb, nb) with held currents counted as free."""
    if linear.held.any():
        N = N.copy()
        N[:, np.arange(N.shape[1]), np.arange(N.shape[1])] -= linear.held
    scale = 1 / np.sqrt(np.maximum(np.einsum("nii->ni", N), 1e-300))
    return np.asarray(np.linalg.slogdet(N * scale[:, :, None] * scale[:, None])[1] - 2 * np.log(scale).sum(1))


def _solve_many(
    linear: Linear, normal: FloatArray, cross: FloatArray, own: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The same with a normal matrix (n, nb + 1, nb + 1) per cell."""
    nb = len(linear.held)
    N = normal[:, :nb, :nb]
    scale = 1 / np.sqrt(np.einsum("nii->ni", N))
    scaled = N * scale[:, :, None] * scale[:, None]
    right = np.stack([normal[:, :nb, nb], cross[:, :nb]], axis=-1) * scale[..., None]
    quad = right.transpose(0, 2, 1) @ np.linalg.solve(scaled, right)
    info = np.maximum(own - quad[:, 1, 1], 1e-9 * own + 1e-12)
    q = (cross[:, nb] - quad[:, 0, 1]) / info
    chi2 = normal[:, nb, nb] - quad[:, 0, 0] - np.where(q > 0, q * q * info, 0.0)
    return q, info, chi2, _free_log_det(linear, N)
