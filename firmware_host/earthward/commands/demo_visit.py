"""The scripted technician of the demo: walks, holds still, keeps readings; knows nothing that a person would not.

Hands act on the emulated bench (contacts, pole); everything else goes through the daemon's socket, as a display's
requests would. The truth is read only at the end, to print it beside the estimate.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.emulated.bench import EmulatedBench
from earthward.service import messages as m
from earthward.service.daemon import Daemon
from earthward.service.recorder import write_whole

#: How far from the wall, how far apart, how deep (as a share of the depth) a sweep of the edge is read.
OFF_WALL_M = 0.45
APART_M = 1.6
STILL_S = 0.25


class Walk:
    """A sweep along the pool's edge, both electrodes, three directions at each station."""

    def __init__(self, bench: EmulatedBench, daemon: Daemon, socket: Path, say: Callable[[str], None]) -> None:
        self._bench = bench
        self._daemon = daemon
        self._socket = socket
        self._say = say
        self._rows: list[dict[str, Any]] = []

    # ---- courses ------------------------------------------------------------------------------------------

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
            self._release()
            await client.wait(
                lambda: client.state is not None and not client.state.source.energised, 3.0, "the source stays on"
            )
            return self._summary(client)

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
                    client.send(m.MoveTo(place=m.Station(position_m=(x, y, z), bearing_deg=bearing)))
                    await self._pause(3.0)
                    if client.state is not None and client.state.interlock.water_clear_left_s is not None:
                        left = client.state.interlock.water_clear_left_s
                        if 0 < left < 60:
                            client.send(m.WaterClear(by="scripted technician"))

    # ---- pieces -------------------------------------------------------------------------------------------

    async def _pause(self, seconds: float) -> None:
        clock = self._bench.clock
        end_s = clock.now() + seconds
        while (left_s := end_s - clock.now()) > 0:
            await asyncio.sleep(max(left_s / clock.speed, 0.002))

    async def begin(self, client: InstrumentClient) -> None:
        """Pair into the water, everything healthy, stray-voltage check, water stated clear, enable held."""
        scenario = self._bench.scenario
        client.send(
            m.MoveTo(
                place=m.Station(
                    position_m=(scenario.length_m / 2, scenario.width_m / 2, scenario.depth_m / 2), bearing_deg=0.0
                )
            )
        )

        def ok(name: str) -> bool:
            return client.state is not None and any(p.name == name and p.ok for p in client.state.interlock.permissives)

        await client.wait(lambda: ok("link") and ok("receiver"), 20.0, "board or receiver did not come up")
        await client.wait(lambda: ok("stray voltage"), 20.0, "the stray-voltage check did not pass")
        client.send(m.WaterClear(by="scripted technician"))
        await asyncio.to_thread(self._bench.technician.press_enable)
        self._say("Checks passed, water stated clear, enable held: warning sounds.")
        await client.wait(
            lambda: client.state is not None and client.state.interlock.state == "energised" and _on(client),
            20.0,
            "the source did not come on",
        )
        state = client.state
        assert state is not None
        self._say(f"Source on, {(state.source.current_A or 0) * 1e3:.2f} mA.")

    def _release(self) -> None:
        self._bench.technician.release_enable()

    async def station(self, client: InstrumentClient, name: str, position_m: m.Point, bearing_deg: float) -> None:
        """Front end toward the bearing, then across, then down; electrode A, then B, with the pole unmoved."""
        for turn in (0.0, 90.0, None):
            vertical = turn is None
            place = m.Station(
                position_m=position_m,
                bearing_deg=None if turn is None else (bearing_deg + turn) % 360.0,
                vertical=vertical,
                name=name,
            )
            client.send(m.MoveTo(place=place))
            await self._pause(STILL_S)
            order = ("A", "B") if _electrode(client) == "A" else ("B", "A")
            for electrode in order:
                await self._electrode(client, electrode)
                await self.keep(client, place)

    async def _electrode(self, client: InstrumentClient, electrode: str) -> None:
        if _electrode(client) == electrode:
            return
        client.send(m.SelectElectrode(electrode=electrode))  # type: ignore[arg-type]
        await client.wait(lambda: _electrode(client) == electrode, 5.0, f"electrode {electrode} was not selected")

    async def keep(self, client: InstrumentClient, place: m.Station) -> m.Kept:
        """Wait for a reading that began here, with this electrode, then keep it."""
        since_s = self._bench.clock.now()
        wanted = 0 if _electrode(client) == "A" else 1
        for _ in range(20):
            await client.wait(
                lambda: (
                    client.reading is not None
                    and client.reading.source_id == wanted
                    and client.reading.t_s - client.reading.window_s / 2 >= since_s
                    and client.reading.value_V is not None
                    and client.reading.current_A is not None
                ),
                10.0,
                f"no reading at {place.name}",
            )
            kept, problems = len(client.kept), len(client.problems)
            client.send(m.Keep(place=place))
            await client.wait(
                lambda k=kept, p=problems: len(client.kept) > k or len(client.problems) > p,  # type: ignore[misc]
                10.0,
                f"the reading at {place.name} was neither kept nor refused",
            )
            if len(client.kept) > kept:
                self._note(client.kept[-1], client.reading)
                return client.kept[-1]
            await self._pause(0.1)
        raise VisitError(f"the reading at {place.name} was refused: {client.problems[-1]}")

    def _note(self, kept: m.Kept, reading: m.ReadingMessage | None) -> None:
        pose = self._bench.technician.pose
        assert pose.front_m is not None and pose.back_m is not None
        truth = self._bench.pool.true_volts("A" if kept.source_id == 0 else "B")
        sigmas = kept.value_V / kept.sigma_V
        self._rows.append(
            {
                "station": kept.station,
                "row": kept.row,
                "front_m": list(pose.front_m),
                "back_m": list(pose.back_m),
                "value_V": kept.value_V,
                "sigma_V": kept.sigma_V,
                "source_id": kept.source_id,
                "true_V": truth,
            }
        )
        way = "no direction" if abs(sigmas) < 2 else "toward the front end" if sigmas > 0 else "toward the back end"
        self._say(
            f"{kept.station:>4} electrode {'AB'[kept.source_id]}"
            f" {kept.value_V * 1e6:+9.2f} uV +- {kept.sigma_V * 1e6:.2f}  {way}"
        )

    # ---- the end --------------------------------------------------------------------------------------------

    def _summary(self, client: InstrumentClient) -> dict[str, Any]:
        result = None if self._daemon.visit is None else self._daemon.visit.result
        truth = self._bench.scenario.truth()
        leaks = [leak.position_m for leak in self._bench.scenario.leaks]
        estimate: dict[str, Any] | None = None
        if result is not None and result.findings:
            best = result.findings[0]
            error = min((math.dist(best.position_m, leak) for leak in leaks), default=math.nan)
            estimate = {
                "position_m": list(best.position_m),
                "radius_m": best.radius_m,
                "current_A": best.current_A,
                "current_interval_A": list(best.current_interval_A),
                "certain": best.certain,
                "error_m": error,
            }
            self._say(
                f"Sink estimated at {_place(best.position_m)}, {best.current_A * 1e3:.2f} mA;"
                f" truth {', '.join(_place(x) for x in leaks)}: {error:.2f} m apart."
            )
        else:
            self._say("No sink could be named." if result is None else f"No sink could be named: {result.text}")
        wrong = [r for r in self._rows if abs(r["value_V"]) > 5 * r["sigma_V"] and r["value_V"] * r["true_V"] < 0]
        return {
            "readings": self._rows,
            "stations": len({r["station"] for r in self._rows}),
            "estimate": estimate,
            "verdict": None if result is None else result.verdict,
            "wrong_signs_above_5_sigma": len(wrong),
            "location": None if result is None else result.to_json(cells=False),
            "truth": truth,
            "events": [{"severity": e.severity, "code": e.code, "text": e.text} for e in client.events],
        }

    def write_csv(self, path: Path) -> None:
        """Kept readings in the open format."""
        head = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V,source_id,station"
        lines = [head]
        for r in self._rows:
            numbers = [*r["front_m"], *r["back_m"], r["value_V"], r["sigma_V"]]
            lines.append(",".join([*(f"{x:.9g}" for x in numbers), str(r["source_id"]), r["station"]]))
        write_whole(path, ("\n".join(lines) + "\n").encode())


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


def _on(client: InstrumentClient) -> bool:
    return client.state is not None and client.state.source.energised and (client.state.source.current_A or 0) > 0


def _electrode(client: InstrumentClient) -> str:
    return "A" if client.state is None else client.state.source.electrode


def _place(point: Any) -> str:
    return f"({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f}) m"
