"""The measurement model: readings as currents times lead fields, with every station's pose and every sink's place
allowed to be a little wrong.

Inside this module volts are microvolts and amperes milliamperes, so that the normal equations are well scaled;
arrays are padded to stations x axes x rows. A reading between front f and back b with injection electrode at p is

    v = rho * sum over sinks k of q_kp [ D(p) - D(k) ],   D(y) = G(b, y) - G(f, y)

each sink bringing its own share of the source, so that currents balance whatever the estimates are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from earthward.inversion import lead
from earthward.inversion.lead import CellSet, FloatArray, Head, IntArray

BoolArray = NDArray[np.bool_]
_FOUR_PI = 4.0 * np.pi
#: Prior precision (1/mA^2) that holds a current at zero.
PIN = 1e8


@dataclass(frozen=True)
class Rows:
    """Readings of all stations, padded. lever_m (S, A, 2, 3): front and back electrode from the head's centre;
    pair, source (S, R) indices; value_uV, variance (S, R); use (S, R) which entries count; number (S, R) row numbers.
    """

    centre_m: FloatArray
    lever_m: FloatArray
    pair: IntArray
    source: IntArray
    value_uV: FloatArray
    variance: FloatArray
    use: BoolArray
    number: IntArray
    names: tuple[str, ...]

    @property
    def stations(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Leads:
    """Lead fields of all stations, padded. matrix (S, M, 3, 3), shift (S, M, 3); cells (S, b, n) smooth rest for the
    coarse liner cells, sources (S, b, P) for the injection electrodes; cell_D (S, A, n) at the nominal poses."""

    matrix: FloatArray
    shift: FloatArray
    cells: FloatArray
    sources: FloatArray
    cell_D: FloatArray
    degree: int


@dataclass(frozen=True)
class Sink:
    """A sink whose place is known but for a small error along the liner. weight (n,) and slope (n, 2) interpolate
    the smooth rest from the coarse cells, so that any place on the liner can be one."""

    name: str
    position_m: FloatArray
    tangent: FloatArray
    sigma_m: float
    share_sigma: float
    index: IntArray
    weight: FloatArray
    slope: FloatArray


@dataclass(frozen=True)
class Grid:
    """Coarse cells for scanning, fine cells for the answer, and how the one interpolates the other."""

    coarse: CellSet
    fine: CellSet
    fine_index: IntArray
    fine_weight: FloatArray
    fine_slope: FloatArray
    parent: IntArray


# ---- liner interpolation ----------------------------------------------------------------------------------


def local_weights(
    cells: CellSet, position_m: FloatArray, tangent: FloatArray, face: int, count: int = 12
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Indices (c,), weights (c,) and slopes (c, 2) that take a smooth function on the cells to a point of one face.

    Local quadratic least squares over the nearest cells (plane if there are too few).
    """
    d = cells.centre_m - position_m
    distance = np.where(cells.face == face, (d * d).sum(1), np.inf)
    # Cells of the same face but another plane (a hopper's slope, a bend) would not be smooth: prefer the near.
    count = min(count, int(np.isfinite(distance).sum()))
    index = np.argpartition(distance, count - 1)[:count] if count < len(distance) else np.arange(count)
    uv = d[index] @ tangent.T / cells.size_m
    table = np.column_stack([np.ones(count), uv, uv[:, 0] ** 2, uv[:, 0] * uv[:, 1], uv[:, 1] ** 2])
    if count < 8:
        table = table[:, :3]
    gauss = np.exp(-0.5 * (uv**2).sum(1) / 2.0**2)[:, None]
    solve = np.linalg.pinv(table * gauss, rcond=1e-6) * gauss.T
    return index.astype(np.int64), solve[0], solve[1:3].T / cells.size_m


