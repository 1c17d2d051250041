"""Where one more sink fits: every liner cell scored against one linearised problem.

For each cell the sink's current is estimated with fittings, their places and all poses marginalised; for stations
near the cell the covariance is rebuilt with the cell's own field slope (its pose error matters most there).
The score is the log of the probability of the data given a sink in that cell, up to a constant shared by all
cells and by the problem without the sink.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from earthward.inversion import model
from earthward.inversion.batch import log_current_prior
from earthward.inversion.lead import CellSet, FloatArray
from earthward.inversion.model import Leads, Linear, Priors, Rows

#: A cell's own slope is put into the covariance of stations within this distance.
NEAR_M = 1.25


@dataclass(frozen=True)
class Scores:
    """Per cell: log score, current in mA and its standard deviation, and twice the profile log-likelihood."""

    score: FloatArray
    current_mA: FloatArray
    sigma_mA: FloatArray
    chi2_drop: FloatArray


def columns(linear: Linear, rows: Rows, D: FloatArray, resistivity: float) -> FloatArray:
    """Readings (S, R, n) in uV per mA of a sink in each cell, D (S, A, n)."""
    arange = np.arange(rows.stations)[:, None]
    Ds = linear.source_D[arange, rows.pair, rows.source]
    a = resistivity * 1e3 * (Ds[..., None] - D[arange, rows.pair])
    return np.asarray(np.where(rows.use[..., None], a, 0.0))


def score_cells(
    leads: Leads,
    rows: Rows,
    linear: Linear,
    priors: Priors,
    cells: CellSet,
    D: FloatArray,
    resistivity: float,
    *,
    at_nominal: bool = False,
    near_m: float = NEAR_M,
    passes: int = 2,
    assumed_mA: FloatArray | None = None,
) -> Scores:
    """Score `cells`, whose D (S, A, n) is given at the linear problem's poses (or the nominal ones).

    `assumed_mA` (n,): build the covariances for sinks of these currents instead of estimated ones (coverage).
    """
    R = rows.pair.shape[1]
    n = len(cells)
    nb = linear.A.shape[-1]
    depth = nb - 2 * linear.sinks - 1
    rho = resistivity * 1e3
    a = columns(linear, rows, D, resistivity)
    aug = np.concatenate([linear.A, linear.y[..., None]], axis=-1)
    C_aug = linear.C_inv @ aug
    C_a = linear.C_inv @ a
    tie_aug = np.column_stack([linear.tie_A, linear.tie_y])
    one = linear.tie_inv.sum(0)
    # Near stations: a list of (cell, station) couples.
    x = rows.centre_m + linear.state.pose[:, :3]
    distance = np.linalg.norm(cells.centre_m[:, None] - x[None], axis=-1)
    cell_of, station_of = np.nonzero(distance < near_m)
    if cell_of.size:
        slope = model.pair_slopes(leads, rows, linear.state.pose, station_of, cells.centre_m[cell_of])
        row_pair = rows.pair[station_of]
        source_J = linear.source_J[station_of[:, None], row_pair, rows.source[station_of]]
        J_cell = rho * (source_J - slope[np.arange(len(cell_of))[:, None], row_pair])
        J_cell = np.where(rows.use[station_of][..., None], J_cell, 0.0)
        back = (J_cell @ linear.state.pose[station_of][..., None])[..., 0]
        if at_nominal:
            a[station_of, :, cell_of] += back
            C_a = linear.C_inv @ a
        a_near = a[station_of, :, cell_of]
        aug_near = aug[station_of]
    cross = np.tensordot(a, C_aug, axes=([0, 1], [0, 1])) + one @ tie_aug  # (n, nb + 1)
    own = np.einsum("srn,srn->n", a, C_a) + linear.tie_inv.sum()
    if cell_of.size:
        # Take the near stations out; they come back with their own covariance.
        far_cross, far_own = cross.copy(), own.copy()
        C_near = C_aug[station_of]
        np.subtract.at(far_cross, cell_of, np.einsum("pr,prb->pb", a_near, C_near))
        np.subtract.at(far_own, cell_of, np.einsum("pr,pr->p", a_near, C_a[station_of, :, cell_of]))
        block = np.einsum("srb,src->sbc", aug, C_aug)
        far_normal = np.tile(linear.normal, (n, 1, 1))
        np.subtract.at(far_normal, cell_of, block[station_of])
        start = np.searchsorted(cell_of, np.arange(n))
        some = np.flatnonzero(np.diff(np.append(start, len(cell_of))) > 0)
    else:
        far_normal = None
    log_det = np.zeros(n)
    q, information, chi2, det_n = _solve(linear.normal, cross, own, nb, linear)
    if cell_of.size:
        # First guess of the current of cells with near stations: from the far ones, kept modest.
        assert far_normal is not None
        q_far, info_far, _, _ = _solve_many(far_normal[some], far_cross[some], far_own[some], nb, linear)
        total = float(priors.injected_mA.max())
        trust = info_far * 1.0
        guess = np.zeros(n)
        # Weighted with a weak prior at 1 mA so that an undetermined current does not start at nonsense.
        guess[some] = (trust * np.maximum(q_far, 0.0) + 1.0 * min(1.0, total)) / (trust + 1.0)
        guess = np.clip(guess, 0.02 * min(1.0, total), total)
        if assumed_mA is not None:
            guess, passes = assumed_mA, 1
        base_C = linear.base_variance[station_of]
        J_base = linear.J[station_of]
        base_det = linear.station_log_det[station_of]
        for _ in range(passes):
            current = guess[cell_of]
            J = J_base + current[:, None, None] * J_cell
            C = (J * priors.pose**2) @ J.transpose(0, 2, 1)
            diagonal = base_C + (priors.model * current[:, None] * a_near) ** 2
            C[:, np.arange(R), np.arange(R)] += diagonal
            C_inv = np.linalg.inv(C)
            det = np.linalg.slogdet(C)[1]
            mine = aug_near.copy()
            mine[..., nb] += current[:, None] * back
            # The depth all stations are off by moves them in this sink's field as well.
            mine[..., depth] += current[:, None] * J_cell[..., 2]
            weighted = C_inv @ mine
            normal_c = far_normal[some].copy()
            cross_c = far_cross.copy()
            own_c = far_own.copy()
            piece = mine.transpose(0, 2, 1) @ weighted
            place = np.searchsorted(some, cell_of)
            normal_c += np.add.reduceat(piece, start[some], axis=0)
            cross_c[some] += np.add.reduceat(np.einsum("pr,prb->pb", a_near, weighted), start[some], axis=0)
            own_near = np.einsum("pr,prs,ps->p", a_near, C_inv, a_near)
            own_c[some] += np.add.reduceat(own_near, start[some])
            log_det[some] = np.bincount(place, weights=det - base_det, minlength=len(some))
            q_s, info_s, chi2_s, det_s = _solve_many(normal_c, cross_c[some], own_c[some], nb, linear)
            q[some], information[some], chi2[some], det_n[some] = q_s, info_s, chi2_s, det_s
            guess = guess.copy()
            guess[some] = np.clip(q_s, 0.3 * guess[some], 3.0 * guess[some])
            guess = np.clip(guess, 0.02 * min(1.0, total), total)
    sigma = 1 / np.sqrt(information)
    z = q / sigma
    # Mean of the current given that it is not negative.
    tail = np.exp(np.clip(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - log_ndtr(z), -700, 50))
    mean = np.maximum(q + sigma * tail, 1e-6)
    log_prior = log_current_prior(mean)
    marginal = 0.5 * math.log(2 * math.pi) + np.log(sigma) + log_ndtr(z)
    score = -0.5 * (chi2 + float(linear.station_log_det.sum()) + log_det + det_n) + marginal + log_prior
    null_chi2 = _solve(linear.normal, cross[:1] * 0, own[:1] * 0 + 1, nb, linear)[2][0]
    return Scores(score, mean, sigma, null_chi2 - chi2 - log_det)


def _solve(
    normal: FloatArray, cross: FloatArray, own: FloatArray, nb: int, linear: Linear
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Estimate each cell's current with one normal matrix for all: current, information, chi-square, log det."""
    N = normal[:nb, :nb]
    yy = normal[nb, nb]
    scale = 1 / np.sqrt(np.diag(N))
    factor = np.linalg.cholesky(N * scale[:, None] * scale)
    right = np.linalg.solve(factor, (np.column_stack([normal[:nb, nb], cross[:, :nb].T]) * scale[:, None]))
    ry, rc = right[:, 0], right[:, 1:]
    info = np.maximum(own - (rc * rc).sum(0), 1e-9 * own + 1e-12)
    s = cross[:, nb] - ry @ rc
    q = s / info
    chi2 = yy - ry @ ry - np.where(q > 0, q * q * info, 0.0)
    return q, info, chi2, np.full(len(own), _free_log_det(N[None], linear)[0])


