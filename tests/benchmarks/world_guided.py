"""Guided surveys in worlds that the search did not make: read where it proposes until it says "found".

    python tests/benchmarks/world_guided.py --pools 40 [--seed 700000] [--world turned] [--most 20]

Every spot is the one that the survey itself proposes, held by the world's hands, and the search speaks after each. A
line a pool; then in how many pools it said "found", after how many stations, how far from the leak, and in how many
something was suspected on the way. In a world without a leak all that is false: each station is one more chance of it.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_worlds import SEED, FOUND_m
from tests.benchmarks.world_list import WORLDS, World
from tests.benchmarks.worlds import Drawn, Spot, draw, measured

from earthward.inversion.locate import Survey
from earthward.inversion.types import Result
from earthward.record.place import Station


@dataclass
class Outcome:
    """What came of one survey. found_m: how far the place called found lies from the leak (None: nothing was called
    found; 99: there is no leak). suspected: after so many stations something was suspected."""

    stations: int
    found_m: float | None
    suspected: int
    at_the_end: str


def guided(world: World, seed: int, most: int) -> Outcome:
    """One pool, until "found" or so many stations."""
    # A station noted elsewhere than it was is a matter of the other benchmark.
    world = replace(world, misnoted=0)
    drawn = draw(world, seed)
    survey = Survey(drawn.pool.read_with(range(len(drawn.pool.sources))))
    hands = np.random.default_rng([seed, 77])
    suspected, verdict = 0, ""
    for number in range(1, most + 1):
        spot = _meant(drawn, survey.next_station())
        held = measured(world, seed, drawn.pool, drawn.truth, [spot], hands)
        for reading in held.readings:
            row = len(survey.readings) + 1
            survey.add(msgspec.structs.replace(reading, station=f"S{number}", row=row))
        result = survey.result(coverage=False)
        verdict = result.verdict
        suspected += bool(result.findings)
        if verdict == "found":
            return Outcome(number, _away_m(drawn, result), suspected, verdict)
    return Outcome(most, None, suspected, verdict)


def _meant(drawn: Drawn, station: Station) -> Spot:
    """The proposed place, held from the nearer long side."""
    x, y, z = station.position_m
    side = 1.0 if y > 0.5 * drawn.pool.width_m else -1.0
    return Spot(np.array([x, y, z]), 90.0 if side > 0 else 270.0, np.array([0.0, side]))


def _away_m(drawn: Drawn, result: Result) -> float:
    """Of the certain finding that is farthest from any leak."""
    gaps = [
        min((float(np.linalg.norm(f.position_m - leak.middle_m)) for leak in drawn.truth.leaks), default=99.0)
        for f in result.findings
        if f.certain
    ]
    return max(gaps)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=12)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--world", default="turned", choices=sorted(WORLDS))
    parser.add_argument("--most", type=int, default=20, help="stations at most")
    args = parser.parse_args()
    outcomes = []
    for seed in range(args.seed, args.seed + args.pools):
        outcomes.append(guided(WORLDS[args.world], seed, args.most))
        one = outcomes[-1]
        away = "" if one.found_m is None else f", {one.found_m:.2f} m from the leak"
        print(
            f"{seed}: {one.at_the_end} after {one.stations} stations{away}; suspected after {one.suspected}", flush=True
        )
    found = [one for one in outcomes if one.found_m is not None]
    away_m = [one.found_m for one in found if one.found_m is not None]
    print(f"{args.world}: found in {len(found)} of {len(outcomes)}, something suspected on the way in "
          f"{sum(one.suspected > 0 for one in outcomes)}")  # fmt: skip
    if found and WORLDS[args.world].leaks:
        print(f"after {np.median([one.stations for one in found]):.0f} stations in the median; within {FOUND_m} m "
              f"{sum(a <= FOUND_m for a in away_m)} of {len(found)}, median {np.median(away_m):.3f} m, worst "
              f"{max(away_m):.2f} m")  # fmt: skip


if __name__ == "__main__":
    main()
