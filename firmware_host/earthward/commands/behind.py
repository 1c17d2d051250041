"""A daemon in a process of its own behind the dashboard in this terminal: the demo and replays use it.

The dashboard draws on this terminal, so the daemon's log goes to a file; each may die without taking the other along.
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from earthward.daemon.life import Daemon
from earthward.errors import InputError
from earthward.units import Units

START_S = 30.0


def hands_socket(socket: Path) -> Path:
    """Where an emulated bench takes what hands do."""
    return socket.with_name(socket.name + ".hands")


def dashboard_over(arguments: list[str], log_file: Path, hands: bool = False, units: Units = "si") -> int:
    """Run `earthward ARGUMENTS --serve SOCKET` and the dashboard on that socket, until the person leaves it."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError("the dashboard needs a terminal; without one use --headless")
    # A small machine takes seconds to load what draws.
    print("The emulated instrument and its screen are starting ...", flush=True)
    from earthward.display.app import run_dashboard
    from earthward.display.hands import BenchHands

    with tempfile.TemporaryDirectory(prefix="earthward-") as private:
        socket = Path(private) / "socket"
        command = [sys.executable, "-m", "earthward", *arguments, "--serve", str(socket)]
        environment = {**os.environ, "EARTHWARD_LOG": os.environ.get("EARTHWARD_LOG", "INFO")}
        with open(log_file, "wb") as log:
            behind = subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, env=environment)
        try:
            if not hands:
                _wait_for(socket, behind, log_file)
                return run_dashboard(str(socket), units=units)
            # The lesson opens at once: its first line says that the instrument is starting.
            code = run_dashboard(str(socket), units=units, hands=BenchHands(str(hands_socket(socket))))
            if behind.poll() not in (None, 0):
                _wait_for(socket, behind, log_file)
            return code
        finally:
            behind.send_signal(signal.SIGTERM)
            try:
                behind.wait(timeout=10)
            except subprocess.TimeoutExpired:
                behind.kill()


def _wait_for(socket: Path, behind: subprocess.Popen[bytes], log_file: Path) -> None:
    end = time.monotonic() + START_S
    while not socket.exists():
        if behind.poll() is not None or time.monotonic() > end:
            said = log_file.read_text(errors="replace").strip().splitlines() or ["it said nothing"]
            raise InputError(f"the daemon behind the dashboard did not start: {said[-1].removeprefix('earthward: ')}")
        time.sleep(0.05)


async def end_with_parent(parent: int, daemon: Daemon) -> None:
    """A daemon behind a dashboard must not outlive it, however it died."""
    while os.getppid() == parent:
        await asyncio.sleep(0.5)
    daemon.end()
