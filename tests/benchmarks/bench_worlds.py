"""Location in worlds that the search did not make (tests/benchmarks/worlds.py). Prints figures; nothing here is a test.

    python tests/benchmarks/bench_worlds.py --pools 12
    python tests/benchmarks/bench_worlds.py --world turned "turned, no leak" --pools 200 --seed 700000
    python tests/benchmarks/bench_worlds.py --world turned --bound
    python tests/benchmarks/bench_worlds.py --world "turned, no leak" --pools 40 --upper-limits

Columns. declared: pools (leaks, where there are two) with a finding within 1 m of the leak. error: of the strongest
finding, whichever it is, and where nothing was declared of the likeliest place, median and 90th percentile. region,
current: 90 % regions and current intervals of findings within 1 m that hold the truth. extra: findings a pool that are
near no leak and no unlisted fitting (within 1 m). found: pools in which a finding was called found; right: how many of
those lie within 0.15 m of a leak. falls: pools without a leak in which one was suspected, in which one was called
found. rank: how much of the probability lies on places likelier than the true one, counted in fifths; even if it is
calibrated. s: CPU seconds of a search, median / 90th percentile. --bound adds the Cramer-Rao bound with priors
(tests/benchmarks/world_bound.py) and error over bound.

--upper-limits: in each pool without a leak one patch of liner is drawn by its area. A sink of twice its upper limit is
planted there and the same survey made again: is one declared within 1 m? Then a sink at the limit itself: does the new
answer exclude it wrongly (its limit there is lower, and nothing is declared within 1 m)?
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.world_bound import bound_m
from tests.benchmarks.world_list import WORLDS, World
from tests.benchmarks.worlds import Drawn, Sink, draw, planted

from earthward.inversion.locate import locate
from earthward.inversion.types import LocateSettings, Result
from earthward.record.finding import Finding
from earthward.record.place import Placement

SEED = 700_000
#: A finding this near to a leak speaks of that leak; one that is called found should lie so near.
SAME_m, FOUND_m = 1.0, 0.15


@dataclass
class Row:
    """What came out of one pool. Distances in metres; None: does not apply."""

    world: str
    seed: int
    leaks: int
    verdict: str
    seconds: float
    findings: int
    declared: int = 0
    error: float | None = None
    two_within_half: bool | None = None
    region: list[bool] = field(default_factory=list)
    current: list[bool] = field(default_factory=list)
    extra: int = 0
    found_error: list[float] = field(default_factory=list)
    rank: float | None = None
    bound: float | None = None
    leak_share: float | None = None
    suspects: int = 0
    spots: list[list[float]] = field(default_factory=list)


def run_pool(world: World, seed: int, *, bound: bool = False, settings: LocateSettings | None = None) -> Row:
    """Draw, locate, compare."""
    drawn = draw(world, seed)
    started = time.process_time()
    result = locate(drawn.pool, drawn.readings, settings, coverage=False, guidance=False)
    return judge(drawn, result, time.process_time() - started, bound)


def judge(drawn: Drawn, result: Result, seconds: float, bound: bool = False) -> Row:
    """The answer beside the truth."""
    truth = drawn.truth
    row = Row(drawn.world.name, drawn.seed, len(truth.leaks), result.verdict, seconds, len(result.findings))
    row.suspects = len({s.station for s in result.suspect_readings})
    row.spots = [[*f.position_m, 1e3 * (f.current_A or 0.0), float(f.certain)] for f in result.findings]
    near_extra = [np.array(f.position_m) for f in result.findings]
    for sink in (*truth.leaks, *truth.unlisted):
        gaps = [float(np.linalg.norm(p - sink.middle_m)) for p in near_extra]
        if gaps and min(gaps) <= SAME_m:
            near_extra.pop(int(np.argmin(gaps)))
    row.extra = len(near_extra)
    row.found_error = [
        min((_gap(f, s.middle_m) for s in (*truth.leaks, *truth.unlisted)), default=99.0)
        for f in result.findings
        if f.certain
    ]
    if not truth.leaks:
        return row
    row.leak_share = float(truth.leaks[0].current_A[0] / truth.injected_A[0])
    missed = []
    for leak in truth.leaks:
        finding = min(result.findings, key=lambda f: _gap(f, leak.middle_m), default=None)
        missed.append(99.0 if finding is None else _gap(finding, leak.middle_m))
        if finding is None or missed[-1] > SAME_m:
            continue
        row.declared += 1
        row.region.append(_holds(finding, leak.middle_m))
        low, high = finding.current_interval_A or (0.0, 0.0)
        row.current.append(low <= _told_A(drawn, leak, result) <= high)
    row.two_within_half = max(missed) <= 0.5 if len(truth.leaks) == 2 else None
    row.error = _error(drawn, result)
    row.rank = _rank(result, truth.leaks[0].middle_m)
    if bound:
        row.bound = bound_m(drawn)
    return row


def _told_A(drawn: Drawn, leak: Sink, result: Result) -> float:
    """What a right answer says that the leak takes: its mean share, of what the answer calls the injected current."""
    share = float(np.mean(leak.current_A / drawn.truth.injected_A))
    noted = [_noted_A(source) for source in drawn.pool.sources]
    return share * result.budget.injected_A * float(np.mean(drawn.truth.injected_A / noted))


def _noted_A(source: Placement) -> float:
    if source.current_A is None:
        raise ValueError("a world's injection electrode has no noted current")
    return source.current_A


def _gap(finding: Finding, place: Any) -> float:
    return float(np.linalg.norm(np.subtract(finding.position_m, place)))


def _error(drawn: Drawn, result: Result) -> float | None:
    """Of the strongest finding (unless it is the unlisted fitting, and right so), else of the likeliest place."""
    places = [f.position_m for f in result.findings]
    for thing in drawn.truth.unlisted:
        rest = [p for p in places if np.linalg.norm(np.subtract(p, thing.middle_m)) > 0.5]
        places = rest if rest else places
    if not places and result.posterior:
        places = [max(result.posterior, key=lambda c: c.probability).position_m]
    if not places:
        return None
    return min(float(np.linalg.norm(np.subtract(places[0], leak.middle_m))) for leak in drawn.truth.leaks)


def _holds(finding: Finding, place: Any) -> bool:
    """Is the place in one of the region's cells (squares on the liner)?"""
    if finding.region is None or not finding.region.cells_m:
        return False
    off = np.abs(np.array(finding.region.cells_m) - place).max(axis=1).min()
    return bool(off <= 0.5 * finding.region.cell_m + 0.002)


