"""Every number that safety rests on: its value, where it comes from, and how sure we are of that.

Two tables. `REFERENCE` holds what published rules say; nothing can change it. `OPERATING` holds what this
instrument allows itself; a configuration may only move a value towards the safe side. Tags: "read" means
somebody of the project read it in a published excerpt of the named source; "from memory" means exactly that
and is shown to the user with these words; "computed" and "own choice" speak for themselves. Nobody of the
project read a full standard: editions differ, local codes and licensed electricians decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal

from earthward.errors import InputError

Tag = Literal["read", "from memory", "computed", "own choice"]
Waveform = Literal["sine AC", "non-sinusoidal AC", "continuous DC", "interrupted DC"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One row. `safer` says which way a configuration may move the value ("fixed": not at all)."""

    key: str
    value: float
    unit: str
    what: str
    clause: str
    source: str
    tag: Tag
    safer: Literal["lower", "higher", "fixed"] = "fixed"


_NEC = "NEC 680.2 low voltage contact limit (moved to Art. 100 in newer editions)"
_NEC11 = "NEC chapter 9 tables 11(A), 11(B), notes 2 and 4"
_702 = "IEC 60364-7-702"
_479 = "IEC 60479-1"

#: What published rules and tables say. Not configurable.
REFERENCE: tuple[Limit, ...] = (
    Limit("nec_sine_rms_V", 15.0, "V rms", "contact limit, sinusoidal AC", "680.2", _NEC, "read"),
    Limit("nec_nonsinusoidal_peak_V", 21.2, "V peak", "contact limit, non-sinusoidal AC", "680.2", _NEC, "read"),
    Limit("nec_dc_V", 30.0, "V", "contact limit, continuous DC", "680.2", _NEC, "read"),
    Limit(
        "nec_interrupted_dc_peak_V",
        12.4,
        "V peak",
        "contact limit, DC interrupted at 10 to 200 Hz; what a symmetric square becomes when one half is lost",
        "680.2",
        _NEC,
        "read",
    ),
    Limit(
        "nec_wet_interrupted_dc_peak_V",
        12.4,
        "V peak",
        "class 2/3 source, wet contact likely but immersion NOT included, interrupted DC",
        "notes 2, 4",
        _NEC11,
        "read",
    ),
    Limit("iec_zone01_ac_rms_V", 12.0, "V rms", "zones 0 and 1: only SELV up to this AC", "702.414", _702, "read"),
    Limit("iec_zone01_dc_V", 30.0, "V", "zones 0 and 1: only SELV up to this DC", "702.414", _702, "read"),
    Limit("iec_zone2_rcd_A", 0.030, "A", "supply placed in zone 2: RCD not above", "702.53", _702, "read"),
    Limit("iec_zone1_reach_m", 2.0, "m", "zone 1 reaches horizontally from the basin", "702.30", _702, "from memory"),
    Limit("iec_zone1_height_m", 2.5, "m", "zone 1 reaches up", "702.30", _702, "from memory"),
    Limit("iec_zone2_reach_m", 1.5, "m", "zone 2 reaches beyond zone 1", "702.30", _702, "from memory"),
    Limit("perception_ac_rms_A", 0.0005, "A rms", "perception, 15 to 100 Hz (AC-1/AC-2)", "fig. 20", _479, "read"),
    Limit(
        "let_go_ac_rms_A",
        0.005,
        "A rms",
        "let-go of the whole population, long time, 15 to 100 Hz (AC-2/AC-3 curve b; older editions 10 mA)",
        "fig. 20",
        _479,
        "from memory",
    ),
    Limit(
        "fibrillation_c1_long_rms_A",
        0.040,
        "A rms",
        "curve c1, 3 s and longer, left hand to feet",
        "fig. 20",
        _479,
        "from memory",
    ),
    Limit("fibrillation_c1_1s_rms_A", 0.050, "A rms", "curve c1 at 1 s", "fig. 20", _479, "from memory"),
    Limit("perception_dc_A", 0.002, "A", "perception of DC", "fig. 22", _479, "from memory"),
    Limit(
        "fibrillation_c1_dc_A",
        0.140,
        "A",
        "curve c1 of DC, long time, hand to feet, feet positive (140 to 150 mA)",
        "fig. 22",
        _479,
        "from memory",
    ),
    Limit(
        "immersed_body_ohm",
        300.0,
        "ohm",
        "conservative body resistance for immersion or a child (500 ohm usual)",
        "",
        "IEEE and IEC design practice",
        "from memory",
    ),
    Limit(
        "diver_field_V_per_m",
        1.64,
        "V/m",
        "field that drove up to 5 mA through a volunteer's chest (0.5 V/ft)",
        "",
        "US Navy underwater inspection text",
        "read",
    ),
)

