"""The file of a practice visit: which pool, what was done, what it is worth. docs/practice.md describes it.

The score in it can be worked out again from the actions in it: nobody has to believe it.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec import Struct

from earthward import __version__
from earthward.errors import InputError
from earthward.practice.actions import AnyAction
from earthward.practice.pools import PracticePool, practice_pool
from earthward.practice.score import Score, Tally, score, tally
from earthward.record.base import Point
from earthward.safety.limits import Limits

FORMAT = 1


class PracticeRun(Struct, frozen=True, kw_only=True):
    """One visit. guided: what the guided way needed on the same pool. leaks_m: where the holes are. All of it is
    emulated."""

    format: int = FORMAT
    emulated: bool = True
    software: str = f"earthward {__version__}"
    grade: int
    seed: int
    player: str
    leaks_m: tuple[Point, ...]
    tally: Tally
    guided: Tally
    score: Score
    actions: tuple[AnyAction, ...]


def judged(
    pool: PracticePool, player: str, actions: Sequence[AnyAction], guided_actions: Sequence[AnyAction]
) -> PracticeRun:
    """What was done, with what it is worth."""
    leaks = tuple(leak.position_m for leak in pool.scenario.leaks)
    guided = counted(guided_actions, leaks)
    done = counted(actions, leaks)
    return PracticeRun(
        grade=pool.grade.number, seed=pool.seed, player=player, leaks_m=leaks, tally=done, guided=guided,
        score=score(done, guided), actions=tuple(actions),
    )  # fmt: skip


def counted(actions: Sequence[AnyAction], leaks: Sequence[Point]) -> Tally:
    limits = Limits()
    return tally(actions, leaks, limits.water_clear_s, limits.stray_check_s)


def to_bytes(run: PracticeRun) -> bytes:
    return msgspec.json.format(msgspec.json.encode(run), indent=1) + b"\n"


def read_run(path: Path) -> PracticeRun:
    """Raises InputError if it is no practice result, or its score does not follow from its actions."""
    try:
        run = msgspec.json.decode(path.read_bytes(), type=PracticeRun)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({error.strerror}); give the file that `earthward practice` wrote"
        ) from error
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise InputError(
            f"{path} is no practice result ({error}); give the file that `earthward practice` wrote"
        ) from error
    if run.format != FORMAT:
        raise InputError(f"{path} has format {run.format}, this version reads {FORMAT}: use the version that wrote it")
    leaks = tuple(leak.position_m for leak in practice_pool(run.grade, run.seed).scenario.leaks)
    done = counted(run.actions, leaks)
    if (leaks, done, score(done, run.guided)) != (run.leaks_m, run.tally, run.score):
        raise InputError(f"{path}: its score does not follow from its actions; it was altered, or by another version")
    return run
