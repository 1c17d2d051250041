"""The demo's walk: a sweep along the pool's edge, nothing else. Behind the dashboard it goes on for ever."""

from __future__ import annotations

import asyncio
import math
from typing import Any

from earthward.commands.demo_client import InstrumentClient
from earthward.commands.demo_hands import NAME, Hands, in_words
from earthward.daemon import protocol as m
from earthward.emulated.scenario import Scenario
from earthward.inversion.types import Result
from earthward.record.place import Station

#: How far from the wall, how far apart a sweep of the edge is read.
OFF_WALL_M = 0.45
APART_M = 1.6


class Walk(Hands):
    """A sweep along the pool's edge, both electrodes, three directions at each station."""

    async def run(self) -> dict[str, Any]:
        """The whole walk; returns what goes into the summary."""
        scenario = self._bench.scenario
        self._say(f"EMULATED bench. {scenario.name}: {scenario.length_m} x {scenario.width_m} x {scenario.depth_m} m.")
        async with InstrumentClient(self._socket, self._bench.clock) as client:
            await self.begin(client)
            places = edge_places(scenario.length_m, scenario.width_m, scenario.depth_m)
            for number, (x, y, z, bearing) in enumerate(places, 1):
                await self.station(client, f"S{number}", (x, y, z), bearing)
            await self._daemon.search_done()
            await asyncio.sleep(0.1)
            await self.switch_off(client)
            result = None if self._daemon.visit is None else self._daemon.visit.result
            summary, sentence = told(result, scenario)
            self._say(sentence)
            return {
                "readings": self.rows,
                "stations": len({r["station"] for r in self.rows}),
                "wrong_signs_above_5_sigma": self.wrong_signs(),
                **summary,
                "events": [{"severity": e.severity, "code": e.code, "text": e.text} for e in client.events],
            }

    async def stroll(self) -> None:
        """For the dashboard: everything is made ready, then the pole moves slowly along the edge, for ever."""
        while not self._socket.exists():
            await asyncio.sleep(0.1)
        scenario = self._bench.scenario
        async with InstrumentClient(self._socket, self._bench.clock) as client:
            await self.begin(client)
            places = edge_places(scenario.length_m, scenario.width_m, scenario.depth_m, 0.4)
            while True:
                for x, y, z, bearing in places:
                    client.send(m.MoveTo(place=Station(position_m=(x, y, z), bearing_deg=bearing)))
                    await self.pause(3.0)
                    if client.state is not None and client.state.interlock.water_clear_left_s is not None:
                        left = client.state.interlock.water_clear_left_s
                        if 0 < left < 60:
                            client.send(m.WaterClear(by=NAME))


def told(result: Result | None, scenario: Scenario) -> tuple[dict[str, Any], str]:
    """The search's answer beside the truth: for the summary, and as one sentence."""
    leaks = [leak.position_m for leak in scenario.leaks]
    estimate: dict[str, Any] | None = None
    sentence = "No sink could be named." if result is None else f"No sink could be named: {result.text}"
    if result is not None and result.findings:
        best = result.findings[0]
        error = min((math.dist(best.position_m, leak) for leak in leaks), default=None)
        estimate = {
            "position_m": list(best.position_m),
            "radius_m": best.radius_m,
            "current_A": best.current_A,
            "current_interval_A": list(best.current_interval_A or ()),
            "certain": best.certain,
            "error_m": error,
        }
        so = "no leak at all" if error is None else f"{', '.join(in_words(x) for x in leaks)}: {error:.2f} m apart"
        sentence = f"Sink estimated at {in_words(best.position_m)}, {(best.current_A or 0.0) * 1e3:.2f} mA; truth {so}."
    return {
        "estimate": estimate,
        "verdict": None if result is None else result.verdict,
        "location": None if result is None else result.to_json(cells=False),
        "truth": scenario.truth(),
    }, sentence


def edge_places(
    length_m: float, width_m: float, depth_m: float, apart_m: float = APART_M
) -> list[tuple[float, float, float, float]]:
    """(x, y, z, bearing toward the wall) along all four walls, alternately at a third and two thirds of the depth."""
    places: list[tuple[float, float, float, float]] = []
    walls = [
        ((0.0, 0.0), (1.0, 0.0), length_m, 270.0),
        ((length_m, 0.0), (0.0, 1.0), width_m, 0.0),
        ((length_m, width_m), (-1.0, 0.0), length_m, 90.0),
        ((0.0, width_m), (0.0, -1.0), width_m, 180.0),
    ]
    for (x0, y0), (dx, dy), long_m, bearing in walls:
        count = max(1, round((long_m - 2 * OFF_WALL_M) / apart_m))
        inward = (-math.cos(math.radians(bearing)) * OFF_WALL_M, -math.sin(math.radians(bearing)) * OFF_WALL_M)
        for k in range(count):
            along = OFF_WALL_M + (k + 0.5) * (long_m - 2 * OFF_WALL_M) / count
            z = depth_m * (1 / 3 if len(places) % 2 == 0 else 2 / 3)
            places.append((x0 + dx * along + inward[0], y0 + dy * along + inward[1], z, bearing))
    return places
