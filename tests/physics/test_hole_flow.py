"""Flow through holes against worked values.

Orifice: handbook discharge coefficients, Q = Cd A sqrt(2 g h) with g = 9.80665. Soil: Forchheimer's disk and Darcy's
plug in series (Wissa & Fuleihan's form). Contact formula: Giroud 1997, Touze-Foltz & Giroud 2003, from memory.
"""

from __future__ import annotations

import math

import pytest

from earthward.water.hole_flow import (
    LITRES_PER_DAY,
    SOILS_M_PER_S,
    contact_m3_per_s,
    discharge_coefficient_range,
    flow_interval,
    orifice_and_soil_m3_per_s,
    orifice_m3_per_s,
    soil_limited_m3_per_s,
)

ORIFICE = {
    1.0: {1: 183.32, 2: 733.28, 3: 1649.88, 5: 4582.99, 10: 18331.96},
    1.5: {1: 224.52, 2: 898.08, 3: 2020.68, 5: 5612.99, 10: 22451.97},
}


@pytest.mark.parametrize("head_m", ORIFICE)
def test_orifice_table(head_m: float) -> None:
    for diameter_mm, expected in ORIFICE[head_m].items():
        assert orifice_m3_per_s(diameter_mm / 1000, head_m) * LITRES_PER_DAY == pytest.approx(expected, rel=1e-4)


def test_orifice_textbook_checks() -> None:
    # 9.3397e-3 is the book's with g = 9.81; with 9.80665 it is 0.017 % less.
    assert orifice_m3_per_s(0.050, 3.0, 0.62) == pytest.approx(9.3397e-3, rel=3e-4)
    foot = 0.3048
    assert orifice_m3_per_s(0.0254, 10 * foot, 0.61) / foot**3 == pytest.approx(0.084397, rel=1e-4)
    # Handbook coefficients in feet and seconds, divided by sqrt(2 g) = 8.0217.
    root = math.sqrt(2 * 9.80665 / foot)
    assert root == pytest.approx(8.0217, rel=1e-4)
    for c, cd in ((4.9, 0.611), (7.9, 0.985), (6.4, 0.798), (4.1, 0.511)):
        assert c / root == pytest.approx(cd, rel=1e-3)


def test_orifice_scales_with_coefficient_and_head() -> None:
    base = orifice_m3_per_s(0.002, 1.0, 0.61)
    assert orifice_m3_per_s(0.002, 1.0, 0.60) / base == pytest.approx(0.9836, rel=1e-4)
    assert orifice_m3_per_s(0.002, 1.0, 0.62) / base == pytest.approx(1.0164, rel=1e-4)
    assert orifice_m3_per_s(0.002, 1.5, 0.61) / base == pytest.approx(1.22474, rel=1e-5)


def test_level_and_the_quarter_inch_rule() -> None:
    flow = orifice_m3_per_s(0.001, 1.0) * LITRES_PER_DAY
    assert flow / 32.0 == pytest.approx(5.729, rel=1e-3)  # 8 x 4 m
    assert flow / 50.0 == pytest.approx(3.666, rel=1e-3)
    # 6.35 mm/day on 32 m2 is 203.2 L/day: one hole of 1.05 mm at 1 m.
    assert orifice_m3_per_s(0.00105, 1.0) * LITRES_PER_DAY == pytest.approx(203.2, rel=0.01)


@pytest.mark.parametrize(
    ("k", "two_mm", "five_mm"), [(1e-6, 0.518, 1.296), (1e-5, 5.18, 12.96), (1e-4, 51.8, 129.6), (1e-3, 518, 1296)]
)
def test_soil_limited_table(k: float, two_mm: float, five_mm: float) -> None:
    assert soil_limited_m3_per_s(0.002, 1.5, k) * LITRES_PER_DAY == pytest.approx(two_mm, rel=0.005)
    assert soil_limited_m3_per_s(0.005, 1.5, k) * LITRES_PER_DAY == pytest.approx(five_mm, rel=0.005)


