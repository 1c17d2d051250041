"""The firmware's own binary on the virtual ATmega328P: edges to the cycle, every fault timed.

All times are virtual (cycles of 16 MHz), so a slow machine changes nothing. tests/benchmarks/bench_board.py prints the
same figures as a table.
"""

from __future__ import annotations

import hashlib
import math
import zlib
from pathlib import Path

import pytest
from tests.support import board_figures as figures
from tests.support.board_rig import SOURCES, FirmwareRig, build_or_skip
from tests.support.board_starts import starts

from earthward.devices.protocol import EventCode, Identity, ResetCause, Type, unpack_report
from earthward.emulated.virtual_mcu import DRIVE_NEGATIVE, DRIVE_POSITIVE, OUTPUTS, Build, World
from earthward.record.board import BoardState, Trip
from earthward.record.waveform import WAVEFORMS, WaveformName

#: the output stage's relays are specified to operate and release within this (small-signal relay, from memory)
RELAY_S = 0.005


# ---- build ------------------------------------------------------------------------------------------------


def test_build_is_reproducible_and_says_what_it_is(build: Build, tmp_path: Path) -> None:
    again = build_or_skip(tmp_path / "somewhere-else")
    assert again.firmware.read_bytes() == build.firmware.read_bytes()
    assert figures.program_size(build) < 28 * 1024, "room for a boot loader's worth of growth"
    folder = SOURCES / "firmware"
    sources = sorted(folder.glob("*.[ch]"), key=lambda p: p.name.encode())
    digest = hashlib.sha256(b"".join(p.read_bytes() for p in sources) + (folder / "Makefile").read_bytes())
    rig = FirmwareRig(build)
    identity = rig.hello()
    rig.close()
    assert identity.build == int(digest.hexdigest()[:8], 16)
    assert identity.max_current_uA == 15_000 < 20_000


def test_program_carries_its_own_checksum(build: Build) -> None:
    image = bytearray()
    for line in build.firmware.read_text().split():
        if line[7:9] == "00":
            image += bytes.fromhex(line[9:-2])
    assert zlib.crc32(image[:-4]) == int.from_bytes(image[-4:], "little")


def test_a_flipped_bit_in_flash_is_a_failed_self_test(build: Build) -> None:
    # anywhere: first the checksum itself, then the last byte of the program before it
    for address, mask in ((figures.flash_crc_address(build), 1), (figures.flash_crc_address(build) - 1, 0x80)):
        rig = FirmwareRig(build, boot=False)
        rig.mcu.flip_flash(address, mask)
        for _ in range(2):
            rig.wait(0.3)
            telemetry = unpack_report(rig.take(Type.TELEMETRY)[-1].body, 0.0)
            assert (telemetry.state, telemetry.trip) == (BoardState.TRIPPED, Trip.SELF_TEST), "no button repairs that"
            assert not rig.driven
            rig.recover()
        rig.close()


# ---- waveform ---------------------------------------------------------------------------------------------


def mean_levels(waveform: WaveformName) -> list[float]:
    """What docs/protocol.md says a period is, as mean drive over equal parts, dead time neglected."""
    levels = WAVEFORMS[waveform].levels
    if levels is not None:
        return [float(level) for level in levels for _ in range(math.ceil(10 / len(levels)))]
    return [
        0.8 * 32 / (2 * math.pi) * (math.cos(2 * math.pi * k / 32) - math.cos(2 * math.pi * (k + 1) / 32))
        for k in range(32)
    ]


@pytest.mark.parametrize("frequency_Hz", [5.0, 35.2, 100.0])
@pytest.mark.parametrize("waveform", tuple(WAVEFORMS))
def test_edges_to_the_tick(build: Build, waveform: WaveformName, frequency_Hz: float) -> None:
    seen = figures.trace(build, waveform, frequency_Hz, 1.3 if frequency_Hz < 10 else 0.5)
    print(
        f"{waveform} {frequency_Hz} Hz: {seen.periods} periods, edge jitter {seen.jitter_cycles} cycles, "
        f"net charge {seen.worst_charge_ticks} ticks, least gap {seen.least_gap_ticks / 2:.1f} us"
    )
    assert seen.periods >= 5
    assert seen.both_high == 0
    assert seen.least_gap_ticks >= 120, "60 us dead time"
    assert seen.worst_charge_ticks == 0, "positive and negative time of every period"
    assert seen.jitter_cycles == 0, "edges are made by the compare units, whatever the code is doing"
    # A part of a coded or square period may lack 60 us of dead time; a sine's widths are rounded to 1/256 of the slot,
    # and its narrowest pulse is 60 us, which shows at 100 Hz only.
    if waveform == "sine":
        slack = 0.13 if frequency_Hz == 100 else 0.01
    else:
        slack = 61e-6 * frequency_Hz * 10
    assert seen.levels == pytest.approx(mean_levels(waveform), abs=slack)


