"""A long day: the daemon works through hours of samples as fast as it can; memory and disk by the hour, printed.

    python tests/benchmarks/bench_long_day.py [--hours 8] [--keep-every 60]

Bench time is driven by the samples: 860 a second with the source's code, mains and noise go through recording, lock-in,
survey and service, a client reads everything, a reading is kept every minute (--keep-every). Board and converter are
stand-ins, no interlock runs, and the search has a process of its own (and more to do with each reading kept), so what
grows in those is not seen. Memory is what the process has resident; growth counts from the end of the first tenth of
the time, when every buffer is full.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import msgspec
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "firmware_host")]

from tests.support.quick_daemon import Quick, QuickBoard, QuickReceiver, quick_config, quick_visit

from earthward.clock import ManualClock
from earthward.daemon.life import Daemon
from earthward.daemon.parts import Wiring
from earthward.daemon.protocol import TOPICS
from earthward.record.board import BoardState
from earthward.signal.types import PhaseReference, SampleBlock
from earthward.signal.waveforms import averaged

RATE_HZ, CODE_HZ, BLOCK = 860.0, 36.0, 36


class DrivenClock(ManualClock):
    """Moves when samples come. The daemon's own rounds wait this much shorter than they ask for."""

    speed = 20.0


class EnergisedBoard(QuickBoard):
    def __init__(self, clock: ManualClock) -> None:
        super().__init__(clock)
        self.report = msgspec.structs.replace(
            self.report, state=BoardState.ENERGISED, enable_held=True, current_positive_A=5e-3, current_negative_A=-5e-3
        )

    def phase_reference(self) -> PhaseReference | None:
        return PhaseReference(start_s=0.0, frequency_Hz=CODE_HZ, sigma_s=1e-4, frequency_sigma=1e-6)


class DayReceiver(QuickReceiver):
    """Samples of a pole that is moved every minute, with 50 Hz beside them."""

    def __init__(self, clock: ManualClock) -> None:
        super().__init__(clock)
        self._draw = np.random.default_rng(1)
        self._driven = clock

    def deliver(self, count: int = BLOCK) -> None:
        assert self.take is not None
        index = np.arange(self._index, self._index + count)
        self._index += count
        t_s = (index + 1) / RATE_HZ
        here_V = 1e-4 * np.sin(t_s[0] // 60.0)
        volts = here_V * averaged("coded", t_s * CODE_HZ, CODE_HZ / RATE_HZ)
        volts += 2e-4 * np.sin(2 * np.pi * 50.0 * t_s) + 4e-6 * self._draw.standard_normal(count)
        self._driven.advance(float(t_s[-1]) - self._driven.now())
        self.take(SampleBlock(index, t_s, volts, np.zeros(count, np.uint8), 0.256))


def resident_MB() -> float:
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


def disk_MB(folder: Path) -> float:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


async def day(hours: float, keep_every_s: float) -> None:
    with tempfile.TemporaryDirectory(prefix="earthward-") as name:
        folder, clock = Path(name), DrivenClock(0.0)
        wall_s = lambda: 1.8e9 + clock.now()  # noqa: E731 - a calendar that goes with the samples
        board, receiver = EnergisedBoard(clock), DayReceiver(clock)
        visit = quick_visit(folder, wall_s)
        wiring = Wiring(receiver=receiver, board=board, clock=clock, emulated=True, playback=True, wall_s=wall_s)
        daemon = Daemon(quick_config(folder), wiring, visit=visit, recording=folder / "recording")
        await daemon.start()
        line = await Quick(daemon, board, receiver, folder / "socket").connect(*TOPICS)
        heard: dict[bytes, int] = {}

        async def listen() -> None:
            while said := await line.reader.readline():
                kind = said.split(b'"', 4)[3] if said.startswith(b'{"type"') else said[:12]
                heard[kind] = heard.get(kind, 0) + 1

        listening = asyncio.create_task(listen())
        began, kept, base, steps = time.monotonic(), 0, 0.0, 10
        for step in range(1, steps + 1):
            while clock.now() < hours * 3600 * step / steps:
                receiver.deliver()
                if clock.now() // keep_every_s > kept:
                    kept = int(clock.now() // keep_every_s)
                    place = {"position_m": [0.3 + kept % 70 / 10, 0.1, 0.5], "bearing_deg": 0.0, "name": f"S{kept}"}
                    line.say(type="keep", place=place)
                await asyncio.sleep(0)
            await asyncio.sleep(0.2)
            memory, disk = resident_MB(), disk_MB(folder)
            base = memory if step == 1 else base
            print(f"{clock.now() / 3600:6.2f} h   {memory:7.1f} MB resident   {disk:8.1f} MB on disk", flush=True)
        took, bench_h = time.monotonic() - began, clock.now() / 3600
        told = ", ".join(f"{kind.decode()} {count}" for kind, count in sorted(heard.items()))
        print(f"{bench_h:.2f} h in {took:.0f} s; heard {told}")
        if not heard.get(b"reading") or not heard.get(b"kept"):
            raise SystemExit("no readings came, or none was kept: nothing of the above is worth anything")
        print(f"growth after the first tenth {memory - base:+.1f} MB (goal < 5 MB in 8 h)")
        print(f"disk {disk / bench_h:.1f} MB an hour")
        listening.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await listening
        await daemon.close()
        visit.store.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--keep-every", type=float, default=60.0)
    args = parser.parse_args()
    asyncio.run(day(args.hours, args.keep_every))


if __name__ == "__main__":
    main()
