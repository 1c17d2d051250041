"""The kinds of part that the source board is made of: maker's number, second source, ratings, simulation model.

Maker's numbers and ratings are from memory of the makers' data sheets: compare them with the sheet before you order.
A second source that is not known for certain is the word "equivalent" and what must be equal. `model` names a card in
`MODELS`; its origin says what it is. No card here is a maker's own file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "R", "C", "L", "D", "Z", "T", "NPN", "PNP", "NMOS", "PMOS", "REG", "REG5", "CONTACT", "RELAY", "CSA", "OPAMP",
    "FUSE", "OTHER",
]  # fmt: skip


@dataclass(frozen=True)
class Family:
    """One kind of part. Ratings in V, A, W; 0 = not a bound for this kind. `tolerance` is relative, of the value."""

    kind: Kind
    what: str
    maker: str
    second: str
    volts: float = 0.0
    amperes: float = 0.0
    watts: float = 0.0
    tolerance: float = 0.0
    model: str = ""


_FILM = "Yageo RC1206FR-07 series, 1 %"
_FILM2 = "Vishay CRCW1206 series, 1 %"

FAMILIES: dict[str, Family] = {
    "film": Family("R", "film resistor 1206, 0.25 W", _FILM, _FILM2, 200, 0, 0.25, 0.01),
    "film01": Family("R", "metal film resistor, leaded, 0.25 W, 0.1 %, 25 ppm/K", "Yageo MFP-25B series",
                     "TE YR1B series", 200, 0, 0.25, 0.001),
    "pole": Family("R", "power metal film resistor 1 W, flameproof", "Vishay PR01 series, 1 %",
                   "equivalent, flameproof, 350 V", 350, 0, 1.0, 0.01),
    "limit": Family("R", "power metal film resistor 1 W, flameproof, 1 %", "Vishay PR01 series, 1 %",
                    "equivalent, flameproof", 350, 0, 1.0, 0.01),
    "drop": Family("R", "power metal film resistor 3 W, flameproof", "Vishay PR03 series, 5 %",
                   "equivalent, flameproof", 750, 0, 3.0, 0.05),
    "shunt": Family("R", "metal film resistor 0.6 W, 0.5 %", "Vishay MBB0207, 0.5 %", "equivalent, 0.5 %", 200, 0, 0.6,
                    0.005),
    "mlcc": Family("C", "ceramic capacitor X7R, 50 V", "Yageo CC series, X7R, 50 V", "Kemet C series, X7R, 50 V", 50,
                   tolerance=0.2),
    "c0g": Family("C", "ceramic capacitor C0G, 50 V", "Yageo CC series, C0G, 50 V", "Kemet C series, C0G, 50 V", 50,
                  tolerance=0.05),
    "bead": Family("L", "inductor 10 uH, 0.1 A", "TDK MLZ2012 series", "Murata LQM series", 0, 0.1, 0, 0.2),
    "schottky1": Family("D", "Schottky diode 40 V, 1 A", "onsemi 1N5819", "ST 1N5819", 40, 1.0, 1.0, 0, "DS1"),
    "schottky": Family("D", "Schottky diode 30 V, 0.2 A", "Nexperia BAT85", "Vishay BAT85", 30, 0.2, 0.2, 0, "DS2"),
    "clamp": Family("Z", "Zener diode 11 V, 2 %, 1.3 W", "Vishay BZX85B11", "equivalent, 2 %, 1.3 W", 0, 0, 1.3, 0.02,
                    "DZ"),
    "clamp5": Family("Z", "Zener diode 5.6 V, 5 %, 5 W", "onsemi 1N5339B", "Microchip 1N5339B", 0, 0, 5.0, 0.05, "DZ5"),
    "uvlo": Family("Z", "Zener diode 6.2 V, 5 %, 0.5 W", "Nexperia BZX79-C6V2", "Vishay BZX55C6V2", 0, 0, 0.5, 0.05,
                   "DZU"),
    "arrester": Family("T", "bidirectional suppressor diode, 12 V stand-off, 600 W 10/1000 us", "Littelfuse SMBJ12CA",
                       "Bourns SMBJ12CA", 0, 0, 5.0, 0.05, "DT"),
    "npn": Family("NPN", "NPN transistor 45 V, 0.1 A", "onsemi BC547B", "Diotec BC547B", 45, 0.1, 0.5, 0, "NPNX"),
    "pnp": Family("PNP", "PNP transistor 45 V, 0.1 A", "onsemi BC557B", "Diotec BC557B", 45, 0.1, 0.5, 0, "PNPX"),
    "npnpass": Family("NPN", "NPN transistor 45 V, 0.8 A, 0.6 W", "onsemi BC337-40", "Diotec BC337-40", 45, 0.8, 0.6, 0,
                      "NPNX"),
    "pnppass": Family("PNP", "PNP transistor 45 V, 0.8 A, 0.6 W", "onsemi BC327-40", "Diotec BC327-40", 45, 0.8, 0.6, 0,
                      "PNPX"),
    "nmos": Family("NMOS", "N-channel MOSFET 50 V, 0.2 A, logic level", "onsemi BSS138", "Diodes BSS138", 50, 0.2, 0.35,
                   0, "NMX"),
    "pmos": Family("PMOS", "P-channel MOSFET -50 V, 0.13 A", "Nexperia BSS84", "onsemi BSS84", 50, 0.13, 0.25, 0,
                   "PMX"),
    "reg": Family("REG", "low-drop regulator, adjustable, 1.235 V, 0.1 A", "TI LP2951", "onsemi LP2951", 30, 0.1, 0.7),
    "reg5": Family("REG5", "5 V regulator 0.5 A", "ST L78M05", "onsemi MC78M05", 35, 0.5, 1.5),
    "fuse05": Family("FUSE", "fuse 5 x 20 mm, 0.5 A fast", "Littelfuse 217 series, 0.5 A", "Eska 520.5 series, 0.5 A",
                     250, 0.5),
    "fuse63": Family("FUSE", "fuse 5 x 20 mm, 63 mA fast", "Littelfuse 217 series, 63 mA", "Eska 520.5 series, 63 mA",
                     250, 0.063),
    "fuse125": Family("FUSE", "fuse 5 x 20 mm, 125 mA fast", "Littelfuse 217 series, 125 mA",
                      "Eska 520.5 series, 125 mA", 250, 0.125),
    "estop": Family("CONTACT", "emergency-stop button, three positively opening contacts, IP67",
                    "to the buyer's choice (IEC 60947-5-5)", "equivalent", 60, 1.0),
    "handle": Family("CONTACT", "hand-held momentary switch, three normally open poles, IP67", "to the buyer's choice",
                     "equivalent", 60, 0.5),
    "relay": Family("RELAY", "signal relay, 5 V coil 178 ohm, gold contacts, coil to contact 1 kV", "Kemet EC2-5NU",
                    "Omron G6S-2 5 V", 60, 1.0),
    "csa": Family("CSA", "bidirectional current sense amplifier, gain 20", "TI INA240A1",
                  "equivalent: gain 20, -2 V up", 6.0),
    "opamp": Family("OPAMP", "quarter of a quad operational amplifier, rail to rail", "Microchip MCP6004", "TI TLV9004",
                    6.0),
    "vref": Family("OTHER", "shunt reference 2.5 V, 0.5 %", "TI LM4040C25", "Microchip LM4040C-2.5", 6.0),
    "thermo": Family("OTHER", "temperature sensor, 500 mV + 10 mV/K", "Analog Devices TMP36",
                     "Microchip MCP9700A", 5.5),
    "mcu": Family("OTHER", "ATmega328P in TQFP-32 (ADC6, ADC7)", "Microchip ATMEGA328P-AU", "none", 6.0),
    "isolator": Family("OTHER", "digital isolator, 2 + 1 channels, 2.5 kV", "TI ISO7731", "Analog Devices ADuM131E",
                       6.0),
    "crystal": Family("OTHER", "crystal 16 MHz, 18 pF", "Abracon ABL-16.000MHZ-B2", "ECS ECS-160-18-4X", 0),
    "button": Family("OTHER", "push button, recessed, IP67", "to the buyer's choice", "equivalent", 60),
    "battery": Family("OTHER", "12 V battery, sealed lead or LiFePO4, 2 Ah", "to the buyer's choice", "equivalent", 15),
    "plug": Family("OTHER", "sealed connector, touch-proof, IP67", "to the buyer's choice", "equivalent", 60),
    "header": Family("OTHER", "pin header 2 x 3, 2.54 mm", "to the buyer's choice", "equivalent", 60),
    "terminal": Family("OTHER", "screw terminal, 5.08 mm", "Phoenix MKDS 1,5 series", "equivalent, 5.08 mm", 250),
    "testpad": Family("OTHER", "test point, copper of the board", "none: part of the board", "none", 60),
}  # fmt: skip

#: Cards with their origin. Parameters are typical small-signal values from memory, rounded to the safe side where one
#: exists (high gain in the limiters); the P-channel one has BSS84's on-resistance at -5 V, the N-channel BSS138's.
MODELS = """\
* generic: typical of the BC547/BC337 class, from memory
.model NPNX NPN(IS=6.7f BF=250 VAF=74 IKF=66m CJC=3.6p CJE=4.5p TF=0.3n TR=240n RB=10)
* generic: typical of the BC557/BC327 class, from memory
.model PNPX PNP(IS=1.4f BF=220 VAF=115 IKF=80m CJC=4.8p CJE=8p TF=0.6n TR=180n RB=10)
* generic level 1, threshold and on-resistance of the BSS138 class, from memory
.model NMX NMOS(VTO=1.3 KP=0.22 LAMBDA=0.01 RD=0.7 RS=0.3 CGSO=20p CGDO=10p IS=1e-14)
* generic level 1, threshold and on-resistance of the BSS84 class, from memory
.model PMX PMOS(VTO=-1.6 KP=0.1 LAMBDA=0.01 RD=2 RS=1 CGSO=20p CGDO=10p IS=1e-14)
* generic diodes
.model DS1 D(IS=1u RS=0.1 N=1.05 CJO=100p BV=40 IBV=10u)
.model DS2 D(IS=0.2u RS=0.5 N=1.05 CJO=10p BV=30 IBV=10u)
.model DBX D(IS=1e-14 RS=0.1 N=1.1 CJO=30p BV=50 IBV=10u)
.model DT D(IS=1f RS=0.5 N=1.1 BV=14 IBV=1m CJO=500p)
* ideal switch
.model SWK SW(VT=2.5 VH=0.5 RON=0.1 ROFF=1G)
"""
