"""What the electrodes would read, and how that changes with everything that is not known exactly.

A reading between front f and back b with the injection electrode at p is

    v = rho * sum over sinks k of q_kp [ D(p) - D(k) ],   D(y) = G(b, y) - G(f, y)

each sink bringing its own share of the source, so that currents balance whatever the estimates are. Many states are
worked on at once: they are the leading axis of every array.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np

from earthward.inversion import lead
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.observations import BoolArray, LeadFields, Observations
from earthward.inversion.prepare import Problem, Sink

_FOUR_PI = 4.0 * math.pi
SINGLE = np.float32
#: Nearer than this (squared) no electrode comes to a sink.
CLOSEST_M2 = 2.5e-5


@dataclass
class State:
    """n points to linearise about. place_m (n, S, 3): error of each station; turn (n, S, A, 6): hand shift and rotation
    vector of each direction; offset_m (n, K, 2) of the sinks along the liner; current_mA (n, P, K); depth_m and
    lean_rad (n,): the parts of the places' depth and of the turns' tilt that are common to all; electrode_m (n, P, 3):
    error of the injection electrodes. spread (n, S, 1 + A): by how much the variances of each place and turn are taken
    wider than stated, with what that costs (n, S) and the log determinant (n, S) it adds (`tails.weigh`). lift (n,
    E): log of the water's voltage in each earlier state of the covers against now, less what `Model.lift_centre`
    expects."""

    place_m: FloatArray
    turn: FloatArray
    offset_m: FloatArray
    current_mA: FloatArray
    depth_m: FloatArray
    lean_rad: FloatArray
    electrode_m: FloatArray
    spread: FloatArray
    cost: FloatArray
    wider: FloatArray
    lift: FloatArray

    def __len__(self) -> int:
        return len(self.depth_m)

    def arrays(self) -> tuple[FloatArray, ...]:
        return tuple(getattr(self, f.name) for f in fields(self))

    def pick(self, index: IntArray | Sequence[int]) -> State:
        return State(*(a[np.asarray(index)] for a in self.arrays()))

    def put(self, index: IntArray, other: State) -> None:
        for mine, theirs in zip(self.arrays(), other.arrays(), strict=True):
            mine[index] = theirs

    def copy(self) -> State:
        return State(*(a.copy() for a in self.arrays()))

    def sinks(self, index: IntArray | Sequence[int] | slice) -> State:
        """The same with some of the sinks only."""
        return replace(self, offset_m=self.offset_m[:, index], current_mA=self.current_mA[:, :, index])

    def with_sink(self, current_mA: FloatArray) -> State:
        """With one sink more, at its own place, taking current_mA (n, P) from each placement."""
        n = len(self)
        offset = np.concatenate([self.offset_m, np.zeros((n, 1, 2))], axis=1)
        current = np.concatenate([self.current_mA, current_mA[..., None]], axis=2)
        return replace(self, offset_m=offset, current_mA=current)

    def unmoved(self) -> State:
        """The same currents, with everything else as noted."""
        zero = State(*(np.zeros_like(a) for a in self.arrays()))
        zero.current_mA, zero.lift = self.current_mA.copy(), self.lift.copy()
        zero.spread[:] = 1.0
        return zero


def join_states(states: Sequence[State]) -> State:
    return State(*(np.concatenate(parts) for parts in zip(*(s.arrays() for s in states), strict=True)))


def mix(one: State, other: State) -> State:
    """Half-way between."""
    return State(*(0.5 * (a + b) for a, b in zip(one.arrays(), other.arrays(), strict=True)))


def choose(good: np.ndarray, one: State, other: State) -> State:
    """By state: `one` where good (n,), else `other`."""
    return State(
        *(
            np.where(good.reshape(-1, *[1] * (a.ndim - 1)), a, b)
            for a, b in zip(one.arrays(), other.arrays(), strict=True)
        )
    )


@dataclass(frozen=True)
class Model:
    """Everything a prediction needs: pool, readings, lead fields and k known sinks. position_m (k, 3), tangent
    (k, 2, 3), rest (S, b, k) and rest_slope (S, b, k, 2) of these sinks."""

    problem: Problem
    obs: Observations
    leads: LeadFields
    known: tuple[Sink, ...]
    position_m: FloatArray
    tangent: FloatArray
    rest: FloatArray
    rest_slope: FloatArray
    sigma_m: FloatArray
    share_sigma: FloatArray

    @property
    def placements(self) -> int:
        return len(self.problem.sources_m)

    @cached_property
    def open(self) -> FloatArray:
        """(P, k): 0 where a known sink was covered and took nothing."""
        mask = np.ones((self.placements, len(self.known)))
        for j, sink in enumerate(self.known):
            mask[list(sink.shut), j] = 0.0
        return mask

    @cached_property
    def remains(self) -> BoolArray:
        """(k,): what the cover of a fitting lets through."""
        return np.array([sink.remains for sink in self.known], dtype=bool)

    @cached_property
    def lift_centre(self) -> FloatArray:
        """(E,): what is expected of `State.lift` before anything is read. As if all that the currents differ by were
        the water's voltage: the current limit is the same, so it is not, but nobody can know by how much."""
        problem = self.problem
        covers = range(len(problem.settings.earlier))
        return np.array([np.log(problem.injected_mA[problem.covers == e][0] / problem.injected_now_mA) for e in covers])

    def voltage(self, state: State) -> FloatArray:
        """The water's voltage (n, P) at each placement against now: every sink that is open takes in proportion."""
        earlier = np.exp(self.lift_centre + state.lift)
        ones = np.ones((len(state), 1))
        # Index -1, the present state of the covers, is the last column.
        return np.asarray(np.concatenate([earlier, ones], axis=1)[:, self.problem.covers])

    def start(self, lift: float = 0.0) -> State:
        """Everything as noted, the current shared evenly. In an earlier state what is open now took so much as `lift`
        says, and what is covered now the rest."""
        S, A = self.obs.ends_m.shape[:2]
        k, P = len(self.known), self.placements
        injected = self.problem.priors.injected_mA
        takes = self.open[0] * ~self.remains
        share = injected[:, None] * takes / max(takes.sum(), 1.0)
        if len(self.lift_centre):
            earlier = self.problem.covers >= 0
            share[earlier] *= np.exp(lift) * self.open[earlier]
            others = self.open[earlier] * (1.0 - self.open[0])
            rest = np.maximum(injected[earlier] - share[earlier].sum(1), 0.0) / np.maximum(others.sum(1), 1.0)
            share[earlier] += rest[:, None] * others
        return State(
            np.zeros((1, S, 3)), np.zeros((1, S, A, 6)), np.zeros((1, k, 2)), share[None], np.zeros(1),
            np.zeros(1), np.zeros((1, P, 3)), np.ones((1, S, 1 + A)), np.zeros((1, S)), np.zeros((1, S)),
            np.full((1, len(self.lift_centre)), lift),
        )  # fmt: skip


