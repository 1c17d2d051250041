#!/usr/bin/env python3
"""The firmware's long sweeps on the virtual chip, in pieces: flipped bits and good starts. EMULATED.

    make -C hardware/source_board
    python tests/benchmarks/bench_board_sweeps.py flips --first 0 --count 2000
    python tests/benchmarks/bench_board_sweeps.py starts --first 0 --count 2000

Pieces of one seed add up: the trial's number alone decides what it tries. Exit code 1 when one went wrong.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.support.board_flips import flips
from tests.support.board_starts import starts

from earthward.emulated.virtual_mcu import find_build
from earthward.errors import InputError


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=("flips", "starts"))
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--build", type=Path, help="folder with the built firmware, instead of the usual one")
    args = parser.parse_args()
    try:
        build = find_build(args.build)
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    if args.what == "flips":
        tally = flips(build, args.count, args.seed, args.first)
        wrong = [*tally.overstayed, *tally.latch_lost]
    else:
        made = starts(build, args.count, args.seed, args.first)
        tally, wrong = made, made.tripped
    print(f"trials {args.first} to {args.first + args.count - 1} of seed {args.seed}: {tally}")
    for words in wrong:
        print(f"  {words}")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
