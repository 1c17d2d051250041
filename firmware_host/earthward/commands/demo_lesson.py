"""The demo as a lesson: an emulated pool on which a person does the visit, and a pair of hands to do it with.

The pole goes where the screen's user says it is, the enable is held by a key, covers and patches are put on when they
are said to be; at the end the truth stands beside the estimate. The hands have a socket of their own: no message to an
instrument may hold an enable.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from earthward.clock import Brake, PacedClock
from earthward.commands.demo_world import dye_drawn, leak_L_per_day, level_log
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.display.hands import LESSON_TELLS
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.pole import HandHeldPole
from earthward.emulated.scenario import Scenario
from earthward.record.place import Station
from earthward.survey.files.whole import write_whole

log = logging.getLogger(__name__)

#: what the test leak's lead has (own choice: a small hole)
TEST_LEAK_OHM = 20_000.0
#: A patch put on so near to a hole covers it.
PATCH_M = 0.6
LOG_H = 48


class Lesson:
    """Wires itself to the bench of a daemon that is about to start; `serve` takes what the hands do."""

    def __init__(self, bench: EmulatedBench, daemon: Daemon, out: Path, wall_s: Callable[[], float]) -> None:
        self._bench = bench
        self._daemon = daemon
        self._draw = np.random.default_rng([bench.scenario.seed, 11])
        self._pole = HandHeldPole(bench.scenario, self._draw)
        self._at: tuple[float, ...] | None = None
        self._place: Station | None = None
        self._told = self._lifted = False
        self._brake: Brake | None = None
        daemon.wiring.on_move = self._hold
        daemon.wiring.on_told = self._said
        daemon.listeners.append(self._listen)
        self._write_files(out, wall_s)
        s = bench.scenario
        bench.technician.hold((s.length_m / 2, s.width_m / 2, s.depth_m / 2), 0.0, vertical=False, moving_s=0.15)

    def _write_files(self, out: Path, wall_s: Callable[[], float]) -> None:
        """What a technician would bring: the level log of the last two days, and who called."""
        s = self._bench.scenario
        truth = sum(leak_L_per_day(leak) for leak in s.leaks)
        text = level_log(s, wall_s() - 3600.0 * LOG_H, LOG_H, truth, self._draw)
        write_whole(out / "levels.csv", text.encode())
        details = 'owner = "Invented owner"\naddress = "An emulated pool"\nnotes = ["Emulated lesson."]\n'
        write_whole(out / "details.toml", details.encode())

    # ---- what the person says is done -----------------------------------------------------------------------

    def _hold(self, place: Station) -> None:
        """A person holds the pole about where it is said to be: put down once a spot, turned by hand there."""
        if place.position_m != self._at:
            self._at = place.position_m
            self._pole.put_down()
        self._place = place
        if self._lifted:
            return
        self._bench.technician.hold_ends(*self._pole.ends(place), moving_s=0.15)

    def _said(self, message: m.FromClient) -> None:
        technician = self._bench.technician
        match message:
            case m.SetCovered(fitting=fitting, covered=covered):
                (technician.cover if covered else technician.uncover)(fitting)
            case m.SetStage(finding=number, stage="repaired"):
                leak = self._leak_at(number, PATCH_M)
                if leak is not None:
                    technician.repair(leak.name)
            case m.BeginSpot(test_leak="connected", place=place, distance_m=distance):
                angle = math.radians(place.bearing_deg or 0.0)
                x, y, z = place.position_m
                s = self._bench.scenario
                # Ahead of the front end; where that is behind the wall, behind the back end.
                for way in (1.0, -1.0):
                    at = (x + way * distance * math.cos(angle), y + way * distance * math.sin(angle), z)
                    if 0.05 < at[0] < s.length_m - 0.05 and 0.05 < at[1] < s.width_m - 0.05:
                        break
                technician.connect_test_leak(at, TEST_LEAK_OHM)
            case m.BeginSpot(test_leak="disconnected"):
                technician.disconnect_test_leak()
            case _:
                pass

    def _leak_at(self, number: int, reach_m: float) -> Any:
        visit = self._daemon.visit
        finding = None if visit is None else next((f for f in visit.store.findings() if f.number == number), None)
        leak = None if finding is None else dye_drawn(self._bench.scenario, finding.position_m, reach_m)
        # A patched hole draws nothing in.
        return None if leak is None or leak.name in self._bench.pool.repaired else leak

    # ---- hands ----------------------------------------------------------------------------------------------

    async def serve(self, socket: Path) -> None:
        """Until cancelled."""
        server = await asyncio.start_unix_server(self._client, socket)
        async with server:
            await server.serve_forever()

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        act = (await reader.readline()).decode("ascii", "replace").strip()
        try:
            await self._do(act)
        finally:
            # Whoever waits for the line to close knows that the hand has done it.
            writer.close()

    async def _do(self, act: str) -> None:
        technician = self._bench.technician
        if act == "hold":
            await asyncio.to_thread(technician.press_enable)
        elif act.startswith("switch "):
            await asyncio.to_thread(technician.press_switch, act.removeprefix("switch "))
        elif act == "let go":
            technician.release_enable()
            # Whoever lets go stands beside the board: its latch is reset by the same hand.
            await asyncio.sleep(1.0 / self._bench.clock.speed)
            await asyncio.to_thread(technician.press_reset)
        elif act in ("pause", "go on"):
            self._pause(act == "pause")
        elif act == "lift out":
            self._lifted = True
            technician.lift_out()
        elif act == "put in":
            self._lifted = False
            if self._place is not None:
                self._hold(self._place)
        elif act == "dye":
            self._dye()

    def _pause(self, still: bool) -> None:
        """Bench time, and with it everything emulated, stands where it is."""
        clock = self._bench.clock
        if isinstance(clock, PacedClock):
            self._brake = self._brake or clock.brake()
            self._brake.hold(clock.now() if still else math.inf)

    def _dye(self) -> None:
        visit = self._daemon.visit
        findings = [] if visit is None else [f for f in visit.store.findings() if f.stage == "suspected"]
        if not findings:
            self._daemon.event("info", LESSON_TELLS, "EMULATED: there is no suspected finding to let dye go at.")
            return
        number = findings[0].number
        drawn = self._leak_at(number, findings[0].radius_m or 0.0) is not None
        what = "is drawn in" if drawn else "stays where it is"
        self._daemon.event("info", LESSON_TELLS, f"EMULATED: the dye at finding {number} {what}.")

    # ---- the end --------------------------------------------------------------------------------------------

    def _listen(self, message: m.Message) -> None:
        if isinstance(message, m.EventMessage) and message.code == "report" and message.severity == "info":
            if self._told:
                return
            self._told = True
            asyncio.get_running_loop().call_soon(self._tell_truth)

    def _tell_truth(self) -> None:
        scenario, visit = self._bench.scenario, self._daemon.visit
        found = [] if visit is None else visit.store.findings()
        self._daemon.event("info", "emulated truth", truth_in_words(scenario, [f.position_m for f in found]))


def truth_in_words(scenario: Scenario, found: list[tuple[float, float, float]]) -> str:
    """The truth beside the estimate, one sentence."""
    parts = []
    for leak in scenario.leaks:
        x, y, z = leak.position_m
        away = min((math.dist(leak.position_m, at) for at in found), default=math.nan)
        said = "not found" if math.isnan(away) else f"{away:.2f} m from the nearest place found"
        parts.append(f"a leak at ({x:.2f}, {y:.2f}) m, {z:.2f} m deep: {said}")
    return "EMULATED truth: " + ("; ".join(parts) if parts else "there was no leak") + "."
