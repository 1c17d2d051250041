"""sd_notify as systemd's manual page sd_notify(3) describes it: assignments in one datagram to NOTIFY_SOCKET."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from earthward.devices.notify import Notifier


@pytest.mark.parametrize("abstract", [False, True])
def test_messages_arrive(tmp_path: Path, abstract: bool) -> None:
    name = f"@earthward-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + name[1:] if abstract else name)
        listener.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "3000000"})
        assert notifier.active
        assert notifier.watchdog_s == 3.0
        notifier.ready("reading\nnow")
        assert listener.recv(200) == b"READY=1\nSTATUS=reading now"
        notifier.watchdog()
        assert listener.recv(200) == b"WATCHDOG=1"
        notifier.status("all well")
        assert listener.recv(200) == b"STATUS=all well"
        notifier.stopping()
        assert listener.recv(200) == b"STOPPING=1"
        notifier.close()


def test_without_systemd_nothing_happens() -> None:
    notifier = Notifier({})
    assert not notifier.active
    assert notifier.watchdog_s is None
    notifier.ready()


def test_a_missing_manager_does_not_stop_us(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).watchdog()
    assert "could not be told" in caplog.text


@pytest.mark.parametrize("env", [{"WATCHDOG_USEC": "x"}, {"WATCHDOG_USEC": "1000", "WATCHDOG_PID": "1"}])
def test_a_watchdog_of_somebody_else_is_not_ours(env: dict[str, str]) -> None:
    assert Notifier(env).watchdog_s is None
