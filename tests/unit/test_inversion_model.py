"""Lead fields and the two linearisations: against the exact box field and against each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from msgspec.structs import replace as row_replace
from tests.benchmarks.virtual_pools import Errors, random_pool, random_stations

from earthward.inversion import candidates, guide, lead
from earthward.inversion import predict as predicting
from earthward.inversion.fit import SLACK, fit, solve_about
from earthward.inversion.liner import cell_set, liner_grid
from earthward.inversion.normal import pose_covariance
from earthward.inversion.observations import StationData, add_reading, pack
from earthward.inversion.predict import Model, State, make_model, pair_field, predict
from earthward.inversion.prepare import leak_sink, make_problem
from earthward.inversion.scan import Scores
from earthward.inversion.stages import RISE, _Search, _unvisited, search_one
from earthward.inversion.types import Head, LocateSettings
from earthward.pool.box import BoxField
from earthward.pool.shape import rectangle
from earthward.record.reading import KeptReading

pytestmark = pytest.mark.long


@pytest.mark.parametrize("size", [(9.0, 4.5, 1.5), (6.0, 3.0, 1.1)])
def test_lead_field_gives_the_exact_difference_at_shifted_and_turned_poses(size: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(4)
    pool = rectangle(*size)
    field = BoxField(*size)
    cells = cell_set(pool.liner_cells(0.3))
    rows = lead.BoxRows(np.array(size), cells.centre_m, np.zeros(3))
    for centre in (np.array([0.4, 1.2, 0.5]), np.array([3.1, 1.6, 0.7]), np.array([5.0, 2.6, 0.4])):
        near = lead.learn_lead_field(pool, rows, cells.centre_m, centre)
        turn = rng.normal(size=3)
        lever = 0.15 * turn / np.linalg.norm(turn)
        shift = np.array([0.1, -0.1, 0.05])
        points = centre + shift + np.stack([lever, -lever])
        pick = rng.choice(len(cells), 40, replace=False)
        exact = np.array([field.green(points, cells.centre_m[k]) for k in pick])
        exact = exact[:, 1] - exact[:, 0]
        images = np.einsum("kij,mj->kmi", near.matrix, points) + near.shift_m[:, None]
        table = lead.basis((points - centre) / lead.RADIUS_M, near.degree)
        ours = lead.image_sum(images, cells.centre_m[pick]) + table @ near.coefficient[:, pick]
        ours = ours[1] - ours[0]
        # Only differences between targets mean anything: sources and sinks balance.
        error = (ours - ours.mean()) - (exact - exact.mean())
        assert np.sqrt(np.mean(error**2)) < 0.004 * np.sqrt(np.mean((exact - exact.mean()) ** 2))


def test_smooth_rest_between_the_nodes() -> None:
    """What the nodes know, interpolated to any cell of the liner, is what would be learnt there, to less than the 0.5 %
    that the model allows for."""
    pool = rectangle(8.0, 4.0, 1.4)
    liner = liner_grid(pool, 0.1)
    assert liner.box_rows is not None
    cells = np.random.default_rng(3).choice(len(liner.grid.fine), 200, replace=False)
    where = liner.grid.fine.centre_m[cells]
    for centre in (np.array([0.4, 0.5, 0.4]), np.array([4.2, 2.0, 0.9])):
        targets = np.concatenate([liner.nodes.cells.centre_m, where])
        learnt = lead.learn_lead_field(pool, liner.box_rows.extended(where), targets, centre)
        nodes, exact = np.split(learnt.coefficient, [len(liner.nodes)], axis=1)
        interpolated = (liner.nodes.matrix(liner.grid.fine, cells) @ nodes.T).T
        ends = np.array([[0.15, 0.0, 0.0], [-0.15, 0.0, 0.0]])
        images = np.einsum("kij,mj->kmi", learnt.matrix, centre + ends) + learnt.shift_m[:, None]
        table, near = lead.basis(ends / lead.RADIUS_M, 3), lead.image_sum(images, where)
        reading = np.diff(table @ exact + near, axis=0)
        assert np.abs(np.diff(table @ (interpolated - exact), axis=0)).max() < 0.02 * np.sqrt(np.mean(reading**2))
        assert np.sqrt(np.mean(np.diff(table @ (interpolated - exact), axis=0) ** 2)) < 0.002 * np.sqrt(
            np.mean(reading**2)
        )


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


def small_model(head: Head = "single") -> Model:
    world = random_pool(41, fittings=2, errors=Errors(head=head))
    problem = make_problem(world.pool, LocateSettings(head=head))
    data: dict[str, StationData] = {}
    for k, (centre, bearing) in enumerate(random_stations(world, 5)):
        for reading in world.measure(centre, bearing, f"s{k}"):
            add_reading(problem, data, reading)
    obs, leads = pack(problem, list(data.values()))
    return make_model(problem, obs, leads, problem.fittings)


def somewhere(model: Model) -> State:
    """A state off the noted one in everything."""
    rng = np.random.default_rng(1)
    state = model.start()
    for name, size in (("place_m", 0.05), ("offset_m", 0.02), ("electrode_m", 0.1)):
        setattr(state, name, rng.normal(0, size, getattr(state, name).shape))
    state.turn[..., :3] = rng.normal(0, 0.02, state.turn[..., :3].shape)
    state.turn[..., 3:] = rng.normal(0, 0.15, state.turn[..., 3:].shape)
    state.current_mA = state.current_mA * rng.uniform(0.5, 1.5, state.current_mA.shape)
    return state


def values(model: Model, state: State) -> np.ndarray:
    """What the rows would read (S, R)."""
    columns = predict(model, state).column[0]
    return np.asarray((columns * state.current_mA[0][model.obs.source]).sum(-1))


def shifted(state: State, name: str, index: tuple[int | slice, ...], h: float) -> State:
    other = state.copy()
    getattr(other, name)[(0, *index)] += h
    return other


def slope(model: Model, state: State, name: str, index: tuple[int | slice, ...]) -> np.ndarray:
    h = 1e-5
    rise = values(model, shifted(state, name, index, h)) - values(model, shifted(state, name, index, -h))
    return np.asarray(rise / (2 * h))


def test_slopes_of_poses_places_and_electrodes_match_differences(monkeypatch: pytest.MonkeyPatch) -> None:
    # Differences over a hundredth of a millimetre need double precision.
    monkeypatch.setattr(predicting, "SINGLE", np.float64)
    model = small_model()
    state = somewhere(model)
    every = slice(None)
    columns = predict(model, state)

    def close(one: np.ndarray, other: np.ndarray) -> bool:
        return bool(np.allclose(one, other, rtol=1e-3, atol=1e-3 * float(np.abs(other).max())))

    for axis in range(3):
        assert close(slope(model, state, "place_m", (every, axis)), columns.pose[0, ..., axis])
        assert close(slope(model, state, "turn", (every, every, axis)), columns.pose[0, ..., axis])
        assert close(slope(model, state, "turn", (every, every, 3 + axis)), columns.pose[0, ..., 3 + axis])
        for p in range(2):
            moved = slope(model, state, "electrode_m", (p, axis))
            assert close(moved, np.where(model.obs.source == p, columns.electrode[0, ..., axis], 0.0))
    for k in range(2):
        for t in range(2):
            assert close(slope(model, state, "offset_m", (k, t)), columns.moved[0, ..., 2 * k + t])


def test_single_precision_tells_readings_to_a_hundredth_of_a_microvolt(monkeypatch: pytest.MonkeyPatch) -> None:
    model = small_model()
    single = values(model, somewhere(model))
    monkeypatch.setattr(predicting, "SINGLE", np.float64)
    double = values(model, somewhere(model))
    assert np.abs(double).max() > 100.0
    assert np.abs(single - double).max() < 0.01


def test_field_of_a_moved_injection_electrode_is_the_exact_one() -> None:
    model = small_model()
    problem = model.problem
    _, _, length, width = problem.pool.bounds_m
    field = BoxField(length, width, problem.pool.greatest_depth_m)
    state = model.start()
    state.electrode_m[0] = [[0.15, -0.12, 0.05], [-0.1, 0.15, -0.04]]
    ends = model.obs.centre_m[:, None, None] + model.obs.ends_m
    D, _ = pair_field(model, state)
    before, _ = pair_field(model, model.start())
    for p, place in enumerate(problem.sources_m):
        exact = np.zeros(D.shape[:2])
        for at, sign in ((place + state.electrode_m[0, p], 1), (place, -1)):
            G = field.green(ends.reshape(-1, 3), at).reshape(ends.shape[:3])
            exact += sign * (G[..., 1] - G[..., 0])
        error = (D[..., p] - before[..., p]) - exact
        assert np.sqrt(np.mean(error**2)) < 0.05 * np.sqrt(np.mean(exact**2))


def test_rows_of_one_turn_share_its_error_and_other_rows_only_the_place() -> None:
    heads: tuple[tuple[Head, int], ...] = (("single", 2), ("three-axis", 6))
    for head, shared in heads:
        model = small_model(head)
        same = model.obs.same_turn[0]
        assert (same.sum(1) == shared).all()  # two placements of the electrode, without turning the pole
        turns_only = replace(model, obs=replace(model.obs, place_sigma=np.zeros_like(model.obs.place_sigma)))
        slopes = predict(model, model.start()).pose
        C = pose_covariance(turns_only, slopes, model.start().spread)[0, 0]
        assert np.allclose(C[same == 0], 0.0)
        assert (np.abs(C[same == 1]) > 0).all()
        if shared == 2:
            assert (np.abs(pose_covariance(model, slopes, model.start().spread)[0, 0]) > 0).all()


def test_a_word_for_the_turn_joins_directions_and_a_pair_turned_about_is_a_turn_of_its_own() -> None:
    model = small_model()
    problem = model.problem

    def turns(*rows: KeptReading) -> tuple[int, set[int]]:
        data: dict[str, StationData] = {}
        for row in rows:
            add_reading(problem, data, row)
        obs, _ = pack(problem, list(data.values()))
        return obs.ends_m.shape[1], {int(t) for t in obs.row_turn[0]}

    a, b, c = (3.0, 1.5, 0.6), (3.3, 1.5, 0.6), (3.15, 1.65, 0.6)
    d = (3.15, 1.35, 0.6)
    row = KeptReading(front_m=a, back_m=b, value_V=1e-4, sigma_V=1e-6, station="s")
    across = row_replace(row, front_m=c, back_m=d)
    about = row_replace(row, front_m=b, back_m=a)
    assert turns(row, across) == (2, {0, 1})
    assert turns(row_replace(row, turn="t"), row_replace(across, turn="t")) == (2, {0})
    assert turns(row, row_replace(row, source_id=1)) == (1, {0})
    assert turns(row, about) == (2, {0, 1})
    assert turns(row_replace(row, turn="t"), row_replace(about, turn="t")) == (1, {0})
    upright = row_replace(row, front_m=(3.15, 1.5, 0.75), back_m=(3.15, 1.5, 0.45))
    heads: tuple[tuple[Head, set[int]], ...] = (("single", {0, 1, 2}), ("crossed", {0, 2}), ("three-axis", {0}))
    for head, expected in heads:
        problem = small_model(head).problem
        assert turns(row, across, upright) == (3, expected)


def test_batched_step_agrees_with_the_single_model() -> None:
    """One candidate in the batch is the same model as the candidate held as a known sink."""
    model = small_model()
    problem = model.problem
    cell = int(search_one(model, fit(model)).score.argmax())
    sigma = problem.grid.fine.size_m
    sink = leak_sink(problem, problem.grid.fine.centre_m[cell], cell, sigma)
    whole = make_model(problem, model.obs, model.leads, [*problem.fittings, sink])
    state = fit(whole).state
    assert (state.current_mA > 0).all()  # nothing held: the two treat bounds differently
    rng = np.random.default_rng(2)
    state.place_m += rng.normal(0, 0.01, state.place_m.shape)
    state.offset_m += rng.normal(0, 0.01, state.offset_m.shape)
    part = model.leads.nodes[:, :, sink.index]
    rest = (part @ sink.weight)[:, :, None], (part @ sink.slope)[:, :, None]
    place = (np.array([cell]), sink.position_m[None], sink.tangent[None])
    c = candidates.start_at(model, *place, rest, state.sinks([0, 1]), state.current_mA[0, :1, 2])
    c.state.current_mA[0, :, 2] = state.current_mA[0, :, 2]
    c.state.offset_m[0, 2] = state.offset_m[0, 2]
    candidates.step(model, c, sigma)
    # (the known one may deviate by a hundred-thousandth of the current from placement to placement)
    one = solve_about(whole, state)
    assert c.chi2[0] == pytest.approx(one.chi2, rel=1e-3)
    assert np.allclose(c.state.place_m[0], one.state.place_m[0], atol=2e-3)
    assert np.allclose(c.state.turn[0], one.state.turn[0], atol=2e-3)
    assert c.station_chi2[0] == pytest.approx(one.station_chi2, rel=1e-2, abs=2e-2)


def test_a_step_that_makes_things_worse_is_taken_back() -> None:
    """From far off, refits of all candidates only ever come closer to the readings; what is left to gain is told."""
    model = small_model()
    liner = model.problem.liner
    cells = liner.seed_grid[::4]
    state = fit(model).state
    c = candidates.start(model, cells, liner.grid.coarse, state, np.full(len(cells), 2.0))
    before = np.full(len(cells), np.inf)
    first = None
    for _ in range(6):
        candidates.step(model, c, 0.06)
        assert (c.misfit <= before + SLACK).all()
        before = c.misfit.copy()
        first = before if first is None else first
    assert first is not None and (c.gap >= 0).all()
    assert np.median(c.misfit / first) < 0.3


def test_places_close_by_are_in_the_water_and_off_the_walls() -> None:
    pool = rectangle(8.0, 4.0, 1.5)
    for target in ((0.0, 2.0, 0.7), (4.0, 2.0, 1.5), (8.0, 4.0, 0.2)):
        places = guide.close_by(pool, np.array(target)).centre_m
        assert len(places) >= 3
        assert pool.contains(places).all()
        assert (places[:, :2] >= 0.29).all() and (places[:, 0] <= 7.71).all() and (places[:, 1] <= 3.71).all()
        assert np.linalg.norm(places - target, axis=1).min() > 0.2


def test_a_lean_that_all_poles_share_is_learnt() -> None:
    """Readings of poles whose tops are 0.1 rad nearer to the wall at every station, without noise."""
    model = small_model()
    obs = model.obs
    tops = np.cross(np.column_stack([obs.lean_axis, np.zeros(obs.stations)]), [0.0, 0.0, -1.0])[:, :2]
    assert np.allclose(np.linalg.norm(tops, axis=1), 1.0)
    walls = np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])
    x, y = obs.centre_m[:, :2].T
    _, _, length, width = model.problem.pool.bounds_m
    gaps = np.column_stack([x, length - x, y, width - y])
    assert np.allclose(tops, walls[np.argmin(gaps, axis=1)])
    state = fit(model).state.unmoved()
    state.turn[..., 3:5] = 0.1 * obs.lean_axis[:, None]
    value = (predict(model, state).column[0] * state.current_mA[0][obs.source]).sum(-1)
    leaning = replace(model, obs=replace(obs, value_uV=value))
    learnt = float(fit(leaning, None, 12).state.lean_rad[0])
    assert 0.05 < learnt < 0.13
    sensed = replace(leaning.obs, lean_axis=np.zeros_like(obs.lean_axis))
    assert fit(replace(leaning, obs=sensed), None, 12).state.lean_rad[0] == pytest.approx(0.0, abs=1e-9)


def test_a_sink_keeps_its_share_where_another_placement_injects_more() -> None:
    """In parallel paths currents divide by conductance, whatever the whole is (Kirchhoff): readings of a placement that
    injects half as much again say the same once scaled."""
    world = random_pool(41, fittings=2)
    (centre, bearing), *_ = random_stations(world, 1)
    rows = world.measure(centre, bearing, "s")
    more = [row_replace(r, value_V=1.5 * r.value_V, sigma_V=1.5 * r.sigma_V) if r.source_id == 1 else r for r in rows]
    first, second = world.pool.sources
    other = replace(world.pool, sources=(first, row_replace(second, current_A=1.5 * (second.current_A or 0.0))))
    packed = []
    for pool, kept in ((world.pool, rows), (other, more)):
        problem = make_problem(pool, LocateSettings())
        data: dict[str, StationData] = {}
        for row in kept:
            add_reading(problem, data, row)
        obs, _ = pack(problem, list(data.values()))
        packed.append((obs.value_uV / problem.injected_mA.mean(), np.ptp(problem.injected_mA)))
    assert np.allclose(packed[0][0], packed[1][0])
    assert packed[0][1] == packed[1][1] == 0.0


def test_liner_that_was_not_refitted_is_judged_by_the_nearest_that_was() -> None:
    """A linear scan far off the refits' level must not fill a region with liner that nothing speaks for."""
    model = small_model()
    liner = model.problem.liner
    coarse, cells = liner.grid.coarse, len(liner.grid.coarse)
    base = fit(model, None, 1)
    scanned = np.where(coarse.centre_m[liner.subsampled, 0] > 2.0, 50.0, 0.0)
    scan = Scores(scanned, scanned, scanned, np.ones(len(scanned)), 0.0)
    dropped = np.full(cells, -np.inf)
    dropped[liner.seed_grid] = -300.0
    nowhere = np.full(cells, -1.0)
    search = _Search(
        model, base, 2, False, None, nowhere, nowhere, scan, 0.0, np.full(model.obs.stations, np.inf), dropped
    )
    at = int(liner.seed_grid[0])
    found = search.begin(np.array([at]), base.state, np.array([0.5]))
    found.score = np.array([-100.0])
    of_coarse = np.full(cells, -1)
    of_coarse[at] = 0
    guess = _unvisited(search, of_coarse, found)
    gap = np.linalg.norm(coarse.centre_m - coarse.centre_m[at], axis=1)
    assert guess.max() <= -100.0 + RISE and gap[guess > -110.0].max() < 2.0
    assert (guess[gap > 2.0] <= -300.0 + RISE).all()
