"""Do the checks bite? Each mutant is the firmware with one safety property broken; each must be caught.

A mutant is built from the real sources with one replacement and run on the virtual chip through the same functions that
test_firmware.py judges the sound firmware with.
"""

from __future__ import annotations

import itertools
import math
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from tests.support import board_faults
from tests.support import board_figures as figures
from tests.support.board_rig import SOURCES, FirmwareRig, Refused, build_or_skip

from earthward.devices.protocol import ArmRequest, Electrode, Frame, ResetCause, Type
from earthward.emulated.virtual_mcu import Build
from earthward.record.board import BoardState, Refusal, Trip

#: name -> (file, what is there, what the mutant has instead)
MUTANTS: dict[str, tuple[str, str, str]] = {
    "too little dead time": ("waveform.h", "#define DEAD_TICKS    120UL", "#define DEAD_TICKS    90UL "),
    "negative pulses one tick short": (
        "engine.c",
        "	pulse_end = end - DEAD_TICKS / 2;",
        "	pulse_end = end - DEAD_TICKS / 2 - negative;",
    ),
    "one chip wrong": ("waveform.c", "{ 1, 1, 1, 1, 0, 0, 1, 0, 0, 0 }", "{ 1, 1, 1, 1, 0, 1, 0, 0, 0, 0 }"),
    "trip leaves the bridge on": (
        "outputs.c",
        "	PORTD &= (uint8_t)~PORTD_OUTPUTS;",
        "	PORTD &= (uint8_t)~BOTH_ELECTRODES;",
    ),
    "both relays closed": (
        "outputs.c",
        "	relay_pins = electrode == 0 ? OUT_ELECTRODE_A : OUT_ELECTRODE_B;",
        "	relay_pins = OUT_ELECTRODE_A | (electrode == 0 ? 0 : OUT_ELECTRODE_B);",
    ),
    "relays change over without a gap": (
        "engine.c",
        "		open_electrodes();\n		in_blank = true;",
        "		(void)open_electrodes;\n		in_blank = true;",
    ),
    "dead-man of 5 s": ("limits.h", "#define DEADMAN_MS        500", "#define DEADMAN_MS        5000"),
    "any request is a heartbeat": (
        "requests.c",
        "	uint8_t reason = refusal_of(",
        "	heartbeat_received();\n	uint8_t reason = refusal_of(",
    ),
    "watchdog fed by an interrupt": (
        "state.c",
        "	now_ms++;\n",
        '	now_ms++;\n	__asm__ volatile("wdr");\n',
    ),
    "no over-current trip": ("samples.c", "trip(TRIP_OVER_CURRENT);", "(void)0;"),
    "no check of what comes out": (
        "judge.c",
        "wrong_since_ms[negative]) >= MAINS_HALF_MS)",
        "wrong_since_ms[negative]) > 65000U)",
    ),
    "current while off ignored": ("samples.c", "if (leak_score >= LEAK_SAMPLES)", "if (0)"),
    "emergency stop ignored": ("state.c", "		trip(TRIP_EMERGENCY_STOP);", "		(void)0;"),
    "enable may stay tied closed": (
        "state.c",
        "	return enable_seen_released == SEEN;",
        "	return (enable_seen_released = SEEN);",
    ),
    "button thought pressed": ("state.c", "	return release == PRESSED;", "	return (release = PRESSED);"),
    "button works with the enable held": (
        "state.c",
        "!damaged && !enable_held() && stop_closed()",
        "!damaged && stop_closed()",
    ),
    "checksum of frames not looked at": (
        "link.c",
        "		if (frame[payload_length + k] != (uint8_t)crc)",
        "		if (0)",
    ),
    "arming without the right configuration": (
        "requests.c",
        "		    || u32_at(body + 4) != crc32(&configuration, sizeof configuration))",
        "		    )",
    ),
    "limit above the identity's accepted": (
        "requests.c",
        "		if (c.current_limit_uA > MAX_CURRENT_UA)",
        "		if (0)",
    ),
    "latch forgotten with the power": ("main.c", "	else if (latched != TRIP_NONE)", "	else if (0)"),
    "latch written by and by": ("state.c", "		cell_write(cell_for(cause.value), HOW_WRITE);", "		(void)0;"),
    "stack guard deleted": ("main.c", "!stack_has_room() || ", ""),
    "alive pin toggled by an interrupt": (
        "state.c",
        "	if (at == STATE_ENERGISED) {\n		if (++engine_age_ms",
        "	if (at == STATE_ENERGISED) {\n		PINC = OUT_ALIVE;\n		if (++engine_age_ms",
    ),
    "unexpected interrupts ignored": (
        "selfcheck.c",
        "ISR(BADISR_vect)\n{\n	trip(TRIP_SELF_TEST);",
        "ISR(BADISR_vect)\n{\n	UCSR0B &= (uint8_t)~_BV(TXCIE0);",
    ),
    "start without a reset forgotten": ("main.c", "	else if (!reset_cause)", "	else if (0)"),
    "fuses not read": ("main.c", "flash_is_intact() && fuses_are_right()", "flash_is_intact()"),
    "load steps taken for asymmetry": ("judge.c", " && have_last && negative != last_negative", " && have_last"),
    "clamp not judged": ("engine.c", "		measure_clamp_tried();\n", ""),
    "relays not tried": ("samples.c", "engine_proof() == PROOF_RELAYS)", "0)"),
    "rail not judged": ("measure.c", "driven && mV > full_mV + full_mV / 16", "driven && mV > full_mV + 20000"),
    "a quarter less explained": ("judge.c", "full_mV - at_least_mains(full_mV / 10) &&", "full_mV * 3 / 4 &&"),
    "registers not looked at": ("main.c", " || !registers_are_right()", ""),
    "supply not judged": ("measure.c", "bool bad = mV < SUPPLY_MIN_MV || mV > SUPPLY_MAX_MV;", "bool bad = false;"),
    "rising edge prepared and left": (
        "engine.c",
        "		step -= RISE_EARLY;\n		rising = true;\n",
        "		TCCR1A = negative ? _BV(COM1B1) | _BV(COM1B0) : _BV(COM1A1) | _BV(COM1A0);\n"
        "		if (negative)\n			OCR1B = last_match + step;\n"
        "		else\n			OCR1A = last_match + step;\n"
        "		TIFR1 = negative ? _BV(OCF1B) : _BV(OCF1A);\n"
        "		TIMSK1 = _BV(TOIE1) | (negative ? _BV(OCIE1B) : _BV(OCIE1A));\n		return;\n",
    ),
    "converter holds up short pulses": (
        "engine.c",
        "	ADCSRA &= (uint8_t)~(_BV(ADIE) | _BV(ADIF)); /* writing the flag as one would clear it */\n",
        "",
    ),
    "watchdog reset forgotten": ("main.c", "	else if (reset_cause & _BV(WDRF))", "	else if (0)"),
}


