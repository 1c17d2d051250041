"""What the whole live chain costs: daemon (860 samples/s, detection, recording, survey) and dashboard. Prints figures.

    python tests/benchmarks/bench_chain.py [--seconds 30] [--seed 1]

The daemon runs in this process on the emulated bench at the speed of real time, source on, the pole moving along the
edge; `earthward watch` runs in its own process on an 80 x 24 pseudo-terminal. CPU is user + system time of threads and
processes over bench time. The bench's own threads (emulated board, emulated ready line with the virtual water behind
it) are listed apart, because a Pi at the pool has none of them, and so is what the emulated chip costs inside the
reader's own thread (a Pi's kernel waits there for the wire, which costs no processor). "first" is this process's
memory before the chain runs: interpreter and libraries, those of the emulated bench among them; what a process takes
that loads only the daemon is measured beside it, and the difference taken off.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

# As the `earthward` command does, before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_display import Watched

from earthward.clock import PacedClock
from earthward.commands.demo import bench_wiring, demo_config, new_visit
from earthward.commands.demo_walk import Walk
from earthward.daemon.life import Daemon
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario

MB = 1e6
TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


class Metered:
    """Stands before the emulated bus and adds up the processor time that it takes in whoever's thread."""

    def __init__(self, bus: Any) -> None:
        self._bus = bus
        self.spent_s = 0.0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bus, name)

    def _timed(self, call: Any, *args: Any, **more: Any) -> None:
        begin = time.thread_time()
        try:
            call(*args, **more)
        finally:
            self.spent_s += time.thread_time() - begin

    def writeto(self, *args: Any, **more: Any) -> None:
        self._timed(self._bus.writeto, *args, **more)

    def readfrom_into(self, *args: Any, **more: Any) -> None:
        self._timed(self._bus.readfrom_into, *args, **more)

    def writeto_then_readfrom(self, *args: Any, **more: Any) -> None:
        self._timed(self._bus.writeto_then_readfrom, *args, **more)


def loaded_daemon_bytes() -> int:
    """Resident memory of a process that has loaded the daemon and nothing of the bench."""
    ask = (
        "import os, earthward.daemon.life, earthward.commands.daemon; print(open('/proc/self/statm').read().split()[1])"
    )
    said = subprocess.run(
        [sys.executable, "-c", ask], check=True, capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT / "firmware_host")},
    )  # fmt: skip
    return int(said.stdout) * os.sysconf("SC_PAGE_SIZE")


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
    first, alone_first = here.memory_info().rss, loaded_daemon_bytes()
    scenario = Scenario.random(seed)
    clock = PacedClock(1.0)
    with tempfile.TemporaryDirectory(prefix="earthward-") as folder, EmulatedBench(scenario, clock) as bench:
        out = Path(folder)
        config = demo_config(scenario, out / "socket")
        bus = Metered(bench.i2c)
        bench.i2c = bus  # type: ignore[assignment]
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
            bench_s, bus_s = clock.now(), bus.spent_s
            await asyncio.sleep(seconds)
            took = time.monotonic() - wall
            after = thread_cpu_s()
            status = wiring.receiver.status
            passed = clock.now() - bench_s
            chip = (bus.spent_s - bus_s) / passed
            # Per second of bench time: on a busy machine that passes more slowly than the wall's.
            spent = {name: (s - cpu.get(name, 0.0)) / passed for name, s in after.items()}
            display = (sum(watched.ps.cpu_times()[:2]) - shown) / passed
            rss, watch_rss = here.memory_info().rss, watched.ps.memory_info().rss
            alone = watched.ps.memory_full_info().uss
        finally:
            walk.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await walk
            watched.process.terminate()
            await daemon.close()
            visit.store.close()
    emulation = chip + sum(s for name, s in spent.items() if name.startswith("emulated"))
    ours = sum(spent.values()) - emulation
    print(f"EMULATED bench, {took:.0f} s, {passed:.1f} s of bench time, {status.rate_Hz or 0:.0f} samples/s,")
    print(f"lost {status.lost - samples.lost}, load of the machine {os.getloadavg()[0]:.1f}")
    daemon = rss - first + alone_first
    print(f"daemon     memory {daemon / MB:6.1f} MB   CPU {ours:6.1%} of a core; this process {rss / MB:.1f} MB, first "
          f"{first / MB:.1f}, a process that has loaded only the daemon {alone_first / MB:.1f}")  # fmt: skip
    print(f"dashboard  memory {watch_rss / MB:6.1f} MB   CPU {display:6.1%}")
    print(f"together   memory {(daemon + alone) / MB:6.1f} MB, what both share counted once, without a Pi's reading "
          "process; goal 120")  # fmt: skip
    print(f"daemon + dashboard                            CPU {ours + display:6.1%}             goal <= 10 %")
    print(f"emulated parts, not on a Pi                   CPU {emulation:6.1%}   (in the reader's thread {chip:.1%})")
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
