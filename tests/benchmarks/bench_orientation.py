"""What an orientation sensor in the pole head is worth to the search: the same pools read with four heads.

    python tests/benchmarks/bench_orientation.py --pools 40 --stations 20 [--leak-free 100] [--guided 30]
        [--heads "single, sensor"] [--keep FILE --minutes 8]

"rigid head" is a three-axis head held by eye (bearing 10 degrees, tilt 2 degrees, one turn for all directions);
"single" is turned by hand, each direction with errors of its own and a slip of the hand of 0.03 m. With the sensor
each turn's noted direction is what the sensor said: wrong by a wall contact's error that whole stations share, by
drift, by a mounting error that the whole visit shares, and by a turn's own (tests/benchmarks/virtual_pools.py).
"both sensors": the depth is a pressure sensor's, 0.01 m off and not 0.05. Injection electrodes hang up to 0.1 m (one
standard deviation) from where they are noted. The search knows claimed sigmas only.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_locate import (
    SEED,
    Tally,
    answer_to,
    ground_of,
    guided_visit,
    line,
    percent,
    read_all,
)
from tests.benchmarks.virtual_pools import Errors, Sensor, random_pool, random_stations

from earthward.inversion.types import LocateSettings

HAND = Errors(electrode_m=0.1, electrode_depth_m=0.03)
HEADS: dict[str, Errors] = {
    "single": HAND,
    "single, sensor": replace(HAND, sensor=Sensor()),
    "crossed": replace(HAND, head="crossed"),
    "rigid head": replace(HAND, head="three-axis"),
    "rigid head, sensor": replace(HAND, head="three-axis", sensor=Sensor()),
    "rigid head, both sensors": replace(HAND, head="three-axis", sensor=Sensor(), depth_m=0.01, claimed_depth_m=0.012),
}


def key(kind: str, head: str, stations: int, seed: int) -> str:
    return f"{kind}, {head}, {stations}, {seed}"


class Kept:
    """Outcomes by pool: in a file, if one is given, so that a sweep may be made in pieces."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._known: dict[str, dict[str, Any]] = {}
        if path is not None and path.exists():
            self._known = {row["key"]: row for row in map(json.loads, path.read_text().splitlines())}

    def get(self, name: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        if name not in self._known:
            row = self._known[name] = {"key": name, **make()}
            if self._path is not None:
                with self._path.open("a") as file:
                    file.write(json.dumps(row) + "\n")
        return self._known[name]


LISTS = tuple(f.name for f in fields(Tally) if f.name != "title")


def located(name: str, seed: int, stations: int, bound: bool) -> dict[str, Any]:
    world = random_pool(seed, errors=HEADS[name])
    # Every head is held at the same places: only what it does there differs.
    readings = [r for one in read_all(world, random_stations(world, stations)) for r in one]
    one = Tally(name)
    one.add(answer_to(world, ground_of(world), readings), bound=bound)
    return {f: [float(v) for v in getattr(one, f)] for f in LISTS}


def leak_free(name: str, seed: int, stations: int) -> dict[str, Any]:
    world = random_pool(seed, leaks=0, errors=HEADS[name])
    readings = [r for one in read_all(world, random_stations(world, stations)) for r in one]
    return {"gain": answer_to(world, ground_of(world), readings).answer.log_evidence[0]}


def guided(name: str, seed: int, most: int) -> dict[str, Any]:
    world = random_pool(seed, errors=HEADS[name])
    visit = guided_visit(world, most, ground_of(world), to_the_end=False)
    return {"told": visit.told, "error": visit.error[-1]}


def show_guided(name: str, rows: list[dict[str, Any]]) -> None:
    holds = 3 if HEADS[name].head == "single" else 1
    told = np.array([np.inf if row["told"] is None else row["told"] * holds for row in rows])
    error = np.array([row["error"] for row in rows if row["told"] is not None])
    line(f"{name}, guided", [f"{len(rows)} pools", f"called found after {np.median(told):g} holds (median)",
         f"90th {np.quantile(told, 0.9):g}, never {percent(~np.isfinite(told))}",
         f"error then median {np.median(error):.3f} m, worst {error.max():.2f} m"])  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=40)
    parser.add_argument("--leak-free", type=int, default=0, help="so many leak-free pools as well")
    parser.add_argument("--guided", type=int, default=0, help="so many guided surveys as well")
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--most", type=int, default=16, help="stations of a guided survey")
    parser.add_argument("--heads", nargs="+", choices=HEADS, default=list(HEADS))
    parser.add_argument("--bound", action="store_true", help="print the Cramer-Rao bound as well")
    parser.add_argument("--seed", type=int, default=SEED + 70_000)
    parser.add_argument("--keep", type=Path, metavar="FILE", help="keep each pool's outcome there; use what is there")
    parser.add_argument("--minutes", type=float, default=1e9, help="begin no pool after so long")
    args = parser.parse_args()
    kept, until_s = Kept(args.keep), time.monotonic() + 60.0 * args.minutes

    def sweep(kind: str, name: str, seeds: range, make: Callable[[int], dict[str, Any]]) -> list[dict[str, Any]]:
        some = args.most if kind == "guided" else args.stations
        rows = []
        for seed in seeds:
            if time.monotonic() < until_s or key(kind, name, some, seed) in kept._known:
                rows.append(kept.get(key(kind, name, some, seed), partial(make, seed)))
        return rows

    for name in args.heads:
        tally = Tally(f"{args.stations} stations, {name}")
        make = partial(located, name, stations=args.stations, bound=args.bound)
        for row in sweep("located", name, range(args.seed, args.seed + args.pools), make):
            for f in LISTS:
                getattr(tally, f).extend(np.array(row[f], dtype=type_of(f)))
        tally.show()
    threshold = LocateSettings().detection_threshold
    for name in args.heads:
        free = range(args.seed + 5_000, args.seed + 5_000 + args.leak_free)
        rows = sweep("leak-free", name, free, partial(leak_free, name, stations=args.stations))
        if rows:
            g = np.array([row["gain"] for row in rows])
            false = f"false leaks {np.sum(g >= threshold)} ({percent(g >= threshold)})"
            line(f"{name}, leak-free", [f"{len(g)} pools", false])
    for name in args.heads:
        free = range(args.seed + 9_000, args.seed + 9_000 + args.guided)
        rows = sweep("guided", name, free, partial(guided, name, most=args.most))
        if rows:
            show_guided(name, rows)


def type_of(field: str) -> type:
    return {"error": float, "bound": float, "share": float, "seconds": float, "fittings": int}.get(field, bool)


if __name__ == "__main__":
    main()