@pytest.mark.parametrize("frequency_Hz", [35.2, 99.0])
def test_electrodes_are_switched_cold_and_break_before_make(build: Build, frequency_Hz: float) -> None:
    gap_s, both, cold_s = figures.switch_gap(build, frequency_Hz)
    assert not both
    assert gap_s >= RELAY_S
    assert cold_s >= 0, "drives low before a relay moves"


@pytest.mark.parametrize("waveform", ["sine", "coded"])
def test_no_overflow_of_the_tick_counter_is_lost(build: Build, waveform: WaveformName) -> None:
    """The counter's high part is counted in a handler; one that is missed makes the clock 32.8 ms late for ever."""
    rig = FirmwareRig(build)
    rig.energise(rig.configuration(waveform, 36.0))
    tick, cycle = rig.beat().tick, rig.mcu.cycle
    rig.run(2.5)
    ticks, cycles = rig.beat().tick - tick, rig.mcu.cycle - cycle
    rig.close()
    # 4 ms: both ends of the span are heartbeats on the wire, and one may wait 2 ms behind a report. A missed overflow
    # is 65,536 ticks.
    assert ticks == pytest.approx(cycles / 8, abs=8000)


# ---- faults, timed ----------------------------------------------------------------------------------------


def test_deadman(build: Build) -> None:
    times = figures.deadman_s(build)
    print("dead-man", times)
    assert all(0.480 <= t <= 0.520 for t in times), times


@pytest.mark.parametrize("waveform", tuple(WAVEFORMS))
def test_over_current_is_off_within_one_half_cycle(build: Build, waveform: WaveformName) -> None:
    levels = WAVEFORMS[waveform].levels
    half_s = (0.5 if levels is None else 1 / len(levels)) / 35.2
    times = figures.over_current_s(build, waveform, seed=WAVEFORMS[waveform].code, tries=4)
    print(f"over-current {waveform}", times)
    assert all(t <= half_s for t in times), times


@pytest.fixture(scope="module")
def fault_times(build: Build) -> dict[str, tuple[float, int]]:
    return figures.fault_times_s(build)


PERIOD_S = 1 / 35.2
#: fault -> (bound in seconds, the trips that may name it; 255: the board restarted, no trip)
BOUNDS: dict[str, tuple[float, set[int]]] = {
    "emergency stop opened": (0.003, {Trip.EMERGENCY_STOP}),
    "enable released": (0.006, {Trip.ENABLE_RELEASED}),
    "short circuit, 8 mA limit": (PERIOD_S / 10, {Trip.OVER_CURRENT}),
    "bridge supply 13 V, electrodes open": (PERIOD_S / 10, {Trip.OVER_VOLTAGE}),
    "negative half dead": (PERIOD_S, {Trip.DISAGREEMENT}),
    "square: negative half dead": (2 * PERIOD_S + 0.001, {Trip.DISAGREEMENT}),
    "negative half meets three times the load": (2 * PERIOD_S, {Trip.ASYMMETRY}),
    "bridge stuck positive": (PERIOD_S, {Trip.DISAGREEMENT}),
    # named as disagreement at once, then the watchdog restarts a chip whose converter stays dead
    "converter stopped": (0.006, {Trip.DISAGREEMENT, Trip.WATCHDOG}),
    "current input stuck at rest": (PERIOD_S, {Trip.DISAGREEMENT, Trip.ASYMMETRY}),
    "voltage input stuck at rest": (PERIOD_S, {Trip.DISAGREEMENT}),
    "current input stuck at 0 V": (PERIOD_S / 10, {Trip.OVER_CURRENT}),
    "chip supply 4.0 V": (0.2, {Trip.SELF_TEST, Trip.OVER_CURRENT, Trip.OVER_VOLTAGE}),
    "waveform interrupt lost": (0.013, {Trip.ENGINE_STALLED}),
    # 30 ms nominal; the chip's watchdog oscillator is good to about +-10 % (from memory)
    "main loop hangs": (0.036, {Trip.WATCHDOG}),
    "everything hangs": (0.036, {Trip.WATCHDOG}),
    "battery 9 V": (0.15, {Trip.BATTERY_LOW}),
    "75 degrees C": (0.15, {Trip.TOO_HOT}),
    "chip reset from outside": (1e-6, {255}),
}


