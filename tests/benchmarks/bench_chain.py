"""What the whole live chain costs: daemon (860 samples/s, detection, recording, survey) and dashboard. Prints figures.

    python tests/benchmarks/bench_chain.py [--seconds 30] [--seed 1]

The daemon runs in this process on the emulated bench at the speed of real time, source on, the pole moving along the
edge; `earthward watch` runs in its own process on an 80 x 24 pseudo-terminal. CPU is user + system time of threads and
processes over bench time. The bench's own threads (emulated board, emulated ready line with the virtual water behind
it) are listed apart, because a Pi at the pool has none of them; what the emulated bus costs inside the reader's thread
stays in the daemon's figure, so that figure is too high rather than too low. The line "first" is the daemon's memory
before the chain runs: interpreter and libraries.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "firmware_host"), str(Path(__file__).parent)]

from bench_display import Watched  # noqa: E402

from earthward.clock import PacedClock  # noqa: E402
from earthward.commands.demo import bench_wiring, demo_config, new_visit  # noqa: E402
from earthward.commands.demo_visit import Walk  # noqa: E402
from earthward.emulated.bench import EmulatedBench  # noqa: E402
from earthward.emulated.scenario import Scenario  # noqa: E402
from earthward.service.daemon import Daemon  # noqa: E402

MB = 1e6
TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


def thread_cpu_s() -> dict[str, float]:
    """User + system seconds of each living Python thread, and of the rest of the process."""
    used: dict[str, float] = {}
    for thread in threading.enumerate():
        path = Path(f"/proc/self/task/{thread.native_id}/stat")
        with contextlib.suppress(OSError):
            fields = path.read_text().rpartition(")")[2].split()
            used[thread.name] = used.get(thread.name, 0.0) + (int(fields[11]) + int(fields[12])) * TICK_S
    return used


async def measure(seconds: float, seed: int) -> None:
    here = psutil.Process()
    first = here.memory_info().rss
    scenario = Scenario.random(seed)
    clock = PacedClock(1.0)
    with tempfile.TemporaryDirectory(prefix="earthward-") as folder, EmulatedBench(scenario, clock) as bench:
        out = Path(folder)
        config = demo_config(scenario, out / "socket")
        wiring = bench_wiring(bench, config, clock)
        visit = new_visit(scenario, config, out)
        daemon = Daemon(config, wiring, visit=visit, recording=out / "recording")
        await daemon.start()
        walk = asyncio.create_task(Walk(bench, daemon, out / "socket", lambda text: None).stroll())
        watched = await asyncio.to_thread(Watched, out / "socket")
        try:
            while not daemon.supervisor.energised:
                await asyncio.sleep(0.1)
            await asyncio.sleep(8.0)
            gc.collect()
            cpu, wall, shown = thread_cpu_s(), time.monotonic(), sum(watched.ps.cpu_times()[:2])
            samples = wiring.receiver.status
            bench_s = clock.now()
            await asyncio.sleep(seconds)
            took = time.monotonic() - wall
            after = thread_cpu_s()
            status = wiring.receiver.status
            passed = clock.now() - bench_s
            # Per second of bench time: on a busy machine that passes more slowly than the wall's.
            spent = {name: (s - cpu.get(name, 0.0)) / passed for name, s in after.items()}
            display = (sum(watched.ps.cpu_times()[:2]) - shown) / passed
            rss, watch_rss = here.memory_info().rss, watched.ps.memory_info().rss
        finally:
            walk.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await walk
            watched.process.terminate()
            await daemon.close()
            visit.store.close()
    emulation = sum(s for name, s in spent.items() if name.startswith("emulated"))
    ours = sum(spent.values()) - emulation
    print(f"EMULATED bench, {took:.0f} s, {passed:.1f} s of bench time, {status.rate_Hz or 0:.0f} samples/s,")
    print(f"lost {status.lost - samples.lost}, load of the machine {os.getloadavg()[0]:.1f}")
    print(f"daemon     memory {rss / MB:6.1f} MB (first {first / MB:.1f})   CPU {ours:6.1%} of a core   goals < 150 MB")
    print(f"dashboard  memory {watch_rss / MB:6.1f} MB                 CPU {display:6.1%}")
    print(f"daemon + dashboard                            CPU {ours + display:6.1%}             goal < 25 %")
    print(f"emulated board and water, not on a Pi         CPU {emulation:6.1%}")
    for name, share in sorted(spent.items(), key=lambda item: -item[1]):
        print(f"    {name:32s} {share:6.1%}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    sys.setswitchinterval(0.0005)
    asyncio.run(measure(args.seconds, args.seed))


if __name__ == "__main__":
    main()
