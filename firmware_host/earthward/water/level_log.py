"""The log of a bucket test: what the person wrote down, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from earthward.errors import InputError

#: wind over a fenced or planted pool as a share of the open wind at 2 m (common practice, no source)
EXPOSURE: dict[str, float] = {"sheltered": 0.3, "normal": 0.55, "open": 0.9}


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRow:
    """One line of the log. Amounts (rain, backwash, splash, added) fell since the row before; pump and cover hold from
    this row on; weather describes the time from this row to the next that has weather. None = not written down."""

    t_s: float
    pool_mm: float | None = None
    bucket_mm: float | None = None
    pump_on: bool | None = None
    cover_on: bool | None = None
    rain_mm: float | None = None
    backwash_L: float | None = None
    splash_L: float | None = None
    added_L: float | None = None
    water_C: float | None = None
    air_C: float | None = None
    relative_humidity: float | None = None
    wind_m_per_s: float | None = None
    net_radiation_W_per_m2: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LossLog:
    """A whole log. `reading_sigma_mm` is the standard error of one reading of the ruler."""

    rows: Sequence[LogRow]
    area_m2: float
    reading_sigma_mm: float = 1.0
    bucket_sigma_mm: float | None = None
    depth_m: float | None = None
    outdoor: bool = True
    exposure: str = "normal"
    wind_height_m: float = 2.0
    activity_factor: float = 0.5
    worth_L_per_day: float | None = None


def check(log: LossLog) -> None:
    """Raises InputError for a log that cannot say anything."""
    if not log.area_m2 > 0.0:
        raise InputError("the log needs the water surface: give area_m2 above zero in its header")
    if not log.reading_sigma_mm > 0.0:
        raise InputError("reading_sigma_mm must be above zero: it is the standard error of one level reading")
    if log.exposure not in EXPOSURE:
        raise InputError(f"exposure {log.exposure!r} is not one of {', '.join(EXPOSURE)}")
    for i, (a, b) in enumerate(zip(log.rows, log.rows[1:], strict=False)):
        if not b.t_s > a.t_s:
            raise InputError(f"row {i + 2} of the log is not later than the row before: sort the rows by time")
    levels = [r for r in log.rows if r.pool_mm is not None]
    if len(levels) < 2:
        raise InputError("the log has fewer than two pool levels: read the level at least at the start and at the end")
    if levels[-1].t_s - levels[0].t_s < 3600.0:
        raise InputError("the log spans less than an hour: log the level for a day or more")
