"""What to press now: one line, always, from the course of the visit and the state of the instrument. Pure.

`what_now` looks from the most pressing down; the keep key on the reading page and the maps does what it says.
"""

from __future__ import annotations

from dataclasses import dataclass

from earthward import units
from earthward.daemon.protocol import (
    BeginSpot,
    FromClient,
    Levels,
    PressKeep,
    SetCovered,
    SetStage,
    Spot,
    State,
    StepDone,
    StrayTurn,
    WaterClear,
    WriteReport,
)
from earthward.display import words
from earthward.display.places import place_text
from earthward.display.snapshot import Snapshot
from earthward.display.view import Choice, Option, View
from earthward.record.finding import Finding
from earthward.record.place import COVERABLE, Fitting
from earthward.record.reading import TestLeakState
from earthward.record.step import Step

#: A statement that runs out so soon is asked for again.
WATER_SOON_S = 60.0
#: The test leak is laid so far from the pair's middle, ahead of its front end.
TEST_LEAK_M = 0.6
#: A fitting that takes so much is to be covered, once so many spots have said it; later less is enough.
COVER_SHARE, FEW_SPOTS = 0.5, 3
COVER_SHARE_LATER, MANY_SPOTS = 0.25, 12
#: Of less than this part of the current the budget cannot tell who takes it.
LEAST_REST = 0.01
WAITING = ("suspected", "dye drawn", "repaired")


@dataclass(frozen=True, slots=True)
class Now:
    """`key`: the action whose key does it ("" = none can: `text` says why, or whose hand does)."""

    text: str
    key: str = ""
    messages: tuple[FromClient, ...] = ()
    choice: Choice | None = None
    page: str = ""
    """The keep key opens this page, at line `line`."""
    line: int = 0


def what_now(view: View, snapshot: Snapshot) -> Now:
    """The next thing to do, and its key."""
    state = snapshot.state
    if not snapshot.connected:
        return Now(words.NOW_NO_DAEMON)
    if view.paused:
        return Now(words.NOW_PAUSED, "pause")
    if state is None:
        return Now(words.NOW_STARTING)
    lock = state.interlock
    if lock.state == "tripped":
        return Now(words.NOW_TRIPPED_HAND if view.hands else words.NOW_TRIPPED, "hand" if view.hands else "")
    if lock.state == "ready":
        return Now(words.NOW_WARNING.format(lock.warning_s))
    if lock.state == "energised":
        return _energised(view, snapshot, state)
    return _off(view, snapshot, state)


# ---- source on --------------------------------------------------------------------------------------------


def _energised(view: View, snapshot: Snapshot, state: State) -> Now:
    left = state.interlock.water_clear_left_s
    if left is not None and left < WATER_SOON_S:
        return _water_clear(view)
    spot = state.spot
    if spot is not None and spot.phase != "done":
        return _in_spot(spot, state)
    sensitivity = _step(snapshot, "proof")
    if sensitivity is not None and sensitivity.status in ("now", "to do"):
        return Now(words.NOW_BUSY.format(state.busy)) if state.busy else _test_leak(view, state)
    if state.next_finding is None:
        pending = _pending(snapshot)
        if pending is not None and pending.stage == "repaired":
            return _finding_now(pending, snapshot)
        if pending is not None:
            return _let_go(view, words.NOW_OFF_FOR_DYE.format(pending.number))
        if survey_done(snapshot):
            return _let_go(view, words.NOW_SURVEY_DONE)
    if state.busy:
        return Now(words.NOW_BUSY.format(state.busy))
    following = state.next_station or (snapshot.plan.next_station if snapshot.plan else None)
    if following is None:
        return _let_go(view, words.NOW_SURVEY_DONE)
    cover = to_cover(snapshot) if state.next_finding is None else None
    if cover is not None:
        return _let_go(view, words.NOW_OFF_FOR_COVER.format(cover[0].name))
    done = words.NOW_SPOT_DONE if spot is not None else ""
    again = words.NOW_AGAIN if state.next_finding is not None else words.NOW_GO
    return Now(done + again.format(place_text(following, view.system)), "next")