def _rank(result: Result, place: Any) -> float | None:
    """Share of the probability on places likelier than the true one: even between 0 and 1 if it is calibrated."""
    if not result.posterior:
        return None
    cells = np.array([c.position_m for c in result.posterior])
    p = np.array([c.probability for c in result.posterior])
    here = p[int(np.argmin(np.linalg.norm(cells - place, axis=1)))]
    return float((p[p > here].sum() + 0.5 * p[p == here].sum()) / p.sum())


# ---- tables -------------------------------------------------------------------------------------------------------


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """The figures of one world."""
    error = [r.error for r in rows if r.error is not None]
    region, current = ([v for r in rows for v in getattr(r, name)] for name in ("region", "current"))
    found = [e for r in rows for e in r.found_error]
    both = [r.two_within_half for r in rows if r.two_within_half is not None]
    ratio = [r.error / r.bound for r in rows if r.bound and r.error is not None]
    ranks = [r.rank for r in rows if r.rank is not None]
    tight = [r for r in rows if not r.leaks]
    seconds = [r.seconds for r in rows]
    return {
        "world": rows[0].world,
        "pools": len(rows),
        "declared": _share([r.declared for r in rows], sum(r.leaks for r in rows)),
        "error_median_m": _quantile(error, 0.5),
        "error_p90_m": _quantile(error, 0.9),
        "regions_hold": _mean(region),
        "currents_hold": _mean(current),
        "extra_a_pool": float(np.mean([r.extra for r in rows])),
        "found": float(np.mean([bool(r.found_error) for r in rows])),
        "found_right": _mean([e <= FOUND_m for e in found]),
        "found_worst_m": max(found, default=None),
        "two_within_half_m": _mean(both),
        "tight_suspected": sum(r.findings > 0 for r in tight) if tight else None,
        "tight_found": sum(bool(r.found_error) for r in tight) if tight else None,
        "bound_median_m": _quantile([r.bound for r in rows if r.bound], 0.5),
        "bound_p90_m": _quantile([r.bound for r in rows if r.bound], 0.9),
        "error_over_bound_median": _quantile(ratio, 0.5),
        "rank_fifths": np.histogram(ranks, np.linspace(0, 1, 6))[0].tolist() if ranks else None,
        "suspect_stations_a_pool": float(np.mean([r.suspects for r in rows])),
        "seconds_median": _quantile(seconds, 0.5),
        "seconds_p90": _quantile(seconds, 0.9),
    }


def _quantile(values: Sequence[Any], q: float) -> float | None:
    return float(np.quantile(values, q)) if len(values) else None


def _mean(values: Sequence[Any]) -> float | None:
    return float(np.mean(values)) if len(values) else None


def _share(values: Sequence[int], whole: int) -> float | None:
    return sum(values) / whole if whole else None


HEAD = (
    "| world | pools | declared | error median / p90 | region | current | extra | found, right (worst)"
    " | falls suspected / found | rank in fifths | s |"
)


