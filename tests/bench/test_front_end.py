"""The receiver's front end: its figures against ngspice, what the water's swing fakes, and a broken third contact."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hardware.receiver_front_end import false_signal, front_end, on_the_pi

from earthward.clock import ManualClock
from earthward.emulated.ads1115 import EmulatedAds, SteadyVoltage
from earthward.record.waveform import WaveformName
from earthward.signal import waveforms

FOLDER = Path(__file__).parents[2] / "hardware" / "receiver_front_end"

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice to run the front end's checks"
)


def spice(tmp_path: Path, extra: str, control: str) -> dict[str, float]:
    """The front end with more parts around it; what `print` printed."""
    deck = tmp_path / "run.cir"
    deck.write_text(f"* front end\n{front_end.netlist()}{extra}\n.control\n{control}\n.endc\n.end\n", encoding="ascii")
    done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False)
    found = re.findall(r"^(\S+) = (\S+)$", done.stdout, re.MULTILINE)
    assert found, done.stdout + done.stderr
    return {name: float(value) for name, value in found}


@needs_ngspice
def test_the_gain_is_that_of_the_circuit(tmp_path: Path) -> None:
    pair = "Vd front back 0.1\nRb back ring 1m"
    found = spice(tmp_path, pair, "op\nprint v(ain1)-v(ain0)")
    assert found["v(ain1)-v(ain0)"] / 0.1 == pytest.approx(front_end.gain(), rel=5e-4)


@needs_ngspice
@pytest.mark.parametrize("shorted", [False, True])
def test_a_failed_converter_drives_less_than_can_be_felt(tmp_path: Path, shorted: bool) -> None:
    """Its supply across its inputs, the contacts joined by the water; perception starts at 0.5 mA (IEC 60479-1)."""
    fault = "Vh ain1 v33 0\nVl ain0 0 0\nVf front w 0\nVb back w 0\nVr ring w 0"
    if shorted:
        fault += "\nRx front f1 1m"
    found = spice(tmp_path, fault, "op\nprint abs(i(vf)) abs(i(vb)) abs(i(vr))")
    worst = max(found.values())
    assert 1e-4 < worst < 0.5e-3
    if not shorted:
        # Through the pair alone; the ring, at half the supply, takes next to nothing of it.
        assert worst == pytest.approx(front_end.fault_current_A("front", "back"), rel=0.02)


@needs_ngspice
def test_resistor_noise_is_that_of_the_circuit(tmp_path: Path) -> None:
    """ngspice adds up the thermal noise of every part, 1 to 430 Hz."""
    pair = "Vd d 0 DC 1.65 AC 1\nRf d front 1k\nRk d back 1k\nRr d ring 50"
    found = spice(tmp_path, pair, "noise v(ain1,ain0) Vd lin 430 1 430\nsetplot noise2\nprint onoise_total")
    budget = front_end.noise_budget(2e3)
    expected = np.hypot(budget["series resistors"], budget["electrodes' contacts"])
    assert found["onoise_total"] == pytest.approx(float(expected) * front_end.gain(source_ohm=2e3), rel=0.03)


def test_the_converters_noise_is_that_of_the_emulated_one() -> None:
    """Continuous conversions of zero volts at 860 samples/s and the smallest range, through its registers."""
    clock = ManualClock()
    chip = EmulatedAds(clock, SteadyVoltage((1.65, 1.65, 0.0, 0.0)), seed=3)
    config = (0b000 << 12) | (0b101 << 9) | (0b111 << 5) | 0b11
    chip.write(bytes([1, config >> 8, config & 0xFF]))
    chip.write(bytes([0]))
    steps = []
    for _ in range(4000):
        clock.advance(chip.period_s(config))
        steps.append(int.from_bytes(chip.read(2), "big", signed=True))
    # Less the rounding to whole steps: a twelfth of a step's square.
    variance = float(np.var(np.array(steps[1:]) * 7.8125e-6)) - 7.8125e-6**2 / 12
    assert np.sqrt(variance) == pytest.approx(front_end.CONVERTER_NOISE_V, rel=0.05)


@needs_ngspice
@pytest.mark.parametrize("waveform", ["square", "sine", "coded"])
def test_the_waters_swing_fakes_less_than_two_microvolts(waveform: WaveformName) -> None:
    """The worst corner of the README's table; revision A shows that the simulation can see it."""
    case = false_signal.Case(waveform, 3e3, 2e-9)
    found = false_signal.run(case)
    assert abs(found.false_V) < 2e-6
    assert found.lowest_V > 0.0
    assert found.highest_V < front_end.SUPPLY_V
    assert abs(false_signal.run(replace(case, revision="A")).false_V) > 100e-6


