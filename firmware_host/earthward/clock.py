"""Time as an argument. Nothing else in the project may ask the operating system what time it is.

Pure rooms (signal, pool, survey, water, safety) take times as numbers and never import this module.
"""

from __future__ import annotations

import math
import threading
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


def wait_event(clock: Clock, event: threading.Event, seconds: float) -> bool:
    """Wait for an event for so many of the clock's seconds, however slowly they pass. True if it was set."""
    end_s = clock.now() + seconds
    while (left_s := end_s - clock.now()) > 0:
        if event.wait(max(left_s / clock.speed, 1e-3)):
            return True
    return event.is_set()


def wall_s() -> float:
    """Calendar time in seconds since 1970-01-01 UTC: for what is written down, never for measuring an interval."""
    return time.time()


def utc_offset_s(time_s: float) -> float:
    """By how much this machine's local time was ahead of UTC at that moment."""
    return float(time.localtime(time_s).tm_gmtoff)


class SystemClock:
    """The machine's monotonic clock."""

    speed = 1.0
    #: Straight to the kernel's: it is asked some thousand times a second.
    now = staticmethod(time.monotonic)

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


class PacedClock:
    """A scaled clock that others may hold back: bench time never runs away from a machine that is busy.

    A part of the bench that must be looked at in time takes a `brake()` and says how far time may go; the clock
    stands still there until the brake moves on. So an emulated converter loses no sample because the computer was
    slow, and `speed` is a wish: the machine goes as fast as it can, up to that.
    """

    _LONGEST_STEP_S = 0.02

    def __init__(self, speed: float) -> None:
        if not speed > 0:
            raise ValueError("speed must be positive")
        self.speed = speed
        self._lock = threading.Lock()
        self._real_s = self._bench_s = time.monotonic()
        self._brakes: list[Brake] = []
        self._limit_s = math.inf

    def now(self) -> float:
        with self._lock:
            real_s = time.monotonic()
            # Many threads ask many times a millisecond: a long silence means that the whole process had no processor.
            bench_s = self._bench_s + min(real_s - self._real_s, self._LONGEST_STEP_S) * self.speed
            # Where it is held it stands; the time lost there is not made up for.
            if bench_s > self._limit_s:
                self._limit_s = self._limit(real_s)
            self._bench_s = max(self._bench_s, min(bench_s, self._limit_s))
            self._real_s = real_s
            return self._bench_s

    def sleep(self, seconds: float) -> None:
        if seconds <= 0:
            return
        end_s = self.now() + seconds
        while (left_s := end_s - self.now()) > 0:
            time.sleep(max(left_s / self.speed, 2e-4))

    def real_s(self) -> float:
        """The machine's own seconds: for how long somebody has been waited for."""
        return time.monotonic()

    def brake(self) -> Brake:
        """A new brake, not holding anything yet."""
        made = Brake(self)
        with self._lock:
            self._brakes.append(made)
        return made

    def apply(self) -> None:
        """Brakes have changed."""
        self.now()
        with self._lock:
            self._limit_s = self._limit(time.monotonic())

    def _limit(self, real_s: float) -> float:
        return min((b.until_s for b in self._brakes if real_s < b.gives_way_s), default=math.inf)


class Brake:
    """Holds a `PacedClock` at a time until told otherwise."""

    def __init__(self, clock: PacedClock) -> None:
        self._clock = clock
        self.until_s = math.inf
        self.gives_way_s = math.inf

    def hold(self, until_s: float, patience_s: float = math.inf) -> None:
        """Time may run to `until_s` and no further, unless this is not called again for `patience_s` real seconds."""
        self.until_s = until_s
        self.gives_way_s = self._clock.real_s() + patience_s
        self._clock.apply()

    def release(self) -> None:
        self.hold(math.inf)


class PunctualClock:
    """A paced clock for one thread that sleeps from moment to moment: time stands still at the end of each of its
    sleeps until it is awake, and goes on by at most `work_s` until it sleeps again. To that thread the machine looks
    as if it had a processor of its own. One that stays away for `patience_s` real seconds is no longer waited for.
    """

    def __init__(self, clock: PacedClock, work_s: float, patience_s: float = 1.0) -> None:
        self._clock = clock
        self._brake = clock.brake()
        self._work_s = work_s
        self._patience_s = patience_s

    @property
    def speed(self) -> float:
        return self._clock.speed

    def now(self) -> float:
        return self._clock.now()

    def sleep(self, seconds: float) -> None:
        end_s = self._clock.now() + max(0.0, seconds)
        self._brake.hold(end_s, self._patience_s)
        # To that very moment: behind its own brake it would never be.
        while (left_s := end_s - self._clock.now()) > 0:
            time.sleep(max(left_s / self.speed, 5e-5))
        self._brake.hold(end_s + self._work_s, self._patience_s)


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
