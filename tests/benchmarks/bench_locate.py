"""Location, guidance, budget and coverage on seeded virtual pools. Prints figures; nothing here is a test.

    python tests/benchmarks/bench_locate.py location --pools 200 --stations 20 40 --seed 500000
    python tests/benchmarks/bench_locate.py false-alarm --pools 1000 --stations 20
    python tests/benchmarks/bench_locate.py guided --pools 60
    python tests/benchmarks/bench_locate.py two --pools 60
    python tests/benchmarks/bench_locate.py limits --pools 40
    python tests/benchmarks/bench_locate.py robust --pools 100
    python tests/benchmarks/bench_locate.py speed

`location` answers four questions with one simulation of each pool: 20 and 40 stations (the 20 are the first of the
40), two placements with three axes and one placement with one axis (a part of the same readings). A run that is cut
short has printed what it had every 50 pools.

Default seeds are evaluation seeds: settings were chosen on seeds below 10,000 only. Every pool is a level box of
random size, conductivity, fittings and leak (see virtual_pools.py); the search knows nominal poses only.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.updates import Updates
from tests.benchmarks.virtual_pools import Errors, VirtualPool, liner_point, random_pool, random_stations

from earthward.inversion import candidates, decision
from earthward.inversion.budget import leak_current, make_budget
from earthward.inversion.decision import Answer
from earthward.inversion.lead import LeadField
from earthward.inversion.liner import LinerGrid, liner_grid
from earthward.inversion.locate import Survey
from earthward.inversion.observations import LeadFields, Observations, StationData, add_reading, pack
from earthward.inversion.predict import make_model
from earthward.inversion.prepare import Problem, make_problem
from earthward.inversion.regions import Leak, region_patches
from earthward.inversion.spots import first_place
from earthward.inversion.types import LocateSettings
from earthward.record.reading import KeptReading

FloatArray = NDArray[np.float64]
SEED = 500_000


# ---- one pool ---------------------------------------------------------------------------------------------


@dataclass
class Run:
    world: VirtualPool
    problem: Problem
    obs: Observations
    leads: LeadFields
    answer: Answer
    seconds: float

    @property
    def best(self) -> Leak | None:
        return self.answer.leaks[0] if self.answer.leaks else self.answer.doubtful


@dataclass
class Ground:
    """What several runs over one pool share: its liner and the lead fields of its places."""

    liner: LinerGrid
    lead_fields: dict[tuple[float, ...], LeadField] = field(default_factory=dict)


def ground_of(world: VirtualPool) -> Ground:
    return Ground(liner_grid(world.pool, LocateSettings().cell_m))


def answer_to(
    world: VirtualPool, ground: Ground, readings: list[KeptReading], settings: LocateSettings | None = None
) -> Run:
    settings = settings or LocateSettings(max_leaks=1, head=world.errors.head)
    problem = make_problem(world.pool, settings, None, ground.liner)
    data: dict[str, StationData] = {}
    # Lead fields also hold the sources: they serve only pools with the same ones.
    for reading in readings:
        add_reading(problem, data, reading, ground.lead_fields)
    obs, leads = pack(problem, list(data.values()))
    begin = time.process_time()
    answer = decision.solve(problem, obs, leads)
    return Run(world, problem, obs, leads, answer, time.process_time() - begin)


def read_all(
    world: VirtualPool, places: list[tuple[FloatArray, float]], wrong_station: bool = False
) -> list[list[KeptReading]]:
    """Readings of each station, two placements, three axes. `wrong_station`: the fourth was read elsewhere."""
    result = []
    for k, (centre, bearing) in enumerate(places):
        truth = places[(k + len(places) // 2) % len(places)][0] if wrong_station and k == 3 else None
        result.append(world.measure(centre, bearing, f"s{k}", truth_centre=truth))
    return result


def part(stations: list[list[KeptReading]], count: int, placements: int = 2, axes: int = 3) -> list[KeptReading]:
    """The first stations' readings of the first placements and axes."""
    kept = []
    for one in stations[:count]:
        for place in range(placements):
            kept += [r for r in one if r.source_id == place][:axes]
    return kept


