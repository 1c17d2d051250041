"""Limits how often an event of one kind is told: a device in trouble says the same thousands of times a second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

#: So many events of one kind are told ...
BURST = 5
#: ... within so many seconds; the rest is counted and the count told.
WITHIN_S = 10.0


@dataclass
class _Kind:
    since_s: float
    told: int = 0
    held: int = 0


class EventLimiter:
    """`allow` each event by its kind; `counts` gives, when its time is over, how many of a kind were held back."""

    def __init__(self) -> None:
        self._kinds: dict[str, _Kind] = {}

    def allow(self, kind: str, now_s: float) -> bool:
        state = self._kinds.get(kind)
        if state is None:
            state = self._kinds[kind] = _Kind(now_s)
        if state.told < BURST:
            state.told += 1
            return True
        state.held += 1
        return False

    def counts(self, now_s: float) -> Iterator[tuple[str, int]]:
        """(kind, how many were held back), once each spell of `WITHIN_S` is over."""
        for kind, state in list(self._kinds.items()):
            if now_s - state.since_s >= WITHIN_S:
                del self._kinds[kind]
                if state.held:
                    yield kind, state.held
