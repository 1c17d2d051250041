"""What is measured on the firmware's binary, as functions: the tests judge the figures, the benchmark prints them."""

from __future__ import annotations

import ctypes
import itertools
import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from tests.support.board_rig import FirmwareRig

from earthward.devices.protocol import (
    ArmRequest,
    Configuration,
    Electrode,
    Frame,
    FrameReader,
    ResetCause,
    Type,
)
from earthward.emulated.virtual_mcu import (
    CYCLES_PER_TICK,
    DRIVE_NEGATIVE,
    DRIVE_POSITIVE,
    ELECTRODE_A,
    ELECTRODE_B,
    HZ,
    OUTPUTS,
    Build,
    Pin,
)
from earthward.record.waveform import WAVEFORMS, WaveformName

TIMSK1 = 0x6F
ADCSRA = 0x7A
#: docs/protocol.md
CHIPS = "++++--+---"
SINE_SLOTS = 32


@dataclass(frozen=True, slots=True)
class Trace:
    """Edges of the two drive pins over whole periods. Times in cycles of 16 MHz."""

    periods: int
    both_high: int
    least_gap_ticks: float
    """Shortest time with both pins low between opposite polarities."""
    worst_charge_ticks: float
    """Largest |time positive - time negative| of a whole period."""
    jitter_cycles: int
    """Largest deviation of any edge from its place in the first period."""
    levels: tuple[float, ...]
    """Mean drive (+1, 0, -1) over each of ten (sine: 32) equal parts of a period."""


def pulses(rig: FirmwareRig) -> list[tuple[int, int, int]]:
    """(start, end, polarity) of each drive pulse on record, in cycles, by start."""
    found = []
    for pin, polarity in ((DRIVE_POSITIVE, 1), (DRIVE_NEGATIVE, -1)):
        start: int | None = None
        for edge in rig.mcu.edges():
            if edge.pin != pin:
                continue
            if edge.value:
                start = edge.cycle
            elif start is not None:
                found.append((start, edge.cycle, polarity))
                start = None
    return sorted(found)


def _misfit(some: list[tuple[int, int, int]], runs: list[int], level_cycles: float) -> float:
    return sum(abs(end - start - run * level_cycles) for (start, end, _), run in zip(some, runs, strict=True))


