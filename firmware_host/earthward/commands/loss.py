"""`earthward loss LOG.csv`: level log or bucket test -> leak in litres per day with an interval, and a verdict."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from earthward import units
from earthward.survey.levels import loss_result, read_level_log, record_loss_test
from earthward.survey.store import SurveyStore
from earthward.units import Units
from earthward.water.level_log import LossLog
from earthward.water.loss import analyse
from earthward.water.loss_result import LossResult, Rate

SUMMARY = "level log or bucket test: litres per day with an interval"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", metavar="LOG.csv", help="the log (docs/formats.md)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")
    parser.add_argument("--survey", metavar="SURVEY", help="keep log and result in this survey file")
    parser.add_argument(
        "--moment", choices=("before", "after"), default="before", help="with --survey: before or after the repair"
    )
    parser.add_argument("--units", choices=("si", "us"), default="si", help="units of the text (JSON is SI)")


def run(args: argparse.Namespace) -> int:
    log = read_level_log(args.log)
    if args.survey:
        with SurveyStore.open(args.survey) as store:
            result = record_loss_test(store, args.moment, Path(args.log).read_text("utf-8-sig"), args.log)
    else:
        result = analyse(log)
    if args.json:
        print(json.dumps(loss_result(log, result), allow_nan=False))
    else:
        print("\n".join(to_text(log, result, args.units)))
    return 0


def to_text(log: LossLog, result: LossResult, unit: Units) -> list[str]:
    """Lines for a person."""

    def level(mm: float) -> str:
        return f"{mm:.1f} mm" if unit == "si" else f"{mm / 25.4:.2f} in"

    def rate(r: Rate) -> str:
        low, high = r.interval_L_per_day
        return f"{units.water_rate(r.value_L_per_day, unit)}, 95 % {units.water_interval(low, high, unit)}"

    lines = [f"{result.verdict.upper()}: {_verdict_text(result, unit)}", ""]
    lines.append(f"  log             {result.hours:.0f} h, water surface {_area(log.area_m2, unit)}")
    lines.append(f"  pool fell       {level(result.pool_drop_mm)}")
    if result.bucket_drop_mm is not None:
        lines.append(f"  bucket fell     {level(result.bucket_drop_mm)}")
    if result.rain_mm:
        lines.append(f"  rain            {level(result.rain_mm)}")
    if result.handled_L:
        volume = f"{result.handled_L:+.0f} L" if unit == "si" else f"{result.handled_L / units.GALLON_L:+.0f} gal"
        lines.append(f"  added - taken   {volume}")
    lines.append(f"  evaporation     {level(result.evaporation_mm)} fits the readings")
    for name, mm in result.evaporation_by_method_mm.items():
        lines.append(f"    {name:<16s}{level(mm)}")
    lines.append(f"  leak            {rate(result.leak)}")
    if result.pump_on is not None and result.pump_off is not None:
        lines.append(f"    pump on       {rate(result.pump_on)}")
        lines.append(f"    pump off      {rate(result.pump_off)}")
    lines.append(f"  pump            {result.points_at}")
    lines.append("  what makes it uncertain:")
    for name, share in sorted(result.error_shares.items(), key=lambda item: -item[1]):
        if share >= 0.01:
            lines.append(f"    {100 * share:3.0f} %  {name}")
    lines.extend(f"  caution: {text}" for text in result.cautions)
    return lines


def _area(area_m2: float, unit: Units) -> str:
    return f"{area_m2:.1f} m2" if unit == "si" else f"{area_m2 / units.FOOT_M**2:.0f} ft2"


def _verdict_text(result: LossResult, unit: Units) -> str:
    if unit == "si":
        return result.text
    # The sentence of the pure room is in SI: say the figures in the reader's units instead.
    low, high = result.leak.interval_L_per_day
    size = (
        f"{units.water_rate(max(0.0, result.leak.value_L_per_day), unit)} "
        f"({units.water_interval(max(0.0, low), max(0.0, high), unit)})"
    )
    worth = units.water_rate(result.worth_L_per_day, unit)
    if result.verdict == "leak":
        return f"The pool loses {size} more than the weather explains."
    if result.verdict == "no evidence":
        return f"In {result.hours:.0f} h the unexplained loss is {size}, below the {worth} that was looked for."
    if result.more_hours:
        return f"Unexplained loss {size}. About {result.more_hours:.0f} more hours would decide about {worth}."
    return f"Unexplained loss {size}; more hours alone will not decide about {worth}."
