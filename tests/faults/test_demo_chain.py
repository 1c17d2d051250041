"""Faults through the whole demo: unmodified Adafruit driver, pyserial, gpiozero, daemon, socket, dashboard.

Each fault is made on the emulated wires below the real libraries. It must become a plain sentence on the screen and
in the log, the output must drop where it must, and the chain must work again when the fault has ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

import adafruit_ads1x15
import gpiozero
import msgspec
import pytest
import serial
from textual.pilot import Pilot

from earthward.clock import PacedClock
from earthward.commands.demo import bench_wiring, demo_config, new_visit
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.daemon.parts import Wiring
from earthward.display.app import EarthwardApp
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario
from earthward.record.place import Station

pytestmark = pytest.mark.realtime
SPEED = 1.0
PATIENCE_S = 60.0
SIZE = (80, 24)


async def until(condition: Callable[[], object], what: str) -> None:
    try:
        async with asyncio.timeout(PATIENCE_S):
            while not condition():
                await asyncio.sleep(0.02)
    except TimeoutError:
        raise AssertionError(f"never: {what}") from None


@dataclass
class Kit:
    """The demo as a person has it before him: bench, daemon, dashboard."""

    bench: EmulatedBench
    wiring: Wiring
    daemon: Daemon
    app: EarthwardApp
    pilot: Pilot[int]
    log: pytest.LogCaptureFixture

    @property
    def state(self) -> m.State | None:
        return self.app.client.snapshot.state

    @property
    def energised(self) -> bool:
        return self.state is not None and self.state.interlock.state == "energised" and self.state.source.energised

    @property
    def tripped(self) -> bool:
        return self.state is not None and self.state.interlock.state == "tripped"

    def screen(self) -> str:
        """The words on the screen, line breaks taken out."""
        sheet = self.app._widget
        lines = [sheet.render_line(y).text for y in range(sheet.size.height)]
        return " ".join(" ".join(lines).split())

    async def says(self, sentence: str) -> None:
        """On the dashboard (reading page or log page) and in the daemon's log."""
        for _ in range(12):
            try:
                async with asyncio.timeout(2.0):
                    while sentence not in self.screen():
                        await asyncio.sleep(0.02)
                break
            except TimeoutError:
                await self.pilot.press("m")
        else:
            raise AssertionError(f"no page says {sentence!r}; the last one: {self.screen()}")
        assert any(sentence in record.getMessage() for record in self.log.records)

    async def energise(self) -> None:
        hands = self.bench.technician
        # After a trip: let go, press the board's own button, say again that nobody is in the water.
        hands.release_enable()
        await until(lambda: self.state is not None and not self.state.source.energised, "the source is off")
        await asyncio.to_thread(hands.press_reset)
        await until(lambda: not self.tripped, "the trip is cleared by the button")
        self.app.client.send(m.WaterClear(by="tester"))
        await until(lambda: all(p.ok for p in self._but_enable()), "all but the enable is well")
        await asyncio.to_thread(hands.press_enable)
        await until(lambda: self.energised, "energised")

    def _but_enable(self) -> list[m.Permissive]:
        return [] if self.state is None else [p for p in self.state.interlock.permissives if "enable" not in p.name]

    async def reads(self) -> None:
        """A fresh reading with a value arrives."""
        seen = self.app.client.snapshot.readings.get(0)
        number = 0 if seen is None else seen.message.number

        def fresh() -> bool:
            now = self.app.client.snapshot.readings.get(0)
            return now is not None and now.message.number > number and now.message.value_V is not None

        await until(fresh, "a new reading")


