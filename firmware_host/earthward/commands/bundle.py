"""`earthward bundle FILE`: one file of recording, survey, calibration and versions that says the same elsewhere."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from msgspec import structs

from earthward.bundle import archive
from earthward.commands import _calibration_file
from earthward.commands.field import read_table
from earthward.errors import InputError
from earthward.survey.files.readings import read_text

SUMMARY = "one file of a visit that replays bit for bit elsewhere, private words left out if asked"
COLUMNS = ("x_m", "y_m", "z_m", "current_A")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE.zip", help="the bundle: made with --survey or --recording, else read")
    parser.add_argument("--survey", metavar="SURVEY", help="survey file to put in")
    parser.add_argument(
        "--recording", action="append", default=[], metavar="FOLDER", help="recording to put in; again for more"
    )
    parser.add_argument("--calibration", metavar="FILE", help="calibration file to put in")
    parser.add_argument(
        "--truth", metavar="SINKS.csv", help="where current truly left (x_m,y_m,z_m,current_A), if known"
    )
    parser.add_argument(
        "--public", action="store_true", help="leave out whatever a person may have typed, and pictures"
    )
    parser.add_argument(
        "--check", action="store_true", help="replay each recording and compare with what the bundle says"
    )
    parser.add_argument("--unpack", metavar="DIR", help="write the parts into this folder")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    path = Path(args.file)
    if args.survey or args.recording:
        if args.check or args.unpack:
            raise InputError("a bundle is made or read: leave out --check and --unpack, or --survey and --recording")
        return _make(args, path)
    if args.calibration or args.truth or args.public:
        raise InputError("nothing to put in: give --survey or --recording as well")
    return _read(args, path)


def _make(args: argparse.Namespace, path: Path) -> int:
    calibration = truth = None
    if args.calibration:
        known = _calibration_file.read(Path(args.calibration))
        calibration = _calibration_file.encode(structs.replace(known, kit="kit") if args.public else known)
    if args.truth:
        table = read_table(read_text(Path(args.truth), "a file of sinks"), COLUMNS, args.truth)
        # Written anew, so that nothing but numbers goes in.
        lines = [",".join(COLUMNS), *(",".join(repr(float(v)) for v in row) for row in table)]
        truth = ("\n".join(lines) + "\n").encode()
    survey = Path(args.survey) if args.survey else None
    parts = archive.collect(survey, [Path(r) for r in args.recording], calibration, truth, public=args.public)
    archive.write(path, parts)
    if args.json:
        print(json.dumps(parts.told))
        return 0
    print("\n".join(_about(parts)))
    print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")
    return 0


def _about(parts: archive.Parts) -> list[str]:
    told = parts.told
    out = ["EMULATED: nothing here was measured."] if told.get("emulated") else []
    out.append("made with " + ", ".join(f"{name} {version}" for name, version in told.get("made_with", {}).items()))
    for one in told.get("recordings", []):
        for channel, what in one["channels"].items():
            out.append(f"{one['folder']} channel {channel}: {what['readings']} readings, sha256 {what['sha256'][:16]}")
    out += [f"{name} {len(data)} bytes" for name, data in sorted(parts.files.items())]
    if told.get("left_out"):
        out.append("left out: " + "; ".join(told["left_out"]))
    return out


def _read(args: argparse.Namespace, path: Path) -> int:
    parts = archive.read(path)
    if args.unpack:
        archive.unpack(parts, Path(args.unpack))
    found = archive.replay(parts) if args.check else []
    if args.json:
        rows = [{"folder": r.folder, "channel": r.channel, "readings": r.readings, "bit_for_bit": r.same,
                 "apart": min(r.apart, 1e300), "apart_by": {n: min(v, 1e300) for n, v in r.apart_by.items()},
                 "ok": r.ok} for r in found]  # fmt: skip
        print(json.dumps({**parts.told, "replayed": rows}))
    else:
        print("\n".join(_about(parts)))
        for r in found:
            said = "the same to the last bit" if r.same else f"apart by {r.apart:.2g} of the largest value"
            other = f": DIFFERENT in {', '.join(r.differing)}; another lock-in made the bundle"
            print(f"{r.folder} channel {r.channel}: {r.readings} readings, {said}{'' if r.ok else other}")
    return 0 if all(r.ok for r in found) else 1
