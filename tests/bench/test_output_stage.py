"""The output stage in ngspice: what reaches the electrodes under faults, and that the check would notice.

Bounds: 20 mA peak (own choice) and 12.4 V peak (NEC 680.2, interrupted DC, the lowest contact limit). Device
models are generic, relays ideal; see hardware/source_board/output_stage/README.md for what that leaves open.
"""

from __future__ import annotations

import csv
import re
import shutil
from collections import Counter
from pathlib import Path

import pytest
from hardware.source_board.output_stage import check, circuit, drawing, faults, simulate, sweeps
from hardware.source_board.output_stage.catalogue import FAMILIES, MODELS
from hardware.source_board.output_stage.netlist import BRIEF, NOMINAL, Build, netlist

STAGE_DIR = Path(check.__file__).parent
FIRMWARE_DIR = STAGE_DIR.parent / "firmware"

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice to run the output stage's checks"
)


def not_held(outcomes: list[simulate.Outcome]) -> list[str]:
    return [
        f"{o.fault.name} at {o.battery_V:g} V: {o.current_A * 1e3:.1f} mA, {o.voltage_V:.2f} V"
        for o in outcomes
        if not o.held
    ]


def print_worst(outcomes: list[simulate.Outcome]) -> None:
    worst = sweeps.worst_first(outcomes)[0]
    print(check.summary(outcomes, "output stage"))
    print(f"worst margin: {(1 - worst.margin) * 100:.1f} % of a bound left, {worst.fault.name}")


# ---- what reaches the electrodes --------------------------------------------------------------------------


@needs_ngspice
@pytest.mark.parametrize(("ten_volts", "open_V", "short_A"), [(True, 9.75, 8.25e-3), (False, 4.9, 4.1e-3)])
def test_without_a_fault_it_drives_what_the_firmware_expects(ten_volts: bool, open_V: float, short_A: float) -> None:
    outcome = simulate.run(battery_V=12.0, ten_volts=ten_volts)
    assert outcome.voltage_V == pytest.approx(open_V, rel=0.02)
    assert outcome.current_short_A == pytest.approx(short_A, rel=0.02)
    # board.h's model: the range's voltage behind one resistance; limits are a tenth and more above it
    model_V = 10.0 if ten_volts else 5.0
    assert outcome.current_short_A == pytest.approx(model_V / 1200.0, rel=0.05)
    assert outcome.current_short_A < 0.9 * (0.010 if ten_volts else 0.005)


@needs_ngspice
def test_the_tenth_that_came_closest_is_held() -> None:
    """`make test`'s share of the sweep: the cases with the least margin of the whole table, at the loads where current
    and voltage are largest; the one with the largest current over all loads."""
    outcomes = sweeps.sweep(sweeps.representative(), course=BRIEF)
    outcomes += sweeps.sweep(sweeps.largest_current())
    assert len(outcomes) >= len(sweeps.all_faults()) // 10
    assert max(o.current_A for o in outcomes) > 0.011, "the table's largest"
    print_worst(outcomes)
    assert not_held(outcomes) == []


@needs_ngspice
@pytest.mark.slow
def test_every_fault_and_what_it_provokes_is_held() -> None:
    outcomes = sweeps.sweep(sweeps.all_faults(), stress=True)
    seconds = sweeps.sweep([pair for o in outcomes for pair in sweeps.provoked(o)])
    print_worst(outcomes)
    print_worst(seconds)
    assert len(seconds) > 10, "a shorted supply overloads something"
    assert not_held([*outcomes, *seconds]) == []


@needs_ngspice
@pytest.mark.slow
def test_boards_within_tolerance_hold_from_cold_to_hot() -> None:
    outcomes = [
        simulate.run(fault, volts, temperature_C=deg_C, build=build)
        for fault, volts, deg_C, build in sweeps.builds(300)
    ]
    print_worst(outcomes)
    assert not_held(outcomes) == []


@needs_ngspice
@pytest.mark.parametrize("temperature_C", [-10.0, 60.0])
def test_the_tightest_fault_holds_from_cold_to_hot(temperature_C: float) -> None:
    assert simulate.run(sweeps.representative()[0], temperature_C=temperature_C).held


def _wet(name: str) -> faults.Fault:
    return next(fault for fault in faults.off_while_wet() if fault.name == name)


def check_off(fault: faults.Fault) -> None:
    outcome = simulate.run(fault)
    assert outcome.current_A < 0.35e-3, f"{fault.name}: {outcome.current_A * 1e3:.2f} mA with nobody's hand on it"


