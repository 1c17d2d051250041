"""What a survey record holds: readings, fittings, findings and their stages, tests of loss, steps of current, notes.

Times are seconds since 1970-01-01 UTC; points are (x, y, z) in metres, z depth positive down.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import msgspec

from earthward.record.base import Point
from earthward.record.event import Severity
from earthward.record.finding import Stage, WaterBudget
from earthward.record.reading import KeptReading
from earthward.water.budget import of_visit

#: how well the board's own voltage measurement repeats, relative (its circuit's resolution; own estimate)
VOLTAGE_REPEATS_TO = 0.001
#: injection and earth electrode together have hardly more (common practice, no source)
ELECTRODES_OHM = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFitting:
    name: str
    kind: str
    position_m: Point
    covered: bool = False
    time_s: float = math.nan
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcePlacement:
    source_id: int
    position_m: Point
    current_A: float | None = None
    time_s: float = math.nan
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyCheck:
    name: str
    ok: bool
    value: float | None = None
    unit: str = ""
    limit_value: float | None = None
    text: str = ""
    time_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingStage:
    stage: Stage
    time_s: float
    note: str = ""
    result: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFinding:
    """A finding with its whole history; `stage` is the latest."""

    number: int
    position_m: Point
    radius_m: float | None = None
    current_A: float | None = None
    current_interval_A: tuple[float, float] | None = None
    hole_diameter_mm: tuple[float, float] | None = None
    text: str = ""
    time_s: float = math.nan
    history: tuple[FindingStage, ...] = ()

    @property
    def stage(self) -> Stage:
        return self.history[-1].stage if self.history else "suspected"

    @property
    def confirmed(self) -> bool:
        """The latest dye test drew dye in. Only such a finding is called a leak."""
        dye = [h.stage for h in self.history if h.stage in ("dye drawn", "dye not drawn")]
        return bool(dye) and dye[-1] == "dye drawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    number: int
    time_s: float
    severity: Severity
    code: str
    text: str
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredNote:
    time_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A reference to a picture; the picture itself stays a file (path relative to the survey file's folder)."""

    path: str
    caption: str = ""
    finding: int | None = None
    station: str = ""
    sha256: str = ""
    time_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class LossTest:
    """A level log as it was read and what came out of it. `moment`: "before" or "after" the repair."""

    moment: Literal["before", "after"]
    log_csv: str
    result: dict[str, Any]
    time_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentStep:
    """Injected current before and after something was done: covering or plugging a fitting, or patching a hole.

    before_V, after_V: the source's own output voltage then. The source is no stiff one: with a sink gone the voltage
    rises and the rest takes more, so the fall of the current alone says too little.
    """

    kind: Literal["cover", "plug", "uncover", "patch"]
    subject: str
    before_A: float
    before_sigma_A: float
    after_A: float
    after_sigma_A: float
    source_id: int = 0
    note: str = ""
    time_s: float = math.nan
    before_V: float | None = None
    after_V: float | None = None

    @property
    def drop_A(self) -> float:
        return self.before_A - self.after_A

    @property
    def share(self) -> float:
        """Part of the current that the sink took: by how much the conductance seen at the output fell (without the
        voltages: the current). The electrodes' own resistance makes it a little small."""
        if not self.before_V or not self.after_V:
            return self.drop_A / self.before_A
        return 1.0 - (self.after_A / self.after_V) / (self.before_A / self.before_V)

    @property
    def share_interval(self) -> tuple[float, float]:
        """95 %: from no resistance of injection and earth electrode together to a great one."""
        low, high = self.share, self.share
        if self.before_V and self.after_V and self.after_A > 0.0:
            before, after = self.before_V / self.before_A, self.after_V / self.after_A
            electrodes = min(ELECTRODES_OHM, 0.8 * min(before, after))
            high = max(low, 1.0 - (before - electrodes) / (after - electrodes))
        half = 1.96 * self.share_sigma
        return min(1.0, low) - half, min(1.0, high + half)

    @property
    def share_sigma(self) -> float:
        # After the last sink the current is next to nothing, with either sign: its error stays what it is.
        known = bool(self.before_V and self.after_V)
        scale = (self.before_V or 1.0) / (self.after_V or 1.0) if known else 1.0
        left = 1.0 - self.share
        return math.hypot(
            self.after_sigma_A * scale / self.before_A,
            left * self.before_sigma_A / self.before_A,
            left * VOLTAGE_REPEATS_TO if known else 0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredProof:
    """One reading of the test leak: the settings it holds for and whether it sufficed."""

    ok: bool
    result: dict[str, Any]
    settings_id: int | None = None
    time_s: float = math.nan


def copy_reading(reading: KeptReading, **changes: Any) -> KeptReading:
    """The same reading with some fields changed and without row and uid, ready to be kept again elsewhere."""
    return msgspec.structs.replace(reading, **{"uid": "", "row": 0, **changes})


def visit_water_budget(tests: Sequence[LossTest], findings: Sequence[StoredFinding]) -> WaterBudget | None:
    """Do the confirmed holes account for the measured loss? None if the loss was not measured before the work."""
    latest = {test.moment: test.result for test in tests}
    if "before" not in latest:
        return None
    before, after = latest["before"], latest.get("after")
    holes = [
        ((f.hole_diameter_mm[0] / 1000, f.hole_diameter_mm[1] / 1000), f.position_m[2])
        for f in findings
        if f.confirmed and f.hole_diameter_mm is not None
    ]
    return of_visit(
        tuple(map(float, before["interval_L_per_day"])),  # type: ignore[arg-type]
        None if after is None else tuple(map(float, after["interval_L_per_day"])),  # type: ignore[arg-type]
        holes,
        repaired=any(f.stage in ("repaired", "re-measured") for f in findings),
        allowance_L_per_day=float((after or before)["worth_L_per_day"]),
    )
