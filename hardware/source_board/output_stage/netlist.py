"""SPICE text of one run: the circuit with a fault, driven by a bipolar waveform over several loads.

Electrode A sees its loads one after the other, then electrode B; the relays change over in between, as the
firmware does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from hardware.source_board.output_stage.catalogue import MODELS
from hardware.source_board.output_stage.circuit import PINS, SIMULATED, Part
from hardware.source_board.output_stage.faults import NONE, Fault

OPEN_OHM = 1e9
SHORT_CIRCUIT_OHM = 0.01
START_S = 4e-3  # supply comes up, drives low (the pump is taken as already running: the worse case)
HALF_S = 0.6e-3
DEAD_S = 40e-6
SLOT_S = 2 * HALF_S + 2 * DEAD_S
#: Silent stretch while the relays change over, as the firmware leaves one (there whole periods).
BLANK_S = 1.2e-3


@dataclass(frozen=True)
class Course:
    """Loads that electrode A sees one after the other, one period each, then electrode B."""

    loads_a: tuple[float, ...]
    loads_b: tuple[float, ...]

    @property
    def start_b_s(self) -> float:
        return START_S + len(self.loads_a) * SLOT_S + BLANK_S

    @property
    def end_s(self) -> float:
        if not self.loads_b:
            return START_S + len(self.loads_a) * SLOT_S + 0.1e-3
        return self.start_b_s + len(self.loads_b) * SLOT_S + 0.5e-3


FULL = Course((SHORT_CIRCUIT_OHM, 300.0, 1e4, OPEN_OHM), (SHORT_CIRCUIT_OHM, OPEN_OHM))
#: Where current and voltage are largest.
BRIEF = Course((SHORT_CIRCUIT_OHM, OPEN_OHM), ())
START_B_S, END_S = FULL.start_b_s, FULL.end_s
#: What the processor, the isolator and the two sensors draw from 5 V (own estimate: 25 mA).
LOGIC_OHM = 200.0
#: A pin that floats leaks so much from 5 V: 1 uA (ATmega328P data sheet, most, from memory).
PIN_LEAK_OHM = 5e6
#: Temperature coefficient of an 11 V Zener diode, 1/K, and of a 5.6 V one (from memory).
CLAMP_PER_K = 0.00075
CLAMP5_PER_K = 0.0004


@dataclass(frozen=True)
class Build:
    """One board as built: factors of parts' values and models. Default: nominal, clamps at the upper end of their
    tolerance at 60 degC."""

    clamp_V: float = 11.0 * 1.02 * (1 + CLAMP_PER_K * 35)
    clamp5_V: float = 5.6 * 1.05
    regulator: float = 1.0
    five_V: float = 5.0
    threshold_shift_V: float = 0.0
    gain: float = 1.0
    factors: Mapping[str, float] = field(default_factory=dict)
    coil_H: float = 0.0
    """Inductance of the relays' coils; none in the sweeps, where it only costs time."""
    removed: tuple[str, ...] = ()
    """Parts left out on purpose (open), so that the tests can show that the check bites."""


NOMINAL = Build()


def _pwl(points: list[tuple[float, float]]) -> str:
    return "PWL(" + " ".join(f"{t:.9g} {v:.6g}" for t, v in points) + ")"


def _steps(changes: list[tuple[float, float]]) -> str:
    """A piecewise constant source with 2 us edges. Each change is (time, new value)."""
    points = [(0.0, changes[0][1])]
    for t_s, value in changes[1:]:
        points += [(t_s, points[-1][1]), (t_s + 2e-6, value)]
    return _pwl(points)


def alive_until(stop_s: float) -> list[tuple[float, float]]:
    return [(0.0, 0.0)] + [(k * 1e-3, float(k % 2)) for k in range(1, int(stop_s * 1e3) + 1)]


