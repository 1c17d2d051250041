"""The real parts of a configuration: converter on the I2C bus, source board on its cable, pins at the pool side.

Only here are hardware libraries opened. `receivers` and `pool_side` also serve the emulated bench, which hands in its
own bus and pin factory: the same code runs on both.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

import msgspec

from earthward.clock import Clock, wall_s
from earthward.config import Config
from earthward.daemon.parts import Receiver, TakeBlock, Wiring
from earthward.devices.ads1115 import AdcReader, AdcSettings, AdcStatus, Bus
from earthward.devices.ads1115.process import ReaderProcess
from earthward.devices.cue import CueSettings
from earthward.devices.depth_sensor import DepthSensor, DepthSettings
from earthward.devices.gpio import EdgePin, PoolSide, open_edge_pin, open_sync_pin
from earthward.devices.head_sensor import HeadSensor, HeadSettings
from earthward.devices.i2c import KernelParts, open_i2c
from earthward.devices.notify import Notifier
from earthward.devices.sound import Output, Sounder
from earthward.devices.sound_outputs import BuzzerOutput, CardOutput
from earthward.devices.source import SourceLink
from earthward.record.base import Record
from earthward.record.calibration import DepthZero, HeadCalibration
from earthward.signal.types import BlockGrid, SampleBlock
from earthward.survey.files.whole import write_whole
from earthward.survey.pair import sensors_m

log = logging.getLogger(__name__)

K = TypeVar("K", bound=Record)

#: Where the calibration of the head's orientation sensor is kept, in the data folder.
HEAD_CALIBRATION = "head-sensor.json"
#: ... and the zero of its depth sensor.
DEPTH_ZERO = "depth-zero.json"
#: The link withholds its heartbeat when the supervisor has not run for so long; the board's dead-man does the rest.
SUPERVISED_S = 0.3


class ReceiverGroup:
    """Several converters as one receiver: a crossed pair on a second chip."""

    def __init__(self, ready: list[EdgePin]) -> None:
        self._readers: list[AdcReader | ReaderProcess] = []
        self._ready = ready
        self._take: TakeBlock | None = None

    def add(self, reader: AdcReader | ReaderProcess) -> None:
        """A reader that hands its blocks to `deliver`."""
        self._readers.append(reader)

    def start(self, take: TakeBlock) -> None:
        """`take` gets each block, in the thread of the reader that it comes from."""
        self._take = take
        for reader in self._readers:
            reader.start()

    def end_blocks(self, grid: BlockGrid) -> None:
        """Of every converter: their conversions are counted alike."""
        for reader in self._readers:
            reader.end_blocks(grid)

    def deliver(self, block: SampleBlock) -> None:
        """From a reader's thread."""
        if self._take is not None:
            self._take(block)

    def close(self) -> None:
        for reader in self._readers:
            reader.close()
        for pin in self._ready:
            pin.close()

    @property
    def status(self) -> AdcStatus:
        """Of the first that is in trouble, else of the first."""
        all_of_them = [reader.status for reader in self._readers]
        return next((status for status in all_of_them if not status.ok), all_of_them[0])


def make_receiver(config: Config, bus: Bus, clock: Clock, pin_factory: Any = None) -> Receiver:
    """Readers for the configured chips on a bus. Raises InputError."""
    adc = config.adc
    ready: list[EdgePin] = []
    if adc.ready_pin is not None:
        ready.append(open_edge_pin(adc.ready_pin, clock, pin_factory=pin_factory))
    group = ReceiverGroup(ready)
    for settings in _converters(config):
        # One ready wire: the second chip is paced by its rate.
        wire = ready[0] if ready and settings.channel == 0 else None
        group.add(AdcReader(bus, clock, settings, ready=wire, on_block=group.deliver))
    return group


def make_receiver_processes(config: Config, clock: Clock) -> Receiver:
    """The same with each reader in a process of its own (docs/decisions/reading-process.md): for real parts only."""
    group = ReceiverGroup([])
    for settings in _converters(config):
        pin = config.adc.ready_pin if settings.channel == 0 else None
        parts = KernelParts(config.adc.i2c_bus, pin, settings.rate)
        group.add(ReaderProcess(parts, clock, settings, on_block=group.deliver))
    return group


def make_head(config: Config, bus: Bus, clock: Clock, path: Path) -> HeadSensor | None:
    """The orientation sensor in the head, as configured; its calibration is kept in the file `path`. Raises
    InputError."""
    wanted = config.orientation
    if wanted.sensor == "none":
        return None
    settings = HeadSettings(wanted.address, None if wanted.magnetometer == "none" else wanted.magnetometer_address)
    return HeadSensor(bus, clock, settings, read_kept(path, HeadCalibration), _keeper(path), wall_s)


def read_kept(path: Path, kind: type[K]) -> K | None:
    """What was kept of a sensor in the head; None (and a line in the log) if it cannot be used."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=kind)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.MsgspecError) as error:
        log.warning("what was kept of the head's sensor in %s is not used: %s", path, error)
        return None


def _keeper(path: Path) -> Callable[[Record], None]:
    """Writes what it is given, one after another, in a thread of its own: whoever says that the head is plumb waits in
    the daemon's loop, which a slow card must not hold up."""
    writer = ThreadPoolExecutor(1, "keep-head")
    return lambda calibration: _left(writer.submit(_keep, path, calibration))


def _left(_: Future[None]) -> None:
    """`_keep` says itself what goes wrong."""


def _keep(path: Path, calibration: Record) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, msgspec.json.encode(calibration))
    except OSError as error:
        log.warning("what is known of the head's sensor cannot be kept: %s", error)


