"""The linear problem about a state: normal equations with every prior in them, and their bounded solution.

Unknowns, in this order: currents of all sinks (K) at the water's present voltage; by how much the k known ones deviate
at each placement (k P, if there is more than one placement); the depth all stations are off by; the angle by which all
poles lean toward the nearest wall; the injection electrodes' places (3 P); the log of the water's voltage in each
earlier state of the covers (E); the sinks' places along the liner (2 K). Errors of places and turns are folded into the
covariance of each station.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earthward.inversion import tails
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.observations import BoolArray
from earthward.inversion.predict import Columns, Model, OwnPlaces, State, predict

#: Precision (of scaled unknowns) that holds a current at zero while it is in the active set.
HOLD = 1e9
#: How far a turn may stray on the way, in its standard deviations.
TURN_LIMIT = 6.0
#: How little is known of the log of the water's voltage in another state of the covers; and its longest step.
LIFT_SIGMA, LIFT_STEP = 1.5, 0.7
#: A cover lets through so much of the injected current: more is a hole. Own estimate.
REMAINS = 0.01


@dataclass(frozen=True)
class Layout:
    """Where which unknown is."""

    sinks: int
    known: int
    placements: int
    earlier: int

    @property
    def depth(self) -> int:
        return self.sinks + (self.known * self.placements if self.placements > 1 else 0)

    @property
    def lean(self) -> int:
        return self.depth + 1

    @property
    def electrodes(self) -> slice:
        return slice(self.lean + 1, self.lean + 1 + 3 * self.placements)

    @property
    def lifts(self) -> slice:
        first = self.electrodes.stop
        return slice(first, first + self.earlier)

    @property
    def offsets(self) -> slice:
        first = self.lifts.stop
        return slice(first, first + 2 * self.sinks)

    @property
    def size(self) -> int:
        return self.lean + 1 + 3 * self.placements + self.earlier + 2 * self.sinks

    def deviation(self, placement: int) -> slice:
        first = self.sinks + placement * self.known
        return slice(first, first + self.known)


@dataclass(frozen=True)
class Equations:
    """n linear problems y = A beta + noise. aug (n, S, R, nb + 1) holds A and y; pose (n, S, R, 6) the rows' slopes;
    C_inv (n, S, R, R); normal (n, nb + 1, nb + 1) = aug' C^-1 aug with priors and the sum constraint; misfit (n,): the
    squared misfit at the states themselves, of readings, poses, places and currents."""

    layout: Layout
    aug: FloatArray
    pose: FloatArray
    variance: FloatArray
    C_inv: FloatArray
    station_log_det: FloatArray
    normal: FloatArray
    misfit: FloatArray
    cost: FloatArray
    """What places and turns worse than stated cost (n,), and (`merit`) what they cost a state with its misfit."""
    merit: FloatArray

    @property
    def log_det(self) -> FloatArray:
        return np.asarray(self.station_log_det.sum(1) + self.cost)


def pose_covariance(model: Model, pose: FloatArray, spread: FloatArray, station: IntArray | None = None) -> FloatArray:
    """Covariance (..., S, R, R) of the rows by errors of place and turn, from their slopes (..., S, R, 6) and the
    variances' factors (..., S, 1 + A). `station`: indices of the stations that the rows belong to, if not all in
    order."""
    by_place, by_turn = tails.covariance_parts(model, pose, station)
    of_place, of_turn = tails.widened(model, spread, station)
    return np.asarray(by_place * of_place + by_turn * of_turn)


def row_pose(model: Model, state: State) -> FloatArray:
    """The error (n, S, R, 6) of each row's pair: its place's and its turn's."""
    obs = model.obs
    by_row = state.turn[:, np.arange(obs.stations)[:, None], obs.pair].copy()
    by_row[..., :3] += state.place_m[:, :, None]
    return np.asarray(by_row)


def taken(model: Model, layout: Layout, state: State) -> FloatArray:
    """(n, P, K): what each sink takes at a placement of its current at the present voltage."""
    share = np.repeat(model.voltage(state)[..., None], layout.sinks, axis=2)
    share[..., : layout.known] *= model.open
    return share


