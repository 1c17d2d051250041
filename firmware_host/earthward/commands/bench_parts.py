"""`earthward bench cell`, `cable`, `earth`, `source`, `trend`: the parts beside the pair."""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from earthward.bench import cable, cell, earth, pair_judge, source
from earthward.bench.bands import judge
from earthward.commands.bench_sheet import Bench, add_output, give, trend_text
from earthward.emulated import ground
from earthward.emulated.loads import told_over_the_link
from earthward.errors import InputError
from earthward.survey.files.readings import read_text

#: the defects that can be planted in each emulated part
CABLES = {"none": 2e9, "nicked": 4e5, "damp": 3.5e6}
RODS = {
    "none": ground.Rods(),
    "dry": ground.Rods(contact_ohm=1500.0),
    "too near": ground.Rods(apart_m=0.9, auxiliary_m=0.6),
}
SOURCES = {"none": (0.0, 1.0, 1.0), "cold joint": (430.0, 1.0, 1.0), "shunt": (0.0, 1.09, 1.0),
           "weak half": (0.0, 1.0, 0.9)}  # fmt: skip
LOADS_OHM = (330.0, 1000.0, 4700.0)
BANDS = (*pair_judge.BANDS, *cable.BANDS, *earth.BANDS, *source.BANDS, cell.CHECK)


