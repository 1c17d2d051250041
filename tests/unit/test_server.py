"""Clients: greeted, validated, bounded; a slow one loses readings, is told, and slows nobody."""

from __future__ import annotations

import asyncio
import json
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from earthward.daemon.protocol import (
    PROTOCOL,
    EventMessage,
    FromClient,
    Hello,
    Message,
    Problem,
    ReadingMessage,
    SourceOff,
)
from earthward.daemon.server import ClientServer
from earthward.errors import InputError


def reading(number: int, t_s: float | None = None) -> ReadingMessage:
    return ReadingMessage(
        number=number, t_s=number * 0.05 if t_s is None else t_s, age_s=0.0, window_s=0.5, value_V=1e-6,
        quadrature_V=0.0, sigma_V=1e-7, snr=10.0, p_sign=1.0, lost_fraction=0.0, flags=(),
    )  # fmt: skip


class Bed:
    def __init__(self, path: Path) -> None:
        self.got: list[FromClient] = []
        self.path = path
        self.server = ClientServer(
            lambda read_only: Hello(version="t", emulated=True, read_only=read_only), self.on_message
        )

    def on_message(self, message: FromClient, reply: Callable[[list[Message]], None]) -> None:
        self.got.append(message)
        reply([Problem(text="not now")] if isinstance(message, SourceOff) else [])

    async def __aenter__(self) -> Bed:
        await self.server.listen_unix(self.path)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.server.close()

    async def connect(
        self, introduce: bool = True
    ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter, dict[str, Any]]:
        reader, writer = await asyncio.open_unix_connection(self.path)
        if introduce:
            writer.write(b'{"type": "subscribe", "protocol": %d}\n' % PROTOCOL)
        return reader, writer, await line(reader)


async def line(reader: asyncio.StreamReader) -> dict[str, Any]:
    return json.loads(await asyncio.wait_for(reader.readline(), 20))


