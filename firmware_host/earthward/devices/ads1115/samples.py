"""Between a fetched code and a block of volts: numbering, losses, saturation, and handing the block on."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable

import numpy as np

from earthward.clock import Clock
from earthward.devices.ads1115.chip import Chip
from earthward.signal.types import BlockGrid, SampleBlock, SampleFlag

log = logging.getLogger(__name__)

#: A block's length while nobody has said where blocks are to end, and the longest there is.
BLOCK_S, LONGEST_S = 0.04, 0.15
BLOCK_SAMPLES = 40
#: Rate and losses are of the last so many seconds.
LOOK_BACK_S = 6.0


class _Channel:
    """Samples of one channel on their way into a block."""

    __slots__ = ("last_index", "next_flags", "number", "taken")

    def __init__(self, number: int) -> None:
        self.number = number
        self.last_index: int | None = None
        self.next_flags = 0
        self.clear()

    def clear(self) -> None:
        #: (number, time, code, flags) of each
        self.taken: list[tuple[int, float, int, int]] = []


class Samples:
    """Collects codes and emits blocks. `take` and `emit` belong to the reading thread, the rest may be read anywhere.

    Args:
        on_block: called in the reading thread for each block; what it raises is contained, counted and told in
            `receiver_trouble`. Without it blocks wait for `drain`.
        keep: how many blocks `drain` may fall behind before the oldest are dropped (and counted).
    """

    def __init__(self, chip: Chip, clock: Clock, on_block: Callable[[SampleBlock], None] | None, keep: int) -> None:
        self._chip = chip
        self._clock = clock
        self._on_block = on_block
        self._blocks: deque[SampleBlock] = deque(maxlen=keep)
        settings = chip.settings
        self._channels = [_Channel(settings.channel + k) for k in range(len(settings.pairs))]
        self._last = self._channels[-1]
        # The driver gives an ADS1015's twelve bits left-justified, as the register holds them.
        self._top, self._step = (32767, 1) if settings.chip == "ADS1115" else (32752, 16)
        #: Where blocks are to end, if somebody has said so (from any thread).
        self.grid: BlockGrid | None = None
        self._block_end = 0
        self.index = -1
        """Number of the newest conversion that was counted."""
        self.last_sample_s = clock.now()
        self.sampled = False
        self.saturated_s = -1e9
        self.peaks: deque[tuple[float, int]] = deque(maxlen=400)
        """(time, largest code) of the last blocks."""
        self.lost = self.repeats = self.dropped_blocks = self.receiver_errors = 0
        self.receiver_trouble = ""
        self._receiver_failed_s = -1e9
        self._fetched = 0
        self._history: deque[tuple[float, int, int]] = deque()  # time, conversions, fetched
        self._block_since_s = 0.0

    # ---- in the reading thread ----------------------------------------------------------------------------

    def begin(self, now: float) -> None:
        """Acquisition (re)starts: what is in the chip's registers is of other settings."""
        self.mark_changed()
        self._block_since_s = now
        self._history.clear()

    def mark_changed(self) -> None:
        """The next sample of each channel is the first with other settings."""
        for channel in self._channels:
            channel.next_flags |= SampleFlag.RANGE_CHANGED

    def take(self, which: int, index: int, at: float, code: int) -> None:
        """One conversion of channel `which` that ended at `at`. One that is not newer than the last is dropped."""
        channel = self._channels[which]
        flags = 0
        if channel.next_flags or index - 1 != channel.last_index:
            # Seldom; what follows is done 860 times a second.
            last, flags = channel.last_index, channel.next_flags
            if last is not None and (missed := index - last - 1):
                if missed < 0:
                    self.repeats += 1
                    return
                flags |= SampleFlag.AFTER_GAP
                self.lost += missed
            channel.next_flags = 0
            self.sampled = True
        channel.last_index = index
        channel.taken.append((index, at, code, flags))
        self.last_sample_s = at

    def due(self, now: float) -> bool:
        """Time to check the chip's settings and hand a block on."""
        length_s = now - self._block_since_s
        if self.grid is None:
            return length_s > BLOCK_S or len(self._channels[0].taken) >= BLOCK_SAMPLES
        newest = self._last.last_index
        return length_s > LONGEST_S or (newest is not None and newest >= self._block_end)

    def emit(self, extra: int = 0) -> None:
        """Hand on what was taken, with further flags on every sample."""
        now = self._clock.now()
        self._block_since_s = now
        self._fetched += sum(len(channel.taken) for channel in self._channels)
        peaks = [self._emit(channel, now, extra) for channel in self._channels if channel.taken]
        if not peaks:
            return
        self.peaks.append((now, max(peaks)))
        self._history.append((self.last_sample_s, self._fetched + self.lost, self._fetched))
        while self.last_sample_s - self._history[0][0] > LOOK_BACK_S:
            self._history.popleft()
        grid, newest = self.grid, self._channels[-1].last_index
        if grid is not None and newest is not None:
            self._block_end = grid.end_after(newest)

    def _emit(self, channel: _Channel, now: float, extra: int) -> int:
        index, t_s, code, own_flags = zip(*channel.taken, strict=True)
        codes = np.array(code, dtype=np.int64)
        flags = np.array(own_flags, dtype=np.uint8) | np.uint8(extra)
        # "At or within one step of full scale", both ends.
        clipped = (codes >= self._top - self._step) | (codes <= -32768 + self._step)
        if clipped.any():
            flags[clipped] |= np.uint8(SampleFlag.SATURATED)
            self.saturated_s = now
        scale = self._chip.full_scale_V
        block = SampleBlock(
            index=np.array(index, dtype=np.int64),
            t_s=np.array(t_s),
            v_V=codes.astype(np.float64) * (scale / 32768),
            flags=flags,
            full_scale_V=scale,
            channel=channel.number,
        )
        channel.clear()
        self._hand_on(block, now)
        return int(np.abs(codes).max())

    def _hand_on(self, block: SampleBlock, now: float) -> None:
        if self._on_block is None:
            if len(self._blocks) == self._blocks.maxlen:
                self.dropped_blocks += 1
            self._blocks.append(block)
            return
        try:
            self._on_block(block)
        except Exception as error:
            # Acquisition must outlive whoever takes its blocks; it is told in `status`, and logged once a kind.
            trouble = f"{type(error).__name__}: {error}"
            if trouble != self.receiver_trouble:
                log.exception("what takes the samples failed")
            self.receiver_trouble = trouble
            self.receiver_errors += 1
            self._receiver_failed_s = now

    # ---- from anywhere ------------------------------------------------------------------------------------

    def drain(self) -> list[SampleBlock]:
        blocks = []
        while True:
            try:
                blocks.append(self._blocks.popleft())
            except IndexError:
                return blocks

    def receiver_failing(self, now: float) -> bool:
        return now - self._receiver_failed_s < 1.0

    def rate_and_losses(self) -> tuple[float | None, float]:
        """Measured rate of one channel, and the share of conversions of the last seconds that were not fetched."""
        history = list(self._history)
        if len(history) < 2:
            return None, 0.0
        (t0, c0, f0), (t1, c1, f1) = history[0], history[-1]
        if c1 <= c0:
            return None, 0.0
        rate = (c1 - c0) / (t1 - t0) / len(self._channels) if t1 > t0 else None
        return rate, 1.0 - (f1 - f0) / (c1 - c0)
