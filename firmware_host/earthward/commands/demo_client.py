"""A client of the daemon for scripts: what a display sees and may say, as coroutines. Used by the headless demo."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from earthward.clock import Clock
from earthward.daemon import protocol as m
from earthward.daemon.protocol import encode, from_daemon
from earthward.record.event import Event


class VisitError(Exception):
    """The scripted visit cannot go on; one sentence why."""


class InstrumentClient:
    """Connects, listens, remembers the newest of everything."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._news = asyncio.Condition()
        self._task: asyncio.Task[None] | None = None
        self._writer: asyncio.StreamWriter | None = None
        self.hello: m.Hello | None = None
        self.state: m.State | None = None
        self.plan: m.Plan | None = None
        self.steps: m.Steps | None = None
        self.reading: m.ReadingMessage | None = None
        """The newest of the first pair."""
        self.readings: dict[int, m.ReadingMessage] = {}
        """The newest of every pair."""
        self.events: list[Event] = []
        self.kept: list[m.Kept] = []
        self.problems: list[m.Problem] = []
        self.done = 0
        """Requests that were answered as carried out."""

    async def __aenter__(self) -> Self:
        reader, self._writer = await asyncio.open_unix_connection(self._path, limit=1 << 24)
        self._task = asyncio.create_task(self._listen(reader))
        self.send(m.Subscribe(protocol=m.PROTOCOL))
        await self.wait(lambda: self.state is not None, 10.0, "the daemon says nothing")
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        if self._writer is not None:
            self._writer.close()

    async def _listen(self, reader: asyncio.StreamReader) -> None:
        while line := await reader.readline():
            message = from_daemon.decode(line)
            async with self._news:
                match message:
                    case m.Hello():
                        self.hello = message
                    case m.State():
                        self.state = message
                    case m.Plan():
                        self.plan = message
                    case m.Steps():
                        self.steps = message
                    case m.ReadingMessage():
                        self.readings[message.channel] = message
                        self.reading = self.readings.get(0)
                    case Event():
                        self.events.append(message)
                    case m.Kept():
                        self.kept.append(message)
                    case m.Done():
                        self.done += 1
                    case m.Problem():
                        self.problems.append(message)
                    case _:
                        pass
                self._news.notify_all()

    def send(self, message: m.Message) -> None:
        if self._writer is None:
            raise VisitError("not connected to the daemon")
        self._writer.write(encode(message))

    async def wait(self, condition: Callable[[], bool], seconds: float, otherwise: str) -> None:
        """Until `condition` holds after some message; VisitError with `otherwise` after so many bench seconds, and as
        many real ones: a card that takes its time takes it in these, however fast bench time goes."""
        end_s, real_end_s = self._clock.now() + seconds, time.monotonic() + seconds
        async with self._news:
            while not condition():
                if self._clock.now() > end_s and time.monotonic() > real_end_s:
                    state = self.state
                    why = "" if state is None else f" (interlock: {state.interlock.state}, {state.interlock.text})"
                    refused = f"; last refused: {self.problems[-1].text}" if self.problems else ""
                    raise VisitError(f"{otherwise}{why}{refused}")
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._news.wait(), 0.25)
