#!/usr/bin/env python3
"""What the lock-in takes for signal though no current flows past the pair: the water swings against earth, the receiver
floats. Simulated with ngspice, then averaged by the converter and fitted like a reading.

python hardware/receiver_front_end/false_signal.py            the table of the README

The water is one node against earth. Each wire has a contact resistance at its electrode and 1 nF to the screen (10 m
of cable), and the receiver's 0 V has a capacitance to earth: a hand on the case, a power bank, a wet deck.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "firmware_host"))
from hardware.receiver_front_end import front_end

from earthward.record.waveform import WAVEFORMS, WaveformName
from earthward.signal import waveforms

FloatArray = NDArray[np.float64]

SWING_V = 12.0
#: Duration of an edge: the output stage, simulated with its load of 1 kohm, goes from 10 to 90 % in 40 us.
EDGE_S = 50e-6
FREQUENCY_HZ = 35.0
RATE_HZ = 885.8
CABLE_F = 1e-9
#: Contact resistance of the front, back and ring electrode in pool water (own estimate; the front's mismatch is added).
CONTACT_OHM = 500.0
RING_OHM = 50.0
PERIODS = 3
MISMATCH_OHM = (0.0, 1e3, 3e3)
#: A single-ended conversion further than this from mid-supply: the third contact is broken.
BROKEN_V = 0.5
EARTH_F = (20e-12, 200e-12, 500e-12, 2e-9)


class SimulationFailed(Exception):
    """ngspice gave no usable result."""


@dataclass(frozen=True)
class Case:
    waveform: WaveformName
    mismatch_ohm: float
    earth_F: float
    revision: front_end.Revision = "B"
    ring_broken: bool = False


@dataclass(frozen=True)
class Outcome:
    """false_V: what the fit takes for signal. lowest_V, highest_V: an input against the receiver's 0 V, any moment.
    common_V: largest distance of one single-ended conversion from mid-supply."""

    false_V: float
    lowest_V: float
    highest_V: float
    common_V: float


def _source(waveform: WaveformName) -> str:
    """The water against earth: PWL with real edges, or a sine. The pair's voltage is positive while it is positive."""
    levels = WAVEFORMS[waveform].levels
    if levels is None:
        return f"SIN(0 {SWING_V} {FREQUENCY_HZ})"
    chip = 1.0 / FREQUENCY_HZ / len(levels)
    points = [(0.0, 0.0)]
    previous = 0.0
    for k in range(PERIODS * len(levels)):
        level = SWING_V * levels[k % len(levels)]
        if level != previous:
            points += [(k * chip + 1e-9, previous), (k * chip + EDGE_S, level)]
        previous = level
    return "PWL(" + " ".join(f"{t:.9g} {v:g}" for t, v in points) + ")"


def netlist(case: Case) -> str:
    lines = [
        f"* front end {case.revision}, {case.waveform}, {case.mismatch_ohm:g} ohm, {case.earth_F:g} F",
        front_end.netlist(case.revision),
        f"Vw water earth {_source(case.waveform)}",
        f"Ce 0 earth {case.earth_F:g}",
        "Re 0 earth 1e12",
        f"Rf water front {CONTACT_OHM + case.mismatch_ohm:g}",
        f"Rb water back {CONTACT_OHM:g}",
        # Revision A's screen is joined to the receiver's 0 V, revision B's to the ring.
        f"Cf front {'0' if case.revision == 'A' else 'ring'} {CABLE_F:g}",
        f"Cb back {'0' if case.revision == 'A' else 'ring'} {CABLE_F:g}",
    ]
    if case.revision == "B":
        lines.append(f"Rr water ring {'1e12' if case.ring_broken else f'{RING_OHM:g}'}")
    lines.append(".options method=gear reltol=1e-5 vntol=1e-9 abstol=1e-14 chgtol=1e-18")
    return "\n".join(lines) + "\n"


