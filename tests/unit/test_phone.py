"""The phone page: read-only, on loopback unless told, never holding up the daemon, and readable in a real browser."""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import shutil
import socket
from pathlib import Path
from typing import Any

import msgspec
import pytest
from tests.display import fake_feed

from earthward.clock import ManualClock
from earthward.daemon import phone as phone_module
from earthward.daemon.phone import MAX_PHONES, PhonePage
from earthward.daemon.protocol import (
    AdcHealth,
    EventMessage,
    Interlock,
    LinkHealth,
    ReadingMessage,
    Recording,
    Source,
    State,
)
from earthward.errors import InputError
from earthward.record.place import Station


def state(lock: str = "energised") -> State:
    return State(
        t_s=1.0,
        emulated=True,
        interlock=Interlock(state=lock, since_s=0.0),  # type: ignore[arg-type]
        source=Source(report=fake_feed.board(lock == "energised")),
        link=LinkHealth(ok=True, text="answers"),
        adc=AdcHealth(ok=True, text="samples flow"),
        recording=Recording(ok=True, text="recording"),
    )


def reading(value_V: float | None, sigma_V: float | None = 2e-6, flags: list[str] | None = None) -> ReadingMessage:
    return ReadingMessage(
        number=1,
        t_s=1.0,
        age_s=0.02,
        window_s=0.5,
        value_V=value_V,
        quadrature_V=0.0,
        sigma_V=sigma_V,
        snr=None,
        p_sign=None,
        lost_fraction=0.0,
        flags=tuple(flags or ()),
    )


def page(clock: ManualClock, **more: str) -> PhonePage:
    return PhonePage("127.0.0.1", 0, clock.now, **more)


async def get(port: int, request: str, wait: bool = True) -> tuple[str, bytes]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request.encode())
    head = await reader.readuntil(b"\r\n\r\n")
    body = await reader.read() if wait else b""
    writer.close()
    return head.decode(), body


def test_picture_says_what_the_screen_says() -> None:
    clock = ManualClock(10.0)
    phone = page(clock)
    assert phone.picture()["blank"]
    phone.publish(state())
    phone.publish(reading(143e-6))
    shown = phone.picture()
    assert (shown["side"], shown["words"], shown["number"], shown["unit"]) == ("front", "toward one ring", "143", "µV")
    assert shown["emulated"] and shown["current"] == "10.0 mA"
    assert 0 < shown["low"] < shown["high"] <= 1
    phone.publish(reading(-143e-6))
    shown = phone.picture()
    assert (shown["side"], shown["words"]) == ("back", "toward two rings")
    assert shown["low"] < shown["high"] < 0
    phone.publish(reading(3e-6))
    shown = phone.picture()
    assert (shown["side"], shown["words"]) == ("none", "no clear direction")
    assert shown["low"] == -shown["high"]


def test_events_have_an_age_and_the_start_a_countdown() -> None:
    clock = ManualClock(10.0)
    phone = page(clock)
    ready = msgspec.structs.replace(state("ready").interlock, warning_s=2.6)
    phone.publish(msgspec.structs.replace(state("ready"), interlock=ready))
    assert phone.picture()["blank"] == "the source comes on in 3 s: out of the water"
    phone.publish(EventMessage(number=1, t_s=1.0, severity="info", code="x", text="kept"))
    clock.advance(42.0)
    assert phone.picture()["events"][0]["age"] == "42 s ago"
    clock.advance(600.0)
    assert phone.picture()["events"][0]["age"] == "11 min ago"


def test_the_helper_with_the_tapes_is_told_both_lengths() -> None:
    phone = page(ManualClock(10.0))
    assert phone.picture()["tapes"] == []
    plan = fake_feed.plan()
    following = Station(position_m=(3.0, 4.0, 0.5), text="over there")
    outline = [(0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0)]
    phone.publish(msgspec.structs.replace(plan, outline_m=outline, marks=[], next_station=following))
    shown = phone.picture()
    assert shown["next"] == "over there"
    assert [t["length"] for t in shown["tapes"]] == ["5.00 m", "8.06 m"]
    assert [t["mark"] for t in shown["tapes"]] == ["corner 1", "corner 2"]


