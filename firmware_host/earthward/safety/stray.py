"""The stray-voltage check: is there a voltage in the water, source off, that should not be there?

It can find trouble; it can never find safety. Its best word is "nothing found".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from earthward.safety import cautions
from earthward.safety.limits import Limits

Level = Literal["nothing found", "caution", "trouble", "not measured"]


@dataclass(frozen=True, slots=True)
class StrayMeasurement:
    """What was measured with the source off, taken at `t_s` (host seconds).

    mains_V_per_m: rms mains gradient, largest over the directions tried. dc_V_per_m: DC gradient, the same.
    electrode_ac_V (rms) and electrode_dc_V: injection electrode minus earth electrode, by the source board
    at rest. None or NaN = could not be measured. directions: how many directions of the pair were tried.
    saturated: the converter clipped, so that the gradient is at least what is given.
    """

    t_s: float
    mains_V_per_m: float | None
    dc_V_per_m: float | None
    electrode_ac_V: float | None
    electrode_dc_V: float | None
    directions: int = 1
    saturated: bool = False
    source_off: bool = True


@dataclass(frozen=True, slots=True)
class StrayLine:
    """One quantity with its judgement."""

    name: str
    value: float | None
    unit: str
    caution_at: float
    trouble_at: float
    level: Level


@dataclass(frozen=True, slots=True)
class StrayVerdict:
    """`passed` is a permissive of the interlock; `text` is for a person and never says more than was measured."""

    t_s: float
    level: Level
    passed: bool
    text: str
    remedy: str
    lines: tuple[StrayLine, ...]
    cautions: tuple[str, ...]


def dc_from_turned_pair(first_V: float, turned_V: float, spacing_m: float) -> tuple[float, float]:
    """DC gradient (V/m) and electrode offset (V) from one reading and one with the pair turned end for end.

    The field changes sign with the pair, the electrodes' own offset does not. ValueError if spacing <= 0.
    """
    if not spacing_m > 0:
        raise ValueError("spacing must be positive")
    return (first_V - turned_V) / 2.0 / spacing_m, (first_V + turned_V) / 2.0


def _line(name: str, value: float | None, unit: str, caution_at: float, trouble_at: float) -> StrayLine:
    if value is None or not math.isfinite(value):
        return StrayLine(name, None, unit, caution_at, trouble_at, "not measured")
    size = abs(value)
    level: Level = "trouble" if size >= trouble_at else "caution" if size >= caution_at else "nothing found"
    return StrayLine(name, value, unit, caution_at, trouble_at, level)


def judge(measurement: StrayMeasurement, limits: Limits) -> StrayVerdict:
    """Verdict of one check. Pure; thresholds are `limits`' own-choice rows."""
    m = measurement
    c = limits
    lines = (
        _line("mains gradient in the water", m.mains_V_per_m, "V/m", c.mains_caution_V_per_m, c.mains_trouble_V_per_m),
        _line("DC gradient in the water", m.dc_V_per_m, "V/m", c.dc_caution_V_per_m, c.dc_trouble_V_per_m),
        _line("AC between water and earth", m.electrode_ac_V, "V", c.electrode_ac_caution_V, c.electrode_ac_trouble_V),
        _line("DC between water and earth", m.electrode_dc_V, "V", c.electrode_dc_caution_V, c.electrode_dc_trouble_V),
    )
    notes = list(cautions.STRAY_CHECK)
    if m.directions < 2:
        notes.insert(0, cautions.ONE_AXIS)
    if lines[1].level in ("caution", "trouble"):
        notes.insert(0, cautions.PAIR_OFFSET)
    troubles = [line for line in lines if line.level == "trouble"]
    missing = [line for line in lines if line.level == "not measured"]
    mild = [line for line in lines if line.level == "caution"]

    def verdict(level: Level, passed: bool, text: str, remedy: str) -> StrayVerdict:
        return StrayVerdict(m.t_s, level, passed, text, remedy, lines, tuple(notes))

    # Trouble first: a clipped or partial measurement that already shows too much is trouble, not "try again".
    if troubles:
        return verdict("trouble", False, f"Too much: {_list(troubles)}.", cautions.TROUBLE)
    if not m.source_off:
        return verdict(
            "not measured",
            False,
            "The source was not off during the check, so it says nothing.",
            "Let go of the enable and run the check again.",
        )
    if m.saturated:
        return verdict(
            "not measured",
            False,
            "The receiver was driven to its full scale, so the gradient may be larger than it can show.",
            "Keep out of the water. Use a larger range; if it still clips, call a licensed electrician.",
        )
    if missing:
        return verdict(
            "not measured",
            False,
            f"Not measured: {', '.join(line.name for line in missing)}.",
            "Put the pair under water and connect both electrodes of the source board, then run the check again.",
        )
    if mild:
        return verdict(
            "caution",
            True,
            f"Noticeable: {_list(mild)}.",
            "Find out where it comes from before going on, and tell the owner; a licensed electrician can trace it.",
        )
    return verdict("nothing found", True, "Nothing found above this check's own levels.", "")


def _list(lines: list[StrayLine]) -> str:
    return ", ".join(f"{line.name} {abs(line.value or 0.0):.3g} {line.unit}" for line in lines)
