"""What is left of a repaired sink: verdicts and intervals on emulated pools, the pole held with errors. Prints figures.

    python tests/benchmarks/bench_remeasure.py [--pools 60] [--seed 700]

For each pool three states: hole closed, half of its conductance left, not closed. Three stations about 0.6 m from the
hole, six readings each, before and after; the located place and current are off as a search's would be.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.unit.test_inversion_again import readings

from earthward.emulated.network import BoxPotential
from earthward.emulated.scenario import Scenario
from earthward.inversion.again import sink_current
from earthward.inversion.compare import judge_remeasure

PLACE_SIGMA_M, CURRENT_SIGMA = 0.05, 0.05


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pools", type=int, default=60)
    parser.add_argument("--seed", type=int, default=700)
    args = parser.parse_args()
    draw = np.random.default_rng(args.seed)
    verdicts: dict[float, Counter[str]] = {0.0: Counter(), 0.5: Counter(), 1.0: Counter()}
    held: Counter[float] = Counter()
    sigmas: dict[float, list[float]] = {0.0: [], 0.5: [], 1.0: []}
    for seed in range(args.seed, args.seed + args.pools):
        scenario = Scenario.random(seed, fittings=3)
        field = BoxPotential(scenario.length_m, scenario.width_m, scenario.depth_m)
        _, _, before = readings(scenario, field, 1.0, draw)
        located = before * draw.normal(1.0, CURRENT_SIGMA)
        place = np.array(scenario.leaks[0].position_m) + draw.normal(0.0, PLACE_SIGMA_M, 3)
        for left in verdicts:
            kept, current, share = readings(scenario, field, left, draw)
            known = scenario.known_pool()
            pool = replace(known, sources=tuple(msgspec.structs.replace(s, current_A=current) for s in known.sources))
            found = sink_current(pool, kept, (float(place[0]), float(place[1]), float(place[2])), PLACE_SIGMA_M)
            part = found.share / located
            result = judge_remeasure(part, math.hypot(found.share_sigma / located, part * CURRENT_SIGMA), found.fit_p)
            verdicts[left][result.outcome] += 1
            held[left] += result.left_interval[0] <= share / before <= result.left_interval[1]
            sigmas[left].append(result.left_sigma)
    for left, counts in verdicts.items():
        print(f"{left:.1f} of the hole left: {dict(counts)}; interval holds the truth {held[left] / args.pools:.1%}; "
              f"median standard error {np.median(sigmas[left]):.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
