"""`earthward demo`: the whole kit emulated. Everything but the wires is the code that runs on a Raspberry Pi.

With a terminal: a bench process (virtual pool, emulated parts, the real daemon) and the dashboard on top of it.
Headless: a scripted technician does the visit by itself and leaves recording, survey, readings and a summary.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec

from earthward import __version__
from earthward.clock import Clock, PacedClock, utc_offset_s, wall_s
from earthward.commands.behind import dashboard_over, end_with_parent, hands_socket
from earthward.commands.demo_client import VisitError
from earthward.commands.demo_lesson import Lesson
from earthward.commands.demo_visit import WholeVisit
from earthward.commands.demo_walk import Walk
from earthward.commands.demo_world import Calendar, moving_time_s
from earthward.config import Config, DepthConfig, OrientationConfig, SwitchName
from earthward.daemon.life import Daemon
from earthward.daemon.parts import Wiring
from earthward.daemon.wiring import (
    DEPTH_ZERO,
    HEAD_CALIBRATION,
    SUPERVISED_S,
    make_depth,
    make_head,
    make_receiver,
    wire,
)
from earthward.devices.source import SourceLink
from earthward.emulated.bench import BenchPins, EmulatedBench
from earthward.emulated.scenario import Scenario
from earthward.emulated.virtual_mcu import find_build
from earthward.errors import InputError
from earthward.inversion.types import LocateSettings
from earthward.pool.pool_file import format_pool
from earthward.record.place import HEADS, Station
from earthward.survey.files.whole import write_whole
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

#: Bench seconds per second on the wall when nobody watches.
HEADLESS_SPEED = 3.0
#: ... where several pairs are read in turn, each conversion started by itself: that takes the machine more work.
HEADLESS_SPEED_IN_TURN = 1.5
#: Bench time goes so far without a look of the interlock ...
LOOK_S = 0.12
#: ... or a turn of the daemon's loop (ten a second), ...
TURN_S = 0.3
#: ... unless it stays away for so many real seconds: that is a fault, and the faults' rules shall see it.
LOOK_PATIENCE_S = 2.0
#: Where the emulated pool side has its four switches.
SWITCH_PINS: dict[SwitchName, int] = {"keep": 5, "map": 6, "next": 13, "off": 19}
#: How many fittings the pool of the headless visit has.
VISIT_FITTINGS = 3
#: The board's 10 V range; an instrument that nobody has configured asks for 5 mA.
DEMO_CURRENT_A = 0.010


ORIENTED = "-oriented"
#: Every head, then those that a visit can be made with that have an orientation sensor.
DEMO_HEADS = (*HEADS, *(head + ORIENTED for head in HEADS))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--headless", action="store_true", help="no dashboard: a scripted technician does the visit")
    parser.add_argument("--seed", type=int, default=1, help="which invented pool (default 1)")
    parser.add_argument("--out", metavar="DIR", help="where recording, survey and summary go (default: not kept)")
    parser.add_argument("--json", action="store_true", help="with --headless: one JSON object on stdout")
    parser.add_argument(
        "--speed", type=float, help="bench seconds per second (default 1, headless 3, or 1.5 with several pairs)"
    )
    parser.add_argument(
        "--job",
        choices=("visit", "walk"),
        default="visit",
        help="with --headless: the whole visit (default), or only a walk along the pool's edge",
    )
    parser.add_argument(
        "--head",
        choices=DEMO_HEADS,
        default="single",
        help="what the pole carries: one pair (default), two, or three axes; oriented: with an orientation sensor",
    )
    parser.add_argument(
        "--depth-sensor", action="store_true", help="with --headless: the head carries a depth (pressure) sensor too"
    )
    parser.add_argument("--fittings", type=int, help="how many fittings the pool has (default 3; with a walk 0)")
    parser.add_argument(
        "--leaks",
        type=int,
        default=1,
        choices=range(LocateSettings().max_leaks + 1),
        help="how many holes the liner has (default 1)",
    )
    parser.add_argument(
        "--firmware",
        action="store_true",
        help="the source board runs the real firmware on a virtual chip (first: make -C hardware/source_board)",
    )
    parser.add_argument(
        "--guided",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="with the dashboard: you do the visit (default); without, the pole walks along the edge by itself",
    )
    parser.add_argument("--units", choices=("si", "us"), default="si", help="with the dashboard: metres, or feet")
    parser.add_argument("--phone", type=int, metavar="PORT", help="with the dashboard: serve the phone page there too")
    parser.add_argument("--serve", metavar="SOCKET", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    if args.speed is not None and not 0.1 <= args.speed <= 10:
        raise InputError(f"a speed of {args.speed:g} is not possible: choose 0.1 to 10")
    if args.head.endswith(ORIENTED) and not args.headless and not args.serve:
        raise InputError(
            f"--head {args.head} needs --headless: with the dashboard nobody holds the head against a wall; "
            f"give the head without {ORIENTED}"
        )
    if args.depth_sensor and not args.headless and not args.serve:
        raise InputError("--depth-sensor needs --headless: with the dashboard nobody holds the head at the surface")
    if not args.leaks and not _fittings(args):
        raise InputError(
            "a pool with neither leak nor fitting lets no current out: give --fittings 1 or more, or --leaks 1"
        )
    if args.phone is not None and not 1 <= args.phone <= 65535:
        raise InputError(f"port {args.phone} is not possible: choose 1024 to 65535")
    # Acquisition must get the interpreter within a conversion (1.2 ms), not within the usual 5 ms.
    sys.setswitchinterval(0.0005)
    with _out_folder(args.out) as out:
        if args.serve:
            return asyncio.run(_serve(args, out))
        if args.headless:
            return asyncio.run(_headless(args, out))
        return _with_dashboard(args, out)


@contextlib.contextmanager
def _out_folder(wanted: str | None) -> Iterator[Path]:
    if wanted is None:
        with tempfile.TemporaryDirectory(prefix="earthward-") as folder:
            yield Path(folder)
        return
    folder_kept = Path(wanted)
    try:
        folder_kept.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"the folder {wanted} cannot be made ({error}); choose another with --out") from error
    taken = [n for n in ("recording", "survey.db", "summary.json", "report") if (folder_kept / n).exists()]
    if taken:
        raise InputError(f"the folder {wanted} already holds {taken[0]}: choose an empty one with --out")
    yield folder_kept


# ---- the bench ------------------------------------------------------------------------------------------------


def demo_config(scenario: Scenario, socket: Path) -> Config:
    """As an owner writes it who wants all the board can give: the figures of README.md were measured so."""
    config = Config()
    return msgspec.structs.replace(
        config,
        adc=msgspec.structs.replace(config.adc, front_end_gain=scenario.front_end_gain),
        pair=msgspec.structs.replace(config.pair, spacing_m=scenario.spacing_m, head=scenario.head),
        source=msgspec.structs.replace(config.source, current_limit_A=DEMO_CURRENT_A),
        orientation=OrientationConfig(sensor="LSM6DSOX") if scenario.orientation_sensor else config.orientation,
        depth=DepthConfig(sensor="LPS28DFW") if scenario.depth_sensor else config.depth,
        service=msgspec.structs.replace(config.service, socket=str(socket)),
    )


def bench_wiring(bench: EmulatedBench, config: Config, clock: Clock) -> Wiring:
    """The daemon's wiring to the emulated bench."""
    link = SourceLink(bench.port, clock, supervised_s=SUPERVISED_S * max(1.0, clock.speed), expect_emulated=True)
    receiver = make_receiver(config, bench.i2c, bench.reader_clock(), bench.pin_factory)
    # The calibration of an invented sensor is kept beside the socket, which goes with the demo.
    kept = Path(config.service.socket).parent / HEAD_CALIBRATION
    head = make_head(config, bench.i2c, bench.head_clock(), kept)
    depth = make_depth(config, bench.i2c, bench.head_clock(), kept.with_name(DEPTH_ZERO))
    wiring = wire(config, clock, receiver, link, emulated=True, pin_factory=bench.pin_factory, head=head, depth=depth)
    wiring.on_move = lambda place: hold(bench, place)
    if isinstance(clock, PacedClock):
        brake = clock.brake()
        wiring.on_supervised = lambda: brake.hold(clock.now() + LOOK_S, LOOK_PATIENCE_S)
        turned = clock.brake()
        wiring.on_turned = lambda: turned.hold(clock.now() + TURN_S, LOOK_PATIENCE_S)
    return wiring


