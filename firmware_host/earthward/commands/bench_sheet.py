"""A bench result for people: lines on the terminal, JSON, a PDF sheet, and a line in the file of results."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from earthward import __version__
from earthward.bench.bands import Band, Line, Verdict, overall
from earthward.bench.trend import BenchResult, in_words, read_results, trends, with_result
from earthward.clock import wall_s
from earthward.errors import InputError
from earthward.report.blocks import Block, Bullets, Document, Figure, Heading, Paragraph, Table
from earthward.report.pdf import to_pdf
from earthward.survey.contents import utc_text
from earthward.survey.files.readings import read_text
from earthward.survey.files.whole import write_whole
from earthward.units import engineering, prefix_of

#: Units that are read with a prefix.
PREFIXED = {"V", "F", "ohm", "V/min"}
EMULATED = "EMULATED: nothing here was measured."


@dataclass(frozen=True)
class Bench:
    """What one bench command found. figures: drawings for the sheet; remarks: sentences."""

    part: str
    title: str
    lines: list[Line]
    emulated: bool
    defect: str = ""
    defect_text: str = ""
    figures: list[Figure] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    told: dict[str, Any] = field(default_factory=dict)
    """More for the JSON."""

    @property
    def verdict(self) -> Verdict:
        return overall(self.lines)

    @property
    def values(self) -> dict[str, float]:
        return {x.band.name: x.value for x in self.lines if x.value is not None and math.isfinite(x.value)}


def add_output(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("what to do with the result")
    group.add_argument("--json", action="store_true", help="one JSON object on stdout")
    group.add_argument("--serial", metavar="NAME", help="serial number or name of the part, for file and sheet")
    group.add_argument("--results", metavar="FILE.jsonl", help="add the result to this file (earthward bench trend)")
    group.add_argument("--pdf", metavar="FILE.pdf", help="write a sheet to keep with the part")


def give(bench: Bench, args: argparse.Namespace) -> int:
    """Print, file and draw. Exit code 0: pass or watch; 1: replace, or nothing was measured."""
    now = wall_s()
    if args.results:
        _file(bench, args, now)
    if args.pdf:
        write_whole(Path(args.pdf), to_pdf(document(bench, args.serial or "", now, _months(bench, args))))
    if args.json:
        print(json.dumps(as_json(bench), allow_nan=False))
    else:
        print("\n".join(as_text(bench)))
    return 0 if bench.verdict in ("pass", "watch") or not bench.lines else 1


def _file(bench: Bench, args: argparse.Namespace, now: float) -> None:
    if not args.serial:
        raise InputError("a result in a file needs a name: add --serial, as it is written on the part")
    path = Path(args.results)
    text = read_text(path, "a file of bench results") if path.exists() else ""
    read_results(text, str(path))  # a file that is something else is not added to
    result = BenchResult(serial=args.serial, part=bench.part, time_s=now, values=bench.values, verdict=bench.verdict,
                         defect=bench.defect, emulated=bench.emulated, software=__version__)  # fmt: skip
    write_whole(path, with_result(text, result))


def _months(bench: Bench, args: argparse.Namespace) -> list[str]:
    """What earlier results of this part say of the values, as far as there is a trend."""
    if not args.results:
        return []
    results = read_results(read_text(Path(args.results), "a file of bench results"), args.results)
    own = [r for r in results if (r.serial, r.part, r.emulated) == (args.serial, bench.part, bench.emulated)]
    found = trends(own, [x.band for x in bench.lines])
    return [f"{t.band.name}: {in_words(t)}." for t in found if t.per_month is not None]


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def as_json(bench: Bench) -> dict[str, Any]:
    return {
        "part": bench.part,
        "emulated": bench.emulated,
        "verdict": bench.verdict,
        "defect": bench.defect or None,
        "text": bench.defect_text,
        "lines": [
            {"name": x.band.name, "value": _number(x.value), "unit": x.band.unit, "verdict": x.verdict,
             "good": [_number(v) for v in x.band.good], "usable": [_number(v) for v in x.band.usable],
             "how": x.band.how, "reason": x.reason}
            for x in bench.lines
        ],
        "remarks": bench.remarks,
        **bench.told,
    }  # fmt: skip


def _said(value: float | None, unit: str) -> str:
    """As a person reads it: 322 µF, not 0.000322 F."""
    if value is None:
        return "-"
    if unit in PREFIXED and math.isfinite(value) and value:
        return engineering(value, unit)
    return f"{value:.4g} {unit}".rstrip()


def _limit(value: float, unit: str) -> str:
    factor, letter = prefix_of(abs(value)) if unit in PREFIXED else (1.0, "")
    return f"{value / factor:g} {letter}{unit}".rstrip()


def _range(band: Band) -> str:
    low, high = band.good
    if math.isinf(high):
        return f"from {_limit(low, band.unit)}"
    upper = _limit(high, band.unit)
    return f"to {upper}" if low in (0.0, -math.inf) else f"{_limit(low, band.unit)} to {upper}"


def as_text(bench: Bench) -> list[str]:
    out = [EMULATED] if bench.emulated else []
    for x in bench.lines:
        value = _said(x.value, x.band.unit)
        out.append(f"{x.verdict:12} {x.band.name:16} {value:>12}  ({_range(x.band)})  {x.band.how}")
        if x.verdict in ("watch", "replace"):
            out.append(f"{'':12} -> {x.reason}.")
    out += [f"{'':12} {remark}" for remark in bench.remarks]
    if bench.defect:
        out.append(f"{bench.verdict}: {bench.defect}; {bench.defect_text}.")
    elif bench.lines:
        out.append(f"{bench.verdict}.")
    return out


def document(bench: Bench, serial: str, now_s: float, months: Sequence[str] = ()) -> Document:
    rows = [[x.band.name, _said(x.value, x.band.unit), _range(x.band), x.verdict, x.band.how] for x in bench.lines]
    reasons = [f"{x.band.name}: {x.reason}." for x in bench.lines if x.verdict in ("watch", "replace")]
    said = f"{bench.defect}: {bench.defect_text}." if bench.defect else "Nothing points at a defect."
    blocks: list[Block] = [
        Paragraph(f"{bench.verdict.capitalize()}. {said}", "lead"),
        Table(["value", "found", "good", "verdict", "how"], rows, "lrlll", [0, 0, 0, 0, 1], small=True),
    ]
    if reasons:
        blocks += [Heading("What is outside its limits", 2), Bullets(reasons)]
    if bench.remarks:
        blocks += [Heading("Remarks", 2), Bullets(bench.remarks)]
    if months:
        blocks += [Heading("Over months", 2), Bullets(list(months))]
    blocks += bench.figures
    return Document(
        title=bench.title,
        subtitle="Bench sheet",
        facts=[("serial", serial), ("date", utc_text(now_s)), ("software", f"Earthward {__version__}")],
        blocks=blocks,
        stamp="EMULATED" if bench.emulated else "",
        stamp_text="nothing here was measured" if bench.emulated else "",
        footer="Limits are this project's own choice unless the text names a source.",
    )


# ---- trend -----------------------------------------------------------------------------------------------------------


def trend_text(path: Path, serial: str | None, bands: tuple[Band, ...], *, as_json: bool) -> list[str]:
    """What the file of results says of each part in it, or of one."""
    results = read_results(read_text(path, "a file of bench results"), str(path))
    wanted = [r for r in results if serial is None or r.serial == serial]
    if not wanted:
        known = sorted({r.serial for r in results})
        raise InputError(f"{path} has no result of {serial!r}; it has {', '.join(known) or 'none at all'}")
    parts = sorted({(r.serial, r.part, r.emulated) for r in wanted})
    out: list[str] = []
    told: list[dict[str, Any]] = []
    for name, part, emulated in parts:
        own = [r for r in wanted if (r.serial, r.part, r.emulated) == (name, part, emulated)]
        found = trends(own, bands)
        count = "one result" if len(own) == 1 else f"{len(own)} results"
        out.append(f"{name} ({part}{', EMULATED' if emulated else ''}), {count}, latest: "
                   f"{max(own, key=lambda r: r.time_s).verdict}")  # fmt: skip
        out += [f"  {t.band.name:16} {_said(t.latest, t.band.unit):>12}  {in_words(t)}" for t in found]
        told += [
            {"serial": name, "part": part, "emulated": emulated, "name": t.band.name, "latest": t.latest,
             "results": t.count, "per_month": t.per_month, "per_month_sigma": t.per_month_sigma,
             "months_left": t.months_left}
            for t in found
        ]  # fmt: skip
    return [json.dumps({"trends": told})] if as_json else out