@needs_ngspice
@pytest.mark.parametrize("earth_F", [20e-12, 2e-9])
def test_a_broken_third_contact_shows_in_a_single_ended_conversion(earth_F: float) -> None:
    case = false_signal.Case("coded", 1e3, earth_F)
    assert false_signal.run(case).common_V < false_signal.BROKEN_V / 3
    assert false_signal.run(replace(case, ring_broken=True)).common_V > 3 * false_signal.BROKEN_V


def test_false_signal_of_a_known_voltage() -> None:
    """A square of 10 uV on the pair is 10 uV to the fit, and a steady voltage is nothing."""
    f = false_signal
    t = np.linspace(0.0, f.PERIODS / f.FREQUENCY_HZ, 9001)
    end = np.arange(1, 400) / f.RATE_HZ
    square = 10e-6 * np.where((t * f.FREQUENCY_HZ) % 1.0 < 0.5, 1.0, -1.0)
    reference = waveforms.averaged("square", end * f.FREQUENCY_HZ, f.FREQUENCY_HZ / f.RATE_HZ)
    assert f.conversions(t, square, end) == pytest.approx(10e-6 * reference, abs=0.2e-6)
    assert f.conversions(t, np.full(t.size, 1.65), end) == pytest.approx(1.65, rel=1e-9)


def test_drawing_and_parts_list_are_those_of_the_circuit() -> None:
    committed = (FOLDER / "front_end.svg").read_text(encoding="utf-8")
    texts = re.findall(r">([^<>]+)<", committed)
    assert sorted(texts) == sorted(re.findall(r">([^<>]+)<", front_end.draw()))
    for part in front_end.ALL_PARTS:
        label = f"{part.ref} {part.text}".strip()
        assert any(text.startswith(label) for text in texts), f"{label} is not in the drawing"
    rows = list(csv.reader((FOLDER / "bom.csv").open(encoding="utf-8", newline="")))
    assert [tuple(row) for row in rows[1:]] == front_end.bill_of_materials()
    assert {part.ref for part in front_end.ALL_PARTS} == {ref for row in rows[1:] for ref in row[0].split()}


def test_the_second_pair_has_the_first_ones_circuit() -> None:
    """Part by part, with its own names: what is simulated for one pair holds for the other."""
    same = {
        "R13": "R1",
        "R14": "R2",
        "R15": "R3",
        "R16": "R4",
        "C6": "C1",
        "C7": "C3",
        "D5": "D1",
        "D6": "D2",
        "U2": "U1",
    }
    nodes = {"front2": "front", "f2": "f1", "xin1": "ain1", "back2": "back", "b2": "b1", "xin0": "ain0"}
    first = {part.ref: part for part in front_end.PARTS}
    assert {part.ref for part in front_end.CROSSED} == set(same)
    for part in front_end.CROSSED:
        model = first[same[part.ref]]
        assert tuple(nodes.get(n, n) for n in part.nodes) == model.nodes
        assert (part.kind, part.value, part.name) == (model.kind, model.value, model.name)
    wires = {ref: dict(pins) for ref, pins in on_the_pi.CONVERTER_PINS.items()}
    assert (wires["U1"].pop("5"), wires["U2"].pop("5")) == ("0", "v33")  # addresses 0x48 and 0x49
    assert wires["U1"].pop("6") == "ready"
    assert {pin: nodes.get(n, n) for pin, n in wires["U2"].items()} == wires["U1"]