_OWN = "Earthward"

#: What this instrument allows itself. A configuration may move each only the safe way.
OPERATING: tuple[Limit, ...] = (
    Limit(
        "current_limit_A",
        0.010,
        "A peak",
        "current asked of the source board at most; the hardware holds 20 mA under any single fault",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "current_trip_A",
        0.012,
        "A peak",
        "measured current above which the host takes the output off",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "net_current_trip_A",
        0.001,
        "A",
        "mean of both half cycles (direct current through the electrodes) above which the host takes the output off",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "voltage_trip_V",
        10.8,
        "V peak",
        "measured electrode voltage above which the host takes the output off, as the board does; a sound bridge supply"
        " gives 10.2 V, and its clamp holds 11.5 V",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "battery_min_V",
        10.5,
        "V",
        "battery of the source, lowest while energised: the board's own trip, usual end of discharge of a 12 V lead"
        " battery (common practice)",
        "",
        _OWN,
        "own choice",
        "higher",
    ),
    Limit("battery_start_V", 11.0, "V", "battery of the source, lowest to start", "", _OWN, "own choice", "higher"),
    Limit("battery_max_V", 15.0, "V", "battery of the source, highest", "", _OWN, "own choice", "lower"),
    Limit("temperature_max_C", 60.0, "degC", "source board, hottest", "", _OWN, "own choice", "lower"),
    Limit("link_age_s", 1.0, "s", "newest report of the source board, oldest allowed", "", _OWN, "own choice", "lower"),
    Limit("adc_age_s", 1.0, "s", "newest sample of the receiver, oldest allowed", "", _OWN, "own choice", "lower"),
    Limit(
        "water_clear_s", 300.0, "s", "a statement that the water is clear holds so long", "", _OWN, "own choice",
        "lower",
    ),
    Limit(
        "stray_check_s", 1800.0, "s", "a stray-voltage check with the source off holds so long", "", _OWN, "own choice",
        "lower",
    ),
    Limit(
        "run_s",
        1800.0,
        "s",
        "energised without a break at most; then the enable must be let go once, which a stuck contact cannot do",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "checking_s", 1.0, "s", "every condition must hold so long without a break", "", _OWN, "own choice", "higher"
    ),
    Limit("warning_s", 3.0, "s", "beacon and sound before the output may come on", "", _OWN, "own choice", "higher"),
    Limit(
        "step_gap_s", 1.0, "s", "the interlock itself must run at least so often", "", _OWN, "own choice", "lower"
    ),
    Limit(
        "mains_trouble_V_per_m",
        0.08,
        "V/m rms",
        "mains gradient in the water that ends the visit: perception 0.5 mA x 300 ohm / 1.7 m = 0.088, rounded down;"
        " no standard gives a pool level",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit("mains_caution_V_per_m", 0.03, "V/m rms", "mains gradient worth a caution", "", _OWN, "own choice", "lower"),
    Limit(
        "dc_trouble_V_per_m",
        0.35,
        "V/m",
        "DC gradient in the water that ends the visit: perception 2 mA x 300 ohm / 1.7 m = 0.353, rounded down",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit("dc_caution_V_per_m", 0.1, "V/m", "DC gradient worth a caution", "", _OWN, "own choice", "lower"),
    Limit(
        "electrode_ac_trouble_V",
        1.0,
        "V rms",
        "AC between water and earth with the source off that ends the visit; utilities follow up 1 V (from memory)",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "electrode_ac_caution_V", 0.3, "V rms", "AC between water and earth worth a caution", "", _OWN, "own choice",
        "lower",
    ),
    Limit(
        "electrode_dc_trouble_V",
        3.0,
        "V",
        "DC between water and earth with the source off that ends the visit; unlike metals alone make up to about 1 V",
        "",
        _OWN,
        "own choice",
        "lower",
    ),
    Limit(
        "electrode_dc_caution_V", 1.2, "V", "DC between water and earth worth a caution", "", _OWN, "own choice",
        "lower",
    ),
)  # fmt: skip

#: Held by the output stage's hardware under any single fault; checked by circuit simulation, see docs/safety.md.
HARDWARE_CURRENT_A = 0.020
HARDWARE_VOLTAGE_V = 12.4
#: The board drops its output this long after the last heartbeat at the latest.
HARDWARE_DEADMAN_S = 0.5


@dataclass(frozen=True, slots=True)
class Limits:
    """The operating limits in force. Field names are the keys of `OPERATING`; defaults are its values."""

    current_limit_A: float = 0.010
    current_trip_A: float = 0.012
    net_current_trip_A: float = 0.001
    voltage_trip_V: float = 10.8
    battery_min_V: float = 10.5
    battery_start_V: float = 11.0
    battery_max_V: float = 15.0
    temperature_max_C: float = 60.0
    link_age_s: float = 1.0
    adc_age_s: float = 1.0
    water_clear_s: float = 300.0
    stray_check_s: float = 1800.0
    run_s: float = 1800.0
    checking_s: float = 1.0
    warning_s: float = 3.0
    step_gap_s: float = 1.0
    mains_trouble_V_per_m: float = 0.08
    mains_caution_V_per_m: float = 0.03
    dc_trouble_V_per_m: float = 0.35
    dc_caution_V_per_m: float = 0.1
    electrode_ac_trouble_V: float = 1.0
    electrode_ac_caution_V: float = 0.3
    electrode_dc_trouble_V: float = 3.0
    electrode_dc_caution_V: float = 1.2

    def __post_init__(self) -> None:
        for field in fields(self):
            _require_safe_side(_row(field.name), getattr(self, field.name))


def reference(key: str) -> Limit:
    """Row of `REFERENCE`. KeyError for a name that is not there."""
    for row in REFERENCE:
        if row.key == key:
            return row
    raise KeyError(key)


def _row(key: str) -> Limit:
    for row in OPERATING:
        if row.key == key:
            return row
    raise KeyError(key)


def _require_safe_side(row: Limit, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < 0:
        raise InputError(f"safety limit {row.key} must be a number of {row.unit} that is not negative, not {value!r}")
    number = float(value)
    beyond = number > row.value if row.safer == "lower" else number < row.value
    if beyond:
        side = "at most" if row.safer == "lower" else "at least"
        origin = f"{row.clause} {row.source}".strip()
        raise InputError(
            f"safety limit {row.key} = {number:g} {row.unit} is refused: {row.what} ({origin}, {row.tag}) must be"
            f" {side} {row.value:g} {row.unit}, and a configuration may only move it to the safe side"
        )
    return number


def limits_from_config(config: Mapping[str, object]) -> Limits:
    """Limits from a `[limits]` table; missing keys keep their table value.

    Raises InputError with one sentence that names the limit when a key is unknown, no number, or asks for
    more than the table allows ("more" is lower for delays and for the battery's lowest voltage).
    """
    known = {row.key for row in OPERATING}
    values: dict[str, float] = {}
    for key, value in config.items():
        if key not in known:
            raise InputError(f"there is no safety limit named {key!r}: use one of {', '.join(sorted(known))}")
        values[key] = _require_safe_side(_row(key), value)
    return Limits(**values)


def contact_limit_peak_V(waveform: Waveform) -> float:
    """Peak volts of the NEC contact limit for a waveform (15 V rms of a sine is 21.2 V peak)."""
    if waveform == "sine AC":
        return reference("nec_sine_rms_V").value * math.sqrt(2.0)
    if waveform == "non-sinusoidal AC":
        return reference("nec_nonsinusoidal_peak_V").value
    if waveform == "continuous DC":
        return reference("nec_dc_V").value
    return reference("nec_interrupted_dc_peak_V").value


def allowed_drive(peak_V: float, current_peak_A: float) -> tuple[str, ...]:
    """Sentences naming each limit that a drive between the electrodes would exceed; empty if none.

    A bipolar drive must also stay inside the interrupted-DC limit, because losing one half makes it that. A
    symmetric square has rms = peak, so the zone limit of 12 V rms bounds its peak.
    """
    problems = []
    for key, volts in (
        ("nec_interrupted_dc_peak_V", peak_V),
        ("nec_nonsinusoidal_peak_V", peak_V),
        ("iec_zone01_ac_rms_V", peak_V),
    ):
        row = reference(key)
        if not volts <= row.value:
            problems.append(f"{volts:g} V is above the {row.what}, {row.value:g} {row.unit} ({row.source}, {row.tag})")
    if not current_peak_A <= HARDWARE_CURRENT_A:
        problems.append(f"{current_peak_A * 1e3:g} mA is above the hardware bound of 20 mA peak (own choice)")
    return tuple(problems)


def check_board(max_current_A: float, max_voltage_V: float, deadman_s: float) -> tuple[str, ...]:
    """Sentences naming what in a board's own identity is beyond what this host works with; empty if fit."""
    rows = (
        (max_voltage_V, HARDWARE_VOLTAGE_V, "would allow {:g} V, at most {:g} V is allowed"),
        (max_current_A * 1e3, HARDWARE_CURRENT_A * 1e3, "would allow {:g} mA, at most {:g} mA is allowed"),
        (deadman_s, HARDWARE_DEADMAN_S, "would stay on {:g} s without heartbeat, at most {:g} s is allowed"),
    )
    return tuple(f"it {text.format(value, most)}" for value, most, text in rows if not 0.0 < value <= most)