def run_pool(
    world: VirtualPool,
    stations: int,
    *,
    layout: str = "random",
    placements: int = 2,
    axes: int = 3,
    settings: LocateSettings | None = None,
    wrong_station: bool = False,
    ground: Ground | None = None,
) -> Run:
    read = read_all(world, random_stations(world, stations, layout), wrong_station)
    return answer_to(world, ground or ground_of(world), part(read, stations, placements, axes), settings)


def bound_m(run: Run) -> float:
    """Cramer-Rao bound (Bayesian: priors on poses and fitting places count) of the leak's place along the liner:
    the root of the trace of the inverse information, poses, fitting places and all currents unknown."""
    world, problem = run.world, run.problem
    place, current = world.leaks[0]
    cells = problem.grid.fine
    near = int(np.argmin(((cells.centre_m - place) ** 2).sum(1)))
    model = make_model(problem, run.obs, run.leads, problem.fittings)
    state = model.start()
    state.current_mA = world.fitting_mA[None].copy()
    for k, (sink, true) in enumerate(zip(problem.fittings, world.fitting_true, strict=True)):
        state.offset_m[0, k] = sink.tangent @ (true - sink.position_m)
    candidate = candidates.start(model, np.array([near]), cells, state, np.array([current]))
    candidate.position_m[0] = place
    candidates.step(model, candidate, 10.0)
    return float(np.sqrt(np.trace(candidate.place_covariance[0])))


def held(run: Run, content: float) -> bool:
    """Is the true place in the smallest region of that probability?"""
    assert run.best is not None
    patches = run.best.patches
    away = np.abs(patches.place_m[region_patches(patches, content)] - run.world.leaks[0][0])
    # In the liner's plane a patch reaches half its size from its centre; the rows of cells on a wall are only about
    # that high, hence the little more.
    return bool((away.max(1) <= 0.51 * patches.size_m + 0.002).any())


def line(name: str, values: list[str]) -> None:
    print(f"{name:34s} " + "  ".join(values), flush=True)


# ---- sections ---------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What is counted over many pools with one leak each."""

    title: str
    error: list[float] = field(default_factory=list)
    bound: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)
    certain: list[bool] = field(default_factory=list)
    fittings: list[int] = field(default_factory=list)
    share: list[float] = field(default_factory=list)
    current_in: list[bool] = field(default_factory=list)
    shares_in: list[bool] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def add(self, run: Run, bound: bool = True) -> None:
        best = run.best
        assert best is not None
        place, q = run.world.leaks[0]
        self.error.append(float(np.linalg.norm(best.position_m - place)))
        if bound:
            self.bound.append(bound_m(run))
        self.inside.append(held(run, 0.9))
        self.found.append(bool(run.answer.leaks))
        self.certain.append(self.found[-1] and best.certain and run.answer.fits)
        self.fittings.append(len(run.problem.fittings))
        self.share.append(q / run.world.injected_mA)
        _, low, high = leak_current(run.problem, best)
        self.current_in.append(low * 1e3 <= q <= high * 1e3)
        counts = decision.count_probabilities(run.answer, run.problem.settings.detection_threshold)
        for k, one in enumerate(make_budget(run.problem, run.answer, counts).fittings):
            true = float(run.world.fitting_mA[:, k].mean())
            self.shares_in.append(one.interval_A[0] * 1e3 <= true <= one.interval_A[1] * 1e3)
        self.seconds.append(run.seconds)

    def show(self) -> None:
        if not self.error:
            print(f"\nno pool with a leak among them, {self.title}")
            return
        e, f, inside = np.array(self.error), np.array(self.found), np.array(self.inside)
        n, big, c = np.array(self.fittings), np.array(self.share) > 0.1, np.array(self.certain)
        print(f"\n{len(e)} pools, {self.title}")
        line("error, all pools", [f"median {np.median(e):.3f} m", f"90th percentile {np.quantile(e, 0.9):.3f} m"])
        if f.any():
            line("error, leak declared", [f"median {np.median(e[f]):.3f} m", f"90th {np.quantile(e[f], 0.9):.3f} m"])
        if self.bound:
            b = np.array(self.bound)
            ratio = e / np.maximum(b, 1e-3)
            line(
                "Cramer-Rao bound", [f"median {np.median(b):.3f} m", f"median of error / bound {np.median(ratio):.2f}"]
            )
        line("90 % region holds the truth", [percent(inside)])
        line("leak's 90 % current interval", [percent(self.current_in)])
        line("fittings' 90 % share intervals", [f"{percent(self.shares_in)} of {len(self.shares_in)}"])
        line("leaks found", [percent(f), f"above a tenth of the current {percent(f[big])}"])
        if c.any():
            within = f"within 0.15 m {percent(e[c] <= 0.15)}"
            line("called found", [f"{percent(c)} of pools", within, f"worst {e[c].max():.2f} m"])
        for k in range(5):
            s = n == k
            if s.any():
                line(
                    f"  {k} fittings ({s.sum()} pools)",
                    [f"median {np.median(e[s]):.3f} m", f"90th {np.quantile(e[s], 0.9):.2f} m",
                     f"found {percent(f[s])}", f"region {percent(inside[s])}"],
                )  # fmt: skip
        line("seconds of CPU per search", [f"mean {np.mean(self.seconds):.2f}"])