@pytest.mark.parametrize("fault", list(BOUNDS))
def test_fault_takes_the_output_off_in_time(fault_times: dict[str, tuple[float, int]], fault: str) -> None:
    seconds, trip = fault_times[fault]
    bound, names = BOUNDS[fault]
    print(f"{fault}: off after {seconds * 1e3:.2f} ms, trip {trip}")
    assert seconds <= bound, "nan: never"
    assert trip in names


def test_every_fault_has_a_bound(fault_times: dict[str, tuple[float, int]]) -> None:
    assert set(fault_times) == set(BOUNDS)


def test_a_pulse_ends_by_itself_when_everything_hangs(build: Build) -> None:
    """The compare unit ends the pulse although no instruction runs any more: no direct current until the watchdog."""
    rig = FirmwareRig(build)
    rig.energise(rig.configuration("square", 60.0))
    rig.run(0.1)
    while not rig.mcu.output(DRIVE_POSITIVE):
        rig.wait(0.0005)
    rig.mcu.hang(interrupts_live=False)
    rig.wait(0.5 / 60.0)
    assert not rig.mcu.output(DRIVE_POSITIVE) and not rig.mcu.output(DRIVE_NEGATIVE)
    assert rig.mcu.resets == 0, "it was not the watchdog"
    rig.close()


def test_watchdog_restart_is_named_within_a_second_and_never_rearms(build: Build) -> None:
    rig = figures.energised(build)
    rig.take(Type.BOOT)
    rig.mcu.hang(interrupts_live=True)
    start = rig.mcu.time_s
    while not rig.take(Type.BOOT):
        rig.wait(0.005)
        assert rig.mcu.time_s - start < 1.0
    took = rig.mcu.time_s - start
    print(f"restart named after {took * 1e3:.0f} ms")
    identity = rig.hello()
    assert identity.reset_cause == ResetCause.WATCHDOG
    rig.mcu.forget_edges()
    rig.run(0.6)
    assert rig.tripped_by() == Trip.WATCHDOG
    assert not [e for e in rig.mcu.edges() if e.value and e.pin in OUTPUTS]
    rig.close()


@pytest.mark.parametrize("cause", [ResetCause.POWER_ON, ResetCause.EXTERNAL, ResetCause.BROWN_OUT])
def test_no_output_pin_moves_before_energise(build: Build, cause: ResetCause) -> None:
    """Power-up, and resets at awkward moments of a running waveform: outputs only ever go low."""
    rig = FirmwareRig(build, boot=False)
    rig.wait(0.3)
    assert not [e for e in rig.mcu.edges() if e.pin in OUTPUTS], "power-up"
    for moment_s in (0.0, 0.0031, 0.0143):
        rig.energise(rig.configuration("coded"))
        rig.run(0.1)
        rig.wait(moment_s)
        rig.mcu.forget_edges()
        rig.restart(cause)
        rig.wait(0.3)
        assert not [e for e in rig.mcu.edges() if e.value and e.pin in OUTPUTS], (cause, moment_s)
        assert not rig.driven
        rig.recover()
    rig.close()


def test_boot_count_survives_power(build: Build) -> None:
    rig = FirmwareRig(build)
    counts = []
    for _ in range(3):
        rig.restart(ResetCause.POWER_ON)
        rig.wait(0.2)
        counts += [Identity.unpack(f.body).boot_count for f in rig.take(Type.BOOT)]
    rig.close()
    assert counts[-3:] == [counts[-3], counts[-3] + 1, counts[-3] + 2]


# ---- measurement ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("load_ohm", "trips"), [(800.0, False), (730.0, True)])
def test_current_limit_is_where_it_was_asked(build: Build, load_ohm: float, trips: bool) -> None:
    """10 V behind 1200 ohm: 5.00 mA passes a limit of 5.1 mA, 5.18 mA does not (converter step 49 uA)."""
    rig = FirmwareRig(build)
    rig.arm(rig.configuration(limit_uA=5_100))
    rig.set_load(load_ohm)
    rig.set_enable(True)
    rig.wait(0.02)
    rig.request(Type.ENERGISE)
    rig.run(0.5)
    assert (rig.status().trip == Trip.OVER_CURRENT) is trips
    rig.close()


