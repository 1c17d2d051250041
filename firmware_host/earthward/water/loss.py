"""Level log and bucket test: how much water the pool loses beyond what the weather explains.

One linear model of all level readings, solved by generalised least squares:

    pool(t)   = h0 - k E(t) - q_off T_off(t)/A - q_on T_on(t)/A + rain + (added - backwash - splash)/A
                + s on(t) + thermal
    bucket(t) = b0 - k d E(t) + rain

E(t) is the evaporation that the weather suggests (mean of the published methods), k the factor by which the methods and
the exposure are off, d how the bucket differs from the pool, s the step of the level when the pump starts. h0, b0
and the leaks are free; everything else enters as a covariance, so that each source of error ends up in the interval of
the leak in the proportion in which the readings depend on it. With a bucket the readings themselves tell k.

Levels in mm (higher is fuller), times in seconds from the first row, flows in litres per day, area in m2 (1 mm on
1 m2 is 1 L). The widths below without a source are this project's judgement of common practice; the benchmark
`bench_loss.py` shows how well the intervals hold on simulated tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.water.condense import condensed
from earthward.water.evaporation import Weather, by_methods, mean_and_spread, wind_at_height_m_per_s

FloatArray = NDArray[np.float64]
Verdict = Literal["leak", "no evidence", "cannot tell"]

DAY_S = 86_400.0
#: wind over a fenced or planted pool as a share of the open wind at 2 m (common practice, no source)
EXPOSURE: dict[str, float] = {"sheltered": 0.3, "normal": 0.55, "open": 0.9}
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
#: one-sided test for the word "leak": 0.8 % of tight pools with a perfect model
LEAK_Z = 2.4
INTERVAL_Z = 1.96
#: a leak worth finding if nothing else is said, mm of level per day
WORTH_MM_PER_DAY = 2.0


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


@dataclass(frozen=True, slots=True)
class Rate:
    """A leak rate with its standard error and 95 % interval, litres per day. The interval is not cut at zero."""

    value_L_per_day: float
    sigma_L_per_day: float

    @property
    def interval_L_per_day(self) -> tuple[float, float]:
        half = INTERVAL_Z * self.sigma_L_per_day
        return self.value_L_per_day - half, self.value_L_per_day + half


@dataclass(frozen=True, slots=True)
class LossResult:
    """What the log says. `leak` is the average over the log; rates may come out below zero within their error."""

    leak: Rate
    verdict: Verdict
    text: str
    hours: float
    more_hours: float | None
    worth_L_per_day: float
    pump_on: Rate | None
    pump_off: Rate | None
    pump_difference: Rate | None
    points_at: str
    pool_drop_mm: float
    bucket_drop_mm: float | None
    rain_mm: float
    handled_L: float
    evaporation_mm: float
    evaporation_by_method_mm: dict[str, float]
    evaporation_factor: float
    error_shares: dict[str, float]
    chi_square_per_dof: float | None
    cautions: tuple[str, ...] = field(default=())


def analyse(log: LossLog) -> LossResult:
    """Leak rate with interval and verdict. Raises InputError for a log that cannot say anything."""
    _check(log)
    log = condensed(log)
    result = _analyse(log)
    if result.verdict != "cannot tell":
        return result
    more = _more_hours(log, result)
    _, text = _verdict(result, log.area_m2, more)
    return replace(result, more_hours=more, text=text)


def _analyse(log: LossLog) -> LossResult:
    rows = list(log.rows)
    cautions: list[str] = []
    n = len(rows)
    t = np.array([r.t_s for r in rows])
    dt_days = np.diff(t) / DAY_S
    pump = _held([r.pump_on for r in rows], False)
    cover = _held([r.cover_on for r in rows], False)
    evaporation, by_method, sigma_k, has_weather = _evaporation(log, rows, dt_days)
    leaves = np.where(cover[:-1], COVER_LEAVES, 1.0)
    open_mm = evaporation * leaves
    cumulative = _cumulate(open_mm)
    covered = _cumulate(np.where(cover[:-1], evaporation, 0.0))
    t_on = _cumulate(np.where(pump[:-1], dt_days, 0.0))
    t_off = _cumulate(np.where(pump[:-1], 0.0, dt_days))
    rain = np.cumsum([r.rain_mm or 0.0 for r in rows])
    handled = {
        name: np.cumsum([getattr(r, name) or 0.0 for r in rows]) / log.area_m2
        for name in ("backwash_L", "splash_L", "added_L")
    }

    pool_at = np.array([i for i in range(n) if rows[i].pool_mm is not None])
    bucket_at = np.array([i for i in range(n) if rows[i].bucket_mm is not None], dtype=np.int64)
    if bucket_at.size == 1:
        cautions.append("one bucket reading says nothing: read the bucket whenever you read the pool")
        bucket_at = bucket_at[:0]
    has_bucket = bucket_at.size >= 2
    at = np.concatenate([pool_at, bucket_at]).astype(np.int64)
    is_pool = np.arange(at.size) < pool_at.size
    thermal, thermal_sigma = _thermal(log, rows, at, is_pool)
    if not has_weather and not has_bucket:
        cautions.append("neither bucket nor weather: evaporation is only guessed at 5 +- 5 mm/day")
    if all(r.rain_mm is None for r in rows):
        cautions.append("no rain was written down: none is assumed")

    y = np.array([rows[i].pool_mm if p else rows[i].bucket_mm for i, p in zip(at, is_pool, strict=True)], dtype=float)
    y -= np.where(is_pool, -cumulative[at] + rain[at], -cumulative[at] + rain[at])
    y -= np.where(is_pool, handled["added_L"][at] - handled["backwash_L"][at] - handled["splash_L"][at], 0.0)
    y -= thermal

    # Both pump states seen: the difference of the two leaks is free but for a very wide prior, which keeps the
    # average well defined when no reading was taken at the change.
    both = bool(t_on[at[is_pool]].max() > 0.0 and t_off[at[is_pool]].max() > 0.0)
    elapsed = t_on + t_off
    columns = [is_pool.astype(float), -np.where(is_pool, elapsed[at], 0.0)]
    if has_bucket:
        columns.append((~is_pool).astype(float))
    design = np.stack(columns, axis=1)
    span = float(elapsed[at[is_pool]][-1] - elapsed[at[is_pool]][0])
    fraction_on = float((t_on[at[is_pool]][-1] - t_on[at[is_pool]][0]) / span)
    # q(t) = q_mean + D (on - fraction_on): the contrast has mean zero over the log
    contrast = -np.where(is_pool, t_on[at] - fraction_on * elapsed[at], 0.0)

    frame = _Frame(
        is_pool=is_pool, at=at, dt_days=dt_days, evaporation_mm=open_mm, covered_mm=covered, rain_mm=rain,
        handled_mm=handled, pump_on=pump, thermal=thermal_sigma, sigma_k=sigma_k, has_bucket=has_bucket,
        pool_sigma_mm=log.reading_sigma_mm,
        bucket_sigma_mm=log.bucket_sigma_mm if log.bucket_sigma_mm is not None else log.reading_sigma_mm,
    )  # fmt: skip
    wide = 1e3 / max(span, 0.1)  # mm/day
    factor = 1.0
    for _ in range(3):
        # The scatter and the bucket's difference go with the true evaporation, which the readings tell better than
        # the weather does: take the factor from the readings and solve again.
        parts = _error_parts(frame, factor)
        covariance = sum(parts.values(), np.zeros((at.size, at.size)))
        noise = covariance + (wide**2 * np.outer(contrast, contrast) if both else 0.0)
        inverse = np.linalg.inv(noise)
        parameter_covariance = np.linalg.inv(design.T @ inverse @ design)
        gain = parameter_covariance @ design.T @ inverse
        parameters = gain @ y
        # y has the weather's evaporation added back, so what is left of it is (1 - k) E
        shift = sigma_k**2 * cumulative[at] @ inverse @ (y - design @ parameters)
        factor = float(np.clip(1.0 - shift, 0.2, 3.0))
    residual = y - design @ parameters
    dof = at.size - design.shape[1] - (1 if both else 0)
    chi = float(residual @ inverse @ residual) / dof if dof > 0 else None
    inflate = 1.0
    if chi is not None and chi > 1.0 + 3.0 * math.sqrt(2.0 / dof):
        inflate = math.sqrt(chi)
        # How much each reading alone disagrees with what all the others say of it.
        kernel = inverse - inverse @ design @ parameter_covariance @ design.T @ inverse
        worst = int(np.argmax(np.abs(inverse @ residual) / np.sqrt(np.maximum(np.diag(kernel), 1e-12))))
        cautions.append(
            f"the readings scatter {inflate:.1f} times more than they should; look at row {int(at[worst]) + 1} "
            f"({'pool' if is_pool[worst] else 'bucket'}) first; the interval was widened"
        )
    scale = log.area_m2
    leak = Rate(float(parameters[1]) * scale, math.sqrt(parameter_covariance[1, 1]) * scale * inflate)
    weights = gain[1]
    variance = float(parameter_covariance[1, 1])
    shares = {name: float(weights @ part @ weights) / variance for name, part in parts.items()}
    shares = {name: share for name, share in shares.items() if share > 0.0005}

    pump_on = pump_off = pump_difference = None
    points_at = "not tested: log the level with the pump on and with it off"
    if both:
        pump_on, pump_off, pump_difference = _pump_rates(
            design, contrast, covariance, y, fraction_on, scale * inflate, scale
        )
        points_at = _points_at(pump_on, pump_off, pump_difference)

    drop = float(rows[pool_at[0]].pool_mm or 0.0) - float(rows[pool_at[-1]].pool_mm or 0.0)
    bucket_drop = None
    if has_bucket:
        bucket_drop = float(rows[bucket_at[0]].bucket_mm or 0.0) - float(rows[bucket_at[-1]].bucket_mm or 0.0)
    first, last = int(pool_at[0]), int(pool_at[-1])
    predicted = float(cumulative[last] - cumulative[first])
    # What the readings made of k: evaporation that closes the pool's balance with the fitted leak.
    handled_mm = sum(
        sign * float(handled[name][last] - handled[name][first])
        for name, sign in (("added_L", 1.0), ("backwash_L", -1.0), ("splash_L", -1.0))
    )
    rain_mm = float(rain[last] - rain[first])
    fitted = drop + rain_mm + handled_mm - float(parameters[1]) * span
    worth = log.worth_L_per_day if log.worth_L_per_day is not None else WORTH_MM_PER_DAY * log.area_m2
    hours = span * 24.0
    result = LossResult(
        leak=leak,
        verdict="cannot tell",
        text="",
        hours=hours,
        more_hours=None,
        worth_L_per_day=worth,
        pump_on=pump_on,
        pump_off=pump_off,
        pump_difference=pump_difference,
        points_at=points_at,
        pool_drop_mm=drop,
        bucket_drop_mm=bucket_drop,
        rain_mm=rain_mm,
        handled_L=handled_mm * log.area_m2,
        evaporation_mm=fitted,
        evaporation_by_method_mm=by_method,
        evaporation_factor=fitted / predicted if abs(predicted) > 1e-9 else math.nan,
        error_shares=shares,
        chi_square_per_dof=chi,
        cautions=tuple(cautions),
    )
    verdict, text = _verdict(result, log.area_m2, None)
    return replace(result, verdict=verdict, text=text)


@dataclass(frozen=True, slots=True)
class _Frame:
    """The log as arrays: `at` maps each observation to its row, `evaporation_mm` and `dt_days` are per interval."""

    is_pool: NDArray[np.bool_]
    at: NDArray[np.int64]
    dt_days: FloatArray
    evaporation_mm: FloatArray
    covered_mm: FloatArray
    rain_mm: FloatArray
    handled_mm: dict[str, FloatArray]
    pump_on: NDArray[np.bool_]
    thermal: FloatArray
    sigma_k: float
    has_bucket: bool
    pool_sigma_mm: float
    bucket_sigma_mm: float


def _error_parts(f: _Frame, factor: float) -> dict[str, FloatArray]:
    """Covariance of the observations, one part per source of error, mm^2. `factor`: true over predicted evaporation."""
    pool = f.is_pool.astype(float)
    bucket = 1.0 - pool
    e = _cumulate(f.evaporation_mm)[f.at]
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


def _check(log: LossLog) -> None:
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


def _pump_rates(
    design: FloatArray,
    contrast: FloatArray,
    covariance: FloatArray,
    y: FloatArray,
    fraction_on: float,
    sigma_scale: float,
    scale: float,
) -> tuple[Rate, Rate, Rate]:
    """Leak with the pump on, off, and their difference."""
    full = np.column_stack([design, contrast])
    prior = np.zeros((full.shape[1], full.shape[1]))
    prior[-1, -1] = 1e-6  # 1000 mm/day
    inverse = np.linalg.inv(covariance)
    cov = np.linalg.inv(full.T @ inverse @ full + prior)
    p = cov @ full.T @ inverse @ y

    def rate(on: float | None) -> Rate:
        v = np.zeros(full.shape[1])
        if on is None:
            v[-1] = 1.0
        else:
            v[1], v[-1] = 1.0, on - fraction_on
        return Rate(float(v @ p) * scale, math.sqrt(float(v @ cov @ v)) * sigma_scale)

    return rate(1.0), rate(0.0), rate(None)


def _points_at(on: Rate, off: Rate, difference: Rate) -> str:
    z = difference.value_L_per_day / difference.sigma_L_per_day
    off_leaks = off.value_L_per_day > LEAK_Z * off.sigma_L_per_day
    on_leaks = on.value_L_per_day > LEAK_Z * on.sigma_L_per_day
    if z > LEAK_Z:
        return "loses more with the pump on: points at the pressure side of the plumbing" + (
            ", and at the shell (or a line below the water) for the part lost with the pump off" if off_leaks else ""
        )
    if z < -LEAK_Z:
        return "loses more with the pump off: points at the suction side of the plumbing"
    if on_leaks or off_leaks:
        return (
            "loses about the same with the pump on and off: points at the shell, a fitting, or a line under static head"
        )
    return "no difference between pump on and off can be told"


def _more_hours(log: LossLog, result: LossResult) -> float | None:
    """How many more hours until a leak of the wanted size can be told from none, found by going on with the log in
    thought: one more reading of each level after so many hours of the same. None: two weeks would not do it."""
    pool = [r for r in log.rows if r.pool_mm is not None]
    bucket = [r for r in log.rows if r.bucket_mm is not None]
    last = log.rows[-1]
    last_C = next((r.water_C for r in reversed(log.rows) if r.water_C is not None), None)
    wanted = result.worth_L_per_day / (LEAK_Z + INTERVAL_Z)

    def enough(extra_h: int) -> bool:
        t_s = last.t_s + extra_h * 3600.0
        row = LogRow(
            t_s=t_s,
            pool_mm=_extrapolate([(r.t_s, r.pool_mm or 0.0) for r in pool], t_s),
            bucket_mm=_extrapolate([(r.t_s, r.bucket_mm or 0.0) for r in bucket], t_s) if len(bucket) > 1 else None,
            water_C=last_C,
        )
        return _analyse(replace(log, rows=[*log.rows, row])).leak.sigma_L_per_day <= wanted

    steps = (6, 12, 18, 24, 36, 48, 60, 72, 96, 120, 168, 240, 336)
    if not enough(steps[-1]):
        return None
    low, high = -1, len(steps) - 1  # the error falls with time: halve
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(steps[middle]) else (middle, high)
    return float(steps[high])


def _extrapolate(points: Sequence[tuple[float, float]], t_s: float) -> float:
    (t0, v0), (t1, v1) = points[0], points[-1]
    return v0 + (v1 - v0) * (t_s - t0) / (t1 - t0)


def _verdict(result: LossResult, area_m2: float, more: float | None) -> tuple[Verdict, str]:
    leak, worth, hours = result.leak, result.worth_L_per_day, result.hours
    low, high = leak.interval_L_per_day
    value = max(0.0, leak.value_L_per_day)
    size = f"{value:.0f} L/day ({max(0.0, low):.0f} to {max(0.0, high):.0f}; {value / area_m2:.1f} mm/day)"
    if leak.value_L_per_day > LEAK_Z * leak.sigma_L_per_day:
        return "leak", f"The pool loses {size} more than the weather explains."
    if high <= worth:
        return (
            "no evidence",
            f"No evidence of a leak: in {hours:.0f} h the unexplained loss is {size}, below the {worth:.0f} L/day "
            "that this test was asked to find.",
        )
    if more:
        return (
            "cannot tell",
            f"Cannot tell yet: unexplained loss {size}. About {more:.0f} more hours of the same log would decide "
            f"whether {worth:.0f} L/day are lost.",
        )
    hint = (
        "choose calmer, more humid days, shelter both surfaces alike or cover the pool"
        if result.bucket_drop_mm is not None
        else "put a bucket on the step and read both levels"
    )
    return (
        "cannot tell",
        f"Cannot tell: unexplained loss {size}, and more hours alone will not decide whether {worth:.0f} L/day are "
        f"lost; {hint}.",
    )