def hold(bench: EmulatedBench, place: Station) -> None:
    """The virtual technician takes the pole where a client says it is; a place outside leaves it where it was."""
    moving_s = moving_time_s(bench.scenario)
    try:
        bench.technician.hold(place.position_m, place.bearing_deg or 0.0, vertical=place.vertical, moving_s=moving_s)
    except InputError as error:
        logging.getLogger(__name__).warning("%s", error)


def new_visit(
    scenario: Scenario, config: Config, out: Path, calendar_s: Callable[[], float] = wall_s, kind: type[Visit] = Visit
) -> Visit:
    pool = format_pool(scenario.known_pool())
    write_whole(out / "pool.toml", pool.encode())
    store = SurveyStore.create(
        out / "survey.db", name=scenario.name, pool_toml=pool, emulated=True, technician="scripted technician",
        software=f"earthward {__version__}", utc_offset_s=utc_offset_s(calendar_s()), wall_s=calendar_s,
    )  # fmt: skip
    return kind(store, config.pair.spacing_m, calendar_s, LocateSettings(head=config.head))


def _fittings(args: argparse.Namespace) -> int:
    """As many as asked for, or as the job usually has."""
    usual = VISIT_FITTINGS if (args.headless and args.job == "visit") or (args.guided and not args.headless) else 0
    return usual if args.fittings is None else int(args.fittings)