def due(count: int, args: argparse.Namespace) -> bool:
    """Time to print what there is so far: long runs may be cut short."""
    return count % 10 == 0 or count == args.pools


def percent(values: Sequence[bool] | NDArray[np.bool_]) -> str:
    return f"{100 * np.mean(values):.1f} %" if len(values) else "none"


def section_location(args: argparse.Namespace) -> None:
    designs = ((2, 3), (1, 1))
    for layout in args.layouts:
        tallies = {
            (count, design): Tally(f"{count} stations ({layout}), {design[0]} placement(s), {design[1]} axis/axes")
            for count in args.stations
            for design in designs
        }
        for k, seed in enumerate(range(args.seed, args.seed + args.pools), start=1):
            world = random_pool(seed)
            ground = ground_of(world)
            read = read_all(world, random_stations(world, max(args.stations), layout))
            for (count, design), tally in tallies.items():
                if design == (1, 1) and k > args.single:
                    continue
                tally.add(answer_to(world, ground, part(read, count, *design)))
            if k % 50 == 0 or k == args.pools:
                print(f"\n== after {k} pools")
                for tally in tallies.values():
                    tally.show()


#: So many leak-free pools share shape, source places and stations (not fittings, currents, conductivity or errors), so
#: that lead fields are learnt once for all of them.
SHARE_SHAPE = 10


def section_false_alarm(args: argparse.Namespace) -> None:
    threshold, stations = LocateSettings().detection_threshold, args.stations[0]
    gain: list[float] = []
    for k in range(args.pools):
        seed = args.seed + 10_000 + k
        if k % SHARE_SHAPE == 0:
            world = model = random_pool(seed, leaks=0)
            ground, places = ground_of(world), random_stations(world, stations)
        else:
            world = random_pool(seed, leaks=0, like=model)
        run = answer_to(world, ground, part(read_all(world, places), stations))
        gain.append(run.answer.log_evidence[0])
        if (k + 1) % 100 == 0 or k + 1 == args.pools:
            g = np.array(gain)
            print(f"\n{k + 1} leak-free pools, {stations} stations")
            line("false leaks", [f"{100 * np.mean(g >= threshold):.2f} % above the detection threshold of {threshold}"])
            quantiles = (0.5, 0.9, 0.95, 0.985, 0.995)
            line("log evidence quantiles", [f"{q:.3f}: {np.quantile(g, q):.2f}" for q in quantiles])


def section_robust(args: argparse.Namespace) -> None:
    cases = {
        "fittings off by 0.1 m, depth wrong by 0.1 m, gain + 3 %": Errors(depth_bias_m=0.1, gain=1.03),
        "tilt 5 degrees": Errors(tilt_deg=5.0),
        "fittings' shares differ by 10 %": Errors(share=0.1),
        "one station read at another's place": Errors(),
    }
    wrong = list(cases)[-1]
    tallies = {name: Tally(f"{args.stations[0]} stations, {name}") for name in cases}
    named = []
    for seed in range(args.seed, args.seed + args.pools):
        ground: Ground | None = None
        for name, errors in cases.items():
            world = random_pool(seed, errors=errors)
            ground = ground or ground_of(world)
            run = run_pool(world, args.stations[0], ground=ground, wrong_station=name == wrong)
            tallies[name].add(run, bound=False)
        named.append([run.obs.names[s] for s, _ in run.answer.suspects] == ["s3"])
        if due(len(named), args):
            for tally in tallies.values():
                tally.show()
            line("the wrong station, and only it, named", [percent(named)])


