"""Worlds that the search did not make: their truth is checked here against the forward model and closed forms.

What the search makes of them: tests/benchmarks/bench_worlds.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.benchmarks.bench_worlds import run_pool, summary
from tests.benchmarks.layered_water import LayeredBox
from tests.benchmarks.world_bound import bound_m
from tests.benchmarks.world_list import WORLDS
from tests.benchmarks.worlds import Drawn, draw, ends

from earthward.pool.field import make_field
from earthward.pool.forward import Sink, pair_values_V
from earthward.record.place import Placement


def volts(drawn: Drawn) -> np.ndarray:
    truth = drawn.truth
    return truth.volts(*ends(truth.pool, list(truth.pairs)), np.array([p.source_id for p in truth.pairs]))


def test_truth_has_the_signs_of_the_forward_model() -> None:
    truth = draw(WORLDS["turned"], 4).truth
    front, back = ends(truth.pool, list(truth.pairs))
    at = np.array([p.source_id for p in truth.pairs])
    for k in (0, 1):
        place = tuple(float(v) for v in truth.electrodes_m[k])
        source = Placement(position_m=(place[0], place[1], place[2]), current_A=float(truth.injected_A[k]), source_id=k)
        sinks = [Sink((*map(float, s.middle_m),), float(s.current_A[k])) for s in truth.sinks]  # type: ignore[arg-type]
        told = pair_values_V(make_field(truth.pool), source, sinks, front[at == k], back[at == k]).value_V
        mine = truth.volts(front, back, at)[at == k]
        assert mine == pytest.approx(told, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("name", sorted(WORLDS))
def test_every_world_hands_over_a_survey_that_balances(name: str) -> None:
    drawn = draw(WORLDS[name], 3)
    truth, world = drawn.truth, drawn.world
    assert len(drawn.readings) == 24 * 3 * 2 and len(drawn.pool.sources) == 2
    assert sum(s.current_A for s in truth.sinks) == pytest.approx(truth.injected_A)
    assert len(truth.leaks) == world.leaks and len(drawn.pool.fittings) == len(truth.fittings) in (1, 2, 3)
    assert all(s.shares.sum() == pytest.approx(1.0) for s in truth.sinks)
    points = np.concatenate([s.points_m for s in truth.sinks])
    assert truth.pool.contains(points).all() and (truth.pool.distance_to_liner_m(points) < 0.01).all()
    if not world.sloped and world.upper == 1.0:  # those fields take seconds
        assert np.array_equal(volts(drawn), volts(draw(world, 3)))


def test_hands_err_as_their_world_says() -> None:
    """Sample standard deviations of 24 stations in 12 pools, within a tenth of what the world states."""
    off, bearing = [], []
    for seed in range(12):
        drawn = draw(WORLDS["turned"], seed)
        for pair, reading in zip(drawn.truth.pairs, drawn.readings, strict=True):
            meant = np.subtract(reading.front_m, reading.back_m)
            if pair.source_id == 0 and abs(meant[2]) < 1e-9:
                cross = meant[0] * pair.arm_m[1] - meant[1] * pair.arm_m[0]
                bearing.append(math.degrees(math.atan2(cross, meant[:2] @ pair.arm_m[:2])))
                off.append(pair.middle_m[0] - reading.centre_m[0])
    assert np.std(bearing) == pytest.approx(10.0, rel=0.1)
    assert np.std(off) == pytest.approx(math.hypot(0.1, 0.03), rel=0.1)
    # Each direction has an error of its own: no correlation between two of one station.
    assert abs(np.corrcoef(bearing[0::2], bearing[1::2])[0, 1]) < 0.2
    rigid = [p.arm_m / 0.3 for p in draw(WORLDS["rigid"], 1).truth.pairs[:6:2]]
    assert abs(rigid[0] @ rigid[1]) < 1e-9 and abs(rigid[0] @ rigid[2]) < 1e-9


def test_layered_water_is_reciprocal_and_has_the_image_of_a_plane_boundary() -> None:
    """Far from walls: image strength (s1 - s2) / (s1 + s2) on the source's side (Telford, Geldart and Sheriff, Applied
    geophysics, chapter on resistivity, from memory)."""
    water = LayeredBox((20.0, 20.0, 12.0), 0.22, 0.2)
    source, points = np.array([[10.0, 10.0, 5.6]]), np.array([[10.0, 10.0, 5.3], [10.5, 10.0, 5.8]])
    change = water.change(points, source[0], 0.22, 0.2, above=True)
    strength = (0.22 - 0.2) / 0.42 / (4 * math.pi * 0.22)
    expected = strength / np.linalg.norm(points - np.array([10.0, 10.0, 6.4]), axis=1)
    assert change[1] - change[0] == pytest.approx(expected[1] - expected[0], rel=0.03)
    small = LayeredBox((10.0, 6.0, 4.0), 0.22, 0.2)
    above, below = np.array([[4.0, 3.0, 1.2], [6.0, 2.5, 1.0]]), np.array([[5.0, 3.0, 3.0], [3.0, 3.5, 2.6]])
    there, back = small.ohms(above, below), small.ohms(below, above)
    balanced = there[0, 0] - there[1, 0] - there[0, 1] + there[1, 1]
    assert balanced == pytest.approx(back[0, 0] - back[1, 0] - back[0, 1] + back[1, 1], rel=1e-6)


def test_bound_grows_with_what_is_unknown() -> None:
    bounds = [bound_m(draw(WORLDS[name], 3)) for name in ("rigid", "bearing only", "turned", "turned, electrodes")]
    assert 0.01 < bounds[0] < bounds[2] < bounds[3] < 1.0
    assert bounds[1] < bounds[2]


def test_hand_turned_surveys_are_located_as_well_as_can_be() -> None:
    """Before each turn had errors of its own, no region held its leak, and there was a false extra a pool."""
    rows = [run_pool(WORLDS["turned"], seed, bound=True) for seed in range(700_004, 700_008)]
    figures = summary(rows)
    assert figures["declared"] >= 0.75 and figures["regions_hold"] >= 0.75 and figures["currents_hold"] >= 0.5
    # No unbiased estimate is better than the bound on average; here its median ratio may be below one.
    assert figures["error_over_bound_median"] <= 1.3
    assert figures["extra_a_pool"] == 0
    assert all(error <= 0.15 for row in rows for error in row.found_error)


def test_no_leak_is_seen_where_hands_turn_the_pole_and_nothing_leaks() -> None:
    """Before each turn had errors of its own, half of such pools got a leak."""
    rows = [run_pool(WORLDS["turned, no leak"], seed) for seed in range(700_000, 700_004)]
    assert [row.seed for row in rows if row.findings] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["turned", "turned, no leak", "rigid", "turned, electrodes, no leak"])
def test_worlds_at_length(name: str) -> None:
    figures = summary([run_pool(WORLDS[name], seed) for seed in range(710_000, 710_040)])
    if WORLDS[name].leaks:
        assert figures["regions_hold"] >= 0.75 and figures["currents_hold"] >= 0.75 and figures["declared"] >= 0.85
        assert figures["found_right"] >= 0.95
    else:
        assert figures["tight_found"] == 0 and figures["tight_suspected"] <= 2
