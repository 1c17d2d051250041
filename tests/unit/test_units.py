"""Numbers as people read and type them. Factors: NIST SP 811, appendix B (exact by definition)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earthward import units
from earthward.errors import InputError


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.01, "10.0 mA"), (0.000390, "390 µA"), (0.9996, "1.00 A"), (0.09996, "100 mA"), (9.996e-3, "10.0 mA"),
        (1.234e-6, "1.23 µA"), (1e-7, "0.10 µA"), (0.0, "0.00 µA"), (-0.0123, "-12.3 mA"), (20.0, "20.0 A"),
    ],
)  # fmt: skip
def test_three_digits_with_a_prefix(value: float, text: str) -> None:
    assert units.current(value) == text


@pytest.mark.parametrize(
    ("metres", "si", "us"),
    [
        (3.4544, "3.45 m", "11 ft 4 in"),
        (0.3048, "0.30 m", "1 ft 0 in"),
        (0.1, "0.10 m", "4 in"),
        (10.0, "10.00 m", "32 ft 10 in"),
    ],
)
def test_lengths(metres: float, si: str, us: str) -> None:
    assert (units.length(metres, "si"), units.length(metres, "us")) == (si, us)


def test_water_and_warmth() -> None:
    # 1 US gallon is 231 cubic inches = 3.785411784 L; 26 °C is 78.8 °F.
    assert units.water_rate(378.5411784, "us") == "100 gal/day"
    assert units.water_rate(378.5, "si") == "378 L/day"
    assert (units.temperature(26.0, "si"), units.temperature(26.0, "us")) == ("26.0 °C", "79 °F")


def test_intervals_carry_one_unit() -> None:
    assert units.current_interval(0.33e-3, 0.52e-3) == "330 to 520 µA"
    assert units.current_interval(2.6e-3, 13.9e-3) == "2.6 to 13.9 mA"
    assert units.small_interval(0.8, 2.9, "si") == "0.8 to 2.9 mm"


@pytest.mark.parametrize(
    ("text", "system", "metres"),
    [
        ("3.45", "si", 3.45), ("3,45", "si", 3.45), ("3.45 m", "us", 3.45), ("11.5", "us", 3.5052),
        ("11 ft 4", "si", 3.4544), ("11'4", "us", 3.4544), ("11' 4\"", "us", 3.4544), ("11'", "us", 3.3528),
    ],
)  # fmt: skip
def test_lengths_as_typed(text: str, system: units.Units, metres: float) -> None:
    assert units.parse_length(text, system) == pytest.approx(metres)


@pytest.mark.parametrize("text", ["", "x", "3.4.5", "-2", "1e9", "nan", "inf", "4 5"])
def test_what_is_no_length_is_told_in_one_sentence(text: str) -> None:
    with pytest.raises(InputError) as caught:
        units.parse_length(text, "si")
    assert "\n" not in str(caught.value)


@given(st.floats(1e-9, 1e3))
def test_never_more_than_three_digits(value: float) -> None:
    number = units.engineering(value, "V", smallest=1e-9).split(" ")[0]
    assert len(number.replace(".", "").lstrip("0")) <= 3
    assert len(number) <= 4


@given(st.floats(0, 1e-1), st.floats(1e-9, 1e-2))
def test_value_and_band_always_fit_the_figure(value: float, band: float) -> None:
    number, unit, text = units.value_and_band(value, band)
    assert len(number) <= 4 and unit in ("µV", "mV", "V")
    assert float(number) * {"µV": 1e-6, "mV": 1e-3, "V": 1.0}[unit] == pytest.approx(
        value, abs=0.51 * max(band, value / 100, 0.01e-6)
    )
    assert text.endswith("V")
