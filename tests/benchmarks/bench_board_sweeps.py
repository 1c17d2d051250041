#!/usr/bin/env python3
"""The firmware's long sweeps on the virtual chip, in pieces: flipped bits and good starts. EMULATED.

    make -C hardware/source_board
    python tests/benchmarks/bench_board_sweeps.py flips --first 0 --count 2000
    python tests/benchmarks/bench_board_sweeps.py starts --first 0 --count 10000 --minutes 7

Pieces of one seed add up: the trial's number alone decides what it tries. With --minutes it stops in time and says how
far it came. Exit code 1 when one went wrong.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.support.board_flips import flips
from tests.support.board_starts import starts

from earthward.emulated.virtual_mcu import find_build
from earthward.errors import InputError

#: trials between two looks at the time; one board lasts for 50
PIECE = 100


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=("flips", "starts"))
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=1e6, help="begin no new piece after so long")
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--build", type=Path, help="folder with the built firmware, instead of the usual one")
    args = parser.parse_args()
    try:
        build = find_build(args.build)
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    end_s = time.monotonic() + 60.0 * args.minutes
    wrong: list[str] = []
    noticed = wild = died = done = 0
    while done < args.count and time.monotonic() < end_s:
        count = min(PIECE, args.count - done)
        if args.what == "flips":
            tally = flips(build, count, args.seed, args.first + done)
            wrong += [*tally.overstayed, *tally.latch_lost]
            noticed, wild, died = noticed + tally.noticed, wild + tally.ran_wild, died + tally.died
        else:
            wrong += starts(build, count, args.seed, args.first + done).tripped
        done += count
    last = args.first + done - 1
    print(f"{args.what} {args.first} to {last} of seed {args.seed}: {done} made, {len(wrong)} went wrong")
    if args.what == "flips":
        share = noticed / max(1, done)
        print(f"  noticed before they mattered: {noticed} ({share:.1%}); ran wild: {wild}; ended the simulator: {died}")
    for words in wrong:
        print(f"  {words}")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
