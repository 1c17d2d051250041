"""The socket that clients connect to: JSON lines, bounded per client, never slowing the daemon.

A client says first which version of the protocol it speaks (`subscribe`); until then it gets the greeting, events and
problems, and only `source_off` is obeyed. A slow client loses readings (the newest stay), is told how many, and never
loses an event. `read_only` servers (TCP) accept `subscribe` and `ask` only. Nothing that arrives here can energise the
source: no message says so.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import os
from collections import deque
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.daemon.protocol import (
    PROTOCOL,
    Ask,
    FromClient,
    Hello,
    Kept,
    Lost,
    Message,
    Plan,
    Problem,
    ReadingMessage,
    SourceOff,
    State,
    Steps,
    Subscribe,
    SwitchPressed,
    encode,
    from_client,
)
from earthward.errors import InputError

#: What a client gets when it is read-only: the rest is answered with a problem.
_HARMLESS = (Subscribe, Ask)
_TOPIC: dict[type[Message], str] = {
    ReadingMessage: "reading",
    State: "state",
    Kept: "kept",
    Plan: "plan",
    Steps: "steps",
}
#: Only the newest of these is worth sending to one who lags.
_COALESCE = (State, Plan, Steps)
MAX_LINE = 64 * 1024


class ClientConnection:
    """One client's bounded outbox and its writer task."""

    def __init__(self, writer: asyncio.StreamWriter, read_only: bool, max_readings: int):
        self.writer = writer
        self.read_only = read_only
        self._max_readings = max_readings
        self._urgent: deque[Message] = deque()
        self._readings: deque[ReadingMessage] = deque()
        self._latest: dict[type[Message], Message] = {}
        self._lost = 0
        self._wake = asyncio.Event()
        self._topics: frozenset[str] = frozenset()
        #: It has said that it speaks this version.
        self.introduced = False
        self._min_gap_s = 0.0
        self._last_reading_s: dict[int, float] = {}
        self.lost_total = 0
        self.switches = False

    def subscribe(self, request: Subscribe) -> None:
        """Raises InputError for a client of another version."""
        if request.protocol != PROTOCOL:
            raise InputError(
                f"this daemon speaks protocol version {PROTOCOL} and the client {request.protocol}: install the same "
                "version of Earthward on both; source_off is obeyed all the same"
            )
        self.introduced = True
        self._topics = frozenset(request.topics)
        self.switches = request.switches and not self.read_only
        self._min_gap_s = 0.0 if request.max_rate_Hz <= 0 else 1.0 / request.max_rate_Hz

    def offer(self, message: Message) -> None:
        topic = _TOPIC.get(type(message))
        if topic and topic not in self._topics:
            return
        if isinstance(message, ReadingMessage):
            last = self._last_reading_s.get(message.channel)
            # Half a gap of slack, so that a client asking for the daemon's own rate gets every reading.
            if last is not None and message.t_s - last < 0.5 * self._min_gap_s:
                return
            self._last_reading_s[message.channel] = message.t_s
            if len(self._readings) >= self._max_readings:
                self._readings.popleft()
                self._lost += 1
                self.lost_total += 1
            self._readings.append(message)
        elif isinstance(message, _COALESCE):
            self._latest[type(message)] = message
        else:
            self._urgent.append(message)
        self._wake.set()

    def _take(self) -> list[Message]:
        batch: list[Message] = list(self._urgent)
        self._urgent.clear()
        if self._lost:
            batch.append(Lost(readings=self._lost))
            self._lost = 0
        batch += self._latest.values()
        self._latest.clear()
        batch += self._readings
        self._readings.clear()
        return batch

    async def run(self) -> None:
        """Send until the client goes away. `drain` holds us back, not the daemon."""
        self.writer.transport.set_write_buffer_limits(high=32 * 1024)
        while True:
            await self._wake.wait()
            self._wake.clear()
            for message in self._take():
                self.writer.write(encode(message))
                await self.writer.drain()


