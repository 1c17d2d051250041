"""Evaporation against figures from outside the project.

Saturation pressures: CoolProp 8.0.0 and IAPWS-IF97 values. Pool methods: the published formulas worked by hand with
PsychroLib 2.5.0 and CoolProp 8.0.0 properties (Carrier / ASHRAE Applications; ASHRAE simplified with activity factor;
Smith, Lof & Jones 1994; Shah 2014). The coefficients of the last three are from memory. Penman 1948 in Shuttleworth's
coefficients; FAO-56 example 18 value from memory.
"""

from __future__ import annotations

import math

import pytest

from earthward.water.evaporation import (
    Weather,
    ashrae_simplified,
    by_methods,
    carrier,
    humid_air_density_kg_per_m3,
    latent_heat_kJ_per_kg,
    mean_and_spread,
    net_radiation_from_solar_W_per_m2,
    penman,
    saturation_pressure_Pa,
    shah,
    smith_lof_jones,
    vapour_pressure_Pa,
    wind_at_height_m_per_s,
)

# temperature -> CoolProp, IAPWS-97, FAO-Tetens
SATURATION = {
    10: (1228.2, 1228.2, 1228.0),
    15: (1705.8, 1705.7, 1705.3),
    20: (2339.3, 2339.2, 2338.3),
    25: (3169.9, 3169.7, 3167.8),
    28: (3783.1, 3782.8, 3779.9),
    30: (4247.0, 4246.7, 4243.1),
    35: (5629.0, 5628.6, 5622.7),
}


@pytest.mark.parametrize("temperature_C", SATURATION)
def test_saturation_pressure_agrees_with_reference_libraries(temperature_C: int) -> None:
    coolprop, iapws, tetens = SATURATION[temperature_C]
    ours = saturation_pressure_Pa(temperature_C)
    assert ours == pytest.approx(coolprop, rel=3e-4)
    assert ours == pytest.approx(iapws, rel=3e-4)
    assert ours == pytest.approx(tetens, rel=1.2e-3)


@pytest.mark.parametrize(("temperature_C", "expected"), [(20, 2453.5), (25, 2441.7), (28, 2434.6), (30, 2429.8)])
def test_latent_heat_agrees_with_coolprop(temperature_C: float, expected: float) -> None:
    assert latent_heat_kJ_per_kg(temperature_C) == pytest.approx(expected, rel=2e-4)


# water C, air C, RH, wind -> pw, pa Pa; mm/day: Carrier, ASHRAE Fa 0.5, Fa 1, SLJ, Shah indoor with C = 35
ROWS = [
    ((28, 28, 0.50, 0.0), 3782, 1891, 5.97, 3.27, 6.54, 4.28, 2.42),
    ((28, 28, 0.60, 0.1), 3782, 2269, 5.20, 2.61, 5.23, 3.78, 1.82),
    ((26, 20, 0.60, 0.5), 3363, 1403, 8.89, 3.39, 6.77, 6.75, 3.97),
    ((28, 25, 0.50, 0.5), 3782, 1585, 9.99, 3.80, 7.59, 7.58, 3.85),
    ((28, 25, 0.50, 2.0), 3782, 1585, 19.14, 3.80, 7.59, 15.40, None),
    ((30, 35, 0.25, 2.0), 4246, 1407, 24.77, 4.91, 9.81, 19.94, 3.41),
    ((28, 15, 0.70, 1.0), 3782, 1194, 15.36, 4.47, 8.95, 12.00, 6.52),
    ((27.8, 29.4, 0.60, 0.1), 3738, 2461, 4.39, 2.21, 4.41, 3.19, 1.53),
    ((22, 28, 0.80, 0.5), 2645, 3026, -1.72, -0.66, -1.32, -1.31, 0.0),
    ((20, 30, 0.90, 1.0), 2339, 3821, -8.73, -2.56, -5.12, -6.82, 0.0),
]


@pytest.mark.parametrize("row", ROWS, ids=[str(i + 1) for i in range(len(ROWS))])
def test_table_of_pool_methods_within_one_percent(row: tuple[object, ...]) -> None:
    inputs, pw, pa, *expected = row
    weather = Weather(*inputs)  # type: ignore[misc]
    assert saturation_pressure_Pa(weather.water_C) == pytest.approx(pw, abs=1)
    assert vapour_pressure_Pa(weather.air_C, weather.relative_humidity) == pytest.approx(pa, abs=1)
    ours = [
        carrier(weather),
        ashrae_simplified(weather, 0.5),
        ashrae_simplified(weather, 1.0),
        smith_lof_jones(weather),
        shah(weather, coefficient=35.0),
    ]
    for value, want in zip(ours, expected, strict=True):
        if want is not None:
            # The table is printed to 0.01 mm/day, which is more than 1 % of the smallest entries' last digit.
            assert value == pytest.approx(want, rel=0.01, abs=0.005)