def section_two(args: argparse.Namespace) -> None:
    settings = LocateSettings()
    both, near, extra, seconds = [], [], 0, []
    for seed in range(args.seed + 20_000, args.seed + 20_000 + args.pools):
        world = random_pool(seed, leaks=2, min_share=0.1)
        run = run_pool(world, args.stations[-1], settings=settings)
        leaks = run.answer.leaks
        extra += len(leaks) > 2
        error = [min((float(np.linalg.norm(one.position_m - p)) for one in leaks), default=9.0) for p, _ in world.leaks]
        both.append(len(leaks) >= 2)
        near.append(len(leaks) >= 2 and max(error) <= 0.5)
        seconds.append(run.seconds)
        if not due(len(both), args):
            continue
        what = f"two leaks >= 1 m apart, each >= a tenth of the current, {args.stations[-1]} stations"
        print(f"\n{len(both)} pools with {what}")
        line("two found", [f"{100 * np.mean(both):.0f} %", f"both within 0.5 m {100 * np.mean(near):.0f} %"])
        line("more than two claimed", [f"{100 * extra / len(both):.0f} %"])
        line("seconds of CPU per search", [f"mean {np.mean(seconds):.2f}"])


@dataclass
class Visit:
    """What a guided survey came to, station by station."""

    error: list[float] = field(default_factory=list)
    radius: list[float] = field(default_factory=list)
    told: int | None = None
    """Number of stations when first called found."""
    choose_s: list[float] = field(default_factory=list)


def section_guided(args: argparse.Namespace) -> None:
    first_stay: list[int] = []
    at16: list[bool] = []
    visits: list[Visit] = []
    sweep: list[int] = []
    reached: list[int] = []
    for seed in range(args.seed + 30_000, args.seed + 30_000 + args.pools):
        world = random_pool(seed)
        ground = ground_of(world)
        visit = guided_visit(world, args.most, ground)
        visits.append(visit)
        good = np.array(visit.error) <= 0.15
        first_stay.append(next((k + 1 for k in range(len(good)) if good[k:].all()), 999))
        at16.append(visit.error[min(15, len(visit.error) - 1)] <= 0.25)
        around = sweep_places(world, 0.6)
        sweep.append(len(around))
        best = answer_to(world, ground, part(read_all(world, around), len(around))).best
        # The sweep's 90 % radius is the certainty to be had from as few guided stations as possible.
        wanted = 9.0 if best is None else best.radius_m
        reached.append(next((k + 1 for k, r in enumerate(visit.radius) if r <= max(wanted, 0.03)), 999))
        if not due(len(first_stay), args):
            continue
        s = np.array(first_stay)
        print(f"\nguided survey, {len(first_stay)} pools, up to {args.most} stations")
        line(
            "stations until within 0.15 m to stay",
            [f"median {np.median(s):.0f}", f"never {100 * np.mean(s > 99):.0f} %"],
        )
        line("within 0.25 m at 16 stations", [f"{100 * np.mean(at16):.0f} %"])
        told = [(v.told, v.error[v.told - 1]) for v in visits if v.told is not None]
        if told:
            d, e = np.array(told).T
            line(
                "declared found",
                [f"{100 * len(d) / len(s):.0f} % of pools", f"median at station {np.median(d):.0f}"],
            )
            line(
                "error when declared",
                [f"within 0.15 m {100 * np.mean(e <= 0.15):.0f} % of {len(e)}", f"worst {e.max():.2f} m"],
            )
        later = [e for v in visits if v.told for e in v.error[v.told - 1 :]]
        if later:
            line("error at all stations from then on", [f"worst {max(later):.2f} m"])
        ratio = np.array(reached) / np.array(sweep)
        line(
            "perimeter sweep at 0.6 m",
            [f"{np.mean(sweep):.0f} stations", f"as certain by guidance: median {np.median(reached):.0f} stations"],
        )
        line(
            "share of the sweep's readings",
            [f"median {np.median(ratio):.2f}", f"at most a third in {100 * np.mean(ratio <= 1 / 3):.0f} %"],
        )
        choose = [t for v in visits for t in v.choose_s]
        line(
            "choosing the next station",
            [f"median {1e3 * np.median(choose):.0f} ms", f"worst {1e3 * max(choose):.0f} ms"],
        )


