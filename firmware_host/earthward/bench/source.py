"""The source into known resistors: does it behave as one voltage behind one resistance, and does it tell the truth?

Each resistor R gives what the board told of voltage and current. V = E R / (r + R): two unknowns, so three resistors
also say whether they fit. Told current against V / R checks the current sense; both halves must be equal, else charge
is left in the water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earthward.bench.bands import Band
from earthward.errors import InputError

BANDS = (
    Band("open_V", "V", (9.4, 10.6), (9.0, 10.8), "voltage without a load, from the fit", "the regulator's tolerance; "
         "above 10.8 V the clamp is at work", "look at the supply rail (TP5) and the battery"),
    Band("series_ohm", "ohm", (1050.0, 1350.0), (1000.0, 1500.0), "resistance behind it, from the fit",
         "four pole resistors, shunt and limiters at their tolerance; it is what holds a short circuit below 10 mA",
         "a joint or a relay contact adds, a bridged resistor takes away: below 1000 ohm the board must not be used"),
    Band("fit", "", (0.0, 0.02), (0.0, 0.05), "largest departure from the fit", "a plain resistance is straight",
         "a limiter that begins early, or a contact that changes with current"),
    Band("sense", "", (0.97, 1.03), (0.95, 1.05), "told current over voltage by resistor", "shunt and amplifier; every "
         "size of a hole rests on it", "calibrate the current sense, or look at R26 and U2"),
    Band("halves", "", (0.98, 1.02), (0.97, 1.03), "positive over negative half", "no net charge into the water",
         "one half of the bridge is weak: the board must not be used"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Loaded:
    """What the board told of one known resistor."""

    ohm: float
    positive_A: float
    negative_A: float
    positive_V: float
    negative_V: float

    @property
    def volts(self) -> float:
        return 0.5 * (abs(self.positive_V) + abs(self.negative_V))

    @property
    def current_A(self) -> float:
        return 0.5 * (abs(self.positive_A) + abs(self.negative_A))


def source_values(loads: list[Loaded]) -> dict[str, float | None]:
    """By name of the band. InputError with fewer than three resistors, or where nothing flows."""
    if len({load.ohm for load in loads}) < 3:
        raise InputError("three different resistors are wanted, such as 330, 1000 and 4700 ohm")
    if min(load.ohm for load in loads) <= 0 or min(load.current_A for load in loads) < 1e-4:
        raise InputError("a resistor is zero or no current was told: is the source on, and the resistor from A to E?")
    ohm = np.array([load.ohm for load in loads])
    volts = np.array([load.volts for load in loads])
    # 1/V = 1/E + (r/E) / R is straight in 1/R. Weights: the same relative error of each voltage.
    table = np.column_stack([np.ones_like(ohm), 1.0 / ohm])
    (by_open, slope), *_ = np.linalg.lstsq(table * volts[:, None], np.ones_like(volts), rcond=None)
    open_V, series = 1.0 / by_open, slope / by_open
    departure = np.abs(volts * (series + ohm) / (open_V * ohm) - 1.0)
    return {
        "open_V": float(open_V),
        "series_ohm": float(series),
        "fit": float(departure.max()),
        "sense": float(np.mean([load.current_A / (load.volts / load.ohm) for load in loads])),
        "halves": float(min((abs(x.positive_A) / max(abs(x.negative_A), 1e-9) for x in loads),
                            key=lambda ratio: -abs(ratio - 1.0))),
    }  # fmt: skip
