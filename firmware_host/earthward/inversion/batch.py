"""Many candidate places for one more sink, each with its own poses, fitting places and currents, in one sweep.

Every candidate is a full model (known sinks plus one sink at the candidate cell, free within the cell), refitted by
Gauss-Newton about its own estimates. Candidates are the leading axis of every array, so that a step for a hundred of
them is a few matrix products.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy.special import log_ndtr

from earthward.inversion import lead, model
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.model import Leads, Priors, Rows, Sink, State

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
    """Standard deviations (n, K) of all sinks' currents, each the mean over the placements."""
    station_chi2: FloatArray
    """Misfit (n, S) per station."""
    place_covariance: FloatArray
    """Covariance (n, 2, 2) of the candidate's place along its tangents, m^2."""
    shift_m: FloatArray
    """Depth (n,) that all stations are off by, as taken for `pose`."""
    misfit: FloatArray
    """Squared misfit (n,) of the best state so far: of readings, poses, places and currents, as they are there."""
    gap: FloatArray
    """By how much (n,) that is more than `chi2` promises for the next step."""
    best: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    """That state: pose, offset_m, current_mA, shift_m."""

    def __len__(self) -> int:
        return len(self.cell)


def join(a: Candidates, b: Candidates) -> Candidates:
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(a, name), getattr(b, name)], axis=2 if name in ("coefficient", "slope") else 0)
        for name in _ARRAYS
    }
    arrays["best"] = tuple(np.concatenate([x, y]) for x, y in zip(a.best, b.best, strict=True))
    return Candidates(**arrays)


def pick(c: Candidates, index: IntArray) -> Candidates:
    arrays: dict[str, Any] = {
        name: getattr(c, name)[:, :, index] if name in ("coefficient", "slope") else getattr(c, name)[index]
        for name in _ARRAYS
    }
    arrays["best"] = tuple(x[index] for x in c.best)
    return Candidates(**arrays)


_ARRAYS = [f.name for f in fields(Candidates) if f.name != "best"]


def earned_score(c: Candidates) -> FloatArray:
    """Scores (n,), the less believed the more of them the next step only promises."""
    return np.asarray(c.score - 0.5 * np.log1p(c.gap))


