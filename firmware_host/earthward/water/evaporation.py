"""How fast open water evaporates: five published methods, pure functions of the weather.

Every method returns kg of water per square metre and day; a negative value is condensation. 1 kg/m2 is
taken as 1 mm of level (the density of pool water is within 0.5 % of 1 kg/L, far inside the methods' spread).

Temperatures in degrees C, relative humidity as a fraction 0..1, wind in m/s *over the water*, vapour
pressures in Pa. Humid-air properties come from psychrolib (ASHRAE Handbook - Fundamentals, chapter 1).
The formulas were taken from excerpts and from memory, as each docstring says: no full standard was read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

STANDARD_PRESSURE_PA = 101_325.0
PA_PER_MMHG = 133.322
SECONDS_PER_DAY = 86_400.0
#: ratio of the molar masses of water and dry air, 0.622, and the vapour term of the density of humid air
_VAPOUR_DENSITY_DEFECT = 0.378
_GAS_CONSTANT_DRY_AIR = 287.042


@dataclass(frozen=True, slots=True)
class Weather:
    """One stretch of weather at the pool. `wind_m_per_s` is over the water; net radiation in W/m2 if known."""

    water_C: float
    air_C: float
    relative_humidity: float
    wind_m_per_s: float = 0.0
    net_radiation_W_per_m2: float | None = None
    pressure_Pa: float = STANDARD_PRESSURE_PA


def saturation_pressure_Pa(temperature_C: float) -> float:
    """Vapour pressure of saturated air, Pa."""
    return float(psychrolib.GetSatVapPres(temperature_C))


def vapour_pressure_Pa(temperature_C: float, relative_humidity: float) -> float:
    """Partial pressure of water vapour in the air, Pa."""
    return float(psychrolib.GetVapPresFromRelHum(temperature_C, relative_humidity))


def latent_heat_kJ_per_kg(temperature_C: float) -> float:
    """Heat of vaporisation, kJ/kg (cubic of Rogers & Yau, A Short Course in Cloud Physics; within 0.01 % of IAPWS
    between 15 and 35 C)."""
    t = temperature_C
    return 2500.8 - 2.36 * t + 0.0016 * t**2 - 0.00006 * t**3


def humid_air_density_kg_per_m3(
    temperature_C: float, vapour_pressure_Pa: float, pressure_Pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Mass of moist air (vapour included) per volume of the mixture, kg/m3."""
    return (pressure_Pa - _VAPOUR_DENSITY_DEFECT * vapour_pressure_Pa) / (
        _GAS_CONSTANT_DRY_AIR * (temperature_C + 273.15)
    )


def _pressure_difference_Pa(weather: Weather) -> float:
    return saturation_pressure_Pa(weather.water_C) - vapour_pressure_Pa(weather.air_C, weather.relative_humidity)


def carrier(weather: Weather) -> float:
    """Carrier / ASHRAE Applications: w = (0.089 + 0.0782 v)(pw - pa)/Y, kg/(s m2), kPa, m/s, kJ/kg.

    The usual choice where wind is known; known to be high for a quiet pool (Smith 1998: a quiet pool has 74 %).
    """
    y = latent_heat_kJ_per_kg(weather.water_C)
    return ((0.089 + 0.0782 * weather.wind_m_per_s) * (_pressure_difference_Pa(weather) / 1000.0) / y) * SECONDS_PER_DAY


def ashrae_simplified(weather: Weather, activity_factor: float = 0.5) -> float:
    """ASHRAE's simplified form, w = 4e-5 Fa (pw - pa), kg/(s m2), kPa: v = 0.1 m/s and Y = 2400 kJ/kg built in.

    It ignores the wind. `activity_factor` (from memory): 0.5 unoccupied or residential, 0.65 condominium or therapy,
    0.8 hotel, 1.0 public or whirlpool, 1.5 wave pool. Field tests found 0.50 to 0.57 for an unoccupied pool.
    """
    return 4e-5 * activity_factor * (_pressure_difference_Pa(weather) / 1000.0) * SECONDS_PER_DAY


def smith_lof_jones(weather: Weather) -> float:
    """Smith, Lof and Jones 1994 (outdoor pools): (30.6 + 32.1 v)(pw - pa)/Y, kg/(h m2), mmHg, m/s, kJ/kg.

    Coefficients from memory.
    """
    y = latent_heat_kJ_per_kg(weather.water_C)
    return (30.6 + 32.1 * weather.wind_m_per_s) * (_pressure_difference_Pa(weather) / PA_PER_MMHG) / y * 24.0


