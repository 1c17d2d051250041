"""Every protecting part, and the check that finds it missing or bypassed. Sabotage, one part at a time.

A guard behind another guard changes nothing at the electrodes when it goes: the sweep of single faults cannot miss it.
So each has a check of its own, one that passes with the part and fails without it. Most are what commissioning does
with a meter (hardware/wiring/README.md); all are made in the circuit simulator here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from hardware.source_board.output_stage.circuit import BY_REF, PINS
from hardware.source_board.output_stage.faults import SHORT_OHM, Fault
from hardware.source_board.output_stage.netlist import END_S, HALF_S, SLOT_S, START_B_S, START_S, Build, netlist
from hardware.source_board.output_stage.simulate import VOLTAGE_BOUND_V, Wave, run, waves

BATTERY_V = 12.6
#: What a limiter lets through at most (13.8 mA nominal).
LIMITED_A = 0.015
#: Below this nothing is called off, and the firmware trips while off (limits.h: LEAK_UA).
LEAK_A = 0.35e-3
#: Highest level that the processor must read as low, share of its supply (ATmega328P data sheet, from memory).
LOW_SHARE = 0.3
#: A gate or base that leads no current worth the name.
IDLE_V = 0.3
STATIC_S = 12e-3
#: The pump, which starts full, has long been empty.
EMPTY_S = 0.12
SURGE_V = 4e3
#: 60 % of what the bridge's transistors bear.
LEGS_V = 0.6 * 50.0
COIL_H = 50e-3
#: A piece of wire: less than a fuse has, by far.
BYPASS_OHM = 1e-4
#: A fuse is sure to open soon at twice its rating (IEC 60127, from memory).
BLOWS_AT = 2.0


def _joined(name: str, *pairs: tuple[str, str]) -> Fault:
    return Fault(name, bridges=tuple((a, b, SHORT_OHM) for a, b in pairs))


_POLES = _joined("poles bridged", ("ka", "A"), ("kb", "B"), ("se", "E"))
_ALL_ON = Fault("all on", pins=(("pb1", 1), ("pb2", 0), ("pd4", 1), ("pd5", 1), ("pd6", 1)))


def _within(value: float, low: float, high: float) -> bool:
    return low <= value <= high


def _volts(w: Mapping[str, Wave], plus: str, at_s: float) -> float:
    return float(np.interp(at_s, w["time"], w[f"v({plus})"] - w["v(e)"]))


def drives(sabotage: Fault) -> bool:
    """10 V each way at both electrodes, 7.8 to 8.8 mA into a short circuit."""
    w = waves(netlist(sabotage, BATTERY_V), END_S)
    slots = [(START_S, "short", "a"), (START_S + 3 * SLOT_S, "open", "a")]
    slots += [(START_B_S, "short", "b"), (START_B_S + SLOT_S, "open", "b")]
    for start_s, load, electrode in slots:
        inside = (w["time"] > start_s) & (w["time"] < start_s + SLOT_S)
        positive = _volts(w, electrode, start_s + 0.7 * HALF_S)
        negative = _volts(w, electrode, start_s + SLOT_S - 0.3 * HALF_S)
        if load == "open" and not (_within(positive, 9.45, 10.05) and _within(-negative, 9.45, 10.05)):
            return False
        if load == "short" and not _within(float(w["v(iabs)"][inside].max()), 7.8, 8.8):
            return False
    return True


def drives_low(sabotage: Fault) -> bool:
    """5 V range: 3.9 to 4.4 mA into a short circuit."""
    return _within(run(sabotage, BATTERY_V, ten_volts=False).current_short_A, 3.9e-3, 4.4e-3)


def clamp_holds(sabotage: Fault) -> bool:
    """The regulator passes all it can."""
    return run(Fault("U1 full on", full_on=("U1",)) + sabotage).voltage_V <= VOLTAGE_BOUND_V


def _limited(sabotage: Fault, other: Fault) -> bool:
    """Settled, in the middle of each half: the bridge's capacitor empties at once when no pole is there."""
    w = waves(netlist(_POLES + other + sabotage, 15.0), START_S + SLOT_S)
    middle = (START_S + 0.7 * HALF_S, START_S + SLOT_S - 0.3 * HALF_S)
    return all(5.0 < float(np.interp(at_s, w["time"], w["v(iabs)"])) <= LIMITED_A * 1e3 for at_s in middle)


