"""The output stage as data: every part once, with its nodes, value and rating.

Netlist, list of single faults and bill of materials are all derived from `PARTS`, so they cannot disagree.
The drawing (`drawing.py`) is checked against it by the tests. Transistor, diode and regulator models are
generic ones typed here, not any maker's; switches of relays are ideal. Node `0` is the battery's minus.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["R", "C", "D", "Z", "T", "NPN", "PNP", "NMOS", "PMOS", "REG", "CONTACT", "RELAY", "AMP", "FUSE"]

OPEN_OHM = 1e9
SHORT_OHM = 0.01


@dataclass(frozen=True)
class Part:
    """One part. `nodes` in SPICE order: R C D two; BJT collector base emitter; MOSFET drain gate source;
    REG in out feedback; RELAY contact contact coil coil; AMP the two inputs. `value`: ohm, farad or volt."""

    ref: str
    kind: Kind
    nodes: tuple[str, ...]
    value: float
    job: str
    bom: str
    rating: str


def _r(ref: str, a: str, b: str, ohm: float, job: str, rating: str = "0.25 W, 1 %, 200 V") -> Part:
    return Part(ref, "R", (a, b), ohm, job, "metal film resistor", rating)


def _big(ref: str, a: str, b: str, job: str) -> Part:
    return Part(ref, "R", (a, b), 226.0, job, "metal film resistor, flameproof", "1 W, 1 %, 350 V")


PARTS: tuple[Part, ...] = (
    # supply chain
    Part("F1", "FUSE", ("bat", "bf"), 0.5, "battery fuse", "fuse 5 x 20 mm in the battery lead", "0.5 A fast, 32 V"),
    Part("D1", "D", ("bf", "bp"), 0.0, "reverse polarity", "Schottky diode", "40 V, 1 A"),
    Part("C1", "C", ("bp", "0"), 10e-6, "buffer", "ceramic capacitor X7R", "35 V"),
    Part("S1", "CONTACT", ("bp", "bs"), 1.0, "emergency stop, pole 1: carries the supply of the bridge",
         "emergency-stop button, three positively opening normally closed poles", "24 V, 1 A, IP67"),
    Part("F2", "FUSE", ("bs", "bq"), 8.0, "bridge fuse: a second fault cannot overheat the clamp for long",
         "fuse 5 x 20 mm", "63 mA fast, 32 V"),
    Part("Q1", "PMOS", ("s1", "g1", "bq"), 0.0, "bridge supply switch, first", "P-channel MOSFET", "-30 V, 2 A"),
    _r("R1", "bq", "g1", 100e3, "Q1 off unless pulled"),
    _r("R2", "g1", "d2", 10e3, "Q1 gate"),
    Part("Q2", "NMOS", ("d2", "g2", "en"), 0.0, "drives Q1", "N-channel MOSFET, logic level", "30 V, 0.2 A"),
    _r("R3", "pd4", "g2", 1e3, "Q2 gate"),
    _r("R4", "g2", "0", 100e3, "Q2 off when the pin floats"),
    Part("S2", "CONTACT", ("en", "0"), 1.0, "enable, pole 2: Q1 cannot switch on without the hand",
         "hand-held momentary switch, three normally open poles", "24 V, 0.1 A, IP67"),
    Part("Q3", "PMOS", ("s2", "g3", "s1"), 0.0, "bridge supply switch, second", "P-channel MOSFET", "-30 V, 2 A"),
    _r("R5", "s1", "g3", 100e3, "Q3 off unless pulled"),
    _r("R6", "g3", "d4", 10e3, "Q3 gate"),
    Part("Q4", "NMOS", ("d4", "pump", "0"), 0.0, "drives Q3 while the pump runs", "N-channel MOSFET, logic level",
         "30 V, 0.2 A"),
    Part("C2", "C", ("pc5", "p1"), 100e-9, "pump: passes only a changing pin", "ceramic capacitor X7R", "50 V"),
    Part("D2", "D", ("0", "p1"), 0.0, "pump", "Schottky diode", "40 V, 0.2 A"),
    Part("D3", "D", ("p1", "pump"), 0.0, "pump", "Schottky diode", "40 V, 0.2 A"),
    Part("C3", "C", ("pump", "0"), 100e-9, "pump", "ceramic capacitor X7R", "50 V"),
    _r("R7", "pump", "0", 220e3, "empties the pump in about 20 ms"),
    Part("C4", "C", ("s2", "0"), 1e-6, "regulator input", "ceramic capacitor X7R", "35 V"),
    Part("U1", "REG", ("s2", "vr", "fb"), 10.0, "bridge supply 10.0 V", "low-drop regulator, adjustable, 1.235 V",
         "30 V in, 0.1 A, own current limit"),
    _r("R8", "vr", "fb", 115e3, "sets 10.0 V"),
    _r("R9", "fb", "0", 16.2e3, "sets 10.0 V"),
    Part("C5", "C", ("vr", "0"), 2.2e-6, "regulator output, before the limiter", "ceramic capacitor X7R", "35 V"),
    # limiter in the upper rail, clamp
    _r("R10", "vr", "e1", 47.0, "upper limiter: 0.65 V at 13.8 mA", "1 W, 1 %, flameproof"),
    Part("Q5", "PNP", ("vb", "b1", "e1"), 0.0, "upper limiter, pass", "PNP transistor", "-45 V, 0.5 A, 0.6 W"),
    Part("Q6", "PNP", ("b1", "e1", "vr"), 0.0, "upper limiter, sense", "PNP transistor", "-45 V, 0.1 A, 0.3 W"),
    _r("R11", "b1", "0", 10e3, "upper limiter, base"),
    Part("D4", "Z", ("vb", "0"), 11.0, "independent clamp of the bridge supply", "Zener diode 11 V, 2 %", "1.3 W"),
    Part("C6", "C", ("vb", "0"), 10e-9, "bridge", "ceramic capacitor X7R", "50 V"),
    # bridge: leg a to the injection electrodes, leg b to the earth electrode
    Part("M1", "PMOS", ("la", "ga", "vb"), 0.0, "leg a up", "P-channel MOSFET", "-30 V, 2 A"),
    _r("R12", "vb", "ga", 10e3, "M1 off unless pulled"),
    Part("Q7", "NPN", ("ga", "b7", "0"), 0.0, "drives M1", "NPN transistor", "45 V, 0.1 A"),
    _r("R13", "pb1", "b7", 10e3, "Q7 base"),
    Part("M2", "NMOS", ("la", "gn", "bo"), 0.0, "leg a down", "N-channel MOSFET, logic level", "30 V, 2 A"),
    _r("R14", "pb2", "gn", 1e3, "M2 gate"),
    _r("R15", "gn", "0", 100e3, "M2 off when the pin floats"),
    Part("M3", "PMOS", ("lb", "gb", "vb"), 0.0, "leg b up", "P-channel MOSFET", "-30 V, 2 A"),
    _r("R16", "vb", "gb", 10e3, "M3 off unless pulled"),
    Part("Q8", "NPN", ("gb", "b8", "0"), 0.0, "drives M3", "NPN transistor", "45 V, 0.1 A"),
    _r("R17", "pb2", "b8", 10e3, "Q8 base"),
    Part("M4", "NMOS", ("lb", "gp", "bo"), 0.0, "leg b down", "N-channel MOSFET, logic level", "30 V, 2 A"),
    _r("R18", "pb1", "gp", 1e3, "M4 gate"),
    _r("R19", "gp", "0", 100e3, "M4 off when the pin floats"),
    # limiter in the lower rail
    Part("Q9", "NPN", ("bo", "b2", "e2"), 0.0, "lower limiter, pass", "NPN transistor", "45 V, 0.5 A, 0.6 W"),
    _r("R20", "e2", "0", 47.0, "lower limiter: 0.65 V at 13.8 mA", "1 W, 1 %, flameproof"),
    Part("Q10", "NPN", ("b2", "e2", "0"), 0.0, "lower limiter, sense", "NPN transistor", "45 V, 0.1 A, 0.3 W"),
    _r("R21", "vb", "b2", 10e3, "lower limiter, base"),
    # outputs: relay, then two resistors in series in every pole
    Part("K1", "RELAY", ("la", "ka", "v5", "k1"), 160.0, "injection electrode A", "signal relay, gold contacts",
         "5 V coil, contact to coil 1.5 kV"),
    _big("R22", "ka", "a1", "pole A"),
    _big("R23", "a1", "A", "pole A"),
    Part("K2", "RELAY", ("la", "kb", "v5", "k2"), 160.0, "injection electrode B", "signal relay, gold contacts",
         "5 V coil, contact to coil 1.5 kV"),
    _big("R24", "kb", "a2", "pole B"),
    _big("R25", "a2", "B", "pole B"),
    _r("R26", "lb", "se", 4.99, "current sense: 5 ohm x 20 = 100 mV per mA", "0.25 W, 0.5 %"),
    Part("U2", "AMP", ("lb", "se"), 1e6, "current sense amplifier, gain 20 about 2.5 V",
         "bidirectional current sense amplifier, gain 20", "common mode -4 V to above 15 V, supply 5 V"),
    _big("R27", "se", "ee", "pole earth"),
    _big("R28", "ee", "E", "pole earth"),
    Part("D5", "T", ("A", "E"), 14.0, "surge", "bidirectional suppressor diode, 12 V stand-off", "600 W 10/1000 us"),
    Part("D6", "T", ("B", "E"), 14.0, "surge", "bidirectional suppressor diode, 12 V stand-off", "600 W 10/1000 us"),
    _r("R29", "A", "va", 1e6, "voltage sense A"),
    _r("R30", "va", "ref", 156e3, "voltage sense A: 156 mV per V about 2.5 V"),
    _r("R31", "B", "vbb", 1e6, "voltage sense B"),
    _r("R32", "vbb", "ref", 156e3, "voltage sense B"),
    _r("R33", "E", "ve", 1e6, "voltage sense, earth"),
    _r("R34", "ve", "ref", 156e3, "voltage sense, earth"),
    # relay drivers
    Part("Q11", "NPN", ("k1", "b11", "0"), 0.0, "drives K1", "NPN transistor", "45 V, 0.1 A"),
    _r("R35", "pd5", "b11", 4.7e3, "Q11 base"),
    Part("D7", "D", ("k1", "v5"), 0.0, "K1 coil", "Schottky diode", "40 V, 0.2 A"),
    Part("Q12", "NPN", ("k2", "b12", "0"), 0.0, "drives K2", "NPN transistor", "45 V, 0.1 A"),
    _r("R36", "pd6", "b12", 4.7e3, "Q12 base"),
    Part("D8", "D", ("k2", "v5"), 0.0, "K2 coil", "Schottky diode", "40 V, 0.2 A"),
)  # fmt: skip

BY_REF = {part.ref: part for part in PARTS}

#: On the same board but without a way to the electrodes other than through parts above: listed, not simulated. The
#: inputs of U3 hang on 1 Mohm; its faults are the `U3` cases below. The second poles of S1 and S2 feed PD2 and PD3.
OTHERS: tuple[tuple[str, str, str, str, str, str], ...] = (
    ("U3", "1", "quad operational amplifier, rail to rail", "", "5 V", "voltage sense, gain 0.156"),
    ("U4", "1", "5 V regulator", "5 V", "30 V in, 0.1 A", "supply of processor, relays and amplifiers"),
    ("U5", "1", "analog temperature sensor, 500 mV + 10 mV per degC", "", "5 V", "temperature of the board"),
    ("U6", "1", "ATmega328P", "16 MHz crystal", "5 V", "processor; loss of it is among the cases"),
    ("U7", "1", "isolated USB-serial adapter or digital isolator", "", "2.5 kV, 250 kbaud", "link to the host"),
    ("R37 R38", "2", "metal film resistor", "100 kohm", "0.25 W, 1 %", "pull-downs of PD2, PD3"),
    ("R41 R42", "2", "metal film resistor", "30.1 kohm, 10 kohm", "0.25 W, 1 %", "battery sense, divided by four"),
    ("SW3", "1", "push button, recessed", "", "24 V, IP67", "local reset"),
    ("B1", "1", "12 V battery, sealed lead or LiFePO4, 2 Ah", "12 V", "with own fuse", "supply of the source board"),
    ("X1", "1", "sealed connector, 3 pins, touch-proof", "", "IP67", "electrodes A, B and earth: no battery pin in it"),
)  # fmt: skip

MODELS = """\
.model NPNX NPN(IS=6.7f BF=200 VAF=74 IKF=66m CJC=3.6p CJE=4.5p TF=0.3n TR=240n RB=10)
.model PNPX PNP(IS=1.4f BF=180 VAF=115 IKF=80m CJC=4.8p CJE=8p TF=0.6n TR=180n RB=10)
.model NMX NMOS(VTO=1.6 KP=0.2 LAMBDA=0.01 RD=0.5 RS=0.2 CGSO=20p CGDO=10p IS=1e-14)
.model PMX PMOS(VTO=-1.6 KP=0.2 LAMBDA=0.01 RD=0.5 RS=0.2 CGSO=20p CGDO=10p IS=1e-14)
.model DSX D(IS=1u RS=0.3 N=1.05 CJO=30p BV=40 IBV=10u)
.model DBX D(IS=1e-14 RS=0.1 N=1.1 CJO=30p BV=40 IBV=10u)
.model SWK SW(VT=2.5 VH=0.5 RON=0.1 ROFF=1G)
"""

#: MCU pins that reach the stage, in board.h's words.
PINS = {
    "pb1": "drive positive",
    "pb2": "drive negative",
    "pd4": "bridge supply",
    "pd5": "electrode A",
    "pd6": "electrode B",
    "pc5": "alive",
}


@dataclass(frozen=True)
class Fault:
    """One single fault. `short`: pairs of nodes joined; `cut`: (ref, terminal index) opened; `pins`: pin -> level 0/1;
    `v5_is_battery`: the 5 V regulator passes the battery through, so every pin that is high is there too."""

    name: str
    short: tuple[tuple[str, str], ...] = ()
    cut: tuple[tuple[str, int], ...] = ()
    pins: tuple[tuple[str, int], ...] = ()
    v5_is_battery: bool = False
    reg_stuck_full: bool = False


_TERMINALS = {
    "NPN": ("collector", "base", "emitter"),
    "PNP": ("collector", "base", "emitter"),
    "NMOS": ("drain", "gate", "source"),
    "PMOS": ("drain", "gate", "source"),
}


def single_faults() -> tuple[Fault, ...]:
    """Every part shorted (each pair of its terminals) and opened (each terminal), every pin stuck, and some more."""
    faults: list[Fault] = []
    for part in PARTS:
        n = part.nodes
        if part.kind in _TERMINALS:
            names = _TERMINALS[part.kind]
            for i, j in ((0, 1), (1, 2), (0, 2)):
                faults.append(Fault(f"{part.ref} {names[i]}-{names[j]} short", short=((n[i], n[j]),)))
            for i in range(3):
                faults.append(Fault(f"{part.ref} {names[i]} open", cut=((part.ref, i),)))
        elif part.kind == "REG":
            faults.append(Fault(f"{part.ref} in-out short", short=((n[0], n[1]),)))
            faults.append(Fault(f"{part.ref} out-ground short", short=((n[1], "0"),)))
            faults.append(Fault(f"{part.ref} in-ground short", short=((n[0], "0"),)))
            faults.append(Fault(f"{part.ref} out open", cut=((part.ref, 1),)))
            faults.append(Fault(f"{part.ref} feedback open", cut=((part.ref, 2),)))
            faults.append(Fault(f"{part.ref} full on", reg_stuck_full=True))
        elif part.kind == "RELAY":
            faults.append(Fault(f"{part.ref} contact welded", short=((n[0], n[1]),)))
            faults.append(Fault(f"{part.ref} contact open", cut=((part.ref, 0),)))
            faults.append(Fault(f"{part.ref} coil short", short=((n[2], n[3]),)))
            faults.append(Fault(f"{part.ref} coil open", cut=((part.ref, 3),)))
            for coil in (2, 3):
                for contact in (0, 1):
                    name = f"{part.ref} coil {n[coil]} to contact {n[contact]}"
                    faults.append(Fault(name, short=((n[coil], n[contact]),)))
        elif part.kind == "AMP":
            for node in n:
                faults.append(Fault(f"{part.ref} input {node} to ground", short=((node, "0"),)))
                faults.append(Fault(f"{part.ref} input {node} to 5 V", short=((node, "v5"),)))
            faults.append(Fault(f"{part.ref} inputs short", short=((n[0], n[1]),)))
        else:
            faults.append(Fault(f"{part.ref} short", short=((n[0], n[1]),)))
            faults.append(Fault(f"{part.ref} open", cut=((part.ref, 0),)))
    supplied = (("pd4", 1), ("pd5", 1), ("pd6", 1))
    for pin, job in PINS.items():
        for level in (0, 1):
            faults.append(Fault(f"pin {pin} ({job}) stuck {'high' if level else 'low'}", pins=((pin, level),)))
    faults += [
        Fault("both drive pins stuck high", pins=(("pb1", 1), ("pb2", 1))),
        Fault("processor stuck: positive, all else high", pins=(("pb1", 1), ("pb2", 0), *supplied)),
        Fault("processor stuck: negative, all else high", pins=(("pb1", 0), ("pb2", 1), *supplied)),
        Fault("processor dead: every pin high", pins=tuple((pin, 1) for pin in PINS)),
        Fault("processor dead: every pin low", pins=tuple((pin, 0) for pin in PINS)),
        Fault("5 V regulator shorted", v5_is_battery=True),
        Fault("5 V missing", short=(("v5", "0"),)),
        Fault("electrodes A and B joined in the water", short=(("A", "B"),)),
        Fault("U3 input A to 5 V", short=(("va", "v5"),)),
        Fault("U3 input A to ground", short=(("va", "0"),)),
        Fault("U3 input earth to 5 V", short=(("ve", "v5"),)),
        Fault("U3 input earth to ground", short=(("ve", "0"),)),
        Fault("2.5 V reference to 5 V", short=(("ref", "v5"),)),
    ]  # fmt: skip
    return tuple(faults)


# ---- netlist ------------------------------------------------------------------------------------------------

#: Load resistances between each injection electrode and the earth electrode, tried one after the other in one run.
LOADS_OHM = (0.01, 50.0, 300.0, 1e3, 1e4, 1e5, 1e9)
LOADS_B_OHM = (0.01, 300.0, 1e9)
START_S = 4e-3  # supply comes up, drives low (the pump is taken as already running: the worse case)
HALF_S = 0.6e-3
DEAD_S = 40e-6
SLOT_S = 2 * HALF_S + 2 * DEAD_S
#: Silent stretch while the relays change over, as the firmware leaves one (there whole periods).
BLANK_S = 1.2e-3
START_B_S = START_S + len(LOADS_OHM) * SLOT_S + BLANK_S


def end_s() -> float:
    return START_B_S + SLOT_S * len(LOADS_B_OHM) + 1e-3


def _pwl(points: list[tuple[float, float]]) -> str:
    return "PWL(" + " ".join(f"{t:.9g} {v:.6g}" for t, v in points) + ")"


def _steps(changes: list[tuple[float, float]]) -> str:
    """A piecewise constant source with 2 us edges. Each change is (time, new value)."""
    points = [(0.0, changes[0][1])]
    for t_s, value in changes[1:]:
        points += [(t_s, points[-1][1]), (t_s + 2e-6, value)]
    return _pwl(points)


def _drives() -> dict[str, str]:
    positive, negative = [(0.0, 0.0)], [(0.0, 0.0)]
    starts = [START_S + k * SLOT_S for k in range(len(LOADS_OHM))]
    starts += [START_B_S + k * SLOT_S for k in range(len(LOADS_B_OHM))]
    for t in starts:
        positive += [(t, 1.0), (t + HALF_S, 0.0)]
        negative += [(t + HALF_S + DEAD_S, 1.0), (t + 2 * HALF_S + DEAD_S, 0.0)]
    break_s = START_B_S - BLANK_S
    alive = [(0.0, 0.0)]
    k = 1
    while k * 1e-3 < end_s():
        alive.append((k * 1e-3, float(k % 2)))
        k += 1
    return {
        "pb1": _steps(positive),
        "pb2": _steps(negative),
        "pd4": _steps([(0.0, 1.0)]),
        "pd5": _steps([(0.0, 1.0), (break_s, 0.0)]),
        "pd6": _steps([(0.0, 0.0), (START_B_S - BLANK_S / 2, 1.0)]),
        "pc5": _steps(alive),
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


def _loads() -> tuple[str, str]:
    """Conductance over time of the two loads; the one that is not selected stays 1 kohm of water."""
    a = [(0.0, 1 / LOADS_OHM[0])]
    for k, ohm in enumerate(LOADS_OHM[1:], 1):
        a.append((START_S + k * SLOT_S - DEAD_S / 2, 1 / ohm))
    b = [(0.0, 1e-3)]
    for k, ohm in enumerate(LOADS_B_OHM):
        b.append((START_B_S + k * SLOT_S - (BLANK_S / 4 if k == 0 else DEAD_S / 2), 1 / ohm))
    return _conductances(a), _conductances(b)


def netlist(
    fault: Fault = Fault("none"),
    battery_V: float = 12.0,
    temperature_C: float = 27.0,
    clamp_V: float = 11.0,
    opens: dict[str, float] | None = None,
    series_ohm: float | None = None,
    fixed_load_ohm: float | None = None,
) -> str:
    """SPICE text of one run. `opens`: contact ref -> time at which it opens, or "alive" -> when the pin stops.

    `series_ohm` weakens the stage on purpose, so that the tests can show that the check bites.
    """
    opens = opens or {}
    lines = [f"* output stage: {fault.name}, battery {battery_V} V", MODELS]
    lines.append(f".model DZ D(IS=1f RS=2 N=1.1 BV={clamp_V} IBV=5m NBV=2 CJO=100p)")
    lines.append(".model DT D(IS=1f RS=0.5 N=1.1 BV=14 IBV=1m CJO=500p)")
    lines.append(f"Vbat bat 0 {battery_V}")
    lines.append(f"Vcc v5s 0 {battery_V if fault.v5_is_battery else 5.0}")
    lines.append("Rcc v5s v5 1")
    lines.append("Vref refs 0 2.5")
    lines.append("Rref refs ref 1k")
    cuts = {(ref, terminal) for ref, terminal in fault.cut}
    stuck = dict(fault.pins)
    for pin, wave in _drives().items():
        if pin in stuck:
            wave = _pwl([(0.0, float(stuck[pin]))])
        elif pin == "pc5" and "alive" in opens:
            points = _alive_until(opens["alive"])
            wave = _steps(points)
        lines.append(f"V{pin}l {pin}l 0 {wave}")
        lines.append(f"B{pin} {pin}d 0 V=V(v5)*V({pin}l)")
        lines.append(f"R{pin}o {pin}d {pin} 30")
    for part in PARTS:
        nodes = list(part.nodes)
        for terminal in range(len(nodes)):
            if (part.ref, terminal) in cuts:
                cut_node = f"{part.ref.lower()}x{terminal}"
                lines.append(f"Rcut{part.ref}{terminal} {nodes[terminal]} {cut_node} {OPEN_OHM:g}")
                nodes[terminal] = cut_node
        lines += _device(part, nodes, fault, opens, series_ohm)
    for k, (a, b) in enumerate(fault.short):
        lines.append(f"Rshort{k} {a} {b} {SHORT_OHM}")
    load_a, load_b = _loads()
    if fixed_load_ohm is not None:
        load_a = load_b = f"{1 / fixed_load_ohm:.9g}"
    lines += [
        f"Vga ga_ 0 {load_a}",
        f"Vgb gb_ 0 {load_b}",
        "Vma A Al 0",
        "Vmb B Bl 0",
        "Bla Al E I=V(Al,E)*V(ga_)",
        "Blb Bl E I=V(Bl,E)*V(gb_)",
        # 10 m of cable on each side of the water, and a leak of the test bench to ground so that nothing floats.
        "Ca A E 1n",
        "Cb B E 1n",
        "Bva vabs 0 V=max(abs(V(A,E)),abs(V(B,E)))",
        "Bia iabs 0 V=1000*max(max(abs(i(Vma)),abs(i(Vmb))),abs(i(Vma)+i(Vmb)))",
        "Bpz pz 0 V=1000*V(vb)*i(Vz)",
        "Bp5 pq5 0 V=1000*abs(V(e1,vb))*abs(i(Vq5))",
        "Bp9 pq9 0 V=1000*abs(V(bo,e2))*abs(i(Vq9))",
        "Bpr pr 0 V=1000*V(s2,vr)*i(Vreg)",
        f".options method=gear reltol=1e-3 temp={temperature_C}",
    ]
    return "\n".join(lines) + "\n"


def _alive_until(stop_s: float) -> list[tuple[float, float]]:
    points = [(0.0, 0.0)]
    k = 1
    while k * 1e-3 < stop_s:
        points.append((k * 1e-3, float(k % 2)))
        k += 1
    return points


def _device(part: Part, n: list[str], fault: Fault, opens: dict[str, float], series_ohm: float | None) -> list[str]:
    ref, value = part.ref, part.value
    if part.kind in ("R", "FUSE"):
        if series_ohm is not None and value == 226.0:
            value = series_ohm
        return [f"R{ref} {n[0]} {n[1]} {value:g}"]
    if part.kind == "CONTACT":
        if ref in opens:
            t = opens[ref]
            return [f"V{ref}c {ref}c 0 {_steps([(0.0, 5.0), (t, 0.0)])}", f"S{ref} {n[0]} {n[1]} {ref}c 0 SWK"]
        return [f"R{ref} {n[0]} {n[1]} 0.05"]
    if part.kind == "C":
        return [f"C{ref} {n[0]} {n[1]} {value:g}" + (" IC=3.5" if ref == "C3" else "")]
    if part.kind == "D":
        return [f"D{ref} {n[0]} {n[1]} DSX"]
    if part.kind == "Z":
        return [f"Vz {n[0]} zk 0", f"D{ref} {n[1]} zk DZ"]
    if part.kind == "T":
        return [f"D{ref}a {n[0]} {ref}m DT", f"D{ref}b {n[1]} {ref}m DT"]
    if part.kind in ("NPN", "PNP"):
        collector = n[0]
        extra = []
        if ref in ("Q5", "Q9"):
            collector = f"{ref.lower()}c"
            extra = [f"V{ref.lower()} {n[0]} {collector} 0"]
        return [*extra, f"Q{ref} {collector} {n[1]} {n[2]} {part.kind}X"]
    if part.kind in ("NMOS", "PMOS"):
        model = "NMX" if part.kind == "NMOS" else "PMX"
        body = f"D{ref}b {n[2]} {n[0]} DBX" if part.kind == "NMOS" else f"D{ref}b {n[0]} {n[2]} DBX"
        return [f"M{ref} {n[0]} {n[1]} {n[2]} {n[2]} {model}", body]
    if part.kind == "REG":
        drive = "1" if fault.reg_stuck_full else "min(max(40*(1.235-V(" + n[2] + ")),0),1)"
        return [
            f"Vreg {n[0]} regi 0",
            f"Breg regi {n[1]} I=0.15*{drive}*tanh(max(V({n[0]},{n[1]}),0)/0.05)",
            f"Rregfb {n[2]} 0 100Meg",
        ]
    if part.kind == "RELAY":
        # The armature follows the coil with a lag of 0.1 ms (a real one is slower).
        return [
            f"R{ref} {n[2]} {n[3]} {value:g}",
            f"B{ref} {ref}v 0 V=V({n[2]},{n[3]})",
            f"R{ref}g {ref}v {ref}g 1k",
            f"C{ref}g {ref}g 0 100n",
            f"S{ref} {n[0]} {n[1]} {ref}g 0 SWK",
        ]
    if part.kind == "AMP":
        return [f"R{ref}a {n[0]} 0 {value:g}", f"R{ref}b {n[1]} 0 {value:g}"]
    raise ValueError(part.kind)


def bill_of_materials() -> list[tuple[str, str, str, str, str, str]]:
    """Rows: references, quantity, part, value, rating, job; equal parts on one row."""
    rows: dict[tuple[str, str, str], list[Part]] = {}
    for part in PARTS:
        rows.setdefault((part.bom, _value_text(part), part.rating), []).append(part)
    table = []
    for (bom, value, rating), parts in rows.items():
        jobs = list(dict.fromkeys(part.job for part in parts))
        table.append((" ".join(p.ref for p in parts), str(len(parts)), bom, value, rating, "; ".join(jobs)))
    return [*table, *OTHERS]


def _value_text(part: Part) -> str:
    if part.kind == "R":
        v = part.value
        return f"{v / 1e6:g} Mohm" if v >= 1e6 else f"{v / 1e3:g} kohm" if v >= 1e3 else f"{v:g} ohm"
    if part.kind == "C":
        v = part.value
        return f"{v * 1e6:g} uF" if v >= 1e-6 else f"{v * 1e9:g} nF"
    if part.kind in ("Z", "REG"):
        return f"{part.value:g} V"
    if part.kind == "RELAY":
        return f"coil {part.value:g} ohm"
    return ""
