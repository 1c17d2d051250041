"""Every fault that the output stage is asked to bear: single ones, wet contacts, and what damage provokes.

A fault is a set of changes to the circuit. They add up (`+`), so that a primary fault and the failure it provokes are
one fault more.
"""

from __future__ import annotations

from dataclasses import dataclass

from hardware.source_board.output_stage.circuit import PINS, SIMULATED, Part

#: A part that leaks: a tenth of what a dirty or half-broken one passes (own choice).
LEAK_OHM = 10e3
SHORT_OHM = 0.01
#: Water across a contact or in a plug.
MOISTURE_OHM = (1e3, 3e3, 10e3, 30e3, 100e3, 300e3, 1e6)


@dataclass(frozen=True)
class Fault:
    """Changes to the circuit. `bridges`: (net, net, ohm); `cut`: (reference, terminal) opened; `scaled`: (reference,
    factor of its value); `pins`: (processor pin, 0 or 1) stuck; `full_on`: regulators that pass all they can;
    `released`: references of contacts that are open; `floating`: pins that nobody drives, which leak from 5 V."""

    name: str
    bridges: tuple[tuple[str, str, float], ...] = ()
    cut: tuple[tuple[str, int], ...] = ()
    scaled: tuple[tuple[str, float], ...] = ()
    pins: tuple[tuple[str, int], ...] = ()
    full_on: tuple[str, ...] = ()
    released: tuple[str, ...] = ()
    floating: tuple[str, ...] = ()

    def __add__(self, other: Fault) -> Fault:
        return Fault(
            f"{self.name}, then {other.name}",
            self.bridges + other.bridges,
            self.cut + other.cut,
            self.scaled + other.scaled,
            self.pins + other.pins,
            self.full_on + other.full_on,
            self.released + other.released,
            self.floating + other.floating,
        )


NONE = Fault("none")

_TERMINALS: dict[str, tuple[str, ...]] = {
    "NPN": ("collector", "base", "emitter"),
    "PNP": ("collector", "base", "emitter"),
    "NMOS": ("drain", "gate", "source"),
    "PMOS": ("drain", "gate", "source"),
    "REG": ("in", "out", "feedback"),
    "REG5": ("in", "out"),
    "RELAY": ("contact la", "contact", "coil v5", "coil"),
    "CSA": ("plus", "minus", "out", "reference", "supply"),
    "OPAMP": ("plus", "minus", "out"),
}


def _pairs(part: Part) -> list[tuple[str, str, str]]:
    """(name of the pair, net, net) for each two terminals on different nets; supplies count for amplifiers."""
    names = _TERMINALS.get(part.kind, ("", ""))
    ends = list(zip(names, part.nets, strict=True))
    if part.kind in ("REG", "REG5", "CSA", "OPAMP"):
        ends.append(("ground", "0"))
    if part.kind == "OPAMP":
        ends.append(("supply", "v5"))
    found = []
    for k, (a_name, a) in enumerate(ends):
        for b_name, b in ends[k + 1 :]:
            if a != b:
                found.append((f"{a_name}-{b_name}".strip("-"), a, b))
    return found


def faults_of(part: Part) -> list[Fault]:
    """Each pair of terminals shorted and leaking, each terminal open, value halved and doubled where it has one."""
    found = []
    for name, a, b in _pairs(part):
        label = f"{part.ref} {name}".strip()
        found.append(Fault(f"{label} short", bridges=((a, b, SHORT_OHM),)))
        if part.kind not in ("FUSE", "CONTACT", "L") and not (part.kind == "R" and part.value < LEAK_OHM):
            found.append(Fault(f"{label} leak", bridges=((a, b, LEAK_OHM),)))
    names = _TERMINALS.get(part.kind, ("",))
    for terminal, name in enumerate(names):
        label = f"{part.ref} {name}".strip()
        found.append(Fault(f"{label} open", cut=((part.ref, terminal),)))
    if part.kind in ("R", "C", "L"):
        for factor, word in ((0.5, "halved"), (2.0, "doubled")):
            found.append(Fault(f"{part.ref} {word}", scaled=((part.ref, factor),)))
    if part.kind in ("REG", "REG5"):
        found.append(Fault(f"{part.ref} full on", full_on=(part.ref,)))
    return found


