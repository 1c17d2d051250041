"""Results of a part over months: one line of JSON each, and what a straight line through them says of the limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from earthward.bench.bands import Band
from earthward.errors import InputError

DAY_S = 86400.0
MONTH_S = 30.44 * DAY_S
FEWEST, SHORTEST_S = 3, 14 * DAY_S
#: a slope below so many of its standard errors is none
SURE = 2.5


class BenchResult(msgspec.Struct, frozen=True, kw_only=True):
    """One look at a part with a serial number. `values`: by name of the band, what was measured."""

    serial: str
    part: str
    time_s: float
    values: dict[str, float]
    verdict: str
    defect: str = ""
    emulated: bool = False
    software: str = ""


def read_results(text: str, where: str) -> list[BenchResult]:
    """InputError naming the line that is no result."""
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip():
            try:
                found.append(msgspec.json.decode(line, type=BenchResult))
            except msgspec.MsgspecError as error:
                raise InputError(f"{where} line {number} is no bench result: {error}") from error
    return found


def with_result(text: str, result: BenchResult) -> str:
    """The file's text with one more line."""
    joint = "" if not text or text.endswith("\n") else "\n"
    return text + joint + msgspec.json.encode(result).decode() + "\n"


@dataclass(frozen=True, slots=True)
class Trend:
    """per_month: slope with its standard error; None: too few results, or over too short a time.
    months_left: until the line leaves `good`; None: it does not."""

    band: Band
    latest: float
    count: int
    per_month: float | None
    per_month_sigma: float | None
    months_left: float | None


def trends(results: Sequence[BenchResult], bands: Sequence[Band]) -> list[Trend]:
    """Of one serial's results, oldest first or not. Emulated ones are for no real part: the caller keeps them apart."""
    ordered = sorted(results, key=lambda r: r.time_s)
    out = []
    for band in bands:
        points = [(r.time_s, r.values[band.name]) for r in ordered if band.name in r.values]
        points = [(t, v) for t, v in points if math.isfinite(v)]
        if points:
            out.append(_trend(band, points))
    return out


def _trend(band: Band, points: list[tuple[float, float]]) -> Trend:
    t = np.array([p[0] for p in points]) / MONTH_S
    v = np.array([p[1] for p in points])
    latest = float(v[-1])
    if len(points) < FEWEST or (t[-1] - t[0]) * MONTH_S < SHORTEST_S:
        return Trend(band, latest, len(points), None, None, None)
    x = t - t.mean()
    slope = float(x @ v / (x @ x))
    left = v - v.mean() - slope * x
    sigma = math.sqrt(float(left @ left) / max(1, len(v) - 2) / float(x @ x))
    line = float(v.mean() + slope * x[-1])
    months: float | None = None
    if abs(slope) > SURE * sigma:
        edge = band.good[1] if slope > 0 else band.good[0]
        if math.isfinite(edge):
            months = max(0.0, (edge - line) / slope)
    return Trend(band, latest, len(points), slope, sigma, months)


def in_words(trend: Trend) -> str:
    """One sentence without a full stop."""
    if trend.per_month is None:
        count = "one result" if trend.count == 1 else f"{trend.count} results"
        return f"{count}: no trend yet (three over two weeks are wanted)"
    said = f"{trend.per_month:+.3g} +- {trend.per_month_sigma or 0.0:.1g} {trend.band.unit} a month"
    if trend.months_left is None:
        return f"{said}: steady, or away from its limit"
    if trend.months_left == 0.0:
        return f"{said}: past its limit"
    return f"{said}: leaves its limit in about {trend.months_left:.0f} months"
