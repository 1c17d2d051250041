"""The model of a level log: evaporation, rain, handling and warming as arrays, and each one's part of the covariance.

The equations are in `earthward.water.loss`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.water.evaporation import Weather, by_methods, mean_and_spread, wind_at_height_m_per_s
from earthward.water.level_log import EXPOSURE, LogRow, LossLog

FloatArray = NDArray[np.float64]

DAY_S = 86_400.0
#: the wind over the water may be this factor more or less than the exposure word says
EXPOSURE_FACTOR = 1.6
#: least relative uncertainty of any evaporation formula outdoors, beyond the spread among them
METHOD_FLOOR = 0.15
#: evaporation assumed without weather, mm/day: 5 +- 5
BLIND_EVAPORATION_MM_PER_DAY, BLIND_SIGMA = 5.0, 1.0
#: bucket against pool: rim shelter, wall temperature
BUCKET_SIGMA = 0.08
#: hour-to-hour scatter of evaporation about the model, common and bucket only (relative, per 6 h)
COMMON_SCATTER, BUCKET_SCATTER, SCATTER_DAYS = 0.35, 0.12, 0.25
#: a cover in place leaves this share of the evaporation, +- as much (from memory: 90-95 % saved)
COVER_LEAVES, COVER_SIGMA = 0.10, 0.08
RAIN_GAUGE_SIGMA, RAIN_POOL_SIGMA = 0.08, 0.08
BACKWASH_SIGMA, SPLASH_SIGMA, ADDED_SIGMA = 0.15, 0.40, 0.03
PUMP_STEP_SIGMA_MM = 2.0
DEFAULT_DEPTH_M, BUCKET_DEPTH_M = 1.5, 0.3
#: temperature of the water when nobody wrote it down, K about its mean
UNKNOWN_TEMPERATURE_SIGMA_K = 0.7
#: what a person takes from the pool or adds to it, columns of the log
HANDLED = ("backwash_L", "splash_L", "added_L")


@dataclass(frozen=True, slots=True)
class Observations:
    """The log as arrays. `at` maps each observation to its row; `dt_days` and `evaporation_mm` are per interval between
    rows; all other amounts are totals up to each row."""

    at: NDArray[np.int64]
    is_pool: NDArray[np.bool_]
    pool_at: NDArray[np.int64]
    bucket_at: NDArray[np.int64]
    level_mm: FloatArray
    """The observed levels, with the weather's evaporation added back and all that was written down taken out."""
    dt_days: FloatArray
    evaporation_mm: FloatArray
    covered_mm: FloatArray
    rain_mm: FloatArray
    handled_mm: dict[str, FloatArray]
    pump_on: NDArray[np.bool_]
    days_on: FloatArray
    days_off: FloatArray
    thermal: FloatArray
    evaporation_by_method_mm: dict[str, float]
    sigma_k: float
    pool_sigma_mm: float
    bucket_sigma_mm: float
    cautions: tuple[str, ...]

    @property
    def has_bucket(self) -> bool:
        return self.bucket_at.size >= 2

    @property
    def cumulative_mm(self) -> FloatArray:
        """Evaporation that the weather suggests, up to each row."""
        return _cumulate(self.evaporation_mm)


def observe(log: LossLog) -> Observations:
    """The log's rows as arrays, with what is known of evaporation, rain, handling and warming."""
    rows = list(log.rows)
    dt_days = np.diff(np.array([r.t_s for r in rows])) / DAY_S
    pump = _held([r.pump_on for r in rows], False)
    cover = _held([r.cover_on for r in rows], False)
    evaporation, by_method, sigma_k, has_weather = _evaporation(log, rows, dt_days)
    open_mm = evaporation * np.where(cover[:-1], COVER_LEAVES, 1.0)
    cumulative = _cumulate(open_mm)
    rain = np.cumsum([r.rain_mm or 0.0 for r in rows])
    handled = {name: np.cumsum([getattr(r, name) or 0.0 for r in rows]) / log.area_m2 for name in HANDLED}
    pool_at, bucket_at, cautions = _where_read(rows, has_weather)
    at = np.concatenate([pool_at, bucket_at]).astype(np.int64)
    is_pool = np.arange(at.size) < pool_at.size
    thermal, thermal_sigma = _thermal(log, rows, at, is_pool)

    y = np.array([rows[i].pool_mm if p else rows[i].bucket_mm for i, p in zip(at, is_pool, strict=True)], dtype=float)
    y -= -cumulative[at] + rain[at]
    y -= np.where(is_pool, handled["added_L"][at] - handled["backwash_L"][at] - handled["splash_L"][at], 0.0)
    y -= thermal
    return Observations(
        at=at,
        is_pool=is_pool,
        pool_at=pool_at,
        bucket_at=bucket_at,
        level_mm=y,
        dt_days=dt_days,
        evaporation_mm=open_mm,
        covered_mm=_cumulate(np.where(cover[:-1], evaporation, 0.0)),
        rain_mm=rain,
        handled_mm=handled,
        pump_on=pump,
        days_on=_cumulate(np.where(pump[:-1], dt_days, 0.0)),
        days_off=_cumulate(np.where(pump[:-1], 0.0, dt_days)),
        thermal=thermal_sigma,
        evaporation_by_method_mm=by_method,
        sigma_k=sigma_k,
        pool_sigma_mm=log.reading_sigma_mm,
        bucket_sigma_mm=log.bucket_sigma_mm if log.bucket_sigma_mm is not None else log.reading_sigma_mm,
        cautions=cautions,
    )


