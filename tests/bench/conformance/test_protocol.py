"""docs/protocol.md, sentence by sentence, against every board that claims to speak it."""

from __future__ import annotations

import itertools
import struct
import zlib
from dataclasses import replace

import pytest
from cobs import cobs
from tests.support.board_rig import Rig

from earthward.devices.protocol import (
    VERSION,
    ArmRequest,
    Configuration,
    Electrode,
    EventCode,
    Frame,
    Identity,
    ResetCause,
    Type,
    unpack_report,
)
from earthward.record.board import BoardState, Refusal, Trip
from earthward.record.waveform import BY_CODE, WAVEFORMS, WaveformName

# ---- identity and restart ---------------------------------------------------------------------------------


def test_identity_tells_limits_and_what_it_is(rig: Rig) -> None:
    identity = rig.hello()
    assert identity.protocol == VERSION
    assert identity.emulated == rig.emulated
    assert identity.limits_crc == identity.expected_limits_crc()
    assert identity.deadman_ms == 500
    # 20 mA is the output stage's own limit, 12.4 V peak the NEC contact limit for interrupted DC
    assert 0 < identity.max_current_uA < 20_000
    assert identity.max_voltage_mV <= 12_400
    assert identity.reset_cause == ResetCause.POWER_ON


@pytest.mark.parametrize(
    ("cause", "state", "trip"),
    [
        (ResetCause.POWER_ON, BoardState.OFF, Trip.NONE),
        (ResetCause.EXTERNAL, BoardState.OFF, Trip.NONE),
        (ResetCause.BROWN_OUT, BoardState.TRIPPED, Trip.SELF_TEST),
        (ResetCause.WATCHDOG, BoardState.TRIPPED, Trip.WATCHDOG),
    ],
)
def test_restart_names_itself_once_and_never_rearms(rig: Rig, cause: ResetCause, state: BoardState, trip: Trip) -> None:
    before = rig.hello()
    rig.energise()
    rig.run(0.3)
    tick_before = rig.beat().tick
    rig.take(Type.BOOT)
    rig.restart(cause)
    assert not rig.driven
    rig.wait(0.3)
    boots = [Identity.unpack(frame.body) for frame in rig.take(Type.BOOT)]
    assert [boot.reset_cause for boot in boots] == [cause]
    assert boots[0].boot_count == (before.boot_count + 1) & 0xFFFF
    assert boots[0] == rig.hello()
    beat = rig.beat()
    assert beat.tick < tick_before, "ticks start at 0"
    rig.run(0.5)
    telemetry = rig.status()
    assert (telemetry.state, telemetry.trip) == (state, trip)
    assert not rig.driven
    refused = rig.refusal(Type.ENERGISE)
    assert refused is (Refusal.TRIPPED if trip else Refusal.WRONG_STATE)


# ---- frames -----------------------------------------------------------------------------------------------


def test_every_reply_repeats_the_sequence_number(rig: Rig) -> None:
    for seq in (0, 1, 127, 128, 255, 255):
        rig.request(Type.HELLO, seq=seq)
        rig.request(Type.HEARTBEAT, b"\0\1\0\2", seq=seq)


def test_heartbeat_returns_the_stamp_and_a_rising_tick(rig: Rig) -> None:
    rate = rig.hello().tick_Hz
    first = rig.beat(0xFFFFFFFF)
    rig.wait(0.2)
    second = rig.beat(0)
    assert (first.host_stamp, second.host_stamp) == (0xFFFFFFFF, 0)
    # nominal rate within the 0.5 % that the protocol allows, plus the request's own time
    assert 0.2 * rate * 0.99 < second.tick - first.tick < 0.2 * rate * 1.01 + 0.01 * rate