@pytest.mark.parametrize(
    ("inputs", "expected"),
    [((28, 28, 0.5), 0.1152), ((26, 20, 0.6), 0.1654), ((28, 25, 0.5), 0.1605), ((25, 25, 0.5), 0.0916)],
)
def test_shah_with_moist_density_and_coefficient_by_rule(inputs: tuple[float, float, float], expected: float) -> None:
    assert shah(Weather(*inputs)) / 24.0 == pytest.approx(expected, rel=0.01)


def test_shah_forced_term_governs_without_buoyancy() -> None:
    assert shah(Weather(28, 30, 0.55)) / 24.0 == pytest.approx(0.0723, rel=0.01)


@pytest.mark.parametrize(
    ("inputs", "expected"),
    [((20, 0.6, 2, 12), 4.958), ((25, 0.5, 2, 17), 7.379), ((30, 0.3, 3, 18), 10.162), ((15, 0.8, 1, 8), 2.547)],
)
def test_penman(inputs: tuple[float, float, float, float], expected: float) -> None:
    assert penman(*inputs) == pytest.approx(expected, rel=0.005)


def test_penman_agrees_with_fao_reference_crop_within_its_reach() -> None:
    # FAO-56 example 18 (Uccle, 6 July): ETo 3.88 mm/day for grass (from memory). Open water evaporates more
    # than grass by some 20-50 %; a unit mistake would show as a factor, so this is a sanity bound only.
    es, ea = 1.997, 1.409
    assert 1.15 < penman(16.9, ea / es, 2.078, 13.28) / 3.88 < 1.5


def test_carrier_equals_its_form_in_mmHg_and_hours() -> None:
    # 42.6 + 37.6 v, mmHg, kJ/kg, kg/(m2 h): the same equation as printed elsewhere.
    for wind in (0.0, 0.5, 2.0):
        weather = Weather(28, 25, 0.5, wind)
        difference_mmHg = (saturation_pressure_Pa(28) - vapour_pressure_Pa(25, 0.5)) / 133.322
        other = (42.6 + 37.6 * wind) * difference_mmHg / latent_heat_kJ_per_kg(28) * 24
        assert carrier(weather) == pytest.approx(other, rel=0.006)


def test_quiet_pool_of_smith_1998_lies_between_the_methods() -> None:
    # Smith 1998: quiet pool evaporates 74 % of (95 + 0.425 v[ft/min]) (pw - pa)/Y in inch-pound units.
    weather = Weather(28, 25, 0.5, 0.1)
    inHg = 3386.39
    y_btu = latent_heat_kJ_per_kg(28) / 2.326
    lb_ft2_h = (95 + 0.425 * 0.1 * 196.85) * (saturation_pressure_Pa(28) - vapour_pressure_Pa(25, 0.5)) / inHg / y_btu
    quiet = 0.74 * lb_ft2_h * 4.88243 * 24
    values = by_methods(weather).values()
    assert min(values) < quiet < max(values)


def test_humid_air_density_agrees_with_the_ashrae_moist_air_volume() -> None:
    import psychrolib

    for t, rh in ((15, 0.3), (28, 0.6), (35, 0.9)):
        ratio = psychrolib.GetHumRatioFromRelHum(t, rh, 101325)
        expected = psychrolib.GetMoistAirDensity(t, ratio, 101325)
        assert humid_air_density_kg_per_m3(t, vapour_pressure_Pa(t, rh)) == pytest.approx(expected, rel=2e-4)


def test_wind_profile_and_radiation_are_sane() -> None:
    # FAO-56 equation 47: u2 = u_z 4.87 / ln(67.8 z - 5.42); at 10 m the factor is 0.748. Roughness 0.0147 m there.
    assert wind_at_height_m_per_s(1.0, 10.0, 2.0, 0.0147) == pytest.approx(0.748, rel=0.01)
    assert net_radiation_from_solar_W_per_m2(0.0, 25, 20, 0.5) < 0
    assert 500 < net_radiation_from_solar_W_per_m2(800.0, 25, 25, 0.5) < 744


def test_methods_offered_depend_on_what_is_known() -> None:
    assert set(by_methods(Weather(28, 25, 0.5, 1.0))) == {"carrier", "smith-lof-jones", "shah"}
    assert "penman" in by_methods(Weather(28, 25, 0.5, 1.0, 150.0))
    assert set(by_methods(Weather(28, 25, 0.5, 0.1), outdoor=False)) == {"carrier", "ashrae", "shah"}
    mean, spread = mean_and_spread([1.0, 3.0])
    assert (mean, spread) == (2.0, pytest.approx(math.sqrt(2)))
    assert mean_and_spread([2.0]) == (2.0, 0.0)
