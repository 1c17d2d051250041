"""Level log and bucket test: the arithmetic, the words, the calibration, and what bad logs are told."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from earthward.cli import main
from earthward.errors import InputError
from earthward.survey.levels import parse_level_log, read_level_log
from earthward.survey.store import SurveyStore
from earthward.water.level_log import LogRow, LossLog
from earthward.water.loss import analyse

ROOT = Path(__file__).parents[2]
HOUR = 3600.0


def bucket_log(
    pool_drop: float, bucket_drop: float, hours: float = 24.0, sigma: float = 0.5, **more: object
) -> LossLog:
    rows = [
        LogRow(t_s=0.0, pool_mm=0.0, bucket_mm=0.0),
        LogRow(t_s=hours * HOUR, pool_mm=-pool_drop, bucket_mm=-bucket_drop),
    ]
    return LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=sigma, depth_m=1.5, **more)  # type: ignore[arg-type]


def test_plain_bucket_test_is_the_difference_times_the_area() -> None:
    result = analyse(bucket_log(12.35, 6.0))
    # 6.35 mm/day on 32 m2 is 203.2 L/day (the quarter-inch rule). The evaporation prior pulls by a few per cent.
    assert result.leak.value_L_per_day == pytest.approx(203.2, rel=0.05)
    assert result.verdict == "leak" and "L/day" in result.text
    assert result.bucket_drop_mm == 6.0 and result.pool_drop_mm == 12.35


@pytest.mark.parametrize(("hours", "expected_mm"), [(24, 1.0), (48, 0.5), (72, 1.0 / 3.0)])
def test_reading_error_is_that_of_four_readings(hours: float, expected_mm: float) -> None:
    # Four readings of 0.5 mm each: 1.0 mm on the difference, so 1.0, 0.5, 0.33 mm/day over 24, 48, 72 h.
    result = analyse(bucket_log(0.0, 0.0, hours))
    reading = result.error_shares["ruler readings"] ** 0.5 * result.leak.sigma_L_per_day / 32.0
    assert reading == pytest.approx(expected_mm, rel=0.12)


def test_doubled_reading_error_doubles_its_part() -> None:
    parts = [
        (r.error_shares["ruler readings"] ** 0.5) * r.leak.sigma_L_per_day
        for r in (analyse(bucket_log(5.0, 5.0, sigma=s)) for s in (0.5, 1.0))
    ]
    assert parts[1] / parts[0] == pytest.approx(2.0, rel=0.15)


def test_three_verdicts() -> None:
    assert analyse(bucket_log(20.0, 5.0)).verdict == "leak"
    tight = analyse(bucket_log(15.0, 15.0, hours=72, worth_L_per_day=120.0))
    assert tight.verdict == "no evidence" and "No evidence of a leak" in tight.text and "below the 120" in tight.text
    short = analyse(bucket_log(3.0, 1.5, hours=12, sigma=1.0))
    assert short.verdict == "cannot tell"
    assert short.more_hours is not None and short.more_hours > 0
    assert f"{short.more_hours:.0f} more hours" in short.text


def test_the_hours_asked_for_are_enough() -> None:
    short = analyse(bucket_log(3.0, 1.5, hours=12, sigma=1.0, worth_L_per_day=150.0))
    assert short.more_hours is not None
    total = 12 + short.more_hours
    long = analyse(bucket_log(3.0 * total / 12, 3.0 * total / 12, hours=total, sigma=1.0, worth_L_per_day=150.0))
    assert long.verdict == "no evidence"
    # with a leak of just over that size it would have been called
    leaking = analyse(
        bucket_log((3.0 / 12 + 1.35 * 150 / 32 / 24) * total, 3.0 * total / 12, hours=total, sigma=1.0,
                   worth_L_per_day=150.0)
    )  # fmt: skip
    assert leaking.verdict == "leak"


def test_blind_log_cannot_tell_and_says_why() -> None:
    rows = [LogRow(t_s=0.0, pool_mm=0.0), LogRow(t_s=24 * HOUR, pool_mm=-6.0)]
    result = analyse(LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5))
    assert result.verdict == "cannot tell" and result.more_hours is None
    assert any("neither bucket nor weather" in c for c in result.cautions)
    assert "bucket" in result.text
    # but 60 mm a day is no evaporation
    rows[1] = LogRow(t_s=24 * HOUR, pool_mm=-60.0)
    assert analyse(LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5)).verdict == "leak"


def test_weather_alone_uses_the_methods_and_their_spread() -> None:
    def log(drop: float) -> LossLog:
        rows = [
            LogRow(t_s=0.0, pool_mm=0.0, air_C=25.0, relative_humidity=0.5, wind_m_per_s=1.0, water_C=28.0),
            LogRow(t_s=48 * HOUR, pool_mm=-drop),
        ]
        return LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5)

    result = analyse(log(14.0))
    assert set(result.evaporation_by_method_mm) == {"carrier", "smith-lof-jones", "shah"}
    assert result.error_shares["evaporation methods and exposure"] > 0.8
    assert result.verdict == "cannot tell"
    assert analyse(log(50.0)).verdict == "leak"


def test_rain_backwash_splash_and_filling_are_taken_out() -> None:
    rows = [
        LogRow(t_s=0.0, pool_mm=0.0, bucket_mm=0.0),
        LogRow(t_s=12 * HOUR, rain_mm=5.0, backwash_L=320.0, splash_L=32.0, added_L=160.0),
        LogRow(t_s=24 * HOUR, pool_mm=-4.0 + 5.0 - 10.0 - 1.0 + 5.0, bucket_mm=-4.0 + 5.0),
    ]
    result = analyse(LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5))
    assert result.leak.value_L_per_day == pytest.approx(0.0, abs=8.0)
    assert result.handled_L == pytest.approx(-192.0)
    assert result.rain_mm == 5.0
    assert result.error_shares["backwash, splash, filling"] > 0.2


def test_cover_holds_evaporation_back() -> None:
    def log(cover: bool) -> LossLog:
        weather = {"air_C": 25.0, "relative_humidity": 0.5, "wind_m_per_s": 1.0, "water_C": 28.0}
        rows = [
            LogRow(t_s=0.0, pool_mm=0.0, cover_on=cover, **weather),  # type: ignore[arg-type]
            LogRow(t_s=24 * HOUR, pool_mm=-8.0),
        ]
        return LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5)

    assert analyse(log(True)).leak.value_L_per_day > analyse(log(False)).leak.value_L_per_day + 100
    assert analyse(log(True)).verdict == "leak"


def pump_log(on_mm: float, off_mm: float) -> LossLog:
    rows = []
    level = bucket = 0.0
    for i in range(9):
        on = i >= 4
        rows.append(LogRow(t_s=i * 12 * HOUR, pool_mm=level, bucket_mm=bucket, pump_on=on))
        level -= (4.0 + (on_mm if on else off_mm)) / 2
        bucket -= 2.0
    return LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5, depth_m=1.5)


def test_pump_on_against_off() -> None:
    pressure = analyse(pump_log(14.0, 0.0))
    assert "pressure side" in pressure.points_at
    suction = analyse(pump_log(0.0, 14.0))
    assert "suction side" in suction.points_at
    shell = analyse(pump_log(10.0, 10.0))
    assert "shell" in shell.points_at
    tight = analyse(pump_log(0.0, 0.0))
    assert "no difference" in tight.points_at
    assert shell.pump_on is not None and shell.pump_off is not None
    assert shell.pump_on.value_L_per_day == pytest.approx(320, rel=0.1)
    assert shell.pump_off.value_L_per_day == pytest.approx(320, rel=0.1)
    assert pressure.leak.value_L_per_day == pytest.approx(0.5 * 14 * 32, rel=0.12)


def test_pump_unknown_is_said() -> None:
    assert "not tested" in analyse(bucket_log(9.0, 5.0)).points_at


def test_a_misread_level_is_named_and_widens_the_interval() -> None:
    rows = [LogRow(t_s=i * 12 * HOUR, pool_mm=-3.0 * i, bucket_mm=-2.0 * i) for i in range(7)]
    good = analyse(LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5))
    rows[3] = LogRow(t_s=36 * HOUR, pool_mm=-9.0 - 20.0, bucket_mm=-6.0)
    bad = analyse(LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.5))
    assert any("row 4 (pool)" in c for c in bad.cautions)
    assert bad.leak.sigma_L_per_day > 2 * good.leak.sigma_L_per_day


def test_warming_water_is_not_a_leak() -> None:
    # 1.5 m deep and 1 K near 28 C is 0.435 mm.
    def log(last_C: float) -> LossLog:
        rows = [
            LogRow(t_s=0.0, pool_mm=0.0, bucket_mm=0.0, water_C=28.0),
            LogRow(t_s=24 * HOUR, pool_mm=-5.0, bucket_mm=-5.0, water_C=last_C),
        ]
        return LossLog(rows=rows, area_m2=32.0, reading_sigma_mm=0.1, depth_m=1.5)

    change = analyse(log(29.0)).leak.value_L_per_day - analyse(log(28.0)).leak.value_L_per_day
    assert change / 32.0 == pytest.approx(0.435 - 0.087, rel=0.1)  # the bucket's 0.3 m follows


def bench() -> object:
    path = ROOT / "tests" / "benchmarks" / "bench_loss.py"
    spec = importlib.util.spec_from_file_location("bench_loss", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_loss"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.long
def test_three_hundred_simulated_tests_hold_the_truth() -> None:
    simulate = bench().simulate  # type: ignore[attr-defined]
    rng = np.random.default_rng(1)
    holds, tight, false = 0, 0, 0
    for _ in range(300):
        case = simulate(rng)
        result = analyse(case.log)
        low, high = result.leak.interval_L_per_day
        holds += low <= case.leak_L_per_day <= high
        if case.leak_L_per_day == 0.0:
            tight += 1
            false += result.verdict == "leak"
    assert 0.90 <= holds / 300 <= 0.98
    assert false / tight <= 0.03


# ---- the file -----------------------------------------------------------------------------------------------

GOOD = "# area_m2: 32\ntime,pool_below_mm,bucket_below_mm\n2026-06-01 08:00,100,40\n2026-06-02 08:00,112,45\n"


def test_file_in_si_and_us_says_the_same() -> None:
    si = parse_level_log(
        "# area_m2: 32\n# depth_m: 1.524\n# reading_sigma_mm: 0.5\ntime,pool_below_mm,bucket_level_mm,air_C,water_C,"
        "rh_percent,wind_m_per_s,added_L\n2026-06-01 08:00,101.6,50.8,20,25,50,2.2352,\n"
        "2026-06-02 08:00,127.0,44.45,,,,,37.85411784\n"
    )
    us = parse_level_log(
        "# area_ft2: 344.445\n# depth_ft: 5\n# reading_sigma_in: 0.019685\ntime_h,pool_below_in,bucket_level_in,air_F,"
        "water_F,rh_percent,wind_mph,added_gal\n0,4,2,68,77,50,5,\n24,5,1.75,,,,,10\n"
    )
    a, b = analyse(si), analyse(us)
    assert a.leak.value_L_per_day == pytest.approx(b.leak.value_L_per_day, rel=1e-4)
    assert a.leak.sigma_L_per_day == pytest.approx(b.leak.sigma_L_per_day, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("# area_m2: 32\n", "is empty"),
        (GOOD.replace("# area_m2: 32\n", ""), "water surface"),
        (GOOD.replace("32", "0"), "above zero"),
        (GOOD.replace("32", "thirty"), "no number"),
        (GOOD.replace("time,", "moment,"), "not known"),
        (GOOD.replace("pool_below_mm", "pool_below_MM"), "write pool_below_mm"),
        (GOOD.replace("pool_below_mm,bucket_below_mm", "pool_below_mm,pool_level_mm"), "same thing"),
        (GOOD.replace(",bucket_below_mm", ""), "line 3 has 3 cells"),
        (GOOD.replace("time,pool_below_mm", "time,rain_mm"), "no pool level"),
        (GOOD.replace(",112", ",NaN"), "line 4.*no number"),
        (GOOD.replace(",112", ",1o2"), "no number"),
        (GOOD.replace(",112", ",11200"), "not plausible"),
        (GOOD.replace("2026-06-02", "2026-05-31"), "sort the rows"),
        (GOOD.replace("2026-06-02 08:00", "tomorrow"), "not readable"),
        (GOOD.replace("2026-06-02 08:00", "2026-06-01 08:30"), "less than an hour"),
        (GOOD.replace(",112", ","), "fewer than two"),
        ("# area_m2: 32\n# exposure: windy\n", "exposure is one of"),
        (GOOD.replace("bucket_below_mm", "pump").replace(",40", ",maybe"), "'on' or 'off'"),
    ],
)
def test_bad_logs_get_one_sentence(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        analyse(parse_level_log(text, "LOG.csv"))
    assert "\n" not in str(caught.value)


def test_binary_and_missing_files(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(bytes(range(256)))
    with pytest.raises(InputError, match="no text file"):
        read_level_log(tmp_path / "a")
    with pytest.raises(InputError, match="not there"):
        read_level_log(tmp_path / "b")


def test_command_prints_text_and_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    example = str(ROOT / "docs" / "examples" / "level-log.csv")
    assert main(["loss", example]) == 0
    text = capsys.readouterr().out
    assert text.startswith("LEAK: The pool loses") and "what makes it uncertain" in text
    assert main(["loss", example, "--units", "us"]) == 0
    assert "gal/day" in capsys.readouterr().out
    assert main(["loss", example, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["verdict"] == "leak" and data["interval_L_per_day"][0] < data["leak_L_per_day"]
    assert sum(data["error_shares"].values()) == pytest.approx(1.0, abs=0.01)
    bad = tmp_path / "bad.csv"
    bad.write_text("hello\n")
    assert main(["loss", str(bad)]) == 2
    captured = capsys.readouterr()
    assert captured.out == "" and captured.err.count("\n") == 1


def test_command_keeps_log_and_result_in_a_survey(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also while another program has the survey open, as the daemon has."""
    pool = '[pool]\nshape = "rectangle"\nlength_m = 8\nwidth_m = 4\n[floor]\nkind = "flat"\ndepth_m = 1.4\n'
    example = ROOT / "docs" / "examples" / "level-log.csv"
    path = tmp_path / "s.survey"
    with SurveyStore.create(path, name="s", pool_toml=pool, emulated=True) as held:
        assert main(["loss", str(example), "--survey", str(path), "--json"]) == 0
        printed = json.loads(capsys.readouterr().out)
        assert main(["loss", str(example), "--survey", str(path), "--moment", "after"]) == 0
        tests = held.loss_tests()
        held.add_note("still writable")
    assert [t.moment for t in tests] == ["before", "after"]
    assert tests[0].result == printed and tests[0].log_csv == example.read_text(encoding="utf-8-sig")
    assert main(["loss", str(example), "--survey", str(tmp_path / "none")]) == 2