def upper_limiter_alone(sabotage: Fault) -> bool:
    """Poles bridged, the lower limiter bridged: at most 15 mA."""
    return _limited(sabotage, _joined("lower limiter bridged", ("bo", "0")))


def lower_limiter_alone(sabotage: Fault) -> bool:
    """Poles bridged, the upper limiter bridged: at most 15 mA."""
    return _limited(sabotage, _joined("upper limiter bridged", ("vr", "vb")))


def _stops(sabotage: Fault, opens: str, within_s: float) -> bool:
    """Drive pins hold positive, 1 kohm; on before, off after."""
    opening_s = 15e-3
    driven = Fault("driven", pins=(("pb1", 1), ("pb2", 0)))
    text = netlist(driven + sabotage, BATTERY_V, opens={opens: opening_s}, fixed_load_ohm=1e3)
    w = waves(text, opening_s + within_s + 2e-3, 200e-6)
    before = float(np.interp(opening_s, w["time"], w["v(vabs)"]))
    after = float(w["v(vabs)"][w["time"] > opening_s + within_s].max())
    return before > 3.0 and after < 0.5


def emergency_stop_stops(sabotage: Fault) -> bool:
    return _stops(sabotage, "S1", 0.02)


def enable_stops(sabotage: Fault) -> bool:
    return _stops(sabotage, "S2", 0.02)


def alive_keeps_on(sabotage: Fault) -> bool:
    """A pin that goes on changing keeps the pump full: still on after 80 ms."""
    driven = Fault("driven", pins=(("pb1", 1), ("pb2", 0)))
    w = waves(netlist(driven + sabotage, BATTERY_V, opens={"alive": 0.08}, fixed_load_ohm=1e3), 0.08, 200e-6)
    return float(w["v(vabs)"][-1]) > 3.0


def alive_stops(sabotage: Fault) -> bool:
    return _stops(sabotage, "alive", 0.1)


def _silent(sabotage: Fault, off: Fault, battery_V: float = 15.0) -> bool:
    """On when everything asks for it, nothing at the electrodes with the one thing that is off."""
    outcome = run(off + sabotage, battery_V)
    return outcome.current_A < LEAK_A


def bridge_pin_stops(sabotage: Fault) -> bool:
    return _silent(sabotage, Fault("PD4 low", pins=(("pd4", 0),)))


def relays_open(sabotage: Fault) -> bool:
    return _silent(sabotage, Fault("PD5, PD6 low", pins=(("pd5", 0), ("pd6", 0))))


def wet_enable_stays_off(sabotage: Fault) -> bool:
    """1 kohm of water over the enable, nobody's hand on it, battery full, the processor asks for everything."""
    return _silent(sabotage, _ALL_ON + Fault("S2 wet", bridges=(("bs", "be", 1e3),), released=("S2",)))


def wet_stop_stays_off(sabotage: Fault) -> bool:
    return _silent(sabotage, _ALL_ON + Fault("S1 wet", bridges=(("bp", "bs", 1e3),), released=("S1",)))


def wet_poles_read_open(sabotage: Fault) -> bool:
    """1 kohm of water over the second poles: the processor reads open and released."""
    wet = Fault("S3, S4 wet", bridges=(("v5", "pd2", 1e3), ("v5", "pd3", 1e3)), released=("S3", "S4"))
    w = waves(netlist(wet + sabotage, BATTERY_V), STATIC_S)
    return all(w[f"v({pin})"][-1] < LOW_SHARE * w["v(v5)"][-1] for pin in ("pd2", "pd3"))


def blank_processor_is_off(sabotage: Fault) -> bool:
    """Pins float and leak 1 uA from 5 V (ATmega328P data sheet, most, from memory): no gate and no base is up."""
    w = waves(netlist(Fault("no processor", floating=tuple(PINS)) + sabotage, BATTERY_V), EMPTY_S, 1e-3)
    idle = ("g2", "pump", "gn", "gp", "g13", "g14", "b7", "b8", "b11", "b12")
    return all(abs(w[f"v({net})"][-1]) < IDLE_V for net in idle)


