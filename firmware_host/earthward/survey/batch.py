"""Many candidate places for one more sink, each with its own poses, fitting places and currents, in one sweep.

Every candidate is a full model (known sinks plus one sink at the candidate cell, free within the cell), refitted by
Gauss-Newton about its own estimates. Candidates are the leading axis of every array, so that a step for a hundred of
them is a few matrix products.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from earthward.survey import lead, model
from earthward.survey.lead import FloatArray, IntArray
from earthward.survey.model import Leads, Priors, Rows, Sink, State

_FOUR_PI = 4.0 * math.pi
#: A leak's current: small ones are more common than large ones, and behind a liner the soil keeps them below some
#: milliamperes: density 1 / ((q + Q0) (1 + (q / Q1)^2)).
Q0_MA = 0.2
Q1_MA = 3.0


def log_current_prior(q_mA: FloatArray) -> FloatArray:
    """Log density (per mA) of a leak's current, normalised over q >= 0."""
    # Integral of 1/((q + a)(1 + (q/b)^2)) over q >= 0, with a = Q0, b = Q1.
    a, b = Q0_MA, Q1_MA
    norm = (b * b * math.log(b / a) + 0.5 * math.pi * a * b) / (b * b + a * a)
    return np.asarray(-np.log(q_mA + a) - np.log1p((q_mA / b) ** 2) - math.log(norm))


@dataclass
class Candidates:
    """n places and where each one's refit stands. position_m (n, 3), tangent (n, 2, 3); coefficient (S, b, n) and
    slope (S, b, n, 2) of the smooth rest; pose (n, S, 6), offset_m (n, K, 2), current_mA (n, P, K), K = known + 1.
    After a step also score (n,), beta current and its deviation, chi2."""

    cell: IntArray
    position_m: FloatArray
    tangent: FloatArray
    coefficient: FloatArray
    slope: FloatArray
    pose: FloatArray
    offset_m: FloatArray
    current_mA: FloatArray
    score: FloatArray
    chi2: FloatArray
    q_mA: FloatArray
    q_sigma_mA: FloatArray
    log_det: FloatArray
    sigma_mA: FloatArray
    """Standard deviations (n, K) of all sinks' currents."""
    station_chi2: FloatArray
    """Misfit (n, S) per station."""
    place_covariance: FloatArray
    """Covariance (n, 2, 2) of the candidate's place along its tangents, m^2."""

    def __len__(self) -> int:
        return len(self.cell)


def join(a: Candidates, b: Candidates) -> Candidates:
    return Candidates(
        np.concatenate([a.cell, b.cell]),
        np.concatenate([a.position_m, b.position_m]),
        np.concatenate([a.tangent, b.tangent]),
        np.concatenate([a.coefficient, b.coefficient], axis=2),
        np.concatenate([a.slope, b.slope], axis=2),
        np.concatenate([a.pose, b.pose]),
        np.concatenate([a.offset_m, b.offset_m]),
        np.concatenate([a.current_mA, b.current_mA]),
        np.concatenate([a.score, b.score]),
        np.concatenate([a.chi2, b.chi2]),
        np.concatenate([a.q_mA, b.q_mA]),
        np.concatenate([a.q_sigma_mA, b.q_sigma_mA]),
        np.concatenate([a.log_det, b.log_det]),
        np.concatenate([a.sigma_mA, b.sigma_mA]),
        np.concatenate([a.station_chi2, b.station_chi2]),
        np.concatenate([a.place_covariance, b.place_covariance]),
    )


def pick(c: Candidates, index: IntArray) -> Candidates:
    return Candidates(
        c.cell[index],
        c.position_m[index],
        c.tangent[index],
        c.coefficient[:, :, index],
        c.slope[:, :, index],
        c.pose[index],
        c.offset_m[index],
        c.current_mA[index],
        c.score[index],
        c.chi2[index],
        c.q_mA[index],
        c.q_sigma_mA[index],
        c.log_det[index],
        c.sigma_mA[index],
        c.station_chi2[index],
        c.place_covariance[index],
    )


def start(
    cell: IntArray,
    position_m: FloatArray,
    tangent: FloatArray,
    coefficient: FloatArray,
    slope: FloatArray,
    state: Sequence[State] | State,
    q_mA: FloatArray,
    places: int,
) -> Candidates:
    """Candidates that start from the state of the model without them."""
    n = len(cell)
    states = [state] * n if isinstance(state, State) else list(state)
    own = np.broadcast_to(np.asarray(q_mA, dtype=float)[:, None, None], (n, places, 1))
    return Candidates(
        np.asarray(cell),
        position_m,
        tangent,
        coefficient,
        slope,
        np.stack([s.pose for s in states]),
        np.stack([np.concatenate([s.offset_m, np.zeros((1, 2))]) for s in states]),
        np.concatenate([np.stack([s.current_mA for s in states]), own], axis=2),
        np.full(n, -np.inf),
        np.full(n, np.inf),
        np.asarray(q_mA, dtype=float).copy(),
        np.full(n, np.inf),
        np.zeros(n),
        np.zeros((n, states[0].current_mA.shape[1] + 1)),
        np.zeros((n, len(states[0].pose))),
        np.zeros((n, 2, 2)),
    )


