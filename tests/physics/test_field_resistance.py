"""Holes, rods and water against handbook values."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.pool import resistance as r


@pytest.mark.parametrize(("diameter_mm", "expected_ohm"), [(2, 2500), (1, 5000), (5, 1000), (10, 500)])
def test_disk_access_resistance(diameter_mm: float, expected_ohm: float) -> None:
    # R = rho/(4a): Holm; Newman 1966 (J. Electrochem. Soc. 113). rho 10 ohm m.
    assert float(r.disk_access_ohm(10.0, diameter_mm / 1000)) == pytest.approx(expected_ohm, rel=1e-9)


@pytest.mark.parametrize(
    ("water", "soil", "expected_ohm"),
    [
        (10.0, 100.0, [61366, 29092, 19041, 11255, 5564]),
        (2.5, 50.0, [27842, 13523, 8927, 5314, 2641]),
        (1.5, 100.0, [51705, 25614, 17023, 10188, 5085]),
    ],
)
def test_hole_resistance_water_channel_soil(water: float, soil: float, expected_ohm: list[float]) -> None:
    # Two Holm/Newman access resistances and a cylinder in series, liner 0.5 mm; d = 1, 2, 3, 5, 10 mm.
    diameters = np.array([1, 2, 3, 5, 10]) / 1000
    assert r.hole_ohm(diameters, water, soil) == pytest.approx(expected_ohm, abs=0.6)


def test_hole_diameter_inverts_resistance() -> None:
    d = np.geomspace(2e-4, 0.05, 30)
    assert r.hole_diameter_m(r.hole_ohm(d, 3.0, 80.0), 3.0, 80.0) == pytest.approx(d, rel=1e-10)


def test_diameter_interval_holds_the_truth_for_any_soil_in_range() -> None:
    for soil in (10.0, 37.0, 120.0, 500.0):
        current = 10.0 / float(r.hole_ohm(0.002, 5.0, soil))
        found = r.hole_diameter_interval_m((0.9 * current, 1.1 * current), 10.0, 5.0)
        assert found.low_m <= 0.002 <= found.high_m
        assert found.low_m < found.middle_m < found.high_m
    with pytest.raises(ValueError, match="positive"):
        r.hole_diameter_interval_m((0.0, 1e-3), 10.0, 5.0)


@pytest.mark.parametrize(
    ("rho", "length", "diameter", "expected_ohm"),
    [
        (100, 3.048, 0.0158, 33.11),
        (100, 2.4384, 0.0158, 39.94),
        (100, 3.0, 0.016, 33.49),
        (100, 0.5, 0.012, 153.08),
        (50, 1.2, 0.012, 37.70),
    ],
)
def test_rod_by_dwight(rho: float, length: float, diameter: float, expected_ohm: float) -> None:
    # Dwight 1936, as in IEEE 142 (R = rho/(2 pi L)(ln(4L/r) - 1)).
    assert float(r.rod_ohm(rho, length, diameter)) == pytest.approx(expected_ohm, abs=0.006)


@pytest.mark.parametrize(
    ("rho", "current_A", "distance_m", "expected_V"),
    [(10, 1e-3, 0.1, 15.9155e-3), (10, 1e-3, 0.5, 3.1831e-3), (10, 5e-3, 1, 7.95775e-3), (2, 1e-3, 0.1, 3.1831e-3)],
)
def test_half_space_point_source(rho: float, current_A: float, distance_m: float, expected_V: float) -> None:
    # V = rho I/(2 pi r): Telford et al., Applied Geophysics.
    assert float(r.half_space_V(rho, current_A, distance_m)) == pytest.approx(expected_V, rel=1e-5)


def test_temperature_correction() -> None:
    # Linear rule C25 = C_T/(1 + alpha (T - 25)); at 15 C 0.800 with 2 %/K and 0.809 with the older 1.91 %/K.
    assert float(r.conductivity_at(1.0, 25.0, 15.0)) == pytest.approx(0.800, abs=5e-4)
    assert float(r.conductivity_at(1.0, 25.0, 15.0, percent_per_K=1.91)) == pytest.approx(0.809, abs=5e-4)
    # KCl standard (ASTM D1125 style table): 1413 uS/cm at 25 C is 1278 at 20 C and 1552 at 30 C, 1.94 %/K.
    assert float(r.conductivity_at(1413, 25.0, 20.0, 1.94)) == pytest.approx(1278, rel=3e-3)
    assert float(r.conductivity_at(1413, 25.0, 30.0, 1.94)) == pytest.approx(1552, rel=3e-3)


@pytest.mark.parametrize(
    ("ppm", "uS_per_cm"),
    [(500, 1014.7), (1000, 1968.9), (1500, 2893.1), (3000, 5559.1), (3500, 6422.7), (6000, 10614.9)],
)
def test_salt_water_against_pss78(ppm: float, uS_per_cm: float) -> None:
    # Values of TEOS-10's gsw.C_from_SP (PSS-78 with Hill's extension), p = 0, 25 C.
    assert float(r.conductivity_from_salt(ppm)) == pytest.approx(uS_per_cm * 1e-4, rel=1e-3)
    # C15/C25 = 0.8015 to 0.8040, C28/C25 = 1.061 by the same library.
    cold = float(r.conductivity_from_salt(ppm, 15.0) / r.conductivity_from_salt(ppm))
    assert 0.8015 - 2e-3 <= cold <= 0.8040 + 2e-3
    assert float(r.conductivity_from_salt(ppm, 28.0) / r.conductivity_from_salt(ppm)) == pytest.approx(1.061, abs=3e-3)


def test_salt_water_against_gsw_itself() -> None:
    gsw = pytest.importorskip("gsw", reason="the TEOS-10 library is a development extra")
    for ppm in (600.0, 2000.0, 5000.0):
        for temperature in (15.0, 20.0, 28.0):
            expected = 0.1 * float(gsw.C_from_SP(ppm / 1000.0, temperature, 0.0))
            assert float(r.conductivity_from_salt(ppm, temperature)) == pytest.approx(expected, rel=5e-3)


def test_tds_factor() -> None:
    # 2000 uS/cm reads about 1000 ppm on a meter with the usual factor 0.5.
    assert float(r.conductivity_from_tds(1000.0)) == pytest.approx(0.2)
