"""`earthward field POOL.toml --sinks SINKS.csv --pairs PAIRS.csv`: what electrode pairs would read."""

from __future__ import annotations

import argparse
import csv
import json
import logging
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.pool.field import make_field
from earthward.pool.forward import Sink, pair_values_V
from earthward.pool.pool_file import parse_pool

SUMMARY = "forward model: volts per electrode pair"
SINK_COLUMNS = ("x_m", "y_m", "z_m", "current_A")
PAIR_COLUMNS = ("front_x_m", "front_y_m", "front_z_m", "back_x_m", "back_y_m", "back_z_m")
_MOST_ROWS = 20_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("pool", metavar="POOL.toml", help="the pool (docs/pool-file.md)")
    parser.add_argument("--sinks", required=True, metavar="SINKS.csv", help=f"columns {','.join(SINK_COLUMNS)}")
    parser.add_argument("--pairs", required=True, metavar="PAIRS.csv", help=f"columns {','.join(PAIR_COLUMNS)}")
    parser.add_argument("--source-id", type=int, metavar="N", help="which [[source]] injects (default: the first)")
    parser.add_argument("--cache", metavar="DIR", help="keep prepared pools in this folder")
    parser.add_argument("--plot", metavar="FILE", help="draw a plan (.svg or .png)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    pool = parse_pool(_read(args.pool), args.pool)
    sink_rows = read_table(_read(args.sinks), SINK_COLUMNS, args.sinks)
    pair_rows = read_table(_read(args.pairs), PAIR_COLUMNS, args.pairs)
    if not pool.sources:
        raise InputError(f"{args.pool}: there is no [source]; say where the current enters and how much.")
    source_id = pool.sources[0].source_id if args.source_id is None else args.source_id
    try:
        source = pool.source(source_id)
    except KeyError:
        known = ", ".join(str(s.source_id) for s in pool.sources)
        raise InputError(f"{args.pool}: there is no [[source]] with id = {source_id}; known are {known}.") from None
    sinks = [Sink((row[0], row[1], row[2]), row[3]) for row in sink_rows]
    field = make_field(pool, args.cache)
    outcome = pair_values_V(field, source, sinks, pair_rows[:, :3], pair_rows[:, 3:], args.sinks, args.pairs)
    for note in outcome.notes:
        logging.getLogger("earthward").warning("%s", note)
    if args.plot:
        from earthward.report.plan import Arrow, save_field_plan

        arrows = [
            Arrow(tuple(row[:3]), tuple(row[3:]), float(v)) for row, v in zip(pair_rows, outcome.value_V, strict=True)
        ]
        save_field_plan(Path(args.plot), pool, [(s.position_m, s.current_A) for s in sinks], arrows)
    if args.json:
        report = {
            "value_V": outcome.value_V.tolist(),
            "source_id": source.source_id,
            "injected_A": source.current_A,
            "unbalanced_A": outcome.unbalanced_A,
            "notes": list(outcome.notes),
        }
        print(json.dumps(report, allow_nan=False))
    else:
        print("pair  value (uV, > 0: current flows from back towards front)")
        for n, v in enumerate(outcome.value_V, start=1):
            print(f"{n:4d}  {1e6 * v:12.3f}")
        for note in outcome.notes:
            print(f"note: {note}")
    return 0


def _read(name: str) -> str:
    try:
        return Path(name).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"cannot read {name}: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise InputError(f"{name} is not a text file in UTF-8: save it as plain text.") from None


def read_table(text: str, columns: tuple[str, ...], where: str) -> NDArray[np.float64]:
    """Numbers (rows, columns) of a CSV with a header, in the order of `columns`; other columns are ignored.

    Lines that start with # are comments. InputError names file, row (counted from 1 below the header), column.
    """
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise InputError(f"{where}: the file is empty; its first line must name {','.join(columns)}.")
    reader = csv.reader(lines, skipinitialspace=True)
    header = [name.strip() for name in next(reader)]
    for name in columns:
        if name not in header:
            raise InputError(f"{where}: column {name} is missing; the header must name {','.join(columns)}.")
    place = [header.index(name) for name in columns]
    rows = []
    for number, record in enumerate(reader, start=1):
        values = []
        for name, k in zip(columns, place, strict=True):
            cell = record[k].strip() if k < len(record) else ""
            try:
                value = float(cell)
            except ValueError:
                raise InputError(f'{where}: row {number}: {name} "{cell}" is not a number.') from None
            if not math.isfinite(value):
                raise InputError(f'{where}: row {number}: {name} "{cell}" is not a finite number.')
            values.append(value)
        rows.append(values)
    if not rows:
        raise InputError(f"{where}: there is no row below the header.")
    if len(rows) > _MOST_ROWS:
        raise InputError(f"{where}: {len(rows)} rows are more than {_MOST_ROWS}; split the file.")
    return np.array(rows, dtype=float)
