"""`earthward doctor`: what is wired, what is missing, in plain sentences; `--acceptance`: is a built kit right?"""

from __future__ import annotations

import argparse
import grp
import importlib.metadata
import importlib.util
import json
import os
import platform
import shutil
import sys
import warnings
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from earthward import config as configuration
from earthward.clock import SystemClock
from earthward.commands import _acceptance
from earthward.commands.doctor_daemon import CONTACTS, DEVICES, state_of
from earthward.daemon.protocol import State
from earthward.daemon.wiring import make_pool_side
from earthward.devices.i2c import answers, open_i2c
from earthward.devices.pins_library import load_lgpio
from earthward.errors import InputError


@dataclass(frozen=True, slots=True)
class Look:
    """One thing looked at. `level`: right, note (works without), or wrong (the instrument cannot work so)."""

    what: str
    level: Literal["right", "note", "wrong"]
    text: str


#: The module that reads each sensor of the pole head.
_DRIVER = {"LSM6DSOX": "adafruit_lsm6ds", "LIS3MDL": "adafruit_lis3mdl", "LPS28DFW": "adafruit_lps28"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="configuration to check the wiring against")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")
    _acceptance.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if args.acceptance:
        return _acceptance.run(args)
    config = configuration.load(args.config) if args.config else configuration.Config()
    with warnings.catch_warnings():
        # Libraries' own complaints about a machine without pins: what of them matters is said below, in sentences.
        warnings.simplefilter("ignore")
        findings = list(examine(config))
    wrong = [f for f in findings if f.level == "wrong"]
    if args.json:
        print(json.dumps({"ok": not wrong, "findings": [asdict(f) for f in findings]}))
        return 1 if wrong else 0
    mark = {"right": "ok   ", "note": "note ", "wrong": "WRONG"}
    for finding in findings:
        print(f"{mark[finding.level]} {finding.what}: {finding.text}")
    print(
        "Everything the instrument needs is there."
        if not wrong
        else f"{len(wrong)} things are missing or wrong. Without hardware, `earthward demo` shows the emulated bench."
    )
    return 1 if wrong else 0


def examine(config: configuration.Config) -> Iterator[Look]:
    """Look at one thing after another; each look says what to do, none stops the others."""
    devices: tuple[Callable[[configuration.Config], Iterator[Look]], ...] = (_receiver, _head, _board, _pins)
    try:
        running = state_of(Path(config.service.socket))
    except InputError as error:
        yield Look("daemon", "wrong", str(error))
        devices = ()
    else:
        if running is not None:
            yield from _of_daemon(running)
            devices = ()
    for check in (_machine, _libraries, _groups, *devices, _storage, _screen):
        yield from check(config)


def _of_daemon(state: State) -> Iterator[Look]:
    """Bus, pins and port are the running daemon's: what it says of them."""
    yield Look("daemon", "right", "it runs, and says of what it holds:")
    for permissive in state.interlock.permissives:
        if permissive.name in DEVICES:
            yield Look(DEVICES[permissive.name], "right" if permissive.ok else "wrong", permissive.text)
        elif permissive.name in CONTACTS:
            yield Look(CONTACTS[permissive.name], "right" if permissive.ok else "note", permissive.text)


def _machine(config: configuration.Config) -> Iterator[Look]:
    version = platform.python_version()
    yield Look("Python", "right" if sys.version_info >= (3, 11) else "wrong", f"{version} (3.11 or later is needed)")
    model = Path("/proc/device-tree/model")
    name = model.read_text(errors="replace").strip("\0\n ") if model.exists() else ""
    if "Raspberry Pi" in name:
        yield Look("machine", "right", name)
    else:
        yield Look("machine", "note", f"{name or platform.machine()}: no Raspberry Pi, so no pins and no receiver")


def _libraries(config: configuration.Config) -> Iterator[Look]:
    if not load_lgpio():
        yield Look(
            "lgpio",
            "wrong",
            "not installed: apt install python3-lgpio and make the environment with system site packages",
        )
    elif not hasattr(importlib.import_module("lgpio"), "gpiochip_open"):
        # PyPI has an empty package of that name for some Pythons: it imports, and has nothing in it.
        yield Look("lgpio", "wrong", "an empty stub is installed: remove it with pip, then apt install python3-lgpio")
    else:
        yield Look("lgpio", "right", "present")
    if importlib.util.find_spec("adafruit_extended_bus") is None:
        yield Look("I2C library", "wrong", "adafruit-extended-bus is missing: install Earthward with its extra `pi`")
    else:
        yield Look("I2C library", "right", importlib.metadata.version("adafruit-extended-bus"))


def _groups(config: configuration.Config) -> Iterator[Look]:
    mine = {g.gr_name for g in grp.getgrall() if g.gr_gid in os.getgroups()}
    for group in ("gpio", "i2c", "dialout", "audio"):
        if os.geteuid() == 0 or group in mine:
            yield Look(f"group {group}", "right", "yours")
        else:
            yield Look(
                f"group {group}", "note", f"you are not in it: sudo usermod -aG {group} $USER, then log in again"
            )


