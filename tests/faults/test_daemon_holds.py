"""What the daemon must hold against: defects of its own, floods, deaf clients, slow cards, wrong calendars.

On stand-ins for board and converter, so that each fault is there at once; real time only where a stall is the fault.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import sqlite3
import time
from pathlib import Path
from typing import Any, NoReturn

import msgspec
import pytest
from tests.support.quick_daemon import Quick, quick_config, quick_daemon, quick_visit

from earthward.clock import SystemClock
from earthward.daemon.life import Daemon
from earthward.daemon.limiter import BURST
from earthward.daemon.parts import Wiring
from earthward.daemon.protocol import EventMessage, Message, State
from earthward.daemon.recorder import Recorder, read_recording
from earthward.errors import InputError
from earthward.record.event import Event
from earthward.record.place import Station
from earthward.record.reading import Reading


def spoil_events(quick: Quick) -> None:
    """The survey's file is damaged: every event that is to be written down raises."""

    def malformed(*_: Any, **__: Any) -> NoReturn:
        raise sqlite3.DatabaseError("database disk image is malformed")

    assert quick.daemon.visit is not None
    quick.daemon.visit.store.add_event = malformed  # type: ignore[method-assign]


async def test_a_failure_inside_takes_the_output_off_even_if_it_cannot_be_recorded(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        spoil_events(quick)

        def defect() -> None:
            raise ZeroDivisionError("a defect of ours")

        quick.daemon.pump.work = defect  # type: ignore[method-assign]
        async with asyncio.timeout(5):
            await quick.daemon.ended()
        assert quick.daemon.failed, "the process must not end as if all had been well"
        quick.daemon.pump.work = lambda: None  # type: ignore[method-assign]
    assert "off" in quick.board.calls


async def test_a_damaged_record_is_told_once_and_takes_nothing_down(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        told: list[Message] = []
        quick.daemon.listeners.append(told.append)
        spoil_events(quick)
        for k in range(5):
            quick.daemon.event("info", "x", f"number {k}")
        line = await quick.connect("state")
        line.say(type="note", text="still here")
        await line.until("done", request="note")
        events = [e for e in told if isinstance(e, EventMessage)]
        assert [e.text for e in events if e.code == "x"] == [f"number {k}" for k in range(5)]
        assert [e.severity for e in events if e.code == "record"] == ["alarm"]
        assert not quick.daemon.ending


@pytest.mark.realtime
async def test_a_loop_that_stands_still_earns_no_heartbeat(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        await asyncio.sleep(0.3)
        before = quick.board.fed
        await asyncio.sleep(0.3)
        assert quick.board.fed > before, "the heart is fed while all is well"
        begin = time.monotonic()
        fed: list[tuple[float, int]] = []

        def standing_still() -> None:
            while time.monotonic() < begin + 2.0:
                time.sleep(0.02)
                fed.append((time.monotonic() - begin, quick.board.fed))

        standing_still()  # in the loop's own thread: nothing else of the loop's runs
        late = [n for at, n in fed if at > 1.5]
        assert len(set(late)) == 1, "no beat is sent for a daemon that stands still"
        assert quick.daemon.visit is not None
        async with asyncio.timeout(10):
            while "daemon stands still" not in [e.code for e in quick.daemon.visit.store.events()]:
                await asyncio.sleep(0.02)
        again = quick.board.fed
        await asyncio.sleep(0.3)
        assert quick.board.fed > again, "once the loop turns again, so does the heart beat"


@pytest.mark.realtime
async def test_the_watchdogs_kicks_are_earned_by_interlock_and_samples(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        daemon = quick.daemon
        quick.receiver.deliver()
        await asyncio.sleep(0.2)
        assert daemon._gets_on()
        await asyncio.sleep(1.2)
        assert not daemon._gets_on(), "the converter says it is well, but no sample has been worked on"
        quick.receiver.deliver()
        await asyncio.sleep(0.1)
        assert daemon._gets_on()
        daemon.supervisor._closing = True
        daemon.supervisor.wake()
        await asyncio.sleep(1.2)
        quick.receiver.deliver()
        await asyncio.sleep(0.1)
        assert not daemon._gets_on(), "nobody looks at the interlock any more"


async def test_off_passes_a_flood_of_asks(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        flooding = await quick.connect()
        other = await quick.connect()
        await flooding.until("hello")
        await other.until("hello")
        heard = asyncio.Event()
        request_stop = quick.daemon.supervisor.request_stop

        def stop() -> None:
            request_stop()
            heard.set()

        quick.daemon.supervisor.request_stop = stop  # type: ignore[method-assign]
        flood = b"".join(b'{"type":"ask","what":"plan","n":%d}\n' % n for n in range(60_000))
        for client in (other, flooding):
            heard.clear()
            flooding.writer.write(flood)
            await asyncio.sleep(0.005)
            begin = time.thread_time()
            client.say(type="source_off")
            async with asyncio.timeout(20):
                await heard.wait()
            # Time of this thread, in which clients and daemon work: a busy machine must not decide.
            took = time.thread_time() - begin
            assert took < 0.1, f"{took:.3f} s"


async def test_the_outbox_of_a_client_that_does_not_read_is_bounded(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        deaf = await quick.connect()
        for _ in range(100):
            deaf.writer.write(b"{}\n" * 4_000)
            await asyncio.sleep(0.002)
        (client,) = quick.daemon.server._clients
        held = sum(map(len, client._urgent)) + sum(map(len, client._readings))
        transport = client._transport
        assert transport is not None
        assert held + transport.get_write_buffer_size() < 200_000
        async with asyncio.timeout(30):
            while "left out" not in json.loads(await deaf.reader.readline()).get("text", ""):
                pass


async def test_events_of_a_device_that_raves_are_counted(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        told: list[Message] = []
        quick.daemon.listeners.append(told.append)
        quick.board.events = [
            Event(severity="caution", code="bad-frame", text=f"frame {k}", remedy="", t_s=float(k))
            for k in range(20_000)
        ]
        quick.daemon.pump.work()
        frames = [e for e in told if isinstance(e, EventMessage) and e.code == "bad-frame"]
        assert len(frames) == BURST
        counts = list(quick.daemon.pump._limiter.counts(SystemClock().now() + 60.0))
        assert counts == [("bad-frame", 20_000 - BURST)]


@pytest.mark.realtime
async def test_a_slow_card_holds_up_neither_numbers_nor_off(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        visit = quick.daemon.visit
        assert visit is not None
        add_event = visit.store.add_event

        def slow(*arguments: Any, **more: Any) -> Any:
            time.sleep(0.7)
            return add_event(*arguments, **more)

        visit.store.add_event = slow  # type: ignore[method-assign]
        states: list[float] = []
        quick.daemon.listeners.append(
            lambda message: states.append(time.monotonic()) if isinstance(message, State) else None
        )
        for _ in range(3):
            quick.daemon.event("info", "x", "written slowly")
        await asyncio.sleep(1.5)
        gaps = [b - a for a, b in itertools.pairwise(states)]
        assert len(states) >= 4 and max(gaps) < 0.6, gaps


async def test_a_calendar_behind_the_record_is_said_and_recorded(tmp_path: Path) -> None:
    visit = quick_visit(tmp_path, lambda: 1.8e9)
    async with quick_daemon(tmp_path, wall_s=lambda: 1.8e9 - 7200.0, visit=visit) as quick:
        line = await quick.connect()
        line.say(type="note", text="x")
        await line.until("done", request="note")
        codes = [e.code for e in visit.store.events()]
        for _ in range(200):
            if "clock not set" in codes:
                break
            await asyncio.sleep(0.01)
            codes = [e.code for e in visit.store.events()]
        assert "clock not set" in codes
        assert quick.daemon.visit is visit


async def test_a_restart_searches_what_the_record_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    visit = quick_visit(tmp_path)
    visit.keep(Station(position_m=(2.0, 2.0, 0.7), bearing_deg=90.0), Reading(t_s=1.0, value_V=1e-5, sigma_V=1e-6))
    asked = asyncio.Event()
    monkeypatch.setattr("earthward.daemon.searching.Searching.request", lambda self: asked.set())
    async with quick_daemon(tmp_path, visit=visit):
        async with asyncio.timeout(10):
            await asked.wait()


async def test_a_start_that_fails_leaves_nothing_behind(tmp_path: Path, unused_tcp_port: int) -> None:
    config = quick_config(tmp_path)
    busy = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", unused_tcp_port)
    service = msgspec.structs.replace(config.service, tcp_port=unused_tcp_port, tcp_token="sesame")
    config = msgspec.structs.replace(config, service=service)
    async with quick_daemon(tmp_path) as quick:
        wiring = Wiring(
            receiver=quick.receiver, board=quick.board, clock=SystemClock(), emulated=True, wall_s=lambda: 1.8e9
        )
    failing = Daemon(config, wiring)
    with pytest.raises(InputError, match=str(unused_tcp_port)):
        await failing.start()
    assert not Path(config.service.socket).exists()
    busy.close()


async def test_a_file_in_the_sockets_place_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "socket").write_text("somebody's work")
    with pytest.raises(InputError, match="no socket"):
        async with quick_daemon(tmp_path):
            pass
    assert (tmp_path / "socket").read_text() == "somebody's work"


async def test_marks_of_the_pool_file_reach_a_client(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        line = await quick.connect()
        line.say(type="ask", what="plan")
        plan = await line.until("plan")
        assert [mark["name"] for mark in plan["marks"]] == ["gate post", "pump house"]


async def test_the_last_seconds_are_kept_when_asked(tmp_path: Path) -> None:
    async with quick_daemon(tmp_path) as quick:
        for _ in range(3):
            quick.receiver.deliver()
        line = await quick.connect()
        line.say(type="keep_tail")
        event = await line.until("event", code="tail")

        content = read_recording(event["text"].split(" in ")[1].rstrip("."))
        assert len(content.samples()) == 120


async def test_tell_says_one_thing_and_hears_the_answer(tmp_path: Path) -> None:
    from earthward.cli import main

    visit = quick_visit(tmp_path)
    row = visit.keep(
        Station(position_m=(2.0, 2.0, 0.7), bearing_deg=90.0), Reading(t_s=1.0, value_V=1e-5, sigma_V=1e-6)
    ).row
    (tmp_path / "hole.png").write_bytes(b"\x89PNG\r\n\x1a\n and so on")
    async with quick_daemon(tmp_path, visit=visit) as quick:
        address = str(quick.socket)

        async def tell(*words: str) -> int:
            return await asyncio.to_thread(main, ["tell", "--connect", address, *words])

        assert await tell("withdraw", str(row), "pole knocked") == 0
        assert visit.store.readings() == []
        assert await tell("withdraw", "99", "no such") == 2
        assert await tell("photo", "hole.png", "--caption", "the hole") == 0
        assert [(p.path, p.caption) for p in visit.store.photos()] == [("hole.png", "the hole")]
        assert await tell("photo", "/etc/hostname") == 2, "nothing from outside the survey's folder"
        assert await tell("keep-tail") == 0
        assert await tell("keep-flight") == 0
        flight = json.loads((tmp_path / "data" / "flights" / "flight-00001.json").read_text())
        assert flight["format"] == "earthward flight record" and flight["code"] == "" and flight["cause"]
        assert await tell("off") == 0


async def test_bench_steps_stand_in_the_recording(tmp_path: Path) -> None:
    from earthward.cli import main

    async with quick_daemon(tmp_path) as quick:
        address = str(quick.socket)

        async def tell(*words: str) -> int:
            return await asyncio.to_thread(main, ["tell", "--connect", address, "bench-step", *words])

        assert await tell("quiet") == 2, "nothing is recorded"
        quick.daemon.teller.recorder = recorder = Recorder(tmp_path / "jar", {"emulated": True})
        assert await tell("quiet") == 0
        assert await tell("divider", "--applied-volts", "0.1") == 0
        assert await tell("divider") == 2 and await tell("joined", "--applied-volts", "0.1") == 2
        assert await tell("divider", "--applied-volts", "100") == 2, "millivolts typed as volts"
        assert await tell("end") == 0
        recorder.close()
        quick.daemon.teller.recorder = None
    notes = [n for n in read_recording(tmp_path / "jar").notes if n["kind"] == "bench"]
    assert [n["step"] for n in notes] == ["quiet", "divider", "end"] and notes[1]["applied_V"] == 0.1
    assert notes[0]["t_s"] < notes[1]["t_s"] < notes[2]["t_s"]


async def test_a_full_disk_is_said_once_and_the_instrument_goes_on(tmp_path: Path) -> None:
    """SQLite itself says "database or disk is full" here: the file may not grow any more."""
    async with quick_daemon(tmp_path) as quick:
        visit = quick.daemon.visit
        assert visit is not None
        line = await quick.connect()
        line.say(type="note", text="there is room")
        await line.until("done", request="note")
        (pages,) = visit.store._db.execute("PRAGMA page_count").fetchone()
        visit.store._db.execute(f"PRAGMA max_page_count = {pages}")
        line.say(type="note", text="x" * 50_000)
        assert "make room" in (await line.until("problem"))["text"]
        for _ in range(200):
            quick.daemon.event("info", "x", "y" * 500)
        alarm = await line.until("event", code="record")
        assert alarm["severity"] == "alarm" and "full" in alarm["text"]
        line.say(type="source_off")
        await line.until("done", request="source_off")
        assert not quick.daemon.ending
        visit.store._db.execute("PRAGMA max_page_count = 1000000")
        quick.daemon.event("info", "x", "there is room again")
        await line.until("event", text="The survey's record can be written again.")
        line.say(type="note", text="after that")
        await line.until("done", request="note")
        events = visit.store.events()
        assert [e.severity for e in events if e.code == "record"] == ["alarm", "info"], "it knows that it was full"
        assert sum(e.text == "y" * 500 for e in events) == 200, "what happened meanwhile was written afterwards"
