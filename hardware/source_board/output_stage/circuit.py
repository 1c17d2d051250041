"""The source board, revision B: every part once, with its nets. Nothing of the circuit is written anywhere else.

The SPICE netlist (`netlist.py`), the faults (`faults.py`), the drawing (`drawing.py`) and the parts list (`check.py
--bom`) are all made from `PARTS`. Net `0` is the battery's minus; nets pb1 to pd7, adc6, adc7 are the processor's pins.
"""

from __future__ import annotations

from dataclasses import dataclass

from hardware.source_board.output_stage.catalogue import FAMILIES, Family, Kind


@dataclass(frozen=True)
class Part:
    """One part. `nets` in order: R C L FUSE CONTACT two; D Z anode cathode (Z: cathode anode); NPN PNP collector base
    emitter; NMOS PMOS drain gate source; REG in out feedback; REG5 in out; RELAY contact contact coil coil; CSA plus
    minus out reference supply; OPAMP plus minus out; OTHER as `pins` names them. `value`: ohm, farad, henry, volt."""

    ref: str
    family: str
    nets: tuple[str, ...]
    value: float
    block: str
    job: str
    pins: tuple[str, ...] = ()

    @property
    def kind(self) -> Kind:
        return self.spec.kind

    @property
    def spec(self) -> Family:
        return FAMILIES[self.family]


def _block(name: str, *rows: tuple[str, str, str, float, str]) -> tuple[Part, ...]:
    return tuple(Part(ref, family, tuple(nets.split()), value, name, job) for ref, family, nets, value, job in rows)


SUPPLY = _block(
    "bridge supply",
    ("F1", "fuse05", "bat bf", 0.5, "battery fuse, in the lead"),
    ("D1", "schottky1", "bf bp", 0, "reverse polarity"),
    ("C1", "mlcc", "bp 0", 10e-6, "buffer"),
    ("S1", "estop", "bp bs", 1, "emergency stop, pole 1: carries the supply of the bridge"),
    ("S2", "handle", "bs be", 1, "enable, pole 1: carries the supply of the bridge as well"),
    ("R43", "film", "be 0", 1.6e3, "pulls the bridge's supply down past a wet contact"),
    ("R44", "film", "be 0", 1.6e3, "the same again: one may be open"),
    ("F2", "fuse63", "be bq", 8, "bridge fuse: a second fault cannot overheat the clamp for long"),
    ("Q1", "pmos", "s1 g1 bq", 0, "bridge supply switch, first"),
    ("R1", "film", "bq g1", 100e3, "Q1 off unless pulled"),
    ("R2", "film", "g1 gz", 10e3, "Q1 gate"),
    ("D10", "uvlo", "gz d2", 6.2, "no bridge below about 8 V: a wet contact and the pull-downs leave less"),
    ("Q2", "nmos", "d2 g2 0", 0, "drives Q1"),
    ("R3", "film", "pd4 g2", 1e3, "Q2 gate"),
    ("R4", "film", "g2 0", 100e3, "Q2 off when the pin floats"),
    ("Q3", "pmos", "s2 g3 s1", 0, "bridge supply switch, second"),
    ("R5", "film", "s1 g3", 100e3, "Q3 off unless pulled"),
    ("R6", "film", "g3 d4", 10e3, "Q3 gate"),
    ("Q4", "nmos", "d4 pump 0", 0, "drives Q3 while the pump runs"),
    ("C2", "mlcc", "pc5 p1", 100e-9, "pump: passes only a changing pin"),
    ("D2", "schottky", "0 p1", 0, "pump"),
    ("D3", "schottky", "p1 pump", 0, "pump"),
    ("C3", "mlcc", "pump 0", 100e-9, "pump"),
    ("R7", "film", "pump 0", 220e3, "empties the pump in about 20 ms"),
    ("C4", "mlcc", "s2 0", 1e-6, "regulator input"),
    ("U1", "reg", "s2 vr fb", 10, "bridge supply"),
    ("R8", "film", "vr fb", 115e3, "with R9: 5.0 V"),
    ("R9", "film", "fb 0", 37.4e3, "5.0 V when neither Q13 nor Q14 conducts"),
    ("Q13", "nmos", "fb13 g13 0", 0, "10 V range"),
    ("R50", "film", "fb fb13", 28.7e3, "10.0 V when Q13 conducts"),
    ("R52", "film", "pb3 g13", 1e3, "Q13 gate"),
    ("R53", "film", "g13 0", 100e3, "5 V range when the pin floats"),
    ("Q14", "nmos", "fb14 g14 0", 0, "clamp test"),
    ("R51", "film", "fb fb14", 47e3, "13 V with Q13 and Q14: the clamp must hold it"),
    ("R54", "film", "pb4 g14", 1e3, "Q14 gate"),
    ("R55", "film", "g14 0", 100e3, "no clamp test when the pin floats"),
    ("C5", "mlcc", "vr 0", 2.2e-6, "regulator output, before the limiter"),
)