class ClientServer:
    """Accepts clients on a Unix socket and, when asked, on loopback TCP with a token, read-only."""

    def __init__(
        self,
        hello: Callable[[bool], Hello],
        on_message: Callable[[FromClient], list[Message]],
        max_readings: int = 40,
    ) -> None:
        self._hello = hello
        self._on_message = on_message
        self._max_readings = max_readings
        self._clients: dict[ClientConnection, None] = {}  # in the order of arrival
        self._servers: list[asyncio.Server] = []
        self._unix_path: Path | None = None

    @property
    def clients(self) -> int:
        return len(self._clients)

    async def listen_unix(self, path: str | Path) -> None:
        """Mode 0660: whoever is in the group may take the source off. Raises InputError if the place is taken."""
        path = Path(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            if await _answers(path):
                raise InputError(f"another daemon is listening on {path}; stop it or choose another socket")
            path.unlink()
        old = os.umask(0o117)
        try:
            server = await asyncio.start_unix_server(lambda r, w: self._serve(r, w, False), path, limit=MAX_LINE)
        except OSError as error:
            raise InputError(f"cannot listen on {path} ({error}); choose another socket path") from error
        finally:
            os.umask(old)
        self._unix_path = path
        self._servers.append(server)

    async def listen_tcp(self, port: int, token: str) -> None:
        """Loopback only, read-only; the first line from the client must be the token."""
        if not token:
            raise InputError("service.tcp_port needs service.tcp_token; set a token or remove the port")

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            with contextlib.suppress(OSError, ValueError, asyncio.TimeoutError):
                line = await asyncio.wait_for(reader.readline(), timeout=5)
                if hmac.compare_digest(line.strip(), token.encode()):
                    await self._serve(reader, writer, True)
                    return
            writer.close()

        self._servers.append(await asyncio.start_server(serve, "127.0.0.1", port, limit=MAX_LINE))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, read_only: bool) -> None:
        client = ClientConnection(writer, read_only, self._max_readings)
        writer.write(encode(self._hello(read_only)))
        self._clients[client] = None
        sender = asyncio.create_task(client.run())
        try:
            await self._listen(reader, client)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            self._clients.pop(client, None)
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError):
                await sender
            writer.close()

    async def _listen(self, reader: asyncio.StreamReader, client: ClientConnection) -> None:
        while True:
            try:
                line = await reader.readuntil(b"\n")
            except asyncio.LimitOverrunError:
                client.offer(Problem(text=f"a line is longer than {MAX_LINE} bytes; the connection is closed"))
                await asyncio.sleep(0)
                return
            except asyncio.IncompleteReadError:
                return
            if not line.strip():
                continue
            try:
                message = from_client.decode(line)
            except msgspec.DecodeError as error:
                client.offer(Problem(text=f"that line could not be used: {error}"))
                continue
            try:
                replies = self._answer(message, client)
            except InputError as error:
                replies = [Problem(text=f"{error}.")]
            for reply in replies:
                client.offer(reply)

    def _answer(self, message: FromClient, client: ClientConnection) -> list[Message]:
        """Replies for one client. Raises InputError for what it may not."""
        if isinstance(message, Subscribe):
            client.subscribe(message)
            return []
        if client.read_only and not isinstance(message, _HARMLESS):
            raise InputError("this connection is read-only; use the instrument itself")
        if not client.introduced and not isinstance(message, SourceOff):
            raise InputError(f'say first which version you speak: {{"type": "subscribe", "protocol": {PROTOCOL}}}')
        return self._on_message(message)

    def publish(self, message: Message) -> None:
        """To every client, without waiting for any."""
        for client in self._clients:
            client.offer(message)

    def send_switch(self, message: SwitchPressed) -> bool:
        """To the newest client that stands beside the switches; False if there is none."""
        for client in reversed(self._clients):
            if client.switches:
                client.offer(message)
                return True
        return False

    async def close(self) -> None:
        for server in self._servers:
            server.close()
        for client in list(self._clients):
            client.writer.close()
        if self._unix_path is not None:
            self._unix_path.unlink(missing_ok=True)


async def _answers(path: Path) -> bool:
    try:
        _, writer = await asyncio.open_unix_connection(path)
    except OSError:
        return False
    writer.close()
    return True
