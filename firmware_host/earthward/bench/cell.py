"""Conductivity cell of known geometry: volts and current to resistivity, and to conductivity at 25 degrees.

A straight insulating tube of bore d, current sent in at its ends, the pair at a spacing L well inside: between the two
the current is uniform, so R = rho L / A with A = pi d^2 / 4. Nothing is calibrated; a standard solution checks it.
Temperature goes by the linear rule about 25 degrees (`pool.resistance.conductivity_at`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from earthward.bench.bands import Band
from earthward.errors import InputError
from earthward.pool.resistance import conductivity_at

#: Relative change per kelvin about 25 degrees: potassium chloride 0.01 to 0.1 mol/kg between 18 and 30 degrees
#: (slope of the table of Pratt et al., Pure Appl. Chem. 73, 1783, 2001), pool and sea salt.
PERCENT_PER_K = {"KCl": 1.92, "pool": 2.0}

#: S/m at 25 degrees of standard solutions, by mol/kg: Pratt, Koch, Wu, Berezansky, Pure Appl. Chem. 73, 1783 (2001).
STANDARDS_S_PER_M = {"0.01": 0.140823, "0.1": 1.28246}
CHECK = Band("standard_ratio", "", (0.98, 1.02), (0.95, 1.05),
             "conductivity found in a standard solution over the published one",
             "bore 1 %, spacing 1 %, current 0.5 %, temperature 0.3 K",
             "measure bore and spacing again, rinse with the solution twice, wait for an even temperature")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cell:
    """Bore and spacing of the electrodes in the tube, metres; each electrode `clear_m` from the tube's nearer end."""

    bore_m: float
    spacing_m: float
    clear_m: float = math.inf

    def __post_init__(self) -> None:
        if not (0 < self.bore_m < 1 and 0 < self.spacing_m < 10):
            raise InputError("bore and spacing of the cell must be above zero, in metres")
        if self.clear_m < 1.5 * self.bore_m:
            raise InputError(
                f"the electrodes sit {self.clear_m:g} m from the tube's end: keep one and a half bores away, there the "
                "current is even across the tube"
            )

    @property
    def constant_per_m(self) -> float:
        """Resistance over resistivity, 1/m."""
        return self.spacing_m / (0.25 * math.pi * self.bore_m**2)


@dataclass(frozen=True, slots=True)
class Water:
    """What the cell says of the water in it."""

    resistivity_ohm_m: float
    conductivity_S_per_m: float
    conductivity_25_S_per_m: float
    temperature_C: float


def water(
    cell: Cell, value_V: float, current_A: float, temperature_C: float, percent_per_K: float = PERCENT_PER_K["pool"]
) -> Water:
    """From the lock-in's amplitude at the pair and the current through the tube."""
    if not (value_V and current_A and math.isfinite(value_V) and math.isfinite(current_A)):
        raise InputError("volts at the pair and current must both be measured and not zero")
    if not 0 <= temperature_C <= 50:
        raise InputError(f"a water temperature of {temperature_C:g} degC is not possible here: 0 to 50")
    resistivity = abs(value_V / current_A) / cell.constant_per_m
    conductivity = 1.0 / resistivity
    at_25 = float(conductivity_at(conductivity, temperature_C, 25.0, percent_per_K))
    return Water(resistivity, conductivity, at_25, temperature_C)