def make_model(problem: Problem, obs: Observations, leads: LeadFields, known: Sequence[Sink]) -> Model:
    k = len(known)
    S, b, _ = leads.nodes.shape
    rest, slope = np.zeros((S, b, k)), np.zeros((S, b, k, 2))
    for j, sink in enumerate(known):
        part = leads.nodes[:, :, sink.index]
        rest[:, :, j], slope[:, :, j] = part @ sink.weight, part @ sink.slope
    return Model(
        problem,
        obs,
        leads,
        tuple(known),
        np.array([s.position_m for s in known]).reshape(k, 3),
        np.array([s.tangent for s in known]).reshape(k, 2, 3),
        rest,
        slope,
        np.array([s.sigma_m for s in known]),
        np.array([s.share_sigma for s in known]),
    )


@dataclass(frozen=True)
class OwnPlaces:
    """The place of each state's own further sink: position_m (n, 3), tangent (n, 2, 3), rest (S, b, n), rest_slope
    (S, b, n, 2), and its freedom there."""

    position_m: FloatArray
    tangent: FloatArray
    rest: FloatArray
    rest_slope: FloatArray
    sigma_m: float


@dataclass(frozen=True)
class Columns:
    """By state and row, in microvolts: column (n, S, R, K) per mA of each sink; moved (n, S, R, 2 K) per metre of each
    sink along its tangents; pose (n, S, R, 6) per metre and rad of the pair; electrode (n, S, R, 3) per metre of the
    row's injection electrode."""

    column: FloatArray
    moved: FloatArray
    pose: FloatArray
    electrode: FloatArray


