"""The line to the daemon: an asyncio task that reads messages, keeps a frozen snapshot and reconnects by itself."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.clock import Clock
from earthward.display.snapshot import Snapshot, connection, take
from earthward.errors import InputError
from earthward.service.messages import (
    FromClient,
    FromDaemon,
    Hello,
    Subscribe,
    encode,
    from_daemon,
)

RECONNECT_S = 0.5
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


class Client:
    """Feeds `on_message(message, snapshot)` and `on_link(snapshot)` from the event loop it runs in."""

    def __init__(
        self,
        address: str,
        clock: Clock,
        subscribe: Subscribe,
        on_message: Callable[[FromDaemon | None, Snapshot], None],
    ) -> None:
        self.address = address
        self._kind, self._target, self._token = parse_address(address)
        self._clock = clock
        self._subscribe = subscribe
        self._on_message = on_message
        self._writer: asyncio.StreamWriter | None = None
        self.snapshot = Snapshot(address=address, changed_s=clock.now())

    def send(self, message: FromClient) -> bool:
        """Queue one line to the daemon. False if there is no connection (nothing is kept for later)."""
        writer = self._writer
        if writer is None or writer.is_closing():
            return False
        writer.write(encode(message))
        return True

    async def run(self) -> None:
        """Until cancelled. Every loss of the line is followed by a new attempt after half a second."""
        while True:
            try:
                reader, writer = await self._open()
            except OSError:
                self._set(connection(self.snapshot, False, self._clock.now()))
            else:
                await self._talk(reader, writer)
            await asyncio.sleep(RECONNECT_S)

    async def _open(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        if isinstance(self._target, str):
            return await asyncio.open_unix_connection(self._target, limit=MAX_LINE)
        reader, writer = await asyncio.open_connection(*self._target, limit=MAX_LINE)
        writer.write(self._token.encode() + b"\n")
        return reader, writer

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                try:
                    message = from_daemon.decode(line)
                except msgspec.DecodeError:
                    # A newer daemon may say what we do not know: its text says unknown types are skipped.
                    continue
                now = self._clock.now()
                if isinstance(message, Hello):
                    self._writer = writer
                    writer.write(encode(self._subscribe))
                    self._set(connection(take(self.snapshot, message, now), True, now))
                    continue
                self.snapshot = take(self.snapshot, message, now)
                self._on_message(message, self.snapshot)
        except (OSError, ValueError, asyncio.IncompleteReadError):
            # The line broke, or was longer than any message can be: connect afresh.
            pass
        finally:
            self._writer = None
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
            self._set(connection(self.snapshot, False, self._clock.now()))

    def _set(self, snapshot: Snapshot) -> None:
        changed = snapshot is not self.snapshot
        self.snapshot = snapshot
        if changed:
            self._on_message(None, snapshot)
