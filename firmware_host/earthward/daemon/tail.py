"""The newest seconds of samples, held in memory."""

from __future__ import annotations

from collections import deque

import numpy as np

from earthward.signal.types import SampleBlock


def from_time(block: SampleBlock, t_s: float) -> SampleBlock:
    """The part of a block whose conversions were read at or after `t_s`."""
    first = int(np.searchsorted(block.t_s, t_s))
    return block if first == 0 else block.part(first, len(block))


class Tail:
    """The newest seconds of one channel as one block: for stray check, band scan, and "keep the last 60 s"."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._blocks: deque[SampleBlock] = deque()

    def push(self, block: SampleBlock) -> None:
        if not len(block):
            return
        self._blocks.append(block)
        newest = float(block.t_s[-1])
        while float(self._blocks[0].t_s[-1]) < newest - self._seconds:
            self._blocks.popleft()

    def clear(self) -> None:
        self._blocks.clear()

    def block(self, seconds: float | None = None) -> SampleBlock | None:
        """Everything held, or only the newest `seconds`; None while empty."""
        if not self._blocks:
            return None
        blocks = list(self._blocks)
        scale = np.concatenate([np.broadcast_to(np.asarray(b.full_scale_V, float), (len(b),)) for b in blocks])
        joined = SampleBlock(
            np.concatenate([b.index for b in blocks]),
            np.concatenate([b.t_s for b in blocks]),
            np.concatenate([b.v_V for b in blocks]),
            np.concatenate([b.flags for b in blocks]),
            scale,
            blocks[0].channel,
        )
        return joined if seconds is None else from_time(joined, float(joined.t_s[-1]) - seconds)

    @property
    def span_s(self) -> float:
        return float(self._blocks[-1].t_s[-1] - self._blocks[0].t_s[0]) if self._blocks else 0.0