def turned_ends(obs: Observations, turn: FloatArray) -> FloatArray:
    """Electrodes (..., S, 3, E) from their direction's centre, turned by the rotation vectors in turn
    (..., S, A, 6); E runs over (direction, end). Rodrigues' formula."""
    ends = obs.ends_m.transpose(0, 3, 1, 2)  # (S, 3, A, 2)
    vector = np.moveaxis(turn[..., 3:], -1, -2)[..., None]  # (..., S, 3, A, 1)
    angle = np.sqrt((vector * vector).sum(-3, keepdims=True))
    axis = vector / np.maximum(angle, 1e-12)
    x, y, z = axis[..., 0, :, :], axis[..., 1, :, :], axis[..., 2, :, :]
    ex, ey, ez = ends[:, 0], ends[:, 1], ends[:, 2]
    across = np.stack([y * ez - z * ey, z * ex - x * ez, x * ey - y * ex], axis=-3)
    along = (x * ex + y * ey + z * ez)[..., None, :, :]
    cosine, sine = np.cos(angle), np.sin(angle)
    result = ends * cosine + across * sine + axis * along * (1.0 - cosine)
    return np.asarray(result.reshape(*result.shape[:-2], -1))


def electrode_offsets(obs: Observations, place_m: FloatArray, turn: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Electrodes (..., S, 3, E) from the station's centre, and from the centre of their own direction (arms of
    rotation)."""
    arm = turned_ends(obs, turn)
    shift = np.repeat(np.moveaxis(turn[..., :3], -1, -2), 2, axis=-1)
    return place_m[..., None] + shift + arm, arm


def predict(model: Model, state: State, own: OwnPlaces | None = None) -> Columns:
    """The columns of every state's linear problem."""
    obs, leads = model.obs, model.leads
    n, P, K = state.current_mA.shape
    S, A_ = obs.ends_m.shape[:2]
    u, arm = electrode_offsets(obs, state.place_m, state.turn)
    target, direction, owner = _targets(model, state, own)
    # What each target counts for in a reading of each placement: the source all, the sinks less their currents.
    share = np.zeros((n, P, P + K))
    share[:, np.arange(P), np.arange(P)] = state.current_mA.sum(2)
    share[:, :, P:] = -state.current_mA
    G, slope, by_target = _images(obs, leads, u, target, direction, owner, share)
    _add_smooth_rest(model, state, own, u, share, (G, slope, by_target))
    # Everything a row may need, by placement and direction; E runs over (direction, end).
    rho = model.problem.resistivity * 1e3
    full = np.empty((n, S, P, A_, 3 * K + 9), dtype=SINGLE)
    arm = arm.astype(SINGLE)
    D = G[..., 1::2] - G[..., ::2]
    full[..., :K] = rho * (D[:, :, :P, None] - D[:, :, None, P:]).swapaxes(3, 4)
    Dt = (by_target[..., 1::2] - by_target[..., ::2]).swapaxes(2, 3)  # (n, S, A, 3 P + 2 K)
    full[..., K : 3 * K] = (
        Dt[:, :, None, :, 3 * P :] * (-rho * np.repeat(state.current_mA, 2, axis=2))[:, None, :, None]
    )
    whole = rho * state.current_mA.sum(2)
    for p in range(P):
        full[:, :, p, :, 3 * K + 6 :] = whole[:, p, None, None, None] * Dt[..., 3 * p : 3 * p + 3]
    # A small turn w moves an electrode by w x arm: slope . (w x arm) = w . (arm x slope).
    for j in range(3):
        g, h = (j + 1) % 3, (j + 2) % 3
        turn = arm[:, :, None, g] * slope[:, :, :, h] - arm[:, :, None, h] * slope[:, :, :, g]
        full[..., 3 * K + j] = rho * (slope[:, :, :, j, 1::2] - slope[:, :, :, j, ::2])
        full[..., 3 * K + 3 + j] = rho * (turn[..., 1::2] - turn[..., ::2])
    part = full[..., 3 * K + 3 : 3 * K + 6]
    part[:] = _by_rotation_vector(part, state.turn[:, :, None, :, 3:])
    return _by_row(obs, full, K)


