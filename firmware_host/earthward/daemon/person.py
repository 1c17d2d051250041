"""What a person at the pool side does step by step: reading spots, taking back, level log, details, the report.

In the loop's thread; the record's part is done by the clerk. Everything here can be left and gone on with from any
screen, because it is the daemon that knows how far it is.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from earthward.config import Config
from earthward.daemon import protocol as m
from earthward.daemon.clerk import Clerk
from earthward.daemon.detection import Detection
from earthward.daemon.parts import Wiring
from earthward.daemon.spot import HEADS, KeepNow, SpotRoutine, WaterMains
from earthward.daemon.telling import Teller
from earthward.daemon.visiting import Reply, Visiting, problem
from earthward.errors import InputError
from earthward.record.board import ElectrodeName
from earthward.record.place import Station
from earthward.record.reading import Purpose, TestLeakState
from earthward.survey import by_hand

log = logging.getLogger(__name__)

UNDO_DEPTH = 10
TEST_LEAK_READINGS = 3
PERHAPS_IN_AIR = "much more mains than before, perhaps not in the water: kept by hand"


@dataclass(frozen=True, slots=True)
class Done:
    """An action that can be taken back. `back` is done by the clerk; `after` in the loop."""

    text: str
    back: Callable[[], Any]
    after: Callable[[], None] = lambda: None


class Person:
    """`select`: have the board take another electrode; `changed`: tell the state anew."""

    def __init__(
        self,
        config: Config,
        wiring: Wiring,
        detection: Detection,
        clerk: Clerk,
        teller: Teller,
        visiting: Visiting,
        select: Callable[[ElectrodeName], None],
        changed: Callable[[], None],
    ) -> None:
        self._wiring = wiring
        self._detection = detection
        self._clerk = clerk
        self._teller = teller
        self._visiting = visiting
        self._select = select
        self._changed = changed
        self._turns = HEADS[config.head]
        self._spot: SpotRoutine | None = None
        self._auto = True
        self._keeping = False
        self._test_leak: list[TestLeakState] = []
        self._leak_m = 0.0
        self._water = WaterMains()
        self._done: deque[Done] = deque(maxlen=UNDO_DEPTH)
        self._busy = ""
        self._again: tuple[int, Station] | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    # ---- what is asked for ----------------------------------------------------------------------------------

    def handle(self, message: m.FromClient, reply: Reply) -> bool:
        """False: none of these. Raises InputError."""
        now_s = self._wiring.clock.now()
        match message:
            case m.BeginSpot():
                self._begin(message)
            case m.PressKeep():
                if self._spot is None or self._spot.done:
                    raise InputError("no spot is being read: go to a place first")
                if self._spot.press(now_s):
                    self._visiting.move(self._spot.place())
            case m.SkipTurn():
                if self._spot is None or self._spot.done:
                    raise InputError("no spot is being read, so no direction can be skipped")
                turn = self._spot.turn
                self._spot.skip(now_s)
                name = "" if turn is None else turn.name
                self._teller.event("info", "skipped", f"{self._spot.base.name}: {name} was skipped by hand.")
            case m.SetAutoKeep(on=on):
                self._auto = on
                if self._spot is not None:
                    self._spot.auto = on
            case m.Undo():
                self._undo(reply)
                return True
            case m.Levels():
                self._levels(message, reply)
                return True
            case m.ReadDetails():
                self._details(reply)
                return True
            case m.WriteReport():
                self._report()
            case _:
                return False
        self._changed()
        reply([])
        return True

    def watch(self, message: m.FromClient, reply: Reply) -> Reply:
        """Before a request that can be taken back is carried out. Raises InputError where it must not be."""
        visit = self._visiting.visit
        match message:
            case m.SetCovered(fitting=fitting, coverable=False):
                done = Done(f"{fitting} cannot be covered", lambda: visit.set_covered(fitting, False))
            case m.SetCovered(fitting=fitting, covered=covered):
                if self._detection.source.energised:
                    raise InputError(
                        "a fitting is covered or uncovered with the source off: let go of the enable first"
                    )
                what = f"{fitting} {'covered' if covered else 'uncovered'}"
                other_way = m.SetCovered(fitting=fitting, covered=not covered)
                done = Done(what, lambda: visit.set_covered(fitting, not covered), lambda: self._told(other_way))
            case m.SetStage(finding=number, stage=stage) if stage != "re-measured":
                done = Done(f"finding {number}: {stage}", lambda: by_hand.take_back_stage(visit, number))
            case m.StepDone(key=key):
                done = Done(f"step skipped: {key}", lambda: visit.unmark(key))
            case _:
                return reply
        self._told(message)

        def replied(replies: list[m.Message]) -> None:
            if not any(isinstance(r, m.Problem) for r in replies):
                self._done.append(done)
                self.look_again()
            reply(replies)

        return replied

    def _told(self, message: m.FromClient) -> None:
        if self._wiring.on_told is not None:
            self._wiring.on_told(message)

    # ---- a spot ---------------------------------------------------------------------------------------------

    def _begin(self, wish: m.BeginSpot) -> None:
        if not self._detection.source.energised:
            raise InputError("a spot is read with the source on: hold the enable")
        visit, now_s = self._visiting.visit, self._wiring.clock.now()
        base = wish.place
        if not base.name:
            base = msgspec.structs.replace(base, name=f"S{visit.stations + 1}")
        present = self._detection.source.electrode
        both: tuple[ElectrodeName, ...] = ("A", "B") if present == "A" else ("B", "A")
        electrodes = both if len(visit.pool.sources) > 1 else (present,)
        turns = self._turns
        if wish.place.vertical and "upright" in turns:
            # The place was proposed with the pair upright to begin with.
            turns = ("upright", *(name for name in turns if name != "upright"))
        if wish.test_leak is not None:
            # The present electrode in one direction: what counts is the difference that the test leak makes.
            electrodes, turns = (present,), ("along",)
            base = msgspec.structs.replace(base, name="T1")
            self._leak_m = wish.distance_m
        purpose: Purpose = "test leak" if wish.test_leak else "re-measure" if wish.finding is not None else "survey"
        self._spot = SpotRoutine(base, turns, electrodes, now_s, self._auto, purpose, wish.finding, wish.test_leak)
        self._told(wish)
        self._visiting.move(self._spot.place())

    def heard(self, message: m.Message) -> None:
        """Every message that is told: readings carry the spot on."""
        if isinstance(message, m.ReadingMessage) and message.channel == 0:
            spot = self._spot
            if spot is None or self._keeping:
                return
            if self._wiring.head is not None:
                spot.moved(self._wiring.head.moving_s)
            wish = spot.on_reading(message, self._wiring.clock.now(), self._water.times(self._mains_V()))
            if wish is not None and all(spot.good(r) for r in self._detection.latest.values()):
                self._keep(spot, wish)
        elif isinstance(message, m.EventMessage) and message.code == "re-measure":
            self.look_again()  # it may not have been enough
        elif isinstance(message, m.State) and message.interlock.state != "energised" and self._spot is not None:
            # The source went off: what was being read is begun anew when it is on again.
            self._spot.interrupted(self._wiring.clock.now())

    def _mains_V(self) -> float:
        """The strongest mains line at the pair along the pole."""
        return max((line.amplitude_V for line in self._detection.detector(0).mains), default=0.0)

    def _keep(self, spot: SpotRoutine, wish: KeepNow) -> None:
        self._keeping = True
        turn = spot.turn
        finding = spot.finding if spot.purpose == "re-measure" else None
        common: dict[str, Any] = {
            "purpose": spot.purpose, "finding": finding, "turn": wish.turn, "test_leak": spot.test_leak,
            "note": PERHAPS_IN_AIR if spot.doubt else "",
        }  # fmt: skip

        def replied(replies: list[m.Message]) -> None:
            self._keeping = False
            kept = [r for r in replies if isinstance(r, m.Kept)]
            if not kept:
                return
            if not spot.doubt:
                self._water.kept(self._mains_V())
            electrode: ElectrodeName = "A" if kept[0].source_id == 0 else "B"
            then = spot.kept([r.row for r in kept], electrode, self._wiring.clock.now())
            if then is not None:
                self._select(then.electrode)
            elif turn is not None:
                self._kept_turn(spot, turn.name, list(turn.rows))
            self._changed()

        try:
            self._visiting.keep(m.Keep(place=wish.place, **common), self._detection.latest, replied)
        except InputError:
            # Not fresh enough, or the pole has only just come: the next reading will do.
            self._keeping = False

    def _kept_turn(self, spot: SpotRoutine, name: str, rows: list[int]) -> None:
        visit = self._visiting.visit

        def back() -> None:
            for row in rows:
                visit.withdraw(row, "taken back by hand")

        def after() -> None:
            for row in rows:
                spot.again(row, self._wiring.clock.now())
            self._visiting.searching.request()

        self._done.append(Done(f"{spot.base.name} {name}", back, after))
        if spot.test_leak is not None:
            self._test_leak.append(spot.test_leak)
            if len(self._test_leak) >= TEST_LEAK_READINGS:
                self._judge()
        self.look_again()

    def _judge(self) -> None:
        self._test_leak.clear()
        visit, distance_m = self._visiting.visit, self._leak_m
        # Until the steps say how it went: else the line would ask for a fourth reading.
        self._busy = "the test leak is being judged"

        def free(_: object) -> None:
            self._busy = ""
            self._changed()

        def judged(test: Any) -> None:
            self._teller.event("info" if test.ok else "caution", "test leak", test.text)
            self._visiting.tell_plan()
            self._clerk.put(lambda: None, free)

        def failed(error: Exception) -> None:
            self._failed(error)
            free(None)

        self._clerk.put(lambda: visit.judge_test_leak(distance_m), judged, failed)

    # ---- taking back ----------------------------------------------------------------------------------------

    def _undo(self, reply: Reply) -> None:
        if not self._done:
            raise InputError("there is nothing to take back")
        last = self._done.pop()

        def taken(_: object) -> None:
            last.after()
            self._teller.event("info", "taken back", f"Taken back: {last.text}.")
            self._visiting.tell_plan()
            self.look_again()
            self._changed()
            reply([])

        self._clerk.put(last.back, taken, lambda error: reply([problem(error)]))

    # ---- level log, details, report -------------------------------------------------------------------------

    def _levels(self, wish: m.Levels, reply: Reply) -> None:
        visit = self._visiting.visit

        def done(text: str) -> None:
            self._teller.event("info", "level log", text)
            self._visiting.tell_plan()
            reply([])

        self._clerk.put(
            lambda: by_hand.enter_levels(
                visit, wish.moment, wish.path, wish.hours, wish.pool_fall_mm, wish.bucket_fall_mm
            ),
            done,
            lambda error: reply([problem(error)]),
        )

    def _details(self, reply: Reply) -> None:
        visit = self._visiting.visit

        def done(text: str) -> None:
            self._teller.event("info", "details", text)
            reply([])

        self._clerk.put(lambda: by_hand.read_details(visit.store), done, lambda error: reply([problem(error)]))

    def _report(self) -> None:
        if self._detection.source.energised:
            raise InputError("the report is written with the source off: let go of the enable first")
        if self._busy:
            raise InputError(f"wait, {self._busy}")
        self._busy = "the report is being written"
        task = asyncio.get_running_loop().create_task(self._write_report())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _write_report(self) -> None:
        """By the same command as a person's: a page of a thousand rows must not hold the instrument up."""
        visit = self._visiting.visit
        survey = Path(visit.store.path)
        out = survey.parent / "report"
        try:
            if any((survey.parent / name).exists() for name in ("details.toml", "photos")):
                self._teller.event("info", "details", await self._clerk.ask(lambda: by_hand.read_details(visit.store)))
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "earthward", "report", str(survey), "--out", str(out)),
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )
            _, errors = await process.communicate()
            if process.returncode == 0 and out.is_dir():
                await self._clerk.ask(lambda: by_hand.report_written(visit, out))
                self._teller.event("info", "report", f"Report written: {out}.")
            else:
                last = errors.decode("utf-8", "replace").strip().splitlines()[-1:] or ["no reason was given"]
                self._teller.event("caution", "report", f"No report: {last[0].removeprefix('earthward: ')}")
        except Exception as error:
            log.exception("the report could not be written")
            self._teller.event("caution", "report", f"No report: {error}.")
        finally:
            self._busy = ""
            self._visiting.tell_steps()
            self._changed()

    def _failed(self, error: Exception) -> None:
        self._teller.event("caution", "not done", f"Not done: {error}.")

    # ---- what is shown --------------------------------------------------------------------------------------

    def look_again(self) -> None:
        """Which spot is to be read again after a repair, if any."""
        visit = self._visiting.visit

        def found(again: tuple[int, Station] | None) -> None:
            self._again = again
            self._changed()

        self._clerk.put(lambda: by_hand.to_read_again(visit), found)

    def on_state(self, state: m.State) -> m.State:
        """The state with how far the person is."""
        again = self._again
        return msgspec.structs.replace(
            state,
            next_station=state.next_station if again is None else again[1],
            next_finding=None if again is None else again[0],
            spot=None if self._spot is None else self._spot.told(),
            auto_keep=self._auto,
            can_undo=self._done[-1].text if self._done else "",
            busy=self._busy or ("the search runs" if self._visiting.searching.busy else ""),
            test_leak=len(self._test_leak),
        )