def _drives(ten_volts: bool, course: Course) -> dict[str, str]:
    positive, negative = [(0.0, 0.0)], [(0.0, 0.0)]
    starts = [START_S + k * SLOT_S for k in range(len(course.loads_a))]
    starts += [course.start_b_s + k * SLOT_S for k in range(len(course.loads_b))]
    for t in starts:
        positive += [(t, 1.0), (t + HALF_S, 0.0)]
        negative += [(t + HALF_S + DEAD_S, 1.0), (t + 2 * HALF_S + DEAD_S, 0.0)]
    break_s = course.start_b_s - BLANK_S
    return {
        "pb1": _steps(positive),
        "pb2": _steps(negative),
        "pb3": _pwl([(0.0, float(ten_volts))]),
        "pb4": _pwl([(0.0, 0.0)]),
        "pd4": _pwl([(0.0, 1.0)]),
        "pd5": _steps([(0.0, 1.0), (break_s, 0.0)]),
        "pd6": _steps([(0.0, 0.0), (course.start_b_s - BLANK_S / 2, 1.0)]),
        "pc5": _steps(alive_until(END_S)),
    }


def _conductances(changes: list[tuple[float, float]]) -> str:
    """Like `_steps`; towards a heavier load in decades of 4 us, so that the cable's own charge (1 nF, 12 nC) has
    left before the load is a short circuit and only what the stage delivers is counted."""
    points = [(0.0, changes[0][1])]
    for t_s, value in changes[1:]:
        old = points[-1][1]
        points.append((t_s, old))
        t_s += 2e-6
        while value > 10 * old:
            old *= 10
            t_s += 4e-6
            points.append((t_s, old))
        points.append((t_s + 4e-6, value))
    return _pwl(points)


def _loads(course: Course) -> tuple[str, str]:
    """Conductance over time of the two loads; the one that is not selected stays 1 kohm of water."""
    a = [(0.0, 1 / course.loads_a[0])]
    for k, ohm in enumerate(course.loads_a[1:], 1):
        a.append((START_S + k * SLOT_S - DEAD_S / 2, 1 / ohm))
    b = [(0.0, 1e-3)]
    for k, ohm in enumerate(course.loads_b):
        b.append((course.start_b_s + k * SLOT_S - (BLANK_S / 4 if k == 0 else DEAD_S / 2), 1 / ohm))
    return _conductances(a), _conductances(b)


