"""EMULATED source board: the byte protocol of docs/protocol.md on a pseudo-terminal, in plain Python.

The program is `board_logic`'s; here are the cable, wire time at the real baud rate, the thread, and faults of the
cable: `unplug`, `replug`, `restart`, `silent`, `corrupt_fraction`, `stall_fraction`.
"""

from __future__ import annotations

import errno
import math
import os
import select
import threading
from collections.abc import Callable

from earthward.clock import Brake, Clock, PacedClock
from earthward.devices.protocol import (
    BAUD,
    Electrode,
    EventBody,
    EventCode,
    Frame,
    FrameReader,
    ResetCause,
    Type,
)
from earthward.emulated.board_logic import DEADMAN_S, BoardLogic
from earthward.emulated.load import Drive, Load
from earthward.emulated.plug import HeartbeatWait, PluggedBoard

TELEMETRY_S = 0.1
#: how far paced bench time may run ahead of the board
PACE_S = 0.03
#: how long, in real seconds, a late heartbeat is waited for
PATIENCE_S = 1.5
BOOT_S = 0.065


class EmulatedBoard(PluggedBoard, BoardLogic):
    """See the module's text. Context manager; `port` is the link name to open with pyserial.

    Args:
        clock: the bench's clock (host time). The board's own clock is derived from it.
        load: what the output is connected to.
        rate_error: of the board's clock against the host's.
        seed: for noise of measurements and faults.
        path: link name to create; default: a name in a temporary folder.
        latency_s: mean of the exponential latency of each direction besides wire time.
    """

    def __init__(
        self,
        clock: Clock,
        load: Load,
        *,
        rate_error: float = 0.003,
        wander: float = 10e-6,
        seed: int = 0,
        path: str | None = None,
        drive: Drive | None = None,
        latency_s: float = 0.1e-3,
        max_current_A: float = 0.012,
    ) -> None:
        PluggedBoard.__init__(self, path)
        self._boot_due_s: float | None = None
        self._latency_s = latency_s
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_w, False)
        self.silent = False
        """The board neither listens nor speaks, but its state machine runs on."""
        self.corrupt_fraction = 0.0
        """Share of outgoing frames with one byte spoilt."""
        self.stall_fraction = 0.0
        self.stall_s = (0.02, 0.08)
        """Share of heartbeat answers held up, on the way in or out, by a time between these."""
        self.accepted_frames = 0
        BoardLogic.__init__(
            self,
            clock,
            load,
            rate_error=rate_error,
            wander=wander,
            seed=seed,
            drive=drive,
            max_current_A=max_current_A,
        )

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is None:
            self.replug()
            self._stop.clear()
            self._thread = threading.Thread(target=self._run, name="emulated-board", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._end_thread()
        for fd in (self._wake_r, self._wake_w):
            if fd >= 0:
                os.close(fd)
        self._wake_r = self._wake_w = -1

    # ---- hands on the board -------------------------------------------------------------------------------

    def set_emergency_stop(self, closed: bool) -> None:
        with self._lock:
            super().set_emergency_stop(closed)
        self._poke()

    def set_enable(self, held: bool) -> None:
        with self._lock:
            super().set_enable(held)
        self._poke()

    def press_reset(self) -> bool:
        """Press and let go of the board's button. True if it cleared a trip (or there was none)."""
        with self._lock:
            return super().press_reset()

    def restart(self, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        """The board restarts: output off, ticks from 0, one BOOT frame after its boot time."""
        with self._lock:
            self._begin(cause)
            self.timeline.add(self._segment(self._clock.now(), on=False))
            self._boot_due_s = self._clock.now() + BOOT_S
        self._poke()

    def step(self) -> None:
        """One turn of the board without its thread: what is due at the clock's present time, and bytes that came.

        For tests that move a `ManualClock` by hand; never together with `start`.
        """
        with self._lock:
            self._turn(self._clock.now())
            if self._master >= 0:
                self._receive(self._master)
                self._turn(self._clock.now())

    @property
    def booting(self) -> bool:
        return self._boot_due_s is not None

    def _begin(self, cause: ResetCause) -> None:
        super()._begin(cause)
        now = self._clock.now()
        self.on_sync: Callable[[float], None] | None = None
        """The sync wire: told of each period start (host time), from the board's thread."""
        self._synced_cycle = -1
        self._heartbeat_wait = HeartbeatWait(PACE_S, DEADMAN_S, PATIENCE_S)
        self._seq = 0
        self._telemetry_due_s = now + BOOT_S + TELEMETRY_S
        self._boot_due_s = now
        self._outbox: list[tuple[float, bytes]] = []
        self._reader = FrameReader()

    # ---- the wire -----------------------------------------------------------------------------------------

    def _next_seq(self) -> int:
        self._seq = (self._seq + 1) & 0xFF
        return self._seq

    def _send_event(self, event: EventCode, tick: float | None = None) -> None:
        now = self._clock.now()
        at = self.clock.ticks(now) if tick is None else tick
        body = EventBody(event, self.state, self.trip, Electrode[self._electrode], round(at))
        self._queue(Frame(Type.EVENT, self._next_seq(), body.pack()), now)

    def _queue(self, frame: Frame, ready_s: float) -> None:
        """Into the transmitter: on the host's side when the last byte has left the wire."""
        data = frame.encode()
        if self.corrupt_fraction and self._random.random() < self.corrupt_fraction:
            spoilt = bytearray(data)
            spoilt[self._random.randrange(len(spoilt) - 1)] ^= self._random.randrange(1, 256)
            data = bytes(spoilt)
        start = max(ready_s, self._outbox[-1][0] if self._outbox else ready_s)
        due = start + len(data) * 10 / BAUD + self._random.expovariate(1.0) * self._latency_s
        self._outbox.append((due, data))

    def _poke(self) -> None:
        if self._wake_w >= 0:
            try:
                os.write(self._wake_w, b"x")
            except BlockingIOError:
                return  # it has been poked already

    def _run(self) -> None:
        brake = self._clock.brake() if isinstance(self._clock, PacedClock) else None
        try:
            while not self._stop.is_set():
                self._once(brake)
        finally:
            if brake is not None:
                brake.release()

    def _once(self, brake: Brake | None) -> None:
        """One turn, and the wait for the next. A paced bench waits for the board, so its dead-man judges no stall."""
        with self._lock:
            now = self._clock.now()
            if brake is not None:
                brake.hold(self._may_run_to(now))
            self._turn(now)
            due = min(self._telemetry_due_s, self._next_sync_s(now))
            if self._outbox:
                due = min(due, self._outbox[0][0])
            if self._boot_due_s is not None:
                due = min(due, self._boot_due_s)
            if self.live:
                # dead-man to the tenth of a millisecond; output looked at every half cycle or so
                due = min(due, self._heartbeat_s + DEADMAN_S + 1e-4, now + 0.015)
            master = self._master
        wait = max(0.0, due - self._clock.now()) / self._clock.speed
        fds = [self._wake_r] if master < 0 else [self._wake_r, master]
        try:
            longest = 0.1 if brake is None else 0.5 * PACE_S / self._clock.speed
            ready, _, _ = select.select(fds, [], [], min(wait, longest))
        except (OSError, ValueError) as error:
            if isinstance(error, OSError) and error.errno not in (errno.EBADF, errno.EIO):
                raise
            return  # unplugged while waiting: take the new descriptors
        if self._wake_r in ready:
            os.read(self._wake_r, 4096)
        if master >= 0 and master in ready:
            self._receive(master)

    def _turn(self, now: float) -> None:
        if self._boot_due_s is not None and now >= self._boot_due_s:
            self._boot_due_s = None
            self._queue(Frame(Type.BOOT, self._next_seq(), self.identity.pack()), now)
        self._supervise(now)
        self._raise_sync(now)
        if self._switch_event is not None and now >= self._switch_event[0]:
            tick = self._switch_event[1]
            self._switch_event = None
            self._send_event(EventCode.ELECTRODE_SWITCHED, tick)
        if self._boot_due_s is None and now >= self._telemetry_due_s:
            if not self.energised:
                self._idle = self.load.idle(self._electrode, now)
            self._telemetry_due_s = max(self._telemetry_due_s + TELEMETRY_S, now)
            self.bad_frames = self._reader.errors
            self._queue(Frame(Type.TELEMETRY, self._next_seq(), self._report(now)), now)
        while self._outbox and self._outbox[0][0] <= now:
            _, data = self._outbox.pop(0)
            if self._master < 0 or self.silent:
                continue
            try:
                os.write(self._master, data)
            except BlockingIOError:
                continue  # nobody reads: a real transmitter does not wait either
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EBADF):
                    raise

    def _may_run_to(self, now: float) -> float:
        """How far a paced bench's time may go until this board is looked at again."""
        assert isinstance(self._clock, PacedClock)
        live = self.live and self._master >= 0
        return self._heartbeat_wait.until_s(now, self._heartbeat_s, live, self._clock)

    def _raise_sync(self, now: float) -> None:
        if self.on_sync is None or not self.energised:
            return
        cycles, tick = self._cycles(now)
        if cycles != self._synced_cycle and tick >= self._first_tick and self.clock.host_s(tick) <= now:
            self._synced_cycle = cycles
            self.on_sync(self.clock.host_s(tick))

    def _next_sync_s(self, now: float) -> float:
        if self.on_sync is None or not self.energised:
            return math.inf
        _, tick = self._cycles(now)
        start_s = self.clock.host_s(tick)
        return start_s if start_s > now else self.clock.host_s(tick + self._configuration.period_ticks)

    def _receive(self, master: int) -> None:
        with self._lock:
            if master != self._master:
                return
            try:
                data = os.read(master, 4096)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno in (errno.EIO, errno.EBADF):
                    return
                raise
            # Bytes sent while the board boots or hangs are lost, as on the real one.
            if self.silent or self._boot_due_s is not None:
                return
            now = self._clock.now()
            for frame in self._reader.feed(data):
                self.accepted_frames += 1
                received = now + (len(frame.body) + 9) * 10 / BAUD + self._random.expovariate(1.0) * self._latency_s
                hold = 0.0
                if frame.type == Type.HEARTBEAT and self.stall_fraction and self._random.random() < self.stall_fraction:
                    hold = self._random.uniform(*self.stall_s)
                    if self._random.random() < 0.5:
                        received, hold = received + hold, 0.0
                self.bad_frames = self._reader.errors
                self._queue(self._answer(frame, received), received + hold)
