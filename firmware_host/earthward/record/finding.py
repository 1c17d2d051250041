"""Findings with their stages, and the two budgets: where the current goes, where the water goes."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, get_args

from earthward.record.base import Interval, Point, Record, said

Stage = Literal["suspected", "dye drawn", "dye not drawn", "repaired", "re-measured"]
STAGES: tuple[str, ...] = get_args(Stage)

#: What a search for sinks says as a whole.
Verdict = Literal["found", "suspected", "cannot tell", "no leak seen"]

#: stage -> what may follow. A patch may come before a dye test (a tear one can see); the report then says so.
NEXT_STAGES: dict[str, tuple[Stage, ...]] = {
    "suspected": ("dye drawn", "dye not drawn", "repaired"),
    "dye drawn": ("dye drawn", "dye not drawn", "repaired"),
    "dye not drawn": ("dye drawn", "dye not drawn", "repaired"),
    "repaired": ("re-measured", "repaired"),
    "re-measured": ("re-measured", "repaired", "dye drawn", "dye not drawn"),
}


class FindingStage(Record, frozen=True, kw_only=True):
    stage: Annotated[Stage, said("stage reached")]
    time_s: Annotated[float, said("when")]
    note: Annotated[str, said("remark")] = ""
    result: Annotated[dict[str, Any] | None, said("what was measured")] = None


class Region(Record, frozen=True, kw_only=True):
    """Where the sink is with the stated probability: centres of liner cells."""

    probability: float
    cell_m: float
    cells_m: tuple[Point, ...] = ()


class Finding(Record, frozen=True, kw_only=True):
    """A suspected leak and what became of it. Only dye confirms it.

    number: 0 = not in the record yet. radius_m: the farthest cell of the region from `position_m`, measured straight.
    strength: twice the gain in log-likelihood by having this sink. certain: above the detection threshold and well
    enclosed, may be called found. history: its stages, oldest first.
    """

    position_m: Annotated[Point, said("estimated position")]
    number: Annotated[int, said("number of the finding")] = 0
    radius_m: Annotated[float | None, said("farthest point of the 90 % region")] = None
    current_A: Annotated[float | None, said("current into it")] = None
    current_interval_A: Annotated[Interval | None, said("90 % interval of the current")] = None
    hole_diameter_mm: Annotated[Interval | None, said("diameters of a round hole that fit")] = None
    text: Annotated[str, said("remark")] = ""
    strength: Annotated[float | None, said("twice the gain in log-likelihood by having this sink")] = None
    certain: Annotated[bool, said("above the detection threshold and well enclosed")] = False
    region: Region | None = None
    time_s: Annotated[float, said("when it was first found")] = math.nan
    history: tuple[FindingStage, ...] = ()

    @property
    def stage(self) -> Stage:
        return self.history[-1].stage if self.history else "suspected"

    @property
    def confirmed(self) -> bool:
        """The latest dye test drew dye in, and was not taken back. Only such a finding is called a leak."""
        first = max((k for k, h in enumerate(self.history) if h.stage == "suspected"), default=0)
        dye = [h.stage for h in self.history[first:] if h.stage in ("dye drawn", "dye not drawn")]
        return bool(dye) and dye[-1] == "dye drawn"


class FittingShare(Record, frozen=True, kw_only=True):
    """What a fitting takes of the injected current."""

    name: str
    current_A: float
    interval_A: Interval


class CurrentBudget(Record, frozen=True, kw_only=True):
    """Who takes the injected current; intervals hold 90 %."""

    injected_A: float
    fittings: tuple[FittingShare, ...] = ()
    findings_A: float = 0.0
    findings_interval_A: Interval = (0.0, 0.0)
    unexplained_A: float = 0.0
    unexplained_interval_A: Interval = (0.0, 0.0)
    text: str = ""

    @property
    def fittings_A(self) -> float:
        return sum(share.current_A for share in self.fittings)


WaterVerdict = Literal["explained", "not explained", "undetermined"]


class WaterBudget(Record, frozen=True, kw_only=True):
    """Where the measured loss goes, in litres per day; `unexplained` may reach below zero."""

    loss: Interval
    explained: Interval
    unexplained: Interval
    verdict: WaterVerdict
    by: Literal["size", "repair", "nothing"]
    text: str