def netlist(
    fault: Fault = NONE,
    battery_V: float = 15.0,
    *,
    temperature_C: float = 27.0,
    build: Build = NOMINAL,
    ten_volts: bool = True,
    opens: Mapping[str, float] | None = None,
    fixed_load_ohm: float | None = None,
    currents: bool = False,
    course: Course = FULL,
) -> str:
    """SPICE text of one run. `opens`: contact reference -> time at which it opens, "alive" -> when the pin stops, a
    stuck pin -> when it falls.

    `currents`: keep the current of every device too, for the parts' stress (twice as slow).
    """
    opens = opens or {}
    cards = MODELS
    for polarity, sign in (("N", 1), ("P", -1)):
        for volts in (1.3, 1.6):
            cards = cards.replace(
                f"{polarity}MOS(VTO={sign * volts:g} ",
                f"{polarity}MOS(VTO={sign * (volts + build.threshold_shift_V):g} ",
            )
    for gain in (250, 220):
        cards = cards.replace(f"BF={gain} ", f"BF={gain * build.gain:g} ")
    lines = [f"* source board: {fault.name}, battery {battery_V} V", cards]
    lines.append(f".model DZ D(IS=1f RS=2 N=1.1 BV={build.clamp_V:g} IBV=5m NBV=2 CJO=100p)")
    lines.append(f".model DZ5 D(IS=1f RS=0.9 N=1.1 BV={build.clamp5_V - 0.9 * 0.22:g} IBV=220m NBV=4 CJO=500p)")
    lines.append(".model DZU D(IS=1f RS=5 N=1.1 BV=6.2 IBV=5m NBV=3 CJO=50p)")
    lines += [f"Vbat bat 0 {battery_V}", f"Rlogic v5 0 {LOGIC_OHM:g}"]
    stuck = dict(fault.pins)
    for pin, wave in _drives(ten_volts, course).items():
        if pin in fault.floating:
            lines.append(f"R{pin}f v5 {pin} {PIN_LEAK_OHM:g}")
            continue
        if pin in stuck:
            level = float(stuck[pin])
            wave = _steps([(0.0, level), (opens[pin], 0.0)] if pin in opens else [(0.0, level)])
        elif pin == "pc5" and "alive" in opens:
            wave = _steps(alive_until(opens["alive"]))
        lines += [f"V{pin}l {pin}l 0 {wave}", f"B{pin} {pin}d 0 V=V(v5)*V({pin}l)", f"R{pin}o {pin}d {pin} 30"]
    cuts = set(fault.cut) | {(ref, 0) for ref in build.removed}
    scale = dict(build.factors)
    for ref, factor in fault.scaled:
        scale[ref] = scale.get(ref, 1.0) * factor
    for part in SIMULATED:
        nets = list(part.nets)
        for terminal in range(len(nets)):
            if (part.ref, terminal) in cuts:
                cut_net = f"{part.ref.lower()}x{terminal}"
                lines.append(f"Rcut{part.ref}{terminal} {nets[terminal]} {cut_net} {OPEN_OHM:g}")
                nets[terminal] = cut_net
        lines += _device(part, nets, part.value * scale.get(part.ref, 1.0), fault, opens, build)
    lines += [f"Rbridge{k} {a} {b} {ohm:g}" for k, (a, b, ohm) in enumerate(fault.bridges)]
    load_a, load_b = _loads(course)
    if fixed_load_ohm is not None:
        load_a = load_b = f"{1 / fixed_load_ohm:.9g}"
    lines += [
        f"Vga ga_ 0 {load_a}",
        f"Vgb gb_ 0 {load_b}",
        "Vma A Al 0",
        "Vmb B Bl 0",
        "Bla Al E I=V(Al,E)*V(ga_)",
        "Blb Bl E I=V(Bl,E)*V(gb_)",
        # 10 m of cable on each side of the water
        "Ca A E 1n",
        "Cb B E 1n",
        "Bva vabs 0 V=max(abs(V(A,E)),abs(V(B,E)))",
        "Bia iabs 0 V=1000*max(max(abs(i(Vma)),abs(i(Vmb))),abs(i(Vma)+i(Vmb)))",
        f".options method=gear reltol=3e-3 trtol=10 temp={temperature_C}" + (" savecurrents" if currents else ""),
    ]
    return "\n".join(lines) + "\n"


def _contact(part: Part, n: list[str], fault: Fault, opens: Mapping[str, float]) -> list[str]:
    if part.ref in opens:
        wave = _steps([(0.0, 5.0), (opens[part.ref], 0.0)])
        return [f"V{part.ref}c {part.ref}c 0 {wave}", f"S{part.ref} {n[0]} {n[1]} {part.ref}c 0 SWK"]
    return [f"R{part.ref} {n[0]} {n[1]} {OPEN_OHM if part.ref in fault.released else 0.05:g}"]


