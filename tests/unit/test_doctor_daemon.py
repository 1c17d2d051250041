"""`doctor` beside a running daemon asks it, and does not touch what the daemon holds."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from earthward import config as configuration
from earthward.commands import doctor
from earthward.commands.doctor_daemon import state_of
from earthward.daemon.instrument import Permissive
from earthward.errors import InputError


class Interlock:
    permissives = (
        Permissive(name="link", ok=True, text="Connected."),
        Permissive(name="receiver", ok=False, text="No samples."),
        Permissive(name="emergency stop", ok=False, text="Open."),
    )


class Running:
    interlock = Interlock()


def test_what_the_daemon_holds_is_told_by_the_daemon(monkeypatch: pytest.MonkeyPatch) -> None:
    def touched(*_: Any) -> Any:
        raise AssertionError("the daemon's own devices were opened")

    monkeypatch.setattr(doctor, "state_of", lambda _: Running())
    for check in ("_receiver", "_head", "_board", "_pins"):
        monkeypatch.setattr(doctor, check, touched)
    looks = {look.what: look.level for look in doctor.examine(configuration.Config())}
    assert (looks["source board"], looks["receiver"], looks["emergency stop"]) == ("right", "wrong", "note")


def test_without_a_daemon_there_is_nobody_to_ask(tmp_path: Path) -> None:
    assert state_of(tmp_path / "none") is None
    with socket.socket(socket.AF_UNIX) as left_behind:
        left_behind.bind(str(tmp_path / "stale"))
    assert state_of(tmp_path / "stale") is None


def test_a_daemon_that_may_not_be_asked_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    async def closed(*_: Any, **__: Any) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("asyncio.open_unix_connection", closed)
    with pytest.raises(InputError, match="sudo -u earthward"):
        state_of(tmp_path / "socket")
