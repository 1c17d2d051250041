"""How much water a hole in the liner can pass: free orifice, soil behind it, and liner-on-soil contact.

SI throughout: diameters and heads in metres, flows in m3/s (`LITRES_PER_DAY` converts). The soil decides most
of the answer and is hardly ever known, so `flow_interval` returns a range and says what set its ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

GRAVITY_M_PER_S2 = 9.80665
#: 1 m3/s in litres per day
LITRES_PER_DAY = 86_400_000.0

Contact = Literal["excellent", "good", "poor"]
#: Giroud 1997 (good, poor) and Touze-Foltz & Giroud 2003 (excellent); from memory.
CONTACT_FACTORS: dict[Contact, float] = {"excellent": 0.096, "good": 0.21, "poor": 1.15}
#: Above this soil conductivity the contact formula was not made to be used (from memory).
CONTACT_LIMIT_M_PER_S = 1e-6

#: Hydraulic conductivity of what may lie behind a liner, m/s: (low, high). Textbook ranges, from memory.
#: "unknown" spans them all; "free" is a void, a gravel bed or a hole that drains into the open.
SOILS_M_PER_S: dict[str, tuple[float, float]] = {
    "clay": (1e-10, 1e-7),
    "silt": (1e-8, 1e-5),
    "sand": (1e-5, 1e-3),
    "gravel": (1e-3, math.inf),
    "free": (math.inf, math.inf),
    "unknown": (1e-8, math.inf),
}


def orifice_m3_per_s(diameter_m: float, head_m: float, discharge_coefficient: float = 0.61) -> float:
    """Free orifice, Q = Cd A sqrt(2 g h). Cd 0.61 sharp edge, 0.80 short tube (handbook values)."""
    _check(diameter_m, head_m)
    return discharge_coefficient * math.pi / 4.0 * diameter_m**2 * math.sqrt(2.0 * GRAVITY_M_PER_S2 * head_m)


def discharge_coefficient_range(diameter_m: float, liner_m: float = 0.0005) -> tuple[float, float]:
    """A hole narrower than about twice the liner's thickness is a short tube (up to 0.80), a wide one sharp-edged
    (0.60-0.62). Reasoning from handbook coefficients; no measurement of pool liners behind it."""
    return (0.60, 0.80) if diameter_m < 2.0 * liner_m else (0.60, 0.62)


def soil_limited_m3_per_s(
    diameter_m: float,
    head_m: float,
    soil_m_per_s: float,
    fill_m_per_s: float | None = None,
    fill_length_m: float = 0.0,
) -> float:
    """Hole in full contact with soil of conductivity k: Q = 4 k h r / (1 + (4/pi)(k/kV)(t/r)).

    The denominator is a plug of length t and conductivity kV inside the hole (Wissa & Fuleihan's form: Forchheimer's
    disk and Darcy's plug in series); without one Q = 4 k h r. The disk factor 4 r is that of electrical access.
    """
    _check(diameter_m, head_m)
    radius = diameter_m / 2.0
    plug = 0.0
    if fill_length_m > 0.0:
        if fill_m_per_s is None or fill_m_per_s <= 0.0:
            raise ValueError("a filled hole needs the conductivity of its filling")
        plug = 4.0 / math.pi * (soil_m_per_s / fill_m_per_s) * (fill_length_m / radius)
    return 4.0 * soil_m_per_s * head_m * radius / (1.0 + plug)


def contact_m3_per_s(
    diameter_m: float, head_m: float, soil_m_per_s: float, soil_thickness_m: float, contact: Contact = "good"
) -> float:
    """Liner lying on low-permeability soil, Q = C [1 + 0.1 (h/ts)^0.95] a^0.1 h^0.9 k^0.74 (Giroud 1997), capped at
    the free orifice with Cd 0.6. a is the hole's area. Meant for k <= 1e-6 m/s, 0.5-25 mm, h <= 3 m. From memory.
    """
    _check(diameter_m, head_m)
    if soil_thickness_m <= 0.0:
        raise ValueError("the soil under the liner needs a thickness")
    area = math.pi / 4.0 * diameter_m**2
    thickness_term = 1.0 + 0.1 * math.pow(head_m / soil_thickness_m, 0.95)
    flow = CONTACT_FACTORS[contact] * thickness_term * math.pow(area, 0.1) * math.pow(head_m, 0.9)
    flow *= math.pow(soil_m_per_s, 0.74)
    return min(flow, orifice_m3_per_s(diameter_m, head_m, 0.60))


def orifice_and_soil_m3_per_s(
    diameter_m: float, head_m: float, soil_m_per_s: float, discharge_coefficient: float = 0.61
) -> float:
    """Orifice and soil in series: the two head losses add up to the head, Q^2/(Cd A sqrt(2g))^2 + Q/(4 k r) = h."""
    _check(diameter_m, head_m)
    if math.isinf(soil_m_per_s):
        return orifice_m3_per_s(diameter_m, head_m, discharge_coefficient)
    if head_m == 0.0 or diameter_m == 0.0 or soil_m_per_s == 0.0:
        return 0.0
    q_orifice = orifice_m3_per_s(diameter_m, head_m, discharge_coefficient)
    q_soil = soil_limited_m3_per_s(diameter_m, head_m, soil_m_per_s)
    # h/Qo^2 Q^2 + h/Qs Q - h = 0, written so that neither a huge nor a tiny ratio cancels.
    ratio = q_orifice / q_soil
    return q_orifice * 2.0 / (ratio + math.sqrt(ratio**2 + 4.0))


@dataclass(frozen=True, slots=True)
class FlowInterval:
    """Litres per day that a hole of this size may pass, and what set the ends, in words."""

    low_L_per_day: float
    high_L_per_day: float
    text: str


def flow_interval(
    diameter_m: tuple[float, float],
    head_m: float,
    soil: str = "unknown",
    liner_m: float = 0.0005,
    soil_thickness_m: float = 0.5,
) -> FlowInterval:
    """What a hole with diameter in the given range passes under `head_m` of water.

    soil: a key of `SOILS_M_PER_S`. Low end: smallest hole, tightest soil, full contact (for tight soils the smaller
    of soil-limited flow and good contact). High end: largest hole, loosest soil; a tight soil may lie loosely under
    the liner, so the poor-contact formula counts there; never more than the free orifice.
    """
    if soil not in SOILS_M_PER_S:
        raise ValueError(f"soil {soil!r} is not one of {', '.join(SOILS_M_PER_S)}")
    small, large = min(diameter_m), max(diameter_m)
    k_low, k_high = SOILS_M_PER_S[soil]
    low = orifice_and_soil_m3_per_s(small, head_m, k_low, discharge_coefficient_range(small, liner_m)[0])
    if k_low <= CONTACT_LIMIT_M_PER_S:
        low = min(low, contact_m3_per_s(small, head_m, k_low, soil_thickness_m, "excellent"))
    free = orifice_m3_per_s(large, head_m, discharge_coefficient_range(large, liner_m)[1])
    high = orifice_and_soil_m3_per_s(large, head_m, k_high, discharge_coefficient_range(large, liner_m)[1])
    high_by = "freely draining hole" if math.isinf(k_high) else f"{soil} behind the liner"
    if k_low <= CONTACT_LIMIT_M_PER_S and not math.isinf(k_high):
        poor = contact_m3_per_s(large, head_m, min(k_high, CONTACT_LIMIT_M_PER_S), soil_thickness_m, "poor")
        if poor > high:
            high, high_by = min(poor, free), f"liner lying loosely on {soil}"
    low_by = "freely draining hole" if math.isinf(k_low) else "tight soil pressed against the liner"
    return FlowInterval(
        low * LITRES_PER_DAY,
        high * LITRES_PER_DAY,
        f"hole {small * 1000:.1f}-{large * 1000:.1f} mm under {head_m:.2f} m of water; low end: {low_by}, "
        f"high end: {high_by}",
    )


def least_hole_m(flow_L_per_day: float, head_m: float, liner_m: float = 0.0005) -> float:
    """The smallest round hole that can pass so much under `head_m`: nothing behind it holds the water back."""
    if not flow_L_per_day > 0.0 or not head_m > 0.0:
        raise ValueError("flow and head must be above zero")

    def diameter_m(discharge_coefficient: float) -> float:
        area = flow_L_per_day / LITRES_PER_DAY / (discharge_coefficient * math.sqrt(2.0 * GRAVITY_M_PER_S2 * head_m))
        return math.sqrt(4.0 * area / math.pi)

    # A hole narrower than twice the liner's thickness is a short tube, which passes more.
    short = diameter_m(discharge_coefficient_range(0.0, liner_m)[1])
    return short if short < 2.0 * liner_m else diameter_m(discharge_coefficient_range(short, liner_m)[1])


def _check(diameter_m: float, head_m: float) -> None:
    if diameter_m < 0.0 or head_m < 0.0:
        raise ValueError("diameter and head cannot be negative")
