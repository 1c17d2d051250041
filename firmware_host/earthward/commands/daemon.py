"""`earthward daemon`: the service on a Raspberry Pi."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from pathlib import Path

from earthward import config as configuration
from earthward.clock import SystemClock, wall_s
from earthward.daemon.life import Daemon
from earthward.daemon.recorder import new_folder
from earthward.daemon.wiring import hardware_wiring
from earthward.errors import InputError
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="TOML file; docs/configuration.md lists the keys")
    parser.add_argument("--survey", metavar="FILE", help="survey file to go on with, or to begin (with --pool)")
    parser.add_argument("--pool", metavar="POOL.toml", help="pool file of a new survey")


def run(args: argparse.Namespace) -> int:
    config = configuration.load(args.config) if args.config else configuration.Config()
    logging.getLogger().setLevel(min(logging.INFO, logging.getLogger().level))
    # Acquisition must get the interpreter within a conversion (1.2 ms), not within the usual 5 ms.
    sys.setswitchinterval(0.0005)
    clock = SystemClock()
    visit = open_visit(config, args.survey, args.pool or config.service.pool)
    recording = None
    if config.service.record:
        recording = new_folder(Path(config.service.data_dir) / "recordings")
    daemon = Daemon(config, hardware_wiring(config, clock), visit=visit, recording=recording)
    return 0 if asyncio.run(daemon.run()) else 1


def open_visit(config: configuration.Config, survey: str | None, pool: str) -> Visit | None:
    """The survey to work on: an existing file, a new one for a pool file, or none. Raises InputError."""
    if survey and Path(survey).exists():
        return Visit(SurveyStore.open(survey), config.pair.spacing_m, wall_s)
    if not pool:
        if survey:
            raise InputError(f"survey {survey} does not exist: give --pool POOL.toml to begin it, or another file")
        return None
    try:
        text = Path(pool).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"pool file {pool} cannot be read ({error}); give the path of a TOML file") from error
    target = Path(survey) if survey else new_folder(Path(config.service.data_dir) / "surveys") / "survey.db"
    target.parent.mkdir(parents=True, exist_ok=True)
    store = SurveyStore.create(target, name=Path(pool).stem, pool_toml=text, emulated=False, units=config.units)
    return Visit(store, config.pair.spacing_m, wall_s)
