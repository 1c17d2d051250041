"""Whether the event loop and the samples get on: heartbeats to the board and kicks of the watchdog are earned by it."""

from __future__ import annotations

from earthward.clock import Clock

#: Without a sign of life for so long (real seconds) the loop counts as standing still. A healthy one marks itself
#: ten times a second; the longest thing it does at once takes some 50 ms on a small machine.
STANDS_STILL_S = 1.0


class Progress:
    """Marked by the loop, read from any thread."""

    def __init__(self, clock: Clock, limit_s: float = STANDS_STILL_S) -> None:
        self._clock = clock
        # Bench time may run faster than the machine's.
        self._limit_s = limit_s * max(1.0, clock.speed)
        self._loop_s: float | None = None
        self._samples_s: float | None = None

    def loop_turned(self) -> None:
        """The loop has come round."""
        self._loop_s = self._clock.now()

    def samples_worked(self) -> None:
        """A block of samples has gone through detection and recording."""
        self._samples_s = self._clock.now()

    def trouble(self, energised: bool) -> str:
        """One sentence while something stands still; empty while all is well, or nothing has begun yet.

        Samples matter while the source is on: a converter that is out is the interlock's business before.
        """
        now_s = self._clock.now()
        if self._loop_s is not None and now_s - self._loop_s > self._limit_s:
            return "The daemon's own loop stands still: the output goes off."
        if energised and self._samples_s is not None and now_s - self._samples_s > self._limit_s:
            return "Samples are not worked on any more: the output goes off."
        return ""