def _pin_faults() -> list[Fault]:
    on = (("pd4", 1), ("pd5", 1), ("pd6", 1))
    found = [
        Fault(f"pin {pin} ({job}) stuck {'high' if level else 'low'}", pins=((pin, level),))
        for pin, job in PINS.items()
        for level in (0, 1)
    ]
    return [
        *found,
        Fault("both drive pins stuck high", pins=(("pb1", 1), ("pb2", 1))),
        Fault("processor stuck: positive, all else high", pins=(("pb1", 1), ("pb2", 0), *on)),
        Fault("processor stuck: negative, all else high", pins=(("pb1", 0), ("pb2", 1), *on)),
        Fault("processor stuck: clamp test for ever", pins=(("pb3", 1), ("pb4", 1), *on)),
        Fault("processor dead: every pin high", pins=tuple((pin, 1) for pin in PINS)),
        Fault("processor dead: every pin low", pins=tuple((pin, 0) for pin in PINS)),
        Fault("5 V missing", bridges=(("v5", "0", SHORT_OHM),)),
        Fault("midpoint to 5 V", bridges=(("ref", "v5", SHORT_OHM),)),
        Fault("midpoint to ground", bridges=(("ref", "0", SHORT_OHM),)),
        Fault("electrodes A and B joined in the water", bridges=(("A", "B", SHORT_OHM),)),
    ]


def single_faults() -> tuple[Fault, ...]:
    """Every single fault. Equal ones (parts side by side between the same two nets) are counted once."""
    seen: set[tuple[object, ...]] = set()
    kept = []
    for fault in [f for part in SIMULATED for f in faults_of(part)] + _pin_faults():
        joined = tuple((frozenset((a, b)), ohm) for a, b, ohm in fault.bridges)
        key = (joined, fault.cut, fault.scaled, fault.pins, fault.full_on)
        if key not in seen:
            seen.add(key)
            kept.append(fault)
    return tuple(kept)


#: Contacts and plugs that water may get into: (name, net, net, contact that is open meanwhile or "").
_WET = (
    ("S1", "bp", "bs", "S1"),
    ("S2", "bs", "be", "S2"),
    ("S2, battery's side to pole 2", "bs", "pd3", "S2"),
    ("S1, battery's side to pole 2", "bp", "pd2", "S1"),
    ("S3", "v5", "pd2", "S3"),
    ("S4", "v5", "pd3", "S4"),
    ("K1", "la", "ka", ""),
    ("K2", "la", "kb", ""),
    ("K1 coil", "v5", "ka", ""),
    ("K2 coil", "v5", "kb", ""),
    ("plug A-B", "A", "B", ""),
    ("plug A-E", "A", "E", ""),
    ("plug B-E", "B", "E", ""),
    ("SW3", "pd7", "0", ""),
    ("board, rail to electrode A", "vb", "A", ""),
    ("board, 5 V to electrode A", "v5", "A", ""),
    ("board, battery's fuse to the bridge", "bp", "be", "S2"),
)


def moisture_faults() -> tuple[Fault, ...]:
    """Every wet contact at every resistance. A contact that carries the supply is open meanwhile."""
    return tuple(
        Fault(f"{name} wet, {ohm / 1e3:g} kohm", bridges=((a, b, ohm),), released=(contact,) if contact else ())
        for name, a, b, contact in _WET
        for ohm in MOISTURE_OHM
    )


#: Wet while nobody holds the enable, or with the emergency stop open: nothing may come out at all.
def off_while_wet() -> tuple[Fault, ...]:
    return tuple(f for f in moisture_faults() if set(f.released) & {"S1", "S2"} and "bridge" not in f.name)
