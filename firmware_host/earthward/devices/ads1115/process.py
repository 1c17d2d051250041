"""The reader in a process of its own, where nobody else asks for the interpreter.

In the daemon's own process the reading thread waits for the interpreter's lock behind detection, service and
supervision, and a conversion that is not fetched within 1.2 ms is gone. Here the driver, the ready line and the reader
have an interpreter to themselves; blocks and the status come over a pipe, some ten parcels a second; back goes only
where blocks are to end.

The monotonic clock is one for all processes of a machine, so times need no translation.
"""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import queue
import select
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection

from msgspec import structs

from earthward.clock import Clock, SystemClock
from earthward.devices.ads1115.acquisition import Ready
from earthward.devices.ads1115.chip import AdcSettings, Bus
from earthward.devices.ads1115.reader import RETRY_S, STALL_S, AdcReader
from earthward.devices.ads1115.status import AdcStatus
from earthward.errors import InputError
from earthward.signal.types import BlockGrid, SampleBlock

log = logging.getLogger(__name__)

STATUS_S = 0.1
#: blocks that wait for a daemon which does not take them (10 s); then the oldest go
WAITING_BLOCKS = 250
END_S = 2.0
#: how long the process goes on reading after it was asked to end by a signal
GRACE_S = 2.0


@dataclass
class Parts:
    """What the reading process opens for itself."""

    bus: Bus
    ready: Ready | None = None
    close: Callable[[], None] = lambda: None
    quick: Callable[[int], Callable[[], bytes]] | None = None
    """See `Chip`."""


@dataclass(frozen=True)
class _CannotOpen:
    """The process's last word: why there is nothing to read."""

    text: str


#: Opens the parts in the reading process: a module's function or a dataclass, because it is pickled. Raises InputError.
OpenParts = Callable[[Clock], Parts]


class ReaderProcess:
    """Stands where `AdcReader` stands: same blocks, same status.

    Args:
        open_parts: opens bus and ready line in the process.
        clock: the machine's own (`SystemClock`): an emulated bench's time is not known to another process.
        settings: wiring and use.
        on_block: called in this object's thread for each block; it must be quick.
    """

    def __init__(
        self,
        open_parts: OpenParts,
        clock: Clock,
        settings: AdcSettings,
        *,
        on_block: Callable[[SampleBlock], None],
    ) -> None:
        self._open_parts = open_parts
        self._clock = clock
        self._settings = settings
        self._on_block = on_block
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._connection: Connection | None = None
        self._grid: BlockGrid | None = None
        self.pid: int | None = None
        self._told = AdcStatus(ok=False, text="The converter is being set up.", starting=True)
        self._told_s = clock.now()
        self._ends = 0
        self._why: str | None = None
        """Why the present process cannot read, in its own words."""
        self._newest: dict[int, tuple[int, float]] = {}
        """Channel -> (index, time) of its newest sample."""
        self._offset = 0
        self._renumber = False

    def start(self) -> None:
        if self._thread is None:
            self._stop.clear()
            name = f"adc-{self._settings.address:#x}-process"
            self._thread = threading.Thread(target=self._run, name=name, daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=END_S + 1.0)
            self._thread = None

    def end_blocks(self, grid: BlockGrid) -> None:
        """See `AdcReader`. From any thread but this object's own."""
        self._grid = grid
        self._tell_grid()

    def _tell_grid(self) -> None:
        connection, grid = self._connection, self._grid
        if connection is not None and grid is not None:
            # A process that has ended is told again when there is a new one.
            with contextlib.suppress(OSError):
                connection.send(replace(grid, first=grid.first - self._offset))

    @property
    def status(self) -> AdcStatus:
        """The process's last word, aged."""
        told, since_s = self._told, self._clock.now() - self._told_s
        age_s = None if told.last_sample_age_s is None else told.last_sample_age_s + since_s
        status = structs.replace(told, last_sample_age_s=age_s, restarts=told.restarts + self._ends)
        if since_s > STALL_S + STATUS_S and told.ok:
            text = f"No word from the process that reads the converter for {since_s:.1f} s: the computer is overloaded."
            status = structs.replace(status, ok=False, stalled=True, text=text)
        return status

    # ---- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        context = multiprocessing.get_context("spawn")
        while not self._stop.is_set():
            ours, theirs = context.Pipe()
            arguments = (theirs, self._open_parts, self._settings)
            process = context.Process(target=_serve, args=arguments, name="earthward-reader", daemon=True)
            process.start()
            theirs.close()
            self.pid, self._connection = process.pid, ours
            self._why = None
            try:
                self._listen(ours)
            finally:
                self._connection = None
                ours.close()  # its end of the pipe tells the process to stop
                process.join(END_S)
                if process.is_alive():
                    # A read hangs inside the kernel; there is nothing to be saved in there.
                    process.kill()
                    process.join(END_S)
            if not self._stop.is_set():
                self._ended()
                self._stop.wait(RETRY_S)

    def _listen(self, connection: Connection) -> None:
        readable = _poll(connection)
        with contextlib.suppress(EOFError, OSError):
            while not self._stop.is_set():
                if readable.poll(STATUS_S * 1e3):
                    for what in connection.recv():
                        self._take(what)

    def _take(self, what: SampleBlock | AdcStatus | _CannotOpen) -> None:
        if isinstance(what, _CannotOpen):
            self._why = what.text
            return
        if isinstance(what, AdcStatus):
            self._told, self._told_s = what, self._clock.now()
            return
        if self._renumber:
            # A new process counts from 0: its numbers go on by the time that passed.
            self._renumber = False
            index, at_s = max(self._newest.values())
            passed = max(1, round((float(what.t_s[0]) - at_s) * self._settings.channel_rate_Hz))
            self._offset = index + passed - int(what.index[0])
            self._tell_grid()
        block = replace(what, index=what.index + self._offset) if self._offset else what
        self._newest[block.channel] = int(block.index[-1]), float(block.t_s[-1])
        try:
            self._on_block(block)
        except Exception:
            # The blocks to come are wanted all the same.
            log.exception("what takes the samples failed")

    def _ended(self) -> None:
        """The process is gone: say so."""
        self._ends += 1
        text = self._why or "The process that reads the converter ended by itself: it is started again."
        if text != self._told.text:
            log.warning("%s", text)
        self._told = structs.replace(self._told, ok=False, stalled=True, starting=False, text=text)
        self._told_s = self._clock.now()
        self._renumber = bool(self._newest)


