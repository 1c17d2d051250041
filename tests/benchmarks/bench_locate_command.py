"""What `earthward locate` and the daemon's search cost: processor time and memory. Prints figures; nothing is a test.

    python tests/benchmarks/bench_locate_command.py --pools 10 --seed 790000

Pools of the worlds "turned" and "rigid" by turns (tests/benchmarks/worlds.py): 24 stations of three directions, two
placements. The command is run as a person would, its user and system time and its largest memory as the system counts
them; before that once for nothing, so that no file is compiled or read from a slow card. Then the same readings are
searched as the daemon does, in its search's process: what that process takes is what a daemon with a search has more
than an idle one.
"""

from __future__ import annotations

import argparse
import asyncio
import csv
import os
import re
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.world_list import WORLDS
from tests.benchmarks.worlds import Drawn, draw

from earthward.daemon.search import Search, SearchWorker
from earthward.inversion.types import LocateSettings
from earthward.pool.pool_file import format_pool

COLUMNS = [f"{end}_{axis}_m" for end in ("front", "back") for axis in "xyz"]
COLUMNS += ["value_V", "sigma_V", "station", "turn", "source_id"]


def run_command(drawn: Drawn, folder: Path) -> tuple[float, float, str]:
    """Seconds of CPU, MB at the peak, and the first line of the answer."""
    (folder / "pool.toml").write_text(format_pool(drawn.pool), encoding="utf-8")
    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for r in drawn.readings:
            table.writerow([*r.front_m, *r.back_m, r.value_V, r.sigma_V, r.station, r.turn, r.source_id])
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    # A folder for compiled modules, as an installed package has: else each run would compile them.
    surroundings = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    surroundings["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    told = subprocess.run(
        [sys.executable, "-m", "earthward", "locate", str(folder / "pool.toml"), str(folder / "readings.csv")],
        capture_output=True, text=True, check=True, env=surroundings, timeout=300,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return spent, after.ru_maxrss / 1024, told.stdout.splitlines()[0]


async def peak_of_search_MB(drawn: Drawn) -> float:
    """The largest memory of the search's process after two searches, the second with a station more."""
    worker = SearchWorker()
    rows, settings = tuple(drawn.readings), LocateSettings()
    try:
        await worker.run(Search(drawn.pool, rows[:-6], settings))
        await worker.run(Search(drawn.pool, rows, settings))
        assert worker.pid is not None
        status = Path(f"/proc/{worker.pid}/status").read_text(encoding="ascii")
    finally:
        worker.close()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--pools", type=int, default=6)
    parser.add_argument("--seed", type=int, default=790_000)
    args = parser.parse_args()
    spent, peaks = [], []
    with tempfile.TemporaryDirectory() as name:
        run_command(draw(WORLDS["turned"], args.seed), Path(name))
        for k in range(args.pools):
            drawn = draw(WORLDS["turned" if k % 2 == 0 else "rigid"], args.seed + k)
            seconds, peak, text = run_command(drawn, Path(name))
            spent.append(seconds)
            peaks.append(peak)
            print(f"{drawn.world.name} {drawn.seed}: {seconds:.2f} s, {peak:.0f} MB; {text}", flush=True)
    quantiles = ", ".join(f"{v:.2f}" for v in np.quantile(spent, (0.0, 0.5, 0.9, 1.0)))
    print(f"command: least, half, nine tenths, most {quantiles} s of {len(spent)}; peak {max(peaks):.0f} MB")
    memory = asyncio.run(peak_of_search_MB(draw(WORLDS["turned"], args.seed)))
    print(f"the search's process beside the daemon: peak {memory:.0f} MB")


if __name__ == "__main__":
    main()
