"""The output stage in ngspice: what reaches the electrodes under single faults, and that the check would notice.

Bounds: 20 mA peak (own choice) and 12.4 V peak (NEC 680.2, interrupted DC, the lowest contact limit). Device
models are generic, relays ideal; see hardware/source_board/output_stage/README.md for what that leaves open.
"""

from __future__ import annotations

import csv
import importlib.util
import re
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

STAGE_DIR = Path(__file__).parents[2] / "hardware" / "source_board" / "output_stage"

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice to run the output stage's checks"
)


def _load_file(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def _load(name: str) -> ModuleType:
    # check.py and drawing.py import `stage` as a neighbour, as they do when run by hand.
    if str(STAGE_DIR) not in sys.path:
        sys.path.insert(0, str(STAGE_DIR))
    return _load_file(f"output_stage_{name}", STAGE_DIR / f"{name}.py")


check = _load("check")
stage = check.stage

FAULTS = {fault.name: fault for fault in stage.single_faults()}

#: At least one of every kind: regulator, clamp, limiters, bridge, series resistors, relays, senses, pins.
REPRESENTATIVE = (
    "U1 in-out short",
    "U1 full on",
    "D4 short",
    "D4 open",
    "Q5 collector-emitter short",
    "Q9 collector-emitter short",
    "R10 short",
    "M1 drain-source short",
    "M2 drain-source short",
    "M3 drain-gate short",
    "Q8 collector-emitter short",
    "R22 short",
    "R25 short",
    "R28 short",
    "K1 contact welded",
    "K1 coil v5 to contact ka",
    "K2 coil k2 to contact kb",
    "U2 input lb to ground",
    "U3 input A to 5 V",
    "pin pb1 (drive positive) stuck high",
    "pin pb2 (drive negative) stuck high",
    "both drive pins stuck high",
    "processor stuck: positive, all else high",
    "5 V regulator shorted",
)


@pytest.fixture(scope="module")
def healthy() -> object:
    return check.run(stage.Fault("none"), 12.0)


@needs_ngspice
def test_without_a_fault_it_drives_what_the_firmware_expects(healthy: check.Outcome) -> None:  # type: ignore[name-defined]
    # board.h: 10 V bridge supply, 1 kohm in series: 10 mA into a short; the limiters' transistors take a little.
    assert healthy.current_short_A == pytest.approx(0.010, rel=0.06)
    assert healthy.voltage_V == pytest.approx(10.0, rel=0.04)
    assert healthy.voltage_V < 12.0
    assert healthy.held


@needs_ngspice
@pytest.mark.parametrize("name", REPRESENTATIVE)
def test_a_representative_single_fault_is_held(name: str) -> None:
    outcome = check.run(FAULTS[name], 15.0)
    assert outcome.current_A <= 0.020
    assert outcome.voltage_V <= 12.4
    assert outcome.clamp_W <= 1.3  # the Zener's rating


@needs_ngspice
def test_the_check_bites() -> None:
    """Weakened on purpose, the stage must be found out: no clamp, and too small series resistors."""
    no_clamp = stage.Fault("regulator shorted, clamp missing", short=(("s2", "vr"),), cut=(("D4", 0),))
    outcome = check.run(no_clamp, 15.0)
    assert outcome.voltage_V > 12.4
    assert not outcome.held
    weak = check.run(FAULTS["Q9 collector-emitter short"], 15.0, series_ohm=56.0)
    assert weak.current_A > 0.020
    assert not weak.held


@needs_ngspice
def test_hardware_alone_takes_the_output_off() -> None:
    """Pins frozen as they were while driving: stop chain, enable switch and alive pump act without the processor."""
    times = check.stop_times()
    assert times["emergency stop opened"] < 0.020
    assert times["enable released"] < 0.020
    assert times["alive pin stops"] < 0.100


@needs_ngspice
@pytest.mark.parametrize("temperature_C", [-10.0, 60.0])
@pytest.mark.parametrize("name", ["U1 in-out short", "R22 short"])
def test_the_tightest_faults_hold_from_cold_to_hot(name: str, temperature_C: float) -> None:
    assert check.run(FAULTS[name], 15.0, temperature_C=temperature_C).held


@needs_ngspice
@pytest.mark.slow
def test_every_single_fault_at_every_battery_is_held() -> None:
    outcomes = check.sweep(list(FAULTS.values()), check.BATTERIES_V, 1)
    print(check.table(outcomes))
    assert len(outcomes) == 3 * len(FAULTS)
    not_held = [
        f"{o.fault} at {o.battery_V} V: {o.current_A * 1e3:.1f} mA, {o.voltage_V:.2f} V" for o in outcomes if not o.held
    ]
    assert not_held == []


def test_every_part_is_faulted_both_ways_and_every_pin_too() -> None:
    """The list of faults is complete by construction; this counts it from the other side."""
    for part in stage.PARTS:
        of_part = [fault for fault in FAULTS.values() if fault.name.split()[0] == part.ref]
        shorts = [fault for fault in of_part if fault.short or fault.reg_stuck_full]
        opens = [fault for fault in of_part if fault.cut]
        terminals = len(part.nodes)
        if part.kind in ("NPN", "PNP", "NMOS", "PMOS"):
            assert (len(shorts), len(opens)) == (3, 3), part.ref
        elif part.kind == "AMP":
            assert len(shorts) == 5, part.ref
        else:
            assert shorts and opens, (part.ref, terminals)
    for pin in stage.PINS:
        assert sum(f"pin {pin} " in name for name in FAULTS) == 2
    assert len(FAULTS) == len(stage.single_faults())  # no two of the same name


def test_the_pins_are_the_firmwares() -> None:
    text = (STAGE_DIR.parent / "firmware" / "board.h").read_text(encoding="utf-8")
    for name, pin in (
        ("DRIVE_POSITIVE", "pb1"),
        ("DRIVE_NEGATIVE", "pb2"),
        ("OUT_BRIDGE", "pd4"),
        ("OUT_ELECTRODE_A", "pd5"),
        ("OUT_ELECTRODE_B", "pd6"),
        ("OUT_ALIVE", "pc5"),
    ):
        line = next(line for line in text.splitlines() if line.split()[:2] == ["#define", name])
        assert f"_BV({pin.upper()})" in line
        assert pin in stage.PINS


def test_the_printed_table_names_every_case_and_none_was_lost() -> None:
    """cases.txt is a print of check.py: of these faults, all held, and the figures that docs/safety.md repeats."""
    text = (STAGE_DIR / "cases.txt").read_text(encoding="utf-8")
    rows = {line[:46].strip(): line.split()[-1] for line in text.split("\n\n")[0].splitlines()[1:]}
    assert set(rows) == {"none", *FAULTS}
    assert set(rows.values()) == {"yes"}
    current = re.search(r"largest current ([\d.]+) mA", text)
    voltage = re.search(r"largest voltage ([\d.]+) V", text)
    assert current is not None and voltage is not None
    safety = (STAGE_DIR.parents[2] / "docs" / "safety.md").read_text(encoding="utf-8")
    assert f"**{float(current[1]):.1f} mA** of 20 | **{float(voltage[1]):.1f} V** of 12.4" in safety
    assert f"all {len(rows)}**" in safety


def test_bill_of_materials_is_current() -> None:
    rows = list(csv.reader((STAGE_DIR / "bom.csv").open(encoding="utf-8", newline="")))
    assert rows[0] == ["references", "quantity", "part", "value", "rating", "job"]
    assert [tuple(row) for row in rows[1:]] == stage.bill_of_materials()
    listed = {ref for row in rows[1:] for ref in row[0].split()}
    assert {part.ref for part in stage.PARTS} <= listed
    assert all(int(row[1]) == len(row[0].split()) for row in rows[1:])


def test_the_drawing_shows_every_part_with_its_value() -> None:
    texts = re.findall(r">([^<>]+)<", (STAGE_DIR / "output_stage.svg").read_text(encoding="utf-8"))
    assert sorted(texts) == sorted(re.findall(r">([^<>]+)<", _load("drawing").draw()))
    words = {text.split()[0]: text for text in texts if text.strip()}
    for part in stage.PARTS:
        assert part.ref in words, f"{part.ref} is not in the drawing"
        if part.kind == "R" and 1 <= part.value < 1e3:
            assert words[part.ref] == f"{part.ref} {part.value:g}"


def test_front_end_figures() -> None:
    """Against arithmetic done by hand: 710 kohm (ADS1115 data sheet) beside 9.4 Mohm, behind 8.8 kohm."""
    front_end = _load_file("front_end", STAGE_DIR.parents[1] / "receiver_front_end" / "front_end.py")
    assert front_end.input_ohm() == pytest.approx(660.1e3, rel=1e-3)
    assert front_end.gain() == pytest.approx(660.1 / 668.9, rel=1e-4)
    assert front_end.fault_current_A() < 0.0005  # perception, IEC 60479-1
    rows = list(
        csv.reader((STAGE_DIR.parents[1] / "receiver_front_end" / "bom.csv").open(encoding="utf-8", newline=""))
    )
    assert [tuple(row) for row in rows[1:]] == list(front_end.BOM)
    committed = (STAGE_DIR.parents[1] / "receiver_front_end" / "front_end.svg").read_text(encoding="utf-8")
    assert sorted(re.findall(r">([^<>]+)<", committed)) == sorted(re.findall(r">([^<>]+)<", front_end.draw()))