def state_of(c: Candidates, k: int, sinks: int | None = None) -> State:
    """The state candidate k goes on from, of the first `sinks` sinks (all, if not said)."""
    return State(c.pose[k], c.offset_m[k, :sinks], c.current_mA[k, :, :sinks], float(c.shift_m[k]))


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
    pose = np.stack([s.pose for s in states])
    offset = np.stack([np.concatenate([s.offset_m, np.zeros((1, 2))]) for s in states])
    current = np.concatenate([np.stack([s.current_mA for s in states]), own], axis=2)
    shift = np.array([s.shift_m for s in states])
    return Candidates(
        np.asarray(cell),
        position_m,
        tangent,
        coefficient,
        slope,
        pose,
        offset,
        current,
        np.full(n, -np.inf),
        np.full(n, np.inf),
        np.asarray(q_mA, dtype=float).copy(),
        np.full(n, np.inf),
        np.zeros(n),
        np.zeros((n, states[0].current_mA.shape[1] + 1)),
        np.zeros((n, len(states[0].pose))),
        np.zeros((n, 2, 2)),
        shift,
        np.full(n, np.inf),
        np.full(n, np.inf),
        (pose.copy(), offset.copy(), current.copy(), shift.copy()),
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
    """One Gauss-Newton step of every candidate, in place. Scores belong to the best point so far: a step that made the
    misfit larger is taken back by half."""
    size = max(1, CHUNK_STATIONS // rows.stations)
    for first in range(0, len(c), size):
        index = np.arange(first, min(first + size, len(c)))
        part = pick(c, index)
        _step_chunk(leads, rows, known, sources_m, resistivity, priors, part, cell_sigma_m)
        for name in _STEPPED:
            getattr(c, name)[index] = getattr(part, name)
        for whole, piece in zip(c.best, part.best, strict=True):
            whole[index] = piece


_STEPPED = [name for name in _ARRAYS if name not in ("cell", "position_m", "tangent", "coefficient", "slope")]


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
    M = leads.matrix.shape[1]
    # Electrodes and their images; components lead, so that the long axes stay contiguous.
    lever = model.rotation(c.pose[..., 3:]) @ rows.lever_m.reshape(S, E, 3).swapaxes(1, 2)  # (n, S, 3, E)
    u = c.pose[..., :3, None] + lever  # from the head's nominal centre
    x = rows.centre_m[:, :, None] + u
    forth = leads.matrix.transpose(0, 2, 1, 3).reshape(S, 3 * M, 3)  # rows: (component, image)
    images = (forth @ x).reshape(n, S, 3, M, E) + leads.shift.swapaxes(1, 2)[..., None]
    flat = images.reshape(n, S, 3, M * E)
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
    # What each target counts for in a reading of each placement: the source all, the sinks less their currents.
    share = np.zeros((n, P, T))
    share[:, np.arange(P), np.arange(P)] = c.current_mA.sum(2)
    share[:, :, P:] = -c.current_mA
    # Squared distances (n, S, T, M E) from products, not from differences: a fraction of the memory.
    r2 = (target * -2.0)[:, None] @ flat
    r2 += np.einsum("nsjf,nsjf->nsf", flat, flat)[:, :, None]
    r2 += np.einsum("ntj,ntj->nt", target, target)[:, None, :, None]
    np.maximum(r2, 2.5e-5, out=r2)
    root = np.sqrt(r2)
    r2 *= root
    G = np.reciprocal(root, out=root).reshape(n, S, T, M, E).sum(3) / _FOUR_PI
    cubed = np.reciprocal(r2, out=r2)
    # Slope of each placement's reading by the electrode: the sum over targets of share (image - target) / r^3.
    by_share = np.concatenate([share[:, :, None], share[:, :, None] * target.swapaxes(1, 2)[:, None]], axis=2)
    summed = (by_share.reshape(n, 1, 4 * P, T) / _FOUR_PI @ cubed).reshape(n, S, P, 4, M * E)
    pull = flat[:, :, None] * summed[:, :, :, :1] - summed[:, :, :, 1:]
    back = leads.matrix.transpose(0, 3, 2, 1).reshape(S, 1, 3, 3 * M)  # rows: component of x; columns as `forth`
    slope = -(back @ pull.reshape(n, S, P, 3 * M, E))  # (n, S, P, 3, E)
    along = tangent.reshape(n, 1, 2 * K, 3) @ flat
    along -= np.einsum("nkj,nktj->nkt", target[:, P:], tangent).reshape(n, 1, 2 * K, 1)
    by_target = (along.reshape(n, S, K, 2, M, E) * cubed[:, :, P:].reshape(n, S, K, 1, M, E)).sum(4) / _FOUR_PI
    # The smooth rest.
    wide = lead.basis_and_slope(u / lead.RADIUS_M, leads.degree)  # (n, S, 4, b, E)
    b = wide.shape[3]
    rest = np.empty((n, S, b, T + 2 * K))
    rest[..., :P] = leads.sources
    if k:
        coefficient, along_liner = model.coefficients(leads, known, np.zeros((k, 2)))
        rest[..., P : P + k] = coefficient
        rest[..., T : T + 2 * k] = along_liner.reshape(S, b, 2 * k)
    rest[..., T - 1] = c.coefficient.transpose(2, 0, 1)
    rest[..., T + 2 * k :] = c.slope.transpose(2, 0, 1, 3)
    for t in range(2):
        rest[..., P:T] += rest[..., T + t :: 2] * c.offset_m[:, None, None, :, t]
    smooth = rest.swapaxes(2, 3) @ wide[:, :, 0]  # (n, S, T + 2 K, E)
    G += smooth[:, :, :T]
    by_target += smooth[:, :, T:].reshape(n, S, K, 2, E)
    mixed = rest[..., :T] @ share.swapaxes(1, 2)[:, None]  # (n, S, b, P)
    steep = mixed.swapaxes(2, 3)[:, :, None] @ wide[:, :, 1:]  # (n, S, 3, P, E)
    slope += steep.swapaxes(2, 3) / lead.RADIUS_M
    # Everything a row may need, by placement and axis; differences between back and front, E runs over (axis, end).
    full = np.empty((n, S, P, A_, 3 * K + 6))
    D = G[..., 1::2] - G[..., ::2]
    full[..., :K] = rho * (D[:, :, :P, None] - D[:, :, None, P:]).swapaxes(3, 4)
    Dt = (by_target[..., 1::2] - by_target[..., ::2]).reshape(n, S, 2 * K, A_).swapaxes(2, 3)
    full[..., K : 3 * K] = Dt[:, :, None] * (-rho * np.repeat(c.current_mA, 2, axis=2))[:, None, :, None]
    # A small turn w moves an electrode by w x lever: slope . (w x lever) = w . (lever x slope).
    for j in range(3):
        g, h = (j + 1) % 3, (j + 2) % 3
        turn = lever[:, :, None, g] * slope[:, :, :, h] - lever[:, :, None, h] * slope[:, :, :, g]
        full[..., 3 * K + j] = rho * (slope[:, :, :, j, 1::2] - slope[:, :, :, j, ::2])
        full[..., 3 * K + 3 + j] = rho * (turn[..., 1::2] - turn[..., ::2])
    table = full.reshape(n, S, P * A_, 3 * K + 6)
    place = rows.source
    entry = place * A_ + rows.pair
    if R != P * A_ or not np.array_equal(entry, np.broadcast_to(np.arange(R), (S, R))):
        table = table[:, np.arange(S)[:, None], entry]
    table = np.where(rows.use[..., None], table, 0.0)
    column, moved, J = table[..., :K], table[..., K : 3 * K], table[..., 3 * K :]
    q = c.current_mA[:, place]  # (n, S, R, K)
    depth = K + (k * P if P > 1 else 0)
    nb = depth + 1 + 2 * K
    aug = np.empty((n, S, R, nb + 1))
    aug[..., :K] = column
    if P > 1:
        for p in range(P):
            aug[..., K + p * k : K + (p + 1) * k] = column[..., :k] * (place == p)[..., None]
    aug[..., depth] = J[..., 2]
    aug[..., depth + 1 : nb] = moved
    value = np.where(rows.use, rows.value_uV, 0.0)
    aug[..., nb] = value
    aug[..., nb] += (J @ c.pose[..., None])[..., 0]
    aug[..., nb] += (moved @ c.offset_m.reshape(n, 1, 2 * K, 1))[..., 0]
    variance = rows.variance + priors.noise_floor_uV**2 + priors.model**2 * ((q * column) ** 2).sum(-1)
    variance = np.where(rows.use, variance, 1.0)
    misfit = ((value - (column * q).sum(-1)) ** 2 / variance).sum((1, 2))
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
    short = injected - c.current_mA.sum(2)
    misfit += np.einsum("np,pr,nr->n", short, tie_inv, short)
    lone = c.pose.copy()
    lone[..., 2] -= c.shift_m[:, None]
    misfit += ((lone / priors.pose) ** 2).sum((1, 2)) + (c.shift_m / priors.depth_offset) ** 2
    misfit += (c.offset_m[:, k] ** 2).sum(1) / cell_sigma_m**2
    total = float(injected.max())
    precision = np.full((n, nb), 1.0 / (10 * total) ** 2)
    for j, sink in enumerate(known):
        if P > 1:
            mean = np.abs(c.current_mA[:, :, j]).mean(1)
            deviation = sink.share_sigma * mean + (1e-3 * total if sink.share_sigma > 0 else 1e-5 * total)
            for p in range(P):
                precision[:, K + p * k + j] = 1 / deviation**2
            misfit += ((c.current_mA[:, :, j] - c.current_mA[:, :, j].mean(1)[:, None]) ** 2).sum(1) / deviation**2
        misfit += (c.offset_m[:, j] ** 2).sum(1) / sink.sigma_m**2
        precision[:, nb - 2 * K + 2 * j : nb - 2 * K + 2 * j + 2] = 1 / sink.sigma_m**2
    precision[:, depth] = 1 / priors.depth_offset**2
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
    score = (
        -0.5 * (chi2 + log_det + free_det)
        - 2 * math.log(cell_sigma_m)
        + 0.5 * math.log(2 * math.pi)
        + log_ndtr(z)
        + np.where(z < 0, 0.5 * z * z, 0.0)
        + log_current_prior(mean)
    )
    spread = model.mean_current_variance(inverse_N * scale[:, :, None] * scale[:, None], K, k, P)
    last = scale[:, nb - 2 :]
    # The step.
    residual = aug[..., nb] - (aug[..., :nb] @ beta[:, None, :, None])[..., 0]
    pulled = (C_inv @ residual[..., None])[..., 0]
    pose = priors.pose**2 * (J.swapaxes(-1, -2) @ pulled[..., None])[..., 0]
    shift = beta[:, depth]
    pose[..., 2] += shift[:, None]
    pose = np.clip(pose, -priors.pose_limit, priors.pose_limit)
    current = np.repeat(beta[:, None, :K], P, axis=1)
    if P > 1 and k:
        current[..., :k] += beta[:, K : K + k * P].reshape(n, P, k)
    current[..., k] = mean[:, None]
    offset = beta[:, nb - 2 * K :].reshape(n, K, 2)
    limit = np.array([2.5 * s.sigma_m for s in known] + [2.0 * cell_sigma_m])[:, None]
    offset = np.clip(offset, -limit, limit)
    current = np.maximum(current, 0.0)
    good = misfit <= c.misfit + model.SLACK

    def better(new: FloatArray, old: FloatArray) -> FloatArray:
        return np.asarray(np.where(good.reshape(n, *[1] * (new.ndim - 1)), new, old))

    trial = (c.pose, c.offset_m, c.current_mA, c.shift_m)
    c.best = tuple(better(new, old) for new, old in zip(trial, c.best, strict=True))  # type: ignore[assignment]
    c.pose, c.offset_m, c.current_mA, c.shift_m = (
        better(forward, 0.5 * (one + held))
        for forward, one, held in zip((pose, offset, current, shift), trial, c.best, strict=True)
    )
    # The current itself is set to its mean, which costs a little by itself.
    gap = np.maximum(misfit - chi2 - ((mean - q_hat) / sigma) ** 2, 0.0)
    c.misfit, c.gap = better(misfit, c.misfit), better(gap, c.gap)
    c.score, c.chi2, c.log_det = better(score, c.score), better(chi2, c.chi2), better(log_det, c.log_det)
    c.q_mA, c.q_sigma_mA = better(mean, c.q_mA), better(sigma, c.q_sigma_mA)
    c.sigma_mA = better(np.sqrt(np.maximum(spread, 0.0)), c.sigma_mA)
    c.station_chi2 = better((residual * pulled).sum(-1), c.station_chi2)
    covariance = inverse_N[:, nb - 2 :, nb - 2 :] * last[:, :, None] * last[:, None]
    c.place_covariance = better(covariance, c.place_covariance)