LIMITERS = _block(
    "limiters and clamp",
    ("R10", "limit", "vr e1", 47, "upper limiter: 0.65 V at 13.8 mA"),
    ("Q5", "pnppass", "vb b1 e1", 0, "upper limiter, pass"),
    ("Q6", "pnp", "b1 e1 vr", 0, "upper limiter, sense"),
    ("R11", "film", "b1 0", 10e3, "upper limiter, base"),
    ("D4", "clamp", "vb 0", 11, "independent clamp of the bridge supply"),
    ("C6", "mlcc", "vb 0", 10e-9, "bridge"),
    ("Q9", "npnpass", "bo b2 e2", 0, "lower limiter, pass"),
    ("R20", "limit", "e2 0", 47, "lower limiter: 0.65 V at 13.8 mA"),
    ("Q10", "npn", "b2 e2 0", 0, "lower limiter, sense"),
    ("R21", "film", "vb b2", 10e3, "lower limiter, base"),
)

BRIDGE = _block(
    "bridge",
    ("M1", "pmos", "la ga vb", 0, "leg a up"),
    ("R12", "film", "vb ga", 10e3, "M1 off unless pulled"),
    ("Q7", "npn", "ga b7 0", 0, "drives M1"),
    ("R13", "film", "pb1 b7", 10e3, "Q7 base"),
    ("R56", "film", "b7 0", 100e3, "Q7 off when the pin floats"),
    ("M2", "nmos", "la gn bo", 0, "leg a down"),
    ("R14", "film", "pb2 gn", 1e3, "M2 gate"),
    ("R15", "film", "gn 0", 100e3, "M2 off when the pin floats"),
    ("M3", "pmos", "lb gb vb", 0, "leg b up"),
    ("R16", "film", "vb gb", 10e3, "M3 off unless pulled"),
    ("Q8", "npn", "gb b8 0", 0, "drives M3"),
    ("R17", "film", "pb2 b8", 10e3, "Q8 base"),
    ("R57", "film", "b8 0", 100e3, "Q8 off when the pin floats"),
    ("M4", "nmos", "lb gp bo", 0, "leg b down"),
    ("R18", "film", "pb1 gp", 1e3, "M4 gate"),
    ("R19", "film", "gp 0", 100e3, "M4 off when the pin floats"),
)

