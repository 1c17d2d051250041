"""One model fitted: known sinks only, with poses, places and currents re-estimated until they stay."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earthward.inversion.lead import FloatArray
from earthward.inversion.normal import Equations, assemble, mean_current_variance, moved, solve
from earthward.inversion.predict import Model, State, mix

#: A step may make the squared misfit worse by so much: determinants and bounds also have a say.
SLACK = 0.5


@dataclass(frozen=True)
class Fit:
    """A fitted model. state: the one point it ended at; now: how many placements are of the covers' present state;
    beta and covariance of the unknowns (`normal.Layout`); chi2 with priors; log_evidence up to a constant; station_chi2
    (S,); equations: those that were solved last."""

    state: State
    now: int
    beta: FloatArray
    covariance: FloatArray
    chi2: float
    log_evidence: float
    station_chi2: FloatArray
    equations: Equations

    @property
    def current_mA(self) -> FloatArray:
        """Of the present placements (now, K), not below zero."""
        return np.asarray(self.state.current_mA[0, : self.now])

    @property
    def current_sigma_mA(self) -> FloatArray:
        """(K,) of each sink's current, the mean over the present placements."""
        variance = mean_current_variance(self.covariance, self.equations.layout, self.now)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def solve_about(model: Model, state: State, bounded: int | None = None) -> Fit:
    """The linear problem about a state, solved once; its next state. `bounded`: how many currents may not be below
    zero (all)."""
    equations = assemble(model, state)
    solution = solve(equations, len(model.known) if bounded is None else bounded)
    step = moved(model, state, equations, solution, None)
    evidence = -0.5 * float(solution.chi2[0] + equations.log_det[0] + solution.log_det[0])
    return Fit(
        step.state, model.problem.now, solution.beta[0], solution.covariance[0], float(solution.chi2[0]), evidence,
        step.station_chi2[0], equations,
    )  # fmt: skip


def fit(model: Model, start: State | None = None, iterations: int = 4) -> Fit:
    """Gauss-Newton over poses, places and currents. A step that makes the misfit larger is taken back by half (and does
    not count)."""
    state = model.start() if start is None else start
    at = state
    best: Fit | None = None
    back = 0
    while iterations > 0:
        new = solve_about(model, state)
        if best is not None and back < 4 and new.equations.merit[0] > best.equations.merit[0] + SLACK:
            state, back = mix(at, state), back + 1
            continue
        iterations, back = iterations - 1, 0
        best, at, state = new, state, new.state
        if _settled(at, state, 1e-4 * float(model.problem.priors.injected_mA.max())):
            break
    assert best is not None
    return best


def with_state(fitted: Fit, state: State) -> Fit:
    return replace(fitted, state=state)


def _settled(one: State, other: State, current_mA: float) -> bool:
    """So close (a tenth of a millimetre or milliradian) that another round would change nothing."""
    for name in ("place_m", "turn", "offset_m", "electrode_m"):
        if np.abs(getattr(one, name) - getattr(other, name)).max(initial=0.0) > 1e-4:
            return False
    return float(np.abs(one.current_mA - other.current_mA).max(initial=0.0)) < current_mA
