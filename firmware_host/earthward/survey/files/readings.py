"""The readings file: CSV that a person writes, `earthward export` writes, and locate and import read. docs/formats.md
is the text. Columns are those of a kept reading; the ones that a file leaves out have their defaults."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
from msgspec import structs

from earthward.errors import InputError
from earthward.record.reading import KeptReading
from earthward.survey.columns import Column, Shape
from earthward.survey.contents import utc_seconds
from earthward.survey.files.cells import file_name, plain

if TYPE_CHECKING:
    from earthward.survey.store import SurveyStore

#: What a search needs stands in front. A reading that was taken back is not in the file.
READING = Shape(
    KeptReading,
    first=("front_m", "back_m", "value_V", "sigma_V", "source_id", "station", "turn", "note"),
    skip=("withdrawn_s", "withdrawn_why"),
)
NEEDED = tuple(c.name for c in READING.columns if c.field in ("front_m", "back_m", "value_V", "sigma_V"))


def read_text(path: Path, what: str) -> str:
    """A text file, or one sentence."""
    try:
        if not path.is_file():
            raise InputError(f"{path} is not there: give the path of {what}")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path} is no text file: {what} was expected, in UTF-8") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{str(path)!r} cannot be read ({error}): give the path of {what}") from None
    if "\x00" in text:
        raise InputError(f"{path} is no text file: {what} was expected")
    return text


def parse_readings(text: str, where: str = "the readings file") -> list[KeptReading]:
    """All rows. InputError names the line and the column. Columns that this version does not know are left out; a
    file without `row` numbers its readings from 1."""
    rows = _rows(text, where)
    try:
        header = [c.strip() for c in next(rows)[1]]
    except StopIteration:
        raise InputError(f"{where} is empty: it needs a header line with the columns {','.join(NEEDED)}") from None
    known = {file_name(c): c for c in READING.columns}
    missing = [n for n in NEEDED if n not in header]
    if missing:
        raise InputError(f"{where}: column {missing[0]} is missing: the header must name {', '.join(NEEDED)}")
    twice = [n for n in header if n in known and header.count(n) > 1]
    if twice:
        raise InputError(f"{where}: column {twice[0]} is there twice: keep one of them")
    readings: list[KeptReading] = []
    for number, cells in rows:
        place = f"{where}, line {number}"
        if len(cells) != len(header):
            raise InputError(
                f"{place} has {len(cells)} cells for {len(header)} columns: write decimals with a point and put a text "
                "with a comma in quotes"
            )
        named = {known[n].name: _cell(known[n], c, place) for n, c in zip(header, cells, strict=True) if n in known}
        reading = _reading(named, place)
        readings.append(reading if reading.row else structs.replace(reading, row=len(readings) + 1))
    if not readings:
        raise InputError(f"{where}: there is no reading below the header: keep at least one reading")
    return readings


def import_readings(store: SurveyStore, readings: list[KeptReading]) -> int:
    """Keep them all; returns how many are new (a uid that is there already is not kept again)."""
    before = len(store.readings(withdrawn=True))
    for reading in readings:
        # Without a station each reading is a station of its own, and in a survey every station has a name.
        store.keep(reading if reading.station else structs.replace(reading, station=f"row {reading.row}"))
    return len(store.readings(withdrawn=True)) - before


def _rows(text: str, where: str) -> Iterator[tuple[int, list[str]]]:
    """(line, cells) of each row that says something; lines that start with # are remarks. A file with semicolons is one
    of a spreadsheet whose decimals are commas."""
    lines = list(io.StringIO(text.lstrip("\ufeff"), newline=""))
    first = next((line for line in lines if line.strip() and not line.lstrip().startswith("#")), "")
    delimiter = ";" if ";" in first and "," not in first else ","
    # Remarks become empty lines, so that the numbers of the others stay; inside quotes a line may begin with #.
    source = io.StringIO("".join(_without_remarks(lines)), newline="")
    reader = csv.reader(source, delimiter=delimiter, skipinitialspace=True, strict=True)
    start = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield start, [c.replace(",", ".") if delimiter == ";" and _decimal(c) else c for c in cells]
            start = reader.line_num + 1
    except csv.Error as error:
        raise InputError(f"{where}, line {start}: {error}: check the quotes from there on") from None


def _without_remarks(lines: list[str]) -> Iterator[str]:
    quoted = False
    for line in lines:
        if not quoted and line.lstrip().startswith("#"):
            yield "\n"
            continue
        quoted ^= line.count('"') % 2 == 1
        yield line


def _decimal(cell: str) -> bool:
    return re.fullmatch(r"\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*", cell) is not None


def _cell(column: Column, cell: str, place: str) -> Any:
    """What a cell says; None: nothing."""
    cell, name = cell.strip(), file_name(column)
    if cell == "":
        return None
    if name == "time_utc":
        try:
            return utc_seconds(cell)
        except (ValueError, OverflowError):
            raise InputError(f"{place}: time_utc {cell!r} is not like 2026-06-01T08:00:00Z") from None
    if column.choices and cell not in column.choices:
        raise InputError(f"{place}: {name} is one of {', '.join(column.choices)}, not {cell!r}")
    return _READ[column.kind](cell, name, place)


def _number(cell: str, name: str, place: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        raise InputError(f"{place}: {name} = {cell!r} is no number") from None
    if not math.isfinite(value):
        raise InputError(f"{place}: {name} = {cell!r} is no number")
    return value


def _whole(cell: str, name: str, place: str) -> int:
    value = _number(cell, name, place)
    if value != int(value) or abs(value) > 2**53:
        raise InputError(f"{place}: {name} = {cell!r} is no whole number")
    return int(value)


def _flag(cell: str, name: str, place: str) -> bool:
    if cell.lower() not in ("true", "false"):
        raise InputError(f"{place}: {name} is true or false, not {cell!r}")
    return cell.lower() == "true"


def _json(cell: str, name: str, place: str) -> Any:
    try:
        return msgspec.json.decode(cell)
    except (msgspec.MsgspecError, RecursionError):
        raise InputError(f"{place}: {name} is no JSON") from None


_READ: dict[str, Callable[[str, str, str], Any]] = {
    "number": _number, "integer": _whole, "boolean": _flag, "json": _json,
    "string": lambda cell, name, place: plain(cell),
    "words": lambda cell, name, place: [plain(w) for w in cell.split(";")],
}  # fmt: skip


def _reading(cells: dict[str, Any], place: str) -> KeptReading:
    for name in NEEDED:
        if cells.get(name) is None:
            raise InputError(f"{place}: {name} is empty")
    if not cells["sigma_V"] > 0.0:
        raise InputError(f"{place}: sigma_V must be above zero")
    try:
        return READING.build(cells)
    except msgspec.ValidationError as error:
        raise InputError(f"{place}: {error}") from None
