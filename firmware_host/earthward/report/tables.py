"""Export as CSV tables with a description of every column: a Data Package (Frictionless Data, Table Schema).

The folder holds `datapackage.json`, `readings.csv` (which `earthward locate` reads as it is, with `pool.toml`),
`other-readings.csv` (test leak and re-measurements), `fittings.csv`, `sources.csv`, `findings.csv`, `stages.csv`,
`safety-checks.csv`, `current-steps.csv`, `events.csv`.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from earthward.pool.pool_file import format_pool
from earthward.record.reading import KeptReading
from earthward.report.files import make_folder, write_whole
from earthward.report.record import Record, utc_text

FORMAT_VERSION = 1


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, Table Schema type, unit ("" = none), what it says, must it be filled."""

    name: str
    type: str
    unit: str
    description: str
    required: bool = False

    def described(self) -> dict[str, Any]:
        field: dict[str, Any] = {"name": self.name, "type": self.type, "description": self.description}
        if self.unit:
            field["unit"] = self.unit
        if self.required:
            field["constraints"] = {"required": True}
        return field


def _xyz(prefix: str, what: str) -> list[Column]:
    return [
        Column(f"{prefix}x_m", "number", "m", f"{what}: along the pool's length from the origin mark", True),
        Column(f"{prefix}y_m", "number", "m", f"{what}: across the pool", True),
        Column(f"{prefix}z_m", "number", "m", f"{what}: depth below the water surface, positive down", True),
    ]


READINGS: list[Column] = [
    *_xyz("front_", "front electrode"),
    *_xyz("back_", "back electrode"),
    Column(
        "value_V", "number", "V",
        "signed peak amplitude of the waveform, V_back - V_front at the injection electrode's positive phase; above "
        "zero: current flows in the water from back towards front", True,
    ),
    Column("sigma_V", "number", "V", "standard error of value_V from the detector (without pose errors)", True),
    Column("source_id", "integer", "", "which placement of the injection electrode", True),
    Column("station", "string", "", "readings with the same station were taken with one pose of the pole head", True),
    Column("note", "string", "", "remark"),
    Column("row", "integer", "", "number of the reading in the survey", True),
    Column("uid", "string", "", "identity of the reading, unique for ever", True),
    Column("time_utc", "datetime", "", "when it was kept", True),
    Column("purpose", "string", "", "survey, test leak or re-measure", True),
    Column("finding", "integer", "", "number of the finding that a re-measurement belongs to"),
    Column("channel", "integer", "", "input pair", True),
    Column("quadrature_V", "number", "V", "quadrature amplitude"),
    Column("snr", "number", "", "|value| over sigma as the detector gave it"),
    Column("p_sign", "number", "", "probability that the sign is right"),
    Column("window_s", "number", "s", "length of the detector's window"),
    Column("lost_fraction", "number", "", "share of the window's samples that were lost"),
    Column("flags", "string", "", "the detector's words about this reading, separated by semicolons"),
    Column("injected_A", "number", "A", "injected current, positive-phase peak, at that moment"),
    Column("settings_id", "integer", "", "number of the measuring settings in use"),
]  # fmt: skip

FITTINGS = [
    Column("name", "string", "", "name of the fitting", True),
    Column("kind", "string", "", "light, ladder, skimmer, return, drain, line, bonded electrode, step, other", True),
    *_xyz("", "position"),
    Column("covered", "boolean", "", "insulated or plugged at the end of the visit", True),
    Column("note", "string", "", "remark"),
]
SOURCES = [
    Column("source_id", "integer", "", "number of the placement", True),
    *_xyz("", "injection electrode"),
    Column("current_A", "number", "A", "injected current, positive-phase peak"),
    Column("note", "string", "", "remark"),
]
FINDINGS = [
    Column("number", "integer", "", "number of the finding", True),
    *_xyz("", "estimated position"),
    Column("radius_m", "number", "m", "farthest point of the 90 % region"),
    Column("current_A", "number", "A", "current into it"),
    Column("current_low_A", "number", "A", "low end of the interval"),
    Column("current_high_A", "number", "A", "high end of the interval"),
    Column("hole_low_mm", "number", "mm", "smallest hole diameter that fits"),
    Column("hole_high_mm", "number", "mm", "largest hole diameter that fits"),
    Column("stage", "string", "", "suspected, dye drawn, dye not drawn, repaired, re-measured", True),
    Column("confirmed", "boolean", "", "the last dye test drew dye in", True),
    Column("text", "string", "", "remark"),
]
STAGES = [
    Column("finding", "integer", "", "number of the finding", True),
    Column("time_utc", "datetime", "", "when", True),
    Column("stage", "string", "", "stage reached", True),
    Column("note", "string", "", "remark"),
]
CHECKS = [
    Column("time_utc", "datetime", "", "when", True),
    Column("name", "string", "", "what was checked", True),
    Column("ok", "boolean", "", "passed", True),
    Column("value", "number", "", "measured value, in `unit`"),
    Column("unit", "string", "", "unit of value and limit"),
    Column("limit_value", "number", "", "limit in force, in `unit`"),
    Column("text", "string", "", "in words"),
]
STEPS = [
    Column("time_utc", "datetime", "", "when", True),
    Column("kind", "string", "", "cover, plug, uncover or patch", True),
    Column("subject", "string", "", "fitting or finding", True),
    Column("source_id", "integer", "", "placement", True),
    Column("before_A", "number", "A", "injected current before", True),
    Column("before_sigma_A", "number", "A", "its standard error", True),
    Column("after_A", "number", "A", "injected current after", True),
    Column("after_sigma_A", "number", "A", "its standard error", True),
    Column("before_V", "number", "V", "output voltage before"),
    Column("after_V", "number", "V", "output voltage after"),
    Column("note", "string", "", "remark"),
]
EVENTS = [
    Column("number", "integer", "", "number of the event", True),
    Column("time_utc", "datetime", "", "when", True),
    Column("severity", "string", "", "info, caution or alarm", True),
    Column("code", "string", "", "short name of the kind of event", True),
    Column("text", "string", "", "what happened", True),
    Column("remedy", "string", "", "what to do"),
]


