"""A read-only page for a phone at the pool: plain HTTP and server-sent events, on loopback unless configured.

The page shows what the dashboard's first screen shows and can change nothing: only GET is answered, and what a client
sends beyond its request is not read. A phone that is slow or gone never holds the daemon up: each has its own task that
sends the newest picture, at most four times a second.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import math
from collections import Counter
from collections.abc import Callable
from importlib import resources
from typing import Any
from urllib.parse import parse_qs, urlsplit

import msgspec

from earthward import units
from earthward.daemon.protocol import EventMessage, Message, Plan, ReadingMessage, State
from earthward.devices.cue import side_of
from earthward.errors import InputError
from earthward.record.place import tape_marks

MAX_REQUEST = 8 * 1024
MAX_PHONES = 8
#: Connections of any kind, in all and from one address: a stranger must not take every descriptor.
MAX_CONNECTIONS = 32
MAX_FROM_ONE = 16
#: A phone that does not take what it is sent for so long is let go, so that its place is free again.
DEAF_S = 5.0
#: A request's head must be there within so long.
HEAD_S = 5.0
SEND_EVERY_S = 0.25
#: Sent again without a change, so that the page knows that the line is alive.
REPEAT_S = 0.5
#: A quarter of a second may pass until the page is told: the number is gone within one second.
STALE_S = 0.7
BAND_SIGMA = 1.96
EVENTS_SHOWN = 5

_HEADERS = (
    "X-Content-Type-Options: nosniff\r\n"
    "Referrer-Policy: no-referrer\r\n"
    "Cache-Control: no-store\r\n"
    "Content-Security-Policy: default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "connect-src 'self'; frame-ancestors 'none'\r\n"
)


class PhonePage:
    """`publish` every message, `start`, `stop`. Raises InputError if the address needs a token and has none."""

    def __init__(self, address: str, port: int, clock: Callable[[], float], token: str = "") -> None:
        self._loopback = _is_loopback(address)
        if not self._loopback and not token:
            raise InputError(
                f"the phone page on {address} can be read by anyone near: set service.phone_token, or use 127.0.0.1"
            )
        self._address, self._port, self._token = address, port, token
        self._clock = clock
        self._state: State | None = None
        self._reading: tuple[float, ReadingMessage] | None = None
        self._peaks: list[tuple[float, float]] = []
        self._events: list[tuple[float, EventMessage]] = []
        self._plan: Plan | None = None
        self._server: asyncio.Server | None = None
        self._phones = 0
        self._tasks: set[asyncio.Task[Any]] = set()
        self._from: Counter[str] = Counter()

    @property
    def phones(self) -> int:
        return self._phones

    @property
    def port(self) -> int:
        """The port in use (of interest when 0 was asked for)."""
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    async def start(self) -> None:
        try:
            self._server = await asyncio.start_server(self._serve, self._address, self._port, limit=MAX_REQUEST)
        except OSError as error:
            raise InputError(
                f"cannot open the phone page on {self._address}:{self._port} ({error.strerror}); choose another port"
            ) from error

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def publish(self, message: Message) -> None:
        """Take note of a message. Never waits."""
        now = self._clock()
        match message:
            case ReadingMessage(channel=0):
                self._reading = (now, message)
                if message.value_V is not None:
                    self._peaks = [p for p in self._peaks if now - p[0] < 20.0][-400:]
                    self._peaks.append((now, abs(message.value_V)))
            case State():
                self._state = message
            case EventMessage():
                self._events = [*self._events[-(EVENTS_SHOWN - 1) :], (now, message)]
            case Plan():
                self._plan = message
            case _:
                pass

    def picture(self) -> dict[str, Any]:
        """What the page shows, ready to be read: words and numbers, no sums left to the phone."""
        now, state = self._clock(), self._state
        shown: dict[str, Any] = {
            "emulated": bool(state and state.emulated),
            "interlock": state.interlock.state if state else "unknown",
            "current": "",
            "cause": "",
            "remedy": "",
            "blank": "",
            "side": "none",
            "words": "",
            "number": "",
            "unit": "",
            "band": "",
            "low": 0.0,
            "high": 0.0,
            "scale": "",
            "front": state.pair.front if state else "one ring",
            "back": state.pair.back if state else "two rings",
            "place": (state.place.text or state.place.name) if state and state.place else "",
            "health": [],
            "events": [
                {"severity": e.severity, "text": e.text, "remedy": e.remedy, "age": _ago(now - at)}
                for at, e in reversed(self._events)
            ],
            **self._tapes(),
        }
        if state is None:
            shown["blank"] = "waiting for the instrument"
            return shown
        for health in (state.link, state.adc, state.recording):
            if not health.ok:
                shown["health"].append(health.text)
        if state.interlock.state != "energised":
            trip = state.interlock.trip
            shown["blank"] = "source off: no reading"
            if state.interlock.state == "ready":
                shown["blank"] = f"the source comes on in {state.interlock.warning_s:.0f} s: out of the water"
            if state.interlock.state == "tripped" and trip is not None:
                shown["cause"], shown["remedy"] = trip.cause, trip.remedy
            return shown
        if state.source.current_A is not None:
            shown["current"] = units.current(state.source.current_A)
        if self._reading is None:
            shown["blank"] = "no reading yet"
            return shown
        at, reading = self._reading
        age = reading.age_s + now - at
        if age > STALE_S:
            shown["blank"] = f"no new reading for {max(1.0, age):.0f} s"
        elif reading.value_V is None or not reading.sigma_V:
            shown["blank"] = "input saturated" if "saturated" in reading.flags else "acquiring the signal"
        else:
            self._fill(shown, reading, reading.value_V, BAND_SIGMA * reading.sigma_V)
        return shown

    def _tapes(self) -> dict[str, Any]:
        """For whoever holds the tapes: where the pole goes next, and the two lengths to it from the marks."""
        plan, state = self._plan, self._state
        following = (state.next_station if state else None) or (plan.next_station if plan else None)
        if plan is None or following is None or len(plan.outline_m) < 3:
            return {"next": "", "tapes": []}
        x, y, _ = following.position_m
        marks = tape_marks(plan.marks, plan.outline_m)
        lengths = [(mark.name, units.length(math.dist(mark.position_m, (x, y)), "si")) for mark in marks]
        return {"next": following.text, "tapes": [{"mark": name, "length": length} for name, length in lengths]}

    def _fill(self, shown: dict[str, Any], reading: ReadingMessage, value_V: float, band_V: float) -> None:
        side = side_of(reading)
        shown["side"] = side or "none"
        shown["words"] = f"toward {shown[side]}" if side else "no clear direction"
        shown["number"], shown["unit"], shown["band"] = units.value_and_band(abs(value_V), band_V)
        peak = max((p for _, p in self._peaks), default=abs(value_V))
        scale = _round_up(max(peak, abs(value_V), 1e-6))
        low, high = (value_V - band_V, value_V + band_V) if side else (-max(band_V, abs(value_V)),) * 2
        if side is None:
            high = -low
        shown["low"], shown["high"] = max(-1.0, low / scale), min(1.0, high / scale)
        shown["scale"] = units.voltage(scale)

    # ---- HTTP ---------------------------------------------------------------------------------------------

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        peer = writer.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        if len(self._tasks) >= MAX_CONNECTIONS or self._from[address] >= MAX_FROM_ONE:
            writer.transport.abort()
            return
        self._tasks.add(task)
        self._from[address] += 1
        try:
            await self._answer(reader, writer)
            writer.close()
            await asyncio.wait_for(writer.wait_closed(), timeout=DEAF_S)
        except (TimeoutError, OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, ValueError):
            # A phone that walked off or is deaf, or something that does not speak HTTP: nothing to tell it.
            pass
        except asyncio.CancelledError:
            pass
        finally:
            # Whatever it has not taken is thrown away; after an orderly end nothing is left.
            writer.transport.abort()
            self._tasks.discard(task)
            self._from[address] -= 1
            if not self._from[address]:
                del self._from[address]

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), timeout=HEAD_S)
        request, *lines = head.decode("latin-1").split("\r\n")
        parts = request.split(" ")
        if len(parts) != 3 or not parts[2].startswith("HTTP/1."):
            await _reply(writer, "400 Bad Request", "text/plain", b"not understood\n")
            return
        if parts[0] != "GET":
            await _reply(writer, "405 Method Not Allowed", "text/plain", b"this page is read-only\n", "Allow: GET\r\n")
            return
        hosts = [line.split(":", 1)[1].strip() for line in lines if line.lower().startswith("host:")]
        if self._loopback and not (len(hosts) == 1 and _is_loopback(_host_of(hosts[0]))):
            # A page elsewhere must not reach in through a name that it points at us.
            await _reply(writer, "403 Forbidden", "text/plain", b"use the address of this machine\n")
            return
        url = urlsplit(parts[1])
        if self._token:
            given = parse_qs(url.query).get("token", [""])[0]
            if not hmac.compare_digest(given.encode(), self._token.encode()):
                await _reply(writer, "403 Forbidden", "text/plain", b"the address needs ?token=...\n")
                return
        if url.path in ("/", "/tape"):
            page = resources.files("earthward.daemon").joinpath("phone.html").read_bytes()
            await _reply(writer, "200 OK", "text/html; charset=utf-8", page)
        elif url.path == "/state.json":
            await _reply(writer, "200 OK", "application/json", msgspec.json.encode(self.picture()))
        elif url.path == "/events":
            await self._stream(writer)
        else:
            await _reply(writer, "404 Not Found", "text/plain", b"nothing here\n")

    async def _stream(self, writer: asyncio.StreamWriter) -> None:
        if self._phones >= MAX_PHONES:
            await _reply(writer, "503 Service Unavailable", "text/plain", b"too many phones\n")
            return
        self._phones += 1
        try:
            writer.transport.set_write_buffer_limits(high=16 * 1024)
            writer.write(f"HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\n{_HEADERS}\r\n".encode())
            last, since = b"", 0.0
            while True:
                now_showing = msgspec.json.encode(self.picture())
                if now_showing != last or since >= REPEAT_S:
                    last, since = now_showing, 0.0
                    writer.write(b"data: " + now_showing + b"\n\n")
                    await asyncio.wait_for(writer.drain(), timeout=DEAF_S)
                await asyncio.sleep(SEND_EVERY_S)
                since += SEND_EVERY_S
        finally:
            self._phones -= 1


async def _reply(writer: asyncio.StreamWriter, status: str, kind: str, body: bytes, more: str = "") -> None:
    head = f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\nConnection: close\r\n"
    writer.write((head + more + _HEADERS + "\r\n").encode() + body)
    await asyncio.wait_for(writer.drain(), timeout=DEAF_S)


def _ago(seconds: float) -> str:
    """How long ago, as a person says it."""
    return f"{seconds:.0f} s ago" if seconds < 60 else f"{seconds / 60:.0f} min ago"


def _host_of(header: str) -> str:
    """The host part of a Host header: "[::1]:8080" -> "::1"."""
    if header.startswith("["):
        return header[1:].split("]", 1)[0]
    return header.rsplit(":", 1)[0] if header.count(":") == 1 else header


def _is_loopback(host: str) -> bool:
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 x 10^n."""
    step = 1e-6
    while True:
        for k in (1, 2, 5):
            if k * step >= value:
                return k * step
        step *= 10
        if step > 1e6:
            return value
