"""The socket that clients connect to: JSON lines, bounded per client, never slowing the daemon.

A client says first which version of the protocol it speaks (`subscribe`); until then it gets the greeting, events and
problems, and only `source_off` is obeyed. A slow client loses readings (the newest stay), is told how many, and never
loses an event; one that has stopped reading altogether is let go. `read_only` servers (TCP) accept `subscribe` and
`ask` only. Nothing that arrives here can energise the source: no message says so.

A client that floods the daemon with lines holds nobody up, not even itself: its bytes are taken at once and looked
through for `source_off`, which waits for nothing; its other lines wait for their turn, a few at a time, and the surplus
of those that would wait too long is refused. Asks are answered with the newest message that there is anyway.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
import os
import stat
from collections import deque
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.daemon.protocol import (
    PROTOCOL,
    Ask,
    Done,
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

log = logging.getLogger(__name__)

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
#: A client's bytes are taken in pieces of this size (all that a socket holds): between two everybody else has a turn.
PIECE = 256 * 1024
#: ... and sent in pieces of this one.
BATCH = 16 * 1024
#: Of a client's lines so many are worked on in one turn (some two milliseconds), and so many may wait for one.
LINES_A_TURN = 32
MAX_LINES_WAITING = 256
#: So many clients at a time; each may have so many requests under way and so many answers not yet read.
MAX_CLIENTS = 64
MAX_UNDER_WAY = 32
MAX_ANSWERS = 32
#: Events are never left out. A client that has not read so many of them is not reading any more.
MAX_EVENTS = 1000
TOKEN_S = 5.0

_OFF = b"source_off"

#: Takes a request and a function to be called once with the replies.
OnMessage = Callable[[FromClient, Callable[[list[Message]], None]], None]


class ClientConnection(asyncio.BufferedProtocol):
    """One client: lines in, a bounded outbox out."""

    def __init__(self, server: ClientServer, read_only: bool, token: bytes | None) -> None:
        self._server = server
        self.read_only = read_only
        self._token = token
        self._rest = b""
        self._transport: asyncio.Transport | None = None
        self._paused = False
        self._scheduled = False
        self._lines: deque[bytes] = deque()
        self._working = False
        self._surplus = 0
        self._urgent: deque[bytes] = deque()
        self._answers = 0
        self._unsaid = 0
        self._readings: deque[bytes] = deque()
        #: Encoded only when it is sent: a client may ask for it a thousand times before.
        self._latest: dict[type[Message], Message | bytes] = {}
        self._lost = 0
        self._under_way = 0
        self._topics: frozenset[str] = frozenset()
        #: It has said that it speaks this version.
        self.introduced = False
        self._min_gap_s = 0.0
        self._last_reading_s: dict[int, float] = {}
        self.lost_total = 0
        self.switches = False

    # ---- the transport's side -----------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(high=32 * 1024)
        if self._token is None:
            self._greet()
        else:
            asyncio.get_running_loop().call_later(TOKEN_S, self._token_overdue)

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        self._server.gone(self)

    def get_buffer(self, sizehint: int) -> bytearray:
        return self._server.buffer

    def buffer_updated(self, nbytes: int) -> None:
        data = self._rest + bytes(memoryview(self._server.buffer)[:nbytes])
        if _OFF in data:
            *lines, self._rest = data.split(b"\n")
            for line in lines:
                # Behind a turn's worth of lines it overtakes; before that its answer comes in its turn.
                if _OFF in line and len(self._lines) >= LINES_A_TURN and self._is_off(line):
                    continue
                if len(self._lines) < MAX_LINES_WAITING:
                    self._lines.append(line)
                else:
                    self._surplus += 1
        else:
            # A flood must not even cost the time of looking at each of its lines.
            *lines, data = data.split(b"\n", MAX_LINES_WAITING - len(self._lines))
            self._lines.extend(lines)
            self._surplus += data.count(b"\n")
            self._rest = data[data.rfind(b"\n") + 1 :]
        if not self._working:
            self._work()
        if len(self._rest) > MAX_LINE:
            self.offer(Problem(text=f"a line is longer than {MAX_LINE} bytes; the connection is closed"))
            self._lines.clear()
            self._send()
            self.close()

    def pause_writing(self) -> None:
        self._paused = True

    def resume_writing(self) -> None:
        self._paused = False
        self._send()

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()

    def _token_overdue(self) -> None:
        if self._token is not None:
            self.close()

    def _greet(self) -> None:
        """The first line, if there is room for one more client."""
        if not self._server.come(self):
            self._write(encode(Problem(text=f"{MAX_CLIENTS} clients are connected already: close one of them")))
            self.close()

    # ---- lines --------------------------------------------------------------------------------------------

    def _is_off(self, line: bytes) -> bool:
        """Obey it now if it is `source_off` from one who may say so; whatever else it is waits for its turn."""
        if self._token is not None or self.read_only:
            return False
        with contextlib.suppress(msgspec.DecodeError):
            message = from_client.decode(line)
            if isinstance(message, SourceOff):
                self._request(message)
                return True
        return False

    def _work_soon(self) -> None:
        if self._lines and not self._working:
            self._working = True
            asyncio.get_running_loop().call_soon(self._work)

    def _work(self) -> None:
        """A few lines; then everybody else has a turn."""
        self._working = False
        asked: set[bytes] = set()
        for _ in range(min(LINES_A_TURN, len(self._lines))):
            if self._transport is None or self._transport.is_closing():
                self._lines.clear()
                return
            line = self._lines.popleft()
            # The same ask again in one turn: one answer is an answer to all of them.
            if line and line not in asked and self._line(line):
                asked.add(line)
        if self._surplus and not self._lines:
            surplus, self._surplus = self._surplus, 0
            text = (
                f"{surplus} lines of yours came faster than they could be worked on, and are left out: wait for answers"
            )
            self.offer(Problem(text=text))
        self._work_soon()

    def _line(self, line: bytes) -> bool:
        """Work on one line. True if it asked for something whose newest state is the answer."""
        if self._token is not None:
            right = hmac.compare_digest(line.strip(), self._token)
            self._token = None
            if right:
                self._greet()
            else:
                self.close()
            return False
        try:
            message = from_client.decode(line)
        except msgspec.DecodeError as error:
            self.offer(Problem(text=f"that line could not be used: {error}"))
            return False
        try:
            self._request(message)
        except InputError as error:
            self.offer(Problem(text=f"{error}."))
        return isinstance(message, Ask)

    def _request(self, message: FromClient) -> None:
        """Raises InputError for what it may not."""
        if isinstance(message, Subscribe):
            self.subscribe(message)
            return
        if self.read_only and not isinstance(message, _HARMLESS):
            raise InputError("this connection is read-only; use the instrument itself")
        if not isinstance(message, SourceOff):
            if not self.introduced:
                raise InputError(f'say first which version you speak: {{"type": "subscribe", "protocol": {PROTOCOL}}}')
            if self._under_way >= MAX_UNDER_WAY:
                raise InputError(f"{MAX_UNDER_WAY} requests of yours are under way: wait for their answers")
        self._under_way += 1
        request = str(type(message).__struct_config__.tag)
        self._server.on_message(message, lambda replies: self._reply(request, replies))

    def _reply(self, request: str, replies: list[Message]) -> None:
        self._under_way -= 1
        for message in replies or [Done(request=request)]:
            # Who follows what is kept has been told already, with everybody else.
            if not (isinstance(message, Kept) and self.wants(message)):
                self.offer(message)

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

    # ---- the outbox ---------------------------------------------------------------------------------------

    def wants(self, message: Message) -> bool:
        topic = _TOPIC.get(type(message))
        return topic is None or topic in self._topics

    def offer(self, message: Message, encoded: bytes | None = None) -> None:
        """Put it into the outbox; `encoded`: its line, if somebody has made it already."""
        if self._transport is None:
            return
        if isinstance(message, ReadingMessage):
            last = self._last_reading_s.get(message.channel)
            # Half a gap of slack, so that a client asking for the daemon's own rate gets every reading.
            if last is not None and message.t_s - last < 0.5 * self._min_gap_s:
                return
            self._last_reading_s[message.channel] = message.t_s
        elif isinstance(message, (Problem, Done)):
            if self._answers >= MAX_ANSWERS:
                self._unsaid += 1
                return
            self._answers += 1
        if isinstance(message, _COALESCE):
            self._latest[type(message)] = message if encoded is None else encoded
            self._send_soon()
            return
        line = encode(message) if encoded is None else encoded
        if isinstance(message, ReadingMessage):
            if len(self._readings) >= self._server.max_readings:
                self._readings.popleft()
                self._lost += 1
                self.lost_total += 1
            self._readings.append(line)
        else:
            self._urgent.append(line)
            if len(self._urgent) > MAX_EVENTS:
                log.warning("a client has stopped reading: it is let go")
                self._transport.abort()
                return
        self._send_soon()

    def _send_soon(self) -> None:
        if not self._paused and not self._scheduled:
            self._scheduled = True
            asyncio.get_running_loop().call_soon(self._send)

    def _send(self) -> None:
        """Send as long as the client takes it; what it does not take stays in the outbox, and is bounded there."""
        self._scheduled = False
        while not self._paused and self._transport is not None:
            batch, size = [], 0
            while size < BATCH and (line := self._next()) is not None:
                batch.append(line)
                size += len(line)
            if not batch:
                return
            self._write(b"".join(batch))

    def _next(self) -> bytes | None:
        if self._urgent:
            return self._urgent.popleft()
        self._answers = 0
        if self._unsaid:
            unsaid, self._unsaid = self._unsaid, 0
            return encode(Problem(text=f"{unsaid} more answers to lines of yours are left out: read them in time"))
        if self._lost:
            lost, self._lost = self._lost, 0
            return encode(Lost(readings=lost))
        if self._latest:
            newest = self._latest.pop(next(iter(self._latest)))
            return newest if isinstance(newest, bytes) else encode(newest)
        return self._readings.popleft() if self._readings else None

    def _write(self, line: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(line)


class ClientServer:
    """Accepts clients on a Unix socket and, when asked, on loopback TCP with a token, read-only."""

    def __init__(self, hello: Callable[[bool], Hello], on_message: OnMessage, max_readings: int = 40) -> None:
        self._hello = hello
        self.on_message = on_message
        self.max_readings = max_readings
        #: Bytes are taken out of it in the same call of the loop that puts them in, so all clients share it.
        self.buffer = bytearray(PIECE)
        self._clients: dict[ClientConnection, None] = {}  # in the order of arrival
        self._servers: list[asyncio.Server] = []
        self._unix_path: Path | None = None

    @property
    def clients(self) -> int:
        return len(self._clients)

    def come(self, client: ClientConnection) -> bool:
        """A client has connected; False if there are too many."""
        if len(self._clients) >= MAX_CLIENTS:
            return False
        self._clients[client] = None
        client._write(encode(self._hello(client.read_only)))
        return True

    def gone(self, client: ClientConnection) -> None:
        self._clients.pop(client, None)

    async def listen_unix(self, path: str | Path) -> None:
        """Mode 0660: whoever is in the group may take the source off. Raises InputError if the place is taken."""
        path = Path(path)
        try:
            await _make_room(path)
        except (OSError, ValueError) as error:
            raise InputError(f"cannot listen on {path} ({error}); choose another socket path") from error
        old = os.umask(0o117)
        try:
            loop = asyncio.get_running_loop()
            server = await loop.create_unix_server(lambda: ClientConnection(self, False, None), path)
        except (OSError, ValueError) as error:
            raise InputError(f"cannot listen on {path} ({error}); choose another socket path") from error
        finally:
            os.umask(old)
        self._unix_path = path
        self._servers.append(server)

    async def listen_tcp(self, port: int, token: str) -> None:
        """Loopback only, read-only, and only for a client whose first line is the token. Raises InputError."""
        if not token:
            raise InputError("service.tcp_port needs service.tcp_token: a word that read-only clients say first")
        loop = asyncio.get_running_loop()
        try:
            server = await loop.create_server(
                lambda: ClientConnection(self, True, token.encode()), "127.0.0.1", port, backlog=16
            )
        except OSError as error:
            raise InputError(f"cannot listen on port {port} ({error.strerror}); choose another tcp_port") from error
        self._servers.append(server)

    def publish(self, message: Message) -> None:
        """To every client, without waiting for any."""
        wanted = [client for client in self._clients if client.wants(message)]
        if wanted:
            line = encode(message)
            for client in wanted:
                client.offer(message, line)

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
            client._send()
            client.close()
        # What was written goes out before the loop ends.
        await asyncio.sleep(0)
        if self._unix_path is not None:
            self._unix_path.unlink(missing_ok=True)
            self._unix_path = None


async def _make_room(path: Path) -> None:
    """Remove a socket that nobody listens on any more. Raises InputError for anything else in its place, OSError."""
    try:
        kind = path.lstat().st_mode
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
        return
    if not stat.S_ISSOCK(kind):
        raise InputError(f"{path} is there and no socket: choose another service.socket, it is not replaced")
    try:
        _, writer = await asyncio.open_unix_connection(path)
    except OSError:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        return
    writer.close()
    raise InputError(f"another daemon is listening on {path}; stop it or choose another socket")
