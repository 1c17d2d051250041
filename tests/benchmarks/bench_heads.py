"""Whole emulated visits with each pole head: what a head saves.

    python tests/benchmarks/bench_heads.py --seeds 1 2 3 [--heads single three-axis-oriented] [--keep FOLDER]

A head's name with +depth behind it carries a depth sensor too. With --keep each visit's summary stays in FOLDER, and
one that is there already is not made again.

A hold is one time that the pole is held still in the guided survey; minutes are the bench's, with a technician who
needs a quarter of a second to move: compare heads by them, not visits. A false claim is a finding called found
more than 0.3 m from every leak. A head with an orientation sensor is also held against a wall now and then; these
contacts are counted by themselves.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from earthward.commands.demo import DEMO_HEADS

HEADS = ["single", "crossed", "three-axis", "three-axis-oriented"]
DEPTH = "+depth"


def visit(head: str, seed: int, patience_s: float, keep: Path | None = None) -> dict[str, Any] | None:
    """The summary of one visit; None if it did not come to its end."""
    kept = None if keep is None else keep / f"{head}-{seed}.json"
    if kept is not None and kept.exists():
        return json.loads(kept.read_text())
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "earthward", "demo", "--headless", "--json", "--seed", str(seed)]
        command += ["--head", head.removesuffix(DEPTH), "--out", str(Path(folder) / "out")]
        command += ["--depth-sensor"] if head.endswith(DEPTH) else []
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=patience_s, check=False)
        except subprocess.TimeoutExpired:
            return None
    if done.returncode != 0:
        return None
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(done.stdout)
    return json.loads(done.stdout)


def line(head: str, seed: int, told: dict[str, Any] | None) -> str:
    if told is None:
        return f"| {head} | {seed} | - | - | - | not finished | - |"
    estimate = told["estimate"]
    error = "-" if estimate is None else f"{estimate['error_m']:.3f}"
    holds = f"{told['holds']} | {told.get('wall_contacts', 0)}"
    return f"| {head} | {seed} | {holds} | {told['survey_s'] / 60:.1f} | {error} | {false_claims(told)} |"


def false_claims(told: dict[str, Any]) -> int:
    far = told["estimate"] is not None and told["estimate"]["error_m"] > 0.3
    return int(told["verdict"] == "found" and far)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument(
        "--heads", nargs="+", choices=[*DEMO_HEADS, *(head + DEPTH for head in DEMO_HEADS)], default=HEADS
    )
    parser.add_argument("--patience", type=float, default=600.0, help="seconds a visit may take")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the summaries there, and use those that are")
    args = parser.parse_args()
    print("| head | seed | holds | wall contacts | minutes | error, m | false claims |\n|---|---|---|---|---|---|---|")
    for head in args.heads:
        every = []
        for seed in args.seeds:
            told = visit(head, seed, args.patience, args.keep)
            print(line(head, seed, told), flush=True)
            every += [told] if told is not None and told["estimate"] is not None else []
        if every:
            holds = statistics.median(t["holds"] for t in every)
            minutes = statistics.median(t["survey_s"] for t in every) / 60
            error = statistics.median(t["estimate"]["error_m"] for t in every)
            wrong = sum(map(false_claims, every))
            walls = statistics.median(t.get("wall_contacts", 0) for t in every)
            print(
                f"| {head} | median of {len(every)} | {holds:g} | {walls:g} | {minutes:.1f} | {error:.3f} | {wrong} |"
            )


if __name__ == "__main__":
    main()
