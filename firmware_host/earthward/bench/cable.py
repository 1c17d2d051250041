"""Insulation of a cable in water: source from its core to the water, a shunt in series that the receiver reads.

The current through the insulation is the shunt's voltage over its resistance; what is in phase with the source is
leakage, what leads by a quarter period is the cable's own capacitance and no fault. The converter's input lies parallel
to the shunt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from earthward.bench.bands import Band
from earthward.errors import InputError

#: differential input of the converter's two smallest ranges (data sheet, docs/build-kit.md)
INPUT_OHM = 710e3

BANDS = (
    Band("insulation_ohm", "ohm", (1e7, math.inf), (1e6, math.inf), "in water to the plug, both ends dry",
         "10 Mohm at 10 V leak 1 uA, a four-hundredth of a 1 mm hole's current; 1 Mohm leak 10 uA and look like one",
         "find the nick by lifting the cable out hand over hand; replace it, tape does not hold under water"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Insulation:
    """insulation_ohm: inf where no leakage is told from nothing; capacitance_F: core to water."""

    insulation_ohm: float
    capacitance_F: float
    least_ohm: float
    """The highest resistance that this measurement could have told from infinity (two standard errors)."""

    @property
    def values(self) -> dict[str, float | None]:
        return {"insulation_ohm": self.insulation_ohm}


def insulation(
    drive_V: float, frequency_Hz: float, shunt_ohm: float, in_phase_V: float, quadrature_V: float, sigma_V: float
) -> Insulation:
    """drive_V: peak of the sine at core and water; the rest: peak at the shunt, and its standard error."""
    if min(drive_V, frequency_Hz, shunt_ohm, sigma_V) <= 0:
        raise InputError("drive, frequency, shunt and standard error must be above zero")
    if drive_V > 12.4:
        raise InputError(f"{drive_V:g} V is more than the source may give: check the reading")
    parallel = 1.0 / (1.0 / shunt_ohm + 1.0 / INPUT_OHM)
    current = complex(in_phase_V, quadrature_V) / parallel
    across = drive_V - complex(in_phase_V, quadrature_V)
    admittance = current / across
    floor = 2.0 * sigma_V / parallel / drive_V
    conductance = admittance.real
    ohm = 1.0 / conductance if conductance > floor else math.inf
    return Insulation(ohm, admittance.imag / (2 * math.pi * frequency_Hz), 1.0 / floor)
