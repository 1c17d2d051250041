#!/usr/bin/env python3
"""Every fault, what happened, and whether it came back by itself: the table of docs/faults.md. EMULATED parts.

    python tests/benchmarks/fault_table.py [--only WORD] [--quick] [--write docs/faults.md]

Three kinds: faults while the source is on (`bench_faults.py`: a daemon in a process of its own, real time), faults of
parts, cables, disk and clients in the whole chain (here, in bench time, so that a busy machine changes no result), and
damage to files (`tests/faults/test_store_kill.py`). "Well again" counts from the end of the fault until board and
converter and, with the source on, readings are there. --quick leaves the first kind out.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import errno
import os
import re
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "firmware_host")]

import msgspec
from tests.benchmarks import bench_faults
from tests.faults.test_store_kill import kill_rounds

from earthward.clock import PacedClock
from earthward.commands.demo import bench_wiring, demo_config, new_visit
from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_hands import Hands, holds
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.scenario import Scenario

#: The stated time to come back by itself.
WELL_WITHIN_S = 3.0
#: Off from any client, under any load.
OFF_WITHIN_S = 0.1
PATIENCE_S = 30.0


@dataclass
class Chain:
    """The whole chain, with the hands that can hurt it."""

    bench: EmulatedBench
    daemon: Daemon
    client: InstrumentClient
    hands: Hands
    socket: Path
    calendar_s: list[float] = field(default_factory=lambda: [0.0])
    opened: list[asyncio.StreamWriter] = field(default_factory=list)

    @property
    def board(self) -> EmulatedBoard:
        assert isinstance(self.bench.board, EmulatedBoard)
        return self.bench.board

    def now(self) -> float:
        return self.bench.clock.now()

    async def energise(self) -> None:
        if not await self.hands.recover(self.client) and not self.board.energised:
            await self.hands.switch_off(self.client)
            await self.hands.switch_on(self.client)

    async def until(self, condition: Callable[[], bool], seconds: float = PATIENCE_S) -> float | None:
        """Bench seconds until it holds, or None."""
        begin_s = self.now()
        while not condition():
            if self.now() - begin_s > seconds:
                return None
            await asyncio.sleep(0.002)
        return self.now() - begin_s

    def cable(self, data: bytes) -> None:
        """Bytes that no board has sent."""
        os.write(self.board._master, data)


@contextlib.asynccontextmanager
async def chain(folder: Path) -> AsyncIterator[Chain]:
    scenario, clock = Scenario.random(1), PacedClock(1.0)
    calendar_s = [0.0]
    with EmulatedBench(scenario, clock) as bench:
        config = demo_config(scenario, folder / "socket")
        service = msgspec.structs.replace(config.service, data_dir=str(folder))
        config = msgspec.structs.replace(config, service=service)
        wiring = bench_wiring(bench, config, clock)
        wiring.wall_s = lambda: time.time() + calendar_s[0]
        visit = new_visit(scenario, config, folder, wiring.wall_s)
        daemon = Daemon(config, wiring, visit=visit, recording=folder / "recording")
        await daemon.start()
        try:
            async with InstrumentClient(folder / "socket", clock) as client:
                hands = Hands(bench, daemon, folder / "socket", lambda _: None)
                await hands.begin(client)
                yield Chain(bench, daemon, client, hands, folder / "socket", calendar_s)
        finally:
            await daemon.close()
            visit.store.close()


# ---- faults of the chain --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """begin, so many bench seconds, end. off: the output has to go off; None: either is right."""

    name: str
    begin: Callable[[Chain], object]
    end: Callable[[Chain], object] = lambda _: None
    lasts_s: float = 2.0
    off: bool | None = True


def _set(what: str, value: object) -> Callable[[Chain], None]:
    """An attribute somewhere in the chain, by its path."""

    def act(c: Chain) -> None:
        target: object = c
        *path, name = what.split(".")
        for step in path:
            target = target[int(step)] if step.isdigit() else getattr(target, step)  # type: ignore[index]
        if not hasattr(target, name):
            raise AttributeError(what)
        setattr(target, name, value)

    return act


def _burst(c: Chain) -> None:
    c.bench.i2c.fail_next.extend([OSError(errno.EREMOTEIO, "Remote I/O error")] * 20)


def _stall(seconds: float) -> Callable[[Chain], object]:
    return lambda c: asyncio.get_running_loop().call_soon(time.sleep, seconds)


def _slow_card(c: Chain) -> None:
    """A card that is away for two seconds, with something to write before it."""
    c.daemon.clerk.put(lambda: time.sleep(2.0))
    c.client.send(m.Note(text="while the card is away"))


def _full(c: Chain) -> None:
    assert c.daemon.visit is not None
    store = c.daemon.visit.store
    (pages,) = store._db.execute("PRAGMA page_count").fetchone()
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    for n in range(100):
        c.daemon.event("info", "filler", f"{n} " + "x" * 500)


def _room(c: Chain) -> None:
    assert c.daemon.visit is not None
    c.daemon.visit.store._db.execute("PRAGMA max_page_count = 1000000")


async def _crowd(c: Chain) -> None:
    """50 who read, one who has stopped reading, one who floods; then off is asked for."""
    for n in range(52):
        reader, writer = await asyncio.open_unix_connection(c.socket, limit=1 << 24)
        writer.write(m.encode(m.Subscribe(protocol=m.PROTOCOL)))
        c.opened.append(writer)
        if n < 50:
            task = asyncio.create_task(_drink(reader))
            _DRINKERS.add(task)
    c.opened[-1].write(FLOOD)


FLOOD = b"".join(b'{"type":"ask","what":"plan","n":%d}\n' % n for n in range(60_000))
_DRINKERS: set[asyncio.Task[None]] = set()


async def _drink(reader: asyncio.StreamReader) -> None:
    while await reader.read(1 << 16):
        pass


async def _disperse(c: Chain) -> None:
    for writer in c.opened:
        writer.close()
    c.opened.clear()


FAULTS: tuple[Fault, ...] = (
    Fault("I2C: 20 transfers in a row fail", _burst, lasts_s=0.5, off=None),
    Fault("I2C data line stuck low, 2 s", _set("bench.i2c.stuck", "zeros"), _set("bench.i2c.stuck", None), off=None),
    Fault("I2C clock line stuck, 2 s", _set("bench.i2c.stuck", "timeout"), _set("bench.i2c.stuck", None)),
    Fault(
        "converter gone, 2 s",
        lambda c: c.bench.technician.unplug_adc(),
        lambda c: c.bench.technician.replug_adc(),
    ),
    Fault("converter loses its settings", lambda c: c.bench.technician.reset_chip(), off=None),
    Fault(
        "ready wire broken, 3 s", _set("bench._pulses.0.muted", True), _set("bench._pulses.0.muted", False), 3.0, None
    ),
    Fault(
        "board's cable pulled, 2 s",
        lambda c: c.bench.technician.unplug_source(),
        lambda c: c.bench.technician.replug_source(),
    ),
    Fault(
        "garbage on the cable (4 kB)", lambda c: c.cable(os.urandom(2000) + os.urandom(2000)), lasts_s=0.5, off=False
    ),
    Fault("half a frame on the cable", lambda c: c.cable(b"\x11\xc1\x07\x01\x02"), lasts_s=0.5, off=False),
    Fault(
        "a quarter of the frames spoilt (1 % of the bytes), 5 s",
        _set("bench.board.corrupt_fraction", 0.25),
        _set("bench.board.corrupt_fraction", 0.0),
        5.0,
        None,
    ),
    Fault("board deaf and dumb, 2 s", _set("bench.board.silent", True), _set("bench.board.silent", False)),
    Fault("board restarts by its watchdog", lambda c: c.bench.technician.restart_board()),
    Fault("daemon's loop stands still, 0.2 s", _stall(0.2), lasts_s=1.0, off=None),
    Fault("daemon's loop stands still, 1 s", _stall(1.0), lasts_s=2.0, off=None),
    Fault("daemon's loop stands still, 5 s", _stall(5.0), lasts_s=6.0),
    Fault("card away for 2 s", _slow_card, lasts_s=2.5, off=False),
    Fault("disk full, 2 s", _full, _room, off=False),
    Fault(
        "calendar set back by 2 h",
        lambda c: c.calendar_s.__setitem__(0, -7200.0),
        lambda c: c.calendar_s.__setitem__(0, 0.0),
        off=False,
    ),
    Fault("50 clients that read, one that does not, one that floods", _crowd, _disperse, 1.0, False),
)


@dataclass(frozen=True)
class Row:
    name: str
    happened: str
    well: str
    hand: str
    good: bool


async def measure(fault: Fault, c: Chain) -> Row:
    await c.energise()
    count = len(c.client.events)
    begin_s = c.now()
    await _act(fault.begin, c)
    off_s = await c.until(lambda: not c.board.energised, fault.lasts_s)
    await c.until(lambda: c.now() - begin_s >= fault.lasts_s)
    asked_s = None
    if fault.end is _disperse:
        # The crowd is still there: off is asked for by the client that has been there before.
        asked_s = await _asked_off(c)
    await _act(fault.end, c)
    end_s = c.now()
    well_s = await c.until(lambda: _well(c, end_s))
    trip = c.client.state.interlock.trip if c.client.state is not None else None
    said = next((e for e in c.client.events[count:] if e.severity != "info"), None)
    words = trip.cause if trip is not None else said.text if said is not None else "Nothing to tell."
    words = words.replace(f"{c.socket.parent}/", "")
    happened = "output stays on" if off_s is None else f"output off after {off_s * 1e3:.0f} ms"
    if asked_s is not None:
        happened, off_s = f"{happened}; `source_off` obeyed after {asked_s * 1e3:.0f} ms", None
    good = well_s is not None and well_s <= WELL_WITHIN_S and (fault.off is None or fault.off == (off_s is not None))
    good = good and (asked_s is None or asked_s <= OFF_WITHIN_S)
    hand = "nothing" if off_s is None else trip.remedy if trip is not None else "hold the enable again"
    return Row(fault.name, f"{happened}. {words}", "never" if well_s is None else f"{well_s:.2f} s", hand, good)


async def _act(what: Callable[[Chain], object], c: Chain) -> None:
    result = what(c)
    if asyncio.iscoroutine(result):
        await result


async def _asked_off(c: Chain) -> float:
    # The flood is under way again when off is asked for.
    c.opened[-1].write(FLOOD)
    await asyncio.sleep(0)
    begin_s = c.now()
    c.client.send(m.SourceOff())
    passed_s = await c.until(lambda: not c.board.energised)
    return (passed_s or 0.0) if passed_s is not None else c.now() - begin_s


def _well(c: Chain, since_s: float) -> bool:
    """Said since then: board and converter are well; with the source on, a reading has come."""
    state, reading = c.client.state, c.client.reading
    if state is None or state.t_s <= since_s or not (holds(c.client, "link") and holds(c.client, "receiver")):
        return False
    return not state.source.energised or (reading is not None and reading.t_s > since_s)


async def chain_rows(only: str, known: set[str]) -> AsyncIterator[Row]:
    """Each on a chain of its own: what one has hurt is no other's matter."""
    for fault in FAULTS:
        if only.lower() not in fault.name.lower() or fault.name in known:
            continue
        with tempfile.TemporaryDirectory(prefix="earthward-") as folder:
            try:
                async with chain(Path(folder)) as c:
                    yield await measure(fault, c)
            except VisitError as error:
                yield Row(fault.name, f"not measured: {error}", "-", "-", False)


