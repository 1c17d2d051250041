"""Checks the output stage by circuit simulation and prints what reaches the electrodes.

    python -m hardware.source_board.output_stage.check            every fault, what it provokes, every wet contact
    python -m hardware.source_board.output_stage.check --only Q5  faults whose name contains a word
    python -m hardware.source_board.output_stage.check --builds 300   boards within tolerance, -10 to 60 degC, 10-15 V
    python -m hardware.source_board.output_stage.check --bom      write bom.csv
    python -m hardware.source_board.output_stage.check --stress   each part's share of its ratings, no fault

Exit code 1 if any case is above its bound.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

from hardware.source_board.output_stage.circuit import BOM_HEAD, bill_of_materials
from hardware.source_board.output_stage.faults import NONE
from hardware.source_board.output_stage.simulate import Outcome, run, stop_times
from hardware.source_board.output_stage.sweeps import all_faults, builds, provoked, sweep, worst_first

HERE = Path(__file__).parent


def table(outcomes: list[Outcome]) -> str:
    """One line per case: largest current and voltage at the electrodes, share of the bound."""
    lines = [f"{'case':70s} {'mA':>7s} {'V':>7s} {'share':>6s} {'held':>5s}"]
    for o in outcomes:
        held = "yes" if o.held else "NO"
        lines.append(f"{o.fault.name:70s} {o.current_A * 1e3:7.2f} {o.voltage_V:7.2f} {o.margin:6.3f} {held:>5s}")
    return "\n".join(lines)


def summary(outcomes: list[Outcome], what: str) -> str:
    amps = max(outcomes, key=lambda o: o.current_A)
    volts = max(outcomes, key=lambda o: o.voltage_V)
    failed = sum(not o.held for o in outcomes)
    return (
        f"{what}: {len(outcomes)} cases; largest current {amps.current_A * 1e3:.2f} mA of 20 ({amps.fault.name}); "
        f"largest voltage {volts.voltage_V:.2f} V of 12.4 ({volts.fault.name}); "
        + ("all held" if not failed else f"{failed} NOT held")
    )


def write_bom() -> None:
    with (HERE / "bom.csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(BOM_HEAD)
        writer.writerows(bill_of_materials())


def print_stress() -> None:
    shares = run(NONE, stress=True).stress
    print(f"{'part':6s} {'volts':>6s} {'amperes':>8s} {'watts':>6s}   share of the rating at 15 V, no fault")
    for ref, s in sorted(shares.items(), key=lambda item: -item[1].worst):
        print(f"{ref:6s} {s.volts:6.2f} {s.amperes:8.2f} {s.watts:6.2f}")


def tell(outcome: Outcome) -> None:
    """Progress, so that a long sweep shows that it is alive."""
    print(f"{outcome.fault.name}: {outcome.margin:.3f}", file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="only faults whose name contains this")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--builds", type=int, default=0, help="so many boards within tolerance instead")
    parser.add_argument("--bom", action="store_true", help="write bom.csv beside this file and stop")
    parser.add_argument("--stress", action="store_true", help="print each part's stress without a fault and stop")
    args = parser.parse_args()
    if args.bom:
        write_bom()
        return 0
    if args.stress:
        print_stress()
        return 0
    if args.builds:
        made = [run(f, volts, temperature_C=t, build=b) for f, volts, t, b in builds(args.builds)]
        print(summary(made, "boards within tolerance"))
        return int(not all(o.held for o in made))
    faults = [fault for fault in all_faults() if args.only.lower() in fault.name.lower()]
    outcomes = sweep(faults, jobs=args.jobs, stress=True, told=tell)
    second = sweep([pair for o in outcomes for pair in provoked(o)], jobs=args.jobs, told=tell)
    print(table(worst_first([*outcomes, *second])))
    print()
    print(summary(outcomes, "single faults and wet contacts"))
    if second:
        print(summary(second, "primary fault and the first failure it provokes"))
    if not args.only:
        for name, seconds in stop_times().items():
            print(f"hardware alone, {name}: output below 0.5 V after {seconds * 1e3:.2f} ms")
    return int(not all(o.held for o in [*outcomes, *second]))


if __name__ == "__main__":
    sys.exit(main())