def _head(config: configuration.Config) -> Iterator[Look]:
    """The sensors in the pole head, as far as the configuration names any."""
    wanted = [
        ("head sensor", config.orientation.sensor, config.orientation.i2c_bus, config.orientation.address),
        ("magnetometer", config.orientation.magnetometer, config.orientation.i2c_bus,
         config.orientation.magnetometer_address),
        ("depth sensor", config.depth.sensor, config.depth.i2c_bus, config.depth.address),
    ]  # fmt: skip
    if config.orientation.sensor == "none":
        wanted = wanted[2:]
    for what, part, number, address in wanted:
        if part == "none":
            continue
        module = _DRIVER[part]
        if importlib.util.find_spec(module) is None:
            yield Look(what, "wrong", f"the {part}'s library is missing: install Earthward with its extra `head`")
            continue
        try:
            found = answers(open_i2c(number), address)
        except InputError as error:
            yield Look(what, "wrong", str(error))
            continue
        if found:
            yield Look(what, "right", f"{part} answers at {address:#x}")
        else:
            hint = "check the pole's plug, the extenders and its address wire; readings go on without it"
            yield Look(what, "note", f"no {part} answers at {address:#x}: {hint}")


def _receiver(config: configuration.Config) -> Iterator[Look]:
    device = Path(f"/dev/i2c-{config.adc.i2c_bus}")
    if not device.exists():
        yield Look("I2C bus", "wrong", f"{device} is not there: switch I2C on (raspi-config, Interface Options)")
        return
    try:
        bus = open_i2c(config.adc.i2c_bus)
        found = answers(bus, config.adc.address)
    except InputError as error:
        yield Look("I2C bus", "wrong", str(error))
        return
    text = f"answers at {config.adc.address:#x}"
    if found:
        yield Look("receiver", "right", f"{config.adc.chip} {text}")
    else:
        yield Look(
            "receiver", "wrong", f"nothing {text}: check supply, data, clock and address wire of the {config.adc.chip}"
        )
    rate = Path(f"/sys/class/i2c-adapter/i2c-{config.adc.i2c_bus}/of_node/clock-frequency")
    if rate.exists():
        hertz = int.from_bytes(rate.read_bytes(), "big")
        level: Literal["right", "note"] = "right" if hertz >= 400_000 else "note"
        hint = "" if hertz >= 400_000 else ": set dtparam=i2c_arm_baudrate=400000 in config.txt"
        yield Look("I2C clock", level, f"{hertz} Hz{hint}")


def _board(config: configuration.Config) -> Iterator[Look]:
    from earthward.devices.source import SourceLink

    port = Path(config.link.port)
    if not port.exists():
        known = (
            sorted(str(p) for p in Path("/dev/serial/by-id").glob("*")) if Path("/dev/serial/by-id").exists() else []
        )
        hint = f"; ports here: {', '.join(known)}" if known else "; no serial port is plugged in"
        yield Look("source board", "wrong", f"{port} is not there{hint}")
        return
    with SourceLink(str(port), SystemClock()) as link:
        answered = link.wait_connected(3.0)
        status = link.status
    if answered:
        yield Look("source board", "right", f"firmware {status.firmware} at {port}")
    else:
        yield Look("source board", "wrong", status.text)


def _pins(config: configuration.Config) -> Iterator[Look]:
    try:
        with make_pool_side(config) as pool_side:
            closed, held = pool_side.emergency_stop_closed, pool_side.enable_held
    except InputError as error:
        yield Look("pins", "wrong", str(error))
        return
    yield Look(
        "emergency stop",
        "right" if closed else "note",
        "closed" if closed else "open, or its wire is broken: the source stays off",
    )
    yield Look("enable", "right", "held: let go of it" if held else "not held, as it should be now")


def _storage(config: configuration.Config) -> Iterator[Look]:
    folder = Path(config.service.data_dir)
    existing = next(p for p in (folder, *folder.parents) if p.exists())
    if not os.access(existing, os.W_OK):
        yield Look("storage", "wrong", f"{folder} cannot be written: set service.data_dir to a folder of yours")
        return
    free = shutil.disk_usage(existing).free
    level: Literal["right", "note"] = "right" if free > 1e9 else "note"
    yield Look("storage", level, f"{free / 1e9:.1f} GB free at {folder}; an hour of recording takes about 65 MB")


def _screen(config: configuration.Config) -> Iterator[Look]:
    if not sys.stdout.isatty():
        yield Look("screen", "note", "no terminal here")
        return
    size = shutil.get_terminal_size()
    fits = size.columns >= 40 and size.lines >= 13
    yield Look(
        "screen",
        "right" if fits else "wrong",
        f"{size.columns}x{size.lines}" + ("" if fits else ": at least 40x13 is needed; choose a smaller font"),
    )