def sweep_places(world: VirtualPool, step_m: float, off_m: float = 0.3) -> list[tuple[FloatArray, float]]:
    """All around the pool beside the wall, front end toward it, two depths in turn: what everybody does by hand."""
    L, W, D = world.size
    corners = [(off_m, off_m), (L - off_m, off_m), (L - off_m, W - off_m), (off_m, W - off_m)]
    places = []
    for k, bearing in enumerate((-90.0, 0.0, 90.0, 180.0)):
        a, b = np.array(corners[k]), np.array(corners[(k + 1) % 4])
        count = max(1, round(float(np.linalg.norm(b - a)) / step_m))
        places += [(a + (b - a) * j / count, bearing) for j in range(count)]
    return [
        (np.array([x, y, np.clip((0.35, 0.75)[j % 2] * D, 0.25, D - 0.2)]), bearing)
        for j, ((x, y), bearing) in enumerate(places)
    ]


def guided_visit(world: VirtualPool, most: int, ground: Ground | None = None, to_the_end: bool = True) -> Visit:
    """A technician who goes where the instrument says; not `to_the_end`: until it says found. Errors are 9 m without a
    place."""
    settings = LocateSettings(max_leaks=1, head=world.errors.head)
    survey = Survey(world.pool, settings, None, None if ground is None else ground.liner)
    if ground is not None:
        survey._lead_fields = ground.lead_fields
    visit = Visit()
    true = world.leaks[0][0]
    place = first_place(world.pool, survey.places.centre_m)
    for k in range(most):
        assert place.bearing_deg is not None
        for reading in world.measure(np.array(place.position_m), place.bearing_deg, f"g{k}"):
            survey.add(reading)
        result = survey.result(coverage=False, guidance=False)
        answer = survey.last_answer
        best = None if answer is None else (answer.leaks[0] if answer.leaks else answer.doubtful)
        visit.error.append(9.0 if best is None else float(np.linalg.norm(best.position_m - true)))
        visit.radius.append(9.0 if best is None else best.radius_m)
        if result.verdict == "found" and visit.told is None:
            visit.told = k + 1
            if not to_the_end:
                break
        begin = time.process_time()
        place = survey.next_station()
        visit.choose_s.append(time.process_time() - begin)
    return visit


@dataclass
class Planted:
    """A sink put into a leak-free pool at a patch whose limit was limit_mA: what the same survey says with it."""

    planted_mA: float
    limit_mA: float
    declared: bool
    excluded: bool


def plant(world: VirtualPool, layout: list[tuple[FloatArray, float]], times: float, plants: int) -> list[Planted]:
    """Sinks of `times` the limit at random patches, one at a time; the fittings give up what it takes."""
    settings = LocateSettings(max_leaks=1, head=world.errors.head)

    def survey_of(pool_: VirtualPool, like: Survey | None) -> Survey:
        survey = Survey(pool_.pool, settings, None, None if like is None else like.problem.liner)
        if like is not None:
            survey._lead_fields = like._lead_fields
        for k, (centre, bearing) in enumerate(layout):
            for reading in pool_.measure(centre, bearing, f"s{k}"):
                survey.add(reading)
        return survey

    first = survey_of(world, None)
    cover = first.result(guidance=False).coverage
    assert cover is not None
    places = np.array([c.position_m for c in cover.cells])
    limit = np.array([c.limit_A for c in cover.cells]) * 1e3
    result = []
    for _ in range(plants):
        at = int(np.argmin(((places - liner_point(world.rng, world.size)) ** 2).sum(1)))
        strength = times * float(limit[at])
        if strength > 0.3 * world.injected_mA:
            continue  # such a leak would be most of the current: found without any search
        other = replace(
            world,
            leaks=[(places[at], strength)],
            fitting_mA=world.fitting_mA * (1 - strength / world.injected_mA),
            rng=np.random.default_rng(int(world.rng.integers(1 << 31))),
        )
        again = survey_of(other, first)
        now = again.result(guidance=False).coverage
        answer = again.last_answer
        assert now is not None and answer is not None
        declared = bool(answer.leaks)
        excluded = not declared and now.cells[at].limit_A * 1e3 < strength
        result.append(Planted(strength, float(limit[at]), declared, excluded))
    return result


