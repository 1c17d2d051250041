"""What else a visit's record holds: checks of safety, the sensitivity test, steps of the injected current, level logs,
notes and photographs."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from earthward.record.base import Interval, Record, said

#: how well the board's own voltage measurement repeats, relative (its circuit's resolution; own estimate)
VOLTAGE_REPEATS_TO = 0.001
#: injection and earth electrode together have hardly more (common practice, no source)
ELECTRODES_OHM = 300.0

StepKind = Literal["cover", "plug", "uncover", "patch"]


class SafetyCheck(Record, frozen=True, kw_only=True):
    """One quantity of a safety check with its limit, in `unit`."""

    name: Annotated[str, said("what was checked")]
    ok: Annotated[bool, said("passed")]
    value: Annotated[float | None, said("measured value, in `unit`")] = None
    unit: Annotated[str, said("unit of value and limit")] = ""
    limit_value: Annotated[float | None, said("limit in force, in `unit`")] = None
    text: Annotated[str, said("in words")] = ""
    time_s: Annotated[float, said("when")] = math.nan


class SensitivityTest(Record, frozen=True, kw_only=True):
    """One judgement of the test leak: the settings it holds for and whether the leak was seen well enough."""

    ok: bool
    result: dict[str, Any]
    settings_id: int | None = None
    time_s: float = math.nan


class CurrentStep(Record, frozen=True, kw_only=True):
    """Injected current before and after something was done: covering or plugging `fitting`, or patching `finding`.

    before_V, after_V: the source's own output voltage then. The source is no stiff one: with a sink gone the voltage
    rises and the rest takes more, so the fall of the current alone says too little.
    """

    kind: Annotated[StepKind, said("what was done")]
    fitting: Annotated[str, said("to which fitting")] = ""
    finding: Annotated[int | None, said("to which finding")] = None
    before_A: Annotated[float, said("injected current before")]
    before_sigma_A: Annotated[float, said("its standard error")]
    after_A: Annotated[float, said("injected current after")]
    after_sigma_A: Annotated[float, said("its standard error")]
    source_id: Annotated[int, said("placement of the injection electrode")] = 0
    note: Annotated[str, said("remark")] = ""
    time_s: Annotated[float, said("when")] = math.nan
    before_V: Annotated[float | None, said("output voltage before")] = None
    after_V: Annotated[float | None, said("output voltage after")] = None

    @property
    def subject(self) -> str:
        """What it was done to, for a person."""
        return self.fitting if self.finding is None else f"finding {self.finding}"

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
    def share_interval(self) -> Interval:
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


class LossTest(Record, frozen=True, kw_only=True):
    """A level log as it was read and what came out of it, before or after the repair."""

    moment: Literal["before", "after"]
    log_csv: str
    result: dict[str, Any]
    time_s: float = math.nan


class Note(Record, frozen=True, kw_only=True):
    text: str
    time_s: float = math.nan


class Photo(Record, frozen=True, kw_only=True):
    """A reference to a picture; the picture itself stays a file (path relative to the survey file's folder)."""

    path: Annotated[str, said("picture file, from the survey's folder")]
    caption: Annotated[str, said("what it shows")] = ""
    finding: Annotated[int | None, said("number of the finding that it shows")] = None
    station: str = ""
    sha256: Annotated[str, said("of the picture file")] = ""
    time_s: float = math.nan