def trace(build: Build, waveform: WaveformName, frequency_Hz: float, seconds: float) -> Trace:
    """Energise, let it run, and look at every edge against the grid that telemetry names."""
    rig = FirmwareRig(build)
    try:
        wanted = rig.energise(rig.configuration(waveform, frequency_Hz))
        rig.mcu.forget_edges()
        rig.run(seconds)
        telemetry = rig.status()
        assert telemetry.trip == 0, f"tripped: {telemetry.trip}"
        period = wanted.period_ticks * CYCLES_PER_TICK
        # before the relay closes the board tries it with a pulse of its own
        closed = next(e.cycle for e in rig.mcu.edges() if e.pin == ELECTRODE_A and e.value)
        every = [pulse for pulse in pulses(rig) if pulse[0] > closed]
    finally:
        rig.close()
    both = sum(b[0] < a[1] for a, b in itertools.pairwise(every))
    gaps = [b[0] - a[1] for a, b in itertools.pairwise(every) if a[2] != b[2]]
    # the first positive pulse of a period marks the grid; how far before it the period starts does not matter here
    levels = WAVEFORMS[waveform].levels
    if levels is None:
        per_period, parts = SINE_SLOTS, SINE_SLOTS
        first = next(k for k in range(len(every)) if every[k][2] > 0 and (k == 0 or every[k - 1][2] < 0))
    else:
        runs = [len(list(run)) for _, run in itertools.groupby(levels)]
        per_period, parts = len(runs), len(levels) * math.ceil(10 / len(levels))
        # the period starts where the lengths of the pulses agree with the runs of equal levels
        starts = [k for k in range(per_period) if every[k][2] == levels[0]]
        first = min(starts, key=lambda k: _misfit(every[k : k + per_period], runs, period / len(levels)))
    whole = every[first : first + (len(every) - first) // per_period * per_period]
    periods = [whole[k : k + per_period] for k in range(0, len(whole), per_period)]
    origin = periods[0][0][0]
    jitter = 0
    for n, one in enumerate(periods):
        for k, pulse in enumerate(one):
            for side in (0, 1):
                place = periods[0][k][side] - origin
                jitter = max(jitter, abs(pulse[side] - origin - n * period - place))
    charge = [sum((end - start) * polarity for start, end, polarity in one) for one in periods]
    lead = (period - (periods[0][-1][1] - origin)) / 2 if len(periods) > 1 else 0.0
    seen = []
    for k in range(parts):
        lo, hi = origin - lead + k * period / parts, origin - lead + (k + 1) * period / parts
        seen.append(sum(max(0.0, min(e, hi) - max(s, lo)) * p for s, e, p in periods[0]) / (hi - lo))
    return Trace(
        periods=len(periods),
        both_high=both,
        least_gap_ticks=min(gaps) / CYCLES_PER_TICK,
        worst_charge_ticks=max(map(abs, charge)) / CYCLES_PER_TICK,
        jitter_cycles=jitter,
        levels=tuple(seen),
    )


def off_after_s(rig: FirmwareRig, act: Callable[[], object], limit_s: float) -> float:
    """Seconds from `act` until the bridge supply, both drives and both relays are low; nan if never."""
    rig.mcu.forget_edges()
    start = rig.mcu.cycle
    act()
    rig.wait(limit_s)
    if rig.driven:
        return math.nan
    last = [e.cycle for e in rig.mcu.edges() if e.pin in OUTPUTS[:5] and not e.value]
    return (last[-1] - start) / HZ if last else 0.0


def energised(build: Build, waveform: WaveformName = "coded", limit_uA: int = 10_000) -> FirmwareRig:
    rig = FirmwareRig(build)
    rig.energise(rig.configuration(waveform, limit_uA=limit_uA))
    rig.run(0.2)
    return rig


def deadman_s(build: Build, delays_s: tuple[float, ...] = (0.0, 0.0003, 0.0107)) -> list[float]:
    """From the last byte of the last heartbeat to all outputs low."""
    found = []
    for delay in delays_s:
        rig = energised(build)
        rig.wait(delay)
        rig.send(Frame(Type.HEARTBEAT, 9, b"\1\2\3\4").encode())
        while rig.mcu.pending:
            rig.wait(0.00002)
        found.append(off_after_s(rig, lambda: None, 0.7))
        rig.close()
    return found


def over_current_s(build: Build, waveform: WaveformName, seed: int, tries: int) -> list[float]:
    """From a short circuit at a random moment to all outputs low."""
    chance = random.Random(seed)
    found = []
    for _ in range(tries):
        rig = energised(build, waveform, limit_uA=8000)
        rig.wait(chance.uniform(0, 0.03))
        found.append(off_after_s(rig, partial(rig.set_load, 0.0), 0.05))
        rig.close()
    return found


def fault_times_s(build: Build) -> dict[str, tuple[float, int]]:
    """Each fault's time to all outputs low, and the trip that names it (255: none, the board restarted)."""

    def world(**changes: object) -> Callable[[FirmwareRig], object]:
        def act(rig: FirmwareRig) -> None:
            with rig.mcu.world() as w:
                for name, value in changes.items():
                    setattr(w, name, value)

        return act

    def stuck(channel: int, mV: int) -> Callable[[FirmwareRig], object]:
        def act(rig: FirmwareRig) -> None:
            with rig.mcu.world() as w:
                w.stuck_mV[channel] = mV

        return act

    def stop_converter(rig: FirmwareRig) -> None:
        # Twice: the first may fall into the handler that starts the next conversion.
        rig.mcu.poke(ADCSRA, 0)
        rig.wait(40e-6)
        rig.mcu.poke(ADCSRA, 0)

    acts: dict[str, Callable[[FirmwareRig], object]] = {
        "emergency stop opened": lambda r: r.set_stop(False),
        "enable released": lambda r: r.set_enable(False),
        "short circuit, 8 mA limit": lambda r: r.set_load(0.0),
        "bridge supply 13 V, electrodes open": world(bridge_V=13.0, load_ohm=_open_loads()),
        "negative half dead": world(negative_gain=0.0),
        "square: negative half dead": world(negative_gain=0.0),
        "negative half meets three times the load": world(negative_load=3.0),
        "bridge stuck positive": world(stuck_drive=1),
        "converter stopped": stop_converter,
        "current input stuck at rest": stuck(0, 2500),
        "voltage input stuck at rest": stuck(1, 2500),
        "current input stuck at 0 V": stuck(0, 0),
        "chip supply 4.0 V": world(supply_V=4.0),
        "waveform interrupt lost": lambda r: r.mcu.poke(TIMSK1, 1),
        "main loop hangs": lambda r: r.mcu.hang(interrupts_live=True),
        "everything hangs": lambda r: r.mcu.hang(interrupts_live=False),
        "battery 9 V": lambda r: r.set_battery(9.0),
        "75 degrees C": lambda r: r.set_temperature(75.0),
        "chip reset from outside": lambda r: r.restart(ResetCause.EXTERNAL),
    }
    found = {}
    for name, act in acts.items():
        shape: WaveformName = "square" if name.startswith("square") else "coded"
        rig = energised(build, shape, limit_uA=8000)
        resets = rig.mcu.resets
        seconds = off_after_s(rig, partial(act, rig), 0.6 if "9 V" in name or "75" in name else 0.15)
        rig.wait(0.1)
        trip = rig.status().trip if not rig.driven else 0
        found[name] = (seconds, trip if trip else (255 if rig.mcu.resets > resets else 0))
        rig.close()
    return found


def _open_loads() -> object:
    return (ctypes.c_double * 2)(math.inf, math.inf)


def request_frames(rig: FirmwareRig) -> list[bytes]:
    """Good frames that would do something: what is spoilt to try the parser."""
    wanted = rig.configuration()
    arm = ArmRequest(rig.hello().crc(), wanted.crc()).pack()
    bodies = [
        (Type.CONFIGURE, wanted.pack()),
        (Type.HEARTBEAT, b"\0\1\0\2"),
        (Type.ARM, arm),
        (Type.ENERGISE, b""),
        (Type.SELECT, b"\1"),
        (Type.STATUS, b""),
        (Type.CONFIGURE, Configuration(0, Electrode.B, 60_000, 15_000).pack()),
    ]
    return [Frame(kind, seq + 1, body).encode() for seq, (kind, body) in enumerate(bodies)]


def spoilt(good: list[bytes], chance: random.Random) -> Iterator[bytes]:
    """Endless damaged frames, each ended by a zero, none of which the reference decoder takes."""
    while True:
        data = bytearray(chance.choice(good)[:-1])
        for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
            where = chance.randrange(len(data)) if data else 0
            what = chance.randrange(6)
            if what <= 2 and data:
                data[where] ^= 1 << chance.randrange(8)
            elif what == 3 and data:
                data[where] = chance.randrange(256)
            elif what == 4:
                data.insert(where, chance.randrange(256))
            elif data:
                del data[where]
        frame = bytes(data) + b"\0"
        if not FrameReader().feed(frame):
            yield frame


def feed(rig: FirmwareRig, data: bytes) -> int:
    """Send at seven eighths of the line rate; number of answers. (The simulated receiver, unlike the chip's, does not
    catch up on a line without any pause.)"""
    answers = 0
    for k in range(0, len(data), 100):
        rig.send(data[k : k + 100])
        rig.wait(0.0046)
        if k % 4000 == 0:
            answers += len(rig.take_replies())
            rig.unsolicited.clear()
    return answers + len(rig.take_replies())


def corrupted_frames(build: Build, count: int, seed: int = 1) -> tuple[int, int, int]:
    """(frames sent, answers, bad frames counted modulo 256 minus the reference's) for damaged frames, enable held."""
    rig = FirmwareRig(build)
    rig.mcu.record(False)
    rig.set_enable(True)
    rig.wait(0.1)
    good = request_frames(rig)
    chance = random.Random(seed)
    source = spoilt(good, chance)
    before = rig.status().bad_frames
    rig.take_replies()
    reference = FrameReader()
    answers = 0
    sent = 0
    while sent < count:
        batch = b"".join(next(source) for _ in range(min(500, count - sent)))
        sent += min(500, count - sent)
        reference.feed(batch)
        answers += feed(rig, batch)
        assert not rig.driven
    telemetry = rig.status()
    assert telemetry.state == 0
    difference = (telemetry.bad_frames - before - reference.errors) & 0xFF
    rig.close()
    return sent, answers, difference


def garbage(build: Build, seconds: float, seed: int = 2) -> tuple[bool, float]:
    """(ever driven, seconds until HELLO is answered afterwards): random bytes at nine tenths of the line."""
    rig = FirmwareRig(build)
    rig.set_enable(True)
    rig.wait(0.1)
    rig.mcu.forget_edges()
    chance = random.Random(seed)
    end = rig.mcu.time_s + seconds
    while rig.mcu.time_s < end:
        # plenty of zeros, so that many short frames are tried
        feed(rig, bytes(chance.choices(range(256), weights=[8] + [1] * 255, k=2000)))
    driven = any(e.value and e.pin in OUTPUTS[:5] for e in rig.mcu.edges())
    start = rig.mcu.time_s
    rig.send(b"\0")
    rig.wait(0.001)
    rig.take_replies()
    rig.hello()
    took = rig.mcu.time_s - start
    rig.close()
    return driven, took


def switch_gap(build: Build, frequency_Hz: float) -> tuple[float, bool, float]:
    """(seconds between one relay's opening and the other's closing, both ever closed, least seconds from the last
    drive edge to the opening)."""
    rig = FirmwareRig(build)
    rig.energise(rig.configuration("square", frequency_Hz))
    rig.run(0.15)
    rig.mcu.forget_edges()
    rig.select(Electrode.B)
    rig.run(0.2)
    edges = rig.mcu.edges()
    rig.close()
    relays = {ELECTRODE_A: 1, ELECTRODE_B: 0}
    both = False
    opened = closed = math.nan
    drive: dict[Pin, int] = {}
    cold = math.inf
    last_fall = -math.inf
    for edge in edges:
        if edge.pin in (DRIVE_POSITIVE, DRIVE_NEGATIVE):
            drive[edge.pin] = edge.value
            last_fall = edge.cycle
        if edge.pin in relays:
            relays[edge.pin] = edge.value
            both |= all(relays.values())
            if edge.pin == ELECTRODE_A:
                opened = edge.cycle
            else:
                closed = edge.cycle
            cold = min(cold, -1.0 if any(drive.values()) else (edge.cycle - last_fall) / HZ)
    return (closed - opened) / HZ, both, cold


def program_size(build: Build) -> int:
    """Bytes of flash that the .hex fills, its checksum included."""
    total = 0
    for line in build.firmware.read_text().split():
        if line[7:9] == "00":
            total += int(line[1:3], 16)
    return total


def flash_crc_address(build: Build) -> int:
    return program_size(build) - 4
