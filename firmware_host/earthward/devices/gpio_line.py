"""Edges of a pin straight from the kernel: one wake-up of the reading thread for each, stamped in the interrupt.

gpiozero and lgpio tell an edge through two threads of theirs; at 860 ready pulses a second those two cost more than
reading the converter (docs/decisions/reading-process.md). Here the reading thread itself waits on the line's file
descriptor. The structures are the kernel's own, version 2 of its GPIO character device (linux/gpio.h, since 5.10).
"""

from __future__ import annotations

import fcntl
import math
import os
import select
import struct
from collections.abc import Callable
from pathlib import Path

from earthward.clock import Clock
from earthward.errors import InputError

GET_CHIP_INFO = 0x8044B401
GET_LINE = 0xC250B407
#: name, label, number of lines
CHIP_INFO = struct.Struct("=32s32sI")
#: offsets of up to 64 lines, consumer, flags, attributes (none), number of lines, size of the event buffer, descriptor
LINE_REQUEST = struct.Struct("=64I32sQI260xII20xi")
#: time stamp (monotonic clock), kind, offset, number among all lines' events, number among this line's
EVENT = struct.Struct("=QIIII24x")
#: of that only what is needed 860 times a second: stamp, and number among this line's
NEWEST = struct.Struct("=Q12xI24x")
INPUT, RISING, FALLING, PULL_UP, PULL_DOWN = 1 << 2, 1 << 4, 1 << 5, 1 << 8, 1 << 9
#: so many edges wait in the kernel for a reader that is late; then the oldest go, and the numbers show it
WAITING_EDGES = 64
ALL_EDGES = EVENT.size * WAITING_EDGES
#: what the kernel calls the chip that carries the 40 pins of the header, on any model
HEADER_LABELS = ("pinctrl-bcm", "pinctrl-rp1")

Ioctl = Callable[[int, int, bytearray], object]


class KernelEdges:
    """The edges of one line whose descriptor was opened by `open_kernel_edges`. For one thread.

    apart_s: no edge comes sooner than that after another, so that so soon after one nobody need be asked.
    """

    def __init__(self, descriptor: int, clock: Clock, apart_s: float = 0.0) -> None:
        self._descriptor = descriptor
        self._clock = clock
        self._apart_s = apart_s
        self._poll = select.poll()
        self._poll.register(descriptor, select.POLLIN)
        self._ready, self._now = self._poll.poll, clock.now
        self._patience_s, self._patience_ms = 0.0, 0
        self._number = self._given = self._last = 0
        self._at_s = 0.0
        #: The same if it is the kernel's own stamp, else long ago.
        self._stamped_s = -math.inf

    @property
    def edges(self) -> int:
        """Number of the newest edge; those that the kernel had no room for are counted."""
        if self._now() - self._stamped_s >= self._apart_s and self._ready(0):
            self._take()
        return self._number

    def wait(self, timeout_s: float) -> tuple[int, float] | None:
        """(number, time) of the newest edge that was not given yet; None if there is none in so many real seconds."""
        if timeout_s != self._patience_s:
            self._patience_s, self._patience_ms = timeout_s, math.ceil(timeout_s * 1e3)
        if self._ready(0 if self._number != self._given else self._patience_ms):
            self._take()
        number = self._number
        if number == self._given:
            return None
        self._given = number
        return number, self._at_s

    def _take(self) -> None:
        data = os.read(self._descriptor, ALL_EDGES)
        stamp_ns, count = NEWEST.unpack_from(data, len(data) - NEWEST.size)
        self._number += (count - self._last) & 0xFFFFFFFF
        self._last = count
        now_s, at_s = self._now(), stamp_ns * 1e-9
        # The kernel's stamp is on the clock that `Clock` reads; one of another clock would be worse than none.
        true = 0 <= now_s - at_s < 0.5
        self._at_s, self._stamped_s = (at_s, at_s) if true else (now_s, -math.inf)

    def close(self) -> None:
        os.close(self._descriptor)


def request(pin: int, falling: bool) -> bytearray:
    """What asks the kernel for a line whose edges count; pulled the other way while nobody drives it."""
    flags = INPUT | (FALLING | PULL_UP if falling else RISING | PULL_DOWN)
    return bytearray(LINE_REQUEST.pack(pin, *[0] * 63, b"earthward", flags, 0, 1, WAITING_EDGES, -1))


def open_kernel_edges(
    pin: int,
    clock: Clock,
    what: str = "converter's ready line",
    *,
    falling: bool = True,
    apart_s: float = 0.0,
    devices: Path = Path("/dev"),
    ioctl: Ioctl = fcntl.ioctl,
) -> KernelEdges:
    """Edges of a pin of the Raspberry Pi's header (`apart_s` as there). Raises InputError with one sentence."""
    try:
        chip = _header_chip(devices, ioctl)
        try:
            asked = request(pin, falling)
            ioctl(chip, GET_LINE, asked)
        finally:
            os.close(chip)
    except OSError as error:
        raise InputError(
            f"The pin GPIO{pin} for the {what} cannot be opened ({error.strerror or error}): this needs a "
            "Raspberry Pi, a user of the group gpio, and no other program that uses the pin."
        ) from error
    return KernelEdges(LINE_REQUEST.unpack(asked)[-1], clock, apart_s)


def _header_chip(devices: Path, ioctl: Ioctl) -> int:
    """Descriptor of the chip with the header's pins. Raises OSError."""
    for path in sorted(devices.glob("gpiochip*")):
        descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        info = bytearray(CHIP_INFO.size)
        try:
            ioctl(descriptor, GET_CHIP_INFO, info)
        except OSError:
            os.close(descriptor)
            raise
        if CHIP_INFO.unpack(info)[1].decode("ascii", "replace").startswith(HEADER_LABELS):
            return descriptor
        os.close(descriptor)
    raise OSError(f"{devices} has no GPIO chip of a Raspberry Pi's header")
