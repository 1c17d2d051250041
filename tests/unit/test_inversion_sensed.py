"""Turns whose bearing and lean a sensor in the head told: the search believes the sensor, not the hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from msgspec import structs
from tests.benchmarks.virtual_pools import Errors, Sensor, random_pool, random_stations

from earthward.inversion import tails
from earthward.inversion.normal import assemble
from earthward.inversion.observations import (
    LEAST_SENSED_DEG,
    LEAST_SENSED_M,
    Observations,
    StationData,
    add_reading,
    pack,
)
from earthward.inversion.predict import make_model, predict
from earthward.inversion.prepare import make_problem
from earthward.inversion.types import LocateSettings
from earthward.record.place import Head


def observed(sensor: Sensor | None, head: Head = "single") -> tuple[Observations, np.ndarray]:
    """Observations of two stations, and the covariance of their rows by errors of the turns."""
    world = random_pool(4, errors=Errors(head=head, sensor=sensor))
    problem = make_problem(world.pool, LocateSettings(head=head))
    data: dict[str, StationData] = {}
    for k, (centre, bearing) in enumerate(random_stations(world, 2)):
        for reading in world.measure(centre, bearing, f"s{k}"):
            add_reading(problem, data, reading)
    obs, leads = pack(problem, list(data.values()))
    model = make_model(problem, obs, leads, problem.fittings)
    pose = predict(model, model.start()).pose
    return obs, tails.covariance_parts(model, pose)[1]


def test_held_by_eye_every_turn_is_known_as_the_settings_say() -> None:
    obs, _ = observed(None)
    assert np.degrees(obs.turn_sigma[0, 0, 3:]) == pytest.approx([4.0, 4.0, 10.0])
    assert obs.turn_sigma[0, 0, :3] == pytest.approx([0.03] * 3)


def test_a_sensor_narrows_bearing_and_lean_but_not_the_slip_of_the_hand() -> None:
    obs, _ = observed(Sensor(claimed_bearing_deg=3.0, claimed_tilt_deg=1.0))
    assert np.degrees(obs.turn_sigma[..., 3:]).reshape(-1, 3) == pytest.approx(np.tile([1.0, 1.0, 3.0], (6, 1)))
    assert (obs.turn_sigma[..., :3] == 0.03).all()


def test_a_boast_is_not_believed() -> None:
    obs, _ = observed(Sensor(claimed_bearing_deg=0.01, claimed_tilt_deg=0.0))
    assert np.degrees(obs.turn_sigma[..., 3:]) == pytest.approx(LEAST_SENSED_DEG)


def test_the_rows_covariance_shrinks_with_the_square_of_what_is_known() -> None:
    # No errors drawn differ: the sensor is exact, so both are read at the same directions.
    exact = Sensor(0.0, 4, 0.0, 0.0, 0.0, 0.0, claimed_bearing_deg=10.0, claimed_tilt_deg=4.0)
    _, wide = observed(exact, "three-axis")
    _, half = observed(replace(exact, claimed_bearing_deg=5.0, claimed_tilt_deg=2.0), "three-axis")
    assert half == pytest.approx(wide / 4, rel=1e-3, abs=1e-3 * float(np.abs(wide).max()))


def stations(
    depths_m: tuple[float | None, ...], head: Head = "three-axis"
) -> tuple[Observations, np.ndarray, np.ndarray]:
    """Observations of stations whose depth a sensor told to that sigma (None: read off the pole), the covariances of
    their rows by errors of the place, and the column of what all depths are off by."""
    world = random_pool(4, errors=Errors(head="three-axis"))
    problem = make_problem(world.pool, LocateSettings(head="three-axis"))
    data: dict[str, StationData] = {}
    for k, (centre, bearing) in enumerate(random_stations(world, len(depths_m))):
        for reading in world.measure(centre, bearing, f"s{k}"):
            add_reading(problem, data, structs.replace(reading, depth_sigma_m=depths_m[k]))
    obs, leads = pack(problem, list(data.values()))
    model = make_model(problem, obs, leads, problem.fittings)
    state = model.start()
    equations = assemble(model, state)
    common = equations.aug[0, ..., equations.layout.depth]
    return obs, tails.covariance_parts(model, predict(model, state).pose)[0][0], common


def test_a_told_depth_narrows_its_station_only() -> None:
    by_mark, wide, off = stations((None, None))
    mixed, narrow, off_mixed = stations((None, 0.01))
    assert by_mark.place_sigma[:, 2] == pytest.approx([0.05, 0.05])
    assert mixed.place_sigma == pytest.approx(np.array([[0.1, 0.1, 0.05], [0.1, 0.1, 0.01]]))
    assert narrow[0] == pytest.approx(wide[0]) and np.trace(narrow[1]) < np.trace(wide[1])
    # What all poles' marks are off by does not touch the station that a sensor told of.
    assert off_mixed[0] == pytest.approx(off[0]) and np.abs(off[1]).max() > 0 and not off_mixed[1].any()


def test_a_depth_told_for_some_rows_only_counts_for_none() -> None:
    world = random_pool(4, errors=Errors(head="three-axis"))
    problem = make_problem(world.pool, LocateSettings(head="three-axis"))
    data: dict[str, StationData] = {}
    (centre, bearing), *_ = random_stations(world, 1)
    for k, reading in enumerate(world.measure(centre, bearing, "s")):
        add_reading(problem, data, structs.replace(reading, depth_sigma_m=0.01 if k else None))
    obs, _ = pack(problem, list(data.values()))
    assert obs.place_sigma[0, 2] == 0.05 and obs.by_mark[0] == 1.0


def test_a_boast_about_the_depth_is_not_believed() -> None:
    obs, _, _ = stations((0.0001,))
    assert obs.place_sigma[0, 2] == LEAST_SENSED_M


def test_crossed_pairs_slip_between_level_and_upright() -> None:
    """The two level directions share a turn and its slip of the hand; upright is another one. Three axes need one turn,
    whose slip is the place's."""
    obs, _ = observed(None, "crossed")
    assert (obs.turn[0] == [0, 0, 2]).all() and (obs.turn_sigma[0, :, :3] == 0.03).all()
    rigid, _ = observed(None, "three-axis")
    assert (rigid.turn[0] == 0).all() and (rigid.turn_sigma[0, :, :3] < 0.001).all()
