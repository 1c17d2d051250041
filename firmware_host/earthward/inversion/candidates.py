"""Many candidate places for one more sink, each with its own poses, fitting places and currents, in one sweep.

Every candidate is a full model (known sinks plus one sink at the candidate cell, free within the cell), refitted by
Gauss-Newton about its own estimates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy.special import log_ndtr

from earthward.inversion.fit import SLACK
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.liner import CellSet
from earthward.inversion.normal import assemble, mean_current_variance, moved, solve
from earthward.inversion.predict import Model, OwnPlaces, State, choose, join_states, mix

#: A leak's current: small ones are more common than large ones, and behind a liner the soil keeps them below some
#: milliamperes: density 1 / ((q + Q0) (1 + (q / Q1)^2)).
Q0_MA = 0.2
Q1_MA = 3.0
#: Candidates worked on at once: small enough that the arrays stay in the processor's cache.
CHUNK_STATIONS = 400


def log_current_prior(q_mA: FloatArray) -> FloatArray:
    """Log density (per mA) of a leak's current, normalised over q >= 0."""
    # Integral of 1/((q + a)(1 + (q/b)^2)) over q >= 0, with a = Q0, b = Q1.
    a, b = Q0_MA, Q1_MA
    norm = (b * b * math.log(b / a) + 0.5 * math.pi * a * b) / (b * b + a * a)
    return np.asarray(-np.log(q_mA + a) - np.log1p((q_mA / b) ** 2) - math.log(norm))


def truncated_mean(q_mA: FloatArray, sigma_mA: FloatArray) -> FloatArray:
    """Mean of a normal cut at zero."""
    z = q_mA / sigma_mA
    tail = np.exp(np.clip(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - log_ndtr(z), -700, 50))
    return np.asarray(np.maximum(q_mA + sigma_mA * tail, 1e-6))


@dataclass
class Candidates:
    """n places and where each one's refit stands. position_m (n, 3), tangent (n, 2, 3); rest (S, b, n) and rest_slope
    (S, b, n, 2): smooth rest of the lead fields there; state: where each goes on from, best: where it was best so far.
    All else belongs to the best state."""

    cell: IntArray
    position_m: FloatArray
    tangent: FloatArray
    rest: FloatArray
    rest_slope: FloatArray
    state: State
    best: State
    score: FloatArray
    chi2: FloatArray
    q_mA: FloatArray
    q_sigma_mA: FloatArray
    sigma_mA: FloatArray
    """Standard deviations (n, K) of all sinks' currents, each the mean over the present placements."""
    station_chi2: FloatArray
    """Misfit (n, S) per station."""
    place_covariance: FloatArray
    """Covariance (n, 2, 2) of the candidate's place along its tangents, m^2."""
    misfit: FloatArray
    """Squared misfit (n,): of readings, poses, places and currents, as they are there, and what poses worse than stated
    cost."""
    gap: FloatArray
    """By how much (n,) the squared misfit is more than `chi2` promises for the next step."""

    def __len__(self) -> int:
        return len(self.cell)


_LAST = ("rest", "rest_slope")  # cells are their third axis
_STATES = ("state", "best")
_ARRAYS = [f.name for f in fields(Candidates) if f.name not in _STATES]
_STEPPED = ("score", "chi2", "q_mA", "q_sigma_mA", "sigma_mA", "station_chi2", "place_covariance", "misfit", "gap")


def join(a: Candidates, b: Candidates) -> Candidates:
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(a, name), getattr(b, name)], axis=2 if name in _LAST else 0) for name in _ARRAYS
    }
    return Candidates(**arrays, state=join_states([a.state, b.state]), best=join_states([a.best, b.best]))


def pick(c: Candidates, index: IntArray) -> Candidates:
    arrays: dict[str, Any] = {
        name: getattr(c, name)[:, :, index] if name in _LAST else getattr(c, name)[index] for name in _ARRAYS
    }
    return Candidates(**arrays, state=c.state.pick(index), best=c.best.pick(index))


def settled_score(c: Candidates) -> FloatArray:
    """Scores (n,) less a convergence penalty: the less believed the more of them the next step only promises."""
    return np.asarray(c.score - 0.5 * np.log1p(c.gap))


