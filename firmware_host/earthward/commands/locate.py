"""`earthward locate POOL.toml READINGS.csv`: where current leaves the pool, how much, how sure, where to look next."""

from __future__ import annotations

import argparse
import importlib
import json
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from earthward.errors import InputError
from earthward.inversion.covers import joined
from earthward.inversion.ending import Ending, ending
from earthward.inversion.locate import locate
from earthward.inversion.types import HEADS, LocateSettings, Result
from earthward.pool.field import make_field
from earthward.pool.pool_file import parse_pool
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading
from earthward.survey.files.readings import parse_readings, read_text
from earthward.water.hole_flow import least_hole_m

SUMMARY = "where the sinks are, how strong and how sure"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("pool", metavar="POOL.toml", help="the pool (docs/formats.md)")
    parser.add_argument("readings", metavar="READINGS.csv", help="kept readings (docs/formats.md)")
    parser.add_argument("--position-sigma", type=float, default=0.1, metavar="M", help="pole position, m (0.1)")
    parser.add_argument("--depth-sigma", type=float, default=0.05, metavar="M", help="pole depth, m (0.05)")
    parser.add_argument("--bearing-sigma", type=float, default=10.0, metavar="DEG", help="pair bearing, degrees (10)")
    parser.add_argument("--tilt-sigma", type=float, default=4.0, metavar="DEG", help="pole tilt, degrees (4)")
    parser.add_argument("--fitting-sigma", type=float, default=0.1, metavar="M", help="fitting positions, m (0.1)")
    parser.add_argument("--shift-sigma", type=float, default=0.03, metavar="M", help="hand shift at a turn, m (0.03)")
    parser.add_argument(
        "--electrode-sigma", type=float, default=0.15, metavar="M", help="injection electrodes' places, m (0.15)"
    )
    parser.add_argument(
        "--head",
        choices=HEADS,
        default="single",
        help="one pair turned by hand (single: each direction has errors of its own unless the readings name turns), "
        "or a rigid array that reads several directions in one turn",
    )
    parser.add_argument("--water-voltage", type=float, metavar="V", help="water against earth, for hole sizes (10)")
    parser.add_argument(
        "--remaining-loss", type=float, metavar="L", help="litres a day still to be explained: could such a hole hide?"
    )
    parser.add_argument("--no-coverage-cells", action="store_true", help="leave the coverage map out of the JSON")
    parser.add_argument("--cache", metavar="DIR", help="keep prepared pools in this folder")
    parser.add_argument("--plot", metavar="FILE", help="draw a plan (.svg or .png)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    pool = parse_pool(read_text(Path(args.pool), "a pool file"), args.pool)
    text = read_text(Path(args.readings), "a readings file")
    readings = [r for r in parse_readings(text, args.readings) if r.purpose == "survey"]
    if not readings:
        raise InputError(f"{args.readings}: no reading in it has the purpose 'survey': give the survey's readings")
    count = len(readings)
    pool, readings, earlier = joined(pool, readings)
    if not readings:
        raise InputError(
            f"{args.readings}: every reading was taken with other fittings covered than the pool file says: "
            "set covered = true or false in the pool file as it was"
        )
    if len(readings) < count:
        left_out = count - len(readings)
        print(f"earthward: {left_out} readings left out: taken with other fittings covered", file=sys.stderr)
    settings = replace(_settings(args), earlier=earlier)
    if args.remaining_loss is not None and not args.remaining_loss > 0:
        raise InputError(f"--remaining-loss must be above zero, not {args.remaining_loss}")
    result = locate(pool, readings, settings, None if pool.is_box else make_field(pool, args.cache))
    ended = None if args.remaining_loss is None else _ended(pool, result, args.remaining_loss)
    if args.plot:
        _plot(args.plot, pool, readings, result)
    if args.json:
        told = result.to_json(cells=not args.no_coverage_cells)
        if ended is not None:
            told["search_done"] = {
                "done": ended.done,
                "remaining_L_per_day": ended.remaining_L_per_day,
                "hole_mm": ended.hole_mm,
                "open_patches": len(ended.open_cells),
                "patches": ended.cells,
                "beside": ended.beside,
                "text": ended.text,
            }
        print(json.dumps(told, allow_nan=False))
    else:
        print("\n".join([*to_text(result), *([] if ended is None else ["done: " + ended.text])]))
    return 0


def _ended(pool: Pool, result: Result, remaining_L_per_day: float) -> Ending:
    """Could a hole that passes so much still hide?"""
    known = [(f.name, f.position_m) for f in pool.fittings if not f.covered]
    known += [(f"finding {k}", f.position_m) for k, f in enumerate(result.findings, start=1)]
    cells = () if result.coverage is None else result.coverage.cells
    return ending(cells, known, remaining_L_per_day, least_hole_m)


def _settings(args: argparse.Namespace) -> LocateSettings:
    sigmas = {
        "--position-sigma": args.position_sigma,
        "--depth-sigma": args.depth_sigma,
        "--bearing-sigma": args.bearing_sigma,
        "--tilt-sigma": args.tilt_sigma,
        "--fitting-sigma": args.fitting_sigma,
        "--shift-sigma": args.shift_sigma,
        "--electrode-sigma": args.electrode_sigma,
    }
    for name, value in sigmas.items():
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"{name} must be zero or more, not {value}")
    water = args.water_voltage if args.water_voltage is not None else 10.0
    if not water > 0:
        raise InputError(f"--water-voltage must be above zero, not {water}")
    return LocateSettings(
        position_sigma_m=args.position_sigma,
        depth_sigma_m=args.depth_sigma,
        bearing_sigma_deg=args.bearing_sigma,
        tilt_sigma_deg=args.tilt_sigma,
        fitting_sigma_m=max(args.fitting_sigma, 1e-3),
        shift_sigma_m=args.shift_sigma,
        electrode_sigma_m=args.electrode_sigma,
        head=args.head,
        water_voltage_V=water,
    )


def _plot(name: str, pool: Pool, readings: list[KeptReading], result: Result) -> None:
    try:
        plan: Any = importlib.import_module("earthward.report.plan")
    except ModuleNotFoundError:
        raise InputError("--plot is not available in this installation: leave it out") from None
    plan.save_locate_plan(Path(name), pool, readings, result)


def to_text(result: Result) -> list[str]:
    """Lines for a person."""
    lines = [result.text, ""]
    for finding in result.findings:
        low, high = finding.current_interval_A or (0.0, 0.0)
        lines.append(f"finding: {finding.text}")
        if finding.hole_diameter_mm is not None:
            d = finding.hole_diameter_mm
            current = f"{1e3 * low:.2f} to {1e3 * high:.2f} mA"
            lines.append(f"  a round hole of {d[0]:.1f} to {d[1]:.1f} mm would take {current}")
    lines.append("leaks: " + ", ".join(f"{k}: {100 * p:.0f} %" for k, p in result.p_leak_count.items()))
    lines.append("budget: " + result.budget.text)
    for share in result.budget.fittings:
        lo, hi = share.interval_A
        lines.append(f"  {share.name}: {1e3 * lo:.2f} to {1e3 * hi:.2f} mA")
    if result.coverage is not None:
        lines.append("coverage: " + result.coverage.text)
    for one in result.suspect_readings:
        lines.append(f"suspect: row {one.row} (station {one.station}) {one.reason}")
    if result.next_station is not None:
        lines.append("next: " + result.next_station.text)
    lines += [f"advice: {one}" for one in result.advice]
    return lines
