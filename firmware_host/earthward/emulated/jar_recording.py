"""EMULATED bench session with a jar: quiet, knock, drives, inputs joined, divider, as samples and notes.

`direct` writes the samples straight from the jar, for many pairs in little time; `through_the_chain` takes the way of a
real one: board on its serial line, converter's registers, driver, reader.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from earthward.clock import Clock, PacedClock
from earthward.devices.ads1115 import AdcReader, AdcSettings
from earthward.devices.gpio import EdgePin
from earthward.devices.source import SourceLink
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, ReadyPulses
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.board_logic import RELEASE_SEEN_S
from earthward.emulated.jar import Jar, JarScene, Plug
from earthward.emulated.load import Drive, Load
from earthward.emulated.output import BoardClock, OutputSegment, OutputTimeline
from earthward.emulated.pins import EmulatedPins
from earthward.errors import InputError
from earthward.signal.types import FloatArray, SampleBlock

SWEEP_HZ = (5.5, 13.0, 36.0, 71.0)
QUIET_S, KNOCK_S, DRIVE_S, PLUG_S = 36.0, 15.0, 3.0, 4.0
TICK_HZ = 1e6
READY_PIN = 25


@dataclass
class Session:
    """Samples of one channel and the notes beside them."""

    blocks: list[SampleBlock] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)

    def note(self, t_s: float, step: str, **more: Any) -> None:
        self.notes.append({"kind": "bench", "t_s": t_s, "step": step, **more})


# ---- straight from the jar -------------------------------------------------------------------------------------------


def direct(scene: JarScene, sweep_Hz: tuple[float, ...] = SWEEP_HZ) -> Session:
    """All steps, without converter and board; stamps late and converter's noise included."""
    session, jar, draw = Session(), Jar(scene), np.random.default_rng([scene.seed, 8])
    clock = BoardClock(TICK_HZ, 0.002, 0.0)
    timeline = OutputTimeline(OutputSegment(-1.0, False, "A", "sine", 0.0, 40, clock))
    jar.connect(timeline, Drive(full_range=True))
    rate = 860.0 * (1 + scene.rate_error)
    at = 0.0

    def take(seconds: float) -> None:
        nonlocal at
        end = at + (1 + np.arange(int(seconds * rate))) / rate
        volts = jar.mean_V(0, 1, end - 1 / rate, end)
        noise = math.hypot(scene.converter_noise_V, scene.extra_noise_V if jar.plug == "pair" else 0.0)
        volts = volts + scene.zero_V + draw.normal(0, noise, end.size)
        first = sum(len(b) for b in session.blocks)
        late = np.maximum.accumulate(end + draw.exponential(1.5e-4, end.size))
        flags = np.zeros(end.size, dtype=np.uint8)
        session.blocks.append(SampleBlock(first + np.arange(end.size), late, volts, flags, 0.256))
        at = float(end[-1])

    session.note(at, "quiet")
    take(QUIET_S)
    jar.knock(at)
    session.note(at, "knock")
    take(KNOCK_S)
    for electrode in ("A", "B"):
        for wanted in sweep_Hz:
            period = round(TICK_HZ / wanted / 40) * 40
            timeline.add(OutputSegment(at, True, electrode, "sine", clock.ticks(at), period, clock))
            hertz = TICK_HZ * (1 + clock.rate_error) / period
            jar.mean_V(0, 1, np.array([at]), np.array([at + 1e-3]))
            told = jar.inject(Drive(full_range=True), electrode)
            session.note(at, "drive", electrode=electrode, waveform="sine", start_s=at, frequency_Hz=hertz,
                         volts=told.voltage_V * (1 + draw.normal(0, 3e-4)), current_A=told.current_A,
                         series_ohm=scene.jig_ohm)  # fmt: skip
            take(DRIVE_S)
    timeline.add(OutputSegment(at, False, "A", "sine", 0.0, 40, clock))
    _plug_steps(session, jar, lambda: at, take)
    return session