def _where_read(
    rows: Sequence[LogRow], has_weather: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[str, ...]]:
    """Rows with a pool level, rows with a usable bucket level, and what the log lacks."""
    cautions: list[str] = []
    pool_at = np.array([i for i, r in enumerate(rows) if r.pool_mm is not None], dtype=np.int64)
    bucket_at = np.array([i for i, r in enumerate(rows) if r.bucket_mm is not None], dtype=np.int64)
    if bucket_at.size == 1:
        cautions.append("one bucket reading says nothing: read the bucket whenever you read the pool")
        bucket_at = bucket_at[:0]
    if not has_weather and bucket_at.size == 0:
        cautions.append("neither bucket nor weather: evaporation is only guessed at 5 +- 5 mm/day")
    if all(r.rain_mm is None for r in rows):
        cautions.append("no rain was written down: none is assumed")
    return pool_at, bucket_at, tuple(cautions)


def error_parts(f: Observations, factor: float) -> dict[str, FloatArray]:
    """Covariance of the observations, one part per source of error, mm^2. `factor`: true over predicted evaporation."""
    pool = f.is_pool.astype(float)
    bucket = 1.0 - pool
    e = f.cumulative_mm[f.at]
    true_mm = factor * f.evaporation_mm
    parts = {"ruler readings": np.diag(np.where(f.is_pool, f.pool_sigma_mm, f.bucket_sigma_mm) ** 2)}
    parts["evaporation methods and exposure"] = f.sigma_k**2 * np.outer(e, e) + _walk(
        (COMMON_SCATTER * true_mm) ** 2, f.dt_days, f.at
    )
    if f.has_bucket:
        own = factor * e * bucket
        parts["bucket against pool"] = BUCKET_SIGMA**2 * np.outer(own, own) + _walk(
            (BUCKET_SCATTER * true_mm) ** 2, f.dt_days, f.at
        ) * np.outer(bucket, bucket)
    covered = factor * f.covered_mm[f.at]
    parts["cover"] = COVER_SIGMA**2 * (
        np.outer(covered, covered) + 0.5**2 * np.outer(covered * bucket, covered * bucket)
    )
    rain = f.rain_mm[f.at]
    parts["rain"] = RAIN_GAUGE_SIGMA**2 * np.outer(rain, rain) + RAIN_POOL_SIGMA**2 * np.outer(rain * pool, rain * pool)
    amounts = np.zeros((f.at.size, f.at.size))
    for name, share in (("backwash_L", BACKWASH_SIGMA), ("splash_L", SPLASH_SIGMA), ("added_L", ADDED_SIGMA)):
        v = f.handled_mm[name][f.at] * pool
        amounts += share**2 * np.outer(v, v)
    parts["backwash, splash, filling"] = amounts
    parts["water temperature"] = f.thermal
    on = np.where(f.is_pool & f.pump_on[f.at], 1.0, 0.0)
    parts["level step with the pump"] = PUMP_STEP_SIGMA_MM**2 * np.outer(on, on)
    return parts


def _held(values: Sequence[bool | None], start: bool) -> NDArray[np.bool_]:
    known = [v for v in values if v is not None]
    state = known[0] if known else start
    out = []
    for v in values:
        state = v if v is not None else state
        out.append(state)
    return np.array(out)


def _cumulate(steps: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(steps)])