def bad_frames(rig: Rig) -> dict[str, bytes]:
    payload = bytes((VERSION, Type.HELLO, 9))
    sound = payload + struct.pack("<I", zlib.crc32(payload))
    flipped = bytearray(sound)
    flipped[1] ^= 4
    versioned = bytes((VERSION + 1, Type.HELLO, 9))
    long = bytes((VERSION, Type.HELLO, 9)) + bytes(range(1, 63))
    return {
        "checksum": cobs.encode(bytes(flipped)),
        "version": cobs.encode(versioned + struct.pack("<I", zlib.crc32(versioned))),
        "too short": cobs.encode(b"\x01\x01" + struct.pack("<I", zlib.crc32(b"\x01\x01"))),
        "too long": cobs.encode(long + struct.pack("<I", zlib.crc32(long))),
        "cut": cobs.encode(sound)[:-2],
        "block past the end": b"\x20" + sound.replace(b"\0", b"\1"),
        "endless": b"\x55" * 3000,
    }


def test_bad_frames_are_counted_and_otherwise_ignored(rig: Rig) -> None:
    for what, data in bad_frames(rig).items():
        before = rig.status().bad_frames
        rig.take_replies()
        for k in range(0, len(data) + 1, 100):
            rig.send((data + b"\0")[k : k + 100])
            rig.wait(0.005)
        assert rig.take_replies() == [], what
        after = rig.status().bad_frames
        assert (after - before) & 0xFF == 1, what
    rig.send(b"\0\0\0\0")
    rig.wait(0.01)
    assert rig.status().bad_frames == after, "zeros between frames are no frames"


def test_unknown_requests_are_refused(rig: Rig) -> None:
    for kind in (0x00, 0x09, 0x40, 0x7F):
        assert rig.refusal(kind) is Refusal.UNKNOWN
    # a reply or an unsolicited type is no request either
    for kind in (Type.BOOT, Type.TELEMETRY, Type.EVENT):
        assert rig.refusal(kind) is Refusal.UNKNOWN


def test_wrong_body_lengths_are_refused(rig: Rig) -> None:
    right = {Type.HELLO: 0, Type.CONFIGURE: 10, Type.ARM: 8, Type.ENERGISE: 0, Type.OFF: 0}
    right |= {Type.HEARTBEAT: 4, Type.SELECT: 1, Type.STATUS: 0}
    for kind, length in right.items():
        for wrong in {length + 1, max(0, length - 1), 61} - {length}:
            assert rig.refusal(kind, b"\1" * wrong) is Refusal.BAD_BODY, (kind, wrong)


def test_telemetry_comes_ten_times_a_second_with_its_own_sequence(rig: Rig) -> None:
    rig.wait(0.1)
    rig.take(Type.TELEMETRY)
    rig.wait(2.0)
    frames = rig.take(Type.TELEMETRY)
    assert 19 <= len(frames) <= 21
    assert all(unpack_report(f.body, 0.0).state == BoardState.OFF for f in frames)
    numbers = [f.seq for f in frames]
    assert [(b - a) & 0xFF for a, b in itertools.pairwise(numbers)] == [1] * (len(numbers) - 1)


# ---- configuration ----------------------------------------------------------------------------------------


