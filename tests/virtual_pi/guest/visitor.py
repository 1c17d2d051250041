"""What the scripted hands do inside the virtual Pi: energise, walk, keep, switch off; every acknowledged row is told.

    visitor.py READINGS [ACKS]     prints one line of JSON at the end; ACKS: where to say every acknowledged row

Contacts and pole are moved through the world's socket, everything else goes through the daemon's, as a display's
requests do.
"""

from __future__ import annotations

import asyncio
import json
import socket
import sys
import time
from pathlib import Path

from earthward.clock import SystemClock
from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_hands import holds, is_on
from earthward.commands.demo_walk import edge_places
from earthward.daemon import protocol as m
from earthward.emulated.scenario import Scenario
from earthward.record.place import Station

DAEMON = Path("/run/earthward/earthward.sock")
WORLD = "/run/virtual-world"


class World:
    """The technician's hands, over the world's socket."""

    def __init__(self) -> None:
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(WORLD)
        self._file = self._line.makefile("rw")

    def do(self, what: str) -> str:
        self._file.write(what + "\n")
        self._file.flush()
        return self._file.readline().strip()


async def energise(client: InstrumentClient, world: World) -> None:
    await client.wait(lambda: holds(client, "link") and holds(client, "receiver"), 60.0, "board or receiver not up")
    await client.wait(lambda: holds(client, "stray voltage"), 60.0, "the stray-voltage check did not pass")
    if client.state is not None and client.state.interlock.trip is not None:
        world.do("enable 0")
        await asyncio.sleep(0.5)
        world.do("reset")
        await client.wait(
            lambda: client.state is not None and client.state.interlock.trip is None, 10.0, "the trip is not cleared"
        )
    client.send(m.WaterClear(by="scripted technician"))
    await asyncio.to_thread(world.do, "enable 1")
    await client.wait(lambda: is_on(client), 30.0, "the source did not come on")


async def keep(client: InstrumentClient, place: Station) -> m.Kept:
    since_s = client_now(client)
    for _ in range(20):
        await client.wait(
            lambda: (
                client.reading is not None
                and client.reading.t_s - (client.reading.window_s or 0.0) / 2 >= since_s
                and client.reading.value_V is not None
                and client.reading.current_A is not None
            ),
            20.0,
            f"no reading at {place.name}",
        )
        kept, problems = len(client.kept), len(client.problems)
        client.send(m.Keep(place=place))
        await client.wait(
            lambda k=kept, p=problems: len(client.kept) > k or len(client.problems) > p,  # type: ignore[misc]
            20.0,
            f"the reading at {place.name} was neither kept nor refused",
        )
        if len(client.kept) > kept:
            return client.kept[-1]
        await asyncio.sleep(0.1)
    raise VisitError(f"the reading at {place.name} was refused: {client.problems[-1].text}")


def client_now(client: InstrumentClient) -> float:
    return time.monotonic()


async def visit(count: int, acks: Path | None) -> dict[str, object]:
    scenario = Scenario.random(1)
    clock = SystemClock()
    world = World()
    done: list[int] = []
    async with InstrumentClient(DAEMON, clock) as client:
        middle = (scenario.length_m / 2, scenario.width_m / 2, scenario.depth_m / 2)
        world.do(f"hold {middle[0]} {middle[1]} {middle[2]} 0")
        client.send(m.MoveTo(place=Station(position_m=middle, bearing_deg=0.0, name="middle")))
        begin_s = clock.now()
        await energise(client, world)
        on_s = clock.now() - begin_s
        current_A = client.state.source.current_A if client.state is not None else None
        places = edge_places(scenario.length_m, scenario.width_m, scenario.depth_m)
        for n in range(count):
            x, y, z, bearing = places[n % len(places)]
            place = Station(position_m=(x, y, z), bearing_deg=bearing, name=f"S{n + 1}")
            world.do(f"hold {x} {y} {z} {bearing}")
            client.send(m.MoveTo(place=place))
            await asyncio.sleep(0.4)
            kept = await keep(client, place)
            done.append(kept.row)
            if acks is not None:
                with acks.open("a") as file:
                    file.write(f"{kept.row} {kept.value_V:.9g}\n")
        lost = client.state.adc.lost_fraction if client.state is not None else None
        began_s = clock.now()
        client.send(m.SourceOff())
        await client.wait(lambda: client.state is not None and not client.state.source.energised, 5.0, "it stays on")
        off_s = clock.now() - began_s
        world.do("enable 0")
    return {
        "rows": done, "energised_after_s": round(on_s, 2), "current_mA": round((current_A or 0) * 1e3, 3),
        "off_s": round(off_s, 3), "lost_fraction": lost, "converter": world.do("converter"),
    }  # fmt: skip


def main() -> int:
    try:
        result = asyncio.run(visit(int(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None))
    except (VisitError, OSError) as error:
        print(json.dumps({"problem": str(error)}))
        return 1
    print(json.dumps(result))
    return 0


if __name__ == "__main__":
    sys.exit(main())