def _walk(relative_variance: FloatArray, dt_days: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    """Covariance of a random walk: each interval adds an independent error, longer ones average it out."""
    # (relative error e over one scatter time) -> variance e^2 E^2 tau / dt for an interval of any length dt
    grown = relative_variance * SCATTER_DAYS / np.maximum(dt_days, 1e-12)
    total = _cumulate(grown)
    index = np.minimum(at[:, None], at[None, :])
    return np.asarray(total[index], dtype=np.float64)


def _evaporation(
    log: LossLog, rows: Sequence[LogRow], dt_days: FloatArray
) -> tuple[FloatArray, dict[str, float], float, bool]:
    """mm in each interval (uncovered), totals by method, relative sigma of the common factor, weather known?"""
    steps = len(dt_days)
    per_method: dict[str, FloatArray] = {}
    bands: dict[str, FloatArray] = {"low": np.zeros(steps), "mid": np.zeros(steps), "high": np.zeros(steps)}
    weather_row: LogRow | None = next(
        (r for r in rows if r.air_C is not None and r.relative_humidity is not None), None
    )
    if weather_row is None:
        return BLIND_EVAPORATION_MM_PER_DAY * dt_days, {}, BLIND_SIGMA, False
    water_C = next((r.water_C for r in rows if r.water_C is not None), None)
    water_unknown = water_C is None
    for j in range(steps):
        row = rows[j]
        if row.air_C is not None and row.relative_humidity is not None:
            weather_row = row
        if row.water_C is not None:
            water_C = row.water_C
        assert weather_row.air_C is not None and weather_row.relative_humidity is not None
        wind = weather_row.wind_m_per_s
        over_water = 0.5 if wind is None else _wind_over_water(log, wind)
        for band, factor in (("low", 1.0 / EXPOSURE_FACTOR), ("mid", 1.0), ("high", EXPOSURE_FACTOR)):
            weather = Weather(
                water_C=water_C if water_C is not None else weather_row.air_C,
                air_C=weather_row.air_C,
                relative_humidity=weather_row.relative_humidity,
                wind_m_per_s=over_water * factor,
                net_radiation_W_per_m2=weather_row.net_radiation_W_per_m2,
            )
            methods = by_methods(weather, log.outdoor, log.activity_factor)
            bands[band][j] = mean_and_spread(list(methods.values()))[0] * dt_days[j]
            if band == "mid":
                for name, value in methods.items():
                    per_method.setdefault(name, np.full(steps, np.nan))[j] = value * dt_days[j]
    # A method that does not apply in some interval (no radiation, too much wind) is completed by the mean there.
    totals = {
        name: float(np.where(np.isnan(values), bands["mid"], values).sum()) for name, values in per_method.items()
    }
    mean, spread = mean_and_spread(list(totals.values()))
    if mean <= 0.0:  # condensation: nothing to scale, keep an absolute error of 1 mm/day
        return bands["mid"], totals, 1.0, True
    wind_share = float(bands["high"].sum() - bands["low"].sum()) / 2.0 / mean
    extra = 0.3 if water_unknown else 0.0
    return bands["mid"], totals, math.sqrt(METHOD_FLOOR**2 + (spread / mean) ** 2 + wind_share**2 + extra**2), True


def _wind_over_water(log: LossLog, wind: float) -> float:
    at_2m = wind if log.wind_height_m <= 2.0 else wind_at_height_m_per_s(wind, log.wind_height_m, 2.0)
    return at_2m * (EXPOSURE[log.exposure] if log.outdoor else 1.0)


def _thermal(
    log: LossLog, rows: Sequence[LogRow], at: NDArray[np.int64], is_pool: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Level change by warming of the water (mm) and its covariance. Expansion 2.9e-4 per K near 28 C."""
    depth = log.depth_m if log.depth_m is not None else DEFAULT_DEPTH_M
    column = np.where(is_pool, depth, BUCKET_DEPTH_M) * 1000.0 * 2.9e-4  # mm per K
    times = np.array([r.t_s for r in rows if r.water_C is not None])
    if times.size >= 2:
        temperatures = np.array([r.water_C for r in rows if r.water_C is not None], dtype=float)
        at_reading = np.interp([rows[i].t_s for i in at], times, temperatures)
        shift = column * (at_reading - temperatures[0])
        sigma = 0.3 * np.abs(shift) + column * 0.15
        return shift, _same_time(sigma, at)
    sigma = column * UNKNOWN_TEMPERATURE_SIGMA_K
    return np.zeros(at.size), _same_time(sigma, at)


def _same_time(sigma: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    """Covariance: full correlation between pool and bucket at the same moment, none between moments."""
    return np.asarray(np.outer(sigma, sigma) * (at[:, None] == at[None, :]), dtype=np.float64)