def test_configuration_is_taken_exactly_or_not_at_all(rig: Rig) -> None:
    identity = rig.hello()
    tick = identity.tick_Hz
    good = Configuration(WAVEFORMS["coded"].code, Electrode.A, 56_817, 10_000)
    for wanted in (
        good,
        replace(good, waveform=WAVEFORMS["sine"].code, electrode=Electrode.B),
        replace(good, period_ticks=tick // 100),
        replace(good, period_ticks=tick // 5),
        replace(good, current_limit_uA=identity.max_current_uA),
        replace(good, current_limit_uA=1),
    ):
        rig.configure(wanted)
    for wrong, reason in (
        (replace(good, waveform=max(BY_CODE) + 1), Refusal.BAD_BODY),
        (replace(good, electrode=2), Refusal.BAD_BODY),
        (replace(good, period_ticks=0), Refusal.BAD_BODY),
        (replace(good, period_ticks=tick // 100 - 1), Refusal.BAD_BODY),
        (replace(good, period_ticks=tick // 5 + 1), Refusal.BAD_BODY),
        (replace(good, period_ticks=0xFFFFFFFF), Refusal.BAD_BODY),
        (replace(good, current_limit_uA=0), Refusal.BAD_BODY),
        (replace(good, current_limit_uA=identity.max_current_uA + 1), Refusal.ABOVE_LIMIT),
        (replace(good, current_limit_uA=0xFFFFFFFF), Refusal.ABOVE_LIMIT),
    ):
        assert rig.refusal(Type.CONFIGURE, wrong.pack()) is reason, wrong
    telemetry = rig.status()
    assert telemetry.period_ticks == good.period_ticks, "a refused configuration changes nothing"


def test_arming_needs_everything_in_order(rig: Rig) -> None:
    good = rig.configuration()
    body = rig.arm_body(good)
    assert rig.refusal(Type.ARM, body) is Refusal.CHECKSUM, "nothing configured yet"
    rig.configure(good)
    assert rig.refusal(Type.ARM, body) is Refusal.NO_HEARTBEAT
    rig.beat()
    identity = rig.hello()
    assert rig.refusal(Type.ARM, ArmRequest(identity.crc() ^ 1, good.crc()).pack()) is Refusal.CHECKSUM
    assert rig.refusal(Type.ARM, ArmRequest(identity.crc(), good.crc() ^ 1).pack()) is Refusal.CHECKSUM
    other = replace(good, current_limit_uA=5000)
    assert rig.refusal(Type.ARM, ArmRequest(identity.crc(), other.crc()).pack()) is Refusal.CHECKSUM
    assert rig.refusal(Type.ENERGISE) is Refusal.WRONG_STATE
    assert rig.status().state == BoardState.OFF
    for _ in range(2):  # idempotent
        assert unpack_report(rig.request(Type.ARM, body), 0.0).state == BoardState.ARMED
    assert rig.refusal(Type.CONFIGURE, good.pack()) is Refusal.WRONG_STATE
    assert not rig.driven


def test_energising_needs_the_enable_held_and_seen_released(rig: Rig) -> None:
    rig.set_enable(True)  # from the start: as if tied closed
    rig.restart(ResetCause.POWER_ON)
    rig.wait(0.2)
    good = rig.configure()
    rig.beat()
    rig.request(Type.ARM, rig.arm_body(good))
    assert rig.refusal(Type.ENERGISE) is Refusal.ENABLE_NOT_HELD, "never seen released"
    rig.set_enable(False)
    rig.wait(0.1)
    assert rig.refusal(Type.ENERGISE) is Refusal.ENABLE_NOT_HELD, "not held"
    rig.set_enable(True)
    rig.wait(0.02)
    for _ in range(2):
        assert unpack_report(rig.request(Type.ENERGISE), 0.0).state == BoardState.ENERGISED
    assert rig.refusal(Type.ARM, rig.arm_body(good)) is Refusal.WRONG_STATE
    assert rig.refusal(Type.CONFIGURE, good.pack()) is Refusal.WRONG_STATE
    rig.run(0.2)
    assert rig.driven
    rig.request(Type.OFF)
    assert not rig.driven
    rig.beat()
    rig.request(Type.ARM, rig.arm_body(good))
    assert rig.refusal(Type.ENERGISE) is Refusal.ENABLE_NOT_HELD, "still held from the time before"
    rig.set_enable(False)
    rig.wait(0.1)
    rig.set_enable(True)
    rig.wait(0.02)
    rig.beat()
    assert unpack_report(rig.request(Type.ENERGISE), 0.0).state == BoardState.ENERGISED


# ---- energised --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("waveform", tuple(WAVEFORMS))
def test_energised_board_reports_what_flows(rig: Rig, waveform: WaveformName) -> None:
    rig.set_load(800.0)
    wanted = rig.energise(rig.configuration(waveform))
    rig.run(0.6)
    rig.take(Type.TELEMETRY)
    rig.run(0.3)
    telemetry = unpack_report(rig.take(Type.TELEMETRY)[-1].body, 0.0)
    assert telemetry.state == BoardState.ENERGISED
    assert (telemetry.waveform, telemetry.period_ticks) == (waveform, wanted.period_ticks)
    # 10 V behind 1200 ohm into 800 ohm: 5 mA and 4 V; `sine` is made with 80 % of that in the firmware. The
    # converter's step is 49 uA and 31 mV.
    amplitude = 0.8 if waveform == "sine" and rig.name == "firmware" else 1.0
    assert telemetry.current_positive_A * 1e6 == pytest.approx(5000 * amplitude, rel=0.03)
    assert telemetry.current_negative_A * 1e6 == pytest.approx(-5000 * amplitude, rel=0.03)
    assert telemetry.voltage_positive_V * 1e3 == pytest.approx(4000 * amplitude, rel=0.03)
    assert telemetry.voltage_negative_V * 1e3 == pytest.approx(-4000 * amplitude, rel=0.03)
    assert 4900 < telemetry.current_peak_A * 1e6 < 5150
    assert telemetry.emergency_stop_closed and telemetry.enable_held and telemetry.heartbeat_fresh
    assert not telemetry.open_circuit and not telemetry.current_limiting
    rig.request(Type.OFF)
    rig.wait(0.25)
    off = unpack_report(rig.take(Type.TELEMETRY)[-1].body, 0.0)
    assert (off.state, off.trip) == (BoardState.OFF, Trip.NONE)
    assert (off.current_positive_A * 1e6, off.current_negative_A * 1e6) == (0, 0)
    assert off.cycles >= telemetry.cycles and off.current_peak_A * 1e6 >= 4900, "kept until the next ENERGISE"


@pytest.mark.parametrize(("limit_uA", "open_V"), [(5_000, 5.0), (5_001, 10.0)])
def test_half_the_voltage_unless_more_than_5_mA_is_asked_for(rig: Rig, limit_uA: int, open_V: float) -> None:
    rig.set_load(800.0)
    rig.energise(rig.configuration("square", limit_uA=limit_uA))
    rig.run(0.5)
    telemetry = rig.status()
    assert telemetry.trip == Trip.NONE
    # the stage: 5 or 10 V behind 1200 ohm
    assert telemetry.current_positive_A == pytest.approx(open_V / (1200 + 800), rel=0.03)
    assert telemetry.voltage_positive_V == pytest.approx(open_V * 800 / (1200 + 800), rel=0.03)


@pytest.mark.parametrize("cause", [ResetCause.POWER_ON, ResetCause.EXTERNAL])
def test_a_trip_outlives_power_until_the_button(rig: Rig, cause: ResetCause) -> None:
    rig.energise()
    rig.set_stop(False)
    rig.wait(0.02)
    rig.restart(cause)
    rig.wait(0.2)
    assert rig.tripped_by() == Trip.EMERGENCY_STOP
    rig.recover()
    rig.restart(cause)
    rig.wait(0.2)
    assert rig.status().state == BoardState.OFF


@pytest.mark.parametrize("waveform", tuple(WAVEFORMS))
def test_cycle_ticks_stay_on_one_grid(rig: Rig, waveform: WaveformName) -> None:
    wanted = rig.energise(rig.configuration(waveform, 36.7))
    start = rig.beat().tick
    seen = []
    for _ in range(6):
        rig.run(0.1)
        seen.append(rig.status())
    origin = seen[0].cycle_tick - seen[0].cycles * wanted.period_ticks
    assert 0 < origin - start < 0.06 * rig.hello().tick_Hz, "first period 50 ms after ENERGISE"
    assert [t.cycle_tick for t in seen] == [origin + t.cycles * wanted.period_ticks for t in seen]
    passed = rig.beat().tick - origin
    assert passed / wanted.period_ticks == pytest.approx(seen[-1].cycles, abs=2)


def test_open_circuit_is_reported_and_no_trip(rig: Rig) -> None:
    rig.set_load(float("inf"))
    rig.energise()
    rig.run(0.5)
    telemetry = rig.status()
    assert telemetry.state == BoardState.ENERGISED
    assert telemetry.open_circuit
    assert abs(telemetry.current_positive_A * 1e6) < 60
    assert telemetry.voltage_positive_V * 1e3 == pytest.approx(10_000, rel=0.02)


def test_switching_the_electrode(rig: Rig) -> None:
    wanted = rig.configuration("square")
    assert rig.select(Electrode.B).tick == 0, "not energised: holds at once"
    assert rig.status().electrode == "B"
    rig.energise(wanted)  # CONFIGURE says A again
    assert rig.status().electrode == "A"
    rig.run(0.3)
    rig.events()
    before = rig.status()
    reply = rig.select(Electrode.B)
    periods = (reply.tick - before.cycle_tick) / wanted.period_ticks
    assert periods == int(periods), "at a period's start"
    assert 2 <= periods <= 3, "the running period ends, one is silent"
    rig.run(0.3)
    after = rig.status()
    assert after.electrode == "B"
    assert after.state == BoardState.ENERGISED
    assert (after.cycle_tick - before.cycle_tick) == (after.cycles - before.cycles) * wanted.period_ticks
    assert after.current_positive_A == pytest.approx(10 / (1200 + 1000), rel=0.03)
    switched = [e for e in rig.events() if e.event == EventCode.ELECTRODE_SWITCHED]
    assert [(e.electrode, e.tick) for e in switched] == [(Electrode.B, reply.tick)]
    same = rig.select(Electrode.B)
    assert same.tick <= rig.beat().tick, "already there"
    rig.run(0.2)
    assert rig.refusal(Type.SELECT, b"\2") is Refusal.BAD_BODY
    assert not [e for e in rig.events() if e.event == EventCode.ELECTRODE_SWITCHED]
    # what ARM checks is the configuration, whatever was selected since
    rig.request(Type.OFF)
    rig.beat()
    assert unpack_report(rig.request(Type.ARM, rig.arm_body(wanted)), 0.0).state == BoardState.ARMED


# ---- trips ------------------------------------------------------------------------------------------------


def assert_latched(rig: Rig, trip: Trip) -> None:
    """Nothing but the button gets a board out of a trip; the button does, once the hands are off."""
    assert rig.tripped_by() == trip
    events = [e for e in rig.events() if e.event == EventCode.TRIPPED]
    assert [(e.state, e.trip) for e in events] == [(BoardState.TRIPPED, trip)]
    assert 0 < events[0].tick <= rig.beat().tick
    assert rig.beat().state == BoardState.TRIPPED
    assert rig.beat().trip == trip
    wanted = rig.configure()
    assert rig.refusal(Type.ARM, rig.arm_body(wanted)) is Refusal.TRIPPED
    assert rig.refusal(Type.ENERGISE) is Refusal.TRIPPED
    assert unpack_report(rig.request(Type.OFF), 0.0).state == BoardState.TRIPPED
    rig.select(Electrode.A)
    rig.set_enable(True)
    rig.wait(0.1)
    rig.press_button()
    assert rig.tripped_by() == trip, "the button does nothing while the enable is held"
    rig.set_enable(False)
    rig.set_stop(False)
    rig.wait(0.1)
    rig.press_button()
    assert rig.tripped_by() == trip, "nor while the stop is open; and the first cause stays"
    rig.set_stop(True)
    rig.wait(0.1)
    rig.events()
    rig.press_button()
    telemetry = rig.status()
    assert (telemetry.state, telemetry.trip) == (BoardState.OFF, Trip.NONE)
    assert EventCode.RESET_BUTTON in [e.event for e in rig.events()]
    assert not rig.driven


def test_letting_go_of_the_enable(rig: Rig) -> None:
    rig.arm()
    rig.set_enable(True)
    rig.run(0.1)
    rig.set_enable(False)
    rig.run(0.1)
    assert rig.status().state == BoardState.ARMED, "no trip while only armed"
    rig.request(Type.OFF)
    rig.energise()
    rig.run(0.2)
    rig.events()
    rig.set_enable(False)
    rig.wait(0.02)
    assert_latched(rig, Trip.ENABLE_RELEASED)


@pytest.mark.parametrize("state", ["off", "armed", "energised"])
def test_opening_the_stop(rig: Rig, state: str) -> None:
    if state == "armed":
        rig.arm()
    elif state == "energised":
        rig.energise()
        rig.run(0.2)
    rig.events()
    rig.set_stop(False)
    rig.wait(0.01)
    assert_latched(rig, Trip.EMERGENCY_STOP)


def test_stop_open_from_the_start_refuses_to_arm(rig: Rig) -> None:
    rig.restart(ResetCause.POWER_ON)
    rig.set_stop(False)  # before the board has booted
    rig.wait(0.2)
    assert rig.status().state == BoardState.OFF
    good = rig.configure()
    rig.beat()
    assert rig.refusal(Type.ARM, rig.arm_body(good)) is Refusal.EMERGENCY_STOP
    rig.set_stop(True)
    rig.wait(0.02)
    rig.beat()
    rig.request(Type.ARM, rig.arm_body(good))


@pytest.mark.parametrize("state", ["armed", "energised"])
def test_silence_of_the_host(rig: Rig, state: str) -> None:
    if state == "armed":
        rig.arm()
    else:
        rig.energise()
    rig.run(0.3)
    rig.beat()
    rig.events()
    waited = 0.0
    while waited < 0.44:  # other requests are no heartbeat
        rig.status()
        rig.hello()
        rig.wait(0.02)
        waited += 0.03
    rig.wait(0.15)
    assert_latched(rig, Trip.HEARTBEAT_LOST)


FAULTS = {
    "over-current": (Trip.OVER_CURRENT, lambda rig: rig.set_load(50.0)),
    "battery": (Trip.BATTERY_LOW, lambda rig: rig.set_battery(9.0)),
    "heat": (Trip.TOO_HOT, lambda rig: rig.set_temperature(75.0)),
    "asymmetry": (Trip.ASYMMETRY, lambda rig: rig.set_asymmetry()),
}


@pytest.mark.parametrize("fault", list(FAULTS))
def test_faults_while_energised(rig: Rig, fault: str) -> None:
    trip, cause = FAULTS[fault]
    rig.energise(rig.configuration(limit_uA=7000))
    rig.run(0.3)
    assert rig.status().state == BoardState.ENERGISED
    rig.events()
    cause(rig)
    rig.wait(0.3)
    assert rig.tripped_by() == trip
    assert [e.trip for e in rig.events() if e.event == EventCode.TRIPPED] == [trip]


def test_current_while_commanded_off(rig: Rig) -> None:
    rig.set_leak(0.8e-3)
    rig.wait(0.1)
    assert rig.tripped_by() == Trip.DISAGREEMENT


def test_battery_threshold_is_the_one_that_the_identity_names(rig: Rig) -> None:
    threshold_V = rig.hello().battery_min_mV / 1e3
    assert threshold_V == 10.5
    rig.energise(rig.configuration())
    rig.set_battery(threshold_V + 0.15)
    rig.run(0.5)
    assert rig.status().state == BoardState.ENERGISED
    rig.set_battery(threshold_V - 0.15)
    rig.wait(0.3)
    assert rig.tripped_by() == Trip.BATTERY_LOW


def test_low_battery_and_heat_are_no_trip_while_off(rig: Rig) -> None:
    rig.set_battery(9.0)
    rig.set_temperature(75.0)
    rig.wait(0.5)
    telemetry = rig.status()
    assert telemetry.state == BoardState.OFF
    assert telemetry.battery_V * 1e3 == pytest.approx(9000, abs=40)
    assert telemetry.temperature_C * 1e2 == pytest.approx(7500, abs=60)


def test_a_frame_that_is_repeated_is_answered_again(rig: Rig) -> None:
    data = Frame(Type.HELLO, 77).encode()
    rig.take_replies()
    rig.send(data + data)
    rig.wait(0.05)
    assert [f.seq for f in rig.take_replies()] == [77, 77]
