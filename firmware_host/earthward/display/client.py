"""The line to the daemon: an asyncio task that reads messages, keeps a frozen snapshot and reconnects by itself."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.clock import Clock
from earthward.daemon.protocol import PROTOCOL, Ask, FromClient, FromDaemon, Hello, Subscribe, encode, from_daemon
from earthward.display.snapshot import Snapshot, connection, updated
from earthward.errors import InputError

RECONNECT_S = 0.5
#: The socket is read so often while the daemon talks: waking for each of 25 lines a second costs more than they do.
BATCH_S = 0.15
BUFFER_BYTES = 64 * 1024
#: A plan of a big pool with its cells is one long line.
MAX_LINE = 8 * 1024 * 1024
DEFAULT_SOCKET = "/run/earthward/earthward.sock"


def default_address() -> str:
    """EARTHWARD_SOCKET, or the service's socket, or the user's own runtime folder."""
    named = os.environ.get("EARTHWARD_SOCKET")
    if named:
        return named
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if not Path(DEFAULT_SOCKET).exists() and runtime:
        own = Path(runtime) / "earthward.sock"
        if own.exists():
            return str(own)
    return DEFAULT_SOCKET


def parse_address(address: str) -> tuple[str, str | tuple[str, int], str]:
    """("unix", path, "") or ("tcp", (host, port), token) from "PATH", "unix:PATH" or "tcp:HOST:PORT:TOKEN".

    Raises InputError.
    """
    if not address.startswith("tcp:"):
        path = address.removeprefix("unix:")
        if not path:
            raise InputError("the address is empty; give the daemon's socket path or tcp:127.0.0.1:PORT:TOKEN")
        return "unix", path, ""
    parts = address.removeprefix("tcp:").split(":", 2)
    if len(parts) < 2 or not parts[1].isdigit():
        raise InputError(f"{address!r} is no address; write tcp:127.0.0.1:PORT:TOKEN or the daemon's socket path")
    return "tcp", (parts[0], int(parts[1])), parts[2] if len(parts) == 3 else ""


class _Lines(asyncio.BufferedProtocol):
    """Bytes to lines without a stream reader: at 25 lines a second its tasks cost more than the messages do.

    While messages come fast the transport is not read for a while after each batch. What comes meanwhile waits in the
    socket, and the daemon thins out what a slow client does not take.
    """

    def __init__(self, on_line: Callable[[bytes], None], on_pause: Callable[[], None], batch_s: float) -> None:
        self._on_line = on_line
        self._on_pause = on_pause
        self._batch_s = batch_s
        self._buffer = bytearray(BUFFER_BYTES)
        self._parts: list[bytes] = []
        self._held = 0
        self.transport: asyncio.Transport | None = None
        self._loop = asyncio.get_running_loop()
        self._last_s = 0.0
        self.over: asyncio.Future[None] = self._loop.create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def get_buffer(self, sizehint: int) -> bytearray:
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        *whole, rest = bytes(memoryview(self._buffer)[:nbytes]).split(b"\n")
        for piece in whole:
            line = b"".join([*self._parts, piece])
            self._parts, self._held = [], 0
            self._on_line(line)
        if rest:
            self._parts.append(rest)
            self._held += len(rest)
            if self._held > MAX_LINE and self.transport is not None:
                # Longer than any message can be: connect afresh.
                self.transport.abort()
                return
        now, last = self._loop.time(), self._last_s
        self._last_s = now
        if rest or self.transport is None or self.transport.is_closing():
            return
        self._on_pause()
        if now - last < 1.25 * self._batch_s:
            self.transport.pause_reading()
            self._loop.call_later(self._batch_s, self._go_on)

    def _go_on(self) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.over.done():
            self.over.set_result(None)


class Client:
    """Feeds `on_message(message, snapshot)` from the event loop it runs in, and `on_pause()` after each batch."""

    def __init__(
        self,
        address: str,
        clock: Clock,
        subscribe: Subscribe,
        on_message: Callable[[FromDaemon | None, Snapshot], None],
        on_pause: Callable[[], None] = lambda: None,
    ) -> None:
        self.address = address
        self._kind, self._target, self._token = parse_address(address)
        self._clock = clock
        self._subscribe = msgspec.structs.replace(subscribe, protocol=PROTOCOL)
        self._on_message = on_message
        self._on_pause = on_pause
        self._transport: asyncio.Transport | None = None
        self.snapshot = Snapshot(address=address, changed_s=clock.now())

    def send(self, message: FromClient) -> bool:
        """Queue one line to the daemon. False if there is no connection (nothing is kept for later)."""
        transport = self._transport
        if transport is None or transport.is_closing():
            return False
        transport.write(encode(message))
        return True

    async def run(self) -> None:
        """Until cancelled. Every loss of the line is followed by a new attempt after half a second."""
        while True:
            try:
                lines = await self._open()
            except OSError:
                self._set(connection(self.snapshot, False, self._clock.now()))
            else:
                try:
                    await lines.over
                finally:
                    self._transport = None
                    if lines.transport is not None:
                        lines.transport.close()
                    self._set(connection(self.snapshot, False, self._clock.now()))
            await asyncio.sleep(RECONNECT_S)

    async def _open(self) -> _Lines:
        loop = asyncio.get_running_loop()

        def make() -> _Lines:
            lines = _Lines(lambda line: self._line(lines, line), self._on_pause, BATCH_S / self._clock.speed)
            return lines

        if isinstance(self._target, str):
            _, made = await loop.create_unix_connection(make, self._target)
        else:
            _, made = await loop.create_connection(make, *self._target)
            if made.transport is not None:
                made.transport.write(self._token.encode() + b"\n")
        return made

    def _line(self, lines: _Lines, line: bytes) -> None:
        try:
            message = from_daemon.decode(line)
        except msgspec.DecodeError:
            # A newer daemon may say what we do not know: its text says unknown types are skipped.
            return
        now = self._clock.now()
        if isinstance(message, Hello):
            self._transport = lines.transport
            if self._transport is not None:
                self._transport.write(encode(self._subscribe))
                # Sent only when they change: a display that comes later must ask.
                self._transport.write(encode(Ask(what="plan")) + encode(Ask(what="steps")))
            self._set(connection(updated(self.snapshot, message, now), True, now))
            return
        self.snapshot = updated(self.snapshot, message, now)
        self._on_message(message, self.snapshot)

    def _set(self, snapshot: Snapshot) -> None:
        changed = snapshot is not self.snapshot
        self.snapshot = snapshot
        if changed:
            self._on_message(None, snapshot)