def _by_rotation_vector(by_turn: FloatArray, vector: FloatArray) -> FloatArray:
    """Slopes (..., 3) by a further small turn, taken to slopes by the rotation vector itself: the transposed left
    Jacobian of rotations, by series (Barfoot, State estimation for robotics, section 7.1.5; from memory). Without
    it refits of poses that are turned far, about two axes, do not settle."""
    square = (vector * vector).sum(-1, keepdims=True)
    once = np.cross(by_turn, vector)
    return np.asarray(by_turn + (1 / 2 - square / 24) * once + (1 / 6 - square / 120) * np.cross(once, vector))


def _by_row(obs: Observations, full: FloatArray, K: int) -> Columns:
    """From (placement, direction) to the rows that were read."""
    n, S, P, A_, width = full.shape
    R = obs.pair.shape[1]
    table = full.reshape(n, S, P * A_, width)
    entry = obs.source * A_ + obs.pair
    if R != P * A_ or not np.array_equal(entry, np.broadcast_to(np.arange(R), (S, R))):
        table = table[:, np.arange(S)[:, None], entry]
    if not obs.use.all():
        table = np.where(obs.use[..., None], table, 0.0)
    return Columns(table[..., :K], table[..., K : 3 * K], table[..., 3 * K : 3 * K + 6], table[..., 3 * K + 6 :])


def _targets(model: Model, state: State, own: OwnPlaces | None) -> tuple[FloatArray, FloatArray, IntArray]:
    """Injection electrodes and sinks where each state thinks they are (n, T, 3); directions (n, 3 P + 2 K, 3) they may
    move in, and which target (3 P + 2 K,) each belongs to."""
    n, P, K = state.current_mA.shape
    k = len(model.known)
    target = np.empty((n, P + K, 3))
    target[:, :P] = model.problem.sources_m + state.electrode_m
    direction = np.empty((n, 3 * P + 2 * K, 3))
    direction[:, : 3 * P] = np.tile(np.eye(3), (P, 1))
    tangent = direction[:, 3 * P :].reshape(n, K, 2, 3)
    tangent[:, :k] = model.tangent
    target[:, P : P + k] = model.position_m
    if own is not None:
        tangent[:, k], target[:, P + k] = own.tangent, own.position_m
    target[:, P:] += np.einsum("nkt,nktj->nkj", state.offset_m, tangent)
    owner = np.concatenate([np.repeat(np.arange(P), 3), P + np.repeat(np.arange(K), 2)])
    return target, direction, owner