def sum_constraint(model: Model, layout: Layout, state: State) -> tuple[FloatArray, FloatArray]:
    """Rows (n, P, nb + 1) that add all sinks' currents, with what was injected; and their inverse covariance (P, P):
    what is measured is the sum of all sinks, up to a common gain."""
    priors = model.problem.priors
    injected, P = priors.injected_mA, layout.placements
    rows = np.zeros((len(state), P, layout.size + 1))
    rows[..., : layout.sinks] = share = taken(model, layout, state)
    rows[..., -1] = injected
    if P > 1:
        for p in range(P):
            rows[:, p, layout.deviation(p)] = share[:, p, : layout.known]
    for e in range(layout.earlier):
        then = model.problem.covers == e
        whole = state.current_mA[:, then].sum(2)
        rows[:, then, layout.lifts.start + e] = whole
        rows[:, then, -1] += whole * state.lift[:, e, None]
    covariance = priors.gain**2 * np.outer(injected, injected) + np.diag((priors.current * injected) ** 2)
    return rows, np.asarray(np.linalg.inv(covariance), dtype=np.float64)


def _augmented(model: Model, layout: Layout, state: State, columns: Columns) -> FloatArray:
    """A and y of each state, y moved so that the state's own errors count as explained."""
    obs, P, k, K = model.obs, layout.placements, layout.known, layout.sinks
    n, S, R, _ = columns.column.shape
    aug = np.zeros((n, S, R, layout.size + 1))
    column = columns.column * taken(model, layout, state)[:, obs.source] if layout.earlier else columns.column
    aug[..., :K] = column
    electrode_error = state.electrode_m[:, obs.source]  # (n, S, R, 3)
    for p in range(P):
        here = (obs.source == p)[..., None]
        if P > 1:
            aug[..., layout.deviation(p)] = column[..., :k] * here
        first = layout.electrodes.start + 3 * p
        aug[..., first : first + 3] = columns.electrode * here
    for e in range(layout.earlier):
        then = model.problem.covers[obs.source] == e
        whole = (columns.column * state.current_mA[:, obs.source]).sum(-1) * then
        aug[..., layout.lifts.start + e] = whole
        aug[..., -1] += whole * state.lift[:, e, None, None]
    aug[..., layout.depth] = columns.pose[..., 2] * obs.by_mark[:, None]
    aug[..., layout.lean] = (columns.pose[..., 3:5] * obs.lean_axis[:, None]).sum(-1)
    aug[..., layout.offsets] = columns.moved
    y = aug[..., -1]
    y += np.where(obs.use, obs.value_uV, 0.0)
    y += (columns.pose * row_pose(model, state)).sum(-1)
    y += (columns.moved @ state.offset_m.reshape(n, 1, 2 * K, 1))[..., 0]
    y += (columns.electrode * electrode_error).sum(-1)
    return aug


def _prior_precision(model: Model, layout: Layout, state: State, own: OwnPlaces | None) -> FloatArray:
    """Diagonal (n, nb) that the priors add to the normal matrices."""
    priors = model.problem.priors
    total = float(priors.injected_mA.max())
    precision = np.full((len(state), layout.size), 1.0 / (10 * total) ** 2)
    precision[:, : layout.known][:, model.remains] = 1.0 / _remains_mA(model) ** 2
    if layout.placements > 1:
        deviation = _share_deviation(model, state)
        for p in range(layout.placements):
            precision[:, layout.deviation(p)] = 1 / deviation**2
    precision[:, layout.depth] = 1 / priors.depth_offset**2
    precision[:, layout.lifts] = 1 / LIFT_SIGMA**2
    precision[:, layout.lean] = 1 / priors.lean**2
    precision[:, layout.electrodes] = 1 / np.tile(priors.electrode, layout.placements) ** 2
    sigma = model.sigma_m if own is None else np.append(model.sigma_m, own.sigma_m)
    precision[:, layout.offsets] = 1 / np.repeat(sigma, 2) ** 2
    return precision


def _remains_mA(model: Model) -> float:
    """Standard deviation of what a cover lets through."""
    return REMAINS * model.problem.injected_now_mA


def _share_deviation(model: Model, state: State) -> FloatArray:
    """Standard deviation (n, k) of a known sink's current from placement to placement; a leak's hardly varies."""
    total = float(model.problem.priors.injected_mA.max())
    mean = np.abs(_alike(model, state)[1])
    return np.asarray(model.share_sigma * mean + np.where(model.share_sigma > 0, 1e-3, 1e-5) * total)


def _alike(model: Model, state: State) -> tuple[FloatArray, FloatArray]:
    """Currents (n, P, k) of the known sinks as they would be at the present voltage, 0 where covered, and their mean
    (n, k) over the placements where they are open."""
    k, opened = len(model.known), model.open
    current = state.current_mA[..., :k] / model.voltage(state)[..., None] * opened
    return current, np.asarray(current.sum(1) / np.maximum(opened.sum(0), 1.0))


