"""Places and turns worse than stated: the mixture against its own definition, and what it does to a fit."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from msgspec import structs
from scipy.stats import multivariate_normal
from tests.benchmarks.virtual_pools import Errors, random_pool, random_stations, rotation
from tests.unit.test_inversion_model import small_model

from earthward.inversion.fit import fit
from earthward.inversion.normal import pose_covariance
from earthward.inversion.observations import StationData, add_reading, pack
from earthward.inversion.predict import Model, make_model, predict
from earthward.inversion.prepare import make_problem
from earthward.inversion.tails import weigh
from earthward.inversion.types import LocateSettings
from earthward.record.place import Head

pytestmark = pytest.mark.long


def mixture(model: Model, pose: np.ndarray, variance: np.ndarray, residual: np.ndarray) -> tuple[float, np.ndarray]:
    """Log density of one station's residuals, over that of "none is worse" in prior, and how probable each place or
    turn is to be worse; by enumerating none, one and two, each with its covariance in full."""
    settings = model.problem.settings
    count = 1 + model.obs.turn.shape[1]
    odds = settings.wide_share / (1 - settings.wide_share)
    weights, bad = [], []
    for which in [w for k in (0, 1, 2) for w in combinations(range(count), k)]:
        spread = np.ones((1, model.obs.stations, count))
        spread[..., list(which)] = settings.wide_factor**2
        C = pose_covariance(model, pose, spread)[0, 0] + np.diag(variance)
        weights.append(odds ** len(which) * multivariate_normal(np.zeros(len(C)), C).pdf(residual))
        bad.append([j in which for j in range(count)])
    total = np.sum(weights)
    return float(np.log(total)), np.array(weights) @ np.array(bad) / total


@pytest.mark.parametrize("times", [1.0, 6.0])
def test_spread_and_cost_are_those_of_the_mixture(times: float) -> None:
    model = small_model()
    pose = predict(model, model.start()).pose
    S, R = model.obs.use.shape
    variance = np.full((1, S, R), 1.0)
    # The second direction is turned wrong; every other error is small.
    error = np.zeros(6)
    error[5] = times * model.problem.priors.turn[5]
    residual = np.where(model.obs.pair[0] == 1, pose[0, 0] @ error, 0.3)[None, None] * np.ones((1, S, 1))
    chi2 = np.full((1, S), 1e6)  # so that all stations are looked at
    spread, cost, wider = weigh(model, pose, variance, residual, chi2, np.ones((1, S, 1 + model.obs.turn.shape[1])))
    log_density, worse = mixture(model, pose, variance[0, 0], residual[0, 0])
    C = pose_covariance(model, pose, spread)[0, 0] + np.diag(variance[0, 0])
    one = multivariate_normal(np.zeros(R), C).logpdf(residual[0, 0])
    # Two at once are only looked at where one alone does not do.
    assert -0.5 * cost[0, 0] + one == pytest.approx(log_density, abs=0.05)
    assert spread[0, 0] == pytest.approx(1 / (1 - worse + worse / model.problem.settings.wide_factor**2), rel=0.05)
    assert (worse[2] > 0.5) == (times > 1) and worse[[0, 1, 3]].max() < 0.2
    assert (wider >= 0).all()


def test_nothing_is_widened_where_it_is_not_believed_in() -> None:
    model = small_model()
    settings = replace(model.problem.settings, wide_share=0.0)
    model = replace(model, problem=replace(model.problem, settings=settings))
    solved = fit(model, None, 5)
    assert (solved.state.spread == 1.0).all() and (solved.state.cost == 0.0).all()


def test_one_station_noted_poorly_is_widened_and_hardly_moves_the_rest() -> None:
    """Without the mixture the poor station drags the fittings' currents along."""
    model = small_model()
    value = model.obs.value_uV.copy()
    pose = predict(model, model.start()).pose
    value[0] += pose[0, 0] @ np.array([0.35, -0.3, 0.0, 0.0, 0.0, 0.0])
    honest = fit(model, None, 8)
    poor = replace(model, obs=replace(model.obs, value_uV=value))
    bare_settings = replace(model.problem.settings, wide_share=0.0)
    bare = replace(poor, problem=replace(model.problem, settings=bare_settings))
    with_tails, without = fit(poor, None, 8), fit(bare, None, 8)
    assert with_tails.state.spread[0, 0, 0] > 4.0
    assert np.median(with_tails.state.spread[0, 1:, 0]) < 1.5
    shift = [np.abs(f.current_mA.mean(0) - honest.current_mA.mean(0)).sum() for f in (with_tails, without)]
    assert shift[0] < shift[1]


@pytest.mark.parametrize(("head", "together"), [("three-axis", [0, 1, 2]), ("crossed", [0, 1])])
def test_a_rigid_head_held_far_otherwise_is_turned_as_a_whole(head: Head, together: list[int]) -> None:
    """One station is turned by 50 degrees more than noted: all directions of that turn are found turned alike, and the
    fit settles (where it stands it explains what its linear problem promises)."""
    world = random_pool(11, leaks=0, fittings=2, errors=Errors(head=head, bearing_deg=3.0, electrode_m=0.0))
    settings = LocateSettings(head=head)
    problem = make_problem(world.pool, settings)
    data: dict[str, StationData] = {}
    off = np.radians(50.0)
    for k, (centre, bearing) in enumerate(random_stations(world, 10)):
        poor = k == 3
        for reading in world.measure(centre, bearing + np.degrees(off) * poor, f"s{k}"):
            ends = [
                centre + rotation(np.array([0.0, 0.0, -off * poor])) @ (np.array(end) - centre)
                for end in (reading.front_m, reading.back_m)
            ]
            front, back = (tuple(float(v) for v in end) for end in ends)
            add_reading(problem, data, structs.replace(reading, front_m=front, back_m=back))
    obs, leads = pack(problem, list(data.values()))
    solved = fit(make_model(problem, obs, leads, problem.fittings), None, 20)
    turn = np.degrees(solved.state.turn[0, 3, :, 3:])
    assert (solved.state.spread[0, 3, 1:] > 2.0).any(), "not taken for worse than stated: nothing is tested"
    assert abs(turn[0, 2] - 50.0) < 12.0
    for direction in together:
        assert turn[direction] == pytest.approx(turn[0], abs=0.2)
    assert solved.equations.misfit[0] - solved.chi2 < 5.0