def test_old_unlocked_or_unpowered_means_blank() -> None:
    clock = ManualClock(10.0)
    phone = page(clock)
    phone.publish(state())
    phone.publish(reading(143e-6))
    clock.advance(0.95)
    assert phone.picture()["blank"] == "no new reading for 1 s"
    phone.publish(reading(None, None, ["acquiring"]))
    assert phone.picture()["blank"] == "acquiring the signal"
    phone.publish(state("off"))
    phone.publish(reading(143e-6))
    assert "source off" in phone.picture()["blank"]


def test_an_address_that_others_reach_needs_a_token() -> None:
    with pytest.raises(InputError, match="phone_token"):
        PhonePage("0.0.0.0", 8080, lambda: 0.0)
    PhonePage("0.0.0.0", 8080, lambda: 0.0, token="long enough")


async def test_only_get_and_only_what_exists() -> None:
    phone = page(ManualClock())
    await phone.start()
    try:
        host = "Host: localhost\r\n\r\n"
        head, body = await get(phone.port, f"GET / HTTP/1.1\r\n{host}")
        assert head.startswith("HTTP/1.1 200") and b"read-only" in body
        assert "Content-Security-Policy: default-src 'none'" in head
        for method in ("POST", "PUT", "DELETE", "OPTIONS"):
            head, _ = await get(phone.port, f"{method} / HTTP/1.1\r\n{host}")
            assert head.startswith("HTTP/1.1 405")
        assert (await get(phone.port, f"GET /../config HTTP/1.1\r\n{host}"))[0].startswith("HTTP/1.1 404")
        assert (await get(phone.port, "GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n"))[0].startswith("HTTP/1.1 403")
        assert (await get(phone.port, "nonsense\r\n\r\n"))[0].startswith("HTTP/1.1 400")
    finally:
        await phone.stop()


async def test_token_is_asked_for() -> None:
    phone = page(ManualClock(), token="s3cret")
    await phone.start()
    try:
        host = "Host: 127.0.0.1\r\n\r\n"
        assert (await get(phone.port, f"GET /state.json HTTP/1.1\r\n{host}"))[0].startswith("HTTP/1.1 403")
        head, body = await get(phone.port, f"GET /state.json?token=s3cret HTTP/1.1\r\n{host}")
        assert head.startswith("HTTP/1.1 200")
        assert json.loads(body)["interlock"] == "unknown"
    finally:
        await phone.stop()


