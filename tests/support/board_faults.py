"""Faults that the firmware must notice by itself, one function each: "" when it did, else what was missed.

Shared by the tests of the sound firmware and by those of its mutants.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
from collections.abc import Callable

from tests.support import board_figures as figures
from tests.support.board_rig import FirmwareRig, Refused, symbol

from earthward.devices.protocol import Electrode, ResetCause, Type
from earthward.emulated.virtual_mcu import ALIVE, BRIDGE, DRIVE_NEGATIVE, DRIVE_POSITIVE, Build
from earthward.record.board import BoardState, Refusal, Trip

UCSR0B = 0xC1
TXCIE0 = 6
WDTCSR = 0x60
TCCR0B = 0x45


def tripped(rig: FirmwareRig, trip: Trip) -> bool:
    telemetry = rig.status()
    return not rig.driven and (telemetry.state, telemetry.trip) == (BoardState.TRIPPED, trip)


def latch_outlives_power(build: Build) -> str:
    rig = figures.energised(build)
    rig.set_stop(False)
    rig.wait(0.01)
    rig.set_stop(True)
    for cause in (ResetCause.POWER_ON, ResetCause.EXTERNAL):
        rig.restart(cause)
        rig.wait(0.2)
        if not tripped(rig, Trip.EMERGENCY_STOP):
            return "latched trip gone after power"
    rig.recover()
    rig.restart(ResetCause.POWER_ON)
    rig.wait(0.2)
    return "" if rig.status().state == BoardState.OFF else "a cleared trip came back"


def latch_is_written_at_once(build: Build) -> str:
    """Power goes within a millisecond of the trip."""
    rig = figures.energised(build)
    rig.set_stop(False)
    while rig.driven:
        rig.wait(20e-6)
    rig.wait(100e-6)
    rig.restart(ResetCause.POWER_ON)
    rig.set_stop(True)
    rig.wait(0.2)
    return "" if rig.status().state == BoardState.TRIPPED else "trip lost with the power"


def stack_guard(build: Build) -> str:
    rig = figures.energised(build)
    rig.mcu.poke(symbol(build, "__heap_start"), 0)
    rig.wait(0.02)
    return "" if tripped(rig, Trip.SELF_TEST) else "stack met the variables"


def alive_pin_stops_with_the_main_loop(build: Build) -> str:
    rig = figures.energised(build)
    rig.mcu.hang(interrupts_live=True)
    rig.mcu.forget_edges()
    rig.wait(0.02)
    return "alive pin moves on while the main loop hangs" if any(e.pin == ALIVE for e in rig.mcu.edges()) else ""


def unexpected_interrupt(build: Build) -> str:
    rig = figures.energised(build)
    rig.mcu.flip(UCSR0B, TXCIE0)
    rig.wait(0.2)
    return "" if not rig.driven and rig.status().state == BoardState.TRIPPED else "unexpected interrupt"


def start_without_a_reset(build: Build) -> str:
    """The program runs into its own beginning: no cause of reset is set."""
    rig = FirmwareRig(build)
    rig.mcu.reset(0)
    rig.wait(0.2)
    return "" if tripped(rig, Trip.SELF_TEST) else "a start without a cause"


def wrong_fuses(build: Build) -> str:
    for which, value in ((0, 0x62), (1, 0xD9), (2, 0xFF)):  # as the chip comes from the maker
        rig = FirmwareRig(build, boot=False)
        with rig.mcu.world() as world:
            world.fuses[which] = value
        rig.wait(0.2)
        if not tripped(rig, Trip.SELF_TEST):
            return f"fuse {which} as delivered"
        rig.close()
    return ""


def load_steps_in_code(build: Build) -> str:
    """A person's pole or a pump steps the load between 300 ohm and 3 kohm at any phase: no fault of the board."""
    rig = figures.energised(build)
    for k in range(24):
        rig.set_load(300.0 if k % 2 else 3000.0)
        rig.run(1 / 35.2 * (2 + k / 24))
        if rig.status().state != BoardState.ENERGISED:
            return f"load step {k}: trip {rig.status().trip}"
    return ""


def clamp_gone(build: Build) -> str:
    rig = FirmwareRig(build)
    with rig.mcu.world() as world:
        world.clamp_V = math.inf
        world.battery_V = 14.0
    rig.wait(0.3)
    rig.energise()
    rig.run(0.1)
    return "" if tripped(rig, Trip.OVER_VOLTAGE) else "clamp open"


def regulator_dead_in_the_test(build: Build) -> str:
    """The test cannot lift the rail to the clamp although the battery could: then the clamp was not seen to work."""
    rig = FirmwareRig(build)
    with rig.mcu.world() as world:
        world.regulator_stuck_V = 9.0
    rig.energise()
    rig.run(0.1)
    return "" if tripped(rig, Trip.DISAGREEMENT) else "clamp test that tested nothing"


def regulator_fails_high(build: Build) -> str:
    rig = figures.energised(build, limit_uA=10_000)
    with rig.mcu.world() as world:
        world.regulator_stuck_V = 13.0
    rig.run(0.2)
    return "" if tripped(rig, Trip.OVER_VOLTAGE) or tripped(rig, Trip.DISAGREEMENT) else "regulator full on"


def low_range_gives_high(build: Build) -> str:
    rig = figures.energised(build, limit_uA=5_000)
    rig.set_load(3000.0)
    with rig.mcu.world() as world:
        world.regulator_stuck_V = 10.0
    rig.run(0.2)
    return "" if tripped(rig, Trip.OVER_VOLTAGE) else "10 V where 5 V were asked for"


