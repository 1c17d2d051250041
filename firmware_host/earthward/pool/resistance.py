"""Holes, electrodes and water: resistances from size, and sizes from resistances. Pure, scalars or arrays.

Units: ohm, ohm m, m, S/m, degrees Celsius. Formulas are textbook ones; each docstring names its source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

LINER_THICKNESS_m = 0.0005
#: What soil behind a liner may be when nobody has measured it: wet clay to damp sand (ohm m).
#: Averages of US Bureau of Standards 108 and the soft-clay to clayey-sand rows of IEC 60364-5-54.
SOIL_RANGE_ohm_m = (10.0, 500.0)


def disk_access_ohm(resistivity_ohm_m: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Resistance from a disk in an insulating plane to the half-space on one side: rho / (4 a).

    Holm, Electric Contacts; Newman, J. Electrochem. Soc. 113, 501 (1966).
    """
    return np.asarray(np.asarray(resistivity_ohm_m, dtype=float) / (2.0 * np.asarray(diameter_m, dtype=float)))


def hole_ohm(
    diameter_m: ArrayLike,
    water_ohm_m: ArrayLike,
    soil_ohm_m: ArrayLike,
    thickness_m: float = LINER_THICKNESS_m,
) -> FloatArray:
    """Round hole through a liner: water side + water-filled channel + soil side, in series.

    rho_w/(4a) + rho_w t/(pi a^2) + rho_s/(4a). Soil in full contact is assumed; a void behind the liner makes
    the true value larger without limit.
    """
    radius = np.asarray(diameter_m, dtype=float) / 2
    water, soil = np.asarray(water_ohm_m, dtype=float), np.asarray(soil_ohm_m, dtype=float)
    result: FloatArray = (water + soil) / (4 * radius) + water * thickness_m / (math.pi * radius * radius)
    return result


def hole_diameter_m(
    resistance_ohm: ArrayLike,
    water_ohm_m: ArrayLike,
    soil_ohm_m: ArrayLike,
    thickness_m: float = LINER_THICKNESS_m,
) -> FloatArray:
    """The inverse of `hole_ohm`: the positive root of R a^2 - (rho_w + rho_s)/4 a - rho_w t/pi = 0, doubled."""
    resistance = np.asarray(resistance_ohm, dtype=float)
    water, soil = np.asarray(water_ohm_m, dtype=float), np.asarray(soil_ohm_m, dtype=float)
    b = (water + soil) / 4
    radius = (b + np.sqrt(b * b + 4 * resistance * water * thickness_m / math.pi)) / (2 * resistance)
    result: FloatArray = 2 * radius
    return result


@dataclass(frozen=True)
class DiameterInterval:
    """Smallest and largest round hole that fits, and the one for the middle soil. Metres."""

    low_m: float
    middle_m: float
    high_m: float


def hole_diameter_interval_m(
    current_A: tuple[float, float],
    water_V: float,
    water_ohm_m: float,
    soil_ohm_m: tuple[float, float] = SOIL_RANGE_ohm_m,
    thickness_m: float = LINER_THICKNESS_m,
) -> DiameterInterval:
    """Hole diameter from the current it takes (low, high) while the water stands `water_V` above earth.

    The soil decides most of it and is rarely known, so the answer is an interval: low current in the best soil
    to high current in the worst. The middle takes the geometric means. Raises ValueError on impossible input.
    """
    low_A, high_A = current_A
    if not (0 < low_A <= high_A and water_V > 0 and water_ohm_m > 0 and 0 < soil_ohm_m[0] <= soil_ohm_m[1]):
        raise ValueError("currents, voltage and resistivities must be positive and in order")
    low = float(hole_diameter_m(water_V / low_A, water_ohm_m, soil_ohm_m[0], thickness_m))
    high = float(hole_diameter_m(water_V / high_A, water_ohm_m, soil_ohm_m[1], thickness_m))
    middle_soil = math.sqrt(soil_ohm_m[0] * soil_ohm_m[1])
    middle = float(hole_diameter_m(water_V / math.sqrt(low_A * high_A), water_ohm_m, middle_soil, thickness_m))
    return DiameterInterval(low, middle, high)


def rod_ohm(resistivity_ohm_m: ArrayLike, length_m: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Earth resistance of a driven rod, rho/(2 pi L) (ln(4L/r) - 1).

    Dwight 1936, as in IEEE 142 (the same as IEEE 80's ln(8L/d) - 1).
    """
    length = np.asarray(length_m, dtype=float)
    radius = np.asarray(diameter_m, dtype=float) / 2
    rho = np.asarray(resistivity_ohm_m, dtype=float)
    result: FloatArray = rho / (2 * math.pi * length) * (np.log(4 * length / radius) - 1)
    return result


def half_space_V(resistivity_ohm_m: ArrayLike, current_A: ArrayLike, distance_m: ArrayLike) -> FloatArray:
    """Potential of a point source on an insulating plane, rho I / (2 pi r). Telford et al., Applied Geophysics."""
    return np.asarray(
        np.asarray(resistivity_ohm_m, dtype=float)
        * np.asarray(current_A, dtype=float)
        / (2 * math.pi * np.asarray(distance_m, dtype=float))
    )


# --- water -----------------------------------------------------------------------------------------------


def conductivity_at(
    conductivity_S_per_m: ArrayLike, from_C: ArrayLike, to_C: ArrayLike, percent_per_K: float = 2.0
) -> FloatArray:
    """Conductivity carried from one temperature to another by the linear rule about 25 C.

    C25 = C_T / (1 + alpha (T - 25)); 2.0 to 2.2 %/K is usual in meters' manuals, sea salt near 1.97 %/K.
    """
    alpha = percent_per_K / 100
    at_25 = np.asarray(conductivity_S_per_m, dtype=float) / (1 + alpha * (np.asarray(from_C, dtype=float) - 25))
    result: FloatArray = at_25 * (1 + alpha * (np.asarray(to_C, dtype=float) - 25))
    return result


def conductivity_from_tds(tds_ppm: ArrayLike, ppm_per_uS_per_cm: float = 0.5) -> FloatArray:
    """Conductivity (S/m, at the meter's 25 C) of a "TDS" reading; meters divide by a factor of 0.5 to 0.7."""
    return np.asarray(np.asarray(tds_ppm, dtype=float) / ppm_per_uS_per_cm * 1e-4)


def conductivity_from_salt(salt_ppm: ArrayLike, temperature_C: ArrayLike = 25.0) -> FloatArray:
    """Conductivity (S/m) of water with that much sea salt (mg/kg), at a temperature.

    A fit to PSS-78 (TEOS-10 library, C_from_SP at zero pressure) between 500 and 6000 ppm, within 0.1 % at
    25 C, with its temperature dependence of about 1.97 %/K. Table salt differs by a few percent.
    """
    log_g = np.log(np.asarray(salt_ppm, dtype=float) / 1000.0)
    c25_S_per_m = np.exp(-1.62511233 + 0.9518699 * log_g - 0.0064533 * log_g**2)
    result: FloatArray = c25_S_per_m * (1 + 0.0197 * (np.asarray(temperature_C, dtype=float) - 25))
    return result