def add_parts(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    one = subparsers.add_parser("cell", help="water's resistivity in a tube of known bore, and a check in a standard")
    one.add_argument("--bore-mm", type=float, required=True, metavar="MM", help="inner diameter of the tube")
    one.add_argument("--spacing-mm", type=float, required=True, metavar="MM", help="between the pair's electrodes")
    one.add_argument("--volts", type=float, required=True, metavar="V", help="value_V of the reading in the tube")
    one.add_argument("--current", type=float, required=True, metavar="A", help="current through the tube, peak")
    one.add_argument("--temperature", type=float, required=True, metavar="C", help="of the water, degrees Celsius")
    one.add_argument("--standard", choices=sorted(cell.STANDARDS_S_PER_M), help="it is KCl of so many mol/kg: check")
    add_output(one)
    one = subparsers.add_parser("cable", help="insulation of a cable in water, by the source and a shunt")
    one.add_argument("--drive-volts", type=float, metavar="V", help="the source's output, peak")
    one.add_argument("--frequency", type=float, metavar="HZ", help="of the sine")
    one.add_argument("--shunt-ohm", type=float, default=10e3, metavar="OHM", help="shunt (default 10000)")
    one.add_argument("--volts", type=float, metavar="V", help="value_V at the shunt")
    one.add_argument("--quadrature", type=float, metavar="V", help="quadrature_V at the shunt")
    one.add_argument("--sigma", type=float, metavar="V", help="sigma_V of the reading")
    _emulated(one, CABLES)
    one = subparsers.add_parser("earth", help="earth electrode's resistance by fall of potential at three places")
    one.add_argument("--apart", type=float, metavar="M", help="from earth electrode to auxiliary electrode")
    one.add_argument("--probe", type=float, nargs=3, metavar="M", help="three places of the probe, from the electrode")
    one.add_argument("--ohm", type=float, nargs=3, metavar="OHM", help="volts over current read there")
    _emulated(one, RODS)
    one = subparsers.add_parser("source", help="the source into three known resistors")
    one.add_argument("--told", metavar="FILE.csv", help="ohm,positive_A,negative_A,positive_V,negative_V a line")
    one.add_argument("--through-link", action="store_true", help="emulated: by board, serial line and driver")
    _emulated(one, SOURCES)
    one = subparsers.add_parser("trend", help="results over months, by serial number, and when a limit will be reached")
    one.add_argument("file", metavar="FILE.jsonl", help="file that --results wrote")
    one.add_argument("--serial", metavar="NAME", help="only this part")
    one.add_argument("--json", action="store_true", help="one JSON object on stdout")


def _emulated(parser: argparse.ArgumentParser, defects: Iterable[str]) -> None:
    parser.add_argument("--emulated", type=int, metavar="SEED", help="an emulated part in place of a real one")
    parser.add_argument("--defect", choices=sorted(defects), default="none", help="plant this in the emulated part")
    add_output(parser)


def run_part(args: argparse.Namespace) -> int:
    if args.what == "trend":
        print("\n".join(trend_text(Path(args.file), args.serial, BANDS, as_json=args.json)))
        return 0
    find = {"cell": _cell, "cable": _cable, "earth": _earth, "source": _source}[args.what]
    return give(find(args), args)


def _need(args: argparse.Namespace, *names: str) -> None:
    missing = [f"--{name.replace('_', '-')}" for name in names if getattr(args, name) is None]
    if missing:
        raise InputError(f"{', '.join(missing)} must be given (or --emulated SEED)")


def _cell(args: argparse.Namespace) -> Bench:
    tube = cell.Cell(args.bore_mm * 1e-3, args.spacing_mm * 1e-3)
    percent = cell.PERCENT_PER_K["KCl" if args.standard else "pool"]
    found = cell.water(tube, args.volts, args.current, args.temperature, percent)
    remarks = [
        f"{found.resistivity_ohm_m:.4g} ohm m, {found.conductivity_S_per_m:.4g} S/m at {found.temperature_C:g} degC, "
        f"{found.conductivity_25_S_per_m:.4g} S/m at 25 degC ({percent:g} % a kelvin)"
    ]
    ratio = None
    if args.standard:
        ratio = found.conductivity_25_S_per_m / cell.STANDARDS_S_PER_M[args.standard]
    return Bench("cell", "Conductivity cell", judge([cell.CHECK] if args.standard else [], {"standard_ratio": ratio}),
                 False, remarks=remarks,
                 told={"resistivity_ohm_m": found.resistivity_ohm_m,
                       "conductivity_25_S_per_m": found.conductivity_25_S_per_m})  # fmt: skip


def _cable(args: argparse.Namespace) -> Bench:
    if args.emulated is not None:
        wet = ground.WetCable(insulation_ohm=CABLES[args.defect], shunt_ohm=args.shunt_ohm)
        draw = np.random.default_rng([args.emulated, 4]).normal(0, 2e-7, 2)
        seen = wet.at_shunt(9.8, 10.0)
        figures = (9.8, 10.0, args.shunt_ohm, seen.real + draw[0], seen.imag + draw[1], 2e-7)
    else:
        _need(args, "drive_volts", "frequency", "volts", "quadrature", "sigma")
        figures = (args.drive_volts, args.frequency, args.shunt_ohm, args.volts, args.quadrature, args.sigma)
    found = cable.insulation(*figures)
    lines = judge(cable.BANDS, found.values)
    worse = lines[0].verdict in ("watch", "replace")
    said = "no leakage to be told from noise" if math.isinf(found.insulation_ohm) else "some leakage"
    remarks = [f"{said}; insulation up to {found.least_ohm / 1e9:.3g} Gohm could have been told from a perfect one; "
               f"capacitance {found.capacitance_F * 1e12:.0f} pF, which is no fault"]  # fmt: skip
    return Bench("cable", "Cable in water", lines, args.emulated is not None, "insulation" if worse else "",
                 cable.BANDS[0].remedy if worse else "", remarks=remarks,
                 told={"capacitance_F": found.capacitance_F, "least_ohm": found.least_ohm})  # fmt: skip


def _earth(args: argparse.Namespace) -> Bench:
    if args.emulated is not None:
        rods = RODS[args.defect]
        draw = np.random.default_rng([args.emulated, 4]).normal(0, 3e-3, 3)
        probes = tuple(share * rods.apart_m for share in earth.PLACES)
        read = tuple(rods.read_ohm(x) * (1 + d) for x, d in zip(probes, draw, strict=True))
        found = earth.fall_of_potential(rods.apart_m, probes, read)
    else:
        _need(args, "apart", "probe", "ohm")
        found = earth.fall_of_potential(args.apart, tuple(args.probe), tuple(args.ohm))
    lines = judge(earth.BANDS, found.values)
    bad = {x.band.name: x for x in lines if x.verdict in ("watch", "replace")}
    defect = "auxiliary electrode too near" if "plateau" in bad else "high resistance" if bad else ""
    text = next((bad[n].band.remedy for n in ("plateau", "earth_ohm") if n in bad), "")
    return Bench("earth", "Earth electrode", lines, args.emulated is not None, defect, text)


def _source(args: argparse.Namespace) -> Bench:
    if args.emulated is not None:
        extra, sense, halves = SOURCES[args.defect]
        if args.through_link and halves != 1.0:
            raise InputError("the emulated board's two halves are alike: leave --through-link out for that defect")
        # A sense that is off by a share is off by so many amperes at the middle resistor.
        off_A = (sense - 1.0) * 4.5e-3
        loads = (
            [
                source.Loaded(ohm, *told_over_the_link(ohm, extra, off_A, seed=args.emulated * 8 + k))
                for k, ohm in enumerate(LOADS_OHM)
            ]
            if args.through_link
            else [
                source.Loaded(ohm, *ground.told(ground.WornSource(ohm, extra), sense, halves, args.emulated * 8 + k))
                for k, ohm in enumerate(LOADS_OHM)
            ]
        )
    else:
        _need(args, "told")
        loads = _told(Path(args.told))
    lines = judge(source.BANDS, source.source_values(loads))
    bad = {x.band.name: x for x in lines if x.verdict in ("watch", "replace")}
    names = {"halves": "one half is weak", "sense": "current sense", "series_ohm": "series resistance",
             "fit": "not a plain resistance", "open_V": "supply rail"}  # fmt: skip
    first = next((n for n in names if n in bad), None)
    return Bench("source", "Source board", lines, args.emulated is not None, names[first] if first else "",
                 bad[first].band.remedy if first else "")  # fmt: skip


def _told(path: Path) -> list[source.Loaded]:
    columns = ("ohm", "positive_A", "negative_A", "positive_V", "negative_V")
    text = read_text(path, "a table of what the board told")
    rows = list(csv.DictReader(line for line in text.splitlines() if line.strip() and not line.startswith("#")))
    try:
        return [source.Loaded(*(float(row[name]) for name in columns)) for row in rows]
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path}: columns {','.join(columns)} with numbers are wanted ({error})") from error