def _prior_misfit(model: Model, layout: Layout, state: State, own: OwnPlaces | None, tie_inv: FloatArray) -> FloatArray:
    """Squared misfit (n,) of the states against the priors."""
    obs, priors = model.obs, model.problem.priors
    place = state.place_m.copy()
    place[..., 2] -= state.depth_m[:, None] * obs.by_mark
    misfit = ((place / obs.place_sigma) ** 2 / state.spread[..., :1]).sum((1, 2))
    once = (obs.leads_turn / state.spread[..., 1:])[..., None]
    turn = state.turn.copy()
    turn[..., 3:5] -= state.lean_rad[:, None, None, None] * obs.lean_axis[:, None]
    misfit += ((turn / obs.turn_sigma) ** 2 * once).sum((1, 2, 3))
    misfit += (state.depth_m / priors.depth_offset) ** 2 + (state.lean_rad / priors.lean) ** 2
    misfit += ((state.electrode_m / priors.electrode) ** 2).sum((1, 2))
    misfit += ((state.lift / LIFT_SIGMA) ** 2).sum(1)
    short = priors.injected_mA - state.current_mA.sum(2)
    misfit += np.einsum("np,pr,nr->n", short, tie_inv, short)
    own_current, mean = _alike(model, state)
    misfit += ((mean[:, model.remains] / _remains_mA(model)) ** 2).sum(1)
    if layout.placements > 1:
        apart = (own_current - mean[:, None]) * model.open
        misfit += ((apart / _share_deviation(model, state)[:, None]) ** 2).sum((1, 2))
    sigma = model.sigma_m if own is None else np.append(model.sigma_m, own.sigma_m)
    return np.asarray(misfit + ((state.offset_m / sigma[:, None]) ** 2).sum((1, 2)))


def assemble(model: Model, state: State, own: OwnPlaces | None = None) -> Equations:
    """Linear problems about the states; `own`: with one further sink each."""
    obs, priors = model.obs, model.problem.priors
    n, P, K = state.current_mA.shape
    S, R = obs.pair.shape
    layout = Layout(K, len(model.known), P, state.lift.shape[1])
    columns = predict(model, state, own)
    q = state.current_mA[:, obs.source]  # (n, S, R, K)
    contribution = columns.column * q
    variance = obs.variance + priors.noise_floor_uV**2 + priors.model**2 * (contribution**2).sum(-1)
    variance = np.where(obs.use, variance, 1.0)
    residual = np.where(obs.use, obs.value_uV, 0.0) - contribution.sum(-1)
    C = pose_covariance(model, columns.pose, state.spread)
    C[..., np.arange(R), np.arange(R)] += variance
    factor = np.linalg.cholesky(C)
    station_log_det = 2 * np.log(np.einsum("nsrr->nsr", factor)).sum(2)
    C_inv: FloatArray = np.asarray(np.linalg.inv(C), dtype=np.float64)
    aug = _augmented(model, layout, state, columns)
    width = layout.size + 1
    normal = aug.reshape(n, S * R, width).swapaxes(1, 2) @ (C_inv @ aug).reshape(n, S * R, width)
    rows, tie_inv = sum_constraint(model, layout, state)
    normal += rows.swapaxes(1, 2) @ tie_inv @ rows
    index = np.arange(layout.size)
    normal[:, index, index] += _prior_precision(model, layout, state, own)
    misfit = (residual**2 / variance).sum((1, 2)) + _prior_misfit(model, layout, state, own, tie_inv)
    cost = state.cost.sum(1)
    merit = misfit + cost + state.wider.sum(1)
    return Equations(layout, aug, columns.pose, variance, C_inv, station_log_det, normal, misfit, cost, merit)


@dataclass(frozen=True)
class Solution:
    """beta (n, nb), its covariance (n, nb, nb) with the active set held at zero, chi2 (n,) with priors, log_det (n,) of
    the normal matrices as if nothing were held: else models with different active sets compare badly."""

    beta: FloatArray
    covariance: FloatArray
    chi2: FloatArray
    log_det: FloatArray