def interpolation(coarse: CellSet, fine: CellSet) -> tuple[IntArray, FloatArray, FloatArray]:
    """Indices (n, c), weights (n, c) and slopes along the tangents (n, c, 2) from coarse to fine cells, by a local
    quadratic fit on each cell's own face."""
    count = 12
    n = len(fine)
    index = np.zeros((n, count), dtype=np.int64)
    weight = np.zeros((n, count))
    slope = np.zeros((n, count, 2))
    for face in np.unique(fine.face):
        mine = np.flatnonzero(fine.face == face)
        base = np.flatnonzero(coarse.face == face)
        if base.size == 0:
            base = np.arange(len(coarse))
        k = min(count, base.size)
        _, near = cKDTree(coarse.centre_m[base]).query(fine.centre_m[mine], k=k)
        ids = base[np.asarray(near).reshape(len(mine), k)]
        d = coarse.centre_m[ids] - fine.centre_m[mine][:, None]
        uv = np.einsum("ncj,nij->nci", d, fine.tangent[mine]) / coarse.size_m
        u, v = uv[..., 0], uv[..., 1]
        table = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
        if k < 8:
            table = table[..., :3]
        gauss = np.exp(-0.125 * (u * u + v * v))[..., None]
        weighted = table * gauss
        # Cells in a row leave some terms undetermined: a pseudo-inverse, of the small normal matrix for speed.
        normal = np.linalg.pinv(weighted.swapaxes(1, 2) @ weighted, rcond=1e-11, hermitian=True)
        solution = normal @ (weighted * gauss).swapaxes(1, 2)
        index[mine, :k] = ids
        weight[mine, :k] = solution[:, 0]
        slope[mine, :k] = solution[:, 1:3].swapaxes(1, 2) / coarse.size_m
    return index, weight, slope


def build_grid(coarse: CellSet, fine: CellSet) -> Grid:
    """Coarse and fine cells and what joins them."""
    index, weight, slope = interpolation(coarse, fine)
    return Grid(coarse, fine, index, weight, slope, index[:, 0].copy())


def sink_at(
    cells: CellSet, name: str, position_m: FloatArray, normal: FloatArray, face: int, sigma_m: float, share_sigma: float
) -> Sink:
    tangent = lead.tangents(normal[None])[0]
    index, weight, slope = local_weights(cells, position_m, tangent, face)
    return Sink(name, position_m, tangent, sigma_m, share_sigma, index, weight, slope)


# ---- poses ------------------------------------------------------------------------------------------------


def rotation(turn: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3), rad (Rodrigues)."""
    angle = np.linalg.norm(turn, axis=-1)
    safe = np.maximum(angle, 1e-12)
    axis = turn / safe[..., None]
    x, y, z = axis[..., 0], axis[..., 1], axis[..., 2]
    n = np.zeros_like(x)
    k = np.stack([np.stack([n, -z, y], -1), np.stack([z, n, -x], -1), np.stack([-y, x, n], -1)], -2)
    s, c = np.sin(angle)[..., None, None], np.cos(angle)[..., None, None]
    return np.asarray(np.eye(3) + s * k + (1 - c) * (k @ k))


def electrodes(rows: Rows, pose: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Electrode positions (S, A, 2, 3) and turned levers at poses (S, 6): shift (m) then rotation vector (rad)."""
    lever = np.einsum("sij,saej->saei", rotation(pose[:, 3:]), rows.lever_m)
    return rows.centre_m[:, None, None] + pose[:, None, None, :3] + lever, lever


# ---- fields of a few points -------------------------------------------------------------------------------


