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
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from earthward.water.condense import condensed
from earthward.water.level_log import LogRow, LossLog, check
from earthward.water.loss_model import Observations, error_parts, observe
from earthward.water.loss_result import (
    INTERVAL_Z,
    LEAK_Z,
    WORTH_MM_PER_DAY,
    LossResult,
    Rate,
    points_at,
    verdict_of,
)

FloatArray = NDArray[np.float64]


def analyse(log: LossLog) -> LossResult:
    """Leak rate with interval and verdict. Raises InputError for a log that cannot say anything."""
    check(log)
    log = condensed(log)
    result = _analyse(log)
    if result.verdict != "cannot tell":
        return result
    more = _more_hours(log, result)
    _, text = verdict_of(result, log.area_m2, more)
    return replace(result, more_hours=more, text=text)


@dataclass(frozen=True, slots=True)
class _Fit:
    """The least-squares solution. Parameters: the pool's level at the start, the mean leak, the bucket's level."""

    design: FloatArray
    contrast: FloatArray
    """How each observation depends on the difference of the leaks with the pump on and off."""
    fraction_on: float
    span_days: float
    both: bool
    """Readings with the pump on and with it off."""
    parts: dict[str, FloatArray]
    covariance: FloatArray
    inverse: FloatArray
    """Of the covariance that the fit was made with, the wide prior of the contrast included."""
    parameter_covariance: FloatArray
    gain: FloatArray
    parameters: FloatArray


def _fit(o: Observations) -> _Fit:
    at, is_pool, y = o.at, o.is_pool, o.level_mm
    # Both pump states seen: the difference of the two leaks is free but for a very wide prior, which keeps the
    # average well defined when no reading was taken at the change.
    both = bool(o.days_on[at[is_pool]].max() > 0.0 and o.days_off[at[is_pool]].max() > 0.0)
    elapsed = o.days_on + o.days_off
    columns = [is_pool.astype(float), -np.where(is_pool, elapsed[at], 0.0)]
    if o.has_bucket:
        columns.append((~is_pool).astype(float))
    design = np.stack(columns, axis=1)
    span = float(elapsed[at[is_pool]][-1] - elapsed[at[is_pool]][0])
    fraction_on = float((o.days_on[at[is_pool]][-1] - o.days_on[at[is_pool]][0]) / span)
    # q(t) = q_mean + D (on - fraction_on): the contrast has mean zero over the log
    contrast = -np.where(is_pool, o.days_on[at] - fraction_on * elapsed[at], 0.0)
    wide = 1e3 / max(span, 0.1)  # mm/day
    factor = 1.0
    for _ in range(3):
        # The scatter and the bucket's difference go with the true evaporation, which the readings tell better than
        # the weather does: take the factor from the readings and solve again.
        parts = error_parts(o, factor)
        covariance = sum(parts.values(), np.zeros((at.size, at.size)))
        noise = covariance + (wide**2 * np.outer(contrast, contrast) if both else 0.0)
        inverse: FloatArray = np.linalg.inv(noise).astype(np.float64, copy=False)
        parameter_covariance = np.linalg.inv(design.T @ inverse @ design)
        gain = parameter_covariance @ design.T @ inverse
        parameters = gain @ y
        # y has the weather's evaporation added back, so what is left of it is (1 - k) E
        shift = o.sigma_k**2 * o.cumulative_mm[at] @ inverse @ (y - design @ parameters)
        factor = float(np.clip(1.0 - shift, 0.2, 3.0))
    return _Fit(
        design, contrast, fraction_on, span, both, parts, covariance, inverse, parameter_covariance, gain, parameters
    )