def simulate(case: Case, timeout_s: float = 120.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(times, back input, front input), volts against the receiver's 0 V, at the simulator's own steps."""
    with tempfile.TemporaryDirectory() as folder:
        data, deck = Path(folder) / "out.txt", Path(folder) / "run.cir"
        control = f".control\ntran 2u {PERIODS / FREQUENCY_HZ:.9g} 0 20u\nwrdata {data} v(ain0) v(ain1)\n.endc\n.end\n"
        deck.write_text(netlist(case) + control, encoding="ascii")
        environment = {**os.environ, "OMP_NUM_THREADS": "1"}
        done = subprocess.run(
            ["ngspice", "-b", str(deck)],
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
            env=environment,
        )
        if not data.exists():
            raise SimulationFailed(f"{case}: {(done.stdout + done.stderr)[-800:]}")
        table = np.loadtxt(data)
    if table.ndim != 2 or table[-1, 0] < 0.999 * PERIODS / FREQUENCY_HZ:
        raise SimulationFailed(f"{case}: stopped early: {(done.stdout + done.stderr)[-800:]}")
    return table[:, 0], table[:, 1], table[:, 3]


def conversions(t_s: FloatArray, v: FloatArray, end_s: FloatArray) -> FloatArray:
    """Mean over each conversion that ends at `end_s`, the last simulated period repeated for ever."""
    period = 1.0 / FREQUENCY_HZ
    start = (PERIODS - 1) * period
    total = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t_s))])
    origin = float(np.interp(start, t_s, total))
    whole = float(np.interp(start + period, t_s, total)) - origin

    def integral(at_s: FloatArray) -> FloatArray:
        turns = np.floor(at_s / period)
        return np.asarray(turns * whole + np.interp(start + at_s - turns * period, t_s, total) - origin)

    return np.asarray((integral(end_s) - integral(end_s - 1.0 / RATE_HZ)) * RATE_HZ)


def run(case: Case) -> Outcome:
    t, back, front = simulate(case)
    end = np.arange(1, round(20 * RATE_HZ / FREQUENCY_HZ)) / RATE_HZ
    reference = waveforms.averaged(case.waveform, end * FREQUENCY_HZ, FREQUENCY_HZ / RATE_HZ)
    columns = np.column_stack([reference, np.ones(end.size)])
    value = np.linalg.lstsq(columns, conversions(t, back - front, end), rcond=None)[0][0]
    last = t > (PERIODS - 1) / FREQUENCY_HZ
    inputs = np.concatenate([back[last], front[last]])
    common = np.abs(conversions(t, back, end) - 0.5 * front_end.SUPPLY_V)
    return Outcome(float(value), float(inputs.min()), float(inputs.max()), float(common.max()))


def table() -> str:
    """Markdown: largest false signal of the three waveforms, before and after, and what a broken ring shows."""
    lines = [
        "| receiver to earth | mismatch | A: false signal | A: inputs | B: false signal | B: inputs"
        " | B: single-ended | ring broken: single-ended |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for earth in EARTH_F:
        for mismatch in MISMATCH_OHM:
            row = f"| {earth * 1e12:.0f} pF | {mismatch / 1e3:.0f} kohm |"
            for revision in ("A", "B"):
                cases = [Case(w, mismatch, earth, revision) for w in WAVEFORMS]
                found = [run(case) for case in cases]
                each = " / ".join(f"{o.false_V * 1e6:+.2f}" for o in found)
                low, high = min(o.lowest_V for o in found), max(o.highest_V for o in found)
                row += f" {each} uV | {low:.2f} to {high:.2f} V |"
            healthy = max(o.common_V for o in found)
            off = [run(replace(case, ring_broken=True)) for case in cases]
            row += f" {healthy * 1e3:.1f} mV | {min(o.common_V for o in off) * 1e3:.0f} mV or more |"
            lines.append(row)
            print(row, file=sys.stderr, flush=True)
    return "\n".join(lines)


if __name__ == "__main__":
    print(table())