def _in_spot(spot: Spot, state: State) -> Now:
    turn = spot.turns[min(spot.at, len(spot.turns) - 1)]
    count = f"{spot.at + 1} of {len(spot.turns)}"
    if spot.phase == "turn":
        how = words.TURN_HOW[turn.name].format(state.pair.front)
        return Now(words.NOW_TURN.format(count, how), "keep", (PressKeep(),))
    if spot.doubt:
        return Now(words.NOW_DOUBT.format(spot.waiting), "keep", (PressKeep(),))
    both = f", electrode {spot.electrodes_read + 1} of {spot.electrodes}" if spot.electrodes > 1 else ""
    text = words.NOW_HOLD.format(count, words.TURN_NAMES[turn.name], both, spot.waiting)
    return Now(text, "" if spot.auto else "keep", () if spot.auto else (PressKeep(),))


def _test_leak(view: View, state: State) -> Now:
    place = state.place or state.next_station
    n = state.test_leak
    if place is None:
        return Now(words.NOW_STARTING)
    leak: TestLeakState = "connected" if n % 2 == 1 else "disconnected"
    wish = BeginSpot(place=place, test_leak=leak, distance_m=TEST_LEAK_M)
    return Now(words.NOW_TEST_LEAK[n].format(units.length(TEST_LEAK_M, view.system)), "keep", (wish,))


def _let_go(view: View, why: str) -> Now:
    return Now(words.NOW_LET_GO_HAND.format(why) if view.hands else words.NOW_LET_GO.format(why), "hand" * view.hands)


# ---- source off -------------------------------------------------------------------------------------------


def _off(view: View, snapshot: Snapshot, state: State) -> Now:
    lock = state.interlock
    loss = _step(snapshot, "loss")
    if loss is not None and loss.status in ("now", "to do"):
        return Now(words.NOW_LOSS, "keep", choice=loss_choice("before"))
    safe = _step(snapshot, "safe")
    if safe is not None and safe.status == "failed":
        return Now(words.NOW_UNSAFE)
    if lock.state == "off" and state.stray_turns < len(words.STRAY_HOW) and not state.stations:
        stray = _stray_check(state)
        if stray is not None:
            return stray
    pending = _pending(snapshot)
    again = pending is not None and pending.stage == "repaired" and state.next_finding is not None
    if pending is not None and not again and lock.state != "checking":
        return _finding_now(pending, snapshot)
    if state.next_finding is None and survey_done(snapshot):
        return _closing(snapshot, state)
    cover = to_cover(snapshot) if state.next_finding is None and not state.busy else None
    if cover is not None and lock.state != "checking":
        return Now(words.NOW_COVER.format(cover[0].name), "keep", choice=_cover_choice(*cover))
    return _energise(view, state)


def _stray_check(state: State) -> Now | None:
    """Source off, once a visit: the pair along, across, end for end. None while nothing can be measured."""
    if state.stray_holding:
        return Now(words.NOW_STRAY_HOLD.format(state.stray_turns + 1))
    checked = next((p for p in state.interlock.permissives if p.name == "stray voltage"), None)
    if checked is None or not checked.ok:
        # What is missing for it (pair in the water, link) is told by what waits for it.
        return None
    how = words.STRAY_HOW[state.stray_turns]
    return Now(words.NOW_STRAY.format(how, state.stray_turns + 1), "keep", (StrayTurn(),))


def _energise(view: View, state: State) -> Now:
    lock = state.interlock
    failing = [p for p in lock.permissives if not p.ok]
    other = next((p for p in failing if p.name not in ("water clear", "enable")), None)
    if other is not None:
        return Now(words.NOW_WAITING.format(other.text))
    if any(p.name == "water clear" for p in failing):
        return _water_clear(view)
    left = lock.water_clear_left_s
    if left is not None and left < WATER_SOON_S:
        return _water_clear(view)
    if any(p.name == "enable" for p in failing):
        return Now(words.NOW_HOLD_ENABLE_HAND, "hand") if view.hands else Now(words.NOW_HOLD_ENABLE)
    return Now(words.NOW_CHECKING)


def _water_clear(view: View) -> Now:
    yes = Option("keep", words.YES, (WaterClear(by=view.operator),), words.SAID_WATER)
    return Now(words.NOW_WATER, "keep", choice=Choice(words.CHOICE_WATER, (yes, Option("map", words.BACK))))


