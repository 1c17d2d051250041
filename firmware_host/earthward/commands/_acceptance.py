"""`earthward doctor --acceptance`: the acceptance sheet, from written values or from the emulated kit."""

from __future__ import annotations

import argparse
import csv
import json
import math
from pathlib import Path

from earthward import config as configuration
from earthward.clock import Clock, SystemClock
from earthward.devices.ads1115.chip import Bus
from earthward.devices.i2c import answers, open_i2c
from earthward.devices.source import SourceLink
from earthward.emulated import kit as emulated_kit
from earthward.errors import InputError
from earthward.kit import acceptance
from earthward.record.board import Trip

LISTEN_S = 20.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("acceptance of a built kit")
    group.add_argument("--acceptance", action="store_true", help="print the acceptance sheet: pass, watch or fail")
    group.add_argument("--values", metavar="FILE.csv", help="measured values (name,value); --blank prints the form")
    group.add_argument(
        "--live", action="store_true", help="take what board and converter can tell from them themselves"
    )
    group.add_argument("--blank", action="store_true", help="print the form to fill in, with how each is measured")
    group.add_argument("--emulated", action="store_true", help="an emulated kit in place of a real one")
    group.add_argument("--seed", type=int, metavar="N", help="draw of the parts' tolerances; without it nominal values")
    group.add_argument("--builders-error", choices=sorted(emulated_kit.ERRORS), help="build the emulated kit wrongly")
    group.add_argument("--errors-table", action="store_true", help="all builder's errors with their sentences")


def run(args: argparse.Namespace) -> int:
    if args.blank:
        print("name,value")
        for item in acceptance.ITEMS:
            print(f'{item.name},,"{item.how}; {item.low:g} to {item.high:g} {item.unit}"')
        return 0
    if args.errors_table:
        print("\n".join(errors_table()))
        return 0
    if args.emulated:
        values = emulated_kit.VirtualKit(args.seed, args.builders_error).values()
    elif args.values or args.live:
        values = live(args.config) if args.live else {}
        if args.values:
            values |= {name: v for name, v in read_values(Path(args.values)).items() if v is not None}
    else:
        raise InputError("say where the values come from: --values FILE.csv (the form: --blank), --live, or --emulated")
    lines = acceptance.judge(values)
    ok = all(line.verdict in ("pass", "watch") for line in lines)
    if args.json:
        print(json.dumps({"ok": ok, "emulated": bool(args.emulated), "lines": [_told(line) for line in lines]}))
    else:
        print("\n".join(sheet(lines, emulated=args.emulated)))
    return 0 if ok else 1


def live(config_file: str | None) -> dict[str, float | None]:
    """What board and converter tell by themselves; the rest stays to be measured with a meter. Nothing is energised."""
    config = configuration.load(config_file) if config_file else configuration.Config()
    clock = SystemClock()
    with SourceLink(config.link.port, clock) as link:
        values = from_link(link, clock, LISTEN_S)
    return values | from_bus(open_i2c(config.adc.i2c_bus))


def from_link(link: SourceLink, clock: Clock, listen_s: float) -> dict[str, float | None]:
    """Raises LinkError when the board answers and then falls silent; a board that never answers is a value: 0."""
    if not link.wait_connected(3.0):
        return {"baud_ratio": 0.0}
    end = clock.now() + listen_s
    while clock.now() < end and not link.status.clock_ready:
        clock.sleep(0.1)
    clock.sleep(max(0.0, end - clock.now()))  # the longer, the better is the clock known
    report, status = link.request_status(), link.status
    return {
        "baud_ratio": 1.0,
        "board_V": report.battery_V,
        "temperature_C": report.temperature_C,
        "idle_A_V": report.idle_dc_V if report.electrode == "A" else None,
        "fuses_right": 0.0 if report.trip is Trip.SELF_TEST else 1.0,
        "clock_ratio": None if status.clock_offset is None else 1.0 + status.clock_offset,
    }


def from_bus(bus: Bus) -> dict[str, float | None]:
    """The first address at which a converter answers; 0: at none."""
    found = (address for address in (0x48, 0x49, 0x4A, 0x4B) if answers(bus, address))
    return {"converter_address": float(next(found, 0))}


def _told(line: acceptance.Line) -> dict[str, object]:
    item = line.item
    high = item.high if math.isfinite(item.high) else None
    return {"name": item.name, "value": line.value, "unit": item.unit, "low": item.low, "high": high,
            "verdict": line.verdict, "text": line.text, "how": item.how, "why": item.why}  # fmt: skip


def sheet(lines: list[acceptance.Line], *, emulated: bool) -> list[str]:
    head = ["EMULATED: nothing here was measured."] if emulated else []
    rows = []
    for line in lines:
        item = line.item
        value = "-" if line.value is None else f"{line.value:.4g}"
        rows.append(
            f"{line.verdict:12} {item.name:20} {value:>10} {item.unit:4} ({item.low:g} to {item.high:g})  {item.how}"
        )
        if line.text:
            rows.append(f"{'':12} -> {line.text}.")
    failed = sum(line.verdict == "fail" for line in lines)
    missing = sum(line.verdict == "not measured" for line in lines)
    watched = sum(line.verdict == "watch" for line in lines)
    end = (
        f"Accepted: {len(lines) - watched} passed, {watched} to be watched."
        if not failed + missing
        else f"Not accepted: {failed} failed, {missing} not measured. The kit is not used."
    )
    return [*head, *rows, end]


def errors_table() -> list[str]:
    """Markdown: what was built wrongly and what the sheet says first."""
    rows = ["| builder's error | what the sheet says |", "|---|---|"]
    for error in emulated_kit.ERRORS.values():
        said = acceptance.sentences(acceptance.judge(emulated_kit.VirtualKit(None, error.name).values()))
        rows.append(f"| {error.what} | {said[0]} |")
    return rows


def read_values(path: Path) -> dict[str, float | None]:
    """name,value rows; a value left empty was not measured. Further columns are remarks."""
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            rows = list(csv.reader(handle))
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path} is no table of values ({error}): --blank prints the form") from error
    if not rows or [c.strip() for c in rows[0][:2]] != ["name", "value"]:
        raise InputError(f"{path}: the first line must be name,value")
    values: dict[str, float | None] = {}
    for number, row in enumerate(rows[1:], start=2):
        if not row:
            continue
        name, text = row[0].strip(), row[1].strip() if len(row) > 1 else ""
        if name not in acceptance.BY_NAME:
            raise InputError(f"{path} line {number}: there is no value {name!r}: --blank prints the names")
        try:
            values[name] = float(text) if text else None
        except ValueError as error:
            raise InputError(f"{path} line {number}: {text!r} is no number") from error
    return values
