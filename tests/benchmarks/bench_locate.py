"""Location, guidance, budget and coverage on seeded virtual pools. Prints figures; nothing here is a test.

    python tests/benchmarks/bench_locate.py location --pools 200 --stations 20 40 --seed 500000
    python tests/benchmarks/bench_locate.py false-alarm --pools 1000 --stations 20
    python tests/benchmarks/bench_locate.py guided --pools 60
    python tests/benchmarks/bench_locate.py two --pools 60
    python tests/benchmarks/bench_locate.py coverage --pools 40
    python tests/benchmarks/bench_locate.py robust --pools 60
    python tests/benchmarks/bench_locate.py speed

Default seeds are evaluation seeds: settings were chosen on seeds below 10,000 only. Every pool is a level box of
random size, conductivity, fittings and leak (see virtual_pools.py); the search knows nominal poses only.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from virtual_pools import Errors, VirtualPool, liner_point, random_pool, random_stations

from earthward.survey import batch, engine, guide, locate
from earthward.survey.engine import Problem
from earthward.survey.locate import Answer, Leak, Survey
from earthward.survey.model import Leads, Rows, State
from earthward.survey.types import LocateSettings

FloatArray = NDArray[np.float64]
SEED = 500_000


# ---- one pool ---------------------------------------------------------------------------------------------


@dataclass
class Run:
    world: VirtualPool
    problem: Problem
    rows: Rows
    leads: Leads
    answer: Answer
    seconds: float

    @property
    def best(self) -> Leak | None:
        return self.answer.leaks[0] if self.answer.leaks else self.answer.doubtful


def run_pool(
    world: VirtualPool,
    stations: int,
    *,
    layout: str = "random",
    placements: int = 2,
    axes: int = 3,
    settings: LocateSettings | None = None,
    wrong_station: bool = False,
) -> Run:
    settings = settings or LocateSettings(max_leaks=1)
    problem = engine.make_problem(world.pool, settings)
    data: dict[str, engine.StationData] = {}
    places = random_stations(world, stations, layout)
    for k, (centre, bearing) in enumerate(places):
        truth = places[(k + stations // 2) % stations][0] if wrong_station and k == 3 else None
        for reading in world.measure(centre, bearing, f"s{k}", axes, placements, truth_centre=truth):
            engine.add_reading(problem, data, reading)
    rows, leads = engine.pack(problem, list(data.values()))
    begin = time.process_time()
    answer = locate.solve(problem, rows, leads)
    return Run(world, problem, rows, leads, answer, time.process_time() - begin)


def bound_m(run: Run) -> float:
    """Cramer-Rao bound (Bayesian: priors on poses and fitting places count) of the leak's place along the liner:
    the root of the trace of the inverse information, poses, fitting places and all currents unknown."""
    world, problem = run.world, run.problem
    place, current = world.leaks[0]
    cells = problem.grid.fine
    near = int(np.argmin(((cells.centre_m - place) ** 2).sum(1)))
    part = run.leads.cells[:, :, problem.grid.fine_index[[near]]]
    known = len(problem.fittings)
    fit_mA = world.fitting_mA
    state = State(
        np.zeros((run.rows.stations, 6)),
        np.array(
            [
                sink.tangent @ (true - sink.position_m)
                for sink, true in zip(problem.fittings, world.fitting_true, strict=True)
            ]
        ).reshape(known, 2),
        fit_mA,
    )
    candidate = batch.start(
        np.array([near]),
        place[None],
        cells.tangent[[near]],
        np.einsum("sbnc,nc->sbn", part, problem.grid.fine_weight[[near]]),
        np.einsum("sbnc,nct->sbnt", part, problem.grid.fine_slope[[near]]),
        state,
        np.array([current]),
        len(problem.sources_m),
    )
    batch.step(
        run.leads, run.rows, problem.fittings, problem.sources_m, problem.resistivity, problem.priors, candidate, 10.0
    )
    return float(np.sqrt(np.trace(candidate.place_covariance[0])))


def held(run: Run, content: float) -> bool:
    """Is the true place in the smallest region of that probability?"""
    assert run.best is not None
    cells = run.problem.grid.fine
    near = int(np.argmin(((cells.centre_m - run.world.leaks[0][0]) ** 2).sum(1)))
    return near in set(locate.region_cells(run.best.probability, content).tolist())


def line(name: str, values: list[str]) -> None:
    print(f"{name:34s} " + "  ".join(values), flush=True)


# ---- sections ---------------------------------------------------------------------------------------------


def section_location(args: argparse.Namespace) -> None:
    for stations in args.stations:
        for layout in args.layouts:
            error, bound, inside, found, count, share, gap, current_in, shares, seconds = ([] for _ in range(10))
            certain = []
            for seed in range(args.seed, args.seed + args.pools):
                run = run_pool(random_pool(seed), stations, layout=layout, placements=args.placements, axes=args.axes)
                assert run.best is not None
                place, q = run.world.leaks[0]
                error.append(float(np.linalg.norm(run.best.position_m - place)))
                bound.append(bound_m(run))
                inside.append(held(run, 0.9))
                found.append(bool(run.answer.leaks))
                count.append(len(run.problem.fittings))
                share.append(q / run.world.injected_mA)
                certain.append(found[-1] and run.best.radius_m < locate.FOUND_RADIUS_M)
                gap.append(min((float(np.linalg.norm(f - place)) for f in run.world.fitting_true), default=9.0))
                _, low, high = locate.leak_current(run.problem, run.answer, run.best, 0)
                current_in.append(low * 1e3 <= q <= high * 1e3)
                budget = locate.make_budget(
                    run.problem, run.answer, locate.count_probabilities(run.answer, run.problem.settings.gate)
                )
                for k, one in enumerate(budget.fittings):
                    true = float(run.world.fitting_mA[:, k].mean())
                    shares.append(one.interval_A[0] * 1e3 <= true <= one.interval_A[1] * 1e3)
                seconds.append(run.seconds)
            e, b, f = np.array(error), np.array(bound), np.array(found)
            n, big, c = np.array(count), np.array(share) > 0.1, np.array(certain)
            ratio = e / np.maximum(b, 1e-3)
            print(
                f"\n{args.pools} pools, {stations} stations ({layout}), {args.placements} placements, {args.axes} axes"
            )
            line("error, all pools", [f"median {np.median(e):.3f} m", f"90th percentile {np.quantile(e, 0.9):.3f} m"])
            line("error, leak declared", [f"median {np.median(e[f]):.3f} m", f"90th {np.quantile(e[f], 0.9):.3f} m"])
            line(
                "Cramer-Rao bound", [f"median {np.median(b):.3f} m", f"median of error / bound {np.median(ratio):.2f}"]
            )
            line("90 % region holds the truth", [f"{100 * np.mean(inside):.1f} %"])
            line("leak's 90 % current interval", [f"{100 * np.mean(current_in):.1f} %"])
            line("fittings' 90 % share intervals", [f"{100 * np.mean(shares):.1f} % of {len(shares)}"])
            line(
                "leaks found", [f"{100 * f.mean():.1f} %", f"above a tenth of the current {100 * f[big].mean():.1f} %"]
            )
            if c.any():
                line(
                    "declared found",
                    [
                        f"{100 * c.mean():.0f} % of pools",
                        f"within 0.15 m {100 * np.mean(e[c] <= 0.15):.1f} %",
                        f"worst {e[c].max():.2f} m",
                    ],
                )
            for k in range(5):
                s = n == k
                if s.any():
                    line(
                        f"  {k} fittings ({s.sum()} pools)",
                        [f"median {np.median(e[s]):.3f} m", f"90th {np.quantile(e[s], 0.9):.2f} m",
                         f"found {100 * f[s].mean():.0f} %", f"region {100 * np.mean(np.array(inside)[s]):.0f} %"],
                    )  # fmt: skip
            line("seconds of CPU per search", [f"mean {np.mean(seconds):.2f}"])


def section_false_alarm(args: argparse.Namespace) -> None:
    for stations in args.stations:
        gain = []
        for seed in range(args.seed + 10_000, args.seed + 10_000 + args.pools):
            run = run_pool(random_pool(seed, leaks=0), stations)
            gain.append(run.answer.log_evidence[0])
        g = np.array(gain)
        gate = LocateSettings().gate
        print(f"\n{args.pools} leak-free pools, {stations} stations")
        line("false leaks", [f"{100 * np.mean(g >= gate):.2f} % at the gate of {gate}"])
        line("log evidence quantiles", [f"{q:.3f}: {np.quantile(g, q):.2f}" for q in (0.5, 0.9, 0.95, 0.985, 0.995)])


def section_robust(args: argparse.Namespace) -> None:
    cases = {
        "depth wrong by 0.1 m, gain + 3 %": Errors(depth_bias_m=0.1, gain=1.03),
        "tilt 5 degrees": Errors(tilt_deg=5.0),
        "fittings' shares differ by 10 %": Errors(share=0.1),
    }
    for name, errors in cases.items():
        inside, error = [], []
        for seed in range(args.seed, args.seed + args.pools):
            run = run_pool(random_pool(seed, errors=errors), args.stations[0])
            inside.append(held(run, 0.9))
            assert run.best is not None
            error.append(float(np.linalg.norm(run.best.position_m - run.world.leaks[0][0])))
        print(f"\n{args.pools} pools, {args.stations[0]} stations, {name}")
        line("error", [f"median {np.median(error):.3f} m", f"90th {np.quantile(error, 0.9):.2f} m"])
        line("90 % region holds the truth", [f"{100 * np.mean(inside):.1f} %"])
    named, error, inside = [], [], []
    for seed in range(args.seed, args.seed + args.pools):
        run = run_pool(random_pool(seed), args.stations[0], wrong_station=True)
        named.append([run.rows.names[s] for s, _ in run.answer.suspects] == ["s3"])
        inside.append(held(run, 0.9))
        assert run.best is not None
        error.append(float(np.linalg.norm(run.best.position_m - run.world.leaks[0][0])))
    print(f"\n{args.pools} pools, {args.stations[0]} stations, one of them read at another station's place")
    line("the wrong station, and only it, named", [f"{100 * np.mean(named):.0f} %"])
    line("error", [f"median {np.median(error):.3f} m", f"90th {np.quantile(error, 0.9):.2f} m"])
    line("90 % region holds the truth", [f"{100 * np.mean(inside):.1f} %"])


def section_two(args: argparse.Namespace) -> None:
    settings = LocateSettings()
    both, near, extra = [], [], 0
    for seed in range(args.seed + 20_000, args.seed + 20_000 + args.pools):
        world = random_pool(seed, leaks=2, min_share=0.1)
        run = run_pool(world, args.stations[-1], settings=settings)
        leaks = run.answer.leaks
        extra += len(leaks) > 2
        error = [min((float(np.linalg.norm(one.position_m - p)) for one in leaks), default=9.0) for p, _ in world.leaks]
        both.append(len(leaks) >= 2)
        near.append(len(leaks) >= 2 and max(error) <= 0.5)
    what = f"two leaks >= 1 m apart, each >= a tenth of the current, {args.stations[-1]} stations"
    print(f"\n{args.pools} pools with {what}")
    line("two found", [f"{100 * np.mean(both):.0f} %", f"both within 0.5 m {100 * np.mean(near):.0f} %"])
    line("more than two claimed", [f"{100 * extra / args.pools:.0f} %"])


def section_guided(args: argparse.Namespace) -> None:
    first_stay, at16, declared, certain_error, choose = [], [], [], [], []
    sweep = []
    for seed in range(args.seed + 30_000, args.seed + 30_000 + args.pools):
        world = random_pool(seed)
        errors = guided_visit(world, args.most, declared, certain_error, choose)
        good = np.array(errors) <= 0.15
        stay = next((k + 1 for k in range(len(good)) if good[k:].all()), None)
        first_stay.append(stay if stay is not None else 999)
        at16.append(errors[min(15, len(errors) - 1)] <= 0.25)
        L, W, _ = world.size
        sweep.append(2 * (L + W - 1.2) / 0.6)
    s = np.array(first_stay)
    print(f"\nguided survey, {args.pools} pools, up to {args.most} stations")
    line("stations until within 0.15 m to stay", [f"median {np.median(s):.0f}", f"never {100 * np.mean(s > 99):.0f} %"])
    line("within 0.25 m at 16 stations", [f"{100 * np.mean(at16):.0f} %"])
    d = np.array([x for x in declared if x is not None])
    e = np.array(certain_error)
    line("declared found", [f"{100 * len(d) / args.pools:.0f} % of pools", f"median at station {np.median(d):.0f}"])
    if len(e):
        line("error when declared", [f"within 0.15 m {100 * np.mean(e <= 0.15):.0f} %", f"worst {e.max():.2f} m"])
    line("perimeter sweep at 0.6 m", [f"{np.mean(sweep):.0f} stations", f"ratio {np.median(s) / np.mean(sweep):.2f}"])
    line("choosing the next station", [f"median {1e3 * np.median(choose):.0f} ms", f"worst {1e3 * max(choose):.0f} ms"])


def guided_visit(
    world: VirtualPool, most: int, declared: list[int | None], certain_error: list[float], choose: list[float]
) -> list[float]:
    """A technician who goes where the instrument says. Returns the error after each station (9 without a place)."""
    survey = Survey(world.pool, LocateSettings(max_leaks=1))
    errors: list[float] = []
    told: int | None = None
    true = world.leaks[0][0]
    place = guide.first_place(world.pool, survey.places)
    for k in range(most):
        for reading in world.measure(np.array(place.position_m), place.bearing_deg, f"g{k}"):
            survey.add(reading)
        result = survey.result(coverage=False, guidance=False)
        answer = survey.last_answer
        best = None if answer is None else (answer.leaks[0] if answer.leaks else answer.doubtful)
        errors.append(9.0 if best is None else float(np.linalg.norm(best.position_m - true)))
        if result.verdict == "found" and told is None:
            told = k + 1
            certain_error.append(errors[-1])
        begin = time.process_time()
        place = survey.next_station()
        choose.append(time.process_time() - begin)
    declared.append(told)
    return errors


def section_coverage(args: argparse.Namespace) -> None:
    """Plant a sink of exactly the stated detectable current at a random covered cell of a leak-free pool."""
    hit, used = [], []
    for seed in range(args.seed + 40_000, args.seed + 40_000 + args.pools):
        world = random_pool(seed, leaks=0)
        layout = random_stations(world, args.stations[0])
        state = world.rng.bit_generator.state
        survey = Survey(world.pool, LocateSettings(max_leaks=1))
        for k, (centre, bearing) in enumerate(layout):
            for reading in world.measure(centre, bearing, f"s{k}"):
                survey.add(reading)
        cover = survey.result(guidance=False).coverage
        assert cover is not None
        spots = np.array([c.position_m for c in cover.cells])
        strength = np.array([c.detectable_A for c in cover.cells]) * 1e3
        for _ in range(args.plants):
            at = int(np.argmin(((spots - liner_point(world.rng, world.size)) ** 2).sum(1)))
            if strength[at] > 0.3 * world.injected_mA:
                continue
            planted = random_pool(seed, leaks=0)
            planted.leaks = [(spots[at], float(strength[at]))]
            planted.fitting_mA = planted.fitting_mA * (1 - strength[at] / planted.injected_mA)
            planted.rng = np.random.default_rng(int(world.rng.integers(1 << 31)))
            again = Survey(planted.pool, LocateSettings(max_leaks=1))
            for k, (centre, bearing) in enumerate(layout):
                for reading in planted.measure(centre, bearing, f"s{k}"):
                    again.add(reading)
            again.result(coverage=False, guidance=False)
            answer = again.last_answer
            assert answer is not None
            hit.append(bool(answer.leaks))
            used.append(strength[at])
        _ = state
    print(f"\ncoverage: {len(hit)} sinks planted at the stated detectable current, {args.stations[0]} stations")
    line("found", [f"{100 * np.mean(hit):.0f} %", f"median planted {np.median(used):.2f} mA"])
    share = []
    for placements in (1, 2):
        for seed in range(args.seed + 40_000, args.seed + 40_000 + min(args.pools, 12)):
            world = random_pool(seed, leaks=0)
            survey = Survey(world.pool, LocateSettings(max_leaks=1))
            for k, (centre, bearing) in enumerate(random_stations(world, 40)):
                for reading in world.measure(centre, bearing, f"s{k}", 3, placements):
                    survey.add(reading)
            cover = survey.result(guidance=False).coverage
            assert cover is not None
            share.append(cover.fraction_at_reference)
        line(f"liner covered at 0.3 mA, {placements} placement(s)", [f"{100 * np.mean(share):.0f} %"])
        share = []


def section_speed(args: argparse.Namespace) -> None:
    """CPU time of one more reading, process time, one core."""
    for stations, label in ((7, "about 40 rows"), (20, "120 rows"), (40, "240 rows, 40 stations")):
        world = random_pool(args.seed + 50_000, fittings=2)
        begin = time.process_time()
        survey = Survey(world.pool)
        setup = time.process_time() - begin
        add, update = [], []
        for k, (centre, bearing) in enumerate(random_stations(world, stations + 3)):
            begin = time.process_time()
            for reading in world.measure(centre, bearing, f"s{k}"):
                survey.add(reading)
            add.append(time.process_time() - begin)
            if k >= stations - 2:
                begin = time.process_time()
                survey.result()
                update.append(time.process_time() - begin)
        line(
            f"update at {stations} stations ({label})",
            [f"set-up {setup:.2f} s", f"add a station {1e3 * np.median(add):.0f} ms (with its simulation)",
             f"locate {1e3 * np.median(update[1:]):.0f} ms"],
        )  # fmt: skip


SECTIONS = {
    "location": section_location,
    "false-alarm": section_false_alarm,
    "robust": section_robust,
    "two": section_two,
    "guided": section_guided,
    "coverage": section_coverage,
    "speed": section_speed,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("section", choices=[*SECTIONS, "all"], nargs="?", default="all")
    parser.add_argument("--pools", type=int, default=40)
    parser.add_argument("--stations", type=int, nargs="+", default=[20, 40])
    parser.add_argument("--layouts", nargs="+", default=["random"])
    parser.add_argument("--placements", type=int, default=2)
    parser.add_argument("--axes", type=int, default=3)
    parser.add_argument("--most", type=int, default=16)
    parser.add_argument("--plants", type=int, default=2)
    parser.add_argument("--seed", type=int, default=SEED)
    args = parser.parse_args()
    for name in SECTIONS if args.section == "all" else [args.section]:
        SECTIONS[name](args)


if __name__ == "__main__":
    main()
