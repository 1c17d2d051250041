"""What the dashboard costs and how late it is, on this machine. Prints figures; fails nothing.

    python tests/benchmarks/bench_display.py [--minutes 30] [--seconds 20]

The dashboard runs in its own process on a pseudo-terminal of 80 x 24; a stand-in daemon in this process feeds 20
readings
and 5 states a second through a Unix socket and stamps each reading's value, which is then looked for in the bytes that
reach the terminal. CPU is the process's own user + system time over wall time, so that neighbours do not count.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import pty
import re
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from fcntl import ioctl
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.display import fake_feed
from tests.display.fake_feed import FakeDaemon


class Watched:
    """`earthward watch` on a pty; everything it writes is kept with the time at which it came."""

    def __init__(self, socket: Path, *options: str, size: tuple[int, int] = (80, 24), term: str = "xterm-256color"):
        master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        environ = os.environ | {
            "TERM": term, "LANG": "C.UTF-8", "COLORTERM": "", "PYTHONPATH": str(ROOT / "firmware_host"),
        }  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-m", "earthward", "watch", "--connect", str(socket), *options],
            stdin=slave, stdout=slave, stderr=slave, env=environ, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._master = master
        self.written: list[tuple[float, bytes]] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()
        self.ps = psutil.Process(self.process.pid)

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 65536):
                self.written.append((time.monotonic(), data))

    def type(self, text: str) -> None:
        os.write(self._master, text.encode())

    def cpu_s(self) -> float:
        times = self.ps.cpu_times()
        return float(times.user + times.system)

    def rss_MB(self) -> float:
        return float(self.ps.memory_info().rss / 1e6)

    def pss_MB(self) -> float:
        """Memory with shared pages counted by their share."""
        return float(self.ps.memory_full_info().pss / 1e6)

    def close(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=5)
        if self.process.poll() is None:
            self.process.kill()


async def feed(
    daemon: FakeDaemon, seconds: float, readings: bool = True, states: bool = True
) -> list[tuple[float, str]]:
    """20 readings a second; each differs by one unit in the last digit shown. Returns (time sent, number)."""
    sent: list[tuple[float, str]] = []
    start, n = time.monotonic(), 0
    while time.monotonic() - start < seconds:
        n += 1
        if readings:
            value = (100 + (n * 7) % 800) * 1e-6
            sent.append((time.monotonic(), f"{value * 1e6:.0f} µV"))
            daemon.say(fake_feed.reading(n, value, age_s=0.0))
        if states and n % 4 == 0:
            daemon.say(fake_feed.state())
        await asyncio.sleep(max(0.0, start + n * 0.05 - time.monotonic()))
    return sent


def delays(sent: list[tuple[float, str]], written: list[tuple[float, bytes]]) -> list[float]:
    """From each reading to the first bytes that show it or a newer one: the value row is redrawn at every paint."""
    shown: list[tuple[float, int]] = []
    order: dict[str, list[int]] = {}
    for i, (_, number) in enumerate(sent):
        order.setdefault(number, []).append(i)
    for at, data in written:
        for number in re.findall(r"\+(\d+ µV)  ±", data.decode("utf-8", "replace")):
            before = [i for i in order.get(number, []) if sent[i][0] <= at]
            if before:
                shown.append((at, before[-1]))
    out = []
    for i, (when, _) in enumerate(sent[:-20]):
        later = next((at for at, k in shown if at >= when and k >= i), None)
        if later is not None:
            out.append(later - when)
    return out


def ear_delays() -> list[float]:
    """From the alert to the first alarm chunk that an output is given, the sound thread running in real time."""
    from earthward.clock import SystemClock
    from earthward.devices.cue import Tone
    from earthward.devices.sound import Samples, Sounder

    heard: list[float] = []

    class Ear:
        def play(self, tone: Tone, samples: Samples) -> None:
            if tone.kind == "alarm":
                heard.append(time.monotonic())

        def close(self) -> None: ...

    out = []
    for k in range(40):
        sounder = Sounder([Ear()], SystemClock())
        sounder.start()
        time.sleep(0.05 + 0.001 * k)
        heard.clear()
        at = time.monotonic()
        sounder.alert("alarm")
        while not heard and time.monotonic() - at < 2:
            time.sleep(0.001)
        out.append((heard[0] if heard else at + 2) - at)
        sounder.stop()
    return out


def slowness() -> float:
    """How much longer a fixed loop takes now than at its best: neighbours make CPU seconds longer too."""

    def loop() -> float:
        start = time.process_time()
        sum(range(300_000))
        return time.process_time() - start

    times = [loop() for _ in range(60)]
    return statistics.median(times) / min(times)


async def measure(options: argparse.Namespace) -> None:
    folder = Path(tempfile.mkdtemp())
    daemon = FakeDaemon(folder / "d.sock")
    await daemon.start()
    span = options.seconds

    async def settled(*extra: str) -> Watched:
        watched = Watched(folder / "d.sock", *extra)
        for _ in range(600):
            if daemon.clients:
                break
            await asyncio.sleep(0.05)
        await feed(daemon, 4.0)
        return watched

    async def cpu(watched: Watched, **what: bool) -> float:
        before, start = watched.cpu_s(), time.monotonic()
        await feed(daemon, span, **what)
        return 100 * (watched.cpu_s() - before) / (time.monotonic() - start)

    print(f"a fixed loop takes {slowness():.2f} x its best just now (1.00 = a quiet machine); CPU figures are raw")
    print(f"display at 80 x 24, each figure over {span:.0f} s, {os.cpu_count()} cores here")
    watched = await settled()
    mark = len(watched.written)
    before, start = watched.cpu_s(), time.monotonic()
    sent = await feed(daemon, span)
    print(
        f"CPU, gauge and digits, 20 readings/s:  {100 * (watched.cpu_s() - before) / (time.monotonic() - start):5.2f} %"
    )
    await asyncio.sleep(0.5)
    late = sorted(delays(sent, watched.written[mark:]))
    if late:
        print(
            f"reading sent -> bytes at the terminal: median {1e3 * statistics.median(late):.0f} ms, "
            f"99 % {1e3 * late[int(0.99 * (len(late) - 1))]:.0f} ms, worst {1e3 * late[-1]:.0f} ms of {len(late)}"
        )
    print(f"memory: resident {watched.rss_MB():.1f} MB, proportional {watched.pss_MB():.1f} MB")
    watched.type("m")
    await feed(daemon, 2.0)
    print(f"CPU, map page, 20 readings/s:          {await cpu(watched):5.2f} %")
    plans = asyncio.create_task(change_plans(daemon, span))
    print(f"CPU, map page, plan changed at 1 Hz:   {await cpu(watched):5.2f} %")
    await plans
    print(f"CPU, idle (connected, 5 states/s):     {await cpu(watched, readings=False):5.2f} %")
    print(f"CPU, idle (connected, nothing said):   {await cpu(watched, readings=False, states=False):5.2f} %")
    watched.type("\x1bOP")  # F1: the reading page
    await feed(daemon, 1.0)

    trips = []
    for k in range(10):
        mark, at = len(watched.written), time.monotonic()
        daemon.say(fake_feed.state("tripped"))
        while not any(b"TRIPPED" in d for _, d in watched.written[mark:]) and time.monotonic() - at < 2:
            await asyncio.sleep(0.002)
        trips.append(next((t - at for t, d in watched.written[mark:] if b"TRIPPED" in d), 2.0))
        await feed(daemon, 0.3 + 0.05 * k)
    print(f"trip said -> shown at the terminal:    worst of 10 {1e3 * max(trips):.0f} ms")

    blank = []
    for _ in range(3):
        await feed(daemon, 1.5)
        mark, at = len(watched.written), time.monotonic()
        while not any(b"NO NEW READING" in d for _, d in watched.written[mark:]) and time.monotonic() - at < 3:
            await asyncio.sleep(0.005)
        blank.append(next((t - at for t, d in watched.written[mark:] if b"NO NEW READING" in d), 3.0))
    print(f"feed stopped -> number off:            worst of 3 {1e3 * max(blank):.0f} ms")
    watched.close()

    print(
        f"alarm told to the ear -> first chunk out:  worst of 40 {1e3 * max(ear_delays()):.0f} ms (+ the card's 80 ms)"
    )

    watched = await settled("--reduced")
    print(f"CPU, reduced refresh, 20 readings/s:   {await cpu(watched):5.2f} %")
    if options.minutes:
        watched.close()
        watched = await settled()
        sizes = []
        for minute in range(options.minutes):
            await feed(daemon, 60.0)
            sizes.append(watched.rss_MB())
            print(f"  minute {minute + 1}: resident {sizes[-1]:.2f} MB", flush=True)
        print(f"memory over {options.minutes} min: {sizes[0]:.2f} -> {sizes[-1]:.2f} MB, largest {max(sizes):.2f} MB")
    watched.close()
    await daemon.stop()


async def change_plans(daemon: FakeDaemon, seconds: float) -> None:
    for k in range(round(seconds)):
        daemon.say(fake_feed.plan(revision=100 + k, coverage_fraction=k / 1000))
        await asyncio.sleep(1.0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=0, help="watch memory for so long (30 in the requirement)")
    parser.add_argument("--seconds", type=float, default=20.0)
    asyncio.run(measure(parser.parse_args()))
