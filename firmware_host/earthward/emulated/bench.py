"""EMULATED bench: chip, bus, pins, board, pool and a technician's hands, wired together. Always labelled.

    clock = ScaledClock(4.0)
    with EmulatedBench(Scenario.random(1), clock) as bench:
        reader = AdcReader(bench.i2c, clock, bench.adc_settings(), bench.ready_pin())
        link = SourceLink(bench.port, clock)
        side = PoolSide(..., pin_factory=bench.pin_factory)
        bench.technician.press_enable()
        bench.technician.hold((2.0, 0.4, 0.6), bearing_deg=90.0)

Everything on the instrument's side of those joints is the code that runs on a Pi.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Any, Self

import numpy as np

from earthward.clock import Clock, PacedClock, PunctualClock
from earthward.devices.ads1115 import AdcSettings
from earthward.devices.gpio import EdgePin
from earthward.devices.protocol import ResetCause
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, ReadyPulses
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.board_logic import RELEASE_SEEN_S
from earthward.emulated.firmware_board import FirmwareBoard
from earthward.emulated.head import EmulatedHead
from earthward.emulated.inertial import Defects, EmulatedLis3mdl, EmulatedLsm6dsox
from earthward.emulated.network import Potential
from earthward.emulated.pins import EmulatedPins
from earthward.emulated.pool import Pose, VirtualPool
from earthward.emulated.pressure import EmulatedLps28dfw, Surroundings
from earthward.emulated.scenario import Point3, Scenario
from earthward.emulated.virtual_mcu import Build

#: What a switched converter keeps of the axis before, behind the front end's filter (tests/physics/test_three_axes.py).
SWITCH_KEPT = 8.3e-5
#: What reading a conversion and starting the next takes on a real bus, about.
TRANSFERS_S = 0.3e-3
ADDRESS, CROSSED_ADDRESS = 0x48, 0x49
HEAD_SENSORS = (0x6A, 0x1C)
DEPTH_SENSOR = 0x5C
#: What a look at the head's sensors takes on a real bus, about.
LOOK_S = 1e-3


@dataclass(frozen=True)
class BenchPins:
    """GPIO numbers; the defaults are those of the configuration."""

    emergency_stop: int = 17
    enable: int = 27
    beacon: int = 22
    ready: int = 25
    crossed_ready: int = 24
    sync: int | None = None
    """Where the board's sync wire goes, if there is one."""
    switches: dict[str, int] = field(default_factory=dict)


