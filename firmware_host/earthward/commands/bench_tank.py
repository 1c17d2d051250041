"""`earthward bench tank TUB.toml READINGS.csv`: a tub as a small pool, predictions beside its readings."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path

from earthward.bench.tank import Beside, Found, Hands, agreement, beside, find_hole
from earthward.commands.bench_sheet import EMULATED
from earthward.emulated import tub
from earthward.errors import InputError
from earthward.pool.pool_file import parse_pool
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.reading import KeptReading
from earthward.survey.files.readings import parse_readings, read_text

#: What "found" means of a tub: the hole is known to the millimetre, and a pair is three centimetres long.
NEAR_m = 0.01


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("pool", nargs="?", metavar="TUB.toml", help="the tub, as a pool file (docs/pool-file.md)")
    parser.add_argument("readings", nargs="?", metavar="READINGS.csv", help="kept readings (docs/formats.md)")
    parser.add_argument("--hole", nargs=3, type=float, metavar=("X", "Y", "Z"),
                        help="where the hole is, metres: then the prediction stands beside each reading")  # fmt: skip
    parser.add_argument("--share", type=float, default=1.0, metavar="S",
                        help="part of the current that the hole takes, where other wires lead away (1)")  # fmt: skip
    hands = Hands()
    parser.add_argument("--position-sigma", type=float, default=hands.place_m, metavar="M",
                        help=f"how well a pair's place is known, m ({hands.place_m:g})")  # fmt: skip
    parser.add_argument("--bearing-sigma", type=float, default=hands.bearing_deg, metavar="DEG",
                        help=f"how well its direction is known, degrees ({hands.bearing_deg:g})")  # fmt: skip
    parser.add_argument("--emulated", type=int, metavar="SEED", help="an emulated tub in place of files")
    parser.add_argument("--second-wire", action="store_true", help="emulated: another way out at a known place")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    pool, readings, hole, share = _what(args)
    if hole is not None and not (0 < share <= 1 and pool.contains([hole], 0.01)[0]):
        raise InputError("--hole must lie in the tub (metres from a corner, depth from the water), --share in 0..1")
    found = find_hole(pool, readings, Hands(place_m=args.position_sigma, bearing_deg=args.bearing_sigma))
    rows = [] if hole is None else beside(pool, readings, hole, share)
    off = None if hole is None or found.position_m is None else math.dist(hole, found.position_m)
    if args.json:
        print(json.dumps(_told(args, found, rows, off), allow_nan=False))
    else:
        print("\n".join(_text(args, found, rows, off)))
    return 0 if found.position_m is not None and (off is None or off <= NEAR_m) else 1


def _what(args: argparse.Namespace) -> tuple[Pool, list[KeptReading], Point | None, float]:
    if args.emulated is not None:
        drawn = tub.draw(args.emulated, second_wire=args.second_wire)
        return drawn.pool, drawn.readings, drawn.hole_m, drawn.share
    if not args.pool or not args.readings:
        raise InputError("give the tub's pool file and the readings, or --emulated SEED")
    pool = parse_pool(read_text(Path(args.pool), "a pool file"), args.pool)
    readings = parse_readings(read_text(Path(args.readings), "a readings file"), args.readings)
    return pool, readings, tuple(args.hole) if args.hole else None, args.share


def _told(args: argparse.Namespace, found: Found, rows: list[Beside], off: float | None) -> dict[str, object]:
    fit = agreement(rows) if rows else None
    return {
        "emulated": args.emulated is not None,
        "position_m": found.position_m,
        "radius_m": found.radius_m,
        "current_A": found.current_A,
        "verdict": found.result.verdict,
        "enlarged": found.scale,
        "off_m": off,
        "read_over_predicted": None if fit is None else fit[0],
        "left_over": None if fit is None else fit[1],
        "readings": [
            {"row": r.row, "station": r.station, "value_V": r.value_V, "predicted_V": r.predicted_V,
             "dimensionless": r.dimensionless} for r in rows
        ],
    }  # fmt: skip


def _text(args: argparse.Namespace, found: Found, rows: list[Beside], off: float | None) -> list[str]:
    out = [EMULATED] if args.emulated is not None else []
    out.append(f"Enlarged {found.scale:.3g} times for the search; V L / (rho I) stays the same.")
    if rows:
        out.append("row  station       read, uV  predicted, uV   ratio  V L/(rho I)")
        for r in rows:
            ratio = "" if math.isnan(r.ratio) else f"{r.ratio:7.3f}"
            out.append(f"{r.row:3}  {r.station:10} {1e6 * r.value_V:11.1f} {1e6 * r.predicted_V:14.1f} {ratio:>7} "
                       f"{r.dimensionless:12.4f}")  # fmt: skip
        slope, left = agreement(rows)
        out.append(f"read = {slope:.3f} x predicted; {100 * left:.1f} % is left over (places and directions by hand)")
    if found.position_m is None:
        return [*out, found.result.text]
    x, y, z = found.position_m
    around = "" if found.radius_m is None else f", 90 % within {1e3 * found.radius_m:.0f} mm"
    out.append(f"hole at {100 * x:.1f}, {100 * y:.1f} cm, {100 * z:.1f} cm deep{around}; "
               f"takes {1e3 * (found.current_A or 0.0):.2f} mA")  # fmt: skip
    if off is not None:
        out.append(f"{1e3 * off:.1f} mm from where it is: {'found' if off <= NEAR_m else 'not within 10 mm'}")
    return out