# ---- the other kinds ------------------------------------------------------------------------------------------------


def output_rows(only: str) -> list[Row]:
    rows = []
    for case in bench_faults.CASES:
        if only.lower() not in case.name.lower():
            continue
        try:
            result = bench_faults.measure(case)
        except bench_faults.NotReady as error:
            rows.append(Row(case.name, f"not measured: {error}"[:200], "-", "-", False))
            continue
        off = "output NOT off" if result.off_s is None else f"output off after {result.off_s * 1e3:.0f} ms"
        happened = f"{off} (stated: {case.within_s * 1e3:.0f} ms), by the {case.by}"
        hand = "reset at the board, hold the enable again" if case.state == "tripped" else "hold the enable again"
        rows.append(Row(case.name, happened, "-", hand, result.held))
    return rows


def file_rows(only: str, kills: int) -> list[Row]:
    name = f"daemon's writer killed (SIGKILL) {kills} times"
    if only.lower() not in name.lower():
        return []
    with tempfile.TemporaryDirectory() as folder:
        try:
            kept = kill_rounds(Path(folder), kills, seed=3)
        except AssertionError as error:
            return [Row(name, f"survey not whole: {error}", "-", "-", False)]
    return [Row(name, f"{kept} readings acknowledged, none missing, none doubled", "-", "nothing", True)]