def _scatter(o: Observations, fit: _Fit) -> tuple[float | None, float, tuple[str, ...]]:
    """Chi-square per degree of freedom, the factor by which the interval is widened for it, and a caution if it is."""
    residual = o.level_mm - fit.design @ fit.parameters
    dof = o.at.size - fit.design.shape[1] - (1 if fit.both else 0)
    chi = float(residual @ fit.inverse @ residual) / dof if dof > 0 else None
    if chi is None or chi <= 1.0 + 3.0 * math.sqrt(2.0 / dof):
        return chi, 1.0, ()
    inflate = math.sqrt(chi)
    # How much each reading alone disagrees with what all the others say of it.
    kernel = fit.inverse - fit.inverse @ fit.design @ fit.parameter_covariance @ fit.design.T @ fit.inverse
    worst = int(np.argmax(np.abs(fit.inverse @ residual) / np.sqrt(np.maximum(np.diag(kernel), 1e-12))))
    caution = (
        f"the readings scatter {inflate:.1f} times more than they should; look at row {int(o.at[worst]) + 1} "
        f"({'pool' if o.is_pool[worst] else 'bucket'}) first; the interval was widened"
    )
    return chi, inflate, (caution,)


def _error_shares(fit: _Fit) -> dict[str, float]:
    """Share of each source of error in the variance of the leak; negligible ones are left out."""
    weights = fit.gain[1]
    variance = float(fit.parameter_covariance[1, 1])
    shares = {name: float(weights @ part @ weights) / variance for name, part in fit.parts.items()}
    return {name: share for name, share in shares.items() if share > 0.0005}


def _analyse(log: LossLog) -> LossResult:
    o = observe(log)
    fit = _fit(o)
    chi, inflate, cautions = _scatter(o, fit)
    area = log.area_m2
    pump_on = pump_off = pump_difference = None
    pointed_at = "not tested: log the level with the pump on and with it off"
    if fit.both:
        pump_on, pump_off, pump_difference = _pump_rates(
            fit.design, fit.contrast, fit.covariance, o.level_mm, fit.fraction_on, area * inflate, area
        )
        pointed_at = points_at(pump_on, pump_off, pump_difference)

    rows, first, last = log.rows, int(o.pool_at[0]), int(o.pool_at[-1])
    drop = float(rows[first].pool_mm or 0.0) - float(rows[last].pool_mm or 0.0)
    bucket_drop = None
    if o.has_bucket:
        bucket_drop = float(rows[o.bucket_at[0]].bucket_mm or 0.0) - float(rows[o.bucket_at[-1]].bucket_mm or 0.0)
    predicted = float(o.cumulative_mm[last] - o.cumulative_mm[first])
    # What the readings made of k: evaporation that closes the pool's balance with the fitted leak.
    handled_mm = sum(
        sign * float(o.handled_mm[name][last] - o.handled_mm[name][first])
        for name, sign in (("added_L", 1.0), ("backwash_L", -1.0), ("splash_L", -1.0))
    )
    rain_mm = float(o.rain_mm[last] - o.rain_mm[first])
    fitted = drop + rain_mm + handled_mm - float(fit.parameters[1]) * fit.span_days
    result = LossResult(
        leak=Rate(float(fit.parameters[1]) * area, math.sqrt(fit.parameter_covariance[1, 1]) * area * inflate),
        verdict="cannot tell",
        text="",
        hours=fit.span_days * 24.0,
        more_hours=None,
        worth_L_per_day=log.worth_L_per_day if log.worth_L_per_day is not None else WORTH_MM_PER_DAY * area,
        pump_on=pump_on,
        pump_off=pump_off,
        pump_difference=pump_difference,
        points_at=pointed_at,
        pool_drop_mm=drop,
        bucket_drop_mm=bucket_drop,
        rain_mm=rain_mm,
        handled_L=handled_mm * area,
        evaporation_mm=fitted,
        evaporation_by_method_mm=o.evaporation_by_method_mm,
        evaporation_factor=fitted / predicted if abs(predicted) > 1e-9 else math.nan,
        error_shares=_error_shares(fit),
        chi_square_per_dof=chi,
        cautions=(*o.cautions, *cautions),
    )
    verdict, text = verdict_of(result, area, None)
    return replace(result, verdict=verdict, text=text)


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
