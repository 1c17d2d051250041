"""The injected current over the visit: what it was before something was done at the pool, and what it is after.

Covering a fitting or patching a hole changes current and voltage at the output; the fall of their ratio is the share of
what was covered, with no model of the field at all. The source is off while hands are at the wall, so "before" is the
last steady stretch with the source on, and "after" the first one when it is on again.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from earthward.record.board import BoardReport
from earthward.record.visit import CurrentStep, StepKind

#: Reports this soon after switching on, or to the other electrode, are not steady yet.
SETTLE_S = 0.4
#: A stretch of this many reports (ten a second) is enough for "after"; "before" takes the newest so many.
ENOUGH = 12
#: The board's measurement repeats to about this much of the current; scatter alone would promise too much.
REPEATS_TO = 0.002


@dataclass(frozen=True, slots=True)
class Steady:
    """Mean current of a steady stretch with its standard error, and the mean output voltage."""

    mean_A: float
    sigma_A: float
    mean_V: float


@dataclass(frozen=True, slots=True)
class _Waiting:
    kind: StepKind
    fitting: str
    finding: int | None
    before: dict[str, Steady]
    mixed: bool = False
    """Different things were done at once: the fall says nothing of any of them."""


class CurrentLog:
    """Feed it every report; it gives back a `CurrentStep` when a "before" has met its "after"."""

    def __init__(self) -> None:
        self._stretches: dict[str, deque[tuple[float, float]]] = {}
        self._last_s = -math.inf
        self._on = False
        self._electrode = ""
        self._since_s = 0.0
        self._waiting: list[_Waiting] = []

    def add(self, report: BoardReport) -> list[CurrentStep]:
        """One report of the board; the same one twice is taken once."""
        if report.received_s <= self._last_s:
            return []
        self._last_s = report.received_s
        if not report.energised:
            self._on = False
            return []
        if not self._on:
            # A new run of the source: what was steady before belongs to the past.
            self._on = True
            self._stretches.clear()
            self._electrode = ""
        if report.electrode != self._electrode:
            self._electrode, self._since_s = report.electrode, report.received_s
        if report.received_s - self._since_s < SETTLE_S or not (report.current_A > 0 or report.open_circuit):
            return []
        self._stretches.setdefault(report.electrode, deque(maxlen=ENOUGH)).append((report.current_A, report.voltage_V))
        return self._completed()

    def steady(self) -> dict[str, Steady]:
        """Of the present or last run of the source, by electrode."""
        return {name: _steady(values) for name, values in self._stretches.items() if len(values) >= 3}

    def done(self, kind: StepKind, *, fitting: str = "", finding: int | None = None) -> None:
        """Something was covered, plugged, uncovered or patched: what comes next is its "after".

        Two of a kind before the next "after" are one step of both; of different kinds, or two patches, no step tells.
        """
        if self._waiting:
            first = self._waiting.pop()
            alike = kind == first.kind != "patch" and not first.mixed
            both = f"{first.fitting}, {fitting}" if alike else ""
            self._waiting.append(_Waiting(first.kind, both, None, first.before, mixed=not alike))
            return
        before = self.steady()
        if before:
            self._waiting.append(_Waiting(kind, fitting, finding, before))

    def _completed(self) -> list[CurrentStep]:
        steps, still = [], []
        for waiting in self._waiting:
            name = next((n for n in waiting.before if len(self._stretches.get(n, ())) >= ENOUGH), None)
            if name is None:
                still.append(waiting)
                continue
            if waiting.mixed:
                continue
            before, after = waiting.before[name], _steady(self._stretches[name])
            steps.append(
                CurrentStep(
                    kind=waiting.kind,
                    fitting=waiting.fitting,
                    finding=waiting.finding,
                    before_A=before.mean_A,
                    before_sigma_A=before.sigma_A,
                    after_A=after.mean_A,
                    after_sigma_A=after.sigma_A,
                    source_id=0 if name == "A" else 1,
                    before_V=before.mean_V,
                    after_V=after.mean_V,
                )
            )
        self._waiting = still
        return steps


def _steady(values: deque[tuple[float, float]]) -> Steady:
    n = len(values)
    mean = sum(current for current, _ in values) / n
    scatter = math.sqrt(sum((current - mean) ** 2 for current, _ in values) / max(n - 1, 1))
    volts = sum(voltage for _, voltage in values) / n
    return Steady(mean, math.hypot(scatter / math.sqrt(n), REPEATS_TO * mean), volts)