def section_limits(args: argparse.Namespace) -> None:
    """Sinks planted at a patch's upper limit (wrongly excluded?) and at twice it (declared?), in leak-free pools."""
    done: dict[float, list[Planted]] = {1.0: [], 2.0: []}
    for seed in range(args.seed + 40_000, args.seed + 40_000 + args.pools):
        for times in done:
            world = random_pool(seed, leaks=0)
            done[times] += plant(world, random_stations(world, args.stations[0]), times, args.plants)
        if due(seed - args.seed - 40_000 + 1, args):
            for times, all_ in done.items():
                strength = f"{len(all_)} sinks, median {np.median([p.planted_mA for p in all_]):.2f} mA"
                told = [
                    "declared " + percent([p.declared for p in all_]),
                    "excluded " + percent([p.excluded for p in all_]),
                ]
                line(f"planted at {times:.0f} x the limit", [strength, *told])


def section_speed(args: argparse.Namespace) -> None:
    """CPU time of one more station's readings, process time, one core. On a busy machine the calibration line says how
    busy."""
    start_MB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"calibration: 1000 x 1000 matrix product {1e3 * calibration():.0f} ms (about 50 on a quiet 2.x GHz core)")
    for stations, label in ((7, "about 40 rows"), (20, "120 rows"), (40, "240 rows")):
        add: list[float] = []
        setup = []
        updates = Updates(f"{stations} stations ({label})")
        repeat = args.repeat if stations < 40 else -(-args.repeat // 4)
        for seed in range(args.seed + 50_000, args.seed + 50_000 + repeat):
            world = random_pool(seed, fittings=2)
            begin = time.process_time()
            survey = Survey(world.pool)
            setup.append(time.process_time() - begin)
            for k, (centre, bearing) in enumerate(random_stations(world, stations + 1)):
                rows = world.measure(centre, bearing, f"s{k}")
                begin = time.process_time()
                for reading in rows:
                    survey.add(reading)
                add.append(time.process_time() - begin)
                if k == stations - 1:
                    survey.result()
            updates.add(seed, survey)
        for name, values in updates.lines():
            line(name, values)
        line("  set-up; a new station", [f"{np.median(setup):.2f} s; {1e3 * np.median(add):.0f} ms"])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line("peak memory of this process", [f"{peak:.0f} MB", f"{peak - start_MB:.0f} MB more than before the first pool"])


def calibration() -> float:
    a = np.random.default_rng(0).normal(size=(1000, 1000))
    spent = []
    for _ in range(5):
        begin = time.process_time()
        a @ a
        spent.append(time.process_time() - begin)
    return float(np.median(spent))


SECTIONS = {
    "location": section_location,
    "false-alarm": section_false_alarm,
    "robust": section_robust,
    "two": section_two,
    "guided": section_guided,
    "limits": section_limits,
    "speed": section_speed,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("section", choices=[*SECTIONS, "all"], nargs="?", default="all")
    parser.add_argument("--pools", type=int, default=40)
    parser.add_argument("--stations", type=int, nargs="+", default=[20, 40])
    parser.add_argument("--single", type=int, default=60, help="pools for one placement, one axis")
    parser.add_argument("--layouts", nargs="+", default=["random"])
    parser.add_argument("--most", type=int, default=16)
    parser.add_argument("--plants", type=int, default=2)
    parser.add_argument("--repeat", type=int, default=3, help="pools a line of `speed` (40 stations: a quarter)")
    parser.add_argument("--seed", type=int, default=SEED)
    args = parser.parse_args()
    for name in SECTIONS if args.section == "all" else [args.section]:
        SECTIONS[name](args)


if __name__ == "__main__":
    main()