def _device(
    part: Part, n: list[str], value: float, fault: Fault, opens: Mapping[str, float], build: Build
) -> list[str]:
    ref, kind, model = part.ref, part.kind, part.spec.model
    if kind in ("R", "FUSE"):
        return [f"R{ref} {n[0]} {n[1]} {value:g}"]
    if kind == "CONTACT":
        return _contact(part, n, fault, opens)
    if kind == "C":
        start = {"C3": " IC=3.5", "C7": " IC=2.5", "C14": " IC=4"}.get(ref, "")
        return [f"C{ref} {n[0]} {n[1]} {value:g}{start}"]
    if kind == "L":
        return [f"L{ref} {n[0]} {ref}l {value:g}", f"R{ref} {ref}l {n[1]} 1"]
    if kind == "D":
        return [f"D{ref} {n[0]} {n[1]} {model}"]
    if kind == "Z":
        return [f"D{ref} {n[1]} {n[0]} {model}"]
    if kind == "T":
        return [f"D{ref}a {n[0]} {ref}m {model}", f"D{ref}b {n[1]} {ref}m {model}"]
    if kind in ("NPN", "PNP"):
        return [f"Q{ref} {n[0]} {n[1]} {n[2]} {model}"]
    if kind in ("NMOS", "PMOS"):
        body = f"{n[2]} {n[0]}" if kind == "NMOS" else f"{n[0]} {n[2]}"
        return [f"M{ref} {n[0]} {n[1]} {n[2]} {n[2]} {model}", f"D{ref}b {body} DBX"]
    if kind in ("REG", "REG5"):
        return _regulator(part, n, fault, build)
    if kind == "RELAY":
        # The armature follows the coil with a lag of 0.1 ms (a real one is slower).
        coil = [f"R{ref} {n[2]} {n[3]} {value:g}"]
        if build.coil_H:
            coil = [f"R{ref} {n[2]} {ref}c {value:g}", f"L{ref} {ref}c {n[3]} {build.coil_H:g}"]
        return [
            *coil,
            f"B{ref} {ref}v 0 V=V({n[2]},{n[3]})",
            f"R{ref}g {ref}v {ref}g 1k",
            f"C{ref}g {ref}g 0 100n",
            f"S{ref} {n[0]} {n[1]} {ref}g 0 SWK",
        ]
    if kind == "CSA":  # 400 kHz
        gain = f"V=min(max(V({n[3]})+20*V({n[0]},{n[1]}),0),V({n[4]}))"
        return [f"R{ref}a {n[0]} 0 {value:g}", f"R{ref}b {n[1]} 0 {value:g}", f"R{ref}r {n[3]} 0 100k",
                f"R{ref}s {n[4]} 0 3k", *_output(ref, gain, n[2], 400e-12)]  # fmt: skip
    if kind == "OPAMP":
        swing = f"V=V(v5)*0.5*(1+tanh(400*V({n[0]},{n[1]})))"
        return [f"R{ref}i {n[0]} {n[1]} 1g", *_output(ref, swing, n[2], 2e-9)]
    raise ValueError(kind)


def _output(ref: str, wave: str, net: str, farad: float) -> list[str]:
    """An amplifier's output: a source behind one pole, 50 ohm."""
    return [f"B{ref} {ref}r 0 {wave}", f"R{ref}p {ref}r {ref}o 1k", f"C{ref}p {ref}o 0 {farad:g}",
            f"E{ref} {ref}e 0 {ref}o 0 1", f"R{ref}o {ref}e {net} 50"]  # fmt: skip


def _regulator(part: Part, n: list[str], fault: Fault, build: Build) -> list[str]:
    ref = part.ref
    if part.kind == "REG":
        drive = "1" if ref in fault.full_on else f"min(max(40*({1.235 * build.regulator:.5g}-V({n[2]})),0),1)"
        return [f"B{ref} {n[0]} {n[1]} I=0.15*{drive}*tanh(max(V({n[0]},{n[1]}),0)/0.05)", f"R{ref}fb {n[2]} 0 100Meg"]
    drive = "1" if ref in fault.full_on else f"min(max(5*({build.five_V + 0.05:.5g}-V({n[1]})),0),1)"
    # an L78M05 needs about 2 V between input and output
    return [f"B{ref} {n[0]} {n[1]} I=0.7*{drive}*tanh(max(V({n[0]},{n[1]})-1.2,0)/0.4)"]


__all__ = ["NOMINAL", "PINS", "Build", "netlist"]