def _plug_steps(session: Session, jar: Jar, now: Callable[[], float], take: Callable[[float], None]) -> None:
    plugs: tuple[Plug, ...] = ("joined", "divider")
    for plug in plugs:
        jar.put(plug)
        session.note(now(), plug, applied_V=jar.scene.divider_V)
        take(PLUG_S)
    session.note(now(), "end")


# ---- the way of a real one -------------------------------------------------------------------------------------------


@contextmanager
def open_chain(
    clock: Clock, load: Load, voltage: Any, scene: JarScene, take: Callable[[SampleBlock], None]
) -> Iterator[tuple[SourceLink, EmulatedBoard]]:
    """Board on its pseudo-terminal and converter on its fake bus, with the drivers that a Pi runs."""
    board = EmulatedBoard(clock, load, rate_error=0.002, seed=scene.seed)
    bus, pins = FakeI2C(clock), EmulatedPins(clock)
    chip = EmulatedAds(
        clock, voltage, rate_error=scene.rate_error, noise_V=scene.converter_noise_V, offset_V=scene.zero_V,
        seed=scene.seed,
    )  # fmt: skip
    bus.add(0x48, chip)
    mock: Any = pins.pin(READY_PIN)
    pulses = ReadyPulses(clock, chip, mock.pulse_low, lambda: bus.transfers)
    ready = EdgePin(READY_PIN, clock, pin_factory=pins)
    board.start()
    pulses.start()
    try:
        with (
            SourceLink(board.port, clock) as link,
            AdcReader(bus, clock, AdcSettings(), ready, on_block=take, urgent=False),
        ):
            if not link.wait_connected(5.0):
                raise InputError(f"the emulated board does not answer: {link.status.text}")
            yield link, board
    finally:
        pulses.close()
        ready.close()
        board.close()


def through_the_chain(scene: JarScene, speed: float = 1.0, sweep_Hz: tuple[float, ...] = SWEEP_HZ) -> Session:
    """The same steps by driver, reader, link and board. `speed`: wished for; a busy machine makes it slower."""
    session = Session()
    clock = PacedClock(speed)
    jar = Jar(scene, clock.now(), hiss=True)
    with open_chain(clock, jar, jar, scene, session.blocks.append) as (link, board):
        jar.connect(board.timeline, board.drive)
        session.note(clock.now(), "quiet")
        clock.sleep(QUIET_S)
        jar.knock(clock.now())
        session.note(clock.now(), "knock")
        clock.sleep(KNOCK_S)
        for electrode in ("A", "B"):
            for wanted in sweep_Hz:
                link.configure("sine", wanted, 0.010, electrode)
                link.arm()
                # The board wants to have seen the enable let go of before it is held.
                clock.sleep(2 * RELEASE_SEEN_S)
                board.set_enable(True)
                clock.sleep(0.05)
                link.energise()
                _drive(session, clock, link, electrode, scene)
                link.off()
                board.set_enable(False)
        _plug_steps(session, jar, clock.now, clock.sleep)
    _channel_zero(session)
    return session


def _drive(session: Session, clock: Clock, link: SourceLink, electrode: str, scene: JarScene) -> None:
    begin_s = clock.now()
    clock.sleep(DRIVE_S)
    reference, report = link.phase_reference(), link.request_status()
    if reference is None:
        raise InputError("the board's clock is not known: the emulated link is disturbed")
    volts: FloatArray = np.array([abs(report.voltage_positive_V), abs(report.voltage_negative_V)])
    session.note(begin_s, "drive", electrode=electrode, waveform="sine", start_s=reference.start_s,
                 frequency_Hz=reference.frequency_Hz, volts=float(volts.mean()),
                 current_A=0.5 * (report.current_positive_A - report.current_negative_A),
                 series_ohm=scene.jig_ohm)  # fmt: skip


def _channel_zero(session: Session) -> None:
    session.blocks[:] = [b for b in session.blocks if b.channel == 0 and len(b)]
