"""EMULATED cable: a pseudo-terminal behind a link name. What every emulated source board has of its serial port."""

from __future__ import annotations

import os
import tempfile
import threading
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

from earthward.clock import PacedClock

#: A paced bench's time waits for a late heartbeat at this share of the dead-man's time ...
WAIT_AT = 0.7


class HeartbeatWait:
    """How far a paced bench's time may run between two looks at a board, so that a busy host trips no dead-man.

    Args:
        pace_s: how far it runs when nothing is late. deadman_s: the board's own limit.
        patience_s: real seconds a late heartbeat is waited for; longer is a fault, and the dead-man shall see it.
    """

    def __init__(self, pace_s: float, deadman_s: float, patience_s: float) -> None:
        self._pace_s = pace_s
        self._late_s = WAIT_AT * deadman_s
        self._patience_s = patience_s
        self._since_s: float | None = None

    def until_s(self, now: float, heartbeat_s: float, live: bool, paced: PacedClock) -> float:
        """`live`: the board is armed or energised, plugged in, and no heartbeat is on its way."""
        until = heartbeat_s + self._late_s
        if not live or now + self._pace_s < until:
            self._since_s = None
            return now + self._pace_s
        real_s = paced.real_s()
        if self._since_s is None:
            self._since_s = real_s
        return until if real_s - self._since_s < self._patience_s else now + self._pace_s


class PluggedBoard:
    """Context manager (`start` .. `close`, which subclasses bring); `port` is the link name to open with pyserial.

    Args:
        path: link name to create; default: a name in a temporary folder.
    """

    def __init__(self, path: str | None = None) -> None:
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if path is None:
            self._folder = tempfile.TemporaryDirectory(prefix="earthward-emulated-")
            path = str(Path(self._folder.name) / "source")
        self.port = path
        self._lock = threading.RLock()
        self._master = -1
        self._slave = -1
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    def start(self) -> None:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def unplug(self) -> None:
        """Pull the cable. The board runs on from its battery (and trips when heartbeats stop)."""
        with self._lock:
            for fd in (self._master, self._slave):
                if fd >= 0:
                    os.close(fd)
            self._master = self._slave = -1
            Path(self.port).unlink(missing_ok=True)
        self._poke()

    def replug(self) -> None:
        """Plug the cable in again: a new device under the same link name."""
        with self._lock:
            if self._master >= 0:
                return
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            link = Path(self.port)
            fresh = link.with_name(link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(os.ttyname(self._slave))
            fresh.replace(link)
        self._poke()

    def _poke(self) -> None:
        """The descriptors have changed, or a hand wants the thread to look now. Default: it looks often enough."""

    def _end_thread(self) -> None:
        """Stop the thread, pull the cable, take the folder away."""
        self._stop.set()
        self._poke()
        if self._thread is not None:
            self._thread.join(timeout=5.0)
            self._thread = None
        self.unplug()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None
