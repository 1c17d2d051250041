"""EMULATED source board that runs the real firmware: its .hex on a virtual ATmega328P behind a pseudo-terminal.

Stands where `EmulatedBoard` stands (same hands, same port, same timeline), but the state machine, the protocol and
every edge of the output come from the firmware's own instructions. The chip is paced to the bench clock: its cycle
count is a function of bench time, wrong by `rate_error` like a real resonator, and bytes reach it at the moment they
were written. What flows in the water is the `Load`'s; what the output does is read from the virtual pins.
"""

from __future__ import annotations

import array
import contextlib
import errno
import fcntl
import math
import os
import select
import termios
import threading
from dataclasses import dataclass

from earthward.clock import Clock, PacedClock
from earthward.devices.protocol import (
    REPLY,
    Configuration,
    Frame,
    FrameReader,
    Identity,
    ResetCause,
    Type,
    unpack_report,
)
from earthward.emulated.board_logic import DEADMAN_S
from earthward.emulated.load import Drive, Load
from earthward.emulated.output import BoardClock, OutputSegment, OutputTimeline
from earthward.emulated.plug import HeartbeatWait, PluggedBoard
from earthward.emulated.virtual_mcu import (
    BRIDGE,
    CYCLES_PER_TICK,
    DRIVE_POSITIVE,
    ELECTRODE_A,
    ELECTRODE_B,
    ENABLE_HELD,
    HZ,
    RESET_BUTTON,
    STOP_CLOSED,
    Build,
    Edge,
    VirtualMcu,
    find_build,
)
from earthward.record.board import BoardReport, BoardState
from earthward.record.waveform import BY_CODE, WAVEFORMS, WaveformName
from earthward.signal.types import FloatArray

TICK_HZ = HZ // CYCLES_PER_TICK
#: The chip is brought up to date at least this often (bench time).
SLICE_S = 0.5e-3
#: ... and this often while bytes pass, so that an answer is not late by a slice.
TALKING_SLICE_S = 0.1e-3
TALKING_S = 4e-3
#: Bench time may run ahead of the chip by no more than this where the clock can be held: what a request may be late
#: by, and so what the clock map may be wrong by (a chip of the code lasts 2.8 ms).
PACE_S = 1e-3
#: Real seconds that such a clock waits for the host to read an answer ...
PATIENCE_S = 0.25
#: ... and for its heartbeat, when that is late; then there is a fault, and the dead-man shall see it.
LATE_S = 5.0
LOAD_EVERY_S = 0.05
#: A machine that slept longer than this is not caught up with: the board's clock jumps, as after a real stall.
LONGEST_BURST_S = 0.5
# hardware/source_board/firmware/waveform.c, engine.c
DEAD_TICKS = 120
SINE_SLOTS = 32
SINE_DEPTH = 0.8
SINE_FIRST_WIDTH = 20 / 256
MIN_PULSE_TICKS = 120