def solve(equations: Equations, bounded: int) -> Solution:
    """Least squares with the first `bounded` currents not below zero (an active set that only grows)."""
    nb = equations.layout.size
    N, v, yy = equations.normal[:, :nb, :nb], equations.normal[:, :nb, nb], equations.normal[:, nb, nb]
    scale = 1 / np.sqrt(np.einsum("nii->ni", N))
    scaled = N * scale[:, :, None] * scale[:, None]
    log_det = np.linalg.slogdet(scaled)[1] - 2 * np.log(scale).sum(1)
    inverse = np.asarray(np.linalg.inv(scaled))
    beta = (inverse @ (v * scale)[..., None])[..., 0] * scale
    held: BoolArray = np.zeros(beta.shape, dtype=bool)
    for _ in range(bounded):
        negative = (beta[:, :bounded] < -1e-9) & ~held[:, :bounded]
        some = np.flatnonzero(negative.any(1))
        if not len(some):
            break
        held[some, np.argmin(np.where(negative, beta[:, :bounded], 0.0), axis=1)[some]] = True
        fixed = scaled[some] + HOLD * held[some][:, :, None] * np.eye(nb)
        inverse[some] = np.linalg.inv(fixed)
        beta[some] = (inverse[some] @ (v * scale)[some][..., None])[..., 0] * scale[some]
    chi2 = yy - (v * beta).sum(1)
    return Solution(beta, inverse * scale[:, :, None] * scale[:, None], chi2, np.asarray(log_det))


@dataclass(frozen=True)
class Moved:
    """Where a solution moves its states, and the misfit (n, S) of each station there."""

    state: State
    station_chi2: FloatArray


def moved(model: Model, state: State, equations: Equations, solution: Solution, own_sigma_m: float | None) -> Moved:
    """The states' next point, within bounds: poses from the residuals they are correlated with, the rest from beta."""
    obs, priors, layout, beta = model.obs, model.problem.priors, equations.layout, solution.beta
    n, P, k, K = len(beta), layout.placements, layout.known, layout.sinks
    residual = equations.aug[..., -1] - (equations.aug[..., :-1] @ beta[:, None, :, None])[..., 0]
    pulled = (equations.C_inv @ residual[..., None])[..., 0]
    weighted = equations.pose * pulled[..., None]  # (n, S, R, 6)
    depth = beta[:, layout.depth]
    place = obs.place_sigma**2 * weighted[..., :3].sum(2) * state.spread[..., :1]
    place[..., 2] += depth[:, None] * obs.by_mark
    # All directions of one turn are turned alike: by how much it is wider, its first direction tells.
    wider_turn = np.take_along_axis(state.spread, np.broadcast_to(1 + obs.turn, (n, *obs.turn.shape)), axis=2)
    turn = obs.turn_sigma**2 * (obs.in_turn @ weighted) * wider_turn[..., None]
    lift = np.clip(beta[:, layout.lifts], state.lift - LIFT_STEP, state.lift + LIFT_STEP)
    lean = beta[:, layout.lean]
    turn[..., 3:5] += lean[:, None, None, None] * obs.lean_axis[:, None]
    current = np.repeat(beta[:, None, :K], P, axis=1)
    if P > 1 and k:
        current[..., :k] += beta[:, K : K + k * P].reshape(n, P, k)
    current *= taken(model, layout, replace(state, lift=lift))
    limit = 2.5 * model.sigma_m if own_sigma_m is None else np.append(2.5 * model.sigma_m, 2.0 * own_sigma_m)
    electrode = beta[:, layout.electrodes].reshape(n, P, 3)
    chi2 = (residual * pulled).sum(-1)
    spread, cost, wider = tails.weigh(model, equations.pose, equations.variance, residual, chi2, state.spread)
    new = State(
        np.clip(place, -priors.place_limit, priors.place_limit),
        np.clip(turn, -TURN_LIMIT * obs.turn_sigma, TURN_LIMIT * obs.turn_sigma),
        np.clip(beta[:, layout.offsets].reshape(n, K, 2), -limit[:, None], limit[:, None]),
        np.maximum(current, 0.0),
        depth.copy(),
        lean.copy(),
        np.clip(electrode, -3 * priors.electrode, 3 * priors.electrode),
        spread,
        cost,
        wider,
        lift,
    )
    return Moved(new, np.asarray(chi2 + cost))


def mean_current_variance(covariance: FloatArray, layout: Layout, now: int) -> FloatArray:
    """Variance (n, K) of each sink's current, taken as the mean over the `now` present placements."""
    combine = np.zeros((layout.sinks, layout.size))
    combine[np.arange(layout.sinks), np.arange(layout.sinks)] = 1.0
    if layout.placements > 1:
        j = np.arange(layout.known)
        for p in range(now):
            combine[j, layout.sinks + p * layout.known + j] = 1.0 / now
    return np.asarray(((combine @ covariance) * combine).sum(-1))
