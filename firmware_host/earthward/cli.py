"""The `earthward` command: picks a subcommand and turns its outcome into an exit code.

Exit codes: 0 done, 1 internal failure (`doctor`: something is wrong), 2 bad input (one sentence on stderr), 130
interrupted.
Each subcommand is a module in `earthward.commands` (a hyphen is an underscore there) with `SUMMARY`,
`add_arguments(parser)` and `run(args) -> int`. It is imported only when asked for, so that `earthward watch` on a small
machine does not pay for the maths that `earthward locate` needs.
"""

from __future__ import annotations

import argparse
import importlib
import logging
import os
import sys
from collections.abc import Sequence
from types import ModuleType

from earthward import __version__
from earthward.errors import InputError

# name -> one line of help; the module is earthward.commands.<name>
COMMANDS: dict[str, str] = {
    "demo": "the whole kit emulated: a virtual pool with a hidden leak",
    "practice": "practise on virtual pools with hidden leaks, and be scored; a class on one broker",
    "daemon": "the service on a Raspberry Pi",
    "watch": "the dashboard",
    "backup": "copy surveys and flight records to a stick; the daemon may go on meanwhile",
    "tell": "say one thing to the running daemon: take a reading back, add a picture, keep the last seconds",
    "detect": "lock-in over a recording",
    "field": "forward model: volts per electrode pair",
    "locate": "where the sinks are, how strong and how sure",
    "loss": "level log or bucket test: litres per day with an interval",
    "replay": "run a recording through daemon and display",
    "report": "HTML and PDF report of a survey",
    "export": "a survey in open formats",
    "bundle": "one file of a visit that replays bit for bit elsewhere, private words left out if asked",
    "compare-world": "a bundle against the model: which of its assumptions do the data contradict?",
    "bench": "electrodes, cable, cell, earth electrode and source proven on the bench; a tub as a small pool",
    "doctor": "what is wired, what is missing; acceptance of a built kit",
    "calibrate": "gain, zero, converter rate, current sense and spacing of a kit, each with its uncertainty",
    "install": "put the daemon on this Raspberry Pi as a service, or take it off",
}


JOB = (
    "Finds where a vinyl-lined pool leaks, electrically and with the water left in: is it leaking, is it safe to work, "
    "where does the current leave the water, what do dye and repair say, what does the owner get to read. "
    "Begin with `earthward demo`: a whole visit on an emulated pool, no hardware needed."
)
EXIT_CODES = "Exit codes: 0 done, 1 failed or something is wrong, 2 bad input (one sentence says what), 130 stopped."


def build_parser(command: str | None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="earthward", description=JOB, epilog=EXIT_CODES)
    parser.add_argument("--version", action="version", version=f"earthward {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        sub = subparsers.add_parser(name, help=summary, description=summary)
        if name == command:
            _module(name).add_arguments(sub)
    return parser


def _module(command: str) -> ModuleType:
    return importlib.import_module(f"earthward.commands.{command.replace('-', '_')}")


def main(argv: Sequence[str] | None = None) -> int:
    arguments = list(sys.argv[1:] if argv is None else argv)
    command = next((word for word in arguments if not word.startswith("-")), None)
    # Matrices here are small: a pool of BLAS threads costs more waiting than it saves work (measured: half as fast).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    logging.basicConfig(
        level=os.environ.get("EARTHWARD_LOG", "WARNING"),
        stream=sys.stderr,
        format="%(levelname)s %(name)s: %(message)s",
    )
    try:
        args = build_parser(command if command in COMMANDS else None).parse_args(arguments)
        return int(_module(args.command).run(args))
    except InputError as error:
        print(f"earthward: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output went away (`earthward ... | head`): nothing left to say to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        logging.getLogger("earthward").debug("internal failure", exc_info=True)
        print(
            f"earthward: internal failure: {type(error).__name__}: {error} (set EARTHWARD_LOG=DEBUG for the trace)",
            file=sys.stderr,
        )
        return 1


if __name__ == "__main__":
    sys.exit(main())