OUTPUTS = _block(
    "outputs",
    ("K1", "relay", "la ka v5 k1", 178, "injection electrode A"),
    ("R22", "pole", "ka a1", 274, "pole A"),
    ("R23", "pole", "a1 A", 274, "pole A"),
    ("K2", "relay", "la kb v5 k2", 178, "injection electrode B"),
    ("R24", "pole", "kb a2", 274, "pole B"),
    ("R25", "pole", "a2 B", 274, "pole B"),
    ("R26", "shunt", "lb se", 4.99, "current sense: 5 ohm x 20 = 100 mV per mA"),
    ("R27", "pole", "se ee", 274, "pole earth"),
    ("R28", "pole", "ee E", 274, "pole earth"),
    (
        "D5",
        "arrester",
        "la se",
        14,
        "surge; inside relays and resistors: an open relay lets no fault through it",
    ),
    ("Q11", "npn", "k1 b11 0", 0, "drives K1"),
    ("R35", "film", "pd5 b11", 4.7e3, "Q11 base"),
    ("R58", "film", "b11 0", 100e3, "Q11 off when the pin floats"),
    ("D7", "schottky", "k1 v5", 0, "K1 coil"),
    ("Q12", "npn", "k2 b12 0", 0, "drives K2"),
    ("R36", "film", "pd6 b12", 4.7e3, "Q12 base"),
    ("R59", "film", "b12 0", 100e3, "Q12 off when the pin floats"),
    ("D8", "schottky", "k2 v5", 0, "K2 coil"),
)

SENSE = _block(
    "measurement",
    ("R45", "film01", "v5 mid", 10e3, "midpoint: half the supply, as the converter's own"),
    ("R46", "film01", "mid 0", 10e3, "midpoint"),
    ("C7", "mlcc", "mid 0", 100e-9, "midpoint"),
    ("U3A", "opamp", "mid ref ref", 0, "midpoint, buffered"),
    ("U2", "csa", "se lb io ref v5", 1e6, "current sense amplifier, gain 20 about the midpoint"),
    ("R29", "film01", "A va", 1e6, "voltage sense A"),
    ("R30", "film01", "va ref", 156e3, "voltage sense A"),
    ("R33", "film01", "E na", 1e6, "voltage sense A, earth side"),
    ("R34", "film01", "na vao", 156e3, "voltage sense A: feedback, 0.156 about the midpoint"),
    ("U3B", "opamp", "va na vao", 0, "voltage A minus earth"),
    ("R31", "film01", "B vbi", 1e6, "voltage sense B"),
    ("R32", "film01", "vbi ref", 156e3, "voltage sense B"),
    ("R47", "film01", "E nb", 1e6, "voltage sense B, earth side"),
    ("R48", "film01", "nb vbo", 156e3, "voltage sense B: feedback"),
    ("U3C", "opamp", "vbi nb vbo", 0, "voltage B minus earth"),
    ("U3D", "opamp", "mid u3d u3d", 0, "spare quarter, tied as a follower"),
    ("R60", "film", "io pc0", 1e3, "current sense filter, 10 us"),
    ("C8", "c0g", "pc0 0", 10e-9, "current sense filter"),
    ("R61", "film", "vao pc1", 1e3, "voltage A filter, 10 us"),
    ("C9", "c0g", "pc1 0", 10e-9, "voltage A filter"),
    ("R62", "film", "vbo pc4", 1e3, "voltage B filter, 10 us"),
    ("C10", "c0g", "pc4 0", 10e-9, "voltage B filter"),
    ("R41", "film", "bp pc2", 30.1e3, "battery sense, divided by four"),
    ("R42", "film", "pc2 0", 10e3, "battery sense"),
    ("C11", "mlcc", "pc2 0", 100e-9, "battery sense filter"),
    ("R63", "film", "vb adc7", 30.1e3, "bridge rail sense, divided by four: sees regulator and clamp"),
    ("R64", "film", "adc7 0", 10e3, "bridge rail sense"),
    ("C12", "mlcc", "adc7 0", 10e-9, "bridge rail sense filter"),
    ("R65", "film", "v5 adc6", 2.2e3, "feeds U8"),
)

