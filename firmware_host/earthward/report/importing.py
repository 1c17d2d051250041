"""Readings from a CSV file: the format that `earthward locate` reads and `earthward export --format csv` writes."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any, get_args

from earthward.errors import InputError
from earthward.record.reading import KeptReading, Purpose
from earthward.report.record import utc_seconds
from earthward.survey.store import SurveyStore

REQUIRED = (
    "front_x_m", "front_y_m", "front_z_m", "back_x_m", "back_y_m", "back_z_m", "value_V", "sigma_V",
)  # fmt: skip
_OPTIONAL_FLOATS = ("quadrature_V", "snr", "p_sign", "window_s", "lost_fraction", "injected_A")
_OPTIONAL_WHOLE = ("source_id", "channel", "finding", "settings_id")


def read_text(path: Path, what: str) -> str:
    """A text file, or one sentence."""
    if not path.is_file():
        raise InputError(f"{path} is not there: give the path of {what}")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path} is no text file: {what} was expected") from None
    if "\x00" in text:
        raise InputError(f"{path} is no text file: {what} was expected")
    return text


def parse_readings(text: str, where: str = "the readings file") -> list[KeptReading]:
    """Rows of a readings CSV. Columns that this version does not know are left out."""
    lines = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip() and line[0] != "#"]
    if not lines:
        raise InputError(f"{where} is empty: it needs a header line {','.join(REQUIRED)}")
    header = [c.strip() for c in next(csv.reader([lines[0][1]]))]
    missing = [c for c in REQUIRED if c not in header]
    if missing:
        raise InputError(f"{where}: column {missing[0]} is missing in the header")
    readings = []
    for number, line in lines[1:]:
        cells = next(csv.reader([line]))
        if len(cells) != len(header):
            raise InputError(f"{where}, line {number} has {len(cells)} cells for {len(header)} columns")
        readings.append(_reading(dict(zip(header, (c.strip() for c in cells), strict=True)), f"{where}, line {number}"))
    if not readings:
        raise InputError(f"{where} has a header but no readings")
    return readings


def _reading(row: dict[str, str], place: str) -> KeptReading:
    values = {c: _number(row[c], c, place) for c in REQUIRED}
    more: dict[str, Any] = {}
    for column in _OPTIONAL_FLOATS:
        if row.get(column):
            more[column] = _number(row[column], column, place)
    for column in _OPTIONAL_WHOLE:
        if row.get(column):
            value = _number(row[column], column, place)
            if value != int(value):
                raise InputError(f"{place}: {column} = {row[column]} is no whole number")
            more[column] = int(value)
    if not values["sigma_V"] > 0.0:
        raise InputError(f"{place}: sigma_V must be above zero")
    if row.get("purpose"):
        if row["purpose"] not in get_args(Purpose):
            raise InputError(f"{place}: purpose is one of {', '.join(get_args(Purpose))}, not {row['purpose']!r}")
        more["purpose"] = row["purpose"]
    if row.get("flags"):
        more["flags"] = tuple(row["flags"].split(";"))
    if row.get("time_utc"):
        try:
            more["time_s"] = utc_seconds(row["time_utc"])
        except ValueError:
            raise InputError(f"{place}: time_utc {row['time_utc']!r} is not like 2026-06-01T08:00:00Z") from None
    return KeptReading(
        front_m=(values["front_x_m"], values["front_y_m"], values["front_z_m"]),
        back_m=(values["back_x_m"], values["back_y_m"], values["back_z_m"]),
        value_V=values["value_V"],
        sigma_V=values["sigma_V"],
        station=row.get("station") or f"row {place.rsplit(' ', 1)[-1]}",
        note=row.get("note", ""),
        uid=row.get("uid", ""),
        **more,
    )


def import_readings(store: SurveyStore, readings: list[KeptReading]) -> int:
    """Keep them all; returns how many are new (a uid that is there already is not kept again)."""
    before = len(store.readings(withdrawn=True))
    for reading in readings:
        store.keep(reading)
    return len(store.readings(withdrawn=True)) - before


def _number(cell: str, column: str, place: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        raise InputError(f"{place}: {column} = {cell!r} is no number") from None
    if not math.isfinite(value):
        raise InputError(f"{place}: {column} = {cell!r} is no number")
    return value