def shah(
    weather: Weather, outdoor: bool = False, wind_exponent: float = 0.7, coefficient: float | None = None
) -> float:
    """Shah 2014: the larger of natural convection C rho_w (rho_r - rho_w)^(1/3) (Ww - Wr) and forced 5e-5 (pw - pr).

    kg/(h m2), Pa, densities in kg/m3. C = 35 where the density difference exceeds 0.02 kg/m3, else 40. Densities are
    those of the moist mixture (the paper's nomenclature may mean dry air, which gives up to 36 % more: from
    memory, in doubt). Outdoors the forced term is scaled by (v/0.15)^n for v > 0.15 m/s, n = 0.7-0.8 (from
    memory, in doubt). Never negative.
    """
    pw = saturation_pressure_Pa(weather.water_C)
    pr = vapour_pressure_Pa(weather.air_C, weather.relative_humidity)
    rho_w = humid_air_density_kg_per_m3(weather.water_C, pw, weather.pressure_Pa)
    rho_r = humid_air_density_kg_per_m3(weather.air_C, pr, weather.pressure_Pa)
    humidity_w = psychrolib.GetHumRatioFromVapPres(pw, weather.pressure_Pa)
    humidity_r = psychrolib.GetHumRatioFromVapPres(pr, weather.pressure_Pa)
    difference = rho_r - rho_w
    natural = 0.0
    if difference > 0.0:
        c = coefficient if coefficient is not None else (35.0 if difference > 0.02 else 40.0)
        natural = c * rho_w * difference ** (1.0 / 3.0) * (humidity_w - humidity_r)
    forced = 5e-5 * (pw - pr)
    if outdoor and weather.wind_m_per_s > 0.15:
        forced *= math.pow(weather.wind_m_per_s / 0.15, wind_exponent)
    return float(max(0.0, natural, forced)) * 24.0


def penman(
    air_C: float,
    relative_humidity: float,
    wind_2m_m_per_s: float,
    net_radiation_MJ_per_m2_day: float,
    pressure_Pa: float = STANDARD_PRESSURE_PA,
) -> float:
    """Penman's open-water equation: E = [D Rn + g 6.43 (1 + 0.536 u2)(es - ea)] / [lambda (D + g)], mm/day.

    D slope of the saturation curve and g psychrometric constant in kPa/K (FAO-56 forms, Tetens saturation curve),
    lambda = 2.45 MJ/kg, wind at 2 m, net radiation in MJ/(m2 day).
    """
    es = 0.6108 * math.exp(17.27 * air_C / (air_C + 237.3))
    ea = relative_humidity * es
    slope = 4098.0 * es / (air_C + 237.3) ** 2
    gamma = 0.665e-3 * pressure_Pa / 1000.0
    latent = 2.45
    aerodynamic = gamma * 6.43 * (1.0 + 0.536 * wind_2m_m_per_s) * (es - ea)
    return (slope * net_radiation_MJ_per_m2_day + aerodynamic) / (latent * (slope + gamma))


def net_radiation_from_solar_W_per_m2(
    solar_W_per_m2: float, water_C: float, air_C: float, relative_humidity: float, albedo: float = 0.07
) -> float:
    """Net radiation of a water surface under a clear sky from global solar radiation, W/m2.

    Albedo of water about 0.07, long-wave emissivity of water 0.97, sky emissivity 1.24 (ea/T)^(1/7) with ea in
    hPa (Brutsaert 1975); from memory. Clouds make the real long-wave loss smaller.
    """
    stefan = 5.670374419e-8
    air_K, water_K = air_C + 273.15, water_C + 273.15
    sky = 1.24 * math.pow(vapour_pressure_Pa(air_C, relative_humidity) / 100.0 / air_K, 1.0 / 7.0)
    return (1.0 - albedo) * solar_W_per_m2 + 0.97 * stefan * (sky * air_K**4 - water_K**4)


def wind_at_height_m_per_s(
    wind_m_per_s: float, measured_at_m: float, wanted_at_m: float, roughness_m: float = 0.03
) -> float:
    """Wind at another height by the logarithmic profile over short grass (roughness 0.03 m)."""
    if measured_at_m <= roughness_m or wanted_at_m <= roughness_m:
        raise ValueError("heights must lie above the roughness length")
    return wind_m_per_s * math.log(wanted_at_m / roughness_m) / math.log(measured_at_m / roughness_m)


def by_methods(weather: Weather, outdoor: bool = True, activity_factor: float = 0.5) -> dict[str, float]:
    """Every applicable method for one stretch of weather, mm/day. Penman needs net radiation.

    The simplified form is left out where the wind blows harder than the 0.15 m/s that it was made for, and
    Smith-Lof-Jones and Penman are outdoor methods.
    """
    result = {"carrier": carrier(weather)}
    if weather.wind_m_per_s <= 0.15 or not outdoor:
        result["ashrae"] = ashrae_simplified(weather, activity_factor)
    if outdoor:
        result["smith-lof-jones"] = smith_lof_jones(weather)
    result["shah"] = shah(weather, outdoor=outdoor)
    if outdoor and weather.net_radiation_W_per_m2 is not None:
        result["penman"] = penman(
            weather.air_C,
            weather.relative_humidity,
            weather.wind_m_per_s,
            weather.net_radiation_W_per_m2 * SECONDS_PER_DAY / 1e6,
            weather.pressure_Pa,
        )
    return result


def mean_and_spread(values: Sequence[float]) -> tuple[float, float]:
    """Mean of the methods and their sample standard deviation (0 for a single one)."""
    n = len(values)
    mean = sum(values) / n
    if n == 1:
        return mean, 0.0
    return mean, math.sqrt(sum((v - mean) ** 2 for v in values) / (n - 1))
