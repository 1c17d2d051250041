"""How often the state is told: seldom while nothing but readings changes, at once when anything else does."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace

import pytest
from tests.support.quick_daemon import quick_daemon

from earthward.daemon import life
from earthward.daemon import protocol as m
from earthward.daemon.supervisor import Supervisor
from earthward.record.event import Event


def test_the_state_is_told_seldom_only_while_the_source_is_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def gaps() -> list[float]:
        async with quick_daemon(tmp_path) as quick:
            off = quick.daemon._state_gap_s()
            monkeypatch.setattr(Supervisor, "energised", property(lambda _: True))
            on = quick.daemon._state_gap_s()
            # How the head is held changes all the time.
            monkeypatch.setattr(quick.daemon, "wiring", SimpleNamespace(head=object(), depth=None))
            sensed = quick.daemon._state_gap_s()
            monkeypatch.undo()
            return [off, on, sensed]

    assert asyncio.run(gaps()) == [life.STATE_S, life.STEADY_STATE_S, life.STATE_S]


def test_news_of_the_link_is_in_a_state_at_once(tmp_path: Path) -> None:
    async def heard() -> list[m.Message]:
        async with quick_daemon(tmp_path) as quick:
            messages: list[m.Message] = []
            quick.daemon.listeners.append(messages.append)
            quick.board.events.append(Event(t_s=0.0, severity="caution", code="link-silent", text="Silent."))
            quick.daemon.pump.work()
            # Nothing but what is due already runs: no tick can have told it.
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            return messages

    kinds = [type(message) for message in asyncio.run(heard())]
    assert kinds.index(m.EventMessage) < kinds.index(m.State)
