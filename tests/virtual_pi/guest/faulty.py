"""One fault inside the virtual Pi while the source is on: how soon the output is off, how soon all is well again.

    faulty.py kill|hang|bus|cable     prints one line of JSON; times are the machine's own

`cable`: says "pull" and "plug" on the marks' port and the host does it.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from visitor import DAEMON, World, energise  # type: ignore[import-not-found]

from earthward.clock import SystemClock
from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_hands import holds

MARKS = Path("/dev/virtio-ports/marks")
ABSENT = Path("/sys/module/virtual_receiver/parameters/absent")
PATIENCE_S = 60.0


def main_pid() -> int:
    shown = subprocess.run(
        ["systemctl", "show", "-p", "MainPID", "--value", "earthward"], capture_output=True, text=True, check=True
    )
    return int(shown.stdout)


def mark(word: str) -> None:
    with MARKS.open("w") as port:
        port.write(word + "\n")


#: what is done, and what ends it
FAULTS: dict[str, tuple[Callable[[], object], Callable[[], object]]] = {
    "kill": (lambda: os.kill(main_pid(), signal.SIGKILL), lambda: None),
    "hang": (lambda: os.kill(main_pid(), signal.SIGSTOP), lambda: None),
    "bus": (lambda: ABSENT.write_text("1"), lambda: ABSENT.write_text("0")),
    "cable": (lambda: mark("pull"), lambda: mark("plug")),
}


def wait_until(condition: Callable[[], bool], step_s: float = 0.005) -> float | None:
    begin_s = time.monotonic()
    while not condition():
        if time.monotonic() - begin_s > PATIENCE_S:
            return None
        time.sleep(step_s)
    return time.monotonic() - begin_s


async def healthy_again() -> float | None:
    """Until the daemon answers and its board and converter are well."""
    begin_s = time.monotonic()
    while time.monotonic() - begin_s < PATIENCE_S:
        try:
            async with InstrumentClient(DAEMON, SystemClock()) as client:
                await client.wait(lambda: holds(client, "link") and holds(client, "receiver"), PATIENCE_S, "not well")
                return time.monotonic() - begin_s
        except (OSError, VisitError):
            await asyncio.sleep(0.1)
    return None


async def trial(name: str) -> dict[str, object]:
    begin, end = FAULTS[name]
    world = World()
    async with InstrumentClient(DAEMON, SystemClock()) as client:
        await energise(client, world)
        await asyncio.sleep(1.0)
        was_on = world.do("on")
        before = main_pid()
        begin()
        off_s = await asyncio.to_thread(wait_until, lambda: world.do("on") == "False")
        await asyncio.sleep(2.0)
        trip = client.state.interlock.trip if client.state is not None else None
    end()
    well_s = await healthy_again()
    world.do("enable 0")
    return {
        "was_on": was_on,
        "off_s": off_s,
        "named": trip.code if trip is not None else "",
        "well_s": well_s,
        "restarted": main_pid() != before,
        "came_on": world.do("on"),
    }


if __name__ == "__main__":
    try:
        print(json.dumps(asyncio.run(trial(sys.argv[1]))))
    except (VisitError, OSError, asyncio.IncompleteReadError) as error:
        print(json.dumps({"problem": f"{error}"}))
        sys.exit(1)