@needs_ngspice
@pytest.mark.parametrize("name", ["S1 wet, 1 kohm", "S2 wet, 1 kohm", "S2 wet, 3 kohm", "S2 wet, 100 kohm"])
def test_a_wet_contact_does_not_switch_on(name: str) -> None:
    """Every pin of the processor asks for the output, the contact is open and wet, the battery full."""
    check_off(_wet(name))


@needs_ngspice
@pytest.mark.slow
def test_no_wet_contact_switches_on() -> None:
    for fault in faults.off_while_wet():
        check_off(fault)


def test_a_wet_second_pole_reads_as_released() -> None:
    """1 kohm over a contact and the pull-down: below what the chip must read as low, 0.3 of its supply (ATmega328P
    data sheet, from memory)."""
    for pole in ("R37", "R38"):
        share = circuit.BY_REF[pole].value / (circuit.BY_REF[pole].value + 1e3)
        assert share < 0.3


@needs_ngspice
@pytest.mark.parametrize("name", list(sweeps.WEAK))
def test_the_sweep_bites(name: str) -> None:
    """Weakened on purpose, the stage must be found out; whole, the same fault is held. (guards.py: part by part.)"""
    build, fault = sweeps.WEAK[name]
    assert not simulate.run(fault, build=build, course=BRIEF).held
    assert simulate.run(fault, build=NOMINAL, course=BRIEF).held


@needs_ngspice
def test_a_wet_contact_without_its_guards_is_found() -> None:
    """What holds a wet contact: the pull-downs and the under-voltage Zener diode. Without both it switches on."""
    wet = _wet("S2 wet, 1 kohm")
    bare = faults.Fault("guards gone", bridges=(("gz", "d2", faults.SHORT_OHM),), cut=(("R43", 0), ("R44", 0)))
    assert simulate.run(wet + bare).current_A > 0.35e-3


@needs_ngspice
def test_a_processor_supply_that_fails_stays_below_six_volts() -> None:
    fault = faults.Fault("U4 shorted", bridges=(("b5r", "v5", faults.SHORT_OHM),))
    assert simulate.run(fault).five_V < 6.0
    assert simulate.run(fault, build=Build(removed=("D9",))).five_V > 8.0


@needs_ngspice
def test_hardware_alone_takes_the_output_off() -> None:
    """Pins frozen as they were while driving: stop chain, enable switch and alive pump act without the processor."""
    times = simulate.stop_times()
    assert times["emergency stop opened"] < 0.020
    assert times["enable released"] < 0.020
    assert times["alive pin stops"] < 0.100


@needs_ngspice
def test_what_the_processor_measures_is_what_its_scales_say() -> None:
    """Currents and voltages at the water against the converter's pins, with board.h's figures."""
    text = (FIRMWARE_DIR / "board.h").read_text(encoding="utf-8")
    assert "2.5 V + 100 mV per mA" in text and "2.5 V + 156.25 mV per V" in text
    w = simulate.waves(netlist(faults.Fault("driven", pins=(("pb1", 1), ("pb2", 0))), 12.0, fixed_load_ohm=1e3), 8e-3)
    last = -1
    amperes = w["v(iabs)"][last] / 1e3
    volts = w["v(a)"][last] - w["v(e)"][last]
    middle = w["v(v5)"][last] / 2
    assert w["v(pc0)"][last] - middle == pytest.approx(100.0 * amperes, rel=0.01)
    assert w["v(pc1)"][last] - middle == pytest.approx(0.15625 * volts, rel=0.01)
    assert w["v(adc7)"][last] == pytest.approx(w["v(vb)"][last] / 4, rel=0.01)
    assert w["v(pc2)"][last] == pytest.approx(w["v(bp)"][last] / 4, rel=0.01)


@needs_ngspice
def test_no_part_is_stressed_beyond_what_is_usual() -> None:
    """60 % of a rating at a full battery, but for amplifiers whose supply must be 5 V and may be 6 V at most."""
    shares = simulate.run(stress=True).stress
    assert len(shares) == len(circuit.SIMULATED)
    above = {ref: s for ref, s in shares.items() if max(s.volts, s.watts) > 0.6 and not ref.startswith(("U2", "U3"))}
    assert above == {}
    assert max(s.watts for s in shares.values()) > 0.3, "the pull-downs behind the enable take half a rating"
    assert max(s.amperes for s in shares.values()) <= 1.0


# ---- one description --------------------------------------------------------------------------------------


