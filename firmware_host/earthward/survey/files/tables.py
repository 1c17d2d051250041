"""Export as CSV tables with a description of every column: a Data Package (Frictionless Data, Table Schema).

The folder holds `datapackage.json`, `readings.csv` (which `earthward locate` reads as it is, with `pool.toml`),
`other-readings.csv` (test leak and re-measurements), `fittings.csv`, `sources.csv`, `findings.csv`, `stages.csv`,
`safety-checks.csv`, `current-steps.csv`, `events.csv`. The columns are those of the record's Structs.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from earthward.errors import InputError
from earthward.pool.pool_file import format_pool
from earthward.record.event import Event
from earthward.record.finding import STAGES, Finding, FindingStage
from earthward.record.place import Fitting, Placement
from earthward.record.visit import CurrentStep, SafetyCheck
from earthward.survey.columns import Column, Shape
from earthward.survey.contents import Contents, utc_text
from earthward.survey.files.cells import cell, file_name
from earthward.survey.files.readings import READING
from earthward.survey.files.whole import make_folder, write_whole

FORMAT_VERSION = 2
_TYPES = {"words": "string", "json": "string"}

_FINDING = Shape(Finding, first=("number",), skip=("history", "region"))
_STAGE_OF = [
    Column("stage", "stage", "string", True, "where the finding stands", STAGES),
    Column("confirmed", "confirmed", "boolean", True, "the last dye test drew dye in"),
]
_OF_FINDING = [Column("finding", "finding", "integer", True, "number of the finding")]

#: title, columns, rows
TableText = tuple[str, list[Column], list[list[str]]]


def _table(
    title: str,
    shape: Shape[Any],
    items: Sequence[Any],
    more: Sequence[Column] = (),
    values: Sequence[Sequence[Any]] | None = None,
) -> TableText:
    """The Struct's columns; `more` columns with their `values` stand in front."""
    front = values if values is not None else [()] * len(items)
    columns = [*more, *shape.columns]
    rows = [
        [cell(c, v) for c, v in zip(columns, [*extra, *shape.cells(item)], strict=True)]
        for item, extra in zip(items, front, strict=True)
    ]
    return title, columns, rows


def tables_of(contents: Contents) -> dict[str, TableText]:
    """name -> title, columns and rows of every table."""
    found = contents.findings
    history = [(f.number, h) for f in found for h in f.history]
    survey = [r for r in contents.readings if r.purpose == "survey"]
    other = [r for r in contents.readings if r.purpose != "survey"]
    return {
        "readings": _table("Kept readings of the survey", READING, survey),
        "other-readings": _table("Readings at the test leak and after repairs", READING, other),
        "fittings": _table("Known fittings", Shape(Fitting, first=("name", "kind")), contents.fittings),
        "sources": _table("Placements of the injection electrode", Shape(Placement), contents.sources),
        "findings": _table("Findings", _FINDING, found, _STAGE_OF, [(f.stage, f.confirmed) for f in found]),
        "stages": _table(
            "History of the findings", Shape(FindingStage, first=("time_s",)), [h for _, h in history], _OF_FINDING,
            [(n,) for n, _ in history],
        ),
        "safety-checks": _table("Safety checks", Shape(SafetyCheck, first=("time_s",)), contents.safety_checks),
        "current-steps": _table(
            "Injected current before and after covering, plugging or patching",
            Shape(CurrentStep, first=("time_s",)), contents.current_steps,
        ),
        "events": _table("Events", Shape(Event, first=("number", "time_s"), skip=("t_s",)), contents.events),
    }  # fmt: skip


def csv_text(columns: list[Column], rows: list[list[str]]) -> str:
    """RFC 4180 with a header line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([file_name(c) for c in columns])
    writer.writerows(rows)
    return out.getvalue()


def _described(column: Column) -> dict[str, Any]:
    kind = "datetime" if column.name == "time_s" else _TYPES.get(column.kind, column.kind)
    field: dict[str, Any] = {"name": file_name(column), "type": kind, "description": column.description}
    if column.unit and column.name != "time_s":
        field["unit"] = column.unit
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    if column.choices:
        constraints["enum"] = list(column.choices)
    return {**field, "constraints": constraints} if constraints else field


def data_package(contents: Contents) -> dict[str, Any]:
    """The description of the tables (datapackage.json)."""
    meta = contents.meta
    return {
        "profile": "tabular-data-package",
        "name": "earthward-survey",
        "id": meta["id"],
        "title": contents.name,
        "created": utc_text(float(meta["created_s"])),
        "earthward": {
            "format_version": FORMAT_VERSION,
            "emulated": contents.emulated,
            "coordinates": "right-handed plan in metres from the origin mark; z is depth, positive down",
            "sign": "value_V = V_back - V_front at the injection electrode's positive phase",
        },
        "resources": [
            {
                "name": name,
                "path": f"{name}.csv",
                "profile": "tabular-data-resource",
                "title": title,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": {"fields": [_described(c) for c in columns], "missingValues": [""]},
            }
            for name, (title, columns, _) in tables_of(contents).items()
        ],
    }


def write_tables(contents: Contents, folder: Path) -> list[Path]:
    """Write the whole folder; returns the paths. A folder that holds other things is not written into: its own
    `pool.toml` and `readings.csv` would be lost."""
    make_folder(folder)
    _check_free(folder)
    written = []
    for name, (_, columns, rows) in tables_of(contents).items():
        path = folder / f"{name}.csv"
        write_whole(path, csv_text(columns, rows))
        written.append(path)
    if contents.pool is not None:
        write_whole(folder / "pool.toml", format_pool(contents.pool))
        written.append(folder / "pool.toml")
    # The description last: a folder with one is complete.
    write_whole(folder / "datapackage.json", json.dumps(data_package(contents), indent=2, ensure_ascii=False) + "\n")
    written.append(folder / "datapackage.json")
    return written


def _check_free(folder: Path) -> None:
    """An earlier export may be replaced (it has its description), somebody's own files may not."""
    if (folder / "datapackage.json").is_file():
        return
    for path in (folder / "pool.toml", *folder.glob("*.csv")):
        if path.exists():
            raise InputError(f"{path} is there already and is no earlier export: choose an empty folder with --out")