def build_mutant(sound: Build, folder: Path, name: str) -> Build:
    """The mutant's firmware; objects of untouched files are taken over, so that only what changed is compiled."""
    file, old, new = MUTANTS[name]
    sources = folder / "sources"
    shutil.copytree(SOURCES, sources, ignore=shutil.ignore_patterns("build"))
    objects = folder / "build"
    shutil.copytree(sound.firmware.parent, objects)
    path = sources / "firmware" / file
    text = path.read_text()
    assert text.count(old) == 1, f"{name}: the text to replace is there {text.count(old)} times"
    path.write_text(text.replace(old, new))
    built = build_or_skip(objects, sources)
    assert built.firmware.read_bytes() != sound.firmware.read_bytes()
    return built


# Each returns what it found wrong, "" if nothing. Short: the mutants need no long runs to show.


def wave(build: Build) -> str:
    seen = figures.trace(build, "coded", 35.2, 0.15)
    if seen.both_high or seen.least_gap_ticks < 120:
        return "dead time"
    if seen.worst_charge_ticks:
        return "charge"
    signs = "".join("+" if level > 0 else "-" for level in seen.levels)
    return "" if signs == figures.CHIPS else "code"


def switching(build: Build) -> str:
    gap_s, both, _ = figures.switch_gap(build, 60.0)
    return "" if not both and gap_s >= 0.005 else "relays"


def silence(build: Build) -> str:
    rig = figures.energised(build)
    rig.beat()
    for _ in range(4):
        rig.status()
        rig.wait(0.14)
    return "" if not rig.driven and rig.status().trip == Trip.HEARTBEAT_LOST else "dead-man"


def stop(build: Build) -> str:
    rig = figures.energised(build)
    rig.set_stop(False)
    rig.wait(0.01)
    # the hardware chain alone would take the current away: the board must know why
    return "" if not rig.driven and rig.status().trip == Trip.EMERGENCY_STOP else "emergency stop"


def overload(build: Build) -> str:
    rig = figures.energised(build, limit_uA=8000)
    seconds = figures.off_after_s(rig, lambda: rig.set_load(0.0), 0.02)
    return "" if seconds < 0.003 and rig.status().trip == Trip.OVER_CURRENT else "over-current"