def test_soil_filling_the_hole_adds_its_resistance_in_series() -> None:
    # Same geometry factors as electrical access and channel: 1/(4 k r) + t/(kV pi r^2).
    k, kv, r, t, h = 1e-5, 1e-6, 0.001, 0.0005, 1.5
    resistance = 1 / (4 * k * r) + t / (kv * math.pi * r**2)
    assert soil_limited_m3_per_s(2 * r, h, k, kv, t) == pytest.approx(h / resistance, rel=1e-12)


CONTACT = [
    # d mm, h m, k m/s, ts m; good, poor, excellent L/day
    (2.0, 1.0, 1e-9, 0.3, 1.469, 8.044, 0.672),
    (2.0, 1.5, 1e-7, 0.3, 71.07, 389.19, 32.49),
    (11.284, 0.3, 1e-9, 0.6, 0.562, 3.080, 0.257),
    (5.0, 1.5, 1e-6, 0.5, 412.2, 2257.0, 188.4),
]


@pytest.mark.parametrize("row", CONTACT)
def test_contact_table(row: tuple[float, ...]) -> None:
    d, h, k, ts, *expected = row
    for contact, want in zip(("good", "poor", "excellent"), expected, strict=True):
        got = contact_m3_per_s(d / 1000, h, k, ts, contact) * LITRES_PER_DAY  # type: ignore[arg-type]
        assert got == pytest.approx(want, rel=0.005)


def test_contact_first_case_in_SI_and_its_caps() -> None:
    assert contact_m3_per_s(0.002, 1.0, 1e-9, 0.3, "good") == pytest.approx(1.700e-8, rel=0.001)
    assert contact_m3_per_s(0.002, 1.5, 1.0, 0.3, "poor") * LITRES_PER_DAY == pytest.approx(883.4, rel=0.001)
    for d, h, want in ((11.284, 0.3, 12575), (5.0, 1.5, 5521)):
        assert orifice_m3_per_s(d / 1000, h, 0.6) * LITRES_PER_DAY == pytest.approx(want, rel=0.001)


def test_series_tends_to_each_limit() -> None:
    assert orifice_and_soil_m3_per_s(0.002, 1.5, 1e-9) == pytest.approx(
        soil_limited_m3_per_s(0.002, 1.5, 1e-9), rel=1e-4
    )
    assert orifice_and_soil_m3_per_s(0.002, 1.5, 1e3) == pytest.approx(orifice_m3_per_s(0.002, 1.5), rel=1e-4)
    assert orifice_and_soil_m3_per_s(0.002, 1.5, math.inf) == orifice_m3_per_s(0.002, 1.5)
    q = orifice_and_soil_m3_per_s(0.002, 1.5, 1e-3)
    heads = 1.5 * (q / orifice_m3_per_s(0.002, 1.5)) ** 2 + 1.5 * q / soil_limited_m3_per_s(0.002, 1.5, 1e-3)
    assert heads == pytest.approx(1.5, rel=1e-12)


@pytest.mark.parametrize("soil", SOILS_M_PER_S)
def test_interval_is_ordered_and_below_the_free_orifice(soil: str) -> None:
    interval = flow_interval((0.001, 0.003), 1.5, soil)
    assert 0 < interval.low_L_per_day < interval.high_L_per_day
    assert interval.high_L_per_day <= orifice_m3_per_s(0.003, 1.5, 0.80) * LITRES_PER_DAY
    assert "mm" in interval.text


def test_thin_holes_are_short_tubes() -> None:
    assert discharge_coefficient_range(0.0008, 0.0005) == (0.60, 0.80)
    assert discharge_coefficient_range(0.005, 0.0005) == (0.60, 0.62)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        orifice_m3_per_s(-0.001, 1.0)
    with pytest.raises(ValueError, match="soil"):
        flow_interval((0.001, 0.002), 1.0, "cheese")
