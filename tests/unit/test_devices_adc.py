"""The converter reader over the unmodified Adafruit driver and the emulated chip, in virtual time.

The chip knows how many conversions it finished and what each was; the reader must agree. Time moves only when
somebody sleeps or bytes cross the wire, so faults that last seconds take none.
"""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from functools import partial
from itertools import pairwise

import adafruit_ads1x15.ads1x15 as driver
import numpy as np
import pytest
from adafruit_ads1x15 import ADS1115, AnalogIn

from earthward.clock import ManualClock
from earthward.devices.ads1115 import AdcReader, AdcSettings, AdcStatus, ChipError, acquisition
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, SteadyVoltage, Voltage
from earthward.errors import InputError
from earthward.signal.types import BlockGrid, FloatArray, SampleBlock, SampleFlag


class Clock(ManualClock):
    """Ends the reader's loop at a time; wakes sleepers late by what `late` says; runs `at` things on the way."""

    def __init__(self, late: Callable[[np.random.Generator], float] | None = None) -> None:
        super().__init__(100.0)
        self.late = late or (lambda _: 40e-6)
        self.random = np.random.default_rng(1)
        self.reader: AdcReader | None = None
        self.end_s = 1e9
        self.due: list[tuple[float, Callable[[], object]]] = []

    def at(self, seconds: float, do: Callable[[], object]) -> None:
        self.due.append((self.now() + seconds, do))

    def sleep(self, seconds: float) -> None:
        # A bus transfer takes its exact time, a thread wakes late.
        self.advance(max(0.0, seconds) + (self.late(self.random) if seconds > 200e-6 else 0.0))

    def advance(self, seconds: float) -> None:
        super().advance(seconds)
        while self.due and self.due[0][0] <= self.now():
            self.due.pop(0)[1]()
        if self.now() >= self.end_s and self.reader is not None:
            self.reader._stop.set()


class Staircase:
    """The conversion that ended at t reads as the number of conversions since 100 s, so each sample names itself."""

    generation = 0
    source_ohm = 0.0

    def __init__(self, chip_rate_Hz: float, step_V: float = 100e-6) -> None:
        self.rate_Hz = chip_rate_Hz
        self.step_V = step_V

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        return ((end_s - 100.0) * self.rate_Hz % 2000 - 1000) * self.step_V


class VirtualReady:
    """The ready line in virtual time: waiting for an edge moves the clock to the end of a conversion."""

    def __init__(self, clock: Clock, chip: EmulatedAds, late_s: float = 50e-6) -> None:
        self.edges = 0
        self.muted = False
        self._newest: tuple[int, float] | None = None
        self._clock, self._chip, self._late_s = clock, chip, late_s
        chip.on_ready = self._edge

    def _edge(self, end_s: float) -> None:
        if not self.muted:
            self.edges += 1
            self._newest = self.edges, end_s

    def wait(self, timeout_s: float) -> tuple[int, float] | None:
        clock, until = self._clock, self._clock.now() + timeout_s
        while self._newest is None:
            end = self._chip.next_end_s
            if end is None or end > until or not self._chip.ready_mode:
                clock.advance(max(0.0, until - clock.now()))
                return None
            clock.advance(max(0.0, end - clock.now()) + self._late_s + clock.late(clock.random))
            self._chip.advance()
        edge, self._newest = self._newest, None
        return edge


