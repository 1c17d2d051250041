"""Which runs are made: every fault, what each provokes, boards as they may come out of the workshop, sabotage."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from hardware.source_board.output_stage.circuit import BY_REF, PINS, SIMULATED
from hardware.source_board.output_stage.faults import NONE, Fault, faults_of, moisture_faults, single_faults
from hardware.source_board.output_stage.netlist import CLAMP5_PER_K, CLAMP_PER_K, FULL, Build, Course
from hardware.source_board.output_stage.simulate import Outcome, run

#: The clamp bears most at a full battery; the other end is tried for the representative part.
BATTERY_V = 15.0
CASES = Path(__file__).with_name("cases.txt")
#: Above its rating a part is taken to fail, whichever way it likes.
PROVOKED_ABOVE = 1.0


def all_faults() -> tuple[Fault, ...]:
    return (NONE, *single_faults(), *moisture_faults())


def sweep(
    faults: Iterable[Fault],
    battery_V: float = BATTERY_V,
    jobs: int = 1,
    stress: bool = False,
    told: Callable[[Outcome], object] = lambda outcome: None,
    course: Course = FULL,
) -> list[Outcome]:
    """One run per fault; `told` hears of each as it is done."""

    def one(fault: Fault) -> Outcome:
        outcome = run(fault, battery_V, stress=stress, course=course)
        told(outcome)
        return outcome

    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(one, faults))


def provoked(outcome: Outcome) -> list[Fault]:
    """The first failures that a run's overstress provokes, each as primary fault plus that failure."""
    found: list[Fault] = []
    for ref, stress in outcome.stress.items():
        if stress.worst <= PROVOKED_ABOVE or any(ref == cut for cut, _ in outcome.fault.cut):
            continue
        ways = ("open",) if BY_REF[ref].kind == "FUSE" else ("short", "open", "on")
        found += [f for f in faults_of(BY_REF[ref]) if f.name.endswith(ways)]
    if outcome.five_V > 6.0:  # the processor's absolute maximum (data sheet, from memory)
        found += [Fault(f"pin {pin} to its supply", pins=((pin, 1),)) for pin in PINS]
    return [outcome.fault + second for second in found]


def worst_first(outcomes: Iterable[Outcome]) -> list[Outcome]:
    return sorted(outcomes, key=lambda o: o.margin, reverse=True)


def printed() -> list[tuple[str, float]]:
    """(name of the case, share of the bound) from the table that was last printed, worst first."""
    rows = []
    for line in CASES.read_text(encoding="utf-8").split("\n\n")[0].splitlines()[1:]:
        rows.append((line[:70].strip(), float(line[70:].split()[2])))
    return sorted(rows, key=lambda row: row[1], reverse=True)


def largest_current() -> list[Fault]:
    """The one case that drove most when the table was printed."""
    rows = CASES.read_text(encoding="utf-8").split("\n\n")[0].splitlines()[1:]
    worst = max(rows, key=lambda row: float(row[70:].split()[0]))[:70].strip()
    return [fault for fault in all_faults() if fault.name == worst]


def representative() -> list[Fault]:
    """A tenth of the cases: those that came closest to a bound when the table was printed."""
    by_name = {fault.name: fault for fault in all_faults()}
    names = [name for name, _ in printed() if name in by_name]
    return [by_name[name] for name in names[: len(by_name) // 10]]


def random_build(chance: random.Random, temperature_C: float) -> Build:
    """A board from the workshop: every value anywhere within its tolerance, every model within what is usual."""

    def spread(tolerance: float) -> float:
        return 1.0 + chance.uniform(-tolerance, tolerance)

    above_K = temperature_C - 25.0
    return Build(
        clamp_V=11.0 * spread(0.02) * (1 + CLAMP_PER_K * above_K),
        clamp5_V=5.6 * spread(0.05) * (1 + CLAMP5_PER_K * above_K),
        regulator=spread(0.02),
        five_V=5.0 * spread(0.05),
        threshold_shift_V=chance.uniform(-0.4, 0.4),
        gain=chance.uniform(0.5, 2.0),
        factors={p.ref: spread(p.spec.tolerance) for p in SIMULATED if p.spec.tolerance and p.kind in ("R", "C", "L")},
    )


def builds(count: int, seed: int = 1) -> Iterator[tuple[Fault, float, float, Build]]:
    """(fault, battery, temperature, build): each board has one of the faults that came closest, every tenth none."""
    chance = random.Random(seed)
    faults = representative()
    for k in range(count):
        temperature_C = chance.uniform(-10.0, 60.0)
        fault = NONE if k % 10 == 0 else faults[k % len(faults)]
        yield fault, chance.uniform(10.0, 15.0), temperature_C, random_build(chance, temperature_C)


#: A stage weakened in design -> the fault that shows it: each must be found not held.
WEAK: dict[str, tuple[Build, Fault]] = {
    "clamp of 13 V": (Build(clamp_V=13.0), Fault("U1 full on", full_on=("U1",))),
    "pole resistors of 56 ohm": (
        Build(factors={f"R{k}": 56 / 274 for k in (22, 23, 24, 25, 27, 28)}),
        Fault("Q9 collector-emitter short", bridges=(("bo", "e2", 0.01),)),
    ),
    "no upper limiter, small poles": (
        Build(factors={"R10": 1e-3, **{f"R{k}": 56 / 274 for k in (22, 23, 24, 25, 27, 28)}}),
        Fault("R20 short", bridges=(("e2", "0", 0.01),)),
    ),
}
