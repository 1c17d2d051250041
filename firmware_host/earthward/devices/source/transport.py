"""Bytes to and from the source board: opening the port by its link name, and what went wrong with it in words."""

from __future__ import annotations

import errno
import logging
import math
import os
import select
import termios
import threading
import tty
from collections import deque
from collections.abc import Callable
from typing import NamedTuple, Protocol

import serial

from earthward.devices.protocol import BAUD, Frame, FrameReader

log = logging.getLogger(__name__)

#: what pyserial lets through when a port is gone
PORT_ERRORS = (serial.SerialException, OSError, termios.error)


class Port(Protocol):
    """What the link needs of `BoardPort` (the seam for tests)."""

    def take(self) -> bytes: ...
    def write(self, data: bytes) -> int | None: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...


class BoardPort(serial.Serial):  # type: ignore[misc]
    """pyserial's port, but for reading: one look and one read instead of two of each with pyserial's work around them.
    Forty-five times a second that is most of what listening costs."""

    def take(self) -> bytes:
        """What has come, waiting for the time-out at most. Raises one of `PORT_ERRORS`."""
        descriptor = self.fileno()
        poll = select.poll()
        poll.register(descriptor, select.POLLIN)
        if not poll.poll(math.ceil((self.timeout or 0.0) * 1e3)):
            return b""
        data = os.read(descriptor, AT_ONCE)
        if not data:
            raise serial.SerialException("device reports readiness to read but returned no data: unplugged?")
        return data


def open_port(name: str, timeout_s: float) -> Port:
    """A serial port for the board, raw and ours alone. Raises one of `PORT_ERRORS`.

    No flow control, and DTR and RTS low: on many boards DTR pulls the reset pin. The kernel itself raises both for a
    moment while it opens a port; a board whose reset hangs on DTR must have that trace cut (docs/source-board.md).
    """
    port = BoardPort()
    port.port = name
    port.baudrate = BAUD
    port.timeout = timeout_s
    port.write_timeout = 0.25
    port.exclusive = True
    port.dtr = False
    port.rts = False
    port.open()
    tty.setraw(port.fileno())
    port.reset_input_buffer()
    return port


#: bytes read at once: a hundred frames
AT_ONCE = 4096
#: So many of the newest frames are remembered each way, for the record of a trip.
FRAMES_KEPT = 100


class SeenFrame(NamedTuple):
    """A frame that went over the cable, and when."""

    t_s: float
    type: int
    seq: int
    body: bytes


class Transport:
    """Frames through one port, which may come and go. `write` may be called from any thread, the rest from one.

    trouble: one sentence why there is no port, or why nobody speaks on it. now_s: the time that frames are noted with.
    """

    def __init__(self, name: str, opener: Callable[[str, float], Port], now_s: Callable[[], float]) -> None:
        self.name = name
        self._now_s = now_s
        self.came: deque[SeenFrame] = deque(maxlen=FRAMES_KEPT)
        self.went: deque[SeenFrame] = deque(maxlen=FRAMES_KEPT)
        self.trouble = "The source board's port has not been opened yet."
        self.port: Port | None = None
        self._opener = opener
        self._reader = FrameReader()
        self._errors_before = 0
        self.write_lock = threading.Lock()

    @property
    def errors(self) -> int:
        """Frames dropped since the start."""
        return self._errors_before + self._reader.errors

    def open(self, timeout_s: float) -> bool:
        try:
            port = self._opener(self.name, timeout_s)
        except (*PORT_ERRORS, ValueError) as error:
            self.trouble = f"The source board's port {self.name} cannot be opened ({why(error)}): plug the cable in."
            return False
        self._errors_before += self._reader.errors
        self._reader = FrameReader()
        self.trouble = "The source board does not answer yet: check that it is switched on."
        self.port = port
        return True

    def close(self) -> None:
        port, self.port = self.port, None
        if port is not None:
            try:
                port.close()
            except PORT_ERRORS as error:
                log.debug("closing a dead port: %s", error)

    def read(self) -> list[Frame]:
        """What came, waiting for the port's time-out at most. Raises one of `PORT_ERRORS`."""
        port = self.port
        if port is None:
            return []
        frames = self._reader.feed(port.take())
        if frames:
            now_s = self._now_s()
            self.came.extend(SeenFrame(now_s, frame.type, frame.seq, frame.body) for frame in frames)
        return frames

    def write(self, frame: Frame) -> bool:
        """False if there is no port. Raises one of `PORT_ERRORS` if the port is gone."""
        port = self.port
        if port is None:
            return False
        try:
            with self.write_lock:
                self.went.append(SeenFrame(self._now_s(), frame.type, frame.seq, frame.body))
                port.write(frame.encode())
        except serial.SerialTimeoutException as error:
            # A busy machine can be away for so long between writing and looking at the time. If the bytes did not go,
            # the answer will not come, and that is waited for anyway.
            log.debug("write timed out: %s", error)
        return True


_ERRNO_TEXT = {
    errno.ENOENT: "it is not there",
    errno.ENODEV: "it is not there",
    errno.ENXIO: "it is not there",
    errno.EACCES: "no permission",
    errno.EPERM: "no permission",
    errno.EBUSY: "another program has it open",
    errno.EAGAIN: "another program has it open",
    errno.EIO: "it was unplugged",
    errno.EBADF: "it was unplugged",
}
#: pyserial raises these without an error number
_MESSAGE_TEXT = {
    "returned no data": "it was unplugged",
    "Bad file descriptor": "it was unplugged",
    "Input/output error": "it was unplugged",
    "exclusively lock": "another program has it open",
}


def why(error: BaseException) -> str:
    """The cause in a few words. pyserial and termios wrap errno in different places."""
    code = getattr(error, "errno", None)
    if code is None and error.args and isinstance(error.args[0], int):
        code = error.args[0]
    if code in _ERRNO_TEXT:
        return _ERRNO_TEXT[code]
    message = str(error)
    known = next((text for part, text in _MESSAGE_TEXT.items() if part in message), "")
    return known or message.split(":")[0].strip() or type(error).__name__