class Technician:
    """What a person at the pool side does. Nobody is ever in the water."""

    def __init__(self, bench: EmulatedBench) -> None:
        self._bench = bench
        self.pose = Pose(None, None)

    # ---- the pole -----------------------------------------------------------------------------------------

    def hold(
        self,
        centre_m: Point3,
        bearing_deg: float = 0.0,
        *,
        vertical: bool = False,
        spacing_m: float | None = None,
        moving_s: float = 0.0,
    ) -> Pose:
        """Hold the pair's middle at a place, front end toward the bearing (from +x towards +y), or front end down."""
        half = (self._bench.scenario.spacing_m if spacing_m is None else spacing_m) / 2
        x, y, z = centre_m
        c, s = math.cos(math.radians(bearing_deg)), math.sin(math.radians(bearing_deg))
        if vertical:
            along = (0.0, 0.0, half)
        else:
            along = (half * c, half * s, 0.0)
        across = (-half * s, half * c, 0.0)
        ends = ((x + along[0], y + along[1], z + along[2]), (x - along[0], y - along[1], z - along[2]))
        if self._bench.scenario.head == "crossed":
            others = (((x + across[0], y + across[1], z), (x - across[0], y - across[1], z)),)
            return self.hold_ends(*ends, others, moving_s=moving_s)
        if self._bench.scenario.head == "three-axis":
            # The shared electrode ahead, to the left and below the middle; each other one beyond one face from it.
            nose = (x + along[0] + across[0], y + along[1] + across[1], z + half)
            behind = (x - along[0] + across[0], y - along[1] + across[1], z + half)
            right = (x + along[0] - across[0], y + along[1] - across[1], z + half)
            above = (nose[0], nose[1], z - half)
            return self.hold_ends(nose, behind, ((nose, right), (nose, above)), moving_s=moving_s)
        return self.hold_ends(*ends, moving_s=moving_s)

    def hold_ends(
        self,
        front_m: Point3,
        back_m: Point3,
        others_m: tuple[tuple[Point3, Point3], ...] = (),
        *,
        moving_s: float = 0.0,
    ) -> Pose:
        """Hold the electrodes at given places: of the pair, and (front, back) of further pairs of the head."""
        pose = Pose(front_m, back_m, others_m)
        self._bench.pool.move(pose, moving_s)
        self._bench.head.move(pose, moving_s)
        self.pose = pose
        return pose

    def lift_out(self) -> None:
        """Take the pair out of the water."""
        self.pose = Pose(None, None)
        self._bench.pool.move(self.pose)
        self._bench.head.move(self.pose, 0.0)

    # ---- contacts -----------------------------------------------------------------------------------------

    def press_enable(self) -> None:
        """Hold the hand-held enable (board and Pi see the same contact)."""
        # The board wants to have seen it released: a person's hand is slower than that.
        self._bench.clock.sleep(2 * RELEASE_SEEN_S)
        self._bench.drive_contact(self._bench.pins.enable, True)
        self._bench.board.set_enable(True)

    def release_enable(self) -> None:
        self._bench.drive_contact(self._bench.pins.enable, False)
        self._bench.board.set_enable(False)

    def open_stop(self) -> None:
        """Press the emergency stop."""
        self._bench.drive_contact(self._bench.pins.emergency_stop, False)
        self._bench.board.set_emergency_stop(False)

    def close_stop(self) -> None:
        """Turn the emergency stop free again."""
        self._bench.drive_contact(self._bench.pins.emergency_stop, True)
        self._bench.board.set_emergency_stop(True)

    def press_reset(self) -> bool:
        """Press the board's reset button. True if nothing is tripped afterwards."""
        return self._bench.board.press_reset()

    def press_switch(self, name: str, seconds: float = 0.15) -> None:
        """Press a pool-side switch and let go."""
        pin = self._bench.pins.switches[name]
        self._bench.drive_contact(pin, True)
        self._bench.clock.sleep(seconds)
        self._bench.drive_contact(pin, False)

    # ---- fittings and leaks -------------------------------------------------------------------------------

    def cover(self, fitting: str) -> None:
        self._bench.pool.set_covered(fitting, True)

    def uncover(self, fitting: str) -> None:
        self._bench.pool.set_covered(fitting, False)

    def repair(self, leak: str) -> None:
        self._bench.pool.set_repaired(leak, True)

    def connect_test_leak(self, position_m: Point3, ohm: float) -> None:
        """Close the switch in the test leak's lead, on the deck."""
        self._bench.pool.set_test_leak(position_m, ohm)

    def disconnect_test_leak(self) -> None:
        self._bench.pool.set_test_leak(None)

    # ---- cables and faults --------------------------------------------------------------------------------

    def unplug_source(self) -> None:
        self._bench.board.unplug()

    def replug_source(self) -> None:
        self._bench.board.replug()

    def restart_board(self, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        self._bench.board.restart(cause)

    def unplug_adc(self) -> None:
        """The converter's wires come off: NACK."""
        self._bench.i2c.absent.update(self._bench.converters)

    def trap_air(self, *inputs: int) -> None:
        """Air stays at the electrodes on these inputs (none: it comes out)."""
        self._bench.pool.set_dry(inputs)

    def break_reference(self, broken: bool = True) -> None:
        """The lead of the reference contact breaks."""
        self._bench.pool.set_reference_broken(broken)

    def replug_adc(self) -> None:
        """... and on again; the chip was without supply meanwhile."""
        self.reset_chip()
        self._bench.i2c.absent.difference_update(self._bench.converters)

    def reset_chip(self) -> None:
        """A dip of the converter's supply: its registers are those of power-on."""
        for chip in self._bench.converters.values():
            chip.reset()

    def unplug_head_sensor(self) -> None:
        """The orientation sensor's wires in the cable break."""
        self._bench.i2c.absent.update(HEAD_SENSORS)

    def replug_head_sensor(self) -> None:
        for address in HEAD_SENSORS:
            self._bench.i2c.chips[address].reset()
        self._bench.i2c.absent.difference_update(HEAD_SENSORS)

    def unplug_depth_sensor(self) -> None:
        self._bench.i2c.absent.add(DEPTH_SENSOR)

    def replug_depth_sensor(self) -> None:
        self._bench.i2c.chips[DEPTH_SENSOR].reset()
        self._bench.i2c.absent.discard(DEPTH_SENSOR)


class EmulatedBench:
    """See the module's text.

    Args:
        scenario: the visit. clock: bench time, any speed. field: a pool field other than the exact box.
        pins: GPIO numbers. ready_wire: whether the converter's ready pin is connected.
        firmware: run this build of the real firmware on a virtual chip instead of the board written in Python.
    """

    emulated = True

    def __init__(
        self,
        scenario: Scenario,
        clock: Clock,
        *,
        field: Potential | None = None,
        pins: BenchPins | None = None,
        ready_wire: bool = True,
        port: str | None = None,
        firmware: Build | None = None,
    ) -> None:
        self.scenario = scenario
        self.clock = clock
        self.pins = pins or BenchPins()
        self.pool = VirtualPool(scenario, clock, field)
        self.i2c = FakeI2C(clock)
        self.converters: dict[int, EmulatedAds] = {}
        self.head = EmulatedHead(scenario, clock)
        if scenario.orientation_sensor:
            self._add_head_sensors()
        if scenario.depth_sensor:
            self._add_depth_sensor()
        self.pin_factory = EmulatedPins(clock)
        self.board: EmulatedBoard | FirmwareBoard
        if firmware is not None:
            self.board = FirmwareBoard(
                clock, self.pool, build=firmware, rate_error=scenario.board_rate_error, path=port
            )
        else:
            self.board = EmulatedBoard(
                clock,
                self.pool,
                rate_error=scenario.board_rate_error,
                wander=scenario.board_wander,
                seed=scenario.seed,
                path=port,
            )
        self.board.battery_V = scenario.battery_V
        if self.pins.sync is not None and isinstance(self.board, EmulatedBoard):
            sync_pin: Any = self.pin_factory.pin(self.pins.sync)
            self.board.on_sync = sync_pin.pulse_high
        self.pool.connect(self.board.timeline, self.board.drive)
        self._ready_wire = ready_wire
        self._pulses: list[ReadyPulses] = []
        self.chip = self._add_chip(ADDRESS, 0, self.pins.ready)
        self.crossed_chip = (
            self._add_chip(CROSSED_ADDRESS, 1, self.pins.crossed_ready) if scenario.head == "crossed" else None
        )
        self.technician = Technician(self)
        self._edge_pins: list[EdgePin] = []

    def _add_chip(self, address: int, pair: int, ready: int) -> EmulatedAds:
        s = self.scenario
        chip = EmulatedAds(
            self.clock,
            self.pool.pair(pair),
            rate_error=s.adc_rate_error if pair == 0 else -0.7 * s.adc_rate_error,
            noise_V=s.noise_V,
            offset_V=s.adc_offset_V,
            kept=SWITCH_KEPT,
            seed=s.seed * 2 + pair,
        )
        self.i2c.add(address, chip)
        self.converters[address] = chip
        if self._ready_wire and s.head != "three-axis":
            pulse = self.pin_factory.pin(ready).pulse_low
            self._pulses.append(ReadyPulses(self.clock, chip, pulse, lambda: self.i2c.transfers))
        return chip

    def _add_head_sensors(self) -> None:
        """Typical ones: offsets and scales within their data sheets' (from memory), glued in by eye."""
        seed = self.scenario.seed * 7
        force = Defects(seed + 1, offset=0.012, scale=0.004, crossed=0.003, mounting_deg=1.0)
        rate = Defects(seed + 2, offset=0.7, scale=0.005, crossed=0.003, mounting_deg=1.0)
        field_ = Defects(seed + 3, offset=0.01, scale=0.01, crossed=0.003, mounting_deg=1.0)
        self.i2c.add(HEAD_SENSORS[0], EmulatedLsm6dsox(self.clock, self.head, seed, force, rate))
        self.i2c.add(HEAD_SENSORS[1], EmulatedLis3mdl(self.clock, self.head, seed, field_))

    def _add_depth_sensor(self) -> None:
        """A typical one: offset within its data sheet's accuracy (0.5 hPa, from memory), the rest own estimates."""
        seed = self.scenario.seed * 7 + 4
        offset_Pa, per_K, scale = np.random.default_rng([seed, 522]).normal(0.0, (25.0, 1.0, 1e-4))
        around = Surroundings(self.scenario, self.head)
        chip = EmulatedLps28dfw(self.clock, around, seed, offset_Pa=offset_Pa, offset_Pa_per_K=per_K, scale=scale)
        self.i2c.add(DEPTH_SENSOR, chip)

    # ---- what the instrument is given ---------------------------------------------------------------------

    @property
    def port(self) -> str:
        """Link name of the source board's serial port."""
        return self.board.port

    def adc_settings(self, pair: int = 0) -> AdcSettings:
        """Settings for the converter of pair 0, or 1 (crossed)."""
        settings = AdcSettings(front_end_gain=self.scenario.front_end_gain)
        return settings if pair == 0 else replace(settings, address=CROSSED_ADDRESS, channel=1)

    def ready_pin(self, pair: int = 0) -> EdgePin | None:
        """The ready line for `AdcReader`, or None without a ready wire. Closed with the bench."""
        if not self._ready_wire:
            return None
        pin = EdgePin(
            self.pins.ready if pair == 0 else self.pins.crossed_ready, self.clock, pin_factory=self.pin_factory
        )
        self._edge_pins.append(pin)
        return pin

    def reader_clock(self) -> Clock:
        """The clock for what reads all pairs of the head from one converter: conversions that are started one by one
        are not waited for by the ready line, so bench time waits for their reader instead."""
        if self.scenario.head != "single" and isinstance(self.clock, PacedClock):
            return PunctualClock(self.clock, TRANSFERS_S)
        return self.clock

    def head_clock(self) -> Clock:
        """The clock for what looks at the head's sensors: bench time waits for each of its looks."""
        return PunctualClock(self.clock, LOOK_S) if isinstance(self.clock, PacedClock) else self.clock

    # ---- life ---------------------------------------------------------------------------------------------

    def drive_contact(self, pin: int, closed: bool) -> None:
        """A contact from a pin to ground; the pin has a pull-up."""
        mock: Any = self.pin_factory.pin(pin)
        mock.set_contact(closed)

    def start(self) -> None:
        # The stop is closed and the enable free when the technician comes.
        self.drive_contact(self.pins.emergency_stop, True)
        self.drive_contact(self.pins.enable, False)
        for pin in self.pins.switches.values():
            self.drive_contact(pin, False)
        self.board.start()
        for pulses in self._pulses:
            pulses.start()

    def close(self) -> None:
        for pulses in self._pulses:
            pulses.close()
        for pin in self._edge_pins:
            pin.close()
        self.board.close()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
