"""Snapshots for tests and pictures, built from the stand-in daemon's messages without a socket."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

from tests.display import fake_feed

from earthward.daemon.protocol import EventMessage, FromDaemon, Interlock, Steps
from earthward.display.pages import registry
from earthward.display.snapshot import Snapshot, connection, updated

SIZES = ((53, 20), (80, 24), (120, 40))
SMALL = (40, 13)
PAGES = tuple(registry())
TIERS = ("safe", "half", "braille")


def swing(t_s: float) -> float:
    return 150e-6 * math.sin(t_s / 4)


def scene(
    lock: str | Interlock = "energised",
    value_of: Callable[[float], float] = swing,
    readings: int = 400,
    events: Sequence[EventMessage] | None = None,
    extra: Sequence[FromDaemon] = (),
    noise_V: float = 2.6e-6,
    seed: int = 1,
) -> tuple[Snapshot, float]:
    """(snapshot, now): a connected display after 20 s of readings 20 times a second."""
    snapshot = connection(Snapshot(address="/run/earthward.sock"), True, 0.1)
    now = 0.1
    for message in (fake_feed.state(lock), fake_feed.plan(), Steps(steps=fake_feed.STEPS)):
        snapshot = updated(snapshot, message, now)
    for event in fake_feed.events()[:3] if events is None else events:
        snapshot = updated(snapshot, event, now)
    rng = random.Random(seed)
    for i in range(readings):
        now = 100.0 + i * 0.05
        snapshot = updated(snapshot, fake_feed.reading(i + 1, value_of(i * 0.05) + rng.gauss(0, noise_V)), now)
    for more in extra:
        snapshot = updated(snapshot, more, now)
    return snapshot, now