def _free_log_det(N: FloatArray, linear: Linear) -> FloatArray:
    """log det of normal matrices (n, nb, nb) with pinned currents counted as free."""
    k = linear.sinks
    if linear.pinned.any():
        N = N.copy()
        N[:, np.arange(k), np.arange(k)] -= np.where(linear.pinned, model.PIN, 0.0)
    d = np.einsum("nii->ni", N)
    scale = 1 / np.sqrt(np.maximum(d, 1e-300))
    return np.asarray(np.linalg.slogdet(N * scale[:, :, None] * scale[:, None])[1] - 2 * np.log(scale).sum(1))


def _solve_many(
    normal: FloatArray, cross: FloatArray, own: FloatArray, nb: int, linear: Linear
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The same with a normal matrix (n, nb + 1, nb + 1) per cell."""
    N = normal[:, :nb, :nb]
    yy = normal[:, nb, nb]
    d = np.einsum("nii->ni", N)
    scale = 1 / np.sqrt(d)
    scaled = N * scale[:, :, None] * scale[:, None]
    right = np.stack([normal[:, :nb, nb], cross[:, :nb]], axis=-1) * scale[..., None]
    solution = np.linalg.solve(scaled, right)
    quad = right.transpose(0, 2, 1) @ solution
    info = np.maximum(own - quad[:, 1, 1], 1e-9 * own + 1e-12)
    s = cross[:, nb] - quad[:, 0, 1]
    q = s / info
    chi2 = yy - quad[:, 0, 0] - np.where(q > 0, q * q * info, 0.0)
    if linear.pinned.any():
        det = _free_log_det(N, linear)
    else:
        det = np.linalg.slogdet(scaled)[1] - 2 * np.log(scale).sum(1)
    return q, info, chi2, det