def test_every_part_is_faulted_both_ways_and_every_pin_too() -> None:
    """The list of faults is complete by construction; this counts it from the other side."""
    for part in circuit.SIMULATED:
        of_part = faults.faults_of(part)
        assert any(f.bridges and f.name.endswith("short") for f in of_part), part.ref
        assert sum(bool(f.cut) for f in of_part) >= (3 if part.kind in ("NPN", "PNP", "NMOS", "PMOS") else 1), part.ref
        assert (sum(bool(f.scaled) for f in of_part) == 2) is (part.kind in ("R", "C", "L")), part.ref
    names = [fault.name for fault in sweeps.all_faults()]
    assert len(names) == len(set(names))
    for pin in circuit.PINS:
        assert sum(f"pin {pin} " in name for name in names) == 2


def test_no_net_ends_in_the_air() -> None:
    ends = Counter(net for part in circuit.PARTS for net in part.nets)
    assert [net for net, count in ends.items() if count < 2] == []
    assert len(circuit.BY_REF) == len(circuit.PARTS), "a reference twice"


def test_the_pins_are_the_firmwares() -> None:
    text = (FIRMWARE_DIR / "board.h").read_text(encoding="utf-8")
    for name, pin in (
        ("DRIVE_POSITIVE", "pb1"),
        ("DRIVE_NEGATIVE", "pb2"),
        ("OUT_TEN_VOLTS", "pb3"),
        ("OUT_CLAMP_TEST", "pb4"),
        ("OUT_BRIDGE", "pd4"),
        ("OUT_ELECTRODE_A", "pd5"),
        ("OUT_ELECTRODE_B", "pd6"),
        ("OUT_ALIVE", "pc5"),
    ):
        line = next(line for line in text.splitlines() if line.split()[:2] == ["#define", name])
        assert f"_BV({pin.upper()})" in line
        assert pin in circuit.PINS


def test_the_printed_table_names_every_case_and_none_was_lost() -> None:
    """cases.txt is a print of check.py: of these faults, all held, and the figures that docs/safety.md repeats."""
    text = sweeps.CASES.read_text(encoding="utf-8")
    rows = {line[:70].strip(): line.split()[-1] for line in text.split("\n\n")[0].splitlines()[1:]}
    assert {fault.name[:70].strip() for fault in sweeps.all_faults()} <= set(rows)
    assert set(rows.values()) == {"yes"}
    current = re.search(r"largest current ([\d.]+) mA", text)
    voltage = re.search(r"largest voltage ([\d.]+) V", text)
    assert current is not None and voltage is not None
    safety = (STAGE_DIR.parents[2] / "docs" / "safety.md").read_text(encoding="utf-8")
    assert f"**{float(current[1]):.1f} mA** of 20 | **{float(voltage[1]):.1f} V** of 12.4" in safety


def test_bill_of_materials_is_current() -> None:
    rows = list(csv.reader((STAGE_DIR / "bom.csv").open(encoding="utf-8", newline="")))
    assert tuple(rows[0]) == circuit.BOM_HEAD
    assert [tuple(row) for row in rows[1:]] == circuit.bill_of_materials()
    listed = {ref for row in rows[1:] for ref in row[0].split()}
    assert {circuit.PACKAGES.get(part.ref, part.ref) for part in circuit.PARTS} <= listed
    assert all(int(row[1]) == len(row[0].split()) for row in rows[1:])


def test_every_part_has_a_maker_a_second_source_and_ratings() -> None:
    """The processor has no second source; test points are copper of the board."""
    for name in {part.family for part in circuit.PARTS}:
        spec = FAMILIES[name]
        assert spec.maker and spec.second, name
        assert spec.second != "none" or name in ("mcu", "testpad"), name
        assert spec.volts or spec.amperes or spec.watts or name == "crystal", f"{name}: no rating"
    for name in {part.family for part in circuit.SIMULATED}:
        model = FAMILIES[name].model
        assert not model or f".model {model} " in MODELS or model in ("DZ", "DZ5", "DZU"), f"{name}: model {model}"


def test_the_drawing_shows_every_part_with_its_value_and_nets() -> None:
    texts = Counter(re.findall(r">([^<>]+)<", (STAGE_DIR / "source_board.svg").read_text(encoding="utf-8")))
    assert texts == Counter(re.findall(r">([^<>]+)<", drawing.draw()))
    for part in circuit.PARTS:
        assert texts[drawing.title(part)] >= 1, part.ref
    for net, ends in Counter(net for part in circuit.PARTS for net in part.nets).items():
        assert texts[net] >= ends, net
