"""`earthward practice`: virtual pools of graded difficulty, with the real display and sound; scored and explained.

The bench process behind the dashboard is the demo's. What the person does is written down line by line as it happens;
when the dashboard closes it is judged, explained and compared with the guided way on the same pool.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec

from earthward.clock import PacedClock
from earthward.commands.behind import dashboard_over, end_with_parent, hands_socket
from earthward.commands.demo import SWITCH_PINS, bench_wiring, demo_config, new_visit
from earthward.commands.practice_class import PlayerLine, address, show
from earthward.commands.practice_lesson import PracticeLesson, PracticeVisit
from earthward.daemon.life import Daemon
from earthward.emulated.bench import BenchPins, EmulatedBench
from earthward.errors import InputError
from earthward.practice.actions import AnyAction, decode_action, encode_action
from earthward.practice.explain import in_words, page, replayed
from earthward.practice.players import PLAYERS
from earthward.practice.pools import GRADES, PracticePool, practice_pool
from earthward.practice.result import PracticeRun, judged, read_run, to_bytes
from earthward.practice.status import Progress
from earthward.survey.files.whole import write_whole
from earthward.survey.visit import Visit

ACTIONS, RESULT, PAGE = "actions.jsonl", "practice.json", "practice.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    grades = "; ".join(f"{g.number} {g.name}: {g.text}" for g in GRADES)
    parser.add_argument("--grade", type=int, default=1, help=f"how hard (default 1). {grades}")
    parser.add_argument("--seed", type=int, default=1, help="which pool of that grade; the same for a whole class")
    parser.add_argument(
        "--out", metavar="DIR", help="where result, page and survey go (default: ./practice-GRADE-SEED)"
    )
    parser.add_argument("--name", default="", help="the player's name in the result (default: you)")
    parser.add_argument(
        "--proposals", action="store_true", help="the instrument proposes the next spot (counts as help)"
    )
    parser.add_argument(
        "--player", choices=tuple(PLAYERS), help="no dashboard: a scripted player plays, in no real time"
    )
    parser.add_argument("--check", metavar="FILE", help="work the score of a result out again from its actions")
    parser.add_argument("--speed", type=float, default=1.0, help="bench seconds per second (default 1)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout: the result without its actions")
    parser.add_argument("--class", dest="broker", metavar="HOST[:PORT]", help="tell a class's MQTT broker how it goes")
    parser.add_argument("--class-name", default="class", help="which class on that broker (default: class)")
    parser.add_argument("--board", action="store_true", help="with --class: show the class instead of playing")
    parser.add_argument("--page", metavar="FILE", help="with --board: write the table as a page that reloads itself")
    parser.add_argument("--serve", metavar="SOCKET", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    if args.check:
        return _check(args)
    if args.board:
        if not args.broker:
            raise InputError("--board needs --class HOST[:PORT]: where the class's broker is")
        return show(args.broker, args.class_name, Path(args.page) if args.page else None, print)
    pool = practice_pool(args.grade, args.seed)
    if args.broker:
        # A wrong address or name shows before anything else.
        address(args.broker)
        Progress(args.class_name, _player(args), args.grade, args.seed)
    if not 0.1 <= args.speed <= 10:
        raise InputError(f"a speed of {args.speed:g} is not possible: choose 0.1 to 10")
    out = Path(args.out or f"practice-{args.grade}-{args.seed}")
    if args.serve:
        sys.setswitchinterval(0.0005)  # as in the demo: acquisition must get the interpreter within a conversion
        return asyncio.run(_serve(args, pool, out))
    if (out / RESULT).exists() or (out / ACTIONS).exists():
        raise InputError(f"the folder {out} already holds a practice visit: choose another with --out")
    out.mkdir(parents=True, exist_ok=True)
    if args.player:
        actions = PLAYERS[args.player](pool)
        guided = actions if args.player == "guided" else None
        return _judge(args, pool, _player(args), actions, out, guided)
    code = dashboard_over(_serve_arguments(args, out), out / "bench.log", hands=True)
    actions = written(out / ACTIONS)
    if not actions:
        print("Nothing was done on the practice pool, so there is nothing to judge.")
        return code
    print("Judging the visit: the guided way plays the same pool ...", file=sys.stderr, flush=True)
    return _judge(args, pool, _player(args), actions, out, None)


def _player(args: argparse.Namespace) -> str:
    return str(args.name or args.player or "you")


def _tell_end(args: argparse.Namespace, actions: Sequence[AnyAction], run: PracticeRun) -> None:
    """The class hears how it was judged; of a scripted player this is all that it hears."""
    progress = Progress(args.class_name, run.player, run.grade, run.seed)
    for action in actions:
        progress.after(action)
    line = PlayerLine(args.broker, args.class_name, run.player)
    line.tell(progress.judged(run.score.points))
    line.close()


def written(path: Path) -> list[AnyAction]:
    """The actions so far; a last line that was cut off by a crash is left out."""
    if not path.exists():
        return []
    lines = path.read_bytes().split(b"\n")
    try:
        return [decode_action(line) for line in lines[:-1]]
    except msgspec.MsgspecError as error:
        raise InputError(f"{path} cannot be used ({error}): it was altered, practise again") from error


def _judge(
    args: argparse.Namespace, pool: PracticePool, player: str, actions: Sequence[AnyAction], out: Path,
    guided: Sequence[AnyAction] | None,
) -> int:  # fmt: skip
    run = judged(pool, player, actions, PLAYERS["guided"](pool) if guided is None else guided)
    if args.broker:
        _tell_end(args, actions, run)
    steps = list(replayed(pool, actions))
    write_whole(out / RESULT, to_bytes(run))
    write_whole(out / PAGE, page(pool, run, steps).encode())
    if args.json:
        print(json.dumps(_short(run)))
        return 0
    for line in in_words(pool, run):
        print(line)
    for step in steps:
        print(f"  {step.text}")
    print(f"The truth on the map, and all of this: {out / PAGE}. The result: {out / RESULT}.")
    return 0


def _short(run: PracticeRun) -> dict[str, object]:
    told: dict[str, object] = msgspec.to_builtins(run)
    told["actions"] = len(run.actions)
    return told


def _check(args: argparse.Namespace) -> int:
    run = read_run(Path(args.check))
    if args.json:
        print(json.dumps(_short(run)))
    else:
        pool = practice_pool(run.grade, run.seed)
        print("\n".join(["The score follows from the actions.", *in_words(pool, run)]))
    return 0


# ---- with the dashboard ---------------------------------------------------------------------------------------------


def _serve_arguments(args: argparse.Namespace, out: Path) -> list[str]:
    arguments = ["practice", "--grade", str(args.grade), "--seed", str(args.seed), "--out", str(out)]
    arguments += ["--class", args.broker, "--class-name", args.class_name] if args.broker else []
    arguments += ["--name", _player(args), "--speed", str(args.speed)]
    return [*arguments, *(["--proposals"] if args.proposals else [])]


async def _serve(args: argparse.Namespace, pool: PracticePool, out: Path) -> int:
    """The bench process behind the dashboard: ends on SIGTERM, or when its parent is gone."""
    out.mkdir(parents=True, exist_ok=True)
    clock = PacedClock(args.speed)
    pins = BenchPins(switches={str(name): pin for name, pin in SWITCH_PINS.items()})
    kind: type[Visit] = Visit if args.proposals else PracticeVisit
    with EmulatedBench(pool.scenario, clock, pins=pins) as bench, open(out / ACTIONS, "ab", buffering=0) as lines:
        config = demo_config(pool.scenario, Path(args.serve))
        config = msgspec.structs.replace(config, pins=msgspec.structs.replace(config.pins, switches=SWITCH_PINS))
        wiring = bench_wiring(bench, config, clock)
        visit = new_visit(pool.scenario, config, out, kind=kind)
        daemon = Daemon(config, wiring, visit=visit, recording=out / "recording")
        line = PlayerLine(args.broker, args.class_name, _player(args)) if args.broker else None
        progress = Progress(args.class_name, _player(args), args.grade, args.seed)

        def note(action: AnyAction) -> None:
            lines.write(encode_action(action))
            status = progress.after(action)
            if line is not None:
                line.tell(status)

        lesson = PracticeLesson(pool, bench, daemon, out, note)
        hands = asyncio.create_task(lesson.serve(hands_socket(Path(args.serve))))
        watcher = asyncio.create_task(end_with_parent(os.getppid(), daemon))
        try:
            await daemon.run()
        finally:
            lesson.end()
            if line is not None:
                line.close()
            for task in (hands, watcher):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task
            visit.store.close()
    return 0
