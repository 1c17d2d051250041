"""Half an hour in real time on the emulated bench: memory minute by minute, and how true the sample times are.

    python tests/benchmarks/bench_half_hour.py [--minutes 30] [--seed 1]

The daemon runs on the emulated bench at the speed of real time, source on, the pole moving along the edge, as in
`bench_chain`. The emulated converter writes down when each conversion really ended, and its code. Afterwards the
recording is gone through as the detector does, stamps into a `SampleClock` a hop at a time, and each hop's last
conversion is found among the true ones by its codes: the clock's word for its end, less the true end, is the error of
the sample time. Stamps are the ready edge's own time here, as a Pi's kernel tells it, so what can go wrong is which
conversion a sample is taken for. Memory is of this whole process, bench included.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import sys
import tempfile
from pathlib import Path

# As the `earthward` command does, before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_long_day import resident_MB

from earthward.clock import PacedClock
from earthward.commands.demo import bench_wiring, demo_config, new_visit
from earthward.commands.demo_walk import Walk
from earthward.daemon.life import Daemon
from earthward.daemon.recorder import read_recording
from earthward.emulated.ads1115 import EmulatedAds
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario
from earthward.signal.sampleclock import SampleClock
from earthward.signal.types import SampleBlock

#: A conversion as it really was: when it ended, and its code.
CONVERSION = np.dtype([("end_s", "<f8"), ("code", "<i2")])
#: So many conversions in a row tell which true ones they are; stamps are late by no more than so many; a hop.
MATCH, LATEST, HOP = 24, 600, 24
#: The clock's first stretch, as the detector takes it; and for how long its line may still settle.
FIRST_S, SETTLED_S = 0.5, 10.0


class Truth:
    """Writes the converter's conversions to a file: in memory they would look like growth."""

    def __init__(self, chip: EmulatedAds, path: Path) -> None:
        self._file = path.open("wb")
        self._convert = chip._convert
        chip._convert = self._converted  # type: ignore[method-assign]

    def _converted(self, end_s: float, config: int) -> int:
        word = self._convert(end_s, config)
        self._file.write(np.array((end_s, _signed(word)), dtype=CONVERSION).tobytes())
        return word

    def close(self) -> None:
        self._file.close()


def _signed(word: int) -> int:
    return word - 65536 if word & 0x8000 else word


async def run(minutes: int, seed: int) -> None:
    scenario, clock = Scenario.random(seed), PacedClock(1.0)
    with tempfile.TemporaryDirectory(prefix="earthward-") as folder, EmulatedBench(scenario, clock) as bench:
        out = Path(folder)
        truth = Truth(bench.chip, out / "conversions")
        config = demo_config(scenario, out / "socket")
        visit = new_visit(scenario, config, out)
        daemon = Daemon(config, bench_wiring(bench, config, clock), visit=visit, recording=out / "recording")
        await daemon.start()
        walk = asyncio.create_task(Walk(bench, daemon, out / "socket", lambda text: None).stroll())
        memory: list[float] = []
        print("EMULATED bench; minute: resident memory of the whole process, MB")
        try:
            while len(memory) <= minutes:
                if walk.done():
                    walk.result()
                    raise SystemExit("the pole stopped moving: nothing after that is worth anything")
                memory.append(resident_MB())
                print(f"{len(memory) - 1:4d}  {memory[-1]:7.2f}", flush=True)
                until = clock.now() + 60.0
                while clock.now() < until and len(memory) <= minutes and not walk.done():
                    await asyncio.sleep(0.5)
        finally:
            walk.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await walk
            await daemon.close()
            visit.store.close()
            truth.close()
        # The first tenth fills every buffer.
        base = memory[max(1, minutes // 10)]
        print(f"growth from minute {max(1, minutes // 10)} on {memory[-1] - base:+.2f} MB (goal < 5)")
        print(times(out))


def times(out: Path) -> str:
    """What the recording's sample times are worth, in one sentence."""
    true = np.fromfile(out / "conversions", dtype=CONVERSION)
    samples = read_recording(out / "recording").samples(0)
    late_s, error_s, unmatched = compare(samples, true)
    lost = int(samples.index[-1] - samples.index[0] + 1 - len(samples))
    if not len(error_s):
        return "no sample could be found among the true conversions"
    return (
        f"{len(samples)} samples, {lost} lost; {len(error_s)} hops compared, {unmatched} not found again. Stamps late"
        f" by {1e3 * np.median(late_s):.2f} ms in the median, {1e3 * late_s.max():.1f} ms at most; sample time less the"
        f" true one: {1e3 * np.median(error_s):+.3f} ms in the median, worst {1e3 * np.abs(error_s).max():.3f} ms (goal"
        " 1 ms)"
    )


def compare(samples: SampleBlock, true: NDArray[np.void]) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """(stamp less true end, clock's time less it) of each hop's last sample; how many hops were not found again."""
    codes = np.rint(samples.v_V / np.asarray(samples.full_scale_V) * 32768).astype(np.int64)
    true_s, true_code = np.asarray(true["end_s"]), np.asarray(true["code"], dtype=np.int64)
    first = int(np.searchsorted(samples.t_s, samples.t_s[0] + FIRST_S))
    clock = SampleClock()
    clock.start(samples.index[:first], samples.t_s[:first])
    late, error, unmatched = [], [], 0
    for stop in range(first + HOP, len(samples) + 1, HOP):
        rows = slice(stop - HOP, stop)
        clock.push(samples.index[rows], samples.t_s[rows])
        if samples.t_s[stop - 1] - samples.t_s[0] < SETTLED_S:
            continue
        k = _found(
            codes[stop - MATCH : stop], samples.index[stop - MATCH : stop], samples.t_s[stop - 1], true_s, true_code
        )
        if k is None:
            unmatched += 1
            continue
        late.append(samples.t_s[stop - 1] - true_s[k])
        error.append(clock.line(int(samples.index[stop - 1]))[0] - true_s[k])
    return np.array(late), np.array(error), unmatched


def _found(
    codes: NDArray[np.int64],
    index: NDArray[np.int64],
    stamp_s: float,
    true_s: NDArray[np.float64],
    true_code: NDArray[np.int64],
) -> int | None:
    """Which true conversion the last of these samples is: the one at which all codes agree, if there is just one."""
    newest = int(np.searchsorted(true_s, stamp_s, side="right")) - 1
    back = index - index[-1]
    ends = np.arange(newest, max(newest - LATEST, -int(back[0])), -1)
    if not len(ends):
        return None
    agree = (true_code[ends[:, None] + back] == codes).sum(axis=1)
    good = np.flatnonzero(agree >= len(codes) - 1)
    return int(ends[good[0]]) if len(good) == 1 else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    if args.minutes < 1:
        parser.error("--minutes: at least 1")
    sys.setswitchinterval(0.0005)
    asyncio.run(run(args.minutes, args.seed))


if __name__ == "__main__":
    main()
