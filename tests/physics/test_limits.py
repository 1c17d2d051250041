"""The limits against what is published, as the project knows it (tags: read in an excerpt, or from memory).

Expected numbers are typed here again from their sources, not imported, so that an edit of the table shows.
"""

from __future__ import annotations

import math
from dataclasses import fields

import pytest

from earthward.errors import InputError
from earthward.safety.limits import (
    HARDWARE_CURRENT_A,
    HARDWARE_VOLTAGE_V,
    OPERATING,
    REFERENCE,
    Limit,
    Limits,
    Waveform,
    allowed_drive,
    check_board,
    contact_limit_peak_V,
    limits_from_config,
    reference,
)

# NEC 680.2 (Art. 100 in newer editions), low voltage contact limit; read in a published excerpt.
NEC = {
    "nec_sine_rms_V": 15.0,
    "nec_nonsinusoidal_peak_V": 21.2,
    "nec_dc_V": 30.0,
    "nec_interrupted_dc_peak_V": 12.4,
}
# IEC 60364-7-702 zones 0 and 1, SELV; read. Zone sizes from memory.
ZONES = {"iec_zone01_ac_rms_V": 12.0, "iec_zone01_dc_V": 30.0, "iec_zone2_rcd_A": 0.030}
ZONE_SIZES = {"iec_zone1_reach_m": 2.0, "iec_zone1_height_m": 2.5, "iec_zone2_reach_m": 1.5}
# IEC 60479-1: perception of AC read, all else from memory.
BODY = {
    "let_go_ac_rms_A": 0.005,
    "fibrillation_c1_long_rms_A": 0.040,
    "fibrillation_c1_1s_rms_A": 0.050,
    "perception_dc_A": 0.002,
    "fibrillation_c1_dc_A": 0.140,
}


@pytest.mark.parametrize(("key", "value"), [*NEC.items(), *ZONES.items(), ("perception_ac_rms_A", 0.0005)])
def test_published_values_that_were_read(key: str, value: float) -> None:
    row = reference(key)
    assert row.value == value
    assert row.tag == "read"
    assert row.source


@pytest.mark.parametrize(("key", "value"), [*ZONE_SIZES.items(), *BODY.items()])
def test_published_values_from_memory_say_so(key: str, value: float) -> None:
    row = reference(key)
    assert row.value == value
    assert row.tag == "from memory"


def test_contact_limits_by_waveform() -> None:
    # 15 V rms of a sine is 21.21 V peak (arithmetic), which is NEC's own 21.2 V peak of other AC to rounding.
    assert contact_limit_peak_V("sine AC") == pytest.approx(21.213, abs=1e-3)
    assert contact_limit_peak_V("non-sinusoidal AC") == pytest.approx(contact_limit_peak_V("sine AC"), abs=0.05)
    assert contact_limit_peak_V("continuous DC") == 30.0
    assert contact_limit_peak_V("interrupted DC") == 12.4


def test_the_hardware_bounds_are_below_the_lowest_contact_limit_and_let_go_is_not_claimed() -> None:
    waveforms: tuple[Waveform, ...] = ("sine AC", "non-sinusoidal AC", "continuous DC", "interrupted DC")
    lowest_V = min(contact_limit_peak_V(waveform) for waveform in waveforms)
    assert lowest_V >= HARDWARE_VOLTAGE_V
    # Ohm: 12 V over the conservative immersed body would be 40 mA, so the voltage limit alone is not enough.
    worst_A = 12.0 / reference("immersed_body_ohm").value
    assert worst_A == pytest.approx(0.040)
    assert worst_A > HARDWARE_CURRENT_A
    # 20 mA is above let-go (5 mA, from memory): the project must not claim that contact is harmless.
    assert reference("let_go_ac_rms_A").value < HARDWARE_CURRENT_A


def test_stray_thresholds_follow_from_their_own_derivation() -> None:
    """Own choice: perception current x conservative body resistance over 1.7 m of body, rounded down."""
    body_ohm_per_m = reference("immersed_body_ohm").value / 1.7
    own = {row.key: row for row in OPERATING}
    assert own["mains_trouble_V_per_m"].value <= reference("perception_ac_rms_A").value * body_ohm_per_m
    assert own["dc_trouble_V_per_m"].value <= reference("perception_dc_A").value * body_ohm_per_m
    # US Navy text (read): 1.64 V/m drove up to 5 mA through volunteers: ours is 20 times lower.
    assert own["mains_trouble_V_per_m"].value <= reference("diver_field_V_per_m").value / 20
    assert {row.tag for row in OPERATING} == {"own choice"}
    for stem in ("mains", "dc", "electrode_ac", "electrode_dc"):
        unit = "V_per_m" if stem in ("mains", "dc") else "V"
        assert own[f"{stem}_caution_{unit}"].value < own[f"{stem}_trouble_{unit}"].value


def test_one_table_and_its_dataclass_agree() -> None:
    defaults = Limits()
    assert [field.name for field in fields(Limits)] == [row.key for row in OPERATING]
    for row in OPERATING:
        assert getattr(defaults, row.key) == row.value
        assert row.safer in ("lower", "higher")
    for row in REFERENCE:
        assert row.safer == "fixed"
        assert row.key not in {own.key for own in OPERATING}


@pytest.mark.parametrize("row", OPERATING, ids=lambda row: row.key)
def test_a_configuration_moves_only_to_the_safe_side(row: Limit) -> None:
    safer = row.value * (0.5 if row.safer == "lower" else 2.0)
    worse = row.value * (1.001 if row.safer == "lower" else 0.999)
    assert getattr(limits_from_config({row.key: safer}), row.key) == safer
    with pytest.raises(InputError) as refused:
        limits_from_config({row.key: worse})
    sentence = str(refused.value)
    assert row.key in sentence and row.what in sentence and f"{row.value:g}" in sentence
    assert "\n" not in sentence
    with pytest.raises(InputError):  # nor by going round the configuration
        Limits(**{row.key: worse})


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1.0, "12", None, True])
def test_no_number_is_refused(bad: object) -> None:
    with pytest.raises(InputError, match="current_limit_A"):
        limits_from_config({"current_limit_A": bad})


def test_an_unknown_limit_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="curent_limit_A"):
        limits_from_config({"curent_limit_A": 0.005})


def test_a_drive_beyond_a_published_limit_is_named() -> None:
    assert allowed_drive(12.0, 0.010) == ()
    assert any("680.2" in text and "12.4" in text for text in allowed_drive(13.0, 0.010))
    assert any("60364-7-702" in text for text in allowed_drive(12.2, 0.010))
    assert any("20 mA" in text for text in allowed_drive(10.0, 0.021))
    assert allowed_drive(math.nan, 0.010)
    assert allowed_drive(10.0, math.nan)


def test_a_board_that_would_allow_more_is_unfit() -> None:
    assert check_board(0.020, 12.4, 0.5) == ()
    assert check_board(0.010, 12.0, 0.5) == ()
    assert "12.5 V" in check_board(0.010, 12.5, 0.5)[0]
    assert "25 mA" in check_board(0.025, 12.0, 0.5)[0]
    assert "0.6 s" in check_board(0.010, 12.0, 0.6)[0]
    assert check_board(math.nan, 12.0, 0.5)