def five_volts_hold(sabotage: Fault) -> bool:
    """The 5 V regulator is shorted, the battery full: below 6 V, and what holds it can do so for good."""
    outcome = run(_joined("U4 shorted", ("b5r", "v5")) + sabotage, 15.0, stress=True)
    return outcome.five_V < 6.0 and max(outcome.stress[ref].worst for ref in ("D9", "R40")) <= 1.0


def five_volt_fuse_opens(sabotage: Fault) -> bool:
    """A short circuit at the 5 V regulator's input."""
    text = netlist(_joined("C13 shorted", ("b5r", "0")) + sabotage, BATTERY_V, currents=True)
    return _blows(waves(text, STATIC_S), "F3")


def _blows(w: Mapping[str, Wave], fuse: str) -> bool:
    later = w["time"] > 0.5 * w["time"][-1]
    return float(np.mean(np.abs(w[f"i(@r{fuse.lower()}[i])"][later]))) > BLOWS_AT * BY_REF[fuse].spec.amperes


def battery_fuse_opens(sabotage: Fault) -> bool:
    """A short circuit behind the reverse diode."""
    text = netlist(_joined("buffer shorted", ("bp", "0")) + sabotage, BATTERY_V, currents=True)
    return _blows(waves(text, STATIC_S), "F1")


def bridge_fuse_opens(sabotage: Fault) -> bool:
    """A short circuit at the regulator's output, before the limiter."""
    text = netlist(_joined("C5 shorted", ("vr", "0")) + sabotage, BATTERY_V, currents=True)
    return _blows(waves(text, STATIC_S), "F2")


def reversed_battery_does_nothing(sabotage: Fault) -> bool:
    w = waves(netlist(sabotage, -BATTERY_V), STATIC_S)
    return float(w["v(bp)"].min()) > -1.0


def surge_is_held(sabotage: Fault) -> bool:
    """4 kV between the poles' ends (own choice) while the relay is closed: what the bridge's transistors bear."""
    surge = f"Vsurge A Es PULSE(0 {SURGE_V:g} 6m 1.2u 1.2u 50u 1)\nRsurge Es E 2\n"  # 2 ohm: IEC 61000-4-5, from memory
    text = netlist(Fault("relay closed, idle", pins=(("pb1", 0), ("pb2", 0))) + sabotage, BATTERY_V, fixed_load_ohm=1e6)
    w = waves(text + surge, 6.2e-3, 5e-6)
    return float(np.abs(w["v(la)"] - w["v(se)"]).max()) < LEGS_V


def coils_fall_quietly(sabotage: Fault) -> bool:
    """Relay coils with their inductance let go: the transistors see less than 60 % of 45 V."""
    for pin, coil in (("pd5", "k1"), ("pd6", "k2")):
        on = Fault("lets go", pins=(("pd4", 0), (pin, 1)))
        text = netlist(on + sabotage, BATTERY_V, build=Build(coil_H=COIL_H), opens={pin: 6e-3})
        if float(waves(text, 7e-3, 10e-6)[f"v({coil})"].max()) > 0.6 * 45.0:
            return False
    return True


Check = Callable[[Fault], bool]


@dataclass(frozen=True)
class Guard:
    """One protecting part, or two of which either will do: the check that misses it, and the one that finds it bypassed
    (None: bypassed is no loss). `nets`: what a bypass joins."""

    refs: tuple[str, ...]
    removed: Check | None
    bypassed: Check | None
    nets: tuple[str, str]

    def sabotages(self) -> list[tuple[str, Check, Fault]]:
        """(words, check, sabotage) for each way in which this guard is spoilt."""
        name = " and ".join(self.refs)
        ways = []
        if self.removed is not None:
            ends = tuple((ref, k) for ref in self.refs for k in range(len(BY_REF[ref].nets)))
            ways.append((f"{name} removed", self.removed, Fault(f"{name} removed", cut=ends)))
        if self.bypassed is not None:
            bypass = Fault(f"{name} bypassed", bridges=((*self.nets, BYPASS_OHM),))
            ways.append((bypass.name, self.bypassed, bypass))
        return ways