def make_depth(config: Config, bus: Bus, clock: Clock, path: Path) -> DepthSensor | None:
    """The depth sensor in the head, as configured; its zero is kept in the file `path`. Raises InputError."""
    if config.depth.sensor == "none":
        return None
    settings = DepthSettings(config.depth.address, sensors_m(config.head, config.pair.spacing_m))
    return DepthSensor(bus, clock, settings, read_kept(path, DepthZero), _keeper(path), wall_s)


def _converters(config: Config) -> list[AdcSettings]:
    adc = config.adc
    # (back, front) of each pair: the reading is back minus front.
    pairs: tuple[tuple[int, int], ...] = ((0, 1),)
    if config.head == "three-axis":
        pairs = ((0, 3), (1, 3), (2, 3))
    elif config.head == "crossed" and adc.crossed_address is None:
        pairs = ((0, 1), (2, 3))
    return [
        AdcSettings(
            chip=adc.chip,
            address=address,
            rate=adc.rate,
            pairs=pairs,
            front_end_gain=adc.front_end_gain,
            full_scale_V=adc.full_scale_V,
            channel=channel,
            free_looks=adc.reference_looks,
        )
        for channel, address in enumerate(a for a in (adc.address, adc.crossed_address) if a is not None)
    ]


@dataclass
class PoolSideWarning:
    """Beacon by its pin, the warning family of sounds by the ear."""

    pool_side: PoolSide
    ear: Sounder

    def beacon(self, on: bool) -> None:
        self.pool_side.set_beacon(on)

    def sound(self, what: Literal["off", "warning", "live", "alarm"]) -> None:
        if what == "warning":
            # Blinking says "about to come on", steady says "on".
            self.pool_side.set_beacon(True, blink_s=0.5)
        elif what == "live":
            self.pool_side.set_beacon(True)
        self.ear.warn(what == "warning")
        self.ear.live(what == "live")
        self.ear.tripped(what == "alarm")


class ContactSplitter:
    """The pool-side pins are opened before the daemon exists; it listens from when it does."""

    def __init__(self) -> None:
        self._listener: Callable[[str, bool], None] | None = None

    def listen(self, listener: Callable[[str, bool], None]) -> None:
        self._listener = listener

    def moved(self, name: str, active: bool) -> None:
        if self._listener is not None:
            self._listener(name, active)


def make_ear(config: Config, clock: Clock, pin_factory: Any = None) -> Sounder:
    """Buzzer and sound card as configured. Raises InputError."""
    outputs: list[Output] = []
    if config.pins.buzzer is not None:
        outputs.append(BuzzerOutput(config.pins.buzzer, pin_factory))
    if config.sound.card:
        outputs.append(CardOutput())
    return Sounder(outputs, clock, CueSettings(volume=config.sound.volume), config.pair.spacing_m)


def make_pool_side(
    config: Config, on_change: Callable[[str, bool], None] | None = None, pin_factory: Any = None
) -> PoolSide:
    """Contacts, beacon and switches as configured. Raises InputError."""
    pins = config.pins
    return PoolSide(
        emergency_stop=pins.emergency_stop,
        enable=pins.enable,
        beacon=pins.beacon,
        switches={str(name): pin for name, pin in pins.switches.items()},
        on_change=on_change,
        pin_factory=pin_factory,
    )


def hardware_wiring(config: Config, clock: Clock) -> Wiring:
    """The parts of a Raspberry Pi. Raises InputError with one sentence for whatever is missing."""
    head, depth, folder = None, None, Path(config.service.data_dir)
    if config.orientation.sensor != "none":
        head = make_head(config, open_i2c(config.orientation.i2c_bus), clock, folder / HEAD_CALIBRATION)
    if config.depth.sensor != "none":
        depth = make_depth(config, open_i2c(config.depth.i2c_bus), clock, folder / DEPTH_ZERO)
    open_i2c(config.adc.i2c_bus)  # a bus that is not there is told now, and not by the reading process
    link = SourceLink(config.link.port, clock, supervised_s=SUPERVISED_S, expect_emulated=False)
    receiver = make_receiver_processes(config, clock)
    return wire(
        config, clock, receiver, link, emulated=False, pin_factory=None, notify=Notifier(), head=head, depth=depth
    )


def wire(
    config: Config,
    clock: Clock,
    receiver: Receiver,
    link: SourceLink,
    *,
    emulated: bool,
    pin_factory: Any,
    notify: Notifier | None = None,
    head: HeadSensor | None = None,
    depth: DepthSensor | None = None,
) -> Wiring:
    """A wiring over a given receiver, link and pin factory: the same for real parts and for the emulated bench."""
    contacts = ContactSplitter()
    pool_side = make_pool_side(config, contacts.moved, pin_factory)
    ear = make_ear(config, clock, pin_factory)
    opened: list[Callable[[], None]] = [pool_side.close]
    if config.link.sync_pin is not None:
        opened.append(open_sync_pin(config.link.sync_pin, clock, link.sync_edge, pin_factory=pin_factory).close)

    def close_pins() -> None:
        for close in opened:
            close()

    return Wiring(
        receiver=receiver,
        board=link,
        clock=clock,
        emulated=emulated,
        contacts=pool_side,
        warning=PoolSideWarning(pool_side, ear),
        ear=ear,
        notify=notify,
        channels=config.channels,
        head=head,
        depth=depth,
        wall_s=wall_s,
        listen_to_contacts=contacts.listen,
        close_pins=close_pins,
        recent_frames=link.recent_frames,
    )
