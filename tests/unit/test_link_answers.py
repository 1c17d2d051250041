"""An answer of the board that cannot be read is a `LinkError` of one sentence, whatever was asked."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from earthward.clock import ManualClock
from earthward.devices.protocol import Identity
from earthward.devices.source import LinkError, SourceLink

BOARD = Identity(1, 1, 0, 0, 1, 1, 1, 2_000_000, 18_000, 12_000, 500, 0, 0)


@pytest.mark.parametrize(
    "ask",
    [
        lambda link: link.configure("coded", 36.0, 0.005),
        lambda link: link.select("B"),
        lambda link: link.energise(),
        lambda link: link.off(),
        lambda link: link.request_status(),
    ],
)
def test_an_unreadable_answer_is_one_sentence(
    ask: Callable[[SourceLink], object], monkeypatch: pytest.MonkeyPatch
) -> None:
    link = SourceLink("/nowhere", ManualClock())
    monkeypatch.setattr(link, "_need_identity", lambda: BOARD)
    monkeypatch.setattr(link._requests, "ask", lambda *_: b"\x01")
    with pytest.raises(LinkError, match="unreadable"):
        ask(link)