def _guard(refs: str, removed: Check | None, bypassed: Check | None, nets: str = "") -> Guard:
    names = tuple(refs.split())
    a, b = nets.split() if nets else BY_REF[names[0]].nets[:2]
    return Guard(names, removed, bypassed, (a, b))


GUARDS: tuple[Guard, ...] = (
    # the supply's line: fuses, contacts, switches
    _guard("F1", drives, battery_fuse_opens),
    _guard("D1", drives, reversed_battery_does_nothing),
    _guard("S1", drives, emergency_stop_stops),
    _guard("S2", drives, enable_stops),
    _guard("R43", wet_enable_stays_off, drives),
    _guard("R44", wet_enable_stays_off, drives),
    _guard("F2", drives, bridge_fuse_opens),
    _guard("Q1", drives, bridge_pin_stops, "s1 bq"),
    _guard("R1", bridge_pin_stops, drives),
    _guard("D10", drives, wet_enable_stays_off),
    _guard("Q2", drives, bridge_pin_stops, "d2 0"),
    _guard("R4", blank_processor_is_off, drives),
    _guard("Q3", drives, alive_stops, "s2 s1"),
    _guard("R5", alive_stops, drives),
    _guard("Q4", drives, alive_stops, "d4 0"),
    _guard("C2", alive_keeps_on, alive_stops),
    _guard("D2", alive_keeps_on, alive_keeps_on),
    _guard("D3", alive_keeps_on, None),  # bypassed, the pump is weaker and still passes only a changing pin
    _guard("R7", alive_stops, drives),
    # ranges, clamp test, clamp, limiters
    _guard("Q13", drives, drives_low, "fb13 0"),
    _guard("R53", blank_processor_is_off, drives),
    _guard("Q14", None, drives, "fb14 0"),
    _guard("R55", blank_processor_is_off, None),
    _guard("D4", clamp_holds, drives),
    _guard("R10", drives, upper_limiter_alone),
    _guard("Q5", drives, upper_limiter_alone, "vb e1"),
    _guard("Q6", upper_limiter_alone, drives, "b1 vr"),
    _guard("R20", drives, lower_limiter_alone),
    _guard("Q9", drives, lower_limiter_alone, "bo e2"),
    _guard("Q10", lower_limiter_alone, drives, "b2 0"),
    # bridge
    _guard("R56 R19", blank_processor_is_off, None),
    _guard("R57 R15", blank_processor_is_off, None),
    *(_guard(ref, None, drives) for ref in ("R56", "R19", "R57", "R15")),
    *(_guard(ref, drives, drives) for ref in ("R12", "R16")),
    # poles, relays, surges
    *(_guard(ref, drives, drives) for ref in ("R22", "R23", "R24", "R25", "R27", "R28")),
    _guard("K1", drives, relays_open, "la ka"),
    _guard("K2", drives, relays_open, "la kb"),
    _guard("D5", surge_is_held, drives),
    _guard("R58", blank_processor_is_off, drives),
    _guard("R59", blank_processor_is_off, drives),
    _guard("D7", coils_fall_quietly, drives),
    _guard("D8", coils_fall_quietly, drives),
    # 5 V and second poles
    _guard("F3", drives, five_volt_fuse_opens),
    _guard("R40", drives, five_volts_hold),
    _guard("D9", five_volts_hold, drives),
    _guard("R37", wet_poles_read_open, None),
    _guard("R38", wet_poles_read_open, None),
)

#: In every test run: one of each kind, whose loss would hurt somebody first. The others: `make test-all`.
FIRST = ("D4 removed", "S1 bypassed", "D10 bypassed", "R10 bypassed", "Q10 removed", "D9 removed", "R38 removed")


def all_sabotages() -> list[tuple[str, Check, Fault]]:
    return [way for guard in GUARDS for way in guard.sabotages()]


def checks() -> list[Check]:
    return list(dict.fromkeys(check for _, check, _ in all_sabotages()))


def survivors(ways: list[tuple[str, Check, Fault]]) -> list[str]:
    """Sabotages that their check did not find."""
    return [f"{words}: not found by {check.__name__}" for words, check, fault in ways if check(fault)]


__all__ = ["FIRST", "GUARDS", "Check", "Guard", "all_sabotages", "checks", "survivors"]
