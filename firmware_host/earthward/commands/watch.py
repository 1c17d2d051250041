"""`earthward watch`: the dashboard in this terminal."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING

from earthward.display.app import Listener, run_dashboard
from earthward.display.client import default_address
from earthward.display.glyphs import TIERS
from earthward.display.hands import BenchHands
from earthward.display.themes import THEMES

if TYPE_CHECKING:
    from earthward.commands._cue_file import CueFile

SUMMARY = "the dashboard"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--connect", metavar="ADDR", help="the daemon's socket path, or tcp:127.0.0.1:PORT:TOKEN")
    parser.add_argument("--theme", choices=THEMES, default=os.environ.get("EARTHWARD_THEME", "daylight"))
    parser.add_argument("--glyphs", choices=(*TIERS, "auto"), default="auto", help="which characters may be drawn")
    parser.add_argument("--units", choices=("si", "us"), default="si")
    parser.add_argument("--key", action="append", default=[], metavar="ACTION=KEY", help="remap, for example off=f12")
    parser.add_argument("--operator", default="", help="who states that nobody is in the water")
    parser.add_argument("--reduced", action="store_true", help="fewer redraws, for slow machines and panels")
    parser.add_argument("--no-switches", action="store_true", help="leave the pool-side switches to another display")

    parser.add_argument("--bench-hands", metavar="SOCKET", help=argparse.SUPPRESS)
    parser.add_argument("--wav", metavar="FILE", help="write what would be heard")


def run(args: argparse.Namespace) -> int:
    listeners: list[Listener] = []
    sound: CueFile | None = None
    if args.wav:
        # Only now: the maths behind the sound is dear on a small machine.
        from earthward.commands._cue_file import CueFile

        sound = CueFile(args.wav)
        listeners.append(sound)
    try:
        return run_dashboard(
            args.connect or default_address(),
            theme=args.theme,
            glyphs=args.glyphs,
            units=args.units,
            reduced=args.reduced,
            keys=args.key,
            operator=args.operator,
            switches=not args.no_switches,
            listeners=listeners,
            hands=None if args.bench_hands is None else BenchHands(args.bench_hands),
        )
    finally:
        if sound is not None:
            sound.close()
