"""Blocks of samples: from the reading thread into the loop, there through recording and lock-in to readings.

The reading thread hands over blocks, some tens of samples at a time, and wakes the loop for each batch only once.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable

from earthward.daemon.detection import Detection
from earthward.daemon.parts import Wiring
from earthward.daemon.progress import Progress
from earthward.daemon.source_off import SourceOffMonitor
from earthward.daemon.tail import Tail
from earthward.daemon.telling import Teller
from earthward.signal.types import BlockGrid, SampleBlock

#: How much is held in memory to be kept on request.
TAIL_S = 60.0
#: The lock-in's hops are worked on so many seconds' worth at a time: two hops at once cost little more than one.
AT_ONCE_S = 0.1
#: The clock map's state goes into the recording so often.
REFERENCE_EVERY_S = 0.5


class Samples:
    """`take` is for the reading thread, everything else for the loop's."""

    def __init__(
        self,
        wiring: Wiring,
        detection: Detection,
        source_off: SourceOffMonitor,
        teller: Teller,
        progress: Progress,
        before: Callable[[], None],
        guard: Callable[[Callable[[], None]], None],
    ) -> None:
        """`before`: called before each batch, so that the source's state is known; `guard` runs the work."""
        self._wiring = wiring
        self._detection = detection
        self._source_off = source_off
        self._teller = teller
        self._progress = progress
        self._before = before
        self._guard = guard
        self._pending: deque[SampleBlock] = deque()
        self._called = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._last_reference_s = float("-inf")
        self._hops: BlockGrid | None = None
        self._tails = [Tail(TAIL_S) for _ in range(wiring.channels)]

    def start(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._wiring.receiver.start(self.take)

    def take(self, block: SampleBlock) -> None:
        """From the reading thread."""
        self._pending.append(block)
        if not self._called and self._loop is not None:
            self._called = True
            # A loop that has ended takes no more samples.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._guard, self.work_off)

    def work_off(self) -> None:
        """Everything that has come."""
        self._called = False
        self._before()
        board = self._wiring.board
        reference = board.phase_reference() if self._detection.source.energised else None
        now_s = self._wiring.clock.now()
        while self._pending:
            block = self._pending.popleft()
            if not len(block):
                continue
            if self._teller.recorder is not None:
                self._teller.recorder.samples(block)
            self._tails[block.channel].push(block)
            if not self._detection.source.energised:
                self._source_off.push(block, now_s)
            readings = self._detection.push(block, reference, now_s)
            if readings and self._wiring.ear is not None:
                # Those of one block come at once: what is heard is the newest.
                self._wiring.ear.update(readings[-1])
            for reading in readings:
                self._teller.publish(reading)
        self._progress.samples_worked()
        self._align()
        if reference is not None and now_s - self._last_reference_s > REFERENCE_EVERY_S:
            self._last_reference_s = now_s
            source = self._detection.source
            self._teller.note(
                {
                    "kind": "reference",
                    "t_s": now_s,
                    "start_s": reference.start_s,
                    "frequency_Hz": reference.frequency_Hz,
                    "sigma_s": reference.sigma_s,
                    "frequency_sigma": reference.frequency_sigma,
                    "electrode": source.electrode,
                    "current_A": source.current_A,
                }
            )

    def _align(self) -> None:
        """Blocks are to end where hops end: none is worked on in two halves, and none waits for the next block."""
        detector = self._detection.detector()
        hops, rate_Hz = detector.hops, detector.sample_rate_Hz
        if hops is None or rate_Hz is None or hops == self._hops:
            return
        self._hops = hops
        together = max(1, round(AT_ONCE_S * rate_Hz / hops.every))
        self._wiring.receiver.end_blocks(BlockGrid(hops.first, together * hops.every))

    def tail(self, seconds: float = TAIL_S) -> list[SampleBlock]:
        """The newest seconds of each channel."""
        return [block for tail in self._tails if (block := tail.block(seconds)) is not None]
