"""Lead fields and the two linearisations: against the exact box field and against each other."""

from __future__ import annotations

import numpy as np
import pytest
from tests.benchmarks.virtual_pools import random_pool, random_stations

from earthward.inversion import batch, engine, guide, lead, model
from earthward.inversion.types import LocateSettings
from earthward.pool.shape import rectangle


@pytest.mark.parametrize("size", [(9.0, 4.5, 1.5), (6.0, 3.0, 1.1)])
def test_head_gives_the_exact_difference_at_shifted_and_turned_poses(size: tuple[float, float, float]) -> None:
    from earthward.pool.box import BoxField

    rng = np.random.default_rng(4)
    pool = rectangle(*size)
    field = BoxField(*size)
    cells = lead.cell_set(pool.liner_cells(0.3))
    rows = lead.BoxRows(np.array(size), cells.centre_m, np.zeros(3))
    for centre in (np.array([0.4, 1.2, 0.5]), np.array([3.1, 1.6, 0.7]), np.array([5.0, 2.6, 0.4])):
        head = lead.learn_head(pool, rows, cells.centre_m, centre)
        turn = rng.normal(size=3)
        lever = 0.15 * turn / np.linalg.norm(turn)
        shift = np.array([0.1, -0.1, 0.05])
        points = centre + shift + np.stack([lever, -lever])
        pick = rng.choice(len(cells), 40, replace=False)
        exact = np.array([field.green(points, cells.centre_m[k]) for k in pick])
        exact = exact[:, 1] - exact[:, 0]
        images = np.einsum("kij,mj->kmi", head.matrix, points) + head.shift_m[:, None]
        table = lead.basis((points - centre) / lead.RADIUS_M, head.degree)
        ours = lead.image_sum(images, cells.centre_m[pick]) + table @ head.coefficient[:, pick]
        ours = ours[1] - ours[0]
        # Only differences between targets mean anything: sources and sinks balance.
        error = (ours - ours.mean()) - (exact - exact.mean())
        assert np.sqrt(np.mean(error**2)) < 0.004 * np.sqrt(np.mean((exact - exact.mean()) ** 2))


def test_basis_is_harmonic_and_its_slopes_are_right() -> None:
    u = np.random.default_rng(0).normal(size=(5, 3))
    h = 1e-4
    numeric = np.zeros((5, 17, 3))
    laplace = np.zeros((5, 17))
    for axis in range(3):
        d = h * np.eye(3)[axis]
        plus, minus, middle = (lead.basis(u + k * d, 3) for k in (1, -1, 0))
        numeric[..., axis] = (plus - minus) / (2 * h)
        laplace += (plus + minus - 2 * middle) / h**2
    for degree in (2, 3):
        both = lead.basis_and_slope(u.T, degree)
        count = both.shape[1]
        assert np.allclose(both[0], lead.basis(u, degree).T)
        assert np.allclose(both[0], lead.basis(u, 3)[:, :count].T)
        assert np.allclose(both[1:], numeric[:, :count].transpose(2, 1, 0), atol=1e-6)
    harmonic = np.delete(np.arange(17), 9)
    assert np.allclose(laplace[:, harmonic], 0, atol=1e-4)
    assert np.allclose(laplace[:, 9], 6, atol=1e-4)


def small_problem() -> tuple[engine.Problem, model.Rows, model.Leads]:
    world = random_pool(41, fittings=2)
    problem = engine.make_problem(world.pool, LocateSettings())
    data: dict[str, engine.StationData] = {}
    for k, (centre, bearing) in enumerate(random_stations(world, 5)):
        for reading in world.measure(centre, bearing, f"s{k}"):
            engine.add_reading(problem, data, reading)
    return problem, *engine.pack(problem, list(data.values()))


def test_pose_and_place_slopes_match_differences() -> None:
    problem, rows, leads = small_problem()
    rng = np.random.default_rng(1)
    pose = rng.normal(0, 0.05, (5, 6))
    targets = np.array([s.position_m for s in problem.fittings])
    tangent = np.array([s.tangent for s in problem.fittings])
    value, slope = model.coefficients(leads, problem.fittings, np.zeros((2, 2)))
    _, by_pose, by_target = model.field_of(leads, rows, pose, targets, value, slope, tangent)
    assert by_target is not None
    h = 1e-5
    for axis in range(6):
        # Turning is measured from the turned state: compose the small turn with the present one only to first order.
        if axis >= 3:
            pose = pose.copy()
            pose[:, 3:] = 0.0
            _, by_pose, _ = model.field_of(leads, rows, pose, targets, value)
        d = np.zeros((5, 6))
        d[:, axis] = h
        plus, _, _ = model.field_of(leads, rows, pose + d, targets, value)
        minus, _, _ = model.field_of(leads, rows, pose - d, targets, value)
        assert np.allclose((plus - minus) / (2 * h), by_pose[..., axis], rtol=1e-4, atol=1e-7)
    _, _, by_target = model.field_of(leads, rows, pose, targets, value, slope, tangent)
    assert by_target is not None
    for t in range(2):
        step = h * tangent[:, t]
        plus, _, _ = model.field_of(leads, rows, pose, targets + step, value + h * slope[..., t])
        minus, _, _ = model.field_of(leads, rows, pose, targets - step, value - h * slope[..., t])
        assert np.allclose((plus - minus) / (2 * h), by_target[..., t], rtol=1e-4, atol=1e-7)


