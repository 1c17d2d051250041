"""EMULATED ground, cable and tube: what earth electrode, insulation and conductivity cell are tried on.

Rods in even ground by their line sources (a rod's own resistance by Dwight's formula, and the potential that a rod
makes at the surface), not by the hemispheres that the bench's rule is derived from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earthward.emulated.load import Drive, Injection
from earthward.pool.resistance import rod_ohm


@dataclass(frozen=True)
class Rods:
    """Earth electrode at 0 and auxiliary electrode at `apart_m`, both driven rods."""

    soil_ohm_m: float = 80.0
    length_m: float = 0.6
    diameter_m: float = 0.012
    apart_m: float = 20.0
    auxiliary_m: float = 0.4
    contact_ohm: float = 0.0
    """Dry soil or rust round the electrode under test."""

    @property
    def own_ohm(self) -> float:
        return float(rod_ohm(self.soil_ohm_m, self.length_m, self.diameter_m)) + self.contact_ohm

    def surface_ohm(self, away_m: float, length_m: float) -> float:
        """Potential at the surface per ampere of a rod so far away: rho / (2 pi L) asinh(L / x)."""
        return self.soil_ohm_m / (2 * math.pi * length_m) * math.asinh(length_m / away_m)

    def read_ohm(self, probe_m: float) -> float:
        """Volts between electrode and probe per ampere from electrode to auxiliary."""
        electrode = self.own_ohm - self.surface_ohm(self.apart_m, self.auxiliary_m)
        probe = self.surface_ohm(probe_m, self.length_m) - self.surface_ohm(self.apart_m - probe_m, self.auxiliary_m)
        return electrode - probe


@dataclass(frozen=True)
class WetCable:
    """Core in water behind its insulation; a shunt in series carries the receiver."""

    insulation_ohm: float = 2e9
    capacitance_F: float = 1.1e-9
    shunt_ohm: float = 10e3
    input_ohm: float = 710e3

    def at_shunt(self, drive_V: float, frequency_Hz: float) -> complex:
        """Volts at shunt and converter, peak, relative to the drive's phase."""
        shunt = self.shunt_ohm * self.input_ohm / (self.shunt_ohm + self.input_ohm)
        leak = complex(1 / self.insulation_ohm, 2 * math.pi * frequency_Hz * self.capacitance_F)
        return drive_V * shunt / (shunt + 1 / leak)


@dataclass(frozen=True)
class Tube:
    """Conductivity cell: a bore full of water, its temperature, and what is dissolved."""

    bore_m: float = 0.0204
    spacing_m: float = 0.3
    conductivity_S_per_m: float = 0.21

    def volts(self, current_A: float) -> float:
        area = 0.25 * math.pi * self.bore_m**2
        return current_A * self.spacing_m / (self.conductivity_S_per_m * area)


class WornSource:
    """A source's load with what can go wrong between board and plug: extra ohms, and a board that tells wrongly."""

    def __init__(self, ohm: float, extra_ohm: float = 0.0) -> None:
        self.ohm, self.extra_ohm = ohm, extra_ohm

    def inject(self, drive: Drive, electrode: str) -> Injection:
        current = min(drive.voltage_V / (drive.series_ohm + self.extra_ohm + self.ohm), drive.limit_A)
        return Injection(current, current * self.ohm)

    def idle(self, electrode: str, at_s: float) -> tuple[float, float]:
        return 0.0, 0.0


def told(load: WornSource, sense: float, halves: float, seed: int, drive: Drive | None = None) -> tuple[float, ...]:
    """What a board tells of a load: currents and voltages of both halves, with its own noise."""
    draw = np.random.default_rng([seed, 9])
    true = load.inject(drive or Drive(), "A")
    return (
        true.current_A * sense * halves * (1 + draw.normal(0, 1e-3)),
        -true.current_A * sense * (1 + draw.normal(0, 1e-3)),
        true.voltage_V * (1 + draw.normal(0, 5e-4)),
        -true.voltage_V * (1 + draw.normal(0, 5e-4)),
    )
