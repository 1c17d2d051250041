"""`earthward compare-world BUNDLE`: the model's prediction against what was read, assumption by assumption."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from earthward.bench import tank
from earthward.bench.assumptions import Noise, World, judge_world, noise_chi2
from earthward.bundle import archive
from earthward.commands.bundle import COLUMNS
from earthward.commands.field import read_table
from earthward.errors import InputError
from earthward.inversion.types import HEADS, LocateSettings
from earthward.pool.field import make_field
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.reading import KeptReading
from earthward.survey.contents import pool_of
from earthward.survey.files.document import Document

SUMMARY = "a bundle against the model: which of its assumptions do the data contradict?"
TRUTH_m, FITTING_m, FINDING_m = 0.01, 0.1, 0.1
#: A recording during which so many readings were kept is of a visit.
VISIT_KEPT = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bundle", metavar="BUNDLE.zip", help="a bundle with a survey; with a recording for the noise")
    parser.add_argument("--truth", metavar="SINKS.csv", help="where current truly left (x_m,y_m,z_m,current_A)")
    parser.add_argument("--position-sigma", type=float, metavar="M", help="pole position as believed, m (0.1)")
    parser.add_argument("--bearing-sigma", type=float, metavar="DEG", help="bearing as believed, degrees (10)")
    parser.add_argument("--head", choices=HEADS, default="single", help="what the pole's head reads at once")
    parser.add_argument("--readings", action="store_true", help="print prediction and reading, row by row")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    parts = archive.read(Path(args.bundle))
    document = archive.survey_of(parts, args.bundle)
    pool = pool_of(document.pool_toml, list(document.fittings), list(document.sources))
    if pool is None:
        raise InputError(f"{args.bundle}: the survey's pool cannot be read")
    readings = _readings(document, pool, args.bundle)
    pool = pool.read_with(r.source_id for r in readings)
    sinks = _sinks(args, parts, document, pool)
    settings = _settings(args)
    by = 1.0
    if max(pool.bounds_m[2] - pool.bounds_m[0], pool.bounds_m[3] - pool.bounds_m[1]) <= tank.LARGEST_TUB_m:
        # A tub goes through the same model at a pool's size (V L / (rho I) stays the same).
        by = tank.enlargement(pool)
        pool = tank.scaled_pool(pool, by)
        scaled = [tank.scaled_reading(r, by) for r in readings]
        sinks = [(_times(p, by), by * 0.002) for p, _ in sinks]
        settings = tank.scaled_settings(tank.Hands(), by)
    else:
        scaled = readings
    noise = _noise(parts)
    world = judge_world(make_field(pool), scaled, [p for p, _ in sinks], settings, noise, [s for _, s in sinks])
    print(
        json.dumps(_told(parts, readings, world, by))
        if args.json
        else "\n".join(_text(args, parts, readings, world, by))
    )
    return 1 if world.wrong else 0


def _times(p: Point, by: float) -> Point:
    return by * p[0], by * p[1], by * p[2]


def _settings(args: argparse.Namespace) -> LocateSettings:
    settings = LocateSettings(head=args.head)
    for name, value in (("position_sigma_m", args.position_sigma), ("bearing_sigma_deg", args.bearing_sigma)):
        if value is not None:
            if not (value > 0 and math.isfinite(value)):
                raise InputError(f"--{name.split('_sigma')[0]}-sigma must be above zero, not {value:g}")
            settings = replace(settings, **{name: value})
    return settings


def _readings(document: Document, pool: Pool, where: str) -> list[KeptReading]:
    """Of the survey itself, with what is covered now covered then."""
    now = frozenset(f.name for f in pool.fittings if f.covered)
    found = [r for r in document.readings if r.purpose == "survey" and r.withdrawn_s is None]
    same = [r for r in found if r.covered_then(now) == now]
    if not same:
        raise InputError(f"{where} holds no reading of the survey taken with the pool as it stands in it")
    return same


def _sinks(args: argparse.Namespace, parts: archive.Parts, document: Document, pool: Pool) -> list[tuple[Point, float]]:
    """Places with how well they are known: the truth if there is one, else findings and fittings."""
    text = Path(args.truth).read_text(encoding="utf-8") if args.truth and Path(args.truth).is_file() else None
    if args.truth and text is None:
        raise InputError(f"{args.truth} is not there: give the path of a file of sinks")
    if text is None and "truth.csv" in parts.files:
        text = parts.files["truth.csv"].decode("utf-8")
    if text is not None:
        table = read_table(text, COLUMNS, args.truth or f"{args.bundle}: truth.csv")
        return [((float(x), float(y), float(z)), TRUTH_m) for x, y, z, _ in table]
    sinks = [(f.position_m, FITTING_m) for f in pool.fittings if not f.covered]
    return sinks + [(f.position_m, f.radius_m or FINDING_m) for f in document.findings]


def _noise(parts: archive.Parts) -> Noise:
    """The recording with most steps between windows says it; one with the pole still, if there is any."""
    best = Noise(math.nan, 0, moved=True)
    contents = archive.recordings_of(parts)
    for told in parts.told.get("recordings", []):
        kept = json.loads(parts.files[f"{told['folder']}/readings.json"])
        fields = list(kept["fields"])
        at, value, sigma, width = (fields.index(n) for n in ("t_s", "value_V", "sigma_V", "window_s"))
        moved = sum(note.get("kind") == "kept" for note in contents[str(told["folder"])].notes) >= VISIT_KEPT
        for rows in kept["channels"].values():
            good = [r for r in rows if r[value] is not None and r[sigma]]
            if good:
                length = float(good[-1][width])
                found = noise_chi2([(r[at], r[value], r[sigma]) for r in good], length, moved)
                best = max(best, found, key=lambda one: (not one.moved, one.steps))
    return best


def _told(parts: archive.Parts, readings: list[KeptReading], world: World, by: float) -> dict[str, Any]:
    fitted = world.fitted
    return {
        "emulated": bool(parts.told.get("emulated")),
        "wrong": world.wrong or None,
        "assumptions": [{"name": t.name, "ok": t.ok, "excess": t.excess, "text": t.text} for t in world.traces],
        "fit": None if fitted is None else {
            "chi2": fitted.chi2, "freedom": fitted.freedom, "source": fitted.source, "balance": fitted.balance,
            "balance_sigma": fitted.balance_sigma, "common_V": by * fitted.common_V, "kinds": fitted.kinds},
        "readings": [] if fitted is None else [
            {"row": r.row, "station": r.station, "value_V": r.value_V, "predicted_V": by * float(p)}
            for r, p in zip(readings, fitted.predicted_V, strict=True)],
    }  # fmt: skip


def _text(
    args: argparse.Namespace, parts: archive.Parts, readings: list[KeptReading], world: World, by: float
) -> list[str]:
    out = ["EMULATED: nothing here was measured."] if parts.told.get("emulated") else []
    if args.readings and world.fitted is not None:
        out.append("row  station      read, uV  predicted, uV")
        out += [f"{r.row:3}  {r.station:10} {1e6 * r.value_V:10.1f} {1e6 * by * float(p):14.1f}"
                for r, p in zip(readings, world.fitted.predicted_V, strict=True)]  # fmt: skip
    mark = {True: "holds", False: "WRONG", None: "cannot tell"}
    out += [f"{mark[t.ok]:12} {t.name:16} {t.text}" for t in world.traces]
    if world.wrong:
        out.append(f"The data contradict this assumption most: {world.wrong}.")
    else:
        out.append("Nothing in these data contradicts the model.")
    return out
