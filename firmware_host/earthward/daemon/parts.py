"""The world that the daemon is wired to: real parts, the emulated bench, or a recording. What it needs of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from earthward.clock import Clock
from earthward.daemon import protocol as m
from earthward.daemon.supervisor import Board, Contacts, Warning
from earthward.devices.ads1115 import AdcStatus
from earthward.devices.notify import Notifier
from earthward.devices.sound import Sounder
from earthward.devices.source.transport import SeenFrame
from earthward.record.event import Event
from earthward.record.place import Depth, Orientation, Station
from earthward.signal.types import BlockGrid, SampleBlock

#: Takes a block of samples in the reading thread; it must be quick.
TakeBlock = Callable[[SampleBlock], None]


class Receiver(Protocol):
    """What the daemon needs of the acquisition (`earthward.devices.ads1115.AdcReader`)."""

    def start(self, take: TakeBlock) -> None: ...
    def end_blocks(self, grid: BlockGrid) -> None: ...
    def close(self) -> None: ...
    @property
    def status(self) -> AdcStatus: ...


class LinkBoard(Board, Protocol):
    def start(self) -> None: ...
    def close(self) -> None: ...
    def drain_events(self) -> list[Event]: ...


class HeadSense(Protocol):
    """What the daemon needs of an orientation sensor (`earthward.devices.head_sensor.HeadSensor`)."""

    def start(self) -> None: ...
    def close(self) -> None: ...
    def now(self) -> Orientation | None: ...
    def at_wall(self, bearing_deg: float) -> None: ...
    def plumb(self) -> None: ...
    @property
    def moving_s(self) -> float: ...
    @property
    def text(self) -> str: ...


class DepthSense(Protocol):
    """What the daemon needs of a depth sensor (`earthward.devices.depth_sensor.DepthSensor`)."""

    def start(self) -> None: ...
    def close(self) -> None: ...
    def now(self, held: Orientation | None = None, since_s: float = ...) -> Depth | None: ...
    def at_surface(self) -> None: ...
    @property
    def text(self) -> str: ...


@dataclass
class Wiring:
    """`emulated` is shown everywhere."""

    receiver: Receiver
    board: LinkBoard
    clock: Clock
    emulated: bool
    contacts: Contacts | None = None
    warning: Warning | None = None
    #: The sound of the daemon: it goes on if the screen dies.
    ear: Sounder | None = None
    notify: Notifier | None = None
    channels: int = 1
    #: The orientation sensor in the pole head, if there is one.
    head: HeadSense | None = None
    #: The depth sensor in the pole head, if there is one.
    depth: DepthSense | None = None
    #: A recording is played: there is nothing to interlock, and nothing can be driven.
    playback: bool = False
    wall_s: Callable[[], float] = field(default=lambda: 0.0)
    #: Called with the place a client says the pole is at (the emulated bench holds its virtual pole there).
    on_move: Callable[[Station], None] | None = None
    #: Called with what a client says was done by hand (the emulated bench then does it).
    on_told: Callable[[m.FromClient], None] | None = None
    #: Takes a function that is told of contacts and switches, from any thread: (name, active).
    listen_to_contacts: Callable[[Callable[[str, bool], None]], None] | None = None
    close_pins: Callable[[], None] | None = None
    #: The newest frames of the board's cable that came and that went.
    recent_frames: Callable[[], tuple[list[SeenFrame], list[SeenFrame]]] | None = None
    #: Called after each look of the interlock: the emulated bench's time waits for it on a busy machine.
    on_supervised: Callable[[], None] | None = None
    #: ... and after each turn of the daemon's loop.
    on_turned: Callable[[], None] | None = None
