"""A logger's rows averaged before the analysis: the same answer from far fewer rows."""

from __future__ import annotations

import math
import random
import tracemalloc

import pytest

from earthward.water.condense import MOST_ROWS, WANTED_ROWS, condensed
from earthward.water.level_log import LogRow, LossLog
from earthward.water.loss import analyse

pytestmark = pytest.mark.long

AREA_M2, LEAK_L_PER_DAY = 32.0, 60.0


def log(step_min: int, days: float = 4.0, seed: int = 1) -> LossLog:
    """A pool that leaks, with its bucket: 5 mm/day of evaporation, some hours of rain, the pump on every other 12 h."""
    draw = random.Random(seed)
    rows, pool, bucket, minute = [], 0.0, 0.0, 0
    while minute <= days * 1440:
        step = step_min if minute else 0
        rain = 0.02 * step if 2000 < minute <= 2200 else 0.0
        pool += rain - (5.0 + LEAK_L_PER_DAY / AREA_M2) * step / 1440
        bucket += rain - 5.0 * step / 1440
        rows.append(
            LogRow(
                t_s=minute * 60.0, pool_mm=pool + draw.gauss(0, 0.5), bucket_mm=bucket + draw.gauss(0, 0.5),
                pump_on=(minute // 720) % 2 == 0, rain_mm=rain, air_C=22.0, relative_humidity=0.5, wind_m_per_s=1.5,
                water_C=26.0 + 0.5 * math.sin(2 * math.pi * minute / 1440),
            )
        )  # fmt: skip
        minute += step_min
    return LossLog(rows=rows, area_m2=AREA_M2, reading_sigma_mm=0.5)


def test_a_level_a_minute_says_what_a_level_every_twenty_minutes_says() -> None:
    often, seldom = analyse(log(1)), analyse(log(20))
    assert len(log(20).rows) <= MOST_ROWS
    assert often.leak.value_L_per_day == pytest.approx(LEAK_L_PER_DAY, abs=2 * often.leak.sigma_L_per_day)
    assert often.leak.sigma_L_per_day == pytest.approx(seldom.leak.sigma_L_per_day, rel=0.15)
    assert often.rain_mm == pytest.approx(seldom.rain_mm, abs=0.2)
    assert often.evaporation_mm == pytest.approx(seldom.evaporation_mm, rel=0.1)


def test_four_days_of_a_level_a_minute_stay_small() -> None:
    """Of the earlier code, which took every row as it was, 2,000 rows alone asked for 2.2 GB."""
    whole = log(1)
    tracemalloc.start()
    analyse(whole)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 50e6


def test_amounts_and_states_are_kept() -> None:
    whole = log(1)
    short = condensed(whole)
    assert len(short.rows) <= WANTED_ROWS + 2 * 8 + 2  # one more at every change of the pump
    assert sum(r.rain_mm or 0.0 for r in short.rows) == pytest.approx(sum(r.rain_mm or 0.0 for r in whole.rows))
    changes = [b.t_s for a, b in zip(whole.rows, whole.rows[1:], strict=False) if a.pump_on != b.pump_on]
    shown = [b.t_s for a, b in zip(short.rows, short.rows[1:], strict=False) if a.pump_on != b.pump_on]
    assert len(shown) == len(changes)
    assert all(0 <= s - c < 1800 for c, s in zip(changes, shown, strict=True))


def test_a_short_log_is_left_as_it_is() -> None:
    short = log(60)
    assert condensed(short) is short
