"""A few more readings, told at once: the last answer's refits go on from where they stood, by one exact linear step.

How many sinks there are is not decided anew, and no place that the last full search had given up comes back. So this
answers only where the new readings surprise nobody; where they do, where there are several leaks, or where a station
that was left out is read again, everything is looked for afresh. Nothing is called found that was not found before: a
search that goes on from its last answer stays where that one was wrong, so a full search has to follow.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import chdtrc

from earthward.inversion import candidates
from earthward.inversion.candidates import Candidates, settled_score
from earthward.inversion.decision import Answer
from earthward.inversion.fit import fit
from earthward.inversion.lead import IntArray
from earthward.inversion.observations import LeadFields, Observations
from earthward.inversion.predict import Model, State, make_model
from earthward.inversion.regions import Leak, make_leak
from earthward.inversion.stages import SinkSearch, coarse_sigma_m, fine_sigma_m

#: New readings that the last answer expects with a smaller probability than this are a surprise.
SURPRISE_P = 1e-3
#: Candidates that go on: at most so many, no farther behind the best (nats).
MOST, WITHIN = 40, 8.0


def updated(last: Answer, obs: Observations, leads: LeadFields) -> Answer | None:
    """The last answer with the readings of `obs` that came since, or None if only a full search can tell."""
    problem = last.model.problem
    best = last.best
    if best is None or len(last.leaks) > 1 or best.search.stopped_early:
        return None
    left_out = {last.obs.names[station] for station, _ in last.suspects}
    before = last.obs.stations
    use = obs.use.copy()
    for station, name in enumerate(obs.names):
        if name in left_out:
            if station >= before or obs.use[station].sum() > (last.obs.number[station] >= 0).sum():
                return None
            use[station] = False
    obs = replace(obs, use=use)
    plain = make_model(problem, obs, leads, problem.fittings)
    old = best.search.candidates
    now, index = _going_on(plain, best)
    top = int(np.argmax(now.score))
    fresh = int(obs.use.sum() - last.obs.use.sum())
    rise = max(float(now.chi2[top] - old.chi2[index[top]]), 0.0)
    if fresh <= 0 or float(chdtrc(fresh, rise)) < SURPRISE_P:
        return None
    leak = make_leak(problem, _search_of(best.search, now, index, obs.stations), best.log_evidence)
    found = last.may_be_found and best.certain and last.fits
    if not last.leaks:
        solved = fit(plain, _grown(last.solved.state, plain), 1)
        return replace(last, model=plain, doubtful=leak, solved=solved, may_be_found=found)
    known = (*problem.fittings, last.model.known[-1])
    model = make_model(problem, obs, leads, known)
    solved = fit(model, _grown(last.solved.state, model), 1)
    return replace(last, model=model, leaks=(leak,), solved=solved, may_be_found=found)


def _going_on(model: Model, best: Leak) -> tuple[Candidates, IntArray]:
    """The probable candidates with the new readings, one step on, and which ones of the last answer they were."""
    grid = model.problem.liner.grid
    old = best.search.candidates
    fine = np.flatnonzero(old.cell < 0)
    some = fine if len(fine) else np.arange(len(old))
    order = some[np.argsort(-old.score[some])][:MOST]
    index = order[old.score[order] > old.score[order[0]] - WITHIN]
    cell = -1 - old.cell[index] if len(fine) else old.cell[index]
    state = _grown(old.state.pick(index), model)
    cells = grid.fine if len(fine) else grid.coarse
    now = candidates.start(model, cell, cells, state.sinks(slice(0, -1)), old.q_mA[index])
    now.state, now.best = state, state.copy()
    candidates.step(model, now, fine_sigma_m(grid) if len(fine) else coarse_sigma_m(grid))
    now.score = settled_score(now)
    if len(fine):
        now.cell = -1 - now.cell
    return now, index


def _search_of(last: SinkSearch, now: Candidates, index: IntArray, stations: int) -> SinkSearch:
    """Scores of all cells: anew where a candidate went on, elsewhere moved by what those moved."""
    place = np.full(len(last.candidates) + 1, -1, dtype=np.int64)
    place[index] = np.arange(len(index))
    owner = place[last.owner]
    moved = float(np.median(now.score - last.candidates.score[index]))
    score = np.where(owner >= 0, now.score[owner], last.score + moved)
    return SinkSearch(score, owner, now, last.evidence + moved, np.full(stations, np.inf))


def _grown(state: State, model: Model) -> State:
    """States with room for new stations and directions, which are as noted so far."""
    obs = model.obs
    n, S, A = state.turn.shape[:3]
    wide = model.start().pick(np.zeros(n, dtype=np.int64))
    wide.place_m[:, :S], wide.turn[:, :S, :A] = state.place_m, state.turn
    wide.spread[:, :S, : 1 + A], wide.cost[:, :S], wide.wider[:, :S] = state.spread, state.cost, state.wider
    # What all stations share is the best guess for a new one.
    wide.place_m[:, S:, 2] = state.depth_m[:, None]
    wide.turn[:, S:, :, 3:5] = state.lean_rad[:, None, None, None] * obs.lean_axis[S:, None]
    return replace(state, place_m=wide.place_m, turn=wide.turn, spread=wide.spread, cost=wide.cost, wider=wide.wider)
