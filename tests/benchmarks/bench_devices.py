"""Figures of the devices room on the emulated bench: `python tests/benchmarks/bench_devices.py`.

Clock map (simulated pings, a fifth stalled by tens of milliseconds), processor time of each thread of the live chain at
860 conversions a second, samples lost, repeats, and the time to come back after an unplugged cable.
With the argument `busy`: samples lost while the interpreter is busy, read in a thread and in a process. With `reader`:
processor time of the whole reading process a sample, ready pulses by another process over a pipe that stands for the
kernel's line, each value by one call of the kernel (a file that stands for the bus).
Times of threads are processor times, so that a busy machine does not change them much; lost samples do depend on it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.unit.test_devices_clockmap import simulate

from earthward.clock import Clock, SystemClock
from earthward.devices.ads1115 import AdcReader, AdcSettings, by_edges
from earthward.devices.ads1115.acquisition import Acquisition
from earthward.devices.ads1115.chip import Chip
from earthward.devices.ads1115.process import Parts, ReaderProcess
from earthward.devices.ads1115.samples import Samples
from earthward.devices.gpio import EdgePin
from earthward.devices.gpio_line import KernelEdges
from earthward.devices.source import SourceLink
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, ReadyPulses, SteadyVoltage
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.pins import EmulatedPins
from earthward.emulated.scenario import Scenario
from earthward.signal.types import SampleBlock


def clock_map(pings: int = 100_000) -> None:
    print(f"clock map, {pings} pings, clock +-0.5 % off and wandering by 30 ppm:")
    for stalled in (0.0, 0.2, 0.4):
        errors, claims, backwards = [], [], 0
        began = time.process_time()
        for seed in range(10):
            result = simulate(pings // 10, seed, stalled=stalled, rate_error=(-1) ** seed * 0.005)
            errors.append(np.abs(result.errors_s))
            claims.append(result.claimed_s)
            backwards += result.backwards
        error, claim = np.concatenate(errors) * 1e3, np.concatenate(claims) * 1e3
        spent = (time.process_time() - began) / pings
        print(
            f"  {stalled:4.0%} stalled: 95 % {np.quantile(error, 0.95):.3f} ms, worst {error.max():.3f} ms, "
            f"claimed sigma {claim.mean():.3f} ms, backwards {backwards}, {spent * 1e6:.0f} us a ping"
        )


def thread_times() -> dict[str, float]:
    times = {}
    for thread in threading.enumerate():
        if thread.ident is not None and thread.is_alive():
            times[thread.name] = time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
    return times


def chain(ready_wire: bool, seconds: float = 10.0) -> None:
    clock = SystemClock()
    with (
        EmulatedBench(Scenario.random(1), clock, ready_wire=ready_wire) as bench,
        AdcReader(bench.i2c, clock, bench.adc_settings(), bench.ready_pin()) as reader,
        SourceLink(bench.port, clock) as link,
    ):
        link.wait_connected(5.0)
        link.configure("coded", 36.0, 0.010)
        link.arm()
        bench.technician.press_enable()
        link.energise()
        bench.technician.hold((3.0, 1.0, 0.5), 30.0)
        clock.sleep(3.0)
        reader.drain()
        before, conversions, wall = thread_times(), bench.chip.conversions, time.monotonic()
        clock.sleep(seconds)
        after, wall = thread_times(), time.monotonic() - wall
        made = bench.chip.conversions - conversions
        blocks = reader.drain()
        got = sum(len(b) for b in blocks)
        print(f"chain at speed 1, {'ready wire' if ready_wire else 'paced by rate'}, {made / wall:.0f} conversions/s:")
        status = reader.status
        print(f"  fetched {got / made:.1%}, marked lost {status.lost_fraction:.1%}, unclear reads {status.repeats}")
        total = {"emulated": 0.0, "instrument": 0.0}
        for name in sorted(after):
            share = (after[name] - before.get(name, 0.0)) / wall
            if share > 1e-4 and name != "MainThread":
                total["emulated" if name.startswith("emulated") else "instrument"] += share
                print(f"  {name:20s} {share:6.2%} of a core")
        print(f"  emulated {total['emulated']:.2%}, instrument (reader and link) {total['instrument']:.2%}")
        now = clock.now()
        mapped = link.host_time(bench.board.clock.ticks(now))
        if mapped is not None:
            print(
                f"  clock map now: error {(mapped - now) * 1e3:+.3f} ms, claimed {link.status.clock_error_s or 0:.6f} s"
            )
        bench.board.unplug()
        clock.sleep(0.5)
        bench.board.replug()
        plugged = clock.now()
        while not link.status.connected:
            clock.sleep(0.01)
        print(f"  connected again {clock.now() - plugged:.2f} s after the cable was plugged in")


def emulated_parts(clock: Clock) -> Parts:
    """A chip with its ready line, opened where it is read."""
    bus, pins = FakeI2C(clock), EmulatedPins(clock)
    chip = EmulatedAds(clock, SteadyVoltage((0.1, 0.0, 0.0, 0.0)))
    bus.add(0x48, chip)
    ready = EdgePin(25, clock, pin_factory=pins)
    pin: Any = pins.pin(25)
    pulses = ReadyPulses(clock, chip, pin.pulse_low, lambda: bus.transfers)
    pulses.start()
    return Parts(bus, ready, pulses.close)


def busy_python(until_s: float) -> None:
    """What detection, service and supervision are to the reading thread: somebody who wants the interpreter too."""
    while time.monotonic() < until_s:
        sum(range(200))


def fetched(blocks: list[SampleBlock], since: int) -> str:
    index = np.concatenate([b.index for b in blocks[since:]])
    made = int(index[-1] - index[0]) + 1
    lost = made - index.size
    return f"{lost} of {made} conversions lost ({lost / made:.2%})"


def busy_interpreter(seconds: float = 8.0) -> None:
    """Samples lost in a quiet and in a busy interpreter, read in a thread and in a process of its own."""
    clock, settings = SystemClock(), AdcSettings(full_scale_V=0.256)
    print(f"ready wire, {seconds:g} s each; busy: one more thread of Python that never rests:")
    for own_process in (False, True):
        blocks: list[SampleBlock] = []
        reader: AdcReader | ReaderProcess
        if own_process:
            reader = ReaderProcess(emulated_parts, clock, settings, on_block=blocks.append)
        else:
            parts = emulated_parts(clock)
            reader = AdcReader(parts.bus, clock, settings, parts.ready, on_block=blocks.append)
        reader.start()
        while len(blocks) < 20:
            clock.sleep(0.1)
        for busy in (False, True):
            since = len(blocks)
            end_s = time.monotonic() + seconds
            if busy:
                busy_python(end_s)
            else:
                clock.sleep(seconds)
            where = "process of its own" if own_process else "thread"
            print(f"  {where}, {'busy' if busy else 'quiet'}: {fetched(blocks, since)}")
        reader.close()
        if not own_process:
            parts.close()


PULSER = """
import os, struct, sys, time
out, rate = int(sys.argv[1]), 860.0
begin, number = time.monotonic(), 0
while os.getppid() == int(sys.argv[2]):
    number += 1
    time.sleep(max(0.0, begin + number / rate - time.monotonic()))
    os.write(out, struct.pack("=QIIII24x", time.monotonic_ns(), 2, 25, number, number))
