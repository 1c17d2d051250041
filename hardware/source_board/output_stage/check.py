#!/usr/bin/env python3
"""Runs the output stage through ngspice: every single fault, and prints what reaches the electrodes.

    python hardware/source_board/output_stage/check.py            every fault at 9, 12 and 15 V
    python hardware/source_board/output_stage/check.py --only Q5  faults whose name contains a word
    python hardware/source_board/output_stage/check.py --bom      write bom.csv

One run drives one fault with a bipolar waveform through electrode A over seven loads (0 ohm to open), then
through electrode B over three. Measured are the largest current through the water and the largest voltage
between an injection electrode and the earth electrode. Exit code 1 if any case is above its bound.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import csv
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import stage

CURRENT_BOUND_A = 0.020  # own choice, held under any single fault
VOLTAGE_BOUND_V = 12.4  # NEC 680.2: interrupted DC, the lowest of the contact limits
BATTERIES_V = (9.0, 12.0, 15.0)
#: Largest Zener voltage in stock of an 11 V, 2 % part, and its rise with temperature (0.075 %/K, from memory) to 60 C.
CLAMP_WORST_V = 11.0 * 1.02 * (1 + 0.00075 * 35)

MEASURES = {
    "vpk": "MAX v(vabs)",
    "ipk": "MAX v(iabs)",
    "voff": f"MAX v(vabs) from=0 to={stage.START_S - 1e-5:.6g}",
    "ioff": f"MAX v(iabs) from=0 to={stage.START_S - 1e-5:.6g}",
    "ishort": f"MAX v(iabs) from={stage.START_S:.6g} to={stage.START_S + stage.SLOT_S:.6g}",
    "rail": "MAX v(vb)",
    "ibat": f"MIN i(Vbat) from={stage.START_S:.6g} to={stage.end_s():.6g}",
    "pz": "MAX v(pz)",
    "pq5": f"AVG v(pq5) from={stage.START_S:.6g} to={stage.START_S + stage.SLOT_S:.6g}",
    "pq9": f"AVG v(pq9) from={stage.START_S:.6g} to={stage.START_S + stage.SLOT_S:.6g}",
    "preg": f"AVG v(pr) from={stage.START_S:.6g} to={stage.START_S + stage.SLOT_S:.6g}",
}


@dataclass(frozen=True)
class Outcome:
    """Peaks of one run at the electrodes, in SI; powers in W. `voff`, `ioff`: before anything was driven."""

    fault: str
    battery_V: float
    voltage_V: float
    current_A: float
    voltage_off_V: float
    current_off_A: float
    current_short_A: float
    rail_V: float
    battery_A: float
    clamp_W: float
    upper_W: float
    lower_W: float
    regulator_W: float

    @property
    def held(self) -> bool:
        return self.current_A <= CURRENT_BOUND_A and self.voltage_V <= VOLTAGE_BOUND_V


class SimulationFailed(RuntimeError):
    """ngspice did not finish a run: that is no pass."""


def ngspice(
    text: str, measures: dict[str, str], stop_s: float, step_s: float = 5e-6, timeout_s: float = 120.0
) -> dict[str, float]:
    """Run one netlist in batch and return its measures. Raises SimulationFailed."""
    control = "\n".join(f"meas tran {name} {what}" for name, what in measures.items())
    full = f"{text}.control\ntran {step_s:g} {stop_s:.9g} uic\n{control}\n.endc\n.end\n"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.cir"
        path.write_text(full, encoding="ascii")
        try:
            done = subprocess.run(
                ["ngspice", "-b", str(path)],
                capture_output=True,
                text=True,
                timeout=timeout_s,
                check=False,
                env={**os.environ, "OMP_NUM_THREADS": "1"},
            )
        except subprocess.TimeoutExpired:
            raise SimulationFailed(f"{full.splitlines()[0]}: not done after {timeout_s:g} s") from None
    found = {name: float(value) for name, value in re.findall(r"^(\w+)\s+=\s+(\S+)", done.stdout, re.MULTILINE)}
    missing = set(measures) - set(found)
    if missing:
        tail = (done.stdout + done.stderr)[-1500:]
        raise SimulationFailed(f"{full.splitlines()[0]}: no {', '.join(sorted(missing))}\n{tail}")
    return found


def run(fault: stage.Fault, battery_V: float, **variant: object) -> Outcome:
    variant.setdefault("clamp_V", CLAMP_WORST_V)
    text = stage.netlist(fault, battery_V, **variant)  # type: ignore[arg-type]
    m = ngspice(text, MEASURES, stage.end_s())
    return Outcome(
        fault.name,
        battery_V,
        m["vpk"],
        m["ipk"] / 1e3,
        m["voff"],
        m["ioff"] / 1e3,
        m["ishort"] / 1e3,
        m["rail"],
        -m["ibat"],
        m["pz"] / 1e3,
        m["pq5"] / 1e3,
        m["pq9"] / 1e3,
        m["preg"] / 1e3,
    )


def sweep(faults: list[stage.Fault], batteries_V: tuple[float, ...], jobs: int) -> list[Outcome]:
    cases = [(fault, battery) for fault in faults for battery in batteries_V]
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(lambda case: run(*case), cases))


def stop_times(battery_V: float = 12.0, load_ohm: float = 1e3) -> dict[str, float]:
    """Seconds from each way of stopping by hardware alone until less than 0.5 V is left at the electrodes.

    The drive pins keep driving positive and the other pins stay as they are: nobody helps.
    """
    times = {}
    opening_s = 20e-3
    driven = stage.Fault("driven", pins=(("pb1", 1), ("pb2", 0)))
    for name, opens in (
        ("emergency stop opened", {"S1": opening_s}),
        ("enable released", {"S2": opening_s}),
        ("alive pin stops", {"alive": opening_s}),
    ):
        text = stage.netlist(driven, battery_V, opens=opens, fixed_load_ohm=load_ohm)
        m = ngspice(text, {"toff": "WHEN v(vabs)=0.5 FALL=LAST", "von": f"FIND v(vabs) AT={opening_s}"}, 0.15, 20e-6)
        if m["von"] < 3.0:
            raise SimulationFailed(f"{name}: the output was not on before ({m['von']:.2f} V)")
        times[name] = m["toff"] - opening_s
    return times


def table(outcomes: list[Outcome]) -> str:
    """One line per fault with the worst of the batteries."""
    worst: dict[str, Outcome] = {}
    voltage: dict[str, float] = {}
    for o in outcomes:
        voltage[o.fault] = max(voltage.get(o.fault, 0.0), o.voltage_V)
        if o.fault not in worst or o.current_A > worst[o.fault].current_A:
            worst[o.fault] = o
    lines = [f"{'fault':46s} {'peak mA':>8s} {'peak V':>7s} {'at rest mA':>10s} {'clamp mW':>9s} {'held':>5s}"]
    for name, o in worst.items():
        same = [x for x in outcomes if x.fault == name]
        held = all(x.held for x in same)
        lines.append(
            f"{name:46s} {o.current_A * 1e3:8.2f} {voltage[name]:7.2f} {max(x.current_off_A for x in same) * 1e3:10.3f}"
            f" {max(x.clamp_W for x in same) * 1e3:9.1f} {'yes' if held else 'NO':>5s}"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", default="", help="only faults whose name contains this")
    parser.add_argument("--battery", type=float, action="append", help="battery volts (default 9, 12, 15)")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--bom", action="store_true", help="write bom.csv beside this file and stop")
    args = parser.parse_args()
    if args.bom:
        with (Path(__file__).parent / "bom.csv").open("w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle, lineterminator="\n")
            writer.writerow(("references", "quantity", "part", "value", "rating", "job"))
            writer.writerows(stage.bill_of_materials())
        return 0
    faults = [stage.Fault("none"), *stage.single_faults()]
    faults = [fault for fault in faults if args.only.lower() in fault.name.lower()]
    outcomes = sweep(faults, tuple(args.battery or BATTERIES_V), args.jobs)
    print(table(outcomes))
    worst_a = max(outcomes, key=lambda o: o.current_A)
    worst_v = max(outcomes, key=lambda o: o.voltage_V)
    hottest = max(outcomes, key=lambda o: o.clamp_W)
    print(
        f"\n{len(faults)} cases, {len(outcomes)} runs, generic device models, clamp at its worst {CLAMP_WORST_V:.2f} V"
    )
    print(f"largest current {worst_a.current_A * 1e3:.2f} mA of 20 ({worst_a.fault}, battery {worst_a.battery_V:g} V)")
    print(f"largest voltage {worst_v.voltage_V:.2f} V of 12.4 ({worst_v.fault}, battery {worst_v.battery_V:g} V)")
    print(f"hottest clamp {hottest.clamp_W * 1e3:.0f} mW of 1300 ({hottest.fault}, battery {hottest.battery_V:g} V)")
    if not args.only:
        for name, seconds in stop_times().items():
            print(f"hardware alone, {name}: output below 0.5 V after {seconds * 1e3:.2f} ms")
    failed = [o for o in outcomes if not o.held]
    print("all held" if not failed else f"{len(failed)} runs NOT held")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
