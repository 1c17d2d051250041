"""Scripted players on practice pools: does the score tell a good visit from a bad one?

    python tests/benchmarks/bench_practice.py --pools 10

Pools 1 to N of every grade (practice/pools.py), played by guided, sweep, random and cheater (practice/players.py) on
the virtual pool's field with the instrument's search; no real time, no signal chain. Prints every player's mean, and on
how many pools each scored above the next.
"""

from __future__ import annotations

import argparse
import json
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from earthward.practice.players import PLAYERS, cheated
from earthward.practice.pools import GRADES, practice_pool
from earthward.practice.result import judged

ORDER = ("guided", "sweep", "random", "cheater")


def play(grade: int, seed: int) -> dict[str, dict[str, float]]:
    """Points, holds, minutes and worst error of every player on one pool."""
    pool = practice_pool(grade, seed)
    actions = {name: PLAYERS[name](pool) for name in ORDER if name != "cheater"}
    actions["cheater"] = cheated(pool, actions["guided"])
    figures = {}
    for name in ORDER:
        run = judged(pool, name, actions[name], actions["guided"])
        figures[name] = {
            "points": run.score.points,
            "holds": run.tally.holds,
            "minutes": run.tally.minutes,
            "found": sum(e is not None for e in run.tally.error_m) / len(run.tally.error_m),
            "wrong": run.tally.wrong_accusations,
            "skipped": len(run.tally.skipped),
        }
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=10, help="of each grade; 0 with --add: only print")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--grade", type=int, choices=[g.number for g in GRADES], help="only this one")
    parser.add_argument("--add", nargs="*", default=[], metavar="FILE", help="lines of earlier runs to be counted in")
    args = parser.parse_args()
    rows = [json.loads(line) for file in args.add for line in Path(file).read_text().splitlines()]
    for grade in [g.number for g in GRADES if args.grade in (None, g.number)]:
        for seed in range(args.first, args.first + args.pools):
            rows.append({"grade": grade, "seed": seed, "players": play(grade, seed)})
            print(json.dumps(rows[-1]), file=sys.stderr, flush=True)
    print(f"{len(rows)} pools")
    for name in ORDER:
        of = {key: np.mean([r["players"][name][key] for r in rows]) for key in rows[0]["players"][name]}
        print(f"{name}: " + ", ".join(f"{key} {value:.3g}" for key, value in of.items()))
    for better, worse in pairwise(ORDER):
        above = sum(r["players"][better]["points"] > r["players"][worse]["points"] for r in rows)
        equal = sum(r["players"][better]["points"] == r["players"][worse]["points"] for r in rows)
        print(f"{better} above {worse} on {above} of {len(rows)}, equal on {equal}")
    print(f"all four in their order on {sum(in_order(r['players']) for r in rows)} of {len(rows)}")
    for grade in sorted({r["grade"] for r in rows}):
        some = [r["players"] for r in rows if r["grade"] == grade]
        means = ", ".join(f"{name} {np.mean([p[name]['points'] for p in some]):.1f}" for name in ORDER)
        print(f"grade {grade}, {len(some)} pools: {means}; in order on {sum(map(in_order, some))}")


def in_order(players: dict[str, dict[str, float]]) -> bool:
    """Strictly: nobody as good as a better one."""
    return all(players[better]["points"] > players[worse]["points"] for better, worse in pairwise(ORDER))


if __name__ == "__main__":
    main()
