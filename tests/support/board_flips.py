"""Single bits that turn over in the running firmware: RAM, the core's registers, every input/output register.

Each trial flips one bit at a random moment, then takes the permission away (emergency stop, enable, or silence). The
pins must be low in time, the trip must be latched, and requests may not undo it. Its copy in EEPROM, which is what a
power-up reads, is looked at each time; the power-up itself is made in every tenth trial and wherever there is doubt.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from functools import partial

from tests.support.board_copies import CopyKilled, in_a_copy
from tests.support.board_rig import FirmwareRig, Refused, symbol

from earthward.devices.protocol import ResetCause, Type
from earthward.emulated.virtual_mcu import Build
from earthward.record.board import BoardState
from earthward.record.waveform import WAVEFORMS

#: Output beyond permission: the board's own slowest way (watchdog, 30 ms with its tolerance).
BEYOND_S = 0.036
#: How long each permission may still hold by design: contact filters, dead-man.
HOLDS_S = {"stop": 0.003, "enable": 0.006, "silence": 0.506}
#: Registers that are not storage: pins, data of converter and line, EEPROM's data while it is read.
NO_STORAGE = {0x23, 0x26, 0x29, 0x78, 0x79, 0xC6}
#: check of the program and the EEPROM included
BOOT_S = 0.15
#: after the outputs went low they are watched so long for coming back
AFTER_S = 0.005
#: a flip that shows within this, before anything is taken away, counts as noticed
NOTICED_S = 0.015
CELL_CLEAR = 0xFF
RAM = range(0x100, 0x900)
REGISTERS = [a for a in range(0x00, 0x100) if a not in NO_STORAGE]


@dataclass
class Tally:
    flips: int = 0
    noticed: int = 0
    """flips after which the board tripped or restarted although nothing was taken away yet"""
    overstayed: list[str] = field(default_factory=list)
    latch_lost: list[str] = field(default_factory=list)
    ran_wild: int = 0
    """flips after which the simulated core gave up (stack or program counter out of its memory); a real one runs on
    until its watchdog, which is what is done here"""
    died: int = 0
    """flips that took the simulator's process with them: nothing can be said of those"""

    def __str__(self) -> str:
        share = self.noticed / max(1, self.flips)
        return (
            f"{self.flips} flips: {share:.1%} noticed before they mattered, {self.ran_wild} ran wild, "
            f"{self.died} ended the simulator, "
            f"{len(self.overstayed)} kept the output on, {len(self.latch_lost)} lost a latch"
        )


def _energised(build: Build, chance: random.Random) -> FirmwareRig:
    rig = FirmwareRig(build)
    rig.mcu.record(False)
    rig.energise(rig.configuration(chance.choice(tuple(WAVEFORMS)), chance.uniform(20.0, 60.0)))
    rig.run(0.1)
    return rig


def _tries_to_go_on(rig: FirmwareRig) -> None:
    """What an eager host would do; refusals and silence are both fine."""
    for act in (
        rig.beat,
        lambda: rig.request(Type.ARM, rig.arm_body(rig.configure())),
        lambda: rig.request(Type.ENERGISE),
    ):
        try:
            act()
        except (Refused, AssertionError, RuntimeError):
            continue


def _pass(rig: FirmwareRig, seconds: float, tally: Tally) -> None:
    try:
        rig.wait(seconds)
    except RuntimeError:  # the simulated core stopped
        tally.ran_wild += 1
        rig.restart(ResetCause.WATCHDOG)
        rig.wait(seconds)


def _taken_away(rig: FirmwareRig, how: str, tally: Tally) -> None:
    if how == "stop":
        rig.set_stop(False)
    elif how == "enable":
        rig.set_enable(False)
    end_s = rig.mcu.time_s + HOLDS_S[how] + BEYOND_S
    while rig.driven and rig.mcu.time_s < end_s:
        _pass(rig, 0.002, tally)
    if not rig.driven:
        _pass(rig, AFTER_S, tally)


def _latched(rig: FirmwareRig) -> bool:
    try:
        return rig.status().state == BoardState.TRIPPED
    except (AssertionError, RuntimeError, Refused):  # it says nothing or nonsense, or its core has stopped
        return False


def _trial(rig: FirmwareRig, cell: int, k: int, chance: random.Random) -> Tally:
    """One flip and what came of it. The rig is used up."""
    tally = Tally(flips=1)
    address = chance.choice(RAM) if k % 2 else chance.choice(REGISTERS)
    bit = chance.randrange(8)
    how = "silence" if k % 32 == 0 else chance.choice(("stop", "enable"))
    name = f"{address:#x} bit {bit}, {how}"
    resets = rig.mcu.resets
    if k % 4 == 3:  # in the latched board instead of the energised one
        _taken_away(rig, "stop", tally)
        rig.set_stop(True)
        rig.wait(chance.uniform(0, 0.005))
        rig.mcu.flip(address, bit)
        _pass(rig, AFTER_S, tally)
    else:
        rig.mcu.flip(address, bit)
        _pass(rig, NOTICED_S, tally)
        tally.noticed += not rig.driven or rig.mcu.resets > resets
        _taken_away(rig, how, tally)
        rig.set_stop(True)
        rig.set_enable(True)
    if rig.driven:
        tally.overstayed.append(name)
    _tries_to_go_on(rig)
    _pass(rig, 0.005, tally)
    lost = rig.driven
    if k % 10 == 0 or not _latched(rig) or rig.mcu.eeprom(cell) == CELL_CLEAR:
        rig.restart(ResetCause.POWER_ON)
        rig.wait(BOOT_S)
        lost = lost or rig.driven or not _latched(rig)
    if lost:
        tally.latch_lost.append(name)
    return tally


def flips(build: Build, count: int, seed: int, first: int = 0) -> Tally:
    """Trials `first` to `first + count` of the endless list that `seed` stands for."""
    cell = symbol(build, "cell")
    total = Tally()
    rig: FirmwareRig | None = None
    for k in range(first, first + count):
        chance = random.Random(f"{seed} {k}")
        if k % 50 == 0 or rig is None:
            if rig is not None:
                rig.close()
            rig = _energised(build, chance)
        rig.beat()
        rig.wait(chance.uniform(0.0, 0.01))
        try:
            one = in_a_copy(partial(_trial, rig, cell, k, chance))
        except CopyKilled:
            one = Tally(flips=1, died=1)
        total.flips += one.flips
        total.noticed += one.noticed
        total.ran_wild += one.ran_wild
        total.died += one.died
        total.overstayed += one.overstayed
        total.latch_lost += one.latch_lost
    if rig is not None:
        rig.close()
    return total