def test_idle_voltage_of_the_water(build: Build) -> None:
    rig = FirmwareRig(build)
    for dc_V, ac_V, mains_Hz in ((1.0, 2.0, 60.0), (-0.6, 0.3, 50.0), (0.0, 11.3, 50.0)):
        with rig.mcu.world() as world:
            world.stray_dc_V, world.stray_ac_V, world.stray_Hz = dc_V, ac_V, mains_Hz
        rig.wait(0.35)
        telemetry = rig.status()
        # half a step of the converter; and 100 ms are cut to whole samples, up to 0.52 ms apart (a slow channel is read
        # twice between two voltages): so much of the mains' amplitude is left over in the mean
        assert telemetry.idle_dc_V * 1e3 == pytest.approx(dc_V * 1e3, abs=16 + ac_V * 1e3 * 0.52 / 100)
        # rms of a sine (IEC 60050 101-14-16); a step of the converter is 31 mV, 9 mV rms of its own noise
        assert telemetry.idle_ac_V * 1e3 == pytest.approx(ac_V * 1e3 / math.sqrt(2), rel=0.02, abs=6)
    rig.close()


def test_limiting_is_flagged(build: Build) -> None:
    """A bonded electrode takes all the stage can give: 100 ohm behind 1200 ohm leaves 0.8 V of 10 V for the water."""
    for load_ohm, limiting in ((100.0, True), (1000.0, False)):
        rig = FirmwareRig(build)
        rig.set_load(load_ohm)
        rig.energise(rig.configuration(limit_uA=10_000))
        rig.run(0.3)
        telemetry = rig.status()
        assert telemetry.state == BoardState.ENERGISED
        assert telemetry.current_limiting is limiting
        assert telemetry.current_positive_A * 1e6 == pytest.approx(10e6 / (1200 + load_ohm), rel=0.02)
        rig.close()


def test_peak_is_kept_through_a_trip(build: Build) -> None:
    rig = figures.energised(build, limit_uA=8_000)
    rig.set_load(0.0)
    rig.wait(0.05)
    telemetry = rig.status()
    assert telemetry.trip == Trip.OVER_CURRENT
    assert telemetry.current_peak_A * 1e6 == pytest.approx(10e6 / 1200, rel=0.02)
    events = [e for e in rig.events() if e.event == EventCode.TRIPPED]
    assert [e.trip for e in events] == [Trip.OVER_CURRENT]
    later = unpack_report(rig.request(Type.OFF), 0.0)
    assert later.current_peak_A * 1e6 == telemetry.current_peak_A * 1e6
    rig.close()


# ---- the line ---------------------------------------------------------------------------------------------


def check_corrupted(build: Build, count: int) -> None:
    sent, answers, difference = figures.corrupted_frames(build, count)
    print(f"{sent} corrupted frames, {answers} answered")
    assert answers == 0
    # the reference is the host's reader (library `cobs`, zlib): both threw away the same frames
    assert difference == 0


def test_corrupted_frames_are_not_accepted(build: Build) -> None:
    check_corrupted(build, 4_000)


@pytest.mark.slow
def test_a_million_corrupted_frames(build: Build) -> None:
    check_corrupted(build, 1_000_000)


@pytest.mark.parametrize("seconds", [2.0, pytest.param(60.0, marks=pytest.mark.slow)])
def test_garbage_neither_energises_nor_locks_the_link(build: Build, seconds: float) -> None:
    driven, took_s = figures.garbage(build, seconds)
    assert not driven
    assert took_s <= 0.05, "the link answers at once"


def check_starts(build: Build, count: int, seed: int) -> None:
    made = starts(build, count, seed)
    print(made)
    assert made.count == count
    assert made.tripped == []


def test_no_good_start_is_tripped(build: Build) -> None:
    """Any supply, load, waveform and phase of the converter's round. The battery's value, converted when the test of
    the clamp began, was once taken for the bridge rail's (12 of 300 starts tripped), and the converter's handler held
    up the end of short pulses (12 of these, `sine` above 40 Hz)."""
    check_starts(build, 40, seed=1)


@pytest.mark.slow
def test_no_good_start_of_ten_thousand_is_tripped(build: Build) -> None:
    check_starts(build, 10_000, seed=2)


def test_a_bad_start_would_be_seen(build: Build) -> None:
    """The same starts with the clamp missing and a battery that could reach it."""

    def no_clamp(world: World) -> None:
        world.clamp_V, world.battery_V = math.inf, 14.0

    assert len(starts(build, 10, seed=1, world=no_clamp).tripped) == 10