FIVE_VOLTS = _block(
    "5 V and processor",
    ("F3", "fuse125", "bp b5", 3, "5 V fuse: opens when C13, U4 or D9 is shorted"),
    ("R40", "drop", "b5 b5r", 33, "bounds what D9 has to bear, which both can for good"),
    ("C13", "mlcc", "b5r 0", 1e-6, "regulator input"),
    ("U4", "reg5", "b5r v5", 5, "5 V"),
    ("D9", "clamp5", "v5 0", 5.6, "holds 5 V parts below 6 V when U4 is shorted"),
    ("C14", "mlcc", "v5 0", 10e-6, "5 V"),
    ("C15", "mlcc", "v5 0", 100e-9, "U6 supply"),
    ("C16", "mlcc", "v5 0", 100e-9, "U6 supply, second pin"),
    ("C17", "mlcc", "v5 0", 100e-9, "U2, U3 supply"),
    ("C18", "mlcc", "v5 0", 100e-9, "U7 supply, source side"),
    ("L1", "bead", "v5 avcc", 10e-6, "AVCC"),
    ("C19", "mlcc", "avcc 0", 100e-9, "AVCC"),
    ("C20", "mlcc", "aref 0", 100e-9, "AREF"),
    ("C21", "c0g", "x1 0", 22e-12, "crystal"),
    ("C22", "c0g", "x2 0", 22e-12, "crystal"),
    ("R66", "film", "v5 nrst", 10e3, "reset pull-up"),
    ("C23", "mlcc", "nrst 0", 100e-9, "reset"),
    ("S3", "estop", "v5 pd2", 1, "emergency stop, pole 2: tells the firmware"),
    ("R37", "film", "pd2 0", 390, "a wet contact of 1 kohm and more reads as open"),
    ("S4", "handle", "v5 pd3", 1, "enable, pole 2: tells the firmware"),
    ("R38", "film", "pd3 0", 390, "a wet contact of 1 kohm and more reads as released"),
    ("R68", "film", "strap 0", 100e3, "bench strap: low on a real board"),
    ("R67", "film", "v5 pd7", 10e3, "reset button pull-up"),
    ("C24", "mlcc", "pd7 0", 100e-9, "reset button"),
)


def _other(ref: str, family: str, job: str, pins: str) -> Part:
    pairs = [pair.split(":") for pair in pins.split()]
    return Part(ref, family, tuple(n for _, n in pairs), 0, "around the board", job, tuple(p for p, _ in pairs))


#: Not simulated: no way to the electrodes but through parts above, whose nets carry the faults of their pins.
SURROUNDINGS: tuple[Part, ...] = (
    _other("B1", "battery", "supply of the source board, with its own fuse", "+:bat -:0"),
    _other("U5", "thermo", "temperature of the board", "VS:v5 OUT:pc3 GND:0"),
    _other(
        "U6", "mcu", "processor; its pins stuck are among the cases",
        "PD3:pd3 PD4:pd4 GND:0 VCC:v5 XTAL1:x1 XTAL2:x2 PD5:pd5 PD6:pd6 PD7:pd7 PB0:strap PB1:pb1 PB2:pb2 PB3:pb3 "
        "PB4:pb4 PB5:pb5 AVCC:avcc ADC6:adc6 AREF:aref ADC7:adc7 PC0:pc0 PC1:pc1 PC2:pc2 PC3:pc3 PC4:pc4 PC5:pc5 "
        "RESET:nrst PD0:rxd PD1:txd PD2:pd2",
    ),
    _other("U7", "isolator", "link to the host and sync wire", "VCC1:v5 GND1:0 IN1:txd IN2:pb5 OUT3:rxd VCC2:h5 "
           "GND2:h0 OUT1:hrx OUT2:hsync IN3:htx"),
    _other("U8", "vref", "2.5 V: tells the firmware how high its own supply is", "K:adc6 A:0"),
    _other("X2", "crystal", "16 MHz", "1:x1 2:x2"),
    _other("SW3", "button", "local reset of a trip", "1:pd7 2:0"),
    _other("X1", "plug", "electrodes: no battery pin in it", "A:A B:B E:E"),
    _other("J2", "plug", "host's side of the isolator", "V:h5 G:h0 RX:hrx TX:htx SYNC:hsync"),
    _other("J4", "terminal", "battery lead, behind F1", "+:bf -:0"),
    _other("J5", "terminal", "lead of emergency stop and enable: S1, S2, then their second poles S3, S4",
           "S1:bp S1b:bs S2:bs S2b:be S3:v5 S3b:pd2 S4:v5 S4b:pd3"),
    _other("J6", "terminal", "lead of the electrodes' plug X1", "A:A B:B E:E"),
    _other("J7", "terminal", "lead of the host's plug J2", "V:h5 G:h0 RX:hrx TX:htx SYNC:hsync"),
    _other("J8", "terminal", "lead of the reset button", "1:pd7 2:0"),
    *(_other(ref, "testpad", f"test point of {net}", f"1:{net}") for ref, net in (
        ("TP1", "0"), ("TP2", "v5"), ("TP3", "bq"), ("TP4", "vr"), ("TP5", "vb"), ("TP6", "pump"), ("TP7", "mid"),
        ("TP8", "la"), ("TP9", "lb"), ("TP10", "pc0"))),
    Part("C25", "mlcc", ("h5", "h0"), 100e-9, "around the board", "U7 supply, host's side"),
    _other("J3", "header", "programming, electrodes unplugged", "MISO:pb4 VCC:v5 SCK:pb5 MOSI:pb3 RST:nrst GND:0"),
)  # fmt: skip

