"""`earthward daemon`: the service on a Raspberry Pi."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from pathlib import Path

from earthward import config as configuration
from earthward.clock import SystemClock, wall_s
from earthward.commands import _calibration_file
from earthward.daemon.life import Daemon
from earthward.daemon.lock import FolderLock
from earthward.daemon.opening import open_visit
from earthward.daemon.recorder import new_folder
from earthward.daemon.wiring import hardware_wiring


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="TOML file; docs/configuration.md lists the keys")
    parser.add_argument("--survey", metavar="FILE", help="survey file to go on with, or to begin (with --pool)")
    parser.add_argument("--pool", metavar="POOL.toml", help="pool file; goes on with its survey of today")
    parser.add_argument("--new", action="store_true", help="begin a new survey, even if today's is not finished")


def run(args: argparse.Namespace) -> int:
    config = configuration.load(args.config) if args.config else configuration.Config()
    logging.getLogger().setLevel(min(logging.INFO, logging.getLogger().level))
    # Acquisition must get the interpreter within a conversion (1.2 ms), not within the usual 5 ms.
    sys.setswitchinterval(0.0005)
    clock = SystemClock()
    calibration = _calibration_file.read(Path(config.service.calibration)) if config.service.calibration else None
    if calibration is not None:
        config = _calibration_file.applied(config, calibration)
    with FolderLock(config.service.data_dir):
        visit = open_visit(config, args.survey, args.pool or config.service.pool, wall_s, begin_new=args.new)
        recording = None
        if config.service.record:
            recording = new_folder(Path(config.service.data_dir) / "recordings")
        daemon = Daemon(
            config, hardware_wiring(config, clock), visit=visit, recording=recording, calibration=calibration
        )
        # An end by a failure inside must look like one: the service manager then starts the daemon again.
        return 0 if asyncio.run(daemon.run()) else 1