@dataclass(frozen=True, slots=True)
class PulsedSegment(OutputSegment):
    """Like the emulated board's, with the sine's amplitude as the firmware's pulse widths make it.

    The 60 us of dead time at each change of polarity are left out of the mean (under 1 % at 36 Hz).
    """

    def mean_over(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        # slots and zero-argument super() do not go together in Python 3.11
        mean = OutputSegment.mean_over(self, start_s, end_s)
        return SINE_DEPTH * mean if WAVEFORMS[self.waveform].levels is None else mean


def first_edge_tick(waveform: WaveformName, period_ticks: int) -> int:
    """Ticks from a period's start to its first rising edge."""
    if WAVEFORMS[waveform].levels is not None:
        return DEAD_TICKS // 2
    slot = period_ticks // SINE_SLOTS
    return (slot - max(MIN_PULSE_TICKS, int(slot * SINE_FIRST_WIDTH))) // 2


class FirmwareBoard(PluggedBoard):
    """See the module's text. Context manager; `port` is the link name to open with pyserial.

    Args:
        clock: the bench's clock (host time).
        load: what the output is connected to.
        build: firmware and virtual chip; default, what `make -C hardware/source_board` left.
        rate_error: of the chip's clock against the host's.
        path: link name to create; default: a name in a temporary folder.

    Raises:
        InputError: firmware or virtual chip are not built.
    """

    def __init__(
        self,
        clock: Clock,
        load: Load,
        *,
        build: Build | None = None,
        rate_error: float = 0.003,
        path: str | None = None,
        drive: Drive | None = None,
    ) -> None:
        super().__init__(path)
        self._clock = clock
        self.load = load
        self.drive = drive or Drive()
        self._rate_error = rate_error
        self._mcu = VirtualMcu(build or find_build())
        self._snoop = FrameReader()
        self.telemetry: BoardReport | None = None
        """The last one the firmware sent, whether or not anybody read it."""
        self.identity: Identity | None = None
        self._configuration = Configuration(WAVEFORMS["coded"].code, 0, TICK_HZ // 36, 1)
        self._awaiting_first_edge = False
        self._answered = False
        self._heartbeat_s = -math.inf
        self._heartbeat_wait = HeartbeatWait(PACE_S, DEADMAN_S, LATE_S)
        self._patience_s = PATIENCE_S
        self._electrode = "A"
        self._load_due_s = -math.inf
        self._talking_until_s = -math.inf
        self.late_s = 0.0
        """Longest that the chip was behind the bench clock."""
        self.acted_s: float | None = None
        """Bench time at which the last hand on a contact, or fault of the chip, took effect."""
        self.stalls = 0
        """How often it was so far behind that it was not brought up again: then its time stood still meanwhile."""
        self.emergency_stop_closed = True
        self.enable_held = False
        self.battery_V = 12.4
        self.temperature_C = 31.0
        self.current_error_A = 0.0
        """A current past the commanded one, also while off."""
        self._set_origin()
        self.timeline = OutputTimeline(self._segment(self._clock.now(), on=False))

    # ---- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is None:
            self.replug()
            self._set_origin()
            self._stop.clear()
            self._thread = threading.Thread(target=self._run, name="firmware-board", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._end_thread()
        self._mcu.close()

    # ---- hands on the board -------------------------------------------------------------------------------

    def set_emergency_stop(self, closed: bool) -> None:
        with self._lock:
            self.acted_s = self._catch_up()
            self.emergency_stop_closed = closed
            self._mcu.set_input(STOP_CLOSED, closed)

    def set_enable(self, held: bool) -> None:
        with self._lock:
            self.acted_s = self._catch_up()
            self.enable_held = held
            self._mcu.set_input(ENABLE_HELD, held)

    def press_reset(self) -> bool:
        """Press the board's button and let go (0.2 s of bench time). True if nothing is tripped afterwards."""
        self._clock.sleep(0.05)
        with self._lock:
            self._catch_up()
            self._mcu.set_input(RESET_BUTTON, False)
        self._clock.sleep(0.05)
        with self._lock:
            self._catch_up()
            self._mcu.set_input(RESET_BUTTON, True)
            before = self.telemetry
        waited = 0.0
        while self.telemetry is before and waited < 1.0:
            self._clock.sleep(0.02)
            waited += 0.02
        return self.telemetry is not None and self.telemetry.state != BoardState.TRIPPED

    def restart(self, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        """The chip is reset for that cause."""
        with self._lock:
            self.acted_s = self._catch_up()
            self._mcu.reset(int(cause))

    def hang(self, *, interrupts_live: bool = True) -> None:
        """The firmware's main loop stops (with interrupts off: everything stops): only the watchdog helps."""
        with self._lock:
            self.acted_s = self._catch_up()
            self._mcu.hang(interrupts_live=interrupts_live)

    @property
    def energised(self) -> bool:
        """Whether the bridge supply is switched on, at the pin."""
        with self._lock:
            return bool(self._mcu.output(BRIDGE))

    # ---- time ---------------------------------------------------------------------------------------------

    def _set_origin(self) -> None:
        """From now on the chip's cycles are counted from this moment of the bench."""
        self._start_s = self._clock.now()
        self._start_cycle = self._mcu.cycle
        self._new_board_clock()

    def _new_board_clock(self) -> None:
        # Board ticks are cycles / 8 from the chip's (virtual) power-up; a reset starts the firmware's own count
        # again but not ours, and the segments below only use ours.
        rate = HZ * (1 + self._rate_error)
        self.clock = BoardClock(TICK_HZ, self._rate_error, self._start_s - self._start_cycle / rate, wander=0.0)

    def _due_cycle(self, now_s: float) -> int:
        return self._start_cycle + round((now_s - self._start_s) * HZ * (1 + self._rate_error))

    # ---- what the pins say --------------------------------------------------------------------------------

    def _segment(self, from_s: float, *, on: bool, origin_tick: float = 0.0) -> PulsedSegment:
        c = self._configuration
        waveform = BY_CODE[c.waveform].name
        return PulsedSegment(from_s, on, self._electrode, waveform, origin_tick, c.period_ticks, self.clock)

    def _follow(self, edges: list[Edge]) -> None:
        for edge in edges:
            tick = edge.cycle / CYCLES_PER_TICK
            if edge.pin == BRIDGE and not edge.value:
                self.timeline.add(self._segment(self.clock.host_s(tick), on=False))
                self._awaiting_first_edge = False
            elif edge.pin in (ELECTRODE_A, ELECTRODE_B):
                if edge.value:
                    self._electrode = "A" if edge.pin == ELECTRODE_A else "B"
                    self._awaiting_first_edge = True
                else:
                    self.timeline.add(self._segment(self.clock.host_s(tick), on=False))
            elif edge.pin == DRIVE_POSITIVE and edge.value and self._awaiting_first_edge:
                self._awaiting_first_edge = False
                waveform = BY_CODE[self._configuration.waveform].name
                origin = tick - first_edge_tick(waveform, self._configuration.period_ticks)
                self.timeline.add(self._segment(self.clock.host_s(origin), on=True, origin_tick=origin))

    def _listen(self, frame: Frame) -> None:
        """What passes on the wire tells the waveform and the state; nothing is done about it."""
        if frame.type == Type.HEARTBEAT | REPLY:
            self._heartbeat_s = self._clock.now()
        elif frame.type == Type.CONFIGURE | REPLY:
            self._configuration = Configuration.unpack(frame.body)
            self.drive.ask(self._configuration.current_limit_uA)
        elif frame.type in (Type.HELLO | REPLY, Type.BOOT):
            self.identity = Identity.unpack(frame.body)
        elif frame.type in (Type.TELEMETRY, Type.STATUS | REPLY, Type.OFF | REPLY, Type.ENERGISE | REPLY):
            self.telemetry = unpack_report(frame.body, self._clock.now())

    def _apply_load(self, now_s: float) -> None:
        with self._mcu.world() as world:
            world.bridge_V, world.series_ohm = self.drive.full_V, self.drive.series_ohm
            world.battery_V, world.temperature_C = self.battery_V, self.temperature_C
            world.extra_current_A = self.current_error_A
            for k, name in enumerate("AB"):
                flow = self.load.inject(self.drive, name)
                world.load_ohm[k] = flow.voltage_V / flow.current_A if flow.current_A > 0 else math.inf
            dc, ac = self.load.idle(self._electrode, now_s)
            world.stray_dc_V, world.stray_ac_V = dc, ac * math.sqrt(2)

    # ---- the thread ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        paced = self._clock if isinstance(self._clock, PacedClock) else None
        brake = None if paced is None else paced.brake()
        out = b""
        try:
            while not self._stop.is_set():
                with self._lock:
                    now, out = self._turn(out)
                    master = self._master
                if paced is not None and brake is not None:
                    if self._answered:
                        # A host that is slow to wake must not stamp the answer late: time waits until it has read.
                        brake.hold(now)
                        self._wait_for_reader(paced)
                    brake.hold(self._may_run_to(now, paced))
                wait = (TALKING_SLICE_S if now < self._talking_until_s else SLICE_S) / self._clock.speed
                try:
                    select.select([master] if master >= 0 else [], [], [], wait)
                except (OSError, ValueError) as error:
                    if isinstance(error, OSError) and error.errno not in (errno.EBADF, errno.EIO):
                        raise
                    # unplugged while waiting: the next turn takes the new descriptor
        finally:
            if brake is not None:
                brake.release()

    def _turn(self, out: bytes) -> tuple[float, bytes]:
        """Take the bytes that have come, bring the chip up to now, hand them over, pass on what it says.

        Bytes are taken *before* the time is looked at: so they reach the chip after they were written, never before.

        Returns:
            the bench time up to which the chip has run, and bytes from the chip that still wait to go.
        """
        came = self._read()
        now = self._catch_up()
        if came:
            self._talking_until_s = now + TALKING_S
            with contextlib.suppress(BufferError):  # a flood: the line cannot carry it, as a real one could not
                self._mcu.send(came)
        fresh = self._mcu.receive()
        for frame in self._snoop.feed(fresh):
            self._listen(frame)
        self._answered = b"\0" in fresh
        return now, self._write(out + fresh)

    def _catch_up(self) -> float:
        """Run the chip to the present bench time, which is returned: what a hand does now happens now, not earlier."""
        now = self._clock.now()
        if self._thread is None:
            return now
        behind = (self._due_cycle(now) - self._mcu.cycle) / HZ
        self.late_s = max(self.late_s, behind)
        if behind > LONGEST_BURST_S:
            self.stalls += 1
            self._start_s, self._start_cycle = now, self._mcu.cycle
            self._new_board_clock()
        if now >= self._load_due_s:
            self._apply_load(now)
            self._load_due_s = now + LOAD_EVERY_S
        self._mcu.run_until(self._due_cycle(now))
        self._follow(self._mcu.edges(forget=True))
        return now

    def _read(self) -> bytes:
        if self._master < 0:
            return b""
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""  # nothing has come
        except OSError as error:
            if error.errno not in (errno.EIO, errno.EBADF):
                raise
            return b""

    def _write(self, out: bytes) -> bytes:
        """What could not be written yet."""
        if not out or self._master < 0:
            return b""
        try:
            return out[os.write(self._master, out) :]
        except BlockingIOError:
            return out[-4096:]  # nobody reads: the line does not wait, old bytes are lost
        except OSError as error:
            if error.errno not in (errno.EIO, errno.EBADF):
                raise
            return b""

    def _may_run_to(self, now: float, paced: PacedClock) -> float:
        """How far a paced bench's time may go until the next turn; a busy host's heartbeat is waited for."""
        live = self.telemetry is not None and self.telemetry.state in (BoardState.ARMED, BoardState.ENERGISED)
        # A heartbeat that has come needs time on the wire and in the chip.
        live = live and self._master >= 0 and now >= self._talking_until_s
        return self._heartbeat_wait.until_s(now, self._heartbeat_s, live, paced)

    def _wait_for_reader(self, paced: PacedClock) -> None:
        """Until nothing waits at the host's end of the line. One that does not read is waited for less and less."""
        end_s = paced.real_s() + self._patience_s
        while not self._stop.is_set():
            with self._lock:
                waiting = self._unread()
            if not waiting:
                self._patience_s = min(PATIENCE_S, max(2.0 * self._patience_s, 0.002))
                return
            if paced.real_s() > end_s:
                self._patience_s = self._patience_s / 4.0 if self._patience_s > 0.002 else 0.0
                return
            self._stop.wait(1e-4)

    def _unread(self) -> int:
        if self._slave < 0:
            return 0
        count = array.array("i", [0])
        fcntl.ioctl(self._slave, termios.FIONREAD, count)
        return count[0]
