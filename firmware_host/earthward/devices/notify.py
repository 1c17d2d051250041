"""Tell systemd how the daemon is: READY=1, STATUS=..., WATCHDOG=1, STOPPING=1 by plain datagram.

The protocol is sd_notify(3) of systemd: newline-separated assignments in one datagram to the socket named by
NOTIFY_SOCKET; a leading @ means the abstract namespace. Without that variable every call does nothing, so the
same daemon runs by hand.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

log = logging.getLogger(__name__)


class Notifier:
    """Args: environ: where NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID are looked up (default: the process's)."""

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        env = os.environ if environ is None else environ
        self._address = env.get("NOTIFY_SOCKET", "")
        self._socket: socket.socket | None = None
        self.watchdog_s = _watchdog_s(env)
        """systemd restarts us if it hears no WATCHDOG for this long; None if it does not watch."""

    @property
    def active(self) -> bool:
        return bool(self._address)

    def ready(self, status: str = "") -> None:
        """The daemon serves its clients from now on."""
        self._send("READY=1", status)

    def status(self, text: str) -> None:
        """One line for `systemctl status`."""
        self._send("", text)

    def watchdog(self) -> None:
        """Still alive; call it at least every `watchdog_s` / 2, from whatever proves that the daemon works."""
        self._send("WATCHDOG=1", "")

    def stopping(self, status: str = "") -> None:
        self._send("STOPPING=1", status)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, assignment: str, status: str) -> None:
        if not self._address:
            return
        lines = [assignment] if assignment else []
        if status:
            lines.append("STATUS=" + status.replace("\n", " "))
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
                self._socket.setblocking(False)
            self._socket.sendto("\n".join(lines).encode(), address)
        except OSError as error:
            # The service manager being away must not stop a measurement.
            log.warning("systemd could not be told %s: %s", lines, error)


def _watchdog_s(env: Mapping[str, str]) -> float | None:
    try:
        interval = int(env.get("WATCHDOG_USEC", "0")) / 1e6
        pid = int(env.get("WATCHDOG_PID", str(os.getpid())))
    except ValueError:
        return None
    return interval if interval > 0 and pid == os.getpid() else None
