"""A whole daemon on stand-ins: a board that does what it is told, a converter that delivers what a test says."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from earthward.clock import Clock, SystemClock
from earthward.config import Config, ServiceConfig, SourceConfig
from earthward.daemon.life import Daemon
from earthward.daemon.parts import TakeBlock, Wiring
from earthward.daemon.protocol import PROTOCOL
from earthward.devices.ads1115 import AdcStatus
from earthward.devices.protocol import Configuration, Identity
from earthward.devices.source import LinkStatus
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.event import Event
from earthward.signal.types import BlockGrid, PhaseReference, SampleBlock
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

POOL = """
[pool]
name = "quick pool"
shape = "rectangle"
length_m = 8.0
width_m = 4.0
[floor]
kind = "flat"
depth_m = 1.4
[water]
conductivity_S_per_m = 0.2
temperature_C = 25.0
[source]
position_m = [1.0, 2.0, 0.7]
current_A = 0.010
[[mark]]
name = "gate post"
position_m = [-0.5, -0.5]
[[mark]]
name = "pump house"
position_m = [9.0, -0.5]
"""


class QuickBoard:
    """Everything that it was asked is in `calls`; `fed` counts the supervisor's feeds of its heart."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.calls: list[str] = []
        self.fed = 0
        self.events: list[Event] = []
        self.identity: Identity | None = Identity(1, 1, 0, 0, 1, 1, 1, 2_000_000, 18_000, 12_000, 500, 0, 0)
        self.report = BoardReport(
            received_s=0.0, state=BoardState.OFF, trip=Trip.NONE, emergency_stop_closed=True, enable_held=False,
            heartbeat_fresh=True, battery_V=12.5, temperature_C=25.0,
        )  # fmt: skip

    def start(self) -> None: ...

    def close(self) -> None: ...

    def drain_events(self) -> list[Event]:
        events, self.events = self.events, []
        return events

    @property
    def telemetry(self) -> BoardReport | None:
        return msgspec.structs.replace(self.report, received_s=self._clock.now())

    @property
    def restarts(self) -> int:
        return self.status.restarts

    @property
    def status(self) -> LinkStatus:
        return LinkStatus(ok=True, text="", port="stand-in")

    def feed(self) -> None:
        self.fed += 1

    def _do(self, name: str) -> BoardReport:
        self.calls.append(name)
        report = self.telemetry
        assert report is not None
        return report

    def configure(self, *_: Any) -> Configuration:
        self.calls.append("configure")
        return Configuration(2, 0, 55_000, 10_000)

    def arm(self) -> BoardReport:
        return self._do("arm")

    def energise(self) -> BoardReport:
        return self._do("energise")

    def off(self) -> BoardReport:
        return self._do("off")

    def select(self, electrode: str) -> float | None:
        return None

    def phase_reference(self) -> PhaseReference | None:
        return None

    def host_time(self, tick: float) -> float | None:
        return None


class QuickReceiver:
    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.take: TakeBlock | None = None
        self._index = 0

    def start(self, take: TakeBlock) -> None:
        self.take = take

    def end_blocks(self, grid: BlockGrid) -> None: ...

    def close(self) -> None: ...

    @property
    def status(self) -> AdcStatus:
        return AdcStatus(ok=True, text="Samples flow.", last_sample_age_s=0.0)

    def deliver(self, count: int = 40) -> None:
        """So many samples of quiet water."""
        assert self.take is not None
        index = np.arange(self._index, self._index + count)
        self._index += count
        end_s = self._clock.now()
        t_s = end_s - (index[-1] - index) / 860.0
        self.take(SampleBlock(index, t_s, np.full(count, 1e-6), np.zeros(count, np.uint8), 0.256))


class Line:
    """A client's line: `say` a message, `until` one of a kind comes."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    def say(self, **message: Any) -> None:
        self.writer.write(json.dumps(message).encode() + b"\n")

    async def until(self, kind: str, **having: Any) -> dict[str, Any]:
        async with asyncio.timeout(30):
            while True:
                got: dict[str, Any] = json.loads(await self.reader.readline())
                if got["type"] == kind and all(got.get(k) == v for k, v in having.items()):
                    return got


class Quick:
    def __init__(self, daemon: Daemon, board: QuickBoard, receiver: QuickReceiver, socket: Path) -> None:
        self.daemon, self.board, self.receiver, self.socket = daemon, board, receiver, socket

    async def connect(self, *topics: str) -> Line:
        reader, writer = await asyncio.open_unix_connection(self.socket, limit=1 << 24)
        line = Line(reader, writer)
        line.say(type="subscribe", protocol=PROTOCOL, topics=topics)
        return line


def quick_config(folder: Path) -> Config:
    return Config(
        service=ServiceConfig(socket=str(folder / "socket"), data_dir=str(folder / "data"), record=False),
        source=SourceConfig(listen=False),
    )


@contextlib.asynccontextmanager
async def quick_daemon(
    folder: Path, wall_s: Callable[[], float] = lambda: 1.8e9, visit: Visit | None = None
) -> AsyncIterator[Quick]:
    clock = SystemClock()
    board, receiver = QuickBoard(clock), QuickReceiver(clock)
    if visit is None:
        visit = quick_visit(folder, wall_s)
    wiring = Wiring(receiver=receiver, board=board, clock=clock, emulated=True, wall_s=wall_s)
    daemon = Daemon(quick_config(folder), wiring, visit=visit)
    await daemon.start()
    try:
        yield Quick(daemon, board, receiver, folder / "socket")
    finally:
        await daemon.close()
        visit.store.close()


def quick_visit(folder: Path, wall_s: Callable[[], float] = lambda: 1.8e9) -> Visit:
    path = folder / "survey.db"
    store = SurveyStore.create(path, name="q", pool_toml=POOL, emulated=True, wall_s=wall_s)
    return Visit(store, 0.3, wall_s)