def _finding_now(finding: Finding, snapshot: Snapshot) -> Now:
    if finding.stage == "repaired":
        compare = SetStage(finding=finding.number, stage="re-measured")
        return Now(words.NOW_COMPARE.format(finding.number), "keep", (compare,))
    text = words.NOW_DYE if finding.stage == "suspected" else words.NOW_REPAIR
    listed = [f.number for f in snapshot.plan.findings] if snapshot.plan else []
    return Now(text.format(finding.number), "keep", page="findings", line=listed.index(finding.number))


def to_cover(snapshot: Snapshot) -> tuple[Fitting, float] | None:
    """A fitting that takes so much of the current that covering it is the next thing to do, and its share.

    Shares are of what the fittings leave that are covered already: the budget may still be that of before."""
    plan = snapshot.plan
    if plan is None or plan.budget is None or plan.verdict == "found":
        return None
    by_name = {f.name: f for f in plan.fittings}
    shares = plan.budget.fittings
    rest = plan.budget.injected_A - sum(s.current_A for s in shares if s.name in by_name and by_name[s.name].covered)
    if rest < LEAST_REST * plan.budget.injected_A:
        return None
    spots = len({r.station for r in plan.kept})
    wanted = COVER_SHARE if spots < MANY_SPOTS else COVER_SHARE_LATER
    able = [
        (by_name[s.name], s.interval_A[0] / rest)
        for s in shares
        if s.name in by_name and not by_name[s.name].covered and by_name[s.name].coverable
        and by_name[s.name].kind in COVERABLE
    ]  # fmt: skip
    strongest = max(able, key=lambda pair: pair[1], default=None)
    return strongest if strongest is not None and spots >= FEW_SPOTS and strongest[1] >= wanted else None


def _cover_choice(fitting: Fitting, share: float) -> Choice:
    name = fitting.name
    yes = Option("keep", words.COVERED_NOW, (SetCovered(fitting=name, covered=True),), words.SAID_COVERED.format(name))
    cannot = SetCovered(fitting=name, covered=False, coverable=False)
    no = Option("next", words.CANNOT_COVER, (cannot,), words.SAID_CANNOT_COVER.format(name))
    return Choice(words.CHOICE_COVER.format(name, 100 * min(share, 1.0)), (yes, no, Option("map", words.BACK)))


def _closing(snapshot: Snapshot, state: State) -> Now:
    report = _step(snapshot, "report")
    if state.busy:
        return Now(words.NOW_BUSY.format(state.busy))
    if report is not None and report.status not in ("done", "skipped"):
        return Now(words.NOW_REPORT, "keep", (WriteReport(),))
    return Now(words.NOW_SAVED.format(state.survey), "")


def loss_choice(moment: str) -> Choice:
    """How the loss becomes known: its file, numbers typed in, or left out (and said so)."""
    file = Option("keep", words.LEVELS_FILE, (Levels(moment=moment),), words.SAID_LEVELS)  # type: ignore[arg-type]
    numbers = Option("next", words.LEVELS_TYPE, form="levels")
    skip = Option("map", words.LEVELS_SKIP, (StepDone(key="loss", note=words.SKIPPED),), words.SKIPPED)
    return Choice(words.CHOICE_LEVELS, (file, numbers, skip))


# ---- where the visit stands -------------------------------------------------------------------------------


def _step(snapshot: Snapshot, key: str) -> Step | None:
    return next((s for s in snapshot.steps.steps if s.key == key), None) if snapshot.steps else None


def _pending(snapshot: Snapshot) -> Finding | None:
    """A finding of the record that waits for dye, for its repair or for being read again."""
    findings = snapshot.plan.findings if snapshot.plan else []
    return next((f for f in findings if f.number > 0 and f.stage in WAITING), None)


def survey_done(snapshot: Snapshot) -> bool:
    """Nothing is left to be read: every finding is settled, and there is one, or the liner was looked at. Where more
    water is surely lost than what was repaired can pass, the liner must have been looked at in any case."""
    plan = snapshot.plan
    survey, locate = _step(snapshot, "survey"), _step(snapshot, "locate")
    if plan is None or survey is None or locate is None:
        return False
    settled = [f for f in plan.findings if f.number > 0]
    if any(f.stage in ("dye drawn", "repaired") for f in settled):
        return False
    closed = ("done", "skipped")
    if any(f.stage == "re-measured" for f in settled):
        more = plan.water is not None and plan.water.verdict == "not explained"
        return not more or survey.status in closed
    return survey.status in closed and locate.status in closed