def line(s: dict[str, Any]) -> str:
    """One world as a row of the table."""

    def percent(v: float | None) -> str:
        return "" if v is None else f"{100 * v:.0f} %"

    def metres(v: float | None) -> str:
        return "" if v is None else f"{v:.2f}"

    error = "" if s["error_median_m"] is None else f"{metres(s['error_median_m'])} / {metres(s['error_p90_m'])} m"
    found = percent(s["found"])
    if s["found_right"] is not None:
        found += f", {percent(s['found_right'])} ({metres(s['found_worst_m'])} m)"
    falls = "" if s["tight_suspected"] is None else f"{s['tight_suspected']} / {s['tight_found']}"
    declared = percent(s["declared"])
    if s["two_within_half_m"] is not None:
        declared += f", both within 0.5 m {percent(s['two_within_half_m'])}"
    ranks = "" if s["rank_fifths"] is None else " ".join(str(n) for n in s["rank_fifths"])
    cells = [
        s["world"], str(s["pools"]), declared, error, percent(s["regions_hold"]), percent(s["currents_hold"]),
        f"{s['extra_a_pool']:.2f}", found, falls, ranks, f"{s['seconds_median']:.1f} / {s['seconds_p90']:.1f}",
    ]  # fmt: skip
    text = "| " + " | ".join(cells) + " |"
    if s["bound_median_m"] is not None:
        text += (
            f"\n  Cramer-Rao bound of the same pools: {s['bound_median_m']:.3f} / {s['bound_p90_m']:.2f} m;"
            f" error over bound {s['error_over_bound_median']:.2f} in the median"
        )
    return text


def upper_limits(world: World, seeds: range) -> dict[str, Any]:
    """What `--upper-limits` says, over pools of a world without a leak."""
    declared, excluded = [], []
    for seed in seeds:
        drawn = draw(world, seed)
        coverage = locate(drawn.pool, drawn.readings, guidance=False).coverage
        if coverage is None:
            raise SystemExit(f"seed {seed}: no upper limits were told")
        pick = np.random.default_rng([seed, 8])
        area = np.array([c.size_m**2 for c in coverage.cells])
        cell = coverage.cells[int(pick.choice(len(area), p=area / area.sum()))]
        if 2 * cell.limit_A > 0.9 * drawn.truth.injected_A[0]:
            continue  # no such sink can be there: the whole is not so much
        place = np.array(cell.position_m)
        strong = planted(drawn, place, 2 * cell.limit_A)
        declared.append(_named(locate(drawn.pool, strong.readings, coverage=False, guidance=False), place))
        just = locate(drawn.pool, planted(drawn, place, cell.limit_A).readings, guidance=False)
        cells = just.coverage.cells if just.coverage is not None else ()
        there = min(cells, key=lambda c: float(np.linalg.norm(np.subtract(c.position_m, place))), default=None)
        low = there is not None and there.limit_A < cell.limit_A
        excluded.append(low and not _named(just, place))
    return {
        "world": world.name,
        "planted": len(declared),
        "declared_at_twice_the_limit": _mean(declared),
        "wrongly_excluded_at_the_limit": _mean(excluded),
    }


def _named(result: Result, place: Any) -> bool:
    return any(_gap(f, place) <= SAME_m for f in result.findings)


def gathered(file: Path) -> list[list[Row]]:
    """Outcomes that several runs appended to a file, by world; each seed counts once."""
    worlds: dict[str, dict[int, Row]] = {}
    for text in file.read_text(encoding="utf-8").splitlines():
        row = Row(**json.loads(text))
        worlds.setdefault(row.world, {})[row.seed] = row
    return [list(rows.values()) for rows in worlds.values()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=12)
    parser.add_argument("--world", nargs="+", choices=sorted(WORLDS), default=list(WORLDS), metavar="WORLD")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--bound", action="store_true", help="Cramer-Rao bound beside the error (box pools)")
    parser.add_argument("--json", action="store_true", help="one JSON object a world")
    parser.add_argument("--rows", metavar="FILE", help="append every pool's outcome here, one JSON object a line")
    parser.add_argument("--from-rows", metavar="FILE", help="no pools: the table of what --rows gathered, by world")
    parser.add_argument("--upper-limits", action="store_true", help="plant sinks at and above the limits told")
    args = parser.parse_args()
    if args.upper_limits:
        for name in args.world:
            if WORLDS[name].leaks == 0:
                print(json.dumps(upper_limits(WORLDS[name], range(args.seed, args.seed + args.pools))), flush=True)
        return
    if args.from_rows:
        print(HEAD + "\n|" + "---|" * (HEAD.count("|") - 1))
        for rows in gathered(Path(args.from_rows)):
            print(line(summary(rows)))
        return
    if not args.json:
        print(HEAD + "\n|" + "---|" * (HEAD.count("|") - 1), flush=True)
    for name in args.world:
        rows = []
        for seed in range(args.seed, args.seed + args.pools):
            rows.append(run_pool(WORLDS[name], seed, bound=args.bound and not WORLDS[name].sloped))
            if args.rows:
                with Path(args.rows).open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(rows[-1])) + "\n")
        figures = summary(rows)
        print(json.dumps(figures) if args.json else line(figures), flush=True)


if __name__ == "__main__":
    main()