def as_table(rows: list[Row]) -> str:
    lines = ["| fault | what happened | well again after | a hand must |", "|---|---|---|---|"]
    for row in rows:
        mark = "" if row.good else "**NOT AS STATED** "
        lines.append(f"| {row.name} | {mark}{row.happened} | {row.well} | {row.hand} |")
    return "\n".join(lines) + "\n"


async def run(args: argparse.Namespace) -> list[Row]:
    rows: list[Row] = []

    def add(row: Row) -> None:
        rows.append(row)
        print(f"{'ok ' if row.good else 'NOT'} {row.name}: {row.happened} [{row.well}; hand: {row.hand}]", flush=True)

    if args.from_rows:
        for line in args.from_rows.read_bytes().splitlines():
            add(msgspec.json.decode(line, type=Row))
    async for row in chain_rows(args.only, {row.name for row in rows}):
        add(row)
        if args.rows:
            with args.rows.open("ab") as file:
                file.write(msgspec.json.encode(row) + b"\n")
    for row in file_rows(args.only, 10 if args.quick else 100):
        add(row)
    if not args.quick:
        for row in await asyncio.to_thread(output_rows, args.only):
            add(row)
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", default="", metavar="WORD")
    parser.add_argument("--quick", action="store_true", help="without the faults in real time")
    parser.add_argument("--rows", type=Path, metavar="FILE", help="add the chain's rows to a file, line by line")
    parser.add_argument(
        "--from-rows", type=Path, metavar="FILE", help="take the chain's rows from it, measure the rest"
    )
    parser.add_argument("--write", type=Path, metavar="PAGE", help="put the table into the page")
    args = parser.parse_args()
    sys.setswitchinterval(0.0005)
    rows = asyncio.run(run(args))
    if args.write:
        args.write.write_text(re.sub(r"(?s)\| fault \|.*", "", args.write.read_text()) + as_table(rows))
    bad = sum(not row.good for row in rows)
    print(f"{len(rows)} faults, {bad} not as stated")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