@contextlib.asynccontextmanager
async def kit(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> AsyncIterator[Kit]:
    scenario = Scenario.random(1)
    clock = PacedClock(SPEED)
    caplog.set_level(logging.INFO, logger="earthward")
    with EmulatedBench(scenario, clock) as bench:
        config = demo_config(scenario, tmp_path / "socket")
        service = msgspec.structs.replace(config.service, data_dir=str(tmp_path))
        config = msgspec.structs.replace(config, service=service)
        wiring = bench_wiring(bench, config, clock)
        visit = new_visit(scenario, config, tmp_path)
        daemon = Daemon(config, wiring, visit=visit)
        await daemon.start()
        app = EarthwardApp(str(tmp_path / "socket"))
        try:
            async with app.run_test(size=SIZE) as pilot:
                made = Kit(bench, wiring, daemon, app, pilot, caplog)
                place = Station(position_m=(scenario.length_m / 2, 0.5, 0.5), bearing_deg=270.0)
                await until(lambda: made.state is not None, "the dashboard is connected")
                app.client.send(m.MoveTo(place=place))
                await made.energise()
                await made.reads()
                yield made
        finally:
            await daemon.close()
            visit.store.close()


async def test_the_libraries_on_the_path_are_the_real_ones(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with kit(tmp_path, caplog) as k:
        readers = k.wiring.receiver._readers  # type: ignore[attr-defined]
        assert type(readers[0]._chip.ads) is adafruit_ads1x15.ADS1115
        assert isinstance(k.wiring.board._transport.port, serial.Serial)  # type: ignore[attr-defined]
        assert isinstance(k.wiring.contacts._stop, gpiozero.DigitalInputDevice)  # type: ignore[union-attr]
        assert "EMULATED" in k.screen()


async def test_nack_on_the_converters_bus(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with kit(tmp_path, caplog) as k:
        k.bench.technician.unplug_adc()
        await until(lambda: not k.bench.board.energised, "the output drops: nobody knows what the pair sees")
        await until(lambda: k.tripped, "the interlock trips")
        await k.says("does not answer")
        k.bench.technician.replug_adc()
        await until(lambda: k.state is not None and k.state.adc.ok, "the receiver samples again")
        assert not k.bench.board.energised, "nothing comes back by itself"
        await k.energise()
        await k.reads()


async def test_the_serial_cable_unplugged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with kit(tmp_path, caplog) as k:
        k.bench.technician.unplug_source()
        await until(lambda: not k.bench.board.energised, "the board takes its output off by itself")
        await until(lambda: k.state is not None and not k.state.link.ok, "the link's trouble is told")
        await k.says("Check the cable")
        k.bench.technician.replug_source()
        await until(lambda: k.state is not None and k.state.link.ok, "the link comes back by itself")
        assert not k.bench.board.energised, "nothing comes back by itself"
        await k.energise()
        await k.reads()


async def test_the_emergency_stop_opened(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with kit(tmp_path, caplog) as k:
        k.bench.technician.open_stop()
        assert not k.bench.board.energised, "by the board's own contact, at once"
        await until(lambda: k.tripped, "the interlock trips")
        await k.says("emergency stop")
        kept = tmp_path / "flights" / "flight-00001.json"
        await until(kept.exists, "the trip leaves a flight record")
        flight = json.loads(kept.read_text())
        assert flight["code"] == k.state.interlock.trip.code and "emergency stop" in flight["cause"].lower()  # type: ignore[union-attr]
        assert flight["next_step"] and flight["clock"]["ready"] and flight["supply"]["text"]
        assert {"TELEMETRY", "HEARTBEAT reply", "EVENT"} <= {frame["name"] for frame in flight["frames_from_board"]}
        assert "HEARTBEAT" in {frame["name"] for frame in flight["frames_to_board"]}
        (samples,) = flight["samples"]
        assert samples["t_s"][-1] >= flight["tripped_t_s"] > samples["t_s"][0], "before and after"
        assert any(event["severity"] == "alarm" for event in flight["events"])
        k.bench.technician.close_stop()
        await asyncio.sleep(1.0)
        assert not k.bench.board.energised, "nothing comes back by itself"
        await k.energise()
        await k.reads()