def make_scenario(args: argparse.Namespace) -> Scenario:
    head: Any = args.head.removesuffix(ORIENTED)
    return Scenario.random(
        args.seed,
        fittings=_fittings(args),
        leaks=args.leaks,
        head=head,
        orientation_sensor=args.head.endswith(ORIENTED),
        depth_sensor=args.depth_sensor,
    )


# ---- headless ---------------------------------------------------------------------------------------------------


async def _headless(args: argparse.Namespace, out: Path) -> int:
    started = time.monotonic()
    scenario = make_scenario(args)
    clock = PacedClock(args.speed or (HEADLESS_SPEED if scenario.head == "single" else HEADLESS_SPEED_IN_TURN))
    firmware = find_build() if args.firmware else None
    with (
        EmulatedBench(scenario, clock, firmware=firmware) as bench,
        tempfile.TemporaryDirectory(prefix="earthward-") as private,
    ):
        config = demo_config(scenario, Path(private) / "socket")
        wiring = bench_wiring(bench, config, clock)
        calendar = Calendar(clock)
        visit = new_visit(scenario, config, out, calendar if args.job == "visit" else wall_s)
        daemon = Daemon(config, wiring, visit=visit, recording=out / "recording")
        say = (lambda text: None) if args.json else (lambda text: print(text, flush=True))
        await daemon.start()
        try:
            socket = Path(config.service.socket)
            job = (
                WholeVisit(bench, daemon, socket, say, calendar=calendar, out=out)
                if args.job == "visit"
                else Walk(bench, daemon, socket, say)
            )
            summary = await job.run()
            job.write_csv(out / "readings.csv")
            # With covers and currents as they were in the end: this is the pool that the readings belong to.
            write_whole(out / "pool.toml", format_pool(visit.pool).encode())
        except VisitError as error:
            print(f"earthward: the demo's visit ended early: {error}", file=sys.stderr)
            return 1
        finally:
            await daemon.close()
            visit.store.close()
    summary = {
        "emulated": True,
        "job": args.job,
        "seed": args.seed,
        "speed": clock.speed,
        "seconds": round(time.monotonic() - started, 2),
        **summary,
    }
    write_whole(out / "summary.json", json.dumps(summary, indent=1).encode())
    if args.json:
        print(json.dumps(summary))
    elif args.out:
        what = "Recording, survey, report, readings" if args.job == "visit" else "Recording, survey, readings"
        print(f"{what} and summary are in {args.out}.")
    return 0


# ---- with the dashboard -------------------------------------------------------------------------------------------


async def _serve(args: argparse.Namespace, out: Path) -> int:
    """The bench process behind the dashboard: ends on SIGTERM, or when its parent is gone."""
    scenario = make_scenario(args)
    clock = PacedClock(args.speed or 1.0)
    firmware = find_build() if args.firmware else None
    bench_pins = BenchPins(switches={str(name): pin for name, pin in SWITCH_PINS.items()})
    with EmulatedBench(scenario, clock, pins=bench_pins, firmware=firmware) as bench:
        config = demo_config(scenario, Path(args.serve))
        pins = msgspec.structs.replace(config.pins, switches=SWITCH_PINS)
        service = msgspec.structs.replace(config.service, phone_port=args.phone)
        config = msgspec.structs.replace(config, pins=pins, service=service)
        wiring = bench_wiring(bench, config, clock)
        visit = new_visit(scenario, config, out)
        daemon = Daemon(config, wiring, visit=visit, recording=out / "recording")
        parent = os.getppid()
        if args.guided:
            lesson = Lesson(bench, daemon, out, wall_s)
            walker = asyncio.create_task(lesson.serve(hands_socket(Path(args.serve))))
        else:
            walker = asyncio.create_task(Walk(bench, daemon, Path(args.serve), lambda text: None).stroll())
        watcher = asyncio.create_task(end_with_parent(parent, daemon))
        try:
            await daemon.run()
        finally:
            for task in (walker, watcher):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, VisitError):
                    await task
            visit.store.close()
    return 0


def _with_dashboard(args: argparse.Namespace, out: Path) -> int:
    arguments = ["demo", "--seed", str(args.seed), "--out", str(out / "visit")]
    arguments += ["--guided" if args.guided else "--no-guided"]
    arguments += ["--head", args.head]
    arguments += [] if args.fittings is None else ["--fittings", str(args.fittings)]
    arguments += ["--leaks", str(args.leaks)]
    arguments += ["--firmware"] if args.firmware else []
    arguments += [] if args.phone is None else ["--phone", str(args.phone)]
    if args.speed is not None:
        arguments += ["--speed", str(args.speed)]
    return dashboard_over(arguments, out / "bench.log", hands=args.guided, units=args.units)