# ---- in the process -------------------------------------------------------------------------------------------


def _poll(connection: Connection) -> select.poll:
    """One for the life of a pipe: `Connection.poll` makes a selector at every call, forty times a second."""
    poll = select.poll()
    poll.register(connection.fileno(), select.POLLIN)
    return poll


class _Outbox:
    """Takes blocks from the reading thread without ever making it wait."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[SampleBlock] = queue.SimpleQueue()

    def put(self, block: SampleBlock) -> None:
        if self._queue.qsize() >= WAITING_BLOCKS:
            with contextlib.suppress(queue.Empty):
                self._queue.get_nowait()  # the gap shows in the index
        self._queue.put(block)

    def get(self, timeout_s: float) -> SampleBlock | None:
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None


class _Leave:
    """The terminal's interrupt and the service manager's request to end go to every process at once. The daemon says
    when reading ends, by closing the pipe: it takes its output off first. It is given some seconds for that."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.at_s = float("inf")
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, self._asked)

    def _asked(self, number: int, frame: object) -> None:
        self.at_s = min(self.at_s, self._clock.now() + GRACE_S)


def _serve(connection: Connection, open_parts: OpenParts, settings: AdcSettings) -> None:
    """The process: read until the other end of the pipe is closed."""
    clock = SystemClock()
    leave = _Leave(clock)
    with contextlib.suppress(BrokenPipeError, EOFError, ConnectionResetError):
        try:
            parts = open_parts(clock)
        except InputError as error:
            connection.send([_CannotOpen(str(error))])
            return
        outbox = _Outbox()
        try:
            with AdcReader(parts.bus, clock, settings, parts.ready, on_block=outbox.put, quick=parts.quick) as reader:
                _send_until_closed(connection, reader, outbox, clock, leave)
        finally:
            parts.close()


def _send_until_closed(connection: Connection, reader: AdcReader, outbox: _Outbox, clock: Clock, leave: _Leave) -> None:
    told_s, readable = -1e9, _poll(connection)
    while clock.now() < leave.at_s:
        if readable.poll(0):
            reader.end_blocks(connection.recv())  # EOFError: closed, which is how we are told to stop
        block, now_s = outbox.get(STATUS_S), clock.now()
        parcel: list[SampleBlock | AdcStatus] = [] if block is None else [block]
        # With a block whose turn it nearly is: a parcel more wakes two processes.
        if now_s - told_s >= (STATUS_S if block is None else STATUS_S / 2):
            told_s = now_s
            parcel.append(reader.status)
        if parcel:
            connection.send(parcel)