@pytest.mark.realtime
async def test_events_stream_follows_and_a_deaf_phone_holds_nothing_up() -> None:
    clock = ManualClock(10.0)
    phone = page(clock)
    await phone.start()
    try:
        deaf = [await asyncio.open_connection("127.0.0.1", phone.port) for _ in range(MAX_PHONES - 1)]
        for _, writer in deaf:
            writer.write(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        reader, writer = await asyncio.open_connection("127.0.0.1", phone.port)
        writer.write(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await reader.readuntil(b"\r\n\r\n")
        phone.publish(state())
        phone.publish(reading(143e-6))
        async with asyncio.timeout(20):
            while True:
                line = await reader.readline()
                if line.startswith(b"data: ") and json.loads(line[6:])["number"] == "143":
                    break
            while phone.phones < MAX_PHONES:
                await asyncio.sleep(0.05)
            head, _ = await get(phone.port, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert head.startswith("HTTP/1.1 503")
        for _, w in [*deaf, (reader, writer)]:
            w.close()
        async with asyncio.timeout(20):
            while phone.phones:
                await asyncio.sleep(0.05)
    finally:
        await phone.stop()


@pytest.mark.realtime
async def test_idle_strangers_and_stalled_streams_do_not_hold_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone_module, "HEAD_S", 1.0)
    monkeypatch.setattr(phone_module, "DEAF_S", 0.5)
    phone = page(ManualClock(10.0))
    phone.publish(state())
    for k in range(5):
        text = "x" * 200_000
        phone.publish(EventMessage(number=k, t_s=1.0, time_s=1.7e9, severity="info", code="x", text=text))
    await phone.start()
    try:
        idle = [await asyncio.open_connection("127.0.0.1", phone.port) for _ in range(100)]
        await asyncio.sleep(0.1)
        assert len(phone._tasks) <= phone_module.MAX_FROM_ONE
        async with asyncio.timeout(20):
            while phone._tasks:
                await asyncio.sleep(0.05)
        stalled = []
        for _ in range(MAX_PHONES):
            line = socket.create_connection(("127.0.0.1", phone.port))
            line.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            stalled.append(line)
        async with asyncio.timeout(20):
            while phone.phones < MAX_PHONES:
                await asyncio.sleep(0.02)
            while phone.phones:
                await asyncio.sleep(0.05)
        head, _ = await get(phone.port, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert head.startswith("HTTP/1.1 200")
        for line in stalled:
            line.close()
        for _, writer in idle:
            writer.close()
    finally:
        await phone.stop()


CHROMIUM = next((c for c in ("chromium", "chromium-browser", "google-chrome") if shutil.which(c)), None)


class Browser:
    """Headless Chromium asked through its DevTools pipe: what the page shows *now*, as often as we like."""

    def __init__(self, program: str, profile: Path) -> None:
        self._program, self._profile = program, profile
        self._number = 0

    async def __aenter__(self) -> Browser:
        # The pipe is descriptors 3 and 4 of the browser, messages end with a zero byte.
        to_read, self._to = os.pipe()
        self._from, from_write = os.pipe()
        high = [fcntl.fcntl(fd, fcntl.F_DUPFD, 64) for fd in (to_read, from_write)]

        def arrange() -> None:
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        self._process = await asyncio.create_subprocess_exec(
            self._program,
            *("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"),
            *(f"--user-data-dir={self._profile}", "--remote-debugging-pipe", "about:blank"),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            preexec_fn=arrange,
            pass_fds=(3, 4),
        )
        for fd in (to_read, from_write, *high):
            os.close(fd)
        loop = asyncio.get_running_loop()
        self._reader = asyncio.StreamReader(limit=1 << 24)
        self._transport, _ = await loop.connect_read_pipe(
            lambda: asyncio.StreamReaderProtocol(self._reader), os.fdopen(self._from, "rb")
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._process.returncode is None:
            self._process.kill()
        await self._process.wait()
        self._transport.close()
        os.close(self._to)

    async def ask(self, method: str, session: str | None = None, **parameters: object) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = json.loads((await self._reader.readuntil(b"\0"))[:-1])
            if answer.get("id") == self._number:
                return dict(answer.get("result", {}))

    async def open(self, url: str) -> str:
        target = await self.ask("Target.createTarget", url=url)
        attached = await self.ask("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        return str(attached["sessionId"])

    async def document(self, session: str) -> str:
        told = await self.ask("Runtime.evaluate", session, expression="document.documentElement.outerHTML")
        # Nothing yet while the page is being loaded.
        return str(told.get("result", {}).get("value", ""))


@pytest.mark.realtime
@pytest.mark.skipif(CHROMIUM is None, reason="no browser: install the Debian package chromium to run this")
async def test_page_in_a_real_browser(tmp_path: Path) -> None:
    """Headless Chromium loads the page, follows the events and shows direction, number and the emulated label."""
    assert CHROMIUM is not None
    clock = ManualClock(10.0)
    phone = page(clock)
    await phone.start()
    phone.publish(state())
    phone.publish(reading(143e-6))
    phone.publish(EventMessage(number=1, t_s=1.0, severity="caution", code="x", text="<b>not markup</b>"))
    dom = ""
    try:
        async with asyncio.timeout(120), Browser(CHROMIUM, tmp_path) as browser:
            session = await browser.open(f"http://127.0.0.1:{phone.port}/")
            # However long the browser takes to load and to hear the first event.
            while "143" not in dom:
                await asyncio.sleep(0.1)
                dom = await browser.document(session)
            # The feed stops: the number goes, by the page itself.
            await phone.stop()
            quiet = dom
            while 'id="blank" hidden' in quiet:
                await asyncio.sleep(0.1)
                quiet = await browser.document(session)
    finally:
        await phone.stop()
    assert '<div id="words">toward one ring</div>' in dom
    assert '<span id="number">143</span>' in dom
    assert "±200 µV" in dom
    assert 'id="blank" hidden' in dom
    assert '<b id="emulated">EMULATED</b>' in dom
    assert "&lt;b&gt;not markup" in dom
