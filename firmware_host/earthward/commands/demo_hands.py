"""What the scripted technician's hands do: contacts, pole, keep. They know nothing that a person would not.

Hands act on the emulated bench (contacts, pole); everything else goes through the daemon's socket, as a display's
requests would. The truth is read only to print it beside what was measured.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_world import TURNING_S
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.daemon.spot import HEADS, turned
from earthward.emulated.bench import EmulatedBench
from earthward.record.base import Point
from earthward.record.place import Station
from earthward.record.reading import TestLeakState
from earthward.survey.files.whole import write_whole
from earthward.survey.pair import HeldOtherwise

STILL_S = 0.25
#: The head's sensor has seen it at rest so long after it came to rest.
SEEN_STILL_S = 0.6
NAME = "scripted technician"


class Hands:
    """The moves that every job is made of. `rows` are the readings kept, as the summary shows them."""

    def __init__(self, bench: EmulatedBench, daemon: Daemon, socket: Path, say: Callable[[str], None]) -> None:
        self._bench = bench
        self._daemon = daemon
        self._socket = socket
        self._say = say
        self.rows: list[dict[str, Any]] = []

    # ---- time ---------------------------------------------------------------------------------------------

    async def pause(self, seconds: float) -> None:
        """So many bench seconds."""
        clock = self._bench.clock
        end_s = clock.now() + seconds
        while (left_s := end_s - clock.now()) > 0:
            await asyncio.sleep(max(left_s / clock.speed, 0.002))

    # ---- contacts -----------------------------------------------------------------------------------------

    async def begin(self, client: InstrumentClient) -> None:
        """Pair into the water, everything healthy, stray-voltage check, water stated clear, enable held."""
        scenario = self._bench.scenario
        middle = (scenario.length_m / 2, scenario.width_m / 2, scenario.depth_m / 2)
        client.send(m.MoveTo(place=Station(position_m=middle, bearing_deg=0.0)))
        await client.wait(
            lambda: holds(client, "link") and holds(client, "receiver"), 20.0, "board or receiver did not come up"
        )
        await client.wait(lambda: holds(client, "stray voltage"), 20.0, "the stray-voltage check did not pass")
        await self.switch_on(client)

    async def switch_on(self, client: InstrumentClient) -> None:
        """State the water clear, hold the enable, wait through the warning."""
        client.send(m.WaterClear(by=NAME))
        await asyncio.to_thread(self._bench.technician.press_enable)
        self._say("Checks passed, water stated clear, enable held: warning sounds.")
        await client.wait(
            lambda: client.state is not None and client.state.interlock.state == "energised" and is_on(client),
            20.0,
            "the source did not come on",
        )
        state = client.state
        assert state is not None
        self._say(f"Source on, {(state.source.current_A or 0) * 1e3:.2f} mA.")

    async def switch_off(self, client: InstrumentClient) -> None:
        """Let go of the enable; returns when the board has said that it is off."""
        self._bench.technician.release_enable()
        await client.wait(
            lambda: client.state is not None and not client.state.source.energised, 3.0, "the source stays on"
        )

    async def reset(self, client: InstrumentClient) -> None:
        """The board latches when the enable opens while its output is on: one press of its own button goes on."""
        if not await asyncio.to_thread(self._bench.technician.press_reset):
            raise VisitError("the source board's reset button does not clear its trip")
        await client.wait(
            lambda: client.state is not None and client.state.interlock.state == "off", 5.0, "the trip is not cleared"
        )

    async def recover(self, client: InstrumentClient) -> bool:
        """After a trip: let go, find the cause ended, reset at the board, begin again. False if nothing had tripped."""
        state = client.state
        if state is None or state.interlock.trip is None:
            return False
        self._say(f"Tripped: {state.interlock.trip.cause} {state.interlock.trip.remedy}")
        await self.switch_off(client)
        await client.wait(
            lambda: holds(client, "link") and holds(client, "receiver"), 20.0, "board or receiver did not come back"
        )
        await self.reset(client)
        await self.switch_on(client)
        return True

    # ---- readings -----------------------------------------------------------------------------------------

    async def station(
        self,
        client: InstrumentClient,
        name: str,
        position_m: Point,
        bearing_deg: float,
        purpose: Any = "survey",
        finding: int | None = None,
    ) -> None:
        """In every direction that the head needs a hold for: along the bearing, across, upright. Electrode A, then B,
        with the pole unmoved."""
        base = Station(position_m=position_m, bearing_deg=bearing_deg % 360.0, name=name)
        for turn in HEADS[self._bench.scenario.head]:
            place = turned(base, turn)
            await self.take_hold(client, place)
            order = ("A", "B") if electrode_of(client) == "A" else ("B", "A")
            for electrode in order:
                await self.select(client, electrode)
                # With one electrode read the pole stays as it is until the other is.
                await self.keep(client, place, purpose=purpose, finding=finding, may_turn=electrode == order[0])

    async def take_hold(self, client: InstrumentClient, place: Station) -> None:
        client.send(m.MoveTo(place=place))
        await self.pause(STILL_S if not self._bench.scenario.orientation_sensor else TURNING_S + SEEN_STILL_S)

    async def turn_again(self, client: InstrumentClient, place: Station, time: int) -> None:
        """The sensor in the head sees it held otherwise than asked, for the so manieth time: it is turned once more."""
        await self.take_hold(client, place)

    async def select(self, client: InstrumentClient, electrode: str) -> None:
        if electrode_of(client) == electrode:
            return
        client.send(m.SelectElectrode(electrode=electrode))  # type: ignore[arg-type]
        await client.wait(lambda: electrode_of(client) == electrode, 5.0, f"electrode {electrode} was not selected")

    async def keep(
        self,
        client: InstrumentClient,
        place: Station,
        *,
        note: str = "",
        purpose: Any = "survey",
        finding: int | None = None,
        test_leak: TestLeakState | None = None,
        may_turn: bool = False,
    ) -> m.Kept:
        """Wait for a reading that began here, with this electrode, then keep it. may_turn: the pole may be turned as
        asked if the sensor in the head sees it held otherwise."""
        since_s = self._bench.clock.now()
        wanted = 0 if electrode_of(client) == "A" else 1
        upright_pair = place.vertical and self._bench.scenario.head == "crossed"
        pairs = range(1 if upright_pair else self._daemon.wiring.channels)
        turned_again = 0
        for _ in range(20):
            await client.wait(
                lambda since=since_s: all(fresh(client.readings.get(k), since, wanted) for k in pairs),  # type: ignore[misc]
                10.0,
                f"no reading at {place.name}",
            )
            kept, problems = len(client.kept), len(client.problems)
            client.send(m.Keep(place=place, note=note, purpose=purpose, finding=finding, test_leak=test_leak))
            await client.wait(
                lambda k=kept, p=problems: len(client.kept) >= k + len(pairs) or len(client.problems) > p,  # type: ignore[misc]
                10.0,
                f"the reading at {place.name} was neither kept nor refused",
            )
            if len(client.kept) >= kept + len(pairs):
                for row in client.kept[kept:]:
                    self._note(row, purpose)
                return client.kept[kept]
            if may_turn and client.problems[-1].code == HeldOtherwise.code:
                turned_again += 1
                await self.turn_again(client, place, turned_again)
                since_s = self._bench.clock.now()
            await self.pause(0.1)
        raise VisitError(f"the reading at {place.name} was refused: {client.problems[-1].text}")

    def _note(self, kept: m.Kept, purpose: str) -> None:
        truth = self._bench.pool.true_volts("A" if kept.source_id == 0 else "B", kept.channel)
        self.rows.append(
            {
                "station": kept.station,
                "row": kept.row,
                "purpose": purpose,
                "front_m": list(kept.front_m),
                "back_m": list(kept.back_m),
                "value_V": kept.value_V,
                "sigma_V": kept.sigma_V,
                "source_id": kept.source_id,
                "true_V": truth,
                **self._deep(kept),
            }
        )
        sigmas = kept.value_V / kept.sigma_V
        way = "no direction" if abs(sigmas) < 2 else "toward the front end" if sigmas > 0 else "toward the back end"
        self._say(
            f"{kept.station:>4} electrode {'AB'[kept.source_id]}"
            f" {kept.value_V * 1e6:+9.2f} uV +- {kept.sigma_V * 1e6:.2f}  {way}"
        )

    def _deep(self, kept: m.Kept) -> dict[str, Any]:
        """With a depth sensor: what it told, and the depth of the electrodes it goes with as they are."""
        if kept.depth_sigma_m is None:
            return {}
        front_m = self._bench.technician.pose.pairs[kept.channel][0]
        return {"depth_m": kept.depth_m, "depth_sigma_m": kept.depth_sigma_m, "true_front_depth_m": front_m[2]}

    # ---- what was kept ------------------------------------------------------------------------------------

    @property
    def survey_rows(self) -> list[dict[str, Any]]:
        return [r for r in self.rows if r["purpose"] == "survey"]

    def wrong_signs(self) -> int:
        """Kept readings above five sigma whose sign is not that of a perfect instrument: there should be none."""
        return sum(abs(r["value_V"]) > 5 * r["sigma_V"] and r["value_V"] * r["true_V"] < 0 for r in self.rows)

    def write_csv(self, path: Path) -> None:
        """Readings of the survey in the open format."""
        head = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V,source_id,station"
        lines = [head]
        for r in self.survey_rows:
            numbers = [*r["front_m"], *r["back_m"], r["value_V"], r["sigma_V"]]
            lines.append(",".join([*(f"{x:.9g}" for x in numbers), str(r["source_id"]), r["station"]]))
        write_whole(path, ("\n".join(lines) + "\n").encode())


def holds(client: InstrumentClient, name: str) -> bool:
    """Does that permissive hold?"""
    return client.state is not None and any(p.name == name and p.ok for p in client.state.interlock.permissives)


def fresh(reading: m.ReadingMessage | None, since_s: float, source_id: int) -> bool:
    """A reading with a value, all of it measured since then, with that injection electrode."""
    return (
        reading is not None
        and reading.source_id == source_id
        and reading.t_s - (reading.window_s or 0.0) / 2 >= since_s
        and reading.value_V is not None
        and reading.current_A is not None
    )


def is_on(client: InstrumentClient) -> bool:
    """On, and the board has measured what flows, were it nothing."""
    if client.state is None or not client.state.source.energised:
        return False
    return (client.state.source.current_A or 0) > 0 or is_open(client)


def is_open(client: InstrumentClient) -> bool:
    """Next to no current flows: there is no way from the water to earth."""
    return client.state is not None and client.state.source.open_circuit


def electrode_of(client: InstrumentClient) -> str:
    return "A" if client.state is None else client.state.source.electrode


def in_words(point: Any) -> str:
    return f"({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f}) m"
