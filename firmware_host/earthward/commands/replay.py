"""`earthward replay`: a recording runs through daemon and display as if live; it is labelled, and drives nothing."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

import msgspec

from earthward.clock import Clock, PacedClock, SystemClock, wall_s
from earthward.commands.behind import dashboard_over, end_with_parent
from earthward.config import Config
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.daemon.parts import Wiring
from earthward.daemon.recorder import RecordingContent, read_recording
from earthward.daemon.replay import Replay
from earthward.devices.cue import CueSettings
from earthward.devices.sound import Sounder
from earthward.devices.sound_outputs import WavOutput
from earthward.errors import InputError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", help="folder that holds header.json and samples.ewc")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times as fast (default 1)")
    parser.add_argument("--headless", action="store_true", help="no dashboard: print the readings")
    parser.add_argument("--json", action="store_true", help="with --headless: one JSON object on stdout")
    parser.add_argument("--wav", metavar="FILE", help="write what would be heard")
    parser.add_argument("--serve", metavar="SOCKET", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    if not 0.1 <= args.speed <= 20:
        raise InputError(f"a speed of {args.speed:g} is not possible: choose 0.1 to 20")
    if not (args.headless or args.serve):
        read_recording(args.recording)  # a wrong folder is said here, not in a log
        arguments = ["replay", args.recording, "--speed", str(args.speed)]
        arguments += ["--wav", args.wav] if args.wav else []
        with tempfile.TemporaryDirectory(prefix="earthward-") as private:
            return dashboard_over(arguments, Path(private) / "replay.log")
    content = read_recording(args.recording)
    with tempfile.TemporaryDirectory(prefix="earthward-") as private:
        return asyncio.run(_play(args, content, args.serve or str(Path(private) / "socket")))


async def _play(args: argparse.Namespace, content: RecordingContent, socket: str) -> int:
    clock: Clock = SystemClock() if args.speed == 1 else PacedClock(args.speed)
    played = Replay(content, clock)
    ear = Sounder([WavOutput(args.wav)], clock, CueSettings()) if args.wav else None
    wiring = Wiring(
        receiver=played.receiver,
        board=played.board,
        clock=clock,
        emulated=True,
        playback=True,
        ear=ear,
        channels=1 + max(content.channels, default=0),
        wall_s=wall_s,
    )
    daemon = Daemon(replay_config(content, socket), wiring)
    readings: list[m.ReadingMessage] = []
    count = 0

    def listen(message: m.Message) -> None:
        nonlocal count
        if isinstance(message, m.ReadingMessage):
            count += 1
            if args.json:  # nothing else needs them all: three hours have 200,000
                readings.append(message)
            if args.headless and not args.json:
                value = "acquiring" if message.value_V is None else f"{message.value_V * 1e6:+10.2f} uV"
                print(f"{message.t_s - played.shift_s:12.3f} s  {'AB'[message.source_id]}  {value}  {message.flags}")

    daemon.listeners.append(listen)
    watcher = asyncio.create_task(end_with_parent(os.getppid(), daemon)) if args.serve else None
    if ear is not None:
        ear.live(True)
    await daemon.start()
    try:
        while not played.finished and not daemon.ending:
            await asyncio.sleep(0.05)
        if args.serve:
            daemon.event("info", "replay", "The recording has ended.")
            await daemon.ended()
    finally:
        if watcher is not None:
            watcher.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await watcher
        await daemon.close()
    if args.json:
        print(json.dumps(_summary(content, readings, played.shift_s)))
    elif args.headless:
        print(f"{count} readings replayed.", file=sys.stderr)
    return 0


def _summary(content: RecordingContent, readings: list[m.ReadingMessage], shift_s: float) -> dict[str, Any]:
    rows = []
    for reading in readings:
        row = msgspec.to_builtins(reading)
        row["t_s"] -= shift_s
        rows.append(row)
    return {"replay": True, "emulated": bool(content.header.get("emulated")), "readings": rows}


def replay_config(content: RecordingContent, socket: str) -> Config:
    """The configuration the recording was made with, serving on another socket."""
    header, default = content.header, Config()

    def change(struct: Any, **changes: Any) -> Any:
        return msgspec.structs.replace(struct, **changes)

    changed: Config = change(
        default,
        source=change(
            default.source,
            waveform=header.get("waveform", default.source.waveform),
            frequency_Hz=float(header.get("frequency_Hz", default.source.frequency_Hz)),
        ),
        pair=change(default.pair, spacing_m=float(header.get("spacing_m", default.pair.spacing_m))),
        detector=change(
            default.detector,
            window_s=float(header.get("window_s", default.detector.window_s)),
            mains_Hz=list(header.get("mains_Hz", default.detector.mains_Hz)),
        ),
        service=change(default.service, socket=socket, record=False),
    )
    return changed
