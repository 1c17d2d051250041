"""The whole daemon against the real firmware on the virtual chip, on a paced bench that hurries as fast as it can.

Whatever the machine does meanwhile, bench time waits for the chip: readings must be right, not merely present.
"""

from __future__ import annotations

import asyncio
import math
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from earthward.clock import PacedClock
from earthward.commands.demo import HEADLESS_SPEED, bench_wiring, demo_config, new_visit
from earthward.commands.demo_client import InstrumentClient
from earthward.commands.demo_walk import Walk
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario
from earthward.emulated.virtual_mcu import Build
from earthward.record.place import Station


@pytest.fixture(autouse=True)
def _quick_switching() -> Iterator[None]:
    before = sys.getswitchinterval()
    sys.setswitchinterval(0.0005)
    yield
    sys.setswitchinterval(before)


async def kept_readings(build: Build, folder: Path, scenario: Scenario) -> list[tuple[float, float, float]]:
    """(value, sigma, truth) of readings kept around the leak, with both electrodes."""
    clock = PacedClock(HEADLESS_SPEED)
    found = []
    with EmulatedBench(scenario, clock, firmware=build) as bench:
        config = demo_config(scenario, folder / "socket")
        wiring = bench_wiring(bench, config, clock)
        visit = new_visit(scenario, config, folder)
        daemon = Daemon(config, wiring, visit=visit, recording=folder / "recording")
        await daemon.start()
        try:
            walk = Walk(bench, daemon, folder / "socket", lambda text: None)
            async with InstrumentClient(folder / "socket", clock) as client:
                await walk.begin(client)
                x, y, _ = scenario.leaks[0].position_m
                for k, bearing in enumerate((0.0, 90.0, 30.0, 120.0)):
                    here = (min(max(x + 0.3, 0.6), scenario.length_m - 0.6), min(max(y, 0.6), scenario.width_m - 0.6))
                    place = Station(
                        position_m=(*here, 0.6 * scenario.depth_m), bearing_deg=bearing, name=f"S{k}", vertical=False
                    )
                    client.send(m.MoveTo(place=place))
                    if k == 2:
                        client.send(m.SelectElectrode(electrode="B"))
                    clock_s = clock.now()
                    while clock.now() < clock_s + 1.5:
                        await asyncio.sleep(0.02)
                    kept = await walk.keep(client, place)
                    found.append((kept.value_V, kept.sigma_V, bench.pool.true_volts("AB"[kept.source_id])))
        finally:
            await daemon.close()
            visit.store.close()
        assert bench.board.identity is not None and bench.board.identity.build != 0xE1A7ED, "the firmware itself"
    return found


@pytest.mark.realtime
def test_readings_through_the_real_firmware_are_right(build: Build, tmp_path: Path) -> None:
    found = asyncio.run(kept_readings(build, tmp_path, Scenario.random(1)))
    print(*(f"{v * 1e6:+.2f} +- {s * 1e6:.2f} uV, truth {t * 1e6:+.2f}" for v, s, t in found), sep="\n")
    scores = [(v - t) / s for v, s, t in found]
    # A lost overflow or a request that arrives before it is sent turned these into 20 sigma and a fifth of the value.
    assert max(map(abs, scores)) < 5.0, scores
    strong = [(v, t) for v, s, t in found if abs(t) > 20 * s]
    assert strong, "the places are chosen to read strongly"
    assert all(math.isclose(v, t, rel_tol=0.1) for v, t in strong), strong
