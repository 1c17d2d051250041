"""`earthward backup`: copy surveys and flight records to a stick; the daemon may go on meanwhile."""

from __future__ import annotations

import argparse
from pathlib import Path

from earthward import config as configuration
from earthward.survey.backup import back_up

FOLDERS = ("surveys", "flights")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("target", type=Path, help="folder that the stick is mounted at")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the daemon's data_dir (default: the configuration's)")
    parser.add_argument("--config", metavar="FILE", help="the daemon's configuration")
    parser.add_argument("--recordings", action="store_true", help="raw recordings and tails as well")


def run(args: argparse.Namespace) -> int:
    config = configuration.load(args.config) if args.config else configuration.Config()
    data = args.data or Path(config.service.data_dir)
    folders = FOLDERS + (("recordings", "tails") if args.recordings else ())
    done = back_up(data, args.target, folders)
    print(f"{done.files} files copied ({done.size / 1e6:.1f} MB), {done.same} were there already.")
    return 0