def dead_half(build: Build) -> str:
    rig = figures.energised(build, "square")

    def kill() -> None:
        with rig.mcu.world() as world:
            world.negative_gain = 0.0

    return "" if figures.off_after_s(rig, kill, 0.07) < 2.1 / 35.2 else "disagreement"


def leak(build: Build) -> str:
    rig = FirmwareRig(build)
    rig.set_leak(0.001)
    rig.wait(0.05)
    return "" if rig.status().trip == Trip.DISAGREEMENT else "current while off"


def hang(build: Build) -> str:
    rig = figures.energised(build)
    seconds = figures.off_after_s(rig, lambda: rig.mcu.hang(interrupts_live=True), 0.1)
    if math.isnan(seconds) or seconds > 0.036:
        return "watchdog"
    rig.wait(0.2)
    return "" if rig.status().trip == Trip.WATCHDOG else "restart not named"


def tied_enable(build: Build) -> str:
    rig = FirmwareRig(build)
    rig.set_enable(True)
    rig.restart(ResetCause.POWER_ON)
    rig.wait(0.15)
    wanted = rig.configure()
    rig.beat()
    rig.request(Type.ARM, rig.arm_body(wanted))
    return "" if rig.refusal(Type.ENERGISE) is Refusal.ENABLE_NOT_HELD else "tied enable"


def latch(build: Build) -> str:
    rig = figures.energised(build)
    rig.set_stop(False)
    rig.wait(0.01)
    rig.set_stop(True)
    rig.set_enable(False)
    rig.wait(0.02)
    rig.beat()
    if rig.status().state != BoardState.TRIPPED:
        return "not latched"
    rig.set_enable(True)
    rig.wait(0.02)
    rig.press_button()
    return "" if rig.status().state == BoardState.TRIPPED else "button while held"


def requests(build: Build) -> str:
    rig = FirmwareRig(build)
    wanted = rig.configure()
    spoilt = bytearray(Frame(Type.SELECT, 1, bytes((Electrode.B,))).encode())
    spoilt[-3] ^= 0x10
    rig.take_replies()
    rig.send(bytes(spoilt))
    rig.wait(0.01)
    if rig.take_replies():
        return "frame"
    rig.beat()
    other = ArmRequest(rig.hello().crc(), wanted.crc() ^ 1).pack()
    if rig.refusal(Type.ARM, other) is not Refusal.CHECKSUM:
        return "arming"
    above = replace(wanted, current_limit_uA=rig.hello().max_current_uA + 1)
    return "" if rig.refusal(Type.CONFIGURE, above.pack()) is Refusal.ABOVE_LIMIT else "limit"


#: Those of board_faults.py pass with the sound firmware in test_firmware_faults.py.
OWN: tuple[Callable[[Build], str], ...] = (
    requests, leak, tied_enable, wave, switching, stop, overload, dead_half, latch, silence, hang,
)  # fmt: skip


def first_fault(build: Build, checks: Sequence[Callable[[Build], str]]) -> str:
    for check in checks:
        try:
            found = check(build)
        except (AssertionError, Refused) as error:
            found = f"{check.__name__}: {error}"
        if found:
            return found
    return ""


def test_the_sound_firmware_passes_every_check(build: Build) -> None:
    assert first_fault(build, OWN) == ""


#: In every test run, with the check that has found it so far: those whose loss would hurt somebody first. The others
#: take minutes together: `make test-all`.
ALWAYS: dict[str, Callable[[Build], str]] = {
    "trip leaves the bridge on": stop,
    "dead-man of 5 s": silence,
    "no over-current trip": overload,
    "emergency stop ignored": stop,
    "enable may stay tied closed": tied_enable,
    "latch forgotten with the power": board_faults.latch_outlives_power,
    "watchdog fed by an interrupt": hang,
    "clamp not judged": board_faults.clamp_gone,
}


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n in ALWAYS else (pytest.mark.slow,)) for n in MUTANTS])
def test_mutant_is_caught(build: Build, tmp_path: Path, name: str) -> None:
    checks = (*OWN, *board_faults.FAULTS)
    first = ALWAYS.get(name, checks[0])
    found = first_fault(build_mutant(build, tmp_path, name), (first, *checks))
    print(f"{name}: {found}")
    assert found


def test_mutants_differ() -> None:
    assert set(ALWAYS) <= set(MUTANTS)
    assert all(a != b for a, b in itertools.combinations(MUTANTS.values(), 2))
