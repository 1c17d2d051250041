"""What a practice visit is worth: a pure function of what was done, of the truth, and of what the guided way needs.

docs/practice.md says the same in words. Weights and reaches are own choices.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from earthward.practice.actions import (
    Accused,
    AnyAction,
    Covered,
    Dyed,
    EnableHeld,
    Ended,
    Held,
    Looked,
    Patched,
    SourceOff,
    SourceOn,
    StrayChecked,
)
from earthward.record.base import Point

#: As near as this a place counts in full, as far as that not at all; a patch covers so much.
NEAR_M, FAR_M = 0.15, 0.6
FOR_PLACE, FOR_HOLDS, FOR_MINUTES = 60.0, 20.0, 20.0
FOR_WRONG, FOR_SKIPPED = -15.0, -10.0


class Tally(Struct, frozen=True, kw_only=True):
    """What happened, in numbers. error_m: of each hole from the nearest place named, None where none is within
    `FAR_M`. skipped: each safety step that was left out, in words."""

    holds: int
    minutes: float
    error_m: tuple[float | None, ...]
    wrong_accusations: int
    dye_tests: int
    skipped: tuple[str, ...]

    @property
    def closeness(self) -> float:
        """1: every hole named within `NEAR_M`; 0: none within `FAR_M`."""
        if not self.error_m:
            return 1.0
        each = [0.0 if e is None else min(1.0, max(0.0, (FAR_M - e) / (FAR_M - NEAR_M))) for e in self.error_m]
        return sum(each) / len(each)


class Score(Struct, frozen=True, kw_only=True):
    """`points` of 100; below zero if a safety step was skipped, whatever was found."""

    points: float
    for_place: float
    for_holds: float
    for_minutes: float
    for_wrong: float
    for_skipped: float


def skipped_steps(actions: Sequence[AnyAction], look_holds_s: float, check_holds_s: float) -> tuple[str, ...]:
    """Every safety step that was left out. look_holds_s, check_holds_s: so long a look at the pool and a stray-voltage
    check hold (the limits' table)."""
    looked_s = checked_s = -math.inf
    on = lapsed = ever_on = False
    found: list[str] = []
    for a in actions:
        match a:
            case Looked():
                looked_s, lapsed = a.t_s, False
            case StrayChecked():
                checked_s = a.t_s
            case EnableHeld():
                if a.t_s - looked_s > look_holds_s:
                    found.append("enable held without a look at the whole pool")
                if math.isinf(checked_s) or (not ever_on and a.t_s - checked_s > check_holds_s):
                    found.append("enable held without the stray-voltage check")
            case SourceOn():
                on = ever_on = True
            case SourceOff():
                on = False
            case Held() if on and not lapsed and a.t_s - looked_s > look_holds_s:
                lapsed = True
                found.append("went on without looking at the whole pool again")
            case Covered() if on:
                found.append(f"hand in the water at {a.fitting} with the source on")
            case Dyed() if on:
                found.append("dye let go with the source on")
            case Patched() if on:
                found.append("hand in the water with a patch, with the source on")
            case Ended() if on:
                found.append("left with the source on")
            case _:
                pass
    return tuple(found)


def tally(actions: Sequence[AnyAction], leaks_m: Sequence[Point], look_holds_s: float, check_holds_s: float) -> Tally:
    """Count what was done. `leaks_m`: where the holes are."""
    named = [a.position_m for a in actions if isinstance(a, Accused)]
    errors: list[float | None] = []
    for leak in leaks_m:
        nearest = min((math.dist(leak, at) for at in named), default=math.inf)
        errors.append(round(nearest, 4) if nearest <= FAR_M else None)
    wrong = sum(all(math.dist(leak, at) > FAR_M for leak in leaks_m) for at in named)
    return Tally(
        holds=sum(isinstance(a, Held) for a in actions),
        # From arrival: an action is written down when it ends, and the first one may be a long cover.
        minutes=round(actions[-1].t_s / 60, 3) if actions else 0.0,
        error_m=tuple(errors),
        wrong_accusations=wrong,
        dye_tests=sum(isinstance(a, Dyed) for a in actions),
        skipped=skipped_steps(actions, look_holds_s, check_holds_s),
    )


def score(done: Tally, guided: Tally) -> Score:
    """Points for a tally, against that of the guided way on the same pool."""
    place = FOR_PLACE * done.closeness
    # Quick and idle is worth nothing: what was found counts for the pace as well.
    holds = FOR_HOLDS * done.closeness * min(1.0, guided.holds / max(1, done.holds))
    minutes = FOR_MINUTES * done.closeness * min(1.0, guided.minutes / max(1e-9, done.minutes))
    wrong = FOR_WRONG * done.wrong_accusations
    skipped = FOR_SKIPPED * len(done.skipped)
    # Nothing that was found makes up for a skipped safety step.
    points = skipped if done.skipped else max(0.0, place + holds + minutes + wrong)
    return Score(
        points=round(points, 2),
        for_place=round(place, 2),
        for_holds=round(holds, 2),
        for_minutes=round(minutes, 2),
        for_wrong=round(wrong, 2),
        for_skipped=round(skipped, 2),
    )
