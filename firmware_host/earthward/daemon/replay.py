"""A recording in place of receiver and source board: the same daemon, lock-in and screens see it again.

Nothing here can drive anything. Times of the recording are shifted so that it starts when the clock says now.
"""

from __future__ import annotations

import threading
from bisect import bisect_right
from dataclasses import replace
from typing import Any, Literal

from earthward.clock import Clock, wait_event
from earthward.daemon.parts import TakeBlock
from earthward.daemon.recorder import RecordingContent
from earthward.devices.ads1115 import AdcStatus
from earthward.devices.protocol import Configuration, Identity
from earthward.devices.source import LinkError, LinkStatus
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.event import Event
from earthward.record.waveform import WaveformName
from earthward.signal.types import BlockGrid, PhaseReference, SampleFlag

#: Ticks of the replayed board's clock per second of the recording: only differences of times use it.
TICK_HZ = 1_000_000


class Replay:
    """Both halves of a replay on one time line; `finished` once the last sample was given out."""

    def __init__(self, content: RecordingContent, clock: Clock, lead_s: float = 0.5) -> None:
        self.content = content
        self.clock = clock
        first = min((float(b.t_s[0]) for b in content.blocks), default=0.0)
        self.shift_s = clock.now() + lead_s - first
        self.last_s = max((float(b.t_s[-1]) for b in content.blocks), default=0.0) + self.shift_s
        self._notes: dict[str, list[dict[str, Any]]] = {}
        for note in sorted((n for n in content.notes if "t_s" in n), key=lambda n: float(n["t_s"])):
            self._notes.setdefault(str(note.get("kind")), []).append(note)
        self.receiver = ReplayedReceiver(self)
        self.board = ReplayedBoard(self)

    @property
    def finished(self) -> bool:
        return self.clock.now() > self.last_s + 0.5

    def latest(self, kind: str) -> dict[str, Any] | None:
        """The newest note of a kind that is due."""
        notes = self._notes.get(kind, [])
        due = bisect_right(notes, self.clock.now() - self.shift_s, key=lambda n: float(n["t_s"]))
        return notes[due - 1] if due else None


class ReplayedReceiver:
    """Gives out each recorded block when its last sample is due."""

    def __init__(self, replay: Replay) -> None:
        self._replay = replay
        self._newest_s: float | None = None
        self._saturated = False
        self._scale: float | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, take: TakeBlock) -> None:
        self._thread = threading.Thread(target=self._play, args=(take,), name="replay", daemon=True)
        self._thread.start()

    def end_blocks(self, grid: BlockGrid) -> None:
        """A recording's blocks are as they are."""

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=5)

    def _play(self, take: TakeBlock) -> None:
        clock, shift_s = self._replay.clock, self._replay.shift_s
        for block in self._replay.content.blocks:
            if not len(block):
                continue
            due_s = float(block.t_s[-1]) + shift_s
            if wait_event(clock, self._stop, due_s - clock.now()):
                return
            self._newest_s = due_s
            self._saturated = bool((block.flags & SampleFlag.SATURATED).any())
            self._scale = float(block.full_scale_V)
            take(replace(block, t_s=block.t_s + shift_s))

    @property
    def status(self) -> AdcStatus:
        rate = float(self._replay.content.header.get("rate_Hz", 0.0)) or None
        return AdcStatus(
            ok=True,
            text="Replayed from a recording.",
            last_sample_age_s=None if self._newest_s is None else self._replay.clock.now() - self._newest_s,
            rate_Hz=rate,
            full_scale_V=self._scale,
            saturated=self._saturated,
        )


class ReplayedBoard:
    """What the recording says of the source. Every request to switch on is refused."""

    def __init__(self, replay: Replay) -> None:
        self._replay = replay
        self.identity: Identity | None = None

    def start(self) -> None: ...

    def close(self) -> None: ...

    def feed(self) -> None: ...

    def drain_events(self) -> list[Event]:
        return []

    @property
    def status(self) -> LinkStatus:
        return LinkStatus(ok=True, text="Replayed from a recording: no source board.", port="recording", emulated=True)

    @property
    def restarts(self) -> int:
        return 0

    @property
    def telemetry(self) -> BoardReport | None:
        now_s = self._replay.clock.now()
        last, reference = self._replay.latest("source"), self._replay.latest("reference")
        if last is None:
            return None
        current = 0.0 if reference is None else float(reference.get("current_A") or 0.0)
        electrode: Literal["A", "B"] = "B" if last.get("electrode") == "B" else "A"
        waveform: WaveformName = self._replay.content.header.get("waveform", "coded")
        return BoardReport(
            received_s=now_s,
            state=BoardState.ENERGISED if last["energised"] else BoardState.OFF,
            trip=Trip.NONE,
            emergency_stop_closed=True,
            enable_held=bool(last["energised"]),
            heartbeat_fresh=True,
            open_circuit=False,
            current_limiting=False,
            electrode=electrode,
            waveform=waveform,
            period_ticks=0,
            cycles=0,
            cycle_tick=round((float(last["since_s"]) + self._replay.shift_s) * TICK_HZ),
            current_positive_A=current,
            current_negative_A=-current,
            voltage_positive_V=0.0,
            voltage_negative_V=0.0,
            battery_V=12.0,
            temperature_C=20.0,
            idle_dc_V=0.0,
            idle_ac_V=0.0,
            current_peak_A=current,
        )

    def host_time(self, tick: float) -> float | None:
        return tick / TICK_HZ

    def phase_reference(self) -> PhaseReference | None:
        r = self._replay.latest("reference")
        if r is None:
            return None
        return PhaseReference(
            start_s=float(r["start_s"]) + self._replay.shift_s,
            frequency_Hz=float(r["frequency_Hz"]),
            sigma_s=float(r.get("sigma_s", 0.0)),
            frequency_sigma=float(r.get("frequency_sigma", 0.0)),
        )

    def _refuse(self) -> LinkError:
        return LinkError("A recording drives nothing.")

    def configure(
        self,
        waveform: WaveformName,
        frequency_Hz: float,
        current_limit_A: float,
        electrode: Literal["A", "B"] = "A",
    ) -> Configuration:
        raise self._refuse()

    def arm(self) -> BoardReport:
        raise self._refuse()

    def energise(self) -> BoardReport:
        raise self._refuse()

    def off(self) -> BoardReport:
        raise self._refuse()

    def select(self, electrode: Literal["A", "B"]) -> float | None:
        raise self._refuse()
