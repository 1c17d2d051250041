"""Reading LOG.csv: the level log or bucket test as a person writes it in a spreadsheet. docs/formats.md is the text."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from earthward.errors import InputError
from earthward.record.finding import Finding, WaterBudget
from earthward.record.visit import LossTest
from earthward.survey.store import SurveyStore
from earthward.water.budget import of_visit
from earthward.water.level_log import EXPOSURE, LogRow, LossLog
from earthward.water.loss import analyse
from earthward.water.loss_result import LossResult, Rate

MM_PER_INCH = 25.4
LITRES_PER_GALLON = 3.785411784
M2_PER_FT2 = 0.09290304
M_PER_S_PER_MPH = 0.44704

_TIME_FORMATS = ("%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S")

# column -> (field of LogRow, factor, offset): value in SI = factor * number + offset
_COLUMNS: dict[str, tuple[str, float, float]] = {
    "pool_level_mm": ("pool_mm", 1.0, 0.0),
    "pool_below_mm": ("pool_mm", -1.0, 0.0),
    "pool_level_in": ("pool_mm", MM_PER_INCH, 0.0),
    "pool_below_in": ("pool_mm", -MM_PER_INCH, 0.0),
    "bucket_level_mm": ("bucket_mm", 1.0, 0.0),
    "bucket_below_mm": ("bucket_mm", -1.0, 0.0),
    "bucket_level_in": ("bucket_mm", MM_PER_INCH, 0.0),
    "bucket_below_in": ("bucket_mm", -MM_PER_INCH, 0.0),
    "rain_mm": ("rain_mm", 1.0, 0.0),
    "rain_in": ("rain_mm", MM_PER_INCH, 0.0),
    "backwash_L": ("backwash_L", 1.0, 0.0),
    "backwash_gal": ("backwash_L", LITRES_PER_GALLON, 0.0),
    "splash_L": ("splash_L", 1.0, 0.0),
    "splash_gal": ("splash_L", LITRES_PER_GALLON, 0.0),
    "added_L": ("added_L", 1.0, 0.0),
    "added_gal": ("added_L", LITRES_PER_GALLON, 0.0),
    "water_C": ("water_C", 1.0, 0.0),
    "water_F": ("water_C", 5.0 / 9.0, -160.0 / 9.0),
    "air_C": ("air_C", 1.0, 0.0),
    "air_F": ("air_C", 5.0 / 9.0, -160.0 / 9.0),
    "rh_percent": ("relative_humidity", 0.01, 0.0),
    "wind_m_per_s": ("wind_m_per_s", 1.0, 0.0),
    "wind_km_per_h": ("wind_m_per_s", 1.0 / 3.6, 0.0),
    "wind_mph": ("wind_m_per_s", M_PER_S_PER_MPH, 0.0),
    "net_radiation_W_per_m2": ("net_radiation_W_per_m2", 1.0, 0.0),
}
_STATES = {"pump": "pump_on", "cover": "cover_on"}
_OTHER = {"time", "time_h", "note"}
# header key -> (argument of LossLog, factor)
_NUMBERS: dict[str, tuple[str, float]] = {
    "area_m2": ("area_m2", 1.0),
    "area_ft2": ("area_m2", M2_PER_FT2),
    "depth_m": ("depth_m", 1.0),
    "depth_ft": ("depth_m", 0.3048),
    "reading_sigma_mm": ("reading_sigma_mm", 1.0),
    "reading_sigma_in": ("reading_sigma_mm", MM_PER_INCH),
    "bucket_sigma_mm": ("bucket_sigma_mm", 1.0),
    "bucket_sigma_in": ("bucket_sigma_mm", MM_PER_INCH),
    "wind_height_m": ("wind_height_m", 1.0),
    "wind_height_ft": ("wind_height_m", 0.3048),
    "activity_factor": ("activity_factor", 1.0),
    "worth_L_per_day": ("worth_L_per_day", 1.0),
    "worth_gal_per_day": ("worth_L_per_day", LITRES_PER_GALLON),
}
# Plausible bounds in SI: outside of them somebody typed the wrong unit or slipped a digit.
_BOUNDS: dict[str, tuple[float, float]] = {
    "pool_mm": (-3000.0, 3000.0),
    "bucket_mm": (-3000.0, 3000.0),
    "rain_mm": (0.0, 500.0),
    "backwash_L": (0.0, 50_000.0),
    "splash_L": (0.0, 50_000.0),
    "added_L": (0.0, 200_000.0),
    "water_C": (0.0, 45.0),
    "air_C": (-30.0, 55.0),
    "relative_humidity": (0.0, 1.0),
    "wind_m_per_s": (0.0, 60.0),
    "net_radiation_W_per_m2": (-300.0, 1200.0),
}


def read_level_log(path: str | os.PathLike[str]) -> LossLog:
    """Read a log file. InputError with one sentence names the line and what to do."""
    file = Path(path)
    if not file.is_file():
        raise InputError(f"{file} is not there: give the path of a level log")
    data = file.read_bytes()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{file} is no text file: save the log as CSV (UTF-8)") from None
    if "\x00" in text:
        raise InputError(f"{file} is no text file: save the log as CSV (UTF-8)")
    return parse_level_log(text, str(file))


def parse_level_log(text: str, where: str = "the log") -> LossLog:
    """Parse the text of a level log."""
    settings: dict[str, Any] = {}
    header: list[str] | None = None
    rows: list[LogRow] = []
    start: datetime | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        place = f"{where}, line {number}"
        stripped = line.strip()
        if not stripped or not stripped.strip(",; "):
            continue
        if stripped.startswith("#"):
            _setting(stripped.lstrip("# ").rstrip(",; "), settings, place)
            continue
        cells = [c.strip() for c in next(csv.reader([line]))]
        if header is None:
            header = _header(cells, place)
            continue
        if len(cells) > len(header) and any(cells[len(header) :]):
            raise InputError(f"{place} has {len(cells)} cells for {len(header)} columns: check the commas")
        record = dict(zip(header, cells, strict=False))
        values: dict[str, Any] = {}
        for column, cell in record.items():
            if cell == "" or column in _OTHER:
                continue
            if column == "":
                raise InputError(f"{place}: {cell!r} stands in a column without a name: name it or empty it")
            if column in _STATES:
                values[_STATES[column]] = _state(cell, column, place)
                continue
            field, factor, offset = _COLUMNS[column]
            value = factor * _number(cell, column, place) + offset
            low, high = _BOUNDS[field]
            if not low - 1e-9 <= value <= high + 1e-9:
                raise InputError(f"{place}: {column} = {cell} is not plausible: check the unit and the digits")
            values[field] = value
        seconds, start = _time(record, start, place)
        if rows and not seconds > rows[-1].t_s:
            raise InputError(f"{place} is not later than the row before it: sort the rows by time")
        rows.append(LogRow(t_s=seconds, **values))
    if header is None:
        raise InputError(f"{where} is empty: it needs a header line with columns such as time and pool_below_mm")
    if "area_m2" not in settings:
        raise InputError(
            f"{where} does not give the water surface: add a line '# area_m2: 32' (or area_ft2) at the top"
        )
    return LossLog(rows=rows, **settings)


def _setting(text: str, settings: dict[str, Any], place: str) -> None:
    key, colon, value = text.partition(":")
    key, value = key.strip(), value.strip()
    if not colon:
        return  # a remark
    if key in _NUMBERS:
        argument, factor = _NUMBERS[key]
        number = _number(value, key, place) * factor
        if not number > 0.0:
            raise InputError(f"{place}: {key} must be above zero, not {value}")
        settings[argument] = number
    elif key == "site":
        if value not in ("outdoor", "indoor"):
            raise InputError(f"{place}: site is 'outdoor' or 'indoor', not {value!r}")
        settings["outdoor"] = value == "outdoor"
    elif key == "exposure":
        if value not in EXPOSURE:
            raise InputError(f"{place}: exposure is one of {', '.join(EXPOSURE)}, not {value!r}")
        settings["exposure"] = value


def _header(cells: list[str], place: str) -> list[str]:
    known = set(_COLUMNS) | set(_STATES) | _OTHER
    for cell in cells:
        if cell and cell not in known:
            close = next((k for k in known if k.lower() == cell.lower()), None)
            hint = f"write {close}" if close else f"known ones are {', '.join(sorted(known))}"
            raise InputError(f"{place}: column {cell!r} is not known; {hint}")
    if "time" not in cells and "time_h" not in cells:
        raise InputError(f"{place}: there is no column 'time' (2026-06-01 08:00) or 'time_h' (hours from the start)")
    fields = [_COLUMNS[c][0] for c in cells if c in _COLUMNS]
    for field in fields:
        if fields.count(field) > 1:
            names = [c for c in cells if c in _COLUMNS and _COLUMNS[c][0] == field]
            raise InputError(f"{place}: {' and '.join(names)} say the same thing: keep one of them")
    if "pool_mm" not in fields:
        raise InputError(f"{place}: there is no pool level: add pool_below_mm (ruler from a mark down to the water)")
    return cells


def _number(cell: str, column: str, place: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        raise InputError(f"{place}: {column} = {cell!r} is no number (decimals with a point)") from None
    if not math.isfinite(value):
        raise InputError(f"{place}: {column} = {cell!r} is no number: leave the cell empty if it was not read")
    return value


def _state(cell: str, column: str, place: str) -> bool:
    word = cell.lower()
    if word in ("on", "yes", "1"):
        return True
    if word in ("off", "no", "0"):
        return False
    raise InputError(f"{place}: {column} is 'on' or 'off', not {cell!r}")


def _time(record: dict[str, str], start: datetime | None, place: str) -> tuple[float, datetime | None]:
    hours = record.get("time_h", "")
    if hours:
        return _number(hours, "time_h", place) * 3600.0, start
    cell = record.get("time", "")
    for pattern in _TIME_FORMATS:
        try:
            moment = datetime.strptime(cell, pattern)
        except ValueError:
            continue
        start = start or moment
        return (moment - start).total_seconds(), start
    raise InputError(f"{place}: time {cell!r} is not readable: write it as 2026-06-01 08:00")


def record_loss_test(
    store: SurveyStore, moment: Literal["before", "after"], text: str, where: str = "the log", time_s: float = math.nan
) -> LossResult:
    """Work a level log out and keep it in a survey, as it was written and with what came of it. InputError as above."""
    log = parse_level_log(text, where)
    result = analyse(log)
    store.add_loss_test(LossTest(moment=moment, log_csv=text, result=loss_result(log, result), time_s=time_s))
    return result


def visit_water_budget(tests: Sequence[LossTest], findings: Sequence[Finding]) -> WaterBudget | None:
    """Do the confirmed holes account for the measured loss? None if the loss was not measured before the work."""
    latest = {test.moment: test.result for test in tests}
    if "before" not in latest:
        return None
    before, after = latest["before"], latest.get("after")
    holes = [
        ((f.hole_diameter_mm[0] / 1000, f.hole_diameter_mm[1] / 1000), f.position_m[2])
        for f in findings
        if f.confirmed and f.hole_diameter_mm is not None
    ]
    return of_visit(
        tuple(map(float, before["interval_L_per_day"])),  # type: ignore[arg-type]
        None if after is None else tuple(map(float, after["interval_L_per_day"])),  # type: ignore[arg-type]
        holes,
        repaired=any(f.stage in ("repaired", "re-measured") for f in findings),
        allowance_L_per_day=float((after or before)["worth_L_per_day"]),
    )


def loss_result(log: LossLog, result: LossResult) -> dict[str, Any]:
    """The result as plain data, SI, as `earthward loss --json` prints it and the survey keeps it.

    `interval_L_per_day` is 95 % and not cut at zero; `levels` are the readings, for whoever draws them.
    """
    return {
        "verdict": result.verdict,
        "text": result.text,
        "leak_L_per_day": max(0.0, result.leak.value_L_per_day),
        "unclipped_L_per_day": result.leak.value_L_per_day,
        "sigma_L_per_day": result.leak.sigma_L_per_day,
        "interval_L_per_day": list(result.leak.interval_L_per_day),
        "leak_mm_per_day": max(0.0, result.leak.value_L_per_day) / log.area_m2,
        "hours": result.hours,
        "more_hours": result.more_hours,
        "worth_L_per_day": result.worth_L_per_day,
        "pump": {
            "on": _rate(result.pump_on),
            "off": _rate(result.pump_off),
            "difference": _rate(result.pump_difference),
            "points_at": result.points_at,
        },
        "pool_drop_mm": result.pool_drop_mm,
        "bucket_drop_mm": result.bucket_drop_mm,
        "rain_mm": result.rain_mm,
        "handled_L": result.handled_L,
        "evaporation_mm": result.evaporation_mm,
        "evaporation_by_method_mm": result.evaporation_by_method_mm,
        "evaporation_factor": None if math.isnan(result.evaporation_factor) else result.evaporation_factor,
        "error_shares": result.error_shares,
        "chi_square_per_dof": result.chi_square_per_dof,
        "area_m2": log.area_m2,
        "levels": [
            {"t_h": r.t_s / 3600.0, "pool_mm": r.pool_mm, "bucket_mm": r.bucket_mm}
            for r in log.rows
            if r.pool_mm is not None or r.bucket_mm is not None
        ],
        "pump_on_h": _pump_stretches(log),
        "cautions": list(result.cautions),
    }


def _rate(rate: Rate | None) -> dict[str, Any] | None:
    if rate is None:
        return None
    return {
        "L_per_day": rate.value_L_per_day,
        "sigma_L_per_day": rate.sigma_L_per_day,
        "interval_L_per_day": list(rate.interval_L_per_day),
    }


def _pump_stretches(log: LossLog) -> list[list[float]]:
    """Stretches with the pump on, hours from the first row."""
    out: list[list[float]] = []
    start: float | None = None
    for row in log.rows:
        if row.pump_on and start is None:
            start = row.t_s / 3600.0
        elif row.pump_on is False and start is not None:
            out.append([start, row.t_s / 3600.0])
            start = None
    if start is not None:
        out.append([start, log.rows[-1].t_s / 3600.0])
    return out