SIMULATED: tuple[Part, ...] = (*SUPPLY, *LIMITERS, *BRIDGE, *OUTPUTS, *SENSE, *FIVE_VOLTS)
PARTS: tuple[Part, ...] = (*SIMULATED, *SURROUNDINGS)
BY_REF = {part.ref: part for part in PARTS}

#: Processor pins that reach the stage, in board.h's words.
PINS = {
    "pb1": "drive positive",
    "pb2": "drive negative",
    "pb3": "10 V range",
    "pb4": "clamp test",
    "pd4": "bridge supply",
    "pd5": "electrode A",
    "pd6": "electrode B",
    "pc5": "alive",
}
#: Parts that stand in one case: S3, S4 are second poles of S1, S2; U3A to U3D one chip.
PACKAGES = {"S3": "S1", "S4": "S2", "U3A": "U3", "U3B": "U3", "U3C": "U3", "U3D": "U3"}


def value_text(part: Part) -> str:
    v = part.value
    if part.kind == "R":
        return f"{v / 1e6:g} Mohm" if v >= 1e6 else f"{v / 1e3:g} kohm" if v >= 1e3 else f"{v:g} ohm"
    if part.kind == "C":
        return f"{v * 1e6:g} uF" if v >= 1e-6 else f"{v * 1e9:g} nF" if v >= 1e-9 else f"{v * 1e12:g} pF"
    if part.kind == "L":
        return f"{v * 1e6:g} uH"
    if part.kind in ("Z", "REG", "REG5"):
        return f"{v:g} V"
    return ""


BOM_HEAD = ("references", "quantity", "part", "value", "maker's number", "second source", "job")


def bill_of_materials() -> list[tuple[str, str, str, str, str, str, str]]:
    """Rows as `BOM_HEAD` names them; equal parts on one row, a package counted once."""
    rows: dict[tuple[str, str], list[Part]] = {}
    for part in PARTS:
        if PACKAGES.get(part.ref, part.ref) == part.ref or part.ref == "U3A":
            rows.setdefault((part.family, value_text(part)), []).append(part)
    table = []
    for (family, value), parts in rows.items():
        spec = FAMILIES[family]
        refs = [PACKAGES.get(p.ref, p.ref) for p in parts]
        what = spec.what.replace("quarter of a quad", "quad")
        jobs = "; ".join(dict.fromkeys(p.job for p in parts))
        table.append((" ".join(refs), str(len(refs)), what, value, spec.maker, spec.second, jobs))
    return table