"""


@dataclass
class PipedParts:
    """A ready line like the kernel's, and a bus whose values cost one call of the kernel each."""

    value: str

    def __call__(self, clock: Clock) -> Parts:
        bus = FakeI2C(clock)
        bus.add(0x48, EmulatedAds(clock, SteadyVoltage((0.1, 0.0, 0.0, 0.0))))
        ours, theirs = os.pipe()
        command = [sys.executable, "-c", PULSER, str(theirs), str(os.getpid())]
        pulser = subprocess.Popen(command, pass_fds=(theirs,))
        os.close(theirs)
        value = os.open(self.value, os.O_RDONLY)
        return Parts(bus, KernelEdges(ours, clock), pulser.kill, lambda address: lambda: os.pread(value, 2, 0))


class EdgesAtOnce:
    """A ready line whose next edge is always there: nobody sleeps, so that only the reading itself is timed."""

    def __init__(self, count: int, stop: threading.Event) -> None:
        self.edges = 0
        self._count, self._stop = count, stop

    def wait(self, timeout_s: float) -> tuple[int, float]:
        self.edges += 1
        if self.edges == self._count:
            self._stop.set()
        return self.edges, time.monotonic()


def own_work(count: int = 8000) -> None:
    clock, stop, blocks = SystemClock(), threading.Event(), list[SampleBlock]()
    bus = FakeI2C(clock)
    bus.add(0x48, EmulatedAds(clock, SteadyVoltage((0.1, 0.0, 0.0, 0.0))))
    with tempfile.TemporaryFile(dir="/dev/shm") as value:
        value.write(bytes((0x32, 0x00)))
        value.flush()
        chip = Chip(bus, clock, AdcSettings(full_scale_V=0.256), lambda address: lambda: os.pread(value.fileno(), 2, 0))
        samples = Samples(chip, clock, blocks.append, 256)
        acquisition = Acquisition(chip, clock, samples, EdgesAtOnce(count, stop), stop, lambda note: None)
        acquisition.open()
        begin = time.thread_time()
        by_edges.acquire(acquisition)
        spent = time.thread_time() - begin
    print(
        f"reading, numbering, checks and blocks without a wake-up: {spent / count * 1e6:.1f} us of processor a sample"
    )


