"""Good starts of the output that must not trip: any supply, load, waveform, frequency, range, battery and phase.

The firmware runs on the virtual chip. A start is ENERGISE, the tests of clamp and relays, and the periods that a
verdict about halves needs; then the board must still be energised, without a trip.
"""

from __future__ import annotations

import ctypes
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from tests.support.board_copies import in_a_copy
from tests.support.board_rig import FirmwareRig

from earthward.devices.protocol import Type
from earthward.emulated.virtual_mcu import Build, World
from earthward.record.board import BoardState, Trip
from earthward.record.waveform import WAVEFORMS

#: ENERGISE to the first period (engine.h), and four changes of polarity (limits.h: FAULT_PAIRS) in periods
SETTLE_S = 0.05
PERIODS = 3.2
STARTS_A_BOARD = 50
MAINS_V_PEAK = 0.7


def _ohm(value: float) -> Callable[[World], None]:
    def change(world: World) -> None:
        world.load_ohm = (ctypes.c_double * 2)(value, value)

    return change


def _uneven(world: World) -> None:
    """Electrodes that polarise: a tenth more load in one direction."""
    world.negative_load = 1.1


def _mains(world: World) -> None:
    """Half a volt rms of mains in the water: below what the stray check calls trouble."""
    world.stray_ac_V, world.stray_Hz = MAINS_V_PEAK, 60.0


def _offset(world: World) -> None:
    """A galvanic offset of 0.3 V between the metals."""
    world.stray_dc_V = 0.3


#: Ten kinds of load. The last one steps between two values while it runs.
LOADS: dict[str, Callable[[World], None]] = {
    "short circuit": _ohm(0.0),
    "bonded electrode, 100 ohm": _ohm(100.0),
    "300 ohm": _ohm(300.0),
    "1 kohm": _ohm(1e3),
    "10 kohm": _ohm(10e3),
    "open": _ohm(math.inf),
    "1 kohm, uneven electrodes": _uneven,
    "1 kohm, mains in the water": _mains,
    "1 kohm, galvanic offset": _offset,
    "steps between 300 ohm and 3 kohm": _ohm(3e3),
}


@dataclass
class Starts:
    count: int = 0
    tripped: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        return f"{self.count} good starts, {len(self.tripped)} tripped"


def _ready(build: Build, chance: random.Random, spoil: Callable[[World], object]) -> tuple[FirmwareRig, str, float]:
    """A board armed with the enable held, its words, its period. Supply 4.75 to 5.25 V, bridge within 2 %."""
    rig = FirmwareRig(build, boot=False)
    rig.mcu.record(False)
    with rig.mcu.world() as world:
        world.supply_V = chance.choice((4.75, 5.25, chance.uniform(4.75, 5.25)))
        world.bridge_V = chance.uniform(9.8, 10.2)
        world.battery_V = chance.uniform(11.0, 15.0)
        spoil(world)
        supply_V, battery_V = world.supply_V, world.battery_V
    rig.wait(0.2)
    waveform = chance.choice(tuple(WAVEFORMS))
    frequency_Hz = chance.uniform(20.0, 100.0)
    limit_uA = chance.choice((5_000, 10_000))
    rig.arm(rig.configuration(waveform, frequency_Hz, limit_uA))
    rig.set_enable(True)
    rig.wait(0.02)
    words = f"{waveform} {frequency_Hz:.1f} Hz, {limit_uA} uA, supply {supply_V:.3f} V, battery {battery_V:.1f} V"
    return rig, words, 1 / frequency_Hz


def _start(rig: FirmwareRig, load: str, period_s: float, chance: random.Random) -> str:
    """Trip's name, "" when it stays on."""
    with rig.mcu.world() as world:
        LOADS[load](world)
    rig.request(Type.ENERGISE)
    rig.wait(SETTLE_S)
    if load.startswith("steps"):
        for ohm in (300.0, 3e3):
            rig.wait(period_s * PERIODS * chance.uniform(0.2, 0.5))
            rig.set_load(ohm)
    else:
        rig.wait(period_s * PERIODS)
    report = rig.status()
    if report.state == BoardState.ENERGISED and rig.driven:
        return ""
    return Trip(report.trip).name


def starts(
    build: Build, count: int, seed: int, first: int = 0, world: Callable[[World], object] = lambda world: None
) -> Starts:
    """Starts `first` to `first + count` of the endless list that `seed` stands for. `world` spoils each board's."""
    total = Starts()
    made: tuple[FirmwareRig, str, float] | None = None
    for k in range(first, first + count):
        chance = random.Random(f"{seed} {k}")
        if k % STARTS_A_BOARD == 0 or made is None:
            if made is not None:
                made[0].close()
            made = _ready(build, chance, world)
        rig, words, period_s = made
        rig.beat()
        rig.wait(chance.uniform(0.0, 0.01))
        load = list(LOADS)[k % len(LOADS)]
        trip = in_a_copy(partial(_start, rig, load, period_s, chance))
        total.count += 1
        if trip:
            total.tripped.append(f"{words}, {load}: {trip}")
    if made is not None:
        made[0].close()
    return total