class Rig:
    def __init__(
        self,
        *,
        rate_error: float = 0.0,
        settings: AdcSettings | None = None,
        voltage: Voltage | None = None,
        ready: bool = True,
        late: Callable[[np.random.Generator], float] | None = None,
        noise_V: float = 8e-6,
        twelve_bit: bool = False,
        on_block: Callable[[SampleBlock], None] | None = None,
    ) -> None:
        self.clock = Clock(late)
        settings = settings or AdcSettings(full_scale_V=0.256)
        self.voltage = voltage or Staircase(settings.rate * (1 + rate_error))
        self.chip = EmulatedAds(
            self.clock,
            self.voltage,
            rate_error=rate_error,
            noise_V=noise_V,
            twelve_bit=twelve_bit,
        )
        self.bus = FakeI2C(self.clock, wire_Hz=400e3)
        self.bus.add(settings.address, self.chip)
        self.ready = VirtualReady(self.clock, self.chip) if ready else None
        self.blocks: list[SampleBlock] = []
        self.reader = AdcReader(
            self.bus,
            self.clock,
            settings,
            self.ready,
            on_block=self.blocks.append if on_block is None else on_block,
        )
        self.clock.reader = self.reader
        self.sentences: list[str] = []

    def run(self, seconds: float) -> None:
        """What the reader's thread does, in this thread, until the clock says stop."""
        self.clock.end_s = self.clock.now() + seconds
        self.reader._stop.clear()
        reader = self.reader
        fail = reader._fail

        def noted(text: str) -> None:
            self.sentences.append(text)
            self.clock.advance(0.25)
            fail(text)

        reader._fail = noted  # type: ignore[method-assign]
        reader._run_until_stopped(lambda: None)
        reader._fail = fail  # type: ignore[method-assign]

    def joined(self, channel: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        mine = [b for b in self.blocks if b.channel == channel]
        return (
            np.concatenate([b.index for b in mine]),
            np.concatenate([b.t_s for b in mine]),
            np.concatenate([b.v_V for b in mine]),
            np.concatenate([b.flags for b in mine]),
        )


# ---- the driver's traps -----------------------------------------------------------------------------------


def test_the_driver_ignores_the_channel_once_continuous() -> None:
    """Why the reader sets the multiplexer by a single-shot read: the driver keeps the old one (version 3.0.5)."""
    clock = Clock()
    chip = EmulatedAds(clock, SteadyVoltage((0.2, 0.0, 0.1, 0.0)), noise_V=0.0)
    bus = FakeI2C(clock, wire_Hz=400e3)
    bus.add(0x48, chip)
    ads = ADS1115(bus, gain=8, data_rate=860)
    first = AnalogIn(ads, driver.Pin.A0, driver.Pin.A1)
    assert first.voltage == pytest.approx(0.2, abs=1e-4)
    ads.mode = driver.Mode.CONTINUOUS
    wrong = AnalogIn(ads, driver.Pin.A2, driver.Pin.A3)
    clock.sleep(0.01)
    assert wrong.voltage == pytest.approx(0.2, abs=1e-4), "not the 0.1 V of A2-A3"


@pytest.mark.parametrize(("pair", "volts"), [((0, 1), 0.05), ((2, 3), -0.12), ((0, 3), 0.13), ((1, 3), 0.08)])
@pytest.mark.parametrize("ready", [True, False])
def test_the_right_channel(pair: tuple[int, int], volts: float, ready: bool) -> None:
    inputs = (0.55, 0.50, 0.30, 0.42)
    assert inputs[pair[0]] - inputs[pair[1]] == pytest.approx(volts)
    rig = Rig(
        settings=AdcSettings(pairs=(pair,), full_scale_V=0.256),
        voltage=SteadyVoltage(inputs),
        ready=ready,
        noise_V=2e-5,
    )
    rig.run(2.0)
    _, _, v, _ = rig.joined()
    assert v.size > 800
    assert v.mean() == pytest.approx(volts, abs=5e-6)
    assert rig.chip.config >> 12 & 7 == {(0, 1): 0, (0, 3): 1, (1, 3): 2, (2, 3): 3}[pair]


def test_two_channels_of_one_chip_are_told_apart() -> None:
    rig = Rig(
        settings=AdcSettings(pairs=((0, 1), (2, 3)), full_scale_V=0.256),
        voltage=SteadyVoltage((0.30, 0.25, 0.10, 0.20)),
        ready=False,
    )
    rig.run(3.0)
    for channel, volts in ((0, 0.05), (1, -0.10)):
        index, t, v, flags = rig.joined(channel)
        assert v == pytest.approx(volts, abs=60e-6), "no sample of the other channel among them"
        assert np.all(np.diff(index) > 0)
        assert v.size / 3.0 > 200, "about 240 a second each"
        assert np.all(np.diff(t) > 0)
        assert not np.any(flags & SampleFlag.SUSPECT)
    assert rig.reader.status.pacing == "single shot"


# ---- counting ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_error", [-0.1, -0.03, 0.1])
@pytest.mark.parametrize("ready", [True, False])
def test_every_sample_is_the_conversion_it_says(rate_error: float, ready: bool) -> None:
    """The value of each sample names its conversion: index and value must walk together, over late wake-ups too."""
    rig = Rig(
        rate_error=rate_error,
        ready=ready,
        noise_V=0.5e-6,
        late=lambda g: 30e-6 + (float(g.exponential(2e-3)) if g.random() < 0.03 else 0.0),
    )
    rig.run(9.0)
    index, t, v, flags = rig.joined()
    known = v / 100e-6 - index
    walk = np.rint((known - known[0] + 1000) % 2000 - 1000)
    # Without the ready wire a very late thread may now and then read past an end; more than a permille is a defect.
    wrong = np.count_nonzero(np.abs(walk - np.median(walk)) > 0.5)
    assert wrong <= (0 if ready else index.size // 1000), f"{wrong} of {index.size} samples carry a wrong number"
    assert np.all(np.diff(index) > 0), "no conversion twice"
    gaps = np.diff(index) - 1
    assert gaps.sum() > 20, "the late wake-ups must have cost something, or this test shows nothing"
    assert np.array_equal(np.nonzero(gaps)[0] + 1, np.nonzero(flags & SampleFlag.AFTER_GAP)[0])
    assert rig.reader.status.lost >= gaps.sum()
    assert index.size / (index[-1] - index[0] + 1) > 0.85
    # The stamp: at or after the end of the conversion, and not later than the next one's.
    period = 1 / (860 * (1 + rate_error))
    slope, start = np.polyfit(index, t, 1)
    assert slope == pytest.approx(period, rel=3e-5)
    late = t - (index * slope + start)
    assert late.std() < 0.1 * period
    assert rig.reader.status.rate_Hz == pytest.approx(1 / period, rel=1e-3)


def test_free_running_reads_without_pacing_would_repeat() -> None:
    """The trap that pacing avoids: asked as fast as the wire allows, the chip gives each conversion many times."""
    rig = Rig(rate_error=0.0)
    rig.reader._chip.open(False)
    codes = [rig.reader._chip.newest() for _ in range(2000)]
    assert np.mean([a == b for a, b in pairwise(codes)]) > 0.85


# ---- range ------------------------------------------------------------------------------------------------


class Steps:
    """Volts by time, with mains on top."""

    generation = 0
    source_ohm = 0.0

    def __init__(self, *steps: tuple[float, float]) -> None:
        self.steps = steps

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        result = np.zeros(end_s.shape)
        for since, volts in self.steps:
            result[end_s >= 100.0 + since] = volts
        return result + 1e-3 * np.sin(2 * np.pi * 50 * end_s)

    def at(self, t: FloatArray) -> FloatArray:
        return self.mean_V(0, 1, t, t)


@pytest.mark.long
@pytest.mark.parametrize("how", ["ready", "rate", "single shot"])
def test_the_range_follows_and_every_change_is_flagged(how: str) -> None:
    steps = Steps((0.0, 0.02), (4.0, 0.4), (8.0, 3.0), (12.0, 0.01))
    pairs = ((0, 1), (2, 3)) if how == "single shot" else ((0, 1),)
    rig = Rig(settings=AdcSettings(pairs=pairs), voltage=steps, ready=how == "ready")
    rig.run(24.0)
    _, t, v, flags = rig.joined()
    scale = np.concatenate([np.full(len(b), b.full_scale_V) for b in rig.blocks if b.channel == 0])
    changes = np.nonzero(np.diff(scale))[0] + 1
    assert {0.256, 0.512, 4.096} <= set(scale) or {0.256, 0.512, 6.144} <= set(scale)
    assert np.all(flags[changes] & SampleFlag.RANGE_CHANGED), "each change of range is flagged"
    assert scale[-1] == 0.256
    # Never a glitch: whatever is neither flagged nor saturated is the truth, on any range.
    clean = (flags & (SampleFlag.SATURATED | SampleFlag.SUSPECT)) == 0
    # stamps are exact to a fraction of a conversion: compare with the nearest truth of the two ends around it
    error = np.minimum(np.abs(v - steps.at(t)), np.abs(v - steps.at(t - 1.3e-3)))
    allowed = 6 * np.maximum(scale / 32768, 8e-6) + 0.5e-3
    edge = np.min(np.abs(t[:, None] - (100 + np.array([4.0, 8.0, 12.0]))), axis=1) < 3e-3
    assert np.all(error[clean & ~edge] < allowed[clean & ~edge])
    assert np.any(flags & SampleFlag.SATURATED), "3 V on the small range must have clipped at first"
    saturated = np.nonzero(flags & SampleFlag.SATURATED)[0]
    assert t[saturated].max() - t[saturated].min() < 4.3, "and not for long after each step"
    assert rig.reader.status.range_changes == len(changes) or rig.reader.status.range_changes == len(changes) + 1


def test_the_range_has_hysteresis() -> None:
    """A level between the two thresholds never makes the range hunt."""
    rig = Rig(settings=AdcSettings(), voltage=Steps((0.0, 0.15)))
    rig.run(15.0)
    assert rig.reader.status.range_changes == 0
    assert {b.full_scale_V for b in rig.blocks} == {0.512}


def test_saturation_is_flagged_on_a_fixed_range() -> None:
    rig = Rig(settings=AdcSettings(full_scale_V=0.256), voltage=SteadyVoltage((0.4, 0.0, 0, 0)))
    rig.run(1.0)
    *_, flags = rig.joined()
    assert np.all(flags & SampleFlag.SATURATED)
    status = rig.reader.status
    assert status.saturated
    assert not status.ok
    assert "larger than the converter's range" in status.text


def test_the_front_end_gain_is_taken_out() -> None:
    rig = Rig(
        settings=AdcSettings(front_end_gain=20.0, full_scale_V=0.512),
        voltage=SteadyVoltage((0.2, 0.0, 0, 0)),
        noise_V=0,
    )
    rig.run(1.0)
    _, _, v, _ = rig.joined()
    assert v.mean() == pytest.approx(0.01, abs=1e-6)
    assert rig.blocks[0].full_scale_V == pytest.approx(0.0256)


def test_the_chip_loads_a_high_ohmic_pair() -> None:
    """710 kohm differential at the smallest ranges (ADS1115 data sheet): 10 kohm in series costs 1.39 %."""
    rig = Rig(settings=AdcSettings(full_scale_V=0.256), voltage=SteadyVoltage((0.1, 0.0, 0, 0), 10e3), noise_V=1e-6)
    rig.run(1.0)
    _, _, v, _ = rig.joined()
    assert v.mean() / 0.1 - 1 == pytest.approx(-0.0139, abs=0.0002)


@pytest.mark.parametrize(
    ("full_scale_V", "lsb_V"),
    [(6.144, 187.5e-6), (4.096, 125e-6), (2.048, 62.5e-6), (1.024, 31.25e-6), (0.512, 15.625e-6), (0.256, 7.8125e-6)],
)
def test_steps_are_those_of_the_data_sheet(full_scale_V: float, lsb_V: float) -> None:
    """ADS1115 data sheet, LSB by range."""
    rig = Rig(settings=AdcSettings(full_scale_V=full_scale_V), voltage=Staircase(860, 3 * lsb_V / 1.7))
    rig.run(1.0)
    _, _, v, _ = rig.joined()
    steps = v / lsb_V
    assert np.abs(steps - np.rint(steps)).max() < 1e-6
    assert np.gcd.reduce(np.rint(steps).astype(int)) == 1


def test_an_ads1015_has_twelve_bits() -> None:
    rig = Rig(
        settings=AdcSettings(chip="ADS1015", rate=920, full_scale_V=0.256),
        voltage=SteadyVoltage((0.1001, 0.0, 0, 0)),
        twelve_bit=True,
    )
    rig.run(1.0)
    _, _, v, _ = rig.joined()
    steps = v / 0.125e-3  # LSB at 0.256 V by its data sheet
    assert np.abs(steps - np.rint(steps)).max() < 1e-6
    assert v.mean() == pytest.approx(0.1001, abs=0.1e-3)
    assert v.size > 700


# ---- faults: a plain sentence, and back by itself -----------------------------------------------------------


def settled(rig: Rig) -> None:
    rig.run(1.5)
    assert rig.reader.status.ok, rig.reader.status.text
    assert rig.sentences == []


@pytest.mark.parametrize("ready", [True, False])
def test_unplugged_wires(ready: bool) -> None:
    rig = Rig(ready=ready)
    settled(rig)
    rig.clock.at(0.2, lambda: rig.bus.absent.add(0x48))
    rig.clock.at(1.2, rig.chip.reset)
    rig.clock.at(1.2, rig.bus.absent.clear)
    rig.run(4.0)
    assert any("does not answer: check its supply and its I2C wires" in s for s in rig.sentences)
    assert rig.reader.status.ok
    index, *_ = rig.joined()
    assert np.diff(index).max() > 700, "the second without samples is a jump of the index"
    assert np.all(np.diff(index) > 0)


@pytest.mark.parametrize("ready", [True, False])
def test_one_missed_acknowledge_costs_one_sample_and_no_sentence(ready: bool) -> None:
    rig = Rig(ready=ready)
    settled(rig)
    rig.clock.at(0.3, lambda: rig.bus.fail_next.append(OSError(errno.EREMOTEIO, "Remote I/O error")))
    rig.run(1.0)
    assert rig.sentences == [] or "does not answer" in rig.sentences[0]
    assert rig.reader.status.ok


@pytest.mark.parametrize("ready", [True, False])
def test_a_chip_that_resets_itself_is_caught(ready: bool) -> None:
    """After a reset the result register holds 0 and nothing else looks wrong."""
    rig = Rig(ready=ready, voltage=SteadyVoltage((0.1, 0.0, 0, 0)))
    settled(rig)
    rig.clock.at(0.3, rig.chip.reset)
    rig.run(2.0)
    assert any("lost its settings" in s for s in rig.sentences)
    assert rig.reader.status.ok
    _, _, v, flags = rig.joined()
    zeros = np.abs(v) < 0.05
    assert np.all(flags[zeros] & SampleFlag.SUSPECT), "silent zeros must not pass as samples"


def test_data_line_held_low_does_not_hang() -> None:
    rig = Rig()
    settled(rig)

    def stick() -> None:
        rig.bus.stuck = "zeros"

    def free() -> None:
        rig.bus.stuck = None

    rig.clock.at(0.3, stick)
    rig.clock.at(3.0, free)
    rig.run(6.0)
    assert rig.sentences
    assert any("does not finish" in s or "lost its settings" in s for s in rig.sentences)
    assert rig.reader.status.ok
    _, _, v, flags = rig.joined()
    assert np.all(flags[v == 0.0] & SampleFlag.SUSPECT)


def test_clock_line_held_low_is_named() -> None:
    rig = Rig()
    settled(rig)

    def stick() -> None:
        rig.bus.stuck = "timeout"

    def free() -> None:
        rig.bus.stuck = None

    rig.clock.at(0.3, stick)
    rig.clock.at(7.0, free)
    rig.run(12.0)
    assert any("The I2C bus is stuck (clock line held low)" in s for s in rig.sentences)
    assert rig.reader.status.ok


def test_a_bus_that_is_never_free_is_named() -> None:
    rig = Rig()
    settled(rig)

    def hold(held: bool) -> None:
        rig.bus.lock_held = held

    rig.clock.at(0.3, lambda: hold(True))
    rig.clock.at(1.5, lambda: hold(False))
    rig.run(4.0)
    assert any("held by another program or thread" in s for s in rig.sentences)
    assert rig.reader.status.ok


def test_a_conversion_that_never_ends_is_named() -> None:
    volts = SteadyVoltage((1.65, 1.65, 1.65, 1.65))
    rig = Rig(ready=False, settings=AdcSettings(pairs=((0, 1), (2, 3)), full_scale_V=0.256), voltage=volts)
    settled(rig)

    def stick(stuck: bool) -> None:
        rig.chip.never_finishes = stuck

    rig.clock.at(0.3, lambda: stick(True))
    rig.clock.at(1.5, lambda: stick(False))
    rig.run(4.0)
    assert any("does not finish its conversions" in s for s in rig.sentences)
    assert rig.reader.status.ok


@pytest.mark.long
def test_a_broken_ready_wire_falls_back_to_the_rate_and_says_so() -> None:
    rig = Rig()
    settled(rig)
    assert rig.ready is not None
    rig.ready.muted = True
    rig.run(3.0)
    assert any("ready wire gives no pulses" in s for s in rig.sentences)
    status = rig.reader.status
    assert status.ok
    assert status.pacing == "rate"
    assert "paced by its rate" in status.text
    rig.ready.muted = False
    rig.run(25.0)
    assert rig.reader.status.pacing == "ready wire", "tried again after a while"


def test_stalled_is_judged_from_outside() -> None:
    rig = Rig()
    settled(rig)
    rig.clock.reader = None
    rig.clock.advance(0.24)
    assert not rig.reader.status.stalled
    rig.clock.advance(0.02)
    status = rig.reader.status
    assert status.stalled
    assert not status.ok
    assert "No sample from the converter for 0.3 s" in status.text


@pytest.mark.parametrize(
    ("bad", "match"),
    [
        ({"rate": 861}, "no rate of 861"),
        ({"pairs": ((1, 0),)}, "no differential pair"),
        ({"full_scale_V": 0.3}, "no range of 0.3 V"),
        ({"front_end_gain": 0.0}, "must be positive"),
        ({"chip": "ADS1015", "rate": 860}, "ADS1015 has no rate of 860"),
    ],
)
def test_impossible_settings_are_refused(bad: dict[str, object], match: str) -> None:
    with pytest.raises(InputError, match=match):
        AdcSettings(**bad)  # type: ignore[arg-type]


def test_chip_error_is_a_sentence() -> None:
    assert str(ChipError("A plain sentence.")) == "A plain sentence."


# ---- whoever takes the blocks ------------------------------------------------------------------------------


def test_a_receiver_that_raises_is_told_and_harms_nothing() -> None:
    taken: list[SampleBlock] = []
    seen: list[AdcStatus] = []
    broken = [False]

    def receive(block: SampleBlock) -> None:
        taken.append(block)
        if broken[0]:
            raise ValueError("no room")

    rig = Rig(on_block=receive)
    for after_s, now_broken in ((1.0, True), (1.5, False), (3.0, False)):
        rig.clock.at(after_s, lambda: seen.append(rig.reader.status))
        rig.clock.at(after_s, partial(broken.__setitem__, 0, now_broken))
    rig.run(3.2)
    assert [status.ok for status in seen] == [True, False, True]
    assert "what takes them fails (ValueError: no room)" in seen[1].text
    assert rig.reader.status.restarts == 0
    index = np.concatenate([b.index for b in taken])
    assert np.all(np.diff(index) == 1), "acquisition went on meanwhile without a gap"


def test_blocks_come_from_the_reading_thread() -> None:
    """In real threads: the callback runs in the thread that reads, not in the watchdog or the caller's."""
    rig = Rig(ready=False)
    names: set[str] = set()
    got = threading.Event()

    def receive(_block: SampleBlock) -> None:
        names.add(threading.current_thread().name)
        got.set()

    with AdcReader(rig.bus, rig.clock, AdcSettings(full_scale_V=0.256), on_block=receive):
        assert got.wait(5.0)
    assert names == {"adc-0x48"}


# ---- three axes on one chip ---------------------------------------------------------------------------------

#: The chip's multiplexer offers exactly these against input 3 (ADS1115 data sheet, config register bits 14:12).
THREE_AXES = AdcSettings(pairs=((0, 3), (1, 3), (2, 3)), full_scale_V=0.256)


class Ramp:
    """Each input has its own level, and all rise with time: a sample tells its input and when its conversion ended."""

    generation = 0
    source_ohm = 0.0
    SLOPE_V_PER_S: float = 0.02
    LEVEL_V = (-0.2, -0.1, 0.0, 0.0)
    INPUT_V = 1.65
    """Against the converter's own 0 V: mid-supply."""

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        if negative is None:
            return np.full(end_s.shape, self.INPUT_V)
        level = self.LEVEL_V[positive] - self.LEVEL_V[negative]
        return level + self.SLOPE_V_PER_S * (end_s - 100.0)


@pytest.mark.parametrize("rate_error", [-0.08, 0.0, 0.08])
def test_three_axes_keep_their_channel_their_time_and_their_number(rate_error: float) -> None:
    rig = Rig(settings=THREE_AXES, voltage=Ramp(), ready=False, rate_error=rate_error, noise_V=1e-6)
    rig.run(4.0)
    for channel in range(3):
        index, t, v, flags = rig.joined(channel)
        ended_s = (v - Ramp.LEVEL_V[channel]) / Ramp.SLOPE_V_PER_S + 100.0
        # A sample of another channel would be 5 s off; a step of the converter is 0.4 ms of this ramp.
        assert np.abs(t - ended_s).max() < 1.5e-3, "no sample of another axis"
        assert abs(np.mean(t - ended_s)) < 0.25e-3, "the stamp is the end of its own conversion"
        slope, start = np.polyfit(index, t, 1)
        assert np.abs(t - index * slope - start).max() < 0.5e-3, "the index tells the time"
        rate_Hz = index.size / (t[-1] - t[0])
        print(f"axis {channel}: {rate_Hz:.0f} samples/s")
        assert rate_Hz > 150, "about 165 a second each"
        assert not np.any(flags & SampleFlag.SUSPECT)
    status_Hz = rig.reader.status.rate_Hz
    assert status_Hz == pytest.approx(rate_Hz, rel=0.03), "told per axis"


def test_failed_transfers_shift_no_index_against_time() -> None:
    rig = Rig(settings=THREE_AXES, voltage=Ramp(), ready=False, noise_V=1e-6)
    for k in range(12):
        fault = OSError(errno.EREMOTEIO, "Remote I/O error")
        rig.clock.at(0.5 + 0.2 * k, partial(rig.bus.fail_next.append, fault))
    rig.run(4.0)
    index, t, _, flags = rig.joined(1)
    slope, start = np.polyfit(index, t, 1)
    assert np.abs(t - index * slope - start).max() < 0.6e-3
    assert np.any(flags & SampleFlag.AFTER_GAP), "what was missed is marked"
    assert rig.reader.status.errors == 12
    assert rig.sentences == []


def break_and_mend_the_reference(rig: Rig, voltage: Ramp, broken_s: float, mended_s: float, end_s: float) -> None:
    """Told just before each change and just before the end: sound, broken and by its name, sound again."""
    seen: list[tuple[bool, str]] = []

    def look() -> None:
        seen.append((rig.reader.status.ok, rig.reader.status.text))

    # The clock takes them in the order of time.
    rig.clock.at(broken_s - 0.05, look)
    rig.clock.at(broken_s, lambda: setattr(voltage, "INPUT_V", 1.65 - 1.8))
    rig.clock.at(mended_s - 0.05, look)
    rig.clock.at(mended_s, lambda: setattr(voltage, "INPUT_V", 1.65 + 0.08))
    rig.clock.at(end_s - 0.1, look)
    rig.run(end_s)
    assert [ok for ok, _ in seen] == [True, False, True]
    assert "reference contact" in seen[1][1] and "ring" in seen[1][1]


def test_a_broken_reference_contact_is_noticed_and_named() -> None:
    """Computed circuit (hardware/receiver_front_end): 0.08 V from mid-supply with the contact, 1.8 V without."""
    voltage = Ramp()
    voltage.SLOPE_V_PER_S = 0.005
    rig = Rig(settings=THREE_AXES, voltage=voltage, ready=False, noise_V=1e-6)
    break_and_mend_the_reference(rig, voltage, broken_s=7.1, mended_s=15.6, end_s=23.0)
    index, t, _, _ = rig.joined(0)
    slope, start = np.polyfit(index, t, 1)
    assert np.abs(t - index * slope - start).max() < 0.6e-3, "looking does not shift numbers against time"


@pytest.mark.parametrize("rate_error", [-0.08, *(pytest.param(e, marks=pytest.mark.slow) for e in (0.0, 0.07))])
def test_a_broken_reference_contact_is_named_while_one_pair_runs_freely(
    rate_error: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Free running is interrupted for the look, and goes on in step: neither numbers nor ends of conversions shift."""
    monkeypatch.setattr(acquisition, "FREE_REFERENCE_EVERY_S", 0.8)
    voltage = Ramp()
    settings = AdcSettings(full_scale_V=0.256, free_looks=True)
    rig = Rig(rate_error=rate_error, settings=settings, voltage=voltage, noise_V=1e-6)
    break_and_mend_the_reference(rig, voltage, broken_s=1.25, mended_s=2.25, end_s=3.2)
    assert rig.sentences == [] and rig.reader.status.pacing == "ready wire"
    index, t, v, _ = rig.joined(0)
    gaps = np.diff(index) - 1
    assert np.count_nonzero(gaps) >= 3 and gaps.max() < 25, "a look costs some samples, and they are told as lost"
    slope, start = np.polyfit(index, t, 1)
    assert np.abs(t - index * slope - start).max() < 0.2e-3, "looking does not shift numbers against time"
    # The voltage tells when a conversion really ended: nothing of the single-ended look is in the samples either.
    walk = v - np.polyval(np.polyfit(index, v, 1), index)
    assert np.abs(walk).max() < 0.8e-3 * voltage.SLOPE_V_PER_S, "and not a conversion off"


def test_a_machine_too_busy_to_go_on_in_step_says_so_and_looks_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acquisition, "FREE_REFERENCE_EVERY_S", 0.6)
    settings = AdcSettings(full_scale_V=0.256, free_looks=True)
    rig = Rig(settings=settings, voltage=Ramp(), noise_V=1e-6, late=lambda _: 0.5e-3)
    rig.run(1.6)
    assert len(rig.sentences) == 1 and "in step" in rig.sentences[0]
    assert rig.reader.status.ok


@pytest.mark.parametrize("pairs", [((0, 1),), ((0, 1), (2, 3))])
def test_blocks_end_where_they_are_asked_to(pairs: tuple[tuple[int, int], ...]) -> None:
    """Lost conversions and a converter that was set up anew shift no later end; all pairs' blocks end together."""
    every = 86 if len(pairs) == 1 else 34
    rig = Rig(settings=AdcSettings(full_scale_V=0.256, pairs=pairs))
    rig.run(0.5)
    before = len(rig.blocks)
    grid = BlockGrid(7, every)
    rig.reader.end_blocks(grid)
    rig.clock.at(0.73, lambda: rig.clock.advance(0.007))
    rig.clock.at(1.31, rig.chip.reset)
    rig.run(3.0)
    assert rig.reader.status.restarts == 1
    blocks = rig.blocks[before + 2 * len(pairs) : -2 * len(pairs)]
    long = [b for b in blocks if len(b) > 0.9 * every]
    assert len(long) >= (20 if len(pairs) == 1 else 10)
    off = [int(b.index[-1]) for b in blocks if (int(b.index[-1]) + 1 - 7) % every]
    assert len(off) <= 2 * len(pairs), f"only where the converter was reset: {off}"
    assert all(np.all(np.diff(b.index) > 0) for b in blocks)


def test_a_grids_ends() -> None:
    grid = BlockGrid(7, 86)
    assert [grid.end_after(k) for k in (-80, 5, 6, 91, 92)] == [6, 6, 92, 92, 178]