def welded_relay(build: Build) -> str:
    for relay, chosen in ((1, Electrode.A), (0, Electrode.B)):
        rig = FirmwareRig(build)
        with rig.mcu.world() as world:
            world.welded[relay] = 1
        rig.energise()
        rig.select(chosen)
        rig.run(0.1)
        if not tripped(rig, Trip.DISAGREEMENT):
            return f"relay {'AB'[relay]} welded"
        rig.close()
    return ""


def current_sense_stuck(build: Build) -> str:
    """Reads no current into 8 kohm: 1.1 mA that is not seen."""
    rig = figures.energised(build, "square")
    rig.set_load(8000.0)
    rig.run(0.2)
    if rig.status().state != BoardState.ENERGISED:
        return "8 kohm is no fault"
    with rig.mcu.world() as world:
        world.stuck_mV[0] = 2500
    rig.run(0.2)
    return "" if tripped(rig, Trip.DISAGREEMENT) else "current sense stuck"


def watchdog_switched_off(build: Build) -> str:
    rig = figures.energised(build)
    rig.mcu.poke(WDTCSR, 0)
    rig.wait(0.02)
    return "" if tripped(rig, Trip.SELF_TEST) else "watchdog off"


def slow_millisecond(build: Build) -> str:
    """Timer 0 counts 16 times too slow: the dead-man by the millisecond would take 8 s."""
    rig = figures.energised(build)
    rig.beat()
    rig.mcu.flip(TCCR0B, 2)
    rig.mcu.flip(TCCR0B, 1)
    rig.wait(0.55)
    return "" if not rig.driven and rig.status().state == BoardState.TRIPPED else "slow clock"


def no_pulse_begins_after_a_hang(build: Build) -> str:
    """Whenever the main loop hangs with interrupts off, what is high falls and nothing rises any more."""
    for k in range(6):
        rig = figures.energised(build, "sine")
        rig.wait(0.0007 * k)
        rig.mcu.hang(interrupts_live=False)
        rig.mcu.forget_edges()
        rig.wait(0.012)
        rising = [e for e in rig.mcu.edges() if e.value and e.pin in (DRIVE_POSITIVE, DRIVE_NEGATIVE)]
        if rising or rig.mcu.output(DRIVE_POSITIVE) or rig.mcu.output(DRIVE_NEGATIVE):
            return "a pulse began, or went on, without a program"
        rig.close()
    return ""


def short_pulses_are_not_held_up(build: Build) -> str:
    """`sine` at frequencies where the converter's handler once delayed the end of a pulse of 60 us: no fault."""
    for frequency_Hz in (44.0, 66.0, 69.1, 94.0):
        rig = FirmwareRig(build)
        rig.energise(rig.configuration("sine", frequency_Hz))
        rig.run(0.3)
        if rig.status().state != BoardState.ENERGISED:
            return f"sine {frequency_Hz} Hz: trip {rig.status().trip}"
        rig.close()
    return ""


def port_bit_while_off(build: Build) -> str:
    """The bridge's pin turns over while the output is off: low again within a millisecond or two."""
    rig = FirmwareRig(build)
    rig.mcu.flip(0x2B, 4)  # PORTD, OUT_BRIDGE
    if not rig.mcu.output(BRIDGE):
        return "the flip did nothing"
    rig.wait(0.003)
    return "" if not rig.driven else "bridge on while off"


def supply_of_its_own(build: Build) -> str:
    """4.75 to 5.25 V are no fault, 5.5 V (a regulator that fails) is one."""
    for volts, sound in ((4.75, True), (5.25, True), (5.5, False)):
        rig = FirmwareRig(build)
        with rig.mcu.world() as world:
            world.supply_V = volts
        rig.wait(0.2)
        with contextlib.suppress(Refused):  # it may trip on the way already
            rig.energise(rig.configuration("square", limit_uA=10_000))
        rig.run(0.4)
        if (rig.status().state == BoardState.ENERGISED) is not sound:
            return f"supply {volts} V: trip {rig.status().trip}"
        rig.close()
    return ""


def open_circuit_at_the_rails(build: Build) -> str:
    rig = FirmwareRig(build)
    with rig.mcu.world() as world:
        world.supply_V = 4.75
        world.bridge_V = 10.2
        world.load_ohm = (ctypes.c_double * 2)(math.inf, math.inf)
    rig.wait(0.2)
    rig.energise(rig.configuration("square", limit_uA=10_000))
    rig.run(0.4)
    return "" if rig.status().state == BoardState.ENERGISED else f"open circuit: trip {rig.status().trip}"


def enable_tied(build: Build) -> str:
    rig = FirmwareRig(build)
    rig.set_enable(True)
    rig.restart(ResetCause.POWER_ON)
    rig.wait(0.15)
    wanted = rig.configure()
    rig.beat()
    rig.request(Type.ARM, rig.arm_body(wanted))
    return "" if rig.refusal(Type.ENERGISE) is Refusal.ENABLE_NOT_HELD else "tied enable"


FAULTS: tuple[Callable[[Build], str], ...] = (
    latch_outlives_power,
    latch_is_written_at_once,
    stack_guard,
    alive_pin_stops_with_the_main_loop,
    unexpected_interrupt,
    start_without_a_reset,
    wrong_fuses,
    load_steps_in_code,
    clamp_gone,
    regulator_dead_in_the_test,
    regulator_fails_high,
    low_range_gives_high,
    welded_relay,
    current_sense_stuck,
    watchdog_switched_off,
    slow_millisecond,
    no_pulse_begins_after_a_hang,
    short_pulses_are_not_held_up,
    port_bit_while_off,
    supply_of_its_own,
    open_circuit_at_the_rails,
    enable_tied,
)