def start(
    model: Model,
    cell: IntArray,
    cells: CellSet,
    states: State,
    q_mA: FloatArray,
) -> Candidates:
    """Candidates at `cell` of `cells` that start from states (n, or one for all) of the model without them."""
    near, weight, slope = model.problem.liner.nodes.of_cells(cells, cell)
    part = model.leads.nodes[:, :, near]
    rest = np.einsum("sbnc,nc->sbn", part, weight)
    rest_slope = np.einsum("sbnc,nct->sbnt", part, slope)
    return start_at(model, cell, cells.centre_m[cell], cells.tangent[cell], (rest, rest_slope), states, q_mA)


def start_at(
    model: Model,
    cell: IntArray,
    position_m: FloatArray,
    tangent: FloatArray,
    rest: tuple[FloatArray, FloatArray],
    states: State,
    q_mA: FloatArray,
) -> Candidates:
    n = len(cell)
    if len(states) == 1 and n != 1:
        states = states.pick(np.zeros(n, dtype=np.int64))
    state = states.with_sink(np.asarray(q_mA, dtype=float)[:, None] * model.voltage(states))
    S, K = state.place_m.shape[1], state.offset_m.shape[1]
    return Candidates(
        np.asarray(cell),
        position_m,
        tangent,
        *rest,
        state,
        state.copy(),
        score=np.full(n, -np.inf),
        chi2=np.full(n, np.inf),
        q_mA=np.asarray(q_mA, dtype=float).copy(),
        q_sigma_mA=np.full(n, np.inf),
        sigma_mA=np.zeros((n, K)),
        station_chi2=np.zeros((n, S)),
        place_covariance=np.zeros((n, 2, 2)),
        misfit=np.full(n, np.inf),
        gap=np.full(n, np.inf),
    )


def step(model: Model, c: Candidates, cell_sigma_m: float) -> None:
    """One Gauss-Newton step of every candidate, in place. Scores belong to the best point so far: a step that made the
    misfit larger is taken back by half."""
    size = max(1, CHUNK_STATIONS // model.obs.stations)
    for first in range(0, len(c), size):
        index = np.arange(first, min(first + size, len(c)))
        part = pick(c, index)
        _step_chunk(model, part, cell_sigma_m)
        for name in _STEPPED:
            getattr(c, name)[index] = getattr(part, name)
        c.state.put(index, part.state)
        c.best.put(index, part.best)


def _step_chunk(model: Model, c: Candidates, cell_sigma_m: float) -> None:
    """`step` for a few candidates at a time."""
    k = len(model.known)
    own = OwnPlaces(c.position_m, c.tangent, c.rest, c.rest_slope, cell_sigma_m)
    equations = assemble(model, c.state, own)
    # The candidate's own current is not held: its bound is in the score.
    solution = solve(equations, k)
    q, sigma = solution.beta[:, k], np.sqrt(solution.covariance[:, k, k])
    z = q / sigma
    # If the current comes out negative the best there is has none of it.
    chi2 = np.where(z < 0, solution.chi2 + z**2, solution.chi2)
    mean = truncated_mean(q, sigma)
    score = (
        -0.5 * (chi2 + equations.log_det + solution.log_det)
        - 2 * math.log(cell_sigma_m)
        + 0.5 * math.log(2 * math.pi)
        + log_ndtr(z)
        + np.where(z < 0, 0.5 * z * z, 0.0)
        + log_current_prior(mean)
    )
    step_ = moved(model, c.state, equations, solution, cell_sigma_m)
    step_.state.current_mA[..., k] = mean[:, None] * model.voltage(step_.state)
    # The current itself is set to its mean, which costs a little by itself.
    gap = np.maximum(equations.misfit - chi2 - ((mean - q) / sigma) ** 2, 0.0)
    spread = mean_current_variance(solution.covariance, equations.layout, model.problem.now)
    place = equations.layout.offsets.stop - 2
    new = {
        "score": score,
        "chi2": chi2,
        "q_mA": mean,
        "q_sigma_mA": sigma,
        "sigma_mA": np.sqrt(np.maximum(spread, 0.0)),
        "station_chi2": step_.station_chi2,
        "place_covariance": solution.covariance[:, place:, place:],
        "misfit": equations.merit,
        "gap": gap,
    }
    good = equations.merit <= c.misfit + SLACK
    for name, value in new.items():
        old = getattr(c, name)
        setattr(c, name, np.where(good.reshape(-1, *[1] * (old.ndim - 1)), value, old))
    trial = c.state
    c.best = choose(good, trial, c.best)
    c.state = choose(good, step_.state, mix(trial, c.best))


def ends(c: Candidates, index: IntArray | Sequence[int]) -> State:
    """Where the refits of some candidates stand, without their own sink."""
    return c.state.pick(index).sinks(slice(0, -1))
