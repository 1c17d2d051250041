"""300 simulated bucket tests: does the interval hold the truth, is a tight pool called leaking?

    python tests/benchmarks/bench_loss.py [--tests 300] [--seed 1]

The simulated world is not the estimator's: evaporation is a random mixture of the published methods driven by hourly
gusty weather, the wind over the water is a random share of the station's, the bucket has its own shelter and scatter,
rain gauges, splash and backwash notes are wrong by random factors, rulers are read to their graduation.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from earthward.water.evaporation import Weather, carrier, shah, smith_lof_jones
from earthward.water.level_log import LogRow, LossLog
from earthward.water.loss import analyse


@dataclass(frozen=True)
class Case:
    log: LossLog
    leak_L_per_day: float
    leak_on_L_per_day: float
    leak_off_L_per_day: float
    bucket: bool
    weather: bool


def slow_noise(rng: np.random.Generator, n: int, sigma: float, hours: float = 5.0) -> np.ndarray:
    """Stationary first-order noise with a memory of some hours."""
    memory = float(np.exp(-1.0 / hours))
    out = np.empty(n)
    out[0] = rng.normal(0, sigma)
    for i in range(1, n):
        out[i] = memory * out[i - 1] + rng.normal(0, sigma * np.sqrt(1 - memory**2))
    return out


def simulate(rng: np.random.Generator, leak_mm_per_day: float | None = None) -> Case:
    """One test with its truth. `leak_mm_per_day`: None draws it (half of the pools are tight)."""
    hours = int(rng.choice([24, 36, 48, 72]))
    area = float(rng.uniform(18, 60))
    depth = float(rng.uniform(1.1, 2.0))
    n = hours + 1
    h = np.arange(n)
    day = np.sin(2 * np.pi * (h - 9 + rng.uniform(-1, 1)) / 24)
    air = rng.uniform(14, 32) + rng.uniform(2, 7) * day + np.cumsum(rng.normal(0, 0.2, n))
    humidity = np.clip(rng.uniform(0.35, 0.75) - 0.12 * day + rng.normal(0, 0.03, n), 0.15, 0.97)
    water = rng.uniform(22, 30) + 0.5 * np.roll(day, 3) + np.cumsum(rng.normal(0, 0.03, n))
    gust = np.zeros(n)
    for i in range(1, n):
        gust[i] = 0.8 * gust[i - 1] + rng.normal(0, 0.35)
    station_wind = rng.uniform(0.8, 3.5) * np.exp(gust - 0.15) * (1 + 0.4 * day)
    station_wind = np.clip(station_wind, 0.05, 12)
    over_water = station_wind * rng.uniform(0.25, 1.0)

    mixture = rng.dirichlet(np.ones(3)) * rng.lognormal(0, 0.10)
    rate = np.empty(n)
    for i in range(n):
        w = Weather(air_C=float(air[i]), water_C=float(water[i]), relative_humidity=float(humidity[i]),
                    wind_m_per_s=float(over_water[i]))  # fmt: skip
        rate[i] = mixture @ np.array([carrier(w), smith_lof_jones(w), shah(w, outdoor=True, wind_exponent=0.75)])
    # Hours that differ from their neighbours for hours: clouds on the water, wind direction, shade on the bucket.
    rate *= np.exp(slow_noise(rng, n, 0.20))
    bucket_rate = rate * rng.normal(1.0, 0.07) * np.exp(slow_noise(rng, n, 0.12))
    cover = bool(rng.random() < 0.1)
    if cover:
        saved = rng.uniform(0.04, 0.18)
        rate, bucket_rate = rate * saved, bucket_rate * saved * rng.uniform(0.7, 1.3)

    if leak_mm_per_day is None:
        leak_mm_per_day = 0.0 if rng.random() < 0.5 else float(np.exp(rng.normal(np.log(6.0), 0.8)))
    pump = np.zeros(n, dtype=bool)
    leak_on = leak_off = leak_mm_per_day
    two_states = bool(rng.random() < 0.4)
    if two_states:
        pump[n // 2 :] = True
        if leak_mm_per_day > 0 and rng.random() < 0.5:
            leak_on = leak_mm_per_day * rng.uniform(1.0, 3.0)
    leak = np.where(pump, leak_on, leak_off)

    rain = np.zeros(n)
    if rng.random() < 0.25:
        rain[rng.integers(1, n)] = rng.uniform(0.5, 10)
    splash, backwash = np.zeros(n), np.zeros(n)
    if rng.random() < 0.2:
        splash[rng.integers(1, n)] = rng.uniform(10, 80)
    if rng.random() < 0.15:
        backwash[rng.integers(1, n)] = rng.uniform(100, 400)
    step_mm = rng.normal(0, 2.0)

    def level(evaporation: np.ndarray, is_pool: bool) -> np.ndarray:
        fall = np.concatenate([[0], np.cumsum((evaporation + (leak if is_pool else 0.0))[:-1] / 24)])
        out = -fall + np.cumsum(rain) * (rng.uniform(1.0, 1.12) if is_pool else 1.0)
        if is_pool:
            out -= np.cumsum(splash + backwash) / area
            out += 2.9e-4 * depth * 1000 * (water - water[0]) * rng.uniform(0.8, 1.0)
            out += np.where(pump, step_mm, 0.0)
        else:
            out += 2.9e-4 * 300 * (water - water[0])
        return out

    pool_true, bucket_true = level(rate, True), level(bucket_rate, False)
    sigma = float(rng.choice([0.5, 1.0]))
    actual = sigma * rng.uniform(0.7, 1.2)
    graduation = sigma  # the ruler is read to its graduation on top of the error
    has_bucket = bool(rng.random() < 0.8)
    has_weather = bool(rng.random() < 0.75) or not has_bucket
    daily = bool(rng.random() < 0.4)
    read_at = {0, n - 1, n // 2} if two_states else {0, n - 1}
    read_at |= set(rng.integers(1, n - 1, int(rng.integers(0, 4))).tolist())

    def ruler(value: float) -> float:
        return round((value + rng.normal(0, actual)) / graduation) * graduation

    rain_said = rain * rng.normal(1, 0.07)
    splash_said = splash * np.clip(rng.normal(1, 0.35), 0.3, 2)
    backwash_said = backwash * rng.normal(1, 0.12)
    rows = []
    for i in range(n):
        reading = i in read_at
        weather_here = has_weather and (not daily or i % 24 == 0)
        block = slice(i, min(n, i + 24)) if daily else slice(i, i + 1)
        amounts = rain[i] + splash[i] + backwash[i] > 0
        if not (reading or weather_here or amounts or (two_states and i == n // 2)):
            continue
        rows.append(
            LogRow(
                t_s=3600.0 * i,
                pool_mm=ruler(float(pool_true[i])) if reading else None,
                bucket_mm=ruler(float(bucket_true[i])) if reading and has_bucket else None,
                pump_on=bool(pump[i]),
                cover_on=cover,
                rain_mm=float(rain_said[i]),
                splash_L=float(splash_said[i]),
                backwash_L=float(backwash_said[i]),
                water_C=float(np.mean(water[block]) + rng.normal(0, 0.2)) if weather_here else None,
                air_C=float(np.mean(air[block]) + rng.normal(0, 0.5)) if weather_here else None,
                relative_humidity=float(np.clip(np.mean(humidity[block]) + rng.normal(0, 0.03), 0.05, 1))
                if weather_here
                else None,
                wind_m_per_s=float(np.mean(station_wind[block]) * rng.normal(1, 0.1)) if weather_here else None,
            )
        )
    log = LossLog(rows=rows, area_m2=area, reading_sigma_mm=sigma, depth_m=depth)
    fraction_on = float(np.mean(pump[:-1]))
    average = fraction_on * leak_on + (1 - fraction_on) * leak_off
    return Case(log, average * area, leak_on * area, leak_off * area, has_bucket, has_weather)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    groups: dict[str, list[tuple[bool, bool, bool, float, float, str]]] = {}
    started = time.process_time()
    for _ in range(args.tests):
        case = simulate(rng)
        result = analyse(case.log)
        low, high = result.leak.interval_L_per_day
        holds = low <= case.leak_L_per_day <= high
        tight = case.leak_L_per_day == 0.0
        z = (result.leak.value_L_per_day - case.leak_L_per_day) / result.leak.sigma_L_per_day
        record = (holds, tight, result.verdict == "leak", z, result.leak.sigma_L_per_day / case.log.area_m2,
                  result.verdict)  # fmt: skip
        kind = ("bucket" if case.bucket else "no bucket") + (" + weather" if case.weather else ", no weather")
        groups.setdefault(kind, []).append(record)
        groups.setdefault("all", []).append(record)
    used = time.process_time() - started
    print(f"{args.tests} simulated tests, seed {args.seed}, {1000 * used / args.tests:.1f} ms CPU each")
    print(f"{'kind':24s} {'n':>4s} {'interval holds':>15s} {'tight: leak said':>17s} {'leaking: found':>15s} "
          f"{'rms z':>6s} {'sigma mm/d':>10s} {'cannot tell':>12s}")  # fmt: skip
    for kind, records in sorted(groups.items(), key=lambda item: item[0] != "all"):
        tight_ones = [r for r in records if r[1]]
        leaking = [r for r in records if not r[1]]
        print(
            f"{kind:24s} {len(records):4d} {100 * np.mean([r[0] for r in records]):14.1f}% "
            f"{100 * np.mean([r[2] for r in tight_ones]) if tight_ones else 0:16.1f}% "
            f"{100 * np.mean([r[2] for r in leaking]) if leaking else 0:14.1f}% "
            f"{np.sqrt(np.mean([r[3] ** 2 for r in records])):6.2f} {np.median([r[4] for r in records]):10.2f} "
            f"{100 * np.mean([r[5] == 'cannot tell' for r in records]):11.1f}%"
        )


if __name__ == "__main__":
    main()