async def test_greeting_comes_first_and_the_socket_is_private(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        _, writer, hello = await bed.connect()
        assert hello["type"] == "hello" and hello["protocol"] == PROTOCOL == 2 and hello["emulated"] is True
        assert stat.S_IMODE((tmp_path / "s").stat().st_mode) == 0o660
        writer.close()
    assert not (tmp_path / "s").exists()


async def test_unknown_types_are_answered_and_unknown_fields_ignored(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        reader, writer, _ = await bed.connect()
        writer.write(b'{"type": "energise"}\nnot json\n{"type": "source_off", "why": "hot"}\n')
        assert "energise" in (await line(reader))["text"]
        assert (await line(reader))["type"] == "problem"
        assert (await line(reader))["text"] == "not now"
        assert bed.got == [SourceOff()]
        writer.close()


async def test_a_client_of_another_version_is_refused_with_a_sentence_and_can_still_switch_off(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        reader, writer, _ = await bed.connect(introduce=False)
        writer.write(b'{"type": "subscribe", "topics": ["reading"]}\n{"type": "note", "text": "x"}\n')
        assert "version 2 and the client 1" in (await line(reader))["text"]
        assert "say first" in (await line(reader))["text"]
        bed.server.publish(reading(1))
        writer.write(b'{"type": "source_off"}\n')
        assert (await line(reader))["text"] == "not now", "no reading before it, and the request arrived"
        assert bed.got == [SourceOff()]
        writer.close()


async def test_no_message_can_energise() -> None:
    """The whole vocabulary a client has: none of it switches the output on."""
    from typing import get_args

    tags = {t.__struct_config__.tag for t in get_args(FromClient)}
    assert tags == {
        "subscribe", "source_off", "water_clear", "keep", "move_to", "select_electrode", "set_stage", "set_covered",
        "set_sound", "test_leak", "scan_band", "withdraw", "add_photo", "keep_tail", "keep_flight",
        "step_done", "note", "ask", "begin_spot", "press_keep", "skip_turn", "set_auto_keep", "undo", "levels",
        "write_report", "read_details", "stray_turn", "at_wall", "plumb", "at_surface", "bench_step",
    }  # fmt: skip


async def test_a_slow_client_loses_readings_is_told_and_keeps_events(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        slow_reader, slow, _ = await bed.connect()
        quick_reader, quick, _ = await bed.connect()
        total = 3000
        got_quick = 0

        async def drink() -> None:
            nonlocal got_quick
            while True:
                message = await line(quick_reader)
                got_quick += message["type"] == "reading"

        task = asyncio.create_task(drink())
        for k in range(total):
            bed.server.publish(reading(k))
            if k % 1000 == 0:
                bed.server.publish(EventMessage(number=k, t_s=0.0, severity="info", code="mark", text="m"))
            await asyncio.sleep(0)
        await asyncio.sleep(0.2)
        numbers: list[int] = []
        lost, events = 0, 0
        while not numbers or numbers[-1] != total - 1:
            message = await line(slow_reader)
            if message["type"] == "reading":
                numbers.append(message["number"])
            lost += message["readings"] if message["type"] == "lost" else 0
            events += message["type"] == "event"
        task.cancel()
        assert events == 3
        assert len(numbers) + lost == total
        assert lost > 0, "the socket buffer swallowed everything: make the test longer"
        assert numbers == sorted(numbers)
        slow.close()
        quick.close()


async def test_subscription_thins_readings(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        reader, writer, _ = await bed.connect()
        writer.write(b'{"type":"subscribe","protocol":2,"topics":["reading"],"max_rate_Hz":5}\n')
        await asyncio.sleep(0.05)
        for k in range(40):
            bed.server.publish(reading(k))
            await asyncio.sleep(0)
        bed.server.publish(EventMessage(number=1, t_s=0.0, severity="info", code="end", text="e"))
        seen = 0
        while (message := await line(reader))["type"] != "event":
            seen += message["type"] == "reading"
        while True:  # readings may come after the event: it is urgent
            try:
                message = json.loads(await asyncio.wait_for(reader.readline(), 0.2))
            except TimeoutError:
                break
            seen += message["type"] == "reading"
        assert seen <= 21  # half a gap of slack at most doubles the rate asked for
        writer.close()


async def test_tcp_needs_the_token_and_is_read_only(tmp_path: Path, unused_tcp_port: int) -> None:
    async with Bed(tmp_path / "s") as bed:
        await bed.server.listen_tcp(unused_tcp_port, "sesame")
        reader, writer = await asyncio.open_connection("127.0.0.1", unused_tcp_port)
        writer.write(b"wrong\n")
        assert await reader.read() == b""
        reader, writer = await asyncio.open_connection("127.0.0.1", unused_tcp_port)
        writer.write(b"sesame\n")
        assert (await line(reader))["read_only"] is True
        writer.write(b'{"type": "source_off"}\n')
        assert "read-only" in (await line(reader))["text"]
        assert bed.got == []
        writer.close()
        with pytest.raises(InputError):
            await bed.server.listen_tcp(unused_tcp_port, "")


async def test_a_second_daemon_is_refused_and_a_stale_socket_is_not(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s"):
        with pytest.raises(InputError, match="another daemon"):
            await Bed(tmp_path / "s").__aenter__()
    import socket

    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(tmp_path / "s"))
    dead.close()
    async with Bed(tmp_path / "s") as bed:
        _, writer, hello = await bed.connect()
        assert hello["type"] == "hello"
        writer.close()


async def test_garbage_never_harms_the_server(tmp_path: Path) -> None:
    async with Bed(tmp_path / "s") as bed:
        _, bad, _ = await bed.connect()
        bad.write(b"\xff" * 200_000)
        await asyncio.sleep(0.1)
        reader, good, _ = await bed.connect()
        bed.server.publish(EventMessage(number=1, t_s=0.0, severity="info", code="x", text="still here"))
        assert (await line(reader))["text"] == "still here"
        good.close()
        bad.close()
