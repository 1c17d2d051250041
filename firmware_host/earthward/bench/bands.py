"""Limits of a bench value and what follows: pass, watch (usable, look again sooner), replace (or put right first)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "watch", "replace", "not measured"]
Limits = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Band:
    """One value. `good` and `usable`: limits, inclusive. `why`: where they come from. `remedy`: what to do outside."""

    name: str
    unit: str
    good: Limits
    usable: Limits
    how: str
    why: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Line:
    """A value with its verdict."""

    band: Band
    value: float | None
    verdict: Verdict

    @property
    def reason(self) -> str:
        """Why it did not pass and what to do; empty if it did."""
        if self.verdict == "pass":
            return ""
        if self.verdict == "not measured":
            return "not measured"
        return f"{self.band.why}; {self.band.remedy}"


def verdict(band: Band, value: float | None) -> Verdict:
    if value is None or math.isnan(value):
        return "not measured"
    if band.good[0] <= value <= band.good[1]:
        return "pass"
    return "watch" if band.usable[0] <= value <= band.usable[1] else "replace"


def judge(bands: Iterable[Band], values: Mapping[str, float | None]) -> list[Line]:
    return [Line(band, values.get(band.name), verdict(band, values.get(band.name))) for band in bands]


def overall(lines: Iterable[Line]) -> Verdict:
    """The worst that was measured; what was not measured neither passes nor condemns the rest."""
    found = {line.verdict for line in lines}
    for worst in ("replace", "watch", "pass"):
        if worst in found:
            return worst
    return "not measured"
