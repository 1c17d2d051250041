"""Export as GeoPackage (OGC 12-128, version 1.3) in a local Cartesian frame, written with sqlite3 alone.

The frame is the pool's own plan in metres: `srs_id` -1, the standard's "undefined Cartesian" system, because a pool is
not tied to the globe. Geometries carry z = -depth (up positive, as map programs expect); every table also has the
depth as a plain column. Tables: pool, fittings, sources, readings, pairs (a line from back to front), findings.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import struct
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from earthward.errors import InputError
from earthward.record.base import Point
from earthward.survey.contents import Contents, utc_text
from earthward.survey.files.whole import write_whole

APPLICATION_ID = 0x47504B47  # "GPKG"
USER_VERSION = 10300
UNDEFINED_CARTESIAN = -1

_SCHEMA = """
CREATE TABLE gpkg_spatial_ref_sys (
    srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
    organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
INSERT INTO gpkg_spatial_ref_sys VALUES
    ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', 'the pool''s own plan, metres'),
    ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', NULL),
    ('WGS 84 geodetic', 4326, 'EPSG', 4326,
     'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]',
     NULL);
CREATE TABLE gpkg_contents (
    table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
    last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
    min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
    CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
    z TINYINT NOT NULL, m TINYINT NOT NULL,
    CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
    CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
    CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""  # noqa: E501


def geometry_blob(wkb: bytes, xs: Sequence[float], ys: Sequence[float]) -> bytes:
    """GeoPackage binary: header with the xy envelope, little-endian, then well-known binary."""
    header = b"GP" + bytes((0, 0b00000011)) + struct.pack("<i", UNDEFINED_CARTESIAN)
    return header + struct.pack("<4d", min(xs), max(xs), min(ys), max(ys)) + wkb


def _point(p: Point) -> bytes:
    wkb = struct.pack("<BI3d", 1, 1001, p[0], p[1], -p[2])
    return geometry_blob(wkb, [p[0]], [p[1]])


def _line(a: Point, b: Point) -> bytes:
    wkb = struct.pack("<BII6d", 1, 1002, 2, a[0], a[1], -a[2], b[0], b[1], -b[2])
    return geometry_blob(wkb, [a[0], b[0]], [a[1], b[1]])


def _polygon(outline: Sequence[tuple[float, float]]) -> bytes:
    ring = [*outline, outline[0]]
    wkb = struct.pack("<BIII", 1, 3, 1, len(ring)) + b"".join(struct.pack("<2d", x, y) for x, y in ring)
    return geometry_blob(wkb, [x for x, _ in ring], [y for _, y in ring])


Layer = tuple[str, str, int, str, list[tuple[str, str]], list[tuple[bytes, list[tuple[float, float]], list[Any]]]]


def layers(record: Contents) -> list[Layer]:
    """(table, geometry type, has z, description, columns, rows of (blob, xy points, values))."""
    out: list[Layer] = []
    if record.pool is not None:
        outline = [(float(x), float(y)) for x, y in record.pool.outline_m]
        out.append(
            (
                "pool", "POLYGON", 0, "water's edge", [("name", "TEXT"), ("emulated", "BOOLEAN")],
                [(_polygon(outline), outline, [record.name, int(record.emulated)])],
            )
        )  # fmt: skip

    def points(table: str, text: str, columns: list[tuple[str, str]], rows: list[tuple[Point, list[Any]]]) -> None:
        out.append((table, "POINT", 1, text, columns, [(_point(p), [(p[0], p[1])], v) for p, v in rows]))

    points(
        "fittings", "known fittings",
        [("name", "TEXT"), ("kind", "TEXT"), ("depth_m", "DOUBLE"), ("covered", "BOOLEAN")],
        [(f.position_m, [f.name, f.kind, f.position_m[2], int(f.covered)]) for f in record.fittings],
    )  # fmt: skip
    points(
        "sources", "placements of the injection electrode",
        [("source_id", "INTEGER"), ("depth_m", "DOUBLE"), ("current_A", "DOUBLE")],
        [(s.position_m, [s.source_id, s.position_m[2], s.current_A]) for s in record.sources],
    )  # fmt: skip
    reading_columns = [
        ("row", "INTEGER"), ("station", "TEXT"), ("value_V", "DOUBLE"), ("sigma_V", "DOUBLE"),
        ("injected_A", "DOUBLE"), ("source_id", "INTEGER"), ("purpose", "TEXT"), ("depth_m", "DOUBLE"),
        ("time_utc", "DATETIME"), ("flags", "TEXT"),
    ]  # fmt: skip
    readings: list[tuple[Point, list[Any]]] = []
    pairs = []
    for r in record.readings:
        a, b = r.front_m, r.back_m
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2)
        values = [
            r.row, r.station, r.value_V, r.sigma_V, r.injected_A, r.source_id, r.purpose, middle[2], utc_text(r.time_s),
            ";".join(r.flags),
        ]  # fmt: skip
        readings.append((middle, values))
        pairs.append((_line(b, a), [(a[0], a[1]), (b[0], b[1])], values))
    points("readings", "kept readings, at the middle of the pair", reading_columns, readings)
    out.append(("pairs", "LINESTRING", 1, "electrode pairs, from back to front", reading_columns, pairs))
    points(
        "findings", "suspected and confirmed leaks",
        [
            ("number", "INTEGER"), ("stage", "TEXT"), ("confirmed", "BOOLEAN"), ("current_A", "DOUBLE"),
            ("radius_m", "DOUBLE"), ("depth_m", "DOUBLE"), ("text", "TEXT"),
        ],
        [
            (f.position_m, [f.number, f.stage, int(f.confirmed), f.current_A, f.radius_m, f.position_m[2], f.text])
            for f in record.findings
        ],
    )  # fmt: skip
    return out


def write_geopackage(record: Contents, path: Path) -> None:
    """Write the file (whole or not at all)."""
    if path.suffix.lower() != ".gpkg":
        raise InputError(f"{path} should end in .gpkg so that map programs recognise it")
    handle, temporary = tempfile.mkstemp(suffix=".gpkg")
    os.close(handle)
    try:
        with contextlib.closing(sqlite3.connect(temporary)) as db:
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {USER_VERSION}")
            db.executescript(_SCHEMA)
            changed = utc_text(float(record.meta["created_s"]))
            for table, geometry, has_z, text, columns, rows in layers(record):
                declared = ", ".join(f'"{name}" {kind}' for name, kind in columns)
                key = "fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"
                db.execute(f'CREATE TABLE "{table}" ({key}, geom {geometry}, {declared})')
                slots = ", ".join("?" * (len(columns) + 1))
                names = ", ".join(["geom", *(f'"{n}"' for n, _ in columns)])
                db.executemany(
                    f'INSERT INTO "{table}" ({names}) VALUES ({slots})', [(blob, *values) for blob, _, values in rows]
                )
                xy = [p for _, pts, _ in rows for p in pts]
                bounds = (
                    (min(x for x, _ in xy), min(y for _, y in xy), max(x for x, _ in xy), max(y for _, y in xy))
                    if xy
                    else (None, None, None, None)
                )
                db.execute(
                    "INSERT INTO gpkg_contents VALUES (?, 'features', ?, ?, ?, ?, ?, ?, ?, ?)",
                    (table, table, text, changed, *bounds, UNDEFINED_CARTESIAN),
                )
                db.execute(
                    "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, ?, 0)",
                    (table, geometry, UNDEFINED_CARTESIAN, has_z),
                )
            db.commit()
        write_whole(path, Path(temporary).read_bytes())
    finally:
        Path(temporary).unlink(missing_ok=True)
