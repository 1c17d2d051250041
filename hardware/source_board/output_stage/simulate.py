"""Runs the output stage in ngspice and reads what came out: peaks at the electrodes, stress of every part."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
from hardware.source_board.output_stage.circuit import SIMULATED, Part
from hardware.source_board.output_stage.faults import NONE, Fault
from hardware.source_board.output_stage.netlist import FULL, NOMINAL, SLOT_S, START_S, Build, Course, netlist

CURRENT_BOUND_A = 0.020  # own choice, held under any single fault
VOLTAGE_BOUND_V = 12.4  # NEC 680.2: interrupted DC, the lowest of the contact limits
STEP_S = 100e-6
Wave = npt.NDArray[np.float64]


class SimulationFailed(RuntimeError):
    """ngspice did not finish a run: that is no pass."""


@dataclass(frozen=True)
class Stress:
    """What one part bore in one run: largest voltage, current and mean power, each as a share of its rating."""

    ref: str
    volts: float = 0.0
    amperes: float = 0.0
    watts: float = 0.0

    @property
    def worst(self) -> float:
        return max(self.volts, self.amperes, self.watts)


@dataclass(frozen=True)
class Outcome:
    """Peaks of one run at the electrodes, in SI. `shares`: stress of the parts, when it was asked for."""

    fault: Fault
    battery_V: float
    voltage_V: float
    current_A: float
    current_short_A: float
    rail_V: float
    five_V: float
    stress: Mapping[str, Stress] = field(default_factory=dict)

    @property
    def held(self) -> bool:
        return self.current_A <= CURRENT_BOUND_A and self.voltage_V <= VOLTAGE_BOUND_V

    @property
    def margin(self) -> float:
        """Largest share of a bound that is used: above 1 is not held."""
        return max(self.current_A / CURRENT_BOUND_A, self.voltage_V / VOLTAGE_BOUND_V)


def waves(text: str, stop_s: float, step_s: float = STEP_S, timeout_s: float = 120.0) -> dict[str, Wave]:
    """Run one netlist and return every saved vector by its name, "time" among them. Raises SimulationFailed."""
    title = text.splitlines()[0]
    with tempfile.TemporaryDirectory() as folder:
        path, raw = Path(folder) / "run.cir", Path(folder) / "run.raw"
        path.write_text(f"{text}.tran 5u {stop_s:.9g} 0 {step_s:g} uic\n.end\n", encoding="ascii")
        try:
            done = subprocess.run(
                ["ngspice", "-b", "-r", str(raw), str(path)],
                capture_output=True, text=True, timeout=timeout_s, check=False,
                env={**os.environ, "OMP_NUM_THREADS": "1"},
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise SimulationFailed(f"{title}: not done after {timeout_s:g} s") from None
        data = raw.read_bytes() if raw.exists() else b""
    said = (done.stdout + done.stderr)[-1500:]
    head, mark, body = data.partition(b"Binary:\n")
    if not mark:
        raise SimulationFailed(f"{title}: nothing came out\n{said}")
    names = re.findall(r"^\t\d+\t(\S+)\t", head.decode("ascii", "replace"), re.MULTILINE)
    values = np.frombuffer(body[: len(body) // (8 * len(names)) * 8 * len(names)]).reshape(-1, len(names))
    if not len(values) or values[-1, 0] < stop_s * 0.999:
        raise SimulationFailed(f"{title}: stopped early\n{said}")
    return {name: values[:, k] for k, name in enumerate(names)}


def _net(w: Mapping[str, Wave], net: str) -> Wave:
    return np.zeros_like(w["time"]) if net == "0" else w[f"v({net.lower()})"]


def _mean(w: Mapping[str, Wave], power: Wave) -> float:
    return float(np.trapezoid(power, w["time"]) / (w["time"][-1] - w["time"][0]))


#: name of the device's own current, by the first letters of its SPICE lines
_CURRENT = {"R": "@r{}[i]", "FUSE": "@r{}[i]", "CONTACT": "@r{}[i]", "NPN": "@q{}[ic]", "PNP": "@q{}[ic]",
            "NMOS": "@m{}[id]", "PMOS": "@m{}[id]", "D": "@d{}[id]", "Z": "@d{}[id]"}  # fmt: skip


def _stress_of(part: Part, w: Mapping[str, Wave]) -> Stress:
    spec = part.spec
    nets = [_net(w, net) for net in part.nets]
    across = nets[0] - nets[2] if part.kind in ("NPN", "PNP", "NMOS", "PMOS") else nets[0] - nets[1]
    if part.kind in ("CSA", "OPAMP"):
        across = _net(w, "v5")  # what such a part dies of is its supply
    name = _CURRENT.get(part.kind, "").format(part.ref.lower())
    amperes = w[f"i({name})"] if name else None
    volts_share = float(np.max(np.abs(across))) / spec.volts if spec.volts else 0.0
    amperes_share = watts_share = 0.0
    if amperes is not None:
        if spec.amperes and part.kind not in ("R",):
            # A fuse is judged by its mean: it does not see an edge.
            bears = abs(_mean(w, np.abs(amperes))) if part.kind == "FUSE" else float(np.max(np.abs(amperes)))
            amperes_share = bears / spec.amperes
        if spec.watts:
            watts_share = abs(_mean(w, np.abs(across * amperes))) / spec.watts
    return Stress(part.ref, volts_share, amperes_share, watts_share)


def _stress(w: Mapping[str, Wave]) -> dict[str, Stress]:
    """From 2 ms on: before, empty capacitors are filled out of a battery without resistance (0.4 A for some us in Q1,
    which its pulse rating allows)."""
    on = w["time"] >= 2e-3
    later = {name: wave[on] for name, wave in w.items()}
    return {part.ref: _stress_of(part, later) for part in SIMULATED}


def run(
    fault: Fault = NONE,
    battery_V: float = 15.0,
    *,
    temperature_C: float = 27.0,
    build: Build = NOMINAL,
    ten_volts: bool = True,
    stress: bool = False,
    course: Course = FULL,
) -> Outcome:
    """One fault over all loads. Raises SimulationFailed."""
    text = netlist(
        fault, battery_V, temperature_C=temperature_C, build=build, ten_volts=ten_volts, currents=stress, course=course
    )
    if not stress:
        text += ".save v(vabs) v(iabs) v(vb) v(v5)\n"
    try:
        w = waves(text, course.end_s, timeout_s=40.0)
    except SimulationFailed:  # the other way to integrate gets past most places where one is stuck
        w = waves(text.replace("method=gear", "method=trap cshunt=1e-13"), course.end_s)
    short = (w["time"] >= START_S) & (w["time"] <= START_S + SLOT_S)
    return Outcome(
        fault,
        battery_V,
        float(w["v(vabs)"].max()),
        float(w["v(iabs)"].max()) / 1e3,
        float(w["v(iabs)"][short].max()) / 1e3,
        float(w["v(vb)"].max()),
        float(w["v(v5)"].max()),
        _stress(w) if stress else {},
    )


def stop_times(battery_V: float = 12.0, load_ohm: float = 1e3) -> dict[str, float]:
    """Seconds from each way of stopping by hardware alone until less than 0.5 V is left at the electrodes.

    The drive pins keep driving positive and the other pins stay as they are: nobody helps.
    """
    times = {}
    opening_s, stop_s = 20e-3, 0.15
    driven = Fault("driven", pins=(("pb1", 1), ("pb2", 0)))
    for name, opens in (
        ("emergency stop opened", {"S1": opening_s}),
        ("enable released", {"S2": opening_s}),
        ("alive pin stops", {"alive": opening_s}),
    ):
        w = waves(netlist(driven, battery_V, opens=opens, fixed_load_ohm=load_ohm), stop_s, 200e-6)
        time, volts = w["time"], w["v(vabs)"]
        before = float(np.interp(opening_s, time, volts))
        if before < 3.0:
            raise SimulationFailed(f"{name}: the output was not on before ({before:.2f} V)")
        times[name] = float(time[np.nonzero(volts > 0.5)[0][-1]]) - opening_s
    return times
