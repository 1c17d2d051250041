"""The search on a few virtual pools: a quick guard. Figures over many pools: tests/benchmarks/bench_locate.py.

Expected limits are the project's own targets; the virtual pools use the exact box field (checked elsewhere against
image charges), and a technician's errors as in `virtual_pools.Errors`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from msgspec.structs import replace
from tests.benchmarks.bench_locate import Planted, Run, bound_m, held, plant, run_pool
from tests.benchmarks.virtual_pools import Errors, VirtualPool, random_pool, random_stations

from earthward.daemon.search import Search, Searcher
from earthward.inversion.budget import make_budget
from earthward.inversion.decision import count_probabilities
from earthward.inversion.ending import could_hide
from earthward.inversion.locate import Survey, locate
from earthward.inversion.regions import region_patches
from earthward.inversion.spots import first_place
from earthward.inversion.types import FloatingSink, LocateSettings, Result
from earthward.record.reading import KeptReading

SEEDS = range(7000, 7010)


@cache
def runs() -> tuple[Run, ...]:
    return tuple(run_pool(random_pool(seed), 16) for seed in SEEDS)


def kept(world: VirtualPool, stations: int) -> list[KeptReading]:
    places = random_stations(world, stations)
    return [r for k, (centre, bearing) in enumerate(places) for r in world.measure(centre, bearing, f"s{k}")]


def test_place_within_the_target_and_region_holds_it() -> None:
    error = [float(np.linalg.norm(r.best.position_m - r.world.leaks[0][0])) for r in runs() if r.best is not None]
    assert len(error) == len(SEEDS)
    assert np.median(error) <= 0.2
    assert sum(held(r, 0.9) for r in runs()) >= 7
    assert sum(held(r, 0.5) for r in runs()) <= 9  # regions are not simply everything
    for r in runs():
        assert r.best is not None
        patches = r.best.patches
        area = len(region_patches(patches)) * patches.size_m**2
        assert area < 0.2 * r.problem.grid.fine.area_m2.sum()


def test_error_keeps_to_the_cramer_rao_bound() -> None:
    # No unbiased estimate is better than the inverse Fisher information (Kay, Fundamentals of statistical signal
    # processing I, ch. 3), here with the priors of poses and fitting places: median within 1.3 times of it.
    ratio = [
        float(np.linalg.norm(r.best.position_m - r.world.leaks[0][0])) / bound_m(r)
        for r in runs()
        if r.best is not None
    ]
    assert np.median(ratio) <= 1.3


def test_budget_intervals_hold_the_true_shares() -> None:
    held_, widths = [], []
    for r in runs():
        counts = count_probabilities(r.answer, r.problem.settings.detection_threshold)
        for k, share in enumerate(make_budget(r.problem, r.answer, counts).fittings):
            low, high = share.interval_A
            held_.append(low <= r.world.fitting_mA[:, k].mean() * 1e-3 <= high)
            widths.append((high - low) / r.world.injected_mA * 1e3)
    # 90 % intervals: fewer than three in four of some twenty would be a chance of less than one in forty.
    assert np.mean(held_) >= 0.75
    assert np.median(widths) < 0.5  # and they say something


def test_two_leaks_are_both_found() -> None:
    good = 0
    for seed in range(7200, 7204):
        world = random_pool(seed, leaks=2, min_share=0.1, errors=Errors(head="three-axis"))
        leaks = run_pool(world, 20, settings=LocateSettings(head="three-axis")).answer.leaks
        miss = [min((float(np.linalg.norm(one.position_m - p)) for one in leaks), default=9.0) for p, _ in world.leaks]
        good += len(leaks) == 2 and max(miss) <= 0.5
    assert good >= 3


def test_a_technician_who_follows_the_advice_gets_there() -> None:
    near = 0
    for seed in range(7300, 7303):
        world = random_pool(seed, fittings=2)
        survey = Survey(world.pool, LocateSettings(max_leaks=1))
        place = first_place(world.pool, survey.places.centre_m)
        for k in range(8):
            assert world.pool.contains([place.position_m])[0]
            assert place.bearing_deg is not None
            for reading in world.measure(np.array(place.position_m), place.bearing_deg, f"g{k}"):
                survey.add(reading)
            survey.result(coverage=False, guidance=False)
            place = survey.next_station()
        answer = survey.last_answer
        assert answer is not None
        best = answer.leaks[0] if answer.leaks else answer.doubtful
        near += best is not None and float(np.linalg.norm(best.position_m - world.leaks[0][0])) <= 0.25
    assert near >= 2


def test_most_leaks_are_declared_and_none_in_pools_without() -> None:
    assert sum(bool(r.answer.leaks) for r in runs()) >= 7
    assert not any(run_pool(random_pool(seed, leaks=0), 12).answer.leaks for seed in range(7100, 7106))


def test_refits_settle_at_the_right_place_whatever_stations_are_added() -> None:
    """Close to a leak the fields are steep and undamped refits jumped: with the seventh of these stations the answer
    was called found 0.2 m off, with the next one it was back."""
    world = random_pool(31004)
    stations = (
        ((3.11, 1.63, 0.5), 270.0), ((10.84, 4.94, 1.2), 90.0), ((8.73, 0.3, 0.5), 270.0), ((0.3, 4.28, 0.5), 180.0),
        ((0.3, 2.95, 1.2), 180.0), ((4.52, 4.94, 1.2), 90.0), ((1.71, 4.94, 0.5), 90.0),
    )  # fmt: skip
    survey = Survey(world.pool, LocateSettings(max_leaks=1))
    for k, (centre, bearing) in enumerate(stations):
        for reading in world.measure(np.array(centre), bearing, f"g{k}"):
            survey.add(reading)
        if k >= 4:
            survey.result(coverage=False, guidance=False)
            answer = survey.last_answer
            assert answer is not None and answer.leaks and answer.fits
            assert np.linalg.norm(answer.leaks[0].position_m - world.leaks[0][0]) < 0.1


def result_of(world: VirtualPool, rows: list[KeptReading]) -> Result:
    return locate(world.pool, rows, LocateSettings(max_leaks=1, head=world.errors.head))


def test_a_station_read_elsewhere_is_named_and_does_no_harm() -> None:
    world = random_pool(7021, fittings=1, errors=Errors(head="three-axis"))
    places = random_stations(world, 14)
    rows = []
    for k, (centre, bearing) in enumerate(places):
        elsewhere = places[(k + 7) % 14][0] if k == 5 else None
        rows += world.measure(centre, bearing, f"s{k}", truth_centre=elsewhere)
    result = result_of(world, rows)
    assert {s.station for s in result.suspect_readings} == {"s5"}
    assert {s.row for s in result.suspect_readings} == {r.row for r in rows if r.station == "s5"}
    assert result.findings
    # Without it the rest says what it can: near, or honestly far.
    error = np.linalg.norm(np.array(result.findings[0].position_m) - world.leaks[0][0])
    assert error < max(0.4, result.findings[0].radius_m or 0.0)


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1e3, "entered as volts"), (1e-3, "volts entered as millivolts"), (-1.0, "front and back exchanged")],
)
def test_the_likely_mistake_at_one_station_is_named(factor: float, words: str) -> None:
    world = random_pool(7021, fittings=1, errors=Errors(head="three-axis"))
    rows = [replace(r, value_V=r.value_V * factor) if r.station == "s4" else r for r in kept(world, 12)]
    result = result_of(world, rows)
    assert {s.station for s in result.suspect_readings} == {"s4"}
    assert words in result.suspect_readings[0].reason


def test_following_the_readings_says_the_same_as_looking_at_all_of_them_afresh() -> None:
    """A search that went on from its last answer could say "found" 0.3 m off and stay there, or the reverse."""
    world = random_pool(7043)
    settings = LocateSettings(max_leaks=1)
    helper = Survey(world.pool, settings)
    follows = Searcher()
    place, rows, differences = first_place(world.pool, helper.places.centre_m), [], []
    for k in range(6):
        assert place.bearing_deg is not None
        rows += world.measure(np.array(place.position_m), place.bearing_deg, f"g{k}")
        # The daemon searches whenever readings pause, also within a station.
        for count in (len(rows) - 3, len(rows)):
            step = follows.run(Search(world.pool, tuple(rows[:count]), settings))
        afresh = Survey(world.pool, settings, None, helper.problem.liner)
        afresh._lead_fields = helper._lead_fields
        for row in rows:
            afresh.add(row)
        whole = afresh.result()
        assert step.verdict == whole.verdict
        assert [f.certain for f in step.findings] == [f.certain for f in whole.findings]
        for one, other in zip(step.posterior[:1], whole.posterior[:1], strict=True):
            differences.append(float(np.linalg.norm(np.array(one.position_m) - np.array(other.position_m))))
        assert whole.next_station is not None
        place = whole.next_station
    assert len(differences) >= 4
    assert max(differences) < 0.05


def test_answer_is_whole_and_consistent() -> None:
    world = random_pool(7021, fittings=1)
    result = result_of(world, kept(world, 14))
    data = result.to_json()
    budget = data["budget"]
    total = sum(f["current_A"] for f in budget["fittings"]) + budget["findings_A"] + budget["unexplained_A"]
    assert abs(total - budget["injected_A"]) < 0.03 * budget["injected_A"]
    assert abs(sum(data["p_leak_count"].values()) - 1) < 1e-9
    assert set(data["p_leak_count"]) == {"0", "1", "2", "3"}
    assert 0 <= data["coverage"]["fraction_at_reference"] <= 1
    place = data["next_station"]["position_m"]
    assert world.pool.contains([place])[0]
    assert "deep" in data["next_station"]["text"] and "wall" in data["next_station"]["text"]
    for finding in data["findings"]:
        assert finding["current_interval_A"][0] <= finding["current_A"] <= finding["current_interval_A"][1]
        assert finding["hole_diameter_mm"][0] < finding["hole_diameter_mm"][1]
        gaps = [np.linalg.norm(np.array(c) - finding["position_m"]) for c in finding["region"]["cells_m"]]
        assert min(gaps) < 0.15


def test_limits_exclude_nothing_that_is_there_and_promise_nothing_that_is_missed() -> None:
    """A small guard: `bench_locate.py limits` plants many more. Sinks at the limit must not be excluded, sinks of twice
    the limit must be declared."""
    plants: dict[float, list[Planted]] = {1.0: [], 2.0: []}
    for times, found in plants.items():
        for seed in (7401, 7402):
            world = random_pool(seed, leaks=0)
            found += plant(world, random_stations(world, 10), times, 2)
    assert min(len(found) for found in plants.values()) >= 3
    assert sum(p.excluded for p in plants[1.0]) == 0
    assert sum(p.declared for p in plants[2.0]) >= len(plants[2.0]) - 1


def test_limits_are_tight_where_fittings_explain_the_current_and_name_the_patches_left_open() -> None:
    world = random_pool(7403, leaks=0, fittings=1)
    result = locate(world.pool, kept(world, 14), LocateSettings(max_leaks=1))
    cover = result.coverage
    assert cover is not None and not result.findings
    assert cover.median_limit_A < 0.1 * world.injected_mA * 1e-3
    assert "nothing above" in cover.text and "mA explained" in cover.text
    assert result.budget.text.endswith(cover.hidden_text)
    # Only right beside the one fitting could a sink take as much as one likes: it would be taken for it.
    drain = np.array(world.pool.fittings[0].position_m)
    assert all(np.linalg.norm(np.array(c.position_m) - drain) < 1.0 for c in could_hide(cover.cells, 1e3))
    assert len(could_hide(cover.cells, 1e-3)) == len(cover.cells)
    middling = sorted(c.limit_hole_mm or np.inf for c in cover.cells)[len(cover.cells) // 2]
    open_ = could_hide(cover.cells, middling)
    assert 0 < len(open_) < len(cover.cells)
    assert all((c.limit_hole_mm or np.inf) > middling for c in open_)


def test_one_pair_turned_by_hand_is_told_which_direction_to_begin_with() -> None:
    """Over several proposals not always the same one, each said in words and as bearing or upright pair; a rigid array
    reads all of them at once and is only told the place."""
    said = set()
    for seed in (7021, 7043, 7060):
        for head in ("single", "three-axis"):
            world = random_pool(seed, errors=Errors(head=head))
            result = locate(world.pool, kept(world, 8), LocateSettings(max_leaks=1, head=head), coverage=False)
            place = result.next_station
            assert place is not None and place.bearing_deg is not None
            assert place.vertical == ("upright" in place.text)
            if head == "single":
                said.add(place.text.split(" deep, ")[1].split(" its")[0])
            else:
                assert place.text.endswith("front end toward the wall")
    assert len(said) >= 2


@pytest.mark.parametrize("no_dye_within_m", [0.0, 0.2])
def test_a_finding_that_drew_no_dye_counts_as_a_fitting_and_the_search_goes_on(no_dye_within_m: float) -> None:
    """Two things take current: one is called a fitting after the dye test, the other is what is left to find."""
    world = random_pool(7201, leaks=2, fittings=1, min_share=0.15, errors=Errors(head="three-axis"), apart_m=2.5)
    (first, taken), (second, _) = world.leaks
    settings = LocateSettings(
        head="three-axis",
        floating=(FloatingSink("finding 1", tuple(map(float, first)), 0.1, no_dye_within_m),),  # type: ignore[arg-type]
    )
    result = locate(world.pool, kept(world, 16), settings, coverage=False)
    places = [np.array(f.position_m) for f in result.findings]
    assert len(places) == 1
    assert np.linalg.norm(places[0] - second) < 0.5
    share = next(s for s in result.budget.fittings if s.name == "finding 1")
    assert share.interval_A[0] <= taken * 1e-3 <= share.interval_A[1]


@pytest.mark.parametrize("seed", [7303, 7306])
def test_where_no_dye_was_drawn_because_the_place_was_wrong_the_leak_is_named_elsewhere(seed: int) -> None:
    """The dye was let go 0.6 m beside the leak. Taken for a fitting that nobody listed, the place would explain the
    readings well enough, and everybody would go home."""
    world = random_pool(seed, leaks=1, fittings=1)
    ((place, _),) = world.leaks
    beside = np.array(place, dtype=float)
    axis = 0 if 0.01 < place[0] < world.pool.length_m - 0.01 else 1
    middle = 0.5 * (world.pool.length_m, world.pool.width_m)[axis]
    beside[axis] += 0.6 if beside[axis] < middle else -0.6

    def told(no_dye_within_m: float) -> list[float]:
        at = (float(beside[0]), float(beside[1]), float(beside[2]))
        settings = LocateSettings(floating=(FloatingSink("finding 1", at, 0.06, no_dye_within_m),))
        result = locate(world.pool, kept(world, 10), settings, coverage=False, guidance=False)
        return [float(np.linalg.norm(np.subtract(f.position_m, place))) for f in result.findings]

    assert min(told(0.2), default=9.0) < 0.25
    assert min(told(0.0), default=9.0) > 0.25, "what it is for: a fitting there would hide the leak"


def test_found_is_said_only_where_the_answer_before_thought_of_the_same_place() -> None:
    """Whoever asks after every station must not take the first wrong "found" there is; once two agree, it is one."""
    world = random_pool(7306, leaks=1, fittings=1, errors=Errors(head="three-axis"))
    ((place, _),) = world.leaks
    away = np.add(place, (0.5, 0.0, 0.0))
    verdicts = []
    for thought in ({}, {9: [away]}, {9: [away, np.array(place)]}, {8: [np.array(place)], 9: [away]}):
        survey = Survey(world.pool.read_with((0, 1)), LocateSettings(head="three-axis"))
        survey._thought.update(thought)
        for reading in kept(world, 10):
            survey.add(reading)
        result = survey.result(coverage=False, guidance=False)
        assert all(f.certain for f in result.findings) == (result.verdict == "found")
        assert ("one more spot" in result.text) == (result.verdict == "suspected")
        verdicts.append(result.verdict)
    assert verdicts == ["found", "suspected", "found", "suspected"]
    assert survey.result(coverage=False, guidance=False).verdict == "suspected", "no new station, nothing new"
