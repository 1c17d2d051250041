"""A logger's rows averaged to as many as the analysis of a level log needs.

The model of `water.loss` is linear in the levels and in the amounts that fell or were handled, and what limits it (the
weather's scatter, the water's temperature) changes over hours. So a level a minute says hardly more than its means over
some minutes, while the analysis costs the square of the rows in memory and their cube in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean, median
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from earthward.water.level_log import LogRow, LossLog

#: more rows than these are averaged, to about so many
MOST_ROWS, WANTED_ROWS = 300, 200
#: waves and the sensor's slow errors do not average out (own judgement, no source)
LEAST_OF_SIGMA = 0.3
_AMOUNTS = ("rain_mm", "backwash_L", "splash_L", "added_L")
_MEANS = (
    "pool_mm", "bucket_mm", "water_C", "air_C", "relative_humidity", "wind_m_per_s", "net_radiation_W_per_m2",
)  # fmt: skip


def condensed(log: LossLog) -> LossLog:
    """The same log with at most about `WANTED_ROWS` rows (more where pump or cover change often); a short one as it is.

    Rows of one stretch of time and one state of pump and cover become one row at their mean time. Amounts are shared
    out so that each mean level stands for as much of them as its rows had seen.
    """
    rows = log.rows
    if len(rows) <= MOST_ROWS:
        return log
    groups = _groups(rows, (rows[-1].t_s - rows[0].t_s) / WANTED_ROWS)
    seen = {name: _seen(rows, groups, name) for name in _AMOUNTS}
    averaged = []
    for number, (first, end) in enumerate(groups):
        values: dict[str, Any] = {name: _mean([getattr(r, name) for r in rows[first:end]]) for name in _MEANS}
        values |= {name: amounts[number] for name, amounts in seen.items() if amounts is not None}
        averaged.append(replace(rows[first], t_s=fmean(r.t_s for r in rows[first:end]), **values))
    size = median([end - first for first, end in groups])
    share = max(LEAST_OF_SIGMA, 1.0 / math.sqrt(size))
    bucket = None if log.bucket_sigma_mm is None else log.bucket_sigma_mm * share
    return replace(log, rows=averaged, reading_sigma_mm=log.reading_sigma_mm * share, bucket_sigma_mm=bucket)


def _groups(rows: Sequence[LogRow], width_s: float) -> list[tuple[int, int]]:
    """Runs of rows: a new one when `width_s` is over, or when pump or cover are told to be otherwise than before."""
    starts = [0]
    pump, cover = rows[0].pump_on, rows[0].cover_on
    for i, row in enumerate(rows[1:], start=1):
        changed = row.pump_on not in (None, pump) or row.cover_on not in (None, cover)
        pump = pump if row.pump_on is None else row.pump_on
        cover = cover if row.cover_on is None else row.cover_on
        if changed or row.t_s - rows[starts[-1]].t_s >= width_s:
            starts.append(i)
    return list(zip(starts, [*starts[1:], len(rows)], strict=True))


def _seen(rows: Sequence[LogRow], groups: Sequence[tuple[int, int]], name: str) -> list[float] | None:
    """What came since the group before, by the mean over each group's rows; None if nobody wrote any down."""
    amounts = [getattr(r, name) for r in rows]
    if all(a is None for a in amounts):
        return None
    total, running = [], 0.0
    for amount in amounts:
        running += amount or 0.0
        total.append(running)
    means = [fmean(total[first:end]) for first, end in groups]
    return [b - a for a, b in zip([0.0, *means[:-1]], means, strict=True)]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return fmean(known) if known else None
