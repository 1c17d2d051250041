"""Time as an argument. Nothing else in the project may ask the operating system what time it is.

Pure rooms (signal, pool, survey, water, safety) take times as numbers and never import this module.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """A monotonic clock in seconds. `speed` is how many of its seconds pass per second on the wall."""

    @property
    def speed(self) -> float: ...

    def now(self) -> float:
        """Seconds since an arbitrary start; never runs backwards."""
        ...

    def sleep(self, seconds: float) -> None:
        """Block the calling thread for that many of this clock's seconds."""
        ...


def wall_s() -> float:
    """Calendar time in seconds since 1970-01-01 UTC: for what is written down, never for measuring an interval."""
    return time.time()


class SystemClock:
    """The machine's monotonic clock."""

    speed = 1.0

    def now(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)


class ScaledClock:
    """The machine's clock, running `speed` times as fast: emulated benches use it to hurry a whole visit.

    Every thread, pty and socket stays real; only seconds are shorter, so scheduling jitter looks `speed`
    times larger to the instrument than it is.
    """

    def __init__(self, speed: float) -> None:
        if not speed > 0:
            raise ValueError("speed must be positive")
        self.speed = speed
        self._origin = time.monotonic()

    def now(self) -> float:
        return self._origin + (time.monotonic() - self._origin) * self.speed

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds / self.speed)


class ManualClock:
    """A clock that moves only when told (or when somebody sleeps): tests finish in microseconds."""

    speed = 1.0

    def __init__(self, start_s: float = 0.0) -> None:
        self._now = start_s

    def now(self) -> float:
        return self._now

    def sleep(self, seconds: float) -> None:
        self.advance(max(0.0, seconds))

    def advance(self, seconds: float) -> None:
        if seconds < 0:
            raise ValueError("time does not run backwards")
        self._now += seconds