def _images(
    obs: Observations,
    leads: LeadFields,
    u: FloatArray,
    target: FloatArray,
    direction: FloatArray,
    owner: IntArray,
    share: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The images' part of G (n, S, T, E), of the slope of each placement's reading by the electrode (n, S, P, 3, E)
    and of G's slope along each direction (n, S, 3 P + 2 K, E)."""
    n, S, _, E = u.shape
    T, P, M = target.shape[1], share.shape[1], leads.matrix.shape[1]
    # Single precision is plenty for coordinates that count from each station's centre, and takes half the time.
    matrix = leads.matrix.astype(SINGLE)
    forth = matrix.transpose(0, 2, 1, 3).reshape(S, 3 * M, 3)  # rows: (component, image)
    images = (forth @ u.astype(SINGLE)).reshape(n, S, 3, M, E)
    centre = leads.matrix @ obs.centre_m[:, None, :, None] + (leads.shift - obs.centre_m[:, None])[..., None]
    images += centre.swapaxes(1, 2).astype(SINGLE)
    flat = images.reshape(n, S, 3, M * E)
    at = (target[:, None] - obs.centre_m[:, None]).astype(SINGLE)  # (n, S, T, 3)
    # Squared distances (n, S, T, M E) from products, not from differences: a fraction of the memory.
    r2 = (at * SINGLE(-2.0)) @ flat
    r2 += np.einsum("nsjf,nsjf->nsf", flat, flat)[:, :, None]
    r2 += np.einsum("nstj,nstj->nst", at, at)[..., None]
    np.maximum(r2, SINGLE(CLOSEST_M2), out=r2)
    root = np.sqrt(r2)
    r2 *= root
    G = np.reciprocal(root, out=root).reshape(n, S, T, M, E).sum(3) / SINGLE(_FOUR_PI)
    cubed = np.reciprocal(r2, out=r2)
    # The sum over targets of share (image - target) / r^3.
    part = (share / _FOUR_PI).astype(SINGLE)[:, None, :, None]  # (n, 1, P, 1, T)
    by_share = np.concatenate(
        [np.broadcast_to(part, (n, S, P, 1, T)), part * at.swapaxes(2, 3)[:, :, None]], axis=3
    ).reshape(n, S, 4 * P, T)
    summed = (by_share @ cubed).reshape(n, S, P, 4, M * E)
    pull = flat[:, :, None] * summed[:, :, :, :1] - summed[:, :, :, 1:]
    back = matrix.transpose(0, 3, 2, 1).reshape(S, 1, 3, 3 * M)  # rows: component of x; columns as `forth`
    slope = -(back @ pull.reshape(n, S, P, 3 * M, E))
    way = direction.astype(SINGLE)
    along = way[:, None] @ flat
    along -= np.einsum("nsdj,ndj->nsd", at[:, :, owner], way)[..., None]
    along *= cubed[:, :, owner]
    return G, slope, along.reshape(n, S, len(owner), M, E).sum(3) / SINGLE(_FOUR_PI)


def _add_smooth_rest(
    model: Model,
    state: State,
    own: OwnPlaces | None,
    u: FloatArray,
    share: FloatArray,
    parts: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    """Add what the images leave out, from its harmonic polynomials, in place."""
    G, slope, by_target = parts
    leads, k = model.leads, len(model.known)
    n, P, K = state.current_mA.shape
    T = P + K
    wide = lead.basis_and_slope((u / lead.RADIUS_M).astype(SINGLE), leads.degree)  # (n, S, 4, b, E)
    S, b = wide.shape[1], wide.shape[3]
    rest = np.empty((n, S, b, T + 3 * P + 2 * K), dtype=SINGLE)
    moved = state.electrode_m[:, None, None]
    rest[..., :P] = leads.sources + ((leads.source_slope + 0.5 * leads.source_bend * moved) * moved).sum(-1)
    rest[..., T : T + 3 * P] = (leads.source_slope + leads.source_bend * moved).reshape(n, S, b, 3 * P)
    sinks = rest[..., T + 3 * P :].reshape(n, S, b, K, 2)
    rest[..., P : P + k], sinks[..., :k, :] = model.rest, model.rest_slope
    if own is not None:
        rest[..., P + k] = own.rest.transpose(2, 0, 1)
        sinks[..., k, :] = own.rest_slope.transpose(2, 0, 1, 3)
    rest[..., T + 3 * P :] = sinks.reshape(n, S, b, 2 * K)
    for t in range(2):
        rest[..., P:T] += sinks[..., t] * state.offset_m[:, None, None, :, t].astype(SINGLE)
    smooth = rest.swapaxes(2, 3) @ wide[:, :, 0]  # (n, S, T + 3 P + 2 K, E)
    G += smooth[:, :, :T]
    by_target += smooth[:, :, T:]
    mixed = rest[..., :T] @ share.swapaxes(1, 2)[:, None].astype(SINGLE)  # (n, S, b, P)
    steep = mixed.swapaxes(2, 3)[:, :, None] @ wide[:, :, 1:]  # (n, S, 3, P, E)
    slope += steep.swapaxes(2, 3) / SINGLE(lead.RADIUS_M)


# ---- fields of a few points, one state ----------------------------------------------------------------------


def pair_field(model: Model, state: State) -> tuple[FloatArray, FloatArray]:
    """D (S, A, P) of the injection electrodes and its slope by pose (S, A, P, 6), at the first state."""
    P = model.placements
    one = state.pick([0])
    unit = replace(one, offset_m=np.zeros((1, 0, 2)), current_mA=np.zeros((1, P, 0)))
    bare = make_model(model.problem, model.obs, model.leads, ())
    u, arm = electrode_offsets(model.obs, unit.place_m, unit.turn)
    target, direction, owner = _targets(bare, unit, None)
    parts = _images(model.obs, model.leads, u, target, direction, owner, np.eye(P)[None])
    _add_smooth_rest(bare, unit, None, u, np.eye(P)[None], parts)
    G, slope, _ = (part[0] for part in parts)  # (S, P, E), (S, P, 3, E)
    turn = np.cross(arm[0].swapaxes(1, 2)[:, None], slope.swapaxes(2, 3))  # (S, P, E, 3)
    full = np.concatenate([slope.swapaxes(2, 3), turn], axis=-1)
    D, J = G[..., 1::2] - G[..., ::2], full[:, :, 1::2] - full[:, :, ::2]
    return np.asarray(D.swapaxes(1, 2)), np.asarray(J.swapaxes(1, 2))


def cell_field(model: Model, state: State) -> FloatArray:
    """D (S, A, n) of the subsampled liner cells at the first state's poses."""
    obs, leads = model.obs, model.leads
    u, _ = electrode_offsets(obs, state.place_m[0], state.turn[0])
    x = (obs.centre_m[:, :, None] + u).swapaxes(1, 2)  # (S, E, 3)
    targets = model.problem.grid.coarse.centre_m[model.problem.liner.subsampled]
    table = lead.basis(u.swapaxes(1, 2) / lead.RADIUS_M, leads.degree)  # (S, E, b)
    G = table @ leads.scanned
    for s in range(obs.stations):
        images = np.einsum("mij,ej->mei", leads.matrix[s], x[s]) + leads.shift[s][:, None]
        G[s] += lead.image_sum(images, targets)
    return np.asarray(G[:, 1::2] - G[:, ::2])


def pair_slopes(model: Model, state: State, station: IntArray, targets_m: FloatArray) -> FloatArray:
    """Slope by pose (N, A, 6) of D for matched lists of stations (N,) and near targets (N, 3); images only.

    Near a target the smooth rest's slope is negligible beside the images'.
    """
    obs, leads = model.obs, model.leads
    u, arm = electrode_offsets(obs, state.place_m[0], state.turn[0])
    x = (obs.centre_m[:, :, None] + u).swapaxes(1, 2)  # (S, E, 3)
    matrix = leads.matrix[station]
    images = np.einsum("nmij,nej->nmei", matrix, x[station]) + leads.shift[station][:, :, None]
    d = images - targets_m[:, None, None]
    r2 = np.maximum((d * d).sum(-1), CLOSEST_M2)
    slope = -np.einsum("nmij,nmei->nej", matrix, d / (r2 * np.sqrt(r2))[..., None]) / _FOUR_PI
    turn = np.cross(arm.swapaxes(1, 2)[station], slope)
    full = np.concatenate([slope, turn], axis=-1)
    return np.asarray(full[:, 1::2] - full[:, ::2])
