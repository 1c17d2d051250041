"""`earthward calibrate`: leads through front-end gain, zero, converter rate, current sense and spacing.

Each step says what to join, measures (or takes what the person read), and writes the calibration file anew, so that a
broken-off session keeps what it had. `--emulated` does the same on an emulated kit.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earthward import config as configuration
from earthward.clock import Clock, SystemClock, wall_s
from earthward.commands import _calibration_file as files
from earthward.devices.ads1115 import AdcReader, AdcSettings
from earthward.devices.ads1115.chip import Bus
from earthward.devices.i2c import open_i2c
from earthward.emulated.kit import VirtualKit
from earthward.errors import InputError
from earthward.kit import calibrating
from earthward.kit.calibrating import Floats, Known
from earthward.record.calibration import QUANTITIES, Calibrated, Calibration
from earthward.signal.types import SampleBlock

SUMMARY = "calibrate a kit: gain, zero, converter rate, current sense, spacing"
RATE_HZ = 860.0


@dataclass(frozen=True)
class Stretch:
    """Samples of the pair with a gain of 1 set, when each was read, and its number."""

    volts: Floats
    times_s: Floats
    index: Floats


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--file", metavar="FILE", default="calibration.json", help="calibration file, begun or gone on with"
    )
    parser.add_argument("--kit", metavar="NAME", default="", help="name or number of the kit (for a new file)")
    parser.add_argument("--config", metavar="FILE", help="configuration: which converter")
    parser.add_argument("--seconds", type=float, default=20.0, help="length of a measurement (default 20)")
    parser.add_argument("--show", action="store_true", help="print what the file holds, measure nothing")
    parser.add_argument("--zero", action="store_true", help="front and back are joined at the plug: measure the zero")
    parser.add_argument("--divider", nargs=6, type=float, metavar=("V", "dV", "UPPER", "dU", "LOWER", "dL"),
                        help="known divider at the plug, each value with its uncertainty: gain")  # fmt: skip
    parser.add_argument("--rate", action="store_true", help="count conversions against the clock")
    parser.add_argument("--load", nargs=2, type=float, metavar=("OHM", "dOHM"), help="known resistor between A and E")
    parser.add_argument("--told", metavar="FILE.csv", help="with --load: the board's reports, current_A,voltage_V")
    parser.add_argument("--spacing", nargs=2, type=float, metavar=("M", "dM"), help="between the electrodes' centres")
    parser.add_argument("--emulated", type=int, metavar="SEED", help="an emulated kit in place of a real one")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    path = Path(args.file)
    emulated = args.emulated is not None
    calibration = files.read(path) if path.exists() else Calibration(kit=args.kit or "unnamed", emulated=emulated)
    if calibration.emulated != emulated and not args.show:
        raise InputError(f"{path} is of {'an emulated' if calibration.emulated else 'a real'} kit: use another file")
    if not args.show:
        found = _measure(args, calibration)
        if not found:
            raise InputError("nothing was asked for: --zero, --divider, --rate, --load, --spacing, or --show")
        for name, item in found.items():
            calibration = files.with_item(calibration, name, item)
            files.write(path, calibration)
    _print(calibration, as_json=args.json)
    return 0


def _measure(args: argparse.Namespace, known: Calibration) -> dict[str, Calibrated]:
    now = wall_s()
    found: dict[str, Calibrated] = {}
    if args.spacing:
        found["spacing"] = calibrating.spacing(Known(*args.spacing), now)
    if args.load:
        found["current_sense"] = _current_sense(args, now)
    if args.zero and args.divider:
        raise InputError("zero and divider want different things at the plug: one after the other")
    if args.zero or args.divider or args.rate:
        applied = None
        if args.divider:
            v = args.divider
            applied = calibrating.divided(Known(v[0], v[1]), Known(v[2], v[3]), Known(v[4], v[5]))
        stretch = _stretch(args, applied.value if applied else 0.0)
        if args.zero:
            found["zero"] = calibrating.zero(stretch.volts, now)
        if args.rate:
            found["converter_rate"] = calibrating.converter_rate(stretch.times_s, stretch.index, now)
        if applied is not None:
            if known.zero is None:
                raise InputError("measure the zero first: --zero")
            found["front_end_gain"] = calibrating.gain(stretch.volts, known.zero, applied, now)
    return found


def _current_sense(args: argparse.Namespace, now: float) -> Calibrated:
    load = Known(*args.load)
    if args.emulated is not None:
        kit = VirtualKit(args.emulated)
        rng = np.random.default_rng(args.emulated + 1)
        true_A = kit.current_A("A", load.value)
        told = true_A * (kit.values()["current_sense"] or 1.0)
        return calibrating.current_sense(
            told * (1 + 2e-3 * rng.standard_normal(400)),
            true_A * load.value * (1 + 2e-3 * rng.standard_normal(400)),
            load,
            now,
        )
    if not args.told:
        raise InputError("say what the board reported meanwhile: --told FILE.csv with current_A,voltage_V")
    current, volts = files.read_reports(Path(args.told))
    return calibrating.current_sense(current, volts, load, now)


def _stretch(args: argparse.Namespace, applied_V: float) -> Stretch:
    if args.emulated is not None:
        return _emulated_stretch(args.emulated, applied_V, args.seconds)
    config = configuration.load(args.config) if args.config else configuration.Config()
    adc = config.adc
    settings = AdcSettings(chip=adc.chip, address=adc.address, rate=adc.rate, full_scale_V=adc.full_scale_V or 0.256)
    return read_converter(open_i2c(adc.i2c_bus), SystemClock(), settings, args.seconds)


def read_converter(bus: Bus, clock: Clock, settings: AdcSettings, seconds: float) -> Stretch:
    """What the converter gives for so many seconds. Raises InputError if it does not answer."""
    blocks: list[SampleBlock] = []
    with AdcReader(bus, clock, settings, on_block=blocks.append) as reader:
        clock.sleep(seconds)
        status = reader.status
    if not blocks:
        raise InputError(f"the converter gave nothing: {status.text}")
    index = np.concatenate([np.asarray(b.index, np.float64) for b in blocks])
    return Stretch(np.concatenate([b.v_V for b in blocks]), np.concatenate([b.t_s for b in blocks]), index)


def _emulated_stretch(seed: int, applied_V: float, seconds: float) -> Stretch:
    """EMULATED: what the kit's converter gives, with its noise and its own idea of a second."""
    kit = VirtualKit(seed)
    rng = np.random.default_rng(seed)
    rate = RATE_HZ * rng.uniform(0.92, 1.08)
    n = int(seconds * rate)
    volts = kit.indicated_V(-applied_V / 2, applied_V / 2, 0.0) * kit.built.gain_set
    index = np.arange(n, dtype=np.float64)
    return Stretch(volts + 8e-6 * rng.standard_normal(n), index / rate + rng.exponential(2e-4, n), index)


def _print(calibration: Calibration, *, as_json: bool) -> None:
    overdue = calibration.overdue(wall_s())
    if as_json:
        items = {
            name: {"value": i.value, "sigma": i.sigma, "unit": i.unit, "method": i.method, "time_s": i.time_s}
            for name, i in calibration.items().items()
        }
        told = {"kit": calibration.kit, "emulated": calibration.emulated, "sha256": calibration.digest()}
        print(json.dumps({**told, "items": items, "overdue": overdue}))
        return
    if calibration.emulated:
        print("EMULATED: nothing here was measured.")
    for name in QUANTITIES:
        item = calibration.items().get(name)
        if item is None:
            print(f"{name:16} not calibrated yet")
        else:
            late = "  OVERDUE: more than a year old" if name in overdue else ""
            print(f"{name:16} {item.value:12.6g} +- {item.sigma:.2g} {item.unit}  ({item.method}){late}")
    print(f"signed: {calibration.in_words()}")
