"""A practice visit on the emulated bench: the demo's lesson, and beside it somebody who writes down what is done."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.clock import wall_s
from earthward.commands.demo_lesson import Lesson
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.emulated.bench import EmulatedBench
from earthward.practice.actions import (
    Accused,
    AnyAction,
    Covered,
    Dyed,
    EnableHeld,
    Ended,
    Held,
    Kept,
    Looked,
    Patched,
    SourceOff,
    SourceOn,
    StrayChecked,
)
from earthward.practice.pools import PracticePool
from earthward.practice.quick import DYE_S, PACE_M_PER_S, PATCH_S
from earthward.record.base import Point
from earthward.record.place import Station
from earthward.record.reading import KeptReading
from earthward.survey.visit import Visit

HERE = "where you hold it now"
#: The stray-voltage check has so many holds.
STRAY_HOLDS = 3


class PracticeVisit(Visit):
    """Proposes nothing: the next spot is where the person holds the pole."""

    held: Station | None = None

    def next_station(self) -> Station | None:
        if super().next_station() is None:
            return None
        here = self.held or self._first
        return None if here is None else msgspec.structs.replace(here, name="", text=HERE, vertical=False)


class PracticeLesson(Lesson):
    """`note` gets each action at once: a crash loses nothing that was done."""

    def __init__(
        self, practice: PracticePool, bench: EmulatedBench, daemon: Daemon, out: Path, note: Callable[[AnyAction], None]
    ) -> None:
        self._practice = practice
        self.note = note
        self._began_s = bench.clock.now()
        self._more_s = 0.0
        self._turns: set[tuple[str, str]] = set()
        self._named: set[int] = set()
        self._enable = self._is_on = False
        self._left_s: float | None = None
        self._stray = 0
        self._last_m: Point | None = None
        super().__init__(bench, daemon, out, wall_s)
        daemon.listeners.append(self._watch)

    def end(self) -> None:
        """The person left."""
        self.note(Ended(t_s=self._now()))

    def _now(self) -> float:
        """Bench time, and what the emulation does in no time at all but a person does not."""
        return round(self._bench.clock.now() - self._began_s + self._more_s, 3)

    # ---- what the instrument tells --------------------------------------------------------------------------

    def _watch(self, message: m.Message) -> None:
        if isinstance(message, m.State):
            self._watch_state(message)
        elif isinstance(message, m.Kept) and message.purpose == "survey":
            turn = (message.station, message.turn)
            if turn not in self._turns:
                self._turns.add(turn)
                self.note(Held(t_s=self._now(), place=message.place))
            fields = {name: getattr(message, name) for name in KeptReading.__struct_fields__}
            self.note(Kept(t_s=self._now(), reading=KeptReading(**fields)))

    def _watch_state(self, state: m.State) -> None:
        left, before = state.interlock.water_clear_left_s, self._left_s
        if left is not None and (before is None or left > before + 1.0):
            self.note(Looked(t_s=self._now()))
        self._left_s = left
        if state.stray_turns >= STRAY_HOLDS > self._stray:
            self.note(StrayChecked(t_s=self._now()))
        self._stray = state.stray_turns
        enable = any(p.name == "enable" and p.ok for p in state.interlock.permissives)
        if enable and not self._enable:
            self.note(EnableHeld(t_s=self._now()))
        self._enable = enable
        is_on = state.source.energised
        if is_on != self._is_on:
            self.note(SourceOn(t_s=self._now()) if is_on else SourceOff(t_s=self._now()))
        self._is_on = is_on

    # ---- what the person does -------------------------------------------------------------------------------

    def _hold(self, place: Station) -> None:
        if self._last_m is not None:
            self._more_s += math.dist(self._last_m[:2], place.position_m[:2]) / PACE_M_PER_S
        self._last_m = place.position_m
        visit = self._daemon.visit
        if isinstance(visit, PracticeVisit):
            visit.held = place
        super()._hold(place)

    def _said(self, message: m.FromClient) -> None:
        super()._said(message)
        if isinstance(message, m.SetStage) and message.stage == "repaired":
            at = self._place_of(message.finding)
            if at is not None:
                self._more_s += PATCH_S
                self.note(Patched(t_s=self._now(), position_m=at))
        match message:
            case m.SetCovered(fitting=fitting, covered=covered, coverable=True):
                self._more_s += self._practice.cover_s.get(fitting, 0.0)
                self.note(Covered(t_s=self._now(), fitting=fitting, covered=covered))
            case m.SetStage(finding=number, stage="dye drawn" | "repaired") if number not in self._named:
                at = self._place_of(number)
                if at is not None:
                    self._named.add(number)
                    self.note(Accused(t_s=self._now(), position_m=at))
            case _:
                pass

    def _dye(self) -> None:
        visit = self._daemon.visit
        suspected = [] if visit is None else [f for f in visit.store.findings() if f.stage == "suspected"]
        if suspected:
            self._more_s += DYE_S
            self.note(Dyed(t_s=self._now(), position_m=suspected[0].position_m))
        super()._dye()

    def _place_of(self, number: int) -> Point | None:
        visit = self._daemon.visit
        found = None if visit is None else next((f for f in visit.store.findings() if f.number == number), None)
        return None if found is None else found.position_m
