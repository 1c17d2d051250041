#!/usr/bin/env python3
"""The source board's firmware, its own binary on a virtual ATmega328P: every figure measured, as one table. EMULATED.

    make -C hardware/source_board && python tests/benchmarks/bench_board.py
    python tests/benchmarks/bench_board.py --frames 1000000    the long try of the parser (minutes)

Times are virtual, in cycles of 16 MHz; only the last lines (speed) depend on this machine.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.support import board_figures as figures
from tests.support.board_rig import FirmwareRig

from earthward.emulated.virtual_mcu import find_build
from earthward.errors import InputError
from earthward.record.board import Trip
from earthward.record.waveform import WAVEFORMS


def row(what: str, value: str, bound: str = "") -> None:
    print(f"| {what} | {value} | {bound} |", flush=True)


def name_of(trip: int) -> str:
    return "restart" if trip == 255 else Trip(trip).name.lower().replace("_", " ")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--frames", type=int, default=20_000, help="corrupted frames (default 20000)")
    parser.add_argument("--garbage", type=float, default=60.0, help="seconds of garbage on the line (default 60)")
    args = parser.parse_args()
    try:
        build = find_build()
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    print("| firmware on the virtual chip (emulated) | measured | stated |\n|---|---|---|")
    row("program in flash", f"{figures.program_size(build)} bytes", "32768")
    for waveform in WAVEFORMS:
        for frequency_Hz in (5.0, 35.2, 100.0):
            t = figures.trace(build, waveform, frequency_Hz, 1.2 if frequency_Hz < 10 else 1.0)
            what = f"{waveform} {frequency_Hz:g} Hz, {t.periods} periods: net charge per period"
            row(what, f"{t.worst_charge_ticks:g} ticks of 0.5 us", "1 tick")
            row("... edge jitter; both outputs high", f"{t.jitter_cycles} cycles; {t.both_high} times", "-; never")
            row("... least gap between polarities", f"{t.least_gap_ticks / 2:.1f} us", "60 us")
    times = figures.deadman_s(build)
    row("dead-man after the last heartbeat", f"{min(times) * 1e3:.1f} to {max(times) * 1e3:.1f} ms", "500 +- 20 ms")
    for waveform, record in WAVEFORMS.items():
        half_s = 0.5 if record.levels is None else 1 / len(record.levels)
        times = figures.over_current_s(build, waveform, 7, 5)
        row(
            f"short circuit, {waveform} 35.2 Hz, 5 moments",
            f"{min(times) * 1e3:.2f} to {max(times) * 1e3:.2f} ms",
            f"one half cycle (chip), {half_s / 35.2 * 1e3:.1f} ms",
        )
    for fault, (seconds, trip) in figures.fault_times_s(build).items():
        row(fault, f"{seconds * 1e3:.2f} ms, {name_of(trip)}")
    for frequency_Hz in (35.2, 99.0):
        gap_s, both, cold_s = figures.switch_gap(build, frequency_Hz)
        cold = "cold" if cold_s >= 0 else "under drive"
        row(
            f"electrode relays at {frequency_Hz:g} Hz",
            f"{gap_s * 1e3:.1f} ms apart, {cold}, both closed: {both}",
            "5 ms",
        )
    driven, took_s = figures.garbage(build, args.garbage)
    row(f"{args.garbage:g} s of garbage, enable held", f"energised: {driven}; link back after {took_s * 1e3:.0f} ms")
    sent, answers, difference = figures.corrupted_frames(build, args.frames)
    row(f"{sent} corrupted frames", f"{answers} accepted; count differs from the host's reader by {difference}", "0")
    rig = FirmwareRig(build)
    rig.mcu.record(False)
    rig.energise()
    rig.mcu.longest_masked_cycles()
    cpu_s, virtual_s = time.process_time(), rig.mcu.time_s
    rig.run(3.0)
    ratio = (rig.mcu.time_s - virtual_s) / (time.process_time() - cpu_s)
    row("longest interrupt handler", f"{rig.mcu.longest_masked_cycles() / 16:.0f} us")
    row("virtual seconds per second of processor, energised", f"{ratio:.1f}")
    rig.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