def process_cpu_s(pid: int) -> dict[str, float]:
    """Seconds that each thread of a process has run, by the scheduler's own nanoseconds."""
    used = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        used[task.name] = int((task / "schedstat").read_text().split()[0]) * 1e-9
    return used


def reading_process(seconds: float = 10.0) -> None:
    clock, blocks = SystemClock(), list[SampleBlock]()
    with tempfile.NamedTemporaryFile(dir="/dev/shm") as value:
        value.write(bytes((0x32, 0x00)))
        value.flush()
        settings = AdcSettings(full_scale_V=0.256)
        reader = ReaderProcess(PipedParts(value.name), clock, settings, on_block=blocks.append)
        reader.start()
        while len(blocks) < 20:
            clock.sleep(0.1)
        assert reader.pid is not None
        before, since = process_cpu_s(reader.pid), len(blocks)
        clock.sleep(seconds)
        spent = [s - before.get(name, 0.0) for name, s in process_cpu_s(reader.pid).items()]
        samples = sum(len(b) for b in blocks[since:])
        print(f"reading process, EMULATED bus, {samples} samples in {seconds:g} s, load {os.getloadavg()[0]:.1f}:")
        each = ", ".join(f"{s / samples * 1e6:.1f}" for s in sorted(spent, reverse=True) if s > 1e-4)
        print(f"  {sum(spent) / samples * 1e6:.1f} us of processor a sample (its threads: {each})")
        print(f"  {fetched(blocks, since)}; {memory_of(reader.pid)}")
        reader.close()


def memory_of(pid: int) -> str:
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    kB = {line.split()[0]: int(line.split()[1]) for line in rollup[1:]}
    own = kB["Private_Clean:"] + kB["Private_Dirty:"]
    return f"{kB['Rss:'] / 1e3:.0f} MB resident, {own / 1e3:.0f} MB of it shared with nobody"


if __name__ == "__main__":
    if sys.argv[1:] == ["reader"]:
        own_work()
        reading_process()
        sys.exit()
    if sys.argv[1:] == ["busy"]:
        busy_interpreter()
        sys.exit()
    clock_map(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
    chain(True)
    chain(False)
