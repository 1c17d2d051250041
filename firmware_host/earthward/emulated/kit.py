"""EMULATED kit on the bench: what meter, board and converter would show of a kit as it was built, rightly or wrongly.

A direct-current model of the circuit, written apart from the acceptance limits: parts within their tolerance, and one
of fifteen builder's errors. It shares no formula with `kit.acceptance`; the figures of a right build agree with the
simulated output stage (hardware/wiring lists them).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

#: Nominal parts that count here; a test compares them with the circuit.
OHM = {
    "R8": 115e3, "R9": 37.4e3, "R50": 28.7e3, "R51": 47e3, "R10": 47.0, "R20": 47.0, "R22": 274.0, "R23": 274.0,
    "R24": 274.0, "R25": 274.0, "R26": 4.99, "R27": 274.0, "R28": 274.0,
}  # fmt: skip
FRONT_END_OHM = {"R1": 5100.0, "R2": 5100.0, "R3": 5100.0, "R4": 5100.0}
PULL_DOWN_OHM, METER_OHM, CONVERTER_OHM = 100e3, 10e6, 710e3
REFERENCE_V = 1.235
BATTERY_V = 12.8


@dataclass
class AsBuilt:
    """The kit's parts and wires; the errors change it."""

    ohm: dict[str, float]
    front_ohm: dict[str, float]
    reference_V: float
    clamp_V: float
    five_V: float
    limiter_V: float
    crystal_Hz: float
    host_ratio: float
    sense_gain: float
    converter_offset_V: float
    converter_scale: float
    pump_s: float
    series_A_ohm: float = 0.0
    positive_half: float = 1.0
    pull_down_missing: bool = False
    fuses_right: bool = True
    relay_A_closes: bool = True
    battery_reversed: bool = False
    grounds_joined: bool = False
    gain_set: float = 0.9721
    converter_address: int = 0x48
    converter_supply_V: float = 3.3
    #: plug pin -> what it reaches at the head
    cable: dict[int, str] = field(default_factory=lambda: {1: "front", 2: "back", 3: "ring"})


def draw(seed: int | None) -> AsBuilt:
    """Parts within their tolerance (uniform: the worst that the sheets allow); None: nominal."""
    rng = np.random.default_rng(seed)

    def spread(value: float, tolerance: float) -> float:
        return value if seed is None else float(value * rng.uniform(1 - tolerance, 1 + tolerance))

    def within(half: float) -> float:
        return 0.0 if seed is None else float(rng.uniform(-half, half))

    return AsBuilt(
        ohm={ref: spread(v, 0.005 if ref == "R26" else 0.01) for ref, v in OHM.items()},
        front_ohm={ref: spread(v, 0.01) for ref, v in FRONT_END_OHM.items()},
        reference_V=spread(REFERENCE_V, 0.012),
        clamp_V=spread(11.0, 0.02),
        five_V=spread(5.0, 0.02),
        limiter_V=spread(0.565, 0.05),
        crystal_Hz=spread(16e6, 60e-6),
        host_ratio=spread(1.0, 100e-6),
        sense_gain=spread(1.0, 0.004),
        converter_offset_V=within(15e-6),
        converter_scale=spread(1.0, 0.0015),
        pump_s=spread(0.022, 0.2),
    )


