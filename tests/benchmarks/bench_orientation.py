"""What an orientation sensor in the pole head is worth to the search: the same pools read with four heads.

    python tests/benchmarks/bench_orientation.py --pools 40 --stations 20 [--leak-free 100] [--heads "single, sensor"]

"rigid head" is a three-axis head held by eye (bearing 10 degrees, tilt 2 degrees, one turn for all directions);
"single" is turned by hand, each direction with errors of its own and a slip of the hand of 0.03 m. With the sensor
each turn's noted direction is what the sensor said: wrong by a wall contact's error that whole stations share, by
drift, by a mounting error that the whole visit shares, and by a turn's own (tests/benchmarks/virtual_pools.py).
Injection electrodes hang up to 0.1 m (one standard deviation) from where they are noted. The search knows claimed
sigmas only.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_locate import SEED, Tally, answer_to, ground_of, line, read_all
from tests.benchmarks.virtual_pools import Errors, Sensor, random_pool, random_stations

from earthward.inversion.types import LocateSettings

HAND = Errors(electrode_m=0.1, electrode_depth_m=0.03)
HEADS: dict[str, Errors] = {
    "single": HAND,
    "single, sensor": replace(HAND, sensor=Sensor()),
    "rigid head": replace(HAND, head="three-axis"),
    "rigid head, sensor": replace(HAND, head="three-axis", sensor=Sensor()),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=40)
    parser.add_argument("--leak-free", type=int, default=0, help="so many leak-free pools as well")
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--heads", nargs="+", choices=HEADS, default=list(HEADS))
    parser.add_argument("--seed", type=int, default=SEED + 70_000)
    args = parser.parse_args()
    tallies = {name: Tally(f"{args.stations} stations, {name}") for name in args.heads}
    for seed in range(args.seed, args.seed + args.pools):
        ground = None
        for name, tally in tallies.items():
            world = random_pool(seed, errors=HEADS[name])
            ground = ground or ground_of(world)
            # Every head is held at the same places: only what it does there differs.
            places = random_stations(world, args.stations)
            readings = [r for one in read_all(world, places) for r in one]
            tally.add(answer_to(world, ground, readings), bound=False)
    for tally in tallies.values():
        tally.show()
    threshold = LocateSettings().detection_threshold
    for name in args.heads if args.leak_free else []:
        gains = []
        for seed in range(args.seed + 5_000, args.seed + 5_000 + args.leak_free):
            world = random_pool(seed, leaks=0, errors=HEADS[name])
            readings = [r for one in read_all(world, random_stations(world, args.stations)) for r in one]
            gains.append(answer_to(world, ground_of(world), readings).answer.log_evidence[0])
        g = np.array(gains)
        line(f"{name}, leak-free", [f"{len(g)} pools", f"false leaks {100 * np.mean(g >= threshold):.1f} %"])


if __name__ == "__main__":
    main()
