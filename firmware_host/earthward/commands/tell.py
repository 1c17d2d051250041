"""`earthward tell`: say one thing to the running daemon and print what it answers. Nothing here switches on."""

from __future__ import annotations

import argparse
import socket
import sys
from pathlib import Path
from typing import get_args

import msgspec

from earthward.daemon import protocol as m
from earthward.display.client import default_address, parse_address
from earthward.errors import InputError
from earthward.record.bench import BenchStepName

SUMMARY = "say one thing to the running daemon"
#: The daemon answers at once, but for a card that is slow to write.
PATIENCE_S = 15.0
#: What is done when an event of this code has said so, and not before.
_TOLD_BY_EVENT: dict[type[m.Message], str] = {m.KeepTail: "tail", m.KeepFlight: "flight"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--connect", metavar="ADDR", help="the daemon's socket path")
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    what.add_parser("off", help="take the source's output off")
    withdraw = what.add_parser("withdraw", help="take a kept reading back; it stays in the record, marked")
    withdraw.add_argument("row", type=int, help="its row, as the report and the log name it")
    withdraw.add_argument("why", help="the reason, for the record")
    photo = what.add_parser("photo", help="add a picture to the survey")
    photo.add_argument("path", help="JPEG or PNG in the folder of the survey file")
    photo.add_argument("--caption", default="")
    photo.add_argument("--finding", type=int, metavar="N", help="the finding that it shows")
    photo.add_argument("--station", default="", help="the station that it shows")
    what.add_parser("keep-tail", help="keep the last 60 s of samples as a recording of their own")
    what.add_parser("keep-flight", help="keep samples, frames, clock and supply flags of the last minute in one file")
    wall = what.add_parser("at-wall", help="the head is held square to a wall: its orientation sensor counts from here")
    wall.add_argument("--bearing", type=float, metavar="DEG", help="of the wall (default: the nearest to the place)")
    what.add_parser("plumb", help="the pole is held plumb: calibrate the orientation sensor's level")
    what.add_parser("at-surface", help="the head is held at the water's surface: its depth sensor counts from here")
    bench = what.add_parser("bench-step", help="the recording shows this step of a bench test from now on")
    bench.add_argument("step", choices=get_args(BenchStepName))
    bench.add_argument("--applied-volts", type=float, metavar="V", help="divider: what it puts at the plug")
    note = what.add_parser("note", help="write a sentence into the survey's record")
    note.add_argument("text")


def run(args: argparse.Namespace) -> int:
    kind, target, _ = parse_address(args.connect or default_address())
    if kind != "unix":
        raise InputError("the network connection is read-only: give the path of the daemon's socket")
    print(say(Path(str(target)), message_of(args)))
    return 0


def message_of(args: argparse.Namespace) -> m.FromClient:
    """What the arguments ask for."""
    match args.what:
        case "off":
            return m.SourceOff()
        case "withdraw":
            return m.Withdraw(row=args.row, why=args.why)
        case "photo":
            return m.AddPhoto(path=args.path, caption=args.caption, finding=args.finding, station=args.station)
        case "keep-tail":
            return m.KeepTail()
        case "keep-flight":
            return m.KeepFlight()
        case "at-wall":
            return m.AtWall(bearing_deg=args.bearing)
        case "at-surface":
            return m.AtSurface()
        case "bench-step":
            return m.BenchStep(step=args.step, applied_V=args.applied_volts)
        case "plumb":
            return m.Plumb()
        case _:
            return m.Note(text=args.text)


def say(path: Path, message: m.FromClient) -> str:
    """Send it; returns what was heard of it. Raises InputError with the daemon's reason if it refuses."""
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(PATIENCE_S)
        try:
            line.connect(str(path))
            line.sendall(m.encode(m.Subscribe(protocol=m.PROTOCOL, topics=())) + m.encode(message))
            return _heard(line, message)
        except OSError as error:
            raise InputError(f"the daemon does not answer at {path} ({error}): is it running?") from error


def _heard(line: socket.socket, message: m.FromClient) -> str:
    wanted = str(type(message).__struct_config__.tag)
    with line.makefile("rb") as lines:
        for text in lines:
            try:
                got = m.from_daemon.decode(text)
            except msgspec.DecodeError as error:
                print(f"earthward: a line of the daemon could not be read ({error})", file=sys.stderr)
                continue
            match got:
                case m.Hello() if got.protocol != m.PROTOCOL:
                    raise InputError(f"the daemon speaks protocol version {got.protocol}, this program {m.PROTOCOL}")
                case m.Problem():
                    raise InputError(got.text.rstrip("."))
                case m.Done(request=request) if request == wanted and type(message) not in _TOLD_BY_EVENT:
                    return "Done."
                case m.EventMessage(code=code, severity=severity, text=said) if code == _TOLD_BY_EVENT.get(
                    type(message)
                ):
                    if severity == "info":
                        return said
                    raise InputError(said.rstrip("."))
                case _:
                    pass
    raise InputError("the daemon closed the line before it answered: look into its log")