class VirtualKit:
    """A built kit; `values()` is what the acceptance sheet asks for."""

    emulated = True

    def __init__(self, seed: int | None = None, error: str | None = None) -> None:
        self.built = draw(seed)
        if error is not None:
            ERRORS[error].make(self.built)

    # ---- source -----------------------------------------------------------------------------------------------

    def rail_V(self, *, ten: bool, test: bool = False) -> float:
        r = self.built.ohm
        below = 1.0 / r["R9"] + (1.0 / r["R50"] if ten else 0.0) + (1.0 / r["R51"] if test else 0.0)
        wanted = self.built.reference_V * (1.0 + r["R8"] * below)
        return min(wanted, self.built.clamp_V) if test else wanted

    def current_A(self, electrode: str, load_ohm: float) -> float:
        b = self.built
        if electrode == "A" and not b.relay_A_closes:
            return 0.0
        pole = b.ohm["R22"] + b.ohm["R23"] + b.series_A_ohm if electrode == "A" else b.ohm["R24"] + b.ohm["R25"]
        ohm = pole + sum(b.ohm[ref] for ref in ("R26", "R27", "R28", "R10", "R20")) + load_ohm
        return (self.rail_V(ten=True) - 0.2) / ohm  # 0.2 V: two saturated transistors

    def _source(self) -> dict[str, float | None]:
        b = self.built
        board_V = 0.0 if b.battery_reversed else BATTERY_V - 0.3
        gate_V = b.five_V if b.pull_down_missing else b.five_V * PULL_DOWN_OHM / (PULL_DOWN_OHM + METER_OHM)
        answers = abs(b.crystal_Hz / 16e6)
        return {
            "islands_ohm": 0.3 if b.grounds_joined else 1e9,
            "board_V": board_V,
            "five_volts_V": b.five_V,
            "gates_in_reset_V": gate_V,
            "baud_ratio": answers,
            "fuses_right": float(b.fuses_right),
            "clock_ratio": b.crystal_Hz / 16e6 * b.host_ratio,
            "temperature_C": 24.0,
            "idle_A_V": 0.01,
            "idle_B_V": 0.01,
            "rail_5_V": self.rail_V(ten=False),
            "rail_10_V": self.rail_V(ten=True),
            "clamp_V": self.rail_V(ten=True, test=True),
            "current_A_A": self.current_A("A", 1000.0) * (1.0 + b.positive_half) / 2.0,
            "current_B_A": self.current_A("B", 1000.0) * (1.0 + b.positive_half) / 2.0,
            "halves_ratio": b.positive_half,
            "short_A": self.current_A("A", 0.0) * (1.0 + b.positive_half) / 2.0,
            "limiter_A": b.limiter_V / b.ohm["R10"],
            "current_sense": b.sense_gain * 4.99 / b.ohm["R26"],
            "deadman_s": 0.5,
            "watchdog_s": 0.03,
            "pump_s": b.pump_s,
            "released_s": 0.001,
        }

    # ---- receiver ---------------------------------------------------------------------------------------------

    def indicated_V(self, front_V: float, back_V: float, ring_V: float) -> float:
        """What the daemon would show: back's lead against front's, by input divider and gain that is set."""
        b = self.built
        at = {"front": front_V, "back": back_V, "ring": ring_V}
        pair_V = at[b.cable[2]] - at[b.cable[1]]
        share = CONVERTER_OHM / (CONVERTER_OHM + sum(b.front_ohm.values()))
        return (pair_V * share * b.converter_scale + b.converter_offset_V) / b.gain_set

    def _receiver(self) -> dict[str, float | None]:
        b = self.built
        wire = 0.2
        ring_reached = "ring" in b.cable.values()
        return {
            "converter_supply_V": b.converter_supply_V,
            "converter_address": float(b.converter_address),
            "pin1_to_front_ohm": wire if b.cable[1] == "front" else 1e9,
            "pin2_to_back_ohm": wire if b.cable[2] == "back" else 1e9,
            "pin3_to_ring_ohm": wire if b.cable[3] == "ring" else 1e9,
            "indicated_ratio": self.indicated_V(-0.05, 0.05, 0.0) / 0.1,
            "zero_V": self.indicated_V(0.0, 0.0, 0.0),
            "single_ended_V": 0.02 if ring_reached else 1.8,
        }

    def values(self) -> dict[str, float | None]:
        return self._source() | self._receiver()


# ---- builder's errors -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BuilderError:
    """One thing that goes wrong at the bench. `word`: what the right sentence must name."""

    name: str
    what: str
    make: Callable[[AsBuilt], None]
    word: str


def _set(**changes: object) -> Callable[[AsBuilt], None]:
    def make(built: AsBuilt) -> None:
        for name, value in changes.items():
            setattr(built, name, value)

    return make


def _decade(built: AsBuilt) -> None:
    built.ohm["R22"] *= 10.0


_ALL = (
    BuilderError("swapped-pair", "front and back exchanged in the pole plug",
                 _set(cable={1: "back", 2: "front", 3: "ring"}), "front and back are swapped"),
    BuilderError("decade", "R22 of 2.74 kohm in place of 274 ohm", _decade, "R22, R23"),
    BuilderError("no-pull-down", "a gate's pull-down left out", _set(pull_down_missing=True), "pull-down is missing"),
    BuilderError("cold-joint", "a joint of 100 kohm behind relay A", _set(series_A_ohm=100e3), "cold joint"),
    BuilderError("transistor-reversed", "Q7 turned round", _set(positive_half=0.03), "Q7"),
    BuilderError("wrong-crystal", "12 MHz in place of 16 MHz", _set(crystal_Hz=12e6), "12 MHz and not 16 MHz"),
    BuilderError("wrong-fuses", "processor's fuses as delivered", _set(fuses_right=False), "fuses are wrong"),
    BuilderError("gain-unset", "front_end_gain left at 1", _set(gain_set=1.0), "front_end_gain"),
    BuilderError("other-address", "converter's ADDR at its supply", _set(converter_address=0x49), "another address"),
    BuilderError("cable-mirrored", "pins 1 and 3 of the pole cable exchanged",
                 _set(cable={1: "ring", 2: "back", 3: "front"}), "mirrored"),
    BuilderError("converter-at-5-V", "converter fed from 5 V", _set(converter_supply_V=5.0), "fed from 5 V"),
    BuilderError("relay-reversed", "coil of K1 turned round", _set(relay_A_closes=False), "coil turned round"),
    BuilderError("no-third-contact", "ring not joined", _set(cable={1: "front", 2: "back", 3: "open"}), "ring"),
    BuilderError("grounds-joined", "a wire from the source's minus to the receiver's 0 V", _set(grounds_joined=True),
                 "islands are joined"),
    BuilderError("battery-reversed", "battery's wires exchanged", _set(battery_reversed=True), "battery is reversed"),
)  # fmt: skip
ERRORS = {error.name: error for error in _ALL}