def test_batched_step_agrees_with_the_single_model() -> None:
    """One candidate in the batch is the same model as the candidate held as a known sink."""
    problem, rows, leads = small_problem()
    base = model.fit(leads, rows, problem.fittings, problem.sources_m, problem.resistivity, problem.priors)
    cell = int(engine.search_one(problem, rows, leads, problem.fittings, base).score.argmax())
    sigma = problem.grid.fine.size_m
    sink = engine.leak_sink(problem, problem.grid.fine.centre_m[cell], cell, sigma)
    state = model.fit(
        leads, rows, [*problem.fittings, sink], problem.sources_m, problem.resistivity, problem.priors
    ).state
    assert (state.current_mA > 0).all()  # nothing pinned: the two treat bounds differently
    rng = np.random.default_rng(2)
    state = model.State(
        state.pose + rng.normal(0, 0.01, (5, 6)), state.offset_m + rng.normal(0, 0.01, (3, 2)), state.current_mA
    )
    known = model.State(state.pose, state.offset_m[:2], state.current_mA[:, :2])
    c = batch.start(
        np.array([cell]),
        sink.position_m[None],
        sink.tangent[None],
        (leads.cells[:, :, sink.index] @ sink.weight)[:, :, None],
        (leads.cells[:, :, sink.index] @ sink.slope)[:, :, None],
        known,
        state.current_mA[0, 2:],
        2,
    )
    c.current_mA[0, :, 2] = state.current_mA[:, 2]
    c.offset_m[0, 2] = state.offset_m[2]
    batch.step(leads, rows, problem.fittings, problem.sources_m, problem.resistivity, problem.priors, c, sigma)
    sinks = [*problem.fittings, sink]
    linear = model.linearise(leads, rows, sinks, problem.sources_m, problem.resistivity, problem.priors, state)
    one = model.solve(rows, linear, problem.priors)
    assert c.chi2[0] == pytest.approx(one.chi2, rel=1e-3)
    limit = problem.priors.pose_limit
    assert np.allclose(c.pose[0], np.clip(one.state.pose, -limit, limit), atol=1e-4)
    assert c.station_chi2[0] == pytest.approx(one.station_chi2, rel=1e-2, abs=1e-2)


def test_a_step_that_makes_things_worse_is_taken_back() -> None:
    """From far off, refits of all candidates only ever come closer to the readings; what is left to gain is told."""
    problem, rows, leads = small_problem()
    base = model.fit(leads, rows, problem.fittings, problem.sources_m, problem.resistivity, problem.priors)
    cells = problem.liner.net[::4]
    c = engine._coarse_candidates(problem, leads, cells, base.state, np.full(len(cells), 2.0))
    known = (problem.fittings, problem.sources_m, problem.resistivity, problem.priors)
    before = np.full(len(cells), np.inf)
    first = None
    for _ in range(6):
        batch.step(leads, rows, *known, c, 0.06)
        assert (c.misfit <= before + model.SLACK).all()
        before = c.misfit.copy()
        first = before if first is None else first
    assert first is not None and (c.gap >= 0).all()
    assert np.median(c.misfit / first) < 0.1


def test_places_close_by_are_in_the_water_and_off_the_walls() -> None:
    pool = rectangle(8.0, 4.0, 1.5)
    for target in ((0.0, 2.0, 0.7), (4.0, 2.0, 1.5), (8.0, 4.0, 0.2)):
        places = guide.close_by(pool, np.array(target)).centre_m
        assert len(places) >= 3
        assert pool.contains(places).all()
        assert (places[:, :2] >= 0.29).all() and (places[:, 0] <= 7.71).all() and (places[:, 1] <= 3.71).all()
        assert np.linalg.norm(places - target, axis=1).min() > 0.2
