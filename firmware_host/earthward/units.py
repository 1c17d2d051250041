"""Numbers as a person reads and types them: SI or US customary. SI inside, always.

Every function is pure. `Units` is "si" or "us"; electrical quantities read the same in both.
Factors: 1 ft = 0.3048 m, 1 in = 0.0254 m, 1 US gal = 3.785411784 L (exact; NIST SP 811, appendix B).
"""

from __future__ import annotations

import math
import re
from typing import Literal

from earthward.errors import InputError

Units = Literal["si", "us"]

FOOT_M = 0.3048
INCH_M = 0.0254
GALLON_L = 3.785411784

_PREFIXES: tuple[tuple[float, str], ...] = ((1e-9, "n"), (1e-6, "µ"), (1e-3, "m"), (1.0, ""), (1e3, "k"), (1e6, "M"))


def prefix_of(magnitude: float, smallest: float = 1e-6) -> tuple[float, str]:
    """The factor and letter with which `magnitude` reads as 1 to 999 in three digits; never below `smallest`."""
    chosen = next(p for p in _PREFIXES if p[0] >= smallest * 0.999)
    for factor, letter in _PREFIXES:
        # 999.5 would be printed as four digits: it belongs to the next prefix.
        if factor >= chosen[0] and magnitude >= factor * 0.9995 and magnitude > 0:
            chosen = (factor, letter)
    return chosen


def decimals_for(value: float, digits: int = 3) -> int:
    """Decimals that show `digits` significant digits of a value of at most 999."""
    if value == 0 or not math.isfinite(value):
        return digits - 1
    whole = max(1, math.floor(math.log10(abs(value)) + 1e-12) + 1)
    decimals = max(0, digits - whole)
    if whole < digits and round(abs(value), decimals) >= 10**whole:
        decimals -= 1
    return decimals


def engineering(value: float, unit: str, smallest: float = 1e-6, signed: bool = False) -> str:
    """Three significant digits with an SI prefix: 0.01 A reads "10.0 mA"."""
    factor, letter = prefix_of(abs(value), smallest)
    scaled = value / factor
    sign = "+" if signed else ""
    return f"{scaled:{sign}.{decimals_for(scaled)}f} {letter}{unit}"


def current(value_A: float) -> str:
    return engineering(value_A, "A")


def current_interval(low_A: float, high_A: float) -> str:
    """Two currents with one unit: "0.31 to 0.52 mA"."""
    factor, letter = prefix_of(max(abs(low_A), abs(high_A)))
    decimals = decimals_for(high_A / factor)
    return f"{low_A / factor:.{decimals}f} to {high_A / factor:.{decimals}f} {letter}A"


def voltage(value_V: float, signed: bool = False) -> str:
    return engineering(value_V, "V", signed=signed)


def value_and_band(magnitude_V: float, band_V: float) -> tuple[str, str, str]:
    """(number, its unit, band with unit) of a voltage and its 95 % half width.

    The number has at most three digits, and none beyond the second digit of the band; the band has two digits.
    """
    factor, letter = prefix_of(max(magnitude_V, band_V))
    value, band = magnitude_V / factor, band_V / factor
    decimals = min(2, decimals_for(max(value, band)), _second_digit(band))
    fine, fine_letter = prefix_of(band_V)
    return (
        f"{value:.{decimals}f}",
        f"{letter}V",
        f"{band_V / fine:.{min(2, _second_digit(band_V / fine))}f} {fine_letter}V",
    )


def _second_digit(value: float) -> int:
    """Decimals that show the second significant digit; 2 for nothing."""
    return max(0, 1 - math.floor(math.log10(value) + 1e-9)) if value > 0 else 2


def length(value_m: float, units: Units) -> str:
    """ "3.45 m" or "11 ft 4 in"; below a foot only inches."""
    if units == "si":
        return f"{value_m:.2f} m"
    inches = round(abs(value_m) / INCH_M)
    sign = "-" if value_m < 0 and inches else ""
    feet, rest = divmod(inches, 12)
    return f"{sign}{feet} ft {rest} in" if feet else f"{sign}{rest} in"


def small_length(value_mm: float, units: Units) -> str:
    """A hole's size: "2.1 mm" or "0.083 in"."""
    return f"{value_mm:.1f} mm" if units == "si" else f"{value_mm / (INCH_M * 1e3):.3f} in"


def small_interval(low_mm: float, high_mm: float, units: Units) -> str:
    if units == "si":
        return f"{low_mm:.1f} to {high_mm:.1f} mm"
    return f"{low_mm / (INCH_M * 1e3):.3f} to {high_mm / (INCH_M * 1e3):.3f} in"


def water_rate(litres_per_day: float, units: Units) -> str:
    if units == "si":
        return f"{litres_per_day:.0f} L/day"
    return f"{litres_per_day / GALLON_L:.0f} gal/day"


def water_interval(low: float, high: float, units: Units) -> str:
    factor = 1.0 if units == "si" else GALLON_L
    return f"{low / factor:.0f} to {high / factor:.0f} {'L' if units == 'si' else 'gal'}/day"


def temperature(value_C: float, units: Units) -> str:
    return f"{value_C:.1f} °C" if units == "si" else f"{value_C * 9 / 5 + 32:.0f} °F"


def gradient(value_V_per_m: float, units: Units, signed: bool = False) -> str:
    """Volts per metre, or per foot."""
    if units == "si":
        return engineering(value_V_per_m, "V/m", signed=signed)
    return engineering(value_V_per_m * FOOT_M, "V/ft", signed=signed)


_FEET = re.compile(r"^(?P<feet>\d+(?:\.\d+)?)\s*(?:ft|'|f)\s*(?:(?P<inches>\d+(?:\.\d+)?)\s*(?:in|\"|i)?)?$")


def parse_length(text: str, units: Units) -> float:
    """Metres from what a person typed: "3.45", "3,45", "3.45 m", "11.5" (feet in US), "11 ft 4", "11'4".

    Raises InputError with one sentence.
    """
    word = text.strip().lower()
    feet = _FEET.match(word)
    if feet:
        return float(feet["feet"]) * FOOT_M + float(feet["inches"] or 0) * INCH_M
    metric = word.endswith("m")
    try:
        number = float(word.removesuffix("m").strip().replace(",", "."))
    except ValueError as error:
        example = "3.45" if units == "si" else "11.5 or 11 ft 4"
        raise InputError(f"{text!r} is not a length; type it like {example}") from error
    if not math.isfinite(number) or not 0 <= number < 1000:
        raise InputError(f"{text!r} is no tape length; type metres or feet between 0 and 1000")
    return number if units == "si" or metric else number * FOOT_M
