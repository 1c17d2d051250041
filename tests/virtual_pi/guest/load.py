"""What the running instrument costs and loses inside the virtual Pi: load.py SECONDS prints one line of JSON.

The source is on and a dashboard runs on a terminal that nobody looks at. `quiet`: only that. `burst`: ten more clients
that ask for everything, readings kept (each begins a search for sinks), and an export, all at once; at its end the
source is asked off. Processor seconds are the scheduler's, per second of the machine's time; losses are counted by the
emulated converter itself.
"""

from __future__ import annotations

import asyncio
import json
import os
import pty
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from faulty import main_pid  # type: ignore[import-not-found]
from visitor import DAEMON, World, energise, keep  # type: ignore[import-not-found]

from earthward.clock import SystemClock
from earthward.commands.demo_client import InstrumentClient
from earthward.commands.demo_walk import edge_places
from earthward.daemon import protocol as m
from earthward.emulated.scenario import Scenario
from earthward.record.place import Station

#: struct state of the module: next_index and missed are the first and the last
STATE = struct.Struct("<QqQQQIIII")
EARTHWARD = "/opt/earthward/current/bin/earthward"


def threads(pid: int) -> dict[str, float]:
    """Seconds that each thread of a process has run."""
    used = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        used[task.name] = int((task / "schedstat").read_text().split()[0]) * 1e-9
    return used


def children(pid: int) -> Iterator[tuple[str, int]]:
    for path in Path("/proc").glob("[0-9]*/stat"):
        fields = path.read_text().rpartition(")")[2].split()
        if int(fields[1]) != pid or b"spawn_main" not in (path.parent / "cmdline").read_bytes():
            continue
        # The searching process is nicer than the daemon; the reading one is not.
        yield "search" if int(fields[16]) > 0 else "reader", int(path.parent.name)


@dataclass
class Looked:
    at_s: float
    conversions: int
    missed: int
    idle_s: float
    used: dict[str, dict[str, float]]


def look(dashboard: int, world: int) -> Looked:
    daemon = main_pid()
    used = {"daemon": threads(daemon), "dashboard": threads(dashboard), "EMULATED world": threads(world)}
    used |= {name: threads(pid) for name, pid in children(daemon)}
    with open("/dev/virtual-water", "rb", buffering=0) as water:
        state = STATE.unpack(os.pread(water.fileno(), STATE.size, 0))
    idle_s = float(Path("/proc/uptime").read_text().split()[1])
    return Looked(time.monotonic(), state[0], state[8], idle_s, used)


def between(a: Looked, b: Looked) -> dict[str, object]:
    seconds = b.at_s - a.at_s
    spent = {
        name: {task: s - a.used.get(name, {}).get(task, 0.0) for task, s in tasks.items()}
        for name, tasks in b.used.items()
    }
    return {
        "seconds": seconds,
        "conversions": b.conversions - a.conversions,
        "lost": b.missed - a.missed,
        "idle": (b.idle_s - a.idle_s) / seconds,
        "cpu": {name: sum(tasks.values()) / seconds for name, tasks in spent.items()},
        "threads": sorted((s / seconds for s in spent["daemon"].values()), reverse=True)[:6],
    }


def drain(master: int) -> None:
    while os.read(master, 65536):
        pass


async def burst(client: InstrumentClient, world: World, scenario: Scenario) -> float:
    """Seconds until the source was off once that was asked for, in the middle of everything."""
    survey = client.state.survey if client.state is not None else ""
    async with AsyncExitStack() as stack:
        others = [await stack.enter_async_context(InstrumentClient(DAEMON, SystemClock())) for _ in range(10)]
        export = await asyncio.create_subprocess_exec(
            "nice", EARTHWARD, "export", survey, "--out", "/tmp/export", stdout=subprocess.DEVNULL
        )
        for n, (x, y, z, bearing) in enumerate(edge_places(scenario.length_m, scenario.width_m, scenario.depth_m)[:4]):
            world.do(f"hold {x} {y} {z} {bearing}")
            for other in others:
                other.send(m.MoveTo(place=Station(position_m=(x, y, z), bearing_deg=bearing, name=f"L{n}")))
            await keep(client, Station(position_m=(x, y, z), bearing_deg=bearing, name=f"L{n}"))
        begin_s = time.monotonic()
        others[0].send(m.SourceOff())
        while world.do("on") == "True":
            await asyncio.sleep(0.002)
        off_s = time.monotonic() - begin_s
        if export.returncode is None:
            export.terminate()
        await export.wait()
    return off_s


async def measured(seconds: float) -> dict[str, object]:
    scenario, world = Scenario.random(1), World()
    master, slave = pty.openpty()
    watch = subprocess.Popen(
        [EARTHWARD, "watch", "--connect", str(DAEMON)], stdin=slave, stdout=slave, stderr=slave,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"},
    )  # fmt: skip
    threading.Thread(target=drain, args=(master,), daemon=True).start()
    shown = subprocess.run(
        ["systemctl", "show", "-p", "MainPID", "--value", "virtual-world"], capture_output=True, text=True, check=True
    )
    emulated = int(shown.stdout)
    try:
        async with InstrumentClient(DAEMON, SystemClock()) as client:
            await energise(client, world)
            await asyncio.sleep(5.0)
            first = look(watch.pid, emulated)
            await asyncio.sleep(seconds)
            second = look(watch.pid, emulated)
            off_s = await burst(client, world, scenario)
            third = look(watch.pid, emulated)
            alive = watch.poll() is None
            world.do("enable 0")
    finally:
        watch.terminate()
    return {"quiet": between(first, second), "burst": between(second, third), "off_s": off_s, "dashboard": alive}


if __name__ == "__main__":
    print(json.dumps(asyncio.run(measured(float(sys.argv[1])))))
