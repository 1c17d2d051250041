"""The stray-voltage check: finds trouble, never finds safety."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earthward.safety import causes, cautions
from earthward.safety.limits import Limits
from earthward.safety.stray import StrayMeasurement, dc_from_turned_pair, judge

LIMITS = Limits()
CLEAN = StrayMeasurement(5.0, 0.002, 0.02, 0.05, 0.4, directions=2)


def test_a_clean_water_is_only_called_nothing_found() -> None:
    verdict = judge(CLEAN, LIMITS)
    assert (verdict.level, verdict.passed, verdict.t_s) == ("nothing found", True, 5.0)
    assert cautions.LOW_READING in verdict.cautions
    assert cautions.OWN_LEVELS in verdict.cautions
    assert cautions.CODES in verdict.cautions


@pytest.mark.parametrize(
    ("change", "level", "passed"),
    [
        ({"mains_V_per_m": 0.08}, "trouble", False),
        ({"mains_V_per_m": 0.03}, "caution", True),
        ({"dc_V_per_m": -0.35}, "trouble", False),
        ({"dc_V_per_m": -0.1}, "caution", True),
        ({"electrode_ac_V": 1.0}, "trouble", False),
        ({"electrode_ac_V": 0.3}, "caution", True),
        ({"electrode_dc_V": -3.0}, "trouble", False),
        ({"electrode_dc_V": 1.2}, "caution", True),
        ({"mains_V_per_m": None}, "not measured", False),
        ({"dc_V_per_m": float("nan")}, "not measured", False),
        ({"electrode_ac_V": None}, "not measured", False),
        ({"electrode_dc_V": float("inf")}, "not measured", False),
        ({"saturated": True}, "not measured", False),
        ({"source_off": False}, "not measured", False),
        # What is already too much is trouble, however badly it was measured.
        ({"saturated": True, "mains_V_per_m": 0.5}, "trouble", False),
        ({"electrode_ac_V": None, "mains_V_per_m": 0.5}, "trouble", False),
    ],
)
def test_levels(change: dict[str, object], level: str, passed: bool) -> None:
    verdict = judge(replace(CLEAN, **change), LIMITS)  # type: ignore[arg-type]
    assert (verdict.level, verdict.passed) == (level, passed)
    if level == "trouble":
        assert verdict.remedy == cautions.TROUBLE
        assert "licensed electrician" in verdict.remedy


def test_one_direction_is_not_enough_and_says_so() -> None:
    assert cautions.ONE_AXIS in judge(replace(CLEAN, directions=1), LIMITS).cautions
    assert cautions.ONE_AXIS not in judge(CLEAN, LIMITS).cautions


_values = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True))


@given(_values, _values, _values, _values, st.booleans(), st.booleans())
def test_it_passes_only_what_is_fully_known_and_small(
    mains: float | None, dc: float | None, ac: float | None, edc: float | None, saturated: bool, off: bool
) -> None:
    verdict = judge(StrayMeasurement(0.0, mains, dc, ac, edc, 1, saturated, off), LIMITS)
    small = all(
        value is not None and abs(value) < bound for value, bound in ((mains, 0.08), (dc, 0.35), (ac, 1.0), (edc, 3.0))
    )
    assert verdict.passed == (small and off and not saturated)
    everything = " ".join((verdict.text, verdict.remedy, *verdict.cautions)).lower()
    assert "safe" not in everything


def test_turning_the_pair_separates_field_from_offset() -> None:
    # 0.05 V/m over 0.3 m is 15 mV; electrodes differ by 40 mV: 55 mV one way, 25 mV the other.
    field, offset = dc_from_turned_pair(0.055, 0.025, 0.3)
    assert field == pytest.approx(0.05)
    assert offset == pytest.approx(0.040)
    with pytest.raises(ValueError, match="spacing"):
        dc_from_turned_pair(0.0, 0.0, 0.0)


def test_no_text_for_people_calls_anything_safe_or_advises_defeating_protection() -> None:
    texts = [value for name, value in vars(cautions).items() if name.isupper() and isinstance(value, str)]
    for table in (causes.BOARD_TRIPS, causes.REFUSALS, causes.HOST_TRIPS):
        texts += [text for cause in table.values() for text in (cause.cause, cause.remedy)]
    assert len(texts) > 40
    for text in texts:
        low = text.lower().replace("make the place safe", "").replace("safety integrity level", "")
        assert "safe" not in low, text
        for word in ("bypass", "remove", "lift", "defeat", "bridge", "disconnect"):
            if word in low:
                assert "never" in low or "do not" in low, text