#: Candidates worked on at once: small enough that the arrays stay in the processor's cache.
CHUNK_STATIONS = 400


def step(
    leads: Leads,
    rows: Rows,
    known: Sequence[Sink],
    sources_m: FloatArray,
    resistivity: float,
    priors: Priors,
    c: Candidates,
    cell_sigma_m: float,
) -> None:
    """One Gauss-Newton step of every candidate, in place; scores belong to the point the step started from."""
    size = max(1, CHUNK_STATIONS // rows.stations)
    for first in range(0, len(c), size):
        index = np.arange(first, min(first + size, len(c)))
        part = pick(c, index)
        _step_chunk(leads, rows, known, sources_m, resistivity, priors, part, cell_sigma_m)
        c.pose[index], c.offset_m[index], c.current_mA[index] = part.pose, part.offset_m, part.current_mA
        c.score[index], c.chi2[index], c.log_det[index] = part.score, part.chi2, part.log_det
        c.q_mA[index], c.q_sigma_mA[index] = part.q_mA, part.q_sigma_mA
        c.sigma_mA[index], c.station_chi2[index] = part.sigma_mA, part.station_chi2
        c.place_covariance[index] = part.place_covariance


def _step_chunk(
    leads: Leads,
    rows: Rows,
    known: Sequence[Sink],
    sources_m: FloatArray,
    resistivity: float,
    priors: Priors,
    c: Candidates,
    cell_sigma_m: float,
) -> None:
    """`step` for a few candidates at a time."""
    rho = resistivity * 1e3
    n, k, P = len(c), len(known), len(sources_m)
    K = k + 1
    S, R = rows.pair.shape
    A_ = rows.lever_m.shape[1]
    E = 2 * A_
    # Electrodes and their images; components lead, so that the long axes stay contiguous.
    lever = np.einsum("nsij,sej->nsie", model.rotation(c.pose[..., 3:]), rows.lever_m.reshape(S, E, 3))
    u = c.pose[..., :3, None] + lever  # from the head's nominal centre, (n, S, 3, E)
    x = rows.centre_m[:, :, None] + u
    M = leads.matrix.shape[1]
    images = np.matmul(leads.matrix.reshape(S, M * 3, 3), x).reshape(n, S, M, 3, E).swapaxes(2, 3)
    images = images + leads.shift.transpose(0, 2, 1)[None, ..., None]  # (n, S, 3, M, E)
    # Targets: sources, known sinks where this candidate thinks they are, the candidate itself.
    T = P + K
    target = np.empty((n, T, 3))
    target[:, :P] = sources_m
    tangent = np.empty((n, K, 2, 3))
    if k:
        tangent[:, :k] = np.array([s.tangent for s in known])
        target[:, P : P + k] = np.array([s.position_m for s in known])
    tangent[:, k] = c.tangent
    target[:, T - 1] = c.position_m
    target[:, P:] += np.einsum("nkt,nktj->nkj", c.offset_m, tangent)
    d = images[..., None] - target.swapaxes(1, 2)[:, None, :, None, None, :]  # (n, S, 3, M, E, T)
    r2 = d[:, :, 0] * d[:, :, 0]
    r2 += d[:, :, 1] * d[:, :, 1]
    r2 += d[:, :, 2] * d[:, :, 2]
    np.maximum(r2, 2.5e-5, out=r2)
    inverse = 1.0 / np.sqrt(r2)
    G = inverse.sum(2)  # (n, S, E, T)
    inverse /= r2
    d *= inverse[:, :, None]
    back = leads.matrix.transpose(0, 3, 2, 1).reshape(S, 3, 3 * M)  # rows: component of x; columns: (component, image)
    slope = -np.matmul(back, d.reshape(n, S, 3 * M, E * T)).reshape(n, S, 3, E, T)
    pull = d[..., P:].sum(3)  # (n, S, 3, E, K)
    by_target = np.stack(
        [sum(pull[:, :, j] * tangent[:, None, None, :, t, j] for j in range(3)) for t in range(2)], axis=-1
    )
    G /= _FOUR_PI
    slope /= _FOUR_PI
    by_target /= _FOUR_PI
    # The smooth rest: rows of `wide` are the electrodes' values, then their x, y and z slopes.
    wide = lead.basis_and_slope(u.transpose(2, 0, 1, 3) / lead.RADIUS_M, leads.degree)
    b = wide.shape[-1]
    wide[1:] /= lead.RADIUS_M
    wide = wide.transpose(1, 2, 0, 3, 4).reshape(n, S, 4 * E, b)
    fixed = leads.sources  # (S, b, P)
    if k:
        coefficient0, slope0 = model.coefficients(leads, known, np.zeros((k, 2)))
        fixed = np.concatenate([leads.sources, coefficient0, slope0.transpose(0, 1, 3, 2).reshape(S, b, 2 * k)], axis=2)
    smooth = np.matmul(wide, fixed).reshape(n, S, 4, E, P + 3 * k)
    own = np.stack([c.coefficient, c.slope[..., 0], c.slope[..., 1]], axis=-1)  # (S, b, n, 3)
    smooth_own = np.matmul(wide, own.transpose(2, 0, 1, 3)).reshape(n, S, 4, E, 3)
    G[..., :P] += smooth[:, :, 0, :, :P]
    slope[..., :P] += smooth[:, :, 1:, :, :P]
    if k:
        o0, o1 = c.offset_m[:, None, None, None, :k, 0], c.offset_m[:, None, None, None, :k, 1]
        s0, s1 = smooth[..., P + k : P + 2 * k], smooth[..., P + 2 * k :]
        part = smooth[..., P : P + k] + s0 * o0 + s1 * o1
        G[..., P : P + k] += part[:, :, 0]
        slope[..., P : P + k] += part[:, :, 1:]
        by_target[..., :k, 0] += s0[:, :, 0]
        by_target[..., :k, 1] += s1[:, :, 0]
    o0, o1 = c.offset_m[:, None, None, None, k, 0], c.offset_m[:, None, None, None, k, 1]
    part = smooth_own[..., 0] + smooth_own[..., 1] * o0 + smooth_own[..., 2] * o1
    G[..., T - 1] += part[:, :, 0]
    slope[..., T - 1] += part[:, :, 1:]
    by_target[..., k, :] += smooth_own[:, :, 0, :, 1:]
    # A small turn w moves an electrode by w x lever: slope . (w x lever) = w . (lever x slope).
    full = np.empty((n, S, E, T, 6))
    for j in range(3):
        full[..., j] = slope[:, :, j]
        g, h = (j + 1) % 3, (j + 2) % 3
        full[..., 3 + j] = lever[:, :, g, :, None] * slope[:, :, h] - lever[:, :, h, :, None] * slope[:, :, g]
    # Differences between back and front; E runs over (axis, front/back).
    full = full.reshape(n, S, A_, 2, T, 6)
    G = G.reshape(n, S, A_, 2, T)
    D = G[..., 1, :] - G[..., 0, :]
    DJ = full[..., 1, :, :] - full[..., 0, :, :]
    by_target = by_target.reshape(n, S, A_, 2, K, 2)
    Dt = by_target[..., 1, :, :] - by_target[..., 0, :, :]
    arange = np.arange(S)[:, None]
    D, DJ, Dt = D[:, arange, rows.pair], DJ[:, arange, rows.pair], Dt[:, arange, rows.pair]
    place = rows.source
    srange = np.arange(R)[None, :]
    Ds = D[:, arange, srange, place]
    Js = DJ[:, arange, srange, place]
    q = c.current_mA[:, place]  # (n, S, R, K)
    column = rho * (Ds[..., None] - D[..., P:])
    nb = K + k * P + 2 * K if P > 1 else 3 * K
    aug = np.empty((n, S, R, nb + 1))
    aug[..., :K] = column
    if P > 1:
        for p in range(P):
            aug[..., K + p * k : K + (p + 1) * k] = column[..., :k] * (place == p)[..., None]
    moved = -rho * q[..., None] * Dt
    aug[..., nb - 2 * K : nb] = moved.reshape(n, S, R, 2 * K)
    J = rho * (q.sum(-1)[..., None] * Js - np.einsum("nsrk,nsrkj->nsrj", q, DJ[..., P:, :]))
    J = np.where(rows.use[..., None], J, 0.0)
    aug[..., nb] = (
        rows.value_uV + np.einsum("nsrj,nsj->nsr", J, c.pose) + np.einsum("nsrkt,nkt->nsr", moved, c.offset_m)
    )
    aug = np.where(rows.use[..., None], aug, 0.0)
    variance = rows.variance + priors.noise_floor_uV**2 + priors.model**2 * ((q * column) ** 2).sum(-1)
    variance = np.where(rows.use, variance, 1.0)
    C = (J * priors.pose**2) @ J.swapaxes(-1, -2)
    C[..., np.arange(R), np.arange(R)] += variance
    factor = np.linalg.cholesky(C)
    log_det = 2 * np.log(np.einsum("nsrr->nsr", factor)).sum((1, 2))
    C_inv = np.linalg.inv(C)
    weighted = C_inv @ aug
    normal = aug.reshape(n, S * R, nb + 1).swapaxes(1, 2) @ weighted.reshape(n, S * R, nb + 1)
    # Injected current and priors.
    injected = priors.injected_mA
    tie = np.zeros((P, nb + 1))
    tie[:, :K] = 1.0
    for p in range(P):
        if P > 1:
            tie[p, K + p * k : K + (p + 1) * k] = 1.0
    tie[:, nb] = injected
    tie_inv = np.linalg.inv(priors.gain**2 * np.outer(injected, injected) + np.diag((priors.current * injected) ** 2))
    normal += tie.T @ tie_inv @ tie
    total = float(injected.max())
    precision = np.full((n, nb), 1.0 / (10 * total) ** 2)
    for j, sink in enumerate(known):
        if P > 1:
            mean = np.abs(c.current_mA[:, :, j]).mean(1)
            deviation = sink.share_sigma * mean + (1e-3 * total if sink.share_sigma > 0 else 1e-5 * total)
            for p in range(P):
                precision[:, K + p * k + j] = 1 / deviation**2
        precision[:, nb - 2 * K + 2 * j : nb - 2 * K + 2 * j + 2] = 1 / sink.sigma_m**2
    precision[:, nb - 2 :] = 1 / cell_sigma_m**2
    normal[:, np.arange(nb), np.arange(nb)] += precision
    N, v, yy = normal[:, :nb, :nb], normal[:, :nb, nb], normal[:, nb, nb]
    scale = 1 / np.sqrt(np.einsum("nii->ni", N))
    scaled = N * scale[:, :, None] * scale[:, None]
    free_det = np.linalg.slogdet(scaled)[1] - 2 * np.log(scale).sum(1)
    pins = np.zeros((n, nb))
    beta = np.zeros((n, nb))
    for _ in range(4):
        inverse_N = np.linalg.inv(scaled + np.einsum("ni,ij->nij", pins, np.eye(nb)))
        beta = np.einsum("nij,nj->ni", inverse_N, v * scale) * scale
        negative = (beta[:, :k] < -1e-9) & (pins[:, :k] == 0)
        if not negative.any():
            break
        worst = np.argmin(np.where(negative, beta[:, :k], 0.0), axis=1)
        some = negative.any(1)
        pins[np.flatnonzero(some), worst[some]] = 1e9
    covariance_q = inverse_N[:, k, k] * scale[:, k] ** 2
    q_hat, sigma = beta[:, k], np.sqrt(covariance_q)
    chi2 = yy - np.einsum("ni,ni->n", v, beta)
    # If the current comes out negative the best there is has none of it.
    chi2 = np.where(q_hat < 0, chi2 + (q_hat / sigma) ** 2, chi2)
    z = q_hat / sigma
    tail = np.exp(np.clip(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - log_ndtr(z), -700, 50))
    mean = np.maximum(q_hat + sigma * tail, 1e-6)
    c.score = (
        -0.5 * (chi2 + log_det + free_det)
        - 2 * math.log(cell_sigma_m)
        + 0.5 * math.log(2 * math.pi)
        + log_ndtr(z)
        + np.where(z < 0, 0.5 * z * z, 0.0)
        + log_current_prior(mean)
    )
    c.chi2, c.q_mA, c.q_sigma_mA, c.log_det = chi2, mean, sigma, log_det
    deviations = np.einsum("nkk->nk", inverse_N[:, :K, :K]) * scale[:, :K] ** 2
    c.sigma_mA = np.sqrt(np.maximum(deviations, 0.0))
    last = scale[:, nb - 2 :]
    c.place_covariance = inverse_N[:, nb - 2 :, nb - 2 :] * last[:, :, None] * last[:, None]
    # The step.
    residual = aug[..., nb] - np.einsum("nsrb,nb->nsr", aug[..., :nb], beta)
    pulled = np.einsum("nsrt,nst->nsr", C_inv, residual)
    c.station_chi2 = (residual * pulled).sum(-1)
    pose = priors.pose**2 * np.einsum("nsrj,nsr->nsj", J, pulled)
    pose = np.clip(pose, -3 * priors.pose, 3 * priors.pose)
    current = np.repeat(beta[:, None, :K], P, axis=1)
    if P > 1 and k:
        current[..., :k] += beta[:, K : K + k * P].reshape(n, P, k)
    current[..., k] = mean[:, None]
    offset = beta[:, nb - 2 * K :].reshape(n, K, 2)
    limit = np.array([2.5 * s.sigma_m for s in known] + [2.0 * cell_sigma_m])[:, None]
    offset = np.clip(offset, -limit, limit)
    current = np.maximum(current, 0.0)
    c.pose, c.offset_m, c.current_mA = pose, offset, current