def reading_row(r: KeptReading) -> list[Any]:
    return [
        *r.front_m, *r.back_m, r.value_V, r.sigma_V, r.source_id, r.station, r.note, r.row, r.uid, utc_text(r.time_s),
        r.purpose, r.finding, r.channel, r.quadrature_V, r.snr, r.p_sign, r.window_s, r.lost_fraction,
        ";".join(r.flags), r.injected_A, r.settings_id,
    ]  # fmt: skip


def tables_of(record: Record) -> dict[str, tuple[list[Column], list[list[Any]], str]]:
    """name -> (columns, rows, title) of every table."""
    findings = []
    for f in record.findings:
        findings.append(
            [
                f.number, *f.position_m, f.radius_m, f.current_A, *(f.current_interval_A or (None, None)),
                *(f.hole_diameter_mm or (None, None)), f.stage, f.confirmed, f.text,
            ]
        )  # fmt: skip
    return {
        "readings": (
            READINGS,
            [reading_row(r) for r in record.readings if r.purpose == "survey"],
            "Kept readings of the survey",
        ),
        "other-readings": (
            READINGS,
            [reading_row(r) for r in record.readings if r.purpose != "survey"],
            "Readings at the test leak and after repairs",
        ),
        "fittings": (
            FITTINGS,
            [[f.name, f.kind, *f.position_m, f.covered, f.note] for f in record.fittings],
            "Known fittings",
        ),
        "sources": (
            SOURCES,
            [[s.source_id, *s.position_m, s.current_A, s.note] for s in record.sources],
            "Placements of the injection electrode",
        ),
        "findings": (FINDINGS, findings, "Findings"),
        "stages": (
            STAGES,
            [[f.number, utc_text(h.time_s), h.stage, h.note] for f in record.findings for h in f.history],
            "History of the findings",
        ),
        "safety-checks": (
            CHECKS,
            [
                [utc_text(c.time_s), c.name, c.ok, c.value, c.unit, c.limit_value, c.text]
                for c in record.safety_checks
            ],
            "Safety checks",
        ),
        "current-steps": (
            STEPS,
            [
                [
                    utc_text(s.time_s), s.kind, s.subject, s.source_id, s.before_A, s.before_sigma_A, s.after_A,
                    s.after_sigma_A, s.before_V, s.after_V, s.note,
                ]
                for s in record.current_steps
            ],
            "Injected current before and after covering, plugging or patching",
        ),
        "events": (
            EVENTS,
            [[e.number, utc_text(e.time_s), e.severity, e.code, e.text, e.remedy] for e in record.events],
            "Events",
        ),
    }  # fmt: skip


def csv_text(columns: list[Column], rows: list[list[Any]]) -> str:
    """RFC 4180 with a header line; floats are written so that they read back bit for bit."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([c.name for c in columns])
    for row in rows:
        writer.writerow([_cell(v) for v in row])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    return str(value)


def data_package(record: Record) -> dict[str, Any]:
    """The description of the tables (datapackage.json)."""
    meta = record.meta
    return {
        "profile": "tabular-data-package",
        "name": "earthward-survey",
        "id": meta["id"],
        "title": record.name,
        "created": utc_text(float(meta["created_s"])),
        "earthward": {
            "format_version": FORMAT_VERSION,
            "emulated": record.emulated,
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
                "schema": {"fields": [c.described() for c in columns], "missingValues": [""]},
            }
            for name, (columns, _, title) in tables_of(record).items()
        ],
    }


def write_tables(record: Record, folder: Path) -> list[Path]:
    """Write the whole folder; returns the paths."""
    make_folder(folder)
    written = []
    for name, (columns, rows, _) in tables_of(record).items():
        path = folder / f"{name}.csv"
        write_whole(path, csv_text(columns, rows))
        written.append(path)
    if record.pool is not None:
        write_whole(folder / "pool.toml", format_pool(record.pool))
        written.append(folder / "pool.toml")
    # The description last: a folder with one is complete.
    write_whole(folder / "datapackage.json", json.dumps(data_package(record), indent=2, ensure_ascii=False) + "\n")
    written.append(folder / "datapackage.json")
    return written
