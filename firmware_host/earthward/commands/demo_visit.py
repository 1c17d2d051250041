"""The demo's whole visit, as a technician makes it: is it leaking, is it safe, test leak, cover what can be covered, be
guided to the leak, dye, repair, read again, account for current and water, report.

The truth decides what the emulated world does (dye, patch, level); it is shown only beside the result, at the end.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_hands import SEEN_STILL_S, Hands, in_words, is_open
from earthward.commands.demo_walk import told
from earthward.commands.demo_world import Calendar, dye_drawn, leak_L_per_day, level_log, moving_time_s
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.pole import BEARING_SIGMA_DEG, PLUMB_DEG, WALL_DEG, WALL_LEAN_DEG, HandHeldPole
from earthward.emulated.scenario import Point3
from earthward.inversion.types import Result
from earthward.record.base import Point
from earthward.record.event import Event
from earthward.record.finding import Finding, Stage
from earthward.record.place import COVERABLE, Station
from earthward.record.reading import TestLeakState
from earthward.report.build import build_report
from earthward.survey.by_hand import MORE_NEAR, report_written
from earthward.survey.files.whole import write_whole
from earthward.survey.levels import record_loss_test, visit_water_budget

T = TypeVar("T")

#: The technician gives up being guided after so many stations.
MOST_STATIONS = 18
#: Stations this near to a finding see it well; at least so many are read before dye, and again after the repair.
NEAR_M, ENOUGH_NEAR = 1.0, 3
#: The test leak: a bare wire end with a resistor in its lead, about a 1 mm hole; so far from the pair's middle.
TEST_LEAK_OHM, TEST_LEAK_M = 27e3, 0.45
LOG_BEFORE_H, LOG_AFTER_H = 48, 96
#: A bearing known less well than this is taken anew at a wall; so long a rest the head's sensor wants there.
VAGUE_DEG, RESTS_S = 4.0, 2.0


class WholeVisit(Hands):
    """One emulated visit from the complaint to the report. `run` returns what goes into the summary."""

    def __init__(
        self,
        bench: EmulatedBench,
        daemon: Daemon,
        socket: Path,
        say: Callable[[str], None],
        *,
        calendar: Calendar,
        out: Path,
    ) -> None:
        super().__init__(bench, daemon, socket, say)
        assert daemon.visit is not None
        self._visit = daemon.visit
        self._scenario = bench.scenario
        self._calendar = calendar
        self._out = out
        self._draw = np.random.default_rng([bench.scenario.seed, 7])
        self._pole = HandHeldPole(bench.scenario, self._draw)
        self._places: dict[str, tuple[Point, float]] = {}
        self._repaired = False
        self._steady_deg: tuple[float, float] | None = None
        self.wall_contacts = 0
        daemon.wiring.on_move = self._hold

    async def run(self) -> dict[str, Any]:
        s = self._scenario
        self._say(f"EMULATED bench. {s.name}: {s.length_m} x {s.width_m} x {s.depth_m} m.")
        summary: dict[str, Any] = {"loss_before": self.loss("before", LOG_BEFORE_H)}
        async with InstrumentClient(self._socket, self._bench.clock) as client:
            client.send(m.Ask(what="plan"))
            await client.wait(lambda: client.plan is not None, 10.0, "the daemon tells no plan")
            await self.begin(client)
            await self.zero_depth(client)
            await self.make_head_ready(client)
            summary["sensitivity"] = await self._again_after_a_trip(client, lambda: self.test_leak(client))
            summary["cover"] = await self.cover_strongest(client)
            if not summary["sensitivity"]["ok"]:
                # What it asks for: the strongest fitting is covered now, so the test leak gets more of the current.
                summary["sensitivity"] = await self._again_after_a_trip(client, lambda: self.test_leak(client))
            began_s, before, contacts = self._bench.clock.now(), self._pole.holds, self.wall_contacts
            found = await self.survey(client)
            summary |= {"holds": self._pole.holds - before, "survey_s": round(self._bench.clock.now() - began_s, 1)}
            summary |= {"wall_contacts": self.wall_contacts - contacts}
            result = self._visit.result
            located, sentence = told(result, s)
            self._say(sentence)
            summary |= {"stations": len({r["station"] for r in self.survey_rows}), **located}
            await self.switch_off(client)
            if found is not None and await self.dye_and_repair(client, found):
                summary["remeasure"] = await self.read_again(client, found)
            self._bench.technician.lift_out()
            # The whole of the emulated steps: what the board's own measurement said of each.
            steps = self._visit.store.current_steps()
            summary["current_steps"] = [
                {"kind": x.kind, "subject": x.subject, "share": x.share, "share_interval": list(x.share_interval)}
                for x in steps
            ]
            self._calendar.skip(hours=LOG_AFTER_H)
            summary["loss_after"] = self.loss("after", LOG_AFTER_H) if self._repaired else None
            summary["budget"] = self.budgets(result)
            client.send(m.Note(text="Emulated visit: a scripted technician, an invented pool, an invented calendar."))
            summary["report"] = await self.report(client)
            events = [{"severity": e.severity, "code": e.code, "text": e.text} for e in client.events]
        finding = next((f for f in self._visit.store.findings()), None)
        return {
            "readings": self.survey_rows,
            "other_readings": [r for r in self.rows if r["purpose"] != "survey"],
            "wrong_signs_above_5_sigma": self.wrong_signs(),
            **summary,
            "finding_stage": None if finding is None else finding.stage,
            "steps": [
                {"key": x.key, "title": x.title, "status": x.status, "text": x.text} for x in self._daemon.steps().steps
            ],
            "events": events,
        }

    # ---- 1: water ------------------------------------------------------------------------------------------

    def loss(self, moment: Any, hours: int) -> dict[str, Any]:
        """A level log over the last hours, worked out and kept in the survey as `earthward loss --survey` does."""
        leaks = () if self._repaired else self._scenario.leaks
        truth = sum(leak_L_per_day(leak) for leak in leaks)
        text = level_log(self._scenario, self._calendar() - 3600.0 * hours, hours, truth, self._draw)
        write_whole(self._out / f"level-log-{moment}.csv", text.encode())
        result = record_loss_test(self._visit.store, moment, text, time_s=self._calendar())
        self._say(f"Level log {moment}: {result.text}")
        return {
            "verdict": result.verdict,
            "leak_L_per_day": result.leak.value_L_per_day,
            "interval_L_per_day": list(result.leak.interval_L_per_day),
            "true_L_per_day": truth,
        }

    # ---- 3, 4: test leak, covers -----------------------------------------------------------------------------

    async def test_leak(self, client: InstrumentClient) -> dict[str, Any]:
        """Placed and read before anything counts: off, on, off, on, off by the switch in its lead on the deck."""
        s = self._scenario
        middle = (round(s.length_m / 2, 2), round(s.width_m / 2, 2), round(s.depth_m / 2, 2))
        leak_m = (middle[0] + TEST_LEAK_M, middle[1], middle[2])
        place = Station(position_m=middle, bearing_deg=0.0, name="T1")
        await self.select(client, "A")
        self.put_down(client, place)
        await self.pause(moving_time_s(s) + (SEEN_STILL_S if s.orientation_sensor else 0.1))
        judged = len([e for e in client.events if e.code == "test leak"])
        for connected in (False, True, False, True, False):
            if connected:
                self._bench.technician.connect_test_leak(leak_m, TEST_LEAK_OHM)
            else:
                self._bench.technician.disconnect_test_leak()
            state: TestLeakState = "connected" if connected else "disconnected"
            await self.keep(client, place, purpose="test leak", test_leak=state)
        client.send(m.TestLeak(distance_m=TEST_LEAK_M))
        event = await self._event(client, "test leak", judged)
        self._say(event.text)
        test = self._visit.store.sensitivity_tests()[-1]
        return {"ok": test.ok, "ratio": test.result["ratio"], "text": event.text}

    async def cover_strongest(self, client: InstrumentClient) -> dict[str, Any] | None:
        """With the source off, before the survey: readings from before and after a cover do not go together."""
        fittings = sorted(
            (f for f in self._visit.pool.fittings if f.kind in COVERABLE), key=lambda f: COVERABLE.index(f.kind)
        )
        if not fittings:
            return None
        name = fittings[0].name
        # Some steady seconds without the test leak are the "before".
        await self.pause(1.5)
        true_A = self._bench.pool.sink_currents_A("A")
        await self.switch_off(client)
        await self.reset(client)
        self._bench.technician.cover(name)
        before = -1 if client.plan is None else client.plan.revision
        await self._say_until_taken(client, m.SetCovered(fitting=name, covered=True), f"cover on the {name}")
        # On a busy machine the record may be slower than the hand at the enable: "before" is the run that ended.
        await client.wait(
            lambda: client.plan is not None and client.plan.revision > before, 30.0, f"{name} is not told as covered"
        )
        self._say(f"Source off; {name} covered.")
        measured = len([e for e in client.events if e.code == "current step"])
        await self.switch_on(client)
        event = await self._event(client, "current step", measured)
        self._say(event.text)
        return {"fitting": name, "text": event.text, "true_share": true_A[name] / sum(true_A.values())}

    # ---- 5, 6: guided survey -----------------------------------------------------------------------------------

    async def survey(self, client: InstrumentClient) -> Finding | None:
        """To the next station that the daemon proposes, until it says found; then enough stations close by."""
        for number in range(1, MOST_STATIONS + 1):
            station = None if client.plan is None else client.plan.next_station
            if station is None:
                break
            self._say(f"To {station.text}.")
            await self.read(client, f"S{number}", station.position_m, station.bearing_deg or 0.0)
            await self._searched(client)
            if _found(client) is not None:
                break
        found = _found(client)
        if found is None:
            return None
        self._say(f"Found: {in_words(found.position_m)} within {found.radius_m or 0:.2f} m.")
        places = self.close_by(found.position_m)
        for position, bearing in places:
            number = len({r["station"] for r in self.survey_rows}) + 1
            await self.read(client, f"S{number}", position, bearing)
        if places:
            await self._searched(client)
        return _found(client) or found

    async def read(self, client: InstrumentClient, name: str, position_m: Point, bearing_deg: float) -> None:
        """A station of the survey; after a trip once more, under another name, because the pole was put down anew."""
        names = iter((name, *(f"{name}{letter}" for letter in "bcd")))

        async def once() -> None:
            called = next(names)
            await self._bearing_known(client, position_m)
            self._places[called] = (position_m, bearing_deg)
            self._pole.put_down()
            await self.station(client, called, position_m, bearing_deg)

        await self._again_after_a_trip(client, once)

    async def turn_again(self, client: InstrumentClient, place: Station, time: int) -> None:
        """As asked; where that is refused again, the bearing is taken anew at a wall first."""
        self._say("Held otherwise than asked, as the head's sensor sees it: once more.")
        if time > 1:
            await self.to_wall(client, place.position_m)
        self._pole.turn_again()
        await super().turn_again(client, place, time)

    async def _bearing_known(self, client: InstrumentClient, near_m: Point) -> None:
        """With a sensor in the head: back to a wall where the bearing has become vague."""
        if not self._scenario.orientation_sensor:
            return
        head = None if client.state is None else client.state.head
        told = None if head is None else head.told
        if told is None or told.bearing_sigma_deg is None or told.bearing_sigma_deg > VAGUE_DEG:
            await self.to_wall(client, near_m)

    def near(self, target_m: Point3) -> list[str]:
        """Stations that see a place well, nearest first."""
        away = {name: math.dist(position[:2], target_m[:2]) for name, (position, _) in self._places.items()}
        return sorted((name for name in away if away[name] <= NEAR_M), key=lambda name: away[name])

    def close_by(self, target_m: Point3) -> list[tuple[Point, float]]:
        """Places around a finding where the pole has not been yet, as many as are still wanted."""
        s = self._scenario
        wanted = ENOUGH_NEAR - len(self.near(target_m))
        size = (s.length_m, s.width_m)
        ring = []
        for bearing in range(0, 360, 45):
            angle = math.radians(bearing)
            x, y = (target_m[0] + 0.5 * math.cos(angle), target_m[1] + 0.5 * math.sin(angle))
            if all(0.25 <= v <= w - 0.25 for v, w in zip((x, y), size, strict=True)):
                z = min(max(target_m[2] - 0.3, 0.25), s.depth_m - 0.25)
                ring.append(((round(x, 2), round(y, 2), round(z, 2)), (bearing + 180.0) % 360.0))
        chosen: list[tuple[Point, float]] = []
        while ring and len(chosen) < wanted:
            taken = [p for p, _ in self._places.values()] + [p for p, _ in chosen]
            best = max(ring, key=lambda place: min(math.dist(place[0], t) for t in taken))
            ring.remove(best)
            chosen.append(best)
        return chosen

    # ---- 7, 8: dye, repair, again --------------------------------------------------------------------------------

    async def dye_and_repair(self, client: InstrumentClient, found: Finding) -> bool:
        """Source off throughout. True if dye was drawn in and the hole patched."""
        await self.reset(client)
        self._calendar.skip(minutes=20)
        leak = dye_drawn(self._scenario, found.position_m, found.radius_m or 0.0)
        stage: Stage = "dye not drawn" if leak is None else "dye drawn"
        client.send(m.SetStage(finding=found.number, stage=stage, note="pump off, water still"))
        await self._stage(client, found.number, stage)
        self._say(f"Dye at finding {found.number}: {stage.removeprefix('dye ')}.")
        if leak is None:
            return False
        self._calendar.skip(minutes=30)
        self._bench.technician.repair(leak.name)
        self._repaired = True
        client.send(m.SetStage(finding=found.number, stage="repaired", note="underwater vinyl patch, cured 2 h"))
        await self._stage(client, found.number, "repaired")
        self._calendar.skip(hours=2)
        self._say("Patched; two hours later the same stations are read again.")
        return True

    async def read_again(self, client: InstrumentClient, found: Finding) -> dict[str, Any]:
        """The stations near the finding once more; a test says whether the sink is gone."""
        measured = len([e for e in client.events if e.code == "current step"])
        await self.switch_on(client)
        step = await self._event(client, "current step", measured)
        self._say(step.text)
        stations = [] if is_open(client) else self.near(found.position_m)[:ENOUGH_NEAR]
        if not stations:
            self._say("Next to no current flows any more: nothing is left to read with.")
        for name in stations:
            await self._again_after_a_trip(client, lambda n=name: self._once_more(client, n, found.number))  # type: ignore[misc]
        known, text = await self._compare(client, found.number)
        if known.stage == "repaired":
            near = self.near(found.position_m)
            for name in (near[ENOUGH_NEAR:] + near)[:MORE_NEAR]:
                await self._again_after_a_trip(client, lambda n=name: self._once_more(client, n, found.number))  # type: ignore[misc]
            known, text = await self._compare(client, found.number)
        await self.switch_off(client)
        return {"text": text, **(known.history[-1].result or {})}

    async def _compare(self, client: InstrumentClient, number: int) -> tuple[Finding, str]:
        """The finding as it stands after the comparison; still "repaired" where more spots are asked for."""
        judged = len([e for e in client.events if e.code == "re-measure"])
        client.send(m.SetStage(finding=number, stage="re-measured"))
        event = await self._event(client, "re-measure", judged)
        self._say(event.text)
        return next(f for f in self._visit.store.findings() if f.number == number), event.text

    async def _once_more(self, client: InstrumentClient, name: str, finding: int) -> None:
        position, bearing = self._places[name]
        taken = {r["station"] for r in self.rows if r["purpose"] == "re-measure"}
        await self._bearing_known(client, position)
        self._pole.put_down()
        called = name if name not in taken else f"{name} again"
        await self.station(client, called, position, bearing, purpose="re-measure", finding=finding)

    # ---- 9, 10: accounts, report -----------------------------------------------------------------------------------

    def budgets(self, result: Result | None) -> dict[str, Any]:
        """Do current and water add up? Current: what fittings and findings leave over reaches zero, and the fall of the
        conductance after the patch agrees with the located current. Water: by the logs before and after."""
        store = self._visit.store
        water = visit_water_budget(store.loss_tests(), store.findings())
        patch = next((x for x in store.current_steps() if x.kind == "patch"), None)
        current: dict[str, Any] | None = None
        if result is not None:
            b = result.budget
            current = {
                "injected_A": b.injected_A,
                "fittings_A": sum(f.current_A for f in b.fittings),
                "findings_A": b.findings_A,
                "findings_interval_A": list(b.findings_interval_A),
                "unexplained_interval_A": list(b.unexplained_interval_A),
                "closes": bool(result.findings) and b.unexplained_interval_A[0] <= 0.01 * b.injected_A,
                "patched_A": None if patch is None else patch.share * patch.before_A,
                "patched_interval_A": None if patch is None else [v * patch.before_A for v in patch.share_interval],
            }
        told_water = (
            None
            if water is None
            else {
                "verdict": water.verdict,
                "by": water.by,
                "explained_L_per_day": list(water.explained),
                "left_L_per_day": list(water.unexplained),
                "text": water.text,
                "closes": water.verdict == "explained",
            }
        )
        if water is not None:
            self._say(f"Water: {water.verdict}, {water.text}.")
        if result is not None:
            self._say(f"Current: {result.budget.text}.")
        return {"current": current, "water": told_water}

    async def report(self, client: InstrumentClient) -> list[str]:
        """HTML, and PDF where typst is installed. The source has been off since the last station."""
        report_written(self._visit, self._out / "report")
        written = await asyncio.to_thread(build_report, self._visit.store.path, self._out / "report")
        for path in written:
            self._say(f"Written: {path}")
        return [path.name for path in written]

    async def _again_after_a_trip(self, client: InstrumentClient, work: Callable[[], Awaitable[T]]) -> T:
        """What a trip cut short is done again after a reset at the board, three times at most."""
        for _ in range(3):
            try:
                return await work()
            except VisitError:
                if not await self.recover(client):
                    raise
        return await work()

    # ---- hands --------------------------------------------------------------------------------------------------

    def put_down(self, client: InstrumentClient, place: Station) -> None:
        self._pole.put_down()
        client.send(m.MoveTo(place=place))

    def _hold(self, place: Station) -> None:
        """Where a client says that the pole is, a person holds it, about."""
        ends = self._pole.ends(place) if self._steady_deg is None else self._pole.steady(place, *self._steady_deg)
        self._bench.technician.hold_ends(*ends, moving_s=moving_time_s(self._scenario))

    # ---- a head with a sensor -----------------------------------------------------------------------------------

    async def zero_depth(self, client: InstrumentClient) -> None:
        """Lifted out for a moment, so that depths count from the air's pressure."""
        if not self._scenario.depth_sensor:
            return
        self._bench.technician.lift_out()
        await self.pause(RESTS_S)
        await self._say_until_taken(client, m.AtSurface(), "depth sensor")

    async def make_head_ready(self, client: InstrumentClient) -> None:
        """Held plumb by a spirit level, so that the sensor's offset and mounting no longer count; then at a wall."""
        if not self._scenario.orientation_sensor:
            return
        s = self._scenario
        middle = (round(s.length_m / 2, 2), round(s.width_m / 2, 2), round(s.depth_m / 2, 2))
        await self._steady(
            client, Station(position_m=middle, bearing_deg=0.0), (BEARING_SIGMA_DEG, PLUMB_DEG), m.Plumb()
        )
        await self.to_wall(client, middle)

    async def to_wall(self, client: InstrumentClient, near_m: Point) -> None:
        """The head square to the wall that is nearest to a place, so that its gyroscope counts from there."""
        s = self._scenario
        off = s.spacing_m / 2 + 0.05
        x, y, z = near_m
        gaps = [(x, 180.0), (s.length_m - x, 0.0), (y, 270.0), (s.width_m - y, 90.0)]
        bearing = min(gaps)[1]
        at = {180.0: (off, y), 0.0: (s.length_m - off, y), 270.0: (x, off), 90.0: (x, s.width_m - off)}[bearing]
        keep_in = (min(max(at[0], off), s.length_m - off), min(max(at[1], off), s.width_m - off), z)
        await self._steady(client, Station(position_m=keep_in, bearing_deg=bearing), (WALL_DEG, WALL_LEAN_DEG),
                           m.AtWall(bearing_deg=bearing))  # fmt: skip
        self.wall_contacts += 1

    async def _steady(
        self, client: InstrumentClient, place: Station, spread_deg: tuple[float, float], say: m.Message
    ) -> None:
        self._steady_deg = spread_deg
        client.send(m.MoveTo(place=place))
        await self.pause(moving_time_s(self._scenario) + RESTS_S)
        await self._say_until_taken(client, say, "head's sensor")
        self._steady_deg = None

    async def _say_until_taken(self, client: InstrumentClient, say: m.Message, what: str) -> None:
        for _ in range(10):
            problems, done = len(client.problems), client.done
            client.send(say)
            await client.wait(
                lambda p=problems, d=done: len(client.problems) > p or client.done > d,  # type: ignore[misc]
                10.0,
                f"the {what} gives no answer",
            )
            if len(client.problems) == problems:
                return
            await self.pause(0.3)
        raise VisitError(f"the {what} is not taken: {client.problems[-1].text}")

    async def _searched(self, client: InstrumentClient) -> None:
        """Until the plan speaks of everything kept."""
        before = -1 if client.plan is None else client.plan.revision
        await self._daemon.search_done()
        await client.wait(
            lambda: client.plan is not None and client.plan.revision > before, 30.0, "the search gives no answer"
        )

    async def _stage(self, client: InstrumentClient, number: int, stage: str) -> None:
        await client.wait(
            lambda: (
                client.plan is not None and any(f.number == number and f.stage == stage for f in client.plan.findings)
            ),
            10.0,
            f"finding {number} does not become {stage!r}",
        )

    async def _event(self, client: InstrumentClient, code: str, known: int) -> Event:
        """The next event of a kind, when so many are known already."""

        def such() -> list[Event]:
            return [e for e in client.events if e.code == code]

        await client.wait(lambda: len(such()) > known, 30.0, f"nothing was heard of the {code}")
        return such()[-1]


def _found(client: InstrumentClient) -> Finding | None:
    """The strongest finding that the daemon itself calls found."""
    plan = client.plan
    if plan is None or plan.verdict != "found":
        return None
    return next((f for f in plan.findings if f.number and f.stage == "suspected"), None)