def field_of(
    leads: Leads,
    rows: Rows,
    pose: FloatArray,
    targets_m: FloatArray,
    coefficient: FloatArray,
    coefficient_slope: FloatArray | None = None,
    tangent: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """D (S, A, n) of targets (n, 3), its slope by pose (S, A, n, 6), and by the target along its two tangents.

    coefficient (S, b, n): smooth rest of the targets; coefficient_slope (S, b, k, 2), tangent (k, 2, 3) of the last k
    of them.
    """
    x, lever = electrodes(rows, pose)
    S, A = x.shape[:2]
    E, M, n = 2 * A, leads.matrix.shape[1], len(targets_m)
    forth = leads.matrix.transpose(0, 2, 1, 3).reshape(S, 3 * M, 3)  # rows: (component, image)
    images = (forth @ x.reshape(S, E, 3).swapaxes(1, 2)).reshape(S, 3, M, E) + leads.shift.swapaxes(1, 2)[..., None]
    d = images.reshape(S, 3, M * E, 1) - targets_m.T[:, None]
    r2 = np.maximum((d * d).sum(1), 2.5e-5)
    inverse = 1.0 / np.sqrt(r2)
    near = inverse.reshape(S, M, E, n).sum(1) / _FOUR_PI
    pull = d * (inverse / r2 / _FOUR_PI)[:, None]
    back = leads.matrix.transpose(0, 3, 2, 1).reshape(S, 3, 3 * M)
    steep = -(back @ pull.reshape(S, 3 * M, E * n)).reshape(S, 3, E, n)
    u = (x - rows.centre_m[:, None, None]).reshape(S, E, 3).swapaxes(1, 2) / lead.RADIUS_M
    table = lead.basis_and_slope(u, leads.degree).swapaxes(2, 3)  # (S, 4, E, b)
    value = (near + table[:, 0] @ coefficient).reshape(S, A, 2, n)
    steep = steep + table[:, 1:] @ coefficient[:, None] / lead.RADIUS_M
    slope = steep.transpose(0, 2, 3, 1).reshape(S, A, 2, n, 3)
    by_target = None
    if coefficient_slope is not None and tangent is not None:
        k = len(tangent)
        last = pull[..., n - k :].reshape(S, 3, M, E, k).sum(2)
        along = np.einsum("sjek,ktj->sekt", last, tangent)
        along = along + (table[:, 0] @ coefficient_slope.reshape(S, table.shape[-1], 2 * k)).reshape(S, E, k, 2)
        by_target = along.reshape(S, A, 2, k, 2)[:, :, 1] - along.reshape(S, A, 2, k, 2)[:, :, 0]
    # A small turn w moves an electrode by w x lever: slope . (w x lever) = w . (lever x slope)
    turn = np.cross(np.broadcast_to(lever[:, :, :, None], slope.shape), slope)
    full = np.concatenate([slope, turn], axis=-1)
    return value[:, :, 1] - value[:, :, 0], full[:, :, 1] - full[:, :, 0], by_target


def pair_slopes(leads: Leads, rows: Rows, pose: FloatArray, station: IntArray, targets_m: FloatArray) -> FloatArray:
    """Slope by pose (N, A, 6) of D for matched lists of stations (N,) and near targets (N, 3); images only.

    Near a target the smooth rest's slope is negligible beside the images'.
    """
    x, lever = electrodes(rows, pose)
    keep = slice(0, min(leads.matrix.shape[1], 8))
    matrix = leads.matrix[station][:, keep]
    images = np.einsum("nmij,naej->nmaei", matrix, x[station]) + leads.shift[station][:, keep, None, None]
    d = images - targets_m[:, None, None, None]
    r2 = np.maximum((d * d).sum(-1), 2.5e-5)
    slope = -np.einsum("nmij,nmaei->naej", matrix, d / (r2 * np.sqrt(r2))[..., None]) / _FOUR_PI
    turn = np.cross(lever[station], slope)
    full = np.concatenate([slope, turn], axis=-1)
    return np.asarray(full[:, :, 1] - full[:, :, 0])


# ---- linear problem at given poses ------------------------------------------------------------------------


@dataclass(frozen=True)
class Priors:
    """Standard deviations: pose (6,) in m and rad, of each station by itself; depth_offset in m, common to all
    stations; currents relative; injected_mA (P,) as measured."""

    pose: FloatArray
    depth_offset: float
    current: float
    gain: float
    model: float
    noise_floor_uV: float
    injected_mA: FloatArray

    @property
    def pose_limit(self) -> FloatArray:
        """How far (6,) a pose may stray on the way: six standard deviations."""
        wide = self.pose.copy()
        wide[2] = np.hypot(wide[2], self.depth_offset)
        return np.asarray(6 * wide)


@dataclass(frozen=True)
class State:
    """A point to linearise about: poses (S, 6), sink offsets (k, 2), currents (P, k) in mA, and the part of the poses'
    depth that is common to all."""

    pose: FloatArray
    offset_m: FloatArray
    current_mA: FloatArray
    shift_m: float = 0.0


@dataclass(frozen=True)
class Linear:
    """The problem at one state: y = A beta + noise per station, pose errors folded into the covariance.

    beta = currents (k), per-placement deviations (k P, if P > 1), the depth all stations are off by (1), offsets
    (2 k). normal (nb + 1, nb + 1) holds
    [A y]' C^-1 [A y] with priors and the injected-current rows. log_det: sum of log|C|.
    """

    state: State
    A: FloatArray
    y: FloatArray
    J: FloatArray
    base_variance: FloatArray
    C_inv: FloatArray
    station_log_det: FloatArray
    normal: FloatArray
    sinks: int
    source_D: FloatArray
    source_J: FloatArray
    tie_A: FloatArray
    tie_inv: FloatArray
    tie_y: FloatArray
    pinned: BoolArray
    misfit: float
    """Squared misfit at the state itself, of readings, poses, places and currents."""


def take(array: FloatArray, index: IntArray) -> FloatArray:
    """array (S, A, ...) at index (S, R) along axis 1 -> (S, R, ...)."""
    return np.asarray(array[np.arange(len(array))[:, None], index])


def coefficients(leads: Leads, sinks: Sequence[Sink], offset_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smooth rest (S, b, k) of sinks moved by offsets (k, 2), and its slope along the tangents (S, b, k, 2)."""
    s, b, _ = leads.cells.shape
    value = np.zeros((s, b, len(sinks)))
    slope = np.zeros((s, b, len(sinks), 2))
    for k, sink in enumerate(sinks):
        part = leads.cells[:, :, sink.index]
        slope[:, :, k] = part @ sink.slope
        value[:, :, k] = part @ sink.weight + slope[:, :, k] @ offset_m[k]
    return value, slope


def linearise(
    leads: Leads,
    rows: Rows,
    sinks: Sequence[Sink],
    sources_m: FloatArray,
    resistivity: float,
    priors: Priors,
    state: State,
    pinned: BoolArray | None = None,
) -> Linear:
    """Build the linear problem at a state. resistivity in ohm m (microvolt per milliampere is 1,000 times that)."""
    rho = resistivity * 1e3
    k, p = len(sinks), len(sources_m)
    pinned = np.zeros(k, dtype=bool) if pinned is None else pinned
    positions = np.array([s.position_m for s in sinks]).reshape(k, 3)
    tangent = np.array([s.tangent for s in sinks]).reshape(k, 2, 3)
    positions = positions + np.einsum("kt,ktj->kj", state.offset_m, tangent)
    value, slope = coefficients(leads, sinks, state.offset_m)
    all_D, all_J, Dt = field_of(
        leads,
        rows,
        state.pose,
        np.concatenate([sources_m, positions]),
        np.concatenate([leads.sources, value], axis=2),
        slope,
        tangent,
    )
    assert Dt is not None
    source_D, source_J = all_D[..., :p], all_J[..., :p, :]
    row_source = rows.source
    S, R = rows.pair.shape
    arange = np.arange(S)[:, None]
    Ds = source_D[arange, rows.pair, row_source]
    Js = source_J[arange, rows.pair, row_source]
    many = p > 1
    depth = k + (k * p if many else 0)
    nb = depth + 1 + 2 * k
    A = np.zeros((S, R, nb))
    J = np.zeros((S, R, 6))
    contribution = np.zeros((S, R))
    modelled = np.zeros((S, R))
    fixed = np.zeros((S, R))
    if k:
        D, DJ, Dt = take(all_D[..., p:], rows.pair), take(all_J[..., p:, :], rows.pair), take(Dt, rows.pair)
        q = state.current_mA[row_source]  # (S, R, k)
        column = rho * (Ds[..., None] - D)
        A[..., :k] = column
        if many:
            for place in range(p):
                A[..., k + place * k : k + (place + 1) * k] = column * (row_source == place)[..., None]
        moved = -rho * q[..., None] * Dt
        A[..., depth + 1 :] = moved.reshape(S, R, 2 * k)
        fixed = (moved * state.offset_m).sum((-1, -2))
        J = rho * (q.sum(-1)[..., None] * Js - np.einsum("srk,srkj->srj", q, DJ))
        contribution = ((q * column) ** 2).sum(-1)
        modelled = (q * column).sum(-1)
        A[..., depth] = J[..., 2]
    use = rows.use
    A = np.where(use[..., None], A, 0.0)
    J = np.where(use[..., None], J, 0.0)
    y = np.where(use, rows.value_uV + (J @ state.pose[:, :, None])[..., 0] + fixed, 0.0)
    variance = rows.variance + priors.noise_floor_uV**2 + priors.model**2 * contribution
    variance = np.where(use, variance, 1.0)
    misfit = float((np.where(use, rows.value_uV - modelled, 0.0) ** 2 / variance).sum())
    lone = state.pose.copy()
    lone[:, 2] -= state.shift_m
    misfit += float(((lone / priors.pose) ** 2).sum()) + (state.shift_m / priors.depth_offset) ** 2
    C = J * priors.pose**2 @ J.transpose(0, 2, 1)
    C[:, np.arange(R), np.arange(R)] += variance
    C_inv: FloatArray = np.asarray(np.linalg.inv(C), dtype=np.float64)
    log_det: FloatArray = np.asarray(np.linalg.slogdet(C)[1], dtype=np.float64)
    aug = np.concatenate([A, y[..., None]], axis=-1)
    flat = aug.reshape(S * R, nb + 1)
    normal = flat.T @ (C_inv @ aug).reshape(S * R, nb + 1)
    # Injected current per placement: what is measured is the sum of all sinks, up to a common gain.
    injected = priors.injected_mA
    tie_A = np.zeros((p, nb))
    for place in range(p):
        tie_A[place, :k] = 1.0
        if many:
            tie_A[place, k + place * k : k + (place + 1) * k] = 1.0
    tie_C = priors.gain**2 * np.outer(injected, injected) + np.diag((priors.current * injected) ** 2)
    tie_inv: FloatArray = np.asarray(np.linalg.inv(tie_C), dtype=np.float64)
    tie_aug = np.column_stack([tie_A, injected])
    normal += tie_aug.T @ tie_inv @ tie_aug
    short = injected - state.current_mA.sum(1)
    misfit += float(short @ tie_inv @ short)
    total = float(injected.max())
    precision = np.full(nb, 1.0 / (10 * total) ** 2)
    precision[depth] = 1 / priors.depth_offset**2
    for j, sink in enumerate(sinks):
        if pinned[j]:
            precision[j] += PIN
        if many:
            deviation = sink.share_sigma * np.abs(state.current_mA[:, j]).mean() + 1e-3 * total
            if sink.share_sigma == 0:
                deviation = 1e-5 * total
            precision[k + j : k + k * p : k] = 1 / deviation**2
            own = state.current_mA[:, j]
            misfit += float(((own - own.mean()) ** 2).sum()) / deviation**2
        misfit += float((state.offset_m[j] ** 2).sum()) / sink.sigma_m**2
        precision[nb - 2 * k + 2 * j : nb - 2 * k + 2 * j + 2] = 1 / sink.sigma_m**2
    normal[np.arange(nb), np.arange(nb)] += precision
    return Linear(
        state,
        A,
        y,
        J,
        variance,
        C_inv,
        log_det,
        normal,
        k,
        source_D,
        source_J,
        tie_A,
        tie_inv,
        injected,
        pinned,
        misfit,
    )


@dataclass(frozen=True)
class Solved:
    """Solution of a linear problem: beta, its covariance, chi-square with priors, log evidence (up to constants)."""

    beta: FloatArray
    covariance: FloatArray
    chi2: float
    log_evidence: float
    state: State
    station_chi2: FloatArray
    current_mA: FloatArray
    linear: Linear


def mean_current_variance(covariance: FloatArray, sinks: int, floating: int, placements: int) -> FloatArray:
    """Variance (..., sinks) of each sink's current, taken as the mean over the placements, from the covariance
    (..., nb, nb) of beta; the first `floating` of them have a deviation per placement."""
    combine = np.zeros((sinks, covariance.shape[-1]))
    combine[np.arange(sinks), np.arange(sinks)] = 1.0
    if placements > 1:
        for p in range(placements):
            j = np.arange(floating)
            combine[j, sinks + p * floating + j] = 1.0 / placements
    return np.asarray(((combine @ covariance) * combine).sum(-1))


def solve(rows: Rows, linear: Linear, priors: Priors) -> Solved:
    nb = linear.A.shape[-1]
    N = linear.normal[:nb, :nb]
    v = linear.normal[:nb, nb]
    yy = float(linear.normal[nb, nb])
    k = linear.sinks
    p = len(priors.injected_mA)
    scale = 1 / np.sqrt(np.diag(N))
    inverse = np.linalg.inv(N * scale[:, None] * scale)
    covariance = inverse * scale[:, None] * scale
    beta = covariance @ v
    chi2 = yy - float(v @ beta)
    # A pinned current weighs in the evidence as if it were free: else models with different pins compare badly.
    free = N.copy()
    free[np.arange(k), np.arange(k)] -= np.where(linear.pinned, PIN, 0.0)
    scale = 1 / np.sqrt(np.diag(free))
    log_det_n = float(np.linalg.slogdet(free * scale[:, None] * scale)[1] - 2 * np.log(scale).sum())
    residual = linear.y - linear.A @ beta
    weighted = (linear.C_inv @ residual[..., None])[..., 0]
    station_chi2 = (residual * weighted).sum(1)
    pose = priors.pose**2 * (linear.J.transpose(0, 2, 1) @ weighted[..., None])[..., 0]
    pose[:, 2] += beta[nb - 2 * k - 1]
    current = np.tile(beta[:k], (p, 1))
    if p > 1 and k:
        current = current + beta[k : k + k * p].reshape(p, k)
    state = State(pose, beta[nb - 2 * k :].reshape(k, 2), current, float(beta[nb - 2 * k - 1]))
    evidence = -0.5 * (chi2 + float(linear.station_log_det.sum()) + log_det_n)
    return Solved(beta, covariance, chi2, evidence, state, station_chi2, current, linear)


def fit(
    leads: Leads,
    rows: Rows,
    sinks: Sequence[Sink],
    sources_m: FloatArray,
    resistivity: float,
    priors: Priors,
    start: State | None = None,
    iterations: int = 4,
) -> Solved:
    """Gauss-Newton over poses, offsets and currents, with negative currents pinned to zero. A step that makes the
    misfit larger is taken back by half (and does not count)."""
    k, S = len(sinks), rows.stations
    pinned = np.zeros(k, dtype=bool)
    if start is None:
        share = priors.injected_mA[:, None] / max(k, 1) * np.ones(k)
        start = State(np.zeros((S, 6)), np.zeros((k, 2)), share)
    state = start
    solved: Solved | None = None
    limit_offset = np.array([2.5 * s.sigma_m for s in sinks])[:, None] if k else np.zeros((0, 1))
    back = 0
    while iterations > 0:
        linear = linearise(leads, rows, sinks, sources_m, resistivity, priors, state, pinned)
        if solved is not None and back < 4 and linear.misfit > solved.linear.misfit + SLACK:
            state, back = _halfway(solved.linear.state, state), back + 1
            continue
        iterations, back = iterations - 1, 0
        solved = solve(rows, linear, priors)
        for _ in range(k):
            negative = (solved.beta[:k] < -1e-9) & ~pinned
            if not negative.any():
                break
            pinned = pinned.copy()
            pinned[int(np.argmin(np.where(negative, solved.beta[:k], 0.0)))] = True
            linear = linearise(leads, rows, sinks, sources_m, resistivity, priors, state, pinned)
            solved = solve(rows, linear, priors)
        new = solved.state
        pose = np.clip(new.pose, -priors.pose_limit, priors.pose_limit)
        offset = np.clip(new.offset_m, -limit_offset, limit_offset)
        before, state = state, State(pose, offset, np.maximum(new.current_mA, 0.0), new.shift_m)
        if _settled(before, state, 1e-4 * float(priors.injected_mA.max())):
            break
    assert solved is not None
    return replace(solved, state=state)


#: A step may make the misfit worse by so much: determinants and bounds also have a say.
SLACK = 0.5


def _halfway(one: State, other: State) -> State:
    return State(
        0.5 * (one.pose + other.pose),
        0.5 * (one.offset_m + other.offset_m),
        0.5 * (one.current_mA + other.current_mA),
        0.5 * (one.shift_m + other.shift_m),
    )


def _settled(one: State, other: State, current_mA: float) -> bool:
    """So close (a tenth of a millimetre or milliradian) that another round would change nothing."""
    place = [np.abs(one.pose - other.pose).max(initial=0.0), np.abs(one.offset_m - other.offset_m).max(initial=0.0)]
    return max(place) < 1e-4 and float(np.abs(one.current_mA - other.current_mA).max(initial=0.0)) < current_mA


# ---- packing ----------------------------------------------------------------------------------------------


def stack_leads(heads: Sequence[Head], cell_D: Sequence[FloatArray], n_cells: int) -> Leads:
    """Pad the stations' images with far-away ones and stack everything."""
    most = max(len(h.matrix) for h in heads)
    S = len(heads)
    matrix = np.zeros((S, most, 3, 3))
    shift = np.full((S, most, 3), 1e7)
    for s, head in enumerate(heads):
        matrix[s, : len(head.matrix)] = head.matrix
        shift[s, : len(head.matrix)] = head.shift_m
    coefficient = np.stack([h.coefficient for h in heads])
    axes = max(d.shape[0] for d in cell_D)
    padded = np.zeros((S, axes, n_cells))
    for s, d in enumerate(cell_D):
        padded[s, : len(d)] = d
    return Leads(matrix, shift, coefficient[:, :, :n_cells], coefficient[:, :, n_cells:], padded, heads[0].degree)
